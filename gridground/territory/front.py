"""The strict front reader: bytes of a JSON file in, plain columns out, before any library sees it.

Usual JSON readers take the last of two equal names, read NaN and accept text that is not UTF-8;
two readers can then see two different networks. Here a file is refused with a reason instead.

- UTF-8 without exception; a byte order mark at the start is tolerated and remarked (RFC 8259
  clause 8.1 lets a reader ignore it, and desktop programs write it).
- Nesting is counted: at most 32 levels, the document itself being the first.
- Limits on bytes, values, features and properties stand in the messages.

The result is kept in columns (one list per property name), because every later rule looks at one
column at a time and not at one feature at a time.
"""

from __future__ import annotations

import gc
import hashlib
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import jiter

from gridground.errors import InputError, Level, Problem
from gridground.territory.text import FORBIDDEN_BUT_BREAKS, TEXT_CHARACTERS, as_id, id_fault, shown

FILE_BYTES = 256_000_000
OBJECTS = 4_000_000
SEPARATORS = 40_000_000
DEPTH = 32
PROPERTIES = 200
PROPERTY_NAMES = 2000  # in one file
_NAMING_BYTES = 20_000_000  # above this a duplicate name is reported by line, not by feature
_BOM = b"\xef\xbb\xbf"
_DUPLICATE = re.compile(r'Detected duplicate key "(.*)" at line (\d+)', re.DOTALL)
_FEATURE_MEMBERS = frozenset({"type", "properties", "geometry", "id", "bbox"})

Names = Callable[[Sequence[int]], tuple[str, ...]]


class _Missing:
    """The value of a property that a feature does not have."""

    def __repr__(self) -> str:
        return "missing"


MISSING: Final = _Missing()


@dataclass
class Features:
    """One layer as it stands in its file.

    Attributes
    ----------
    layer : str
        Layer name.
    count : int
        Number of features.
    columns : dict of list
        Every property name that occurs -> one value per feature, `MISSING` where it has none.
    types : dict of set of type
        Types that occur in each column.
    geometries : list
        GeoJSON geometry objects or None, as read.
    crs : object
        The ``crs`` member, or `MISSING`.
    sha256, date : str, str or None
        Of the file; the date is its ``date`` member, where it has one.
    notes : list of Problem
        Remarks that do not stop the file.
    """

    layer: str
    count: int
    columns: dict[str, list[Any]]
    types: dict[str, set[type]]
    geometries: list[Any]
    crs: object
    sha256: str
    date: str | None
    notes: list[Problem] = field(default_factory=list)

    def namer(self, id_key: str) -> Names:
        """Return a function that names features by row: their id, or ``feature 7``."""
        ids = self.columns.get(id_key, [])

        def names(rows: Sequence[int]) -> tuple[str, ...]:
            found = []
            for row in rows:
                text = as_id(ids[row]) if ids else None
                usable = text is not None and id_fault(text) is None
                found.append(text if usable and text is not None else f"feature {row + 1}")
            return tuple(found)

        return names


@contextmanager
def without_collector() -> Iterator[None]:
    """Pause the cycle collector: a parse makes millions of objects and not one cycle.

    Worth half of the reading time. Callers who read several layers pause it once around all.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def read_bytes(path: Path, layer: str, *, limit: int = FILE_BYTES) -> bytes:
    """Read a regular file up to a limit.

    Raises
    ------
    InputError
        When there is no such file, it is no regular file (a pipe would hang), it cannot be read or
        it is larger than `limit` bytes.
    """
    if not path.is_file():
        found = "is not a regular file" if path.exists() else "is not there"
        raise _reject(layer, path.name, found, "give the file")
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise _reject(layer, path.name, f"cannot be read: {reason}", "mend it") from error
    if len(data) > limit:
        remedy = "split the territory or leave out what is not needed"
        raise _reject(layer, path.name, f"larger than {limit / 1e6:g} MB", remedy)
    return data


def parse_json(data: bytes, layer: str, *, name: str) -> Any:  # noqa: ANN401  a JSON document
    """Parse JSON strictly.

    Parameters
    ----------
    data : bytes
        A whole file; a byte order mark must have been taken off.
    layer, name : str
        For the message: layer and file name.

    Returns
    -------
    dict, list, str, int, float, bool or None
        The document. Numbers beyond the range of a double come out as infinity.

    Raises
    ------
    InputError
        For anything that is not JSON in UTF-8, for duplicate names, NaN and infinity, and beyond
        the limits of this module.
    """
    _count(data, layer, name)
    try:
        with without_collector():
            return jiter.from_json(data, catch_duplicate_keys=True, allow_inf_nan=False)
    except ValueError as error:
        problem = _explained(data, layer, name, str(error))
    raise InputError([problem])


def _count(data: bytes, layer: str, name: str) -> None:
    """Refuse a file by its counts of brackets and commas, before memory is spent on it."""
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise _reject(layer, name, "is UTF-16", "write it in UTF-8")
    if data.count(b"{") > OBJECTS:
        raise _reject(layer, name, f"more than {OBJECTS:,} objects", "split the territory")
    if data.count(b",") + data.count(b"[") > SEPARATORS:
        raise _reject(layer, name, f"more than {SEPARATORS:,} values", "split the territory")


def _explained(data: bytes, layer: str, name: str, message: str) -> Problem:
    """Turn a parser message into the user's words."""
    if (match := _DUPLICATE.search(message)) is not None:
        key, line = match.group(1), match.group(2)
        ids, keys = _duplicates(data)
        names = ", ".join(map(shown, keys or [key]))
        where = "" if ids else f" (line {line})"
        found = f"the name {names} stands twice in one object{where}"
        return Problem("reject", layer, ids, key[:64], found, "keep one of the two values")
    if "recursion limit" in message:
        found = f"nested deeper than {DEPTH} levels"
        return Problem("reject", layer, (), name, found, "write plain GeoJSON")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"is not UTF-8 (line {line})"
        return Problem("reject", layer, (), name, found, "write it in UTF-8")
    found = f"broken JSON: {message}"
    remedy = "write the file again; NaN and Infinity are not JSON"
    return Problem("reject", layer, (), name, found, remedy)


def _duplicates(data: bytes) -> tuple[tuple[str, ...], list[str]]:
    """Return the ids of objects in which a name stands twice, and those names."""
    ids: list[str] = []
    keys: list[str] = []

    def hook(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        result = dict(pairs)
        if len(result) < len(pairs):
            seen: set[str] = set()
            keys.extend(k for k, _ in pairs if k in seen or seen.add(k))  # type: ignore[func-returns-value]
            own = [as_id(v) for k, v in pairs if k.endswith("_id")][:1]
            ids.extend(v for v in own if v is not None and id_fault(v) is None)
        return result

    if len(data) > _NAMING_BYTES:
        return (), []
    try:
        json.loads(data, object_pairs_hook=hook)
    except (ValueError, RecursionError):
        return (), []
    return tuple(ids), list(dict.fromkeys(keys))


def read_features(path: Path, layer: str) -> Features:
    """Read one layer's GeoJSON file into columns.

    Parameters
    ----------
    path : Path
        A GeoJSON FeatureCollection.
    layer : str
        Layer name.

    Raises
    ------
    InputError
        With every problem of the file's structure; values of known columns and geometries are
        judged elsewhere.
    """
    data = read_bytes(path, layer)
    sha256 = hashlib.sha256(data).hexdigest()
    notes = []
    if data.startswith(_BOM):
        data = data[len(_BOM) :]
        notes.append(
            Problem("note", layer, (), path.name, "begins with a byte order mark", "ignored")
        )
    document = parse_json(data, layer, name=path.name)
    del data
    with without_collector():
        features = _collection(document, layer, path.name)
        properties, geometries = _members(features, layer)
        columns = _columns(properties, layer)
    date = document.get("date")
    result = Features(
        layer,
        len(features),
        columns,
        {key: set(map(type, values)) for key, values in columns.items()},
        geometries,
        document.get("crs", MISSING),
        sha256,
        date if isinstance(date, str) and len(date) <= 64 else None,
        notes,
    )
    _check_members(document, features, result)
    return result


def _collection(document: object, layer: str, name: str) -> list[Any]:
    """Return the features of a document."""
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        raise _reject(
            layer, name, "is not a GeoJSON FeatureCollection", 'write {"type": "FeatureCollection"}'
        )
    features = document.get("features")
    if not isinstance(features, list):
        raise _reject(layer, name, "has no list `features`", "write one, even an empty one")
    return features


def _rows_where(items: Sequence[Any], bad: Callable[[Any], bool]) -> list[int]:
    """Return the rows of the items that are bad; only called where there are some."""
    return [row for row, item in enumerate(items) if bad(item)]


def _members(features: list[Any], layer: str) -> tuple[list[dict[str, Any]], list[Any]]:
    """Return properties and geometries, or refuse what is not a feature."""
    rules: list[tuple[str, Callable[[Any], bool], str]] = [
        ("type", lambda f: not isinstance(f, dict) or f.get("type") != "Feature", "is no Feature"),
        (
            "properties",
            lambda f: isinstance(f, dict) and not isinstance(f.get("properties", 0), dict | None),
            "has no object `properties`",
        ),
        (
            "geometry",
            lambda f: isinstance(f, dict) and not isinstance(f.get("geometry", 0), dict | None),
            "has no object `geometry`",
        ),
    ]
    try:
        kinds = {feature["type"] for feature in features}
        properties = [feature["properties"] for feature in features]
        geometries = [feature["geometry"] for feature in features]
        clean = kinds <= {"Feature"} and not (
            (set(map(type, features)) - {dict})
            or (set(map(type, properties)) - {dict, type(None)})
            or (set(map(type, geometries)) - {dict, type(None)})
        )
    except (KeyError, TypeError, IndexError):
        clean = False
    if not clean:
        problems = []
        for member, bad, found in rules:
            if rows := _rows_where(features, bad):
                ids = tuple(f"feature {row + 1}" for row in rows)
                problems.append(
                    Problem("reject", layer, ids, member, found, "write GeoJSON features")
                )
        raise InputError(problems)
    return [{} if p is None else p for p in properties], geometries


def _columns(properties: list[dict[str, Any]], layer: str) -> dict[str, list[Any]]:
    """Turn properties into one list per name, in order of first appearance."""
    keys: dict[str, None] = {}
    shapes = dict.fromkeys(map(tuple, properties))  # few distinct sets of names
    for shape in shapes:
        keys.update(dict.fromkeys(shape))
        if len(keys) > PROPERTY_NAMES:
            found = f"more than {PROPERTY_NAMES:,} different property names"
            raise _reject(layer, "properties", found, "leave some out")
    if len(shapes) == 1:  # all alike: turned over in one step
        return dict(
            zip(keys, map(list, zip(*map(dict.values, properties), strict=True)), strict=True)
        )
    return {key: [p.get(key, MISSING) for p in properties] for key in keys}


def _check_members(document: dict[str, Any], features: list[Any], read: Features) -> None:
    """Refuse too many properties, too deep values, numbers out of range and hidden characters."""
    layer = read.layer
    problems: list[Problem] = []
    names = read.namer(next((key for key in read.columns if key.endswith("_id")), ""))

    def add(rows: Sequence[int], name: str, found: str, remedy: str) -> None:
        if rows:
            problems.append(Problem("reject", layer, names(rows), name, found, remedy))

    too_many = [r for r, f in enumerate(features) if len(f["properties"] or ()) > PROPERTIES]
    add(too_many, "properties", f"more than {PROPERTIES} properties", "leave some out")
    members: set[str] = set().union(*features)
    if "crs" in members:
        add(
            [r for r, f in enumerate(features) if "crs" in f],
            "crs",
            "a coordinate system of its own",
            "state one for the whole file",
        )
    if members - _FEATURE_MEMBERS:
        rest = [{k: v for k, v in f.items() if k not in _FEATURE_MEMBERS} for f in features]
        deep = _rows_where(rest, lambda f: _depth(f, 3) > DEPTH)
        add(deep, "", f"nested deeper than {DEPTH} levels", "leave it out")
    top = {key: value for key, value in document.items() if key != "features"}
    if _depth(top, 1) > DEPTH:
        found = f"nested deeper than {DEPTH} levels"
        problems.append(Problem("reject", layer, (), "", found, "leave it out"))
    for key, types in read.types.items():
        for rows, found, remedy in _value_faults(key, read.columns[key], types):
            add(rows, key[:64], found, remedy)
    if problems:
        raise InputError(problems)


def _value_faults(
    key: str, values: list[Any], types: set[type]
) -> Iterator[tuple[list[int], str, str]]:
    """Yield (rows, found, remedy) of what no column may hold."""
    everything = range(len(values))
    if len(key) > TEXT_CHARACTERS or FORBIDDEN_BUT_BREAKS.search(key):
        yield [0], "a property name with hidden characters or too long", "rename it"
    if float in types and (math.inf in values or -math.inf in values):
        rows = [r for r in everything if values[r] in (math.inf, -math.inf)]
        yield rows, "a number beyond the range of a double (infinite)", "write the value"
    if str in types:
        texts = {v for v in values if type(v) is str}
        if max(map(len, texts)) > TEXT_CHARACTERS:
            rows = [r for r in everything if type(values[r]) is str]
            rows = [r for r in rows if len(values[r]) > TEXT_CHARACTERS]
            yield rows, f"text longer than {TEXT_CHARACTERS:,} characters", "shorten it"
        if FORBIDDEN_BUT_BREAKS.search("".join(texts)):
            bad = {t for t in texts if FORBIDDEN_BUT_BREAKS.search(t)}
            rows = [r for r in everything if type(values[r]) is str and values[r] in bad]
            found = "holds a control or direction-changing character"
            yield rows, found, "take it out"
    if types & {dict, list}:
        nested = [r for r in everything if isinstance(values[r], dict | list)]
        deep = [r for r in nested if _depth(values[r], 5) > DEPTH]
        yield deep, f"nested deeper than {DEPTH} levels", "write it flat"
        odd = [r for r in nested if r not in set(deep) and _hides_infinity(values[r])]
        yield odd, "a number beyond the range of a double (infinite)", "write the value"


def _depth(value: object, level: int) -> int:
    """Return the deepest level below a value; the parser has bounded it to 200."""
    if isinstance(value, dict):
        return max((_depth(v, level + 1) for v in value.values()), default=level)
    if isinstance(value, list):
        return max((_depth(v, level + 1) for v in value), default=level)
    return level


def _hides_infinity(value: object) -> bool:
    """Say whether a nested value holds an infinite number."""
    if isinstance(value, dict):
        return any(map(_hides_infinity, value.values()))
    if isinstance(value, list):
        return any(map(_hides_infinity, value))
    return isinstance(value, float) and not math.isfinite(value)


def _reject(
    layer: str, field_name: str, found: str, remedy: str, level: Level = "reject"
) -> InputError:
    """Return an error with one problem that concerns the whole file."""
    return InputError([Problem(level, layer, (), field_name, found, remedy)])
