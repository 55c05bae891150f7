"""Ways out of a worksite: every span by which energy can come, and the sources beyond it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from gridground.errors import NoPlanError, Reason
from gridground.territory.network import ANY_STATE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.job import Job
    from gridground.territory.network import Network

# Equipment through which energy can come back (the rest is listed, never a source).
SOURCE_KINDS = ("transformer", "generator", "service", "capacitor", "riser")


@dataclass(frozen=True)
class Way:
    """One span that leaves the zone of the worksite.

    Attributes
    ----------
    pole : int
        Row of the zone's pole at which it leaves (mid-span work: the end of the worksite's span).
    span : int
        Span row.
    far : int
        Pole row at its other end (mid-span work: `pole` itself).
    towards : str
        ``"source" "tie" "cable" "lateral" "load"``.
    sources : tuple of str
        Circuits beyond it whatever the state of devices, and equipment that reaches it as things
        stand.
    """

    pole: int
    span: int
    far: int
    towards: str
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Zone:
    """The poles and spans at which people work, and what lies between them.

    Attributes
    ----------
    network : Network
        As built.
    circuit_ids : frozenset of str
        Circuits worked on.
    worksite : tuple of int
        Pole rows of the worksite, in the job's order; empty for mid-span work.
    poles : frozenset of int
        Worksite poles and the poles between them.
    span : int or None
        The worksite's span for mid-span work.
    isolated : frozenset of str
        Equipment that the job states to be isolated.
    """

    network: Network
    circuit_ids: frozenset[str]
    worksite: tuple[int, ...]
    poles: frozenset[int]
    span: int | None
    isolated: frozenset[str]

    @cached_property
    def worked(self) -> NDArray[np.bool_]:
        """Which spans belong to the circuits worked on."""
        found = np.zeros(len(self.network.span_from), bool)
        found[self.network.fixed.spans_of(self.circuit_ids)] = True
        return found

    def worked_spans_at(self, pole: int) -> list[int]:
        """Return the rows of worked spans at a pole row."""
        return [s for s in self.network.spans_at(pole) if self.worked[s]]

    def pole_id(self, pole: int) -> str:
        """Return the id of a pole row."""
        return str(self.network.territory.poles.ids[pole])

    def span_id(self, span: int) -> str:
        """Return the id of a span row."""
        return str(self.network.territory.spans.ids[span])

    @cached_property
    def spans(self) -> tuple[int, ...]:
        """The worksite's span and the worked spans beside it between the same poles; else none."""
        if self.span is None:
            return ()
        network = self.network
        ends = {int(network.span_from[self.span]), int(network.span_to[self.span])}
        beside = [
            s
            for s in self.worked_spans_at(min(ends))
            if s != self.span and {int(network.span_from[s]), int(network.span_to[s])} == ends
        ]
        return (self.span, *beside)

    def ties_at(self, poles: Iterable[int]) -> tuple[Way, ...]:
        """Return the spans of circuits not worked on that a tie joins to some poles, as ways.

        Energy can come in there at the pole itself; no bracket can stand on such a span.
        """
        network, beyond = self.network, _Beyond(self)
        found = []
        for pole in sorted(poles, key=self.pole_id):
            own = {network.node_at(span, pole) for span in self.worked_spans_at(pole)}
            for span in network.spans_at(pole):
                if not self.worked[span] and network.node_at(span, pole) in own:
                    far = network.other_end(span, pole)
                    found.append(Way(pole, span, far, "tie", beyond.of(pole, span)[2]))
        return tuple(found)

    def cables_at(self, poles: Iterable[int]) -> tuple[Way, ...]:
        """Return the worked cables that leave some poles, as ways with what lies beyond."""
        beyond = _Beyond(self)
        kinds = self.network.territory.spans["kind"]
        found = []
        for pole in sorted(poles, key=self.pole_id):
            for span in self.worked_spans_at(pole):
                if kinds[span] == "cable":
                    far = self.network.other_end(span, pole)
                    found.append(Way(pole, span, far, "cable", beyond.of(pole, span)[2]))
        return tuple(found)

    @cached_property
    def ways(self) -> tuple[Way, ...]:
        """Every way out, in the order of pole and span ids."""
        return _ways(self)


def find_zone(network: Network, job: Job) -> Zone:
    """Find the worksite in the network and the poles between its poles.

    Raises
    ------
    NoPlanError
        Where the worksite is not on the circuits worked on, its poles are not connected, or the
        span of mid-span work is not an overhead span of them.
    """
    circuits, isolated = frozenset(job.circuit_ids), frozenset(job.isolated_equipment)
    if job.worksite_span is not None:
        row = network.span_row[job.worksite_span]
        zone = Zone(network, circuits, (), frozenset(), row, isolated)
        kind = network.territory.spans["kind"][row]
        if not zone.worked[row] or kind != "overhead":
            raise _no_plan(
                "worksite_not_in_network",
                (job.worksite_span,),
                f"the worksite's span is not an overhead span of {', '.join(job.circuit_ids)}.",
                "Name an overhead span of a circuit in circuit_ids.",
            )
        return zone
    rows = tuple(network.pole_row[p] for p in job.worksite_poles)
    alone = Zone(network, circuits, rows, frozenset(rows), None, isolated)
    for pole_id, row in zip(job.worksite_poles, rows, strict=True):
        if not alone.worked_spans_at(row):
            raise _no_plan(
                "worksite_not_in_network",
                (pole_id,),
                f"no span of {', '.join(job.circuit_ids)} ends at worksite pole {pole_id}.",
                "Name the circuit that is worked on at this pole in circuit_ids.",
            )
    return Zone(network, circuits, rows, _poles_between(alone), None, isolated)


def _no_plan(code: str, where: tuple[str, ...], what: str, remedy: str) -> NoPlanError:
    """Return a refusal with one reason."""
    return NoPlanError([Reason(code, where, what, remedy)])


def _poles_between(zone: Zone) -> frozenset[int]:
    """Join the worksite poles by the shortest ways along worked spans."""
    inside = {zone.worksite[0]}
    missing = set(zone.worksite[1:]) - inside
    while missing:
        path = _shortest(zone, inside, missing)
        if path is None:
            ids = zone.network.territory.poles.ids
            raise _no_plan(
                "worksite_apart",
                tuple(str(ids[p]) for p in sorted(missing)),
                "these worksite poles are not connected with the first one by the worked circuits.",
                "Plan them as separate jobs.",
            )
        inside |= set(path)
        missing -= inside
    return frozenset(inside)


def _shortest(zone: Zone, start: set[int], goal: set[int]) -> list[int] | None:
    """Return the poles on every way with the fewest spans from `start` to the nearest goals."""
    came: dict[int, set[int]] = {pole: set() for pole in start}
    edge = sorted(start)
    while edge:
        ahead: dict[int, set[int]] = {}
        for pole in edge:
            for span in zone.worked_spans_at(pole):
                far = zone.network.other_end(span, pole)
                if far not in came:
                    ahead.setdefault(far, set()).add(pole)
        came |= ahead
        if met := sorted(goal & ahead.keys()):
            path: set[int] = set()
            back = list(met)
            while back:
                here = back.pop()
                if here not in path:
                    path.add(here)
                    back += came[here]
            return sorted(path)
        edge = sorted(ahead)
    return None


def _ways(zone: Zone) -> tuple[Way, ...]:
    """List the spans that leave the zone and say what lies beyond each."""
    network = zone.network
    ids = network.territory.poles.ids
    edges: list[tuple[int, int, int]] = []
    if zone.span is not None:
        ends = (int(network.span_from[zone.span]), int(network.span_to[zone.span]))
        order = sorted(ends, key=lambda p: str(ids[p]))
        edges = [(pole, span, pole) for span in zone.spans for pole in order]
    for pole in sorted(zone.poles, key=lambda p: str(ids[p])):
        for span in zone.worked_spans_at(pole):
            far = network.other_end(span, pole)
            if far not in zone.poles:
                edges.append((pole, span, far))
    beyond = _Beyond(zone)
    facts = [beyond.of(pole, span) for pole, span, _ in edges]
    towards = _towards(zone, edges, facts)
    return tuple(
        Way(pole, span, far, name, fact[2])
        for (pole, span, far), name, fact in zip(edges, towards, facts, strict=True)
    )


def _towards(
    zone: Zone, edges: list[tuple[int, int, int]], facts: list[tuple[bool, bool, tuple[str, ...]]]
) -> list[str]:
    """Name each way by what lies beyond it."""
    network = zone.network
    kinds = network.territory.spans["kind"]
    names = []
    for (_, span, _), (fed, tied, _) in zip(edges, facts, strict=True):
        if kinds[span] == "cable":
            names.append("cable")
        else:
            names.append("source" if fed else "tie" if tied else "load")
    circuits = network.territory.spans["circuit_id"]
    by_circuit: dict[str, list[int]] = {}
    for i, (_, span, _) in enumerate(edges):
        by_circuit.setdefault(str(circuits[span]), []).append(i)
    for own in by_circuit.values():
        _name_laterals(zone, edges, names, own)
    return names


def _name_laterals(
    zone: Zone, edges: list[tuple[int, int, int]], names: list[str], own: list[int]
) -> None:
    """Name the laterals among the ways of one circuit: all its loads but the main line."""
    count = {i: int(zone.network.phases[edges[i][1]]).bit_count() for i in own}
    loads = [i for i in own if names[i] == "load"]
    if len(loads) > 1:
        # The main line goes on with the most phases; the rest are laterals.
        main = max(loads, key=lambda i: (count[i], _straightness(zone, edges, names, i), -i))
        for i in loads:
            if i != main:
                names[i] = "lateral"
    elif (
        loads
        and "source" in [names[i] for i in own]
        and count[loads[0]] < max(count.values())
        and len(own) > 2
    ):
        names[loads[0]] = "lateral"


def _straightness(
    zone: Zone, edges: list[tuple[int, int, int]], names: list[str], way: int
) -> float:
    """Say how straight a way goes on from the source at its pole: 1 straight, -1 back."""
    geometry = zone.network.territory.poles.geometry

    def direction(edge: tuple[int, int, int]) -> NDArray[np.float64]:
        here, far = geometry[edge[0]], geometry[edge[2]]
        east = (far.x - here.x) * np.cos(np.radians(here.y))
        step = np.array([east, far.y - here.y])
        return step / max(float(np.hypot(*step)), 1e-12)

    own = direction(edges[way])
    fed = [
        float(-own @ direction(edge))
        for edge, name in zip(edges, names, strict=True)
        if name in {"source", "tie"} and edge[0] == edges[way][0]
    ]
    return round(max(fed, default=0.0), 6)


class _Beyond:
    """What lies beyond a way: the parts of the network without the zone."""

    def __init__(self, zone: Zone) -> None:
        network = zone.network
        self.zone, self.network = zone, network
        inside = {
            network.node_at(span, pole)
            for pole in zone.poles
            for span in zone.worked_spans_at(pole)
        }
        # Circuits not worked on stay: of mid-span work only the worked spans themselves are cut.
        cut = zone.spans
        self.closed = network.labels_without(inside, cut)
        self.any = network.labels_without(inside, cut, ANY_STATE)
        sources = network.fixed.sources
        self.fed, self.reached = self.closed[sources], self.any[sources]

    def of(self, pole: int, span: int) -> tuple[bool, bool, tuple[str, ...]]:
        """Say (fed by a source as things stand, by any source at all, everything beyond)."""
        network = self.network
        mid_span = self.zone.span is not None
        far = pole if mid_span else network.other_end(span, pole)
        node = network.node_at(span, far)
        circuits = network.territory.circuits.ids
        reached = sorted(map(str, circuits[self.reached == self.any[node]]))
        fed = set(map(str, circuits[self.fed == self.closed[node]]))
        # an open device at the worksite does not turn the side of its own source into a tie
        shut = mid_span or network.closed[span] > 0 or bool(fed & self.zone.circuit_ids)
        beyond, generators = self._equipment(node)
        source = (bool(fed) and bool(shut)) or bool(generators)
        return source, bool(reached), (*reached, *beyond)

    def _equipment(self, beyond: int) -> tuple[tuple[str, ...], set[str]]:
        """Return ids of equipment beyond the way through which energy can come back.

        Generators on the worked circuits also where a device between stands open; and, apart, the
        generators that reach the way as things stand and are not isolated.
        """
        network = self.network
        equipment = network.territory.layer("equipment")
        if equipment is None:
            return (), set()
        found: set[str] = set()
        generators: set[str] = set()
        for left, labels, kinds in (
            (self.closed, network.labels(), SOURCE_KINDS),
            (self.any, network.labels(ANY_STATE), ("generator",)),
        ):
            # what is left of a part without the zone lies within that part
            rows = network.fixed.equipment_in(labels, np.array([labels[beyond]]))
            rows = rows[left[network.fixed.equipment_node[rows]] == left[beyond]]
            found |= {
                str(equipment.ids[row])
                for row in rows.tolist()
                if equipment["kind"][row] in kinds
                and (left is self.closed or equipment["circuit_id"][row] in self.zone.circuit_ids)
            }
            if left is self.closed:
                generators = {
                    str(equipment.ids[row])
                    for row in rows.tolist()
                    if equipment["kind"][row] == "generator"
                    and equipment.ids[row] not in self.zone.isolated
                }
        return tuple(sorted(found)), generators


def equipment_nodes(network: Network) -> NDArray[np.intp]:
    """Return the node of each piece of equipment; -1 where its circuit is not at its pole."""
    return network.fixed.equipment_node
