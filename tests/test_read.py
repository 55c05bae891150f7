"""Reading whole territories: the small one, the IEEE 9500-node feeder, mapped exports."""

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod

from gridground.errors import InputError
from gridground.territory.columns import LAYERS
from gridground.territory.drawing import drawn_m, step_m
from gridground.territory.read import judge_territory, read_territory

NETWORKS = Path(__file__).parent / "networks"
SMALL, FEEDER = NETWORKS / "small", NETWORKS / "ieee9500"


@pytest.fixture(scope="module")
def feeder():
    return read_territory(FEEDER)


@pytest.fixture
def folder(tmp_path):
    return Path(shutil.copytree(SMALL, tmp_path / "small"))


def told(judgement):
    return [(p.level, p.layer, p.field, p.feature_ids) for p in judgement.problems]


def test_small_territory_is_clean():
    judgement = judge_territory(SMALL)
    assert judgement.ok
    assert judgement.problems == ()
    assert judgement.rows == {
        "poles": 7, "spans": 6, "circuits": 1, "devices": 2, "equipment": 2, "other_lines": 1,
        "surroundings": 2, "soil": 1, "conductors": 2, "constructions": 4,
    }  # fmt: skip


def test_every_column_of_the_contract_is_there():
    territory = read_territory(str(SMALL))
    assert territory.name == "small"
    for name, layer in territory.layers.items():
        assert list(layer.columns) == [column.name for column in LAYERS[name]]
        assert list(layer.stated) == list(layer.columns)
        for column in LAYERS[name]:
            values = layer[column.name]
            assert values.shape == layer.stated[column.name].shape == (len(layer),)
            assert values.dtype == (float if column.kind == "number" else object)


def test_null_and_missing_are_told_apart():
    poles = read_territory(SMALL).poles
    assert list(poles.ids) == ["P1", "P2", "P3", "P4", "P5", "P6", "P7"]
    assert np.isnan(poles["ground_ohm"][0])
    assert poles["ground_ohm"][1] == 25
    assert poles.stated["ground_ohm"].all()
    equipment = read_territory(SMALL).layers["equipment"]
    assert list(equipment["phases"]) == ["A", None]
    assert list(equipment.stated["phases"]) == [True, False]


def test_objects_and_geometry_are_kept():
    territory = read_territory(SMALL)
    assert territory.circuits["protection"][0]["curve"] == "IEEE VI"
    assert territory.layers["devices"]["protection"][0] is None
    assert [one.geom_type for one in territory.layers["surroundings"].geometry] == [
        "Polygon",
        "LineString",
    ]
    assert territory.constructions["TOP3"].positions["N"] == (0.15, 8.2)
    assert territory.conductors["336 test"].diameter_m == 0.01831


def test_inputs_carry_hash_rows_and_date(folder):
    document = json.loads((folder / "soil.geojson").read_text(encoding="utf-8"))
    (folder / "soil.geojson").write_text(json.dumps({**document, "date": "2025-03-31"}))
    inputs = {row["layer"]: row for row in read_territory(folder).inputs}
    there = [name for name in LAYERS if (folder / f"{name}.geojson").exists()]
    assert set(LAYERS) - set(there) == {"elevation"}
    assert list(inputs) == [*there, "conductors", "constructions"]
    for name, row in inputs.items():
        file = folder / (f"{name}.csv" if name.startswith("con") else f"{name}.geojson")
        assert row["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
        assert set(row) == {"layer", "sha256", "rows", "date"}
    assert inputs["soil"]["date"] == "2025-03-31"
    assert inputs["poles"] == {**inputs["poles"], "rows": 7, "date": None}


def test_reading_twice_gives_the_same():
    one, two = judge_territory(FEEDER), judge_territory(FEEDER)
    assert one.problems == two.problems
    assert one.territory.inputs == two.territory.inputs


# ------------------------------------------------------------------ the IEEE 9500-node feeder


def test_feeder_is_read_without_a_rejection(feeder):
    assert {name: len(layer) for name, layer in feeder.layers.items()} == {
        "poles": 2702, "spans": 2706, "circuits": 3, "devices": 92,
    }  # fmt: skip
    assert {p.level for p in feeder.problems} == {"open item", "note"}


def test_quirks_of_the_feeder_are_reported(feeder):
    found = {(p.level, p.layer, p.field): len(p.feature_ids) for p in feeder.problems}
    kind = feeder.spans["kind"]
    assert found["note", "spans", "conductor"] == (kind == "cable").sum() == 111
    assert found["open item", "surroundings", ""] == 0
    state = feeder.layers["devices"]["state"]
    assert found["note", "devices", "state"] == (state == "open").sum() == 1
    assert found["open item", "conductors", "resistance_ohm_per_km"] == 1  # 1/0_TPX


def test_lengths_of_the_feeder_against_the_geodesic(feeder):
    """Independent: pyproj's geodesic; the rule reports what lies beyond 25 %, links left out."""
    spans, geod = feeder.spans, Geod(ellps="WGS84")
    drawn = np.array([geod.geometry_length(line) for line in spans.geometry])
    np.testing.assert_allclose(drawn_m(spans.geometry), drawn, atol=1e-6)
    ratio = spans["length_m"] / drawn
    wanted = set(spans.ids[((ratio < 0.75) | (ratio > 1.25)) & (spans["kind"] != "link")])
    problems = [p for p in feeder.problems if "times the drawn one" in p.found]
    assert set().union(*(p.feature_ids for p in problems)) == wanted
    assert len(wanted) >= 84  # the count of gross differences that its description states
    feet = [p for p in problems if "feet written as metres" in p.found]
    near = set(spans.ids[(np.abs(ratio * 0.3048 - 1) < 0.05) & (spans["kind"] != "link")])
    assert set(feet[0].feature_ids) == near


@given(st.floats(-179.9, 179.9), st.floats(-80, 80), st.floats(-0.02, 0.02), st.floats(-0.02, 0.02))
def test_step_agrees_with_the_geodesic_to_a_millimetre(lon, lat, east, north):
    """Independent: pyproj's geodesic, steps up to 2.8 km."""
    _, _, wanted = Geod(ellps="WGS84").inv(lon, lat, lon + east, lat + north)
    assert float(step_m(lon, lat, lon + east, lat + north)) == pytest.approx(wanted, abs=1e-3)


def test_step_over_the_date_line():
    assert float(step_m(179.9999, 0, -179.9999, 0)) == pytest.approx(22.26, abs=0.01)


# ------------------------------------------------------------------ calls that cannot be


@pytest.mark.parametrize("name", ["nowhere", "\0", "x" * 5000])
def test_path_that_is_not_there(tmp_path, name):
    with pytest.raises(InputError, match="A territory is a folder of GeoJSON files"):
        read_territory(tmp_path / name)


def test_path_that_is_a_file(tmp_path):
    (tmp_path / "network.gpkg").write_bytes(b"SQLite format 3")
    judgement = judge_territory(tmp_path / "network.gpkg")
    assert not judgement.ok
    assert judgement.problems[0].found == "is a file, not a folder"
    assert "a territory is a folder of GeoJSON files" in judgement.problems[0].remedy


def test_empty_folder_names_all_three_layers(tmp_path):
    with pytest.raises(InputError) as error:
        read_territory(tmp_path)
    assert [p.layer for p in error.value.problems] == ["poles", "spans", "circuits"]


def test_read_raises_all_rejections_and_only_those(folder):
    for name in ("poles", "spans"):
        (folder / f"{name}.geojson").write_text("{", encoding="utf-8")
    (folder / "surroundings.geojson").unlink()
    with pytest.raises(InputError) as error:
        read_territory(folder)
    assert [(p.level, p.layer) for p in error.value.problems] == [
        ("reject", "poles"),
        ("reject", "spans"),
    ]


def test_heavy_libraries_stay_out_of_the_path():
    code = (
        "import sys; from gridground.territory.read import read_territory;"
        f"read_territory({str(SMALL)!r});"
        "print(sorted({'pandas', 'geopandas', 'pyproj', 'pyogrio'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ------------------------------------------------------------------ somebody else's export


def rename(folder, layer, names, file):
    """Rewrite a layer as an export with other names."""
    path = folder / f"{layer}.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    for one in document["features"]:
        one["properties"] = {
            names[key][0]: names[key][1](value)
            for key, value in one["properties"].items()
            if key in names
        }
    path.unlink()
    (folder / file).write_text(json.dumps(document), encoding="utf-8")


def as_is(value):
    return value


EXPORT = """
[poles]
file = "POLE_POINTS.geojson"
pole_id = "NO"
material = { column = "MAT", values = { W = "wood", P = "pad" } }
height_m = { column = "HT_FT", unit = "ft" }
ground_ohm = { column = "GND_MOHM", unit = "mohm" }
"""
POLES = {
    "pole_id": ("NO", as_is),
    "material": ("MAT", lambda v: {"wood": "W", "pad": "P"}[v]),
    "height_m": ("HT_FT", lambda v: v / 0.3048),
    "ground_ohm": ("GND_MOHM", lambda v: None if v is None else v * 1000),
}


def test_names_units_and_words_of_an_export(folder):
    plain = read_territory(folder).poles
    rename(folder, "poles", POLES, "POLE_POINTS.geojson")
    (folder / "columns.toml").write_text(EXPORT, encoding="utf-8")
    territory = read_territory(folder)
    for column in POLES:
        if column in {"height_m", "ground_ohm"}:
            np.testing.assert_allclose(territory.poles[column], plain[column], rtol=1e-12)
        else:
            assert list(territory.poles[column]) == list(plain[column])
    (note,) = territory.problems
    assert (note.level, note.layer) == ("note", "poles")
    assert "height_m from HT_FT in ft" in note.found
    assert territory.inputs[0]["layer"] == "columns"
    assert territory.inputs[0]["rows"] == 4


def test_words_for_known_to_be_absent(folder):
    text = (folder / "spans.geojson").read_text(encoding="utf-8")
    text = text.replace('"neutral_conductor": "1/0 test"', '"NEUT": "NONE"')
    (folder / "spans.geojson").write_text(text, encoding="utf-8")
    (folder / "columns.toml").write_text(
        '[spans]\nneutral_conductor = { column = "NEUT", absent = ["NONE"] }\n', encoding="utf-8"
    )
    territory = read_territory(folder)
    assert [p.level for p in territory.problems] == ["note"]
    assert set(territory.spans["neutral_conductor"]) == {None}
    assert territory.spans.stated["neutral_conductor"].all()


def drop_ids(folder, layer, keys):
    path = folder / f"{layer}.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    for one in document["features"]:
        for key in keys:
            one["properties"].pop(key)
    path.write_text(json.dumps(document), encoding="utf-8")


def test_joining_by_nearness_says_so(folder):
    plain = read_territory(folder)
    drop_ids(folder, "spans", ("from_pole", "to_pole"))
    drop_ids(folder, "devices", ("pole_id",))
    join = 'by = "nearest"\ntolerance_m = 1.0\n'
    (folder / "columns.toml").write_text(f"[spans.join]\n{join}[devices.join]\n{join}")
    territory = read_territory(folder)
    for column in ("from_pole", "to_pole"):
        assert list(territory.spans[column]) == list(plain.spans[column])
    assert list(territory.layers["devices"]["pole_id"]) == ["P2", "P3"]
    assert [(p.level, p.layer, p.field) for p in territory.problems] == [
        ("note", "spans", "from_pole"),
        ("note", "spans", "to_pole"),
        ("note", "devices", "pole_id"),
    ]
    assert territory.problems[0].found == "6 joined to the nearest pole, at most 0.00 m away"


def test_joining_never_invents(folder):
    drop_ids(folder, "spans", ("from_pole", "to_pole"))
    path = folder / "spans.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["features"][3]["geometry"]["coordinates"][1][1] += 0.00002  # 2.2 m
    path.write_text(json.dumps(document), encoding="utf-8")
    (folder / "columns.toml").write_text('[spans.join]\nby = "nearest"\ntolerance_m = 1.0\n')
    judgement = judge_territory(folder)
    rejected = [
        (p.field, p.feature_ids, p.found) for p in judgement.problems if p.level == "reject"
    ]
    assert rejected == [("to_pole", ("S4",), "no pole within 1 m of the drawn end")]


def test_joining_between_two_poles_is_an_open_item(folder):
    drop_ids(folder, "spans", ("from_pole", "to_pole"))
    path = folder / "poles.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    twin = json.loads(json.dumps(document["features"][4]))
    twin["properties"]["pole_id"] = "P5b"
    twin["geometry"]["coordinates"][1] += 0.000007  # 0.78 m
    document["features"].append(twin)
    path.write_text(json.dumps(document), encoding="utf-8")
    (folder / "columns.toml").write_text('[spans.join]\nby = "nearest"\ntolerance_m = 1.0\n')
    found = told(judge_territory(folder))
    assert ("open item", "spans", "to_pole", ("S4",)) in found


BAD_MAPPINGS = [
    ("[pols]\n", "'pols' is not a table of a layer", "did you mean 'poles'?"),
    ("poles = 3\n", "'poles' is not a table of a layer", ""),
    ('[poles]\nhight_m = "H"\n', "'hight_m' is not a column of poles", "did you mean 'height_m'?"),
    ('[poles]\nheight_m = { column = "H", unit = "furlong" }\n', "unknown unit 'furlong'", "ft"),
    ('[poles]\nmaterial = { column = "M", unit = "ft" }\n', "unknown unit", "has no unit"),
    ("[poles]\nheight_m = 3\n", "names no property", ""),
    ('[poles]\nheight_m = { column = "H", factor = 2 }\n', "unknown key 'factor'", ""),
    ('[poles]\nmaterial = { column = "M", values = 3 }\n', "`values` is not a table", ""),
    ('[poles]\nmaterial = { column = "M", absent = "x" }\n', "`absent` is not a list", ""),
    ('[poles]\nfile = "../x.geojson"\n', "is not a file name", ""),
    ('[poles.join]\nby = "nearest"\ntolerance_m = 1\n', "this layer names no poles", ""),
    ('[spans.join]\nby = "guess"\n', "is not a way to join", ""),
    ('[spans.join]\nby = "nearest"\n', "tolerance_m is null", ""),
    ('[spans.join]\nby = "nearest"\ntolerance_m = nan\n', "tolerance_m is nan", ""),
    ('[spans.join]\nby = "nearest"\ntolerance_m = true\n', "tolerance_m is true", ""),
    ('[spans.join]\nby = "nearest"\ntolerance_m = 500\n', "tolerance_m is 500", ""),
    ("[poles\n", "broken TOML", ""),
    ('[poles]\npole_id = "A"\npole_id = "B"\n', "broken TOML", ""),
]


@pytest.mark.parametrize(("text", "found", "remedy"), BAD_MAPPINGS)
def test_bad_mapping_is_rejected(folder, text, found, remedy):
    (folder / "columns.toml").write_text(text, encoding="utf-8")
    judgement = judge_territory(folder)
    assert [(p.level, p.layer) for p in judgement.problems] == [("reject", "columns")]
    assert found in judgement.problems[0].found
    assert remedy in judgement.problems[0].remedy


def test_mapping_to_a_property_that_is_not_there(folder):
    (folder / "columns.toml").write_text('[soil]\nsource = "ORIGIN"\n', encoding="utf-8")
    found = told(judge_territory(folder))
    assert ("reject", "soil", "source", ()) in found


def test_mapping_to_a_file_that_is_not_there(folder):
    (folder / "columns.toml").write_text('[soil]\nfile = "GROUND.geojson"\n', encoding="utf-8")
    assert ("reject", "soil", "GROUND.geojson", ()) in told(judge_territory(folder))


# ------------------------------------------------------------------ never a traceback

JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**25), 10**25) | st.floats(allow_nan=False,
    allow_infinity=False) | st.text(st.characters(exclude_categories=["Cs"]), max_size=80)
    | st.sampled_from(["P1", "P2", "S1", "F1", "ABC", "overhead", "cable", "Point", "Polygon"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from(["type", "coordinates", "kind", "curve", "pickup_a", "clearing_points",
                         "geometries", "properties", "geometry", "x"]), inner, max_size=4
    ),
    max_leaves=12,
)  # fmt: skip
DOCUMENTS = {
    name: json.loads((SMALL / f"{name}.geojson").read_text(encoding="utf-8"))
    for name in ("poles", "spans", "circuits", "devices", "equipment", "other_lines",
                 "surroundings", "soil")
}  # fmt: skip


def places(value, path=()):
    """Return the way to every value inside a document."""
    yield path
    if isinstance(value, dict):
        items = list(value.items())
    else:
        items = list(enumerate(value)) if isinstance(value, list) else []
    for key, inner in items:
        yield from places(inner, (*path, key))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.data())
def test_junk_anywhere_never_raises(folder, data):
    layer = data.draw(st.sampled_from(sorted(DOCUMENTS)))
    document = json.loads(json.dumps(DOCUMENTS[layer]))
    way = data.draw(st.sampled_from(list(places(document))))
    junk = data.draw(JUNK)
    if way:
        inner = document
        for key in way[:-1]:
            inner = inner[key]
        inner[way[-1]] = junk
    else:
        document = junk
    path = folder / f"{layer}.geojson"
    before = path.read_bytes()
    path.write_text(json.dumps(document), encoding="utf-8")
    judgement = judge_territory(folder)
    path.write_bytes(before)
    assert judgement.ok is (judgement.territory is not None)
    assert judgement.ok is not any(p.level == "reject" for p in judgement.problems)
    for problem in judgement.problems:
        assert problem.remedy
        assert problem.sentence().isprintable()
