"""Rod places: the best lawful place for the rod of one pole, or what stands in its way."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import Reason
from gridground.grounding import candidates
from gridground.grounding.candidates import Rays, Site, floor_mm, radius_needed_m, score_m
from gridground.grounding.obstructions import obstructions
from gridground.grounding.places import positions
from gridground.grounding.zones import zone_meets
from gridground.record import RodPlace
from gridground.territory.frame import geodesic_m, wrap_deg
from gridground.units import feet_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.obstructions import Obstruction
    from gridground.job import Limits

    Floats = NDArray[np.float64]

REACH_LARGEST_M = 150.0
NEAREST_SHOWN = 6
_OTHER_WAYS = (
    "the permanent pole ground together with the multigrounded neutral, where the pole has one",
    "the bracket one pole farther out, where the limit allows it",
    "single-point grounding",
)


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
            f"{r.kind} {r.where} forbids {r.share_ratio:.0%} of the places"
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
    position = _best(site, neighbourhood)
    if position is None:
        return _no_place(site, neighbourhood, limits)
    return _described(site, neighbourhood, *position)


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
    return _broken(site, neighbourhood, lon, lat, setback_m=limits.rod_setback_m)


def _broken(
    site: Site, near: Neighbourhood, lon: float, lat: float, *, setback_m: float
) -> tuple[BrokenRule, ...]:
    """Judge one position: poles by geodesic, features in the plane."""
    broken = []
    ids, lonlat = near.pole_ids, near.pole_lonlat
    close = np.abs(wrap_deg(lonlat[:, 0] - lon)) < 1.0
    from_poles_m = np.full(len(ids), np.inf)
    from_poles_m[close] = geodesic_m(lonlat[close, 0], lonlat[close, 1], lon, lat)[0]
    for row in np.flatnonzero(from_poles_m < setback_m):
        text = f"{_short(from_poles_m[row])} from pole {ids[row]}, {feet_text(setback_m)} needed"
        broken.append(
            BrokenRule("setback", ids[row], "pole", float(from_poles_m[row]), setback_m, text)
        )
    own_m = float(geodesic_m(*site.pole_lonlat, lon, lat)[0])
    if own_m > site.reach_m:
        text = f"{_short(own_m)} from pole {site.pole_id}, the lead reaches {_short(site.reach_m)}"
        broken.append(BrokenRule("reach", site.pole_id, "pole", own_m, site.reach_m, text))
    point = shapely.points(*near.frame.to_xy(lon, lat))
    lead = shapely.linestrings([site.pole_xy, shapely.get_coordinates(point)[0]])
    # The nearby geometry was cut to what lies within reach; a position far out is judged in full.
    geometry = near.obstacles.geometry
    from_m = shapely.distance(geometry, point)
    needed_m = near.obstacles.clearance_m
    crossed = np.zeros(len(geometry), dtype=bool)
    at_pole = shapely.distance(geometry, shapely.points(site.pole_xy)) <= candidates.TOUCH_M
    blocking = np.isin(near.obstacles.kinds.astype(str), candidates.BLOCKING) & ~at_pole
    crossed[blocking] = shapely.intersects(geometry[blocking], lead)
    short = (from_m <= candidates.TOUCH_M) | (from_m < needed_m - candidates.TOUCH_M)
    for row in np.flatnonzero(short | crossed):
        kind, name = near.obstacles.kinds[row], near.obstacles.ids[row]
        if short[row] and from_m[row] <= candidates.TOUCH_M:
            code, text = "inside", f"in or on {kind} {name}"
        elif short[row]:
            code = "clearance"
            text = f"{_short(from_m[row])} from {kind} {name}, {_short(needed_m[row])} needed"
        else:
            code, text = "crossing", f"the lead on the ground crosses {kind} {name}"
        broken.append(BrokenRule(code, name, kind, float(from_m[row]), float(needed_m[row]), text))
    return tuple(broken)


def _best(site: Site, near: Neighbourhood) -> tuple[float, float] | None:
    """Return the best position that also stands the judgement of a single position."""
    for lon, lat in positions(site, near.frame):
        if not _broken(site, near, lon, lat, setback_m=site.setback_m):
            return lon, lat
    return None


def _described(site: Site, near: Neighbourhood, lon: float, lat: float) -> RodPlace:
    """Measure one position and put its score into words."""
    x_m, y_m = (float(part) for part in near.frame.to_xy(lon, lat))
    apart = np.array([x_m, y_m]) - site.pole_xy
    lead_m = float(np.hypot(*apart))
    ray = Rays(site, np.degrees(np.arctan2(apart[:1], apart[1:])), np.array([[lead_m]]))
    found, _ = ray.measure(np.zeros(1))
    from_pole_m, bearing_deg = geodesic_m(*site.pole_lonlat, lon, lat)
    from_m = shapely.distance(near.obstacles.geometry, shapely.points(x_m, y_m))
    closest = np.lexsort((near.obstacles.ids.astype(str), from_m))[:NEAREST_SHOWN]
    nearest = tuple(
        {
            "feature_id": near.obstacles.ids[row],
            "kind": near.obstacles.kinds[row],
            "distance_m": floor_mm(from_m[row]),
            "clearance_m": float(near.obstacles.clearance_m[row]),
        }
        for row in closest
    )
    return RodPlace(
        pole_id=site.pole_id,
        lon=lon,
        lat=lat,
        bearing_deg=round(float(bearing_deg), 1) % 360.0,
        distance_m=floor_mm(float(from_pole_m)),
        score=round(float(score_m(ray.distance_m, found)[0, 0]), 3),
        reasons=tuple(_reasons(site, near, ray)),
        nearest=nearest,
        meets=zone_meets(near, site.pole_xy, (x_m, y_m), site.zone_radius_m),
    )


def _reasons(site: Site, near: Neighbourhood, ray: Rays) -> list[str]:
    """Say term by term how the score of one place comes about."""
    found, _ = ray.measure(np.zeros(1))
    said = [f"lead on the ground {feet_text(float(ray.distance_m[0, 0]))}"]
    ids = near.obstacles.ids[site.rows]
    feature, _, over_m = ray.near(candidates.TIGHT_M)
    if over_m.size and over_m.min() < candidates.TIGHT_M:
        row = feature[np.lexsort((ids[feature].astype(str), over_m))[0]]
        spare_m = float(over_m.min())
        cost_m = candidates.TIGHT_COST_PER_M * (candidates.TIGHT_M - spare_m)
        said.append(
            f"+{cost_m:.1f}: {floor_mm(spare_m):.2f} m to spare beyond the clearance of "
            f"{site.kinds[row]} {ids[row]}"
        )
    radius_m = site.zone_radius_m
    for kind, cost_m in candidates.ZONE_COST_M.items():
        met = np.flatnonzero(
            (site.kinds == kind) & (shapely.distance(site.geometry, ray.lines[0]) <= radius_m)
        )
        if met.size:
            said.append(f"+{cost_m:.1f}: the zone meets {kind} {_listed(ids[met])}: {_care(kind)}")
    for kind, cost_m in candidates.WALK_COST_M.items():
        rows, _, _ = ray.contacts(site.kinds == kind)
        if rows.size:
            said.append(f"+{cost_m:.1f}: the lead lies across {kind} {_listed(ids[rows])}")
    if found.line_deg[0] < candidates.UNDER_LINE_DEG:
        said.append(
            f"+{candidates.UNDER_LINE_COST_M:.1f}: within {candidates.UNDER_LINE_DEG:.0f}° of the "
            "line's direction, where wire and truck come"
        )
    return said


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
        position = _best(wider, near)
        if position is not None:
            distance_m, bearing_deg = geodesic_m(*site.pole_lonlat, *position)
            needed_m = math.ceil(float(distance_m) * 100.0) / 100.0
            first.append(
                f"a lead that reaches {feet_text(needed_m)} on the ground: place at bearing "
                f"{float(bearing_deg):.0f}°"
            )
    first += [
        f"settle where {reason.kind} {reason.where} lies and what clearance it needs: it alone "
        f"forbids {reason.alone_ratio:.0%} of the places"
        for reason in reasons[:3]
        if reason.alone_ratio >= 0.005
    ]
    return NoRodPlace(site.pole_id, reasons, (*first, *_OTHER_WAYS), needed_m)


def _care(kind: str) -> str:
    """Say what a kind of place in the zone asks for."""
    if kind in {"road", "driveway"}:
        return "traffic control or an attendant"
    return "an attendant" if kind != "unknown" else "what it is must be settled"


def _listed(ids: Any) -> str:  # noqa: ANN401  an array of ids
    """Name a few ids in order."""
    names = sorted({str(name) for name in ids})
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _short(length_m: float) -> str:
    """Write a length in metres, rounded down to the millimetre."""
    return f"{floor_mm(length_m):.3f} m"
