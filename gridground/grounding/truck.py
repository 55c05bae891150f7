"""The truck's leads on the plan's lead table: which do, which are out of test, what they change."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from gridground.grounding.assignment import Want, assign_kit, natural_key, objective
from gridground.grounding.hanging import Hanging, clamp_for, hung_row
from gridground.grounding.lead_clamps import clamps_fit, clamps_of
from gridground.grounding.margin import carried_a
from gridground.grounding.rows import landing, spot_of_rows
from gridground.grounding.used_leads import used_at
from gridground.grounding.vehicle_bond import bond_ends
from gridground.jobkit import last_day
from gridground.units import area_mm2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.assignment import Filling
    from gridground.grounding.lead_clamps import End
    from gridground.grounding.rating import Basis
    from gridground.grounding.where import Spot
    from gridground.job import Job, KitLead, Limits
    from gridground.record import LeadRow

_SAME_MM2 = 1e-6


def with_kit(
    job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow], *, bond: LeadRow | None = None
) -> list[LeadRow]:
    """Return the lead table with the leads of the truck in it.

    Parameters
    ----------
    job : Job
        Kit, limits and day of the work.
    spots : sequence of Spot
        Locations in the order of applying.
    rows : sequence of LeadRow
        As `lead_rows` returns, of all locations: everything is up at once, so that each lead of
        the truck is assigned once.
    bond : LeadRow or None
        The bond of the truck, as `bond_row` returns it.

    Returns
    -------
    list of LeadRow
        Rows that get leads of the truck have the size, count and length of these, and all that
        follows from them; the others stay as planned. Without a kit all stay. Rows whose lead
        was told by its number are set aside, and the leads told are at hand for no other row. The
        bond stands last, where there is one.

    Raises
    ------
    NoPlanError
        As `assign_kit`.

    Notes
    -----
    A larger size stands in for a smaller one; more cables of a smaller size stand in where the
    job allows them in parallel and they carry heat and first peak of the row by the same rating.
    A lead to a rod or pole ground stays a single cable of at least its planned size. The bond of
    the truck is assigned with the others unless a lead of the line went short by it; then it gets
    what they leave. One whose length is not known gets none.
    """
    own = [] if bond is None else [bond]
    if job.kit is None or not job.kit.leads:
        return [*rows, *own]
    named = [bool((used := used_at(job, row)) and used.numbers) for row in rows]
    named += [not one.path for one in own]
    hangs = {number for one in job.measured.leads for number in one.numbers}
    there = [
        lead
        for lead in job.kit.leads
        if lead.lead_id not in hangs and why_out_of_test(job, lead) is None
    ]
    sizes = sorted({lead.size for lead in there}, key=area_mm2)
    ends = [
        (landing(row.edge.start, spot, job), landing(row.edge.end, spot, job))
        for row, spot in zip(rows, spot_of_rows(spots), strict=True)
    ]
    ends += [bond_ends(job) for _ in own]
    rows = [*rows, *own]
    wants = [
        Want(row.size, row.parallel, row.needed_m, _cables(row, sizes, job.limits, both), both)
        for row, both, told in zip(rows, ends, named, strict=True)
        if not told
    ]
    found = iter(_assigned(wants, there, bonds=sum(bool(one.path) for one in own)))
    fillings = [None if told else next(found) for told in named]
    return [
        row if filling is None else _hung(row, filling, both, job.limits)
        for row, filling, both in zip(rows, fillings, ends, strict=True)
    ]


def _assigned(
    wants: Sequence[Want], leads: Sequence[KitLead], *, bonds: int
) -> list[Filling | None]:
    """Assign leads to the rows, the last `bonds` of which take nothing that the others need."""

    def assign(some: Sequence[Want], there: Sequence[KitLead]) -> list[Filling | None]:
        return assign_kit(some, there, fits=lambda want, lead: clamps_fit(lead, want.ends))

    if not bonds:
        return assign(wants, leads)
    line, own = wants[:-bonds], wants[-bonds:]
    alone, both = assign(line, leads), assign(wants, leads)
    if objective(line, both[:-bonds])[0] <= objective(line, alone)[0]:
        return both
    taken = {lead.lead_id for one in alone if one is not None for lead in one.leads}
    return [*alone, *assign(own, [lead for lead in leads if lead.lead_id not in taken])]


def why_out_of_test(job: Job, lead: KitLead) -> str | None:
    """Return why a lead is out of test on the day of the work; None where it is in test.

    Nothing is judged where the employer's interval or the day of the work is not stated.
    """
    interval, day = job.limits.lead_test_interval, job.work_day
    if interval is None or day is None:
        return None
    if lead.tested_on is None:
        return "no date of a test is stated"
    if lead.tested_on > day:
        return f"its test ({lead.tested_on}) is dated after the work ({day})"
    last = last_day(lead.tested_on, interval).isoformat()
    if last < day:
        return f"tested {lead.tested_on}, by the employer's {interval} up to {last}; work on {day}"
    return None


def _cables(
    row: LeadRow, sizes: Sequence[str], limits: Limits, ends: tuple[End, End]
) -> tuple[tuple[str, int], ...]:
    """Return by size how many cables carry what a row must carry."""
    found = []
    for size in sizes:
        if area_mm2(size) < area_mm2(limits.lead_minimum) - _SAME_MM2 or not _clamped(size, ends):
            continue
        if area_mm2(size) >= area_mm2(row.size) - _SAME_MM2:
            counts = range(row.parallel, row.parallel + 1)
        elif row.edge.role == "electrode":
            continue
        else:
            counts = range(row.parallel + 1, limits.parallel_max + 1)
        enough = next((n for n in counts if _carries(row, size, n, limits.lead_basis)), None)
        if enough is not None:
            found.append((size, enough))
    return tuple(found)


def _carries(row: LeadRow, size: str, parallel: int, basis: Basis) -> bool:
    """Say whether some cables carry the current of a row, by heat and first peak."""
    if row.edge.role == "electrode":
        return True  # of the size planned or larger
    duty = (row.time_s, row.x_over_r, row.times_on, row.frequency_hz)
    return _carried_a(size, parallel, basis, duty) >= row.current_a


@cache
def _carried_a(
    size: str, parallel: int, basis: Basis, duty: tuple[float, float, int, float]
) -> float:
    """Return what some cables carry."""
    time_s, x_over_r, times_on, frequency_hz = duty
    carries = carried_a(
        size,
        time_s,
        x_over_r,
        basis=basis,
        parallel=parallel,
        frequency_hz=frequency_hz,
        times_on=times_on,
    )
    return float(carries)


def _clamped(size: str, ends: tuple[End, End]) -> bool:
    """Say whether the clamp table has clamps for a size at both ends."""
    return all(clamp_for(end, size) is not None for end in ends)


def _hung(row: LeadRow, filling: Filling, ends: tuple[End, End], limits: Limits) -> LeadRow:
    """Return a row with leads of the truck in it."""
    lead = filling.leads[0]
    clamps = clamps_of(lead).fit(ends, lead.size) or (None, None)
    hangs = Hanging(lead.size, filling.parallel, lead.length_m, (clamps[0], clamps[1]))
    return replace(
        hung_row(row, hangs, ends, limits),
        planned=(row.size, row.parallel, row.length_m),
        kit_lead_ids=tuple(sorted((one.lead_id for one in filling.leads), key=natural_key)),
    )
