"""The plan as a document in the agreed form: every key, nothing that is not in it."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import shapely

from gridground.electrical.tolerable import step_limit_v
from gridground.grounding.earth import radius_for_step_m, step_v, touch_v
from gridground.grounding.electrodes import FOOTING_DIAMETER_M, FOOTING_LENGTH_M
from gridground.grounding.poletop import PoleTop
from gridground.grounding.zones import cone_zone, zone_meets
from gridground.record import Check
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.electrodes import Electrode
    from gridground.grounding.where import Placement, Spot
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.record import FaultAt, LeadRow, Zone
    from gridground.scene import Scene

LARGEST_RESIDUAL_RATIO = 1e-6
STEP_SOURCE = "IEEE Std 80-2013 eq. 29 (50 kg, bare soil, from memory)"


def zones_of(scene: Scene, outcome: Outcome) -> tuple[list[Zone | None], list[dict[str, Any]]]:
    """Draw the cone zones and hold the step voltage at their edge against the limit.

    Returns
    -------
    list of Zone or None
        One per location; None where nothing lies on the ground.
    list of dict
        Rows of ``rod_zone``.
    """
    limits = scene.job.limits
    rises = {} if outcome.study is None else {r.pole_id: r for r in outcome.study.rises}
    zones: list[Zone | None] = []
    rows = []
    for spot, electrode, duty in zip(
        outcome.placement.spots, outcome.electrodes, outcome.duties, strict=True
    ):
        pole_id = spot.top.pole_id
        if pole_id is None or spot.electrode is None:
            zones.append(None)
            continue
        if spot.role == "worksite" and outcome.placement.method != "single-point":
            zones.append(None)  # a steel worksite pole between brackets: no lead lies on the ground
            continue
        rise = rises[pole_id].rise_v if pole_id in rises else math.nan
        limit = float(
            step_limit_v(
                duty.fault.clearing_s,
                weight="50 kg",
                body_ohm=limits.body_ohm,
                surface_ohm_m=electrode.resistivity_ohm_m,
                layer_ratio=1.0,
            )
        )
        rod = _equivalent_rod(scene, spot)
        needed = float(radius_for_step_m(rise, limit, **rod)) if not math.isnan(rise) else 0.0
        radius = max(limits.cone_radius_m, needed)
        zones.append(_zone(scene, spot, radius))
        if not math.isnan(rise):
            step = float(step_v(radius, rise_v=rise, **rod))
            rows.append(
                {
                    "pole_id": pole_id,
                    "rod_rise_v": significant(rise),
                    "step_v_at_zone": significant(step),
                    "touch_v": significant(float(touch_v(radius, rise_v=rise, **rod))),
                    "limit_v": significant(limit),
                    "radius_needed_m": significant(needed),
                    "passed": bool(step <= limit * (1 + 1e-9)),
                }
            )
    return zones, rows


def _equivalent_rod(scene: Scene, spot: Spot) -> dict[str, float]:
    """Return the rod that stands for an electrode: the job's, or a pole's buried length."""
    if spot.electrode == "pole":
        return {"length_m": FOOTING_LENGTH_M, "diameter_m": FOOTING_DIAMETER_M}
    return {"length_m": scene.job.rod.length_m, "diameter_m": scene.job.rod.diameter_m}


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
        "score": significant(rod.score),
        "reasons": list(rod.reasons),
        "nearest": list(rod.nearest),
        "meets": list(met_by(scene, spot, zone)),
    }


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


def _zone_row(zone: Zone) -> dict[str, Any]:
    """Return the row of a zone."""
    return {
        "radius_m": significant(zone.radius_m),
        "perimeter_m": significant(zone.perimeter_m),
        "cones": zone.cones,
        "geometry": shapely.geometry.mapping(zone.polygon),
        "cone_points": [list(point) for point in zone.cone_points],
    }


def lead_table(rows: Sequence[LeadRow]) -> list[dict[str, Any]]:
    """Return the rows of ``leads``."""
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
        }
        for row in rows
    ]


def totals_of(
    placement: Placement, rows: Sequence[LeadRow], zones: Sequence[Zone | None]
) -> dict[str, int]:
    """Count locations, cables, rods, bars, clamps and cones."""
    leads = sum(row.parallel for row in rows)
    bars = {
        (row.edge.pole_id, row.edge.span_id)
        for row in rows
        if "bar" in {row.edge.start, row.edge.end}
    }
    return {
        "locations": len(placement.spots),
        "leads": leads,
        "rods": sum(spot.rod is not None for spot in placement.spots),
        "cluster_bars": len(bars),
        "clamps": 2 * leads,
        "cones": sum(zone.cones for zone in zones if zone is not None),
    }


def fault_rows(outcome: Outcome) -> dict[str, dict[str, Any]]:
    """Return ``faults`` by pole."""
    return {
        spot.top.pole_id: _fault(duty.fault)
        for spot, duty in zip(outcome.placement.spots, outcome.duties, strict=True)
        if spot.top.pole_id is not None
    }


def _fault(fault: FaultAt) -> dict[str, Any]:
    """Return one pole's faults."""
    return {
        key: significant(value) if isinstance(value, float) else value
        for key, value in asdict(fault).items()
    }


def worker_block(job: Job, outcome: Outcome) -> dict[str, Any]:
    """Return ``worker``: every case, the worst and the residual."""
    answer = outcome.study
    if answer is None:
        return {}
    worst = answer.worst
    cases = [
        {
            "event": case.event,
            "from": case.origin,
            "contact": case.contact,
            "neutral": case.neutral,
            "voltage_v": significant(case.voltage_v),
            "body_a": significant(case.body_a),
            "limit_v": significant(case.limit_v),
            "passed": case.passed,
        }
        for case in answer.cases
    ]
    name = ""
    if worst is not None:
        name = (
            f"{worst.contact}, {worst.event} energized from {worst.origin}, neutral {worst.neutral}"
        )
    return {
        "body_ohm": job.limits.body_ohm,
        "limit_v": significant(outcome.limit_v),
        "limit_rule": outcome.limit_rule,
        "worst_v": None if worst is None else significant(worst.voltage_v),
        "worst_case": name,
        "residual": float(f"{answer.residual:.1g}"),
        "cases": cases,
        "notes": list(answer.notes),
    }


def checks_of(job: Job, outcome: Outcome, rod_zone: Sequence[dict[str, Any]]) -> list[Check]:
    """Hold every figure against its limit."""
    checks = []
    for row in outcome.rows:
        where = (row.lead_id, str(row.edge.pole_id or row.edge.span_id))
        passed = row.rating_a >= row.current_a
        checks.append(
            Check("lead_rating", where, row.current_a, row.rating_a, "A", passed, row.source)
        )
    worst = outcome.study.worst if outcome.study is not None else None
    place = () if worst is None else (worst.contact.rpartition("@")[2],)
    checks.append(
        Check(
            "worker_voltage",
            place,
            None if worst is None else worst.voltage_v,
            outcome.limit_v,
            "V",
            worst is not None and outcome.passes,
            outcome.limit_rule,
        )
    )
    residual = None if outcome.study is None else outcome.study.residual
    passed = residual is not None and residual <= LARGEST_RESIDUAL_RATIO
    checks.append(
        Check("residual", place, residual, LARGEST_RESIDUAL_RATIO, "ratio", passed, "our judgement")
    )
    checks += [
        Check(
            "step_voltage",
            (row["pole_id"],),
            row["step_v_at_zone"],
            row["limit_v"],
            "V",
            row["passed"],
            STEP_SOURCE,
        )
        for row in rod_zone
    ]
    for spot in outcome.placement.spots:
        if spot.rod is not None:
            passed = spot.rod.distance_m >= job.limits.rod_setback_m
            checks.append(
                Check(
                    "rod_setback", (str(spot.top.pole_id),), spot.rod.distance_m,
                    job.limits.rod_setback_m, "m", passed,
                    "employer's setting; default is common practice, no source",
                )
            )  # fmt: skip
    return checks


def check_rows(checks: Sequence[Check]) -> list[dict[str, Any]]:
    """Return the rows of ``checks``."""
    return [
        {
            "code": check.code,
            "where": list(check.where),
            "value": None if check.value is None else significant(check.value),
            "limit": None if check.limit is None else significant(check.limit),
            "unit": check.unit,
            "passed": bool(check.passed),
            "source": check.source,
        }
        for check in checks
    ]
