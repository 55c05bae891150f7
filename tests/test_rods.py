"""Rod places against a brute-force search and a judgement written another way.

The other way works in the metres in which the surroundings were drawn (they go out to longitude
and latitude by geodesic), feature by feature over a fine square grid; expected scores are
independent, not pinned.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from rod_sites import AT, CLEARANCE_M, GEOD, limits, neighbourhood, square

from gridground.errors import Reason
from gridground.grounding.rods import (
    NoRodPlace,
    check_rod,
    find_rod,
    place_rod,
    rod_place_at,
)
from gridground.record import RodPlace

REACH = {"reach_m": 12.0, "zone_radius_m": 3.048}
BLOCKING = {"building", "water", "fence", "no_entry", "road"}


def place(near, pole="P0", *, given=None, **asked):
    return place_rod(pole, near, limits(**(given or {})), **(REACH | asked))


def metres(rod, at=AT):
    """Return a written position in metres round a point, by geodesic."""
    azimuth_deg, _, distance_m = GEOD.inv(*at, rod.lon, rod.lat)
    angle = math.radians(azimuth_deg)
    return distance_m * math.sin(angle), distance_m * math.cos(angle)


def judged(xy, features, *, poles=((0.0, 0.0),), line_deg=(), reach_m=12.0, zone_m=3.048):
    """Score positions feature by feature; infinite where unlawful. Metres round pole P0."""
    xy = np.atleast_2d(np.asarray(xy, float))
    points = shapely.points(xy)
    leads = shapely.linestrings(np.stack([np.zeros_like(xy), xy], axis=1))
    length_m = np.hypot(*xy.T)
    lawful = length_m <= reach_m + 1e-6
    for pole in poles:
        lawful &= np.hypot(*(xy - pole).T) >= 4.572 - 1e-6
    spare_m = np.full(len(xy), np.inf)
    met, crossed = set(), {}
    zone_cost = {"road": 6.0, "public_place": 6.0, "sidewalk": 4.0, "driveway": 2.0}
    walk_cost = {"sidewalk": 3.0, "driveway": 3.0, "paved": 1.0}
    met = {kind: np.zeros(len(xy), bool) for kind in zone_cost}
    crossed = {kind: np.zeros(len(xy), bool) for kind in walk_cost}
    for _, kind, geometry, *own in features:
        clearance_m = own[0] if own and own[0] is not None else CLEARANCE_M[kind]
        distance_m = shapely.distance(points, geometry)
        spare_m = np.minimum(spare_m, distance_m - clearance_m)
        lawful &= (distance_m > 0) & (distance_m >= clearance_m)
        if kind in BLOCKING and not geometry.intersects(shapely.Point(0, 0)):
            lawful &= ~shapely.intersects(leads, geometry)
        if kind in met:
            met[kind] |= shapely.distance(leads, geometry) <= zone_m
        if kind in crossed:
            crossed[kind] |= shapely.intersects(leads, geometry)
    score = length_m + 3.0 * np.clip(1.0 - spare_m, 0.0, None)
    score += sum(cost * met[kind] for kind, cost in zone_cost.items())
    score += sum(cost * crossed[kind] for kind, cost in walk_cost.items())
    bearing = np.degrees(np.arctan2(*xy.T))
    for direction in line_deg:
        apart = np.abs((bearing - direction + 180.0) % 360.0 - 180.0)
        score = np.where(apart < 20.0, np.maximum(score, 0.0) + 3.0, score)
    return np.where(lawful, score, np.inf)


def scatter(seed, count=None):
    """Return random surroundings of every kind, drawn the way they lie: lines, boxes, points."""
    rng = np.random.default_rng(seed)
    kinds = list(CLEARANCE_M)
    features = []
    for k in range(count or int(rng.integers(3, 26))):
        kind = kinds[rng.integers(len(kinds))]
        x, y = rng.uniform(-15, 15, 2)
        if kind.startswith("buried") or kind == "fence":
            angle = rng.uniform(0, math.pi)
            dx, dy = math.cos(angle) * 18, math.sin(angle) * 18
            geometry = shapely.LineString([(x - dx, y - dy), (x + 2, y), (x + dx, y + dy)])
        elif kind == "tree":
            geometry = shapely.Point(x, y)
        else:
            half = rng.uniform(0.5, 6.0, 2)
            box = shapely.box(x - half[0], y - half[1], x + half[0], y + half[1])
            geometry = shapely.affinity.rotate(box, rng.uniform(0, 90))
        features.append((f"F{k}", kind, geometry))
    return features


def compare(seed):
    features = scatter(seed)
    poles = [("P0", 0, 0), ("P1", 0, 45), ("P2", 6.0, -3.0)]
    near = neighbourhood(features, poles=poles, spans=[("S1", "P0", "P1")])
    found = place(near)
    terms = {"poles": [xy for _, *xy in poles], "line_deg": (0.0,)}
    side = np.arange(-12.0, 12.01, 0.1)
    grid = np.column_stack([part.ravel() for part in np.meshgrid(side, side)])
    length_m = np.hypot(*grid.T)
    grid = grid[(length_m >= 4.572) & (length_m <= 12.0)]
    if isinstance(found, NoRodPlace):
        assert not np.isfinite(judged(grid, features, **terms)).any()
        assert found.reasons
        return
    mine = float(judged(metres(found), features, **terms)[0])
    assert math.isfinite(mine), "unlawful"
    assert mine == pytest.approx(found.score, abs=0.02)
    assert found.distance_m >= 4.572
    # No score is less than the length of its lead: nothing farther out can be better.
    grid = grid[np.hypot(*grid.T) < mine]
    best = judged(grid, features, **terms).min(initial=math.inf)
    assert mine <= best * 1.02


@pytest.mark.parametrize("seed", range(40))
def test_not_worse_than_brute_force(seed):
    compare(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1200))
def test_not_worse_than_brute_force_on_more(seed):
    compare(seed)
