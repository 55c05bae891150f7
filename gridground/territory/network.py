"""The network as a graph by ids: electrical nodes, continuity through devices, ways by pole.

An electrical *node* is one circuit's conductors at one pole. Two circuits on the same pole are two
nodes; they become one only where a device or a link that has no other span of its own circuit to
join stands on the pole (a tie). Devices take phases out of a span where they are open; what they
do to the neutral is nothing: a neutral runs through devices.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.territory.layers import Layer, Territory

PHASE_BITS = {"A": 1, "B": 2, "C": 4}
_MASK_OF: dict[str | None, int] = {None: 0}


def phase_mask(phases: str | None) -> int:
    """Return the bit mask of phase letters (A 1, B 2, C 4); 0 where they are unknown."""
    if phases not in _MASK_OF:
        _MASK_OF[phases] = sum(PHASE_BITS[letter] for letter in phases or "")
    return _MASK_OF[phases]


def phase_letters(mask: int) -> str:
    """Return the letters of a bit mask in alphabetical order."""
    return "".join(letter for letter, bit in PHASE_BITS.items() if mask & bit)


@dataclass(frozen=True)
class Network:
    """Connection of a territory as integer columns; rows are those of the layers.

    Attributes
    ----------
    pole_row : dict
        `pole_id` -> row of the poles.
    span_from, span_to : ndarray of int, shape (n_spans,)
        Pole rows.
    phases, closed : ndarray of uint8, shape (n_spans,)
        Phases of the span (0 unknown), and those continuous from end to end.
    node_from, node_to : ndarray of int, shape (n_spans,)
        Electrical node at each end.
    node_pole, node_circuit : ndarray of int, shape (n_nodes,)
        Pole row and (first) circuit row of each node.
    source_node : dict
        `circuit_id` -> node at which its source stands.
    length_m : ndarray of float, shape (n_spans,)
        Recorded length where stated, else geodesic length [m].
    ties : tuple of (pole row, span row)
        Where two circuits are joined by a device or a link.
    """

    territory: Territory
    pole_row: dict[str, int]
    span_from: NDArray[np.intp]
    span_to: NDArray[np.intp]
    phases: NDArray[np.uint8]
    closed: NDArray[np.uint8]
    node_from: NDArray[np.intp]
    node_to: NDArray[np.intp]
    node_pole: NDArray[np.intp]
    node_circuit: NDArray[np.intp]
    source_node: dict[str, int]
    length_m: NDArray[np.float64]
    ties: tuple[tuple[int, int], ...]

    @classmethod
    def build(
        cls,
        territory: Territory,
        *,
        closed: Iterable[str] = frozenset(),
        opened: Iterable[str] = frozenset(),
    ) -> Network:
        """Build the graph.

        Parameters
        ----------
        territory : Territory
            As read.
        closed, opened : iterable of str
            Device ids whose recorded state is overridden.
        """
        spans, poles, circuits = territory.spans, territory.poles, territory.circuits
        pole_row = poles.index()
        circuit_row = circuits.index()
        start = _rows(spans["from_pole"], pole_row)
        end = _rows(spans["to_pole"], pole_row)
        circuit = _rows(spans["circuit_id"], circuit_row)
        source_pole = _rows(circuits["source_pole"], pole_row)
        phases = np.fromiter((phase_mask(p) for p in spans["phases"]), np.uint8, len(spans))
        node = _Nodes(start, end, circuit, source_pole)
        ties = _join_ties(territory, node, pole_row)
        shut = _closed_phases(territory, phases, (set(closed), set(opened)))
        node_from, node_to, source, pole_of, circuit_of = node.renumbered()
        return cls(
            territory=territory,
            pole_row=pole_row,
            span_from=start,
            span_to=end,
            phases=phases,
            closed=shut,
            node_from=node_from,
            node_to=node_to,
            node_pole=pole_of,
            node_circuit=circuit_of,
            source_node={str(i): int(n) for i, n in zip(circuits.ids, source, strict=True)},
            length_m=_length_m(territory),
            ties=ties,
        )

    def parts(self, keep: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Label the nodes that hang together through some spans.

        Parameters
        ----------
        keep : ndarray of bool, shape (n_spans,)
            The spans that count.

        Returns
        -------
        ndarray of int, shape (n_nodes,)
            The same number for nodes that hang together.
        """
        from scipy.sparse import coo_array  # noqa: PLC0415  start-up time
        from scipy.sparse.csgraph import connected_components  # noqa: PLC0415

        n = len(self.node_pole)
        ends = (self.node_from[keep], self.node_to[keep])
        graph = coo_array((np.ones(int(keep.sum()), np.int8), ends), shape=(n, n))
        label: NDArray[np.intp] = connected_components(graph, directed=False)[1]
        return label

    @cached_property
    def span_row(self) -> dict[str, int]:
        """Row of each span id."""
        return self.territory.spans.index()

    @cached_property
    def _at_pole(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Spans sorted by pole: (span rows, start of each pole's slice)."""
        n = len(self.span_from)
        pole = np.concatenate([self.span_from, self.span_to])
        span = np.concatenate([np.arange(n), np.arange(n)])
        order = np.argsort(pole, kind="stable")
        starts = np.searchsorted(pole[order], np.arange(len(self.pole_row) + 1))
        return span[order], starts

    def spans_at(self, pole: int) -> list[int]:
        """Return the rows of all spans that end at a pole row, in id order."""
        span, starts = self._at_pole
        rows = {int(s) for s in span[starts[pole] : starts[pole + 1]]}
        return sorted(rows, key=lambda row: str(self.territory.spans.ids[row]))

    def other_end(self, span: int, pole: int) -> int:
        """Return the pole row at the far end of a span."""
        return int(self.span_to[span] if self.span_from[span] == pole else self.span_from[span])

    def node_at(self, span: int, pole: int) -> int:
        """Return the node of a span at one of its poles."""
        return int(self.node_from[span] if self.span_from[span] == pole else self.node_to[span])

    @cached_property
    def devices_by_end(self) -> dict[tuple[int, int], list[int]]:
        """Device rows at each (pole row, span row)."""
        devices = self.territory.layer("devices")
        found: dict[tuple[int, int], list[int]] = {}
        if devices is None:
            return found
        for row, (pole_id, span_id) in enumerate(
            zip(devices["pole_id"], devices["span_id"], strict=True)
        ):
            end = (self.pole_row[pole_id], self.span_row[span_id])
            found.setdefault(end, []).append(row)
        return found


class _Nodes:
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
        self.parent = np.arange(len(unique))
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
        low, high = sorted((int(self.parent[one]), int(self.parent[other])))
        self.parent[self.parent == high] = low

    def renumbered(
        self,
    ) -> tuple[
        NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]
    ]:
        """Return consecutive numbers: from, to, source nodes, and pole and circuit of each."""
        kept, number = np.unique(self.parent, return_inverse=True)
        return (
            number[self.start],
            number[self.end],
            number[self.source],
            self.pole[kept],
            self.circuit[kept],
        )


def _rows(ids: NDArray[Any], row: dict[str, int]) -> NDArray[np.intp]:
    """Translate ids to rows."""
    return np.fromiter((row[name] for name in ids), np.intp, len(ids))


def _join_ties(
    territory: Territory, node: _Nodes, pole_row: dict[str, int]
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


def _closed_phases(
    territory: Territory,
    phases: NDArray[np.uint8],
    override: tuple[set[str], set[str]],
) -> NDArray[np.uint8]:
    """Take the phases of open devices out of their spans."""
    shut = phases.copy()
    devices = territory.layer("devices")
    if devices is None:
        return shut
    closed, opened = override
    span_row = territory.spans.index()
    for name, span_id, state, letters in zip(
        devices.ids, devices["span_id"], devices["state"], devices["phases"], strict=True
    ):
        is_open = name in opened or (state == "open" and name not in closed)
        if is_open:
            row = span_row[span_id]
            shut[row] &= ~np.uint8(phase_mask(letters) or 7)
    return shut


def geodesic_length_m(layer: Layer) -> NDArray[np.float64]:
    """Return the drawn length of each line of a layer on the WGS 84 ellipsoid [m]."""
    import shapely  # noqa: PLC0415
    from pyproj import Geod  # noqa: PLC0415

    length = np.zeros(len(layer))
    lines = np.array([g is not None for g in layer.geometry], bool)
    points, owner = shapely.get_coordinates(layer.geometry[lines], return_index=True)
    if len(points) == 0:
        return length
    _, _, step = Geod(ellps="WGS84").inv(
        points[:-1, 0], points[:-1, 1], points[1:, 0], points[1:, 1]
    )
    same = owner[1:] == owner[:-1]
    total = np.bincount(owner[1:][same], weights=np.asarray(step)[same], minlength=lines.sum())
    length[lines] = total
    return length


def _length_m(territory: Territory) -> NDArray[np.float64]:
    """Return recorded lengths where stated, else drawn ones."""
    recorded = np.asarray(territory.spans["length_m"], float)
    drawn = np.isnan(recorded)
    length = recorded.copy()
    if drawn.any():
        length[drawn] = geodesic_length_m(territory.spans)[drawn]
    return length
