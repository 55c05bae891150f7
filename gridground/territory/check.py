"""Column rules: each looks at one column and returns its values and what is wrong with them.

Features with the same finding are one problem with all their ids. Values are first reduced to the
distinct ones where that is possible, so that a clean column costs a few milliseconds.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import Level, Problem
from gridground.territory.columns import LAYERS, Column, bands
from gridground.territory.features import MISSING, Features, Seen, look
from gridground.territory.findings import Findings, Judged, Task, some
from gridground.territory.mapping import LayerMap, Origin
from gridground.territory.numbers import judge_number, outside_band, pole_heights
from gridground.territory.text import FORBIDDEN, ID_CHARACTERS, as_id, id_fault, near, shown

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DISTINCT = 12  # distinct wrong words with a problem of their own


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
        origin = mapping.origin(column.name)
        values, seen = _values(read, origin, column, findings)
        task = Task(column, values, seen, origin, findings)
        judged.stated[column.name] = _stated(values, seen.types)
        before = len(findings.problems)
        judged.columns[column.name] = _JUDGES[column.kind](task)
        if (read.layer, column.name) == ("poles", "height_m"):
            pole_heights(judged, findings)
        if len(findings.problems) > before:
            _forget_refused(task, judged)
        if column.name not in joined:
            _absent(task, judged)
        if (band := limits.get((read.layer, column.name))) is not None:
            outside_band(column, band, judged, findings)
        if (read.layer, column.name) == ("spans", "kind"):
            judged.columns["kind"] = _span_kinds(judged.columns["kind"])
    return judged


def _forget_refused(task: Task, judged: Judged) -> None:
    """Take refused values as not stated, so that they are not read as "known to be absent"."""
    kept = judged.columns[task.column.name]
    none = np.isnan(kept) if kept.dtype == float else np.array([one is None for one in kept])
    null = np.array([value is None for value in task.values], dtype=bool)
    judged.stated[task.column.name] &= null | ~none


def _span_kinds(kind: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return the kinds with the contract's `overhead` where none is stated."""
    array = np.empty(len(kind), dtype=object)
    array[:] = [one or "overhead" for one in kind]
    return array


def _joined(read: Features, mapping: LayerMap) -> set[str]:
    """Return the columns that joining by nearness will fill."""
    if mapping.join_m is None:
        return set()
    return {"from_pole", "to_pole"} if read.layer == "spans" else {"pole_id"}


def _values(
    read: Features, origin: Origin, column: Column, findings: Findings
) -> tuple[list[Any], Seen]:
    """Return the raw values of a column, words translated."""
    if origin.key not in read.columns:
        if origin.key != column.name and read.count:
            near_names = near(origin.key, read.columns)
            remedy = f"did you mean {' or '.join(map(shown, near_names))}?" if near_names else ""
            found = f"columns.toml names {shown(origin.key)}, which no feature has"
            problem = Problem("reject", read.layer, (), column.name, found, remedy or "mend it")
            findings.problems.append(problem)
        nothing: list[Any] = [MISSING] * read.count
        return nothing, Seen(nothing, frozenset({type(MISSING)}))
    values, seen = read.columns[origin.key], read.seen[origin.key]
    if origin.values:
        translate = origin.values
        values = [translate.get(v, v) if isinstance(v, str) else v for v in values]
        seen = look(values)
    return values, seen


def _stated(values: list[Any], types: frozenset[type]) -> NDArray[np.bool_]:
    """Return where the key is there at all."""
    if type(MISSING) not in types:
        return np.ones(len(values), dtype=bool)
    if types == {type(MISSING)}:
        return np.zeros(len(values), dtype=bool)
    return np.array([value is not MISSING for value in values], dtype=bool)


def _absent(task: Task, judged: Judged) -> None:
    """Report missing keys and nulls that are not known to mean anything."""
    column = task.column
    wanted = judged.of_kinds(column.only)
    cases: list[tuple[Level, NDArray[np.bool_], str]] = []
    if column.missing is not None and type(MISSING) in task.types:
        missing = np.array([value is MISSING for value in task.values], dtype=bool)
        cases.append((column.missing, missing, "missing"))
    if column.null is not None and type(None) in task.types:
        nulls = np.array([value is None for value in task.values], dtype=bool)
        cases.append((column.null, nulls, "null"))
    for level, where, found in cases:
        remedy = "state it"
        if column.null_means:
            remedy += f", or null where there is {column.null_means}"
        if column.needed:
            remedy += f"; it decides {column.needed}"
        task.findings.add(level, np.flatnonzero(where & wanted), column.name, found, remedy)


def _other_types(task: Task, wanted: set[type], asked: str) -> set[int]:
    """Reject values of a wrong type and return their rows."""
    others = task.types - wanted - {type(None), type(MISSING)}
    if not others:
        return set()
    rows = task.rows(lambda v: type(v) in others)
    task.reject(rows, f"{some([task.values[r] for r in rows])} is not {asked}", f"write {asked}")
    return set(rows)


def _judge_id(task: Task) -> NDArray[np.object_]:
    """Ids and references: text of 1 to 64 printable characters, whole numbers as text."""
    array = task.array()
    if task.types & {int, float}:
        rows = task.rows(lambda v: type(v) in {int, float})
        bad = [row for row in rows if as_id(array[row]) is None]
        task.reject(
            bad,
            f"{some([array[r] for r in bad])} is not a usable id",
            "write text or a whole number",
        )
        for row in rows:
            array[row] = as_id(array[row])
    wrong = _other_types(task, {str, int, float}, "text")
    if wrong:
        array[sorted(wrong)] = None
    if task.types <= {str, type(None), type(MISSING)} and _clean(task.seen):
        return array
    texts = {value for value in array if value is not None}
    faults = {text: fault for text in texts if (fault := id_fault(text)) is not None}
    by_fault: dict[str, list[int]] = {}
    for row, value in enumerate(array):
        if value in faults:
            by_fault.setdefault(faults[value], []).append(row)
    for fault, rows in by_fault.items():
        found = f"{some([array[r] for r in rows])}: {fault}"
        task.reject(rows, found, f"use 1 to {ID_CHARACTERS} printable characters")
        array[rows] = None
    return array


def _clean(seen: Seen) -> bool:
    """Say quickly that nothing is wrong with any of the ids."""
    if not seen.plain or seen.longest > ID_CHARACTERS or "" in seen.values:
        return False
    return not seen.blanks or all(text == text.strip() for text in seen.texts)


def _judge_word(task: Task) -> NDArray[np.object_]:
    """Words out of a list."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "text"))
    array[rows] = None
    bad = set(task.seen.texts) - set(task.column.values)
    _reject_each(task, array, bad, lambda _: f"use one of: {', '.join(task.column.values)}")
    return array


def _reject_each(
    task: Task, array: NDArray[np.object_], bad: set[str], remedy: Callable[[str], str]
) -> None:
    """Reject wrong words, each with a problem of its own as long as they are few."""
    if not bad:
        return
    rows_of: dict[str, list[int]] = {}
    for row, value in enumerate(array):
        if value in bad:
            rows_of.setdefault(value, []).append(row)
    words = list(rows_of)
    for word in words[:_DISTINCT]:
        task.reject(rows_of[word], f"unknown {shown(word)}", remedy(word))
    if rest := [row for word in words[_DISTINCT:] for row in rows_of[word]]:
        rest.sort()
        task.reject(rest, f"unknown {some([array[r] for r in rest])}", remedy(words[_DISTINCT]))
    for rows in rows_of.values():
        array[rows] = None


def _judge_phases(task: Task) -> NDArray[np.object_]:
    """Phase letters out of ABC, none twice."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "letters out of ABC"))
    array[rows] = None
    bad = {t for t in task.seen.texts if not t or set(t) - set("ABC") or len(set(t)) < len(t)}
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


def _judge_text(task: Task) -> NDArray[np.object_]:
    """Free text (its length and characters have been judged by the front reader)."""
    array = task.array()
    rows = sorted(_other_types(task, {str}, "text"))
    array[rows] = None
    if not task.seen.plain:
        bad = [r for r, v in enumerate(array) if v is not None and FORBIDDEN.search(v)]
        task.reject(bad, "holds a control or direction-changing character", "take it out")
        array[bad] = None
    return array


def _judge_date(task: Task) -> NDArray[np.object_]:
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
    task.reject(rows, f"{some([array[r] for r in rows])} is not a date", "write it as 2025-03-31")
    array[rows] = None
    return array


def _judge_protection(task: Task) -> NDArray[np.object_]:
    """Protection objects; what stands in them is judged with the circuits and devices."""
    array = task.array()
    rows = sorted(_other_types(task, {dict}, "a protection object"))
    array[rows] = None
    return array


_JUDGES: dict[str, Callable[[Task], NDArray[Any]]] = {
    "number": judge_number,
    "id": _judge_id,
    "ref": _judge_id,
    "word": _judge_word,
    "phases": _judge_phases,
    "text": _judge_text,
    "date": _judge_date,
    "protection": _judge_protection,
}
