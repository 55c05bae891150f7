"""A plan for other programs: read back, counted, and with hostile text in every field.

The readers are not ours: GDAL through pyogrio and geopandas, SQLite, ElementTree, csv, json.
Orders of elements are those of the published schemas of GPX 1.1 and KML 2.2, from memory.
"""

from __future__ import annotations

import csv
import html
import io
import json
import sqlite3
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree as ET

import pandas as pd
import pytest
from plan_example import HOSTILE, example_document, finished, hostile_document, settled_document

import gridground as gg
from gridground.export import PLAN_ENDS, cell, plan_files
from gridground.gis.about import NOTHING_OPEN, PLANNING_AID, about, legal, readiness
from gridground.gis.geopackage import geopackage_bytes
from gridground.gis.layers import layers_of, leads_at

ROOT = Path(__file__).resolve().parent.parent
pyogrio = pytest.importorskip("pyogrio")
GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"
SE = "{http://www.opengis.net/se}"
OGC = "{http://www.opengis.net/ogc}"
LONG = "long " * 2000
WORST = f"{HOSTILE}\x00\x0b\x1f\x7f]]>\ufffe\uffff\u200f\u05d0\r\n\ttail =1+1\r=2+2 {LONG}"
ORDER = {
    f"{GPX}gpx": ("metadata", "wpt"),
    f"{GPX}metadata": ("name", "desc", "author", "copyright", "link", "time", "keywords", "bounds"),
    f"{GPX}wpt": ("ele", "time", "name", "cmt", "desc", "src", "link", "sym", "type"),
    f"{KML}Document": ("name", "open", "description", "Style", "ExtendedData", "Folder"),
    f"{KML}Folder": ("name", "Placemark"),
    f"{KML}Placemark": ("name", "description", "styleUrl", "ExtendedData", "Point", "LineString",
                        "Polygon", "MultiGeometry"),
    f"{KML}Style": ("IconStyle", "LabelStyle", "LineStyle", "PolyStyle", "BalloonStyle"),
    f"{KML}Polygon": ("tessellate", "outerBoundaryIs", "innerBoundaryIs"),
    f"{SE}Mark": ("WellKnownName", "Fill", "Stroke"),
    f"{SE}Graphic": ("Mark", "Size", "Rotation"),
    f"{SE}TextSymbolizer": ("Label", "Font", "Halo", "Fill"),
}  # fmt: skip


def with_clearance(document):
    """Return the hand-made plan with two devices to open, one outside what is drawn."""
    row = {
        "number": 1, "device_id": "SW-18", "kind": "switch", "pole_id": "P18", "span_id": "S18",
        "phases": "ABC", "recorded": "closed", "stated": False, "bounds": True,
        "text": "Open SW-18 (switch) at P18.", "steps": [{"do": "open", "text": "Open SW-18."}],
    }  # fmt: skip
    far = row | {"number": 2, "device_id": "BK-9", "pole_id": "X9", "text": "Open BK-9 at X9."}
    document["clearance"] = {
        "holder": None, "authority": None, "number": None, "work_start": None, "work_end": None,
        "open": [row, far], "decides": "The dispatcher decides.",
        "tag": {"groundReqFlag": True, "phaseCheckReqFlag": True},
    }  # fmt: skip
    return document


def planned(name):
    """Return the plan of a sample job."""
    territory = gg.read_territory(str(ROOT / "sample_data" / "territory"))
    return gg.plan_job(territory, gg.read_job(str(ROOT / "sample_data" / "jobs" / f"{name}.toml")))


def hostile_plan():
    document = with_clearance(example_document())
    spoiled = hostile_document(WORST)
    rows = document["clearance"]["open"]
    for row in rows:
        for key in ("device_id", "kind", "pole_id", "span_id", "text"):
            row[key] = row[key] + WORST
    spoiled["clearance"] = document["clearance"]
    # Names of columns and what is left of it as text are ours; the id of a job is checked on entry.
    spoiled["job_id"] = "hostile-1"
    return finished(spoiled)


@pytest.fixture(scope="module")
def plans():
    return {
        "example": finished(with_clearance(example_document())),
        "settled": finished(with_clearance(settled_document())),
        "hostile": hostile_plan(),
        "straight": planned("01-straight"),
        "mid-span": planned("15-mid-span"),
    }


@pytest.fixture(scope="module")
def written(plans, tmp_path_factory):
    """Return the files of every plan, on disk and as bytes."""
    found = {}
    for name, plan in plans.items():
        folder = tmp_path_factory.mktemp(name)
        files = plan_files(plan, "")
        for file, content in files.items():
            (folder / file).write_bytes(content)
        found[name] = (folder / plan["job_id"], {n.split(".", 1)[1]: c for n, c in files.items()})
    return found


NAMES = ["example", "settled", "hostile", "straight", "mid-span"]
every = pytest.mark.parametrize("name", NAMES)


def layer(written, name, which):
    return pyogrio.read_dataframe(f"{written[name][0]}.gpkg", layer=which)


def parsed(written, name, end):
    return ET.fromstring(written[name][1][end])  # noqa: S314  our own file


def surroundings_wanted(plan):
    kinds = Counter(row["geometry"]["type"] for row in plan["picture"]["surroundings"])
    return {
        "surroundings": kinds["Polygon"] + kinds["MultiPolygon"],
        "surrounding_lines": kinds["LineString"] + kinds["MultiLineString"],
        "surrounding_points": kinds["Point"] + kinds["MultiPoint"],
    }


def counts_wanted(plan):
    rows = plan["locations"]
    return {
        "grounds": plan["totals"]["locations"],
        "rods": plan["totals"]["rods"],
        "vehicle": 0,
        "ground_leads": plan["totals"]["rods"],
        "zones": sum(row["zone"] is not None for row in rows),
        "cones": plan["totals"]["cones"],
        "outlines": len(plan["zones"]),
        "traffic_cones": sum(len(row["drawn"]) for row in plan["traffic"]),
        "spans": len(plan["picture"]["spans"]),
        "ways_out": len(plan["directions"]),
        **surroundings_wanted(plan),
        "poles_drawn": len(plan["picture"]["poles"]),
        "other_lines": len(plan["picture"]["other_lines"]),
        "devices_to_open": len(plan["clearance"]["open"]),
    }


# --- the same in every file ---------------------------------------------------------------------


@every
def test_same_counts_in_every_file(name, plans, written):
    plan, wanted = plans[name], counts_wanted(plans[name])
    path, files = written[name]
    layers = dict(pyogrio.list_layers(f"{path}.gpkg"))
    assert {key: len(layer(written, name, key)) for key in wanted} == wanted
    assert len(layer(written, name, "leads")) == len(plan["leads"])
    assert int(layer(written, name, "leads")["parallel"].sum()) == plan["totals"]["leads"]
    assert int(layer(written, name, "grounds")["lead_count"].sum()) == plan["totals"]["leads"]
    assert len(layer(written, name, "open_items")) == len(plan["open_items"])
    assert {"about", "cautions", "assumptions", "layer_styles"} <= set(layers)
    folders = parsed(written, name, "kml").findall(f"{KML}Document/{KML}Folder")
    order = [one.name for one in layers_of(plan.document)]
    found = [len(folder.findall(f"{KML}Placemark")) for folder in folders]
    assert dict(zip(order, found, strict=True)) == wanted
    what = Counter(f["properties"]["what"] for f in json.loads(files["geojson"])["features"])
    roles = Counter(legal(row["role"]) for row in plan["locations"])
    assert {key: what[key] for key in roles} == dict(roles)
    assert [what[key] for key in ("rod", "zone", "ground lead", "span", "way out", "pole")] == [
        wanted[key] for key in ("rods", "zones", "ground_leads", "spans", "ways_out", "poles_drawn")
    ]
    assert what["device to open"] == wanted["devices_to_open"]
    points = parsed(written, name, "gpx").findall(f"{GPX}wpt")
    kinds = Counter(point.find(f"{GPX}type").text for point in points)
    assert kinds["rod"] == wanted["rods"]
    placed = layer(written, name, "devices_to_open").geometry.notna().sum()
    assert kinds["device to open"] == placed
    assert len(points) == wanted["grounds"] + wanted["rods"] + placed
    rows = list(csv.DictReader(io.StringIO(files["leads.csv"].decode(), newline="")))
    assert sum(int(row["parallel"]) for row in rows) == plan["totals"]["leads"]
    rows = list(csv.DictReader(io.StringIO(files["locations.csv"].decode(), newline="")))
    assert len(rows) == wanted["grounds"]
    assert sum(bool(row["rod_distance_m"]) for row in rows) == wanted["rods"]
    assert sum(int(row["zone_cones"] or 0) for row in rows) == wanted["cones"]
    assert [(float(row["lon"]), float(row["lat"])) for row in rows] == [
        (row["lon"], row["lat"]) for row in plan["locations"]
    ]


@every
def test_positions_are_the_plans(name, plans, written):
    plan = plans[name]
    spots = [(row["lon"], row["lat"]) for row in plan["locations"]]
    rods = [(row["rod"]["lon"], row["rod"]["lat"]) for row in plan["locations"] if row["rod"]]
    for which, wanted in (("grounds", spots), ("rods", rods)):
        frame = layer(written, name, which)
        assert frame.crs.to_epsg() == 4326
        assert list(zip(frame.geometry.x, frame.geometry.y, strict=True)) == wanted
    points = [
        (float(point.get("lon")), float(point.get("lat")))
        for point in parsed(written, name, "gpx").findall(f"{GPX}wpt")
    ]
    assert points[: len(spots + rods)] == [*spots, *rods]  # the plan rounds to 7 decimals too
    zones = layer(written, name, "zones")
    wanted = [row["zone"]["geometry"] for row in plan["locations"] if row["zone"]]
    assert [zone.__geo_interface__["type"] for zone in zones.geometry] == [
        g["type"] for g in wanted
    ]
    first = [list(map(list, zone.exterior.coords)) for zone in zones.geometry]
    assert first == [geometry["coordinates"][0] for geometry in wanted]
    frame = pyogrio.read_dataframe(f"{written[name][0]}.kml", layer="Poles with grounds")
    found = list(zip(frame.geometry.x, frame.geometry.y, strict=True))
    assert found == spots


def test_a_device_outside_the_picture_has_its_place(written):
    """A plan now says where devices stand; one of an older plan has no place, and no waypoint."""
    assert layer(written, "straight", "devices_to_open").geometry.notna().all()
    frame = layer(written, "example", "devices_to_open")
    assert frame.geometry.notna().tolist() == [True, False]
    assert frame["device_id"].tolist() == ["SW-18", "BK-9"]


@every
def test_every_file_says_which_plan_and_how_ready(name, plans, written):
    plan, files = plans[name], written[name][1]
    said = about(plan.document)
    wanted = [said["job_id"], said["plan_hash"], said["readiness"], PLANNING_AID]
    texts = {
        "geojson": json.loads(files["geojson"])["description"],
        "gpx": parsed(written, name, "gpx").find(f"{GPX}metadata/{GPX}desc").text,
        "kml": html.unescape(
            parsed(written, name, "kml").find(f"{KML}Document/{KML}description").text
        ),
        "gpkg": pyogrio.read_info(f"{written[name][0]}.gpkg", layer="rods")["layer_metadata"][
            "DESCRIPTION"
        ],
        "leads.csv": files["leads.csv"].decode(),
        "steps.csv": files["steps.csv"].decode(),
        "materials.csv": files["materials.csv"].decode(),
        "clearance.csv": files["clearance.csv"].decode(),
        "clearance.json": files["clearance.json"].decode(),
    }
    for file, text in texts.items():
        assert [part for part in wanted if part not in text] == [], file
    cautions = [legal(row["text"]) for row in plan["cautions"]]
    assert layer(written, name, "cautions")["text"].tolist() == cautions


def test_readiness_is_worked_out_and_never_promised():
    assert readiness(settled_document()) == NOTHING_OPEN
    assert readiness(example_document()) == "NOT READY: 2 open items"
    assert "READY" not in NOTHING_OPEN.upper().replace("ALREADY", "")
    document = finished(example_document()).document | {"revision": {"number": 3}}
    assert about(document)["revision"] == "3"
    assert about(document | {"revision": 4})["revision"] == "4"
    assert "revision" not in about(finished(example_document()).document)


def test_names_of_files_are_those_that_a_refusal_clears(plans):
    names = {file.removeprefix("straight-01.") for file in plan_files(plans["straight"], "")}
    assert names == set(PLAN_ENDS)


@every
def test_same_plan_same_bytes(name, plans, written):
    assert {n.split(".", 1)[1]: c for n, c in plan_files(plans[name], "").items()} == written[name][
        1
    ]


# --- hostile text -------------------------------------------------------------------------------


@every
def test_every_text_comes_back_from_the_geopackage(name, plans, written):
    for one in layers_of(plans[name].document):
        frame = layer(written, name, one.name)
        for key in one.columns:
            wanted = [row.values[key] for row in one.rows]
            found = [None if pd.isna(value) else value for value in frame[key]]
            assert found == wanted, (one.name, key)


def test_layers_hold_the_plans_own_words(plans):
    """Against the plan itself: nothing is lost but what no file can carry."""
    document = plans["hostile"].document
    layers = {one.name: [row.values for row in one.rows] for one in layers_of(document)}
    for row, found in zip(document["locations"], layers["grounds"], strict=True):
        assert found["title"] == legal(row["title"])
        assert "\x00" not in found["title"]
        assert "�" in found["title"]
        assert "]]>" in found["title"]
        assert "\u200f" in found["title"]
        leads = leads_at(document, row)
        assert all(legal(lead["lead_id"]) in found["leads"] for lead in leads)
    drawn = document["picture"]["surroundings"]
    names = ("surroundings", "surrounding_lines", "surrounding_points")
    found = Counter(row["name"] for name in names for row in layers[name])
    assert found == Counter(legal(row["name"]) for row in drawn)


@every
def test_every_text_comes_back_from_the_kml(name, plans, written):
    folders = parsed(written, name, "kml").findall(f"{KML}Document/{KML}Folder")
    for one, folder in zip(layers_of(plans[name].document), folders, strict=True):
        assert folder.find(f"{KML}name").text == one.title
        for row, mark in zip(one.rows, folder.findall(f"{KML}Placemark"), strict=True):
            data = {d.get("name"): d.find(f"{KML}value").text for d in mark.iter(f"{KML}Data")}
            wanted = {key: str(v) for key, v in row.values.items() if v is not None}
            assert {key: text or "" for key, text in data.items()} == wanted
            shown = mark.find(f"{KML}description").text
            assert "<" not in shown  # a viewer that reads HTML finds no tag
            assert all(text in html.unescape(shown) for text in wanted.values())


def test_every_text_comes_back_from_the_gpx(plans, written):
    points = parsed(written, "hostile", "gpx").findall(f"{GPX}wpt")
    locations = plans["hostile"]["locations"]
    names = [point.find(f"{GPX}name").text for point in points]
    assert names[: len(locations)] == [legal(row["pole_id"]) for row in locations]
    for point, row in zip(points, locations, strict=False):
        assert legal(row["title"]) in point.find(f"{GPX}desc").text
        assert all(
            legal(lead["lead_id"]) in point.find(f"{GPX}desc").text
            for lead in leads_at(plans["hostile"].document, row)
        )


def test_every_text_comes_back_from_the_tables(plans, written):
    plan, files = plans["hostile"], written["hostile"][1]

    def table(end):
        return list(csv.DictReader(io.StringIO(files[end].decode(), newline="")))

    def plain(text):
        return legal(text).replace("\r\n", "\n").replace("\r", "\n")

    leads = table("leads.csv")
    for key in ("lead_id", "pole_id", "from", "to", "size", "clamp_from"):
        assert [row[key] for row in leads] == [plain(row[key]) for row in plan["leads"]]
    items = table("open_items.csv")
    for key in ("code", "what", "why", "who", "settles"):
        assert [row[key] for row in items] == [plain(row[key]) for row in plan["open_items"]]
    steps = [step for part in plan["steps"].values() for step in part]
    assert [row["text"] for row in table("steps.csv")] == [plain(step["text"]) for step in steps]


def test_geojson_holds_the_words(plans, written):
    features = json.loads(written["hostile"][1]["geojson"])["features"]
    titles = [f["properties"]["title"] for f in features if "title" in f["properties"]]
    assert titles == [legal(row["title"]) for row in plans["hostile"]["locations"]]


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1",
        "@x",
        "\t=1",
        "\n=1",
        "  =1",
        "＝1+1",
        "\r=1",
        "\r\n@x",
        "\u200b=1",
        "\ufeff@x",
    ],
)
def test_no_cell_is_a_formula(text):
    assert str(cell(text)).startswith("'")


def test_a_lone_surrogate_can_be_written_everywhere():
    assert legal("P\ud800\ufffe\x1f\r\n\t\u200f") == "P\ufffd\ufffd\ufffd\r\n\t\u200f"
    legal("P\ud800").encode("utf-8")


# --- the forms ----------------------------------------------------------------------------------


def check_order(root):
    """Children stand in the schema's order, none of them unknown."""
    for node in root.iter():
        if node.tag not in ORDER:
            continue
        space = node.tag.split("}")[0] + "}"
        places = [ORDER[node.tag].index(child.tag.removeprefix(space)) for child in node]
        assert places == sorted(places), node.tag


@every
def test_elements_stand_in_the_order_of_their_schemas(name, written):
    for end in ("gpx", "kml"):
        check_order(parsed(written, name, end))


def test_gpx_is_of_its_version_and_has_plain_decimals(written):
    root = parsed(written, "straight", "gpx")
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    for point in root.findall(f"{GPX}wpt"):
        assert set(point.attrib) == {"lat", "lon"}
        assert not set(point.get("lat") + point.get("lon")) - set("-.0123456789")


def test_no_link_to_anywhere(written):
    for end in ("gpx", "kml"):
        root = parsed(written, "straight", end)
        assert [n.tag for n in root.iter() if n.tag.endswith(("}href", "}link", "}Icon"))] == []


@every
def test_geopackage_is_sound(name, written):
    """SQLite's own checks, and the headers of OGC GeoPackage 1.3 clause 1.1.1 (published)."""
    base = sqlite3.connect(f"file:{written[name][0]}.gpkg?mode=ro", uri=True)
    try:

        def one(text):
            return base.execute(text).fetchall()

        assert one("PRAGMA application_id") == [(1196444487,)]
        assert one("PRAGMA user_version") == [(10300,)]
        assert one("PRAGMA integrity_check") == [("ok",)]
        assert one("PRAGMA foreign_key_check") == []
        assert [row[0] for row in one("SELECT srs_id FROM gpkg_spatial_ref_sys ORDER BY 1")] == [
            -1, 0, 4326,
        ]  # fmt: skip
        tables = {row[0] for row in one("SELECT name FROM sqlite_master WHERE type = 'table'")}
        content = {row[0] for row in one("SELECT table_name FROM gpkg_contents")}
        assert content == {t for t in tables if not t.startswith(("gpkg_", "sqlite_"))}
        assert {row[0] for row in one("SELECT type FROM sqlite_master")} <= {"table", "index"}
        types = dict(one("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns"))
        assert types["grounds"] == types["rods"] == "POINT"
        assert types["zones"] == "POLYGON"
        blobs = one("SELECT geom FROM zones")
        assert all(blob[:2] == b"GP" for (blob,) in blobs)
    finally:
        base.close()


def test_every_layer_has_a_style_that_names_its_columns(plans, written):
    frame = layer(written, "straight", "layer_styles")
    layers = {one.name: one for one in layers_of(plans["straight"].document)}
    assert sorted(frame["f_table_name"]) == sorted(layers)
    assert set(frame["f_geometry_column"]) == {"geom"}
    assert set(frame["useAsDefault"]) == {True}
    columns = {
        "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column",
        "styleName", "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui",
        "update_time",
    }  # fmt: skip
    base = sqlite3.connect(f"{written['straight'][0]}.gpkg")
    found = {row[1] for row in base.execute("PRAGMA table_info(layer_styles)")}
    base.close()
    assert found == columns
    drawn = {"point": "PointSymbolizer", "line": "LineSymbolizer", "area": "PolygonSymbolizer"}
    for _, row in frame.iterrows():
        root = ET.fromstring(row["styleSLD"].encode())  # noqa: S314  our own file
        one = layers[row["f_table_name"]]
        assert root.get("version") == "1.1.0"
        assert root.find(f".//{SE}{drawn[one.look]}") is not None
        check_order(root)
        named = {node.text for node in root.iter(f"{OGC}PropertyName")}
        assert named <= set(one.columns)
        if row["styleQML"]:
            kind = {"point": "marker", "line": "line", "area": "fill"}[one.look]
            qml = ET.fromstring(row["styleQML"])  # noqa: S314  our own file
            assert qml.find("renderer-v2/symbols/symbol").get("type") == kind
        else:
            assert one.shape == "GEOMETRY"


def test_clearance_names_every_field_of_the_tag(written):
    """The attributes of ClearanceTag in the CIM (Outage package of CIM 14 and 15), published."""
    tag = json.loads(written["straight"][1]["clearance.json"])["ClearanceTag"]
    assert set(tag) - {"terms"} == {
        "workDescription", "workStartTime", "workEndTime", "tagIssueTime", "authorityName",
        "deenergizeReqFlag", "groundReqFlag", "phaseCheckReqFlag",
    }  # fmt: skip
    assert tag["workDescription"] == "Replace two insulators at Q213, Section Road"
    assert tag["tagIssueTime"] is None


def test_a_layer_of_single_and_several_parts_is_of_several(tmp_path):
    """One type of geometry per table, as GIS programs ask for; read back by GDAL."""
    document = example_document()
    square = [[[0, 0], [1e-4, 0], [1e-4, 1e-4], [0, 0]]]
    shapes = [
        {"type": "Polygon", "coordinates": square},
        {"type": "MultiPolygon", "coordinates": [square]},
    ]
    document["picture"]["surroundings"] = [
        {"feature_id": f"S{k}", "kind": "building", "name": "", "geometry": shape}
        for k, shape in enumerate(shapes)
    ]
    plan = finished(document)
    found = {one.name: one for one in layers_of(plan.document)}
    assert found["surroundings"].shape == "MULTIPOLYGON"
    assert (found["surrounding_lines"].shape, found["surrounding_lines"].rows) == ("LINESTRING", ())
    path = tmp_path / "plan.gpkg"
    path.write_bytes(geopackage_bytes(plan))
    frame = pyogrio.read_dataframe(path, layer="surroundings")
    assert list(frame.geometry.geom_type) == ["MultiPolygon", "MultiPolygon"]


def test_labels_of_the_style_are_columns(plans, written):
    frame = layer(written, "straight", "layer_styles").set_index("f_table_name")
    for one in layers_of(plans["straight"].document):
        root = ET.fromstring(frame.loc[one.name, "styleQML"])  # noqa: S314  our own file
        named = [node.get("fieldName") for node in root.iter("text-style")]
        assert (root.get("labelsEnabled") == "1") == bool(named)
        assert set(named) <= set(one.columns)
