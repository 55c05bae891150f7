"""Outlines: where zones of one job overlap or touch, one line of cones goes round all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from gridground.ground import Cone, Outline
from gridground.grounding.zones import SAG_M, cone_zone, near_lonlat
from gridground.territory.frame import geodesic_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.territory.frame import Frame

    Floats = NDArray[np.float64]
    Lonlat = tuple[float, float]

_TOUCH_M = 0.001


@dataclass(frozen=True)
class Part:
    """What has a zone: a pole with its rod, or a vehicle.

    Attributes
    ----------
    name : str
        By which cones and outlines name it; unique among the parts.
    foot : tuple of float
        Longitude and latitude from which its cones are set: the pole, the middle of a vehicle.
    rod : tuple of float or None
        Its rod; None: the zone is the circle round the foot.
    radius_m : float
        Radius of its zone [m].
    """

    name: str
    foot: Lonlat
    rod: Lonlat | None
    radius_m: float


def outlines_of(frame: Frame, parts: Sequence[Part], *, spacing_m: float) -> tuple[Outline, ...]:
    """Draw the outlines of a job's zones and number their cones through.

    Parameters
    ----------
    frame : Frame
        A local plane near the parts.
    parts : sequence of Part
        In the order in which their cones are numbered.
    spacing_m : float
        Largest distance from cone to cone along an outline [m].

    Returns
    -------
    tuple of Outline
        In the order of their first part. A zone by itself has the cones of `cone_zone`; along the
        line round several the cones stand evenly, the first where the first part's first one
        would stand or nearest to it, the others clockwise. Each cone belongs to the part on whose
        edge it stands.

    Raises
    ------
    ValueError
        For a radius or spacing that is not above zero, or two parts of one name.

    Examples
    --------
    >>> from gridground.territory.frame import Frame
    >>> near = [Part("a", (10.0, 50.0), None, 3.0), Part("b", (10.00002, 50.0), None, 3.0)]
    >>> (found,) = outlines_of(Frame(10.0, 50.0), near, spacing_m=2.0)
    >>> found.zone_id, found.parts, len(found.cones), found.perimeter_m < 4 * 3.1416 * 3.0
    ('Z1', ('a', 'b'), 11, True)
    """
    if len({part.name for part in parts}) < len(parts):
        raise ValueError("two zones of one name")
    found: list[Outline] = []
    shapes = [_buffer(_axis(frame, part), part.radius_m) for part in parts]
    for group in _groups([_axis(frame, part) for part in parts], parts):
        zone_id = f"Z{len(found) + 1}"
        first = sum(len(outline.cones) for outline in found) + 1
        members = [parts[row] for row in group]
        if len(group) == 1:
            polygon, perimeter_m, area_m2, points = _alone(frame, members[0], spacing_m)
        else:
            joint = shapely.union_all([shapes[row] for row in group])
            polygon, perimeter_m, area_m2, points = _joint(frame, joint, members, spacing_m)
        cones = _numbered(frame, members, points, first)
        names = tuple(part.name for part in members)
        found.append(Outline(zone_id, names, perimeter_m, area_m2, polygon, cones))
    return tuple(found)


def _axis(frame: Frame, part: Part) -> Any:  # noqa: ANN401  shapely geometry
    """Return the lead on the ground of a part in the plane, a point where there is none."""
    ends = np.column_stack(frame.to_xy(*np.array([part.foot, part.rod or part.foot]).T))
    return shapely.linestrings(ends) if (ends[0] != ends[1]).any() else shapely.points(ends[0])


def _buffer(axis: Any, radius_m: float) -> Any:  # noqa: ANN401  shapely geometry
    """Return everything within a radius, its sides outside the true arc by a millimetre at most."""
    if not (radius_m > 0.0 and math.isfinite(radius_m)):
        raise ValueError(f"a zone of radius {radius_m} m")
    half = math.acos(radius_m / (radius_m + SAG_M))
    quarter = max(8, math.ceil(math.pi / 4 / half))
    outer_m = radius_m / math.cos(math.pi / 4 / quarter)
    return shapely.buffer(axis, outer_m, quad_segs=quarter)


def _groups(axes: Sequence[Any], parts: Sequence[Part]) -> list[list[int]]:
    """Return the rows of parts whose zones overlap or touch, each group in order."""
    left, groups = list(range(len(parts))), []
    while left:
        group, fresh = [left[0]], [left.pop(0)]
        while fresh:
            here = fresh.pop()
            near = [
                row
                for row in left
                if shapely.distance(axes[here], axes[row])
                <= parts[here].radius_m + parts[row].radius_m + _TOUCH_M
            ]
            left = [row for row in left if row not in near]
            group, fresh = group + near, fresh + near
        groups.append(sorted(group))
    return groups


def _alone(
    frame: Frame, part: Part, spacing_m: float
) -> tuple[shapely.Polygon, float, float, list[Lonlat]]:
    """Return polygon, perimeter, area and cones of one zone by itself."""
    zone = cone_zone(frame, part.foot, part.rod, radius_m=part.radius_m, spacing_m=spacing_m)
    lead_m = (zone.perimeter_m - 2.0 * math.pi * part.radius_m) / 2.0
    area_m2 = math.pi * part.radius_m**2 + 2.0 * part.radius_m * lead_m
    return zone.polygon, zone.perimeter_m, area_m2, list(zone.cone_points)


def _joint(
    frame: Frame,
    joint: Any,  # noqa: ANN401  shapely geometry
    members: Sequence[Part],
    spacing_m: float,
) -> tuple[shapely.Polygon, float, float, list[Lonlat]]:
    """Return polygon, perimeter, area and cones of the line round several zones."""
    # zones that only touch within a millimetre: bridged, so that there is one line
    if joint.geom_type != "Polygon":
        joint = shapely.buffer(shapely.buffer(joint, _TOUCH_M), -_TOUCH_M / 2)
    ring = orient(shapely.Polygon(joint.exterior), -1.0).exterior  # clockwise
    perimeter_m = float(ring.length)
    cones = max(1, math.ceil(perimeter_m / spacing_m - 1e-9))
    lead = members[0]
    own = cone_zone(frame, lead.foot, lead.rod, radius_m=lead.radius_m, spacing_m=spacing_m)
    start = shapely.points(*frame.to_xy(*own.cone_points[0]))
    start_m = float(shapely.line_locate_point(ring, start))
    along_m = (start_m + np.arange(cones) * (perimeter_m / cones)) % perimeter_m
    xy = shapely.get_coordinates(shapely.line_interpolate_point(ring, along_m))
    edge = near_lonlat(frame, shapely.get_coordinates(ring)[::-1])
    points = [(float(lon), float(lat)) for lon, lat in near_lonlat(frame, xy)]
    polygon = shapely.Polygon(edge)
    return polygon, perimeter_m, float(shapely.Polygon(ring).area), points


def _numbered(
    frame: Frame, members: Sequence[Part], points: Sequence[Lonlat], first: int
) -> tuple[Cone, ...]:
    """Return the cones with their numbers and where they stand from the nearest part's foot."""
    xy = shapely.points(np.column_stack(frame.to_xy(*np.array(points).T)))
    off_m = np.array(
        [shapely.distance(_axis(frame, part), xy) - part.radius_m for part in members]
    ).round(4)
    owner = [members[row] for row in np.argmin(off_m, axis=0)]
    feet = np.array([part.foot for part in owner])
    distance_m, bearing_deg = geodesic_m(*feet.T, *np.array(points).T)
    return tuple(
        Cone(number, part.name, lon, lat, round(float(bearing), 2) % 360.0, round(float(away), 3))
        for number, (part, (lon, lat), bearing, away) in enumerate(
            zip(owner, points, bearing_deg, distance_m, strict=True), first
        )
    )
