"""Numbers, places and kinds in the words people read on the page."""

from __future__ import annotations

import math
import re
from typing import Any

from gridground.units import feet_text, room_text, round_down, round_up, significant

NOT_STATED = "not stated"
# Checks of what must be as large as the limit or larger; of all others the limit is the most.
AT_LEAST = frozenset({"rod_setback", "lead_reach", "lead_minimum"})

# Kinds of surroundings: the word on the drawing and the letter beside it. Buried utilities take
# the colours of the APWA Uniform Color Code from the style sheet, by class.
KINDS = {
    "building": "building",
    "road": "road",
    "sidewalk": "sidewalk",
    "driveway": "driveway",
    "water": "water",
    "fence": "fence",
    "paved": "paved",
    "rock": "rock",
    "tree": "tree",
    "public_place": "public place",
    "no_entry": "no entry",
    "buried_power": "buried electric",
    "buried_gas": "buried gas",
    "buried_telecom": "buried communication",
    "buried_water": "buried water",
    "buried_sewer": "buried sewer",
}
BURIED_LETTERS = {
    "buried_power": "E",
    "buried_gas": "G",
    "buried_telecom": "C",
    "buried_water": "W",
    "buried_sewer": "S",
}
FAULT_KINDS = {
    "three_phase_a": "three-phase",
    "phase_phase_a": "phase-phase",
    "two_phase_ground_a": "two-phase-ground",
    "phase_ground_a": "phase-ground",
}
# Controls that no printer shows, that HTML changes or refuses, or that reorder what is read (an
# override turns the digits of a pole number round); the rest of a text stays as it is.
_UNPRINTABLE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)


def printable(text: str) -> str:
    r"""Return text with a replacement sign for every control character.

    Examples
    --------
    >>> printable("P1\\x00\\n")
    'P1\\ufffd\\n'
    """
    return _UNPRINTABLE.sub("\ufffd", text)


def class_of(word: str, known: dict[str, Any] | tuple[str, ...]) -> str:
    """Return a class name for a known word, ``"other"`` for anything else.

    Examples
    --------
    >>> class_of("buried_gas", KINDS), class_of("<b>", KINDS)
    ('buried-gas', 'other')
    """
    return word.replace("_", "-") if word in known else "other"


def kind_text(kind: str) -> str:
    """Return the word for a kind of surroundings or equipment."""
    return KINDS.get(kind, kind.replace("_", " "))


def end_text(lead: dict[str, Any], way: str) -> str:
    """Return the ``"from"`` or ``"to"`` of a lead as a crew reads it."""
    return str(lead.get(f"{way}_said") or lead[way])


def length_text(length_m: float | None) -> str:
    """Return a length in feet and metres, feet rounded up; null is not stated."""
    return NOT_STATED if length_m is None else feet_text(length_m)


def short_feet_text(length_m: float) -> str:
    """Return a length in feet and inches alone, rounded up, for a drawing.

    Examples
    --------
    >>> short_feet_text(4.75)
    '15 ft 8 in'
    """
    return feet_text(length_m).partition(" (")[0]


def needed_text(value: float | None, unit: str, *, digits: int = 3) -> str:
    """Return what must be carried or borne, rounded up to `digits` figures.

    Examples
    --------
    >>> needed_text(6842.7, "A"), needed_text(31.61, "V"), needed_text(None, "V")
    ('6,850 A', '31.7 V', 'not stated')
    """
    return _rounded(value, unit, digits, up=True)


def allowed_text(value: float | None, unit: str, *, digits: int = 3) -> str:
    """Return what is allowed or available, rounded down to `digits` figures.

    Examples
    --------
    >>> allowed_text(19387, "A"), allowed_text(75.0, "V")
    ('19,300 A', '75 V')
    """
    return _rounded(value, unit, digits, up=False)


def _rounded(value: float | None, unit: str, digits: int, *, up: bool) -> str:
    """Round away from danger and write with thousands separated."""
    if value is None:
        return NOT_STATED
    if value == 0:
        return f"0 {unit}".rstrip()
    step = 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
    rounded = (round_up if up else round_down)(value, step)
    # Very small figures (a residual) would be printed as zero in plain notation.
    text = f"{rounded:.2e}" if abs(rounded) < 1e-4 else f"{significant(rounded, digits + 1):,.9g}"
    if abs(rounded) >= 1000:
        text = f"{rounded:,.0f}"
    return f"{text} {unit}".rstrip()


def check_value_text(check: dict[str, Any]) -> str:
    """Return the figure of a check, rounded toward failing it.

    Examples
    --------
    >>> check_value_text({"code": "rod_setback", "value": 4.5713, "unit": "m"})
    '14 ft 11 in (4.57 m)'
    >>> check_value_text({"code": "worker_voltage", "value": 57.31, "unit": "V"})
    '57.4 V'
    """
    return _held(check, "value", up=check["code"] not in AT_LEAST)


def check_limit_text(check: dict[str, Any]) -> str:
    """Return the limit of a check, rounded toward failing it.

    Examples
    --------
    >>> check_limit_text({"code": "rod_setback", "limit": 4.572, "unit": "m"})
    '15 ft (4.57 m)'
    """
    return _held(check, "limit", up=check["code"] in AT_LEAST)


def _held(check: dict[str, Any], key: str, *, up: bool) -> str:
    """Return a figure of a check with its unit, a length as all lengths are worded."""
    value, unit = check[key], check["unit"]
    if unit == "m" and value is not None:
        return feet_text(value) if up else room_text(value)
    return _rounded(value, unit, 3, up=up)


def plain_text(value: float | None, unit: str = "") -> str:
    """Return a number as it stands in the plan, at most 6 figures."""
    if value is None:
        return NOT_STATED
    return f"{significant(value, 6):,.10g} {unit}".rstrip()
