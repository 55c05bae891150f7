"""What a fault sees at every node of a network: driving-point impedance and voltage behind it.

The sources are edges from a common reference (their voltages) to their nodes; the rest is a graph.
Where it is a tree the impedances are summed along the path. The parts that are loops (two sources
joined included) are cut out at their bridges, solved as admittance matrices seen from the node
nearest the reference, and put back as if every node of the loop hung directly on that node: that
is exact, because all current of a fault inside or behind the part passes there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.sparse.linalg import splu

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Added to every conductor of a loop so that a link without impedance has an admittance.
_FLOOR_OHM = 1e-7
_BATCH_NODES = 128
_BITS = np.array([1, 2, 4], np.uint8)
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
    """

    impedance_ohm: NDArray[np.complex128]
    voltage_v: NDArray[np.complex128]
    phases: NDArray[np.uint8]
    feeding: tuple[tuple[int, ...], ...]
    fed_by: NDArray[np.intp]


@dataclass
class _Edges:
    """Merged edges: at most one between two nodes; `low` < `high`, the reference is last."""

    low: NDArray[np.intp]
    high: NDArray[np.intp]
    mask: NDArray[np.uint8]
    ohm: NDArray[np.complex128]
    volt: NDArray[np.complex128]  # voltage in series, only towards the reference


@dataclass
class _Tree:
    """Where each node hangs: its parent, and the impedance to it."""

    parent: NDArray[np.intp]
    edge: NDArray[np.intp]  # edge to the parent, -1 for the reference and unreached nodes
    order: NDArray[np.intp]  # nodes from the reference outwards


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
    hung = _rows_or_nan(edges.ohm, tree.edge)
    parent = tree.parent.copy()
    volt = _rows_or_nan(edges.volt, tree.edge)
    joined = _Joined(feed, edges, tree)
    core = _core_edges(edges, tree)
    if core.any():
        needed = _with_ancestors(tree, wanted)
        for block in _blocks(edges, tree, core):
            block.solve(edges, phases, needed)
            parent[block.inner] = block.entry
            hung[block.inner] = block.inner_ohm
            if block.entry == root:
                volt[block.inner] = block.inner_v
                joined.join(block.inner)
    total, top = _sum_to_root(parent, hung, root)
    voltage = volt[top][:root]
    unreached = tree.edge[:root] < 0
    total = total[:root]
    total[unreached], voltage[unreached] = np.nan, np.nan
    phases = np.where(unreached, 0, phases[:root]).astype(np.uint8)
    here = (phases[:, None] & _BITS) > 0
    total[~(here[:, :, None] & here[:, None, :]) & (phases > 0)[:, None, None]] = 0.0
    fed_by = np.where(unreached, -1, joined.set_of(top[:root]))
    return Thevenin(total, voltage, phases, joined.feeding, fed_by)


def masked_inverse(
    matrix: NDArray[np.complex128], mask: NDArray[np.uint8]
) -> NDArray[np.complex128]:
    """Invert the block of present phases of each matrix, zero elsewhere; NaN stays NaN."""
    here = (mask[:, None] & _BITS) > 0
    block = here[:, :, None] & here[:, None, :]
    unknown = np.isnan(np.where(block, matrix, 0.0)).any(axis=(1, 2))
    full = np.where(block, matrix, 0.0) + np.where(here, 0.0, 1.0)[:, :, None] * np.eye(3)
    full[unknown] = np.eye(3)
    inverse = np.where(block, np.linalg.inv(full), 0.0)
    inverse[unknown] = np.where(block[unknown], np.nan, 0.0)
    return np.asarray(inverse)


def _all_edges(feed: Feed) -> _Edges:
    """Return spans and sources as edges, without open spans and spans that end where they begin."""
    n_sources = len(feed.source_node)
    start = np.concatenate([feed.node_from, feed.source_node])
    end = np.concatenate([feed.node_to, np.full(n_sources, feed.n_nodes)])
    mask = np.concatenate([feed.closed, np.full(n_sources, 7, np.uint8)])
    ohm = np.concatenate([feed.span_ohm, feed.source_ohm])
    volt = np.zeros((len(start), 3), complex)
    volt[len(feed.node_from) :] = feed.source_v
    keep = (mask > 0) & (start != end)
    if not keep.all():
        start, end, mask, ohm, volt = start[keep], end[keep], mask[keep], ohm[keep], volt[keep]
    return _Edges(np.minimum(start, end), np.maximum(start, end), mask, ohm, volt)


def _merge(edges: _Edges, root: int) -> _Edges:
    """Make one edge of all edges between the same two nodes, by adding their admittances.

    One-phase spans side by side become one block this way; truly parallel spans share.
    """
    key = edges.low * (root + 1) + edges.high
    _, first, group, count = np.unique(
        key, return_index=True, return_inverse=True, return_counts=True
    )
    if (count == 1).all():
        order = first  # sorted by key, as `_spanning_tree` expects
        return _Edges(*(a[order] for a in vars(edges).values()))
    side = np.flatnonzero(count[group] > 1)
    mask = np.zeros(len(first), np.uint8)
    np.bitwise_or.at(mask, group, edges.mask)
    floored = edges.ohm[side] + _FLOOR_OHM * np.eye(3)
    admittance = masked_inverse(floored, edges.mask[side])
    total = np.zeros((len(first), 3, 3), complex)
    driven = np.zeros((len(first), 3), complex)
    np.add.at(total, group[side], admittance)
    np.add.at(driven, group[side], (admittance @ edges.volt[side][..., None])[..., 0])
    several = count > 1
    ohm, volt = edges.ohm[first], edges.volt[first]
    ohm[several] = masked_inverse(total[several], mask[several])
    volt[several] = (ohm[several] @ driven[several][..., None])[..., 0]
    return _Edges(edges.low[first], edges.high[first], mask, ohm, volt)


def _graph(edges: _Edges, chosen: NDArray[np.bool_] | slice, size: int) -> coo_matrix:
    """Return the adjacency matrix of some edges."""
    low, high = edges.low[chosen], edges.high[chosen]
    return coo_matrix((np.ones(len(low), np.int8), (low, high)), shape=(size, size))


def _reached(edges: _Edges, root: int) -> NDArray[np.uint8]:
    """Return the phases of every node that are continuous from a source."""
    reached = np.zeros(root + 1, np.uint8)
    for bit in _BITS:
        graph = _graph(edges, (edges.mask & bit) > 0, root + 1)
        _, label = connected_components(graph, directed=False)
        reached[label == label[root]] |= bit
    return reached


def _spanning_tree(edges: _Edges, root: int) -> _Tree:
    """Walk breadth first from the reference."""
    graph = _graph(edges, slice(None), root + 1).tocsr()
    order, before = breadth_first_order(graph, root, directed=False, return_predecessors=True)
    parent = np.full(root + 1, root, np.intp)
    edge = np.full(root + 1, -1, np.intp)
    child = order[1:].astype(np.intp)
    parent[child] = before[child]
    low, high = np.minimum(child, parent[child]), np.maximum(child, parent[child])
    edge[child] = np.searchsorted(
        edges.low * (root + 1) + edges.high, low * (root + 1) + high
    )  # edges are sorted by this key
    return _Tree(parent, edge, order.astype(np.intp))


def _core_edges(edges: _Edges, tree: _Tree) -> NDArray[np.bool_]:
    """Say which edges lie on a loop.

    Each edge outside the spanning tree gives one of its ends a random number and takes it from the
    other; a tree edge whose subtree does not add up to zero is bridged by such an edge. (A chance
    of 2⁻⁶⁴ per tree edge to miss one.)
    """
    core = np.ones(len(edges.low), bool)
    in_tree = tree.edge[tree.edge >= 0]
    core[in_tree] = False
    reached = np.zeros(len(tree.parent), bool)
    reached[tree.order] = True
    core &= reached[edges.low]
    if not core.any():
        return core
    number = np.random.default_rng(0).integers(1, 2**63, core.sum(), dtype=np.uint64)
    weight = np.zeros(len(tree.parent), np.uint64)
    np.add.at(weight, edges.low[core], number)
    np.subtract.at(weight, edges.high[core], number)
    for level in reversed(_levels(tree)):
        np.add.at(weight, tree.parent[level], weight[level])
    child = np.flatnonzero((weight != 0) & (tree.edge >= 0))
    core[tree.edge[child]] = True
    return core


def _levels(tree: _Tree) -> list[NDArray[np.intp]]:
    """Return the nodes of each distance from the reference, without the reference."""
    place = np.empty(len(tree.parent), np.intp)
    place[tree.order] = np.arange(len(tree.order))
    before = place[tree.parent[tree.order]]  # never falls along a breadth-first order
    levels, low, high = [], 1, 1
    while high < len(tree.order):
        # children of the nodes before `low`… come first: their parents are placed before `low`
        high = int(np.searchsorted(before, low, side="left"))
        high = max(high, low + 1) if low == 1 and high <= low else high
        levels.append(tree.order[low:high])
        low = high
    return levels


def _with_ancestors(tree: _Tree, wanted: NDArray[np.intp] | None) -> NDArray[np.bool_]:
    """Mark the wanted nodes and everything between them and the reference."""
    if wanted is None:
        return np.ones(len(tree.parent), bool)
    needed = np.zeros(len(tree.parent), bool)
    here = np.unique(wanted)
    while len(here):
        needed[here] = True
        here = np.unique(tree.parent[here])
        here = here[~needed[here]]
    return needed


class _Block:
    """One part of the network in which every edge lies on a loop."""

    def __init__(self, edge: NDArray[np.intp], inner: NDArray[np.intp], entry: int) -> None:
        self.edge, self.inner, self.entry = edge, inner, entry
        self.inner_ohm = np.full((len(inner), 3, 3), np.nan, complex)
        self.inner_v = np.full((len(inner), 3), np.nan, complex)

    def solve(self, edges: _Edges, phases: NDArray[np.uint8], needed: NDArray[np.bool_]) -> None:
        """Fill impedances (and voltages) of the inner nodes, the entry being the reference."""
        floored = edges.ohm[self.edge] + _FLOOR_OHM * np.eye(3)
        admittance = masked_inverse(floored, edges.mask[self.edge])
        if np.isnan(admittance).any():
            return  # one unknown span makes every current of the part unknown
        number, size = self._number(phases)
        ends = np.stack([edges.low[self.edge], edges.high[self.edge]])
        at = np.full((len(phases) if self.entry < 0 else phases.shape[0], 3), -1, np.intp)
        at[self.inner] = number
        unknowns = at[ends]  # (2, n, 3), -1 at the entry and for absent phases
        matrix = _assemble(unknowns, admittance, size)
        solver = splu(matrix)
        drive = (admittance @ edges.volt[self.edge][..., None])[..., 0]
        right = np.zeros(size, complex)
        low = unknowns[0]
        np.add.at(right, low[low >= 0], drive[low >= 0])
        here = number >= 0
        self.inner_v = np.where(here, solver.solve(right)[np.maximum(number, 0)], 0.0)
        asked = np.flatnonzero(needed[self.inner])
        for start in range(0, len(asked), _BATCH_NODES):
            chosen = asked[start : start + _BATCH_NODES]
            self.inner_ohm[chosen] = _driving_points(solver, number[chosen], size)

    def _number(self, phases: NDArray[np.uint8]) -> tuple[NDArray[np.intp], int]:
        """Number the unknown voltages, (n_inner, 3), -1 for absent phases."""  # noqa: D401
        here = (phases[self.inner][:, None] & _BITS) > 0
        number = np.full(here.shape, -1, np.intp)
        size = int(here.sum())
        number[here] = np.arange(size)
        return number, size


def _assemble(unknowns: NDArray[np.intp], admittance: NDArray[np.complex128], size: int) -> object:
    """Return the nodal admittance matrix of a block."""
    rows, columns, values = [], [], []
    for a in (0, 1):
        for b in (0, 1):
            row = np.broadcast_to(unknowns[a][:, :, None], admittance.shape)
            column = np.broadcast_to(unknowns[b][:, None, :], admittance.shape)
            inside = (row >= 0) & (column >= 0) & (admittance != 0)
            rows.append(row[inside])
            columns.append(column[inside])
            values.append(admittance[inside] * (1.0 if a == b else -1.0))
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    return coo_matrix(entries, shape=(size, size)).tocsc()


def _driving_points(solver: object, number: NDArray[np.intp], size: int) -> NDArray[np.complex128]:
    """Return the own blocks of the inverse for some nodes, by unit currents."""
    node, phase = np.nonzero(number >= 0)
    right = np.zeros((size, len(node)), complex)
    right[number[node, phase], np.arange(len(node))] = 1.0
    voltage = solver.solve(right)  # type: ignore[attr-defined]
    ohm = np.zeros((len(number), 3, 3), complex)
    for other in range(3):
        row = number[node, other]
        there = row >= 0
        ohm[node[there], other, phase[there]] = voltage[row[there], np.flatnonzero(there)]
    return ohm


def _blocks(edges: _Edges, tree: _Tree, core: NDArray[np.bool_]) -> list[_Block]:
    """Split the edges on loops into connected parts and find where each hangs."""
    size = len(tree.parent)
    _, label = connected_components(_graph(edges, core, size), directed=False)
    place = np.full(size, size, np.intp)
    place[tree.order] = np.arange(len(tree.order))
    edge = np.flatnonzero(core)
    edge = edge[np.argsort(label[edges.low[edge]], kind="stable")]
    parts = np.split(edge, np.flatnonzero(np.diff(label[edges.low[edge]])) + 1)
    blocks = []
    for part in parts:
        nodes = np.unique(np.concatenate([edges.low[part], edges.high[part]]))
        entry = int(nodes[np.argmin(place[nodes])])
        blocks.append(_Block(part, nodes[nodes != entry], entry))
    return blocks


class _Joined:
    """Which sources feed each node that hangs directly on the reference."""

    def __init__(self, feed: Feed, edges: _Edges, tree: _Tree) -> None:  # noqa: ARG002
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


def _rows_or_nan(values: NDArray[np.complex128], row: NDArray[np.intp]) -> NDArray[np.complex128]:
    """Return rows of an array, zero where the row is -1."""
    taken = values[np.maximum(row, 0)]
    taken[row < 0] = 0.0
    return taken


def _sum_to_root(
    parent: NDArray[np.intp], ohm: NDArray[np.complex128], root: int
) -> tuple[NDArray[np.complex128], NDArray[np.intp]]:
    """Sum impedances from every node to the reference by doubling the reach of each step.

    Returns the sums, shape (n, 3, 3), and the last node before the reference. The number of
    rounds is the logarithm of the longest path.
    """
    total = ohm.reshape(len(ohm), 9)[:, [0, 1, 2, 4, 5, 8]]  # the matrices are symmetric
    reach, top = parent.copy(), np.arange(len(parent))
    active = np.flatnonzero(reach != root)
    while len(active):
        via = reach[active]
        total[active] += total[via]
        top[active] = top[via]
        reach[active] = reach[via]
        active = active[reach[active] != root]
    return total[:, _UPPER], top
