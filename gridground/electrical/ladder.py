"""The phasor network: coupled branches between nodes, reduced to the few nodes that matter.

Earth is the reference. A branch is a set of conductors that run together from node to node and
couple with each other (one primitive impedance matrix per set); a single conductor is a set of
one. The network is assembled as a sparse nodal admittance matrix, everything but the ports is
eliminated by one sparse factorisation (Schur complement), and whatever is asked of the job is then
answered on the small port matrix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

EARTH = -1
# Rows times columns times depth up to which a product is not shared out among threads: on a machine
# with other work, waiting for the threads costs a hundred times the product.
_BY_ONE_THREAD = 2**16
_FEW_ROWS = 16


@dataclass(frozen=True)
class CoupledBranches:
    """Sets of `n` conductors that run together; `m` sets of the same size.

    Attributes
    ----------
    start, end : ndarray of int, shape (m, n)
        Nodes; ``EARTH`` (-1) is the reference.
    impedance_ohm : ndarray of complex, shape (m, n, n)
        Primitive series impedance of each set [ohm].
    """

    start: NDArray[np.intp]
    end: NDArray[np.intp]
    impedance_ohm: NDArray[np.complex128]

    @cached_property
    def admittance_s(self) -> NDArray[np.complex128]:
        """Inverse of the impedance of each set, shape (m, n, n) [S]."""
        return np.asarray(np.linalg.inv(self.impedance_ohm), complex)

    def between(self, start: NDArray[np.intp], end: NDArray[np.intp]) -> CoupledBranches:
        """Return the same sets between other nodes; they are inverted once for all of these."""
        moved = replace(self, start=start, end=end)
        vars(moved)["admittance_s"] = self.admittance_s
        return moved

    @classmethod
    def single(
        cls, start: Iterable[int], end: Iterable[int], impedance_ohm: Iterable[complex]
    ) -> CoupledBranches:
        """Return conductors that couple with nothing."""
        one = np.array(list(start), np.intp)
        other = np.array(list(end), np.intp)
        impedance = np.array(list(impedance_ohm), complex)
        return cls(one[:, None], other[:, None], impedance[:, None, None])


@dataclass(frozen=True)
class Reduction:
    """A network seen from its ports.

    Attributes
    ----------
    ports : ndarray of int, shape (p,)
        Nodes that were kept, in the order asked for.
    admittance_s : ndarray of complex, shape (p, p)
        Nodal admittance between the ports [S]; earth is the reference.
    component : ndarray of int, shape (p + 1,)
        Number of the conductively connected part each port lies in; the last entry is earth.
    """

    ports: NDArray[np.intp]
    admittance_s: NDArray[np.complex128]
    component: NDArray[np.intp]
    _nodes: NDArray[np.intp]
    # Voltage of every node per volt at each port, and the largest violation of the current law
    # at any node that is no port.
    _carried: NDArray[np.complex128]
    _left_s: NDArray[np.float64]

    def row_of(self) -> dict[int, int]:
        """Return the row of each port's node; earth is the last row of padded matrices."""
        rows = {int(node): row for row, node in enumerate(self.ports)}
        rows[EARTH] = len(self.ports)
        return rows

    def node_voltages(self, port_v: NDArray[Any]) -> dict[int, complex]:
        """Return the voltage of every node from those of the ports [V]."""
        voltage = self._carried @ port_v
        return {int(node): complex(v) for node, v in zip(self._nodes, voltage, strict=True)}

    def largest_mismatch_a(self, port_v: NDArray[Any], injected_a: NDArray[Any]) -> float:
        """Return the largest violation of the current law over all nodes of the network [A].

        Parameters
        ----------
        port_v, injected_a : ndarray of complex, shape (p,)
            Port voltages [V] and the currents that enter the network at the ports [A].
        """
        leaving, inside = self.currents_a(port_v)
        return max(float(inside), float(np.abs(leaving - injected_a).max(initial=0.0)))

    def currents_a(self, port_v: NDArray[Any]) -> tuple[NDArray[np.complex128], NDArray[Any]]:
        """Return the currents that enter the network at its ports, and what is left inside [A].

        Parameters
        ----------
        port_v : ndarray of complex, shape (p,) or (p, k)
            Port voltages [V].

        Notes
        -----
        Left inside: never less than the largest violation of the current law at a node, and up to
        the number of ports more: the worst of each port added up, whatever the phase.
        """
        columns = port_v.reshape(len(self.ports), -1)
        step = max(_FEW_ROWS, _BY_ONE_THREAD // max(1, columns.size))
        parts = [
            self.admittance_s[first : first + step] @ columns
            for first in range(0, len(self.ports), step)
        ]
        entering = np.concatenate(parts) if parts else columns
        return entering.reshape(port_v.shape), self._left_s @ np.abs(port_v)


def connected_parts(
    n_nodes: int, branches: Sequence[CoupledBranches], *, joined: Iterable[tuple[int, int]] = ()
) -> NDArray[np.intp]:
    """Return the conductively connected part of every node; the last entry is earth.

    Coupling through the air joins nothing.

    Parameters
    ----------
    n_nodes : int
        Nodes are numbered 0 to `n_nodes` - 1.
    branches : sequence of CoupledBranches
        Conductors.
    joined : iterable of (int, int)
        Further pairs of nodes that are connected.
    """
    pairs = np.array(list(joined), np.intp).reshape(-1, 2)
    one = np.concatenate([*(b.start.ravel() for b in branches), pairs[:, 0]]) % (n_nodes + 1)
    other = np.concatenate([*(b.end.ravel() for b in branches), pairs[:, 1]]) % (n_nodes + 1)
    shape = (n_nodes + 1, n_nodes + 1)
    graph = coo_matrix((np.ones(len(one), np.int8), (one, other)), shape=shape)
    _, label = connected_components(graph, directed=False)
    return np.asarray(label, np.intp)


def _entries(
    branches: Sequence[CoupledBranches],
) -> tuple[NDArray[np.complex128], NDArray[np.intp], NDArray[np.intp]]:
    """Return value, row and column of everything that branches add to the nodal matrix [S].

    Earth is left out. For each set with incidence A (start +1, end -1): Y += A Z⁻¹ Aᵀ.
    """
    found = [(np.zeros(0, complex), np.zeros(0, np.intp), np.zeros(0, np.intp))]
    for branch in branches:
        own = branch.admittance_s
        for one, sign_one in ((branch.start, 1.0), (branch.end, -1.0)):
            for other, sign_other in ((branch.start, 1.0), (branch.end, -1.0)):
                row, col = np.broadcast_arrays(one[:, :, None], other[:, None, :])
                signed = own if sign_one == sign_other else -own
                found.append((signed.ravel(), row.ravel(), col.ravel()))
    value, row, col = (np.concatenate(column) for column in zip(*found, strict=True))
    kept = np.flatnonzero((row != EARTH) & (col != EARTH))
    return value[kept], row[kept], col[kept]


def reduce_to_ports(
    n_nodes: int,
    branches: Sequence[CoupledBranches],
    ports: Sequence[int],
    *,
    parts: NDArray[np.intp] | None = None,
) -> Reduction:
    """Eliminate every node but the ports.

    Parameters
    ----------
    n_nodes : int
        Nodes are numbered 0 to `n_nodes` - 1; numbers that no branch uses cost nothing.
    branches : sequence of CoupledBranches
        The network, sources left out.
    ports : sequence of int
        Nodes to keep, each once, without earth.
    parts : ndarray of int, shape (n_nodes + 1,), optional
        The connected part of every node, earth last, where it is known already.

    Raises
    ------
    ValueError
        For a port named twice or outside the network, or an impedance that is not finite.

    Notes
    -----
    Y_red = Y_pp - Y_pi Y_ii⁻¹ Y_ip: the currents of the whole network at its ports, with one port
    at one volt and everything inside at the voltages V_i = -Y_ii⁻¹ Y_ip V_p. A conductor that
    reaches neither a port nor earth (an isolated section) carries no net current; one of its nodes
    is held at earth potential, which changes no current anywhere and keeps Y_ii regular: every
    other interior node is tied to a port or to earth through impedances with a positive resistance.
    """
    port = np.array(ports, np.intp)
    if len(np.unique(port)) != len(port) or (len(port) and not 0 <= port.min() <= port.max()):
        raise ValueError("a port is named twice or is earth")
    if not all(np.isfinite(b.impedance_ohm).all() for b in branches):
        raise ValueError("an impedance is not finite")
    ends = np.concatenate([port, *(a.ravel() for b in branches for a in (b.start, b.end))])
    if ends.max(initial=EARTH) >= n_nodes:
        raise ValueError(f"node {ends.max()} is outside the network of {n_nodes}")
    used = np.zeros(n_nodes + 1, bool)  # earth is the last
    used[ends] = True
    nodes = np.flatnonzero(used[:-1])
    number = np.full(n_nodes + 1, EARTH, np.intp)
    number[nodes] = np.arange(len(nodes))
    local = [b.between(number[b.start], number[b.end]) for b in branches]
    part = connected_parts(len(nodes), local) if parts is None else parts[np.append(nodes, EARTH)]
    at = number[port]
    interior = _interior(part, at)
    others = np.ones(len(nodes), bool)
    others[interior], others[at] = False, False
    held = np.flatnonzero(others)
    order = np.concatenate([interior, at, held])
    place = np.empty(len(nodes), np.intp)
    place[order] = np.arange(len(nodes))
    value, row, col = _entries(local)
    solved = _eliminate((value, place[row], place[col]), len(interior), (len(at), len(held)))
    component = np.append(part[at], part[-1])
    return Reduction(port, solved[1], component, nodes[order], solved[0], solved[2])


def _interior(part: NDArray[np.intp], at: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the nodes to eliminate: no ports, and one held node per isolated section fewer."""
    keep = np.ones(len(part) - 1, bool)
    keep[at] = False
    fixed = np.zeros(part.max() + 1, bool)
    fixed[part[at]] = True
    fixed[part[-1]] = True
    label, first = np.unique(part[:-1], return_index=True)
    keep[first[~fixed[label]]] = False
    return np.flatnonzero(keep)


def _eliminate(
    entries: tuple[NDArray[np.complex128], NDArray[np.intp], NDArray[np.intp]],
    n: int,
    others: tuple[int, int],
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.float64]]:
    """Eliminate the first `n` nodes; the ports follow them, and the held ones these.

    Returns the voltage of every node, what enters at the ports, and the largest violation of the
    current law at any other node, per volt at each port.
    """
    from scipy.sparse.linalg import splu  # noqa: PLC0415  off the start-up path

    p, n_held = others
    value, row, col = entries
    volt = np.zeros((n + p + n_held, p), complex)
    volt[n : n + p] = np.eye(p)
    inside = (row < n) & (col < n)
    kept = np.flatnonzero(inside)
    block = coo_matrix((value[kept], (row[kept], col[kept])), shape=(n, n)).tocsc()
    kept = np.flatnonzero(~inside)
    value, row, col = value[kept], row[kept], col[kept]
    kept = np.flatnonzero((row < n) & (col < n + p))
    # ports that meet no node inside (rods, bars) drive nothing there
    fed, number = np.unique(col[kept], return_inverse=True)
    left = np.zeros((n, len(fed)), complex)
    np.add.at(left, (row[kept], number), value[kept])
    if n:
        # structurally symmetric: pivots on the diagonal, unless one is far smaller than its column;
        # a few columns at a time, for there are few entries in each
        factor = splu(
            block,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.01,
            panel_size=4,
            options={"SymmetricMode": True},
        )
        inner = -factor.solve(left)
        volt[:n, fed - n] = inner
        left += block @ inner
    kept = np.flatnonzero(row >= n)
    entering = np.zeros((p + n_held, p), complex)
    np.add.at(entering, row[kept] - n, value[kept, None] * volt[col[kept]])
    wrong = np.abs(entering[p:]).max(axis=0, initial=0.0)
    wrong[fed - n] = np.maximum(wrong[fed - n], np.abs(left).max(axis=0, initial=0.0))
    return volt, entering[:p], wrong


class Ports(Protocol):
    """Anything seen from a few nodes; earth is the last entry of `component`."""

    @property
    def admittance_s(self) -> NDArray[np.complex128]:
        """Nodal admittance, shape (..., p, p) [S]."""

    @property
    def component(self) -> NDArray[np.intp]:
        """Conductively connected part of each node, shape (p + 1,)."""


def port_impedance_ohm(
    ports: Ports, source_s: NDArray[Any], joined: Iterable[tuple[int, int]]
) -> tuple[NDArray[np.complex128], NDArray[np.intp]]:
    """Return the impedance matrix of the ports with a source connected.

    Parameters
    ----------
    ports : Ports
        The network.
    source_s : ndarray of complex, shape (p, p)
        Admittance the source adds between ports and to earth [S].
    joined : iterable of (int, int)
        Pairs of port rows the source connects; the row `p` is earth.

    Returns
    -------
    impedance : ndarray of complex, shape (..., p + 1, p + 1)
        [ohm]; last row and column are earth (zeros).
    part : ndarray of int, shape (p + 1,)
        Connected part of each port with the source in place. Between two parts of which one is
        not that of earth a voltage is not determined.
    """
    p = len(ports.component) - 1
    part = merged_parts(ports.component, joined)
    impedance = np.zeros((*ports.admittance_s.shape[:-2], p + 1, p + 1), complex)
    impedance[..., :p, :p] = inverse_held(ports.admittance_s + source_s, held_rows(part))
    return impedance, part


def held_rows(part: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say which rows are the reference of their part: one in each that does not meet earth.

    Parameters
    ----------
    part : ndarray of int, shape (..., n + 1)
        Connected part of each row, earth last.

    Returns
    -------
    ndarray of bool, shape (..., n)
    """
    loose = part[..., :-1] != part[..., -1:]
    if loose.any():
        same = part[..., :-1, None] == part[..., None, :-1]
        loose &= same.argmax(axis=-1) == np.arange(part.shape[-1] - 1)  # the first of its part
    return np.asarray(loose, bool)


def merged_parts(
    component: NDArray[np.intp], joined: Iterable[tuple[int, int]]
) -> NDArray[np.intp]:
    """Return the connected parts of rows when some pairs of rows are joined besides."""
    part = component.copy()
    for one, other in joined:  # a few on a small network: a sparse graph costs ten times as much
        if part[one] != part[other]:
            part[part == part[one]] = part[other]
    return part


def inverse_held(matrix: NDArray[Any], held: NDArray[np.bool_]) -> NDArray[np.complex128]:
    """Return the inverse with some nodes held at zero.

    Parameters
    ----------
    matrix : ndarray of complex, shape (..., n, n)
        Admittances [S].
    held : ndarray of bool, shape (..., n)
        Which nodes; it is broadcast.
    """
    either = held[..., :, None] | held[..., None, :]
    if not either.any():
        return np.asarray(np.linalg.inv(matrix), complex)
    own = held[..., :, None] & np.eye(held.shape[-1], dtype=bool)
    inverse = np.linalg.inv(np.where(own, 1.0, np.where(either, 0.0, matrix)))
    return np.asarray(np.where(own, 0.0, inverse), complex)
