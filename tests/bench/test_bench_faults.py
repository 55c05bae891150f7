"""Fault currents of whole networks against other ways and engines, in the same run.

All ratios; the least is asserted inside. The engine's own fault study is the fastest way it has to
the impedance at every bus (unit currents at every bus into one factorized matrix); building the
network in the engine is not counted, on this program's side building the `Feed` is not.
"""

from __future__ import annotations

import importlib.util
import os
from dataclasses import replace
from time import perf_counter

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order

from gridground.electrical.faults import fault_columns
from gridground.electrical.kinds import fault_kinds
from gridground.electrical.lines import abc_from_sequence, primitive_ohm_per_km, reduce_neutral
from gridground.electrical.thevenin import Feed, thevenin
from gridground.territory.network import Network
from tests import feeder as rows

N_NODES = 20_000
ZS = abc_from_sequence(0.1 + 1.0j, 0.2 + 1.5j)
EMF = 7200 * np.exp(-2j * np.pi / 3 * np.arange(3))

pytestmark = pytest.mark.bench
needs_engine = pytest.mark.skipif(
    importlib.util.find_spec("opendssdirect") is None and "CI" not in os.environ,
    reason="opendssdirect.py is not installed",
)


def parents(n_nodes):
    """Return the parent of every node but the first: most hang on the one before, some laterals."""
    rng = np.random.default_rng(7)
    child = np.arange(1, n_nodes)
    back = np.where(rng.random(n_nodes - 1) < 0.2, rng.integers(1, 60, n_nodes - 1), 1)
    return np.maximum(child - back, 0)


def feeder(n_nodes):
    """Return a radial feeder with laterals."""
    z1 = np.random.default_rng(8).uniform(0.01, 0.03, n_nodes - 1) * (0.4 + 1j)
    return Feed(
        n_nodes=n_nodes,
        node_from=parents(n_nodes),
        node_to=np.arange(1, n_nodes),
        closed=np.full(n_nodes - 1, 7, np.uint8),
        span_ohm=abc_from_sequence(z1, 3 * z1),
        source_node=np.array([0]),
        source_phases=np.array([7], np.uint8),
        source_ohm=ZS[None],
        source_v=EMF[None],
    )


def with_ties(feed, n_ties, *, reach=None):
    """Return the feeder with loops: ties between any two nodes, or nodes that lie near."""
    rng = np.random.default_rng(9)
    one = rng.integers(0, feed.n_nodes, n_ties)
    far = feed.n_nodes if reach is None else reach
    other = (one + rng.integers(1, far, n_ties)) % feed.n_nodes
    ohm = np.repeat(abc_from_sequence(0.02 + 0.05j, 0.06 + 0.15j)[None], n_ties, axis=0)
    return replace(
        feed,
        node_from=np.concatenate([feed.node_from, one]),
        node_to=np.concatenate([feed.node_to, other]),
        closed=np.concatenate([feed.closed, np.full(n_ties, 7, np.uint8)]),
        span_ohm=np.concatenate([feed.span_ohm, ohm]),
    )


def seconds(work, *arguments, rounds=3):
    """Return the shortest wall time of some rounds, and the last answer."""
    took, answer = [], None
    for _ in range(rounds):
        start = perf_counter()
        answer = work(*arguments)
        took.append(perf_counter() - start)
    return min(took), answer


def judge(benchmark, name, ratio):
    """Keep a ratio and print it."""
    benchmark.extra_info[name] = round(ratio, 2)
    print(f"\n{name}: {ratio:.2f}")


def plain_loop(feed):
    """Sum along the path, node by node, with small numpy arrays."""
    total = np.empty((feed.n_nodes, 3, 3), complex)
    total[0] = ZS
    for parent, child, ohm in zip(feed.node_from, feed.node_to, feed.span_ohm, strict=True):
        total[child] = total[parent] + ohm
    return total


def by_graph_library(feed):
    """Walk the edges breadth first with networkx and sum."""
    networkx = pytest.importorskip("networkx")
    graph = networkx.Graph()
    for parent, child, ohm in zip(feed.node_from, feed.node_to, feed.span_ohm, strict=True):
        graph.add_edge(int(parent), int(child), ohm=ohm)
    total = {0: ZS}
    for parent, child in networkx.bfs_edges(graph, 0):
        total[child] = total[parent] + graph.edges[parent, child]["ohm"]
    return np.stack([total[k] for k in range(feed.n_nodes)])


def all_currents(feed):
    """Return the fault currents of every kind at every pole."""
    seen = thevenin(feed)
    n = feed.n_nodes
    yes, no = np.ones(n, bool), np.zeros(n, bool)
    return fault_kinds(
        seen.impedance_ohm, seen.voltage_v, seen.phases, grounded=yes, single_phase=no
    )


@pytest.mark.parametrize(("peer", "least"), [(plain_loop, 1.0), (by_graph_library, 3.0)])
def test_not_slower_than_a_peer(benchmark, peer, least):
    feed = feeder(N_NODES)
    peer_s, expected = seconds(peer, feed, rounds=1)
    found = benchmark.pedantic(thevenin, args=(feed,), rounds=3, warmup_rounds=1)
    ratio = peer_s / benchmark.stats["min"]
    judge(benchmark, f"{peer.__name__} / ours", ratio)
    assert found.impedance_ohm == pytest.approx(expected)
    assert ratio > least, f"{peer.__name__} is only {ratio:.1f} times slower"


@needs_engine
@pytest.mark.parametrize(("n_nodes", "least"), [(2_500, 100.0), (10_000, 1000.0)])
def test_every_pole_against_an_engine(benchmark, n_nodes, least):
    from tests.cross import dss_feeder as dss

    feed = feeder(n_nodes)
    dss.start([("b0", 7200.0, 0.0, 0.1 + 1.0j, 0.2 + 1.5j)])
    ends = zip(feed.node_from, feed.node_to, feed.span_ohm, strict=True)
    dss.lines([(f"b{a}", f"b{b}", 7, ohm) for a, b, ohm in ends])
    dss.solve()  # factorized and warm; what is timed is the second study

    def study():
        dss.engine.Solution.Solve()
        return [dss.seen(f"b{node}") for node in range(0, n_nodes, n_nodes // 50)]

    engine_s, found = seconds(study, rounds=1)
    kinds = benchmark.pedantic(all_currents, args=(feed,), rounds=7, warmup_rounds=2)
    ratio = engine_s / benchmark.stats["min"]
    judge(benchmark, f"engine / ours, {n_nodes} poles", ratio)
    theirs = np.array([study_a.max() for *_, study_a in found])
    assert kinds.current_a[0, :: n_nodes // 50] == pytest.approx(theirs, rel=1e-8)
    assert ratio >= least


def territory(n_poles):
    """Return columns in memory: a feeder with laterals, as read."""
    poles = [rows.pole(f"P{k}") for k in range(n_poles)]
    ends = zip(parents(n_poles), range(1, n_poles), strict=True)
    spans = [rows.span(f"S{child}", f"P{parent}", f"P{child}") for parent, child in ends]
    return rows.territory(poles, spans, [rows.circuit(clearing_s=0.5, backup_clearing_s=1.0)])


def ours_from_ids(data):
    """Go from columns of ids to currents."""
    return fault_columns(data, Network.build(data))


def line_matrix():
    """Return the one line of these feeders, neutral reduced, of 50 m [ohm]."""
    places = rows.builtin_constructions()["IEEE 500"].positions
    wires = rows.builtin_conductors()
    chosen = [wires["336.4 ACSR 26/7"]] * 3 + [wires["4/0 ACSR 6/1"]]
    x, y = zip(*(places[p] for p in ("1", "2", "3", "N")), strict=True)
    primitive = primitive_ohm_per_km(
        [w.resistance_ohm_per_km for w in chosen],
        [w.gmr_m for w in chosen],
        x,
        y,
        frequency_hz=60.0,
        resistivity_ohm_m=100.0,
    )
    return reduce_neutral(primitive, 3) * 0.05


def source_matrix():
    """Return the impedance of the source of these feeders [ohm], and its voltages."""
    volts = 12470 / np.sqrt(3)
    z1 = volts / 8000 * np.exp(1j * np.arctan(8.0))
    one = volts / 7000 * np.exp(1j * np.arctan(6.0))
    emf = volts * np.exp(-2j * np.pi / 3 * np.arange(3))
    return abc_from_sequence(z1, 3 * one - 2 * z1), emf


def plain_currents(total, emf):
    """Return the same four kinds of fault, written plainly: 3-phase, 2-phase, to ground, 1-phase.

    X/R of each as well, and how much each heats (the asymmetry left out).
    """
    three = np.linalg.solve(total, np.broadcast_to(emf[:, None], (len(total), 3, 1)))[..., 0]
    power = (emf * three.conj()).sum(axis=1)
    found = {"three": np.abs(three).max(axis=1), "three_ratio": power.imag / power.real}
    own = total[:, [0, 1, 2], [0, 1, 2]]
    single = np.abs(emf / own)
    found |= {"single": single.max(axis=1), "each": single, "single_ratio": own.imag / own.real}
    pairs, twice = [], []
    for i, j in ((0, 1), (1, 2), (0, 2)):
        loop = total[:, i, i] + total[:, j, j] - 2 * total[:, i, j]
        pairs.append(np.abs((emf[i] - emf[j]) / loop))
        block = total[:, [[i], [j]], [i, j]]
        right = np.broadcast_to(emf[[i, j]][:, None], (len(total), 2, 1))
        twice.append(np.abs(np.linalg.solve(block, right)[..., 0]).max(axis=1))
    found |= {"pair": np.max(pairs, axis=0), "twice": np.max(twice, axis=0)}
    heat = np.stack([found[k] for k in ("three", "pair", "twice", "single")]) ** 2
    return found | {"governing": heat.argmax(axis=0)}


def bare_numpy(data):
    """Go from the same columns to currents with numpy and scipy only, nothing checked."""
    ids = np.concatenate([data.spans["from_pole"], data.spans["to_pole"]])
    number, names = pd.factorize(ids)
    n, n_spans = len(names), len(data.spans)
    one, other = number[:n_spans], number[n_spans:]
    code, lines = pd.factorize(data.spans["construction"])
    ohm = np.stack([line_matrix() for _ in lines])[code]
    ohm *= (np.asarray(data.spans["length_m"], float) / 50.0)[:, None, None]
    root = int(np.flatnonzero(names == data.circuits["source_pole"][0])[0])
    graph = coo_array((np.arange(1, n_spans + 1), (one, other)), shape=(n, n)).tocsr()
    order, before = breadth_first_order(graph, root, directed=False, return_predecessors=True)
    before[root] = root
    child = np.where(before[other] == one, other, one)
    hung = np.zeros((n, 3, 3), complex)
    hung[child] = ohm
    zs, emf = source_matrix()
    hung[root] = 0.0
    reach = before.astype(np.intp)
    active = order[1:]
    active = active[reach[active] != root]
    while len(active):
        hung[active] += hung[reach[active]]
        reach[active] = reach[reach[active]]
        active = active[reach[active] != root]
    return names, plain_currents(hung + zs, emf)


def networkx_way(data):
    """Go from the same columns to currents over a graph object, node by node."""
    networkx = pytest.importorskip("networkx")
    ohm, (zs, emf) = line_matrix(), source_matrix()
    graph = networkx.Graph()
    spans = data.spans
    for one, other, length_m in zip(
        spans["from_pole"], spans["to_pole"], spans["length_m"], strict=True
    ):
        graph.add_edge(one, other, ohm=ohm * (length_m / 50.0))
    root = data.circuits["source_pole"][0]
    total = {root: zs}
    for parent, child in networkx.bfs_edges(graph, root):
        total[child] = total[parent] + graph.edges[parent, child]["ohm"]
    rows_of = [plain_currents(total[name][None], emf) for name in total]
    return list(total), {k: np.concatenate([row[k] for row in rows_of]) for k in rows_of[0]}


@pytest.fixture(scope="module")
def large():
    return territory(100_000)


# at most twice the time of bare numpy, at most a fifth of a graph walked node by node
@pytest.mark.parametrize(("peer", "bound"), [(bare_numpy, 0.5), (networkx_way, 5.0)])
def test_from_ids_to_currents(benchmark, large, peer, bound):
    peer_s, (names, expected) = seconds(peer, large, rounds=3 if peer is bare_numpy else 1)
    found = benchmark.pedantic(ours_from_ids, args=(large,), rounds=5, warmup_rounds=1)
    ratio = peer_s / benchmark.stats["min"]
    judge(benchmark, f"{peer.__name__} / ours, 100,000 poles", ratio)
    place = pd.Index(found["pole_id"]).get_indexer(names)
    kinds = ("three_phase", "phase_phase", "two_phase_ground", "phase_ground")
    for kind, theirs in zip(kinds, ("three", "pair", "twice", "single"), strict=True):
        assert found[f"{kind}_a"][place] == pytest.approx(expected[theirs], rel=1e-9)
    assert ratio >= bound


def test_effort_grows_with_the_size_and_not_faster(benchmark):
    small, large = feeder(100_000), feeder(1_000_000)
    small_s, _ = seconds(all_currents, small)
    benchmark.pedantic(all_currents, args=(large,), rounds=2)
    ratio = benchmark.stats["min"] / small_s
    judge(benchmark, "1,000,000 poles / 100,000 poles", ratio)
    assert ratio <= 30


# ties in every 500th span between any two poles; in every 100th between poles that lie near
@pytest.mark.parametrize(("n_ties", "reach"), [(N_NODES // 500, None), (N_NODES // 100, 200)])
def test_loops_against_the_radial_feeder(benchmark, n_ties, reach):
    radial = feeder(N_NODES)
    looped = with_ties(radial, n_ties, reach=reach)
    radial_s, before = seconds(thevenin, radial, rounds=5)
    found = benchmark.pedantic(thevenin, args=(looped,), rounds=5, warmup_rounds=1)
    ratio = benchmark.stats["min"] / radial_s
    judge(benchmark, f"{n_ties} loops / radial", ratio)
    own = [np.abs(seen.impedance_ohm[:, 0, 0]) for seen in (found, before)]
    assert (own[0] <= own[1] * (1 + 1e-9)).all()
    assert (own[0] < 0.99 * own[1]).mean() > 0.3  # it is looped
    assert ratio <= 5
