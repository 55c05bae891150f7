"""The cone zone: everything within a radius of the rod and of the lead lying on the ground."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.record import Zone
from gridground.territory.frame import wrap_deg

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.territory.frame import Frame

    Floats = NDArray[np.float64]

# Where people or vehicles come, or a door may open into the zone.
MEETING_KINDS = ("building", "driveway", "public_place", "road", "sidewalk")
_SAG_M = 0.001  # of a side of the drawn polygon from the true arc
_DECIMALS = 8


def cone_zone(
    frame: Frame,
    pole: tuple[float, float],
    rod: tuple[float, float] | None,
    *,
    radius_m: float,
    spacing_m: float,
) -> Zone:
    """Return the zone round a pole's rod and the lead on the ground, with its cones.

    Parameters
    ----------
    frame : Frame
        A local plane near the pole.
    pole, rod : tuple of float
        Longitude and latitude [degrees]; without a rod the zone is the circle round the pole.
    radius_m : float
        Radius of the zone [m].
    spacing_m : float
        Largest distance from cone to cone along the edge [m].

    Returns
    -------
    Zone
        Its perimeter is 2 d + 2 pi r with d from pole to rod; the cones stand evenly along it, the
        first at the far end beyond the rod (without a rod: north), the others clockwise.

    Raises
    ------
    ValueError
        For a radius or spacing that is not above zero.

    Examples
    --------
    >>> from gridground.territory.frame import Frame
    >>> zone = cone_zone(Frame(10.0, 60.0), (10.0, 60.0), None, radius_m=3.0, spacing_m=2.0)
    >>> zone.cones, round(zone.perimeter_m, 3), len(zone.cone_points)
    (10, 18.85, 10)
    """
    if not (radius_m > 0.0 and spacing_m > 0.0 and math.isfinite(radius_m + spacing_m)):
        raise ValueError(f"a zone of radius {radius_m} m with cones every {spacing_m} m")
    ends = np.column_stack(frame.to_xy(*np.array([pole, rod or pole]).T))
    along = ends[1] - ends[0]
    lead_m = float(np.hypot(*along))
    far_deg = math.degrees(math.atan2(*along)) if lead_m else frame.north_deg(*pole)
    perimeter_m = 2.0 * lead_m + 2.0 * math.pi * radius_m
    cones = max(1, math.ceil(perimeter_m / spacing_m - 1e-9))
    cone_xy = _edge_points(
        ends,
        far_deg,
        radius_m=radius_m,
        along_m=np.arange(cones, dtype=float) * (perimeter_m / cones),
    )
    # The arcs are drawn in sides short enough; each straight side of the zone needs only its ends.
    sides = max(8, math.ceil(math.pi / (2.0 * math.acos(1.0 - _SAG_M / max(radius_m, 0.01)))))
    half_m = math.pi * radius_m
    arc_m = np.linspace(0.0, half_m, sides + 1)
    edge_m = np.concatenate([arc_m - half_m / 2, arc_m + half_m / 2 + lead_m])
    edge = _edge_points(ends, far_deg, radius_m=radius_m, along_m=edge_m % perimeter_m)
    ring = _lonlat(frame, edge)[::-1]  # counterclockwise, as RFC 7946 asks for
    ring = ring[np.any(ring != np.roll(ring, 1, axis=0), axis=1)]
    return Zone(
        radius_m=radius_m,
        perimeter_m=perimeter_m,
        cones=cones,
        polygon=shapely.Polygon(ring),
        cone_points=tuple((float(a), float(b)) for a, b in _lonlat(frame, cone_xy)),
    )


def zone_meets(
    neighbourhood: Neighbourhood,
    pole_xy: Sequence[float] | Floats,
    rod_xy: Sequence[float] | Floats | None,
    radius_m: float,
) -> tuple[dict[str, Any], ...]:
    """Return what the zone meets of roads, walks, driveways, public places and buildings.

    Parameters
    ----------
    neighbourhood : Neighbourhood
        Known at least `radius_m` beyond the pole and the rod.
    pole_xy, rod_xy : pair of float
        In the neighbourhood's plane [m]; without a rod the zone is the circle round the pole.
    radius_m : float
        Radius of the zone [m].

    Returns
    -------
    tuple of dict
        ``feature_id``, ``kind``, ``name``, by kind and id.
    """
    obstacles = neighbourhood.obstacles
    ends = np.array([pole_xy, pole_xy if rod_xy is None else rod_xy], dtype=float)
    # A line without length is near nothing to the index: it must be a point.
    lead = shapely.linestrings(ends) if (ends[0] != ends[1]).any() else shapely.points(ends[0])
    rows = obstacles.tree.query(lead, predicate="dwithin", distance=radius_m)
    met = [
        {
            "feature_id": obstacles.ids[row],
            "kind": obstacles.kinds[row],
            "name": obstacles.names[row],
        }
        for row in rows
        if obstacles.kinds[row] in MEETING_KINDS
    ]
    return tuple(sorted(met, key=lambda item: (item["kind"], str(item["feature_id"]))))


def _edge_points(ends: Floats, far_deg: float, *, radius_m: float, along_m: Floats) -> Floats:
    """Return points on the zone's edge by their way along it, clockwise from the far end."""
    pole, rod = ends
    lead_m = float(np.hypot(*(rod - pole)))
    quarter_m, side_m = math.pi * radius_m / 2, lead_m
    far = math.radians(far_deg)
    ahead = np.array([math.sin(far), math.cos(far)])
    right = np.array([math.cos(far), -math.sin(far)])
    # Five pieces: quarter arc, side, half arc at the pole, side, quarter arc.
    starts = np.cumsum([0.0, quarter_m, side_m, 2 * quarter_m, side_m])
    piece = np.searchsorted(starts, along_m, side="right") - 1
    into_m = along_m - starts[piece]
    turned = np.select(
        [piece == 0, piece == 1, piece == 2, piece == 3],
        [
            into_m / radius_m,
            np.full_like(along_m, math.pi / 2),
            math.pi / 2 + into_m / radius_m,
            np.full_like(along_m, 1.5 * math.pi),
        ],
        1.5 * math.pi + into_m / radius_m,
    )
    back_m = np.select(
        [piece == 0, piece == 1, piece == 2, piece == 3],
        [0.0, into_m, lead_m, lead_m - into_m],
        0.0,
    )
    offset = radius_m * (np.cos(turned)[:, None] * ahead + np.sin(turned)[:, None] * right)
    return np.asarray(rod - back_m[:, None] * ahead + offset)


def _lonlat(frame: Frame, xy: Floats) -> Floats:
    """Return rounded positions; across the antimeridian they stay on the frame's side."""
    lon, lat = frame.to_lonlat(*xy.T)
    near_lon = frame.lon + wrap_deg(lon - frame.lon)
    return np.column_stack([near_lon, lat]).round(_DECIMALS)
