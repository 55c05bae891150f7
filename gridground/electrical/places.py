"""The places with grounds: what their leads join, and which nodes of the network that means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import BITS, LABELS, NEUTRAL, has_neutral
from gridground.electrical.ladder import EARTH, CoupledBranches
from gridground.errors import NetworkError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.electrical.runs import Runs
    from gridground.territory.network import Network

# Ends of a lead that are no conductors of the line.
FITTINGS = ("rod", "bar", "pole ground", "pole")
ELECTRODES = ("rod", "pole", "pole ground")
# What a lead can be: new and cold, the worst set still in service, and that set at the fault's end.
STATES = ("cold", "in service", "hot")


@dataclass(frozen=True)
class Branch:
    """One lead row as an impedance between two ends.

    Attributes
    ----------
    start, end : str
        ``rod  bar  pole ground  pole  neutral  A B C``, with ``F2:`` in front where more than one
        circuit is worked and ``@S7`` behind for the side on span S7.
    resistance_ohm, reactance_ohm : float
        Of the row [ohm].
    row : int
        Row of the plan's leads.
    cold_ohm, in_service_ohm : float or None
        Resistance of the row when new and cold, and of the worst set in service before the fault
        [ohm]; None where the lead is studied in one state only.
    """

    start: str
    end: str
    resistance_ohm: float
    reactance_ohm: float
    row: int
    cold_ohm: float | None = None
    in_service_ohm: float | None = None

    def impedance_ohm(self, state: str) -> complex:
        """Return the impedance in one of `STATES`; in the one it has, where no other is given."""
        other = {"cold": self.cold_ohm, "in service": self.in_service_ohm}.get(state)
        return complex(self.resistance_ohm if other is None else other, self.reactance_ohm)


@dataclass(frozen=True)
class Place:
    """One place with grounds or a personal ground.

    Attributes
    ----------
    pole_id, span_id : str or None
        A pole, or for mid-span work (`pole_id` None) the span, at half its length.
    circuit_ids : tuple of str
        Worked circuits here.
    electrode_ohm : float or None
        Resistance to earth of what the leads end on: the rod, else the steel pole's footing, else
        a pole ground that is not on a neutral. With a steel pole as the electrode the pole ground
        of the data is taken to be the same piece of metal and is not counted beside it.
    branches : tuple of Branch
        The leads.
    worksite : bool
        Whether a worker touches conductors here.
    cut : tuple of str
        Mid-span work only: conductors of the span, ``A B C neutral`` (``F2:A`` where several
        circuits are worked), that are cut there. Their two halves are named after the span's poles
        (``A@P6``) and meet nowhere but in leads.
    """

    pole_id: str | None
    span_id: str | None
    circuit_ids: tuple[str, ...]
    electrode_ohm: float | None
    branches: tuple[Branch, ...]
    worksite: bool
    cut: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The pole's id, or that of the span."""
        return str(self.span_id if self.pole_id is None else self.pole_id)

    @property
    def ends(self) -> frozenset[str]:
        """Every end that a lead of this place lands on."""
        return frozenset(end for b in self.branches for end in (b.start, b.end))


@dataclass(frozen=True)
class Layout:
    """All places of a plan, and where conductors are split.

    Attributes
    ----------
    places : tuple of Place
        Brackets and worksites.
    splits : mapping
        ``pole_id -> label -> sides``, each side a tuple of span ids; labels ``A B C neutral``,
        with ``F2:`` in front where two circuits are split differently. Only phases that are split
        are named. Sides meet nowhere but in leads: continuity through a device is never counted
        on.
    """

    places: tuple[Place, ...]
    splits: Mapping[str, Mapping[str, Sequence[tuple[str, ...]]]]


@dataclass(frozen=True)
class Conductor:
    """One conductor within reach at a place."""

    name: str
    label: int
    node: int


@dataclass(frozen=True)
class Electrode:
    """A node tied to earth; `held` where the network holds it already (a neutral's pole ground)."""

    node: int
    resistance_ohm: float
    held: bool


@dataclass(frozen=True)
class Located:
    """A place with node numbers.

    Attributes
    ----------
    place : Place
        As given.
    fittings : dict
        Node of ``rod bar pole "pole ground"`` as far as leads end on them.
    conductors : tuple of Conductor
        Every side of every phase and the neutrals.
    electrodes : tuple of Electrode
        What ties the place to earth, the named electrode first.
    network_nodes : tuple of int
        Network nodes of its circuits.
    leads : CoupledBranches
        Lead rows in the order of `place.branches`, hot.
    foot : tuple of int
        Nodes a person on the ground can touch at the foot of the pole: bar or steel pole, and the
        pole's down-conductor where the pole has a permanent ground.
    """

    place: Place
    fittings: dict[str, int]
    conductors: tuple[Conductor, ...]
    electrodes: tuple[Electrode, ...]
    network_nodes: tuple[int, ...]
    leads: CoupledBranches
    foot: tuple[int, ...]

    def earth_branches(self) -> CoupledBranches:
        """Return the electrodes the network does not hold."""
        own = [e for e in self.electrodes if not e.held]
        resistance = [e.resistance_ohm + 0j for e in own]
        return CoupledBranches.single([e.node for e in own], [EARTH] * len(own), resistance)

    def lead_ohm(self, state: str) -> NDArray[np.complex128]:
        """Return the impedance of the leads in one of `STATES` [ohm]."""
        return np.array([b.impedance_ohm(state) for b in self.place.branches], complex)

    def nodes(self) -> set[int]:
        """Return every node that leads or a worker can touch."""
        found = {c.node for c in self.conductors} | set(self.fittings.values())
        landed = np.concatenate([self.leads.start.ravel(), self.leads.end.ravel()])
        return (found | {int(node) for node in landed}) - {EARTH}


def network_nodes_of(network: Network, place: Place) -> tuple[int, ...]:
    """Return the network nodes of a place, one per circuit (mid-span: both ends of the span).

    Raises
    ------
    NetworkError
        Where a circuit has no span at the pole.
    """
    if place.pole_id is None:
        rows = mid_spans(network, place)
        return tuple(int(end[row]) for row in rows for end in (network.node_from, network.node_to))
    pole = network.pole_row[place.pole_id]
    return tuple(_circuit_node(network, pole, circuit) for circuit in place.circuit_ids)


def mid_spans(network: Network, place: Place) -> list[int]:
    """Return the rows of a mid-span place: its span, and those of its circuits beside it."""
    row = network.span_row[str(place.span_id)]
    circuits = network.territory.spans["circuit_id"]
    pair = _pole_pair(network, row)
    beside = [
        s
        for s in network.spans_at(pair[0])
        if s != row and _pole_pair(network, s) == pair and circuits[s] in place.circuit_ids
    ]
    return [row, *beside]


def _circuit_node(network: Network, pole: int, circuit_id: str) -> int:
    """Return the node of one circuit at a pole."""
    circuit = network.territory.spans["circuit_id"]
    rows = [row for row in network.spans_at(pole) if circuit[row] == circuit_id]
    if not rows:
        pole_id = network.territory.poles.ids[pole]
        raise NetworkError(f"circuit {circuit_id} has no span at pole {pole_id}")
    return network.node_at(rows[0], pole)


def bare_poles(network: Network, layout: Layout) -> NDArray[np.intp]:
    """Return the rows of poles whose footing the caller brings in as the electrode."""
    rows = [
        network.pole_row[place.pole_id]
        for place in layout.places
        if place.pole_id is not None
        and place.electrode_ohm is not None
        and _electrode_name(place) == "pole"
    ]
    return np.array(rows, np.intp)


def _electrode_name(place: Place) -> str | None:
    """Return what kind of electrode the leads of a place end on."""
    return next((name for name in ELECTRODES if name in place.ends), None)


class Locator:
    """Finds the nodes of places; hands out numbers for rods, bars and poles."""

    def __init__(self, ends: Ends, runs: Runs, worked_several: bool) -> None:
        self.ends, self.runs, self.network = ends, runs, ends.network
        self.several = worked_several
        self.n_nodes = runs.n_nodes

    def locate(self, place: Place) -> Located:
        """Give the ends of a place's leads their nodes.

        Raises
        ------
        NetworkError
            For an end that is not there: a phase the pole does not carry, a split phase named
            without its side, an electrode of unknown resistance.
        """
        nodes = network_nodes_of(self.network, place)
        conductors = self._conductors(place, nodes)
        fittings: dict[str, int] = {}
        electrodes = self._electrodes(place, nodes, fittings)
        for name in FITTINGS:
            if name in place.ends and name not in fittings:
                fittings[name] = self._fresh()
        known = {c.name: c.node for c in conductors} | fittings
        for end in place.ends - known.keys():
            known[end] = self._by_text(place, nodes, end)
        if any(b.impedance_ohm(state).real <= 0 for b in place.branches for state in STATES):
            raise NetworkError(f"a lead at {place.name} has no resistance")
        leads = CoupledBranches.single(
            [known[b.start] for b in place.branches],
            [known[b.end] for b in place.branches],
            [complex(b.resistance_ohm, b.reactance_ohm) for b in place.branches],
        )
        foot = self._foot(place, nodes, fittings)
        return Located(place, fittings, conductors, electrodes, nodes, leads, foot)

    def _foot(
        self, place: Place, nodes: tuple[int, ...], fittings: dict[str, int]
    ) -> tuple[int, ...]:
        """Return what a person on the ground can touch at the foot of the pole."""
        if place.pole_id is None:
            return ()
        found = [fittings[name] for name in ("bar", "pole", "pole ground") if name in fittings]
        row = self.network.pole_row[place.pole_id]
        if np.isfinite(float(self.network.territory.poles["ground_ohm"][row])):
            with_neutral = [n for n in nodes if self._carries_neutral(n)]
            found += [number for n in with_neutral for _, number in self.ends.sides(n, NEUTRAL)]
        return tuple(dict.fromkeys(node for node in found if node != EARTH))

    def _fresh(self) -> int:
        """Return an unused node number."""
        self.n_nodes += 1
        return self.n_nodes - 1

    def _electrodes(
        self, place: Place, nodes: tuple[int, ...], fittings: dict[str, int]
    ) -> tuple[Electrode, ...]:
        """Return what ties a place to earth, and number its nodes."""
        ground = np.nan
        if place.pole_id is not None:
            row = self.network.pole_row[place.pole_id]
            ground = float(self.network.territory.poles["ground_ohm"][row])
        neutral = next((n for n in nodes if self._carries_neutral(n)), None)
        found: list[Electrode] = []
        for name in (n for n in ELECTRODES if n in place.ends):
            if name == "pole ground" and neutral is not None and np.isfinite(ground):
                fittings[name] = self.ends.at(neutral, NEUTRAL)
                found.append(Electrode(fittings[name], ground, held=True))
                continue
            # what the plan gives is the first electrode's; a second one is known from the data only
            ohm = ground if found else place.electrode_ohm
            fittings[name] = self._fresh()
            if ohm is None:
                where = f"{name} at {place.name}"
                raise NetworkError(f"the resistance to earth of the {where} is unknown")
            if np.isfinite(ohm):
                found.append(Electrode(fittings[name], float(ohm), held=False))
        return tuple(found)

    def _carries_neutral(self, network_node: int) -> bool:
        """Say whether any span at a network node has a neutral."""
        network = self.network
        here = (network.node_from == network_node) | (network.node_to == network_node)
        return bool(has_neutral(network.territory)[here].any())

    def _conductors(self, place: Place, nodes: tuple[int, ...]) -> tuple[Conductor, ...]:
        """Return every conductor within reach, named as the leads of this place name it."""
        if place.pole_id is None:
            return self._mid_span(place)
        found: list[Conductor] = []
        spoken = {end for end in place.ends if end.endswith("neutral")}
        for circuit_id, node in zip(place.circuit_ids, nodes, strict=True):
            prefix = f"{circuit_id}:" if self.several else ""
            for label in self._labels(circuit_id, node):
                for side, number in self.ends.sides(node, label):
                    text = prefix + LABELS[label]
                    if label == NEUTRAL and text not in spoken:
                        text = LABELS[NEUTRAL]
                    if (node, label) in self.ends.split:
                        named = (s for s in side if f"{text}@{s}" in place.ends)
                        text += "@" + next(named, side[0] if side else place.name)
                    if label != NEUTRAL or number not in {c.node for c in found}:
                        found.append(Conductor(text, label, number))
        return tuple(found)

    def _labels(self, circuit_id: str, node: int) -> list[int]:
        """Return the labels a circuit carries at a node."""
        network = self.network
        own = network.territory.spans["circuit_id"] == circuit_id
        here = ((network.node_from == node) | (network.node_to == node)) & own
        mask = np.bitwise_or.reduce(network.phases[here])
        labels = [k for k in range(NEUTRAL) if mask & BITS[k]]
        return labels + ([NEUTRAL] if has_neutral(network.territory)[here].any() else [])

    def _mid_span(self, place: Place) -> tuple[Conductor, ...]:
        """Return the conductors at half a span, those of other worked circuits beside it too."""
        network, spans = self.network, self.network.territory.spans
        pair = {*_pole_pair(network, network.span_row[str(place.span_id)])}
        found = []
        for (row, label), node in sorted(self.runs.middle.items()):
            circuit_id = str(spans["circuit_id"][row])
            if {*_pole_pair(network, row)} != pair:
                continue
            if circuit_id in place.circuit_ids or label == NEUTRAL:
                shown = self.several and circuit_id in place.circuit_ids
                text = (f"{circuit_id}:" if shown else "") + LABELS[label]
                other = self.runs.beyond.get((row, label))
                if other is None:
                    found.append(Conductor(text, label, node))
                    continue
                ids = network.territory.poles.ids
                low, high = (f"{text}@{ids[pole]}" for pole in _pole_pair(network, row))
                found += [Conductor(low, label, node), Conductor(high, label, other)]
        return tuple(found)

    def _by_text(self, place: Place, nodes: tuple[int, ...], end: str) -> int:
        """Return the node of an end that names a circuit or a side the place does not list."""
        rest, candidates = end, list(zip(place.circuit_ids, nodes, strict=False))
        for circuit_id, node in candidates:
            if end.startswith(circuit_id + ":"):
                rest, candidates = end[len(circuit_id) + 1 :], [(circuit_id, node)]
        text, _, side = rest.partition("@")
        if text in LABELS and place.pole_id is not None:
            label = LABELS.index(text)
            for circuit_id, node in candidates:
                if label not in self._labels(circuit_id, node):
                    continue
                if side in self.network.span_row:
                    return self.ends.of_span(side, node, label)
                if not side and (node, label) not in self.ends.split:
                    return self.ends.at(node, label)
        if text == "neutral" and place.pole_id is None:
            return next(n for (_, label), n in self.runs.middle.items() if label == NEUTRAL)
        raise NetworkError(f"a lead at {place.name} ends on {end!r}, which is not there")


def _pole_pair(network: Network, row: int) -> tuple[int, int]:
    """Return the pole rows of a span, the smaller first."""
    low, high = sorted((int(network.span_from[row]), int(network.span_to[row])))
    return low, high
