"""Loops solved exactly: chains between junctions made one branch each, then junctions as a matrix.

Most nodes of a loop have two neighbours on it. Such nodes form chains between junctions; a chain
is one branch, its impedance the sum. What remains is the mesh of the junctions (`elimination`),
seen from the node where the part hangs; every node inside a chain follows from its two ends:

    Z_i = Z_aa + M + M U + (M U)ᵀ + M W M,   U = Y (Z_ba - Z_aa),
    W = Y (Z_aa - Z_ab - Z_ba + Z_bb) Y - Y,

M being the impedance from the end a to the node, Y the admittance of the whole chain, and Z_aa,
Z_ab, Z_bb what the ends see with the chain in place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gridground.electrical.elimination import Mesh, inverse_blocks
from gridground.electrical.loops import PHASE_BITS, masked_inverse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.electrical.elimination import Mesh, inverse_blocks
from gridground.electrical.loops import Edges, Parts

_UPPER = np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])  # (3, 3) from the six different entries


@dataclass(frozen=True)
class _Chains:
    """Chains between junctions, and the nodes inside them."""

    start: NDArray[np.intp]  # junction at either end
    end: NDArray[np.intp]
    ohm: NDArray[np.complex128]  # (n, 3, 3), of the whole chain
    admittance: NDArray[np.complex128]
    volt: NDArray[np.complex128]  # (n, 3), in series, only in chains to the reference
    mask: NDArray[np.uint8]
    junction: NDArray[np.intp]  # all nodes that are no inner node of a chain
    inner: NDArray[np.intp]  # nodes inside chains
    chain: NDArray[np.intp]  # the chain of each
    from_start: NDArray[np.complex128]  # (m, 3, 3), impedance from the chain's start to each


@dataclass(frozen=True)
class _Junctions:
    """The solved junctions: what each sees, and what the two ends of each chain share."""

    row: NDArray[np.intp]  # of each node; the last, of zeros, for entries
    own: NDArray[np.complex128]  # (n + 1, 3, 3)
    between: NDArray[np.complex128]  # (n_chains, 3, 3), row of the start, column of the end
    volt: NDArray[np.complex128]  # (n + 1, 3)


def solve_loops(
    edges: Edges, parts: Parts, phases: NDArray[np.uint8], needed: NDArray[np.bool_]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return impedance and voltage of the nodes on loops, seen from where their part hangs.

    Parameters
    ----------
    edges : Edges
        Of the whole network.
    parts : Parts
        Those on loops.
    phases : ndarray of uint8, shape (n_nodes + 1,)
        Phases connected to a source. Others are loops of wire tied to nothing: they carry what is
        induced in them.
    needed : ndarray of bool, shape (n_nodes + 1,)
        Nodes asked for.

    Returns
    -------
    ohm : ndarray of complex, shape (n, 3, 3)
        For `parts.node`; NaN inside chains where not asked for, and in a part with an unknown
        span [ohm].
    volt : ndarray of complex, shape (n, 3)
        Without the voltage of the entry [V].
    """
    ohm = np.full((len(parts.node), 3, 3), np.nan, complex)
    volt = np.full((len(parts.node), 3), np.nan, complex)
    mask = edges.mask[parts.edge]
    on = (mask[:, None] & PHASE_BITS) > 0
    gap = np.isnan(edges.ohm[parts.edge]) & on[:, :, None] & on[:, None, :]
    unknown = np.zeros(len(parts.entry), bool)  # one unknown span: every current of the part
    unknown[parts.of_edge[gap.any(axis=(1, 2))]] = True
    keep = ~unknown[parts.of_edge]
    if not keep.any():
        return ohm, volt
    size = len(phases)
    chains = _find_chains(edges, parts.edge[keep], parts.entry, size)
    part = np.full(size, -1, np.intp)
    part[parts.node] = parts.of_node
    place = np.full(size, -1, np.intp)
    place[parts.node] = np.arange(len(parts.node))
    wanted = needed[chains.inner]
    solved = _solve_junctions(chains, part, phases)
    own = chains.junction[part[chains.junction] >= 0]
    ohm[place[own]] = solved.own[solved.row[own]]
    volt[place[own]] = solved.volt[solved.row[own]]
    inside, seen_v = _inside(chains, solved, wanted)
    ohm[place[chains.inner[wanted]]] = inside
    volt[place[chains.inner]] = seen_v
    return ohm, volt


def _find_chains(
    edges: Edges, edge: NDArray[np.intp], entry: NDArray[np.intp], size: int
) -> _Chains:
    """Follow the edges on loops from junction to junction, all at once.

    Each edge is walked both ways; a way knows the next one as long as it enters a node with
    exactly one other edge of the same phases. Sums by doubling the reach of each step.
    """
    n, low, high = len(edge), edges.low[edge], edges.high[edge]
    tail, head, own = (np.concatenate(p) for p in ((low, high), (high, low), (edge, edge)))
    back = np.concatenate([np.arange(n, 2 * n), np.arange(n)])
    inner = _inner_nodes(edges, (tail, head, own), entry, size)
    out = np.flatnonzero(inner[tail])
    pair = out[np.argsort(tail[out], kind="stable")].reshape(-1, 2)
    both = np.zeros(size, np.intp)
    both[tail[pair[:, 0]]] = pair.sum(axis=1)
    reach = np.where(inner[head], both[head] - back, -1)
    total = edges.ohm.reshape(-1, 9)[own][:, [0, 1, 2, 4, 5, 8]]
    last, active = np.arange(2 * n), np.flatnonzero(reach >= 0)
    while len(active):
        via = reach[active]
        total[active] += total[via]
        last[active] = last[via]
        reach[active] = reach[via]
        active = active[reach[active] >= 0]
    first = ~inner[tail] & ((own < own[last]) | ((own == own[last]) & (np.arange(2 * n) < n)))
    starts = np.flatnonzero(first)
    number = np.full(2 * n, -1, np.intp)
    number[starts] = np.arange(len(starts))
    to_start = np.where(first[back[last[pair[:, 0]]]], pair[:, 0], pair[:, 1])
    chain = number[back[last[to_start]]]
    mask = edges.mask[own[starts]]
    ohm = _only(total[starts][:, _UPPER], mask)
    return _Chains(
        start=tail[starts],
        end=head[last[starts]],
        ohm=ohm,
        admittance=masked_inverse(ohm, mask),
        volt=edges.volt[own[starts]],
        mask=mask,
        junction=np.unique(tail[~inner[tail]]),
        inner=tail[to_start],
        chain=chain,
        from_start=_only(total[to_start][:, _UPPER], mask[chain]),
    )


def _only(ohm: NDArray[np.complex128], mask: NDArray[np.uint8]) -> NDArray[np.complex128]:
    """Set the rows and columns of absent phases to zero."""
    on = (mask[:, None] & PHASE_BITS) > 0
    return np.where(on[:, :, None] & on[:, None, :], ohm, 0.0)


def _inner_nodes(
    edges: Edges,
    ways: tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]],
    entry: NDArray[np.intp],
    size: int,
) -> NDArray[np.bool_]:
    """Mark the nodes inside chains: two edges of the same phases, no source, no entry."""
    tail, head, own = ways
    some, every = np.zeros(size, np.uint8), np.full(size, 7, np.uint8)
    np.bitwise_or.at(some, tail, edges.mask[own])
    np.bitwise_and.at(every, tail, edges.mask[own])
    inner = (np.bincount(tail, minlength=size) == 2) & (some == every)
    inner[entry] = False
    inner[size - 1] = False
    inner[tail[head == size - 1]] = False
    return np.asarray(inner)


def _solve_junctions(
    chains: _Chains, part: NDArray[np.intp], phases: NDArray[np.uint8]
) -> _Junctions:
    """Solve the junctions, the entries being the reference."""
    here = _unknowns(chains, part, phases)
    inside = chains.junction[part[chains.junction] >= 0]
    row = np.full(len(phases), len(inside), np.intp)  # entries: a last row of zeros
    row[inside] = np.arange(len(inside))
    ends = row[np.stack([chains.start, chains.end])]
    both = np.flatnonzero((ends < len(inside)).all(axis=0) & (ends[0] != ends[1]))
    mesh, edge = _mesh(chains, here, (inside, ends, both))
    own, joint, volt = (_with_zeros(a) for a in inverse_blocks(mesh))
    absent = ~np.concatenate([here[inside], np.zeros((1, 3), bool)])
    own[absent[:, :, None] | absent[:, None, :]] = 0.0
    between = np.zeros((len(chains.start), 3, 3), complex)
    between[both] = joint[edge]
    turned = both[ends[0][both] > ends[1][both]]
    between[turned] = between[turned].swapaxes(-1, -2)
    ring = ends[0] == ends[1]
    between[ring] = own[ends[0][ring]]
    return _Junctions(row, own, between, volt)


def _with_zeros(blocks: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return an array with one more row, of zeros."""
    return np.concatenate([blocks, np.zeros_like(blocks, shape=(1, *blocks.shape[1:]))])


def _mesh(
    chains: _Chains,
    here: NDArray[np.bool_],
    places: tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]],
) -> tuple[Mesh, NDArray[np.intp]]:
    """Return the junctions as a mesh, and the edge of each chain between two of them."""
    inside, ends, both = places
    n = len(inside)
    own, drive = np.zeros((n + 1, 3, 3), complex), np.zeros((n + 1, 3), complex)
    branch = np.flatnonzero(ends[0] != ends[1])  # a ring on one junction adds nothing
    for end in ends:
        np.add.at(own, end[branch], chains.admittance[branch])
    driven = (chains.admittance[branch] @ chains.volt[branch][..., None])[..., 0]
    np.add.at(drive, ends[0][branch], driven)
    on = here[inside]
    own, drive = own[:n], np.where(on, drive[:n], 0.0)
    own[~(on[:, :, None] & on[:, None, :])] = 0.0
    scale = np.maximum(np.abs(own).max(axis=(1, 2), initial=0.0), 1.0)
    each = np.arange(3)
    own[:, each, each] += np.where(on, 0.0, scale[:, None])
    low, high = ends[:, both].min(axis=0), ends[:, both].max(axis=0)
    key, edge = np.unique(low * n + high, return_inverse=True)
    joint = np.zeros((len(key), 3, 3), complex)
    np.subtract.at(joint, edge, chains.admittance[both])
    low, high = key // max(n, 1), key % max(n, 1)
    joint[~(on[low][:, :, None] & on[high][:, None, :])] = 0.0
    return Mesh(own, low, high, joint, drive), edge


def _unknowns(
    chains: _Chains, part: NDArray[np.intp], phases: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """Mark the unknown voltages, (n_nodes, 3): not those at entries and of absent phases.

    A phase tied to no source is a piece of wire of its own; one node of each such piece is its
    reference, so that the matrix has an inverse. No current flows there.
    """
    met = np.zeros(len(phases), np.uint8)
    np.bitwise_or.at(met, chains.start, chains.mask)
    np.bitwise_or.at(met, chains.end, chains.mask)
    here = ((met[:, None] & PHASE_BITS) > 0) & (part >= 0)[:, None]
    loose = met & ~phases
    for label, bit in enumerate(PHASE_BITS):
        if not (loose & bit).any():
            continue
        wire = (chains.mask & bit > 0) & (loose[chains.start] & bit > 0)
        pairs = (chains.start[wire], chains.end[wire])
        graph = coo_matrix((np.ones(int(wire.sum()), np.int8), pairs), shape=(len(met), len(met)))
        _, piece = connected_components(graph, directed=False)
        nodes = np.unique(np.concatenate(pairs))
        nodes = nodes[np.argsort(part[nodes], kind="stable")]  # an entry, -1, leads its piece
        _, first = np.unique(piece[nodes], return_index=True)
        here[nodes[first], label] = False
    return here


def _inside(
    chains: _Chains, solved: _Junctions, wanted: NDArray[np.bool_]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return impedances of the wanted nodes inside chains, and voltages of all."""
    at, far = solved.row[chains.start], solved.row[chains.end]
    y, own = chains.admittance, solved.own[at]
    cross = y @ (solved.between.swapaxes(-1, -2) - own)
    across = own - solved.between - solved.between.swapaxes(-1, -2) + solved.own[far]
    square = y @ across @ y - y
    drop = (y @ (solved.volt[far] - solved.volt[at])[..., None])[..., 0]
    part_v = chains.from_start @ drop[chains.chain][..., None]
    volt = solved.volt[at][chains.chain] + part_v[..., 0]
    chain, ohm = chains.chain[wanted], chains.from_start[wanted]
    once = ohm @ cross[chain]
    seen = own[chain] + ohm + once + once.swapaxes(-1, -2) + ohm @ square[chain] @ ohm
    return seen, volt
