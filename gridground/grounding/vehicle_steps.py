"""What the steps say of the truck: its own rod, its cones, and both taken up again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.jobplaces import position_text
from gridground.units import feet_text

if TYPE_CHECKING:
    from gridground.grounding.steps import ZoneWords
    from gridground.job import Job


def vehicle_prepare(job: Job, words: ZoneWords) -> list[dict[str, Any]]:
    """Ground the truck before anybody goes up.

    Parameters
    ----------
    job : Job
        With the truck, where it states one, and the employer's distance of its rod.
    words : ZoneWords
        Numbers of the truck's cones, and what its zone alone asks of roads, walks and the like.
    """
    stated = None if job.vehicle is None else job.vehicle.rod
    if not _grounded(job):
        return []
    where = "" if stated is None else f" at {position_text(stated)}"
    cones = f"put up its own cones{words.cones}"
    counted = (
        "It is not among the leads, rods and cones counted here."
        if stated is None
        else "Its rod is listed by itself; the lead of its bond is not among the leads counted."
    )
    return [
        *(_step(f"At the truck: {text[0].lower()}{text[1:]}") for text in words.before),
        _step(
            f"Vehicle: drive its own rod{where}, with its own label, at least "
            f"{feet_text(job.limits.vehicle_rod_distance_m)} from the grounds of every pole, bond "
            f"the vehicle to it and {cones} (MIL-HDBK-1025/10 table 27). {counted}"
        ),
    ]


def vehicle_release(job: Job, words: ZoneWords) -> list[dict[str, Any]]:
    """Take the truck's bond, cones and rod up; then what its zone asked of roads and walks."""
    if not _grounded(job):
        return []
    return [
        _step(
            "Vehicle: when everybody is down and the boom is stowed, take off the vehicle's bond, "
            f"take up its own cones{words.cones.partition(';')[0]}; draw its rod."
        ),
        *(_step(f"At the truck: {text[0].lower()}{text[1:]}") for text in words.after),
    ]


def _grounded(job: Job) -> bool:
    """Say whether the truck has a rod of its own."""
    stated = job.vehicle is not None and job.vehicle.rod is not None
    return stated or job.work_position == "aerial lift"


def _step(text: str) -> dict[str, Any]:
    """Return one step; the truck stands at no pole."""
    return {"pole_id": None, "text": text}
