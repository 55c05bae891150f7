"""The strict front reader, the features as columns, and the geometries."""

import gc
import hashlib
import json

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gridground.errors import InputError
from gridground.territory.features import MISSING, look, read_features
from gridground.territory.front import parse_json, read_bytes, without_collector
from gridground.territory.shapes import build
from gridground.territory.text import (
    as_id,
    eye_key,
    id_fault,
    look_alike_key,
    near,
    near_remedy,
    shown,
)

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=4
    ),
    max_leaves=20,
)  # fmt: skip


def collection(tmp_path, features, **members):
    path = tmp_path / "soil.geojson"
    document = {"type": "FeatureCollection", **members, "features": features}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def feature(geometry=None, **properties):
    return {"type": "Feature", "geometry": geometry, "properties": properties}


@given(VALUES)
def test_what_json_writes_is_read_the_same(value):
    """Independent: the writer of the standard library."""
    data = json.dumps(value, ensure_ascii=False).encode()
    assert parse_json(data, "soil", name="x") == json.loads(data)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data):
    try:
        value = parse_json(data, "soil", name="x")
    except InputError:
        return
    assert json.loads(data) == value


def test_duplicate_names_are_refused_however_they_are_written():
    for data in (b'{"a":1,"a":1}', b'{"a":1,"\\u0061":2}', b'[{"x":{"b":1,"c":2,"b":3}}]'):
        with pytest.raises(InputError, match="stands twice in one object"):
            parse_json(data, "soil", name="x")


def test_the_collector_is_paused_and_comes_back():
    assert gc.isenabled()
    with without_collector():
        assert not gc.isenabled()
        with without_collector():
            pass
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ZeroDivisionError), without_collector():
        _ = 1 / 0
    assert gc.isenabled()


def test_a_pipe_is_refused_instead_of_waited_for(tmp_path):
    import os

    os.mkfifo(tmp_path / "poles.geojson")
    with pytest.raises(InputError, match="is not a regular file"):
        read_bytes(tmp_path / "poles.geojson", "poles")


def test_columns_keep_missing_and_null_apart(tmp_path):
    features = [feature(soil_id="a", x=None), feature(soil_id="b"), feature(x=1, y="t")]
    path = collection(tmp_path, features, date="2025-03-31", name="any")
    read = read_features(path, "soil")
    assert read.columns == {
        "soil_id": ["a", "b", MISSING],
        "x": [None, MISSING, 1],
        "y": [MISSING, MISSING, "t"],
    }
    assert read.count == 3
    assert read.date == "2025-03-31"
    assert read.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read.namer("soil_id")([0, 2]) == ("a", "feature 3")


def test_columns_of_features_alike_do_not_depend_on_the_order_of_names(tmp_path):
    alike = [{"soil_id": "a", "x": 1, "y": 2}, {"y": 4, "x": 3, "soil_id": "b"}]
    read = read_features(collection(tmp_path, [feature(**one) for one in alike]), "soil")
    assert read.columns == {"soil_id": ["a", "b"], "x": [1, 3], "y": [2, 4]}


def test_same_number_of_names_but_other_names(tmp_path):
    features = [feature(a=1, b=2), feature(a=1, c=2)]
    read = read_features(collection(tmp_path, features), "soil")
    assert read.columns == {"a": [1, 1], "b": [2, MISSING], "c": [MISSING, 2]}


def test_one_property_only_and_none_at_all(tmp_path):
    read = read_features(collection(tmp_path, [feature(a=1), feature(a=2)]), "soil")
    assert read.columns == {"a": [1, 2]}
    read = read_features(
        collection(tmp_path, [{"type": "Feature", "geometry": None, "properties": None}]), "soil"
    )
    assert (read.count, read.columns) == (1, {})


@given(
    st.lists(
        st.sampled_from([1, 1.0, True, False, 0, None, "1", "é", "", MISSING, (1,)]), min_size=1
    )
)
def test_look_finds_every_type(values):
    values = [list(v) if isinstance(v, tuple) else v for v in values]
    seen = look(values)
    assert seen.types == {type(v) for v in values}
    assert seen.texts == {v for v in values if isinstance(v, str)}
    assert seen.plain == ("é" not in [v for v in values if isinstance(v, str)])


SHAPES = {
    "surroundings": [
        shapely.Point(1, 2),
        shapely.MultiPoint([(1, 2), (3, 4)]),
        shapely.LineString([(0, 0), (1, 1), (2, 0)]),
        shapely.MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3), (4, 4)]]),
        shapely.Polygon([(0, 0), (4, 0), (4, 4), (0, 0)], [[(2, 1), (3, 1), (3, 2), (2, 1)]]),
        shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)]),
        shapely.GeometryCollection([shapely.Point(1, 2), shapely.LineString([(0, 0), (1, 1)])]),
        shapely.box(5, 5, 6, 6),
        shapely.Point(7, 8),
    ],
}


def test_every_geometry_comes_out_as_it_went_in(tmp_path):
    """Independent: shapely's own GeoJSON writer."""
    wanted = SHAPES["surroundings"]
    features = [feature(json.loads(shapely.to_geojson(one))) for one in wanted]
    read = read_features(collection(tmp_path, features), "surroundings")
    built, problems = build(read, read.namer("feature_id"))
    assert problems == []
    for one, other in zip(built, wanted, strict=True):
        assert one.equals_exact(other, 0.0)
        assert one.geom_type == other.geom_type


def test_collection_with_coordinates_only_is_refused_and_not_built(tmp_path):
    geometry = {"type": "GeometryCollection", "coordinates": [1, 2]}
    read = read_features(collection(tmp_path, [feature(geometry)]), "surroundings")
    built, problems = build(read, read.namer(""))
    assert (built[0], problems[0].found) == (None, "is an empty collection")


def test_height_is_dropped_and_may_be_mixed(tmp_path):
    lines = [
        {"type": "LineString", "coordinates": [[0, 1, 99], [2, 3]]},
        {"type": "LineString", "coordinates": [[4, 5, 1], [6, 7, 2]]},
    ]
    read = read_features(collection(tmp_path, [feature(one) for one in lines]), "spans")
    built, problems = build(read, read.namer("span_id"))
    assert problems == []
    assert [list(one.coords) for one in built] == [[(0, 1), (2, 3)], [(4, 5), (6, 7)]]
    assert not any(shapely.has_z(built))


def test_one_bad_geometry_leaves_the_others(tmp_path):
    points = [{"type": "Point", "coordinates": c} for c in ([1, 2], [3], [200, 0], [40, -100])]
    read = read_features(collection(tmp_path, [feature(p) for p in points]), "poles")
    built, problems = build(read, read.namer("pole_id"))
    assert [None if one is None else one.coords[0] for one in built] == [(1, 2), None, None, None]
    assert [(p.feature_ids, p.found) for p in problems] == [
        (("feature 2",), "a position has other than two or three numbers"),
        (("feature 3",), "longitude or latitude out of range"),
        (("feature 4",), "longitude and latitude out of range; swapped?"),
    ]


def test_multi_geometry_of_one_part_is_taken(tmp_path):
    line = {"type": "MultiLineString", "coordinates": [[[0, 1], [2, 3]]]}
    point = {"type": "MultiPoint", "coordinates": [[0, 1]]}
    for layer, geometry, wanted in (
        ("spans", line, "LINESTRING (0 1, 2 3)"),
        ("poles", point, "POINT (0 1)"),
    ):
        read = read_features(collection(tmp_path, [feature(geometry)]), layer)
        built, problems = build(read, read.namer(""))
        assert (built[0].wkt, problems) == (wanted, [])


CODES = [
    ("urn:ogc:def:crs:OGC:1.3:CRS84", None),
    ("EPSG:4326", None),
    ("urn:ogc:def:crs:EPSG::26914", "EPSG:26914"),
    ("http://www.opengis.net/def/crs/EPSG/0/26914", "EPSG:26914"),
]


@pytest.mark.parametrize(("name", "code"), CODES)
def test_known_coordinate_system_is_honoured(tmp_path, name, code):
    """Independent: UTM zone 14N has its central meridian at 99° W; east 500,000 m lies on it."""
    xy = [-99.0, 40.0] if code is None else [500_000.0, 4_427_757.22]
    crs = {"type": "name", "properties": {"name": name}}
    point = {"type": "Point", "coordinates": xy}
    read = read_features(collection(tmp_path, [feature(point)], crs=crs), "poles")
    built, problems = build(read, read.namer(""))
    assert (built[0].x, built[0].y) == pytest.approx((-99.0, 40.0), abs=1e-6)
    assert [p.level for p in problems] == ([] if code is None else ["note"])
    if code:
        assert code in problems[0].found


def test_null_geometry_only_where_the_contract_allows_it(tmp_path):
    read = read_features(collection(tmp_path, [feature()]), "circuits")
    built, problems = build(read, read.namer(""))
    assert (list(built), problems) == ([None], [])
    read = read_features(collection(tmp_path, [feature({"type": None})]), "circuits")
    _, problems = build(read, read.namer(""))
    assert problems[0].found == "is no known type, not Point"


def test_ids():
    assert [as_id(v) for v in (7, 7.0, "7", 7.5, None, True, [7], 1e300, 10**70)] == [
        "7", "7", "7", None, None, None, None, None, None,
    ]  # fmt: skip
    assert id_fault("x" * 64) is None
    for bad in (
        "",
        "x" * 65,
        " x",
        "x\t",
        "a\x1b[0m",
        "a\u202eb",
        "a\u2066b",
        "\u200b",
        "a\u2028b",
    ):
        assert id_fault(bad) is not None, repr(bad)
    for good in ("a b", "ä", "杆", "a\u200db", "<&>", "'\"", "%", "שלום"):
        assert id_fault(good) is None, repr(good)


def test_look_alikes():
    same = ("P 12", "p12", "P12", "ｐ12", "P\u200b12", "P\u00a012")
    assert len({look_alike_key(one) for one in same}) == 1
    assert look_alike_key("P12") != look_alike_key("P13")


def test_near_names():
    assert near("P9", ["P8", "X", "p9"]) == ["p9"]
    assert near_remedy(["zzz"], ["a"], "nothing like it") == "nothing like it"
    assert near("polle", [f"pole {n}" for n in range(50_000)]) is not None


def test_shown_values_are_short_and_have_no_hidden_characters():
    for value in (
        "a" * 5000,
        "a\u202eb\x1b[31m",
        10**5000,
        [1] * 1000,
        {"a": 1},
        None,
        True,
        1e300,
    ):
        text = shown(value)
        assert len(text) < 60
        assert text.isprintable()


def test_infinite_and_huge_positions(tmp_path):
    path = tmp_path / "poles.geojson"
    for number in ("1e999", "1" + "0" * 400):
        point = f'{{"type":"Point","coordinates":[{number},1]}}'
        path.write_text(
            '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},'
            f'"geometry":{point}}}]}}',
            encoding="utf-8",
        )
        read = read_features(path, "poles")
        built, problems = build(read, read.namer(""))
        assert built[0] is None
        assert problems[0].found == "a position holds a number that is not finite"


def test_result_is_an_object_array_of_the_right_shape(tmp_path):
    read = read_features(collection(tmp_path, []), "poles")
    built, problems = build(read, read.namer(""))
    assert built.shape == (0,)
    assert built.dtype == np.dtype(object)
    assert problems == []


@pytest.mark.parametrize(
    "other",
    [
        "P\u200b12",
        "P12\ufe0f",
        "\u042012",
        "P\u00a012",
        "P\uff11\uff12",
        "P1\u2060\u034f2",
        "P  12",
    ],
)
def test_names_that_read_the_same_have_one_key(other):
    """Zero-width signs, Cyrillic letters, full-width digits, blanks that a page joins."""
    same = "P 12" if " " in other or "\u00a0" in other else "P12"
    assert other != same
    assert eye_key(other) == eye_key(same)


@pytest.mark.parametrize(
    ("one", "other"), [("P12", "p12"), ("P12", "P 12"), ("P12", "P21"), ("ü1", "u1"), ("é", "è")]
)
def test_names_that_read_otherwise_have_two(one, other):
    assert eye_key(one) != eye_key(other)


@pytest.mark.parametrize("name", ["\u3164", "\u2800", "\u115f\u1160", "\u200b", "\u034f"])
def test_an_id_of_which_nothing_shows_is_refused(name):
    assert id_fault(name) == "nothing visible in it"
