"""A plan document taken apart into leaves, rows by what they are about and not by their place.

Two plans are compared leaf by leaf; a row that moved is the same row, a row that came is new.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

Path = tuple[Any, ...]  # keys of objects as text, rows as tuples
# By the place of a list, with a star for a row: what its rows are about.
ROWS: dict[tuple[str, ...], tuple[str, ...]] = {
    ("open_items",): ("code", "where"),
    ("checks",): ("code", "where"),
    ("options",): ("method",),
    ("directions",): ("pole_id", "span_id"),
    ("locations",): ("pole_id", "span_id"),
    ("leads",): ("pole_id", "span_id", "from", "to"),
    ("rod_zone",): ("pole_id",),
    ("approach",): ("circuit_id", "line_id"),
    ("induction",): ("line_id", "circuit_id", "kind"),
    ("materials",): ("item", "size", "length_m"),
    ("assumptions",): ("text",),
    ("cautions",): ("text",),
    ("circuits",): ("circuit_id",),
    ("worker", "cases"): ("event", "from", "contact", "neutral", "whose"),
    ("worker", "origins"): ("from", "kind"),
    ("worker", "by_state"): ("state",),
    ("worker", "limits"): ("rule",),
    ("measured",): ("what", "pole_id", "span_id", "from", "to", "step_id", "number"),
    ("inputs",): ("layer",),
    ("occurrences",): ("code", "step_id", "at"),
    ("clearance", "limits"): ("device_ids", "pole_id", "span_id"),
    ("clearance", "open"): ("device_id",),
    ("clearance", "open", "*", "steps"): ("do",),
    ("clearance", "equipment"): ("equipment_id",),
    ("clearance", "ways"): ("pole_id", "span_id"),
    ("clearance", "grounds"): ("pole_id", "span_id"),
    ("clearance", "others"): ("job_id",),
    ("picture", "poles"): ("pole_id",),
    ("picture", "spans"): ("span_id",),
    ("picture", "surroundings"): ("feature_id",),
    ("picture", "other_lines"): ("line_id",),
    ("picture", "equipment"): ("equipment_id",),
    ("picture", "devices"): ("device_id",),
    **{
        ("steps", part): ("pole_id", "lead_id", "text")
        for part in ("prepare", "apply", "work", "remove", "release")
    },
}
_FIGURES = re.compile(r"\d[\d.,]*")
_STEP_WORDS = 6  # the first words of a step say what is done


class Absent:
    """What stands where there is nothing."""

    def __repr__(self) -> str:
        """Say so."""
        return "absent"


ABSENT = Absent()


@dataclass
class Leaves:
    """The leaves of one document.

    Attributes
    ----------
    values : dict
        Path -> value; a list of plain values is one leaf, as is an empty object or list.
    orders : dict
        Path of a list of rows -> its rows in order.
    inner : set
        Paths of objects and lists that are not leaves themselves.
    """

    leads: dict[str, str]
    values: dict[Path, Any] = field(default_factory=dict)
    orders: dict[Path, tuple[Any, ...]] = field(default_factory=dict)
    inner: set[Path] = field(default_factory=set)

    @classmethod
    def of(cls, document: dict[str, Any]) -> Leaves:
        """Take a document apart."""
        rows = document.get("leads")
        leads = {
            str(row["lead_id"]): lead_name(row)
            for row in (rows if isinstance(rows, list) else [])
            if isinstance(row, dict) and "lead_id" in row
        }
        found = cls(leads)
        found._walk((), document)
        return found

    def _walk(self, path: Path, value: Any) -> None:  # noqa: ANN401  a JSON value
        """Take one value apart."""
        if isinstance(value, dict) and value:
            self.inner.add(path)
            for key, inner in value.items():
                self._walk((*path, key), inner)
        elif isinstance(value, list) and value and all(isinstance(row, dict) for row in value):
            self.inner.add(path)
            names = self._names(path, value)
            self.orders[path] = tuple(names)
            for name, row in zip(names, value, strict=True):
                self._walk((*path, name), row)
        else:
            self.values[path] = value

    def _names(self, path: Path, rows: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
        """Name the rows of a list; equal names are numbered."""
        kind = tuple(part if isinstance(part, str) else "*" for part in path)
        keys = ROWS.get(kind)
        seen: dict[tuple[Any, ...], int] = {}
        names = []
        for number, row in enumerate(rows):
            name = (number,) if keys is None else self._name(kind, keys, row)
            seen[name] = seen.get(name, 0) + 1
            names.append(name if seen[name] == 1 else (*name, seen[name]))
        return names

    def _name(
        self, kind: tuple[str, ...], keys: tuple[str, ...], row: dict[str, Any]
    ) -> tuple[Any, ...]:
        """Name one row by what it is about; a lead by its two ends, since its number may change."""
        if kind[0] == "steps":
            lead = self.leads.get(str(row.get("lead_id")))
            if lead is not None:
                return (_plain(row.get("pole_id")), lead)
            words = str(row.get("text")).split()[:_STEP_WORDS]
            return (_plain(row.get("pole_id")), _FIGURES.sub("#", " ".join(words)))
        if keys == ("text",):
            return (_FIGURES.sub("#", str(row.get("text"))),)
        name = [_plain(row.get(key)) for key in keys]
        if kind == ("checks",):
            where = row.get("where")
            ids = where if isinstance(where, list) else [where]
            name[1] = tuple(self.leads.get(str(one), _plain(one)) for one in ids)
        return tuple(name)


def lead_name(row: dict[str, Any]) -> str:
    """Name a lead by where it is and what it joins."""
    place = row.get("pole_id") or f"span {row.get('span_id')}"
    return f"{place}: {row.get('from')} → {row.get('to')}"


def _plain(value: Any) -> Any:  # noqa: ANN401  a JSON value
    """Return a value that can name a row."""
    if isinstance(value, list):
        return tuple(map(_plain, value))
    return repr(value) if isinstance(value, dict) else value


def same(one: Any, other: Any) -> bool:  # noqa: ANN401  JSON values
    """Say whether two values are the same; true is not 1, but 1 is 1.0."""
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    return (type(one) is type(other) and one == other) or _equal_numbers(one, other)


def _equal_numbers(one: object, other: object) -> bool:
    """Say whether both are numbers, and equal."""
    return isinstance(one, int | float) and isinstance(other, int | float) and one == other


def differences(one: Leaves, other: Leaves) -> dict[Path, tuple[Any, Any]]:
    """Return every path at which two documents differ, with both values.

    Where a value stands on one side and rows or keys on the other, those say it.
    """
    found = {}
    for path in one.values.keys() | other.values.keys():
        a, b = one.values.get(path, ABSENT), other.values.get(path, ABSENT)
        if (a is ABSENT and path in one.inner) or (b is ABSENT and path in other.inner):
            continue
        if not same(a, b):
            found[path] = (a, b)
    return dict(sorted(found.items(), key=lambda item: sort_key(item[0])))


def reordered(one: Leaves, other: Leaves) -> Iterator[Path]:
    """Yield the lists whose common rows stand in another order."""
    for path in sorted(one.orders.keys() & other.orders.keys(), key=sort_key):
        common = set(one.orders[path]) & set(other.orders[path])
        before, after = (
            [row for row in leaves.orders[path] if row in common] for leaves in (one, other)
        )
        if before != after:
            yield path


def sort_key(path: Path) -> tuple[str, ...]:
    """Return what paths are put in order by; rows and keys compare as text."""
    return tuple(str(part) for part in path)
