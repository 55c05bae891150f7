"""Read and judge a territory: a folder of GeoJSON files, one per layer.

`judge_territory` never raises for bad data: it returns everything that was found.
`read_territory` raises all rejections at once, and keeps open items and notes in the territory.
"""

from __future__ import annotations

import difflib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gridground.errors import InputError, Level, Problem
from gridground.territory.check import check_columns
from gridground.territory.columns import LAYERS, REQUIRED_LAYERS
from gridground.territory.drawing import join_nearest
from gridground.territory.features import read_features
from gridground.territory.front import without_collector
from gridground.territory.layers import Layer, Territory
from gridground.territory.mapping import FILE_NAME, JOINS, LayerMap, Mapping, read_mapping
from gridground.territory.meaning import check_meaning, findings_of
from gridground.territory.shapes import build
from gridground.territory.text import shown
from gridground.territory.wires import Wires, read_wires

_ORDER = {"reject": 0, "open item": 1, "note": 2}


@dataclass(frozen=True)
class Judgement:
    """What was found in a territory.

    Attributes
    ----------
    ok : bool
        Nothing was rejected.
    rows : dict of int
        Features or rows of each layer that could be read.
    problems : tuple of Problem
        Rejections first, then open items, then notes.
    territory : Territory or None
        None when something was rejected.
    """

    ok: bool
    rows: dict[str, int]
    problems: tuple[Problem, ...]
    territory: Territory | None


def read_territory(path: str | os.PathLike[str]) -> Territory:
    """Read a territory.

    Parameters
    ----------
    path : str or path
        A folder of GeoJSON files, one per layer, with the user's ``conductors.csv``,
        ``constructions.csv`` and ``columns.toml`` where there are any.

    Returns
    -------
    Territory
        Open items and notes are in `problems`.

    Raises
    ------
    InputError
        With every rejection at once.
    """
    judgement = judge_territory(path)
    if judgement.territory is None:
        raise InputError([p for p in judgement.problems if p.level == "reject"])
    return judgement.territory


def judge_territory(path: str | os.PathLike[str]) -> Judgement:
    """Read and judge a territory without raising for bad data.

    Parameters
    ----------
    path : str or path
        As in `read_territory`.

    Returns
    -------
    Judgement
        Everything that was found.
    """
    folder = Path(path)
    try:
        _check_folder(folder)
        mapping = read_mapping(folder)
    except InputError as error:
        return Judgement(False, {}, error.problems, None)
    with without_collector():
        return _judge(folder, mapping)


def _check_folder(folder: Path) -> None:
    """Refuse what is not a folder of layers."""
    wanted = "a territory is a folder of GeoJSON files (poles.geojson, spans.geojson, …)"
    try:
        found = "is not there"
        if folder.is_dir():
            return
        if folder.exists():
            found = "is a file, not a folder"
    except (OSError, ValueError):  # a name too long, a zero byte
        found = "is not a usable path"
    raise InputError([Problem("reject", "territory", (), shown(str(folder)), found, wanted)])


def _judge(folder: Path, mapping: Mapping) -> Judgement:
    """Judge layer by layer, then all together."""
    problems = _stray_files(folder, mapping)
    inputs: list[dict[str, Any]] = [] if mapping.input is None else [mapping.input]
    layers: dict[str, Layer] = {}
    for name in LAYERS:
        layer_map = mapping.layer(name)
        if not os.path.lexists(folder / layer_map.file):
            problems += _absent_layer(name, layer_map, named=name in mapping.layers)
            continue
        try:
            layer, row, found = _read_layer(folder / layer_map.file, name, layer_map)
        except InputError as error:
            problems += error.problems
            continue
        layers[name] = layer
        inputs.append(row)
        problems += found
    wires = read_wires(folder)
    problems += wires.problems
    inputs += wires.inputs
    for name, columns in JOINS.items():
        tolerance_m = mapping.layer(name).join_m
        if tolerance_m is not None and {name, "poles"} <= layers.keys():
            findings = findings_of(layers[name])
            join_nearest(layers[name], layers["poles"], columns, tolerance_m, findings)
            problems += findings.problems
    problems += check_meaning(layers, wires)
    problems.sort(key=lambda problem: _ORDER[problem.level])
    ok = not any(problem.level == "reject" for problem in problems)
    rows = {row["layer"]: row["rows"] for row in inputs if row["layer"] != "columns"}
    territory = _territory(folder, layers, wires, (problems, inputs)) if ok else None
    return Judgement(ok, rows, tuple(problems), territory)


def _territory(
    folder: Path,
    layers: dict[str, Layer],
    wires: Wires,
    found: tuple[list[Problem], list[dict[str, Any]]],
) -> Territory:
    """Put the parts together."""
    return Territory(
        name=folder.resolve().name,
        layers=layers,
        conductors=wires.conductors,
        constructions=wires.constructions,
        problems=tuple(found[0]),
        inputs=tuple(found[1]),
    )


def _read_layer(
    path: Path, name: str, layer_map: LayerMap
) -> tuple[Layer, dict[str, Any], list[Problem]]:
    """Read one layer with its column rules."""
    read = read_features(path, name)
    names = read.namer(layer_map.origin(LAYERS[name][0].name).key)
    geometry, problems = build(read, names)
    judged = check_columns(read, layer_map)
    problems = read.notes + problems + judged.problems
    if layer_map.origins:
        parts = [
            f"{column} from {origin.key}" + (f" in {origin.unit}" if origin.unit else "")
            for column, origin in layer_map.origins.items()
        ]
        found = f"read as {FILE_NAME} says: {', '.join(parts)}"
        problems.append(Problem("note", name, (), "", found, "check one feature by hand"))
    if name in REQUIRED_LAYERS and not read.count:
        problems.append(Problem("reject", name, (), "features", "no feature at all", "add some"))
    row = {"layer": name, "sha256": read.sha256, "rows": read.count, "date": read.date}
    return Layer(name, judged.columns, judged.stated, geometry), row, problems


def _absent_layer(name: str, layer_map: LayerMap, *, named: bool) -> list[Problem]:
    """Return what a missing layer is."""
    if name in REQUIRED_LAYERS or (named and layer_map.file != f"{name}.geojson"):
        remedy = f"add {layer_map.file}, or say in {FILE_NAME} which file it is"
        return [Problem("reject", name, (), layer_map.file, "is not there", remedy)]
    if name == "surroundings":
        remedy = "add surroundings.geojson: roads, buildings, buried utilities"
        return [Problem("open item", name, (), "", "no surroundings layer", remedy)]
    return []


def _stray_files(folder: Path, mapping: Mapping) -> list[Problem]:
    """Report files that look like a layer but are not read."""
    tables = {"conductors.csv", "constructions.csv"}
    known = {mapping.layer(name).file for name in LAYERS} | tables
    problems = []
    absent = {Path(name).stem.lower(): name for name in known if not (folder / name).exists()}
    for path in sorted(folder.iterdir()):
        if path.name in known or path.suffix.lower() not in {".geojson", ".csv"}:
            continue
        likely = difflib.get_close_matches(path.stem.lower(), sorted(absent), 1, 0.75)
        level: Level = "open item" if likely else "note"
        remedy = (
            f"name it {absent[likely[0]]}" if likely else "leave it out, or map it in columns.toml"
        )
        found = f"{shown(path.name)} is no layer and was not read"
        problems.append(Problem(level, "territory", (), "", found, remedy))
    return problems
