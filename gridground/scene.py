"""What both methods of a job share: the network, the worksite, its surroundings, the faults."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.faults import fault_open_items, faults_at
from gridground.electrical.origins import closed_parts, find_origins
from gridground.errors import NoPlanError, Reason
from gridground.grounding.rows import Duty
from gridground.grounding.sizing import neutral_carries

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.exposure import Origin
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.poletop import PoleTop
    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import FaultAt, OpenItem
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
        """Nodes of the worked circuits at the worksite and at the far end of every way out."""
        poles = set(self.zone.poles) | {way.far for way in self.zone.ways}
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
        """Work out the faults at some poles from every origin that reaches them."""
        answers: dict[str, list[FaultAt]] = {pole: [] for pole in poles}
        for origin in self.origins:
            reached = self._reached(origin, circuit_id, poles)
            if not reached:
                continue
            found = faults_at(
                self.territory,
                origin.network,
                circuit_id=circuit_id,
                pole_ids=reached,
                clearing=self.job.limits.clearing,
            )
            for pole in reached:
                answers[pole].append(found[pole])
        for pole, found_there in answers.items():
            if not found_there:
                what = f"no source reaches {circuit_id} at pole {pole} in any event considered."
                remedy = "Correct the states of devices, or the circuit's source pole."
                raise NoPlanError([Reason("no_fault_current", (circuit_id, pole), what, remedy)])
            self.faults[pole, circuit_id] = _largest(found_there, self.frequency_hz(circuit_id))

    def _reached(self, origin: Origin, circuit_id: str, poles: list[str]) -> list[str]:
        """Return the poles at which an origin's source feeds the circuit's conductors."""
        network = origin.network
        label = closed_parts(network)
        source = label[network.source_node[origin.circuit_id]]
        circuits = self.territory.spans["circuit_id"]
        return [
            pole
            for pole in poles
            if any(
                circuits[s] == circuit_id
                and label[network.node_at(s, network.pole_row[pole])] == source
                for s in network.spans_at(network.pole_row[pole])
            )
        ]

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
            if (reached := self._reached(origin, circuit_id, list(dict.fromkeys(names))))
            for item in fault_open_items(
                self.territory,
                origin.network,
                circuit_id=circuit_id,
                pole_ids=reached,
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
        faults += [
            found
            for pole in poles
            for circuit_id in self.live_circuits(str(pole))
            if (found := self.live_fault(str(pole), circuit_id)) is not None
        ]
        frequency = self.frequency_hz(top.circuits[0].circuit_id)
        return Duty(_largest(faults, frequency), frequency)

    def live_circuits(self, pole_id: str) -> list[str]:
        """Return the circuits on a pole that are not worked on and can fall on the worked one."""
        circuits = self.territory.spans["circuit_id"]
        spans = self.network.spans_at(self.network.pole_row[pole_id])
        return sorted({str(circuits[s]) for s in spans if not self.zone.worked[s]})

    def live_fault(self, pole_id: str, circuit_id: str) -> FaultAt | None:
        """Return the faults a live circuit feeds at a pole; None where they are not known."""
        try:
            found = faults_at(
                self.territory,
                self.network,
                circuit_id=circuit_id,
                pole_ids=[pole_id],
                clearing=self.job.limits.clearing,
            )
        except NoPlanError:
            return None
        return found[pole_id]

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


def _largest(answers: Sequence[FaultAt], frequency_hz: float) -> FaultAt:
    """Return the largest current of each kind; the governing one is what heats most."""

    def most(name: str) -> float | None:
        known = [value for a in answers if (value := getattr(a, name)) is not None]
        return max(known, default=None)

    hottest = max(answers, key=lambda a: (a.largest_a * a.asymmetry_ratio) ** 2 * a.clearing_s)
    longest = max(a.clearing_s for a in answers)
    return replace(
        hottest,
        three_phase_a=most("three_phase_a"),
        phase_phase_a=most("phase_phase_a"),
        two_phase_ground_a=most("two_phase_ground_a"),
        phase_ground_a=most("phase_ground_a"),
        clearing_s=longest,
        asymmetry_ratio=float(
            decrement_ratio(hottest.x_over_r, longest, frequency_hz=frequency_hz)
        ),
    )
