"""Rod places: the best lawful place for the rod of one pole, or what stands in its way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import Reason
from gridground.ground import RodPlace
from gridground.grounding.alternatives import other_places
from gridground.grounding.candidates import Rays, Site, floor_mm, radius_needed_m, score_m
from gridground.grounding.judging import BrokenRule, broken_rules
from gridground.grounding.obstructions import obstructions
from gridground.grounding.places import search, written
from gridground.grounding.scores import Part, limited_by, parts_of, said, thing_text, why_not
from gridground.grounding.zones import zone_meets
from gridground.territory.frame import geodesic_m
from gridground.units import bearing_text, feet_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.obstructions import Obstruction
    from gridground.job import Limits

    Floats = NDArray[np.float64]

REACH_LARGEST_M = 150.0
NEAREST_SHOWN = 6
# A finer look at another place may find it better than the one chosen: from here on it counts.
_BETTER_M = 0.01
_OTHER_WAYS = (
    "the permanent pole ground together with the multigrounded neutral, where the pole has one",
    "the bracket one pole farther out, where the limit allows it",
    "single-point grounding",
)


@dataclass(frozen=True)
class NoRodPlace:
    """No lawful place for a rod within reach.

    Attributes
    ----------
    reasons : tuple of Obstruction
        What limits the place, the largest share first; empty where the reach itself ends inside
        the setback.
    alternatives : tuple of str
        What else could be done, in the order in which to think of it.
    reach_needed_m : float or None
        With this reach there is a place; None where none was found up to twice the reach (or as
        far as the neighbourhood is known).
    """

    pole_id: str
    reasons: tuple[Obstruction, ...]
    alternatives: tuple[str, ...]
    reach_needed_m: float | None

    def sentence(self, *, shown: int = 4) -> str:
        """Return in one line what stands in the way."""
        parts = [
            f"{thing_text(r.kind, r.where)} forbids {r.share_ratio:.0%} of the places"
            for r in self.reasons[:shown]
        ]
        return "; ".join(parts) or "the lead does not reach beyond the setback"


def place_rod(
    pole_id: str,
    neighbourhood: Neighbourhood,
    limits: Limits,
    *,
    reach_m: float,
    zone_radius_m: float,
) -> RodPlace | NoRodPlace:
    """Choose the place for the rod of one pole.

    Lawful is a place that keeps the setback from every pole (geodesic), the clearance from every
    feature, is never in or on one, lies within reach, and whose lead, straight on the ground,
    crosses no building, water, fence, road or no-entry area (one in which the pole itself stands
    does not count). Among lawful places the one of the lowest score is taken, as described in
    `candidates.score_m`; of equals (to the centimetre) that of the smallest bearing from north.

    Parameters
    ----------
    pole_id : str
        One of the neighbourhood's centre poles.
    neighbourhood : Neighbourhood
        Known at least `candidates.radius_needed_m` round the pole.
    limits : Limits
        Its `rod_setback_m` counts; the clearances came into the neighbourhood with the job.
    reach_m : float
        Farthest distance of the rod from the pole that a lead allows [m].
    zone_radius_m : float
        Radius of the cone zone [m].

    Returns
    -------
    RodPlace or NoRodPlace
        The place as it will be written, with seven decimals; its distance is rounded down to the
        millimetre and still keeps the setback.

    Raises
    ------
    ValueError
        For a reach beyond any lead, or a neighbourhood that is not known far enough.

    Notes
    -----
    The score found lies within 2 % of the best there is, as long as the best place has room round
    it for the cells of the first grid (a disc 0.5 m wide).
    """
    if not 0.0 < reach_m <= REACH_LARGEST_M:
        raise ValueError(f"a reach of {reach_m} m is not that of a lead")
    site = Site.of(pole_id, neighbourhood, limits, reach_m=reach_m, zone_radius_m=zone_radius_m)
    ranked = _ranked(site, neighbourhood)
    if not ranked:
        return _no_place(site, neighbourhood, limits)
    chosen = _described(site, neighbourhood, ranked[0].lon, ranked[0].lat)
    return _with_others(chosen, ranked, site)


def find_rod(pole_id: str, neighbourhood: Neighbourhood, limits: Limits) -> RodPlace | Reason:
    """Choose the rod place of one pole as far out as its neighbourhood is known.

    Parameters
    ----------
    pole_id : str
        One of the neighbourhood's centre poles.
    neighbourhood : Neighbourhood
    limits : Limits
        Setback and cone radius.

    Returns
    -------
    RodPlace or Reason
        The reason ``no_rod_place`` names what takes most of the places away.
    """
    zone_radius_m = limits.cone_radius_m
    pad_m = radius_needed_m(limits, reach_m=0.0, zone_radius_m=zone_radius_m)
    reach_m = min(neighbourhood.radius_m - pad_m - 1e-6, REACH_LARGEST_M)
    found = place_rod(pole_id, neighbourhood, limits, reach_m=reach_m, zone_radius_m=zone_radius_m)
    if isinstance(found, RodPlace):
        return found
    return Reason(
        "no_rod_place",
        (pole_id, *(reason.where for reason in found.reasons[:4])),
        f"no lawful rod place within {feet_text(reach_m)} of pole {pole_id}: {found.sentence()}.",
        f"Think of {'; '.join(found.alternatives)}.",
    )


def rod_place_at(
    lon: float,
    lat: float,
    pole_id: str,
    neighbourhood: Neighbourhood,
    limits: Limits,
    *,
    reach_m: float,
    zone_radius_m: float,
) -> RodPlace:
    """Describe a person's own rod position in the way of a chosen one.

    Parameters are those of `check_rod`. The score is infinite where the position is not lawful.
    """
    site = Site.of(pole_id, neighbourhood, limits, reach_m=reach_m, zone_radius_m=zone_radius_m)
    return _described(site, neighbourhood, lon, lat)


def check_rod(
    lon: float,
    lat: float,
    pole_id: str,
    neighbourhood: Neighbourhood,
    limits: Limits,
    *,
    reach_m: float,
    zone_radius_m: float,
) -> tuple[BrokenRule, ...]:
    """Judge a rod position by the rules of `place_rod`.

    Parameters
    ----------
    lon, lat : float
        The position [degrees].
    pole_id, neighbourhood, limits, reach_m, zone_radius_m
        As for `place_rod`.

    Returns
    -------
    tuple of BrokenRule
        Empty where the position is lawful.
    """
    site = Site.of(pole_id, neighbourhood, limits, reach_m=reach_m, zone_radius_m=zone_radius_m)
    return broken_rules(site, neighbourhood, lon, lat, setback_m=limits.rod_setback_m)


@dataclass(frozen=True)
class _Scored:
    """One position with what its score is made of."""

    lon: float
    lat: float
    ray: Rays
    score: float
    parts: tuple[Part, ...]


def _scored(site: Site, near: Neighbourhood, lon: float, lat: float) -> _Scored:
    """Measure one position."""
    x_m, y_m = (float(part) for part in near.frame.to_xy(lon, lat))
    apart = np.array([x_m, y_m]) - site.pole_xy
    ray = Rays(
        site,
        np.degrees(np.arctan2(apart[:1], apart[1:])),
        np.array([[float(np.hypot(*apart))]]),
    )
    found, _ = ray.measure(np.zeros(1))
    score = round(float(score_m(ray.distance_m, found)[0, 0]), 3)
    return _Scored(lon, lat, ray, score, parts_of(site, near, ray, found))


def _described(site: Site, near: Neighbourhood, lon: float, lat: float) -> RodPlace:
    """Measure one position and put its score into words."""
    one = _scored(site, near, lon, lat)
    x_m, y_m = one.ray.xy[0].tolist()
    from_pole_m, bearing_deg = geodesic_m(*site.pole_lonlat, lon, lat)
    start = (float(site.pole_xy[0]), float(site.pole_xy[1]))
    return RodPlace(
        pole_id=site.pole_id,
        lon=lon,
        lat=lat,
        bearing_deg=round(float(bearing_deg), 1) % 360.0,
        distance_m=floor_mm(float(from_pole_m)),
        score=one.score,
        reasons=said(one.parts),
        nearest=_nearest(near, x_m, y_m),
        meets=zone_meets(near, site.pole_xy, (x_m, y_m), site.zone_radius_m),
        parts=tuple(part.row for part in one.parts),
        limited_by=limited_by(site, near, one.ray),
        slope_ratio=near.heights.slope_ratio(x_m, y_m),
        rise_m=near.heights.rise_m(start, (x_m, y_m)),
    )


def _nearest(near: Neighbourhood, x_m: float, y_m: float) -> tuple[dict[str, Any], ...]:
    """Return the features nearest to a place, with their clearances."""
    rows = near.obstacles
    from_m = shapely.distance(rows.geometry, shapely.points(x_m, y_m))
    closest = np.lexsort((rows.ids.astype(str), from_m))[:NEAREST_SHOWN]
    return tuple(
        {
            "feature_id": rows.ids[row],
            "kind": rows.kinds[row],
            "distance_m": floor_mm(from_m[row]),
            "clearance_m": float(rows.clearance_m[row]),
        }
        | ({"tolerance_m": float(rows.tolerance_m[row])} if rows.tolerance_m[row] else {})
        for row in closest
    )


def _ranked(site: Site, near: Neighbourhood) -> list[_Scored]:
    """Return the best position and up to three others well apart from it, the best first."""
    found = search(site)
    if found is None:
        return []

    def lawful(place: tuple[float, float]) -> bool:
        return not broken_rules(site, near, *place, setback_m=site.setback_m)

    best = next((p for p in written(site, near.frame, found.cells) if lawful(p)), None)
    if best is None:
        return []
    others = other_places(site, near.frame, found, chosen=best, lawful=lawful)
    first = _scored(site, near, *best)
    rest = sorted((_scored(site, near, *place) for place in others), key=lambda one: one.score)
    if rest and rest[0].score < first.score - _BETTER_M:
        first, rest[0] = rest[0], first
        rest.sort(key=lambda one: one.score)
    return [first, *rest]


def _with_others(place: RodPlace, ranked: list[_Scored], site: Site) -> RodPlace:
    """Return a place with the others and why they lost."""
    rows = []
    for one in ranked[1:]:
        distance_m, bearing_deg = geodesic_m(*site.pole_lonlat, one.lon, one.lat)
        rows.append(
            {
                "bearing_deg": round(float(bearing_deg), 1) % 360.0,
                "distance_m": floor_mm(float(distance_m)),
                "lon": one.lon,
                "lat": one.lat,
                "score": one.score,
                "why": why_not(one.parts, ranked[0].parts),
            }
        )
    return replace(place, alternatives=tuple(rows))


def _no_place(site: Site, near: Neighbourhood, limits: Limits) -> NoRodPlace:
    """Say what forbids the places of a site, and what else could be done."""
    reasons = obstructions(site, near)
    first: list[str] = []
    spare_m = near.radius_m - radius_needed_m(limits, reach_m=0.0, zone_radius_m=site.zone_radius_m)
    farther_m = min(2.0 * max(site.reach_m, site.setback_m), spare_m, REACH_LARGEST_M)
    needed_m = None
    if farther_m > site.reach_m:
        wider = Site.of(
            site.pole_id,
            near,
            limits,
            reach_m=farther_m,
            zone_radius_m=site.zone_radius_m,
        )
        ranked = _ranked(wider, near)
        if ranked:
            distance_m, bearing_deg = geodesic_m(*site.pole_lonlat, ranked[0].lon, ranked[0].lat)
            needed_m = math.ceil(float(distance_m) * 100.0) / 100.0
            first.append(
                f"a lead that reaches {feet_text(needed_m)} on the ground: place at bearing "
                f"{bearing_text(float(bearing_deg))}"
            )
    first += [
        f"settle where {reason.kind} {reason.where} lies and what clearance it needs: it alone "
        f"forbids {reason.alone_ratio:.0%} of the places"
        for reason in reasons[:3]
        if reason.alone_ratio >= 0.005
    ]
    return NoRodPlace(site.pole_id, reasons, (*first, *_OTHER_WAYS), needed_m)
