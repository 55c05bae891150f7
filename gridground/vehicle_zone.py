"""The zone of the truck's own rod, grown by its step voltage like any rod's, and its bond."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.electrical.source import source_of
from gridground.errors import TableError
from gridground.grounding.electrodes import Electrode, electrode_at
from gridground.grounding.ground_person import Electric, GroundPerson, standing_radius_m
from gridground.grounding.hazards import lonlat_of
from gridground.grounding.outlines import Part
from gridground.grounding.vehicle_bond import FRAME_M, HALF_TRUCK_M, SIZE_SOURCE, too_long
from gridground.record import Check, OpenItem
from gridground.units import feet_text, significant
from gridground.zoning import person_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.method import Outcome
    from gridground.scene import Scene

# Farther from the truck's place no boom reaches a line. Our judgement.
BOOM_REACH_M = 20.0
# Of a line whose voltage is not known, as for its approach distance. Our judgement.
UNKNOWN_KV = 46.0
RISE_SOURCE = (
    "the truck's frame touching a conductor: the whole voltage to ground, nothing lost in the "
    f"source; worked circuits, and lines that stay energized within {feet_text(BOOM_REACH_M)} of "
    "the truck, our judgement; errs high"
)


@dataclass(frozen=True)
class VehicleRod:
    """What the truck's own rod may do to a person on the ground.

    Attributes
    ----------
    person : GroundPerson
        As of any rod: step, touch, limits and radius.
    touched : str
        The circuit or line whose voltage the rod rises to.
    electrode : Electrode
        Resistance and soil.
    standing_radius_m : float or None
        How far steps pass what may stand for long, where nothing opens; None beyond what can be
        worked out.
    """

    person: GroundPerson
    touched: str
    electrode: Electrode
    standing_radius_m: float | None


def vehicle_rod(scene: Scene, outcome: Outcome) -> VehicleRod | None:
    """Return what the truck's own rod may do, None where the job does not state its place.

    Parameters
    ----------
    scene : Scene
        Job, soil, lines near.
    outcome : Outcome
        A method worked out: its longest time counts.
    """
    stated = scene.job.vehicle
    if stated is None or stated.rod is None or math.isnan(outcome.duration_s):
        return None
    rise_v, touched = _rise(scene)
    electrode = electrode_at(scene.job, scene.neighbourhood, lonlat_of(stated.rod, scene.territory))
    rod = scene.job.rod
    shape = Electric(rod.length_m, rod.diameter_m, electrode.layers)
    person = person_at(scene, outcome, (electrode, shape), rise_v)
    try:
        stands_m: float | None = standing_radius_m(
            rise_v, limits=person.limits, duration_s=outcome.duration_s, electrode=shape
        )
    except TableError:
        stands_m = None
    return VehicleRod(person, touched, electrode, stands_m)


def _rise(scene: Scene) -> tuple[float, str]:
    """Return the largest voltage to ground that the truck can touch, and what has it."""
    circuits = scene.territory.circuits
    row_of = circuits.index()
    found = [
        (source_of(scene.territory, row_of[name]).prefault_v, f"circuit {name}")
        for name in scene.job.circuit_ids
    ]
    live = scene.neighbourhood.live
    stated = scene.job.vehicle
    if live is not None and len(live) and stated is not None:
        place = lonlat_of(stated.place, scene.territory)
        point = shapely.points(*scene.neighbourhood.frame.to_xy(*place))
        near = np.flatnonzero(shapely.distance(live.geometry, point) <= BOOM_REACH_M)
        for row in near:
            kv = float(live.nominal_kv[row])
            told = str(live.names[row]) + (", voltage not known" if math.isnan(kv) else "")
            kv = UNKNOWN_KV if math.isnan(kv) else kv
            found.append((kv * 1000.0 / math.sqrt(3.0), told))
    return max(found)


def vehicle_parts(scene: Scene, outcome: Outcome) -> list[Part]:
    """Return the zone of the truck's own rod and of the lead to it; none without such a rod."""
    stated, rod = scene.job.vehicle, vehicle_rod(scene, outcome)
    if stated is None or stated.rod is None:
        return []
    radius_m = scene.job.limits.cone_radius_m if rod is None else rod.person.radius_m
    foot, at = (lonlat_of(one, scene.territory) for one in (stated.place, stated.rod))
    return [Part("vehicle", foot, at, radius_m)]


def vehicle_block(scene: Scene, outcome: Outcome) -> dict[str, Any] | None:
    """Return ``vehicle``: the truck, its rod, zone and bond; None where there is none of these."""
    stated = scene.job.vehicle
    if stated is None:
        return None
    lon, lat = lonlat_of(stated.place, scene.territory)
    rod = None
    if stated.rod is not None:
        rod = dict(zip(("lon", "lat"), lonlat_of(stated.rod, scene.territory), strict=True))
    limits = scene.job.limits
    return {
        "lon": lon,
        "lat": lat,
        "rod": rod,
        "clearance_m": limits.vehicle_clearance_m,
        "rod_distance_m": limits.vehicle_rod_distance_m,
        "zone": _zone_block(scene, outcome),
    }


def _zone_block(scene: Scene, outcome: Outcome) -> dict[str, Any] | None:
    """Return the figures of the truck's zone, as the rows of ``rod_zone`` have them."""
    rod = vehicle_rod(scene, outcome)
    if rod is None:
        return None
    person, stands_m = rod.person, rod.standing_radius_m
    return {
        "touched": rod.touched,
        "rod_rise_v": significant(person.rise_v),
        "rise_source": RISE_SOURCE,
        "soil": rod.electrode.soil,
        "step_v_at_zone": significant(person.step_v),
        "touch_v": significant(person.touch_v),
        "limit_v": significant(person.limits.step_v),
        "limit_source": person.limits.source,
        "radius_needed_m": significant(person.radius_needed_m),
        "radius_m": significant(person.radius_m),
        "standing_radius_m": None if stands_m is None else significant(stands_m),
        "message": person.message,
    }


def bond_block(scene: Scene, outcome: Outcome) -> dict[str, Any] | None:
    """Return ``vehicle_bond``: the bond of the truck, listed and counted nowhere.

    Length and current are null where the job does not state where truck and rod stand.
    """
    row = outcome.bond
    if row is None:
        return None
    current_a = _bond_a(scene, outcome)
    known = bool(row.path)
    return {
        "lead_id": row.lead_id,
        "from": "vehicle rod",
        "to": "vehicle",
        "parallel": row.parallel,
        "size": row.size,
        "length_m": row.length_m if known else None,
        "needed_m": significant(row.needed_m) if known else None,
        "path": [{"what": p.what, "length_m": significant(p.length_m)} for p in row.path],
        "clamp_from": row.clamp_from,
        "clamp_to": row.clamp_to,
        "current_a": None if current_a is None else significant(current_a),
        "time_s": significant(row.time_s),
        "rating_a": significant(row.rating_a),
        "kit_lead_ids": list(row.kit_lead_ids),
        "source": f"{SIZE_SOURCE}; {row.source}",
    }


def _bond_a(scene: Scene, outcome: Outcome) -> float | None:
    """Return what the truck's rod draws when its frame touches the line: rise over resistance."""
    rod = vehicle_rod(scene, outcome)
    if rod is None or not rod.electrode.resistance_ohm:
        return None
    return rod.person.rise_v / rod.electrode.resistance_ohm


def bond_checks(scene: Scene, outcome: Outcome) -> Iterator[Check]:
    """Hold the bond against what the truck's own rod draws, where that is known."""
    row, current_a = outcome.bond, _bond_a(scene, outcome)
    if row is not None and current_a is not None:
        carries = row.rating_a >= current_a
        source = f"{RISE_SOURCE}; over the resistance of the truck's rod; {row.source}"
        where = (row.lead_id, "vehicle")
        yield Check("lead_rating", where, current_a, row.rating_a, "A", carries, source)


def bond_items(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask for a shorter way of the bond where no lead in stock reaches."""
    row, job = outcome.bond, scene.job
    if row is None or not too_long(job, row):
        return []
    return [
        OpenItem(
            "bond_too_long",
            ("vehicle",),
            f"the truck's bond needs {feet_text(row.needed_m)}; the longest lead in stock has "
            f"{feet_text(job.limits.lead_lengths_m[-1])}",
            "the truck is not grounded without it",
            "the crew's foreman",
            "put the truck's rod nearer to the truck, or stock a longer lead (lead_lengths)",
        )
    ]


def bond_assumptions(scene: Scene, outcome: Outcome) -> list[dict[str, str]]:
    """Say what is taken for granted about the truck's bond and its zone."""
    if outcome.bond is None:
        return []
    rows = []
    if not outcome.bond.path:
        text = (
            f"The vehicle's bond ({outcome.bond.lead_id}): where truck and rod stand is not "
            "stated, so its length is not known and no lead of the truck is assigned to it."
        )
        rows.append({"text": text, "source": "not stated in the job"})
    else:
        text = (
            "The vehicle's bond: from its rod to the end of the truck that lies farther off, "
            f"{feet_text(HALF_TRUCK_M)} from the middle that the job states, and "
            f"{feet_text(FRAME_M)} up."
        )
        rows.append({"text": text, "source": "our judgement"})
    rod = vehicle_rod(scene, outcome)
    if rod is not None:
        text = (
            f"The truck's own rod is taken to rise to {rod.person.rise_v:,.0f} V, the voltage to "
            f"ground of {rod.touched}; its zone is as wide as its step voltage asks, for "
            f"{outcome.duration_s:g} s."
        )
        rows.append({"text": text, "source": RISE_SOURCE})
    return rows


def bond_cautions(scene: Scene, outcome: Outcome) -> list[dict[str, str]]:
    """Say how far steps reach where nothing opens what the truck touches."""
    rod = vehicle_rod(scene, outcome)
    if rod is None:
        return []
    reach = (
        "farther than can be worked out"
        if rod.standing_radius_m is None
        else f"{feet_text(rod.standing_radius_m)} from the rod"
    )
    text = (
        f"At the truck {rod.person.message}. Its rod alone may draw too little to open anything: "
        f"where the voltage stays, steps are felt up to {reach}; nobody on the ground touches the "
        "truck or comes near it while the boom is near a conductor."
    )
    return [{"text": text, "source": f"{rod.person.limits.source}; {RISE_SOURCE}"}]
