"""Energizing the line: the network of one origin, its sources, and every event on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from gridground.electrical.breaks import Breaks, entering_spans, neutral_breaks, way_from
from gridground.electrical.drives import Drives, terminal_node
from gridground.electrical.ends import (
    LABELS,
    NEUTRAL,
    has_neutral,
    number_ends,
    shut_pairs,
)
from gridground.electrical.ladder import (
    EARTH,
    connected_parts,
    merged_parts,
    reduce_to_ports,
)
from gridground.electrical.locator import Locator
from gridground.electrical.places import bare_poles, mid_spans, network_nodes_of
from gridground.electrical.runs import lay_runs
from gridground.electrical.series_runs import in_series
from gridground.electrical.source import source_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.electrical.drives import Drive
    from gridground.electrical.ends import Ends
    from gridground.electrical.event_times import EventLimits
    from gridground.electrical.ladder import Reduction
    from gridground.electrical.places import Layout, Located
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
        """X/R of an injected source, the larger of three-phase and phase-to-ground.

        None for a circuit's own source, and where no resistance is known.
        """
        if self.injection is None:
            return None
        z1_ohm, z0_ohm = self.injection.source.z1_ohm, self.injection.source.z0_ohm
        seen = [z1_ohm] if z0_ohm is None else [z1_ohm, (2 * z1_ohm + z0_ohm) / 3]
        if any(z_ohm.real <= 0 for z_ohm in seen):
            return None
        return max(z_ohm.imag / z_ohm.real for z_ohm in seen)

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
    shut : tuple of (int, int)
        Sides of split conductors that devices join which are closed in this event. They are
        solved joined and apart.
    """

    origin: Origin
    source: Source
    reduction: Reduction
    places: tuple[Located, ...]
    drives: tuple[Drive, ...]
    star: int
    gaps: dict[int, tuple[int, int]]
    neutrals: tuple[tuple[Neutral, frozenset[int]], ...]
    shut: tuple[tuple[int, int], ...]

    @property
    def joins(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """What closed devices join: nothing, and all of it where there is any."""
        return ((), self.shut) if self.shut else ((),)


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
        middles=_middles(network, layout),
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
    several = several or any(":" in end.partition("@")[0] for p in layout.places for end in p.ends)
    locator = Locator(ends, runs, several)
    places = tuple(locator.locate(place) for place in layout.places)
    source = _source(territory, origin)
    shut = tuple(shut_pairs(ends))
    parts = connected_parts(locator.n_nodes, runs.branches)
    drives = Drives(ends, runs, places, origin).of(source, parts, shut)
    star = _star(ends, origin)
    ports = {star}.union(*(p.nodes() for p in places), *runs.gaps.values(), *shut)
    for drive in drives:
        ports |= {*drive.terminals, *(n for pair in drive.touching for n in pair)}
    earth = [p.earth_branches() for p in places]
    earthed = [(int(node), EARTH) for branch in earth for node in branch.start.ravel()]
    parts = merged_parts(parts, earthed)
    ported = sorted(ports - {EARTH})
    laid = in_series(locator.n_nodes, [*runs.branches, *earth], ported)
    reduction = reduce_to_ports(locator.n_nodes, laid, ported, parts=parts)
    return Model(origin, source, reduction, places, drives, star, runs.gaps, tuple(states), shut)


def _middles(network: Network, layout: Layout) -> dict[int, frozenset[int]]:
    """Return the spans worked on in the middle, with the conductors that are cut there."""
    found = {}
    for place in layout.places:
        for row in mid_spans(network, place) if place.pole_id is None else ():
            circuit = network.territory.spans["circuit_id"][row]
            named = [name.rpartition(":") for name in place.cut]
            cut = {bare for prefix, _, bare in named if prefix in ("", circuit)}
            found[row] = frozenset(LABELS.index(name) for name in cut)
    return found


def _breaks(origin: Origin, grounds: list[int], worksites: list[int]) -> Breaks:
    """Return the breaks of the neutral; of another circuit's also before the point of contact."""
    network, injection = origin.network, origin.injection
    touched = injection is not None and injection.place is not None
    start = None if touched else origin.start
    breaks = neutral_breaks(network, start=start, grounds=grounds, worksites=worksites)
    if injection is None or injection.node is None or injection.via is None:
        return breaks
    own = entering_spans(network, way_from(network, injection.node), injection.via)
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
    return terminal_node(ends, start, NEUTRAL)


def _region(
    network: Network, grounds: list[int], layout: Layout, origin: Origin
) -> NDArray[np.bool_]:
    """Return the spans to lay.

    What phases connect with the grounds and the source, the circuits concerned, and all that hangs
    beside them.
    """
    seeds = [*grounds, *(node for node in (origin.start,) if node is not None)]
    circuits = {origin.circuit_id} | {c for p in layout.places for c in p.circuit_ids}
    parts = np.unique(network.labels()[np.array(seeds, np.intp)])
    name = ("region", tuple(parts.tolist()), tuple(sorted(circuits)))  # the same for most layouts
    return network.once(name, lambda: _beside(network, seeds, circuits))


def _beside(network: Network, seeds: list[int], circuits: set[str]) -> NDArray[np.bool_]:
    """Return the spans of some circuits and of the parts of some nodes, and all beside them."""
    _, near = network.part_of(seeds)
    laid = np.union1d(near, network.fixed.spans_of(circuits))
    poles = np.union1d(network.span_from[laid], network.span_to[laid])
    rows = np.unique(network.fixed.at_pole.members(poles) % len(network.span_from))
    pair = np.sort(np.stack([network.span_from[rows], network.span_to[rows]]), axis=0)
    number = pair[0] * len(network.pole_row) + pair[1]
    region = np.zeros(len(network.span_from), bool)
    region[rows] = np.isin(number, number[np.searchsorted(rows, laid)])
    return region
