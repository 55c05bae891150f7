"""What stands in the field as measured: rods where they were driven, leads that were put on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from gridground.errors import InputError, Problem
from gridground.grounding.judging import short_text
from gridground.grounding.rods import check_rod, rod_place_at
from gridground.grounding.scores import thing_text
from gridground.grounding.told_items import told_lead_items
from gridground.grounding.used_leads import leads_elsewhere
from gridground.record import Note, OpenItem
from gridground.territory.frame import geodesic_m
from gridground.territory.text import near_remedy
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.ground import RodPlace
    from gridground.grounding.judging import BrokenRule
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene
    from gridground.territory.layers import Territory

UNTOLD_ACCURACY_M = 5.0  # of a position told without one, our judgement
LEAST_M = 0.01  # of the lead on the ground of a rod told at the pole itself, an open item


def farthest_rod_m(territory: Territory, job: Job) -> float:
    """Return how far from its pole the farthest rod stands that was measured [m]; 0: none was."""
    poles = territory.poles
    row = poles.index()
    away = [0.0]
    for pole_id, spot in job.measured.rod_at.items():
        if pole_id in row:
            point = poles.geometry[row[pole_id]]
            away.append(float(geodesic_m(point.x, point.y, *spot)[0]))
    return max(away)


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


def measured_rod(scene: Scene, pole_id: str, *, reach_m: float) -> RodPlace | None:
    """Return the rod of a pole where it stands, None where nobody measured its position.

    Parameters
    ----------
    scene : Scene
        Whose neighbourhood is known round the rod.
    pole_id : str
        The pole.
    reach_m : float
        Farthest distance that a lead allows [m].
    """
    spot = scene.job.measured.rod_at.get(pole_id)
    if spot is None:
        return None
    limits = scene.job.limits
    lon, lat = round(spot[0], 7), round(spot[1], 7)
    place = rod_place_at(
        lon,
        lat,
        pole_id,
        scene.neighbourhood,
        limits,
        reach_m=reach_m,
        zone_radius_m=limits.cone_radius_m,
    )
    return replace(place, distance_m=max(place.distance_m, LEAST_M))


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
    items = [*_unlawful(scene, outcome, reach_m), *_coarse(scene, outcome, reach_m)]
    spots = outcome.placement.spots
    driven = {str(s.top.pole_id) for s in spots if s.electrode == "rod"}
    earthed = {str(s.top.pole_id) for s in spots if s.electrode is not None}
    of_rods = {*job.measured.rod_ohm, *job.measured.rod_at}
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


def _unlawful(scene: Scene, outcome: Outcome, reach_m: float) -> Iterator[OpenItem]:
    """Ask about rods that stand where no plan would put them, naming what and by how much."""
    measured = scene.job.measured
    for spot in outcome.placement.spots:
        pole_id = str(spot.top.pole_id)
        if spot.rod is None or pole_id not in measured.rod_at:
            continue
        broken = _broken(scene, pole_id, (spot.rod.lon, spot.rod.lat), reach_m)
        if not broken:
            continue
        said = measured.said.get(("rod_lon", pole_id), "nobody named")
        yield OpenItem(
            "rod_place_unlawful",
            (pole_id, *dict.fromkeys(rule.where for rule in broken if rule.where != pole_id)),
            f"the rod of pole {pole_id} stands, as told by {said}, where it must not: "
            + "; ".join(rule.text for rule in broken),
            "people, buried lines and things near the rod",
            "the person in charge",
            "draw the rod and drive it at a lawful place, or measure its position again",
        )


def _broken(
    scene: Scene, pole_id: str, at: tuple[float, float], reach_m: float
) -> tuple[BrokenRule, ...]:
    """Return the rules that a rod of a pole breaks at a place."""
    limits = scene.job.limits
    return check_rod(
        *at,
        pole_id,
        scene.neighbourhood,
        limits,
        reach_m=reach_m,
        zone_radius_m=limits.cone_radius_m,
    )


def _coarse(scene: Scene, outcome: Outcome, reach_m: float) -> Iterator[OpenItem]:
    """Ask about rods that may break a rule by as much as their position is inexact."""
    measured = scene.job.measured
    for spot in outcome.placement.spots:
        pole_id = str(spot.top.pole_id)
        if spot.rod is None or pole_id not in measured.rod_at:
            continue
        told_m = measured.rod_accuracy_m.get(pole_id)
        off_m = UNTOLD_ACCURACY_M if told_m is None else told_m
        at = (spot.rod.lon, spot.rod.lat)
        if _broken(scene, pole_id, at, reach_m):
            continue  # asked about already
        where, what, spare_m = _spare(scene, pole_id, at, reach_m)
        if off_m <= spare_m + LEAST_M:
            continue
        exact = (
            f"without how exact it is; {feet_text(off_m)} stands in (our judgement)"
            if told_m is None
            else f"as good to {feet_text(off_m)}"
        )
        yield OpenItem(
            "rod_position_coarse",
            tuple(dict.fromkeys((pole_id, where))),
            f"the rod of pole {pole_id} is told at a position {exact}; to spare are only "
            f"{short_text(spare_m)} to {what}",
            "whether the rod keeps its distances is not known",
            "the crew's foreman",
            "measure its distances with a tape, and tell the position with that accuracy",
        )


def _spare(
    scene: Scene, pole_id: str, at: tuple[float, float], reach_m: float
) -> tuple[str, str, float]:
    """Return what a rod is nearest to breaking: id, words, and how far it is from that [m]."""
    near, limits = scene.neighbourhood, scene.job.limits
    (lon, lat), poles = at, near.pole_lonlat
    from_poles_m = geodesic_m(poles[:, 0], poles[:, 1], lon, lat)[0]
    own_m = float(from_poles_m[list(near.pole_ids).index(pole_id)])
    found = [
        (str(name), f"the setback of pole {name}", float(from_m) - limits.rod_setback_m)
        for name, from_m in zip(near.pole_ids, from_poles_m, strict=True)
    ]
    found.append((pole_id, "the end of the lead's reach", reach_m - own_m))
    rows = near.obstacles
    from_m = shapely.distance(rows.geometry, shapely.points(*near.frame.to_xy(*at)))
    found += [
        (str(name), f"the clearance of {thing_text(kind, name)}", float(spare_m))
        for name, kind, spare_m in zip(rows.ids, rows.kinds, from_m - rows.clearance_m, strict=True)
    ]
    where, what, spare_m = min(found, key=lambda row: (round(row[2], 6), row[0]))
    return where, what, max(spare_m, 0.0)


def field_cautions(job: Job) -> list[Note]:
    """Say how far a position from a device is to be trusted."""
    notes = []
    for pole_id in sorted(job.measured.rod_at):
        said = job.measured.said.get(("rod_lon", pole_id), "nobody named")
        accuracy_m = job.measured.rod_accuracy_m.get(pole_id)
        good = (
            "how exact it is was not stated; a tablet is often several metres off"
            if accuracy_m is None
            else f"the device gave it as good to {feet_text(accuracy_m)}"
        )
        text = (
            f"The rod of pole {pole_id} is judged at a position told by {said}: {good}. Measure "
            "its distances with a tape."
        )
        notes.append(Note(text, "field record; common practice, no source"))
    return notes
