"""What a fault sees at every node of a network: driving-point impedance and voltage behind it.

The sources are edges from a common reference (their voltages) to their nodes; the rest is a graph.
Where it is a tree the impedances are summed along the path. The parts that are loops (two sources
joined included) are cut out at their bridges, solved seen from the node nearest the reference
(`chains`), and put back as if every node of the loop hung directly on that node: that is exact,
because all current of a fault inside or behind the part passes there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.sparse.linalg import spsolve_triangular

from gridground.electrical.chains import solve_loops
from gridground.electrical.loops import (
    PHASE_BITS,
    Edges,
    Tree,
    adjacency,
    core_edges,
    masked_inverse,
    parts_of,
    with_ancestors,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SIX = [0, 1, 2, 4, 5, 8]
_UPPER = np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])  # (3, 3) from the six different entries


@dataclass(frozen=True)
class Feed:
    """A network to be solved: spans between nodes, sources at nodes.

    Attributes
    ----------
    n_nodes : int
        Number of nodes.
    node_from, node_to : ndarray of int, shape (n_spans,)
        Ends of the spans.
    closed : ndarray of uint8, shape (n_spans,)
        Phases that are continuous from end to end (bit mask).
    span_ohm : ndarray of complex, shape (n_spans, 3, 3)
        A, B, C frame, NaN where unknown [ohm].
    source_node : ndarray of int, shape (n_sources,)
        Node of each source.
    source_phases : ndarray of uint8, shape (n_sources,)
        Phases it feeds, bit mask.
    source_ohm : ndarray of complex, shape (n_sources, 3, 3)
        NaN for an unknown source [ohm].
    source_v : ndarray of complex, shape (n_sources, 3)
        Voltages behind the impedances [V].
    """

    n_nodes: int
    node_from: NDArray[np.intp]
    node_to: NDArray[np.intp]
    closed: NDArray[np.uint8]
    span_ohm: NDArray[np.complex128]
    source_node: NDArray[np.intp]
    source_phases: NDArray[np.uint8]
    source_ohm: NDArray[np.complex128]
    source_v: NDArray[np.complex128]


@dataclass(frozen=True)
class Thevenin:
    """Thevenin equivalents of nodes.

    Attributes
    ----------
    impedance_ohm : ndarray of complex, shape (n_nodes, 3, 3)
        NaN where unknown, and for nodes that were not wanted inside loops [ohm].
    voltage_v : ndarray of complex, shape (n_nodes, 3)
        Voltage before the fault [V].
    phases : ndarray of uint8, shape (n_nodes,)
        Phases connected to a source, bit mask.
    feeding : tuple of tuple of int
        Sets of sources that feed together.
    fed_by : ndarray of int, shape (n_nodes,)
        Index into `feeding`; -1 for a node without a source.
    parent : ndarray of int, shape (n_nodes,)
        Node before each node on the way to the source, n_nodes for the reference behind the
        sources; for a node of a loop the node at which the loop hangs.
    looped : ndarray of bool, shape (n_nodes,)
        Whether more than one way leads from the node to its parent.
    """

    impedance_ohm: NDArray[np.complex128]
    voltage_v: NDArray[np.complex128]
    phases: NDArray[np.uint8]
    feeding: tuple[tuple[int, ...], ...]
    fed_by: NDArray[np.intp]
    parent: NDArray[np.intp]
    looped: NDArray[np.bool_]


def thevenin(feed: Feed, *, wanted: NDArray[np.intp] | None = None) -> Thevenin:
    """Solve a network for the impedance and voltage a fault sees at its nodes.

    Parameters
    ----------
    feed : Feed
        The network.
    wanted : ndarray of int, optional
        Nodes asked for; all where not given. It only matters for the effort in loops.

    Returns
    -------
    Thevenin
        For every node.
    """
    root = feed.n_nodes
    edges = _merge(_all_edges(feed), root)
    phases = _reached(edges, root)
    tree = _spanning_tree(edges, root)
    hung = _rows_or_zero(edges.ohm, tree.edge)
    parent = tree.parent.copy()
    looped = np.zeros(root, bool)
    volt = _rows_or_zero(edges.volt, tree.edge)
    joined = _Joined(feed)
    core = core_edges(edges, tree)
    if core.any():
        parts = parts_of(edges, tree, core)
        part_ohm, part_v = solve_loops(edges, parts, phases, with_ancestors(tree, wanted))
        parent[parts.node] = parts.entry[parts.of_node]
        hung[parts.node] = part_ohm
        looped[parts.node] = True
        for part in np.flatnonzero(parts.entry == root):  # sources joined
            mine = parts.of_node == part
            volt[parts.node[mine]] = part_v[mine]
            joined.join(parts.node[mine])
    total, top = _sum_to_root(tree.order, parent, hung)
    voltage = volt[top][:root]
    unreached = (tree.edge[:root] < 0) | (phases[:root] == 0)  # or by other phases only
    total = total[:root]
    total[unreached], voltage[unreached] = np.nan, np.nan
    phases = np.where(unreached, 0, phases[:root]).astype(np.uint8)
    here = (phases[:, None] & PHASE_BITS) > 0
    total[~(here[:, :, None] & here[:, None, :]) & (phases > 0)[:, None, None]] = 0.0
    fed_by = np.where(unreached, -1, joined.set_of(top[:root]))
    return Thevenin(total, voltage, phases, joined.feeding, fed_by, parent[:root], looped)


def _all_edges(feed: Feed) -> Edges:
    """Return spans and sources as edges, without open spans and spans that end where they begin."""
    n_sources = len(feed.source_node)
    start = np.concatenate([feed.node_from, feed.source_node])
    end = np.concatenate([feed.node_to, np.full(n_sources, feed.n_nodes)])
    mask = np.concatenate([feed.closed, feed.source_phases])
    ohm = np.concatenate([feed.span_ohm, feed.source_ohm])
    volt = np.zeros((len(start), 3), complex)
    volt[len(feed.node_from) :] = feed.source_v
    keep = (mask > 0) & (start != end)
    if not keep.all():
        start, end, mask, ohm, volt = start[keep], end[keep], mask[keep], ohm[keep], volt[keep]
    return Edges(np.minimum(start, end), np.maximum(start, end), mask, ohm, volt)


def _merge(edges: Edges, root: int) -> Edges:
    """Make one edge of all edges between the same two nodes, by adding their admittances.

    One-phase spans side by side become one block this way; truly parallel spans share.
    """
    key = edges.low * (root + 1) + edges.high
    _, first, group, count = np.unique(
        key, return_index=True, return_inverse=True, return_counts=True
    )
    if (count == 1).all():
        order = first  # sorted by key, as `_spanning_tree` expects
        return Edges(*(a[order] for a in vars(edges).values()))
    side = np.flatnonzero(count[group] > 1)
    mask = np.zeros(len(first), np.uint8)
    np.bitwise_or.at(mask, group, edges.mask)
    admittance = masked_inverse(edges.ohm[side], edges.mask[side])
    total = np.zeros((len(first), 3, 3), complex)
    driven = np.zeros((len(first), 3), complex)
    np.add.at(total, group[side], admittance)
    np.add.at(driven, group[side], (admittance @ edges.volt[side][..., None])[..., 0])
    several = count > 1
    ohm, volt = edges.ohm[first], edges.volt[first]
    ohm[several] = masked_inverse(total[several], mask[several])
    volt[several] = (ohm[several] @ driven[several][..., None])[..., 0]
    return Edges(edges.low[first], edges.high[first], mask, ohm, volt)


def _reached(edges: Edges, root: int) -> NDArray[np.uint8]:
    """Return the phases of every node that are continuous from a source."""
    reached = np.zeros(root + 1, np.uint8)
    for bit in PHASE_BITS:
        graph = adjacency(edges, (edges.mask & bit) > 0, root + 1)
        _, label = connected_components(graph, directed=False)
        reached[label == label[root]] |= bit
    return reached


def _spanning_tree(edges: Edges, root: int) -> Tree:
    """Walk breadth first from the reference."""
    graph = adjacency(edges, slice(None), root + 1).tocsr()
    order, before = breadth_first_order(graph, root, directed=False, return_predecessors=True)
    parent = np.full(root + 1, root, np.intp)
    edge = np.full(root + 1, -1, np.intp)
    child = order[1:].astype(np.intp)
    parent[child] = before[child]
    low, high = np.minimum(child, parent[child]), np.maximum(child, parent[child])
    edge[child] = np.searchsorted(
        edges.low * (root + 1) + edges.high, low * (root + 1) + high
    )  # edges are sorted by this key
    return Tree(parent, edge, order.astype(np.intp))


class _Joined:
    """Which sources feed each node that hangs directly on the reference."""

    def __init__(self, feed: Feed) -> None:
        self._sources: dict[int, list[int]] = {}
        for source, node in enumerate(feed.source_node):
            self._sources.setdefault(int(node), []).append(source)
        self._set = np.full(feed.n_nodes + 1, -1, np.intp)
        self.feeding: tuple[tuple[int, ...], ...] = ()
        for node, sources in self._sources.items():
            self._add([node], sources)

    def _add(self, nodes: list[int] | NDArray[np.intp], sources: list[int]) -> None:
        self._set[nodes] = len(self.feeding)
        self.feeding += (tuple(sorted(sources)),)

    def join(self, nodes: NDArray[np.intp]) -> None:
        """Let all sources of these nodes feed them together."""
        together = [s for n in nodes for s in self._sources.get(int(n), [])]
        self._add(nodes, together)

    def set_of(self, top: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the index of the set of sources of each topmost node."""
        return self._set[top]


def _rows_or_zero(values: NDArray[np.complex128], row: NDArray[np.intp]) -> NDArray[np.complex128]:
    """Return rows of an array, zero where the row is -1."""
    taken = values[np.maximum(row, 0)]
    taken[row < 0] = 0.0
    return taken


def _sum_to_root(
    order: NDArray[np.intp], parent: NDArray[np.intp], ohm: NDArray[np.complex128]
) -> tuple[NDArray[np.complex128], NDArray[np.intp]]:
    """Sum impedances from every node to the reference, the first of `order`.

    Returns the sums, shape (n, 3, 3), and the last node before the reference. Each sum is that of
    the parent and the node's own impedance: a triangular system in an order from the reference
    outwards. Nodes that are not in the order stay as they are.
    """
    n = len(order)
    place = np.zeros(len(parent), np.int32)
    place[order] = np.arange(n, dtype=np.int32)
    before = place[parent[order]]
    six = np.ascontiguousarray(ohm.reshape(-1, 9)[:, _SIX])  # the matrices are symmetric
    right = np.empty((n, 13))
    right[:, :12] = six.view(float)[order]
    right[:, 12] = np.where(before == 0, order, 0)  # one such node on every path
    right[0] = 0.0
    start = np.maximum(2 * np.arange(n + 1, dtype=np.int32) - 1, 0)
    columns, values = np.empty(2 * n - 1, np.int32), np.ones(2 * n - 1)
    columns[0::2], columns[1::2], values[1::2] = np.arange(n), before[1:], -1.0
    chain = csr_array((values, columns, start), shape=(n, n))
    found = spsolve_triangular(chain, right, lower=True, unit_diagonal=True)
    six.view(float)[order] = found[:, :12]
    top = np.arange(len(parent))
    top[order[1:]] = found[1:, 12].astype(np.intp)
    return six[:, _UPPER], top
