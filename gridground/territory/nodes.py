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
    """Join nodes of two circuits where a device or link has nothing else to join at the pole."""
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
            others = node.others_at(here)
            if len(others) == 1:
                node.join(here, int(others[0]))
                ties.append((pole, span))
    return tuple(ties)


def loose_ends(
    territory: Territory, node: Nodes, pole_row: dict[str, int]
) -> tuple[tuple[int, int], ...]:
    """Return span ends that look like a tie drawn to the other circuit's pole.

    A span with a device at one end, whose other end is the last of its circuit and stands at a pole
    of another circuit without a device: whether the two are joined there is not recorded.
    """
    devices = territory.layer("devices")
    if devices is None:
        return ()
    span_row = territory.spans.index()
    at = {
        (pole_row[p], span_row[s])
        for p, s in zip(devices["pole_id"], devices["span_id"], strict=True)
    }
    found = set()
    for pole, span in at:
        ends = (int(node.start[span]), int(node.end[span]))
        far = ends[1] if node.pole[ends[0]] == pole else ends[0]
        end = (int(node.pole[far]), span)
        if end not in at and node.alone(far) and len(node.others_at(far)):
            found.add(end)
    return tuple(sorted(found))
