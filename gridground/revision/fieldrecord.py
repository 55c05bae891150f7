"""The field record: what was ticked and measured, when and by whom, as the tablet exports it.

A record is an account of ticks and readings. A tick says "ticked by … at …" and nothing more.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.jobclearance import as_moment
from gridground.jobvalues import Section, as_choice, as_count
from gridground.revision.checkwords import check_words
from gridground.revision.tellings import (
    LEAD_KEYS,
    READERS,
    ROD_KEYS,
    VEHICLE_KEY,
    as_words,
)
from gridground.territory.front import parse_json, read_bytes
from gridground.territory.text import id_fault, nearest_key, plain, shown

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Mapping

RECORD_FORMAT = "gridground-record/1"
RECORD_BYTES = 4_000_000
MOST_ENTRIES = 10_000
_HEX = re.compile(r"[0-9a-f]{64}")
_JOB_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
KINDS = ("tick", "undo", "on the line", "off the line", "measured", "lead used", "refused")
# What an entry of each kind holds beside seq, kind, who and at.
KEYS = {
    "tick": ("step_id", "values"),
    "undo": ("undoes",),
    "on the line": (),
    "off the line": (),
    "measured": ("pole_id", "values"),
    "lead used": ("lead_id", "values"),
    "refused": ("step_id", "values", "why"),
}
# What it may hold too: the questions that were pressed over, and what was found after a reading.
MAY_HOLD = {"tick": ("asked", "found"), "lead used": ("asked",)}
MOST_ASKED = 12
_TICK_KEYS = (*ROD_KEYS, VEHICLE_KEY, *LEAD_KEYS, "detector")
REFUSED_KEYS = ("detector", "typed")


@dataclass(frozen=True)
class Entry:
    """One entry of a record.

    Attributes
    ----------
    seq : int
        Its number, from 1 without gaps.
    kind : str
        One of `KINDS`.
    who : str
        Who made it; of ``"on the line"`` and ``"off the line"`` the person on the line.
    at : str
        ISO 8601 with the offset from UTC, whole seconds.
    about : str or None
        Step, pole or lead id; None for the kinds that name none.
    undoes : int or None
        Number of the entry that an ``"undo"`` takes back.
    values : dict
        What was measured, or told and refused.
    why : str or None
        Of a ``"refused"``: why the step was not ticked.
    asked : tuple of str
        The page's questions that were answered by pressing again.
    found : str or None
        Of a tick after a refused reading: what was found, in the words of who ticked.
    """

    seq: int
    kind: str
    who: str
    at: str
    about: str | None = None
    undoes: int | None = None
    values: dict[str, Any] = field(default_factory=dict)
    why: str | None = None
    asked: tuple[str, ...] = ()
    found: str | None = None

    @property
    def said(self) -> str:
        """Who, and when."""
        return f"{self.who} at {self.at}"


@dataclass(frozen=True)
class FieldRecord:
    """A record as read.

    Attributes
    ----------
    job_id, plan_hash, revision
        Of the plan it was made with.
    exported_at : str
        ISO 8601 with the offset from UTC.
    entries : tuple of Entry
        In order.
    input : dict
        ``{"layer": "record:<hash>", "sha256", "rows", "date"}`` of the file.
    check : str
        The four words that the tablet reads out over the radio with this very record.
    """

    job_id: str
    plan_hash: str
    revision: int
    exported_at: str
    entries: tuple[Entry, ...]
    input: dict[str, Any]
    check: str

    @property
    def undone(self) -> frozenset[int]:
        """Numbers of the entries that were taken back."""
        return frozenset(one.undoes for one in self.entries if one.undoes is not None)

    @property
    def standing(self) -> tuple[Entry, ...]:
        """The entries that count: neither taken back nor an undo.

        What was refused stays: a reading that somebody saw is not unseen by a press.
        """
        gone = self.undone
        return tuple(
            one
            for one in self.entries
            if one.kind == "refused" or (one.seq not in gone and one.kind != "undo")
        )


class _Part(Section):
    """One object of the record."""

    def add(self, key: str, found: str, remedy: str) -> None:
        """Add a rejection about one key."""
        place = f"{self.name}.{plain(key)}" if self.name else plain(key)
        self.problems.append(Problem("reject", "record", (), place, found, remedy))

    def unknown_remedy(self, key: str, tables: Mapping[str, frozenset[str]]) -> str:
        """Name the nearest key of this object, or the kind of entry that has the key."""
        del tables  # those of a job file
        known = f"known here: {', '.join(sorted(self._known))}"
        kinds = [kind for kind, keys in KEYS.items() if key in (*keys, *MAY_HOLD.get(kind, ()))]
        kinds += [
            f"{kind} (in its values)"
            for kind, keys in (
                ("tick", _TICK_KEYS),
                ("measured", ROD_KEYS),
                ("lead used", LEAD_KEYS),
            )
            if key in keys
        ]
        if kinds:
            return f"it belongs to an entry of kind {' or '.join(kinds)}; {known}"
        if (found := nearest_key(key, self._known)) is not None:
            return f"did you mean {shown(found)}?"
        return f"leave it out; {known}"

    def inside(self, key: str) -> _Part:
        """Return an object inside this one; an empty one where it is absent or wrong."""
        self.know((key,))
        value = self.table.get(key, {})
        if not isinstance(value, dict):
            self.add(key, f"{shown(value)} is not an object", "write { … }")
            value = {}
        return _Part(f"{self.name}.{key}", value, self.problems)


def read_record(path: str | os.PathLike[str]) -> FieldRecord:
    """Read a field record strictly.

    Parameters
    ----------
    path : str or path
        A JSON file of format ``gridground-record/1``.

    Returns
    -------
    FieldRecord
        Whose entries are numbered without gaps; not yet held against a plan.

    Raises
    ------
    InputError
        With every problem at once, layer ``"record"``; fields name their entry.
    """
    file = Path(path)
    try:
        data = read_bytes(file, "record", limit=RECORD_BYTES)
    except (OSError, ValueError) as error:  # a name too long, a zero byte
        problem = Problem(
            "reject", "record", (), shown(str(file)), "is not a usable path", "give the file"
        )
        raise InputError([problem]) from error
    return parse_record(data, name=plain(file.name))


def parse_record(data: bytes, *, name: str) -> FieldRecord:
    """Read a field record from its bytes.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        How messages call it.

    Raises
    ------
    InputError
        As `read_record`.
    """
    document = parse_json(data.removeprefix(b"\xef\xbb\xbf"), "record", name=name)
    if not isinstance(document, dict):
        problem = Problem(
            "reject", "record", (), name, "is not an object", "give the record the tablet exported"
        )
        raise InputError([problem])
    problems: list[Problem] = []
    top = _Part("", document, problems)
    top.take("format", lambda value: as_choice(value, (RECORD_FORMAT,)), required=True)
    job_id = top.take("job_id", _matching(_JOB_ID, "the job's id"), required=True)
    plan_hash = top.take("plan_hash", _matching(_HEX, "64 hexadecimal digits"), required=True)
    revision = top.take("revision", as_count(1, 100_000), required=True)
    exported_at = top.take("exported_at", as_moment, required=True)
    entries = _entries(top)
    top.refuse_unknown()
    if problems or not (job_id and plan_hash and revision and exported_at):
        raise InputError(problems)
    digest = hashlib.sha256(data).hexdigest()
    row = {
        "layer": f"record:{digest[:12]}",
        "sha256": digest,
        "rows": len(entries),
        "date": exported_at[:10],
    }
    named = (job_id, plan_hash, revision, exported_at)
    return FieldRecord(*named, tuple(entries), row, check_words(document))


def _entries(top: _Part) -> list[Entry]:
    """Read every entry; numbers must run on and an undo must find what it takes back."""
    top.know(("entries",))
    rows = top.table.get("entries")
    if not isinstance(rows, list) or len(rows) > MOST_ENTRIES:
        found = "missing" if "entries" not in top.table else f"{shown(rows)} is no list"
        top.add("entries", found, f"write a list of up to {MOST_ENTRIES:,} entries")
        return []
    entries: list[Entry] = []
    kinds: dict[int, str] = {}
    taken_back: set[int] = set()
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            top.add(f"entries[{number}]", f"{shown(row)} is not an object", "write { … }")
            continue
        part = _Part(f"entries[{number}]", row, top.problems)
        entry = _entry(part, number)
        part.refuse_unknown()
        if entry is None:
            continue
        if entry.undoes is not None:
            _check_undo(part, entry.undoes, kinds, taken_back)
        kinds[number] = entry.kind
        entries.append(entry)
    return entries


def _check_undo(part: _Part, undoes: int, kinds: dict[int, str], taken_back: set[int]) -> None:
    """Refuse an undo of what is no earlier entry, is an undo or was taken back before."""
    if undoes not in kinds:
        part.add("undoes", f"{undoes} is no earlier entry", "name the entry that is taken back")
    elif kinds[undoes] == "undo":
        part.add("undoes", f"entry {undoes} is an undo itself", "make the entry again instead")
    elif undoes in taken_back:
        part.add("undoes", f"entry {undoes} was taken back before", "leave one of the two out")
    taken_back.add(undoes)


def _entry(part: _Part, number: int) -> Entry | None:
    """Read one entry; None where a problem was added."""
    before = len(part.problems)
    seq = part.take("seq", as_count(1, MOST_ENTRIES), required=True)
    if seq is not None and seq != number:
        part.add("seq", f"{seq} stands at place {number}", "number the entries 1, 2, 3 … in order")
    kind = part.take("kind", lambda value: as_choice(value, KINDS), required=True)
    who = part.take("who", as_words(200), required=True)
    at = part.take("at", as_moment, required=True)
    about, undoes, values = _about(part, kind)
    why = part.take("why", as_words(200), required=True) if kind == "refused" else None
    more = {key: part.take(key, MORE[key]) for key in MAY_HOLD.get(str(kind), ())}
    if len(part.problems) > before or not (kind and who and at):
        return None
    held = {key: value for key, value in more.items() if value is not None}
    return Entry(number, kind, who, at, about, undoes, values, why, **held)


def _about(part: _Part, kind: str | None) -> tuple[str | None, int | None, dict[str, Any]]:
    """Read what belongs to one kind of entry."""
    if kind == "tick":
        return part.take("step_id", _id, required=True), None, _values(part, every=True)
    if kind == "undo":
        return None, part.take("undoes", as_count(1, MOST_ENTRIES), required=True), {}
    if kind == "measured":
        return part.take("pole_id", _id, required=True), None, _values(part, keys=ROD_KEYS)
    if kind == "lead used":
        return part.take("lead_id", _id, required=True), None, _values(part, keys=LEAD_KEYS)
    if kind == "refused":
        return part.take("step_id", _id, required=True), None, _values(part, keys=REFUSED_KEYS)
    if kind is None:  # the keys of every kind are let pass, so that only the kind is named
        part.know(("step_id", "undoes", "pole_id", "lead_id", "values", "why", *MORE))
    return None, None, {}


def _values(part: _Part, *, keys: tuple[str, ...] = (), every: bool = False) -> dict[str, Any]:
    """Read the values of an entry; a kind that measures must hold one."""
    inner = part.inside("values")
    readers = {key: READERS[key] for key in (_TICK_KEYS if every else keys)}
    found = {key: inner.take(key, read) for key, read in readers.items() if key in inner.table}
    inner.know(readers)
    inner.refuse_unknown()
    if not every and not inner.table:
        part.add("values", "missing or empty", f"state one or more of {', '.join(keys)}")
    if ("rod_lon" in inner.table) != ("rod_lat" in inner.table):
        inner.add("rod_lon", "stands without rod_lat, or rod_lat without it", "state both")
    if "rod_accuracy_m" in inner.table and "rod_lon" not in inner.table:
        inner.add("rod_accuracy_m", "stands without a position", "state rod_lon and rod_lat too")
    if "rod_taped_m" in inner.table and not {"rod_lon", "rod_bearing_deg"} & inner.table.keys():
        remedy = "state rod_bearing_deg from the pole, or rod_lon and rod_lat, too"
        inner.add("rod_taped_m", "stands without a direction", remedy)
    if "rod_bearing_deg" in inner.table and "rod_taped_m" not in inner.table:
        inner.add("rod_bearing_deg", "stands without a distance", "state rod_taped_m too")
    return {key: value for key, value in found.items() if value is not None}


def _matching(pattern: re.Pattern[str], what: str) -> Callable[[object], str]:
    """Return a reader of text of one form."""

    def read(value: object) -> str:
        if not isinstance(value, str) or pattern.fullmatch(value) is None:
            raise ValueError(f"write {what}")
        return value

    return read


def _id(value: object) -> str:
    """Read an id of the plan."""
    if not isinstance(value, str) or (fault := id_fault(value)) is not None:
        raise ValueError("write an id of the plan" if not isinstance(value, str) else str(fault))
    return value


def _asked(value: object) -> tuple[str, ...]:
    """Read the questions that somebody pressed over."""
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_ASKED:
        raise ValueError(f"write a list of 1 to {MOST_ASKED} texts, or leave it out")
    return tuple(map(as_words(400), value))


MORE: dict[str, Callable[[object], Any]] = {"asked": _asked, "found": as_words(200)}
