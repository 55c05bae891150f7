"""Judging rod places on a polar grid round one pole: what is lawful and what it costs.

A *ray* is a direction from the pole with distances along it; all quantities that only grow along a
ray (the lead meets a wall, the zone meets a road) are kept as the distance at which they begin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding.obstacles import UNKNOWN
from gridground.territory.frame import wrap_deg

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.job import Limits

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]

# A lead on the ground never crosses these (unless the pole itself stands in or on the feature).
BLOCKING = ("building", "water", "fence", "no_entry", "road", UNKNOWN, "vehicle", "vehicle_rod")

# What a place costs, in metres of lead that it is worth to avoid it. Our judgement: no source
# gives such figures; only the order matters, and the price is printed with the place.
ZONE_COST_M = {"road": 6.0, "public_place": 6.0, UNKNOWN: 6.0, "sidewalk": 4.0, "driveway": 2.0}
WALK_COST_M = {"sidewalk": 3.0, "driveway": 3.0, "paved": 1.0}
LIVE_COST_M = 3.0
UNDER_LINE_COST_M = 3.0
UNDER_LINE_DEG = 20.0
TIGHT_M = 1.0
TIGHT_COST_PER_M = 3.0
# To spare beyond the setback of every pole, where there is room: a foot for the hand that drives
# the rod and the tape that measures it, less what seven decimals may add. Our judgement.
POLE_TIGHT_M = 0.29

# A lead keeps the full distance from the truck's rod, and does not lie under the truck: half the
# width of one and a little, our judgement.
TRUCK_HALF_WIDTH_M = 1.5
AT_POLE_M = 0.01
_QUARTER = 64  # sides of a quarter of a disc: 2 mm off at 30 m, less than `AT_POLE_M`

# Chosen places keep this much more than the clearance, which covers the plane and the cut sides.
MARGIN_M = 0.001
TOUCH_M = 1e-6

_within: Any = shapely.dwithin  # its type stubs know one distance, not one for each pair


def whole_mm_setback_m(setback_m: float) -> float:
    """Return the setback rounded up to the millimetre, so that a printed distance keeps it."""
    steps = math.ceil(round(setback_m * 1000.0, 6))
    return steps / 1000.0 if steps / 1000.0 >= setback_m else (steps + 1) / 1000.0


def floor_mm(length_m: float) -> float:
    """Round down to the millimetre, forgiving a nanometre of floating-point dust."""
    return math.floor(float(length_m) * 1000.0 + 1e-6) / 1000.0


def radius_needed_m(limits: Limits, *, reach_m: float, zone_radius_m: float) -> float:
    """Return how far round a pole its neighbourhood must be known to judge rod places [m]."""
    return reach_m + max(2.0 * TIGHT_M, zone_radius_m, limits.rod_setback_m) + 1.0


@dataclass(frozen=True)
class Site:
    """Everything round one pole that a rod place is judged by, in the plane.

    Attributes
    ----------
    setback_m : float
        From every pole, rounded up to the millimetre.
    rows : ndarray of int, shape (f,)
        Rows of the neighbourhood's obstacles; `geometry` (cut to what is near), `clearance_m` and
        `kinds` follow them.
    walls : ndarray, shape (f,)
        What a lead must not cross: the geometry, and round the truck and its rod a disc.
    stands_in : ndarray of bool, shape (f,)
        True where the pole itself stands in or on the feature (or in such a disc).
    live, live_half_m : ndarray, shape (l,)
        Energized lines overhead near, and how far to each side a boom comes too near [m].
    """

    pole_id: str
    pole_xy: Floats
    pole_lonlat: tuple[float, float]
    north_deg: float
    setback_m: float
    reach_m: float
    zone_radius_m: float
    poles: Ints  # rows of the neighbourhood's poles near enough to matter
    poles_xy: Floats
    rows: Ints
    geometry: NDArray[np.object_]
    walls: NDArray[np.object_]
    clearance_m: Floats
    kinds: NDArray[np.str_]
    stands_in: NDArray[np.bool_]
    line_deg: Floats
    live: NDArray[np.object_]
    live_names: NDArray[np.object_]
    live_half_m: Floats

    @classmethod
    def of(
        cls,
        pole_id: str,
        neighbourhood: Neighbourhood,
        limits: Limits,
        *,
        reach_m: float,
        zone_radius_m: float,
    ) -> Site:
        """Collect what matters within reach of one pole.

        Raises
        ------
        ValueError
            Where the neighbourhood does not reach far enough round the pole to judge by.
        """
        near = neighbourhood
        needed_m = radius_needed_m(limits, reach_m=reach_m, zone_radius_m=zone_radius_m)
        if pole_id not in near.centre_poles or near.radius_m < needed_m:
            raise ValueError(
                f"the neighbourhood must hold {needed_m:.1f} m round pole {pole_id}, "
                f"it holds {near.radius_m:.1f} m round {', '.join(near.centre_poles)}"
            )
        here = near.pole_index[pole_id]
        pole_xy = near.pole_xy[here]
        point = shapely.points(pole_xy)
        beyond_m = np.maximum(near.obstacles.clearance_m + 2.0 * TIGHT_M, zone_radius_m + 1.0)
        rows = np.sort(
            near.obstacles.tree.query(
                point, predicate="dwithin", distance=reach_m + beyond_m.max(initial=0.0)
            )
        )
        half_m = reach_m + float(beyond_m[rows].max(initial=0.0)) + 1.0
        geometry = near.obstacles.geometry[rows]
        large = shapely.get_num_coordinates(geometry) > 64
        window = shapely.box(*(pole_xy - half_m), *(pole_xy + half_m))
        geometry[large] = shapely.intersection(geometry[large], window)
        poles = np.flatnonzero(
            np.hypot(*(near.pole_xy - pole_xy).T) < reach_m + limits.rod_setback_m + 1.0
        )
        lon, lat = (float(part) for part in near.pole_lonlat[here])
        kinds = near.obstacles.kinds[rows].astype(str)
        walls = walls_of(geometry, kinds, near.obstacles.clearance_m[rows], pole_xy)
        live, live_names, live_half_m = _live(near, point, reach_m)
        return cls(
            pole_id=pole_id,
            pole_xy=pole_xy,
            pole_lonlat=(lon, lat),
            north_deg=near.frame.north_deg(lon, lat),
            setback_m=whole_mm_setback_m(limits.rod_setback_m),
            reach_m=reach_m,
            zone_radius_m=zone_radius_m,
            poles=poles,
            poles_xy=near.pole_xy[poles],
            rows=rows,
            geometry=geometry,
            walls=walls,
            clearance_m=near.obstacles.clearance_m[rows],
            kinds=kinds,
            stands_in=np.asarray(shapely.distance(walls, point) <= TOUCH_M),
            line_deg=near.line_bearings_deg(pole_id, reach_m=max(reach_m, 1.0)),
            live=live,
            live_names=live_names,
            live_half_m=live_half_m,
        )

    @property
    def blocking(self) -> NDArray[np.bool_]:
        """Features that a lead on the ground must not cross."""
        return np.isin(self.kinds, BLOCKING) & ~self.stands_in


def walls_of(
    geometry: NDArray[np.object_], kinds: NDArray[np.str_], clearance_m: Floats, pole_xy: Floats
) -> NDArray[np.object_]:
    """Return what a lead must not cross: features as drawn, discs round the truck and its rod.

    Where the pole itself stands within such a disc, the lead comes no nearer than the pole.
    """
    pole = shapely.points(pole_xy)
    walls = geometry.copy()
    for row in np.flatnonzero(np.isin(kinds, ("vehicle", "vehicle_rod"))):
        radius_m = TRUCK_HALF_WIDTH_M if kinds[row] == "vehicle" else float(clearance_m[row])
        radius_m = min(radius_m, float(shapely.distance(geometry[row], pole)) - AT_POLE_M)
        if radius_m > 0.0:
            # Drawn round the circle, not in it: no side comes nearer than the radius.
            round_m = radius_m / math.cos(math.pi / (4 * _QUARTER))
            walls[row] = shapely.buffer(geometry[row], round_m, quad_segs=_QUARTER)
    return walls


def _live(near: Neighbourhood, point: Any, reach_m: float) -> tuple[Any, Any, Floats]:  # noqa: ANN401  a geometry, two arrays of objects
    """Return the energized lines overhead that come within reach of a pole."""
    if near.live is None or not len(near.live):
        return np.empty(0, object), np.empty(0, object), np.empty(0)
    half_m = near.live.half_m
    close = shapely.distance(near.live.geometry, point) <= reach_m + half_m + 2.0 * TIGHT_M
    return near.live.geometry[close], near.live.names[close], half_m[close]


@dataclass(frozen=True)
class Measures:
    """What was measured on rays; R rays, D distances each, ascending.

    Attributes
    ----------
    spare_m : ndarray, shape (R, D)
        Least distance over clearance; infinite where no feature is near.
    pole_spare_m : ndarray, shape (R, D)
        Least distance from a pole over the setback.
    block_m : ndarray, shape (R,)
        Where the lead first meets a feature that it must not cross.
    walk_m : ndarray, shape (kinds, R)
        Where the lead first meets a walk, in the order of `WALK_COST_M`.
    zone_from : ndarray of int, shape (kinds, R)
        First distance index at which the zone meets a feature, in the order of `ZONE_COST_M`.
    line_deg : ndarray, shape (R,)
        Angle to the nearest overhead span that leaves the pole.
    live_m : ndarray, shape (R, D)
        Least distance beyond the strip under an energized line; infinite where none is near.
    """

    spare_m: Floats
    pole_spare_m: Floats
    block_m: Floats
    walk_m: Floats
    zone_from: Ints
    line_deg: Floats
    live_m: Floats


class Rays:
    """Candidate places as rays from the pole of a site.

    Parameters
    ----------
    site : Site
    azimuth_deg : ndarray, shape (R,)
        Directions in the plane.
    distance_m : ndarray, shape (R, D)
        Ascending.
    """

    def __init__(self, site: Site, azimuth_deg: Floats, distance_m: Floats) -> None:
        self.site, self.azimuth_deg, self.distance_m = site, azimuth_deg, distance_m
        angle = np.radians(azimuth_deg)
        self.unit = np.column_stack([np.sin(angle), np.cos(angle)])
        xy = site.pole_xy + distance_m[:, :, None] * self.unit[:, None, :]
        self.xy = xy.reshape(-1, 2)
        self.points = shapely.points(self.xy)
        self.lines = self._leads(np.arange(len(azimuth_deg)), distance_m[:, -1])

    def _leads(self, ray: Ints, length_m: Floats) -> NDArray[np.object_]:
        """Leads on the ground along rays."""
        end = self.site.pole_xy + length_m[:, None] * self.unit[ray]
        start = np.broadcast_to(self.site.pole_xy, end.shape)
        return np.asarray(shapely.linestrings(np.stack([start, end], axis=1)))

    def near(self, within_m: float) -> tuple[Ints, Ints, Floats]:
        """Return feature, candidate and spare distance of the pairs that are near each other."""
        tree = shapely.STRtree(self.points)
        reach_m = self.site.clearance_m + within_m
        feature, candidate = tree.query(
            self.site.geometry, predicate="dwithin", distance=reach_m
        ).reshape(2, -1)
        distance_m = shapely.distance(self.site.geometry[feature], self.points[candidate])
        return feature, candidate, distance_m - self.site.clearance_m[feature]

    def contacts(self, features: NDArray[np.bool_]) -> tuple[Ints, Ints, Floats]:
        """Return feature, ray and distance along it of the first contact of a lead."""
        chosen = np.flatnonzero(features)
        geometry = self.site.walls[chosen]
        feature, ray = (
            shapely.STRtree(self.lines).query(geometry, predicate="intersects").reshape(2, -1)
        )
        common = shapely.intersection(geometry[feature], self.lines[ray])
        first_m = shapely.distance(shapely.points(self.site.pole_xy), common)
        # An intersection lost to rounding is a touch that was found: keep it, at the pole.
        return chosen[feature], ray, np.nan_to_num(first_m, nan=0.0)

    def first_contact_m(self, features: NDArray[np.bool_]) -> Floats:
        """Return where each ray first meets one of the features; infinite where never."""
        _, ray, contact_m = self.contacts(features)
        first_m = np.full(len(self.lines), np.inf)
        np.minimum.at(first_m, ray, contact_m)
        return first_m

    def zone_from(self, features: NDArray[np.bool_], radius_m: Floats) -> Ints:
        """Return the first distance index at which the zone meets one of the features.

        The zone of a shorter lead lies in that of a longer one along the same ray, so bisection
        finds it. `radius_m` has shape (R,).
        """
        rays, steps = self.distance_m.shape
        first = np.full(rays, steps)
        geometry = self.site.geometry[features]
        if not len(geometry):
            return first
        meets = _within(self.lines[:, None], geometry, radius_m[:, None])
        at_pole = shapely.distance(geometry, shapely.points(self.site.pole_xy)) <= radius_m[:, None]
        first[at_pole.any(axis=1)] = 0
        ray, column = np.nonzero(meets & (first > 0)[:, None])
        low, high = np.full(len(ray), -1), np.full(len(ray), steps - 1)
        while (open_ := np.flatnonzero(high - low > 1)).size:
            middle = (low[open_] + high[open_]) // 2
            lead = self._leads(ray[open_], self.distance_m[ray[open_], middle])
            inside = _within(lead, geometry[column[open_]], radius_m[ray[open_]])
            high[open_] = np.where(inside, middle, high[open_])
            low[open_] = np.where(inside, low[open_], middle)
        np.minimum.at(first, ray, high)
        return first

    def measure(self, slack_m: Floats) -> tuple[Measures, Measures]:
        """Measure every candidate, and once more with zones smaller by a slack per ray.

        Parameters
        ----------
        slack_m : ndarray, shape (R,)
            How far a place may lie from the candidate that stands for it.
        """
        site, shape = self.site, self.distance_m.shape
        _, candidate, over_m = self.near(TIGHT_M + float(slack_m.max()))
        spare_m = np.full(self.distance_m.size, np.inf)
        np.minimum.at(spare_m, candidate, over_m)
        apart_m = np.full(self.distance_m.size, np.inf)
        for xy in site.poles_xy:
            np.minimum(apart_m, np.hypot(*(self.xy - xy).T), out=apart_m)
        line_deg = np.abs(wrap_deg(self.azimuth_deg[:, None] - site.line_deg))
        kinds_zone = [site.kinds == kind for kind in ZONE_COST_M]
        radius_m = np.full(shape[0], site.zone_radius_m)
        common = (
            spare_m.reshape(shape),
            apart_m.reshape(shape) - site.setback_m,
            self.first_contact_m(site.blocking),
            np.stack([self.first_contact_m(site.kinds == kind) for kind in WALK_COST_M]),
        )
        live_m = np.full(self.distance_m.size, np.inf)
        for line, half_m in zip(site.live, site.live_half_m, strict=True):
            np.minimum(live_m, shapely.distance(line, self.points) - half_m, out=live_m)
        zones = [
            np.stack([self.zone_from(kind, radius) for kind in kinds_zone])
            for radius in ((radius_m, radius_m - slack_m) if slack_m.any() else (radius_m,))
        ]
        angle = line_deg.min(axis=1, initial=180.0)
        last = (angle, live_m.reshape(shape))
        return Measures(*common, zones[0], *last), Measures(*common, zones[-1], *last)


def score_m(distance_m: Floats, found: Measures) -> Floats:
    """Return what each place costs, in metres of lead; infinite where it is not lawful.

    The score is the length of the lead on the ground, plus `TIGHT_COST_PER_M` for each metre by
    which the least spare distance falls short of `TIGHT_M`, and for each by which that from the
    nearest pole falls short of `POLE_TIGHT_M` beyond the setback, plus `ZONE_COST_M` for each kind
    of place with people or traffic that the zone meets, plus `WALK_COST_M` for each kind of walk
    the lead crosses, plus `UNDER_LINE_COST_M` within `UNDER_LINE_DEG` of the line's direction.
    `LIVE_COST_M` in the strip under an energized line, where a boom or an auger comes too near.
    Every term can only grow when a feature, a pole or a span is added.

    Parameters
    ----------
    distance_m : ndarray, shape (R, D)
        Lead on the ground [m].
    found : Measures
    """
    lawful = (found.spare_m >= MARGIN_M) & (found.pole_spare_m >= -TOUCH_M)
    lawful &= distance_m < found.block_m[:, None] - TOUCH_M
    score = distance_m + TIGHT_COST_PER_M * np.clip(TIGHT_M - found.spare_m, 0.0, None)
    score = score + TIGHT_COST_PER_M * np.clip(POLE_TIGHT_M - found.pole_spare_m, 0.0, None)
    steps = np.arange(distance_m.shape[1])
    for cost_m, first in zip(ZONE_COST_M.values(), found.zone_from, strict=True):
        score = score + cost_m * (steps >= first[:, None])
    for cost_m, first_m in zip(WALK_COST_M.values(), found.walk_m, strict=True):
        score = score + cost_m * (distance_m >= first_m[:, None] - TOUCH_M)
    score = score + UNDER_LINE_COST_M * (found.line_deg < UNDER_LINE_DEG)[:, None]
    score = score + LIVE_COST_M * (found.live_m < 0.0)
    return np.where(lawful, score, np.inf)
