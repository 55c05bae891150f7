"""The answers of a model: every event on its ports, in every state of the leads at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ladder import EARTH, held_rows, inverse_held, merged_parts
from gridground.electrical.places import STATES
from gridground.electrical.ports import join_ports, see_from
from gridground.electrical.supply import Supply

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.drives import Drive
    from gridground.electrical.energizing import Model, Neutral, Setting
    from gridground.electrical.ladder import Reduction
    from gridground.electrical.ports import JoinedPorts, Seen
    from gridground.electrical.supply import Connected


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
    model: Model, asked: Asked, setting: Setting
) -> tuple[list[tuple[Neutral, Answer]], float]:
    """Solve every event of a model in every state of the neutral and of closed devices.

    Parameters
    ----------
    model : Model
        The network, reduced.
    asked : Asked
        What is wanted.
    setting : Setting
        Body and growth.

    Returns
    -------
    list of (str, Answer)
        State of the neutral and answer, one per state and event.
    float
        Largest violation of the current law over all nodes, relative to the current injected.

    Notes
    -----
    The body is in the circuit: V = V_oc R_b / (R_b + Z_th), exactly for a linear network. Z_th is
    seen between the two nodes with the source connected.
    """
    wanted = _Wanted.of(model, asked)
    supply = Supply.of(model, setting, wanted.standing_nodes)
    found: list[tuple[Neutral, Answer]] = []
    flows: list[_Flow] = []
    for (neutral, opened), joins in product(model.neutrals, model.joins):
        whole = [*(pair for row, pair in model.gaps.items() if row not in opened), *joins]
        place = _Places.of(model.reduction, whole, wanted)
        solved, flow = place.solve(supply, setting)
        found += [(neutral, answer) for answer in solved]
        flows.append(flow)
    return found, _residual(model.reduction, flows)


def _standing(drive: Drive) -> list[int]:
    """Return the nodes at which a drive changes the network."""
    return [*drive.terminals, *(node for pair in drive.touching for node in pair)]


@dataclass(frozen=True)
class _Wanted:
    """What every state of a model is asked, by numbers of ports; the last number is earth."""

    leads: NDArray[np.intp]  # (2, m), places one after the other
    lead_ohm: NDArray[np.complex128]  # (s, m)
    pairs: NDArray[np.intp]  # (2, n)
    nodes: NDArray[np.intp]  # (e,)
    standing: NDArray[np.intp]  # (t,), where sources stand
    standing_nodes: tuple[int, ...]  # their nodes

    @classmethod
    def of(cls, model: Model, asked: Asked) -> _Wanted:
        """Return what is asked of a model."""
        row_of = model.reduction.row_of()

        def numbers(nodes: Iterable[int]) -> NDArray[np.intp]:
            return np.array([row_of[int(node)] for node in nodes], np.intp)

        lands = [(p.leads.start.ravel(), p.leads.end.ravel()) for p in model.places]
        states = lead_states(model)
        standing = {EARTH, model.star} | {n for d in model.drives for n in _standing(d)}
        return cls(
            np.array([numbers(np.concatenate(side)) for side in zip(*lands, strict=True)]),
            np.array([np.concatenate([p.lead_ohm(s) for p in model.places]) for s in states]),
            np.array([numbers(side) for side in asked.pairs.T]),
            numbers(asked.nodes),
            numbers(standing),
            tuple(standing),
        )


@dataclass(frozen=True)
class _Flow:
    """What the current law is held against: one column per event and state of the leads."""

    ports: JoinedPorts
    port_v: NDArray[np.complex128]  # (q + 1, columns), earth last
    entering_a: NDArray[np.complex128]  # (q, columns), by the leads and the source
    injected_a: NDArray[np.float64]  # (columns,), the largest emf over impedance


class _Places:
    """One state of the network seen from where its sources stand, and what is asked, as rows."""

    def __init__(
        self, ports: JoinedPorts, leads: _Leads, leads_s: NDArray[np.complex128], seen: Seen
    ) -> None:
        self.ports, self.leads, self.leads_s, self.seen = ports, leads, leads_s, seen

    @classmethod
    def of(cls, reduction: Reduction, whole: Sequence[tuple[int, int]], wanted: _Wanted) -> _Places:
        """Put the network in a state: pairs of nodes that are one in it."""
        ports = join_ports(reduction, whole)
        q = len(ports.component) - 1
        one, other = ports.row[wanted.leads]
        leads = _Leads(one, other, wanted.lead_ohm)
        leads_s = leads.admittance_s(q)
        kept = np.unique(ports.row[wanted.standing]).tolist()  # earth is the last
        seen = see_from(ports, leads_s, zip(leads.one, leads.other, strict=True), kept[:-1])
        place = cls(ports, leads, leads_s, seen)
        place._ask(kept, wanted)
        return place

    def _ask(self, kept: list[int], wanted: _Wanted) -> None:
        """Work out everything that no event changes."""
        seen, row = self.seen, self.ports.row
        self.kept = kept
        self.few = np.searchsorted(kept, row[wanted.standing])
        self.one, self.other = row[wanted.pairs]
        z, a, b = seen.impedance_ohm, self.one, self.other
        self.own_ohm = z[:, a, a] + z[:, b, b] - z[:, a, b] - z[:, b, a]
        self.between = seen.carry[:, a] - seen.carry[:, b]
        self.drop = seen.carry[:, self.leads.one] - seen.carry[:, self.leads.other]
        self.at = seen.carry[:, row[wanted.nodes]]

    def solve(self, supply: Supply, setting: Setting) -> tuple[list[Answer], _Flow]:
        """Return the answers of all events, and what the current law is held against."""
        fed = supply.connected(self.few, self.seen.component)
        part = self._parts(fed.joined)
        held = held_rows(part[:, self.kept])
        z = inverse_held(self.seen.admittance_s + fed.added_s[:, None], held[:, None])
        voltage = (z @ fed.injected_a[:, None, :, None])[..., 0]  # (events, s, k)
        column = voltage[..., None]
        open_v = (self.between @ column)[..., 0]
        source_ohm = self.own_ohm + (self.between @ z * self.between).sum(axis=-1)
        body_v = np.abs(open_v * setting.body_ohm / (setting.body_ohm + source_ohm))
        lead_a = np.abs((self.drop @ column)[..., 0] / self.leads.impedance_ohm)
        node_v = np.abs((self.at @ column)[..., 0])
        leaving_a = fed.leaving_a(voltage)
        a, b = part[:, self.one], part[:, self.other]
        tied = (a == b) & (a == part[:, -1:])
        found = [
            Answer(phases, *figures)
            for phases, *figures in zip(
                supply.phases, body_v, tied, lead_a, node_v, leaving_a, strict=True
            )
        ]
        return found, self._flow(fed, voltage)

    def _parts(self, events: Sequence[Sequence[tuple[int, int]]]) -> NDArray[np.intp]:
        """Return the connected parts of all rows, shape (events, q + 1), with some joined."""
        own = self.seen.part
        if (own == own[-1]).all():
            return np.broadcast_to(own, (len(events), len(own)))
        at = self.kept
        return np.array([merged_parts(own, [(at[a], at[b]) for a, b in ends]) for ends in events])

    def _flow(self, fed: Connected, voltage: NDArray[np.complex128]) -> _Flow:
        """Return the voltages of the ports and what enters there, by the leads and the source."""
        port_v = (self.seen.carry @ voltage[..., None])[..., 0]  # (events, s, q + 1)
        entering = -(self.leads_s @ port_v[..., :-1, None])[..., 0]
        source_a = fed.injected_a[:, None] - (fed.added_s[:, None] @ voltage[..., None])[..., 0]
        entering[..., self.kept[:-1]] += source_a
        scale = np.abs(fed.injected_a).max(axis=1, initial=0.0)
        return _Flow(
            self.ports,
            port_v.reshape(-1, port_v.shape[-1]).T,
            entering.reshape(-1, entering.shape[-1]).T,
            np.repeat(scale, voltage.shape[1]),
        )


def _residual(reduction: Reduction, flows: Sequence[_Flow]) -> float:
    """Return the largest violation of the current law relative to the current injected."""
    port_v = np.concatenate([flow.ports.on_all(flow.port_v) for flow in flows], axis=1)
    at_ports, wrong = reduction.currents_a(port_v)
    first, largest = 0, 0.0
    for flow in flows:
        scale = flow.injected_a
        columns = slice(first, first + len(scale))
        first = columns.stop
        left = np.abs(flow.ports.gathered_a(at_ports[:, columns]) - flow.entering_a)
        worst = np.maximum(wrong[columns], left.max(axis=0, initial=0.0))
        own = np.max(worst[scale > 0] / scale[scale > 0], initial=0.0)
        largest = float(np.maximum(largest, own))  # what is no number stays none
    return largest
