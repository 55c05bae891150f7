"""What the worker would see, as the plan tells it: cases, limits, and what each bond is for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from gridground.electrical.tolerable import limit_table
from gridground.units import significant

if TYPE_CHECKING:
    from gridground.electrical.exposure import Study
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.record import WorkerCase


def worker_block(job: Job, outcome: Outcome) -> dict[str, Any]:
    """Return ``worker``: every case, the worst, the residual, and the limits by name.

    Parameters
    ----------
    job : Job
        Body and limit asked for.
    outcome : Outcome
        The method worked out.
    """
    answer = outcome.study
    if answer is None:
        return {}
    worst, tight = answer.worst, answer.tightest
    return {
        "body_ohm": job.limits.body_ohm,
        "duration_s": significant(outcome.duration_s),
        "limit_v": significant(outcome.limit_v),
        "limit_rule": outcome.limit_rule,
        "worst_v": None if worst is None else significant(worst.voltage_v),
        "worst_case": _case_text(worst),
        "tightest_v": _volts(tight),
        "tightest_limit_v": None if tight is None else significant(tight.limit_v),
        "tightest_case": _case_text(tight),
        "worst_ground_v": _volts(answer.worst_ground),
        "worst_ground_case": _case_text(answer.worst_ground),
        "without_personal_v": _significant(outcome.without_personal_v),
        "by_state": [
            {"state": state, "worst_v": significant(volts)}
            for state, volts in answer.by_state.items()
        ],
        "origins": [
            {
                "from": origin.name,
                "kind": origin.kind,
                "pole_id": origin.pole_id,
                "limit_v": significant(origin.limit_v),
                "worst_v": significant(origin.worst_v),
            }
            for origin in answer.origins
        ],
        "limits": limit_table(duration_s=outcome.duration_s, body_ohm=job.limits.body_ohm),
        "residual": float(f"{answer.residual:.1g}"),
        "cases": [_case(case) for case in (*answer.worker_cases, *_ground(answer))],
        "notes": list(answer.notes),
    }


def _ground(answer: Study) -> list[WorkerCase]:
    """Return the worst event of every contact of a person on the ground, origin and neutral."""
    worst: dict[tuple[str, str, str], WorkerCase] = {}
    for case in answer.ground_cases:
        key = (case.origin, case.neutral, case.contact)
        if key not in worst or case.voltage_v > worst[key].voltage_v:
            worst[key] = case
    return list(worst.values())


def _case(case: WorkerCase) -> dict[str, Any]:
    """Return one case."""
    return {
        "event": case.event,
        "from": case.origin,
        "contact": case.contact,
        "neutral": case.neutral,
        "voltage_v": significant(case.voltage_v),
        "body_a": significant(case.body_a),
        "limit_v": significant(case.limit_v),
        "passed": case.passed,
        "whose": case.whose,
        "lead_state": case.lead_state,
        "time_s": _significant(case.time_s),
        "stays_on": case.stays_on,
    }


def _case_text(case: WorkerCase | None) -> str:
    """Say a case in a line."""
    if case is None:
        return ""
    lasts = "; nothing stated opens it" if case.stays_on else ""
    return (
        f"{case.contact}, {case.event} energized from {case.origin}, neutral {case.neutral}{lasts}"
    )


def _volts(case: WorkerCase | None) -> float | None:
    """Return a case's voltage."""
    return None if case is None else significant(case.voltage_v)


def _significant(value: float | None) -> float | None:
    """Return a figure as it is written; None where there is none."""
    return None if value is None or math.isnan(value) else significant(value)
