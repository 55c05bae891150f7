"""The values a job file may hold: each reader returns the value in SI or says what is wanted.

A reader raises `ValueError` with the remedy; `Section` turns it into a problem with the field, what
stands there and the remedy, and goes on with the next key.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from gridground.errors import Problem
from gridground.keys import WHERE_STATED, key_remedy, plain_table
from gridground.tables import read_table
from gridground.territory.text import as_id, id_fault, plain, shown, text_fault
from gridground.units import parse_length_m, parse_voltage_v

T = TypeVar("T")
_CUT = re.compile(r"(?:(.+):)?(A|B|C|N|neutral)(?:@(.+))?")
_LISTED = 1000
_TOLD = 6  # entries named in one message
_FEET_INCHES = re.compile(r"\s*(\d{1,4})\s*ft\s*(\d{1,2}(?:\.\d+)?)\s*in\s*")


class Section:
    """One table of the job file: hands out its values and collects what is wrong.

    Parameters
    ----------
    name : str
        Path of the table, empty for the file itself.
    table : dict
        Its keys and values.
    problems : list of Problem
        Receives the problems of this table and of those inside it.
    """

    def __init__(self, name: str, table: dict[str, Any], problems: list[Problem]) -> None:
        self.name, self.table, self.problems = name, table, problems
        self._known: set[str] = set()
        self._inner: list[Section] = []

    def add(self, key: str, found: str, remedy: str) -> None:
        """Add a rejection about one key."""
        field = f"{self.name}.{plain(key)}" if self.name else plain(key)
        self.problems.append(Problem("reject", "job", (), field, found, remedy))

    def know(self, keys: Iterable[str]) -> None:
        """Say which keys may stand here, for those that are only read where they stand."""
        self._known.update(keys)

    def take(self, key: str, read: Callable[[object], T], *, required: bool = False) -> T | None:
        """Read one key; None where it is absent or wrong (then a problem has been added)."""
        self._known.add(key)
        if key not in self.table:
            if required:
                self.add(key, "missing", "state it")
            return None
        value = self.table[key]
        try:
            return read(value)
        except ValueError as error:
            self.add(key, f"{_what(value)} cannot be used", str(error))
            return None

    def sub(self, key: str) -> Section:
        """Return a table inside this one; an empty one where it is absent or wrong."""
        self._known.add(key)
        value = self.table.get(key, {})
        if not isinstance(value, dict):
            self.add(key, f"{shown(value)} is not a table", f"write [{key}] and its keys")
            value = {}
        inner = Section(f"{self.name}.{key}" if self.name else key, value, self.problems)
        self._inner.append(inner)
        return inner

    def each(self, key: str) -> Iterator[Section]:
        """Return the tables of a list of tables."""
        self._known.add(key)
        value = self.table.get(key, [])
        if not isinstance(value, list) or len(value) > _LISTED:
            self.add(key, f"{shown(value)} is not a list of up to {_LISTED} tables", "write one")
            return
        for place, one in enumerate(value, 1):
            where = f"{self.name}.{key}[{place}]" if self.name else f"{key}[{place}]"
            if not isinstance(one, dict):
                self.add(f"{key}[{place}]", f"{shown(one)} is not a table", "write { … }")
                continue
            inner = Section(where, one, self.problems)
            self._inner.append(inner)
            yield inner

    def refuse_unknown(self, tables: Mapping[str, frozenset[str]] | None = None) -> None:
        """Reject every key that nobody asked for, here and inside; `tables` holds known keys."""
        tables = dict(WHERE_STATED) | dict(self._tables()) if tables is None else tables
        for key in self.table:
            if key not in self._known:
                self.add(key, f"unknown key {shown(key)}", self.unknown_remedy(key, tables))
        for inner in self._inner:
            inner.refuse_unknown(tables)

    def unknown_remedy(self, key: str, tables: Mapping[str, frozenset[str]]) -> str:
        """Return what to do about a key that nobody asked for."""
        return key_remedy(key, plain_table(self.name), tables)

    def _tables(self) -> Iterator[tuple[str, frozenset[str]]]:
        """Yield the known keys of this table and of those inside it, by name."""
        yield plain_table(self.name), frozenset(self._known)
        for inner in self._inner:
            yield from inner._tables()


def _what(value: object) -> str:
    """Return a value for a message, short lists in full."""
    if isinstance(value, list) and len(value) <= 6:
        return f"[{', '.join(map(shown, value))}]"
    return shown(value)


def _number(value: object, remedy: str) -> float:
    """Return a finite number; true and false are none."""
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15:
        return float(value)  # NaN and infinity do not come here
    raise ValueError(remedy)


def as_number(low: float, high: float) -> Callable[[object], float]:
    """Return a reader of numbers within a range, ends included."""
    remedy = f"write a number, {low:,.10g} to {high:,.10g}"

    def read(value: object) -> float:
        number = _number(value, remedy)
        if not low <= number <= high:
            raise ValueError(remedy)
        return number

    return read


def as_count(low: int, high: int) -> Callable[[object], int]:
    """Return a reader of whole numbers within a range, ends included."""
    remedy = f"write a whole number, {low} to {high}"

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(remedy)
        return value

    return read


def as_length_m(low: float, high: float, *, zero: bool = False) -> Callable[[object], float]:
    """Return a reader of lengths [m]: a number is metres, text carries its unit.

    Parameters
    ----------
    low, high : float
        Range [m]; a `low` of 0 is not itself allowed unless `zero`.
    zero : bool
        Whether 0 may stand.
    """
    least = f"from {low:g}" if low > 0 or zero else "above 0"
    remedy = f'write metres or text with a unit such as "15 ft", {least} to {high:,g} m'

    def read(value: object) -> float:
        if not isinstance(value, str):
            _number(value, remedy)
        elif len(value) > 64:
            raise ValueError(remedy)
        try:
            length_m = parse_length_m(value)
        except ValueError:
            raise ValueError(remedy) from None
        if not low <= length_m <= high or (length_m == 0 and not zero):
            raise ValueError(remedy)
        return length_m

    return read


def as_distance_m(low: float, high: float) -> Callable[[object], float]:
    """Return a reader of lengths [m] that may also stand in feet and inches, "2 ft 10 in".

    Parameters
    ----------
    low, high : float
        Range [m], ends included.
    """
    plain_length = as_length_m(low, high)

    def read(value: object) -> float:
        both = (
            _FEET_INCHES.fullmatch(value) if isinstance(value, str) and len(value) <= 64 else None
        )
        if both is None:
            return plain_length(value)
        feet, inches = (float(part) for part in both.groups())
        if inches >= 12:
            raise ValueError('write feet and inches as "2 ft 10 in", fewer than 12 inches')
        return plain_length(f"{12 * feet + inches} in")

    return read


def by_id(read: Callable[[object], T], *, of: str) -> Callable[[object], dict[str, T]]:
    """Return a reader of a table with an id of the user's data before each value.

    Parameters
    ----------
    read : callable
        Reader of one value.
    of : str
        What the ids name, for the remedy.
    """

    def read_all(value: object) -> dict[str, T]:
        if not isinstance(value, dict) or len(value) > _LISTED:
            raise ValueError(f'write {{ "id of the {of}" = value, … }}')
        result, faults = {}, []
        for name, one in value.items():
            if (fault := id_fault(name)) is not None:
                faults.append(f"name the {of} by its id; {shown(name)}: {fault}")
                continue
            try:
                result[name] = read(one)
            except ValueError as error:
                faults.append(f"{shown(name)}, {shown(one)}: {error}")
        refuse_each(faults)
        return result

    return read_all


def refuse_each(faults: Sequence[str]) -> None:
    """Raise one error that tells the first few of what is wrong with entries; none for nothing."""
    if faults:
        more = len(faults) - _TOLD
        raise ValueError("; ".join(faults[:_TOLD]) + (f"; and {more} more" if more > 0 else ""))


def each_of(value: Sequence[object], read: Callable[[object], T], remedy: str) -> list[T]:
    """Read every entry of a list; one error names all that cannot be used, by number and value.

    Parameters
    ----------
    value : sequence
        As the file holds it.
    read : callable
        Reader of one entry.
    remedy : str
        What to write, said once in front of what is wrong.

    Examples
    --------
    >>> each_of([3, "x"], as_number(0, 9), "write lengths")
    Traceback (most recent call last):
        ...
    ValueError: write lengths; entry 2, 'x': write a number, 0 to 9
    """
    found, faults = [], []
    for place, one in enumerate(value, 1):
        try:
            found.append(read(one))
        except ValueError as error:
            faults.append(f"entry {place}, {shown(one)}: {error}")
    refuse_each([f"{remedy}; {faults[0]}", *faults[1:]] if faults else [])
    return found


def each_once(entries: Sequence[object], what: str) -> None:
    """Refuse a list that names something twice; the error says which entries.

    Parameters
    ----------
    entries : sequence
        As read; equal entries are one thing.
    what : str
        ``"id"``, ``"size"``, ...
    """
    first: dict[object, int] = {}
    faults = []
    for place, one in enumerate(entries, 1):
        if one in first:
            faults.append(f"entry {place} repeats entry {first[one]}, {shown(one)}")
        first.setdefault(one, place)
    refuse_each([f"name each {what} once: {faults[0]}", *faults[1:]] if faults else [])


def as_choice(value: object, words: tuple[str, ...]) -> str:
    """Read one of some words."""
    if not isinstance(value, str) or value not in words:
        raise ValueError(f"use one of: {', '.join(words)}")
    return value


def one_of(*words: str) -> Callable[[object], str]:
    """Return a reader of one of some words."""
    return lambda value: as_choice(value, words)


def as_text(value: object) -> str:
    """Read free text that is not empty."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("write text")
    if (fault := text_fault(value)) is not None:
        raise ValueError(f"write plain text: it {fault}")
    return value


def as_date(value: object) -> str:
    """Read an ISO date, as text or as a TOML date."""
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value.isoformat()
    if not isinstance(value, str) or len(value) != 10:
        raise ValueError("write a date as 2025-03-31")
    try:
        return dt.date.fromisoformat(value).isoformat()
    except ValueError:
        raise ValueError("write a date as 2025-03-31") from None


def as_ids(*, least: int = 0) -> Callable[[object], tuple[str, ...]]:
    """Return a reader of a list of ids without repetition; whole numbers are taken as text."""
    remedy = "write a list of ids" + (", at least one" if least else "")

    def read(value: object) -> tuple[str, ...]:
        if not isinstance(value, list) or not least <= len(value) <= _LISTED:
            raise ValueError(remedy)
        ids = each_of(value, _id_of_list, remedy)
        each_once(ids, "id")
        return tuple(ids)

    return read


def _id_of_list(value: object) -> str:
    """Read one id of a list; a whole number is taken as text."""
    text = as_id(value)
    if text is None:
        raise ValueError("is no id")
    if (fault := id_fault(text)) is not None:
        raise ValueError(fault)
    return text


def as_cuts(value: object) -> tuple[str, ...]:
    """Read a list of conductors that will be cut: ``A``, ``neutral``, ``F2:A``, ``A@S6``."""
    remedy = (
        'write a list of conductors, e.g. ["A"], ["neutral"]; "F2:A" names its circuit, '
        '"A@S6" the span on whose side it is cut'
    )
    if not isinstance(value, list):
        raise ValueError(remedy)  # noqa: TRY004  one error for callers
    cuts = each_of(value, _cut, remedy)
    each_once(cuts, "conductor")
    return tuple(cuts)


def _cut(value: object) -> str:
    """Read one conductor that will be cut."""
    if not isinstance(value, str) or cut_parts(value) is None:
        raise ValueError("names none")
    return value


def cut_parts(text: str) -> tuple[str | None, str, str | None] | None:
    """Return circuit, conductor and place of an entry of `open_conductor`, None where it is none.

    Examples
    --------
    >>> cut_parts("F2:A@S6"), cut_parts("N"), cut_parts("D")
    (('F2', 'A', 'S6'), (None, 'neutral', None), None)
    """
    found = _CUT.fullmatch(text)
    if found is None:
        return None
    circuit, name, place = found.groups()
    return circuit, "neutral" if name == "N" else name, place


def as_worker_limit(value: object) -> str | float:
    """Read a named tolerable-voltage rule, or a voltage [V]: a number or text with a unit."""
    rules = list(dict.fromkeys(row["rule"] for row in read_table("tolerable")))
    remedy = f'use one of: {", ".join(rules)}; or a voltage, e.g. "75 V"'
    if isinstance(value, str) and value in rules:
        return value
    if isinstance(value, bool) or (isinstance(value, str) and len(value) > 64):
        raise ValueError(remedy)
    try:
        volts = parse_voltage_v(value)
    except (ValueError, OverflowError):
        raise ValueError(remedy) from None
    if not 0 < volts <= 1000:
        raise ValueError(remedy)
    return volts
