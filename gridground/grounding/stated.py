"""A person's own position for a rod, judged by the rules of the search."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from gridground.errors import Problem
from gridground.grounding.candidates import Site, floor_mm
from gridground.grounding.hazards import lonlat_of
from gridground.grounding.judging import BrokenRule, broken_rules
from gridground.grounding.rods import NoRodPlace, place_rod, rod_place_at
from gridground.territory.frame import geodesic_m, wrap_deg
from gridground.units import bearing_text, feet_text

if TYPE_CHECKING:
    from gridground.ground import RodPlace
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.job import Limits, Position
    from gridground.territory.layers import Territory

_LATTICE_DEG = 1e-7  # what seven decimals can say


def judge_position(
    position: Position,
    pole_id: str,
    near: Neighbourhood,
    territory: Territory,
    limits: Limits,
    *,
    reach_m: float,
    zone_radius_m: float,
) -> RodPlace | Problem:
    """Judge a person's own position for the rod of a pole.

    Parameters
    ----------
    position : Position
        As the job states it; a bearing and a distance count from `pole_id`.
    pole_id, near, limits, reach_m, zone_radius_m
        As for `place_rod`.
    territory : Territory
        Where the poles stand.

    Returns
    -------
    RodPlace or Problem
        The place with ``stated`` and what the search would have chosen; or the rejection: every
        rule that the position breaks, by how much, and where the search would go.
    """
    keys = {"reach_m": reach_m, "zone_radius_m": zone_radius_m}
    found = place_rod(pole_id, near, limits, **keys)
    site = Site.of(pole_id, near, limits, **keys)
    setback_m = limits.rod_setback_m
    place = lonlat_of(position, territory)
    tried = [place]
    if position.bearing_deg is not None:
        tried = writable(place, site.pole_lonlat, float(position.distance_m or 0.0))
    broken = [broken_rules(site, near, *place, setback_m=setback_m) for place in tried]
    lawful = [place for place, rules in zip(tried, broken, strict=True) if not rules]
    if not lawful:
        return _refused(pole_id, (tried[0], broken[0]), found)
    own = rod_place_at(*lawful[0], pole_id, near, limits, **keys)
    return replace(own, stated=True, search=_searched(found), alternatives=_others(found))


def writable(
    place: tuple[float, float], pole_lonlat: tuple[float, float], wanted_m: float
) -> list[tuple[float, float]]:
    """Return a place as it can be written, and those round it, the nearest to a distance first.

    Parameters
    ----------
    place, pole_lonlat : tuple of float
        Longitude and latitude of the place, seven decimals, and of the pole [degrees].
    wanted_m : float
        Distance from the pole that a person states [m].

    Notes
    -----
    Seven decimals may come out a few millimetres inside a setback that a person wrote exactly.
    """
    steps = [k * _LATTICE_DEG for k in (-1, 0, 1)]
    around = [
        (round(float(wrap_deg(place[0] + east)), 7), round(place[1] + north, 7))
        for east, north in itertools.product(steps, steps)
    ]

    def off(one: tuple[float, float]) -> tuple[float, float, float]:
        away_m = float(geodesic_m(*pole_lonlat, *one)[0])
        return abs(away_m - wanted_m), one[0], one[1]

    return [place, *sorted((one for one in around if one != place), key=off)]


def _refused(
    pole_id: str,
    judged: tuple[tuple[float, float], tuple[BrokenRule, ...]],
    found: RodPlace | NoRodPlace,
) -> Problem:
    """Return the rejection of a position."""
    (lon, lat), rules = judged
    reasons = "; ".join(rule.text for rule in rules)
    if isinstance(found, NoRodPlace):
        remedy = f"no place within reach is lawful: {found.sentence()}"
    else:
        remedy = (
            f"take another place, or leave it out: the search would take bearing "
            f"{bearing_text(found.bearing_deg)} at {feet_text(found.distance_m)} from the pole"
        )
    where = f"the rod position stated, {lat:.7f}, {lon:.7f}, is not lawful: {reasons}"
    return Problem("reject", "job", (pole_id,), "rod.place", where, remedy)


def _searched(found: RodPlace | NoRodPlace) -> dict[str, Any] | None:
    """Return what the search would have chosen."""
    if isinstance(found, NoRodPlace):
        return None
    return {
        "bearing_deg": found.bearing_deg,
        "distance_m": floor_mm(found.distance_m),
        "lon": found.lon,
        "lat": found.lat,
        "score": found.score,
    }


def _others(found: RodPlace | NoRodPlace) -> tuple[dict[str, Any], ...]:
    """Return the alternatives of the search."""
    return () if isinstance(found, NoRodPlace) else found.alternatives
