"""Leads that were put on in the place of planned ones: what they carry, and whether they do."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.grounding.hanging import Hanging, hung_row
from gridground.grounding.lead_clamps import clamps_of
from gridground.grounding.lengths import lead_path
from gridground.grounding.rows import landing, spot_of_rows
from gridground.record import Check
from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.lead_clamps import End
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


def used_rows(job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow]) -> list[LeadRow]:
    """Return the rows of a plan with the leads that were put on in their place.

    Parameters
    ----------
    job : Job
        Whose ``measured.leads`` tell size and length; what is not told stays as planned.
    spots : sequence of Spot
        Locations in the order of applying.
    rows : sequence of LeadRow
        One per edge of the spots, in their order: sized by the plan.

    Returns
    -------
    list of LeadRow
        A row that does not carry its current keeps it, and fails its check. It has as many cables
        as were told.
    """
    found = []
    for row, spot in zip(rows, spot_of_rows(spots), strict=True):
        used = used_at(job, row)
        ends = (landing(row.edge.start, spot, job), landing(row.edge.end, spot, job))
        found.append(row if used is None else _as_used(row, used, ends, job.limits))
    return found


def _as_used(row: LeadRow, used: UsedLead, ends: tuple[End, End], limits: Limits) -> LeadRow:
    """Return one row with the lead that was put on."""
    size, length_m = used.size or row.size, used.length_m or row.length_m
    n = used.count or row.parallel
    fits = [clamps_of(lead).fit(ends, lead.size) for lead in used.cables]
    clamps = next((fit for fit in fits if fit), (None, None))
    fresh = hung_row(row, Hanging(size, n, length_m, (clamps[0], clamps[1])), ends, limits)
    cables = "" if n == 1 else f"each of {n} cables "
    several = f"{row.parallel} x " if row.parallel > 1 else ""
    told = (
        f"put on as told by {used.said}: {cables}{size}, {feet_text(length_m)}; planned "
        f"{several}{row.size}, {feet_text(row.length_m)}"
    )
    return replace(
        fresh,
        kit_lead_ids=_ids(row, used),
        told=True,
        planned=row.planned or (row.size, row.parallel, row.length_m),
        source=f"{told}; {fresh.source}",
    )


def _ids(row: LeadRow, used: UsedLead) -> tuple[str, ...]:
    """Return the leads of the truck that hang: those told, else those planned of the same size."""
    if used.numbers:
        return tuple(lead.lead_id for lead in used.cables if lead.lead_id in used.numbers)
    return row.kit_lead_ids if used.size in {None, row.size} else ()


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
