"""Positions a job states: the truck, its rod, a person's own places for rods."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
import shapely
from maps_maker import ROOT
from pyproj import Geod
from rod_sites import at_metres, limits, neighbourhood, square, territory

import gridground as gg
from gridground.errors import InputError, Problem
from gridground.grounding.stated import judge_position
from gridground.job import Position
from gridground.jobmap.shape import check_shape

JOBS = ROOT / "sample_data" / "jobs"
GEOD = Geod(ellps="WGS84")
KEYS = {"reach_m": 12.0, "zone_radius_m": 3.048}


@pytest.fixture(scope="module")
def ground():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def asked(tmp_path, more, *, name="01-straight", rod=""):
    """Return a sample job with tables added at its end and keys in [rod]."""
    text = (JOBS / f"{name}.toml").read_text(encoding="utf-8")
    assert text.count("[rod]\n") == 1
    path = tmp_path / "job.toml"
    path.write_text(text.replace("[rod]\n", f"[rod]\n{rod}\n") + more, encoding="utf-8")
    return gg.read_job(path)


def refused(tmp_path, more="", *, rod=""):
    with pytest.raises(InputError) as error:
        asked(tmp_path, more, rod=rod)
    assert all(p.remedy for p in error.value.problems)
    return {p.field for p in error.value.problems}


def rods_of(plan):
    return {r["pole_id"]: r["rod"] for r in plan["locations"] if r["rod"]}


@pytest.fixture(scope="module")
def plain(ground):
    return gg.plan_job(ground, gg.read_job(JOBS / "01-straight.toml"))


def judged(position, features=(), **rest):
    return judge_position(
        position, "P0", neighbourhood(features, **rest), territory(features), limits(), **KEYS
    )


def test_a_lawful_place_is_used_and_said_so():
    found = judged(Position(*at_metres(0, -7)))
    assert found.stated
    assert found.distance_m == pytest.approx(7.0, abs=0.01)
    assert found.search["distance_m"] == pytest.approx(4.862, abs=0.012)
    assert found.search["score"] < found.score
    assert len(found.alternatives) == 3


def test_a_place_inside_a_building_is_refused_by_name_and_depth():
    found = judged(Position(*at_metres(5, 5)), [("B1", "building", square(5, 5, 1.5))])
    assert isinstance(found, Problem)
    assert found.feature_ids == ("P0",)
    assert re.search(
        r"in or on building B1, 4 ft (?:10|11) in \(1\.(49\d|50[01]) m\) from its edge", found.found
    )
    assert "the search would take bearing" in found.remedy


@pytest.mark.parametrize(
    ("xy", "words"),
    [
        ((0, 4.0), r"13 ft 1 in \((3\.99\d|4\.00\d) m\) from pole P0, 15 ft"),
        (
            (0, 13.0),
            r"42 ft 7 in \(1(2\.99\d|3\.00\d) m\) from pole P0, the lead reaches 39 ft 4 in "
            r"\(12\.000 m\)",
        ),
        (
            (3.5, 5.0),
            r"3 ft 3 in \((0\.99\d|1\.00\d) m\) from building B1, 5 ft \(1\.50 m\) needed",
        ),
        ((11.0, 11.0 * 5 / 5.5), "the lead on the ground crosses building B1"),
    ],
)
def test_each_broken_rule_is_told_with_its_figure(xy, words):
    found = judged(Position(*at_metres(*xy)), [("B1", "building", square(5, 5, 0.5))])
    assert isinstance(found, Problem)
    assert re.search(words, found.found)


@pytest.mark.parametrize("bearing", [0.0, 37.3, 90.0, 181.7, 273.1, 359.9])
def test_a_setback_written_exactly_is_not_refused_for_the_seventh_decimal(bearing):
    found = judged(Position(pole_id="P0", bearing_deg=bearing, distance_m=4.572))
    assert not isinstance(found, Problem)
    assert 4.572 <= found.distance_m <= 4.590
    short = judged(Position(pole_id="P0", bearing_deg=bearing, distance_m=4.5))
    assert isinstance(short, Problem)


def test_where_nothing_is_lawful_the_remedy_says_what_stands_in_the_way():
    rock = [("R", "rock", shapely.Point(0, 0).buffer(60))]
    found = judged(Position(*at_metres(0, 6)), rock)
    assert "rock R forbids 100% of the places" in found.remedy


def test_a_plan_uses_the_stated_place(ground, plain, tmp_path):
    pole, rod = next(iter(rods_of(plain).items()))
    other = rod["alternatives"][0]
    line = f'place = {{ "{pole}" = {{ lon = {other["lon"]}, lat = {other["lat"]} }} }}'
    plan = gg.plan_job(ground, asked(tmp_path, "", rod=line))
    made = rods_of(plan)[pole]
    assert (made["lon"], made["lat"]) == (other["lon"], other["lat"])
    assert made["stated"] is True
    assert (made["search"]["lon"], made["search"]["lat"]) == (rod["lon"], rod["lat"])
    assert plan["totals"] == plain["totals"]
    check_shape(plan.document)
    page = str(gg.job_map(plan).get_root().render())
    assert "This place was stated in the job" in page


def test_a_place_inside_a_building_stops_the_plan(ground, plain, tmp_path):
    surroundings = ground.layer("surroundings")
    poles = ground.poles
    for pole in rods_of(plain):
        at = poles.geometry[poles.index()[pole]]
        for row in surroundings.about(at, 25.0):
            common = surroundings.geometry[row].intersection(at.buffer(1e-4))
            inside = common.representative_point()
            line = f'place = {{ "{pole}" = {{ lon = {inside.x}, lat = {inside.y} }} }}'
            if common.geom_type != "Polygon" or common.is_empty:
                continue
            with pytest.raises(InputError) as error:
                gg.plan_job(ground, asked(tmp_path, "", rod=line))
            (problem,) = error.value.problems
            assert (problem.field, problem.feature_ids) == ("rod.place", (pole,))
            assert str(surroundings.ids[row]) in problem.found
            return
    pytest.fail("no area near a rod in the sample data")


def test_a_place_at_a_pole_without_a_rod_is_an_open_item(ground, tmp_path):
    line = 'place = { "Q213" = { bearing_deg = 10, distance = "20 ft" } }'
    plan = gg.plan_job(ground, asked(tmp_path, "", rod=line).__class__(
        **vars(asked(tmp_path, "", rod=line)) | {"method": "dual-point"}
    ))  # fmt: skip
    found = [item for item in plan["open_items"] if item["code"] == "rod_place_elsewhere"]
    assert [item["where"] for item in found] == [["Q213"]]


def test_the_truck_is_judged_and_drawn_into_the_plan(ground, plain, tmp_path):
    pole, rod = next(iter(rods_of(plain).items()))
    at = ground.poles.geometry[ground.poles.index()[pole]]
    near_rod = f"lon = {rod['lon']}, lat = {rod['lat']}"
    table = f'[vehicle]\npole_id = "{pole}"\nbearing_deg = 5\ndistance = "60 ft"\n'
    plan = gg.plan_job(ground, asked(tmp_path, table + f"rod = {{ {near_rod} }}\n"))
    made = rods_of(plan)[pole]
    _, _, apart_m = GEOD.inv(made["lon"], made["lat"], rod["lon"], rod["lat"])
    assert apart_m >= 3.048
    where = plan["vehicle"]
    azimuth_deg, _, away_m = GEOD.inv(at.x, at.y, where["lon"], where["lat"])
    assert away_m == pytest.approx(18.288, abs=0.02)
    assert azimuth_deg == pytest.approx(5.0, abs=0.1)
    said = " ".join(row["text"] for row in plan["assumptions"])
    assert "Where the truck" not in said
    assert any("Vehicle: drive its own rod at" in s["text"] for s in plan["steps"]["prepare"])
    check_shape(plan.document)


def test_a_truck_rod_at_the_pole_is_an_open_item(ground, plain, tmp_path):
    pole = next(iter(rods_of(plain)))
    rod = f'rod = {{ pole_id = "{pole}", bearing_deg = 90, distance = 2.0 }}'
    table = f'[vehicle]\npole_id = "{pole}"\nbearing_deg = 90\ndistance = 5\n{rod}\n'
    plan = gg.plan_job(ground, asked(tmp_path, table))
    found = [item for item in plan["open_items"] if item["code"] == "vehicle_rod_near"]
    assert [item["where"][1] for item in found] == [pole]
    assert not plan["ready"]
    assert "10 ft" in found[0]["what"]


def test_a_truck_far_away_is_refused(ground, tmp_path):
    table = "[vehicle]\nlon = 10.0\nlat = 47.0\n"
    with pytest.raises(InputError) as error:
        gg.plan_job(ground, asked(tmp_path, table))
    assert [one.field for one in error.value.problems] == ["vehicle"]


def test_a_truck_without_a_stated_rod_says_so(ground, tmp_path):
    table = '[vehicle]\npole_id = "Q213"\nbearing_deg = 200\ndistance = "40 ft"\n'
    plan = gg.plan_job(ground, asked(tmp_path, table))
    assert any("truck's own rod" in row["text"] for row in plan["assumptions"])


def test_without_a_truck_the_plan_says_so(plain):
    said = [row["text"] for row in plain["assumptions"]]
    assert any("Where the truck stands is not stated" in text for text in said)
    assert any("no layer elevation" in text for text in said)
    assert plain["vehicle"] is None


@pytest.mark.parametrize(
    ("more", "rod", "field"),
    [
        ("[vehicle]\nlon = 200\nlat = 0\n", "", "vehicle.lon"),
        ("[vehicle]\nlon = nan\nlat = 0\n", "", "vehicle.lon"),
        ("[vehicle]\nlon = inf\nlat = 0\n", "", "vehicle.lon"),
        ("[vehicle]\nlat = 0\n", "", "vehicle.lon"),
        ("[vehicle]\n", "", "vehicle."),
        ('[vehicle]\nlon = 1\nlat = 1\npole_id = "P"\n', "", "vehicle.lon"),
        ("[vehicle]\nbearing_deg = 5\ndistance = 3\n", "", "vehicle.pole_id"),
        ("[vehicle]\nlon = 1\nlat = 1\ncolour = 3\n", "", "vehicle.colour"),
        ("[vehicle]\nlon = 1\nlat = 1\nrod = 3\n", "", "vehicle.rod"),
        ("", 'place = { "P" = { lon = 1 } }', "rod.place.P.lat"),
        ("", 'place = { "P" = { bearing_deg = 400, distance = 5 } }', "rod.place.P.bearing_deg"),
        ("", 'place = { "P" = { bearing_deg = 40, distance = -5 } }', "rod.place.P.distance"),
        ("", 'place = { "P" = { bearing_deg = 40, distance = nan } }', "rod.place.P.distance"),
        ("", "place = 3", "rod.place"),
        ("", 'place = { "P" = { lon = 1, lat = 1, pole_id = "P" } }', "rod.place.P.pole_id"),
    ],
)
def test_a_broken_position_is_refused_by_its_field(tmp_path, more, rod, field):
    assert field in refused(tmp_path, more, rod=rod)


@pytest.mark.parametrize(
    ("more", "rod"),
    [
        ('[vehicle]\npole_id = "NOPE"\nbearing_deg = 0\ndistance = 9\n', ""),
        ("", 'place = { "NOPE" = { lon = 1, lat = 1 } }'),
    ],
)
def test_a_pole_that_is_not_there_is_refused(ground, tmp_path, more, rod):
    with pytest.raises(InputError, match="NOPE"):
        gg.plan_job(ground, asked(tmp_path, more, rod=rod))


def altered(tmp_path, name, change):
    """Return a copy of the sample territory with one layer's document changed."""
    folder = tmp_path / "territory"
    shutil.copytree(ROOT / "sample_data" / "territory", folder)
    path = folder / f"{name}.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(json.dumps(document), encoding="utf-8")
    return gg.territory.read.judge_territory(folder)


def polygon(rings, feature_id="BAD", **more):
    return {
        "type": "Feature",
        "properties": {"feature_id": feature_id, "kind": "building", "name": "odd"} | more,
        "geometry": {"type": "Polygon", "coordinates": rings},
    }


def test_a_bow_tie_is_mended_visibly_and_never_smaller(tmp_path):
    # A star of one stroke: its middle is gone round twice, and is inside all the same.
    tips = [[0.0, 1.0], [0.588, -0.809], [-0.951, 0.309], [0.951, 0.309], [-0.588, -0.809]]
    ring = [[-106.61 + x * 1e-4, 47.13 + y * 1e-4] for x, y in [*tips, tips[0]]]
    found = altered(tmp_path, "surroundings", lambda d: d["features"].append(polygon([ring])))
    assert found.ok
    (problem,) = [p for p in found.problems if "BAD" in p.feature_ids]
    assert (problem.level, problem.field) == ("open item", "geometry")
    assert "drawn across itself" in problem.found
    layer = found.territory.layer("surroundings")
    shape = layer.geometry[layer.index()["BAD"]]
    assert shape.is_valid
    assert shape.covers(shapely.Point(-106.61, 47.13))
    assert shape.covers(shapely.Point(-106.61, 47.13 + 0.9e-4))


def test_a_ring_that_is_not_closed_is_refused_with_the_remedy(tmp_path):
    ring = [[-106.61, 47.13], [-106.60, 47.13], [-106.60, 47.14], [-106.61, 47.14]]
    found = altered(tmp_path, "surroundings", lambda d: d["features"].append(polygon([ring])))
    assert not found.ok
    (problem,) = [p for p in found.problems if p.level == "reject"]
    assert problem.feature_ids == ("BAD",)
    assert "not closed" in problem.found
    assert "first position" in problem.remedy


def test_surroundings_in_another_system_are_brought_over_or_refused(tmp_path):
    from pyproj import Transformer

    there = Transformer.from_crs("EPSG:4326", "EPSG:32613", always_xy=True)

    def to_utm(document):
        for feature in document["features"]:
            shape = shapely.geometry.shape(feature["geometry"])
            moved = shapely.transform(
                shape, lambda c: shapely.get_coordinates(shapely.points(*there.transform(*c.T)))
            )
            feature["geometry"] = shapely.geometry.mapping(moved)

    def named(document):
        to_utm(document)
        document["crs"] = {"type": "name", "properties": {"name": "EPSG:32613"}}

    found = altered(tmp_path / "a", "surroundings", named)
    assert found.ok
    assert any("EPSG:32613" in p.found for p in found.problems)
    before = gg.read_territory(ROOT / "sample_data" / "territory").layer("surroundings")
    after = found.territory.layer("surroundings")
    off = shapely.hausdorff_distance(before.geometry, after.geometry)
    assert off.max() < 1e-8
    bare = altered(tmp_path / "b", "surroundings", to_utm)
    assert not bare.ok
    assert any("name the system in `crs`" in p.remedy for p in bare.problems)


def test_surroundings_that_lie_elsewhere_are_asked_about(tmp_path):
    def moved(document):
        for feature in document["features"]:
            shape = shapely.geometry.shape(feature["geometry"])
            feature["geometry"] = shapely.geometry.mapping(
                shapely.transform(shape, lambda c: c + np.array([3.0, 0.0]))
            )

    found = altered(tmp_path, "surroundings", moved)
    (problem,) = [p for p in found.problems if p.level == "open item" and not p.feature_ids]
    assert problem.layer == "surroundings"
    assert "within 5 km" in problem.found
    plan = gg.plan_job(found.territory, gg.read_job(JOBS / "01-straight.toml"))
    assert "data_surroundings" in {item["code"] for item in plan["open_items"]}


def test_a_height_that_is_no_number_is_named(tmp_path):
    document = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"elevation_id": "E1", "elevation_m": "high"},
                "geometry": {"type": "Point", "coordinates": [-106.61, 47.13]},
            }
        ],
    }
    folder = tmp_path / "territory"
    shutil.copytree(ROOT / "sample_data" / "territory", folder)
    (folder / "elevation.geojson").write_text(json.dumps(document), encoding="utf-8")
    found = gg.territory.read.judge_territory(folder)
    assert not found.ok
    assert [(p.layer, p.feature_ids, p.field) for p in found.problems if p.level == "reject"] == [
        ("elevation", ("E1",), "elevation_m")
    ]


def test_a_lead_on_a_slope_is_as_long_as_the_slope(ground, tmp_path):
    """Expected: arithmetic on the plane drawn; 0.4 m up for each metre north."""
    poles = ground.poles
    at = poles.geometry[poles.index()["Q213"]]
    frame = gg.territory.frame.Frame(at.x, at.y)
    side = np.arange(-200, 201, 5.0)
    x, y = (part.ravel() for part in np.meshgrid(side, np.arange(-200, 201, 5.0)))
    lon, lat = frame.to_lonlat(x, y)
    features = [
        {
            "type": "Feature",
            "properties": {"elevation_id": f"E{k}", "elevation_m": round(900 + 0.4 * b, 4)},
            "geometry": {"type": "Point", "coordinates": [float(c), float(d)]},
        }
        for k, (b, c, d) in enumerate(zip(y, lon, lat, strict=True))
    ]
    folder = tmp_path / "territory"
    shutil.copytree(ROOT / "sample_data" / "territory", folder)
    document = {"type": "FeatureCollection", "features": features}
    (folder / "elevation.geojson").write_text(json.dumps(document), encoding="utf-8")
    text = (JOBS / "01-straight.toml").read_text(encoding="utf-8")
    text = text.replace('lead_length_step = "5 ft"', "lead_length_step = 0.001")
    text = text.replace("lead_slack_ratio = 1.1", "lead_slack_ratio = 1.0")
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    job = gg.read_job(tmp_path / "job.toml")
    level, steep = gg.plan_job(ground, job), gg.plan_job(gg.read_territory(folder), job)
    for plan in (level, steep):
        plan_leads = {r["pole_id"]: r["needed_m"] for r in plan["leads"] if r["from"] == "rod"}
        for pole, rod in rods_of(plan).items():
            rod["lead_m"] = plan_leads[pole]
    for pole, rod in rods_of(steep).items():
        north_m = rod["distance_m"] * np.cos(np.radians(rod["bearing_deg"]))
        assert rod["slope_ratio"] == pytest.approx(0.4, abs=1e-3)
        assert rod["rise_m"] == pytest.approx(0.4 * north_m, abs=0.01)
        before = rods_of(level)[pole]
        assert before["slope_ratio"] is None
        longer_m = np.hypot(rod["distance_m"], rod["rise_m"]) - before["distance_m"]
        assert rod["lead_m"] - before["lead_m"] == pytest.approx(longer_m, abs=0.003)
    said = " ".join(row["text"] for row in steep["assumptions"])
    assert "no layer elevation" not in said
    assert "elevation" in {row["layer"] for row in steep["inputs"]}
