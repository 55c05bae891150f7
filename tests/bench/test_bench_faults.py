"""Fault currents of a feeder against a plain loop and a graph library, in the same run."""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest

from gridground.electrical.lines import abc_from_sequence
from gridground.electrical.thevenin import Feed, thevenin

N_NODES = 20_000
ZS = abc_from_sequence(0.1 + 1.0j, 0.2 + 1.5j)

pytestmark = pytest.mark.bench


def feeder(n_nodes):
    """Return a feeder with laterals: most nodes hang on the one before, some further back."""
    rng = np.random.default_rng(7)
    child = np.arange(1, n_nodes)
    back = np.where(rng.random(n_nodes - 1) < 0.2, rng.integers(1, 60, n_nodes - 1), 1)
    parent = np.maximum(child - back, 0)
    z1 = rng.uniform(0.01, 0.03, n_nodes - 1) * (0.4 + 1j)
    emf = 7200 * np.exp(-2j * np.pi / 3 * np.arange(3))
    return Feed(
        n_nodes=n_nodes,
        node_from=parent,
        node_to=child,
        closed=np.full(n_nodes - 1, 7, np.uint8),
        span_ohm=abc_from_sequence(z1, 3 * z1),
        source_node=np.array([0]),
        source_phases=np.array([7], np.uint8),
        source_ohm=ZS[None],
        source_v=emf[None],
    )


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


@pytest.mark.parametrize(("peer", "least"), [(plain_loop, 1.0), (by_graph_library, 3.0)])
def test_not_slower_than_a_peer(benchmark, peer, least):
    feed = feeder(N_NODES)
    start = perf_counter()
    expected = peer(feed)
    peer_s = perf_counter() - start
    found = benchmark.pedantic(thevenin, args=(feed,), rounds=3, warmup_rounds=1)
    ratio = peer_s / benchmark.stats["min"]
    benchmark.extra_info["times_faster"] = round(ratio, 1)
    assert found.impedance_ohm == pytest.approx(expected)
    assert ratio > least, f"{peer.__name__} is only {ratio:.1f} times slower"


def test_effort_grows_with_the_size_and_not_faster(benchmark):
    small, large = feeder(N_NODES), feeder(10 * N_NODES)
    start = perf_counter()
    thevenin(small)
    small_s = perf_counter() - start
    benchmark.pedantic(thevenin, args=(large,), rounds=2)
    assert benchmark.stats["min"] < 60 * small_s
