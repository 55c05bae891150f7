"""Odd grounds against brute force: courts, islands, comb-shaped areas, lines at their clearance."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from rod_sites import neighbourhood, square
from test_rods import judged, metres, place

from gridground.ground import RodPlace
from gridground.grounding.rods import NoRodPlace


def with_courts(seed):
    """Return areas with holes, some with an island in the hole, and areas in several parts."""
    rng = np.random.default_rng([seed, 31])
    kinds = ["building", "water", "rock", "paved", "no_entry", "fence", "road", "sidewalk"]
    features = []
    for k in range(int(rng.integers(4, 14))):
        x, y = rng.uniform(-13, 13, 2)
        whole = shapely.Point(x, y).buffer(rng.uniform(2.0, 7.0), quad_segs=8)
        hole = shapely.affinity.scale(whole, 0.7, 0.7)
        shape = whole.difference(hole)
        if k % 3 == 1:
            shape = shape.union(shapely.affinity.scale(whole, 0.2, 0.2))
        if k % 3 == 2:
            shape = shape.union(
                shapely.affinity.translate(square(x, y, 1.0), *rng.uniform(-9, 9, 2))
            )
        kind = kinds[int(rng.integers(len(kinds)))]
        features.append((f"F{k}", kind, shape.boundary if kind == "fence" else shape))
    return features


def grid(step_m):
    side = np.arange(-12.0, 12.01, step_m)
    xy = np.column_stack([part.ravel() for part in np.meshgrid(side, side)])
    length_m = np.hypot(*xy.T)
    return xy[(length_m >= 4.572) & (length_m <= 12.0)]


@pytest.mark.parametrize("seed", range(24))
def test_courts_and_islands_like_brute_force(seed):
    features = with_courts(seed)
    near = neighbourhood(features, spans=[("S1", "P0", "P0")])
    found = place(near)
    xy = grid(0.1)
    scores = judged(xy, features)
    if isinstance(found, NoRodPlace):
        lawful = xy[np.isfinite(scores)]
        disk = sum(math.hypot(i, j) <= 2.5 for i in range(-2, 3) for j in range(-2, 3))
        tree = shapely.STRtree(shapely.points(lawful))
        pairs = tree.query(shapely.points(lawful), predicate="dwithin", distance=0.25 + 1e-9)[0]
        assert (np.bincount(pairs, minlength=len(lawful)) < disk).all()
        return
    mine = float(judged(metres(found), features)[0])
    assert math.isfinite(mine), "unlawful"
    assert mine <= scores.min() * 1.02


@pytest.mark.parametrize("over_m", [-0.01, 0.0, 0.3, 0.5])
def test_a_lane_as_wide_as_the_clearances_ask(over_m):
    """Two gas lines of 1 m each; between them a lane of so much, in ground for no rod elsewhere."""
    half = 1.0 + over_m / 2
    lines = [
        (f"G{k}", "buried_gas", shapely.LineString([(-60, y), (60, y)]))
        for k, y in enumerate((7.0 - half, 7.0 + half))
    ]
    elsewhere = shapely.box(-60, -60, 60, 60).difference(shapely.box(-60, 6.0, 60, 8.0))
    found = place(neighbourhood([*lines, ("R", "rock", elsewhere)]))
    if isinstance(found, RodPlace):
        assert over_m >= 0.0
        _, y_m = metres(found)
        assert abs(y_m - 7.0) <= over_m / 2
    else:
        assert over_m < 0.5


def test_a_road_all_round_is_no_place_and_a_walk_all_round_is_one():
    ring = shapely.Point(0, 0).buffer(4.0).difference(shapely.Point(0, 0).buffer(3.0))
    assert isinstance(place(neighbourhood([("R", "road", ring)])), NoRodPlace)
    found = place(neighbourhood([("W", "sidewalk", ring)]))
    assert isinstance(found, RodPlace)
    assert any("lies across sidewalk W" in text for text in found.reasons)


def test_everything_in_reach_paved_names_the_pavement():
    found = place(neighbourhood([("A", "paved", shapely.Point(0, 0).buffer(40.0))]))
    assert isinstance(found, NoRodPlace)
    assert found.reasons[0].where == "A"
    assert found.reasons[0].alone_ratio == 1.0
