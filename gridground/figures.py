"""Figures in words: rounded by what they mean, with their unit; one wording for every output."""

from __future__ import annotations

import math
from typing import Any

from gridground.units import feet_text, room_text, round_down, round_up, significant

_PLAIN_FROM = -4  # power of ten
NOT_STATED = "not stated"
# Checks of what must be as large as the limit or larger; of all others the limit is the most.
AT_LEAST = frozenset({"rod_setback", "lead_reach", "lead_minimum"})


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
    power = math.floor(math.log10(abs(value)))
    turn = round_up if up else round_down
    if power < _PLAIN_FROM:  # a residual, which plain notation would show as zero
        part = turn(value / 10.0**power, 10.0 ** (1 - digits))
        if abs(part) >= 10:
            part, power = part / 10, power + 1
        return f"{part:.{digits - 1}f}e{power:+03d} {unit}".rstrip()
    rounded = turn(value, 10.0 ** (power - digits + 1))
    text = f"{significant(rounded, digits + 1):,.9g}"
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
