"""Laws of rod places: more in the way is never better, and nothing depends on names or order."""

from __future__ import annotations

import math

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rod_sites import CLEARANCE_M, GEOD, limits, neighbourhood

from gridground.grounding.rods import NoRodPlace, check_rod, place_rod, rod_place_at
from gridground.grounding.zones import cone_zone
from gridground.job import Position, Vehicle
from gridground.territory.frame import Frame

REACH = {"reach_m": 11.0, "zone_radius_m": 3.0}
SOUGHT = 1.02  # the search finds a score within 2 % of the best

metres = st.floats(-14, 14).map(lambda v: round(v, 3))
size = st.floats(0.2, 5).map(lambda v: round(v, 3))


@st.composite
def features(draw):
    kind = draw(st.sampled_from(sorted(CLEARANCE_M)))
    x, y = draw(metres), draw(metres)
    if kind.startswith("buried") or kind == "fence":
        geometry = shapely.LineString([(x, y), (draw(metres) + 0.1, draw(metres))])
    else:
        geometry = shapely.box(x, y, x + draw(size), y + draw(size))
    return kind, geometry


scenes = st.lists(features(), max_size=8)
spots = st.tuples(st.floats(0, 360), st.floats(3, 12))


def built(scene, *, names="F", poles=(), **given):
    rows = [(f"{names}{k}", kind, geometry) for k, (kind, geometry) in enumerate(scene)]
    return neighbourhood(rows, poles=[("P0", 0, 0), *poles], given=given)


def score(near, **given):
    found = place_rod("P0", near, limits(**given), **REACH)
    return math.inf if isinstance(found, NoRodPlace) else found.score


def at(spot):
    lon, lat, _ = GEOD.fwd(10.0, 50.0, *spot)
    return lon, lat


def broken(near, spot, **given):
    return check_rod(*at(spot), "P0", near, limits(**given), **REACH)


@given(scenes, features(), spots)
@settings(max_examples=60, deadline=None)
def test_one_more_obstacle_never_mends_a_position(scene, more, spot):
    fewer, all_ = built(scene), built([*scene, more])
    assert len(broken(all_, spot)) >= len(broken(fewer, spot))
    cost = [rod_place_at(*at(spot), "P0", near, limits(), **REACH).score for near in (fewer, all_)]
    assert cost[1] >= cost[0]


@given(scenes, features())
@settings(max_examples=40, deadline=None)
def test_one_more_obstacle_never_improves_the_best_place(scene, more):
    assert score(built([*scene, more])) * SOUGHT >= score(built(scene))


@given(scenes, spots, st.floats(2, 9), st.floats(0.001, 3))
@settings(max_examples=40, deadline=None)
def test_a_larger_setback_never_enlarges_the_lawful_area(scene, spot, setback_m, more_m):
    near = built(scene)
    if broken(near, spot, rod_setback_m=setback_m):
        assert broken(near, spot, rod_setback_m=setback_m + more_m)


@given(scenes, st.floats(2, 7), st.floats(0.001, 3))
@settings(max_examples=25, deadline=None)
def test_a_larger_setback_never_improves_the_best_place(scene, setback_m, more_m):
    near = built(scene)
    wider = score(near, rod_setback_m=setback_m + more_m)
    assert wider * SOUGHT >= score(near, rod_setback_m=setback_m)


@given(scenes, st.sampled_from(sorted(CLEARANCE_M)), st.floats(0, 3))
@settings(max_examples=25, deadline=None)
def test_a_larger_clearance_never_improves_the_best_place(scene, kind, more_m):
    larger = CLEARANCE_M | {kind: CLEARANCE_M[kind] + more_m}
    assert score(built(scene, clearance_m=larger)) * SOUGHT >= score(built(scene))


@given(scenes, metres, metres)
@settings(max_examples=25, deadline=None)
def test_one_more_pole_never_improves_the_best_place(scene, x, y):
    assert score(built(scene, poles=[("P1", x, y)])) * SOUGHT >= score(built(scene))


@given(scenes, st.randoms(use_true_random=False))
@settings(max_examples=25, deadline=None)
def test_names_and_order_change_nothing(scene, random):
    found = place_rod("P0", built(scene), limits(), **REACH)
    random.shuffle(scene)
    again = place_rod("P0", built(scene, names="zz"), limits(), **REACH)
    assert type(found) is type(again)
    if not isinstance(found, NoRodPlace):
        assert (found.lon, found.lat, found.score) == (again.lon, again.lat, again.score)


@given(scenes)
@settings(max_examples=40, deadline=None)
def test_a_chosen_place_breaks_no_rule(scene):
    near = built(scene)
    found = place_rod("P0", near, limits(), **REACH)
    if isinstance(found, NoRodPlace):
        assert found.reasons
        assert all(0.0 < reason.share_ratio <= 1.0 for reason in found.reasons)
        assert sum(reason.share_ratio for reason in found.reasons) >= 1.0 - 1e-9
    else:
        assert check_rod(found.lon, found.lat, "P0", near, limits(), **REACH) == ()
        assert 4.572 <= found.distance_m <= 11.0


@given(st.floats(0, 360), st.floats(0.5, 30), st.floats(0.5, 12), st.floats(0.3, 5))
@settings(max_examples=60, deadline=None)
def test_cones_are_never_farther_apart_than_their_spacing(bearing, away_m, radius_m, spacing_m):
    pole = (10.0, 50.0)
    rod = at((bearing, away_m))
    zone = cone_zone(Frame(*pole), pole, rod, radius_m=radius_m, spacing_m=spacing_m)
    xy = np.column_stack(Frame(*pole).to_xy(*np.array(zone.cone_points).T))
    chord_m = np.hypot(*(xy - np.roll(xy, 1, axis=0)).T)
    assert chord_m.max() <= spacing_m + 0.003
    assert zone.perimeter_m / zone.cones <= spacing_m * (1 + 1e-9)
    assert zone.cones == 1 or zone.perimeter_m / (zone.cones - 1) > spacing_m * (1 - 1e-9)


def truck(spot, rod=None):
    return Vehicle(Position(*at(spot)), None if rod is None else Position(*at(rod)))


def sited(scene, *, vehicle=None, spans=(), **given):
    rows = [(f"F{k}", kind, geometry) for k, (kind, geometry) in enumerate(scene)]
    return neighbourhood(rows, vehicle=vehicle, spans=spans, given=given)


away = st.tuples(st.floats(0, 360), st.floats(0.2, 25))


@given(scenes, away, st.none() | away, spots)
@settings(max_examples=40, deadline=None)
def test_a_truck_never_mends_a_position_nor_improves_the_best_place(scene, place, rod, spot):
    without, with_ = sited(scene), sited(scene, vehicle=truck(place, rod))
    assert len(broken(with_, spot)) >= len(broken(without, spot))
    assert score(with_) * SOUGHT >= score(without)


@given(scenes, st.tuples(away, away), spots, st.floats(0.5, 6), st.floats(0.01, 4))
@settings(max_examples=40, deadline=None)
def test_a_larger_distance_from_the_truck_never_mends_a_position(
    scene, places, spot, distance_m, more_m
):
    def near(m):
        keys = {"vehicle_clearance_m": 2 * m, "vehicle_rod_distance_m": m}
        return sited(scene, vehicle=truck(*places), **keys)

    if broken(near(distance_m), spot):
        assert broken(near(distance_m + more_m), spot)


@given(scenes, spots, st.floats(0, 2), st.floats(0.001, 2))
@settings(max_examples=40, deadline=None)
def test_a_larger_locate_tolerance_never_mends_a_position(scene, spot, tolerance_m, more_m):
    def near(m):
        return sited(scene, locate_tolerance_m=m)

    if broken(near(tolerance_m), spot):
        assert broken(near(tolerance_m + more_m), spot)


@given(scenes, spots, st.lists(metres, min_size=2, max_size=2))
@settings(max_examples=30, deadline=None)
def test_an_energized_line_overhead_never_improves_anything(scene, spot, ends):
    line = shapely.LineString([(-50, ends[0]), (50, ends[1])])
    live = sited(scene, spans=[("S9", "Q1", "Q2", line, "overhead", "F2")])
    worked = sited(scene, spans=[("S9", "Q1", "Q2", line, "overhead", "F1")])
    cost = [rod_place_at(*at(spot), "P0", near, limits(), **REACH).score for near in (worked, live)]
    assert cost[1] >= cost[0]
    assert score(live) * SOUGHT >= score(worked)


@given(st.floats(0.0, 1.2), st.floats(0, 360), st.floats(0.05, 1.0), st.floats(0.01, 0.5))
@settings(max_examples=20, deadline=None)
def test_a_stricter_slope_never_enlarges_the_lawful_ground(slope, towards, limit, less):
    angle = math.radians(towards)
    heights = [
        (f"E{k}", x, y, slope * (x * math.sin(angle) + y * math.cos(angle)))
        for k, (x, y) in enumerate((x, y) for x in (-20, -9, 0, 9, 20) for y in (-20, -9, 0, 9, 20))
    ]

    def free(most):
        given_ = {"ground_slope_max_ratio": most}
        near = neighbourhood(heights=heights, given=given_)
        return {k for k in range(0, 360, 30) if not broken(near, (k, 8.0), **given_)}

    assert free(max(limit - less, 0.02)) <= free(limit)


@given(scenes, away)
@settings(max_examples=25, deadline=None)
def test_other_places_break_no_rule_and_are_no_better(scene, place):
    near = sited(scene, vehicle=truck(place))
    found = place_rod("P0", near, limits(), **REACH)
    if isinstance(found, NoRodPlace):
        return
    for row in found.alternatives:
        assert check_rod(row["lon"], row["lat"], "P0", near, limits(), **REACH) == ()
        assert row["score"] >= found.score - 0.011
