"""What lies round a job: selection, clearances, soil, and what cannot be taken as drawn."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from rod_sites import CLEARANCE_M, GEOD, job, lonlat, neighbourhood, square, territory

from gridground.errors import NetworkError
from gridground.grounding.neighbourhood import Neighbourhood
from gridground.territory.layers import Layer, Territory


def codes(near):
    return {(item.layer, item.feature_id, item.code) for item in near.repairs}


def test_selects_what_reaches_the_radius_and_nothing_else():
    features = [
        ("in", "tree", shapely.Point(38, 0)),
        ("reaching", "tree", shapely.Point(41.4, 0)),  # 40 + the largest clearance of 1.5
        ("out", "tree", shapely.Point(41.6, 0)),
        ("corner", "tree", shapely.Point(35, 35)),
        ("far-reaching", "tree", shapely.Point(0, 140), 105.0),
        ("not so far", "tree", shapely.Point(0, 140), 95.0),
        ("across", "buried_gas", shapely.LineString([(-500, 39), (500, 39)])),
        ("round", "no_entry", shapely.box(-5000, -5000, 5000, 5000)),
    ]
    near = neighbourhood(features, poles=[("P0", 0, 0), ("P1", 30, 0), ("P2", 41, 0)])
    assert set(near.obstacles.ids) == {"in", "reaching", "far-reaching", "across", "round"}
    assert set(near.pole_ids) == {"P0", "P1"}
    assert near.surveyed


def test_several_centres_take_in_what_lies_round_each():
    features = [(f"T{x}", "tree", shapely.Point(x, 0)) for x in range(-60, 461, 20)]
    near = neighbourhood(
        features, poles=[("P0", 0, 0), ("P1", 400, 0)], centre=("P0", "P1"), radius_m=30.0
    )
    assert set(near.obstacles.ids) == {f"T{x}" for x in (-20, 0, 20, 380, 400, 420)}
    back = neighbourhood(
        features, poles=[("P0", 0, 0), ("P1", 400, 0)], centre=("P1", "P0"), radius_m=30.0
    )
    assert back.frame == near.frame


@pytest.mark.parametrize("at", [(10, 50), (180, 0), (-180, 64), (179.9998, -45)])
def test_places_features_where_they_were_drawn(at):
    shape = shapely.Polygon([(3, 1), (25, -4), (12, 20)])
    near = neighbourhood([("R", "rock", shape)], at=at)
    x, y = near.frame.to_xy(*at)
    moved = shapely.transform(shape, lambda c: c + np.array([x, y]))
    assert near.obstacles.geometry[0].hausdorff_distance(moved) < 0.001
    crossing = {("surroundings", "R", "over the antimeridian")}  # drawn in one piece, and said so
    assert codes(near) == (crossing if at[0] == 179.9998 else set())


def test_clearances_by_kind_by_feature_and_for_what_is_unknown():
    features = [
        ("B", "building", square(10, 0, 1)),
        ("B2", "building", square(20, 0, 1), 4.0),
        ("B3", "building", square(30, 0, 1), 0.0),
        ("U", "well", square(0, 20, 1)),
        ("U2", None, square(0, 30, 1), 0.5),
        ("U3", None, square(0, -30, 1), 9.0),
    ]
    near = neighbourhood(features)
    found = dict(zip(near.obstacles.ids, near.obstacles.clearance_m, strict=True))
    assert found == {"B": 1.5, "B2": 4.0, "B3": 0.0, "U": 1.5, "U2": 1.5, "U3": 9.0}
    kinds = dict(zip(near.obstacles.ids, near.obstacles.kinds, strict=True))
    assert kinds["U"] == kinds["U2"] == "unknown"
    assert codes(near) == {("surroundings", i, "unknown kind") for i in ("U", "U2", "U3")}


def test_cable_spans_are_buried_power():
    poles = [("P0", 0, 0), ("P1", 30, 0), ("P2", 0, 30)]
    spans = [
        ("C1", "P0", "P1", None, "cable"),
        ("S1", "P0", "P2"),
        ("L1", "P0", "P2", None, "link"),
    ]
    near = neighbourhood(poles=poles, spans=spans)
    assert near.obstacles.ids.tolist() == ["C1"]
    assert near.obstacles.kinds.tolist() == ["buried_power"]
    assert near.obstacles.layers.tolist() == ["spans"]
    assert near.obstacles.clearance_m.tolist() == [CLEARANCE_M["buried_power"]]
    assert near.obstacles.geometry[0].length == pytest.approx(30.0, abs=1e-3)
    assert near.span_ids.tolist() == ["S1"]
    assert codes(near) == {("spans", "C1", "straight run")}


def test_a_kind_left_empty_is_an_overhead_span():
    poles = [("P0", 0, 0), ("P1", 30, 0)]
    run = shapely.LineString([(0, 0), (30, 0)])
    near = neighbourhood(poles=poles, spans=[("S1", "P0", "P1", run, None)])
    assert near.span_ids.tolist() == ["S1"]
    assert near.line_bearings_deg("P0", reach_m=10.0) == pytest.approx([90.0], abs=1e-3)
    assert near.line_bearings_deg("P1", reach_m=10.0) == pytest.approx([-90.0], abs=1e-3)


def test_invalid_polygons_are_mended_and_named():
    bow_tie = shapely.Polygon([(5, 5), (15, 15), (15, 5), (5, 15)])
    near = neighbourhood([("B", "building", bow_tie), ("OK", "building", square(-10, 0, 1))])
    assert codes(near) == {("surroundings", "B", "repaired")}
    row = near.obstacles.ids.tolist().index("B")
    assert near.obstacles.geometry[row].is_valid
    for inside in ((6, 10), (14, 10)):
        assert near.obstacles.geometry[row].covers(
            shapely.Point(
                *near.frame.to_xy(*shapely.get_coordinates(lonlat(shapely.Point(inside)))[0])
            )
        )


def test_features_without_a_place_are_named_wherever_they_might_be():
    features = [
        ("N", "building", None),
        ("E", "buried_gas", shapely.LineString()),
        ("T", "tree", shapely.Point(5, 5)),
    ]
    near = neighbourhood(features)
    assert near.obstacles.ids.tolist() == ["T"]
    assert codes(near) == {("surroundings", i, "no geometry") for i in ("N", "E")}


def test_roads_drawn_as_lines_have_no_width():
    features = [
        ("R", "road", shapely.LineString([(-30, 10), (30, 10)])),
        ("G", "buried_gas", shapely.LineString([(-30, 15), (30, 15)])),
        ("P", "public_place", shapely.Point(8, 8)),
        ("R2", "road", shapely.box(-30, 20, 30, 25)),
    ]
    assert codes(neighbourhood(features)) == {
        ("surroundings", "R", "no width"),
        ("surroundings", "P", "no width"),
    }


def test_no_surroundings_layer_is_told_from_an_empty_one():
    assert not neighbourhood(None).surveyed
    assert len(neighbourhood(None).obstacles) == 0
    assert neighbourhood(()).surveyed


def test_soil_is_the_smallest_polygon_that_covers_the_point():
    soil = [
        ("wide", shapely.box(-100, -100, 100, 100), 80.0),
        ("pit", shapely.box(5, -5, 15, 5), 300.0),
        ("pit again", shapely.box(5, -5, 15, 5), 200.0),
        ("unstated", shapely.box(20, -5, 30, 5), None),
    ]
    near = neighbourhood(soil=soil, poles=[("P0", 0, 0), ("P1", 10, 0)])
    assert near.soil_at_pole("P0").resistivity_ohm_m == 80.0
    assert near.soil_at_pole("P1").soil_id == "pit"  # the same size: the smaller id
    assert near.soil_at_pole("P1").source == "survey"
    assert near.soil_at(25.0, 0.0).resistivity_ohm_m is None
    assert near.soil_at(25.0, 0.0).soil_id == "unstated"
    lon, lat, _ = GEOD.fwd(10, 50, 90.0, 10.0)
    assert near.soil_at_lonlat(lon, lat).soil_id == "pit"
    assert neighbourhood(soil=soil[1:3]).soil_at(0.0, 0.0) is None
    assert neighbourhood().soil_at_pole("P0") is None


def test_other_lines_near():
    lines = [
        ("T1", shapely.LineString([(-500, 30), (500, 30)])),
        ("T2", shapely.LineString([(-500, 50), (500, 50)])),
    ]
    near = neighbourhood(lines=lines)
    assert near.line_ids.tolist() == ["T1"]
    # Its side follows the parallel, which bends by L^2 tan(lat) / 8 R towards the equator.
    bend_m = 1000.0**2 * math.tan(math.radians(50.0)) / (8 * 6.38e6)
    assert near.lines[0].distance(shapely.Point(0, 0)) == pytest.approx(30.0 - bend_m, abs=0.001)


def test_refuses_poles_that_are_not_there():
    with pytest.raises(NetworkError, match="not a pole of the territory: P8"):
        neighbourhood(centre=("P0", "P8"))
    with pytest.raises(NetworkError, match="none named"):
        neighbourhood(centre=())
    with pytest.raises(ValueError, match="holds nothing"):
        neighbourhood(radius_m=0.0)
    land = territory()
    land.poles.geometry[0] = None
    with pytest.raises(NetworkError, match="without a position"):
        Neighbourhood.build(land, job(), ["P0"], 40.0)


def test_an_index_at_hand_changes_nothing():
    land = territory([("T", "tree", shapely.Point(5, 5))])
    built = Neighbourhood.build(land, job(), ["P0"], 40.0)
    again = Neighbourhood.build(land, job(), ["P0"], 40.0)
    assert again.obstacles.ids.tolist() == built.obstacles.ids.tolist()
    assert again.frame == built.frame


def test_only_what_is_near_is_placed(monkeypatch):
    """A territory of many features costs its bounding boxes, not its geometry."""
    rng = np.random.default_rng(5)
    count = 100_000
    xy = rng.uniform(-1.0, 1.0, (count, 2)) + np.array([10.0, 50.0])
    shapes = shapely.box(xy[:, 0], xy[:, 1], xy[:, 0] + 1e-4, xy[:, 1] + 1e-4)
    small = territory()
    columns = {
        "feature_id": np.array([f"F{k}" for k in range(count)], object),
        "kind": np.full(count, "building", object),
        "name": np.full(count, None),
        "clearance_m": np.full(count, np.nan),
    }
    layers = small.layers | {"surroundings": Layer("surroundings", columns, {}, shapes)}
    land = dataclasses.replace(small, layers=layers)
    assert isinstance(land, Territory)
    touched = []
    transform = shapely.transform
    monkeypatch.setattr(
        shapely, "transform", lambda g, f, **k: touched.append(np.size(g)) or transform(g, f, **k)
    )
    near = Neighbourhood.build(land, job(), ["P0"], 300.0)
    assert 0 < sum(touched) < 100
    exact = shapely.distance(near.obstacles.geometry, shapely.Point(near.pole_xy[0]))
    assert (exact <= 301.5).all()
