"""Which energized lines run beside the dead section or cross it: exposure in short pieces.

Everything happens in the plane of one job. The dead section is cut into pieces of at most 10 m;
a piece is exposed to every straight part of a neighbour that faces it (the foot of the
perpendicular lies on the part), with the perpendicular distance and the cosine of the angle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.territory.frame import Frame
from gridground.territory.sections import joined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]

    from gridground.territory.network import Network
    from gridground.territory.ways import Zone

PIECE_M = 10.0
# Feet of perpendiculars this far beyond the end of a part still count as on it.
_SAME_M = 0.05


@dataclass(frozen=True)
class Parts:
    """Straight parts of lines in the plane, as columns.

    Attributes
    ----------
    owner : ndarray of int, shape (n,)
        Row of the line (span or other line) each part belongs to.
    start, end : ndarray, shape (n, 2)
        Ends [m], in the direction of the line.
    length_m : ndarray, shape (n,)
        Length; scaled so that the parts of a span add up to its recorded length.
    """

    owner: Rows
    start: Floats
    end: Floats
    length_m: Floats

    def __len__(self) -> int:
        return len(self.owner)

    @property
    def direction(self) -> Floats:
        """Unit vector of each part, shape (n, 2)."""
        step = self.end - self.start
        return np.asarray(step / np.linalg.norm(step, axis=1)[:, None])

    @property
    def middle(self) -> Floats:
        """Middle of each part, shape (n, 2) [m]."""
        return np.asarray((self.start + self.end) / 2)


@dataclass(frozen=True)
class Exposure:
    """Pairs of a piece of the dead section and a part of a neighbour that faces it.

    Attributes
    ----------
    piece, part : ndarray of int, shape (n,)
        Rows of the pieces and of the neighbours' parts.
    offset_m : ndarray, shape (n,)
        Distance of the neighbour's axis, positive on the right of the dead span's direction.
    cosine : ndarray, shape (n,)
        Of the angle between both directions, negative where they run against each other.
    same_poles : ndarray of bool, shape (n,)
        Both hang on the same two poles; the offset is then 0 whatever the drawing says.
    """

    piece: Rows
    part: Rows
    offset_m: Floats
    cosine: Floats
    same_poles: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.piece)

    def rows(self, kept: NDArray[Any]) -> Exposure:
        """Return some of the pairs."""
        return Exposure(**{name: column[kept] for name, column in vars(self).items()})


def dead_spans(zone: Zone, network: Network) -> NDArray[np.bool_]:
    """Return the worked spans that hang together with the worksite through closed devices.

    Parameters
    ----------
    zone : Zone
        The worksite.
    network : Network
        With the job's opened devices open.

    Returns
    -------
    ndarray of bool, shape (n_spans,)
        The galvanically connected dead section, both sides of an opening at the worksite.
    """
    if zone.span is not None:
        seeds = [int(network.node_from[zone.span]), int(network.node_to[zone.span])]
    else:
        seeds = [network.node_at(s, p) for p in zone.poles for s in zone.worked_spans_at(p)]
    nodes, spans = network.part_of(seeds)
    spans = spans[zone.worked[spans]]
    place = np.searchsorted(nodes, np.stack([network.node_from[spans], network.node_to[spans]]))
    label = joined(len(nodes), *place)
    here = nodes[np.isin(label, label[np.searchsorted(nodes, seeds)])]
    # an open span hangs on one of its ends; either may be the one: errs to the longer section
    rows = network.fixed.spans_of(zone.circuit_ids)
    hangs = np.isin(network.node_from[rows], here) | np.isin(network.node_to[rows], here)
    found = np.zeros(len(network.span_from), bool)
    found[rows[hangs]] = True
    return found


def job_frame(zone: Zone) -> Frame:
    """Return the local plane centred on the worksite."""
    network = zone.network
    rows = sorted(zone.poles)
    if zone.span is not None:
        rows = [int(network.span_from[zone.span]), int(network.span_to[zone.span])]
    middle = shapely.centroid(shapely.multipoints(network.territory.poles.geometry[rows]))
    return Frame(float(shapely.get_x(middle)), float(shapely.get_y(middle)))


def straight_parts(
    frame: Frame, geometry: NDArray[np.object_], owner: Rows, *, longest_m: float
) -> Parts:
    """Return the straight parts of lines, cut to a longest length.

    Parameters
    ----------
    frame : Frame
        The plane.
    geometry : ndarray of LineString or MultiLineString or None, shape (n,)
        Longitude and latitude.
    owner : ndarray of int, shape (n,)
        Number under which the parts of each line are returned.
    longest_m : float
        Longest part [m].
    """
    there = ~shapely.is_missing(geometry)
    lines, line = shapely.get_parts(frame.to_xy(geometry[there]), return_index=True)
    xy, at = shapely.get_coordinates(lines, return_index=True)
    follows = at[1:] == at[:-1]
    start, end = xy[:-1][follows], xy[1:][follows]
    of = np.asarray(owner, np.intp)[there][line[at[1:][follows]]]
    length = np.linalg.norm(end - start, axis=1)
    real = length > 0
    start, end, of, length = start[real], end[real], of[real], length[real]
    count = np.ceil(length / longest_m - 1e-9).astype(np.intp).clip(1)
    of_part = np.repeat(np.arange(len(of)), count)
    number = np.arange(len(of_part)) - np.repeat(np.cumsum(count) - count, count)
    step = ((end - start) / count[:, None])[of_part]
    first = start[of_part] + number[:, None] * step
    return Parts(of[of_part], first, first + step, (length / count)[of_part])


def span_parts(frame: Frame, network: Network, rows: Rows, *, longest_m: float) -> Parts:
    """Return the parts of spans, each in the direction from its `from_pole` to its `to_pole`.

    Lengths are scaled to the recorded length of the span; a span drawn the other way round is
    turned.
    """
    spans, poles = network.territory.spans, network.territory.poles
    lines = spans.geometry[rows]
    here = poles.geometry[network.span_from[rows]]
    first, last = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    turned = shapely.distance(first, here) > shapely.distance(last, here)
    lines = np.where(turned, shapely.reverse(lines), lines)
    parts = straight_parts(frame, lines, rows, longest_m=longest_m)
    _, own = np.unique(parts.owner, return_inverse=True)
    drawn = np.bincount(own, weights=parts.length_m)
    scale = network.length_m[parts.owner] / drawn[own]
    scale = np.where(np.isfinite(scale), scale, 1.0)
    return Parts(parts.owner, parts.start, parts.end, parts.length_m * scale)


def exposures(
    pieces: Parts, parts: Parts, *, group: Rows, reach_m: Floats, runs: tuple[Rows, Rows]
) -> Exposure:
    """Pair the pieces of the dead section with the parts of neighbours that face them.

    Parameters
    ----------
    pieces : Parts
        Of the dead section.
    parts : Parts
        Of all neighbours.
    group : ndarray of int, shape (n_parts,)
        Number of the neighbour each part belongs to.
    reach_m : ndarray, shape (n_groups,)
        How far each neighbour is looked for [m]; entries beyond the last group are those of
        neighbours without parts.
    runs : tuple of two ndarray of int, shapes (n_pieces,) and (n_parts,)
        The pair of poles each piece and part hangs between (`run_key`); -1 for other lines.

    Returns
    -------
    Exposure
        A piece at a corner of the neighbour that no part faces gets the nearest part; a piece
        beyond the neighbour's end is not exposed.
    """
    lines = np.asarray(shapely.linestrings(np.stack([parts.start, parts.end], axis=1)))
    tree = shapely.STRtree(lines)
    points = shapely.points(pieces.middle)
    piece, part = tree.query(points, predicate="dwithin", distance=float(reach_m.max(initial=0.0)))
    step = parts.end[part] - parts.start[part]
    size = np.linalg.norm(step, axis=1)
    along = ((pieces.middle[piece] - parts.start[part]) * step).sum(axis=1) / size**2
    foot = parts.start[part] + np.clip(along, 0, 1)[:, None] * step
    away = foot - pieces.middle[piece]
    distance = np.linalg.norm(away, axis=1)
    heading = pieces.direction[piece]
    right = np.stack([heading[:, 1], -heading[:, 0]], axis=1)
    cosine = (heading * step).sum(axis=1) / size
    side = np.where((away * right).sum(axis=1) < 0, -1.0, 1.0)
    together = runs[0][piece] == runs[1][part]
    edge = _SAME_M / size
    facing = (along >= -edge) & (along <= 1 + edge)
    kept = (facing | _at_corners((piece, part, along), parts, group, facing, distance)) & (
        distance <= reach_m[group[part]]
    )
    found = Exposure(piece, part, np.where(together, 0.0, side * distance), cosine, together)
    return found.rows(kept & _once(found, facing))


def _at_corners(
    pairs: tuple[Rows, Rows, Floats],
    parts: Parts,
    group: Rows,
    facing: NDArray[np.bool_],
    distance: Floats,
) -> NDArray[np.bool_]:
    """Mark the nearest part of pieces that no part of a neighbour faces, at its inner corners."""
    piece, part, along = pairs
    n_groups = int(group.max(initial=0)) + 1
    key = piece * n_groups + group[part]
    faced = np.isin(key, key[facing])
    ends = np.concatenate([parts.start, parts.end]).round(2)
    at = np.column_stack([np.concatenate([group, group]), ends])
    _, number, count = np.unique(at, axis=0, return_inverse=True, return_counts=True)
    inner = (count[number] > 1).reshape(2, -1)
    open_pair = ~faced & inner[(along > 0.5).astype(np.intp), part]
    order = np.lexsort((distance, key))
    order = order[open_pair[order]]
    first = np.unique(key[order], return_index=True)[1]
    marked = np.zeros(len(piece), bool)
    marked[order[first]] = True
    return marked


def _once(found: Exposure, facing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave pairs on the same poles only to parts that face the piece."""
    return ~found.same_poles | facing


def run_key(network: Network, rows: Rows) -> Rows:
    """Return a number for the pair of poles each span hangs between, the same both ways."""
    low, high = np.sort(np.stack([network.span_from[rows], network.span_to[rows]]), axis=0)
    return np.asarray(low * len(network.pole_row) + high, np.intp)


def paths_m(
    network: Network, spans: NDArray[np.bool_], start: int, weights: Floats
) -> tuple[Floats, Rows]:
    """Return the shortest distance of every pole from one, and the span by which each is reached.

    Parameters
    ----------
    network : Network
        The graph.
    spans : ndarray of bool, shape (n_spans,)
        Spans that count.
    start : int
        Pole row.
    weights : array_like, shape (n_spans,)
        Length of each span [m].

    Returns
    -------
    distance : ndarray, shape (n_poles,)
        [m]; infinite where a pole is not reached.
    came_by : ndarray of int, shape (n_poles,)
        Span row towards `start`; -1 at `start` and where not reached.
    """
    from scipy.sparse import csr_array  # noqa: PLC0415  start-up time
    from scipy.sparse.csgraph import dijkstra  # noqa: PLC0415

    rows = np.flatnonzero(spans)
    poles = np.unique(np.append(network.span_from[rows], [*network.span_to[rows], start]))
    n = len(poles)
    order = rows[np.argsort(np.asarray(weights, float)[rows], kind="stable")]
    ends = np.stack([network.span_from[order], network.span_to[order]])
    low, high = np.sort(np.searchsorted(poles, ends), axis=0)
    _, first = np.unique(low * n + high, return_index=True)  # the shortest of parallel spans
    kept = order[first]
    length = np.maximum(np.asarray(weights, float)[kept], 1e-15)  # a zero would be no edge
    one, other = (np.searchsorted(poles, at[kept]) for at in (network.span_from, network.span_to))
    graph = csr_array((length, (one, other)), shape=(n, n))
    here = int(np.searchsorted(poles, start))
    near, before = dijkstra(graph, directed=False, indices=here, return_predecessors=True)
    span_of = {
        frozenset(pair): int(s) for *pair, s in zip(one.tolist(), other.tolist(), kept, strict=True)
    }
    reached = np.flatnonzero(before >= 0)
    distance = np.full(len(network.pole_row), np.inf)
    distance[poles] = near
    came_by = np.full(len(network.pole_row), -1, np.intp)
    came_by[poles[reached]] = [span_of[frozenset((int(p), int(before[p])))] for p in reached]
    return distance, came_by
