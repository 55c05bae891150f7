"""The answers of a model: every event on its ports, in every state of the leads at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ladder import merged_parts, port_impedance_ohm
from gridground.electrical.places import STATES
from gridground.electrical.ports import join_ports, see_from

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from gridground.electrical.drives import Drive
    from gridground.electrical.energizing import Model, Setting
    from gridground.electrical.ports import JoinedPorts, Seen

# Conductors that touch are joined by 10 microohm, a hundredth of the shortest lead.
TOUCH_OHM = 1e-5


@dataclass(frozen=True)
class Answer:
    """One event in one state of the neutral; the first axis is the state of the leads.

    Attributes
    ----------
    phases : str
        Worked phases energized.
    body_v : ndarray, shape (s, n)
        Voltage across a body between each pair of nodes [V].
    tied : ndarray of bool, shape (n,)
        Whether that voltage is determined: both nodes are connected with each other and earth.
    lead_a : ndarray, shape (s, m)
        Current of each lead [A].
    node_v : ndarray, shape (s, e)
        Voltage of each of the further nodes asked for [V].
    source_a : ndarray, shape (s, 4)
        What leaves the source in phases A, B and C, and their sum [A]: what its devices see.
    """

    phases: str
    body_v: NDArray[np.float64]
    tied: NDArray[np.bool_]
    lead_a: NDArray[np.float64]
    node_v: NDArray[np.float64]
    source_a: NDArray[np.float64]


@dataclass(frozen=True)
class Asked:
    """What is asked of a model.

    Attributes
    ----------
    pairs : ndarray of int, shape (n, 2)
        Nodes a body can bridge.
    nodes : ndarray of int, shape (e,)
        Nodes whose voltage over remote earth is wanted.
    """

    pairs: NDArray[np.intp]
    nodes: NDArray[np.intp]


@dataclass(frozen=True)
class _Leads:
    """All leads of a model as rows of the joined ports."""

    one: NDArray[np.intp]
    other: NDArray[np.intp]
    impedance_ohm: NDArray[np.complex128]  # (s, m)

    def admittance_s(self, q: int) -> NDArray[np.complex128]:
        """Return what they add between the ports, shape (s, q, q) [S]."""
        states = len(self.impedance_ohm)
        found = np.zeros((states, q + 1, q + 1), complex)
        value = 1.0 / self.impedance_ohm
        layer = np.arange(states)[:, None]
        for row, sign_row in ((self.one, 1.0), (self.other, -1.0)):
            for col, sign_col in ((self.one, 1.0), (self.other, -1.0)):
                np.add.at(found, (layer, row, col), sign_row * sign_col * value)
        return found[:, :q, :q]


def lead_states(model: Model) -> tuple[str, ...]:
    """Return the states in which leads differ; only the hot one where no other is given."""
    branches = [b for p in model.places for b in p.place.branches]
    given = {
        "cold": any(b.cold_ohm is not None for b in branches),
        "in service": any(b.in_service_ohm is not None for b in branches),
        "hot": True,
    }
    return tuple(state for state in STATES if given[state])


def answers(
    model: Model,
    state: tuple[frozenset[int], Sequence[tuple[int, int]]],
    asked: Asked,
    setting: Setting,
) -> tuple[list[Answer], float]:
    """Solve every event of a model in one state of the neutral and of closed devices.

    Parameters
    ----------
    model : Model
        The network, reduced.
    state : (frozenset of int, sequence of (int, int))
        Span rows whose neutral is broken; pairs of nodes that closed devices join.
    asked : Asked
        What is wanted.
    setting : Setting
        Body and growth.

    Returns
    -------
    list of Answer
        One per event.
    float
        Largest violation of the current law over all nodes, relative to the current injected.

    Notes
    -----
    The body is in the circuit: V = V_oc R_b / (R_b + Z_th), exactly for a linear network. Z_th is
    seen between the two nodes with the source connected.
    """
    opened, joins = state
    whole = [*(pair for row, pair in model.gaps.items() if row not in opened), *joins]
    ports = join_ports(model.reduction, whole)
    rows = ports.row_of()
    q = len(ports.component) - 1
    leads = _leads(model, rows)
    leads_s = leads.admittance_s(q)
    standing = {model.star} | {n for d in model.drives for n in _standing(d)}
    kept = sorted({rows[n] for n in standing} - {q})
    seen = see_from(ports, leads_s, zip(leads.one, leads.other, strict=True), kept)
    place = _Places(rows, kept, seen, asked, leads)
    solved = [place.solve(model, drive, setting) for drive in model.drives]
    residual = _residual(ports, leads_s, place, [few for _, few in solved])
    return [answer for answer, _ in solved], residual


def _standing(drive: Drive) -> list[int]:
    """Return the nodes at which a drive changes the network."""
    return [*drive.terminals, *(node for pair in drive.touching for node in pair)]


def _leads(model: Model, rows: dict[int, int]) -> _Leads:
    """Return all leads of a model, places one after the other."""
    states = lead_states(model)
    one = [rows[int(n)] for p in model.places for n in p.leads.start.ravel()]
    other = [rows[int(n)] for p in model.places for n in p.leads.end.ravel()]
    impedance = [np.concatenate([p.lead_ohm(s) for p in model.places]) for s in states]
    return _Leads(np.array(one, np.intp), np.array(other, np.intp), np.array(impedance))


@dataclass(frozen=True)
class _Few:
    """Voltages of the rows at which sources stand, (s, k), what enters there, the largest emf/Z."""

    voltage_v: NDArray[np.complex128]
    entering_a: NDArray[np.complex128]
    injected_a: float


@dataclass(frozen=True)
class _Behind:
    """The source behind its impedance: its phases, admittance [S], emf [V], and where it stands."""

    labels: tuple[int, ...]
    admittance_s: NDArray[Any]
    emf_v: NDArray[np.complex128]
    incidence: NDArray[np.float64]  # (k, phases)

    def leaving_a(self, voltage_v: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Return what leaves in phases A, B, C and in their sum, shape (s, 4) [A]."""
        current = (self.emf_v - voltage_v @ self.incidence) @ self.admittance_s.T
        found = np.zeros((len(current), 4))
        found[:, list(self.labels)] = np.abs(current)
        found[:, 3] = np.abs(current.sum(axis=1))
        return found


class _Places:
    """What is asked, as rows, with everything that no event changes worked out once."""

    def __init__(
        self, rows: dict[int, int], kept: list[int], seen: Seen, asked: Asked, leads: _Leads
    ) -> None:
        self.rows, self.seen, self.leads, self.kept = rows, seen, leads, kept
        q = len(seen.part) - 1
        self.index = {row: number for number, row in enumerate(kept)} | {q: len(kept)}
        pairs = np.array([[rows[int(a)], rows[int(b)]] for a, b in asked.pairs], np.intp)
        self.one, self.other = pairs.reshape(-1, 2).T
        z, a, b = seen.impedance_ohm, self.one, self.other
        self.own_ohm = z[:, a, a] + z[:, b, b] - z[:, a, b] - z[:, b, a]
        self.between = seen.carry[:, a] - seen.carry[:, b]
        self.drop = seen.carry[:, leads.one] - seen.carry[:, leads.other]
        self.at = seen.carry[:, [rows[int(n)] for n in asked.nodes]]

    def solve(self, model: Model, drive: Drive, setting: Setting) -> tuple[Answer, _Few]:
        """Return the answer, and what the few carry."""
        added, injected, joined, behind = _connect(
            model, drive, (self.rows, self.index, self.seen), setting
        )
        k = len(self.kept)
        z, _ = port_impedance_ohm(self.seen, added, joined)
        z = z[:, :k, :k]
        voltage = z @ injected
        entering = injected - voltage @ added.T
        to_q = [*self.kept, len(self.seen.part) - 1]
        part = merged_parts(self.seen.part, [(to_q[a], to_q[b]) for a, b in joined])
        a, b = part[self.one], part[self.other]
        column = voltage[:, :, None]
        open_v = (self.between @ column)[:, :, 0]
        source_ohm = self.own_ohm + (self.between @ z * self.between).sum(axis=2)
        lead_v = (self.drop @ column)[:, :, 0]
        answer = Answer(
            phases=drive.phases,
            body_v=np.abs(open_v * setting.body_ohm / (setting.body_ohm + source_ohm)),
            tied=(a == b) & (a == part[-1]),
            lead_a=np.abs(lead_v / self.leads.impedance_ohm),
            node_v=np.abs((self.at @ column)[:, :, 0]),
            source_a=behind.leaving_a(voltage),
        )
        return answer, _Few(voltage, entering, float(np.abs(injected).max(initial=0.0)))


def _connect(
    model: Model,
    drive: Drive,
    ports: tuple[dict[int, int], dict[int, int], Seen],
    setting: Setting,
) -> tuple[NDArray[Any], NDArray[Any], list[tuple[int, int]], _Behind]:
    """Return what source and contacts add between the few [S], the current injected, the joins.

    And the source behind its impedance.
    """
    rows, index, seen = ports
    source, k = model.source, len(seen.component) - 1
    at = [index[rows[node]] for node in drive.terminals]
    touches = [(index[rows[a]], index[rows[b]]) for a, b in drive.touching]
    labels = list(drive.labels)
    joined = [*touches, *((at[0], row) for row in at)]
    star = k
    if source.grounded:
        impedance = source.abc_ohm()[np.ix_(labels, labels)]
        star = index[rows[model.star]]
        joined.append((at[0], star))
    else:
        impedance = source.z1_ohm * np.eye(len(labels), dtype=complex)
    admittance = np.linalg.inv(impedance / setting.growth_ratio)
    if not source.grounded:
        part = merged_parts(seen.component, touches)
        if int(part[-1]) in {int(part[row]) for row in at}:  # the neutral point floats
            total = admittance.sum(axis=1)
            admittance = admittance - np.outer(total, total) / total.sum()
        else:
            joined.append((at[0], k))
    incidence = np.zeros((k + 1, len(labels)))
    incidence[at, range(len(labels))] = 1.0
    incidence[star, :] -= 1.0
    contact = np.zeros((k + 1, len(touches)))
    for number, (one, other) in enumerate(touches):
        contact[one, number] += 1.0
        contact[other, number] -= 1.0
    added = incidence @ admittance @ incidence.T + contact @ contact.T / TOUCH_OHM
    emf = source.emf_v()[labels]
    injected = incidence @ admittance @ emf
    behind = _Behind(tuple(labels), admittance, emf, incidence[:k])
    return added[:k, :k], injected[:k], joined, behind


def _residual(
    ports: JoinedPorts,
    leads_s: NDArray[np.complex128],
    place: _Places,
    solved: list[_Few],
) -> float:
    """Return the largest violation of the current law relative to the current injected."""
    carry = place.seen.carry
    q = carry.shape[1] - 1
    port_v = carry @ np.stack([few.voltage_v for few in solved], axis=2)  # (s, q + 1, events)
    entering = -leads_s @ port_v[:, :q]
    entering[:, place.kept] += np.stack([few.entering_a for few in solved], axis=2)
    flat_v = port_v.transpose(1, 0, 2).reshape(q + 1, -1)
    flat_a = entering.transpose(1, 0, 2).reshape(q, -1)
    wrong = ports.largest_mismatch_a(flat_v, flat_a).reshape(len(carry), -1).max(axis=0)
    scale = np.array([few.injected_a for few in solved])
    return float(np.max(wrong[scale > 0] / scale[scale > 0], initial=0.0))
