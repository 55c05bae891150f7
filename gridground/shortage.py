"""What a stated kit lacks for the grounds of a method."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Placement
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.record import LeadRow


def lacking(row: LeadRow) -> int:
    """Return how many cables of a row the truck lacks; what hangs as told is not lacking."""
    return 0 if row.told else row.parallel - len(row.kit_lead_ids)


def rods_of(placement: Placement) -> int:
    """Count the rods that are driven."""
    return sum(spot.rod is not None for spot in placement.spots)


def bars_of(rows: Sequence[LeadRow]) -> int:
    """Count the places with a cluster bar."""
    barred = [row.edge for row in rows if "bar" in {row.edge.start, row.edge.end}]
    return len({(edge.pole_id, edge.span_id) for edge in barred})


def kit_lacks(job: Job, outcome: Outcome) -> tuple[str, ...] | None:
    """Return in words what the kit lacks for a method.

    Parameters
    ----------
    job : Job
        With the kit, where it states one.
    outcome : Outcome
        A method, with the truck's leads assigned.

    Returns
    -------
    tuple of str or None
        Empty where the kit equips it; None where no kit is stated or the method cannot be drawn.
        Rods and bars count only where the kit says how many there are. The truck's own bond and
        rod are left out: both methods need them.
    """
    kit = job.kit
    if kit is None or outcome.infeasible:
        return None
    found = [(sum(lacking(row) for row in outcome.rows), "lead")]
    for needed, there, name in (
        (rods_of(outcome.placement), kit.rods, "ground rod"),
        (bars_of(outcome.rows), kit.cluster_bars, "cluster bar"),
    ):
        found.append((0 if there is None else max(needed - there, 0), name))
    return tuple(f"{n} {name}{'s' if n > 1 else ''}" for n, name in found if n)


def equipped_instead(job: Job, chosen: Outcome, other: Outcome) -> tuple[str, ...]:
    """Return what the kit lacks for one method where it equips another that holds as well.

    Empty where the kit equips the first, or not the other, or the other keeps a voltage on the
    worker outside its limit that the first keeps.
    """
    if kit_lacks(job, other) != () or (chosen.passes and not other.passes):
        return ()
    return kit_lacks(job, chosen) or ()
