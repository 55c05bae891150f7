"""Sections: nodes that hang together whatever the state of devices, and what joins the sections.

A territory has a hundred times more spans than devices. What no device can part is labelled once;
a state of the devices is then answered on the sections, and the network without some of its nodes
by taking apart only the sections that these nodes are in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, overload

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Rows = NDArray[np.intp]
    Marks = NDArray[np.bool_]


def joined(n: int, one: Rows, other: Rows) -> Rows:
    """Label what hangs together: `n` things, joined pairwise; the same number for those joined."""
    from scipy.sparse import csr_array  # noqa: PLC0415  start-up time
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415

    graph = csr_array((np.ones(len(one), np.int8), (one, other)), shape=(n, n))
    label: Rows = connected_components(graph, directed=False)[1].astype(np.intp)
    return label


@dataclass(frozen=True)
class Groups:
    """Things in groups: the members of each group stand together in `order`."""

    order: Rows
    start: Rows

    @classmethod
    def of(cls, group: Rows, n_groups: int) -> Groups:
        """Sort things by the number of their group."""
        order = np.argsort(group, kind="stable")
        start = np.searchsorted(group[order], np.arange(n_groups + 1))
        return cls(order, np.asarray(start, np.intp))

    def members(self, groups: Rows) -> Rows:
        """Return the members of some groups, in the order of the things."""
        found = [self.order[self.start[g] : self.start[g + 1]] for g in groups.tolist()]
        return np.sort(np.concatenate(found)) if found else np.zeros(0, np.intp)


@dataclass(frozen=True)
class Labels:
    """The part every node belongs to: ``labels[node]`` for a node, a list or an array of them.

    Attributes
    ----------
    section : ndarray of int, shape (n_nodes,)
        Section of each node; the sections that a device can join to others come first.
    part : ndarray of int, shape (n_switched,)
        Part of each of these.
    nodes, own : ndarray of int, shape (k,)
        Nodes, ascending, whose part is not that of their section, and their part.
    """

    section: Rows
    part: Rows
    nodes: Rows
    own: Rows

    def __len__(self) -> int:
        return len(self.section)

    @overload
    def __getitem__(self, node: int) -> int: ...
    @overload
    def __getitem__(self, node: Rows | list[int]) -> Rows: ...

    def __getitem__(self, node: int | Rows | list[int]) -> int | Rows:
        at = np.asarray(node, np.intp)
        found = self._of_sections(np.atleast_1d(self.section[at]))
        if len(self.nodes):
            place = np.minimum(np.searchsorted(self.nodes, at), len(self.nodes) - 1)
            found = np.where(self.nodes[place] == at, self.own[place], found)
        return int(found[0]) if at.ndim == 0 else found

    def _of_sections(self, sections: Rows) -> Rows:
        """Return the part of sections; one that no device can join to others is a part itself."""
        if not len(self.part):
            return sections
        switched = np.minimum(sections, len(self.part) - 1)
        return np.where(sections < len(self.part), self.part[switched], sections)

    def whole(self) -> Rows:
        """Return the part of every node, shape (n_nodes,)."""
        return self[np.arange(len(self.section))]


class Sections:
    """The network cut into sections, for one phase or for any.

    Attributes
    ----------
    of_node : ndarray of int, shape (n_nodes,)
        Section of each node.
    count : int
        How many there are.
    n_switched : int
        Those numbered below this are at the end of a span with a device.
    fixed : ndarray of int
        Rows of the spans that always join: no device stands on them.
    devices : ndarray of int
        Rows of the spans whose devices join or part, ascending.
    """

    def __init__(
        self, node_from: Rows, node_to: Rows, n_nodes: int, marks: tuple[Marks, Marks]
    ) -> None:
        carrying, with_device = marks
        self.node_from, self.node_to = node_from, node_to
        self.fixed = np.flatnonzero(carrying & ~with_device)
        self.devices = np.flatnonzero(carrying & with_device)
        label = joined(n_nodes, node_from[self.fixed], node_to[self.fixed])
        self.count = int(label.max(initial=-1)) + 1
        switched = np.zeros(self.count, bool)
        switched[label[node_from[self.devices]]] = True
        switched[label[node_to[self.devices]]] = True
        self.n_switched = int(switched.sum())
        number = np.empty(self.count, np.intp)
        number[np.argsort(~switched, kind="stable")] = np.arange(self.count)
        self.of_node: Rows = number[label]
        self.one: Rows = self.of_node[node_from[self.devices]]
        self.other: Rows = self.of_node[node_to[self.devices]]

    @cached_property
    def nodes(self) -> Groups:
        """The nodes of each section."""
        return Groups.of(self.of_node, self.count)

    @cached_property
    def spans(self) -> Groups:
        """The spans of each section, as places in `fixed`."""
        return Groups.of(self.of_node[self.node_from[self.fixed]], self.count)

    def labels(self, shut: Marks) -> Labels:
        """Return the parts for a state.

        Parameters
        ----------
        shut : ndarray of bool, shape (n_devices,)
            Which of the spans in `devices` join.
        """
        part = joined(self.n_switched, self.one[shut], self.other[shut])
        none = np.zeros(0, np.intp)
        return Labels(self.of_node, part, none, none)

    def changed(self, before: Labels, was: Marks, shut: Marks) -> Labels:
        """Return the parts for another state: only the parts where it differs are looked at.

        Parameters
        ----------
        before : Labels
            Of the state `was`.
        was, shut : ndarray of bool, shape (n_devices,)
            Which of the spans in `devices` joined, and which join now.
        """
        differs = np.flatnonzero(was != shut)
        if not len(differs):
            return before
        touched = np.zeros(self.n_switched + 1, bool)
        touched[before.part[self.one[differs]]] = True
        touched[before.part[self.other[differs]]] = True
        sections = np.flatnonzero(touched[before.part])
        edges = np.flatnonzero(shut & touched[before.part[self.one]])
        place = np.searchsorted(sections, np.stack([self.one[edges], self.other[edges]]))
        part = before.part.copy()
        # numbers of these sections themselves or beyond all: used by no other part
        part[sections] = _beyond(before, self.count) + joined(len(sections), *place)
        return Labels(self.of_node, part, before.nodes, before.own)

    def without(self, before: Labels, shut: Marks, nodes: Rows, spans: Iterable[int]) -> Labels:
        """Return the parts of the network without some nodes and spans.

        Parameters
        ----------
        before : Labels
            Of the whole network in the same state.
        shut : ndarray of bool, shape (n_devices,)
            Which of the spans in `devices` join.
        nodes : ndarray of int
            Nodes at which nothing joins; each is a part of its own.
        spans : iterable of int
            Rows of spans that do not join.

        Returns
        -------
        Labels
            Numbers are those of `before` where nothing was taken away.
        """
        cut = np.array(sorted(spans), np.intp)
        ends = np.concatenate([self.node_from[cut], self.node_to[cut]])
        split = np.unique(self.of_node[np.concatenate([nodes, ends])])
        members = self.nodes.members(split)
        inner = self.fixed[self.spans.members(split)]
        touched = np.unique(before[members])
        rest = np.flatnonzero(np.isin(before.part, touched))
        rest = rest[~np.isin(rest, split)]
        edges = self.devices[shut & np.isin(before.part[self.one], touched)]
        rows = np.concatenate([inner, edges])
        here, there = self.node_from[rows], self.node_to[rows]
        kept = ~(np.isin(here, nodes) | np.isin(there, nodes) | np.isin(rows, cut))
        n = len(members) + len(rest)
        one, other = (self._vertices(at[kept], split, (members, rest)) for at in (here, there))
        label = _beyond(before, self.count) + joined(n, one, other)
        part = before.part.copy()
        part[rest] = label[len(members) :]
        return Labels(self.of_node, part, members, label[: len(members)])

    def _vertices(self, at: Rows, split: Rows, vertices: tuple[Rows, Rows]) -> Rows:
        """Return numbers: nodes of split sections their own, others their section's."""
        members, rest = vertices
        section = self.of_node[at]
        inside = np.isin(section, split)
        place = np.searchsorted(rest, section) + len(members)
        return np.where(inside, np.searchsorted(members, at), place)

    def rows_of(self, labels: Labels, shut: Marks, parts: Rows) -> tuple[Rows, Rows]:
        """Return nodes and spans of some parts, ascending.

        Parameters
        ----------
        labels : Labels
            Of a state, nothing being taken away.
        shut : ndarray of bool, shape (n_devices,)
            The state.
        parts : ndarray of int
            Numbers of parts.
        """
        sections = self.sections_of(labels, parts)
        spans = self.fixed[self.spans.members(sections)]
        more = self.devices[shut & np.isin(labels.part[self.one], parts)]
        return self.nodes.members(sections), np.sort(np.concatenate([spans, more]))

    def sections_of(self, labels: Labels, parts: Rows) -> Rows:
        """Return the sections of some parts."""
        alone = parts[(parts >= self.n_switched) & (parts < self.count)]
        return np.concatenate([np.flatnonzero(np.isin(labels.part, parts)), alone])


def _beyond(labels: Labels, count: int) -> int:
    """Return a number above those of all parts."""
    return 1 + max(count, int(labels.part.max(initial=0)), int(labels.own.max(initial=0)))
