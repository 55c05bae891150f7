"""What stands in the field as measured: rods where they were driven, leads that were put on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.errors import InputError, Problem
from gridground.grounding.told_items import told_lead_items
from gridground.grounding.used_leads import leads_elsewhere
from gridground.record import OpenItem
from gridground.rodtold import told_rod_items
from gridground.territory.text import near_remedy

if TYPE_CHECKING:
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene
    from gridground.territory.layers import Territory


def check_measured(territory: Territory, job: Job) -> None:
    """Refuse what was measured at poles that the territory does not have.

    Raises
    ------
    InputError
        Naming every such pole.
    """
    there = territory.poles.index()
    absent = tuple(pole_id for pole_id in job.measured.poles if pole_id not in there)
    if absent:
        remedy = near_remedy(absent, there, "Plan with the territory of the earlier plan.")
        found = "not in poles of the territory"
        raise InputError([Problem("reject", "record", absent, "pole_id", found, remedy)])


def field_items(scene: Scene, outcome: Outcome, *, reach_m: float) -> list[OpenItem]:
    """List what the things measured leave open.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    outcome : Outcome
        The method chosen.
    reach_m : float
        Farthest distance of a rod that a lead allows [m].
    """
    job = scene.job
    items = told_rod_items(scene, outcome, reach_m=reach_m)
    spots = outcome.placement.spots
    driven = {str(s.top.pole_id) for s in spots if s.electrode == "rod"}
    earthed = {str(s.top.pole_id) for s in spots if s.electrode is not None}
    of_rods = {*job.measured.rod_ohm, *job.measured.stands}
    items += [
        OpenItem(
            "measured_elsewhere",
            (pole_id,),
            f"something was measured at a rod of pole {pole_id}, where this plan drives no rod",
            "the figure is in nothing of this plan",
            "the crew's foreman",
            "say at which pole the rod stands, or draw it",
        )
        for pole_id in job.measured.poles
        if pole_id not in (driven if pole_id in of_rods else earthed)
    ]
    items += [
        OpenItem(
            "lead_used_elsewhere",
            (str(one.pole_id or one.span_id),),
            f"a lead {one.start} to {one.end} was put on as told by {one.said}; this plan has no "
            "such lead",
            "the figure is in nothing of this plan",
            "the crew's foreman",
            "take that lead off as the earlier plan says, or plan with its method",
        )
        for one in leads_elsewhere(job, outcome.rows)
    ]
    items += [
        OpenItem(
            "lead_told_otherwise",
            (number,),
            f"lead {number} is told as {told}; the kit of the job states {stated}",
            "what the lead carries, and the voltage on the worker",
            "the crew's foreman",
            "read the lead's mark again, then correct the record or the kit",
        )
        for number, (told, stated) in sorted(job.measured.not_as_kit.items())
    ]
    items += told_lead_items(job, spots, outcome.rows)
    return items
