"""Rows of a plan in a few words, for a list of changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.figures import check_limit_text, check_value_text
from gridground.revision.leaves import lead_name
from gridground.revision.phrases import length_text, pair, unit_key, value_text
from gridground.units import bearing_text

if TYPE_CHECKING:
    from gridground.revision.leaves import Path

Row = dict[str, Any]
NOTHING = "none"
_OF_A_LIMIT = 3  # parts of a path that names a limit; one more names a kind or an id


def capital(text: str) -> str:
    """Return text with a capital at its start."""
    return text[:1].upper() + text[1:]


def or_none(values: tuple[str, ...]) -> tuple[str | None, str | None]:
    """Return values with null for nothing."""
    return None if values[0] == NOTHING else values[0], None if values[1] == NOTHING else values[1]


def count_at(side: Row, name: str) -> str:
    """Return a count, or that there is none."""
    return value_text(side.get(name))


def several(taken: dict[Path, tuple[Any, Any]]) -> tuple[str, str]:
    """Return several values of one limit beside each other, each with its unit."""
    told = []
    for path, values in taken.items():
        name = f"{str(path[-1]).replace('_', ' ')} " if len(path) > _OF_A_LIMIT else ""
        told.append([name + text for text in pair(*values, unit_key(path))])
    return ", ".join(one for one, _ in told), ", ".join(other for _, other in told)


def limit_name(key: str) -> str:
    """Return the name of a limit as the plan shows it."""
    return key.removesuffix("_m").replace("_", " ")


def id_of(row: Row | None) -> str | None:
    """Return the pole, else the span, of a row."""
    found = (row or {}).get("pole_id") or (row or {}).get("span_id")
    return None if found is None else str(found)


def place_text(row: Row | None) -> str:
    """Name a location."""
    row = row or {}
    return f"pole {row['pole_id']}" if row.get("pole_id") else f"span {row.get('span_id')}"


def role_text(row: Row) -> str:
    """Return role and electrode of a location."""
    electrode = row["electrode"]
    return f"{row['role']}, {'no electrode' if electrode is None else f'electrode {electrode}'}"


def location_text(row: Row | None) -> str:
    """Return a location in a few words."""
    if row is None:
        return NOTHING
    if row["rod"] is None:
        return role_text(row)
    return f"{row['role']}, {rod_text(row['rod'])}"


def rod_text(rod: Row | None) -> str:
    """Return where a rod stands as seen from its pole."""
    if rod is None:
        return NOTHING
    return f"rod at {length_text(rod['distance_m'])}, bearing {bearing_text(rod['bearing_deg'])}"


def lead_title(one: Row | None, other: Row | None) -> str:
    """Name a lead by its pole and its two ends, as the crew reads them where either plan says."""
    row = next((r for r in (one, other) if r is not None and "from_said" in r), one or other or {})
    said = {way: row.get(f"{way}_said") or row.get(way) for way in ("from", "to")}
    return lead_name(row | said)


def lead_text(row: Row | None) -> str:
    """Return a lead in a few words."""
    if row is None:
        return NOTHING
    several = f"{row['parallel']} x " if row["parallel"] != 1 else ""
    return f"{several}size {row['size']}, {length_text(row['length_m'])}"


def check_text(row: Row | None) -> str:
    """Return a check in a few words."""
    if row is None:
        return NOTHING
    word = "passed" if row["passed"] else "failed"
    value, limit = (
        NOTHING if row[key] is None else told(row)
        for key, told in (("value", check_value_text), ("limit", check_limit_text))
    )
    return f"{word} ({value}, limit {limit})"


def input_text(row: Row | None) -> str:
    """Return where data come from."""
    if row is None:
        return NOTHING
    parts = [f"{row['rows']} rows" if row.get("rows") is not None else "", row.get("date") or ""]
    digest = str(row.get("sha256") or "")[:12]
    return ", ".join(part for part in (*parts, f"hash {digest}") if part)


def note_text(row: Row | None) -> str:
    """Return a caution or an assumption with its source."""
    return NOTHING if row is None else f"{row['text']} ({row['source']})"
