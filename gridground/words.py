"""What the plan says of itself: the job as asked, the circuits and assumptions."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from gridground.electrical.induced_words import induction_assumptions
from gridground.grounding.hanging import BODY_SEPARATION_M
from gridground.kit import kit_assumptions
from gridground.rodwords import rod_assumptions
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene
    from gridground.territory.layers import Territory

MOST_NAMED = 8


def job_block(job: Job) -> dict[str, Any]:
    """Return the job as asked; limits as people read them, with the exact figures beside."""
    exact = {
        key: list(value) if isinstance(value, tuple) else value
        for key, value in vars(job.limits).items()
        if value is not None and value != ()  # what asks for nothing while it is not stated
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
        "rod": asdict(job.rod),
        "vehicle": None if job.vehicle is None else asdict(job.vehicle),
    }


def _limit_name(key: str) -> str:
    """Return the name of a limit without its unit."""
    return key.removesuffix("_m").replace("_", " ")


def _limit_text(key: str, value: object) -> str:
    """Return a limit as people read it."""
    if isinstance(value, dict):
        parts = (f"{kind.replace('_', ' ')} {_limit_text('_m', v)}" for kind, v in value.items())
        return ", ".join(parts)
    if isinstance(value, list) and key.endswith("_m"):
        return ", ".join(feet_text(one) for one in value)
    if isinstance(value, list):
        return ", ".join(map(str, value))
    if key == "locate_tolerance_m" and value == 0:
        return "none"
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
    rows += [*_circuit_assumptions(scene), *_standing(), *kit_assumptions(job), *_absent(scene)]
    rows += rod_assumptions(scene, outcome.placement.spots)
    if not all(row["altitude_stated"] for row in approach):
        text = "Altitude up to 3,000 ft (900 m): no pole near states one."
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
        _row(problem.sentence(), "remark on the data")
        for problem in scene.territory.problems
        if problem.level == "note" and problem.layer in {"conductors", "constructions"}
    ]
    return rows


def _absent(scene: Scene) -> list[dict[str, str]]:
    """Say what was taken as not there because the territory has no such layer."""
    what = {
        "devices": "no switch, cutout, fuse or recloser on the line",
        "equipment": "no transformer, generator, capacitor, service or riser on the line",
        "other_lines": "no line of others crosses or runs beside the line",
    }
    return [
        _row(
            f"The territory has no layer {name}: taken as {told}. Look at the line on site.",
            "not stated in the data",
        )
        for name, told in what.items()
        if scene.territory.layer(name) is None
    ]


def _unsolved(outcome: Outcome) -> list[dict[str, str]]:
    """Name what could energize the line and is no event, because its figures are not stated."""
    names: dict[str, list[str]] = {}
    for one in outcome.let_in.unsolved:
        names.setdefault(one.kind, []).append(one.name)
    return [
        _row(
            f"Not among the events solved ({kind}): {_some(ids)}. A figure of each is not stated. "
            + (
                "What is done about each stands under Clearance."
                if kind == "equipment"
                else "An open item asks for it."
            ),
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
            f"Loop reactance of a lead: the worker's body line {feet_text(BODY_SEPARATION_M)} "
            "beside it.",
            "our judgement",
        ),
        _row(
            "Every event is solved with the leads new and cold, as the worst set still in service "
            "(1.05 times nominal plus 0.32 milliohm ends), and as that set at the end of the "
            "fault; the largest voltage counts.",
            "ASTM F2249 in-service limit; copper by Onderdonk's law",
        ),
        _row(
            "Leads that the truck does not have are taken at the shortest stocked length that "
            "reaches; a longer lead than the table says raises the voltage on the worker in "
            "proportion.",
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


def _row(text: str, source: str) -> dict[str, str]:
    """Return one row."""
    return {"text": text, "source": source}
