"""GeoJSON coordinates to shapely geometries, in bulk and strictly.

A position is two or three finite numbers, longitude before latitude; a third number (height) is
checked and dropped. All features of one geometry type are judged and built together; only when
something is wrong are they looked at one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import Problem
from gridground.territory.columns import GEOMETRY, NULL_GEOMETRY
from gridground.territory.features import MISSING, Features, Names
from gridground.territory.front import DEPTH
from gridground.territory.seam import eastward, over_seam, westward
from gridground.territory.text import shown

if TYPE_CHECKING:
    from numpy.typing import NDArray

VERTICES = 10_000
_LEVEL = {
    "Point": 0, "MultiPoint": 1, "LineString": 1, "MultiLineString": 2, "Polygon": 2,
    "MultiPolygon": 3,
}  # fmt: skip
_TWO = itemgetter("type", "coordinates")
_SINGLE = {"MultiPoint": "Point", "MultiLineString": "LineString"}
_WGS84 = frozenset(
    {"urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:OGC::CRS84", "EPSG:4326", "OGC:CRS84"}
)
_CRS_NAME = re.compile(
    r"(?:urn:ogc:def:crs:|https?://www\.opengis\.net/def/crs/)?"
    r"(EPSG|ESRI|OGC)[:/]{1,2}(?:[0-9.]+[:/])?(\d{4,6}|CRS84)",
    re.IGNORECASE,
)
Transform = Callable[[Any], Any]


class _ShapeError(ValueError):
    """What is wrong with coordinates, in words."""


@dataclass
class _Flat:
    """Coordinates of several geometries of one type, flattened."""

    xy: NDArray[np.float64]
    counts: list[list[int]]  # members per parent, outermost level first

    @property
    def owner(self) -> NDArray[np.intp]:
        """Geometry to which each vertex belongs."""
        return self.up_to(0)

    def up_to(self, level: int) -> NDArray[np.intp]:
        """Member of the given level to which each vertex belongs."""
        if not self.counts:
            return np.arange(len(self.xy))
        owner = np.repeat(np.arange(len(self.counts[-1])), self.counts[-1])
        for counts in reversed(self.counts[level:-1]):
            owner = np.repeat(np.arange(len(counts)), counts)[owner]
        return owner


def build(read: Features, names: Names) -> tuple[NDArray[np.object_], list[Problem]]:
    """Build the geometries of a layer.

    Parameters
    ----------
    read : Features
        As read from the file.
    names : callable
        Rows -> ids, for messages.

    Returns
    -------
    geometry : ndarray of shapely geometries or None, shape (n,)
        Longitude and latitude, WGS 84.
    problems : list of Problem
        Rejections and remarks.
    """
    problems: list[Problem] = []
    transform, remarks = _system(read)
    problems += remarks
    result = np.full(read.count, None, dtype=object)
    faults: dict[str, list[int]] = {}
    work = _Work(read, transform, result, faults)
    uniform = _uniform(read.geometries)
    if uniform is not None and uniform[0] in GEOMETRY[read.layer] and uniform[0] in _LEVEL:
        _build_items(work, *uniform, list(range(read.count)))
    else:
        for kind, rows in _kinds(read.geometries).items():
            _build_kind(work, kind, rows)
    for found, rows in faults.items():
        ids = names(sorted(rows))
        problems.append(Problem("reject", read.layer, ids, "geometry", found, _remedy(found)))
    problems += _repair(read.layer, result, names)
    return result, problems


def _uniform(geometries: list[Any]) -> tuple[str, list[Any]] | None:
    """Return type and coordinates where all have the same type and nothing else, as usual."""
    try:
        kinds, items = zip(*map(_TWO, geometries), strict=True)
    except (KeyError, TypeError, ValueError):  # something missing, null or empty
        return None
    alike = isinstance(kinds[0], str) and kinds.count(kinds[0]) == len(kinds)
    return (kinds[0], list(items)) if alike and set(map(len, geometries)) == {2} else None


def _kinds(geometries: list[Any]) -> dict[str | None, list[int]]:
    """Return the rows of each geometry type; None for null geometry, empty for an unknown type."""
    kinds = [None if one is None else one.get("type", "") for one in geometries]
    rows_of: dict[str | None, list[int]] = {}
    for row, (kind, one) in enumerate(zip(kinds, geometries, strict=True)):
        known = one is None or (isinstance(kind, str) and kind in GEOMETRY["surroundings"])
        rows_of.setdefault(kind if known else "", []).append(row)
    return rows_of


def _remedy(found: str) -> str:
    """Return what to do about a geometry."""
    if "swapped" in found:
        return "write longitude before latitude"
    if "not closed" in found:
        return "end every ring at its first position, four positions at least"
    if "out of range" in found:
        return "write degrees of longitude and latitude, or name the system in `crs`"
    return "draw it again"


@dataclass
class _Work:
    """What is being built: the layer read, its transformation, results and faults."""

    read: Features
    transform: Transform | None
    result: NDArray[np.object_]
    faults: dict[str, list[int]]

    def fault(self, found: str, rows: list[int]) -> None:
        """Add rows to a fault."""
        self.faults.setdefault(found, []).extend(rows)


def _build_kind(work: _Work, kind: str | None, rows: list[int]) -> None:
    """Build the geometries of one type, or collect what is wrong."""
    read, allowed = work.read, GEOMETRY[work.read.layer]
    if kind is None:
        if read.layer not in NULL_GEOMETRY:
            work.fault("is null", rows)
        return
    single = _SINGLE.get(kind, "")
    if kind not in allowed and single not in allowed:
        work.fault(f"is {kind or 'no known type'}, not {' or '.join(allowed)}", rows)
    elif bad := [
        row for row in rows if len(read.geometries[row]) > 2 and "crs" in read.geometries[row]
    ]:
        work.fault("has a coordinate system of its own", bad)
    elif kind == "GeometryCollection":
        for row in rows:
            try:
                work.result[row] = _collection(read.geometries[row], work.transform, 5)
            except _ShapeError as error:
                work.fault(str(error), [row])
    else:
        items = [read.geometries[row].get("coordinates", MISSING) for row in rows]
        if kind not in allowed:  # a multi geometry of one part, as many exports write it
            items, rows = _only_parts(work, items, rows, single)
        _build_items(work, kind if kind in allowed else single, items, rows)


def _build_items(work: _Work, kind: str, items: list[Any], rows: list[int]) -> None:
    """Build all at once; where that fails, find the wrong ones and build the others."""
    if not rows:
        return
    try:
        built = _make(kind, items, work.transform)
    except _ShapeError:
        good = []
        for item, row in zip(items, rows, strict=True):
            try:
                good.append((row, _make(kind, [item], work.transform)[0]))
            except _ShapeError as error:
                work.fault(str(error), [row])
        rows = [row for row, _ in good]
        built = np.array([one for _, one in good], dtype=object)
    if rows:
        work.result[rows] = built


def _only_parts(
    work: _Work, items: list[Any], rows: list[int], single: str
) -> tuple[list[Any], list[int]]:
    """Unpack multi geometries of one part; others are faults."""
    good = [isinstance(item, list) and len(item) == 1 for item in items]
    if bad := [row for row, one in zip(rows, good, strict=True) if not one]:
        work.fault(f"has several parts, not one {single}", bad)
    kept = [(item[0], row) for item, row, one in zip(items, rows, good, strict=True) if one]
    return [item for item, _ in kept], [row for _, row in kept]


def _flatten(items: list[Any], level: int) -> _Flat:
    """Flatten coordinates nested `level` lists above their positions."""
    counts = []
    for _ in range(level):
        try:
            counts.append(list(map(list.__len__, items)))
        except TypeError:
            raise _ShapeError("coordinates are not nested as the type asks") from None
        items = list(chain.from_iterable(items))
    try:
        sizes = set(map(list.__len__, items))
    except TypeError:
        raise _ShapeError("a position is not a list of numbers") from None
    flat = list(chain.from_iterable(items))
    if set(map(type, flat)) - {int, float}:
        raise _ShapeError("a position holds something other than numbers")
    if sizes - {2, 3}:
        raise _ShapeError("a position has other than two or three numbers")
    try:
        values = np.array(flat, dtype=float)
    except OverflowError:
        raise _ShapeError("a position holds a number that is not finite") from None
    if not np.isfinite(values).all():
        raise _ShapeError("a position holds a number that is not finite")
    if len(sizes) == 1:
        xy = values.reshape(-1, sizes.pop())[:, :2]
    else:
        xy = np.array([item[:2] for item in items], dtype=float).reshape(-1, 2)
    return _Flat(xy, counts)


def _make(kind: str, items: list[Any], transform: Transform | None) -> NDArray[np.object_]:
    """Build geometries of one type from their coordinates."""
    flat = _flatten(items, _LEVEL[kind])
    if any(0 in counts for counts in flat.counts):
        raise _ShapeError("is empty")
    if flat.counts:
        most = max(flat.counts[0]) if len(flat.counts) == 1 else np.bincount(flat.owner).max()
        if most > VERTICES:
            raise _ShapeError(f"has more than {VERTICES:,} vertices")
    xy = _in_range(flat.xy if transform is None else transform(flat.xy))
    if kind == "Point":
        return np.asarray(shapely.points(xy), dtype=object)
    if kind == "MultiPoint":
        return np.asarray(
            shapely.multipoints(np.asarray(shapely.points(xy)), indices=flat.owner), dtype=object
        )
    if kind in {"LineString", "MultiLineString"}:
        return _lines(flat, xy)
    return _polygons(flat, xy)


def _lines(flat: _Flat, xy: NDArray[np.float64]) -> NDArray[np.object_]:
    """Build lines, and multi lines where there are two levels."""
    if min(flat.counts[-1]) < 2:
        raise _ShapeError("a line has fewer than two positions")
    lines = np.asarray(shapely.linestrings(xy, indices=flat.up_to(len(flat.counts) - 1)))
    if len(flat.counts) == 1:
        return np.asarray(lines, dtype=object)
    owner = np.repeat(np.arange(len(flat.counts[0])), flat.counts[0])
    return np.asarray(shapely.multilinestrings(lines, indices=owner), dtype=object)


def _polygons(flat: _Flat, xy: NDArray[np.float64]) -> NDArray[np.object_]:
    """Build polygons, and multi polygons where there are three levels."""
    sizes = np.array(flat.counts[-1])
    end = np.cumsum(sizes)
    if sizes.min() < 4 or (xy[end - sizes] != xy[end - 1]).any():
        raise _ShapeError("a ring is not closed or has fewer than four positions")
    rings = np.asarray(shapely.linearrings(xy, indices=flat.up_to(len(flat.counts) - 1)))
    of_polygon = flat.counts[-2]
    of_ring = np.repeat(np.arange(len(of_polygon)), of_polygon)
    polygons = np.asarray(shapely.polygons(rings, indices=of_ring))
    if len(flat.counts) == 2:
        return np.asarray(polygons, dtype=object)
    owner = np.repeat(np.arange(len(flat.counts[0])), flat.counts[0])
    return np.asarray(shapely.multipolygons(polygons, indices=owner), dtype=object)


def _collection(geometry: dict[str, Any], transform: Transform | None, level: int) -> Any:  # noqa: ANN401  a shapely geometry
    """Build a geometry collection part by part."""
    parts = geometry.get("geometries")
    if not isinstance(parts, list) or not parts:
        raise _ShapeError("is an empty collection")
    if level > DEPTH:
        raise _ShapeError(f"is nested deeper than {DEPTH} levels")
    built = []
    for part in parts:
        kind = part.get("type") if isinstance(part, dict) else None
        if kind == "GeometryCollection":
            built.append(_collection(part, transform, level + 2))
        elif isinstance(kind, str) and kind in _LEVEL:
            built.append(_make(kind, [part.get("coordinates", MISSING)], transform)[0])
        else:
            raise _ShapeError("holds a part that is no geometry")
    whole = shapely.geometrycollections(built)
    if shapely.get_num_coordinates(whole) > VERTICES:
        raise _ShapeError(f"has more than {VERTICES:,} vertices")
    return whole


def _in_range(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the positions if all are longitude and latitude."""
    lon, lat = np.abs(xy[:, 0]), np.abs(xy[:, 1])
    good = (lon <= 180) & (lat <= 90)  # false for NaN and infinity out of a projection as well
    if good.all():
        return xy
    row = int(np.flatnonzero(~good)[0])
    if lon[row] <= 90 and lat[row] <= 180:
        raise _ShapeError("longitude and latitude out of range; swapped?")
    raise _ShapeError("longitude or latitude out of range")


def _repair(layer: str, geometry: NDArray[np.object_], names: Names) -> list[Problem]:
    """Take areas drawn across themselves as the whole area they cover, and say so."""
    if layer not in {"surroundings", "soil"}:
        return []
    present = np.array([one is not None for one in geometry], dtype=bool)
    bad = np.flatnonzero(present & ~shapely.is_valid(geometry))
    # What is drawn over the meridian of 180 degrees only seems to cross itself.
    bad = np.array([k for k in bad if not _whole_over_seam(geometry[k])], dtype=int)
    if not len(bad):
        return []
    mended = np.array([eastward(one) if over_seam(one) else one for one in geometry[bad]], object)
    # Both ways of mending it: what an outline goes round twice is inside as well.
    whole = shapely.make_valid(mended, method="structure", keep_collapsed=True)
    geometry[bad] = westward(shapely.union(shapely.make_valid(mended), whole))
    found = "an area is drawn across itself; everything its outline covers is taken"
    ids = names([int(row) for row in bad])
    return [Problem("open item", layer, ids, "geometry", found, "draw the outline again")]


def _whole_over_seam(one: Any) -> bool:  # noqa: ANN401  a geometry
    """Say whether an area over the meridian of 180 degrees is drawn as it should."""
    return over_seam(one) and bool(shapely.is_valid(eastward(one)))


def _system(read: Features) -> tuple[Transform | None, list[Problem]]:
    """Return how to bring positions to WGS 84 and what to say about it."""
    crs = read.crs
    if crs is MISSING:
        return None, []
    inner = crs.get("properties") if isinstance(crs, dict) else None
    name = inner.get("name") if isinstance(inner, dict) else None
    named = isinstance(crs, dict) and crs.get("type", "name") == "name" and isinstance(name, str)
    match = _CRS_NAME.fullmatch(name) if named and isinstance(name, str) else None
    if match is not None:
        code = f"{match.group(1).upper()}:{match.group(2).upper()}"
        if code in _WGS84:
            return None, []
        transform, remark = _reprojection(code)
        if transform is not None:
            return transform, [Problem("note", read.layer, (), "crs", remark, "check one pole")]
    found = f"names no known coordinate system ({shown(name if named else crs)})"
    remedy = "leave `crs` out for longitude and latitude, or name an EPSG code"
    return None, [Problem("reject", read.layer, (), "crs", found, remedy)]


def _reprojection(code: str) -> tuple[Transform | None, str]:
    """Return the transformation from a system on earth, or None for anything else."""
    import pyproj  # noqa: PLC0415  takes 0.1 s and is seldom wanted
    from pyproj.exceptions import ProjError  # noqa: PLC0415

    try:
        crs = pyproj.CRS.from_user_input(code)
        on_earth = crs.ellipsoid is not None and 6.3e6 < crs.ellipsoid.semi_major_metre < 6.4e6
        if not on_earth or not (crs.is_geographic or crs.is_projected):
            return None, ""
        change = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except ProjError:
        return None, ""

    def transform(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(change.transform(xy[:, 0], xy[:, 1]))

    return transform, f"brought from {code} ({crs.name}) to WGS 84"
