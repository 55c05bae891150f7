"""Numbers, places and kinds in the words people read on the page."""

from __future__ import annotations

import math
import re
from typing import Any

from gridground.units import M_PER_IN, feet_text, round_down, round_up, significant

NOT_STATED = "not stated"

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
COMPASS = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)
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


def compass_text(bearing_deg: float) -> str:
    """Return the nearest of 16 compass points.

    Examples
    --------
    >>> compass_text(0), compass_text(200), compass_text(359)
    ('N', 'SSW', 'N')
    """
    return COMPASS[round(bearing_deg / 22.5) % 16]


def bearing_text(bearing_deg: float) -> str:
    """Return a bearing from true north with its compass point.

    Examples
    --------
    >>> bearing_text(200.4)
    '200° SSW'
    """
    return f"{round(bearing_deg) % 360:03d}° {compass_text(bearing_deg)}"


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


def reach_text(length_m: float) -> str:
    """Return a length that must be reached or kept, feet and metres rounded up.

    Examples
    --------
    >>> reach_text(4.572), reach_text(4.575)
    ('15 ft (4.58 m)', '15 ft 1 in (4.58 m)')
    """
    return f"{short_feet_text(length_m)} ({round_up(length_m, 0.01):.2f} m)"


def room_text(length_m: float) -> str:
    """Return a length that is there, feet and metres rounded down.

    Examples
    --------
    >>> room_text(4.572), room_text(6.438)
    ('15 ft (4.57 m)', '21 ft 1 in (6.43 m)')
    """
    feet, inch = divmod(math.floor(length_m / M_PER_IN + 1e-6), 12)
    text = f"{feet} ft" + (f" {inch} in" if inch else "")
    return f"{text} ({round_down(length_m, 0.01):.2f} m)"


def quadrant_text(bearing_deg: float) -> str:
    """Return a bearing as read off a compass card, from true north.

    Examples
    --------
    >>> quadrant_text(20.4), quadrant_text(200), quadrant_text(359.8), quadrant_text(90)
    ('N 20° E', 'S 20° W', 'due N', 'due E')
    """
    whole = round(bearing_deg) % 360
    if whole % 90 == 0:
        return f"due {'NESW'[whole // 90]}"
    south = 90 < whole < 270
    away = abs(180 - whole) if south else min(whole, 360 - whole)
    return f"{'S' if south else 'N'} {away}° {'E' if whole < 180 else 'W'}"


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


def plain_text(value: float | None, unit: str = "") -> str:
    """Return a number as it stands in the plan, at most 6 figures."""
    if value is None:
        return NOT_STATED
    return f"{significant(value, 6):,.10g} {unit}".rstrip()
