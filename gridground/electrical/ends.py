"""Conductor nodes: where the ends of every span's conductors meet, hang free or are one wire."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gridground.electrical.ladder import EARTH
from gridground.errors import NetworkError
from gridground.territory.network import PHASE_BITS, phase_mask

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

LABELS = ("A", "B", "C", "neutral")
NEUTRAL = 3
BITS = np.array([*PHASE_BITS.values()], np.uint8)


@dataclass(frozen=True)
class Ends:
    """Conductor nodes at both ends of every span.

    Attributes
    ----------
    network : Network
        The graph they belong to.
    node : ndarray of int, shape (n_spans, 2, 4)
        Node at the from and the to end of A, B, C and neutral.
    n_nodes : int
        How many numbers are taken.
    alias : ndarray of int, shape (n_network_nodes,)
        Neutral node of each network node; ``EARTH`` where the neutral is a source's without
        resistance to earth.
    split : dict
        ``(network node, label) -> [(span ids of the side, node)]``.
    hanging : ndarray of uint8, shape (n_spans, 2)
        Phases that an open device cuts off at each end of each span.
    """

    network: Network
    node: NDArray[np.intp]
    n_nodes: int
    alias: NDArray[np.intp]
    split: dict[tuple[int, int], list[tuple[tuple[str, ...], int]]]
    hanging: NDArray[np.uint8]

    def at(self, network_node: int, label: int) -> int:
        """Return the node of an unsplit conductor at a network node."""
        return int(self.alias[network_node]) if label == NEUTRAL else network_node * 4 + label

    def sides(self, network_node: int, label: int) -> list[tuple[tuple[str, ...], int]]:
        """Return the sides of a conductor at a network node; one without spans if not split."""
        whole: list[tuple[tuple[str, ...], int]] = [((), self.at(network_node, label))]
        return self.split.get((network_node, label), whole)

    def of_span(self, span_id: str, network_node: int, label: int) -> int:
        """Return the node of a span's conductor at the end that lies on a network node."""
        row = self.network.span_row[span_id]
        end = 0 if self.network.node_from[row] == network_node else 1
        return int(self.node[row, end, label])


def shut_pairs(ends: Ends) -> list[tuple[int, int]]:
    """Return the pairs of sides that closed devices join.

    Continuity through a device is never counted on as a bond, but energy comes through one that is
    closed: both are states of the network.
    """
    network, found = ends.network, []
    devices = network.territory.layer("devices")
    for (here, label), numbered in ends.split.items():
        if label == NEUTRAL or devices is None:
            continue
        pole = int(network.node_pole[here])
        rest, shut = [], []
        for side, number in numbered:
            rows = [network.span_row[span_id] for span_id in side]
            split = [
                row
                for span in rows
                for row in network.devices_by_end.get((pole, span), ())
                if (phase_mask(devices["phases"][row]) or 7) & int(BITS[label])
            ]
            if not split:
                rest.append(number)
                continue
            end = [0 if network.span_from[span] == pole else 1 for span in rows]
            if not (ends.hanging[rows, end] & BITS[label]).any():
                shut.append(number)
        joined = [*rest[:1], *shut]
        found += [(joined[0], number) for number in joined[1:]]
    return found


def number_ends(
    network: Network, splits: Mapping[str, Mapping[str, Sequence[tuple[str, ...]]]]
) -> Ends:
    """Give every conductor a node at both ends of its span.

    Parameters
    ----------
    network : Network
        As built, with the states of devices.
    splits : mapping
        ``pole_id -> label -> sides``, each side a tuple of span ids; a label may be prefixed with
        its circuit (``"F2:A"``). Sides are never connected with each other here. A device that
        stands open elsewhere leaves the end of its span's conductor hanging free.

    Raises
    ------
    NetworkError
        Where a span that carries a split phase stands on no side.
    """
    alias = _neutral_alias(network)
    base = np.arange(len(network.node_pole) * 4, dtype=np.intp).reshape(-1, 4)
    base[:, NEUTRAL] = alias
    node = base[np.column_stack([network.node_from, network.node_to])]
    n_nodes = base.size
    free = np.zeros(node.shape, bool)
    hanging = _open_ends(network)
    free[:, :, :NEUTRAL] = (hanging[:, :, None] & BITS) > 0
    node[free] = n_nodes + np.arange(int(free.sum()))
    n_nodes += int(free.sum())
    split: dict[tuple[int, int], list[tuple[tuple[str, ...], int]]] = {}
    for pole_id, by_label in splits.items():
        for name, sides in by_label.items():
            for here, label, spans in _split_conductors(network, pole_id, name):
                numbered = [(side, n_nodes + k) for k, side in enumerate(sides)]
                n_nodes += len(numbered)
                split[here, label] = numbered
                _attach(network, node, (here, label, spans), numbered)
    return Ends(network, node, n_nodes, alias, split, hanging)


def _split_conductors(
    network: Network, pole_id: str, name: str
) -> list[tuple[int, int, list[int]]]:
    """Return (network node, label, spans) of every conductor a split at a pole speaks of."""
    pole = network.pole_row[pole_id]
    spans = network.territory.spans
    label = next(k for k, text in enumerate(LABELS) if name == text or name.endswith(":" + text))
    circuit = name[: -len(LABELS[label]) - 1]
    by_node: dict[int, list[int]] = {}
    for row in network.spans_at(pole):
        carries = label == NEUTRAL or network.phases[row] & BITS[label]
        if carries and circuit in ("", spans["circuit_id"][row]):
            by_node.setdefault(network.node_at(row, pole), []).append(row)
    return [(here, label, rows) for here, rows in sorted(by_node.items())]


def _attach(
    network: Network,
    node: NDArray[np.intp],
    conductor: tuple[int, int, list[int]],
    numbered: list[tuple[tuple[str, ...], int]],
) -> None:
    """Put the ends of spans on the node of their side."""
    here, label, rows = conductor
    for row in rows:
        span_id = str(network.territory.spans.ids[row])
        own = [number for side, number in numbered if span_id in side]
        if len(own) != 1:
            pole_id = network.territory.poles.ids[network.node_pole[here]]
            raise NetworkError(
                f"span {span_id} carries {LABELS[label]} at {pole_id} and stands on {len(own)} "
                "sides of the opening there instead of one"
            )
        node[row, 0 if network.node_from[row] == here else 1, label] = own[0]


def _open_ends(network: Network) -> NDArray[np.uint8]:
    """Return the phases that hang free at each end of each span, shape (n_spans, 2)."""
    found = np.zeros((len(network.phases), 2), np.uint8)
    devices = network.territory.layer("devices")
    if devices is None or len(devices) == 0:
        return found
    span = np.array([network.span_row[s] for s in devices["span_id"]], np.intp)
    pole = np.array([network.pole_row[p] for p in devices["pole_id"]], np.intp)
    end = np.where(network.span_from[span] == pole, 0, 1)
    letters = np.array([phase_mask(p) or 7 for p in devices["phases"]], np.uint8)
    opened = network.phases & ~network.closed
    # devices recorded as open first; what is then still unexplained was opened for this variant
    for chosen in (devices["state"] == "open", np.ones(len(span), bool)):
        left = opened & ~(found[:, 0] | found[:, 1])
        s, e = span[chosen], end[chosen]
        np.bitwise_or.at(found, (s, e), letters[chosen] & left[s])
    return found


def _neutral_alias(network: Network) -> NDArray[np.intp]:
    """Return the neutral node of each network node, one number for neutrals that are one.

    The states of devices do not change it: it is worked out once per territory.
    """
    return network.territory.once("one neutral", lambda _: _one_neutral(network))


def _one_neutral(network: Network) -> NDArray[np.intp]:
    """Join the neutrals that hang together at poles and sources."""
    territory = network.territory
    n = len(network.node_pole)
    pairs = [_shared_neutral_pairs(network)]
    has = has_neutral(territory)
    carrying = np.unique(np.concatenate([network.node_from[has], network.node_to[has]]))
    ground = np.asarray(territory.poles["ground_ohm"], float)[network.node_pole[carrying]]
    bonded = carrying[np.isfinite(ground)]  # every neutral on a pole is bonded to its ground
    order = bonded[np.argsort(network.node_pole[bonded], kind="stable")]
    same = network.node_pole[order][1:] == network.node_pole[order][:-1]
    pairs.append(np.column_stack([order[:-1][same], order[1:][same]]))
    one, other = np.concatenate(pairs).astype(np.intp).T
    graph = coo_matrix((np.ones(len(one), np.int8), (one, other)), shape=(n, n))
    _, group = connected_components(graph, directed=False)
    _, first = np.unique(group, return_index=True)
    alias = first[group] * 4 + NEUTRAL
    for circuit, resistance in source_grounds(territory).items():
        if resistance == 0.0:
            alias[group == group[network.source_node[circuit]]] = EARTH
    return np.asarray(alias, np.intp)


def _shared_neutral_pairs(network: Network) -> NDArray[np.intp]:
    """Return pairs of network nodes whose circuits hang on one neutral."""
    spans = network.territory.spans
    partner = spans["shares_neutral_with"]
    rows = np.flatnonzero([p is not None for p in partner])
    if len(rows) == 0:
        return np.zeros((0, 2), np.intp)
    ends = {
        (int(pole), str(circuit)): int(node)
        for poles, nodes in (
            (network.span_from, network.node_from),
            (network.span_to, network.node_to),
        )
        for pole, circuit, node in zip(poles, spans["circuit_id"], nodes, strict=True)
    }
    pairs = [
        (int(nodes[row]), ends[int(poles[row]), str(partner[row])])
        for poles, nodes in (
            (network.span_from, network.node_from),
            (network.span_to, network.node_to),
        )
        for row in rows
        if (int(poles[row]), str(partner[row])) in ends
    ]
    return np.array(pairs, np.intp).reshape(-1, 2)


def has_neutral(territory: Territory) -> NDArray[np.bool_]:
    """Say which spans name a neutral conductor; worked out once, not to be changed."""
    return territory.once("neutrals", _has_neutral)


def _has_neutral(territory: Territory) -> NDArray[np.bool_]:
    """Look at every span for a neutral conductor."""
    return np.array([n is not None for n in territory.spans["neutral_conductor"]], bool)


def source_grounds(territory: Territory) -> dict[str, float]:
    """Return the resistance from each grounded source's neutral to earth [ohm].

    Not stated counts as 0, as the contract of the input says; a circuit with a null phase-to-ground
    fault (an ungrounded source) has no such ground.
    """
    circuits = territory.circuits
    value = np.asarray(circuits["source_ground_ohm"], float)
    grounded = np.isfinite(np.asarray(circuits["fault_1ph_a"], float))
    filled = np.where(np.isnan(value), 0.0, value)
    return {str(circuits.ids[row]): float(filled[row]) for row in np.flatnonzero(grounded)}
