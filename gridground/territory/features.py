"""One layer's GeoJSON file as columns: structure judged, values as they stand.

The result is kept in columns (one list per property name), because every later rule looks at one
column at a time and not at one feature at a time.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from operator import itemgetter
from pathlib import Path
from typing import Any, Final

from gridground.errors import InputError, Problem
from gridground.territory.front import (
    DEPTH,
    parse_json,
    read_bytes,
    rejection,
    without_collector,
)
from gridground.territory.text import FORBIDDEN_BUT_BREAKS, TEXT_CHARACTERS, as_id, id_fault, plain

PROPERTIES = 200
PROPERTY_NAMES = 2000  # in one file
_BOM = b"\xef\xbb\xbf"
_THREE = itemgetter("type", "properties", "geometry")
_FEATURE_MEMBERS = frozenset({"type", "properties", "geometry", "id", "bbox"})

Names = Callable[[Sequence[int]], tuple[str, ...]]


class _Missing:
    """The value of a property that a feature does not have."""

    def __repr__(self) -> str:
        return "missing"


MISSING: Final = _Missing()


@dataclass(frozen=True)
class Seen:
    """What occurs in one column, found once for all rules.

    Attributes
    ----------
    values : list
        The column.
    types : set of type
        Of the values.
    longest : int
        Characters of the longest text.
    plain : bool
        Every text is printable ASCII.
    blanks : bool
        A blank stands in one of them.
    """

    values: list[Any]
    types: frozenset[type]
    longest: int = 0
    plain: bool = True
    blanks: bool = False

    @cached_property
    def texts(self) -> frozenset[str]:
        """The distinct texts."""
        if str not in self.types:
            return frozenset()
        if self.types == {str}:
            return frozenset(self.values)
        return frozenset(value for value in self.values if type(value) is str)


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
    seen : dict of Seen
        What occurs in each column.
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
    seen: dict[str, Seen]
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
    data, name = read_bytes(path, layer), plain(path.name)
    sha256 = hashlib.sha256(data).hexdigest()
    notes = []
    if data.startswith(_BOM):
        data = data[len(_BOM) :]
        notes.append(Problem("note", layer, (), name, "begins with a byte order mark", "ignored"))
    document = parse_json(data, layer, name=name)
    del data
    with without_collector():
        features = _collection(document, layer, name)
        properties, geometries = _members(features, layer)
        columns = _columns(properties, layer)
    date = document.get("date")
    result = Features(
        layer,
        len(features),
        columns,
        {key: look(values) for key, values in columns.items()},
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
        raise rejection(
            layer, name, "is not a GeoJSON FeatureCollection", 'write {"type": "FeatureCollection"}'
        )
    features = document.get("features")
    if not isinstance(features, list):
        raise rejection(layer, name, "has no list `features`", "write one, even an empty one")
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
    if not features:
        return [], []
    try:
        kinds, properties, geometries = map(list, zip(*map(_THREE, features), strict=True))
        clean = (
            kinds.count("Feature") == len(features)
            and set(map(type, properties)) <= {dict, type(None)}
            and set(map(type, geometries)) <= {dict, type(None)}
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
    if None in properties:
        properties = [{} if one is None else one for one in properties]
    return properties, geometries


def _columns(properties: list[dict[str, Any]], layer: str) -> dict[str, list[Any]]:
    """Turn properties into one list per name, in order of first appearance."""
    if not properties:
        return {}
    first = list(properties[0])
    if len(first) > 1 and set(map(len, properties)) == {len(first)}:
        try:  # all alike: turned over in one step
            table = zip(*map(itemgetter(*first), properties), strict=True)
            return dict(zip(first, map(list, table), strict=True))
        except KeyError:
            pass
    keys: dict[str, None] = {}
    for shape in dict.fromkeys(map(tuple, properties)):  # few distinct sets of names
        keys.update(dict.fromkeys(shape))
        if len(keys) > PROPERTY_NAMES:
            found = f"more than {PROPERTY_NAMES:,} different property names"
            raise rejection(layer, "properties", found, "leave some out")
    return {key: [p.get(key, MISSING) for p in properties] for key in keys}


def look(values: list[Any]) -> Seen:
    """Return what occurs in a column."""
    texts: list[str] = values
    types: frozenset[type] = frozenset({str} if values else ())
    try:
        whole = "".join(values)  # all of them text, as in most columns
    except TypeError:
        types = frozenset({type(value) for value in values})
        if str not in types:
            return Seen(values, types)
        texts = [value for value in values if type(value) is str]
        whole = "".join(texts)
    longest = max(map(len, texts), default=0)
    return Seen(values, types, longest, whole.isascii() and whole.isprintable(), " " in whole)


def _check_members(document: dict[str, Any], features: list[Any], read: Features) -> None:
    """Refuse too many properties, too deep values, numbers out of range and hidden characters."""
    layer = read.layer
    problems: list[Problem] = []
    names = read.namer(next((key for key in read.columns if key.endswith("_id")), ""))

    def add(rows: Sequence[int], name: str, found: str, remedy: str) -> None:
        if rows:
            problems.append(Problem("reject", layer, names(rows), name, found, remedy))

    if len(read.columns) > PROPERTIES:
        rows = [r for r, f in enumerate(features) if len(f["properties"] or ()) > PROPERTIES]
        add(rows, "properties", f"more than {PROPERTIES} properties", "leave some out")
    bare = set(map(len, features)) <= {3}  # the three members that every feature has
    members: set[str] = set() if bare else set().union(*features)
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
    for key, seen in read.seen.items():
        for rows, found, remedy in _value_faults(key, read.columns[key], seen):
            add(rows, plain(key), found, remedy)
    if problems:
        raise InputError(problems)


def _value_faults(key: str, values: list[Any], seen: Seen) -> Iterator[tuple[list[int], str, str]]:
    """Yield (rows, found, remedy) of what no column may hold."""
    everything, types = range(len(values)), seen.types
    if len(key) > TEXT_CHARACTERS or FORBIDDEN_BUT_BREAKS.search(key):
        yield [0], "a property name with hidden characters or too long", "rename it"
    if float in types and (math.inf in values or -math.inf in values):
        rows = [r for r in everything if values[r] in (math.inf, -math.inf)]
        yield rows, "a number beyond the range of a double (infinite)", "write the value"
    if seen.longest > TEXT_CHARACTERS:
        rows = [r for r in everything if type(values[r]) is str]
        rows = [r for r in rows if len(values[r]) > TEXT_CHARACTERS]
        yield rows, f"text longer than {TEXT_CHARACTERS:,} characters", "shorten it"
    if not seen.plain and FORBIDDEN_BUT_BREAKS.search("".join(seen.texts)):
        bad = {t for t in seen.texts if FORBIDDEN_BUT_BREAKS.search(t)}
        rows = [r for r in everything if type(values[r]) is str and values[r] in bad]
        yield rows, "holds a control or direction-changing character", "take it out"
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
