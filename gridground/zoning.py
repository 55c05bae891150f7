"""The zones of a plan: the cones on the ground, and what a person near a rod is exposed to."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground.errors import TableError
from gridground.grounding.electrodes import FOOTING_DIAMETER_M, FOOTING_LENGTH_M
from gridground.grounding.ground_person import (
    Electric,
    ground_limits,
    ground_person,
    standing_radius_m,
)
from gridground.grounding.outlines import Part, outlines_of
from gridground.grounding.zones import cone_zone, zone_meets
from gridground.territory.frame import geodesic_m
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.ground import Outline, Zone
    from gridground.grounding.electrodes import Electrode
    from gridground.grounding.ground_person import GroundPerson
    from gridground.grounding.where import Spot
    from gridground.method import Outcome
    from gridground.scene import Scene


@dataclass(frozen=True)
class Zoned:
    """The zones of a plan.

    Attributes
    ----------
    zones : list of Zone or None
        One per location; None where nothing lies on the ground.
    rows : list of dict
        Rows of ``rod_zone``.
    outlines : tuple of Outline
        Round each zone, or round several that overlap or touch; `parts` are ``L1``, ``L2`` and
        the names of `extras`.
    parts : tuple of Part
        Every zone by itself, under the names of the outlines' parts.
    """

    zones: list[Zone | None]
    rows: list[dict[str, Any]]
    outlines: tuple[Outline, ...]
    parts: tuple[Part, ...]


def zones_of(scene: Scene, outcome: Outcome, *, extras: Sequence[Part] = ()) -> Zoned:
    """Draw the cone zones and hold the step voltage at their edge against the limit.

    Parameters
    ----------
    scene : Scene
        The job's neighbourhood and limits.
    outcome : Outcome
        The method worked out.
    extras : sequence of Part
        Zones that belong to no location: a vehicle with its own rod. Where they overlap those of
        locations, one outline goes round both; their cones are numbered and counted like all.
    """
    zones, rows = _own_zones(scene, outcome)
    near = scene.neighbourhood
    parts = []
    for number, (spot, zone) in enumerate(zip(outcome.placement.spots, zones, strict=True), 1):
        if zone is not None:
            lon, lat = near.pole_lonlat[near.pole_index[str(spot.top.pole_id)]]
            rod = None if spot.rod is None else (spot.rod.lon, spot.rod.lat)
            parts.append(Part(f"L{number}", (float(lon), float(lat)), rod, zone.radius_m))
    spacing_m = scene.job.limits.cone_spacing_m
    parts += extras
    outlines = outlines_of(near.frame, parts, spacing_m=spacing_m)
    shared = [
        None if zone is None else _shared(zone, f"L{number}", outlines)
        for number, zone in enumerate(zones, 1)
    ]
    return Zoned(shared, rows, outlines, tuple(parts))


def farthest_zone_m(zoned: Zoned) -> float:
    """Return how far from the foot of its part a zone reaches at most, a metre added [m]."""
    reach_m = [0.0]
    for part in zoned.parts:
        lead_m = 0.0 if part.rod is None else float(geodesic_m(*part.foot, *part.rod)[0])
        reach_m.append(lead_m + part.radius_m + 1.0)
    return max(reach_m)


def _shared(zone: Zone, name: str, outlines: Sequence[Outline]) -> Zone:
    """Return the zone of a location with those cones of its outline that stand on its edge."""
    outline = next(one for one in outlines if name in one.parts)
    cones = [cone for cone in outline.cones if cone.part == name]
    return replace(
        zone,
        cones=len(cones),
        cone_points=tuple((cone.lon, cone.lat) for cone in cones),
        cone_numbers=tuple(cone.number for cone in cones),
        zone_id=outline.zone_id,
    )


def _own_zones(scene: Scene, outcome: Outcome) -> tuple[list[Zone | None], list[dict[str, Any]]]:
    """Return the zone of each location by itself, and the rows of ``rod_zone``."""
    rises = {} if outcome.study is None else {r.pole_id: r for r in outcome.study.rises}
    zones: list[Zone | None] = []
    rows = []
    for spot, electrode in zip(outcome.placement.spots, outcome.electrodes, strict=True):
        pole_id = spot.top.pole_id
        if pole_id is None or spot.electrode is None:
            zones.append(None)
            continue
        if spot.role == "worksite" and outcome.placement.method != "single-point":
            zones.append(None)  # a steel worksite pole between brackets: no lead lies on the ground
            continue
        rise = rises.get(pole_id)
        if rise is None or math.isnan(rise.rise_v):
            zones.append(_zone(scene, spot, scene.job.limits.cone_radius_m))
            continue
        shape = _shape(scene, (spot, electrode))
        person = person_at(scene, outcome, (electrode, shape), rise.rise_v)
        zones.append(_zone(scene, spot, person.radius_m))
        rows.append(
            _rod_zone_row(pole_id, person, rise.electrode_a)
            | _standing(outcome, person, shape, rise.standing_rise_v)
        )
    return zones, rows


def _shape(scene: Scene, place: tuple[Spot, Electrode]) -> Electric:
    """Return the shape by which the electrode of a location spreads its potential."""
    spot, electrode = place
    if spot.electrode == "pole":
        return Electric(FOOTING_LENGTH_M, FOOTING_DIAMETER_M, electrode.layers)
    rod = scene.job.rod
    return Electric(rod.length_m, rod.diameter_m, electrode.layers)


def person_at(
    scene: Scene, outcome: Outcome, place: tuple[Electrode, Electric], rise_v: float
) -> GroundPerson:
    """Return what a person on the ground near one electrode is exposed to.

    Parameters
    ----------
    scene : Scene
        Limits, and the surface round a rod.
    outcome : Outcome
        Whose longest time counts.
    place : tuple
        The electrode, and the shape by which it spreads its potential.
    rise_v : float
        Its rise over remote earth [V].
    """
    electrode, shape = place
    job = scene.job
    limits = ground_limits(
        outcome.duration_s,
        body_ohm=job.limits.body_ohm,
        soil_ohm_m=electrode.resistivity_ohm_m,
        rod=job.rod,
    )
    return ground_person(
        rise_v, limits=limits, electrode=shape, zone_radius_m=job.limits.cone_radius_m
    )


def _standing(
    outcome: Outcome, person: GroundPerson, shape: Electric, rise_v: float
) -> dict[str, Any]:
    """Return the rise of events that nothing stated opens, and how far its steps reach.

    The radius is None without such an event, or where it passes what can be worked out.
    """
    radius_m: float | None = None
    if rise_v > 0:
        try:
            radius_m = standing_radius_m(
                rise_v, limits=person.limits, duration_s=outcome.duration_s, electrode=shape
            )
        except TableError:
            radius_m = None
    return {
        "standing_rise_v": significant(rise_v),
        "standing_radius_m": None if radius_m is None else significant(radius_m),
    }


def _rod_zone_row(pole_id: str, person: GroundPerson, rod_a: float) -> dict[str, Any]:
    """Return one row of ``rod_zone``; `limit_v` is the step's."""
    return {
        "pole_id": pole_id,
        "rod_a": significant(rod_a),
        "rod_rise_v": significant(person.rise_v),
        "step_v_at_zone": significant(person.step_v),
        "touch_v": significant(person.touch_zone_v),
        "touch_at_reach_v": significant(person.touch_reach_v),
        "touch_limit_v": significant(person.limits.touch_v),
        "touch_passed": person.touch_passed,
        "limit_v": significant(person.limits.step_v),
        "limit_source": person.limits.source,
        "radius_needed_m": significant(person.radius_needed_m),
        "radius_m": significant(person.radius_m),
        "passed": person.step_passed,
        "message": person.message,
    }


def _zone(scene: Scene, spot: Spot, radius_m: float) -> Zone:
    """Return the zone of one location."""
    near = scene.neighbourhood
    pole = near.pole_lonlat[near.pole_index[str(spot.top.pole_id)]]
    rod = None if spot.rod is None else (spot.rod.lon, spot.rod.lat)
    return cone_zone(
        near.frame,
        (float(pole[0]), float(pole[1])),
        rod,
        radius_m=radius_m,
        spacing_m=scene.job.limits.cone_spacing_m,
    )


def met_by(scene: Scene, spot: Spot, zone: Zone | None) -> tuple[dict[str, Any], ...]:
    """Return what the zone, as finally drawn, meets of roads, walks, driveways and buildings."""
    if zone is None:
        return ()
    near = scene.neighbourhood
    pole_xy = near.pole_xy[near.pole_index[str(spot.top.pole_id)]]
    rod_xy = None
    if spot.rod is not None:
        x_m, y_m = near.frame.to_xy(spot.rod.lon, spot.rod.lat)
        rod_xy = (float(x_m), float(y_m))
    return zone_meets(near, pole_xy, rod_xy, zone.radius_m)
