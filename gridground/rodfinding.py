"""The rod of a pole: where it was driven, where a person wants it, or where the search puts it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.errors import InputError, Problem, Reason
from gridground.grounding.rods import REACH_LARGEST_M, NoRodPlace, place_rod
from gridground.grounding.stated import judge_position
from gridground.rodtold import told_rod
from gridground.units import M_PER_FT, feet_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gridground.ground import RodPlace
    from gridground.job import Job
    from gridground.scene import Scene

# How far beyond the setback a rod is looked for: the longest lead worth carrying, our judgement.
ROD_REACH_M = 30 * M_PER_FT


def rod_keys(job: Job) -> dict[str, float]:
    """Return how far out rods are looked for, and the radius of their zone."""
    return {
        "reach_m": job.limits.rod_setback_m + ROD_REACH_M,
        "zone_radius_m": job.limits.cone_radius_m,
    }


def stated_rods(scene: Scene) -> dict[str, RodPlace]:
    """Return a person's own places for rods at the poles near.

    A pole whose rod was driven and measured is left out: the rod stands where it stands.

    Raises
    ------
    InputError
        For those that are not lawful, all of them at once.
    """
    job, near = scene.job, scene.neighbourhood
    if job.limits.rod_setback_m + ROD_REACH_M > REACH_LARGEST_M:
        return {}
    judged = {
        pole_id: judge_position(
            position, pole_id, near, scene.territory, job.limits, **rod_keys(job)
        )
        for pole_id, position in job.rod.place.items()
        if pole_id in near.centre_poles and pole_id not in job.measured.stands
    }
    if problems := [one for one in judged.values() if isinstance(one, Problem)]:
        raise InputError(problems)
    return {name: one for name, one in judged.items() if not isinstance(one, Problem)}


def find_rod(scene: Scene, pole_id: str, stated: Mapping[str, RodPlace]) -> RodPlace | Reason:
    """Return the rod place of a pole, or what keeps every place from being lawful."""
    limits = scene.job.limits
    if limits.rod_setback_m + ROD_REACH_M > REACH_LARGEST_M:
        setback = feet_text(limits.rod_setback_m)
        what = f"a setback of {setback} is more than a lead on the ground bridges."
        return Reason("no_rod_place", (pole_id,), what, "Correct rod_setback.")
    keys = rod_keys(scene.job)
    if (stands := told_rod(scene, pole_id, reach_m=keys["reach_m"])) is not None:
        return stands
    if pole_id in stated:
        return stated[pole_id]
    found = place_rod(pole_id, scene.neighbourhood, limits, **keys)
    if not isinstance(found, NoRodPlace):
        return found
    return Reason(
        "no_rod_place",
        (pole_id,),
        f"no lawful place for a rod at pole {pole_id}: {found.sentence()}.",
        f"Think of {'; '.join(found.alternatives)}.",
    )
