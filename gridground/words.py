"""What the plan says of itself: the job as asked, the circuits, assumptions and cautions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from gridground.electrical.induced_words import induction_assumptions, induction_cautions
from gridground.electrical.standing import standing_limit_v
from gridground.electrical.tolerable import STRICTEST, limit_table
from gridground.grounding.rows import BODY_SEPARATION_M
from gridground.grounding.steps import CAUTIONS
from gridground.units import feet_text, round_down, round_up

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene
    from gridground.territory.layers import Territory

MOST_NAMED = 8
FEW_NAMED = 4


def job_block(job: Job) -> dict[str, Any]:
    """Return the job as asked; limits as people read them, with the exact figures beside."""
    exact = {
        key: list(value) if isinstance(value, tuple) else value
        for key, value in vars(job.limits).items()
    }
    return {
        "circuit_ids": list(job.circuit_ids),
        "worksite_poles": list(job.worksite_poles),
        "worksite_span": job.worksite_span,
        "work_position": job.work_position,
        "requested_method": job.method,
        "locate_ticket": job.locate_ticket,
        "sources_opened": None if job.sources_opened is None else list(job.sources_opened),
        "isolated_equipment": list(job.isolated_equipment),
        "reclosing_blocked": None if job.reclosing_blocked is None else list(job.reclosing_blocked),
        "open_conductor": list(job.open_conductor),
        "limits": {_limit_name(key): _limit_text(key, value) for key, value in exact.items()},
        "limits_exact": exact,
        "rod": vars(job.rod),
    }


def _limit_name(key: str) -> str:
    """Return the name of a limit without its unit."""
    return key.removesuffix("_m").replace("_", " ")


def _limit_text(key: str, value: object) -> str:
    """Return a limit as people read it."""
    if isinstance(value, dict):
        parts = (f"{kind.replace('_', ' ')} {_limit_text('_m', v)}" for kind, v in value.items())
        return ", ".join(parts)
    if isinstance(value, list):
        return ", ".join(map(str, value))
    if key.endswith("_m") and isinstance(value, int | float):
        return feet_text(float(value)) if value else "outside it"
    return f"{value:g}" if isinstance(value, float) else str(value)


def circuit_rows(territory: Territory, circuit_ids: Sequence[str]) -> list[dict[str, Any]]:
    """Return where the fault data of the worked circuits come from."""
    circuits = territory.circuits
    row = circuits.index()
    columns = ("nominal_kv", "frequency_hz", "source_pole", "fault_data_source", "fault_data_date")
    numbers = ("fault_3ph_a", "x_over_r_3ph", "fault_1ph_a", "x_over_r_1ph")
    rows = []
    for circuit_id in circuit_ids:
        at = row[circuit_id]
        found: dict[str, Any] = {"circuit_id": circuit_id}
        found |= {column: circuits[column][at] for column in columns}
        for column in ("nominal_kv", "frequency_hz", *numbers):
            value = float(circuits[column][at])
            found[column] = None if math.isnan(value) else value
        rows.append(found)
    return rows


def assumption_rows(
    scene: Scene,
    outcome: Outcome,
    approach: Sequence[dict[str, Any]],
    induction: Sequence[dict[str, Any]],
) -> list[dict[str, str]]:
    """Return every assumption with its source."""
    job = scene.job
    rows = [
        _row(f"{key}: {value}, not stated in the job", source)
        for key, (value, source) in sorted(job.assumed.items())
    ]
    rows += [*_circuit_assumptions(scene), *_standing()]
    if not all(row["altitude_stated"] for row in approach):
        text = "Altitude up to 900 m: no pole near states one."
        rows.append(_row(text, "29 CFR 1910.269 Table R-5"))
    rows += [
        _row(
            f"Soil at {spot.top.pole_id or spot.top.span_id}: {e.resistivity_ohm_m:g} ohm·m", e.soil
        )
        for spot, e in zip(outcome.placement.spots, outcome.electrodes, strict=True)
    ]
    rows += [_row(n.text, n.source) for n in scene.fault_notes(outcome.placement.spots)]
    rows += [_row(text, source) for text, source in induction_assumptions(induction)]
    rows += _unsolved(outcome)
    if outcome.study is not None:
        rows += [_row(note, "the solution of the phasor network") for note in outcome.study.notes]
    rows += [
        _row(f"{problem.layer}: {problem.sentence()}", "remark on the data")
        for problem in scene.territory.problems
        if problem.level == "note" and problem.layer in {"conductors", "constructions"}
    ]
    return rows


def _unsolved(outcome: Outcome) -> list[dict[str, str]]:
    """Name what could energize the line and is no event, because its figures are not stated."""
    names: dict[str, list[str]] = {}
    for one in outcome.unsolved:
        names.setdefault(one.kind, []).append(one.name)
    return [
        _row(
            f"Not among the events solved ({kind}): {_some(ids)}. A figure of each is not stated; "
            + ("isolation keeps it away." if kind == "equipment" else "an open item asks for it."),
            "not stated in the data",
        )
        for kind, ids in sorted(names.items())
    ]


def _some(names: Sequence[str]) -> str:
    """Name the first few of many."""
    rest = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _circuit_assumptions(scene: Scene) -> list[dict[str, str]]:
    """Return what the source data leave to the usual values."""
    circuits = scene.territory.circuits
    index = circuits.index()
    rows = []
    for circuit_id in scene.job.circuit_ids:
        at = index[circuit_id]
        if math.isnan(float(circuits["prefault_voltage_ratio"][at])):
            rows.append(_row(f"{circuit_id}: voltage before the fault is nominal", "not stated"))
        if math.isnan(float(circuits["source_ground_ohm"][at])):
            rows.append(_row(f"{circuit_id}: source ground grid 0 ohm", "not stated"))
    return rows


def _standing() -> list[dict[str, str]]:
    """Return the assumptions every plan makes."""
    return [
        _row(
            "One mistake at a time: a worked circuit's own source; one open device closed again; "
            "another circuit or line falling on the worked one; equipment feeding back, where its "
            "fault current is stated.",
            "our judgement",
        ),
        _row(
            "Network-wide fault currents: neutral grounded along its way (Kron reduction), "
            "100 ohm·m unless a soil polygon covers the span.",
            "Carson 1926, modified form; Kersting chapter 4 (from memory)",
        ),
        _row(
            f"Loop reactance of a lead: the worker's body line {BODY_SEPARATION_M:g} m beside it.",
            "our judgement",
        ),
        _row(
            "Every event is solved with the leads new and cold, as the worst set still in service "
            "(1.05 times nominal plus 0.32 milliohm ends), and as that set at the end of the "
            "fault; the largest voltage counts.",
            "ASTM F2249 in-service limit; copper by Onderdonk's law",
        ),
        _row(
            "Leads have the shortest stocked length that reaches; a longer lead from the truck "
            "raises the voltage on the worker in proportion.",
            "our judgement",
        ),
        _row("Every set is the only one that carries the fault at its pole.", "our judgement"),
        _row("Devices farther out never shorten the backup time.", "our judgement, errs to longer"),
        _row(
            "First peak of a lead: the largest current with the X/R of the fault that heats most; "
            "a metric set is taken as tested at its rating for 1 s.",
            "our judgement",
        ),
    ]


def caution_rows(
    scene: Scene,
    outcome: Outcome,
    rod_zone: Sequence[dict[str, Any]],
    induction: Sequence[dict[str, Any]],
    faults: Mapping[str, dict[str, Any]],
) -> list[dict[str, str]]:
    """Return the cautions: the usual ones, and those of this job."""
    job, placement = scene.job, outcome.placement
    rows = [_row(text, source) for text, source in CAUTIONS]
    rows += [
        _row(f"A source can get in between the brackets: {remark.rpartition(': ')[2]}.", "the data")
        for remark in placement.remarks
    ]
    rows += [_row(f"At {r['pole_id']} {r['message']}.", r["limit_source"]) for r in rod_zone]
    rows += [*_without_bond(outcome), *_uncleared(outcome, rod_zone), *_doubtful(outcome, faults)]
    kinds = _kinds_at_zone(scene)
    if "transformer" in kinds:
        rows.append(
            _row(
                "Transformers at the worksite: cutouts open or the secondary isolated, on every "
                "phase of the bank.",
                "common practice, no source",
            )
        )
    capacitors = sorted({s for way in scene.zone.ways for s in way.sources} & _capacitors(scene))
    if "capacitor" in kinds or capacitors:
        named = f" ({', '.join(capacitors)})" if capacitors else ""
        text = f"Capacitors{named}: open, wait five minutes, short and ground."
        rows.append(_row(text, "common practice, no source"))
    if any(way.towards == "cable" for way in scene.zone.ways):
        rows.append(
            _row(
                "A cable leaves the worksite: its far end is opened, tested and grounded; voltage "
                "can be transferred along it.",
                "29 CFR 1910.269(n)(7)",
            )
        )
    if all(spot.top.neutral is None for spot in placement.spots):
        rows.append(
            _row(
                "No neutral: one energized phase returns only through rods and may never be "
                "cleared; the zone at the worksite is what counts.",
                "common practice, no source",
            )
        )
        rows += [
            _row(fault["rod_fault_text"], "computed: the neutral left out, earth as the way back")
            for fault in faults.values()
            if "rod_fault_text" in fault
        ]
    live = sorted(
        {c for s in placement.spots if s.top.pole_id for c in scene.live_circuits(s.top.pole_id)}
    )
    if live:
        rows.append(
            _row(
                f"{', '.join(live)} stays energized on the same poles: keep the approach distance; "
                "a shared neutral carries its load.",
                "common practice, no source",
            )
        )
    rows += [_row(text, source) for text, source in induction_cautions(induction)]
    if job.work_position == "aerial lift":
        rows.append(
            _row(
                "The lift has its own rod, at least 10 ft from the line's rods.",
                "MIL-HDBK-1025/10 table 27",
            )
        )
    return rows


def _without_bond(outcome: Outcome) -> list[dict[str, str]]:
    """Say what the worksite's own leads are for: the voltage without them."""
    volts = outcome.without_personal_v
    if volts is None or outcome.worst_v is None or volts <= outcome.limit_v:
        return []
    if outcome.placement.method == "single-point":
        text = f"Without the set at the worksite nothing is grounded: up to {volts:,.0f} V."
    else:
        text = (
            f"Brackets alone do not do: without the personal ground the worker would see up to "
            f"{round_up(volts, 1):,.0f} V, with it up to {round_up(outcome.worst_v, 0.1):g} V."
        )
    return [_row(text, "the solution of the phasor network, the circuit's own source")]


def _uncleared(outcome: Outcome, rod_zone: Sequence[dict[str, Any]]) -> list[dict[str, str]]:
    """Say which events nothing stated opens, what the worker would see, and how far to keep off."""
    if outcome.study is None:
        return []
    stays = [case for case in outcome.study.worker_cases if case.stays_on]
    if not stays:
        return []
    worst = max(stays, key=lambda case: case.voltage_v)
    standing = standing_limit_v(STRICTEST, body_ohm=outcome.body_ohm)
    volts = round_up(worst.voltage_v, 0.1)
    against = "above" if worst.voltage_v > standing.volts else "within"
    broken = all(case.neutral == "broken" for case in stays)
    names = sorted({case.origin for case in stays})
    text = (
        f"Energized from {_listed(names)}"
        + (" with the neutral broken" if broken else "")
        + ", the line may stay on: nothing stated opens what then flows. The worker would see up "
        f"to {volts:g} V for as long as it lasts, {against} what may stand for long "
        f"({standing.volts:g} V)."
    )
    text += _standing_reach(rod_zone)
    if broken:
        text += " Look at the neutral before the first clamp."
    return [_row(text, f"the solution of the phasor network; {standing.rule}")]


def _standing_reach(rod_zone: Sequence[dict[str, Any]]) -> str:
    """Say how far from a rod a step passes what may stand for long, where that is beyond cones."""
    stays = [row for row in rod_zone if row["standing_rise_v"] > 0]
    far_m = [row["standing_radius_m"] for row in stays]
    if not stays or all(
        m is not None and m <= r["radius_m"] for m, r in zip(far_m, stays, strict=True)
    ):
        return ""
    known = [m for m in far_m if m is not None]
    where = f"Within {feet_text(max(known))} of a rod" if len(known) == len(far_m) else "Round rods"
    return (
        f" {where} a step then sees more than may stand for long, farther out than the cones: keep "
        "everybody away until it is off."
    )


def _listed(names: Sequence[str]) -> str:
    """Return some names in a row, the first few of many."""
    shown = ", ".join(names[:FEW_NAMED])
    return shown + (f" and {len(names) - FEW_NAMED} more" if len(names) > FEW_NAMED else "")


def _doubtful(outcome: Outcome, faults: Mapping[str, dict[str, Any]]) -> list[dict[str, str]]:
    """Say where a stated time or limit is easier than what stands beside it."""
    rows = [
        _row(
            f"At {pole_id} the first device, {fault['primary']}, takes {fault['primary_s']:.3g} s, "
            f"longer than the backup time stated, {fault['backup_s']:.3g} s: the longer counts; "
            "ask the protection engineer.",
            "the data",
        )
        for pole_id, fault in faults.items()
        if fault["backup"] is None
        and fault["backup_s"] is not None
        and fault["primary_s"] is not None
        and fault["primary_s"] > fault["backup_s"]
    ]
    table = limit_table(duration_s=outcome.duration_s, body_ohm=outcome.body_ohm)
    least = min((r["limit_v"] for r in table if r["limit_v"] is not None), default=None)
    if least is not None and outcome.limit_v > least * (1 + 1e-9):
        rows.append(
            _row(
                f"The limit asked for, {round_down(outcome.limit_v, 0.1):g} V, is above the "
                f"strictest of the rules by name, {round_down(least, 0.1):g} V for "
                f"{outcome.duration_s:.3g} s.",
                outcome.limit_rule,
            )
        )
    return rows


def _capacitors(scene: Scene) -> set[str]:
    """Return the ids of the territory's capacitors."""
    equipment = scene.territory.layer("equipment")
    return set() if equipment is None else set(equipment.ids[equipment["kind"] == "capacitor"])


def _kinds_at_zone(scene: Scene) -> set[str]:
    """Return the kinds of equipment on the zone's poles and its next poles."""
    equipment = scene.territory.layer("equipment")
    if equipment is None:
        return set()
    near = scene.zone.poles | {way.far for way in scene.zone.ways}
    return {
        str(kind)
        for kind, pole in zip(equipment["kind"], equipment["pole_id"], strict=True)
        if scene.network.pole_row[pole] in near
    }


def _row(text: str, source: str) -> dict[str, str]:
    """Return one row."""
    return {"text": text, "source": source}
