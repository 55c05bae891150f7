"""Energizing the line: the network of one origin, its sources, and every event on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from gridground.electrical.breaks import Breaks, entering_spans, neutral_breaks, way_from
from gridground.electrical.ends import BITS, LABELS, NEUTRAL, has_neutral, number_ends
from gridground.electrical.ladder import EARTH, connected_parts, reduce_to_ports
from gridground.electrical.places import Locator, bare_poles, network_nodes_of
from gridground.electrical.runs import lay_runs
from gridground.electrical.source import source_of
from gridground.errors import NotReachedError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.electrical.event_times import EventLimits
    from gridground.electrical.ladder import Reduction
    from gridground.electrical.places import Layout, Located
    from gridground.electrical.runs import Runs
    from gridground.electrical.source import Source
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

Neutral = Literal["intact", "broken"]
Kind = Literal[
    "own source", "device closed again", "other circuit falls on", "equipment", "line falls on"
]


@dataclass(frozen=True)
class Injection:
    """How energy comes in other than from the source of a circuit along its own spans.

    Attributes
    ----------
    source : Source
        What drives it.
    labels : tuple of int
        Phases (0, 1, 2) that the source has.
    node : int or None
        Network node at which the source stands; None where it is what touches (a falling line,
        whose own neutral is earth).
    via : int or None
        Network node whose conductors touch the worked ones; None where the source feeds them as
        they hang, or touches itself.
    place : int or None
        Number of the place in the layout at which they touch.
    """

    source: Source
    labels: tuple[int, ...]
    node: int | None
    via: int | None = None
    place: int | None = None


@dataclass(frozen=True)
class Origin:
    """Where energy comes from.

    Attributes
    ----------
    name : str
        Id of the circuit, of the device that is closed again, of equipment or of a line; written
        as ``from``.
    circuit_id : str
        Circuit whose source feeds the line; for equipment and lines the circuit they energize.
    network : Network
        With the states of devices in which that source reaches the line.
    kind : str
        What it is.
    injection : Injection or None
        None where the source of `circuit_id` feeds the line along its own spans.
    limit_v : float or None
        Tolerable voltage for the time after which this origin is cleared [V]; None where the
        setting's holds.
    clearing_s : float or None
        Clearing time that is stated for this origin alone [s].
    pole_id : str or None
        Pole at which it comes in.
    limits : EventLimits or None
        Tolerable voltage of each event by what the source gives in it; None where the devices on
        its way are not known.
    """

    name: str
    circuit_id: str
    network: Network
    kind: Kind = "own source"
    injection: Injection | None = None
    limit_v: float | None = None
    clearing_s: float | None = None
    pole_id: str | None = None
    limits: EventLimits | None = None

    @property
    def x_over_r(self) -> float | None:
        """X/R of an injected source; None for a circuit's own, and where no resistance is known."""
        if self.injection is None or self.injection.source.z1_ohm.real <= 0:
            return None
        z_ohm = self.injection.source.z1_ohm
        return z_ohm.imag / z_ohm.real

    @property
    def start(self) -> int | None:
        """Network node at which the source stands."""
        if self.injection is None:
            return self.network.source_node[self.circuit_id]
        return self.injection.node


@dataclass(frozen=True)
class Setting:
    """The figures a study is made with.

    Attributes
    ----------
    body_ohm, limit_v : float
        Body resistance [ohm] and tolerable voltage [V].
    growth_ratio : float
        Growth of the fault current; divides the source impedance.
    resistivity_ohm_m : float
        Soil under the line [ohm·m].
    """

    body_ohm: float
    limit_v: float
    growth_ratio: float
    resistivity_ohm_m: float


@dataclass(frozen=True)
class Drive:
    """One way of energizing.

    Attributes
    ----------
    phases : str
        Letters of the worked phases that are energized, the case's ``event``.
    labels, terminals : tuple of int
        Phases of the source that are switched on, and the node of each.
    touching : tuple of (int, int)
        Nodes of conductors that touch.
    """

    phases: str
    labels: tuple[int, ...]
    terminals: tuple[int, ...]
    touching: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Model:
    """One origin with its network reduced, leads left out.

    Attributes
    ----------
    origin, source
        Where energy comes from.
    reduction : Reduction
        Ports: everything that leads, bodies, sources and breaks of the neutral touch.
    places : tuple of Located
        Places with their nodes.
    drives : tuple of Drive
        Every event.
    star : int
        Node of the source's neutral.
    gaps : dict
        Span row -> pair of nodes that are one while its neutral is whole.
    neutrals : tuple of (str, frozenset of int)
        States of the neutral: ``intact`` or ``broken``, and the span rows opened.
    """

    origin: Origin
    source: Source
    reduction: Reduction
    places: tuple[Located, ...]
    drives: tuple[Drive, ...]
    star: int
    gaps: dict[int, tuple[int, int]]
    neutrals: tuple[tuple[Neutral, frozenset[int]], ...]


def build_model(
    territory: Territory, layout: Layout, origin: Origin, setting: Setting, notes: list[str]
) -> Model:
    """Reduce the network of one origin to its ports, once for every state of leads and neutral.

    Raises
    ------
    NotReachedError
        Where no phase of the source reaches the places.
    NetworkError
        Where a lead ends on something that is not there.
    """
    network = origin.network
    ends = number_ends(network, layout.splits)
    nodes = sorted({n for place in layout.places for n in network_nodes_of(network, place)})
    work = {n for p in layout.places if p.worksite for n in network_nodes_of(network, p)}
    breaks = _breaks(origin, nodes, sorted(work))
    runs = lay_runs(
        ends,
        region=_region(network, nodes, layout, origin),
        broken=breaks.ends,
        middles={
            network.span_row[str(p.span_id)]: frozenset(LABELS.index(name) for name in p.cut)
            for p in layout.places
            if p.pole_id is None
        },
        bare=bare_poles(network, layout),
        resistivity_ohm_m=setting.resistivity_ohm_m,
    )
    notes += runs.notes
    opened = [frozenset(row for row in state if row in runs.gaps) for state in breaks.states]
    states: list[tuple[Neutral, frozenset[int]]] = [("intact", frozenset())]
    states += [("broken", rows) for rows in dict.fromkeys(opened) if rows]
    if len(states) == 1:
        notes.append(f"from {origin.name}: no neutral in a span before the places that could break")
    several = len({c for p in layout.places for c in p.circuit_ids}) > 1
    locator = Locator(ends, runs, several)
    places = tuple(locator.locate(place) for place in layout.places)
    source = _source(territory, origin)
    drives = _Drives(ends, runs, places, origin).of(source, locator.n_nodes)
    star = _star(ends, origin)
    ports = {star}.union(*(p.nodes() for p in places), *runs.gaps.values())
    for drive in drives:
        ports |= {*drive.terminals, *(n for pair in drive.touching for n in pair)}
    earth = [p.earth_branches() for p in places]
    laid = [*runs.branches, *earth]
    reduction = reduce_to_ports(locator.n_nodes, laid, sorted(ports - {EARTH}))
    return Model(origin, source, reduction, places, drives, star, runs.gaps, tuple(states))


def _breaks(origin: Origin, grounds: list[int], worksites: list[int]) -> Breaks:
    """Return the breaks of the neutral; of another circuit's also before the point of contact."""
    network, injection = origin.network, origin.injection
    touched = injection is not None and injection.place is not None
    start = None if touched else origin.start
    breaks = neutral_breaks(network, start=start, grounds=grounds, worksites=worksites)
    if injection is None or injection.node is None or injection.via is None:
        return breaks
    own = entering_spans(network, way_from(network, injection.node), [injection.via])
    state = (frozenset(own),) if own else ()
    return Breaks(own | breaks.ends, tuple(dict.fromkeys((*state, *breaks.states))))


def _source(territory: Territory, origin: Origin) -> Source:
    """Return what drives an origin."""
    if origin.injection is not None:
        return origin.injection.source
    return source_of(territory, territory.circuits.index()[origin.circuit_id])


def _star(ends: Ends, origin: Origin) -> int:
    """Return the node of the source's neutral; earth where it has no wire to be tied to."""
    start = origin.start
    if start is None:
        return EARTH
    if origin.injection is not None and origin.kind == "equipment":
        network = origin.network
        here = (network.node_from == start) | (network.node_to == start)
        if not has_neutral(network.territory)[here].any():
            return EARTH
    return _terminal(ends, start, NEUTRAL)


def _terminal(ends: Ends, node: int, label: int) -> int:
    """Return the node of a source terminal; at a split, the side without spans, else the first."""
    sides = ends.sides(node, label)
    return next((number for side, number in sides if not side), sides[0][1])


def _region(
    network: Network, grounds: list[int], layout: Layout, origin: Origin
) -> NDArray[np.bool_]:
    """Return the spans to lay.

    What phases connect with the grounds and the source, the circuits concerned, and all that hangs
    beside them.
    """
    seeds = [*grounds, *(node for node in (origin.start,) if node is not None)]
    label = network.parts(network.closed > 0)
    near = np.isin(label, np.unique(label[seeds]))
    circuits = {origin.circuit_id} | {c for p in layout.places for c in p.circuit_ids}
    own = np.isin(network.territory.spans["circuit_id"].astype(str), sorted(circuits))
    region = (near[network.node_from] & (network.closed > 0)) | own
    low = np.minimum(network.span_from, network.span_to)
    pair = low * len(network.pole_row) + np.maximum(network.span_from, network.span_to)
    return np.asarray(np.isin(pair, pair[region]), bool)


class _Drives:
    """Finds the events of an origin."""

    def __init__(self, ends: Ends, runs: Runs, places: tuple[Located, ...], origin: Origin) -> None:
        self.ends, self.runs, self.places, self.origin = ends, runs, places, origin

    def of(self, source: Source, n_nodes: int) -> tuple[Drive, ...]:
        """Return every event, those of more phases first.

        Raises
        ------
        NotReachedError
            Where there is none.
        """
        part = connected_parts(n_nodes, self.runs.branches)
        injection = self.origin.injection
        if injection is None or injection.place is None:
            drives = list(self._along(source, part))
        elif injection.node is None:
            drives = list(self._touching_itself(injection.place))
        else:
            drives = list(self._touching(injection, part))
        if not drives:
            raise NotReachedError(
                f"from {self.origin.name}: no phase of circuit {self.origin.circuit_id} reaches "
                f"the places with grounds. {'; '.join(self.runs.notes)}"
            )
        return tuple(drives)

    def _along(self, source: Source, part: NDArray[np.intp]) -> Iterator[Drive]:
        """Every combination of the phases that reach the places along the spans."""
        start, injection = self.origin.start, self.origin.injection
        if start is None:
            return
        labels = (0, 1, 2) if injection is None else injection.labels
        at = {k: _terminal(self.ends, start, k) for k in labels}
        conductors = [c for p in self.places for c in p.conductors if c.label != NEUTRAL]
        reached = {int(part[c.node]) for c in conductors}
        phases = [k for k in labels if int(part[at[k]]) in reached]
        least = 1 if source.grounded else 2
        sizes: Sequence[int] = (1,) if source.single_phase else range(len(phases), least - 1, -1)
        for size in sizes:
            for closed in combinations(phases, size):
                letters = "".join(LABELS[k] for k in closed)
                yield Drive(letters, closed, tuple(at[k] for k in closed))

    def _targets(self, place: int) -> Iterator[dict[int, int]]:
        """Conductors that can be touched at a place: each circuit, each side."""
        nodes: dict[int, list[int]] = {}
        for conductor in self.places[place].conductors:
            if conductor.label != NEUTRAL:
                nodes.setdefault(conductor.label, []).append(conductor.node)
        for number in range(max(map(len, nodes.values()), default=0)):
            yield {label: at[min(number, len(at) - 1)] for label, at in sorted(nodes.items())}

    def _touching_itself(self, place: int) -> Iterator[Drive]:
        """One phase of the line on each conductor in turn."""
        for target in self._targets(place):
            for label, node in target.items():
                yield Drive(LABELS[label], (0,), (node,))

    def _touching(self, injection: Injection, part: NDArray[np.intp]) -> Iterator[Drive]:
        """Conductors of the other circuit on all worked ones, and on each in turn."""
        if injection.node is None or injection.via is None or injection.place is None:
            return
        at = {k: _terminal(self.ends, injection.node, k) for k in injection.labels}
        live: dict[int, int] = {}
        for label, terminal in at.items():
            if (node := self._live(injection.via, label, int(part[terminal]), part)) is not None:
                live[label] = node
        if not live:
            return
        labels, terminals = tuple(at), tuple(at.values())
        first = next(iter(live.values()))
        for target in self._targets(injection.place):
            pairs = {label: (live.get(label, first), node) for label, node in target.items()}
            groups = [tuple(pairs), *((label,) for label in pairs)]
            for group in dict.fromkeys(groups):
                letters = "".join(LABELS[label] for label in group)
                yield Drive(letters, labels, terminals, tuple(pairs[label] for label in group))

    def _live(self, node: int, label: int, live: int, part: NDArray[np.intp]) -> int | None:
        """Return the node of a live conductor at a network node, None where it is not live."""
        network = self.ends.network
        rows = np.flatnonzero((network.node_from == node) | (network.node_to == node))
        for row in map(int, rows):
            if network.phases[row] & BITS[label]:
                end = 0 if network.node_from[row] == node else 1
                number = int(self.ends.node[row, end, label])
                if int(part[number]) == live:
                    return number
        return None
