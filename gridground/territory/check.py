"""Column rules: each looks at one column and returns its values and what is wrong with them.

Features with the same finding are one problem with all their ids. Values are first reduced to the
distinct ones where that is possible, so that a clean column costs a few milliseconds.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import Level, Problem
from gridground.territory.columns import LAYERS, Band, Column, bands
from gridground.territory.front import MISSING, Features, Names
from gridground.territory.mapping import LayerMap, Origin
from gridground.territory.text import FORBIDDEN, ID_CHARACTERS, as_id, id_fault, near, shown
from gridground.units import parse_length_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SHOWN = 3
_DISTINCT = 12  # distinct wrong words with a problem of their own
# What a value usually is when it lies outside its band: (unit of the column, factor that brings it
# back, what to say).
_SLIPS: tuple[tuple[str, float, str], ...] = (
    ("m", 0.3048, "feet written as metres?"),
    ("m", 3.28084, "converted from feet twice?"),
    ("m", 0.001, "millimetres written as metres?"),
    ("A", 1000.0, "kA written as A?"),
    ("kV", 0.001, "V written as kV?"),
    ("s", 1 / 60, "cycles written as seconds?"),
    ("s", 0.001, "milliseconds written as seconds?"),
    ("ohm", 0.001, "milliohm written as ohm?"),
)


@dataclass
class Judged:
    """The columns of one layer after the column rules."""

    columns: dict[str, NDArray[Any]] = field(default_factory=dict)
    stated: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


class Findings:
    """Collects problems of one layer."""

    def __init__(self, layer: str, names: Names) -> None:
        self.layer, self.names = layer, names
        self.problems: list[Problem] = []

    def add(
        self, level: Level, rows: Iterable[int], column: str, found: str, remedy: str = ""
    ) -> None:
        """Add a problem about features, if there are any."""
        ids = self.names([int(row) for row in rows])
        if ids:
            self.problems.append(Problem(level, self.layer, ids, column, found, remedy))


def check_columns(read: Features, mapping: LayerMap) -> Judged:
    """Judge every column of a layer.

    Parameters
    ----------
    read : Features
        As read from the file.
    mapping : LayerMap
        Names and units of the export.

    Returns
    -------
    Judged
        Every column of the contract, ``None`` or NaN where there is no usable value; which keys
        are stated; problems.
    """
    columns = LAYERS[read.layer]
    names = read.namer(mapping.origin(columns[0].name).key)
    findings = Findings(read.layer, names)
    judged = Judged(problems=findings.problems)
    limits = bands()
    joined = _joined(read, mapping)
    for column in columns:
        values, types = _values(read, mapping.origin(column.name), column, findings)
        judged.stated[column.name] = _stated(values, types)
        judge = _NUMBER if column.kind == "number" else _JUDGES[column.kind]
        array = judge(_Task(column, values, types, mapping.origin(column.name), findings))
        judged.columns[column.name] = array
        if column.name not in joined:
            _absent(column, values, types, judged, findings)
        if (band := limits.get((read.layer, column.name))) is not None:
            _outside_band(column, band, judged, findings)
    if read.layer == "spans":
        kind = judged.columns["kind"]
        kind[kind == np.array(None)] = "overhead"
    if read.layer == "poles":
        _pole_heights(judged, findings)
    return judged


@dataclass(frozen=True)
class _Task:
    """One column to judge."""

    column: Column
    values: list[Any]
    types: set[type]
    origin: Origin
    findings: Findings

    def reject(self, rows: Iterable[int], found: str, remedy: str) -> None:
        """Reject the value of some features."""
        self.findings.add("reject", rows, self.column.name, found, remedy)

    def rows(self, bad: Callable[[Any], bool]) -> list[int]:
        """Return the rows whose value is bad."""
        return [row for row, value in enumerate(self.values) if bad(value)]

    def array(self) -> NDArray[np.object_]:
        """Return the values as an object array, None where there is none."""
        array = np.empty(len(self.values), dtype=object)
        if type(MISSING) in self.types:
            array[:] = [None if value is MISSING else value for value in self.values]
        else:
            array[:] = self.values
        return array


def _joined(read: Features, mapping: LayerMap) -> set[str]:
    """Return the columns that joining by nearness will fill."""
    if mapping.join_m is None:
        return set()
    return {"from_pole", "to_pole"} if read.layer == "spans" else {"pole_id"}


def _values(
    read: Features, origin: Origin, column: Column, findings: Findings
) -> tuple[list[Any], set[type]]:
    """Return the raw values of a column, words translated."""
    if origin.key not in read.columns:
        if origin.key != column.name and read.count:
            near_names = near(origin.key, read.columns)
            remedy = f"did you mean {' or '.join(map(shown, near_names))}?" if near_names else ""
            found = f"columns.toml names {shown(origin.key)}, which no feature has"
            problem = Problem("reject", read.layer, (), column.name, found, remedy or "mend it")
            findings.problems.append(problem)
        return [MISSING] * read.count, {type(MISSING)} if read.count else set()
    values, types = read.columns[origin.key], read.types[origin.key]
    if origin.values:
        translate = origin.values
        values = [translate.get(v, v) if isinstance(v, str) else v for v in values]
        types = set(map(type, values))
    return values, types


def _stated(values: list[Any], types: set[type]) -> NDArray[np.bool_]:
    """Return where the key is there at all."""
    if type(MISSING) not in types:
        return np.ones(len(values), dtype=bool)
    return np.array([value is not MISSING for value in values], dtype=bool)


def _absent(
    column: Column, values: list[Any], types: set[type], judged: Judged, findings: Findings
) -> None:
    """Report missing keys and nulls that are not known to mean anything."""
    wanted: set[int] | None = None
    for kind, level, sign, found in (
        (type(MISSING), column.missing, MISSING, "missing"),
        (type(None), column.null, None, "null"),
    ):
        if level is None or kind not in types:
            continue
        rows = [row for row, value in enumerate(values) if value is sign]
        if column.only:
            if wanted is None:
                kinds = judged.columns["kind"]
                wanted = {r for r, k in enumerate(kinds) if (k or "overhead") in column.only}
            rows = [row for row in rows if row in wanted]
        remedy = "state it"
        if column.null_means:
            remedy += f", or null where there is {column.null_means}"
        if column.needed:
            remedy += f"; it decides {column.needed}"
        findings.add(level, rows, column.name, found, remedy)


def _other_types(task: _Task, wanted: set[type], asked: str) -> set[int]:
    """Reject values of a wrong type and return their rows."""
    others = task.types - wanted - {type(None), type(MISSING)}
    if not others:
        return set()
    rows = task.rows(lambda v: type(v) in others)
    task.reject(rows, f"{_some([task.values[r] for r in rows])} is not {asked}", f"write {asked}")
    return set(rows)


def _some(values: Sequence[Any]) -> str:
    """Return the first few distinct values for a message."""
    distinct = list(dict.fromkeys(map(shown, values)))
    more = f" and {len(distinct) - _SHOWN} more" if len(distinct) > _SHOWN else ""
    return ", ".join(distinct[:_SHOWN]) + more


def _judge_id(task: _Task) -> NDArray[np.object_]:
    """Ids and references: text of 1 to 64 printable characters, whole numbers as text."""
    array = task.array()
    if task.types & {int, float}:
        rows = task.rows(lambda v: type(v) in {int, float})
        bad = [row for row in rows if as_id(array[row]) is None]
        task.reject(
            bad,
            f"{_some([array[r] for r in bad])} is not a usable id",
            "write text or a whole number",
        )
        for row in rows:
            array[row] = as_id(array[row])
    wrong = _other_types(task, {str, int, float}, "text")
    if wrong:
        array[sorted(wrong)] = None
    texts = {value for value in array if value is not None}
    if _clean(texts):
        return array
    faults = {text: fault for text in texts if (fault := id_fault(text)) is not None}
    by_fault: dict[str, list[int]] = {}
    for row, value in enumerate(array):
        if value in faults:
            by_fault.setdefault(faults[value], []).append(row)
    for fault, rows in by_fault.items():
        found = f"{_some([array[r] for r in rows])}: {fault}"
        task.reject(rows, found, f"use 1 to {ID_CHARACTERS} printable characters")
        array[rows] = None
    return array


def _clean(texts: set[str]) -> bool:
    """Say quickly that nothing is wrong with any of the ids."""
    if "" in texts or not texts:
        return not texts
    whole = "".join(texts)
    return (
        whole.isascii()
        and max(map(len, texts)) <= ID_CHARACTERS
        and FORBIDDEN.search(whole) is None
        and not any(text[0] == " " or text[-1] == " " for text in texts)
    )


def _judge_word(task: _Task) -> NDArray[np.object_]:
    """Words out of a list."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "text"))
    array[rows] = None
    bad = {value for value in array if value is not None} - set(task.column.values)
    _reject_each(task, array, bad, lambda word: f"use one of: {', '.join(task.column.values)}")  # noqa: ARG005
    return array


def _reject_each(
    task: _Task, array: NDArray[np.object_], bad: set[str], remedy: Callable[[str], str]
) -> None:
    """Reject wrong words, each with a problem of its own as long as they are few."""
    rows_of: dict[str, list[int]] = {}
    for row, value in enumerate(array):
        if value in bad:
            rows_of.setdefault(value, []).append(row)
    words = list(rows_of)
    for word in words[:_DISTINCT]:
        task.reject(rows_of[word], f"unknown {shown(word)}", remedy(word))
    if rest := [row for word in words[_DISTINCT:] for row in rows_of[word]]:
        rest.sort()
        task.reject(rest, f"unknown {_some([array[r] for r in rest])}", remedy(words[_DISTINCT]))
    for rows in rows_of.values():
        array[rows] = None


def _judge_phases(task: _Task) -> NDArray[np.object_]:
    """Phase letters out of ABC, none twice."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "letters out of ABC"))
    array[rows] = None
    texts = {value for value in array if value is not None}
    bad = {t for t in texts if not t or set(t) - set("ABC") or len(set(t)) < len(t)}
    _reject_each(task, array, bad, _phases_remedy)
    return array


def _phases_remedy(text: str) -> str:
    """Return what to write instead of wrong phase letters."""
    upper = text.upper()
    if "N" in upper:
        return "use letters out of ABC; the neutral is named in neutral_conductor"
    if upper != text and not set(upper) - set("ABC"):
        return f"use capital letters: {shown(upper)}"
    if len(set(text)) < len(text):
        return "name each phase once"
    return "use letters out of ABC, e.g. ABC, AC or B"


def _judge_text(task: _Task) -> NDArray[np.object_]:
    """Free text (its length and characters have been judged by the front reader)."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "text"))
    array[rows] = None
    if str in task.types:
        bad = [r for r, v in enumerate(array) if v is not None and FORBIDDEN.search(v)]
        task.reject(bad, "holds a control or direction-changing character", "take it out")
        array[bad] = None
    return array


def _judge_date(task: _Task) -> NDArray[np.object_]:
    """ISO dates."""
    array = _judge_text(task)

    def wrong(text: str | None) -> bool:
        if text is None:
            return False
        try:
            dt.date.fromisoformat(text)
        except ValueError:
            return True
        return len(text) != 10

    rows = [row for row, value in enumerate(array) if wrong(value)]
    task.reject(rows, f"{_some([array[r] for r in rows])} is not a date", "write it as 2025-03-31")
    array[rows] = None
    return array


def _judge_protection(task: _Task) -> NDArray[np.object_]:
    """Protection objects; what stands in them is judged with the circuits and devices."""
    array = task.array()
    rows = sorted(_other_types(task, {dict}, "a protection object"))
    array[rows] = None
    return array


def _judge_number(task: _Task) -> NDArray[np.float64]:
    """Numbers: finite, no text and no true or false, within what can be at all."""
    column, values = task.column, task.values
    if others := task.types - {int, float, type(None), type(MISSING)}:
        rows = task.rows(lambda v: type(v) in others)
        wrong = [values[row] for row in rows]
        found = f"{_some(wrong)} is not a number"
        if str in others:
            found = f"text in a number column: {_some(wrong)}"
        task.reject(rows, found, _number_remedy(column, wrong[0]))
    if task.types - {int, float, type(None)}:
        values = [v if type(v) in {int, float} else None for v in values]
    try:
        array = np.array(values, dtype=float)
    except OverflowError:
        rows = task.rows(lambda v: type(v) is int and abs(v) > 1e300)
        task.reject(rows, "a number beyond the range of a double (infinite)", "write the value")
        array = np.array([None if r in set(rows) else v for r, v in enumerate(values)], float)
    array = array * task.origin.factor
    for bad, found in _impossible(column, array):
        rows = [int(row) for row in np.flatnonzero(bad)]
        if rows:
            smallest, largest = array[rows].min(), array[rows].max()
            which = f"{smallest:,g}" if smallest == largest else f"{smallest:,g} to {largest:,g}"
            remedy = f"write {column.unit or 'the value'}" + _range(column)
            task.reject(rows, f"{which} {column.unit} {found}".replace("  ", " "), remedy)
            array[rows] = np.nan
    return array


def _impossible(column: Column, array: NDArray[np.float64]) -> list[tuple[NDArray[np.bool_], str]]:
    """Return where a value cannot be, with the words for it."""
    result = []
    if column.low is not None:
        if column.low == 0:
            result.append((array < 0, "is negative"))
            if column.above:
                result.append((array == 0, "must be above zero"))
        else:
            result.append((array < column.low, "cannot be"))
    if column.high is not None:
        result.append((array > column.high, "cannot be"))
    if column.name == "frequency_hz":
        return [((~np.isnan(array)) & (array != 50) & (array != 60), "is not 50 or 60")]
    return result


def _range(column: Column) -> str:
    """Return the possible range of a column for a remedy."""
    low = "above 0" if column.above else f"{column.low:,g}"
    if column.low is not None and column.high is not None:
        return f", {low} to {column.high:,g}"
    return ""


def _number_remedy(column: Column, value: object) -> str:
    """Return what to write instead of text in a number column."""
    unit = f" of {column.unit}" if column.unit else ""
    remedy = f"write a number{unit} without quotes"
    if column.unit == "m" and isinstance(value, str):
        try:
            return f"{remedy} ({value.strip()[:20]} = {parse_length_m(value):.6g})"
        except ValueError:
            return remedy
    return remedy


def _outside_band(column: Column, band: Band, judged: Judged, findings: Findings) -> None:
    """Report values that can be but hardly are."""
    array = judged.columns[column.name]
    outside = (array < band.low) | (array > band.high)
    if band.only and outside.any():
        outside &= np.isin([kind or "overhead" for kind in judged.columns["kind"]], band.only)
    if findings.layer == "poles" and column.name == "height_m" and outside.any():
        outside &= np.array([m != "pad" for m in judged.columns["material"]])
    rows = np.flatnonzero(outside)
    if not len(rows):
        return
    smallest, largest = array[rows].min(), array[rows].max()
    which = f"{smallest:,g}" if smallest == largest else f"{smallest:,g} to {largest:,g}"
    found = f"{which} {band.unit} is hardly possible (usual: {band.text})"
    for unit, factor, words in _SLIPS:
        if unit == column.unit and _inside(array[rows] * factor, band):
            found += f"; {words}"
            break
    findings.add("open item", rows, column.name, found, f"confirm or correct it: {band.reason}")


def _inside(values: NDArray[np.float64], band: Band) -> bool:
    """Say whether all values lie in a band."""
    return bool(((values >= band.low) & (values <= band.high)).all())


def _pole_heights(judged: Judged, findings: Findings) -> None:
    """A pad stands at ground level; a pole is at least 4 m high."""  # noqa: D401
    height, material = judged.columns["height_m"], judged.columns["material"]
    pad = material == "pad"
    high_pad = np.flatnonzero(pad & (height > 0))
    findings.add("reject", high_pad, "height_m", "a pad is at ground level", "write 0")
    unknown = np.array([m is None for m in material], dtype=bool)
    low = np.flatnonzero((height < 4) & ~pad & ~(unknown & (height == 0)))
    findings.add(
        "reject", low, "height_m", _heights(height[low]) + " m is no pole", "write metres, 4 to 60"
    )
    height[low] = np.nan
    height[high_pad] = np.nan


def _heights(values: NDArray[np.float64]) -> str:
    """Return heights for a message."""
    return _some([float(value) for value in values])


_JUDGES: dict[str, Callable[[_Task], NDArray[Any]]] = {
    "id": _judge_id,
    "ref": _judge_id,
    "word": _judge_word,
    "phases": _judge_phases,
    "text": _judge_text,
    "date": _judge_date,
    "protection": _judge_protection,
}
_NUMBER: Callable[[_Task], NDArray[Any]] = _judge_number
