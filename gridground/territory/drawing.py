"""The drawing as a witness: do the lines lie where the ids say, and are they as long as recorded.

Connection comes from ids. Lengths on the drawing are taken on the WGS 84 ellipsoid with the radii
of curvature at the middle latitude of each step: exact to 1 mm for steps up to some kilometres,
and many times faster than the geodesic series.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.territory.columns import bands
from gridground.territory.findings import Findings
from gridground.units import M_PER_FT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Layer

_AXIS_M = 6378137.0  # WGS 84
_FLATTENING = 1 / 298.257223563
_E2 = _FLATTENING * (2 - _FLATTENING)
_TWIN_M = 0.5
_EQUIPMENT_M = 30.0  # symbols are drawn beside the pole
_UNIT_TOLERANCE = 0.05
_PAIRS = 5_000_000


def step_m(lon: Any, lat: Any, other_lon: Any, other_lat: Any) -> NDArray[np.float64]:  # noqa: ANN401  scalars or arrays
    """Return the distance between positions on the WGS 84 ellipsoid.

    Parameters
    ----------
    lon, lat, other_lon, other_lat : float or ndarray
        Longitude and latitude [deg].

    Returns
    -------
    ndarray
        Distance [m], exact to 1 mm up to some kilometres.

    Notes
    -----
    ``s² = (M Δφ)² + (N cos φ Δλ)²`` at the middle latitude φ, with the meridional radius
    ``M = a (1 - e²) / W³`` and the radius of the prime vertical ``N = a / W``,
    ``W² = 1 - e² sin² φ``. Errs beyond 1 mm for steps over about 5 km.
    """
    middle = np.radians((np.asarray(lat, float) + other_lat) / 2)
    w2 = 1 - _E2 * np.sin(middle) ** 2
    north = _AXIS_M * (1 - _E2) / w2**1.5 * np.radians(np.subtract(other_lat, lat))
    turn = (np.subtract(other_lon, lon) + 180.0) % 360.0 - 180.0
    east = _AXIS_M / np.sqrt(w2) * np.cos(middle) * np.radians(turn)
    return np.asarray(np.hypot(north, east))


def drawn_m(geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return the drawn length of each line [m], NaN where there is no geometry."""
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    step = step_m(xy[:-1, 0], xy[:-1, 1], xy[1:, 0], xy[1:, 1])
    same = owner[1:] == owner[:-1]
    total = np.bincount(owner[1:][same], weights=step[same], minlength=len(geometry))
    total[shapely.is_missing(geometry)] = np.nan
    return np.asarray(total, dtype=float)


def _plane(geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return points in metres on a plane good enough to find neighbours (0.5 % at 100 km)."""
    xy = np.column_stack([shapely.get_x(geometry), shapely.get_y(geometry)])
    if not np.isfinite(xy).any():
        return np.full_like(xy, np.nan)
    scale = np.cos(np.radians(np.nanmean(xy[:, 1])))
    return np.asarray(xy * np.radians(_AXIS_M) * np.array([scale, 1.0]))


def join_nearest(
    layer: Layer, poles: Layer, columns: tuple[str, ...], tolerance_m: float, findings: Findings
) -> None:
    """Fill pole ids by the nearest pole, as ``columns.toml`` asks, and say so.

    Parameters
    ----------
    layer : Layer
        Spans (first and last position) or points; its columns are filled where they are None.
    poles : Layer
        The poles.
    columns : tuple of str
        Columns to fill: two for the ends of a line, one for a point.
    tolerance_m : float
        Largest distance [m].
    findings : Findings
        Receives a note with the count, a rejection beyond the tolerance and an open item where
        two poles lie within it.
    """
    usable = np.flatnonzero(~shapely.is_missing(poles.geometry))
    where = poles.geometry[usable]
    tree = shapely.STRtree(where)
    for position, column in enumerate(columns):
        ends = layer.geometry
        if len(columns) == 2:
            ends = shapely.get_point(ends, -position)  # 0 first, -1 last
        empty = np.array([one is None for one in layer[column]], dtype=bool)
        rows = np.flatnonzero(empty & ~shapely.is_missing(ends))
        if not len(rows) or not len(usable):
            continue
        lat = float(np.abs(shapely.get_y(ends[rows])).max())
        reach = float(np.degrees(tolerance_m / _AXIS_M)) / max(np.cos(np.radians(lat)), 0.01)
        end, pole = tree.query(ends[rows], predicate="dwithin", distance=1.01 * reach)
        a, b = ends[rows][end], where[pole]
        gap = step_m(shapely.get_x(a), shapely.get_y(a), shapely.get_x(b), shapely.get_y(b))
        inside = gap <= tolerance_m
        end, pole, gap = end[inside], pole[inside], gap[inside]
        order = np.lexsort((pole, gap, end))
        end, pole, gap = end[order], pole[order], gap[order]
        first = np.concatenate([[True], end[1:] != end[:-1]]) if len(end) else np.array([], bool)
        joined = rows[end[first]]
        layer.columns[column][joined] = poles.ids[usable[pole[first]]]
        largest = float(gap[first].max()) if first.any() else 0.0
        found = f"{len(joined)} joined to the nearest pole, at most {largest:.2f} m away"
        findings.add("note", joined, column, found, "asked for by columns.toml")
        twice = rows[np.unique(end[~first])]
        found = f"two poles within {tolerance_m:g} m; the nearer one is taken"
        findings.add("open item", twice, column, found, "state the pole id or a smaller tolerance")
        alone = np.setdiff1d(rows, joined)
        found = f"no pole within {tolerance_m:g} m of the drawn end"
        findings.add("reject", alone, column, found, "state the pole id or mend the drawing")


def check_spans(
    spans: Layer, poles: Layer, ends: tuple[NDArray[np.intp], NDArray[np.intp]], findings: Findings
) -> None:
    """Hold drawn spans against their poles and their recorded length.

    Parameters
    ----------
    spans, poles : Layer
        The layers.
    ends : tuple of two ndarray of int, shape (n_spans,)
        Pole rows of `from_pole` and `to_pole`, -1 where unknown.
    findings : Findings
        Of the spans.
    """
    drawn = drawn_m(spans.geometry)
    link = np.array([kind == "link" for kind in spans["kind"]], dtype=bool)
    empty = np.flatnonzero((drawn == 0) & ~link)
    findings.add("reject", empty, "geometry", "is drawn with no length", "draw it pole to pole")
    _check_ends(spans, poles, ends, findings)
    recorded = np.asarray(spans["length_m"], dtype=float)
    ratio = np.full(len(spans), np.nan)
    known = (drawn > 0) & ~np.isnan(recorded) & ~link
    ratio[known] = recorded[known] / drawn[known]
    band = bands()["drawing", "recorded_over_drawn"]
    outside = (ratio < band.low) | (ratio > band.high)
    for factor, words in (
        (1 / M_PER_FT, "feet written as metres?"),
        (M_PER_FT, "converted from feet twice, or metres written as feet?"),
    ):
        near = outside & (np.abs(ratio / factor - 1) < _UNIT_TOLERANCE)
        _say_ratio(findings, ratio, near, f"; near {factor:.4g}: {words}")
        outside &= ~near
    _say_ratio(findings, ratio, outside, "")


def _say_ratio(
    findings: Findings, ratio: NDArray[np.float64], where: NDArray[np.bool_], words: str
) -> None:
    """Report recorded against drawn lengths."""
    rows = np.flatnonzero(where)
    if not len(rows):
        return
    low, high = ratio[rows].min(), ratio[rows].max()
    which = f"{low:.3g}" if low == high else f"{low:.3g} to {high:.3g}"
    found = f"recorded length is {which} times the drawn one (usual: within 25 %){words}"
    remedy = "the recorded length counts for impedance: confirm it or correct one of the two"
    findings.add("open item", rows, "length_m", found, remedy)


def _check_ends(
    spans: Layer, poles: Layer, ends: tuple[NDArray[np.intp], NDArray[np.intp]], findings: Findings
) -> None:
    """Report spans whose drawn ends are not at their poles."""
    start, end = ends
    known = (start >= 0) & (end >= 0) & ~shapely.is_missing(spans.geometry)
    rows = np.flatnonzero(known)
    x, y = shapely.get_x(poles.geometry), shapely.get_y(poles.geometry)
    lines = spans.geometry[rows]
    drawn = [shapely.get_point(lines, place) for place in (0, -1)]

    def gap(point: NDArray[np.object_], pole: NDArray[np.intp]) -> NDArray[np.float64]:
        return step_m(shapely.get_x(point), shapely.get_y(point), x[pole], y[pole])

    straight = np.maximum(gap(drawn[0], start[rows]), gap(drawn[1], end[rows]))
    limit = bands()["drawing", "end_gap"].high
    off = straight > limit  # false where a pole has no usable place
    if not off.any():
        return
    turned = np.maximum(gap(drawn[0], end[rows]), gap(drawn[1], start[rows]))
    backwards = off & (turned <= limit)
    found = "drawn from to_pole to from_pole; the ids count"
    findings.add("note", rows[backwards], "geometry", found, "draw it the other way or swap ids")
    off &= ~backwards
    if off.any():
        worst = float(np.minimum(straight, turned)[off].max())
        found = f"a drawn end is up to {worst:,.1f} m away from its pole (more than {limit:g} m)"
        remedy = "the ids count for the connection: confirm them or mend the drawing"
        findings.add("open item", rows[off], "geometry", found, remedy)


def check_crossings(
    spans: Layer,
    circuit: NDArray[np.intp],
    ends: tuple[NDArray[np.intp], NDArray[np.intp]],
    findings: Findings,
) -> None:
    """Remark spans of one circuit that cross where there is no pole.

    Two spans that cross without a pole may be joined there by a flying tap; by ids they are not.
    """
    rows = np.flatnonzero(~shapely.is_missing(spans.geometry) & (circuit >= 0))
    lines = spans.geometry[rows]
    tree = shapely.STRtree(lines)
    start, end = ends
    crossing: set[int] = set()
    chunk = max(16, _PAIRS // max(1, len(rows)))
    seen = 0
    for low in range(0, len(rows), chunk):
        one, two = tree.query(lines[low : low + chunk])
        seen += len(one)
        if seen > 4 * _PAIRS:
            found = "too many spans lie over each other; crossings were not looked for"
            findings.add("open item", rows[:1], "geometry", found, "mend the drawing")
            return
        one = one + low
        a, b = rows[one], rows[two]
        keep = (one < two) & (circuit[a] == circuit[b])
        for p in (start, end):
            for q in (start, end):
                keep &= p[a] != q[b]
        a, b = a[keep], b[keep]
        hit = shapely.crosses(spans.geometry[a], spans.geometry[b])
        crossing.update(a[hit].tolist(), b[hit].tolist())
    found = "crosses another span of its circuit where there is no pole; taken as not joined"
    findings.add("note", sorted(crossing), "geometry", found, "add a pole where they are joined")


def check_poles(poles: Layer, used: NDArray[np.bool_], findings: Findings) -> None:
    """Remark twin poles and poles without a span."""
    findings.add(
        "note", np.flatnonzero(~used), "pole_id", "no span ends here", "leave it out or add spans"
    )
    rows = np.flatnonzero(~shapely.is_missing(poles.geometry))
    points = np.asarray(shapely.points(_plane(poles.geometry[rows])))
    tree = shapely.STRtree(points)
    near, _ = tree.query_nearest(
        points, max_distance=_TWIN_M, exclusive=True, all_matches=False, return_distance=False
    )
    found = f"another pole stands within {_TWIN_M:g} m"
    findings.add("note", rows[np.unique(near)], "geometry", found, "is it the same pole twice?")


def check_symbols(layer: Layer, poles: Layer, pole: NDArray[np.intp], findings: Findings) -> None:
    """Remark devices, equipment and sources that are drawn far from their pole."""
    known = (pole >= 0) & ~shapely.is_missing(layer.geometry)
    rows = np.flatnonzero(known)
    a, b = layer.geometry[rows], poles.geometry[pole[rows]]
    gap = step_m(shapely.get_x(a), shapely.get_y(a), shapely.get_x(b), shapely.get_y(b))
    found = f"is drawn more than {_EQUIPMENT_M:g} m away from its pole; the id counts"
    findings.add("note", rows[gap > _EQUIPMENT_M], "geometry", found, "check the pole id")
