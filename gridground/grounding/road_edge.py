"""Where the devices of a taper stand: along the drawn edge of a road, where that is plain enough.

The places are an estimate for the map: the edge drawn is the edge of the paving, and nobody has
looked along the road. Where the edge turns, ends, or meets another road there is no answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry.polygon import orient
from shapely.ops import substring

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STRAIGHT_DEG = 15.0  # by how much an edge may turn over the whole run; our judgement
CLEAR_M = 1.0  # nearer than this to the edge another road counts as a junction; our judgement


def devices_on_edge(
    road: Any,  # noqa: ANN401  shapely geometry
    zone: Any,  # noqa: ANN401
    *,
    offset_m: float,
    tapers: Sequence[tuple[float, int]],
    along: int,
    others: Sequence[Any] = (),
) -> Floats | None:
    """Return where devices stand along the edge of a road that a zone reaches into.

    Parameters
    ----------
    road, zone : shapely geometry
        In the plane [m]; the road as an area.
    offset_m : float
        From the drawn edge to the line along which the devices stand beside the zone [m].
    tapers : sequence of (length, devices)
        The one that traffic of the near lane meets first, and the one behind the zone [m].
    along : int
        Devices between the two.
    others : sequence of shapely geometry
        Other roads: a junction is not plain.

    Returns
    -------
    ndarray, shape (n, 2), or None
        Positions in the plane [m], in the order in which traffic keeping to the right passes
        them; None where the road is no area, its edge turns by more than 15 degrees within the
        run, is too short, or meets another road.
    """
    run = _run(road, zone, tuple(length_m for length_m, _ in tapers))
    if run is None:
        return None
    edge, from_m, to_m = run
    if any(shapely.dwithin(edge, other, CLEAR_M) for other in others):
        return None
    (before_m, first), (behind_m, last) = tapers
    where = np.concatenate(
        [
            np.linspace(from_m - before_m, from_m, first),
            np.linspace(from_m, to_m, along + 2)[1:-1],
            np.linspace(to_m, to_m + behind_m, last),
        ]
    )
    share = np.concatenate([np.linspace(0, 1, first), np.ones(along), np.linspace(1, 0, last)])
    places = _beside(edge, where, offset_m * share)
    inside = shapely.contains(shapely.buffer(road, 0.05), shapely.points(places))
    return places if inside.all() else None


def _run(
    road: Any,  # noqa: ANN401  shapely geometry
    zone: Any,  # noqa: ANN401
    more_m: tuple[float, ...],
) -> tuple[Any, float, float] | None:
    """Return a straight enough piece of the edge, and where along it the zone begins and ends."""
    if road.geom_type != "Polygon" or not road.is_valid:
        return None
    ring = orient(road, 1.0).exterior  # the road to the left: traffic of the near lane runs so
    met = shapely.intersection(ring, zone)
    spots = shapely.get_coordinates(met)
    if not len(spots):
        return None
    # Three times round, so that a run over the ring's first corner is one piece.
    corners = shapely.get_coordinates(ring)
    line = shapely.LineString(np.concatenate([corners, corners[1:], corners[1:]]))
    middle = shapely.line_interpolate_point(met, 0.5, normalized=True) if _one(met) else None
    if middle is None:
        return None
    middle_m = float(ring.line_locate_point(middle)) + ring.length
    half_m = met.length / 2
    low_m, high_m = middle_m - half_m - more_m[0], middle_m + half_m + more_m[1]
    if high_m - low_m > ring.length / 2:
        return None
    edge = substring(line, low_m, high_m)
    steps = np.diff(shapely.get_coordinates(edge), axis=0)
    headings = np.degrees(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    if float(np.ptp(headings)) > STRAIGHT_DEG:
        return None
    return edge, more_m[0], more_m[0] + met.length


def _one(met: Any) -> bool:  # noqa: ANN401  shapely geometry
    """Say whether the zone meets the edge in one piece."""
    merged = shapely.line_merge(met) if met.geom_type == "MultiLineString" else met
    return bool(merged.geom_type == "LineString")


def _beside(edge: Any, where_m: Floats, off_m: Floats) -> Floats:  # noqa: ANN401
    """Return points to the left of a line by their way along it and their distance from it."""
    step_m = min(0.05, edge.length / 4)
    low = np.clip(where_m - step_m, 0.0, edge.length)
    high = np.clip(where_m + step_m, 0.0, edge.length)
    here, a, b = (
        shapely.get_coordinates(shapely.line_interpolate_point(edge, np.clip(m, 0, edge.length)))
        for m in (where_m, low, high)
    )
    ahead = (b - a) / np.hypot(*(b - a).T)[:, None]
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    return np.asarray(here + off_m[:, None] * left)
