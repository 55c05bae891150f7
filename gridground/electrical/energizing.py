"""Energizing the line: the network of one origin with the leads in place, and every event on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import LABELS, NEUTRAL, has_neutral, number_ends
from gridground.electrical.ladder import (
    EARTH,
    connected_parts,
    port_impedance_ohm,
    reduce_to_ports,
)
from gridground.electrical.places import Locator, bare_poles, network_nodes_of
from gridground.electrical.runs import lay_runs
from gridground.electrical.source import source_of
from gridground.errors import NotReachedError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from typing import Any, Literal

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.electrical.ladder import Reduction
    from gridground.electrical.places import Layout, Located
    from gridground.electrical.source import Source
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

    Neutral = Literal["intact", "broken"]


@dataclass(frozen=True)
class Origin:
    """Where energy comes from.

    Attributes
    ----------
    name : str
        Circuit id, or id of the device that is closed again; written as ``from``.
    circuit_id : str
        Circuit whose source feeds the line.
    network : Network
        With the states of devices in which that source reaches the line.
    """

    name: str
    circuit_id: str
    network: Network


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
    """One origin and state of the neutral, reduced."""

    origin: Origin
    neutral: Neutral
    source: Source
    reduction: Reduction
    places: tuple[Located, ...]
    terminals: tuple[int, ...]  # nodes of A, B, C at the source
    star: int  # node of the source's neutral
    phases: tuple[int, ...]  # labels that reach the places


@dataclass(frozen=True)
class Event:
    """One solved event; matrices and vectors are padded with earth as the last entry."""

    phases: str
    voltage_v: NDArray[np.complex128]
    impedance_ohm: NDArray[np.complex128]
    part: NDArray[np.intp]
    residual: float


def models(
    territory: Territory, layout: Layout, origin: Origin, setting: Setting, notes: list[str]
) -> Iterator[Model]:
    """Reduce the network of one origin, with the neutral intact and then broken."""
    network = origin.network
    ends = number_ends(network, layout.splits)
    nodes = sorted({n for place in layout.places for n in network_nodes_of(network, place)})
    start = network.source_node[origin.circuit_id]
    region = _region(network, [start, *nodes], layout, origin)
    approach = _approach(network, start, nodes)
    approach = approach[has_neutral(territory)[approach]]
    states: list[tuple[Neutral, NDArray[np.intp]]] = [("intact", np.zeros(0, np.intp))]
    if len(approach):
        states.append(("broken", approach))
    else:
        notes.append(f"from {origin.name}: no neutral in a span before the places that could break")
    for neutral, broken in states:
        yield _model(ends, (layout, origin, setting), (region, broken, neutral), notes)


def _model(
    ends: Ends,
    asked: tuple[Layout, Origin, Setting],
    state: tuple[NDArray[np.bool_], NDArray[np.intp], Neutral],
    notes: list[str],
) -> Model:
    """Lay and reduce one network."""
    layout, origin, setting = asked
    region, broken, neutral = state
    network = origin.network
    mid = [network.span_row[str(p.span_id)] for p in layout.places if p.pole_id is None]
    runs = lay_runs(
        ends,
        region=region,
        broken=broken,
        middles=np.array(mid, np.intp),
        bare=bare_poles(network, layout),
        resistivity_ohm_m=setting.resistivity_ohm_m,
    )
    notes += runs.notes
    several = len({c for p in layout.places for c in p.circuit_ids}) > 1
    locator = Locator(ends, runs, several)
    places = tuple(locator.locate(place) for place in layout.places)
    start = network.source_node[origin.circuit_id]
    terminals = tuple(_terminal(ends, start, k) for k in range(NEUTRAL))
    star = _terminal(ends, start, NEUTRAL)
    part = connected_parts(locator.n_nodes, runs.branches)
    reached = {int(part[c.node]) for p in places for c in p.conductors if c.label != NEUTRAL}
    phases = tuple(k for k in range(NEUTRAL) if int(part[terminals[k]]) in reached)
    if not phases:
        raise NotReachedError(
            f"from {origin.name}: no phase of circuit {origin.circuit_id} reaches the places with "
            f"grounds. {'; '.join(runs.notes)}"
        )
    ports = {*terminals, star}.union(*(p.nodes() for p in places)) - {EARTH}
    earth = [b for p in places for b in p.earth_branches()]
    reduction = reduce_to_ports(locator.n_nodes, [*runs.branches, *earth], sorted(ports))
    row = network.territory.circuits.index()[origin.circuit_id]
    source = source_of(network.territory, row)
    return Model(origin, neutral, source, reduction, places, terminals, star, phases)


def _terminal(ends: Ends, node: int, label: int) -> int:
    """Return the node of a source terminal; at a split, the side without spans, else the first."""
    sides = ends.sides(node, label)
    return next((number for side, number in sides if not side), sides[0][1])


def _region(
    network: Network, seeds: list[int], layout: Layout, origin: Origin
) -> NDArray[np.bool_]:
    """Return the spans to lay.

    What phases connect with the seeds, the circuits concerned, and all that hangs beside them.
    """
    from scipy.sparse import coo_matrix  # noqa: PLC0415
    from scipy.sparse.csgraph import connected_components as components  # noqa: PLC0415

    n = len(network.node_pole)
    shut = network.closed > 0
    pairs = (network.node_from[shut], network.node_to[shut])
    graph = coo_matrix((np.ones(int(shut.sum()), np.int8), pairs), shape=(n, n))
    label = components(graph, directed=False)[1]
    near = np.isin(label, np.unique(label[seeds]))
    circuits = {origin.circuit_id} | {c for p in layout.places for c in p.circuit_ids}
    own = np.isin(network.territory.spans["circuit_id"].astype(str), sorted(circuits))
    region = (near[network.node_from] & shut) | own
    low = np.minimum(network.span_from, network.span_to)
    pair = low * len(network.pole_row) + np.maximum(network.span_from, network.span_to)
    return np.asarray(np.isin(pair, pair[region]), bool)


def _approach(network: Network, start: int, nodes: list[int]) -> NDArray[np.intp]:
    """Return the spans by which the shortest way from a source enters the first of some nodes."""
    from scipy.sparse import coo_matrix  # noqa: PLC0415
    from scipy.sparse.csgraph import shortest_path  # noqa: PLC0415

    n = len(network.node_pole)
    shut = np.flatnonzero(network.closed > 0)
    pairs = (network.node_from[shut], network.node_to[shut])
    graph = coo_matrix((np.ones(len(shut)), pairs), shape=(n, n)).tocsr()
    hops, before = shortest_path(
        graph, directed=False, unweighted=True, indices=start, return_predecessors=True
    )
    first = min(nodes, key=lambda node: (hops[node], node))
    if not np.isfinite(hops[first]) or first == start:
        return np.zeros(0, np.intp)
    last = {first, int(before[first])}
    one, other = network.node_from[shut], network.node_to[shut]
    low, high = min(last), max(last)
    return np.asarray(
        shut[(np.minimum(one, other) == low) & (np.maximum(one, other) == high)], np.intp
    )


def events(model: Model, setting: Setting) -> Iterator[Event]:
    """Solve all combinations of the phases that reach the places."""
    if model.source.single_phase:
        sizes: Sequence[int] = (1,)
    else:
        least = 1 if model.source.grounded else 2
        sizes = range(len(model.phases), least - 1, -1)
    for size in sizes:
        for closed in combinations(model.phases, size):
            yield _solve(model, closed, setting)


def _solve(model: Model, closed: tuple[int, ...], setting: Setting) -> Event:
    """Close some phases of the source on to the network."""
    reduction, source = model.reduction, model.source
    rows, p = reduction.row_of(), len(reduction.ports)
    at = [rows[model.terminals[k]] for k in closed]
    star = p
    joined = [(at[0], row) for row in at]
    if source.grounded:
        impedance = source.abc_ohm()[np.ix_(closed, closed)]
        star = rows[model.star]
        joined.append((at[0], star))
    else:
        impedance = source.z1_ohm * np.eye(len(closed), dtype=complex)
    admittance = np.linalg.inv(impedance / setting.growth_ratio)
    if not source.grounded:
        parts = {int(reduction.component[row]) for row in at}
        if int(reduction.component[-1]) in parts:  # the neutral point floats
            total = admittance.sum(axis=1)
            admittance = admittance - np.outer(total, total) / total.sum()
        else:
            joined.append((at[0], p))
    incidence = np.zeros((p + 1, len(closed)))
    incidence[at, range(len(closed))] = 1.0
    incidence[star, :] -= 1.0
    added = (incidence @ admittance @ incidence.T)[:p, :p]
    injected = (incidence @ admittance @ source.emf_v()[list(closed)])[:p]
    port_ohm, part = port_impedance_ohm(reduction, added, joined)
    voltage = np.append(port_ohm[:p, :p] @ injected, 0.0)
    letters = "".join(LABELS[k] for k in closed)
    residual = _residual(reduction, added, injected, voltage[:p])
    return Event(letters, voltage, port_ohm, part, residual)


def _residual(
    reduction: Reduction,
    added: NDArray[Any],
    injected: NDArray[Any],
    voltage: NDArray[Any],
) -> float:
    """Return the largest violation of the current law relative to the current injected."""
    largest = float(np.abs(injected).max(initial=0.0))
    if largest == 0.0:
        return 0.0
    entering = injected - added @ voltage
    at_ports = np.abs(reduction.admittance_s @ voltage - entering).max()
    return max(float(at_ports), reduction.largest_mismatch_a(voltage, entering)) / largest
