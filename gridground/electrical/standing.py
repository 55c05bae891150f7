"""Limits of a voltage that stands for as long as somebody may touch it, as induction does."""

from __future__ import annotations

import math

from gridground.electrical.tolerable import STRICTEST, TolerableVoltage
from gridground.errors import InputError, Problem
from gridground.tables import read_table


def standing_rules() -> tuple[str, ...]:
    """Return the names of the rules; the last is the strictest of all.

    Examples
    --------
    >>> standing_rules()
    ('let-go, women', 'let-go, men', 'NESC 5 mA', 'strictest')
    """
    return (*(row["rule"] for row in read_table("standing")), STRICTEST)


def standing_limit_a(rule: str) -> float:
    """Return the current through the body that may flow without end.

    Parameters
    ----------
    rule : str
        A name of :func:`standing_rules`.

    Returns
    -------
    float
        Current [A].

    Raises
    ------
    InputError
        For a rule that is not there.

    Notes
    -----
    Letting go is the measure, not fibrillation: whoever cannot let go is exposed without end, and
    a start at height throws a person. A current under the limit is still felt (1 mA).

    Examples
    --------
    >>> standing_limit_a("strictest")
    0.005
    """
    return float(_row(rule)["current_ma"]) / 1000.0


def standing_limit_v(rule: str, *, body_ohm: float) -> TolerableVoltage:
    """Return the voltage that may stand between two things a worker can touch at once.

    Parameters
    ----------
    rule : str
        A name of :func:`standing_rules`.
    body_ohm : float
        Body resistance [ohm].

    Returns
    -------
    TolerableVoltage
        The limit [V], and the rule with its source.

    Raises
    ------
    InputError
        For a rule that is not there, or a body resistance not above zero.

    Notes
    -----
    Current times body resistance; using it as a target for a standing voltage is our judgement.

    Examples
    --------
    >>> standing_limit_v("strictest", body_ohm=1000).volts
    5.0
    """
    if not (body_ohm > 0 and math.isfinite(body_ohm)):
        found = f"{body_ohm!r} is not a resistance above zero"
        remedy = "State a body resistance above zero."
        raise InputError([Problem("reject", "job", (), "limits.body_ohm", found, remedy)])
    row = _row(rule)
    volts = float(row["current_ma"]) / 1000.0 * body_ohm
    named = row["rule"] if rule != STRICTEST else f"{STRICTEST}: {row['rule']}"
    return TolerableVoltage(volts, f"{named} ({row['source']})")


def _row(rule: str) -> dict[str, str]:
    """Return the row of a rule."""
    rows = read_table("standing")
    if rule == STRICTEST:
        return min(rows, key=lambda row: float(row["current_ma"]))
    for row in rows:
        if row["rule"] == rule:
            return row
    remedy = f"Name one of: {', '.join(standing_rules())}."
    problem = Problem("reject", "job", (), "standing rule", f"{rule!r} is no rule", remedy)
    raise InputError([problem])
