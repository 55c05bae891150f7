"""The choice between the two methods, by stated rules."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError
from gridground.figures import allowed_text, needed_text
from gridground.shortage import equipped_instead
from gridground.units import round_up

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job
    from gridground.method import Outcome

MANY_WAYS = 4
# A method that uses more than this part of a limit gives way to one that uses half as much or less:
# our judgement.
NEAR_RATIO = 0.75


def kept_method(
    choice: tuple[Outcome, str], outcomes: Sequence[Outcome], before: str | None
) -> tuple[Outcome, str]:
    """Return the choice, but the method of the plan before while it can still be carried out.

    Parameters
    ----------
    choice : tuple
        What `choose_method` returns.
    outcomes : sequence of Outcome
        With brackets first, then single-point.
    before : str or None
        Method of the plan that is revised; None for a first plan.

    Notes
    -----
    Rods may be driven and leads on by the earlier plan: what stands there is judged, and another
    method is a person's decision, taken in the job file.
    """
    chosen, _ = choice
    if before is None or (chosen.placement.method == "single-point") == (before == "single-point"):
        return choice
    kept = outcomes[1] if before == "single-point" else outcomes[0]
    if kept.infeasible:
        return choice
    return kept, (
        f"{before.capitalize()}, as in the plan before: things may stand by it. By its rules this "
        f"plan would now be {chosen.placement.method}; state method in the job to change it."
    )


def choose_method(  # noqa: PLR0911  one return a rule, in order
    job: Job, outcomes: Sequence[Outcome]
) -> tuple[Outcome, str]:
    """Choose a method and say why.

    Parameters
    ----------
    job : Job
        Whose `method` may force one.
    outcomes : sequence of Outcome
        With brackets first, then single-point.

    Returns
    -------
    Outcome
        The chosen one.
    str
        The reason, one or two sentences.

    Raises
    ------
    NoPlanError
        Where the job forces a method that cannot be drawn.

    Notes
    -----
    In this order: what can be drawn; what keeps every voltage within its limit (where neither does,
    what comes nearer); where one uses more
    than three quarters of a limit, one that uses less than half of that; no source between the
    brackets; one bracket only speaks for single-point; what the stated kit equips, where it equips
    one and not the other and that one holds; four ways or more speak for single-point; fewer open
    items; else brackets, which keep whipping leads a span away from the worker.
    """
    dual, single = outcomes
    if job.method == "single-point":
        return _forced(single, "single-point")
    if job.method == "dual-point":
        return _forced(dual, "dual-point")
    if dual.infeasible:
        return single, "Brackets cannot be drawn: " + dual.infeasible[0].what
    if single.infeasible:
        return dual, "The whole set cannot be drawn: " + single.infeasible[0].what
    if dual.passes != single.passes:
        better = dual if dual.passes else single
        return better, (
            f"Only {better.placement.method} bonds every contact of the worker and keeps each "
            f"within the limit. {_voltages(dual, single)}"
        )
    if not dual.passes and (nearer := _nearer(dual, single)) is not None:
        return nearer, (
            f"{nearer.placement.method.capitalize()}: neither keeps every voltage within its "
            f"limit, this one comes nearer. {_voltages(dual, single)}"
        )
    if (roomy := _far_better(dual, single)) is not None:
        return roomy, (
            f"{roomy.placement.method.capitalize()}: the other comes near its limit, this one uses "
            f"less than half of what the other does. {_voltages(dual, single)}"
        )
    if dual.placement.remarks:
        return single, (
            "Single-point: "
            + "; ".join(dual.placement.remarks)
            + ". The whole set at the worksite "
            "holds against a source on any side."
        )
    if dual.placement.method != "dual-point":
        return (
            single,
            "Single-point: only one way out can carry a bracket, so brackets give no pair.",
        )
    if (equipped := _equipped(job, dual, single)) is not None:
        return equipped
    ways = len(dual.placement.directions)
    if ways >= MANY_WAYS:
        return single, (
            f"Single-point: {ways} ways out would need {dual_leads(dual)} leads against "
            f"{dual_leads(single)}, and each is a place to miss one."
        )
    if len(dual.placement.open_items) > len(single.placement.open_items):
        return single, "Single-point: the brackets leave open items that the whole set does not."
    return dual, (
        f"Dual-point: a bracket on each of {ways} ways out keeps whipping leads a span away from "
        "the worker, and the personal ground bonds what the worker reaches. "
        + _voltages(dual, single)
    )


def _used_ratio(outcome: Outcome) -> float | None:
    """Return the part of its limit that the tightest voltage uses; None where none is solved.

    A contact that is not bonded uses more than any that is.
    """
    tight = None if outcome.study is None else outcome.study.tightest
    if tight is None:
        return None
    return tight.voltage_v / tight.limit_v if outcome.bonded else math.inf


def _nearer(dual: Outcome, single: Outcome) -> Outcome | None:
    """Return the method whose tightest voltage is the smaller part of its limit."""
    one, other = _used_ratio(dual), _used_ratio(single)
    if one is None or other is None or one == other:
        return None
    return dual if one < other else single


def _far_better(dual: Outcome, single: Outcome) -> Outcome | None:
    """Return the method that leaves far more room below its limit, None where neither does."""
    one, other = _used_ratio(dual), _used_ratio(single)
    if one is None or other is None:
        return None
    most, least = max(one, other), min(one, other)
    better = dual if one < other else single
    return better if most > NEAR_RATIO and least < most / 2 else None


def _equipped(job: Job, dual: Outcome, single: Outcome) -> tuple[Outcome, str] | None:
    """Return the method that the kit equips where it does not equip the other."""
    for one, other in ((dual, single), (single, dual)):
        if lacks := equipped_instead(job, other, one):
            return one, (
                f"{one.placement.method.capitalize()}: the kit equips it; for "
                f"{other.placement.method} it lacks {', '.join(lacks)}. {_voltages(dual, single)}"
            )
    return None


def _voltages(dual: Outcome, single: Outcome) -> str:
    """Set the voltages nearest their limits of both methods beside each other."""
    told = [(outcome.placement.method, nearest_text(outcome)) for outcome in (dual, single)]
    parts = [f"{method} {text}" for method, text in told if text]
    if not parts:
        return "No voltage on the worker is solved."
    return (
        f"Voltage on the worker nearest its limit: {', '.join(parts)}. A limit is for as long as "
        "its own case lasts."
    )


def nearest_text(outcome: Outcome) -> str:
    """Return the voltage on the worker nearest its limit, the limit, the part, and how long.

    Parameters
    ----------
    outcome : Outcome
        One method worked out.

    Returns
    -------
    str
        ``"14.3 V of 57.3 V (25 %, open after 0.3 s)"``; empty where none is solved. The part is
        rounded up, the voltage up, the limit down.
    """
    tight = None if outcome.study is None else outcome.study.tightest
    if tight is None:
        return ""
    lasts = ""
    if tight.stays_on:
        lasts = ", nothing stated opens it"
    elif tight.time_s is not None:
        lasts = f", open after {round_up(tight.time_s, 0.01):g} s"
    part = math.ceil(100 * tight.voltage_v / tight.limit_v - 1e-9)
    return (
        f"{needed_text(tight.voltage_v, 'V')} of {allowed_text(tight.limit_v, 'V')} "
        f"({part} %{lasts})"
    )


def dual_leads(outcome: Outcome) -> int:
    """Count the cables of a method."""
    return sum(row.parallel for row in outcome.rows)


def _forced(outcome: Outcome, method: str) -> tuple[Outcome, str]:
    """Return the method that the job asks for, or refuse."""
    if outcome.infeasible:
        raise NoPlanError(list(outcome.infeasible))
    name = outcome.placement.method
    note = "" if name == method else f" It is called {name}: only one way out carries a bracket."
    return outcome, f"The job asks for {method}.{note}"
