"""The truck, its rod, lines overhead, slopes and locate tolerance, each against plain geometry."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from rod_sites import AT, GEOD, at_metres, limits, neighbourhood, square

from gridground.electrical.approach import approach_m
from gridground.grounding.rods import NoRodPlace, check_rod, place_rod
from gridground.grounding.slope import Heights, steep_ground
from gridground.job import Position, Vehicle

REACH = {"reach_m": 12.0, "zone_radius_m": 3.048}


def place(near, **given):
    return place_rod("P0", near, limits(**given), **REACH)


def metres(rod):
    azimuth_deg, _, distance_m = GEOD.inv(*AT, rod.lon, rod.lat)
    angle = math.radians(azimuth_deg)
    return distance_m * math.sin(angle), distance_m * math.cos(angle)


def truck(x, y, rod=None):
    stated = None if rod is None else Position(*at_metres(*rod))
    return Vehicle(Position(*at_metres(x, y)), stated)


def rules(near, x, y, **given):
    return check_rod(*at_metres(x, y), "P0", near, limits(**given), **REACH)


def test_the_rod_keeps_clear_of_the_truck_and_its_rod():
    near = neighbourhood(vehicle=truck(0, 6, rod=(6, 2)))
    found = place(near)
    assert math.dist(metres(found), (0, 6)) >= 6.096
    assert math.dist(metres(found), (6, 2)) >= 3.048
    rule = next(r for r in rules(near, 5, 5) if r.where == "vehicle")
    assert rule.distance_m == pytest.approx(math.hypot(5, 1), abs=0.001)
    assert rule.needed_m == 6.096
    assert "vehicle rod" in {r.where for r in rules(near, 5.5, 4)}


@pytest.mark.parametrize("distance_m", [3.048, 4.0, 6.0])
def test_the_employers_distance_from_the_trucks_rod_counts(distance_m):
    given = {"vehicle_rod_distance_m": distance_m}
    near = neighbourhood(vehicle=truck(-40, 0, rod=(0, 7)), given=given)
    for y in (7 + distance_m + 0.01, 7 + distance_m - 0.01):
        # The lead comes from below, so it lies within the distance: only the rod is asked about.
        codes = {(r.code, r.where) for r in rules(near, 0.0, y, **given)}
        assert (("clearance", "vehicle rod") in codes) is (y < 7 + distance_m)


def test_a_lead_does_not_lie_past_the_trucks_rod():
    near = neighbourhood(vehicle=truck(-40, 0, rod=(0, 6)))
    # Beyond the truck's rod on the same bearing: 10 ft from it, but the lead runs over it.
    assert [r.code for r in rules(near, 0.0, 9.5)] == ["crossing"]
    # A lead that passes 3.1 m beside it is free, one that passes 3.0 m beside it is not.
    for aside_m, free in ((3.1, True), (3.0, False)):
        angle = math.asin(aside_m / 6.0)
        found = rules(near, 11 * math.sin(angle), 11 * math.cos(angle))
        assert (found == ()) is free


def test_a_pole_within_the_trucks_disc_does_not_hold_the_lead():
    near = neighbourhood(vehicle=truck(1.0, 0.0))
    assert not isinstance(place(near), NoRodPlace)


def test_under_a_line_that_stays_energized_a_place_costs_three_metres():
    def line(y):
        return shapely.LineString([(-60, y), (60, y)])

    half_m = 0.65 + 1.1  # Table R-3 for 12.47 kV, and the outer phase of the pole top
    assert approach_m(12.47, phase_to_phase=False, altitude_m=0) == 0.65  # published
    # Ground is free in a lane to the north only; the live span lies over its nearer part.
    rock = shapely.Point(0, 0).buffer(30).difference(shapely.box(-1.0, 4, 1.0, 30))
    for y, circuit, costs in ((4.5, "F2", True), (4.5, "F1", False), (12.0, "F2", False)):
        near = neighbourhood(
            [("R", "rock", rock)],
            spans=[("S9", "Q1", "Q2", line(y), "overhead", circuit)],
        )
        found = place(near)
        under = abs(metres(found)[1] - y) < half_m
        live = [p for p in found.parts if "stays energized" in p["what"]]
        assert bool(live) is (under and circuit == "F2")
        assert sum(p["cost"] for p in found.parts) == pytest.approx(found.score, abs=0.003)
        # From 4.57 m it is 1.7 m to the edge of the strip: cheaper than three metres.
        assert (metres(found)[1] > y + half_m) is costs


@pytest.mark.parametrize(("height_m", "lawful"), [(3.7, False), (4.0, True)])
def test_under_a_low_line_no_rod_is_set_upright(height_m, lawful):
    # Rod 1.83 m, a metre of hand or driver above it, the approach distance of 69 kV.
    needed_m = approach_m(69.0, phase_to_phase=False, altitude_m=0)
    least_m = 1.83 + 1.0 + needed_m
    assert 3.7 < least_m < 4.0
    line = shapely.LineString([(-60, 6), (60, 6)])
    near = neighbourhood(lines=[("X1", line, {"height_m": height_m})])
    found = [r for r in rules(near, 0, 6) if r.kind == "low_line"]
    assert bool(found) is not lawful
    dead = neighbourhood(lines=[("X1", line, {"height_m": 3.0, "state": "dead"})])
    assert rules(dead, 0, 6) == ()
    unknown = neighbourhood(lines=[("X1", line, {"height_m": None, "state": None})])
    assert rules(unknown, 0, 6) == ()
    assert len(unknown.live) == 1


def plane(slope_x, slope_y, *, at=0.0, step=3.0, noise=0.0, seed=1):
    rng = np.random.default_rng(seed)
    side = np.arange(-21, 21.1, step)
    return [
        (f"E{k}", x, y, at + slope_x * x + slope_y * y + rng.normal(0, noise))
        for k, (x, y) in enumerate((x, y) for x in side for y in side)
    ]


def test_slope_and_rise_are_those_of_the_plane_drawn():
    near = neighbourhood(heights=plane(0.3, -0.2, at=210.0))
    found = place(near)
    x_m, y_m = metres(found)
    assert found.slope_ratio == pytest.approx(math.hypot(0.3, 0.2), abs=1e-4)
    assert found.rise_m == pytest.approx(0.3 * x_m - 0.2 * y_m, abs=1e-3)
    assert found.ground_m == pytest.approx(math.hypot(found.distance_m, found.rise_m))
    level = place(neighbourhood())
    assert (level.slope_ratio, level.rise_m, level.ground_m) == (None, None, level.distance_m)


def test_least_squares_agrees_with_another_solver():
    from scipy.linalg import lstsq  # independent: another driver of another library

    rng = np.random.default_rng(3)
    xy = rng.uniform(-7, 7, (40, 2))
    z = 5 + 0.2 * xy[:, 0] + 0.1 * xy[:, 1] + rng.normal(0, 0.3, 40)
    near = np.hypot(*xy.T) <= 8.0
    terms = np.column_stack([np.ones(near.sum()), xy[near]])
    expected = lstsq(terms, z[near], lapack_driver="gelsy")[0]
    ids = np.array([f"E{k}" for k in range(40)], dtype=object)
    assert Heights(ids, xy, z).plane(0.0, 0.0) == pytest.approx(expected, abs=1e-9)


def test_steep_ground_holds_no_rod_and_is_named():
    # East of x = 2 the ground falls 8 in 10; elsewhere it is level.
    side = np.arange(-21, 21.1, 1.5)
    bank = [
        (f"E{k}", x, y, -0.8 * max(x - 2.0, 0.0))
        for k, (x, y) in enumerate((x, y) for x in side for y in side)
    ]
    near = neighbourhood(heights=bank)
    assert {r.kind for r in rules(near, 11, 0)} == {"steep"}
    assert rules(near, -8, 0) == ()
    found = place(near)
    assert found.slope_ratio < 0.5
    gentle = neighbourhood(heights=bank, given={"ground_slope_max_ratio": 0.9})
    assert rules(gentle, 11, 0, ground_slope_max_ratio=0.9) == ()


def test_too_few_points_or_a_row_of_them_tell_nothing():
    ids = np.array(list("abcd"), dtype=object)
    row = np.array([[0.0, 0.0], [2, 2], [4, 4], [5, 5.01]])
    assert Heights(ids, row, np.array([0.0, 1, 2, 9])).plane(1, 1) is None
    assert Heights(ids[:2], row[:2], np.array([0.0, 9])).plane(1, 1) is None
    far = Heights(ids, row + 100, np.arange(4.0))
    assert steep_ground(far, np.zeros((1, 2)), reach_m=12, limit_ratio=0.1) == []


@pytest.mark.parametrize("tolerance_m", [0.0, 0.6, 1.0])
def test_locate_tolerance_is_added_for_buried_lines_that_were_not_measured(tolerance_m):
    line = shapely.LineString([(-30, 8), (30, 8)])
    given = {"locate_tolerance_m": tolerance_m}
    for kind, own, located, needed_m in (
        ("buried_gas", None, None, 1.0 + tolerance_m),
        ("buried_gas", None, "map", 1.0 + tolerance_m),
        ("buried_gas", None, "marked", 1.0),
        ("buried_gas", 0.5, "map", 0.5 + tolerance_m),
        ("fence", None, "map", 1.5),
        ("unheard of", None, None, 1.5 + tolerance_m),
    ):
        near = neighbourhood([("G", kind, line, own, located)], given=given)
        assert near.obstacles.clearance_m == pytest.approx([needed_m])
        inner, outer = 8 - needed_m - 0.005, 8 - needed_m + 0.005
        assert not [r for r in rules(near, 0, inner, **given) if r.code == "clearance"]
        assert [r.code for r in rules(near, 0, outer, **given)][:1] == ["clearance"]


def test_a_cable_runs_tolerance_counts_too():
    poles = [("P0", 0, 0), ("P1", 0, 45)]
    near = neighbourhood(
        poles=poles,
        spans=[("C1", "P0", "P1", None, "cable")],
        given={"locate_tolerance_m": 0.5},
    )
    assert near.obstacles.clearance_m.tolist() == [1.5]
    assert near.obstacles.tolerance_m.tolist() == [0.5]
    assert abs(metres(place(near, locate_tolerance_m=0.5))[0]) >= 1.5


def test_a_buried_line_just_beyond_the_radius_still_counts_with_its_tolerance():
    line = shapely.LineString([(-90, 42.0), (90, 42.0)])
    near = neighbourhood([("G", "buried_gas", line)], given={"locate_tolerance_m": 1.2})
    assert near.obstacles.ids.tolist() == ["G"]


def test_the_order_of_features_changes_nothing():
    heights = plane(0.1, 0.6, noise=0.05)
    features = [("B", "building", square(5, 5, 1)), ("T", "tree", shapely.Point(-5, 1))]
    one = place(neighbourhood(features, heights=heights))
    other = place(neighbourhood(features[::-1], heights=heights[::-1]))
    for first, second in zip(
        dataclasses.astuple(one)[:6], dataclasses.astuple(other)[:6], strict=True
    ):
        assert first == second
