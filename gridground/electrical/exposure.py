"""What a worker would see: every way of energizing the line, solved with the leads in place.

One reduction per origin and state of the neutral; every event and every contact is then answered
on the small port network. The body is in the circuit: for a linear network the voltage between two
points with the body across them is V = Voc R_b / (R_b + Z_th), exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
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
from gridground.electrical.places import (
    Branch,
    Layout,
    Located,
    Locator,
    Place,
    bare_poles,
    network_nodes_of,
)
from gridground.electrical.runs import lay_runs
from gridground.electrical.source import source_of
from gridground.errors import NetworkError
from gridground.record import WorkerCase
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from typing import Literal

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.electrical.ladder import Reduction
    from gridground.electrical.source import Source
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

    Neutral = Literal["intact", "broken"]

__all__ = ["Branch", "Layout", "Origin", "Place", "PlaceRise", "Setting", "Study", "study"]


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
class PlaceRise:
    """The largest rise of a place's electrode over earth [V] and its current [A]."""

    pole_id: str | None
    span_id: str | None
    rise_v: float
    electrode_a: float


@dataclass(frozen=True)
class Study:
    """The answer.

    Attributes
    ----------
    cases : tuple of WorkerCase
        Every event and contact.
    lead_current_a : ndarray, shape (n_rows,)
        Largest current of each lead row over all events [A]; NaN for rows no branch speaks of.
    rises : tuple of PlaceRise
        Places with an electrode.
    residual : float
        Largest violation of the current law, on the port network and on the whole network carried
        back from it, relative to the current injected.
    notes : tuple of str
        What was assumed or left out.
    """

    cases: tuple[WorkerCase, ...]
    lead_current_a: NDArray[np.float64]
    rises: tuple[PlaceRise, ...]
    residual: float
    notes: tuple[str, ...]

    @property
    def worst(self) -> WorkerCase | None:
        """The case with the largest voltage; a contact whose voltage is not determined leads."""
        loose = [c for c in self.cases if not c.passed and c.voltage_v <= c.limit_v]
        return max(loose or self.cases, key=lambda c: c.voltage_v, default=None)


@dataclass(frozen=True)
class _Model:
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
class _Event:
    """One solved event; matrices and vectors are padded with earth as the last entry."""

    phases: str
    voltage_v: NDArray[np.complex128]
    impedance_ohm: NDArray[np.complex128]
    part: NDArray[np.intp]
    residual: float


def study(
    territory: Territory, layout: Layout, *, origins: Sequence[Origin], setting: Setting
) -> Study:
    """Solve every event from every origin, with the neutral intact and broken.

    Parameters
    ----------
    territory : Territory
        As read.
    layout : Layout
        Places, their leads, and where conductors are split.
    origins : sequence of Origin
        Where energy can come from.
    setting : Setting
        Body, limit, growth, soil.

    Returns
    -------
    Study
        Events are all combinations of the phases that reach the places (an ungrounded source: of
        two phases or more; what a single phase of it drives is a charging current that this model
        does not hold). Contacts at a worksite: every side of every phase and the neutral against
        the bar (or the steel pole), the sides of a split phase against each other, and of all
        other pairs within reach the worst. Where no lead ends on a bar or a pole the worker is
        taken to stand at earth potential (``A-ground@P20``).

    Raises
    ------
    NetworkError
        Where an origin does not reach the places, or a lead ends on something that is not there.

    Notes
    -----
    Source: its voltages stand behind the matrix of Z1 and Z0, restricted to the phases that are
    energized, between the phases and the source's neutral point. That point is the neutral at the
    source pole, which `source_ground_ohm` ties to earth; so a bolted fault from a phase to the
    neutral at the source pole draws `fault_1ph_a`. An ungrounded source has a neutral point tied
    to nothing; where nothing else ties its phases to earth, the point stands at earth potential.

    Broken neutral: interrupted in the span by which the shortest way from the source enters the
    first ground or worksite pole. Other circuits of the same poles are laid as far as they belong
    to the circuits worked on or fed; their neutrals beyond are left out.

    Lead and electrode currents are solved without the body, which takes less than a thousandth.
    """
    notes: list[str] = []
    cases: list[WorkerCase] = []
    n_rows = max((b.row for p in layout.places for b in p.branches), default=-1) + 1
    current = np.full(n_rows, np.nan)
    rise = np.zeros((len(layout.places), 2))
    residual = 0.0
    for origin in origins:
        for model in _models(territory, layout, origin, setting, notes):
            for event in _events(model, setting):
                residual = max(residual, event.residual)
                _collect_currents(model, event, current, rise)
                cases += _cases(model, event, setting)
    loose = sorted({c.contact for c in cases if not c.passed and c.voltage_v <= c.limit_v})
    if loose:
        notes.append(f"not bonded, the voltage is not determined: {', '.join(loose)}")
    tied = {end for p in layout.places for end in p.ends}
    rises = tuple(
        PlaceRise(p.pole_id, p.span_id, significant(float(v)), significant(float(a)))
        for p, (v, a) in zip(layout.places, rise, strict=True)
        if tied and p.ends & {"rod", "pole", "pole ground"}
    )
    return Study(tuple(cases), current, rises, residual, tuple(dict.fromkeys(notes)))


def counter_example_v(
    territory: Territory, layout: Layout, *, origins: Sequence[Origin], setting: Setting
) -> float:
    """Return the worst voltage at the worksites if they had no leads of their own [V].

    The brackets stay as they are; the worker touches a conductor and is at earth potential
    otherwise (feet on a pole or a platform at the potential of remote earth). At a single-point
    worksite nothing is left, and the answer is the voltage of the line.
    """
    places = tuple(
        replace(p, branches=(), electrode_ohm=None) if p.worksite else p for p in layout.places
    )
    bare = study(territory, replace(layout, places=places), origins=origins, setting=setting)
    return max((case.voltage_v for case in bare.cases), default=0.0)


def _models(
    territory: Territory, layout: Layout, origin: Origin, setting: Setting, notes: list[str]
) -> Iterator[_Model]:
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
) -> _Model:
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
        raise NetworkError(
            f"from {origin.name}: no phase of circuit {origin.circuit_id} reaches the places with "
            f"grounds. {'; '.join(runs.notes)}"
        )
    ports = {*terminals, star}.union(*(p.nodes() for p in places)) - {EARTH}
    earth = [b for p in places for b in p.earth_branches()]
    reduction = reduce_to_ports(locator.n_nodes, [*runs.branches, *earth], sorted(ports))
    row = network.territory.circuits.index()[origin.circuit_id]
    source = source_of(network.territory, row)
    return _Model(origin, neutral, source, reduction, places, terminals, star, phases)


def _terminal(ends: Ends, node: int, label: int) -> int:
    """Return the node of a source terminal; at a split, the side without spans, else the first."""
    sides = ends.sides(node, label)
    return next((number for side, number in sides if not side), sides[0][1])


def _region(
    network: Network, seeds: list[int], layout: Layout, origin: Origin
) -> NDArray[np.bool_]:
    """Return the spans to lay: what phases connect with the seeds, and the circuits concerned."""
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
    return np.asarray((near[network.node_from] & shut) | own, bool)


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
    return shut[(np.minimum(one, other) == low) & (np.maximum(one, other) == high)]


def _events(model: _Model, setting: Setting) -> Iterator[_Event]:
    """Solve all combinations of the phases that reach the places."""
    if model.source.single_phase:
        sizes: Sequence[int] = (1,)
    else:
        least = 1 if model.source.grounded else 2
        sizes = range(len(model.phases), least - 1, -1)
    for size in sizes:
        for closed in combinations(model.phases, size):
            yield _solve(model, closed, setting)


def _solve(model: _Model, closed: tuple[int, ...], setting: Setting) -> _Event:
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
    return _Event(letters, voltage, port_ohm, part, residual)


def _residual(
    reduction: Reduction,
    added: NDArray[np.complex128],
    injected: NDArray[np.complex128],
    voltage: NDArray[np.complex128],
) -> float:
    """Return the largest violation of the current law relative to the current injected."""
    largest = float(np.abs(injected).max(initial=0.0))
    if largest == 0.0:
        return 0.0
    entering = injected - added @ voltage
    at_ports = np.abs(reduction.admittance_s @ voltage - entering).max()
    return max(float(at_ports), reduction.largest_mismatch_a(voltage, entering)) / largest


def _collect_currents(
    model: _Model, event: _Event, current: NDArray[np.float64], rise: NDArray[np.float64]
) -> None:
    """Raise the largest currents of lead rows, and the rise and current of electrodes, in place."""
    rows = model.reduction.row_of()
    for number, located in enumerate(model.places):
        leads = located.leads
        one = np.array([rows[int(n)] for n in leads.start.ravel()], np.intp)
        other = np.array([rows[int(n)] for n in leads.end.ravel()], np.intp)
        drop = np.abs(event.voltage_v[one] - event.voltage_v[other])
        amps = drop / np.abs(leads.impedance_ohm.ravel())
        row = np.array([b.row for b in located.place.branches], np.intp)
        np.fmax.at(current, row, amps)
        for electrode in located.electrodes:
            volts = abs(event.voltage_v[rows[electrode.node]])
            new = (volts, volts / electrode.resistance_ohm)
            rise[number] = np.maximum(rise[number], new)


def _contacts(located: Located) -> tuple[list[tuple[str, int, int]], list[tuple[str, int, int]]]:
    """Return named pairs of nodes at a worksite: those always listed, and all others."""
    where = located.place.name
    grounds = [(n, located.fittings[n]) for n in ("bar", "pole") if n in located.fittings]
    grounds = grounds or [("ground", EARTH)]
    listed = [
        (f"{c.name}-{name}@{where}", c.node, node)
        for c in located.conductors
        for name, node in grounds
    ]
    others = []
    for one, other in combinations(located.conductors, 2):
        if one.node == other.node:
            continue
        pair = (f"{one.name}-{other.name}@{where}", one.node, other.node)
        same = one.name.partition("@")[0] == other.name.partition("@")[0]
        (listed if same else others).append(pair)
    return listed, others


def _cases(model: _Model, event: _Event, setting: Setting) -> Iterator[WorkerCase]:
    """Return the worker's cases of one event."""
    rows = model.reduction.row_of()
    for located in model.places:
        if not located.place.worksite:
            continue
        listed, others = _contacts(located)
        found = [_case(model, event, setting, (n, rows[a], rows[b])) for n, a, b in listed]
        more = [_case(model, event, setting, (n, rows[a], rows[b])) for n, a, b in others]
        yield from found
        if more:
            yield max(more, key=lambda case: (not case.passed, case.voltage_v))


def _case(
    model: _Model, event: _Event, setting: Setting, contact: tuple[str, int, int]
) -> WorkerCase:
    """Return the voltage across a body between two nodes."""
    name, one, other = contact
    z = event.impedance_ohm
    source_ohm = z[one, one] + z[other, other] - z[one, other] - z[other, one]
    open_v = event.voltage_v[one] - event.voltage_v[other]
    volts = float(abs(open_v * setting.body_ohm / (setting.body_ohm + source_ohm)))
    tied = event.part[one] == event.part[other] == event.part[-1]
    return WorkerCase(
        event=event.phases,
        origin=model.origin.name,
        contact=name,
        neutral=model.neutral,
        voltage_v=significant(volts),
        body_a=significant(volts / setting.body_ohm),
        limit_v=setting.limit_v,
        passed=bool(tied and volts <= setting.limit_v),
    )
