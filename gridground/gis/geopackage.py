"""A plan as a GeoPackage (OGC 12-128r17, version 1.3), with a default style for every layer.

Tables, headers and geometry blobs follow the standard: clauses 1.1.1 (application id, version),
1.1.2 to 1.1.3 (systems, contents), 2.1 (features), 2.4 (attributes), annex F.8 (metadata). Clause
numbers from memory. The same plan gives the same bytes with the same SQLite: all times are the
plan's own.
"""

from __future__ import annotations

import sqlite3
import struct
from typing import TYPE_CHECKING, Any

from gridground.gis.about import about, description, headline, legal
from gridground.gis.layers import Layer, layers_of, value_of
from gridground.gis.looks import qml_text, sld_text

if TYPE_CHECKING:
    from gridground.record import Plan

APPLICATION_ID = 0x47504B47  # "GPKG"
VERSION = 10300
SYSTEM = 4326  # longitude, latitude on WGS 84
_WGS_84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,'
    'AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,'
    'AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],'
    'AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]'
)
_SYSTEMS = (
    ("Undefined cartesian SRS", -1, "NONE", -1, "undefined", "undefined cartesian"),
    ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
    ("WGS 84 geodetic", SYSTEM, "EPSG", SYSTEM, _WGS_84, "longitude and latitude in degrees"),
)
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY,
 organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL,
 description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL,
 identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT
 (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
 srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES
 gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
 geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
 CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
 CONSTRAINT uk_gc_table_name UNIQUE (table_name),
 CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
 CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
CREATE TABLE gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
 definition TEXT NOT NULL, scope TEXT NOT NULL,
 CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
 md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL,
 mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT,
 column_name TEXT, row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT
 (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
 CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
 CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT, f_table_catalog TEXT(256),
 f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30),
 styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
 update_time DATETIME DEFAULT CURRENT_TIMESTAMP);
"""
_METADATA = "http://www.geopackage.org/spec130/#extension_metadata"
_STANDARD = "http://www.opengis.net/doc/IS/geopackage/1.3"
_KINDS = {"text": "TEXT", "whole": "INTEGER", "real": "DOUBLE"}
LEADS = {
    "lead_id": "text", "pole_id": "text", "span_id": "text", "from": "text", "to": "text",
    "role": "text", "parallel": "whole", "size": "text", "length_m": "real", "clamp_from": "text",
    "clamp_to": "text", "grade": "text", "current_a": "real", "time_s": "real", "rating_a": "real",
    "margin_ratio": "real", "source": "text",
}  # fmt: skip
ITEMS = dict.fromkeys(("code", "where", "what", "why", "who", "settles"), "text")
SAYING = {"text": "text", "source": "text"}


def geopackage_bytes(plan: Plan) -> bytes:
    """Return a plan as a GeoPackage: a layer per kind of thing, and tables without geometry.

    ``about`` says which plan it is, how ready, and who decides; ``leads``, ``open_items``,
    ``cautions`` and ``assumptions`` are the plan's own lists.
    """
    document = plan.document
    base = sqlite3.connect(":memory:")
    try:
        base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        base.execute(f"PRAGMA user_version = {VERSION}")
        base.executescript(_TABLES)
        base.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)", _SYSTEMS)
        _describe(base, document)
        for layer in layers_of(document):
            _put_layer(base, document, layer)
        said = [{"name": key, "value": value} for key, value in about(document).items()]
        tables = (
            ("about", {"name": "text", "value": "text"}, said),
            ("leads", LEADS, document["leads"]),
            ("open_items", ITEMS, document["open_items"]),
            ("cautions", SAYING, document["cautions"]),
            ("assumptions", SAYING, document["assumptions"]),
        )
        for name, columns, rows in tables:
            _put_table(base, document, (name, columns, rows))
        _content(base, document, ("layer_styles", "attributes", "Default styles"))
        base.commit()
        return base.serialize()
    finally:
        base.close()


def _describe(base: sqlite3.Connection, document: dict[str, Any]) -> None:
    """Put what the file says of its plan into its metadata."""
    for table in ("gpkg_metadata", "gpkg_metadata_reference"):
        used = (table, None, "gpkg_metadata", _METADATA, "read-write")
        base.execute("INSERT INTO gpkg_extensions VALUES (?,?,?,?,?)", used)
    note = (1, "dataset", _STANDARD, "text/plain", description(document))
    base.execute("INSERT INTO gpkg_metadata VALUES (?,?,?,?,?)", note)
    row = ("geopackage", None, None, None, _time(document), 1, None)
    base.execute("INSERT INTO gpkg_metadata_reference VALUES (?,?,?,?,?,?,?)", row)


def _time(document: dict[str, Any]) -> str:
    """Return the plan's time in the standard's form, with thousandths of a second."""
    made_at = legal(document["made_at"])
    return made_at.removesuffix("Z") + ".000Z" if made_at.endswith("Z") else made_at


def _content(
    base: sqlite3.Connection,
    document: dict[str, Any],
    entry: tuple[str, str, str],
    box: tuple[float, ...] | None = None,
) -> None:
    """Enter a table into the contents."""
    name, kind, title = entry
    spot = (*(box or (None,) * 4), SYSTEM if kind == "features" else None)
    row = (name, kind, title, headline(document), _time(document), *spot)
    base.execute("INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)", row)


def _put_layer(base: sqlite3.Connection, document: dict[str, Any], layer: Layer) -> None:
    """Write a layer with its style."""
    shapes = [None if row.geometry is None else _shape(row.geometry) for row in layer.rows]
    boxes = [shape.bounds for shape in shapes if shape is not None and not shape.is_empty]
    box = None
    if boxes:
        west, south, east, north = zip(*boxes, strict=True)
        box = (min(west), min(south), max(east), max(north))
    _content(base, document, (layer.name, "features", layer.title), box)
    row = (layer.name, "geom", layer.shape, SYSTEM, 0, 0)
    base.execute("INSERT INTO gpkg_geometry_columns VALUES (?,?,?,?,?,?)", row)
    columns = {"geom": layer.shape} | {k: _KINDS[kind] for k, kind in layer.columns.items()}
    _create(base, layer.name, columns)
    rows = [
        (_blob(shape, layer.shape), *row.values.values())
        for shape, row in zip(shapes, layer.rows, strict=True)
    ]
    _insert(base, layer.name, columns, rows)
    style = ("", "", layer.name, "geom", layer.title, qml_text(layer), sld_text(layer), 1)
    base.execute(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, "
        "update_time) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
        (*style, f"Plain marks: {layer.title}", "gridground", None, _time(document)),
    )


def _put_table(
    base: sqlite3.Connection,
    document: dict[str, Any],
    table: tuple[str, dict[str, str], list[dict[str, Any]]],
) -> None:
    """Write a table without geometry."""
    name, kinds, rows = table
    _content(base, document, (name, "attributes", name.replace("_", " ").capitalize()))
    columns = {key: _KINDS[kind] for key, kind in kinds.items()}
    _create(base, name, columns)
    _insert(base, name, columns, [tuple(value_of(row.get(key)) for key in columns) for row in rows])


def _quoted(name: str) -> str:
    """Return one of our own column names in quotes: some of them are words of SQL."""
    return '"' + name.replace('"', '""') + '"'


def _create(base: sqlite3.Connection, name: str, columns: dict[str, str]) -> None:
    """Make a table with a key of its own."""
    fields = ", ".join(f"{_quoted(key)} {kind}" for key, kind in columns.items())
    base.execute(
        f"CREATE TABLE {_quoted(name)} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {fields})"
    )


def _insert(
    base: sqlite3.Connection, name: str, columns: dict[str, str], rows: list[tuple[Any, ...]]
) -> None:
    """Fill a table; values go in as parameters."""
    fields = ", ".join(map(_quoted, columns))
    marks = ",".join("?" * len(columns))
    base.executemany(f"INSERT INTO {_quoted(name)} ({fields}) VALUES ({marks})", rows)  # noqa: S608


def _shape(geometry: dict[str, Any]) -> Any:  # noqa: ANN401  shapely geometry
    """Return a GeoJSON geometry as a shape, flat."""
    import shapely  # noqa: PLC0415  start-up time
    from shapely.geometry import shape  # noqa: PLC0415

    return shapely.force_2d(shape(geometry))


def _blob(shape: Any, kind: str) -> bytes | None:  # noqa: ANN401  shapely geometry
    """Return a shape as the standard's blob: header, envelope of lines and areas, WKB.

    `kind` is the type of its layer; where that has several parts, so has the shape.
    """
    if shape is None:
        return None
    import shapely  # noqa: PLC0415  start-up time

    parts: dict[str, Any] = {
        "POLYGON": shapely.multipolygons,
        "LINESTRING": shapely.multilinestrings,
        "POINT": shapely.multipoints,
    }
    if kind == f"MULTI{shape.geom_type.upper()}":
        shape = parts[shape.geom_type.upper()]([shape])
    body: bytes = shapely.to_wkb(shape, byte_order=1, flavor="iso")
    if shape.is_empty:
        return struct.pack("<2sBBi", b"GP", 0, 0b0001_0001, SYSTEM) + body
    if shape.geom_type == "Point":
        return struct.pack("<2sBBi", b"GP", 0, 0b0000_0001, SYSTEM) + body
    west, south, east, north = shape.bounds
    box = struct.pack("<4d", west, east, south, north)
    return struct.pack("<2sBBi", b"GP", 0, 0b0000_0011, SYSTEM) + box + body
