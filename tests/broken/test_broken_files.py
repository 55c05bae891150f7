"""Files that are no JSON, no GeoJSON, or draw what is no place on earth."""

import json

import pytest

from gridground.territory import features, front, shapes


def test_nothing_is_reported_of_the_unbroken_copy(copy):
    judgement = copy.judge()
    assert judgement.ok
    assert judgement.problems == ()


def nested(depth):
    return "[" * depth + "]" * depth


WHOLE = [  # bytes of soil.geojson, field, ids, words
    (b"", "soil.geojson", "broken JSON"),
    (b"{", "soil.geojson", "broken JSON"),
    (b'{"type":"FeatureCollection","features":[]} x', "soil.geojson", "trailing characters"),
    (b'{"type":"FeatureCollection","features":[],}', "soil.geojson", "broken JSON"),
    (b'{"type":"FeatureCollection","features":[],"a":NaN}', "soil.geojson", "NaN"),
    (b'{"type":"FeatureCollection","features":[],"a":Infinity}', "soil.geojson", "Infinity"),
    (b'{"type":"FeatureCollection","features":[],"a":-Infinity}', "soil.geojson", "broken JSON"),
    (b'{"type":"FeatureCollection","features":[],"a":01}', "soil.geojson", "broken JSON"),
    (b'{"type":"FeatureCollection","features":[],"a":"\\ud800"}', "soil.geojson", "broken JSON"),
    (b'{"type":"FeatureCollection","features":[],"a":"\xff"}', "soil.geojson", "is not UTF-8"),
    (b'{"type":"FeatureCollection","features":[],"a":"\xed\xa0\x80"}', "soil.geojson", "not UTF-8"),
    ('{"type":"FeatureCollection"}'.encode("utf-16"), "soil.geojson", "is UTF-16"),
    (b"[" * 100_000, "soil.geojson", "deeper than 32 levels"),
    (b"[]", "soil.geojson", "is not a GeoJSON FeatureCollection"),
    (b"null", "soil.geojson", "is not a GeoJSON FeatureCollection"),
    (b'{"type":"Feature"}', "soil.geojson", "is not a GeoJSON FeatureCollection"),
    (b'{"type":["FeatureCollection"],"features":[]}', "soil.geojson", "FeatureCollection"),
    (b'{"type":"FeatureCollection"}', "soil.geojson", "has no list `features`"),
    (b'{"type":"FeatureCollection","features":{}}', "soil.geojson", "has no list `features`"),
    (
        b'{"type":"FeatureCollection","features":[],"type":"FeatureCollection"}',
        "type",
        "stands twice",
    ),
    (
        b'{"type":"FeatureCollection","features":[],"a":{"b":1,"\\u0062":2}}',
        "b",
        "stands twice",
    ),
    (
        b'{"type":"FeatureCollection","features":[],"a":' + nested(40).encode() + b"}",
        "",
        "deeper than 32 levels",
    ),
]


@pytest.mark.parametrize(("data", "field", "words"), WHOLE)
def test_whole_file(copy, data, field, words):
    copy.write("soil.geojson", data)
    copy.expect("reject", "soil", field, [], words)


def test_duplicate_name_names_the_feature(copy):
    text = copy.text("circuits.geojson")
    text = text.replace('"fault_3ph_a": 6000', '"fault_3ph_a": 60000, "fault_3ph_a": 6000')
    copy.write("circuits.geojson", text)
    problem = copy.only()
    assert (problem.level, problem.layer, problem.field) == ("reject", "circuits", "fault_3ph_a")
    assert problem.feature_ids == ("F1",)
    assert "stands twice" in problem.found


def test_duplicate_name_inside_protection(copy):
    text = copy.text("circuits.geojson").replace('"pickup_a": 600', '"pickup_a": 60, "pickup_a": 6')
    copy.write("circuits.geojson", text)
    copy.expect("reject", "circuits", "pickup_a", [], "stands twice in one object")


def test_byte_order_mark_is_tolerated_and_remarked(copy):
    copy.write("soil.geojson", b"\xef\xbb\xbf" + copy.text("soil.geojson").encode())
    copy.expect("note", "soil", "soil.geojson", [], "byte order mark")


def test_too_large_file_says_the_limit(copy, monkeypatch):
    monkeypatch.setattr(front.read_bytes, "__kwdefaults__", {"limit": 1000})
    judgement = copy.judge()
    found = {p.layer: p.found for p in judgement.problems}
    assert found["poles"] == "larger than 0.001 MB"


def test_too_many_objects_and_values(copy, monkeypatch):
    monkeypatch.setattr(front, "OBJECTS", 20)
    copy.write("soil.geojson", '{"type":"FeatureCollection","features":[]}' + "{" * 21)
    found = {p.layer: p.found for p in copy.judge().problems}
    assert found["soil"] == "more than 20 objects"
    monkeypatch.setattr(front, "OBJECTS", 4_000_000)
    monkeypatch.setattr(front, "SEPARATORS", 20)
    found = {p.layer: p.found for p in copy.judge().problems}
    assert found["soil"] == "broken JSON: trailing characters at line 1 column 43"
    assert found["poles"] == "more than 20 values"


@pytest.mark.parametrize("name", ["poles", "spans", "circuits"])
def test_required_layer_is_not_there(copy, name):
    (copy.folder / f"{name}.geojson").unlink()
    rejects = [p for p in copy.judge().problems if p.level == "reject"]
    assert [(p.layer, p.field, p.found) for p in rejects] == [
        (name, f"{name}.geojson", "is not there")
    ]


def test_layer_is_a_folder(copy):
    (copy.folder / "soil.geojson").unlink()
    (copy.folder / "soil.geojson").mkdir()
    copy.expect("reject", "soil", "soil.geojson", [], "is not a regular file")


def test_no_surroundings_layer_is_an_open_item(copy):
    (copy.folder / "surroundings.geojson").unlink()
    copy.expect("open item", "surroundings", "", [], "no surroundings layer")


def test_misspelt_layer_is_an_open_item(copy):
    (copy.folder / "devices.geojson").rename(copy.folder / "device.geojson")
    copy.expect("open item", "territory", "", [], "name it devices.geojson")


def test_file_that_is_no_layer_is_remarked(copy):
    copy.write("old_trees.geojson", "{}")
    copy.expect("note", "territory", "", [], "'old_trees.geojson' is no layer and was not read")


def test_layer_without_features(copy):
    copy.features("soil", lambda features: features.clear())
    assert copy.judge().problems == ()
    copy.features("poles", lambda features: features.clear())
    rejects = [p for p in copy.judge().problems if p.level == "reject" and p.layer == "poles"]
    assert [p.found for p in rejects] == ["no feature at all"]


FEATURES = [  # what is done to the only soil feature: field, ids, words
    (lambda f: f.pop("properties"), "properties", ["feature 1"], "has no object `properties`"),
    (lambda f: f.pop("geometry"), "geometry", ["feature 1"], "has no object `geometry`"),
    (lambda f: f.update(type="Point"), "type", ["feature 1"], "is no Feature"),
    (lambda f: f.update(type=["Feature"]), "type", ["feature 1"], "is no Feature"),
    (lambda f: f.update(properties=[]), "properties", ["feature 1"], "has no object"),
    (lambda f: f.update(geometry="Point"), "geometry", ["feature 1"], "has no object"),
    (lambda f: f.update(crs=None), "crs", ["L1"], "a coordinate system of its own"),
    (lambda f: f.update(extra=json.loads(nested(40))), "", ["L1"], "deeper than 32"),
    (
        lambda f: f["properties"].update(extra=json.loads(nested(30))),
        "extra",
        ["L1"],
        "deeper than 32 levels",
    ),
    (
        lambda f: f["properties"].update({f"p{n}": n for n in range(200)}),
        "properties",
        ["L1"],
        "more than 200 properties",
    ),
    (lambda f: f["properties"].update(x="a" * 2001), "x", ["L1"], "longer than 2,000 characters"),
    (lambda f: f["properties"].update(x="a\u202eb"), "x", ["L1"], "direction-changing"),
    (lambda f: f["properties"].update(x="a\x00b"), "x", ["L1"], "control"),
    (lambda f: f["properties"].update({"\u202ex": 1}), "\\u202ex", ["L1"], "property name"),
]


@pytest.mark.parametrize(("change", "field", "ids", "words"), FEATURES)
def test_feature(copy, change, field, ids, words):
    copy.features("soil", lambda features: change(features[0]))
    copy.expect("reject", "soil", field, ids, words)


def test_feature_that_is_no_object(copy):
    copy.features("soil", lambda features: features.append(3))
    copy.expect("reject", "soil", "type", ["feature 2"], "is no Feature")


def test_too_many_property_names(copy, monkeypatch):
    monkeypatch.setattr(features, "PROPERTY_NAMES", 20)
    many = {f"p{n}": 1 for n in range(20)}
    copy.features("soil", lambda f: f.append({**f[0], "properties": many}))
    copy.expect("reject", "soil", "properties", [], "more than 20 different property names")


@pytest.mark.parametrize("value", ["1e999", "-1e999", "1" + "0" * 400])
def test_number_beyond_a_double(copy, value):
    text = copy.text("soil.geojson").replace(
        '"resistivity_ohm_m": 80', f'"resistivity_ohm_m": {value}'
    )
    copy.write("soil.geojson", text)
    copy.expect("reject", "soil", "resistivity_ohm_m", ["L1"], "beyond the range of a double")


def test_number_beyond_a_double_hidden_in_an_object(copy):
    text = copy.text("soil.geojson").replace('"soil_id"', '"x": {"y": [1e999]}, "soil_id"')
    copy.write("soil.geojson", text)
    copy.expect("reject", "soil", "x", ["L1"], "beyond the range of a double")


CRS = [
    None,
    {"type": "name", "properties": {"name": "EPSG:999999"}},
    {"type": "name", "properties": {"name": "home-made"}},
    {"type": "name", "properties": {"name": "+proj=longlat +nadgrids=@null"}},
    {"type": "name", "properties": {"name": "ESRI:104905"}},  # Mars
    {"type": "link", "properties": {"href": "http://example.com"}},
    {"type": "name", "properties": {}},
    {},
    "EPSG:4326",
]


@pytest.mark.parametrize("crs", CRS)
def test_unknown_coordinate_system(copy, crs):
    document = json.loads(copy.text("soil.geojson"))
    copy.write("soil.geojson", json.dumps({**document, "crs": crs}))
    copy.expect("reject", "soil", "crs", [], "names no known coordinate system")


RING = [[-100, 40], [-99, 40], [-99, 41], [-100, 40]]
GEOMETRY = [  # geometry of the only soil feature, words
    (None, "is null"),
    ({"type": "Point", "coordinates": [-100, 40]}, "is Point, not Polygon or MultiPolygon"),
    ({"type": "Circle", "coordinates": [-100, 40]}, "is no known type"),
    ({"type": None}, "is no known type"),
    ({"type": "Polygon"}, "not nested as the type asks"),
    ({"type": "Polygon", "coordinates": []}, "is empty"),
    ({"type": "Polygon", "coordinates": [[]]}, "is empty"),
    ({"type": "Polygon", "coordinates": RING}, "a position is not a list of numbers"),
    ({"type": "Polygon", "coordinates": [RING[:3]]}, "a ring is not closed"),
    ({"type": "Polygon", "coordinates": [[RING[0], RING[1], RING[0]]]}, "fewer than four"),
    ({"type": "Polygon", "coordinates": [[[-100], *RING]]}, "other than two or three"),
    ({"type": "Polygon", "coordinates": [[[1, 2, 3, 4], *RING]]}, "other than two or three"),
    ({"type": "Polygon", "coordinates": [[["1", 2], *RING]]}, "other than numbers"),
    ({"type": "Polygon", "coordinates": [[[True, 2], *RING]]}, "other than numbers"),
    ({"type": "Polygon", "coordinates": [[[None, 2], *RING]]}, "other than numbers"),
    ({"type": "Polygon", "coordinates": [[[10**400, 2], *RING]]}, "not finite"),
    ({"type": "Polygon", "coordinates": [[[40, -100]] * 4]}, "swapped?"),
    ({"type": "Polygon", "coordinates": [[[500000, 4e6]] * 4]}, "out of range"),
    ({"type": "Polygon", "coordinates": [[[181, 0]] * 4]}, "out of range"),
    ({"type": "Polygon", "coordinates": [RING * 2501]}, "more than 10,000 vertices"),
    ({"type": "Polygon", "coordinates": [RING], "crs": None}, "coordinate system of its own"),
]


@pytest.mark.parametrize(("geometry", "words"), GEOMETRY)
def test_geometry(copy, geometry, words):
    copy.features("soil", lambda features: features[0].update(geometry=geometry))
    copy.expect("reject", "soil", "geometry", ["L1"], words)


def test_infinite_position(copy):
    copy.write("soil.geojson", copy.text("soil.geojson").replace("[[[-", "[[[-1e999, 1],[-", 1))
    copy.expect("reject", "soil", "geometry", ["L1"], "not finite")


SURROUNDINGS = [
    ({"type": "LineString", "coordinates": [[-100, 40]]}, "fewer than two positions"),
    ({"type": "GeometryCollection", "geometries": []}, "is an empty collection"),
    ({"type": "GeometryCollection", "coordinates": []}, "is an empty collection"),
    ({"type": "GeometryCollection", "geometries": [3]}, "holds a part that is no geometry"),
    ({"type": "GeometryCollection", "geometries": [{"type": []}]}, "holds a part that is no geo"),
    (
        {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": [200, 0]}]},
        "out of range",
    ),
    ({"type": "MultiPolygon", "coordinates": [RING]}, "a position is not a list of numbers"),
]


@pytest.mark.parametrize(("geometry", "words"), SURROUNDINGS)
def test_geometry_of_surroundings(copy, geometry, words):
    copy.features("surroundings", lambda features: features[0].update(geometry=geometry))
    copy.expect("reject", "surroundings", "geometry", ["B1"], words)


def test_collections_nested_too_deep(copy):
    geometry = {"type": "Point", "coordinates": [-100, 40]}
    for _ in range(20):
        geometry = {"type": "GeometryCollection", "geometries": [geometry]}
    copy.features("surroundings", lambda features: features[0].update(geometry=geometry))
    copy.expect("reject", "surroundings", "geometry", ["B1"], "nested deeper than 32 levels")


def test_several_parts_of_a_span(copy):
    def change(features):
        line = features[0]["geometry"]["coordinates"]
        features[0]["geometry"] = {"type": "MultiLineString", "coordinates": [line, line]}

    copy.features("spans", change)
    copy.expect("reject", "spans", "geometry", ["S1"], "has several parts, not one LineString")


def test_bow_tie_is_an_open_item_and_covers_both_halves(copy):
    tie = [[-100, 40], [-99.99, 40.01], [-99.99, 40], [-100, 40.01], [-100, 40]]
    geometry = {"type": "Polygon", "coordinates": [tie]}
    copy.features("soil", lambda features: features[0].update(geometry=geometry))
    copy.expect("open item", "soil", "geometry", ["L1"], "drawn across itself")
    area = copy.judge().territory.layer("soil").geometry[0].area
    assert area == pytest.approx(0.01 * 0.01 / 2)  # two triangles of a quarter square each


def test_limits_stand_as_the_contract_says():
    assert (shapes.VERTICES, features.PROPERTIES, front.DEPTH) == (10_000, 200, 32)
    assert front.FILE_BYTES == 256_000_000
