"""Where the neutral may be broken: every state of it that the worker study looks at.

A broken neutral shows nowhere before the fault. Four breaks are looked at, each a whole state of
the network: the span by which the way from the source enters the first place with grounds; the
span by which it enters the first worksite; every span that leaves the grounds on the other sides;
and all spans that leave them, so that the neutral between the grounds is a section of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import has_neutral

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.network import Network


@dataclass(frozen=True)
class Breaks:
    """The breaks of the neutral that are looked at.

    Attributes
    ----------
    ends : dict
        Span row -> the end at which its neutral can be opened, 0 from, 1 to: the end away from the
        grounds, so that what hangs on stays within the worker's reach.
    states : tuple of frozenset of int
        Span rows that are opened together, each state once; without the intact one.
    """

    ends: dict[int, int]
    states: tuple[frozenset[int], ...]


def neutral_breaks(
    network: Network, *, start: int | None, grounds: list[int], worksites: list[int]
) -> Breaks:
    """Find the breaks of the neutral round some places.

    Parameters
    ----------
    network : Network
        With the states of devices.
    start : int or None
        Node at which the source stands; None where the way from it is not along the network: only
        the section between the grounds is then cut off.
    grounds, worksites : list of int
        Nodes of all places, and of those at which people work.

    Returns
    -------
    Breaks
        Empty where no neutral could break: none there, or the source stands at the grounds.
    """
    has = has_neutral(network.territory)
    ends: dict[int, int] = {}
    entering: frozenset[int] = frozenset()
    states: list[frozenset[int]] = []
    if start is not None:
        way = way_from(network, start)
        for nodes in (grounds, worksites):
            entries = [entering_spans(network, way, first) for first in first_met(way, nodes)]
            entering = entering or frozenset(row for found in entries for row in found)
            states += [frozenset(found) for found in entries]
            ends |= {row: end for found in entries for row, end in found.items() if row not in ends}
    leaving = _leaving(network, grounds, has)
    ends |= {row: end for row, end in leaving.items() if row not in ends}
    around = frozenset(leaving)
    states += [around - entering, around] if start is not None else [around]
    kept = tuple(dict.fromkeys(state for state in states if state))
    return Breaks(ends, kept)


@dataclass(frozen=True)
class Way:
    """From a source to every node: the node before it, negative where none leads there."""

    start: int
    before: NDArray[np.intp]

    def reaches(self, node: int) -> bool:
        """Say whether a way leads to a node."""
        return node == self.start or bool(self.before[node] >= 0)


def way_from(network: Network, start: int) -> Way:
    """Return the shortest ways from a source along closed spans."""
    return network.once(
        ("way from", start),
        lambda: Way(start, _ways_from(network, start, network.closed > 0)),
    )


def first_met(way: Way, nodes: list[int]) -> list[int]:
    """Return those of some nodes that the way from a source meets before any other of them."""
    among, found = set(nodes), []
    for node in sorted(among):
        if not way.reaches(node):
            continue
        here = node
        while here != way.start:
            here = int(way.before[here])
            if here in among:
                break
        if node == way.start or here not in among:
            found.append(node)
    return found


def entering_spans(network: Network, way: Way, first: int) -> dict[int, int]:
    """Return the spans by which the shortest way from a source enters a node.

    Parameters
    ----------
    network : Network
        With the states of devices.
    way : Way
        From the source, as `way_from` returns.
    first : int
        Node it is led to.

    Returns
    -------
    dict
        Span row -> its end away from the node; only spans with a neutral.
    """
    shut = np.flatnonzero(network.closed > 0)
    if not way.reaches(first) or first == way.start:
        return {}
    has = has_neutral(network.territory)
    found = _between(network, shut[has[shut]], first, int(way.before[first]))
    return found | _on_one_wire(network, found)


def _between(network: Network, rows: NDArray[np.intp], inside: int, outside: int) -> dict[int, int]:
    """Return the spans between two nodes and their end at the second one."""
    one, other = network.node_from[rows], network.node_to[rows]
    low, high = min(inside, outside), max(inside, outside)
    hit = rows[(np.minimum(one, other) == low) & (np.maximum(one, other) == high)]
    return {int(row): 0 if network.node_from[row] == outside else 1 for row in hit}


def _on_one_wire(network: Network, found: dict[int, int]) -> dict[int, int]:
    """Return the spans of other circuits that hang on the same neutral wire, at the same end."""
    spans = network.territory.spans
    shared, circuit = spans["shares_neutral_with"], spans["circuit_id"]
    more: dict[int, int] = {}
    for row, end in found.items():
        outside, inside = network.span_from[row], network.span_to[row]
        if end == 1:
            outside, inside = inside, outside
        for other in network.spans_at(int(outside)):
            same = network.other_end(other, int(outside)) == inside
            if same and (shared[other] == circuit[row] or shared[row] == circuit[other]):
                more[other] = 0 if network.span_from[other] == outside else 1
    return more


def _leaving(network: Network, grounds: list[int], has: NDArray[np.bool_]) -> dict[int, int]:
    """Return the spans with a neutral that leave the grounds and what lies between them."""
    rows = np.flatnonzero(has)
    section: set[int] = set()
    for node in grounds:
        if node in section:
            continue
        section.add(node)
        circuit = network.node_circuit[node]
        others = [n for n in grounds if n != node and network.node_circuit[n] == circuit]
        if not others:
            continue
        way = Way(node, _ways_from(network, node, has))
        for other in filter(way.reaches, others):
            here = other
            while here != node:
                section.add(here)
                here = int(way.before[here])
    inside = np.isin(np.arange(len(network.node_pole)), sorted(section))
    near, far = inside[network.node_from[rows]], inside[network.node_to[rows]]
    leaving = near != far
    return {
        int(row): 1 if from_inside else 0
        for row, from_inside in zip(rows[leaving], near[leaving], strict=True)
    }


def _ways_from(network: Network, start: int, along: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the node before every node on the shortest way along some spans."""
    from scipy.sparse import coo_matrix  # noqa: PLC0415  off the start-up path
    from scipy.sparse.csgraph import breadth_first_order  # noqa: PLC0415

    n, rows = len(network.node_pole), np.flatnonzero(along)
    one, other = network.node_from[rows], network.node_to[rows]
    pairs = (np.concatenate([one, other]), np.concatenate([other, one]))
    graph = coo_matrix((np.ones(len(pairs[0])), pairs), shape=(n, n)).tocsr()
    _, before = breadth_first_order(graph, start, directed=True)
    return np.asarray(before, np.intp)
