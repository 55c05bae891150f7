"""The connection by ids: what is not reached from its source, and what changes along the way.

Each circuit is followed from its own source through its own spans, whatever the state of its
devices: data must be sound on both sides of an open point. A node is one circuit at one pole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.territory.findings import Findings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Layer

_BITS = {"A": 1, "B": 2, "C": 4}


@dataclass(frozen=True)
class Ends:
    """Rows that the ids of the spans and circuits name; -1 where an id is missing or dangling."""

    start: NDArray[np.intp]
    end: NDArray[np.intp]
    circuit: NDArray[np.intp]
    source_pole: NDArray[np.intp]


@dataclass(frozen=True)
class _Graph:
    """Usable spans as edges between nodes, and the tree that is met first from the sources."""

    rows: NDArray[np.intp]  # span rows
    u: NDArray[np.intp]
    v: NDArray[np.intp]
    source: NDArray[np.intp]  # node of each circuit's source, -1 unknown
    before: NDArray[np.intp]  # node before each node, negative at sources and where not reached
    reached: NDArray[np.bool_]


def masks(phases: NDArray[np.object_]) -> NDArray[np.uint8]:
    """Return phase letters as bits (A 1, B 2, C 4), 0 where unknown."""
    table = {text: sum(_BITS[c] for c in text or "") for text in set(phases)}
    return np.array([table[text] for text in phases], dtype=np.uint8)


def _follow(ends: Ends) -> _Graph:
    """Follow every circuit from its source."""
    from scipy.sparse import coo_array  # noqa: PLC0415  slow to import, not wanted for a job file
    from scipy.sparse.csgraph import breadth_first_order  # noqa: PLC0415

    rows = np.flatnonzero((ends.start >= 0) & (ends.end >= 0) & (ends.circuit >= 0))
    n_circuits = max(1, len(ends.source_pole))
    circuits = np.arange(len(ends.source_pole))
    known = ends.source_pole >= 0
    keys = [
        ends.start[rows] * n_circuits + ends.circuit[rows],
        ends.end[rows] * n_circuits + ends.circuit[rows],
        (ends.source_pole * n_circuits + circuits)[known],
    ]
    unique, number = np.unique(np.concatenate(keys), return_inverse=True)
    u, v, at = np.split(number, [len(rows), 2 * len(rows)])
    root = len(unique)  # one node before all sources
    i = np.concatenate([u, np.full(len(at), root)])
    j = np.concatenate([v, at])
    graph = coo_array((np.ones(len(i)), (i, j)), shape=(root + 1, root + 1)).tocsr()
    order, before = breadth_first_order(graph, root, directed=False)
    reached = np.zeros(root + 1, dtype=bool)
    reached[order] = True
    before = np.where(before == root, -1, before)
    source = np.full(len(ends.source_pole), -1)
    source[known] = at
    return _Graph(rows, u, v, source, before[:root], reached[:root])


def check_connection(spans: Layer, ends: Ends, findings: tuple[Findings, Findings]) -> None:
    """Judge what the ids connect.

    Parameters
    ----------
    spans : Layer
        The spans.
    ends : Ends
        What their ids name.
    findings : tuple of Findings
        Of the spans and of the circuits.
    """
    of_spans, of_circuits = findings
    graph = _follow(ends)
    present = np.bincount(np.concatenate([graph.u, graph.v]), minlength=len(graph.before))
    placed = np.flatnonzero(graph.source >= 0)
    no_span = placed[present[graph.source[placed]] == 0]
    found = "no span of the circuit ends at its source pole"
    of_circuits.add("open item", no_span, "source_pole", found, "correct the pole or add the span")
    fed = np.isin(ends.circuit[graph.rows], np.flatnonzero(graph.source >= 0))
    island = graph.rows[fed & ~graph.reached[graph.u]]
    found = "not reached from the source of its circuit"
    remedy = "add the missing span, or correct circuit_id or the pole ids"
    of_spans.add("note", island, "circuit_id", found, remedy)
    _check_along(spans, graph, of_spans)
    _check_loops(spans, ends, graph, findings)


def _check_along(spans: Layer, graph: _Graph, findings: Findings) -> None:
    """Report phases and neutrals that the feeding span does not have.

    A span feeds the end that is more spans away from the source; of two ends equally far, both.
    """
    rows, u, v = graph.rows, graph.u, graph.v
    level = _levels(graph.before)
    known = graph.reached[u] & graph.reached[v]
    downward = known & (level[v] > level[u])  # the span feeds its to_pole
    upward = known & (level[u] > level[v])
    beside = known & (level[u] == level[v]) & (u != v)  # in a loop: may feed either end
    tree = downward | upward
    feeds = np.where(downward, v, np.where(upward, u, -1))
    phases = masks(spans["phases"])[rows]
    neutral = np.array([one is not None for one in spans["neutral_conductor"]], dtype=bool)[rows]
    stated = spans.stated["neutral_conductor"][rows]
    n = len(graph.before)
    incoming = np.zeros(n, dtype=np.uint8)
    with_neutral, judged = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for end, which in ((feeds, tree), (u, beside), (v, beside)):
        np.bitwise_or.at(incoming, end[which], phases[which])
        np.logical_or.at(with_neutral, end[which], neutral[which])
        np.logical_or.at(judged, end[which], stated[which])
    upper = np.where(downward, u, v)
    inner = tree & (graph.before[upper] >= 0)
    lacking = inner & (incoming[upper] > 0) & ((phases & ~incoming[upper]) > 0)
    found = "has a phase that the span before it lacks"
    remedy = "correct the phase letters of one of the two"
    findings.add("open item", rows[lacking], "phases", found, remedy)
    both = inner & judged[upper] & stated
    stops = both & with_neutral[upper] & ~neutral
    starts = both & ~with_neutral[upper] & neutral
    found = "no neutral, but the span before it has one: the neutral stops here"
    findings.add("note", rows[stops], "neutral_conductor", found, "confirm it")
    found = "a neutral, but the span before it has none: the neutral begins here"
    findings.add("note", rows[starts], "neutral_conductor", found, "confirm it")


def _levels(before: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return how many spans lie between each node and its source, by doubling the reach."""
    here = np.arange(len(before))
    ahead = np.where(before >= 0, before, here)
    level = (before >= 0).astype(np.intp)
    while (ahead != ahead[ahead]).any():
        level = level + level[ahead]
        ahead = ahead[ahead]
    return level


def _check_loops(
    spans: Layer, ends: Ends, graph: _Graph, findings: tuple[Findings, Findings]
) -> None:
    """Report spans drawn twice and circuits that are looped."""
    of_spans, of_circuits = findings
    low, high = np.minimum(graph.u, graph.v), np.maximum(graph.u, graph.v)
    pair = low * (len(graph.before) + 1) + high
    order = np.argsort(pair, kind="stable")
    again = np.zeros(len(pair), dtype=bool)
    again[order[1:]] = pair[order[1:]] == pair[order[:-1]]
    again &= low != high
    phases = masks(spans["phases"])[graph.rows]
    if again.any():
        unique, number = np.unique(pair, return_inverse=True)
        total = np.bincount(number, weights=sum((phases >> bit) & 1 for bit in range(3)))
        together = np.zeros(len(unique), dtype=np.uint8)
        np.bitwise_or.at(together, number, phases)
        distinct = sum((together >> bit) & 1 for bit in range(3))
        twice = (total > distinct)[number] & (np.bincount(number)[number] > 1)
        found = "two spans of one circuit carry the same phase between the same poles"
        remedy = "leave one out, unless the line really is double"
        of_spans.add("open item", graph.rows[np.flatnonzero(twice)], "from_pole", found, remedy)
    in_tree = (graph.before[graph.v] == graph.u) | (graph.before[graph.u] == graph.v)
    chord = graph.reached[graph.u] & ~in_tree & ~again & (low != high)
    looped = np.unique(ends.circuit[graph.rows[chord]])
    if len(looped):
        found = f"looped ({int(chord.sum())} spans close a loop, open devices counted as closed)"
        of_circuits.add("note", looped, "circuit_id", found, "a loop is solved as a loop")
        found = "closes a loop of its circuit (open devices counted as closed)"
        remedy = "correct the pole ids if the circuit is radial"
        of_spans.add("note", graph.rows[chord], "to_pole", found, remedy)
