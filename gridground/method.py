"""One method worked out: faults, leads, the voltage on the worker, rods, zones and checks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

from gridground.electrical.exposure import Branch, Layout, Place, Setting, study
from gridground.electrical.faults import fault_open_items, faults_at
from gridground.electrical.origins import find_origins
from gridground.electrical.tolerable import limit_v
from gridground.errors import NoPlanError, Reason
from gridground.grounding.electrodes import Electrode, electrode_of
from gridground.grounding.poletop import sides_of
from gridground.grounding.rows import Duty, lead_rows, with_solved_currents
from gridground.grounding.sizing import neutral_carries

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.exposure import Origin, Study
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.poletop import PoleTop
    from gridground.grounding.where import Placement, Spot
    from gridground.job import Job
    from gridground.record import FaultAt, LeadRow, OpenItem
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network
    from gridground.territory.ways import Zone


@dataclass
class Scene:
    """Everything both methods share; faults are worked out once per pole."""

    territory: Territory
    job: Job
    network: Network
    zone: Zone
    neighbourhood: Neighbourhood
    faults: dict[tuple[str, str], FaultAt] = field(default_factory=dict)

    @cached_property
    def nodes(self) -> list[int]:
        """Nodes of the worked circuits at the worksite."""
        poles = set(self.zone.poles)
        if self.zone.span is not None:
            span = self.zone.span
            return [int(self.network.node_from[span]), int(self.network.node_to[span])]
        return sorted(
            {
                self.network.node_at(span, pole)
                for pole in poles
                for span in self.zone.worked_spans_at(pole)
            }
        )

    @cached_property
    def origins(self) -> list[Origin]:
        """Every way the line can be energized again.

        Raises
        ------
        NoPlanError
            Where no source reaches the worksite in the recorded state: no fault current.
        """
        found = find_origins(
            self.territory,
            self.network,
            nodes=self.nodes,
            opened=self.job.sources_opened or (),
        )
        if not found:
            reason = Reason(
                "no_fault_current",
                self.job.circuit_ids,
                "no source reaches the worksite, with every device as recorded or any one open "
                "device closed again.",
                "Correct the states of devices, or the circuit's source pole.",
            )
            raise NoPlanError([reason])
        return found

    def frequency_hz(self, circuit_id: str) -> float:
        """Return a circuit's frequency [Hz]."""
        circuits = self.territory.circuits
        return float(circuits["frequency_hz"][circuits.index()[circuit_id]])

    def fault(self, pole_id: str, circuit_id: str) -> FaultAt:
        """Return the largest faults at a pole over every origin.

        Raises
        ------
        NoPlanError
            Where the worked circuit's own current or time is not known there.
        """
        key = (pole_id, circuit_id)
        if key not in self.faults:
            try:
                self._work_out_faults(circuit_id, self._near(circuit_id))
            except NoPlanError:
                # One of the poles near has unknown figures: only the asked one matters.
                self._work_out_faults(circuit_id, [pole_id])
        if key not in self.faults:
            self._work_out_faults(circuit_id, [pole_id])
        return self.faults[key]

    def _near(self, circuit_id: str) -> list[str]:
        """Return the poles round the worksite at which the circuit has spans."""
        circuits = self.territory.spans["circuit_id"]
        near = self.neighbourhood.centre_poles
        return [
            pole
            for pole in near
            if any(
                circuits[s] == circuit_id
                for s in self.network.spans_at(self.network.pole_row[pole])
            )
        ]

    def _work_out_faults(self, circuit_id: str, poles: list[str]) -> None:
        """Work out the faults at some poles from every origin at once."""
        answers = [
            faults_at(
                self.territory,
                origin.network,
                circuit_id=circuit_id,
                pole_ids=poles,
                clearing=self.job.limits.clearing,
            )
            for origin in self.origins
        ]
        for pole in poles:
            self.faults[pole, circuit_id] = _largest([found[pole] for found in answers])

    def fault_items(self, spots: Sequence[Spot]) -> list[OpenItem]:
        """Return what the faults at the locations leave open."""
        poles: dict[str, list[str]] = {}
        for spot in spots:
            top = spot.top
            ends = [top.pole_id] if top.pole_id else self._span_ends(str(top.span_id))
            for circuit in top.circuits:
                poles.setdefault(circuit.circuit_id, []).extend(map(str, ends))
        return [
            item
            for circuit_id, names in poles.items()
            for origin in self.origins
            for item in fault_open_items(
                self.territory,
                origin.network,
                circuit_id=circuit_id,
                pole_ids=list(dict.fromkeys(names)),
                clearing=self.job.limits.clearing,
            )
        ]

    def duty(self, spot: Spot) -> Duty:
        """Return what the leads of a location must carry."""
        top = spot.top
        poles = [top.pole_id] if top.pole_id is not None else self._span_ends(str(top.span_id))
        faults = [
            self.fault(str(pole), circuit.circuit_id) for pole in poles for circuit in top.circuits
        ]
        return Duty(_largest(faults), self.frequency_hz(top.circuits[0].circuit_id))

    def _span_ends(self, span_id: str) -> list[str]:
        """Return the poles of a span."""
        row = self.network.span_row[span_id]
        ends = (int(self.network.span_from[row]), int(self.network.span_to[row]))
        return [self.zone.pole_id(pole) for pole in ends]

    def small(self, top: PoleTop) -> frozenset[str]:
        """Return the circuits whose neutral cannot carry the largest phase-to-ground fault."""
        found = set()
        for circuit in top.circuits:
            neutral = circuit.neutral or (top.neutral if circuit.shares_neutral else None)
            if neutral is None:
                continue
            fault = self.fault(str(top.pole_id), circuit.circuit_id)
            carries = fault.phase_ground_a is None or neutral_carries(
                neutral.conductor,
                fault.phase_ground_a * self.job.limits.fault_growth_ratio,
                fault.clearing_s,
                fault.x_over_r,
                basis=self.job.limits.lead_basis,
                frequency_hz=self.frequency_hz(circuit.circuit_id),
            )
            if not carries:
                found.add(circuit.circuit_id)
        return frozenset(found)


def _largest(answers: Sequence[FaultAt]) -> FaultAt:
    """Return the largest current of each kind; the governing one is what heats most."""

    def most(name: str) -> float | None:
        known = [value for a in answers if (value := getattr(a, name)) is not None]
        return max(known, default=None)

    hottest = max(answers, key=lambda a: (a.largest_a * a.asymmetry_ratio) ** 2 * a.clearing_s)
    return replace(
        hottest,
        three_phase_a=most("three_phase_a"),
        phase_phase_a=most("phase_phase_a"),
        two_phase_ground_a=most("two_phase_ground_a"),
        phase_ground_a=most("phase_ground_a"),
        clearing_s=max(a.clearing_s for a in answers),
    )


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
        duties = [scene.duty(spot) for spot in placement.spots]
        rows = lead_rows(scene.job, placement.spots, duties)
    except NoPlanError as error:
        return Outcome(placement, infeasible=error.reasons)
    electrodes = [electrode_of(scene.job, scene.neighbourhood, s) for s in placement.spots]
    duration = max(duty.fault.clearing_s for duty in duties)
    limit = limit_v(
        scene.job.limits.worker_limit, duration_s=duration, body_ohm=scene.job.limits.body_ohm
    )
    setting = Setting(
        body_ohm=scene.job.limits.body_ohm,
        limit_v=limit.volts,
        growth_ratio=scene.job.limits.fault_growth_ratio,
        resistivity_ohm_m=electrodes[-1].resistivity_ohm_m,
    )
    layout = layout_of(scene, placement.spots, rows, electrodes)
    answer = study(scene.territory, layout, origins=scene.origins, setting=setting)
    solved = with_solved_currents(rows, [float(a) for a in answer.lead_current_a])
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
            branches.append(
                Branch(row.edge.start, row.edge.end, row.resistance_ohm, row.reactance_ohm, number)
            )
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
    return Layout(tuple(places), splits)


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
