"""The two methods beside each other, as the plan lists them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.choice import nearest_text
from gridground.document import totals_of
from gridground.record import OpenItem
from gridground.shortage import equipped_instead, kit_lacks
from gridground.vehicle_zone import vehicle_parts
from gridground.zoning import zones_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene


def option_rows(scene: Scene, outcomes: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Return ``options``: one row per method, what speaks against it and what it takes.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    outcomes : sequence of Outcome
        With brackets first, then single-point.
    """
    return [_option(scene, outcome) for outcome in outcomes]


def _option(scene: Scene, outcome: Outcome) -> dict[str, Any]:
    """Return the row of one method."""
    totals = None
    if not outcome.infeasible:
        outlines = zones_of(scene, outcome, extras=vehicle_parts(scene, outcome)).outlines
        totals = totals_of(outcome.placement, outcome.rows, outlines)
    lacks = kit_lacks(scene.job, outcome)
    reasons = [f"{r.code}: {r.what}" for r in outcome.infeasible]
    told = [*outcome.placement.remarks, *_figures(outcome)]
    if lacks is not None:
        told.append(f"the kit lacks {', '.join(lacks)}" if lacks else "the kit equips it")
    return {
        "method": outcome.placement.method,
        "feasible": not outcome.infeasible,
        "reasons": reasons or told,
        "open_items": [item.code for item in outcome.placement.open_items],
        "totals": totals,
        "worst_worker_v": outcome.worst_v,
        "kit_lacks": None if lacks is None else list(lacks),
    }


def _figures(outcome: Outcome) -> list[str]:
    """Say how the method's voltage stands to the limit."""
    text = nearest_text(outcome)
    return [f"voltage on the worker nearest its limit {text}"] if text else []


def other_method_items(job: Job, outcomes: Sequence[Outcome], chosen: Outcome) -> list[OpenItem]:
    """Name the other method where the kit equips it and not the one that is planned.

    Parameters
    ----------
    job : Job
        With the kit.
    outcomes : sequence of Outcome
        Both methods.
    chosen : Outcome
        The one planned.
    """
    method = chosen.placement.method
    other = next((one for one in outcomes if one.placement.method != method), None)
    if other is None or not (lacks := equipped_instead(job, chosen, other)):
        return []
    name = other.placement.method
    asked = "single-point" if name == "single-point" else "dual-point"
    return [
        OpenItem(
            "kit_equips_other_method",
            (job.job_id,),
            f"the kit lacks {', '.join(lacks)} for {method}, and equips {name}",
            "one of the two can be carried out with what is on the truck",
            "the person in charge",
            f'load what is missing, or state method = "{asked}" in the job and look at what '
            "options says of it",
        )
    ]
