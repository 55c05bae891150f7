"""The plan as a document in the agreed form: every key, nothing that is not in it."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import shapely

from gridground.electrical.rod_fault import rod_fault_text
from gridground.grounding.bonds import ends_told
from gridground.grounding.lengths import lead_remark
from gridground.grounding.poletop import PoleTop
from gridground.shortage import bars_of, rods_of
from gridground.sightings import seen_from
from gridground.units import significant
from gridground.zoning import met_by

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.rod_fault import RodFault
    from gridground.ground import Outline, Zone
    from gridground.grounding.electrodes import Electrode
    from gridground.grounding.where import Placement, Spot
    from gridground.method import Outcome
    from gridground.record import FaultAt, LeadRow
    from gridground.scene import Scene

# A centimetre on the ground: the outline is for drawing, the cones stand at their exact places.
ZONE_SAG_DEG = 9e-8


PLANNED = ("size", "parallel", "length_m")


def location_rows(
    scene: Scene, outcome: Outcome, zones: Sequence[Zone | None]
) -> list[dict[str, Any]]:
    """Return the rows of ``locations``."""
    rows = []
    for number, (spot, electrode, zone) in enumerate(
        zip(outcome.placement.spots, outcome.electrodes, zones, strict=True), 1
    ):
        lon, lat = _position(scene, spot.top)
        rows.append(
            {
                "location_id": f"L{number}",
                "title": spot.title,
                "pole_id": spot.top.pole_id,
                "span_id": spot.top.span_id,
                "role": spot.role,
                "circuit_ids": [c.circuit_id for c in spot.top.circuits],
                "lon": lon,
                "lat": lat,
                "electrode": spot.electrode,
                "rod": _rod(scene, spot, electrode, zone),
                "zone": None if zone is None else _zone_row(zone),
            }
        )
    return rows


def _position(scene: Scene, top: PoleTop) -> tuple[float, float]:
    """Return longitude and latitude of a location."""
    if top.pole_id is not None:
        point = scene.territory.poles.geometry[scene.network.pole_row[top.pole_id]]
    else:
        line = scene.territory.spans.geometry[scene.network.span_row[str(top.span_id)]]
        point = shapely.line_interpolate_point(line, 0.5, normalized=True)
    return round(float(point.x), 7), round(float(point.y), 7)


def _rod(
    scene: Scene, spot: Spot, electrode: Electrode, zone: Zone | None
) -> dict[str, Any] | None:
    """Return the row of a rod."""
    rod = spot.rod
    if rod is None:
        return None
    return {
        "lon": rod.lon,
        "lat": rod.lat,
        "bearing_deg": round(rod.bearing_deg, 1),
        "distance_m": rod.distance_m,
        "resistance_ohm": significant(float(electrode.resistance_ohm or math.nan)),
        "resistivity_ohm_m": electrode.resistivity_ohm_m,
        "soil": electrode.soil,
        "score": _figure(rod.score),
        "score_parts": list(rod.parts),
        "limited_by": list(rod.limited_by),
        "alternatives": list(rod.alternatives),
        "stated": rod.stated,
        "search": rod.search,
        "slope_ratio": None if rod.slope_ratio is None else significant(rod.slope_ratio),
        "rise_m": None if rod.rise_m is None else round(rod.rise_m, 3),
        "reasons": list(rod.reasons),
        "nearest": list(rod.nearest),
        "meets": list(met_by(scene, spot, zone)),
        "seen_from": seen_from(scene.territory, rod),
    }


def _zone_row(zone: Zone) -> dict[str, Any]:
    """Return the row of a zone."""
    return {
        "radius_m": significant(zone.radius_m),
        "perimeter_m": significant(zone.perimeter_m),
        "cones": zone.cones,
        "geometry": shapely.geometry.mapping(shapely.simplify(zone.polygon, ZONE_SAG_DEG)),
        "cone_points": [list(point) for point in zone.cone_points],
        "cone_numbers": list(zone.cone_numbers),
        "zone_id": zone.zone_id,
    }


def outline_rows(outlines: Sequence[Outline]) -> list[dict[str, Any]]:
    """Return the rows of ``zones``: one per outline, with what lies inside."""
    return [
        {
            "zone_id": outline.zone_id,
            "parts": list(outline.parts),
            "perimeter_m": significant(outline.perimeter_m),
            "area_m2": significant(outline.area_m2),
            "cones": len(outline.cones),
            "geometry": shapely.geometry.mapping(outline.polygon),
        }
        for outline in outlines
    ]


def cone_rows(
    locations: Sequence[dict[str, Any]], outlines: Sequence[Outline]
) -> list[dict[str, Any]]:
    """Return the rows of ``cones``, by number; `pole_id` is null for what is at no pole."""
    pole = {row["location_id"]: row["pole_id"] for row in locations}
    return [
        {
            "number": cone.number,
            "zone_id": outline.zone_id,
            "part": cone.part,
            "pole_id": pole.get(cone.part),
            "lon": cone.lon,
            "lat": cone.lat,
            "bearing_deg": cone.bearing_deg,
            "distance_m": cone.distance_m,
        }
        for outline in outlines
        for cone in outline.cones
    ]


def lead_table(outcome: Outcome) -> list[dict[str, Any]]:
    """Return the rows of ``leads``; `solved_a` is the current the network gives the row."""
    solved_a = [] if outcome.study is None else [float(a) for a in outcome.study.lead_current_a]
    solved_a += [math.nan] * (len(outcome.rows) - len(solved_a))
    tops = [spot.top for spot in outcome.placement.spots]
    return [
        {
            "lead_id": row.lead_id,
            "pole_id": row.edge.pole_id,
            "span_id": row.edge.span_id,
            "from": row.edge.start,
            "to": row.edge.end,
            "role": row.edge.role,
            "parallel": row.parallel,
            "size": row.size,
            "length_m": row.length_m,
            "clamp_from": row.clamp_from,
            "clamp_to": row.clamp_to,
            "grade": row.grade,
            "resistance_ohm": significant(row.resistance_ohm),
            "reactance_ohm": significant(row.reactance_ohm),
            "current_a": significant(row.current_a),
            "time_s": significant(row.time_s),
            "rating_a": significant(row.rating_a),
            "margin_ratio": significant(row.margin_ratio) if row.margin_ratio < 1e6 else 1e6,
            "source": row.source,
            "solved_a": _figure(solved),
            "cold_ohm": significant(row.cold_ohm),
            "in_service_ohm": significant(row.in_service_ohm),
            "withstand_a": significant(row.withstand_a),
            "ultimate_a": significant(row.ultimate_a),
            "end_temperature_c": _figure(row.end_temperature_c),
            "peak_a": _figure(row.peak_a),
            "peak_limit_a": significant(row.peak_limit_a),
            "next_size": row.next_size,
            "next_size_at_a": _figure(row.next_size_at_a),
            "next_size_at_s": _figure(row.next_size_at_s),
            "next_size_at_x_over_r": _figure(row.next_size_at_x_over_r),
            "sensitive_to": row.sensitive_to,
            "sensitive_ratio": _figure(row.sensitive_ratio),
            **_length_keys(row),
            **_said(row, tops),
        }
        for row, solved in zip(outcome.rows, solved_a, strict=True)
    ]


def _said(row: LeadRow, tops: Sequence[PoleTop]) -> dict[str, Any]:
    """Return the ends as a crew reads them, where they lie on a side of the pole."""
    told = ends_told(row.edge, tops)
    if told == (row.edge.start, row.edge.end):
        return {}
    return {"from_said": told[0], "to_said": told[1]}


def _length_keys(row: LeadRow) -> dict[str, Any]:
    """Return how a lead's length comes about, and which leads of the truck it is."""
    planned = None if row.planned is None else dict(zip(PLANNED, row.planned, strict=True))
    return {
        "needed_m": significant(row.needed_m),
        "excess_m": significant(max(row.length_m - row.needed_m, 0.0)),
        "path": [{"what": p.what, "length_m": significant(p.length_m)} for p in row.path],
        "remark": lead_remark(row),
        "kit_lead_ids": list(row.kit_lead_ids),
        "planned": planned,
    }


def _figure(value: float | None) -> float | None:
    """Return a figure as it is written; null where there is none."""
    return None if value is None or not math.isfinite(value) else significant(value)


def totals_of(
    placement: Placement, rows: Sequence[LeadRow], outlines: Sequence[Outline]
) -> dict[str, int]:
    """Count locations, cables, rods, bars, clamps and the cones of the zones' outlines."""
    leads = sum(row.parallel for row in rows)
    return {
        "locations": len(placement.spots),
        "leads": leads,
        "rods": rods_of(placement),
        "cluster_bars": bars_of(rows),
        "clamps": 2 * leads,
        "cones": sum(len(outline.cones) for outline in outlines),
    }


def fault_rows(scene: Scene, outcome: Outcome) -> dict[str, dict[str, Any]]:
    """Return ``faults`` by pole, with what one phase draws through the electrode there alone."""
    alone = rod_faults_of(scene, outcome)
    rows = {}
    for spot, duty in zip(outcome.placement.spots, outcome.duties, strict=True):
        pole_id = spot.top.pole_id
        if pole_id is None:
            continue
        rows[pole_id] = _fault(duty.fault)
        if pole_id in alone:
            found = alone[pole_id]
            rows[pole_id] |= {
                "rod_fault_a": _figure(found.smallest_a),
                "rod_fault_s": _figure(found.time_s),
                "rod_fault_text": rod_fault_text(pole_id, found),
            }
    return rows


def rod_faults_of(scene: Scene, outcome: Outcome) -> dict[str, RodFault]:
    """Return one phase to earth through the electrode of each location alone.

    Of several worked circuits at a pole the one that takes longest.
    """
    answers: dict[str, RodFault] = {}
    for circuit_id in scene.job.circuit_ids:
        ohm = {
            str(spot.top.pole_id): float(electrode.resistance_ohm)
            for spot, electrode in zip(outcome.placement.spots, outcome.electrodes, strict=True)
            if electrode.resistance_ohm is not None
            and spot.top.pole_id is not None
            and circuit_id in {c.circuit_id for c in spot.top.circuits}
        }
        for pole_id, one in scene.rod_faults(circuit_id, ohm).items():
            before = answers.get(pole_id)
            answers[pole_id] = one if before is None else before.slower(one)
    return answers


def _fault(fault: FaultAt) -> dict[str, Any]:
    """Return one pole's faults."""
    return {
        key: significant(value) if isinstance(value, float) else value
        for key, value in asdict(fault).items()
    }
