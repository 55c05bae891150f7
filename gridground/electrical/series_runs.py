"""Runs in series taken as one: the same current flows in both, so their impedances add up.

Most poles carry no ground, no lead and no tap. What hangs on both sides of such a pole is one
longer run, exactly, and the network to eliminate is a fraction of the poles.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gridground.electrical.ladder import CoupledBranches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def in_series(
    n_nodes: int, branches: Sequence[CoupledBranches], ports: Sequence[int]
) -> list[CoupledBranches]:
    """Return a network with sets of conductors in series taken as one.

    Parameters
    ----------
    n_nodes : int
        Nodes are numbered 0 to `n_nodes` - 1; earth is ``EARTH``.
    branches : sequence of CoupledBranches
        The network.
    ports : sequence of int
        Nodes that have to stay.

    Returns
    -------
    list of CoupledBranches
        One for each given. Two sets are one where they meet conductor by conductor, in the same
        order, at nodes that are no ports and at which nothing else ends. Voltages and currents of
        all nodes that are left are those of the whole network.
    """
    ends = [part.ravel() for b in branches for part in (b.start, b.end)]
    touched = np.bincount(np.concatenate(ends) % (n_nodes + 1), minlength=n_nodes + 1)
    passed = touched == 2
    passed[-1] = False
    passed[np.array(ports, np.intp)] = False
    return [_merged(branch, passed) for branch in branches]


def _merged(branch: CoupledBranches, passed: NDArray[np.bool_]) -> CoupledBranches:
    """Take sets of one size together at nodes that nothing else meets."""
    m = len(branch.start)
    end = np.concatenate([branch.start, branch.end])  # row of an end: its set, or that plus m
    one, other = _meeting(end, passed)
    if not len(one):
        return branch
    graph = coo_matrix((np.ones(len(one), np.int8), (one % m, other % m)), shape=(m, m))
    count, chain = connected_components(graph, directed=False)
    free = np.ones(2 * m, bool)
    free[one], free[other] = False, False
    ring = ~np.isin(np.arange(count), chain[np.flatnonzero(free) % m])
    alone = np.flatnonzero(ring[chain])  # goes round and meets nothing: left as it is
    loose = np.flatnonzero(free)
    first, last = loose[np.argsort(chain[loose % m], kind="stable")].reshape(-1, 2).T
    impedance = np.zeros((count, *branch.impedance_ohm.shape[1:]), complex)
    np.add.at(impedance, chain, branch.impedance_ohm)
    return CoupledBranches(
        np.concatenate([end[first], branch.start[alone]]),
        np.concatenate([end[last], branch.end[alone]]),
        np.concatenate([impedance[~ring], branch.impedance_ohm[alone]]),
    )


def _meeting(
    end: NDArray[np.intp], passed: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the pairs of ends that meet at nodes to pass over, conductor by conductor."""
    if end.shape[1] == 0:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    row = np.flatnonzero(passed[end].all(axis=1))
    row = row[np.argsort(end[row, 0], kind="stable")]
    one, other = row[:-1], row[1:]
    m = len(end) // 2
    same = (end[one] == end[other]).all(axis=1) & (one % m != other % m)
    return one[same], other[same]
