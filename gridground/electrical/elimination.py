"""The part of an inverse that is wanted: own blocks, and blocks between nodes that are joined.

A network of 3 x 3 admittances is eliminated in rounds. Each round takes out nodes with few
neighbours, no two of them side by side, all at once; their neighbours are joined to each other
(star to mesh). On the way back every node's blocks of the inverse follow from those of its
neighbours (K. Takahashi, J. Fagan and M. Chen 1973, formation of a sparse bus impedance matrix;
from memory). What cannot be taken out that way is inverted as one dense matrix.

    W_k = Y_ii⁻¹ Y_ik;  Y_kl ← Y_kl - Y_ki W_l;  J_k ← J_k - W_kᵀ J_i
    Z_ik = -Σ_m W_m Z_mk;  Z_ii = Y_ii⁻¹ - Σ_k Z_ik W_kᵀ;  V_i = Y_ii⁻¹ J_i - Σ_k W_k V_k
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FEW_NODES = 24  # inverted as they are
_MOST_NEIGHBOURS = 12
_USUAL_NEIGHBOURS = 4


@dataclass
class Mesh:
    """Nodes joined by admittances; matrices are symmetric, each pair of nodes at most once.

    Attributes
    ----------
    own : ndarray of complex, shape (n, 3, 3)
        Diagonal blocks, each with an inverse [S].
    low, high : ndarray of int, shape (m,)
        Joined nodes, low < high, sorted.
    joint : ndarray of complex, shape (m, 3, 3)
        The block of row `low` and column `high` [S].
    drive : ndarray of complex, shape (n, 3)
        Currents put in [A].
    """

    own: NDArray[np.complex128]
    low: NDArray[np.intp]
    high: NDArray[np.intp]
    joint: NDArray[np.complex128]
    drive: NDArray[np.complex128]


@dataclass(frozen=True)
class _Round:
    """The nodes taken out in one round; k counts neighbours, padded."""

    node: NDArray[np.intp]
    inverse: NDArray[np.complex128]  # (c, 3, 3)
    beside: NDArray[np.intp]  # (c, k), 0 where there is none
    weight: NDArray[np.complex128]  # (c, k, 3, 3), zero where there is none
    edge: NDArray[np.intp]  # (c, k) edge to each neighbour before the round, -1
    turned: NDArray[np.bool_]  # (c, k) whether the neighbour is the lower end
    after: NDArray[np.intp]  # (c, k, k) edge between two neighbours after the round, -1
    kept: NDArray[np.intp]  # edges that stay
    kept_as: NDArray[np.intp]  # and their numbers after the round
    n_edges: int  # before the round


def inverse_blocks(
    mesh: Mesh,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the wanted blocks of the inverse, and the voltages.

    Parameters
    ----------
    mesh : Mesh
        Is used up.

    Returns
    -------
    own : ndarray of complex, shape (n, 3, 3)
        [ohm].
    joint : ndarray of complex, shape (m, 3, 3)
        Blocks of row `low` and column `high` of the mesh as given [ohm].
    volt : ndarray of complex, shape (n, 3)
        [V].
    """
    alive = np.ones(len(mesh.own), bool)
    rounds: list[_Round] = []
    while alive.sum() > _FEW_NODES:
        chosen = _far_apart(mesh, alive)
        if len(chosen) == 0:
            break
        rounds.append(_take_out(mesh, chosen))
        alive[chosen] = False
    own, joint, volt = _invert_rest(mesh, np.flatnonzero(alive))
    for done in reversed(rounds):
        joint = _put_back(done, own, joint, volt, mesh.drive)
    return own, joint, volt


def _far_apart(mesh: Mesh, alive: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Choose nodes with few neighbours, no two of them joined; fewest neighbours first."""
    n = len(alive)
    degree = np.bincount(mesh.low, minlength=n) + np.bincount(mesh.high, minlength=n)
    limit = max(_USUAL_NEIGHBOURS, int(degree[alive].min()))
    if limit > _MOST_NEIGHBOURS:
        return np.zeros(0, np.intp)
    order = np.random.default_rng(0).permutation(n)
    turn = np.where(alive & (degree <= limit), degree * n + order, np.iinfo(np.int64).max)
    first = np.full(n, np.iinfo(np.int64).max)
    np.minimum.at(first, mesh.low, turn[mesh.high])
    np.minimum.at(first, mesh.high, turn[mesh.low])
    return np.flatnonzero((turn < first) & alive & (degree <= limit))


def _take_out(mesh: Mesh, chosen: NDArray[np.intp]) -> _Round:
    """Take nodes out of a mesh, which is changed, and keep what is needed to put them back."""
    n, m = len(mesh.own), len(mesh.low)
    number = np.full(n, -1, np.intp)
    number[chosen] = np.arange(len(chosen))
    end = np.concatenate([mesh.low, mesh.high])
    way = np.flatnonzero(number[end] >= 0)  # ends of edges at chosen nodes
    way = way[np.argsort(number[end[way]], kind="stable")]
    row = number[end[way]]
    slot = np.arange(len(way)) - np.searchsorted(row, row)
    width = int(slot.max(initial=-1)) + 1
    edge = np.full((len(chosen), width), -1, np.intp)
    edge[row, slot] = way % m if m else way
    turned = np.zeros(edge.shape, bool)
    turned[row, slot] = way >= m
    beside = np.zeros(edge.shape, np.intp)
    beside[row, slot] = np.concatenate([mesh.high, mesh.low])[way]
    block = np.zeros((*edge.shape, 3, 3), complex)
    block[row, slot] = _oriented(mesh.joint, edge[row, slot], turned[row, slot])
    inverse = np.asarray(np.linalg.inv(mesh.own[chosen]), complex)
    weight = np.asarray(inverse[:, None] @ block)
    moved = weight.swapaxes(-1, -2) @ mesh.drive[chosen][:, None, :, None]
    np.subtract.at(mesh.drive, beside, moved[..., 0])
    np.subtract.at(mesh.own, beside, block.swapaxes(-1, -2) @ weight)
    after, kept, kept_as = _join(mesh, (edge, beside), block, weight)
    return _Round(chosen, inverse, beside, weight, edge, turned, after, kept, kept_as, m)


def _join(
    mesh: Mesh,
    places: tuple[NDArray[np.intp], NDArray[np.intp]],
    block: NDArray[np.complex128],
    weight: NDArray[np.complex128],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Join the neighbours of the nodes taken out; return the edges between them and those kept."""
    edge, beside = places
    n, width = len(mesh.own), edge.shape[1]
    stays = np.ones(len(mesh.low), bool)
    stays[edge[edge >= 0]] = False
    kept = np.flatnonzero(stays)
    one, other = np.triu_indices(width, 1)
    row, pair = np.nonzero((edge[:, one] >= 0) & (edge[:, other] >= 0))
    k, at = one[pair], other[pair]
    added = -block[row, k].swapaxes(-1, -2) @ weight[row, at]
    near, far = beside[row, k], beside[row, at]
    swap = near > far
    added[swap] = added[swap].swapaxes(-1, -2)
    low = np.concatenate([mesh.low[kept], np.minimum(near, far)])
    high = np.concatenate([mesh.high[kept], np.maximum(near, far)])
    key, place = np.unique(low * n + high, return_inverse=True)
    joint = np.zeros((len(key), 3, 3), complex)
    joint[place[: len(kept)]] = mesh.joint[kept]  # each of these pairs is there once
    np.add.at(joint, place[len(kept) :], added)
    after = np.full((len(edge), width, width), -1, np.intp)
    after[row, k, at] = after[row, at, k] = place[len(kept) :]
    mesh.low, mesh.high, mesh.joint = key // n, key % n, joint
    return after, kept, place[: len(kept)]


def _oriented(
    joint: NDArray[np.complex128], edge: NDArray[np.intp], turned: NDArray[np.bool_]
) -> NDArray[np.complex128]:
    """Return blocks of edges, transposed where the row is the higher end."""
    found = joint[edge]
    found[turned] = found[turned].swapaxes(-1, -2)
    return found


def _invert_rest(
    mesh: Mesh, rest: NDArray[np.intp]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Invert what was not taken out as one matrix."""
    n = len(rest)
    place = np.full(len(mesh.own), -1, np.intp)
    place[rest] = np.arange(n)
    low, high = place[mesh.low], place[mesh.high]
    whole = np.zeros((n, n, 3, 3), complex)
    whole[np.arange(n), np.arange(n)] = mesh.own[rest]
    whole[low, high] = mesh.joint
    whole[high, low] = mesh.joint.swapaxes(-1, -2)
    flat = np.linalg.inv(whole.swapaxes(1, 2).reshape(3 * n, 3 * n))
    whole = flat.reshape(n, 3, n, 3).swapaxes(1, 2)
    own, volt = np.zeros_like(mesh.own), np.zeros_like(mesh.drive)
    own[rest] = whole[np.arange(n), np.arange(n)]
    volt[rest] = (flat @ mesh.drive[rest].ravel()).reshape(n, 3)
    return own, np.asarray(whole[low, high]), volt


def _put_back(
    done: _Round,
    own: NDArray[np.complex128],
    joint: NDArray[np.complex128],
    volt: NDArray[np.complex128],
    drive: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """Fill the blocks of the nodes of a round, in place; return the blocks of its edges."""
    width = done.edge.shape[1]
    between = np.zeros((*done.after.shape, 3, 3), complex)  # of each pair of neighbours
    row, k, m = np.nonzero(done.after >= 0)
    turned = done.beside[row, k] > done.beside[row, m]
    between[row, k, m] = _oriented(joint, done.after[row, k, m], turned)
    each = np.arange(width)
    between[:, each, each] = own[done.beside]
    here = done.edge >= 0
    shared = -np.einsum("ckij,ckmjl->cmil", done.weight, between)
    own[done.node] = done.inverse - np.einsum("ckij,cklj->cil", shared, done.weight)
    volt[done.node] = np.einsum("cij,cj->ci", done.inverse, drive[done.node]) - np.einsum(
        "ckij,ckj->ci", done.weight, volt[done.beside]
    )
    before = np.zeros((done.n_edges, 3, 3), complex)
    before[done.kept] = joint[done.kept_as]
    shared[done.turned] = shared[done.turned].swapaxes(-1, -2)
    before[done.edge[here]] = shared[here]
    return before
