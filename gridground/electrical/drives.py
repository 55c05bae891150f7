"""Every way a source can drive the worked conductors: which phases, where, and what touches."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import BITS, LABELS, NEUTRAL
from gridground.electrical.ladder import merged_parts
from gridground.errors import NotReachedError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.electrical.energizing import Injection, Origin
    from gridground.electrical.places import Located
    from gridground.electrical.runs import Runs
    from gridground.electrical.source import Source


@dataclass(frozen=True)
class Drive:
    """One way of energizing.

    Attributes
    ----------
    phases : str
        Letters of the worked phases that are energized, the case's ``event``.
    labels, terminals : tuple of int
        Phases of the source that are switched on, and the node of each.
    touching : tuple of (int, int)
        Nodes of conductors that touch.
    """

    phases: str
    labels: tuple[int, ...]
    terminals: tuple[int, ...]
    touching: tuple[tuple[int, int], ...] = ()


def terminal_node(ends: Ends, node: int, label: int) -> int:
    """Return the node of a source terminal; at a split, the side without spans, else the first."""
    sides = ends.sides(node, label)
    return next((number for side, number in sides if not side), sides[0][1])


class Drives:
    """Finds the events of an origin."""

    def __init__(self, ends: Ends, runs: Runs, places: tuple[Located, ...], origin: Origin) -> None:
        self.ends, self.runs, self.places, self.origin = ends, runs, places, origin

    def of(
        self, source: Source, parts: NDArray[np.intp], shut: Sequence[tuple[int, int]]
    ) -> tuple[Drive, ...]:
        """Return every event, those of more phases first; energy passes closed devices.

        Parameters
        ----------
        source : Source
            What drives.
        parts : ndarray of int, shape (n_nodes + 1,)
            Part of every node that conductors connect, earth last.
        shut : sequence of (int, int)
            Sides of split conductors joined by closed devices.

        Raises
        ------
        NotReachedError
            Where there is none.
        """
        part = merged_parts(parts, list(shut))
        injection = self.origin.injection
        if injection is None or injection.place is None:
            drives = list(self._along(source, part))
        elif injection.node is None:
            drives = list(self._touching_itself(injection.place))
        else:
            drives = list(self._touching(injection, part))
        if not drives:
            because = "; ".join(note.rstrip(".") for note in self.runs.notes)
            raise NotReachedError(
                f"from {self.origin.name}: no phase of circuit {self.origin.circuit_id} reaches "
                "the places with grounds" + (f" ({because})" if because else "")
            )
        return tuple(drives)

    def _along(self, source: Source, part: NDArray[np.intp]) -> Iterator[Drive]:
        """Every combination of the phases that reach the places along the spans."""
        start, injection = self.origin.start, self.origin.injection
        if start is None:
            return
        labels = (0, 1, 2) if injection is None else injection.labels
        at = {k: terminal_node(self.ends, start, k) for k in labels}
        conductors = [c for p in self.places for c in p.conductors if c.label != NEUTRAL]
        reached = {int(part[c.node]) for c in conductors}
        phases = [k for k in labels if int(part[at[k]]) in reached]
        least = 1 if source.grounded else 2
        sizes: Sequence[int] = (1,) if source.single_phase else range(len(phases), least - 1, -1)
        for size in sizes:
            for closed in combinations(phases, size):
                letters = "".join(LABELS[k] for k in closed)
                yield Drive(letters, closed, tuple(at[k] for k in closed))

    def _targets(self, place: int) -> Iterator[dict[int, int]]:
        """Conductors that can be touched at a place: each circuit, each side."""
        nodes: dict[int, list[int]] = {}
        for conductor in self.places[place].conductors:
            if conductor.label != NEUTRAL:
                nodes.setdefault(conductor.label, []).append(conductor.node)
        for number in range(max(map(len, nodes.values()), default=0)):
            yield {label: at[min(number, len(at) - 1)] for label, at in sorted(nodes.items())}

    def _touching_itself(self, place: int) -> Iterator[Drive]:
        """One phase of the line on each conductor in turn."""
        for target in self._targets(place):
            for label, node in target.items():
                yield Drive(LABELS[label], (0,), (node,))

    def _touching(self, injection: Injection, part: NDArray[np.intp]) -> Iterator[Drive]:
        """Conductors of the other circuit on all worked ones, and on each in turn."""
        if injection.node is None or injection.via is None or injection.place is None:
            return
        at = {k: terminal_node(self.ends, injection.node, k) for k in injection.labels}
        live: dict[int, int] = {}
        for label, terminal in at.items():
            if (node := self._live(injection.via, label, int(part[terminal]), part)) is not None:
                live[label] = node
        if not live:
            return
        labels, terminals = tuple(at), tuple(at.values())
        first = next(iter(live.values()))
        for target in self._targets(injection.place):
            pairs = {label: (live.get(label, first), node) for label, node in target.items()}
            groups = [tuple(pairs), *((label,) for label in pairs)]
            for group in dict.fromkeys(groups):
                letters = "".join(LABELS[label] for label in group)
                yield Drive(letters, labels, terminals, tuple(pairs[label] for label in group))

    def _live(self, node: int, label: int, live: int, part: NDArray[np.intp]) -> int | None:
        """Return the node of a live conductor at a network node, None where it is not live."""
        network = self.ends.network
        rows = np.flatnonzero((network.node_from == node) | (network.node_to == node))
        for row in map(int, rows):
            if network.phases[row] & BITS[label]:
                end = 0 if network.node_from[row] == node else 1
                number = int(self.ends.node[row, end, label])
                if int(part[number]) == live:
                    return number
        return None
