"""Leads that were put on in the place of planned ones: what they carry, and whether they do."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.grounding.grades import grade_of
from gridground.grounding.heating import materials
from gridground.grounding.lead_impedance import (
    TEST_C,
    lead_resistance_ohm,
    loop_reactance_ohm,
    new_lead_resistance_ohm,
)
from gridground.grounding.lengths import lead_path
from gridground.grounding.margin import carried_a, row_margin
from gridground.grounding.peak import peak_limit_a
from gridground.grounding.rating import (
    Basis,
    lead_rating_a,
    rating_source,
)
from gridground.grounding.rows import (
    BODY_SEPARATION_M,
    START_C,
    row_end_temperature_c,
    with_margin,
)
from gridground.grounding.stock import allowed_sizes
from gridground.record import Check
from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.where import Spot
    from gridground.job import Job, Limits, UsedLead
    from gridground.record import LeadRow

MINIMUM_SOURCE = "lead_minimum of the job; AWG 2 copper at least, 29 CFR 1910.269(n)(4)(ii)"
REACH_SOURCE = "distance between the two ends, without slack"
_REACH_STEP_M = 0.01


def used_at(job: Job, row: LeadRow) -> UsedLead | None:
    """Return the lead that was put on in the place of a planned row, None where none was told."""
    edge = row.edge
    ends = (edge.pole_id, edge.span_id, edge.start, edge.end)
    for one in job.measured.leads:
        if (one.pole_id, one.span_id, one.start, one.end) == ends:
            return one
    return None


def used_rows(job: Job, rows: Sequence[LeadRow]) -> list[LeadRow]:
    """Return the rows of a plan with the leads that were put on in their place.

    Parameters
    ----------
    job : Job
        Whose ``measured.leads`` tell size and length; what is not told stays as planned.
    rows : sequence of LeadRow
        As `lead_rows` returns: sized by the plan.

    Returns
    -------
    list of LeadRow
        A row that does not carry its current keeps it, and fails its check. It has as many cables
        as were told.
    """
    found = []
    for row in rows:
        used = used_at(job, row)
        found.append(row if used is None else _as_used(row, used, job.limits))
    return found


def _as_used(row: LeadRow, used: UsedLead, limits: Limits) -> LeadRow:
    """Return one row with another size or length."""
    size, length_m = used.size or row.size, used.length_m or row.length_m
    planned, n = row, used.count or row.parallel
    row = replace(row, parallel=n)
    basis, hz = limits.lead_basis, row.frequency_hz
    electrode = row.edge.role == "electrode"
    heating = row.x_over_r * row.times_on
    end_c = (
        row.end_temperature_c
        if electrode
        else row_end_temperature_c(replace(row, size=size), row.current_a)
    )
    hot_c = START_C if electrode else end_c
    if hot_c is None:
        hot_c = materials()["copper, annealed"].fusing_c
    rated = {
        one: float(lead_rating_a(size, row.time_s, heating, basis=one, parallel=n, frequency_hz=hz))
        for one in _BASES
    }
    grade = grade_of(size)
    source = rating_source(size, row.time_s, heating, basis=basis, parallel=n, frequency_hz=hz)
    cables = "" if n == 1 else f"each of {n} cables "
    told = (
        f"put on as told by {used.said}: {cables}{size}, {feet_text(length_m)}; planned "
        f"{_several(planned.parallel)}{row.size}, {feet_text(row.length_m)}"
    )
    fresh = replace(
        row,
        size=size,
        length_m=length_m,
        kit_lead_ids=_ids(row, used),
        told=True,
        planned=row.planned or (row.size, planned.parallel, row.length_m),
        grade=grade.name if grade else "no grade",
        cold_ohm=new_lead_resistance_ohm(size, length_m, parallel=n),
        in_service_ohm=lead_resistance_ohm(size, length_m, temperature_c=TEST_C, parallel=n),
        resistance_ohm=lead_resistance_ohm(size, length_m, temperature_c=hot_c, parallel=n),
        reactance_ohm=loop_reactance_ohm(
            size, length_m, separation_m=BODY_SEPARATION_M, frequency_hz=hz, parallel=n
        ),
        rating_a=rated[basis],
        margin_ratio=rated[basis] / row.current_a,
        withstand_a=rated["withstand"],
        ultimate_a=rated["ultimate"],
        end_temperature_c=end_c,
        peak_limit_a=peak_limit_a(size, parallel=n, frequency_hz=hz),
        source=f"{told}; {source}",
    )
    return fresh if electrode else _with_margin(fresh, planned, limits)


def _ids(row: LeadRow, used: UsedLead) -> tuple[str, ...]:
    """Return the leads of the truck that hang: those told, else those planned of the same size."""
    if used.numbers:
        return tuple(lead.lead_id for lead in used.cables if lead.lead_id in used.numbers)
    return row.kit_lead_ids if used.size in {None, row.size} else ()


def _several(parallel: int) -> str:
    """Write a number of cables before their size."""
    return f"{parallel} x " if parallel > 1 else ""


_BASES: tuple[Basis, Basis] = ("withstand", "ultimate")


def _with_margin(row: LeadRow, planned: LeadRow, limits: Limits) -> LeadRow:
    """Return a row with what change needs another size: the planned one where it is too small."""
    settings = {"basis": limits.lead_basis, "frequency_hz": row.frequency_hz}
    carries = carried_a(
        row.size,
        row.time_s,
        row.x_over_r,
        basis=limits.lead_basis,
        parallel=row.parallel,
        frequency_hz=row.frequency_hz,
        times_on=row.times_on,
    )
    if carries < row.current_a:
        several = _several(planned.parallel)
        return replace(
            row,
            next_size=several + planned.size,
            next_size_at_a=float(carries),
            next_size_at_s=None,
            next_size_at_x_over_r=None,
            sensitive_to=None,
            sensitive_ratio=None,
        )
    own = (row.size, row.parallel)
    stock = [(s, n) for n in range(1, limits.parallel_max + 1) for s in allowed_sizes(limits)]
    fault = (row.current_a, row.time_s, row.x_over_r, row.times_on)
    margin = row_margin(own, fault, stock if own in stock else [own, *stock], **settings)  # type: ignore[arg-type]
    return with_margin(row, margin)


def used_checks(job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow]) -> Iterator[Check]:
    """Hold the leads that were put on against the least size and the distance they bridge.

    Parameters
    ----------
    job : Job
        Limits, and what was told.
    spots : sequence of Spot
        Locations in the order of applying.
    rows : sequence of LeadRow
        One per edge of the spots, in their order.

    Yields
    ------
    Check
        ``lead_minimum`` [mm²] where a size was told, ``lead_reach`` [m] where a length was.
    """
    bare = replace(job.limits, lead_slack_ratio=1.0)
    number = 0
    for spot in spots:
        for edge in spot.edges:
            row = rows[number]
            number += 1
            used = used_at(job, row)
            if used is None:
                continue
            where = (row.lead_id, str(edge.pole_id or edge.span_id))
            if used.size is not None:
                least, found = area_mm2(job.limits.lead_minimum), area_mm2(used.size)
                large = found >= least - 1e-6
                yield Check("lead_minimum", where, found, least, "mm²", large, MINIMUM_SOURCE)
            if used.length_m is not None:
                needed_m = sum(p.length_m for p in lead_path(edge, spot.top, spot.rod, bare))
                reaches = used.length_m >= needed_m - _REACH_STEP_M
                yield Check(
                    "lead_reach", where, used.length_m, needed_m, "m", reaches, REACH_SOURCE
                )


def leads_elsewhere(job: Job, rows: Sequence[LeadRow]) -> tuple[UsedLead, ...]:
    """Return the leads that were told and have no row in the plan; their figures are in nothing."""
    here = [used_at(job, row) for row in rows]
    return tuple(one for one in job.measured.leads if one not in here)
