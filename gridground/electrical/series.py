"""Protective devices in series on the way from each node to its source.

A device that states a protection stands at one end of a span; the current of every fault behind
that span passes through it. Devices at the same end on different phases (three cutouts) are one
*position*. Positions hang in the tree of the network: each has the next one towards the source,
and each node the first one that a fault there meets. A device at the pole of the fault itself, on
the span that comes from the source, is not counted for that fault: leads may stand on either side
of it. Devices in a loop are left out and named: what each sees of the current is not known.
"""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.curves import protection_gaps, reclose_shots
from gridground.territory.network import phase_mask

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from numpy.typing import NDArray

    from gridground.electrical.thevenin import Thevenin
    from gridground.territory.layers import Layer, Territory
    from gridground.territory.network import Network

# Kinds of device that open a fault current by themselves.
CLEARING_KINDS = ("breaker", "recloser", "fuse", "cutout")


@dataclass(frozen=True)
class Element:
    """One device of a position: its protection, its phases and how often it closes on a fault."""

    device_id: str
    protection: dict[str, Any]
    phases: int
    times_on: int


@dataclass(frozen=True)
class Position:
    """Devices at one end of a span, on different phases."""

    elements: tuple[Element, ...]

    @property
    def name(self) -> str:
        """Their ids, joined by ``+``."""
        return "+".join(element.device_id for element in self.elements)


@dataclass(frozen=True)
class Series:
    """Positions in series.

    Attributes
    ----------
    positions : tuple of Position
        All of them.
    first : ndarray of int, shape (n_nodes,)
        The position nearest a fault at each node; -1 where there is none, or where several
        sources feed the node.
    beside : ndarray of int, shape (n_nodes,)
        The first position at the node's own pole, on the span from the source; -1 for none. Only
        its reclosing counts for a fault at the node.
    following : ndarray of int, shape (n_positions,)
        The next position towards the source, -1 for none.
    far_end : ndarray of bool, shape (n_positions,)
        Whether a position stands at the end of its span away from the source.
    loose : dict
        Ids of devices in loops by -1 less the node at which the loop hangs, and on spans side by
        side by the node behind them.
    joined : dict
        Ids of devices on parts that several sources feed together, by the index of those sources:
        there they are not counted.
    parent, looped : ndarray, shape (n_nodes,)
        As in `Thevenin`.
    """

    positions: tuple[Position, ...]
    first: NDArray[np.intp]
    beside: NDArray[np.intp]
    following: NDArray[np.intp]
    far_end: NDArray[np.bool_]
    loose: dict[int, tuple[str, ...]]
    joined: dict[int, tuple[str, ...]]
    parent: NDArray[np.intp]
    looped: NDArray[np.bool_]

    def way(self, node: int) -> list[Position]:
        """Return the positions between a node and its source, nearest the node first."""
        found = []
        at = int(self.first[node])
        while at >= 0:
            found.append(self.positions[at])
            at = int(self.following[at])
        return found

    def closing_again(self, node: int) -> list[Element]:
        """Return the devices in the way that close on a fault again, those at its pole included."""
        here = []
        at = int(self.beside[node])
        while at >= 0 and self.far_end[at]:
            here.append(self.positions[at])
            at = int(self.following[at])
        return [e for p in (*here, *self.way(node)) for e in p.elements if e.times_on > 1]

    def loose_at(self, node: int, where: dict[int, tuple[str, ...]] | None = None) -> list[str]:
        """Return the devices in loops between a node and its source.

        `where` has the keys of `loose`, which it is where nothing else is given.
        """
        among = self.loose if where is None else where
        found: list[str] = []
        for at in self.nodes_to_source(node):
            found += among.get(at, ())
            if self.looped[at]:
                found += among.get(-1 - int(self.parent[at]), ())
        return list(dict.fromkeys(found))

    def nodes_to_source(self, node: int) -> list[int]:
        """Return the nodes from a node to the source, itself first."""
        found = []
        while node < len(self.parent):
            found.append(node)
            node = int(self.parent[node])
        return found


def times_on(protection: dict[str, Any] | None, name: str, blocked: Collection[str]) -> int:
    """Return how often a device closes on a fault: once, and each stated reclosing not blocked."""
    return 1 if name in blocked else 1 + (reclose_shots(protection) or 0)


def series_of(
    territory: Territory,
    network: Network,
    seen: Thevenin,
    *,
    reclosing_blocked: Collection[str],
) -> Series:
    """Find the protective devices in series on the way from every node to its source.

    Parameters
    ----------
    territory, network
        As read, and its graph with the states of devices that count.
    seen : Thevenin
        The network solved: its tree is followed.
    reclosing_blocked : collection of str
        Devices and circuits at which reclosing is blocked for the job.

    Returns
    -------
    Series
        Only devices whose kind opens a fault current (breaker, recloser, fuse, cutout) and whose
        protection is whole; a breaker at the source pole with the circuit's own protection is
        the source-end device and is not counted twice.
    """
    devices = territory.layer("devices")
    placed, loose = _placed(territory, network, seen, devices)
    positions: list[Position] = []
    near: dict[int, int] = {}  # first position at the end of an edge towards the source
    far_end: list[bool] = []
    beside = np.full(len(seen.parent), -1, np.intp)
    edges: dict[int, list[int]] = {}
    for child in sorted({node for node, _ in placed}):
        for far in (True, False):
            banks = _banks(network, devices, placed.get((child, far), ()), reclosing_blocked)
            if banks and far:
                beside[child] = len(positions)
            elif banks:
                near[child] = len(positions)
            far_end += [far] * len(banks)
            edges.setdefault(child, []).extend(range(len(positions), len(positions) + len(banks)))
            positions += banks
    below = _below(seen.parent, {c: numbers[0] for c, numbers in edges.items() if numbers})
    following = np.full(len(positions), -1, np.intp)
    first = below[seen.parent]
    for child, numbers in edges.items():
        if not numbers:
            continue
        following[numbers] = [*numbers[1:], below[seen.parent[child]]]
        first[child] = near.get(child, first[child])
    several = np.array([len(rows) > 1 for rows in seen.feeding] + [True], bool)
    first[several[seen.fed_by]] = -1
    beside[several[seen.fed_by]] = -1
    return Series(
        positions=tuple(positions),
        first=first,
        beside=beside,
        following=following,
        far_end=np.array(far_end, bool),
        loose=loose,
        joined=_joined(network, seen, devices),
        parent=seen.parent,
        looped=seen.looped,
    )


def _below(parent: NDArray[np.intp], entry: dict[int, int]) -> NDArray[np.intp]:
    """Return the first position of faults beyond each node, the reference last.

    Every node is led to its nearest node with a position by doubling the reach of each step.
    """
    n = len(parent)
    if not entry:
        return np.full(n + 1, -1, np.intp)
    at = np.fromiter(entry, np.intp, len(entry))
    number: NDArray[np.intp] = np.full(n + 1, -1, np.intp)
    number[at] = np.fromiter(entry.values(), np.intp, len(entry))
    reach = np.append(parent, n)
    reach[at] = at
    while True:
        further = reach[reach]
        if (further == reach).all():
            found: NDArray[np.intp] = number[reach]
            return found
        reach = further


def _placed(
    territory: Territory, network: Network, seen: Thevenin, devices: Layer | None
) -> tuple[dict[tuple[int, bool], list[int]], dict[int, tuple[str, ...]]]:
    """Return device rows by (far node of their span, at its far end), and those in loops."""
    placed: dict[tuple[int, bool], list[int]] = defaultdict(list)
    loose: dict[int, list[str]] = defaultdict(list)
    rows = [] if devices is None else _usable(devices)
    if devices is None or not rows:
        return placed, {}
    shared = _side_by_side(network)
    own = _source_ends(territory, network)
    for row in rows:
        span = network.span_row[devices["span_id"][row]]
        ends = (int(network.node_from[span]), int(network.node_to[span]))
        here = network.node_at(span, network.pole_row[devices["pole_id"][row]])
        if not network.closed[span] or ends[0] == ends[1] or seen.fed_by[here] < 0:
            continue
        if devices["protection"][row] in own.get(here, ()):
            continue
        child = next((c for c, p in (ends, ends[::-1]) if seen.parent[c] == p), None)
        if child is not None and not seen.looped[child] and not shared[span]:
            placed[child, here == child].append(row)
        elif (key := _loop_of(seen, ends)) is not None:
            loose[key].append(str(devices.ids[row]))
    return placed, {node: tuple(sorted(names)) for node, names in loose.items()}


def _loop_of(seen: Thevenin, ends: tuple[int, int]) -> int | None:
    """Return the key of `Series.loose` for a span in a loop, or side by side with another."""
    inside = next((node for node in ends if seen.looped[node]), None)
    if inside is not None:
        return -1 - int(seen.parent[inside])
    return next((c for c, p in (ends, ends[::-1]) if seen.parent[c] == p), None)


def reclosing_in_loops(
    territory: Territory, network: Network, seen: Thevenin
) -> dict[int, tuple[str, ...]]:
    """Return breakers and reclosers in loops, by the keys of `Series.loose`.

    With or without a stated protection: what they do by themselves is a matter of the job though
    their times are not counted.
    """
    found: dict[int, list[str]] = defaultdict(list)
    devices = territory.layer("devices")
    if devices is None:
        return {}
    shared = _side_by_side(network)
    for row, kind in enumerate(devices["kind"]):
        if kind != "recloser" and not (kind == "breaker" and devices["protection"][row]):
            continue
        span = network.span_row[devices["span_id"][row]]
        ends = (int(network.node_from[span]), int(network.node_to[span]))
        if not network.closed[span] or seen.fed_by[ends[0]] < 0:
            continue
        looped = bool(seen.looped[ends[0]] or seen.looped[ends[1]])
        key = _loop_of(seen, ends) if looped or shared[span] else None
        if key is not None:
            found[key].append(str(devices.ids[row]))
    return {key: tuple(sorted(names)) for key, names in found.items()}


def _joined(network: Network, seen: Thevenin, devices: Layer | None) -> dict[int, tuple[str, ...]]:
    """Return devices with a protection on parts that several sources feed together."""
    found: dict[int, list[str]] = defaultdict(list)
    if devices is None:
        return {}
    for row in _usable(devices):
        span = network.span_row[devices["span_id"][row]]
        index = int(seen.fed_by[network.node_from[span]])
        if network.closed[span] and index >= 0 and len(seen.feeding[index]) > 1:
            found[index].append(str(devices.ids[row]))
    return {index: tuple(sorted(names)) for index, names in found.items()}


def _usable(devices: Layer) -> list[int]:
    """Return the devices that open a fault current and state a whole protection."""
    return [
        row
        for row, (kind, protection) in enumerate(
            zip(devices["kind"], devices["protection"], strict=True)
        )
        if kind in CLEARING_KINDS and protection is not None and not protection_gaps(protection)
    ]


def _side_by_side(network: Network) -> NDArray[np.bool_]:
    """Say which spans share a phase with another span between the same two nodes."""
    low = np.minimum(network.node_from, network.node_to)
    high = np.maximum(network.node_from, network.node_to)
    _, pair = np.unique(low * len(network.node_pole) + high, return_inverse=True)
    shared = np.zeros(len(pair), bool)
    for bit in (1, 2, 4):
        has = (network.closed & np.uint8(bit)) > 0
        shared |= has & (np.bincount(pair[has], minlength=pair.max(initial=0) + 1)[pair] > 1)
    return shared


def _source_ends(territory: Territory, network: Network) -> dict[int, list[dict[str, Any]]]:
    """Return the protections of the circuits by the node of their source."""
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    circuits = territory.circuits
    for name, protection in zip(circuits.ids, circuits["protection"], strict=True):
        if protection is not None:
            found[network.source_node[str(name)]].append(protection)
    return found


def _banks(
    network: Network, devices: Layer | None, rows: Iterable[int], blocked: Collection[str]
) -> list[Position]:
    """Join the devices of one span end that stand on different phases.

    Which of two on the same phase stands nearer the fault is not recorded: they are put in the
    order of what they state, so that their names do not matter.
    """
    banks: list[list[Element]] = []
    elements = [] if devices is None else [_element(network, devices, r, blocked) for r in rows]
    for one in sorted(elements, key=_content):
        if not one.phases:
            continue
        bank = next((b for b in banks if all(not one.phases & e.phases for e in b)), None)
        if bank is None:
            banks.append([one])
        else:
            bank.append(one)
    return [Position(tuple(bank)) for bank in banks]


def _element(network: Network, devices: Layer, row: int, blocked: Collection[str]) -> Element:
    """Return a device with the phases that are continuous through it."""
    span = network.span_row[devices["span_id"][row]]
    mask = (phase_mask(devices["phases"][row]) or 7) & int(network.closed[span])
    name, protection = str(devices.ids[row]), devices["protection"][row]
    return Element(name, protection, mask, times_on(protection, name, blocked))


def _content(element: Element) -> tuple[int, str, str]:
    """Return what orders devices of one span end: phases, settings, and the id at last."""
    curve = {key: one for key, one in element.protection.items() if key != "reclose_shots"}
    settings = json.dumps(curve, sort_keys=True)
    return element.phases, settings, element.device_id
