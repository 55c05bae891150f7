"""One method worked out: faults, leads, the voltage on the worker, rods, zones and checks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.exposure import Branch, Layout, Place, Setting, Study, study
from gridground.electrical.tolerable import limit_v
from gridground.errors import NetworkError, NoPlanError, Reason, TableError
from gridground.grounding.electrodes import Electrode, electrode_of
from gridground.grounding.poletop import sides_of
from gridground.grounding.rows import Duty, lead_rows, with_solved_currents

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Placement, Spot
    from gridground.record import LeadRow
    from gridground.scene import Scene


@dataclass(frozen=True)
class Outcome:
    """One method worked out.

    Attributes
    ----------
    placement : Placement
        Where the grounds go.
    rows : tuple of LeadRow
        The lead table.
    duties : tuple of Duty
        One per location.
    electrodes : tuple of Electrode
        One per location.
    study : Study or None
        The worker's voltages; None where the method cannot be drawn.
    limit_v, limit_rule
        The tolerable voltage and its rule.
    infeasible : tuple of Reason
        Why it cannot be drawn.
    """

    placement: Placement
    rows: tuple[LeadRow, ...] = ()
    duties: tuple[Duty, ...] = ()
    electrodes: tuple[Electrode, ...] = ()
    study: Study | None = None
    limit_v: float = float("nan")
    limit_rule: str = ""
    infeasible: tuple[Reason, ...] = ()

    @property
    def worst_v(self) -> float | None:
        """The largest voltage on the worker [V]."""
        worst = self.study.worst if self.study is not None else None
        return None if worst is None else worst.voltage_v

    @property
    def bonded(self) -> bool:
        """Say whether every contact of the worker is bonded, so that its voltage is determined."""
        if self.study is None:
            return False
        return all(case.passed or case.voltage_v > case.limit_v for case in self.study.cases)

    @property
    def passes(self) -> bool:
        """Say whether every voltage on the worker stays within its limit."""
        return self.study is not None and all(case.passed for case in self.study.cases)


def work_out(scene: Scene, placement: Placement) -> Outcome:
    """Size the leads of a placement and solve what the worker would see.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    placement : Placement
        Where the grounds of this method go.
    """
    if placement.infeasible:
        return Outcome(placement, infeasible=placement.infeasible)
    try:
        return _solve(scene, placement)
    except NoPlanError as error:
        return Outcome(placement, infeasible=error.reasons)
    except (TableError, NetworkError) as error:
        code = "beyond_table" if isinstance(error, TableError) else "not_solved"
        reason = Reason(code, scene.job.circuit_ids, f"{error}.", "Correct the figure it names.")
        return Outcome(placement, infeasible=(reason,))


def _solve(scene: Scene, placement: Placement) -> Outcome:
    """Work out a placement that can be drawn."""
    duties = [scene.duty(spot) for spot in placement.spots]
    rows = lead_rows(scene.job, placement.spots, duties)
    electrodes = [electrode_of(scene.job, scene.neighbourhood, s) for s in placement.spots]
    duration = max(duty.fault.clearing_s for duty in duties)
    limit = limit_v(
        scene.job.limits.worker_limit, duration_s=duration, body_ohm=scene.job.limits.body_ohm
    )
    setting = Setting(
        body_ohm=scene.job.limits.body_ohm,
        limit_v=limit.volts,
        growth_ratio=scene.job.limits.fault_growth_ratio,
        resistivity_ohm_m=max(e.resistivity_ohm_m for e in electrodes),
    )
    layout = layout_of(scene, placement.spots, rows, electrodes)
    answer = study(scene.territory, layout, origins=scene.origins, setting=setting)
    current_a = np.full(len(rows), np.nan)
    current_a[: len(answer.lead_current_a)] = answer.lead_current_a
    solved = with_solved_currents(rows, [float(a) for a in current_a])
    return Outcome(
        placement,
        tuple(solved),
        tuple(duties),
        tuple(electrodes),
        answer,
        limit.volts,
        limit.rule,
    )


def layout_of(
    scene: Scene,
    spots: Sequence[Spot],
    rows: Sequence[LeadRow],
    electrodes: Sequence[Electrode],
) -> Layout:
    """Translate locations and lead rows to the places of the phasor network."""
    places = []
    number = 0
    splits: dict[str, dict[str, list[tuple[str, ...]]]] = {}
    for spot, electrode in zip(spots, electrodes, strict=True):
        branches = []
        for _ in spot.edges:
            row = rows[number]
            ends = (row.edge.start, row.edge.end)
            if spot.top.pole_id is None:
                # In mid-span the bypass makes one conductor of both sides of a cut.
                ends = (ends[0].partition("@")[0], ends[1].partition("@")[0])
            if ends[0] != ends[1]:
                branches.append(Branch(*ends, row.resistance_ohm, row.reactance_ohm, number))
            number += 1
        top = spot.top
        circuits = tuple(circuit.circuit_id for circuit in top.circuits)
        places.append(
            Place(
                top.pole_id,
                top.span_id,
                circuits,
                electrode.network_ohm,
                tuple(branches),
                spot.role == "worksite",
            )
        )
        if top.pole_id is not None and (found := _splits(scene, spot)):
            splits[top.pole_id] = found
    for pole in sorted(scene.zone.poles):
        # A device between worksite poles is not counted on for continuity either.
        pole_id = scene.zone.pole_id(pole)
        if pole_id not in {place.pole_id for place in places} and (
            found := _device_splits(scene, pole, {c.circuit_id for c in spots[0].top.circuits})
        ):
            splits[pole_id] = found
    return Layout(tuple(places), splits)


def _device_splits(
    scene: Scene, pole: int, circuit_ids: set[str]
) -> dict[str, list[tuple[str, ...]]]:
    """Return the sides that devices make of the conductors of a pole without grounds."""
    spans, zone = scene.territory.spans, scene.zone
    found: dict[str, list[tuple[str, ...]]] = {}
    for circuit_id in sorted(circuit_ids):
        prefix = f"{circuit_id}:" if len(circuit_ids) > 1 else ""
        own = [s for s in zone.worked_spans_at(pole) if spans["circuit_id"][s] == circuit_id]
        letters = sorted({letter for s in own for letter in spans["phases"][s] or ""})
        for letter in letters:
            groups = sides_of(scene.network, pole, own, letter)
            if len(groups) > 1:
                found[prefix + letter] = [tuple(zone.span_id(s) for s in g) for g in groups]
    return found


def _splits(scene: Scene, spot: Spot) -> dict[str, list[tuple[str, ...]]]:
    """Return the sides of every conductor that is split at a pole."""
    network, zone = scene.network, scene.zone
    pole = network.pole_row[str(spot.top.pole_id)]
    spans = network.territory.spans
    found: dict[str, list[tuple[str, ...]]] = {}
    for circuit in spot.top.circuits:
        prefix = f"{circuit.circuit_id}:" if len(spot.top.circuits) > 1 else ""
        own = [
            s for s in zone.worked_spans_at(pole) if spans["circuit_id"][s] == circuit.circuit_id
        ]
        for letter in circuit.phases:
            groups = [
                tuple(zone.span_id(s) for s in g) for g in sides_of(network, pole, own, letter)
            ]
            if len(groups) > 1:
                found[prefix + letter] = groups
        for name, (first, _) in circuit.cuts.items():
            carrying = [
                zone.span_id(s)
                for s in own
                if (name == "neutral" and spans["neutral_conductor"][s] is not None)
                or name in (spans["phases"][s] or "")
            ]
            found[prefix + name] = [(first,), tuple(s for s in carrying if s != first)]
    return found
