"""The parts of a network that are loops: the edges on them, the part each is in, where it hangs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from numpy.typing import NDArray

# What a link without impedance is given inside a loop, so that it has an admittance.
FLOOR_OHM = 1e-7
PHASE_BITS = np.array([1, 2, 4], np.uint8)
_SINGULAR_RATIO = 1e-9  # determinant over the cube of the largest entry


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
    """Invert the block of present phases of each matrix, zero elsewhere; NaN stays NaN.

    A block that has no inverse (a link without impedance) is given `FLOOR_OHM` on its diagonal.
    """
    here = (mask[:, None] & PHASE_BITS) > 0
    block = here[:, :, None] & here[:, None, :]
    full = np.where(block, matrix, 0.0)
    unknown = np.isnan(full).any(axis=(1, 2))
    full[unknown] = 0.0
    scale = np.maximum(np.abs(full).max(axis=(1, 2), initial=0.0), FLOOR_OHM)
    own = np.arange(3)
    full[:, own, own] += np.where(here, 0.0, scale[:, None])
    full /= scale[:, None, None]
    singular = np.abs(np.linalg.det(full)) < _SINGULAR_RATIO
    full[singular] += (FLOOR_OHM / scale[singular])[:, None, None] * np.eye(3)
    inverse = np.where(block, np.linalg.inv(full) / scale[:, None, None], 0.0)
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
    weight = _subtree_sums(tree, weight)
    child = np.flatnonzero((weight != 0) & (tree.edge >= 0))
    core[tree.edge[child]] = True
    return core


def _subtree_sums(tree: Tree, weight: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Add up the weights of each node and all behind it, by doubling the reach of each step.

    The sum at the reference itself is left out.
    """
    root = tree.order[0]
    total, reach = weight.copy(), tree.parent.copy()
    active = np.flatnonzero(reach != root)
    while len(active):
        np.add.at(total, reach[active], total[active])
        reach[active] = reach[reach[active]]
        active = active[reach[active] != root]
    return total


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


@dataclass(frozen=True)
class Parts:
    """The connected parts in which every edge lies on a loop.

    Attributes
    ----------
    edge, of_edge : ndarray of int, shape (n,)
        The edges on loops, and the part each is in.
    node, of_node : ndarray of int, shape (m,)
        The nodes on loops but for the entries, and the part each is in.
    entry : ndarray of int, shape (n_parts,)
        The node of each part that is nearest to the reference.
    """

    edge: NDArray[np.intp]
    of_edge: NDArray[np.intp]
    node: NDArray[np.intp]
    of_node: NDArray[np.intp]
    entry: NDArray[np.intp]


def parts_of(edges: Edges, tree: Tree, core: NDArray[np.bool_]) -> Parts:
    """Split the edges on loops into connected parts and find where each hangs."""
    size = len(tree.parent)
    # without the reference: two pairs of joined sources are two parts, though both touch it
    inside = core & (edges.high < size - 1)
    _, label = connected_components(adjacency(edges, inside, size), directed=False)
    edge = np.flatnonzero(core)
    names, of_edge = np.unique(label[edges.low[edge]], return_inverse=True)
    place = np.full(size, size, np.intp)
    place[tree.order] = np.arange(len(tree.order))
    first = np.full(len(names), size, np.intp)
    np.minimum.at(first, of_edge, place[edges.low[edge]])
    np.minimum.at(first, of_edge, place[edges.high[edge]])
    entry = tree.order[first]
    of_node = np.full(size, -1, np.intp)
    of_node[edges.low[edge]] = of_edge
    within = edges.high[edge] < size - 1
    of_node[edges.high[edge][within]] = of_edge[within]
    of_node[entry] = -1
    node = np.flatnonzero(of_node >= 0)
    return Parts(edge, of_edge.astype(np.intp), node, of_node[node], entry)
