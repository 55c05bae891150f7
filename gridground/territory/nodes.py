"""Electrical nodes: one circuit's conductors at one pole, two circuits' where they are tied."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Territory


class Nodes:
    """Nodes while they are being joined: one number per (pole, circuit), then unions."""

    def __init__(
        self,
        start: NDArray[np.intp],
        end: NDArray[np.intp],
        circuit: NDArray[np.intp],
        source_pole: NDArray[np.intp],
    ) -> None:
        n_circuits = len(source_pole)
        sources = source_pole * n_circuits + np.arange(n_circuits)
        key = np.concatenate([start * n_circuits + circuit, end * n_circuits + circuit, sources])
        unique, number = np.unique(key, return_inverse=True)
        self.pole, self.circuit = unique // n_circuits, unique % n_circuits
        self.joins: dict[int, int] = {}
        n = len(start)
        self.start, self.end, self.source = number[:n], number[n : 2 * n], number[2 * n :]
        self.ends_at = np.bincount(np.concatenate([self.start, self.end]), minlength=len(unique))
        self.is_source = np.zeros(len(unique), bool)
        self.is_source[self.source] = True
        self._by_pole = np.argsort(self.pole, kind="stable")
        self._pole_sorted = self.pole[self._by_pole]

    def others_at(self, node: int) -> NDArray[np.intp]:
        """Return the nodes of other circuits at the same pole."""
        low, high = np.searchsorted(self._pole_sorted, [self.pole[node], self.pole[node] + 1])
        here: NDArray[np.intp] = self._by_pole[low:high]
        others: NDArray[np.intp] = here[here != node]
        return others

    def alone(self, node: int) -> bool:
        """Say whether a node has one span end only and no source of its own."""
        return bool(self.ends_at[node] == 1 and not self.is_source[node])

    def join(self, one: int, other: int) -> None:
        """Make two nodes one; the smaller number stays."""
        low, high = sorted((self._first(one), self._first(other)))
        if low < high:
            self.joins[high] = low

    def _first(self, node: int) -> int:
        """Return the smallest number of the nodes joined with one."""
        while node in self.joins:
            node = self.joins[node]
        return node

    def renumbered(
        self,
    ) -> tuple[
        NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]
    ]:
        """Return consecutive numbers: from, to, source nodes, and pole and circuit of each."""
        parent = np.arange(len(self.pole))
        for node in self.joins:
            parent[node] = self._first(node)
        kept, number = np.unique(parent, return_inverse=True)
        return (
            number[self.start],
            number[self.end],
            number[self.source],
            self.pole[kept],
            self.circuit[kept],
        )


def rows_of_ids(ids: NDArray[Any], row: dict[str, int]) -> NDArray[np.intp]:
    """Translate ids to rows."""
    return np.fromiter((row[name] for name in ids), np.intp, len(ids))


def join_ties(
    territory: Territory, node: Nodes, pole_row: dict[str, int]
) -> tuple[tuple[int, int], ...]:
    """Join nodes of two circuits where a device or link has nothing else to join at the pole.

    Where several other circuits hang there only the one that the device says it joins; else none,
    and the end is one of `loose_ends`.
    """
    wanted = _joins(territory)
    ends: set[tuple[int, int]] = set()
    spans = territory.spans
    devices = territory.layer("devices")
    if devices is not None:
        span_row = spans.index()
        ends |= {
            (pole_row[p], span_row[s])
            for p, s in zip(devices["pole_id"], devices["span_id"], strict=True)
        }
    for row in np.flatnonzero(spans["kind"] == "link"):
        ends |= {(int(node.pole[node.start[row]]), int(row))}
        ends |= {(int(node.pole[node.end[row]]), int(row))}
    ties = []
    for pole, span in sorted(ends):
        here = int(node.start[span] if node.pole[node.start[span]] == pole else node.end[span])
        if node.alone(here):
            others = [int(other) for other in node.others_at(here)]
            named = wanted.get((pole, span), set())
            chosen = [o for o in others if int(node.circuit[o]) in named] or others
            if len(chosen) == 1:
                node.join(here, chosen[0])
                ties.append((pole, span))
    return tuple(ties)


def _joins(territory: Territory) -> dict[tuple[int, int], set[int]]:
    """Return the circuit rows that devices say they join, by (pole row, span row)."""
    devices = territory.layer("devices")
    stated = None if devices is None else devices.columns.get("joins_circuit")
    if devices is None or stated is None:
        return {}
    poles, spans = territory.poles.index(), territory.spans.index()
    circuits = territory.circuits.index()
    found: dict[tuple[int, int], set[int]] = {}
    for row in np.flatnonzero([name in circuits for name in stated]).tolist():
        end = (poles[devices["pole_id"][row]], spans[devices["span_id"][row]])
        found.setdefault(end, set()).add(circuits[stated[row]])
    return found


def loose_ends(
    territory: Territory, node: Nodes, pole_row: dict[str, int]
) -> tuple[tuple[int, int], ...]:
    """Return span ends of which nobody says which circuit they join.

    The end of a link, or of a span with a device at it, where several other circuits hang and the
    device names none (`joins_circuit`); and the far end of a span with a device, where it is the
    last of its circuit and another circuit hangs but no device stands: a tie drawn to the other
    circuit's pole looks like that. Call it before `join_ties`.
    """
    devices, spans = territory.layer("devices"), territory.spans
    at: set[tuple[int, int]] = set()
    if devices is not None:
        span_row = spans.index()
        at = {
            (pole_row[p], span_row[s])
            for p, s in zip(devices["pole_id"], devices["span_id"], strict=True)
        }
    wanted = _joins(territory)
    links = np.flatnonzero(spans["kind"] == "link").tolist()
    ends = {(int(node.pole[n]), row) for row in links for n in (node.start[row], node.end[row])}
    found = set()
    for pole, span in at | ends:
        here, far = int(node.start[span]), int(node.end[span])
        if node.pole[here] != pole:
            here, far = far, here
        others = node.others_at(here)
        named = wanted.get((pole, span), set())
        settled = sum(int(node.circuit[o]) in named for o in others) == 1
        if node.alone(here) and len(others) > 1 and not settled:
            found.add((pole, span))
        beyond = (int(node.pole[far]), span)
        if beyond not in at | ends and node.alone(far) and len(node.others_at(far)):
            found.add(beyond)
    return tuple(sorted(found))
