"""Rods where people say they stand: by a device's position, by tape and bearing, or by both."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from gridground.grounding.judging import short_text
from gridground.grounding.rods import check_rod, rod_place_at
from gridground.grounding.scores import thing_text
from gridground.grounding.stated import writable
from gridground.record import Note, OpenItem
from gridground.territory.frame import destination, geodesic_m, wrap_deg
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.ground import RodPlace
    from gridground.grounding.judging import BrokenRule
    from gridground.job import Job, Measured
    from gridground.method import Outcome
    from gridground.scene import Scene
    from gridground.territory.layers import Territory

    Lonlat = tuple[float, float]

UNTOLD_ACCURACY_M = 5.0  # of a position told without one, our judgement
BEARING_OFF_DEG = 5.0  # of a bearing read by eye or by compass, our judgement
LEAST_M = 0.01  # of the lead on the ground of a rod told at the pole itself, an open item
# A position and a tape that differ by more than the position is good to and this are about two
# places: a slip of the tape, our judgement.
TAPE_SLIP_M = 0.3
_NOBODY = "nobody named"


def farthest_rod_m(territory: Territory, job: Job) -> float:
    """Return how far from its pole the farthest rod stands that was measured [m]; 0: none was."""
    poles, measured = territory.poles, job.measured
    row = poles.index()
    away = [0.0, *measured.rod_taped_m.values()]
    for pole_id, spot in measured.rod_at.items():
        if pole_id in row:
            point = poles.geometry[row[pole_id]]
            away.append(float(geodesic_m(point.x, point.y, *spot)[0]))
    return max(away)


def told_rod(scene: Scene, pole_id: str, *, reach_m: float) -> RodPlace | None:
    """Return the rod of a pole where it stands, None where nobody told it.

    Parameters
    ----------
    scene : Scene
        Whose neighbourhood is known round the rod.
    pole_id : str
        The pole.
    reach_m : float
        Farthest distance that a lead allows [m].

    Notes
    -----
    A distance by tape stands before that of a device's position; a bearing that a person measured
    before that to the position.
    """
    measured, limits = scene.job.measured, scene.job.limits
    if pole_id not in measured.stands:
        return None
    near = scene.neighbourhood
    at = near.pole_lonlat[near.pole_index[pole_id]]
    spot = _told_lonlat(measured, pole_id, (float(at[0]), float(at[1])), limits.rod_setback_m)
    place = rod_place_at(
        *spot,
        pole_id,
        near,
        limits,
        reach_m=reach_m,
        zone_radius_m=limits.cone_radius_m,
    )
    return replace(place, distance_m=max(place.distance_m, LEAST_M))


def _told_lonlat(measured: Measured, pole_id: str, pole_lonlat: Lonlat, setback_m: float) -> Lonlat:
    """Return where a rod is told to stand, seven decimals."""
    spot, taped_m = measured.rod_at.get(pole_id), measured.rod_taped_m.get(pole_id)
    if spot is not None and taped_m is None:
        return round(spot[0], 7), round(spot[1], 7)
    bearing_deg = measured.rod_bearing_deg.get(pole_id)
    if bearing_deg is None and spot is not None:
        bearing_deg = float(geodesic_m(*pole_lonlat, *spot)[1])
    wanted_m = float(taped_m or 0.0)
    lon, lat = destination(*pole_lonlat, float(bearing_deg or 0.0), wanted_m)
    place = (round(float(wrap_deg(lon)), 7), round(lat, 7))
    tried = writable(place, pole_lonlat, wanted_m)
    if wanted_m < setback_m:
        return place
    # A setback that the tape keeps is kept by the position as it is written.
    return next((one for one in tried if geodesic_m(*pole_lonlat, *one)[0] >= setback_m), place)


def told_rod_items(scene: Scene, outcome: Outcome, *, reach_m: float) -> list[OpenItem]:
    """Ask about rods that stand, or may stand, where no plan would put them.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    outcome : Outcome
        The method chosen.
    reach_m : float
        Farthest distance of a rod that a lead allows [m].

    Returns
    -------
    list of OpenItem
        ``rod_place_unlawful`` where a rule is broken; ``rod_position_coarse`` where one may be, by
        as much as the position is inexact; ``rod_position_differs`` where position and tape tell
        two places. A tape settles the setback and the reach of its own pole; what lies beside the
        rod is held to the position, or to a bearing that may be off by `BEARING_OFF_DEG`.
    """
    items: list[OpenItem] = []
    measured = scene.job.measured
    for spot in outcome.placement.spots:
        pole_id = str(spot.top.pole_id)
        if spot.rod is None or pole_id not in measured.stands:
            continue
        at = (spot.rod.lon, spot.rod.lat)
        items += _differs(measured, pole_id, at)
        if broken := _broken(scene, pole_id, at, reach_m):
            items.append(_unlawful(measured, pole_id, broken))
        else:
            items += _coarse(scene, pole_id, at, reach_m)
    return items


def _unlawful(measured: Measured, pole_id: str, broken: tuple[BrokenRule, ...]) -> OpenItem:
    """Ask about a rod that stands where no plan would put it, naming what and by how much."""
    said = measured.rod_said(pole_id) or _NOBODY
    return OpenItem(
        "rod_place_unlawful",
        (pole_id, *dict.fromkeys(rule.where for rule in broken if rule.where != pole_id)),
        f"the rod of pole {pole_id} stands, as told by {said}, where it must not: "
        + "; ".join(rule.text for rule in broken),
        "people, buried lines and things near the rod",
        "the person in charge",
        "draw the rod and drive it at a lawful place, or measure its position again",
    )


def _broken(scene: Scene, pole_id: str, at: Lonlat, reach_m: float) -> tuple[BrokenRule, ...]:
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


def _accuracy(measured: Measured, pole_id: str) -> tuple[float, str]:
    """Return how exact a device's position is [m], and that in words."""
    told_m = measured.rod_accuracy_m.get(pole_id)
    if told_m is None:
        off = feet_text(UNTOLD_ACCURACY_M)
        return UNTOLD_ACCURACY_M, f"without how exact it is; {off} stands in (our judgement)"
    return told_m, f"as good to {feet_text(told_m)}"


def _exactness(measured: Measured, pole_id: str) -> tuple[float, str]:
    """Return how far a rod may be from where it is judged [m], and that in words."""
    by_device = _accuracy(measured, pole_id)
    if pole_id not in measured.rod_taped_m or pole_id not in measured.rod_bearing_deg:
        return by_device
    sideways_m = measured.rod_taped_m[pole_id] * math.tan(math.radians(BEARING_OFF_DEG))
    if pole_id in measured.rod_at and by_device[0] < sideways_m:
        return by_device
    text = f"by tape and a bearing that may be {BEARING_OFF_DEG:g} degrees off (our judgement), "
    return sideways_m, f"{text}{feet_text(sideways_m)} sideways"


def _differs(measured: Measured, pole_id: str, at: Lonlat) -> Iterator[OpenItem]:
    """Ask where a device's position is about another place than tape (and bearing) tell."""
    spot = measured.rod_at.get(pole_id)
    if spot is None or pole_id not in measured.rod_taped_m:
        return
    off_m, exact = _accuracy(measured, pole_id)
    apart_m = float(geodesic_m(*spot, *at)[0])
    if apart_m > off_m + TAPE_SLIP_M:
        yield OpenItem(
            "rod_position_differs",
            (pole_id,),
            f"the rod of pole {pole_id} is told at a position {exact}, {short_text(apart_m)} from "
            "where the tape puts it",
            "one of the two is about another place",
            "the crew's foreman",
            "measure from the right pole again, and tell distance and position anew",
        )


def _coarse(scene: Scene, pole_id: str, at: Lonlat, reach_m: float) -> Iterator[OpenItem]:
    """Ask about a rod that may break a rule by as much as its position is inexact."""
    measured = scene.job.measured
    off_m, exact = _exactness(measured, pole_id)
    taped = pole_id in measured.rod_taped_m
    where, what, spare_m = _spare(scene, pole_id, at, reach_m, taped=taped)
    if off_m <= spare_m + LEAST_M:
        return
    remedy = "measure its distance from the pole with a tape and its bearing, and tell both"
    if taped:
        remedy = f"measure its distance to {what.removeprefix('the clearance of ')} with a tape; "
        remedy += "where it keeps it, tell a position that is better than the spare distance"
    yield OpenItem(
        "rod_position_coarse",
        tuple(dict.fromkeys((pole_id, where))),
        f"the rod of pole {pole_id} is told at a position {exact}; to spare are only "
        f"{short_text(spare_m)} to {what}",
        "whether the rod keeps its distances is not known",
        "the crew's foreman",
        remedy,
    )


def _spare(
    scene: Scene, pole_id: str, at: Lonlat, reach_m: float, *, taped: bool
) -> tuple[str, str, float]:
    """Return what a rod is nearest to breaking: id, words, and how far it is from that [m].

    What a tape from the pole settles is left out: its setback and the reach of the lead.
    """
    near, limits = scene.neighbourhood, scene.job.limits
    (lon, lat), poles = at, near.pole_lonlat
    from_poles_m = geodesic_m(poles[:, 0], poles[:, 1], lon, lat)[0]
    own_m = float(from_poles_m[near.pole_index[pole_id]])
    found = [
        (str(name), f"the setback of pole {name}", float(from_m) - limits.rod_setback_m)
        for name, from_m in zip(near.pole_ids, from_poles_m, strict=True)
        if not (taped and name == pole_id)
    ]
    if not taped:
        found.append((pole_id, "the end of the lead's reach", reach_m - own_m))
    rows = near.obstacles
    from_m = shapely.distance(rows.geometry, shapely.points(*near.frame.to_xy(*at)))
    found += [
        (str(name), f"the clearance of {thing_text(kind, name)}", float(spare_m))
        for name, kind, spare_m in zip(rows.ids, rows.kinds, from_m - rows.clearance_m, strict=True)
    ]
    if not found:
        return pole_id, "anything", float("inf")
    where, what, spare_m = min(found, key=lambda row: (round(row[2], 6), row[0]))
    return where, what, max(spare_m, 0.0)


def rod_notes(job: Job) -> list[Note]:
    """Say how far what is told of a rod's place is to be trusted."""
    notes = []
    measured = job.measured
    for pole_id in sorted(measured.stands):
        said = measured.rod_said(pole_id) or _NOBODY
        text = f"The rod of pole {pole_id} is judged as told by {said}: {_how(measured, pole_id)}."
        notes.append(Note(text, "field record; common practice, no source"))
    return notes


def _how(measured: Measured, pole_id: str) -> str:
    """Say by what a rod's place is known, and how exact that is."""
    taped_m, bearing_deg = (
        one.get(pole_id) for one in (measured.rod_taped_m, measured.rod_bearing_deg)
    )
    accuracy_m = measured.rod_accuracy_m.get(pole_id)
    good = (
        "how exact it is was not stated, a tablet is often several metres off"
        if accuracy_m is None
        else f"the device gave it as good to {feet_text(accuracy_m)}"
    )
    if taped_m is None:
        return f"at a position, {good}: measure its distances with a tape"
    if bearing_deg is None:
        return f"at {feet_text(taped_m)} by tape in the direction of a position, {good}"
    return f"at {feet_text(taped_m)} by tape, bearing {bearing_deg:g}° as a person measured it"
