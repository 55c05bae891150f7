"""The user's own conductors and constructions, and the wires and pole tops that spans name.

``conductors.csv`` and ``constructions.csv`` of a territory add to the built-in tables; a row with
the name of a built-in one wins, and the result says so.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import InputError, Level, Problem
from gridground.tables.wires import (
    Conductor,
    Construction,
    builtin_conductors,
    builtin_constructions,
)
from gridground.territory.columns import Band, bands
from gridground.territory.findings import Findings, some
from gridground.territory.front import read_bytes
from gridground.territory.text import id_fault, near_remedy, shown, text_fault

if TYPE_CHECKING:
    from gridground.territory.layers import Layer

_FILE_BYTES = 10_000_000
_MATERIALS = ("ACSR", "AAC", "AAAC", "copper", "steel", "aluminium-clad steel")
_ALUMINIUM = frozenset({"ACSR", "AAC", "AAAC"})
_UNIFORM = frozenset({"AAC", "AAAC", "copper"})
_NUMBERS = ("area_mm2", "diameter_m", "gmr_m", "resistance_ohm_per_km", "ampacity_a")
_CONDUCTOR = ("name", "material", *_NUMBERS, "source")
_CONSTRUCTION = ("name", "position", "x_m", "y_m", "source")
_POSITIONS = ("1", "2", "3", "N")
# GMR over radius of uniform strands: solid, 3, 7, 19 and 37 wires (from memory; the solid one is
# exp(-1/4), the others follow from the distances of the strands).
_STRAND_RATIOS = (0.7788, 0.6778, 0.7256, 0.7577, 0.7678)
_STRAND_TOLERANCE = 0.03


@dataclass
class Wires:
    """Built-in rows with the user's own on top, and what was found in those."""

    conductors: dict[str, Conductor]
    constructions: dict[str, Construction]
    problems: list[Problem] = field(default_factory=list)
    inputs: list[dict[str, Any]] = field(default_factory=list)

    def add(self, level: Level, table: str, names: list[str], what: tuple[str, str, str]) -> None:
        """Add a problem: (field, found, remedy)."""
        self.problems.append(Problem(level, table, tuple(names), *what))


def read_wires(folder: Path) -> Wires:
    """Read the user's tables of a territory's folder on top of the built-in ones.

    Parameters
    ----------
    folder : Path
        May hold ``conductors.csv`` and ``constructions.csv``.

    Returns
    -------
    Wires
        With every problem found; nothing is raised for bad rows.
    """
    wires = Wires(builtin_conductors(), builtin_constructions())
    for table, columns, take in (
        ("conductors", _CONDUCTOR, _take_conductors),
        ("constructions", _CONSTRUCTION, _take_constructions),
    ):
        path = folder / f"{table}.csv"
        if path.exists():
            try:
                rows, sha256 = _rows(path, table, columns)
            except InputError as error:
                wires.problems += error.problems
                continue
            row = {"layer": table, "sha256": sha256, "rows": len(rows), "date": None}
            wires.inputs.append(row)
            take(wires, rows)
    return wires


def _rows(path: Path, table: str, columns: tuple[str, ...]) -> tuple[list[dict[str, str]], str]:
    """Read a CSV file strictly: UTF-8, the columns of its table, no row longer or shorter."""
    data = read_bytes(path, table, limit=_FILE_BYTES)

    def refuse(found: str, remedy: str) -> InputError:
        return InputError([Problem("reject", table, (), path.name, found, remedy)])

    try:
        text = data.decode("utf-8-sig")
        lines = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if row]
    except (UnicodeDecodeError, csv.Error) as error:
        reason = "is not UTF-8" if isinstance(error, UnicodeDecodeError) else f"broken CSV: {error}"
        raise refuse(reason, "write it again as CSV in UTF-8") from error
    header = [cell.strip() for cell in lines[0]] if lines else []
    if missing := [name for name in columns if name not in header]:
        raise refuse(f"has no column {', '.join(missing)}", f"columns: {', '.join(columns)}")
    if len(set(header)) < len(header):
        raise refuse("a column name stands twice", "keep one of the two")
    if odd := [str(n + 1) for n, row in enumerate(lines) if len(row) != len(header)]:
        found = f"row {', '.join(odd[:5])} has not {len(header)} values"
        raise refuse(found, "quote text that holds commas")
    rows = [dict(zip(header, (cell.strip() for cell in row), strict=True)) for row in lines[1:]]
    return rows, hashlib.sha256(data).hexdigest()


def _number(text: str) -> float:
    """Return a finite number, or NaN for anything else."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) and "_" not in text else math.nan


def _named(wires: Wires, table: str, row: dict[str, str]) -> bool:
    """Judge the name and the texts of a row."""
    name = row["name"]
    faults = [("name", id_fault(name))]
    faults += [(key, text_fault(value)) for key, value in row.items() if key != "name"]
    bad = [(key, fault) for key, fault in faults if fault is not None]
    for key, fault in bad:
        wires.add("reject", table, [] if key == "name" else [name], (key, fault, "mend it"))
    if not bad and not row["source"]:
        what = ("source", "missing", "state where the row comes from")
        wires.add("open item", table, [name], what)
    return not bad


def _take_conductors(wires: Wires, rows: list[dict[str, str]]) -> None:
    """Judge the user's conductors and put them on top of the built-in ones."""
    builtin, own = set(wires.conductors), set()
    for row in rows:
        name = row["name"]
        if not _named(wires, "conductors", row):
            continue
        if name in own:
            what = ("name", "stands twice", "keep one of the two rows")
            wires.add("reject", "conductors", [name], what)
            continue
        own.add(name)
        if row["material"] not in _MATERIALS:
            what = ("material", f"unknown {shown(row['material'])}",
                    f"use one of: {', '.join(_MATERIALS)}")  # fmt: skip
            wires.add("reject", "conductors", [name], what)
        values = {key: _number(row[key]) for key in _NUMBERS}
        bad = [key for key in _NUMBERS if not values[key] > 0]
        for key in bad:
            what = (key, f"{shown(row[key])} is not a number above zero", "write the value")
            wires.add("reject", "conductors", [name], what)
        if bad or row["material"] not in _MATERIALS:
            continue
        conductor = Conductor(name=name, material=row["material"], source=row["source"], **values)
        wires.conductors[name] = conductor
        _doubt(wires, conductor)
    _say_wins(wires, "conductors", sorted(builtin & own))


def _say_wins(wires: Wires, table: str, names: list[str]) -> None:
    """Remark that rows of the user stand in place of built-in ones."""
    if names:
        found = "the territory's own row stands in place of the built-in one"
        wires.add("note", table, names, ("name", found, "the plan says so"))


def _doubt(wires: Wires, conductor: Conductor) -> None:
    """Report figures of a conductor that do not go together."""
    limits = bands()
    radius_m = conductor.diameter_m / 2
    ratio = conductor.gmr_m / radius_m
    circle_mm2 = math.pi * (1000 * radius_m) ** 2
    metal = conductor.material if conductor.material == "copper" else "steel"
    metal = "aluminium" if conductor.material in _ALUMINIUM else metal
    gmr = "acsr_gmr_over_radius" if conductor.material == "ACSR" else "gmr_over_radius"
    heat_w_per_m = conductor.ampacity_a**2 * conductor.resistance_ohm_per_km / 1000
    for key, value, band, words in (
        ("gmr_m", ratio, limits["wires", gmr], "GMR over radius"),
        ("area_mm2", conductor.area_mm2 / circle_mm2, limits["wires", "area_over_circle"],
         "area over the circle of the diameter"),
        ("resistance_ohm_per_km", conductor.resistance_ohm_per_km * conductor.area_mm2,
         limits["wires", f"{metal}_ohm_mm2_per_km"], "resistance times area"),
        ("ampacity_a", heat_w_per_m / (math.pi * conductor.diameter_m),
         limits["wires", "surface_w_per_m2"], "heat at the ampacity over the surface"),
    ):  # fmt: skip
        if not band.low <= value <= band.high:
            _say_doubt(wires, conductor.name, key, (words, value, band))
    if conductor.material not in _UNIFORM:
        return
    if min(abs(ratio / strand - 1) for strand in _STRAND_RATIOS) > _STRAND_TOLERANCE:
        found = f"GMR over radius is {ratio:.3f}; uniform strands have 0.678 to 0.779"
        what = ("gmr_m", found, "a typing error, or the row of another wire?")
        wires.add("note", "conductors", [conductor.name], what)


def _say_doubt(wires: Wires, name: str, key: str, doubt: tuple[str, float, Band]) -> None:
    """Add an open item about a ratio outside its band."""
    words, value, band = doubt
    found = f"{words} is {value:.3g} (usual: {band.text})"
    what = (key, found, f"confirm or correct it: {band.reason}")
    wires.add("open item", "conductors", [name], what)


def _take_constructions(wires: Wires, rows: list[dict[str, str]]) -> None:
    """Judge the user's pole tops and put them on top of the built-in ones."""
    builtin = set(wires.constructions)
    own: dict[str, dict[str, tuple[float, float]]] = {}
    sources: dict[str, str] = {}
    broken: set[str] = set()

    def refuse(name: str, key: str, found: str, remedy: str) -> None:
        wires.add("reject", "constructions", [name], (key, found, remedy))
        broken.add(name)

    for row in rows:
        name, position = row["name"], row["position"]
        if not _named(wires, "constructions", row):
            continue
        places = own.setdefault(name, {})
        sources.setdefault(name, row["source"])
        x_m, y_m = _number(row["x_m"]), _number(row["y_m"])
        if position not in _POSITIONS:
            refuse(name, "position", f"unknown {shown(position)}", "use 1, 2, 3 or N")
        elif position in places:
            refuse(name, "position", f"{position} stands twice", "keep one of the two rows")
        elif not abs(x_m) <= 20:
            refuse(name, "x_m", f"{shown(row['x_m'])} is no place", "write metres, -20 to 20")
        elif not 2 <= y_m <= 60:
            refuse(name, "y_m", f"{shown(row['y_m'])} is no height", "write metres, 2 to 60")
        elif (x_m, y_m) in places.values():
            refuse(name, "x_m", "two conductors at one place", "write where each one sits")
        else:
            places[position] = (x_m, y_m)
    for name, places in own.items():
        if name not in broken and not set(places) >= set(_POSITIONS[: len(places.keys() - {"N"})]):
            refuse(name, "position", "positions leave a gap", "number the phases 1, 2, 3")
        if name not in broken and not places.keys() - {"N"}:
            refuse(name, "position", "has no place for a phase", "add position 1")
        if name not in broken:
            wires.constructions[name] = Construction(name, places, sources[name])
    _say_wins(wires, "constructions", sorted(builtin & own.keys()))


def check_span_wires(spans: Layer, wires: Wires, findings: Findings) -> None:
    """Judge what spans name: wires and pole tops that are there and have a place for each.

    Unknown wires of cables and links are remarked only, because their impedance is stated; an
    unknown neutral is rejected everywhere, because a neutral runs through them.
    """
    kind = spans["kind"]
    overhead = np.array([one == "overhead" for one in kind], dtype=bool)
    everywhere = np.ones(len(spans), dtype=bool)
    for column, table, counts in (
        ("conductor", wires.conductors, overhead),
        ("neutral_conductor", wires.conductors, everywhere),
        ("construction", wires.constructions, overhead),
    ):
        values = spans[column]
        unknown = {one for one in set(values) if one is not None and one not in table}
        if not unknown:
            continue
        rows = np.array([one in unknown for one in values], dtype=bool)
        counting = np.flatnonzero(rows & counts)
        names = list(dict.fromkeys(values[counting]))
        file = "constructions.csv" if column == "construction" else "conductors.csv"
        remedy = near_remedy(names, table, f"add a row to {file}")
        found = f"{some(names)} is in no table"
        findings.add("reject", counting, column, found, remedy)
        rest = np.flatnonzero(rows & ~counts)
        found = f"{some(list(values[rest]))} is in no table; not used, the impedance is stated"
        findings.add("note", rest, column, found, f"add a row to {file}, or null")
    _check_places(spans, wires, overhead, findings)


def _check_places(spans: Layer, wires: Wires, overhead: Any, findings: Findings) -> None:  # noqa: ANN401  a mask
    """Reject spans with more conductors than their pole top has places."""
    rows_of: dict[tuple[str, int, bool], list[int]] = {}
    rows = np.flatnonzero(overhead)
    for row, construction, phases, neutral in zip(
        rows.tolist(), spans["construction"][rows], spans["phases"][rows],
        spans["neutral_conductor"][rows], strict=True,
    ):  # fmt: skip
        if construction in wires.constructions:
            key = (construction, len(phases or ""), neutral is not None)
            rows_of.setdefault(key, []).append(row)
    for (name, n_phases, neutral), where in sorted(rows_of.items()):
        places = wires.constructions[name].positions
        if n_phases > len(places.keys() - {"N"}):
            found = f"{n_phases} phases, but {shown(name)} has places {', '.join(sorted(places))}"
            findings.add("reject", where, "construction", found, "name another construction")
        if neutral and "N" not in places:
            found = f"a neutral, but {shown(name)} has no place N"
            findings.add("reject", where, "construction", found, "name another construction")
