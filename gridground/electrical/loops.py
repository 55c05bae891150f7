"""The parts of a network that are loops: found by their bridges, solved as admittances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import SuperLU, splu

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Added to every conductor of a loop so that a link without impedance has an admittance.
FLOOR_OHM = 1e-7
PHASE_BITS = np.array([1, 2, 4], np.uint8)
_BATCH_NODES = 128


@dataclass
class Edges:
    """Merged edges: at most one between two nodes; `low` < `high`, the reference is last."""

    low: NDArray[np.intp]
    high: NDArray[np.intp]
    mask: NDArray[np.uint8]
    ohm: NDArray[np.complex128]
    volt: NDArray[np.complex128]  # voltage in series, only towards the reference


@dataclass
class Tree:
    """Where each node hangs: its parent, and the impedance to it."""

    parent: NDArray[np.intp]
    edge: NDArray[np.intp]  # edge to the parent, -1 for the reference and unreached nodes
    order: NDArray[np.intp]  # nodes from the reference outwards


def masked_inverse(
    matrix: NDArray[np.complex128], mask: NDArray[np.uint8]
) -> NDArray[np.complex128]:
    """Invert the block of present phases of each matrix, zero elsewhere; NaN stays NaN."""
    here = (mask[:, None] & PHASE_BITS) > 0
    block = here[:, :, None] & here[:, None, :]
    unknown = np.isnan(np.where(block, matrix, 0.0)).any(axis=(1, 2))
    full = np.where(block, matrix, 0.0) + np.where(here, 0.0, 1.0)[:, :, None] * np.eye(3)
    full[unknown] = np.eye(3)
    inverse = np.where(block, np.linalg.inv(full), 0.0)
    inverse[unknown] = np.where(block[unknown], np.nan, 0.0)
    return np.asarray(inverse)


def adjacency(edges: Edges, chosen: NDArray[np.bool_] | slice, size: int) -> Any:  # noqa: ANN401
    """Return the adjacency matrix of some edges."""
    low, high = edges.low[chosen], edges.high[chosen]
    return coo_matrix((np.ones(len(low), np.int8), (low, high)), shape=(size, size))


def core_edges(edges: Edges, tree: Tree) -> NDArray[np.bool_]:
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


def _levels(tree: Tree) -> list[NDArray[np.intp]]:
    """Return the nodes of each distance from the reference, without the reference."""
    place = np.empty(len(tree.parent), np.intp)
    place[tree.order] = np.arange(len(tree.order))
    before = place[tree.parent[tree.order]]  # never falls along a breadth-first order
    levels, low, high = [], 1, int(np.searchsorted(before, 1))
    while low < high:  # parents of the next level are placed before `high`
        levels.append(tree.order[low:high])
        low, high = high, int(np.searchsorted(before, high))
    return levels


def with_ancestors(tree: Tree, wanted: NDArray[np.intp] | None) -> NDArray[np.bool_]:
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


class Block:
    """One part of the network in which every edge lies on a loop."""

    def __init__(self, edge: NDArray[np.intp], inner: NDArray[np.intp], entry: int) -> None:
        self.edge, self.inner, self.entry = edge, inner, entry
        self.inner_ohm = np.full((len(inner), 3, 3), np.nan, complex)
        self.inner_v = np.full((len(inner), 3), np.nan, complex)

    def solve(self, edges: Edges, phases: NDArray[np.uint8], needed: NDArray[np.bool_]) -> None:
        """Fill impedances (and voltages) of the inner nodes, the entry being the reference."""
        floored = edges.ohm[self.edge] + FLOOR_OHM * np.eye(3)
        admittance = masked_inverse(floored, edges.mask[self.edge])
        if np.isnan(admittance).any():
            return  # one unknown span makes every current of the part unknown
        number, size = self._number(phases)
        ends = np.stack([edges.low[self.edge], edges.high[self.edge]])
        at = np.full((len(phases), 3), -1, np.intp)
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
        here = (phases[self.inner][:, None] & PHASE_BITS) > 0
        number = np.full(here.shape, -1, np.intp)
        size = int(here.sum())
        number[here] = np.arange(size)
        return number, size


def _assemble(unknowns: NDArray[np.intp], admittance: NDArray[np.complex128], size: int) -> Any:  # noqa: ANN401  a scipy sparse matrix
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


def _driving_points(solver: SuperLU, number: NDArray[np.intp], size: int) -> NDArray[np.complex128]:
    """Return the own blocks of the inverse for some nodes, by unit currents."""
    node, phase = np.nonzero(number >= 0)
    right = np.zeros((size, len(node)), complex)
    right[number[node, phase], np.arange(len(node))] = 1.0
    voltage = solver.solve(right)
    ohm = np.zeros((len(number), 3, 3), complex)
    for other in range(3):
        row = number[node, other]
        there = row >= 0
        ohm[node[there], other, phase[there]] = voltage[row[there], np.flatnonzero(there)]
    return ohm


def blocks_of(edges: Edges, tree: Tree, core: NDArray[np.bool_]) -> list[Block]:
    """Split the edges on loops into connected parts and find where each hangs."""
    size = len(tree.parent)
    # without the reference: two pairs of joined sources are two parts, though both touch it
    inside = core & (edges.high < size - 1)
    _, label = connected_components(adjacency(edges, inside, size), directed=False)
    place = np.full(size, size, np.intp)
    place[tree.order] = np.arange(len(tree.order))
    edge = np.flatnonzero(core)
    edge = edge[np.argsort(label[edges.low[edge]], kind="stable")]
    parts = np.split(edge, np.flatnonzero(np.diff(label[edges.low[edge]])) + 1)
    blocks = []
    for part in parts:
        nodes = np.unique(np.concatenate([edges.low[part], edges.high[part]]))
        entry = int(nodes[np.argmin(place[nodes])])
        blocks.append(Block(part, nodes[nodes != entry], entry))
    return blocks
