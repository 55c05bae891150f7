"""The rules that a rod position keeps: which of them one position breaks, and by how much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding import candidates
from gridground.grounding.candidates import Site, floor_mm
from gridground.grounding.scores import thing_text
from gridground.territory.frame import geodesic_m, wrap_deg
from gridground.units import feet_text, room_text

if TYPE_CHECKING:
    from gridground.grounding.neighbourhood import Neighbourhood


@dataclass(frozen=True)
class BrokenRule:
    """One rule that a rod position breaks.

    Attributes
    ----------
    code : str
        ``"setback"``, ``"reach"``, ``"inside"`` (in or on a feature), ``"clearance"`` or
        ``"crossing"`` (the lead on the ground crosses the feature).
    where : str
        Pole id or feature id.
    """

    code: str
    where: str
    kind: str
    distance_m: float
    needed_m: float
    text: str


def broken_rules(
    site: Site, near: Neighbourhood, lon: float, lat: float, *, setback_m: float
) -> tuple[BrokenRule, ...]:
    """Judge one position: poles by geodesic, features in the plane.

    Parameters
    ----------
    site : Site
    near : Neighbourhood
        Of the site.
    lon, lat : float
        The position [degrees].
    setback_m : float
        From every pole [m].

    Returns
    -------
    tuple of BrokenRule
        Empty where the position is lawful.
    """
    broken = []
    ids, lonlat = near.pole_ids, near.pole_lonlat
    close = np.abs(wrap_deg(lonlat[:, 0] - lon)) < 1.0
    from_poles_m = np.full(len(ids), np.inf)
    from_poles_m[close] = geodesic_m(lonlat[close, 0], lonlat[close, 1], lon, lat)[0]
    for row in np.flatnonzero(from_poles_m < setback_m):
        text = (
            f"{short_text(from_poles_m[row])} from pole {ids[row]}, {feet_text(setback_m)} needed"
        )
        broken.append(
            BrokenRule("setback", ids[row], "pole", float(from_poles_m[row]), setback_m, text)
        )
    own_m = float(geodesic_m(*site.pole_lonlat, lon, lat)[0])
    if own_m > site.reach_m:
        text = f"{short_text(own_m)} from pole {site.pole_id}, "
        text += f"the lead reaches {short_text(site.reach_m)}"
        broken.append(BrokenRule("reach", site.pole_id, "pole", own_m, site.reach_m, text))
    point = shapely.points(*near.frame.to_xy(lon, lat))
    lead = shapely.linestrings([site.pole_xy, shapely.get_coordinates(point)[0]])
    # The nearby geometry was cut to what lies within reach; a position far out is judged in full.
    geometry = near.obstacles.geometry
    from_m = shapely.distance(geometry, point)
    needed_m = near.obstacles.clearance_m
    crossed = np.zeros(len(geometry), dtype=bool)
    kinds = near.obstacles.kinds.astype(str)
    walls = candidates.walls_of(geometry, kinds, needed_m, site.pole_xy)
    at_pole = shapely.distance(walls, shapely.points(site.pole_xy)) <= candidates.TOUCH_M
    blocking = np.isin(kinds, candidates.BLOCKING) & ~at_pole
    crossed[blocking] = shapely.intersects(walls[blocking], lead)
    short = (from_m <= candidates.TOUCH_M) | (from_m < needed_m - candidates.TOUCH_M)
    for row in np.flatnonzero(short | crossed):
        kind, name = near.obstacles.kinds[row], near.obstacles.ids[row]
        if short[row] and from_m[row] <= candidates.TOUCH_M:
            code = "inside"
            text = f"in or on {thing_text(kind, name)}{_depth_text(geometry[row], point)}"
        elif short[row]:
            code = "clearance"
            text = f"{short_text(from_m[row])} from {thing_text(kind, name)}, "
            text += f"{feet_text(needed_m[row])} needed"
        else:
            code = "crossing"
            text = f"the lead on the ground crosses {thing_text(kind, name)}"
            if kind in {"vehicle", "vehicle_rod"}:
                text = f"the lead on the ground comes too near {thing_text(kind, name)}"
        broken.append(BrokenRule(code, name, kind, float(from_m[row]), float(needed_m[row]), text))
    return tuple(broken)


def _depth_text(geometry: Any, point: Any) -> str:  # noqa: ANN401  geometries
    """Say how deep a point lies in an area; nothing for lines and points."""
    if shapely.get_dimensions(geometry) < 2:
        return ""
    return f", {short_text(float(shapely.distance(geometry.boundary, point)))} from its edge"


def short_text(length_m: float) -> str:
    """Word a length that is there, its metres rounded down to the millimetre."""
    return room_text(floor_mm(length_m), digits=3)
