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
    """Say what holds while people work; what is no action stands with the step it belongs to."""
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
    for row in cuts:
        here = (row.edge.pole_id, row.edge.span_id)
        found = [(spot.top.pole_id, spot.top.span_id) == here for spot in places]
        add_remark(
            steps[found.index(True) + 1 if True in found else -1],
            _cut_text(row, ends_told(row.edge, tops)[0]),
        )
    if job.open_conductor and not cuts:
        add_remark(steps[-1], NO_BYPASS)
    return steps


def _cut_text(row: LeadRow, told: str) -> str:
    """Say when the conductor that a bypass lead belongs to is cut."""
    return (
        f"At {where_text(row.edge.pole_id, row.edge.span_id)}: conductor {told} is "
        f"cut only with bypass lead {row.lead_id} on; it stays until the joint is made."
    )


def _stand(spot: Spot) -> str:
    """Say where the worker stands."""
    if spot.top.pole_id is None:
        return "the bar is on the lift or mat, bonded to it; work from the lift or mat"
    return "work above the bar" if spot.top.material != "steel" else "work above the bonded stud"
