"""What the leads that were put on leave open: which they are, how many, their test and clamps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.grounding.hanging import clamp_for
from gridground.grounding.lead_clamps import clamps_fit
from gridground.grounding.rows import landing, spot_of_rows
from gridground.grounding.truck import why_out_of_test
from gridground.grounding.used_leads import used_at
from gridground.record import OpenItem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.lead_clamps import End
    from gridground.grounding.where import Spot
    from gridground.job import Job, UsedLead
    from gridground.record import LeadRow

FOREMAN = "the crew's foreman"


def told_lead_items(job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow]) -> Iterator[OpenItem]:
    """Ask about the leads that were put on.

    Parameters
    ----------
    job : Job
        With ``measured.leads``.
    spots : sequence of Spot
        Locations in the order of applying.
    rows : sequence of LeadRow
        One per edge of the spots, in their order, with what was put on.

    Yields
    ------
    OpenItem
        ``lead_not_known``, ``lead_count_differs``, ``lead_out_of_test``, ``lead_clamps_differ``
        and ``lead_told_twice``.
    """
    for row, spot in zip(rows, spot_of_rows(spots), strict=True):
        used = used_at(job, row)
        if used is None:
            continue
        yield from _not_known(job, row, used)
        yield from _count(row, used)
        yield from _out_of_test(job, row, used)
        ends = (landing(row.edge.start, spot, job), landing(row.edge.end, spot, job))
        yield from _clamps(row, used, ends)
    yield from _told_twice(job)


def _clamps(row: LeadRow, used: UsedLead, ends: tuple[End, End]) -> Iterator[OpenItem]:
    """Ask about leads whose clamps, or their size, do not go with what they join."""
    between = f"{row.edge.start} and {row.edge.end}"
    for lead in used.cables:
        if not clamps_fit(lead, ends):
            what = (
                f"lead {lead.lead_id} hangs at {row.lead_id}, as told by {used.said}; by the kit "
            )
            yield _clamps_item(row, lead.lead_id, what + f"its clamps are not made for {between}")
    if used.size is not None and any(clamp_for(end, used.size) is None for end in ends):
        what = f"{used.size} hangs at {row.lead_id}, as told by {used.said}; the clamp table has "
        yield _clamps_item(row, used.size, what + f"no clamps for that size at {between}")


def _clamps_item(row: LeadRow, named: str, what: str) -> OpenItem:
    """Ask for clamps that close and carry."""
    return OpenItem(
        "lead_clamps_differ",
        (row.lead_id, named),
        what,
        "a clamp that does not close lets go, or heats",
        FOREMAN,
        "look at the clamps on site; hang another lead, or correct the kit",
    )


def _not_known(job: Job, row: LeadRow, used: UsedLead) -> Iterator[OpenItem]:
    """Ask about numbers that nothing tells a size and length of."""
    kit = "the job states no kit" if job.kit is None else "the kit has no such lead"
    for number in used.not_known:
        yield OpenItem(
            "lead_not_known",
            (row.lead_id, number),
            f"lead {number} hangs at {row.lead_id}, as told by {used.said}; {kit}, and "
            "its size and length are not both told",
            "what the lead carries, and the voltage on the worker",
            FOREMAN,
            "tell its size and length, or enter it in the kit of the job",
        )


def _count(row: LeadRow, used: UsedLead) -> Iterator[OpenItem]:
    """Ask where fewer cables hang than planned, or not every one is named."""
    planned = row.planned[1] if row.planned is not None else row.parallel
    if row.parallel < planned:
        found = f"{row.parallel} hangs" if row.parallel == 1 else f"{row.parallel} hang"
        what = f"{row.lead_id} is planned as {planned} cables; {found}, as told by {used.said}"
    elif used.numbers and row.parallel > 1 and len(used.numbers) != row.parallel:
        named = ", ".join(used.numbers)
        what = f"{row.lead_id} has {row.parallel} cables; named by {used.said}: {named}"
    else:
        return
    yield OpenItem(
        "lead_count_differs",
        (row.lead_id,),
        what,
        "what the leads carry, and the voltage on the worker",
        FOREMAN,
        "hang as many as planned, and tell the number of each",
    )


def _out_of_test(job: Job, row: LeadRow, used: UsedLead) -> Iterator[OpenItem]:
    """Ask about leads that hang and are out of test."""
    for lead in used.cables:
        why = why_out_of_test(job, lead)
        if why is not None:
            yield OpenItem(
                "lead_out_of_test",
                (row.lead_id, lead.lead_id),
                f"lead {lead.lead_id} hangs at {row.lead_id}, as told by {used.said}; it is out "
                f"of test: {why}",
                "whether it still carries what its size does is not known",
                FOREMAN,
                "hang a lead that is in test, or enter the date of its test in the kit",
            )


def _told_twice(job: Job) -> Iterator[OpenItem]:
    """Ask about a lead's own number that is told at two connections."""
    places: dict[str, list[str]] = {}
    for one in job.measured.leads:
        where = f"{one.start} to {one.end} at {one.pole_id or one.span_id}, told by {one.said}"
        for number in dict.fromkeys(one.numbers):
            places.setdefault(number, []).append(where)
    for number, found in sorted(places.items()):
        if len(found) > 1:
            yield OpenItem(
                "lead_told_twice",
                (number,),
                f"lead {number} is told at {len(found)} places: {'; '.join(found)}",
                "one lead hangs in one place: at the other another hangs, or none",
                FOREMAN,
                "read the leads' marks again and correct the entry",
            )
