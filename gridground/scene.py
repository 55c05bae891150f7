"""What both methods of a job share: the network, the worksite, its surroundings, the faults."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from gridground.electrical.event_times import FIXED_FROM_RATIO, FixedTime, event_times
from gridground.electrical.faults import largest_of
from gridground.electrical.feeds import part_of
from gridground.electrical.origins import closed_parts, find_origins
from gridground.electrical.rod_fault import RodFault, rod_faults
from gridground.errors import NoPlanError, Reason
from gridground.grounding.rows import Duty
from gridground.grounding.sizing import neutral_carries
from gridground.joined import in_their_events
from gridground.record import OpenItem
from gridground.studies import Studies

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from gridground.electrical.event_times import EventTimes
    from gridground.electrical.exposure import Origin
    from gridground.electrical.faults import PoleStudy
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.poletop import PoleTop
    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import FaultAt, Note
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
    def studies(self) -> Studies:
        """The fault studies of the job, each made once."""
        return Studies(self.territory, self.job)

    @cached_property
    def nodes(self) -> list[int]:
        """Nodes of the worked circuits at the worksite and at the far end of every way out."""
        poles = set(self.zone.poles) | {way.far for way in self.zone.ways}
        if self.zone.span is not None:
            ends = (self.network.node_from, self.network.node_to)
            return sorted({int(end[span]) for span in self.zone.spans for end in ends})
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
            for study in self.studies.of(origin.network, circuit_id, reached):
                found = study.faults()
                for pole in reached:
                    answers[pole].append(found[pole])
        for pole, found_there in answers.items():
            if not found_there:
                what = f"no source reaches {circuit_id} at pole {pole} in any event considered."
                remedy = "Correct the states of devices, or the circuit's source pole."
                raise NoPlanError([Reason("no_fault_current", (circuit_id, pole), what, remedy)])
            self.faults[pole, circuit_id] = largest_of(found_there, self.frequency_hz(circuit_id))

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
        found = [
            (item, origin)
            for circuit_id, origin, reached in self._reached_by(spots)
            for study in self.studies.of(origin.network, circuit_id, reached)
            for item in study.open_items()
        ]
        return in_their_events(found, self.job)

    def reclosing_items(self, spots: Sequence[Spot]) -> list[OpenItem]:
        """Ask about devices in the way that a job which names blocked ones leaves out."""
        return self.not_stated(
            name
            for circuit_id, origin, reached in self._reached_by(spots)
            for name in self.studies.of(origin.network, circuit_id, reached)[0].reclosing_silent()
        )

    def not_stated(self, names: Iterable[str]) -> list[OpenItem]:
        """Ask about devices whose reclosing is not stated, where the job names blocked ones."""
        if self.job.reclosing_blocked is None:
            return []
        return [
            OpenItem(
                "reclosing_not_stated",
                (name,),
                f"whether {name} recloses by itself is not stated, and reclosing_blocked does not "
                "name it",
                "every shot heats the leads again and puts the voltage on the worker again",
                "the dispatcher",
                f"name {name} in reclosing_blocked once it is blocked and tagged, or state "
                "reclose_shots of its protection (0: none)",
            )
            for name in sorted(set(names))
        ]

    def fault_notes(self, spots: Sequence[Spot]) -> list[Note]:
        """Return what is assumed about the devices between the locations and every source."""
        found = [
            note
            for circuit_id, origin, reached in self._reached_by(spots)
            for note in self.studies.of(origin.network, circuit_id, reached)[0].notes()
        ]
        return list(dict.fromkeys(found))

    def _reached_by(self, spots: Sequence[Spot]) -> list[tuple[str, Origin, list[str]]]:
        """Return each circuit and origin with the poles of the locations that it reaches."""
        poles: dict[str, list[str]] = {}
        for spot in spots:
            top = spot.top
            ends = [top.pole_id] if top.pole_id else self._span_ends(str(top.span_id))
            for circuit in top.circuits:
                poles.setdefault(circuit.circuit_id, []).extend(map(str, ends))
        return [
            (circuit_id, origin, reached)
            for circuit_id, names in poles.items()
            for origin in self.origins
            if (reached := self._reached(origin, circuit_id, list(dict.fromkeys(names))))
        ]

    def rod_faults(
        self, circuit_id: str, electrode_ohm: Mapping[str, float]
    ) -> dict[str, RodFault]:
        """Return what one phase draws through the electrode of each pole alone.

        Parameters
        ----------
        circuit_id : str
            A worked circuit.
        electrode_ohm : mapping
            `pole_id` -> resistance of the electrode [ohm].

        Returns
        -------
        dict
            By pole; over the origins the one that takes longest. A pole that no origin reaches,
            or whose current is unknown, is left out.
        """
        answers: dict[str, RodFault] = {}
        for origin in self.origins:
            reached = self._reached(origin, circuit_id, list(electrode_ohm))
            part = part_of(origin.network, circuit_id, reached)
            try:
                found = rod_faults(
                    part.territory,
                    part.network,
                    circuit_id=circuit_id,
                    electrode_ohm={pole: electrode_ohm[pole] for pole in reached},
                )
            except NoPlanError:
                continue
            for pole, one in found.items():
                before = answers.get(pole)
                answers[pole] = one if before is None else before.slower(one)
        return answers

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
        return Duty(largest_of(faults, frequency), frequency)

    def event_times(self, origin: Origin, spots: Sequence[Spot]) -> EventTimes | FixedTime | None:
        """Return what opens the events of an origin by what its source sees; None where unknown.

        Of equipment and lines only their own stated time is known: it counts as a fixed one.
        """
        if origin.kind in {"equipment", "line falls on"}:
            return _fixed_time(origin)
        if origin.kind == "other circuit falls on":
            at = [study for study in self.contact_studies(origin)[:1] if study.known]
        else:
            at = [
                self.studies.of(one.network, circuit_id, reached)[0]
                for circuit_id, one, reached in self._reached_by(spots)
                if one is origin
            ]
            # An open device at the pole itself: its far side belongs to the next pole's node.
            at = at or [
                self.studies.of(origin.network, circuit_id, reached)[0]
                for circuit_id in self.job.circuit_ids
                if (reached := self._reached(origin, circuit_id, self._near(circuit_id)))
            ]
        return event_times([study.study for study in at]) if at else None

    def switched_out(self, circuit_id: str, pole_ids: Sequence[str]) -> bool:
        """Say whether no source reaches a circuit at some poles, as devices are recorded."""
        spans = self.territory.spans["circuit_id"]
        rows = [self.network.pole_row[pole] for pole in pole_ids]
        nodes = [
            self.network.node_at(s, row)
            for row in rows
            for s in self.network.spans_at(row)
            if spans[s] == circuit_id
        ]
        label = closed_parts(self.network)
        fed = {int(label[node]) for node in self.network.source_node.values()}
        return not any(int(label[node]) in fed for node in nodes)

    def contact_studies(self, origin: Origin) -> list[PoleStudy]:
        """Return the studies of another circuit at its own pole nearest to where it touches."""
        injection = origin.injection
        if injection is None or injection.via is None:
            return []
        pole_id = self.zone.pole_id(int(self.network.node_pole[injection.via]))
        try:
            return self.studies.of(origin.network, origin.circuit_id, [pole_id])
        except NoPlanError:
            return []

    def contact_s(self, origin: Origin) -> float | None:
        """Return the longest time of another circuit's faults where it touches; None: unknown [s].

        Without a stated figure, or without a source that reaches the place as things stand.
        """
        try:
            found = [f for s in self.contact_studies(origin) for f in s.faults().values()]
        except NoPlanError:
            return None
        times_s = [max(fault.longest_s, fault.clearing_s) for fault in found]
        return max(times_s, default=None)

    def live_circuits(self, pole_id: str) -> list[str]:
        """Return the circuits on a pole that are not worked on and can fall on the worked one."""
        circuits = self.territory.spans["circuit_id"]
        spans = self.network.spans_at(self.network.pole_row[pole_id])
        return sorted({str(circuits[s]) for s in spans if not self.zone.worked[s]})

    def live_fault(self, pole_id: str, circuit_id: str) -> FaultAt | None:
        """Return the faults a live circuit feeds at a pole; None where they are not known."""
        try:
            studies = self.studies.of(self.network, circuit_id, [pole_id])
            found = [study.faults()[pole_id] for study in studies]
        except NoPlanError:
            return None
        return largest_of(found, self.frequency_hz(circuit_id))

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


def _fixed_time(origin: Origin) -> FixedTime | None:
    """Return the time a line or equipment states, from half of its smallest bolted fault on."""
    if origin.injection is None or origin.clearing_s is None:
        return None
    source = origin.injection.source
    seen = [source.z1_ohm]
    if source.z0_ohm is not None:
        seen.append((2 * source.z1_ohm + source.z0_ohm) / 3)
    bolted_a = source.prefault_v / max(abs(z_ohm) for z_ohm in seen)
    return FixedTime(origin.clearing_s, FIXED_FROM_RATIO * bolted_a)
