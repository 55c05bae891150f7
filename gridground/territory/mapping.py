"""``columns.toml``: the names and units of somebody else's export, mapped on to ours.

The file stands in the territory's folder. One table per layer; a key is one of our columns, its
value says which property of the export holds it::

    [poles]
    file = "POLE_POINTS.geojson"      # where the file is not named poles.geojson
    pole_id = "POLE_NO"
    height_m = { column = "HT_FT", unit = "ft" }
    material = { column = "MAT", values = { W = "wood", S = "steel" } }

    [spans]
    span_id = "LINE_NO"
    neutral_conductor = { column = "NEUT", absent = ["NONE", "-"] }

    [spans.join]                      # where the export has no from_pole and to_pole
    by = "nearest"
    tolerance_m = 1.0

- `unit` converts a number column (units below); the result says so.
- `values` translates words; a word that is not listed stays as it is and is judged as usual.
- `absent` lists words that say "known to be absent"; they become null.
- `join` fills `from_pole` and `to_pole` of spans (`pole_id` of devices and equipment) by the
  nearest pole within the tolerance, and the result says so. It never invents: beyond the tolerance
  the territory is rejected, and two poles within it are an open item.

A column that is not listed keeps our own name. Unknown layers, columns, keys and units are
rejected.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gridground.errors import InputError, Problem
from gridground.territory.columns import LAYERS, Column
from gridground.territory.front import read_bytes
from gridground.territory.text import near_remedy, plain, shown, text_fault, unknown_key_remedy
from gridground.units import M_PER_FT, M_PER_IN, M_PER_MILE

FILE_NAME = "columns.toml"
_FILE_BYTES = 1_000_000
_LENGTH = {
    "m": 1.0, "cm": 0.01, "mm": 0.001, "km": 1000.0, "ft": M_PER_FT, "in": M_PER_IN,
    "yd": 0.9144, "mi": M_PER_MILE,
}  # fmt: skip
UNITS: dict[str, dict[str, float]] = {
    "m": _LENGTH,
    "A": {"A": 1.0, "kA": 1000.0},
    "kV": {"kV": 1.0, "V": 0.001},
    "ohm": {"ohm": 1.0, "mohm": 0.001},
    "ohm/km": {"ohm/km": 1.0, "ohm/m": 1000.0, "ohm/mi": 1000.0 / M_PER_MILE,
               "ohm/kft": 1.0 / M_PER_FT},
    "ohm·m": {"ohm.m": 1.0, "ohm·m": 1.0, "ohm.cm": 0.01, "ohm.ft": M_PER_FT},
    "s": {"s": 1.0, "ms": 0.001, "cycles at 60 Hz": 1.0 / 60.0, "cycles at 50 Hz": 0.02},
    "Hz": {"Hz": 1.0},
    "mph": {"mph": 1.0, "km/h": 1000.0 / M_PER_MILE, "m/s": 3600.0 / M_PER_MILE},
    "lanes": {"lanes": 1.0},
    "ratio": {"ratio": 1.0, "percent": 0.01},
}  # fmt: skip
JOINS = {
    "spans": ("from_pole", "to_pole"),
    "devices": ("pole_id",),
    "equipment": ("pole_id",),
}


@dataclass(frozen=True)
class Origin:
    """Where one column comes from.

    Attributes
    ----------
    key : str
        Property of the export.
    unit : str
        Its unit, empty where it is ours.
    factor : float
        By which a number is multiplied.
    values : dict
        Translation of words; None for "known to be absent".
    """

    key: str
    unit: str = ""
    factor: float = 1.0
    values: dict[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class LayerMap:
    """How one layer of the export is read."""

    file: str
    origins: dict[str, Origin]
    join_m: float | None = None

    def origin(self, column: str) -> Origin:
        """Return where a column comes from."""
        return self.origins.get(column, Origin(column))


@dataclass(frozen=True)
class Mapping:
    """All layers, and the entry of the file in the plan's `inputs` (None without a file)."""

    layers: dict[str, LayerMap]
    input: dict[str, Any] | None = None

    def layer(self, name: str) -> LayerMap:
        """Return the map of a layer; without one, our own names."""
        return self.layers.get(name) or LayerMap(f"{name}.geojson", {})


def read_mapping(folder: Path) -> Mapping:
    """Read ``columns.toml`` of a folder, if there is one.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    path = folder / FILE_NAME
    if not path.exists():
        return Mapping({})
    data = read_bytes(path, "columns", limit=_FILE_BYTES)
    try:
        document = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        found = f"broken TOML: {error}"
        problem = Problem("reject", "columns", (), FILE_NAME, found, "mend the file")
        raise InputError([problem]) from error
    reader = _Reader()
    layers = {name: reader.layer(name, table) for name, table in document.items()}
    if reader.problems:
        raise InputError(reader.problems)
    rows = sum(len(one.origins) for one in layers.values() if one)
    row = {"layer": "columns", "sha256": hashlib.sha256(data).hexdigest(), "rows": rows}
    return Mapping({k: v for k, v in layers.items() if v is not None}, {**row, "date": None})


class _Reader:
    """Reads the tables of the file and collects what is wrong with them."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def reject(self, where: str, found: str, remedy: str) -> None:
        """Add a problem."""
        self.problems.append(Problem("reject", "columns", (), where, found, remedy))

    def layer(self, name: str, table: object) -> LayerMap | None:
        """Read the table of one layer."""
        if name not in LAYERS or not isinstance(table, dict):
            found = f"{shown(name)} is not a table of a layer"
            self.reject(plain(name), found, near_remedy([name], LAYERS, "use a layer name"))
            return None
        known = {column.name: column for column in LAYERS[name]}
        file, join_m, origins = f"{name}.geojson", None, {}
        for key, value in table.items():
            where = f"{name}.{plain(key)}"
            if key == "file":
                file = self.file(where, value) or file
            elif key == "join":
                join_m = self.join(where, value, name)
            elif key not in known:
                remedy = unknown_key_remedy(key, [*known, "file", "join"])
                self.reject(where, f"{shown(key)} is not a column of {name}", remedy)
            elif (origin := self.origin(where, value, known[key])) is not None:
                origins[key] = origin
        return LayerMap(file, origins, join_m)

    def file(self, where: str, value: object) -> str | None:
        """Read a file name: a plain name in the folder, nothing that leads out of it."""
        usable = isinstance(value, str) and value and text_fault(value, limit=255) is None
        if isinstance(value, str) and usable and Path(value).name == value:
            return value
        self.reject(where, f"{shown(value)} is not a file name", "name a file of this folder")
        return None

    def join(self, where: str, value: object, layer: str) -> float | None:
        """Read how spans, devices or equipment are joined to poles."""
        if layer not in JOINS:
            self.reject(where, "this layer names no poles", f"only {', '.join(JOINS)} can be")
            return None
        if not isinstance(value, dict) or value.get("by") != "nearest":
            self.reject(where, "is not a way to join", 'write by = "nearest" and tolerance_m')
            return None
        for key in value.keys() - {"by", "tolerance_m"}:
            self.reject(where, f"unknown key {shown(key)}", "use by and tolerance_m")
        tolerance = value.get("tolerance_m")
        number = isinstance(tolerance, int | float) and not isinstance(tolerance, bool)
        metres = float(tolerance) if number and tolerance is not None else math.nan
        if not 0 < metres <= 20:
            self.reject(where, f"tolerance_m is {shown(tolerance)}", "state metres, above 0 to 20")
            return None
        return metres

    def origin(self, where: str, value: object, column: Column) -> Origin | None:
        """Read where one column comes from."""
        if isinstance(value, str):
            return Origin(value)
        if not isinstance(value, dict) or not isinstance(value.get("column"), str):
            self.reject(where, "names no property", 'write "NAME" or { column = "NAME" }')
            return None
        for key in value.keys() - {"column", "unit", "values", "absent"}:
            remedy = unknown_key_remedy(key, ("column", "unit", "values", "absent"))
            self.reject(where, f"unknown key {shown(key)}", remedy)
        unit = value.get("unit", "")
        factor = self.factor(where, unit, column) if unit != "" else 1.0
        return Origin(value["column"], str(unit), factor, self.words(where, value))

    def factor(self, where: str, unit: object, column: Column) -> float:
        """Return the factor from a unit to ours."""
        units = UNITS.get(column.unit, {}) if column.kind == "number" else {}
        if isinstance(unit, str) and unit in units:
            return units[unit]
        remedy = f"use one of: {', '.join(units)}" if units else "this column has no unit"
        self.reject(where, f"unknown unit {shown(unit)}", remedy)
        return 1.0

    def words(self, where: str, value: dict[str, Any]) -> dict[str, str | None]:
        """Read the translation of words."""
        words, absent = value.get("values", {}), value.get("absent", [])
        if not isinstance(words, dict) or not all(isinstance(v, str) for v in words.values()):
            self.reject(where, "`values` is not a table of words", 'write { W = "wood" }')
            words = {}
        if not isinstance(absent, list) or not all(isinstance(v, str) for v in absent):
            self.reject(where, "`absent` is not a list of words", 'write ["NONE"]')
            absent = []
        return {**words, **dict.fromkeys(absent)}
