"""Zones in whole plans: one line round neighbours, cones counted once, and what roads ask for."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from rod_sites import GEOD

import gridground as gg
from gridground import plan as planning
from gridground.errors import InputError
from gridground.export import plan_files
from gridground.grounding.outlines import Part
from gridground.job import TrafficAsked
from gridground.jobmap.page import page_html
from gridground.jobmap.sheet import sheet_parts
from gridground.territory.frame import Frame
from gridground.wayside import _ranges

SAMPLE = Path(__file__).parent.parent / "sample_data"
MPH = 0.44704
LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n'
ROADS = ("speed_mph", "road_type", "lanes_each_way", "lane_width_m", "shoulder_m")


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(SAMPLE / "territory")


def job(name, limits=None, **changes):
    found = gg.read_job(SAMPLE / "jobs" / f"{name}.toml")
    if limits:
        changes["limits"] = replace(found.limits, **limits)
    return replace(found, **changes)


@pytest.fixture(scope="module")
def dead_end(territory):
    return gg.plan_job(territory, job("06-dead-end"))


@pytest.fixture(scope="module")
def joint(territory):
    """Four poles in a row, 75 m apart, with zones so wide that neighbours overlap."""
    return gg.plan_job(territory, job("07-four-poles", {"cone_radius_m": 40.0}))


def blank(territory, feature_id, *names, **values):
    """Return the territory with columns of one feature not stated, or of another value."""
    layer = territory.layers["surroundings"]
    columns = {name: column.copy() for name, column in layer.columns.items()}
    row = layer.index()[feature_id]
    for name in names:
        columns[name][row] = np.nan if columns[name].dtype == float else None
    for name, value in values.items():
        columns[name][row] = value
    changed = replace(layer, columns=columns)
    return replace(territory, layers=territory.layers | {"surroundings": changed})


# --- one line of cones, counted once ---------------------------------------------------------


@pytest.mark.parametrize("which", ["dead_end", "joint"])
def test_cones_are_equal_in_plan_map_steps_and_tables(which, request):
    plan = request.getfixturevalue(which)
    count = plan["totals"]["cones"]
    assert [row["number"] for row in plan["cones"]] == list(range(1, count + 1))
    assert sum(row["cones"] for row in plan["zones"]) == count
    zones = [row["zone"] for row in plan["locations"] if row["zone"]]
    assert sum(zone["cones"] for zone in zones) == count
    for zone in zones:
        assert zone["cones"] == len(zone["cone_points"]) == len(zone["cone_numbers"])
    numbered = {
        n: p for z in zones for n, p in zip(z["cone_numbers"], z["cone_points"], strict=True)
    }
    assert numbered == {row["number"]: [row["lon"], row["lat"]] for row in plan["cones"]}
    put_up = [re.search(r"put up (\d+) cones", s["text"]) for s in plan["steps"]["prepare"]]
    assert sum(int(found[1]) for found in put_up if found) == count
    files = plan_files(plan, page_html(plan))
    table = list(csv.DictReader(io.StringIO(files[f"{plan['job_id']}.cones.csv"].decode())))
    assert [int(row["number"]) for row in table] == list(range(1, count + 1))
    features = json.loads(files[f"{plan['job_id']}.geojson"])["features"]
    points = [f for f in features if f["properties"]["what"] == "cones"]
    assert sum(len(f["geometry"]["coordinates"]) for f in points) == count
    assert sum(len(f["properties"]["numbers"]) for f in points) == count
    (cones,) = [row["count"] for row in plan["materials"] if row["item"] == "cone"]
    assert cones == count
    _, after = sheet_parts(plan.document)
    for number in range(1, count + 1):
        assert f"<li><b>{number}</b>" in after
    sketch = re.search(r'<svg[^>]*class="sketch".*?</svg>', after, re.DOTALL).group()
    drawn = re.findall(r'class="sk-cone" d="([^"]*)"', sketch)
    assert sum(path.count("M") for path in drawn) == count


def test_neighbours_share_one_line_and_keep_their_radius(joint):
    (zone,) = joint["zones"]
    assert zone["parts"] == [row["location_id"] for row in joint["locations"] if row["zone"]]
    own = [shapely.geometry.shape(row["zone"]["geometry"]) for row in joint["locations"]]
    outline = shapely.geometry.shape(zone["geometry"])
    radii = [row["zone"]["radius_m"] for row in joint["locations"]]
    assert min(radii) >= 40.0
    frame = Frame(joint["locations"][0]["lon"], joint["locations"][0]["lat"])
    drawn, each = frame.to_xy(outline), [frame.to_xy(one) for one in own]
    assert drawn.area < sum(one.area for one in each)
    assert drawn.area == pytest.approx(shapely.union_all(each).area, rel=1e-3)
    assert all(drawn.buffer(0.003).covers(one) for one in each)
    spots = frame.to_xy(shapely.MultiPoint([(c["lon"], c["lat"]) for c in joint["cones"]]))
    assert max(drawn.exterior.distance(spot) for spot in spots.geoms) < 0.005
    # no cone stands between two poles: on the straight line from pole to pole all is inside
    assert all(drawn.buffer(-1.0).disjoint(spot) for spot in spots.geoms)
    texts = [step["text"] for step in joint["steps"]["prepare"] if "put up" in step["text"]]
    assert all("no cones stand between them" in text and "zone Z1" in text for text in texts)
    assert "one line of cones goes round all of them" in sheet_parts(joint.document)[1]


def test_zones_apart_are_as_many_cones_as_before(territory):
    """16 cones a zone by arithmetic: 15 ft of lead, 10 ft of radius, a cone each 6 ft."""
    plan = gg.plan_job(territory, job("07-four-poles"))
    assert [zone["cones"] for zone in plan["zones"]] == [16] * 4
    assert [zone["parts"] for zone in plan["zones"]] == [["L1"], ["L2"], ["L3"], ["L4"]]


def test_cones_are_found_again_from_their_pole(joint, dead_end):
    for plan in (joint, dead_end):
        poles = {row["location_id"]: (row["lon"], row["lat"]) for row in plan["locations"]}
        for cone in plan["cones"]:
            lon, lat, _ = GEOD.fwd(*poles[cone["part"]], cone["bearing_deg"], cone["distance_m"])
            assert GEOD.inv(lon, lat, cone["lon"], cone["lat"])[2] < 0.02  # pole: seven decimals


@pytest.mark.parametrize(("away_m", "lines"), [(6.0, 1), (40.0, 2)])
def test_another_zone_joins_where_it_overlaps(territory, monkeypatch, away_m, lines):
    plain = gg.plan_job(territory, job("06-dead-end"))
    at = plain["locations"][0]
    lon, lat, _ = GEOD.fwd(at["lon"], at["lat"], 100.0, away_m)
    vehicle = Part("vehicle", (lon, lat), None, 3.0)
    monkeypatch.setattr(planning, "vehicle_parts", lambda *_: [vehicle])
    plan = gg.plan_job(territory, job("06-dead-end"))
    assert len(plan["zones"]) == lines
    assert plan["totals"]["cones"] == len(plan["cones"]) > plain["totals"]["cones"]
    own = [row for row in plan["cones"] if row["part"] == "vehicle"]
    assert own
    assert all(row["pole_id"] is None for row in own)
    assert "vehicle" in sheet_parts(plan.document)[1]
    if lines == 2:
        assert len(plan["cones"]) == 16 + len(own)


# --- roads, walks, driveways -----------------------------------------------------------------


def test_a_road_is_seen_to_before_the_rod_and_freed_after_the_last_cone(dead_end):
    prepare = [step["text"] for step in dead_end["steps"]["prepare"]]
    release = [step["text"] for step in dead_end["steps"]["release"]]
    road = next(n for n, text in enumerate(prepare) if "the zone meets road Mill Street" in text)
    rod = next(n for n, text in enumerate(prepare) if "drive the rod" in text)
    assert road < rod
    cones = max(n for n, text in enumerate(release) if "take the cones down" in text)
    freed = next(n for n, text in enumerate(release) if "take the traffic cones on" in text)
    assert cones < freed


def test_a_shoulder_by_hand(dead_end):
    """Zone of 10 ft at a pole 2.8 m from the edge, 0.4 m of shoulder, 25 mph.

    L = W S² / 60 with W = 0.4 m = 1.3123 ft: 13.67 ft, a third of it 4.557 ft = 1.3889 m.
    """
    (row,) = dead_end["traffic"]
    assert row["measure"] == "shoulder closed"
    assert row["reach_m"] == pytest.approx(3.048 - 2.8, abs=0.02)
    first, last = row["tapers"]
    assert first["length_m"] == pytest.approx(1.3889, abs=1e-3)
    assert last["length_m"] == pytest.approx(100 * 0.3048)
    assert row["devices"] == 2 + 6
    assert row["cone_height_m"] == pytest.approx(28 * 0.0254)  # dark is not ruled out
    assert [(s["text"], round(s["distance_m"] / 0.3048)) for s in row["signs"]] == [
        ("ROAD WORK AHEAD", 100)
    ]
    loaded = {row["item"]: row["count"] for row in dead_end["materials"]}
    assert loaded["traffic cone, 28 in (71 cm) or higher"] == 8
    assert loaded["sign, ROAD WORK AHEAD"] == 1
    assert loaded["cone"] == dead_end["totals"]["cones"] == 16


def test_devices_are_drawn_along_the_edge_of_the_road(dead_end):
    (row,) = dead_end["traffic"]
    frame = Frame(dead_end["locations"][0]["lon"], dead_end["locations"][0]["lat"])
    rows = {r["feature_id"]: r["geometry"] for r in dead_end["picture"]["surroundings"]}
    road = frame.to_xy(shapely.geometry.shape(rows[row["feature_id"]]))
    spots = [frame.to_xy(shapely.Point(p)) for p in row["drawn"]]
    off_m = [road.exterior.distance(spot) for spot in spots]
    assert len(spots) == row["devices"]
    assert off_m[0] == pytest.approx(0, abs=0.02)
    assert off_m[-1] == pytest.approx(0, abs=0.02)
    assert off_m[1:3] == pytest.approx([0.4, 0.4], abs=0.02)
    gaps = [a.distance(b) for a, b in pairwise(spots)]
    assert max(gaps) <= 50 * 0.3048  # 2 S along, S = 25
    assert 'class="sk-device"' in sheet_parts(dead_end.document)[1]


@pytest.mark.parametrize(
    ("values", "measure", "length_ft", "devices"),
    [
        # W = 12 ft assumed, L = 12 x 55 = 660 ft, 660 / 55 = 12 gaps; on two lanes each way
        ({"lanes_each_way": 2, "speed_mph": 55, "lane_width_m": np.nan, "shoulder_m": 0},
         "lane closed, traffic merges", 660, 13 + 6),
        ({"lane_width_m": 3.0, "shoulder_m": 0}, "lane closed, one-lane two-way traffic", 100, 12),
        # 0.238 m taken of 3.6 m: W S² / 120 with W = 0.238 m = 0.7808 ft: 4.067 ft
        ({"lane_width_m": 3.6, "shoulder_m": 0}, "lane narrowed", 4.067, 2 + 6),
        ({"road_type": "freeway", "speed_mph": 60, "shoulder_m": 0, "lane_width_m": 3.6576},
         "lane closed, traffic merges", 720, 13 + 6),
    ],
)  # fmt: skip
def test_what_a_lane_asks_for(territory, values, measure, length_ft, devices):
    plan = gg.plan_job(blank(territory, "road-11", **values), job("06-dead-end"))
    (row,) = plan["traffic"]
    assert row["measure"] == measure
    assert row["tapers"][0]["length_m"] / 0.3048 == pytest.approx(length_ft, rel=0.02)
    assert row["devices"] - row["devices_along"] == devices
    assert row["flaggers"] == (2 if "one-lane" in measure else 0)
    assert plan.ready
    assumed = [r["text"] for r in plan["assumptions"] if "wide, not stated" in r["text"]]
    assert len(assumed) == int(np.isnan(values.get("lane_width_m", 3.6)))


@pytest.mark.parametrize("gone", [("speed_mph",), ("road_type",), ROADS])
def test_what_is_not_known_of_a_road_is_an_open_item(territory, gone):
    without = blank(territory, "road-11", *gone)
    plan = gg.plan_job(without, job("06-dead-end"))
    (item,) = [row for row in plan["open_items"] if row["code"] == "traffic_unknown"]
    assert item["where"] == ["V58", "road-11"]
    assert item["who"] == "the road's owner or the planner"
    assert not plan.ready
    assert plan["traffic"][0]["measure"] == "not known"
    assert not plan["traffic"][0]["tapers"]


def test_a_zone_that_only_touches_a_road_closes_nothing(territory):
    """The pole stands 2.8 m from the edge, the rod is farther: a radius 4 mm larger reaches it."""
    at = gg.plan_job(territory, job("06-dead-end"))["traffic"][0]
    radius_m = 3.048 - at["reach_m"] + 0.004
    plan = gg.plan_job(territory, job("06-dead-end", {"cone_radius_m": radius_m}))
    (row,) = plan["traffic"]
    assert (row["measure"], row["tapers"], row["devices"]) == ("attendant", [], 0)
    less = gg.plan_job(territory, job("06-dead-end", {"cone_radius_m": radius_m - 0.05}))
    assert less["traffic"] == []


def test_lanes_are_asked_for_only_where_a_lane_is_entered(territory):
    plan = gg.plan_job(blank(territory, "road-11", "lanes_each_way"), job("06-dead-end"))
    assert plan.ready
    entered = blank(territory, "road-11", "lanes_each_way", "shoulder_m")
    plan = gg.plan_job(entered, job("06-dead-end"))
    (item,) = [row for row in plan["open_items"] if row["code"] == "traffic_unknown"]
    assert item["what"].endswith("not known of it: lanes each way")


def test_a_zone_beyond_the_near_lane_asks_for_a_plan(territory):
    plan = gg.plan_job(territory, job("06-dead-end", {"cone_radius_m": 7.0}))
    texts = [r["what"] for r in plan["open_items"] if r["code"] == "traffic_unknown"]
    assert any("goes beyond the near lane" in text for text in texts)
    named = replace(job("06-dead-end", {"cone_radius_m": 7.0}), traffic=TrafficAsked(plan="T-7"))
    plan = gg.plan_job(territory, named)
    assert not [r for r in plan["open_items"] if r["code"] == "traffic_unknown"]


@pytest.mark.parametrize(
    "asked",
    [
        TrafficAsked(plan="TCP-14"),
        TrafficAsked(speed_m_per_s={"": 25 * MPH}, road_type={"": "rural"},
                     lanes_each_way={"": 1}),
        TrafficAsked(speed_m_per_s={"road-11": 25 * MPH}, road_type={"road-11": "rural"},
                     lanes_each_way={"road-11": 1}),
    ],
    ids=["a plan on file", "for every road", "by its id"],
)  # fmt: skip
def test_the_job_settles_it(territory, asked):
    plan = gg.plan_job(blank(territory, "road-11", *ROADS), job("06-dead-end", traffic=asked))
    assert plan.ready
    (row,) = plan["traffic"]
    if asked.plan:
        assert "Traffic control plan on file: TCP-14." in row["text"]
    else:
        assert row["measure"] == "lane closed, one-lane two-way traffic"
        assert "25 mph by the job file" in row["text"]


def test_data_of_a_road_win_over_a_speed_for_all_but_not_over_its_own(territory):
    for speed, mph in (({"": 55 * MPH}, 25), ({"road-11": 55 * MPH}, 55)):
        asked = TrafficAsked(speed_m_per_s=speed)
        plan = gg.plan_job(territory, job("06-dead-end", traffic=asked))
        assert plan["traffic"][0]["speed_m_per_s"] == pytest.approx(mph * MPH, rel=1e-5)


def test_no_work_in_the_dark_allows_low_cones_on_a_slow_road(territory):
    plan = gg.plan_job(territory, job("06-dead-end", traffic=TrafficAsked(night=False)))
    assert plan["traffic"][0]["cone_height_m"] == pytest.approx(18 * 0.0254)
    texts = [row["text"] for row in plan["assumptions"]]
    assert not any("in the dark" in text for text in texts)


def test_a_walk_is_closed_with_another_way_or_an_attendant(territory):
    plan = gg.plan_job(territory, job("17-riser"))
    rows = {row["kind"]: row for row in plan["traffic"]}
    assert rows["sidewalk"]["measure"] == "walk closed"
    text = next(s["text"] for s in plan["steps"]["prepare"] if "sidewalk" in s["text"])
    assert "another way" in text
    assert "attendant" in text
    assert "Before anything is driven" in text
    loaded = {row["item"]: row["count"] for row in plan["materials"]}
    assert loaded["sign, SIDEWALK CLOSED"] == 2


def test_zones_near_each_other_at_one_road_are_one_stretch(territory):
    wide = {"cone_spacing_m": 1.8288, "cone_radius_m": 3.048}
    rural = blank(territory, "road-12", lane_width_m=3.0, shoulder_m=0.0, speed_mph=25)
    single = gg.plan_job(rural, job("16-small-neutral", wide))
    ids = [row["zone_ids"] for row in single["traffic"]]
    poles = {row["pole_id"]: (row["lon"], row["lat"]) for row in single["locations"]}
    apart_m = GEOD.inv(*poles["V62"], *poles["V64"])[2]
    # two tapers of 100 ft and the first sign 100 ft before them; the rods stand side by side
    near = apart_m - 2 * 3.048 < 300 * 0.3048
    assert ids == ([["Z1", "Z2"]] if near else [["Z1"], ["Z2"]])
    if near:
        assert single["traffic"][0]["along_m"] > apart_m - 2 * 4.572


# --- the job file ----------------------------------------------------------------------------


def read(tmp_path, text):
    path = tmp_path / "job.toml"
    path.write_text(LEAST + text, encoding="utf-8")
    return gg.read_job(path)


def test_the_table_of_a_job_file(tmp_path):
    text = (
        '[traffic]\nspeed = "35 mph"\nplan = "TCP-1"\nnight = false\nroad_type = { R1 = "rural" }'
    )
    asked = read(tmp_path, text).traffic
    assert asked.speed_m_per_s == {"": pytest.approx(35 * MPH)}
    assert asked.road_type == {"R1": "rural"}
    assert (asked.plan, asked.night, asked.lanes_each_way) == ("TCP-1", False, {})
    asked = read(tmp_path, '[traffic]\nspeed = { R1 = "60 km/h" }\nlanes_each_way = 2').traffic
    assert asked.speed_m_per_s == {"R1": pytest.approx(60 / 3.6)}
    assert asked.lanes_each_way == {"": 2}
    assert read(tmp_path, "").traffic == TrafficAsked()


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("speed = 35", "traffic.speed"),
        ('speed = "35"', "traffic.speed"),
        ('speed = "100 mph"', "traffic.speed"),
        ('speed = "0 mph"', "traffic.speed"),
        ('speed = ["35 mph"]', "traffic.speed"),
        ('speed = { R1 = "fast" }', "traffic.speed"),
        ('road_type = "highway"', "traffic.road_type"),
        ("lanes_each_way = 0", "traffic.lanes_each_way"),
        ("lanes_each_way = 1.5", "traffic.lanes_each_way"),
        ("night = 1", "traffic.night"),
        ('plan = ""', "traffic.plan"),
        ('sped = "35 mph"', "traffic.sped"),
    ],
)
def test_what_is_wrong_in_the_table_is_named(tmp_path, text, field):
    with pytest.raises(InputError) as caught:
        read(tmp_path, f"[traffic]\n{text}")
    assert [problem.field for problem in caught.value.problems] == [field]


def test_a_road_that_is_not_there_is_named(territory):
    asked = TrafficAsked(speed_m_per_s={"road-99": 10.0, "": 10.0})
    with pytest.raises(InputError) as caught:
        gg.plan_job(territory, job("06-dead-end", traffic=asked))
    (problem,) = caught.value.problems
    assert problem.field == "traffic.speed"
    assert problem.feature_ids == ("road-99",)


def test_numbers_are_written_as_ranges():
    assert _ranges([1, 2, 3, 7, 9, 10]) == "1 to 3, 7, 9 to 10"
    assert _ranges([4]) == "4"
