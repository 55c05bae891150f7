"""The truck in a plan: its rod, its cones, its zone, and what stands where it stands."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Geod

import gridground as gg
from gridground.electrical.approach import approach_m
from gridground.errors import InputError
from gridground.export import plan_files
from gridground.grounding.neighbourhood import Neighbourhood
from gridground.grounding.overhead import live_overhead
from gridground.job import Position, Vehicle
from tests.rod_sites import at_metres, neighbourhood, square, territory
from tests.rod_sites import job as site_job

SAMPLE = Path(__file__).parent.parent / "sample_data"
GEOD = Geod(ellps="WGS84")
FT = 0.3048
FAR_ROD = "18-crossing.toml"
POLE = "Q213"


def from_pole(bearing_deg, distance_m):
    return Position(pole_id=POLE, bearing_deg=bearing_deg, distance_m=distance_m)


def with_truck(job, place, rod, **more):
    return replace(job, vehicle=Vehicle(place, rod), **more)


@pytest.fixture(scope="module")
def by_road(ground, straight):
    """The truck's zone, and no other, reaches a road."""
    rod = from_pole(200.0, 60 * FT)
    return gg.plan_job(ground, with_truck(straight, from_pole(200.0, 40 * FT), rod))


def texts(plan, part):
    return [step["text"] for step in plan["steps"][part]]


def codes(plan):
    return {item["code"] for item in plan["open_items"]}


# --- steps -----------------------------------------------------------------------------------


def test_traffic_of_the_trucks_zone_is_seen_to_at_the_truck(by_road):
    (row,) = by_road["traffic"]
    assert (row["parts"], row["pole_ids"]) == (["vehicle"], [])
    for part, words in (("prepare", "the zone meets"), ("release", "take the traffic cones")):
        (step,) = [s for s in by_road["steps"][part] if words in s["text"]]
        assert step["text"].startswith("At the truck: ")
        assert step["pole_id"] is None


def test_the_page_says_at_the_truck(by_road):
    page = str(gg.job_map(by_road).get_root().render())
    assert "one-lane two-way traffic</b> at the truck. " in page


def numbers_in(text):
    """Return the numbers behind the word numbers, ranges spelled out."""
    said = text.split("numbers ", 1)[1]
    found, words = [], said.replace(",", " ,").split()
    for at, word in enumerate(words):
        number = word.rstrip(".;")
        if not number.isdigit() and word not in {"to", ","}:
            break
        if number.isdigit():
            low = found[-1] + 1 if at and words[at - 1] == "to" else int(number)
            found += range(low, int(number) + 1)
            if number != word:
                break
    return found


def test_every_cone_counted_stands_in_a_step(by_road):
    told = [n for t in texts(by_road, "prepare") if "cones" in t and "numbers" in t
            for n in numbers_in(t)]  # fmt: skip
    assert sorted(told) == list(range(1, by_road["totals"]["cones"] + 1))


def test_the_release_takes_the_trucks_cones_and_rod_up(by_road):
    (step,) = [t for t in texts(by_road, "release") if t.startswith("Vehicle: ")]
    own = [row["number"] for row in by_road["cones"] if row["part"] == "vehicle"]
    assert numbers_in(step) == own
    assert "draw its rod" in step


def test_the_steps_say_the_employers_distance(ground, straight):
    limits = replace(straight.limits, vehicle_rod_distance_m=16 * FT)
    rod = from_pole(200.0, 60 * FT)
    plan = gg.plan_job(ground, with_truck(straight, from_pole(200.0, 12.0), rod, limits=limits))
    (step,) = [t for t in texts(plan, "prepare") if t.startswith("Vehicle: ")]
    assert "at least 16 ft" in step
    assert "at least 10 ft" not in step


# --- what to load ----------------------------------------------------------------------------


@pytest.mark.parametrize(("rods", "short"), [(1, (1, 1)), (2, (0, 1)), (3, (0, 0)), (None, (0, 0))])
def test_the_trucks_rod_comes_out_of_the_kits_rods(ground, straight, rods, short):
    kit = None if rods is None else replace(straight.kit, rods=rods)
    straight = replace(straight, method="dual-point")  # its choice does not hang on the kit here
    truck = from_pole(200.0, 40 * FT), from_pole(200.0, 60 * FT)
    plan = gg.plan_job(ground, with_truck(straight, *truck, kit=kit))
    told = {r["item"]: (r["count"], r["short"]) for r in plan["materials"] if "rod" in r["item"]}
    assert plan["totals"]["rods"] == 2
    assert told["ground rod"] == (2, short[0])
    assert told["vehicle ground rod"] == (1, short[1])
    assert ("kit_short" in codes(plan)) is any(short)


def test_without_a_stated_rod_of_the_truck_none_is_loaded(ground, straight):
    plan = gg.plan_job(ground, with_truck(straight, from_pole(200.0, 40 * FT), None))
    assert "vehicle ground rod" not in {row["item"] for row in plan["materials"]}


# --- drawn and written -----------------------------------------------------------------------


def test_the_truck_and_its_rod_are_in_every_file_for_gis(by_road):
    files = {name.rsplit(".", 1)[-1]: data for name, data in plan_files(by_road, "").items()}
    truck, rod = by_road["vehicle"], by_road["vehicle"]["rod"]
    wanted = {"truck": (truck["lon"], truck["lat"]), "truck rod": (rod["lon"], rod["lat"])}
    drawn = json.loads(files["geojson"])["features"]
    cones = [one["properties"] for one in drawn if one["properties"]["what"] == "cones"]
    assert sum(len(one["numbers"]) for one in cones) == by_road["totals"]["cones"]
    found = {
        one["properties"]["part"]: tuple(one["geometry"]["coordinates"])
        for one in drawn
        if one["properties"].get("what") == "vehicle"
    }
    assert found == wanted
    gpx = files["gpx"].decode()
    assert "<name>truck</name>" in gpx
    assert "<name>truck rod</name>" in gpx
    kml = files["kml"].decode()
    for lon, lat in wanted.values():
        assert f"{lon:.7f}".rstrip("0") + "," + f"{lat:.7f}".rstrip("0") in kml


def test_the_word_truck_stands_on_the_drawings(ground, straight):
    at = from_pole(200.0, 9.0), from_pole(200.0, 13.0)
    page = str(gg.job_map(gg.plan_job(ground, with_truck(straight, *at))).get_root().render())
    plain = str(gg.job_map(gg.plan_job(ground, straight)).get_root().render())
    for words in (">truck</text>", ">truck&#39;s rod</text>"):
        assert words in page
        assert words not in plain


# --- places ----------------------------------------------------------------------------------


def with_features(tmp_path, *features):
    """Return the sample territory with more surroundings: (id, kind, geometry)."""
    there = tmp_path / "territory"
    shutil.copytree(SAMPLE / "territory", there)
    file = there / "surroundings.geojson"
    layer = json.loads(file.read_text(encoding="utf-8"))
    layer["features"] += [
        {
            "type": "Feature",
            "properties": {"feature_id": name, "kind": kind, "name": name},
            "geometry": shapely.geometry.mapping(geometry),
        }
        for name, kind, geometry in features
    ]
    file.write_text(json.dumps(layer), encoding="utf-8")
    return gg.read_territory(there)


def box_at(lon, lat, half_m):
    """Return a square round a position, by geodesic."""
    east, north = GEOD.fwd(lon, lat, 90.0, half_m)[0], GEOD.fwd(lon, lat, 0.0, half_m)[1]
    return shapely.box(2 * lon - east, 2 * lat - north, east, north)


def test_what_stands_at_the_trucks_rod_far_from_every_pole_is_seen(
    ground, straight, by_road, tmp_path
):
    at = ground.poles.geometry[ground.poles.index()[POLE]]
    lon, lat, _ = GEOD.fwd(at.x, at.y, 20.0, 60.0)
    east, _, _ = GEOD.fwd(lon, lat, 90.0, 2.0)
    where = with_features(
        tmp_path,
        ("GASX", "buried_gas", shapely.LineString([(lon, lat - 1e-4), (lon, lat + 1e-4)])),
        ("BLDX", "building", box_at(lon, lat, 0.5)),
        ("WALKX", "sidewalk", box_at(east, lat, 0.5)),
    )
    truck = with_truck(straight, from_pole(20.0, 56.5), from_pole(20.0, 60.0))
    plan = gg.plan_job(where, truck)
    named = {item["where"][1] for item in plan["open_items"] if item["code"] == "vehicle_rod_place"}
    assert {"GASX", "BLDX"} <= named
    assert not plan["ready"]
    met = {row["feature_id"]: row["parts"] for row in plan["traffic"]}
    assert met == {"BLDX": ["vehicle"], "WALKX": ["vehicle"]}
    assert sum("sidewalk WALKX" in text for text in texts(plan, "prepare")) == 1


def test_what_is_known_round_a_truck_is_a_matter_of_its_plane(straight):
    features = [("B", "building", square(70, 0, 1)), ("C", "building", square(-70, 0, 1))]
    plain = neighbourhood(features)
    near = Neighbourhood.build(
        territory(features), site_job(), ["P0"], 40.0, also=[at_metres(66, 0)]
    )
    assert plain.obstacles.ids.tolist() == []
    assert near.obstacles.ids.tolist() == ["B"]
    assert (near.frame.lon, near.frame.lat) == (plain.frame.lon, plain.frame.lat)


def test_a_truck_in_a_pole_is_an_open_item(ground, straight):
    at = ground.poles.geometry[ground.poles.index()[POLE]]
    truck = with_truck(straight, Position(lon=at.x, lat=at.y), None)
    plan = gg.plan_job(ground, truck)
    (item,) = [item for item in plan["open_items"] if item["code"] == "vehicle_at_pole"]
    assert item["where"] == ["vehicle", POLE]
    assert not plan["ready"]


@pytest.mark.parametrize("east_deg", [0.001, 1.0, -170.0])
def test_a_rod_far_from_the_truck_is_refused(ground, straight, east_deg):
    at = ground.poles.geometry[ground.poles.index()[POLE]]
    rod = Position(lon=at.x + east_deg, lat=at.y)
    with pytest.raises(InputError) as error:
        gg.plan_job(ground, with_truck(straight, from_pole(200.0, 12.0), rod))
    (problem,) = error.value.problems
    assert problem.field == "vehicle.rod"
    away_m = abs(GEOD.inv(*destination_of(at, 200.0, 12.0), rod.lon, rod.lat)[2])
    told_m = float(problem.found.split("(")[1].split(" m)")[0])
    assert told_m == pytest.approx(away_m, abs=0.02)  # by pyproj; positions have seven decimals
    assert "(30.00 m)" in problem.remedy


def destination_of(at, bearing_deg, distance_m):
    return GEOD.fwd(at.x, at.y, bearing_deg, distance_m)[:2]


@pytest.mark.parametrize("lon_lat", [(10.0, 47.0), (0.0, 90.0), (180.0, -90.0)])
def test_a_truck_far_from_every_pole_is_refused_with_its_rod(ground, straight, lon_lat):
    place = Position(lon=lon_lat[0], lat=lon_lat[1])
    with pytest.raises(InputError) as error:
        gg.plan_job(ground, with_truck(straight, place, from_pole(200.0, 12.0)))
    assert [one.field for one in error.value.problems] == ["vehicle", "vehicle.rod"]
    assert "(150.00 m)" in error.value.problems[0].remedy


# --- zones larger than what was looked at ----------------------------------------------------


def test_what_a_grown_zone_reaches_is_found(ground, tmp_path):
    asked = gg.read_job(SAMPLE / "jobs" / FAR_ROD)
    stated = Position(pole_id="D202", bearing_deg=0.0, distance_m=44.5 * FT)
    asked = replace(
        asked,
        limits=replace(asked.limits, fault_growth_ratio=1.3),
        rod=replace(asked.rod, place={"D202": stated}),
    )
    at = ground.poles.geometry[ground.poles.index()["D202"]]
    plan = gg.plan_job(ground, asked)
    (here,) = [row for row in plan["locations"] if row["pole_id"] == "D202"]
    reach_m = here["rod"]["distance_m"] + here["zone"]["radius_m"]
    inner = [GEOD.fwd(at.x, at.y, 0.0, reach_m + more_m)[:2] for more_m in (-0.6, 4.0)]
    walk = shapely.box(inner[0][0] - 4e-5, inner[0][1], inner[0][0] + 4e-5, inner[1][1])
    again = gg.plan_job(with_features(tmp_path, ("WALKX", "sidewalk", walk)), asked)
    (here,) = [row for row in again["locations"] if row["pole_id"] == "D202"]
    assert "WALKX" in {row["feature_id"] for row in here["rod"]["meets"]}
    assert "WALKX" in {row["feature_id"] for row in again["traffic"]}


# --- lines overhead --------------------------------------------------------------------------


@pytest.mark.parametrize("altitude_m", [np.nan, 500.0, 3000.0])
def test_an_energized_line_is_kept_off_by_the_altitude_of_the_poles(altitude_m):
    lines = [("LX", shapely.LineString([(-50, 5), (50, 5)]), {"nominal_kv": 34.5})]
    where = territory(lines=lines)
    where.poles.columns["altitude_m"] = np.array([altitude_m])
    live = live_overhead(neighbourhood(lines=lines), where, site_job())
    height_m = 0.0 if np.isnan(altitude_m) else altitude_m
    needed_m = approach_m(34.5, phase_to_phase=False, altitude_m=height_m)
    assert live.approach_m.tolist() == [needed_m]
    assert (needed_m > approach_m(34.5, phase_to_phase=False, altitude_m=0)) is (height_m > 900)
