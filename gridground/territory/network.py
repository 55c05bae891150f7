"""The network as a graph by ids: electrical nodes, continuity through devices, ways by pole.

An electrical *node* is one circuit's conductors at one pole. Two circuits on the same pole are two
nodes; they become one only where a device or a link that has no other span of its own circuit to
join stands on the pole (a tie). Devices take phases out of a span where they are open; what they
do to the neutral is nothing: a neutral runs through devices.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from gridground.territory.fixed import (
    ANY_PHASE,
    ANY_STATE,
    PHASE_BITS,
    Fixed,
    geodesic_length_m,
    phase_letters,
    phase_mask,
    shut_of,
)
from gridground.territory.sections import joined

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable

    from numpy.typing import NDArray

    from gridground.territory.layers import Territory
    from gridground.territory.sections import Labels

Kept = TypeVar("Kept")

__all__ = [
    "ANY_PHASE",
    "ANY_STATE",
    "PHASE_BITS",
    "Network",
    "geodesic_length_m",
    "phase_letters",
    "phase_mask",
]


@dataclass(frozen=True)
class Network:
    """Connection of a territory as integer columns; rows are those of the layers.

    The states of devices are all that differs between the networks of one territory: they share
    the rest.

    Attributes
    ----------
    territory : Territory
        As read.
    fixed : Fixed
        What the states of devices do not change.
    closed : ndarray of uint8, shape (n_spans,)
        Phases continuous from end to end of each span.
    """

    territory: Territory
    fixed: Fixed
    closed: NDArray[np.uint8]

    @classmethod
    def build(
        cls,
        territory: Territory,
        *,
        closed: Iterable[str] = frozenset(),
        opened: Iterable[str] = frozenset(),
    ) -> Network:
        """Build the graph; once per territory, what the states of devices change each time.

        Parameters
        ----------
        territory : Territory
            As read.
        closed, opened : iterable of str
            Device ids whose recorded state is overridden.
        """
        fixed = territory.once("network", Fixed.of)
        return cls(territory, fixed, fixed.closed_phases(set(closed), set(opened)))

    @property
    def pole_row(self) -> dict[str, int]:
        """`pole_id` -> row of the poles."""
        return self.fixed.pole_row

    @property
    def span_row(self) -> dict[str, int]:
        """`span_id` -> row of the spans."""
        return self.territory.spans.index()

    @property
    def span_from(self) -> NDArray[np.intp]:
        """Pole row at the start of each span, shape (n_spans,)."""
        return self.fixed.span_from

    @property
    def span_to(self) -> NDArray[np.intp]:
        """Pole row at the end of each span, shape (n_spans,)."""
        return self.fixed.span_to

    @property
    def phases(self) -> NDArray[np.uint8]:
        """Phases of each span (0 unknown), shape (n_spans,)."""
        return self.fixed.phases

    @property
    def node_from(self) -> NDArray[np.intp]:
        """Electrical node at the start of each span, shape (n_spans,)."""
        return self.fixed.node_from

    @property
    def node_to(self) -> NDArray[np.intp]:
        """Electrical node at the end of each span, shape (n_spans,)."""
        return self.fixed.node_to

    @property
    def node_pole(self) -> NDArray[np.intp]:
        """Pole row of each node, shape (n_nodes,)."""
        return self.fixed.node_pole

    @property
    def node_circuit(self) -> NDArray[np.intp]:
        """(First) circuit row of each node, shape (n_nodes,)."""
        return self.fixed.node_circuit

    @property
    def source_node(self) -> dict[str, int]:
        """`circuit_id` -> node at which its source stands."""
        return self.fixed.source_node

    @property
    def length_m(self) -> NDArray[np.float64]:
        """Recorded length of each span where stated, else geodesic length [m]."""
        return self.fixed.length_m

    @property
    def ties(self) -> tuple[tuple[int, int], ...]:
        """(Pole row, span row) where two circuits are joined by a device or a link."""
        return self.fixed.ties

    @property
    def devices_by_end(self) -> dict[tuple[int, int], list[int]]:
        """Device rows at each (pole row, span row)."""
        return self.fixed.devices_by_end

    def parts(self, keep: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Label the nodes that hang together through some spans, the whole network over.

        Parameters
        ----------
        keep : ndarray of bool, shape (n_spans,)
            The spans that count.

        Returns
        -------
        ndarray of int, shape (n_nodes,)
            The same number for nodes that hang together.
        """
        return joined(len(self.node_pole), self.node_from[keep], self.node_to[keep])

    def labels(self, bits: int = ANY_PHASE) -> Labels:
        """Return the parts that hang together through closed spans.

        Parameters
        ----------
        bits : int
            Phases that count, bit mask: any of them joins. `ANY_STATE`: all spans join, whatever
            they carry and whatever the state of their devices.
        """
        before = self.fixed.labels(bits)
        if self.closed is self.fixed.recorded:
            return before
        if bits not in self._labels:
            sections = self.fixed.sections(bits)
            was = shut_of(self.fixed.recorded, sections, bits)
            self._labels[bits] = sections.changed(before, was, shut_of(self.closed, sections, bits))
        return self._labels[bits]

    def labels_without(
        self, nodes: Iterable[int], spans: Iterable[int], bits: int = ANY_PHASE
    ) -> Labels:
        """Return the parts that are left without some nodes and spans; otherwise as `labels`.

        Parameters
        ----------
        nodes : iterable of int
            Nodes at which nothing joins; each is a part of its own.
        spans : iterable of int
            Rows of spans that do not join.
        bits : int
            As for `labels`.
        """
        sections = self.fixed.sections(bits)
        shut = shut_of(self.closed, sections, bits)
        away = np.array(sorted(nodes), np.intp)
        return sections.without(self.labels(bits), shut, away, spans)

    def once(self, name: tuple[Hashable, ...], make: Callable[[], Kept]) -> Kept:
        """Return what is worked out of this state of the devices, made when first asked for.

        Parameters
        ----------
        name : tuple
            What it is, and what of.
        make : callable
            Works it out; nobody changes what it returns.
        """
        if name not in self._once:
            self._once[name] = make()
        made: Kept = self._once[name]
        return made

    @cached_property
    def _once(self) -> dict[tuple[Hashable, ...], Any]:
        """What `once` has kept."""
        return {}

    @cached_property
    def _labels(self) -> dict[int, Labels]:
        """Parts by phases that count."""
        return {}

    def feeding(self, nodes: Iterable[int]) -> list[str]:
        """Return the circuits whose source hangs together with any of some nodes, by id."""
        labels = self.labels()
        parts = labels[np.array(sorted(nodes), np.intp)]
        fed = np.isin(labels[self.fixed.sources], parts)
        return sorted(map(str, self.territory.circuits.ids[fed]))

    def part_of(self, nodes: Iterable[int]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return the nodes, and the closed spans, of the parts that hold some nodes; ascending."""
        sections, labels = self.fixed.sections(ANY_PHASE), self.labels()
        parts = np.unique(labels[np.array(sorted(nodes), np.intp)])
        return sections.rows_of(labels, shut_of(self.closed, sections, ANY_PHASE), parts)

    def spans_at(self, pole: int) -> list[int]:
        """Return the rows of all spans that end at a pole row, in id order."""
        ends = self.fixed.at_pole
        here = ends.order[ends.start[pole] : ends.start[pole + 1]] % max(len(self.span_from), 1)
        return sorted(set(here.tolist()), key=lambda row: str(self.territory.spans.ids[row]))

    def other_end(self, span: int, pole: int) -> int:
        """Return the pole row at the far end of a span."""
        return int(self.span_to[span] if self.span_from[span] == pole else self.span_from[span])

    def node_at(self, span: int, pole: int) -> int:
        """Return the node of a span at one of its poles."""
        return int(self.node_from[span] if self.span_from[span] == pole else self.node_to[span])
