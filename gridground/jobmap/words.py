"""Numbers, places and kinds in the words people read on the page."""

from __future__ import annotations

import re
from typing import Any

from gridground.figures import (
    AT_LEAST,
    NOT_STATED,
    allowed_text,
    check_limit_text,
    check_value_text,
    needed_text,
    plain_text,
)
from gridground.units import feet_text

__all__ = [
    "AT_LEAST",
    "BURIED_LETTERS",
    "FAULT_KINDS",
    "KINDS",
    "NOT_STATED",
    "allowed_text",
    "check_limit_text",
    "check_value_text",
    "class_of",
    "end_text",
    "kind_text",
    "length_text",
    "needed_text",
    "plain_text",
    "printable",
    "short_feet_text",
]

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
