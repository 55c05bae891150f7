"""Every figure of a plan held against its named limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.grounding.events import event_duties
from gridground.grounding.peak import peak_source
from gridground.grounding.used_leads import used_checks
from gridground.record import Check
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.rating import Basis
    from gridground.job import Job
    from gridground.method import Outcome

LARGEST_RESIDUAL_RATIO = 1e-6
SETBACK_SOURCE = "employer's setting; default is common practice, no source"


# What would make each check pass.
MENDS = {
    "lead_rating": "a larger lead in lead_sizes, or more in parallel",
    "lead_event": "a larger lead_minimum, or what energizes the line switched out",
    "lead_peak": "a larger lead in lead_sizes",
    "worker_voltage": "larger or shorter leads (lead_minimum), the other method, a shorter "
    "clearing time, or a nearer bracket",
    "residual": "look at the data of the spans round the worksite: lengths, conductors, grounds",
    "step_voltage": "a wider cone_radius, or soil measured at the rod",
    "rod_setback": "another rod place",
    "lead_minimum": "a lead of at least lead_minimum in its place",
    "lead_reach": "a lead that reaches from end to end, or its length measured again",
}


def checks_of(job: Job, outcome: Outcome, rod_zone: Sequence[dict[str, Any]]) -> list[Check]:
    """Hold every figure against its limit.

    Parameters
    ----------
    job : Job
        Limits.
    outcome : Outcome
        The method worked out.
    rod_zone : sequence of dict
        Rows of ``rod_zone``.
    """
    checks = [*_leads(outcome, job.limits.lead_basis), *_worker(job, outcome)]
    checks += used_checks(job, outcome.placement.spots, outcome.rows)
    checks += [
        Check(
            "step_voltage",
            (row["pole_id"],),
            row["step_v_at_zone"],
            row["limit_v"],
            "V",
            row["passed"],
            row["limit_source"],
        )
        for row in rod_zone
    ]
    for spot in outcome.placement.spots:
        if spot.rod is not None:
            least_m, found_m = job.limits.rod_setback_m, spot.rod.distance_m
            where = (str(spot.top.pole_id),)
            passed = found_m >= least_m
            checks.append(
                Check("rod_setback", where, found_m, least_m, "m", passed, SETBACK_SOURCE)
            )
    return checks


def _events(outcome: Outcome, basis: Basis) -> Iterator[Check]:
    """Hold every lead against the way in that asks most of it."""
    if outcome.study is None:
        return
    for number, row in enumerate(outcome.rows):
        duties = event_duties(row, number, outcome.study.origins, basis=basis)
        if duties:
            most = max(duties, key=lambda duty: duty.current_a / duty.carried_a)
            where = (row.lead_id, str(row.edge.pole_id or row.edge.span_id), most.origin.name)
            figures = (most.current_a, most.carried_a)
            yield Check("lead_event", where, *figures, "A", most.passed, most.source)


def _leads(outcome: Outcome, basis: Basis) -> Iterator[Check]:
    """Heat and first peak of every lead, of bolted faults and of every way in as solved."""
    for row in outcome.rows:
        where = (row.lead_id, str(row.edge.pole_id or row.edge.span_id))
        carries = row.rating_a >= row.current_a
        yield Check("lead_rating", where, row.current_a, row.rating_a, "A", carries, row.source)
    yield from _events(outcome, basis)
    for row in outcome.rows:
        where = (row.lead_id, str(row.edge.pole_id or row.edge.span_id))
        source = peak_source(row.size, frequency_hz=row.frequency_hz)
        held = row.peak_limit_a >= row.peak_a
        yield Check("lead_peak", where, row.peak_a, row.peak_limit_a, "A", held, source)


def _worker(job: Job, outcome: Outcome) -> Iterator[Check]:
    """Hold the voltage nearest its limit, and how exactly the network was solved."""
    study = outcome.study
    tight = None if study is None else study.tightest
    place = () if tight is None else (tight.contact.rpartition("@")[2],)
    rule = outcome.limit_rule
    if tight is not None and tight.limit_v != outcome.limit_v:
        rule = f"{job.limits.worker_limit} for the clearing time of {tight.origin}"
    yield Check(
        "worker_voltage",
        place,
        None if tight is None else tight.voltage_v,
        outcome.limit_v if tight is None else tight.limit_v,
        "V",
        tight is not None and outcome.passes,
        rule,
    )
    residual = None if study is None else study.residual
    exact = residual is not None and residual <= LARGEST_RESIDUAL_RATIO
    limit = LARGEST_RESIDUAL_RATIO
    yield Check("residual", place, residual, limit, "ratio", exact, "our judgement")


def check_rows(checks: Sequence[Check]) -> list[dict[str, Any]]:
    """Return the rows of ``checks``."""
    return [
        {
            "code": check.code,
            "where": list(check.where),
            "value": None if check.value is None else significant(check.value),
            "limit": None if check.limit is None else significant(check.limit),
            "unit": check.unit,
            "passed": bool(check.passed),
            "mends": MENDS[check.code],
            "source": check.source,
        }
        for check in checks
    ]
