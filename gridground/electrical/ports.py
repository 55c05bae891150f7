"""The ports of a reduced network: some joined, leads put on, seen from where sources stand.

Leads are far smaller than everything else and come in several states of wear and heat; a neutral
is whole or broken. Neither needs the network to be reduced again: a break that is closed joins two
ports, and leads are added between ports, one layer per state.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.ladder import held_rows, inverse_held, merged_parts

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.ladder import Reduction


@dataclass(frozen=True)
class JoinedPorts:
    """The ports of a reduction, some joined to one another without impedance.

    Attributes
    ----------
    reduction : Reduction
        What they were ports of.
    admittance_s : ndarray of complex, shape (q, q)
        Between what is left of them [S].
    component : ndarray of int, shape (q + 1,)
        Connected part of each, earth last.
    row : ndarray of int, shape (p + 1,)
        Row of each port of the reduction in here; `q` is earth.
    """

    reduction: Reduction
    admittance_s: NDArray[np.complex128]
    component: NDArray[np.intp]
    row: NDArray[np.intp]

    def on_all(self, port_v: NDArray[Any]) -> NDArray[Any]:
        """Return the voltages of all ports of the reduction, shape (p, k), from (q + 1, k) [V]."""
        return port_v[self.row[:-1]]

    def gathered_a(self, at_ports_a: NDArray[Any]) -> NDArray[np.complex128]:
        """Return what enters at the joined ports, shape (q, k), from that at each, (p, k) [A]."""
        found = np.zeros((len(self.component), at_ports_a.shape[1]), complex)
        np.add.at(found, self.row[:-1], at_ports_a)
        return found[:-1]


def join_ports(reduction: Reduction, pairs: Iterable[tuple[int, int]]) -> JoinedPorts:
    """Join pairs of port nodes (or a port and earth) without any impedance.

    Parameters
    ----------
    reduction : Reduction
        The network.
    pairs : iterable of (int, int)
        Nodes; ``EARTH`` may be one of them.

    Notes
    -----
    Exact: Y' = Tᵀ Y T with one column of T per group of joined ports, earth's group left out.
    """
    p = len(reduction.ports)
    rows = reduction.row_of()
    links = [(rows[one], rows[other]) for one, other in pairs]
    group = merged_parts(np.arange(p + 1), links)
    others = np.unique(group[group != group[-1]])
    row = np.searchsorted(others, group)
    row[group == group[-1]] = len(others)
    spread = np.zeros((p, len(others) + 1))
    spread[np.arange(p), row[:-1]] = 1.0
    spread = spread[:, :-1]
    part = merged_parts(reduction.component, links)
    component = np.zeros(len(others) + 1, np.intp)
    component[row] = part
    return JoinedPorts(reduction, spread.T @ reduction.admittance_s @ spread, component, row)


@dataclass(frozen=True)
class Seen:
    """Ports with leads on them, seen from the few at which sources stand, in several states.

    Attributes
    ----------
    admittance_s : ndarray of complex, shape (s, k, k)
        Between the few, one layer per state [S].
    component : ndarray of int, shape (k + 1,)
        Connected part of the few, earth last.
    part : ndarray of int, shape (q + 1,)
        Connected part of all.
    carry : ndarray of complex, shape (s, q + 1, k)
        Voltage of every port per volt at each of the few, no current entering elsewhere.
    impedance_ohm : ndarray of complex, shape (s, q + 1, q + 1)
        Between all ports while the few are held at earth potential [ohm].
    """

    admittance_s: NDArray[np.complex128]
    component: NDArray[np.intp]
    part: NDArray[np.intp]
    carry: NDArray[np.complex128]
    impedance_ohm: NDArray[np.complex128]


def see_from(
    ports: JoinedPorts,
    leads_s: NDArray[np.complex128],
    joined: Iterable[tuple[int, int]],
    kept: Sequence[int],
) -> Seen:
    """Put leads on the ports and eliminate all but a few rows.

    Parameters
    ----------
    ports : JoinedPorts
        The network without leads.
    leads_s : ndarray of complex, shape (s, q, q)
        What the leads add, one layer per state [S].
    joined : iterable of (int, int)
        Rows that leads connect; `q` is earth.
    kept : sequence of int
        Rows to keep.

    Notes
    -----
    With r the other rows: Y = Y_kk - Y_kr Y_rr⁻¹ Y_rk; V_r = -Y_rr⁻¹ Y_rk V_k. With the few
    tied by a source of impedance Z_k the impedance between any two ports is
    Z + C Z_k Cᵀ, of which the first term is `impedance_ohm` and C is `carry`. A part that meets
    neither earth nor any of the few has one node held at zero, which changes no current.
    """
    q, states = len(ports.component) - 1, len(leads_s)
    part = merged_parts(ports.component, joined)
    matrix = ports.admittance_s + leads_s
    few = np.array(kept, np.intp)
    others = np.ones(q, bool)
    others[few] = False
    rest = np.flatnonzero(others)
    reached = part.copy()
    reached[:-1][np.isin(part[:-1], part[few])] = part[-1]  # held by one of the few as by earth
    held = held_rows(np.append(reached[rest], part[-1]))
    inverse = inverse_held(matrix[:, rest[:, None], rest], held)
    lift = -inverse @ matrix[:, rest[:, None], few]
    carry = np.zeros((states, q + 1, len(few)), complex)
    carry[:, few, np.arange(len(few))] = 1.0
    carry[:, rest] = lift
    impedance = np.zeros((states, q + 1, q + 1), complex)
    impedance[:, rest[:, None], rest] = inverse
    reduced = matrix[:, few[:, None], few] + matrix[:, few[:, None], rest] @ lift
    return Seen(reduced, np.append(part[few], part[-1]), part, carry, impedance)
