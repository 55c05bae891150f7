"""The cautions of a plan: the usual ones, and those of this job."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.electrical.induced_words import induction_cautions
from gridground.electrical.standing import standing_limit_v
from gridground.electrical.tolerable import STRICTEST, limit_table
from gridground.figures import allowed_text, needed_text
from gridground.grounding.bonded import live_beside
from gridground.grounding.poletop import claimed_twice
from gridground.grounding.usual import CAUTIONS
from gridground.territory.isolation import DeviceStates, nodes_at_ends
from gridground.territory.network import Network
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gridground.method import Outcome
    from gridground.scene import Scene

FEW_NAMED = 4


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
    beyond = {s for way in scene.zone.ways for s in way.sources}
    capacitors = sorted((beyond & _capacitors(scene)) | kinds.get("capacitor", set()))
    if capacitors:
        text = f"Capacitors ({', '.join(capacitors)}): open, wait five minutes, short and ground."
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
    rows += [*_other_side(scene, outcome), *_same_place(scene, outcome)]
    rows += [_row(text, source) for text, source in induction_cautions(induction)]
    if job.work_position == "aerial lift":
        rows.append(
            _row(
                "The lift has its own rod, at least "
                f"{feet_text(job.limits.vehicle_rod_distance_m)} from the line's rods.",
                "MIL-HDBK-1025/10 table 27",
            )
        )
    return rows


def _other_side(scene: Scene, outcome: Outcome) -> list[dict[str, str]]:
    """Name ground poles at which the other side of an opened device stays live."""
    opened = frozenset(scene.job.sources_opened or ())
    isolated = Network.build(scene.territory, opened=opened)
    states = DeviceStates(opened=opened)
    live: dict[str, list[str]] = {}
    for end in live_beside(scene.zone, outcome.placement):
        if scene.job.sources_opened and isolated.feeding(nodes_at_ends(isolated, [end], states)):
            live.setdefault(scene.zone.pole_id(end[0]), []).append(scene.zone.span_id(end[1]))
    return [
        _row(
            f"The line beyond the opened device stays live at {pole_id} (span "
            f"{', '.join(sorted(spans))}), beside the grounds: keep the approach distance, and "
            "ground on the near side only.",
            "the data; common practice, no source",
        )
        for pole_id, spans in sorted(live.items())
    ]


def _same_place(scene: Scene, outcome: Outcome) -> list[dict[str, str]]:
    """Name conductors of two circuits that claim one place on a pole with grounds."""
    pairs: dict[tuple[str, str], list[str]] = {}
    for spot in outcome.placement.spots:
        if spot.top.pole_id is not None:
            for pair in claimed_twice(scene.network, scene.network.pole_row[spot.top.pole_id]):
                pairs.setdefault(pair, []).append(spot.top.pole_id)
    return [
        _row(
            f"By the data {one} and {other} hang at one place at {', '.join(poles)}: the pole top "
            "of one of the two is wrong, and lead lengths, voltages and induction rest on it. Look "
            "at the pole.",
            "the data",
        )
        for (one, other), poles in sorted(pairs.items())
    ]


def _without_bond(outcome: Outcome) -> list[dict[str, str]]:
    """Say what the worksite's own leads are for: the voltage without them."""
    volts = outcome.without_personal_v
    if volts is None or outcome.worst_v is None or volts <= outcome.limit_v:
        return []
    if outcome.placement.method == "single-point":
        text = (
            f"Without the set at the worksite nothing is grounded: up to {needed_text(volts, 'V')}."
        )
    else:
        text = (
            f"Brackets alone do not do: without the personal ground the worker would see up to "
            f"{needed_text(volts, 'V')}, with it up to {needed_text(outcome.worst_v, 'V')}."
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
    against = "above" if worst.voltage_v > standing.volts else "within"
    broken = all(case.neutral == "broken" for case in stays)
    names = sorted({case.origin for case in stays})
    text = (
        f"Energized from {_listed(names)}"
        + (" with the neutral broken" if broken else "")
        + ", the line may stay on: nothing stated opens what then flows. The worker would see up "
        f"to {needed_text(worst.voltage_v, 'V')} for as long as it lasts, {against} what may stand "
        f"for long ({standing.volts:g} V)."
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
                f"The limit asked for, {allowed_text(outcome.limit_v, 'V')}, is above the "
                f"strictest of the rules by name, {allowed_text(least, 'V')} for "
                f"{outcome.duration_s:.3g} s.",
                outcome.limit_rule,
            )
        )
    return rows


def _capacitors(scene: Scene) -> set[str]:
    """Return the ids of the territory's capacitors."""
    equipment = scene.territory.layer("equipment")
    return set() if equipment is None else set(equipment.ids[equipment["kind"] == "capacitor"])


def _kinds_at_zone(scene: Scene) -> dict[str, set[str]]:
    """Return the equipment on the zone's poles and its next poles, by kind."""
    equipment = scene.territory.layer("equipment")
    found: dict[str, set[str]] = {}
    if equipment is None:
        return found
    at = equipment.rows_by("pole_id")
    for pole in scene.zone.poles | {way.far for way in scene.zone.ways}:
        for row in at.get(scene.zone.pole_id(pole), []):
            found.setdefault(str(equipment["kind"][row]), set()).add(str(equipment.ids[row]))
    return found


def _row(text: str, source: str) -> dict[str, str]:
    """Return one row."""
    return {"text": text, "source": source}
