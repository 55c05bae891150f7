"""What holds while people work between the grounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.grounding.bonds import ends_told
from gridground.grounding.step_rows import add_remark, step_row, where_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import LeadRow

NO_BYPASS = (
    "No bypass lead is counted for what the job cuts: a device or the end of the line parts it "
    "already and each side has its own bond, or an open item asks about it."
)


def work_steps(job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow]) -> list[dict[str, Any]]:
    """Report, work within what is bonded, cut with the bypass on, see the joint before it goes."""
    cuts = [row for row in rows if row.edge.role == "bypass"]
    places = [spot for spot in spots if spot.role == "worksite"]
    steps = [
        step_row(
            None,
            "Report to the dispatcher: sets applied at "
            + ", ".join(where_text(s.top.pole_id, s.top.span_id) for s in spots)
            + ".",
        )
    ]
    steps += [
        step_row(
            spot.top.pole_id,
            f"At {where_text(spot.top.pole_id, spot.top.span_id)}: {_stand(spot)} and within what "
            "is bonded. No lead comes off while anybody is up there.",
        )
        for spot in places
    ]
    tops = [spot.top for spot in spots]
    told = [(row, ends_told(row.edge, tops)[0]) for row in cuts]
    for row, conductor in told:  # one conductor at a time
        steps += [_cut(row, conductor), _joined(row, conductor)]
    if job.open_conductor and not cuts:
        add_remark(steps[-1], NO_BYPASS)
    return steps


def _cut(row: LeadRow, told: str) -> dict[str, Any]:
    """Cut a conductor, with its bypass lead on."""
    return step_row(
        row.edge.pole_id,
        f"At {where_text(row.edge.pole_id, row.edge.span_id)}: whoever cuts looks at both clamps "
        f"of bypass lead {row.lead_id} and says that it is on. Conductor {told} is cut only with "
        f"bypass lead {row.lead_id} on; it stays until the joint is made.",
        cuts=row.lead_id,
    )


def _joined(row: LeadRow, told: str) -> dict[str, Any]:
    """See the joint before the bypass lead may come off."""
    return step_row(
        row.edge.pole_id,
        f"At {where_text(row.edge.pole_id, row.edge.span_id)}: before bypass lead {row.lead_id} "
        f"comes off, whoever cut says that conductor {told} is joined again. Where it is to stay "
        "open: everybody is down first.",
        joins=row.lead_id,
    )


def _stand(spot: Spot) -> str:
    """Say where the worker stands."""
    if spot.top.pole_id is None:
        return "the bar is on the lift or mat, bonded to it; work from the lift or mat"
    return "work above the bar" if spot.top.material != "steel" else "work above the bonded stud"
