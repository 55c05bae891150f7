"""The values a job file may hold: each reader returns the value in SI or says what is wanted.

A reader raises `ValueError` with the remedy; `Section` turns it into a problem with the field, what
stands there and the remedy, and goes on with the next key.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar

from gridground.errors import Problem
from gridground.job import RodSpec
from gridground.keys import WHERE_STATED, key_remedy, plain_table
from gridground.tables import read_table
from gridground.territory.text import as_id, id_fault, plain, shown, text_fault
from gridground.units import area_mm2, parse_length_m, parse_voltage_v

T = TypeVar("T")
# Stated by few jobs; the plan prints them as assumptions.
_ROD = {
    "length": ("6 ft", "common practice of the trade (a screw rod), no public source"),
    "diameter": ("0.625 in", "common practice of the trade, no public source"),
}
_CUT = re.compile(r"(?:(.+):)?(A|B|C|N|neutral)(?:@(.+))?")
_SMALLEST = "2"  # AWG copper, 29 CFR 1910.269(n)(4)(ii)
_LISTED = 1000
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
        result = {}
        for name, one in value.items():
            if (fault := id_fault(name)) is not None:
                raise ValueError(f"name the {of} by its id; {shown(name)}: {fault}")
            try:
                result[name] = read(one)
            except ValueError as error:
                raise ValueError(f"{shown(name)}: {error}") from None
        return result

    return read_all


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
        ids = []
        for one in value:
            text = as_id(one)
            if text is None:
                raise ValueError(f"{remedy}; {shown(one)} is none")
            if (fault := id_fault(text)) is not None:
                raise ValueError(f"{remedy}; {shown(text)}: {fault}")
            ids.append(text)
        if len(set(ids)) < len(ids):
            raise ValueError("name each id once")
        return tuple(ids)

    return read


def as_cuts(value: object) -> tuple[str, ...]:
    """Read a list of conductors that will be cut: ``A``, ``neutral``, ``F2:A``, ``A@S6``."""
    if not isinstance(value, list) or not all(
        isinstance(one, str) and cut_parts(one) is not None for one in value
    ):
        raise ValueError(
            'write a list of conductors, e.g. ["A"], ["neutral"]; "F2:A" names its circuit, '
            '"A@S6" the span on whose side it is cut'
        )
    if len(set(value)) < len(value):
        raise ValueError("name each conductor once")
    return tuple(value)


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


def as_lead_size(value: object) -> str:
    """Read a lead size, not smaller than AWG 2 copper (29 CFR 1910.269(n)(4)(ii))."""
    if isinstance(value, str) and len(value) <= 16:
        if area_mm2(value) < area_mm2(_SMALLEST):
            raise ValueError("no lead smaller than AWG 2 copper (29 CFR 1910.269(n)(4)(ii))")
        return value
    raise ValueError('write a size as text, e.g. "2/0" or "70 mm2"')


def as_lead_sizes(value: object) -> tuple[str, ...]:
    """Read the sizes that are stocked."""
    if not isinstance(value, list) or not 1 <= len(value) <= 50:
        raise ValueError('write a list of sizes, e.g. ["2", "2/0"]')
    sizes = tuple(map(as_lead_size, value))
    if len(set(sizes)) < len(sizes):
        raise ValueError("name each size once")
    return sizes


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


def read_rod(section: Section, assumed: dict[str, tuple[str, str]]) -> RodSpec | None:
    """Read the rod; soil that is not stated stays unknown."""
    values: dict[str, float | None] = {}
    before = len(section.problems)
    section.know(_ROD)
    for key, read in (("length", as_length_m(0.3, 30)), ("diameter", as_length_m(0.005, 0.2))):
        if key in section.table:
            values[key] = section.take(key, read)
        else:
            values[key] = read(_ROD[key][0])
            assumed[f"rod.{key}"] = _ROD[key]
    resistivity = section.take("resistivity_ohm_m", as_number(0.1, 1e6))
    measured = section.take("measured_ohm", by_id(as_number(0.01, 1e6), of="pole"))
    layers = {
        "upper_ohm_m": section.take("upper_ohm_m", as_number(0.1, 1e6)),
        "lower_ohm_m": section.take("lower_ohm_m", as_number(0.1, 1e6)),
        "upper_depth_m": section.take("upper_depth", as_length_m(0.05, 100)),
    }
    spread = {
        "surface_ohm_m": section.take("surface_ohm_m", as_number(1, 20_000)),
        "surface_depth_m": section.take("surface_depth", as_length_m(0.03, 0.3)),
    }
    _all_or_none(section, ("upper_ohm_m", "lower_ohm_m", "upper_depth"))
    _all_or_none(section, ("surface_ohm_m", "surface_depth"))
    length, diameter = values["length"], values["diameter"]
    if len(section.problems) > before or length is None or diameter is None:
        return None
    stated: dict[str, Any] = {**layers, **spread, "measured_ohm": measured or {}}
    return RodSpec(length, diameter, resistivity, **stated)


def _all_or_none(section: Section, keys: tuple[str, ...]) -> None:
    """Reject a part of what only means something together."""
    if 0 < len(set(keys) & section.table.keys()) < len(keys):
        for key in keys:
            if key not in section.table:
                section.add(key, "missing", f"state {', '.join(keys)} together, or none of them")
