"""The places with grounds: what their leads join, and which nodes of the network that means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ladder import EARTH, CoupledBranches
from gridground.errors import NetworkError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

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
    pair = pole_pair(network, row)
    beside = [
        s
        for s in network.spans_at(pair[0])
        if s != row and pole_pair(network, s) == pair and circuits[s] in place.circuit_ids
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
        and electrode_name(place) == "pole"
    ]
    return np.array(rows, np.intp)


def electrode_name(place: Place) -> str | None:
    """Return what kind of electrode the leads of a place end on."""
    return next((name for name in ELECTRODES if name in place.ends), None)


def pole_pair(network: Network, row: int) -> tuple[int, int]:
    """Return the pole rows of a span, the smaller first."""
    low, high = sorted((int(network.span_from[row]), int(network.span_to[row])))
    return low, high
