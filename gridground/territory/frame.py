"""The local plane of a job: metres east and north of a point on WGS 84, and geodesic measures.

Distances are never taken in degrees or in web Mercator (at 45° N a rod drawn there at 15 ft stands
at 10.6 ft): either in this plane or by geodesic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any, overload

import numpy as np
import shapely

from gridground.territory.seam import eastward, over_seam

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from shapely import Geometry

    Floats = NDArray[np.float64]


@cache
def _geod() -> Any:  # noqa: ANN401  pyproj.Geod, imported only when something is measured
    """Return the geodesic calculator of WGS 84."""
    from pyproj import Geod  # noqa: PLC0415  heavy

    return Geod(ellps="WGS84")


def geodesic_m(
    lon_1: ArrayLike, lat_1: ArrayLike, lon_2: ArrayLike, lat_2: ArrayLike
) -> tuple[Floats, Floats]:
    """Return the geodesic distance and the bearing at the first point.

    Parameters
    ----------
    lon_1, lat_1, lon_2, lat_2 : array_like
        Positions on WGS 84 [degrees]; broadcast against each other.

    Returns
    -------
    distance_m : ndarray
        Geodesic distance [m].
    bearing_deg : ndarray
        Bearing of the second point seen from the first, clockwise from true north, 0 to under
        360 [degrees]; 0 where the points coincide.

    References
    ----------
    C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013) 43-55 (as in PROJ).

    Examples
    --------
    >>> distance_m, bearing_deg = geodesic_m(179.9999, 0.0, -179.9999, 0.0)
    >>> round(float(distance_m), 3), float(bearing_deg)
    (22.264, 90.0)
    """
    ends = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (lon_1, lat_1, lon_2, lat_2)))
    shape = ends[0].shape
    flat = [np.ascontiguousarray(end).ravel() for end in ends]
    forward, _, distance_m = _geod().inv(*flat)
    distance_m = np.asarray(distance_m, dtype=float).reshape(shape)
    bearing_deg = np.asarray(forward, dtype=float).reshape(shape) % 360.0
    # A tiny negative bearing comes out of the modulo as 360 itself.
    bearing_deg = np.where((bearing_deg >= 360.0) | (distance_m == 0.0), 0.0, bearing_deg)
    return distance_m, bearing_deg


def destination(
    lon: float, lat: float, bearing_deg: float, distance_m: float
) -> tuple[float, float]:
    """Return the longitude and latitude reached from a point by geodesic.

    Parameters
    ----------
    lon, lat : float
        Start on WGS 84 [degrees].
    bearing_deg : float
        Clockwise from true north [degrees].
    distance_m : float
        [m].

    Examples
    --------
    >>> lon, lat = destination(179.9999, 0.0, 90.0, 22.264)
    >>> round(lon, 6), round(abs(lat), 6)
    (-179.9999, 0.0)
    """
    lon_2, lat_2, _ = _geod().fwd(lon, lat, bearing_deg, distance_m)
    return float(lon_2), float(lat_2)


def wrap_deg(angle_deg: ArrayLike) -> Floats:
    """Return angles brought into -180 (included) to 180 (excluded) [degrees].

    Examples
    --------
    >>> wrap_deg([190.0, -180.0, 180.0, 359.5]).tolist()
    [-170.0, -180.0, -180.0, -0.5]
    """
    return (np.asarray(angle_deg, dtype=float) + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class Frame:
    """A local plane, x east and y north in metres, centred at one point.

    Azimuthal equidistant on WGS 84: distances and bearings from the centre are those of the
    geodesic; between two points at most r metres away the scale error is about (r / R)² / 6,
    a quarter of a millimetre on 4 km. The antimeridian is a place like any other.

    Attributes
    ----------
    lon, lat : float
        Centre [degrees].

    Examples
    --------
    >>> x, y = Frame(10.0, 60.0).to_xy(10.001, 60.0)
    >>> round(float(x), 2), round(float(y), 2)
    (55.8, 0.0)
    """

    lon: float
    lat: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.lon) and -90.0 <= self.lat <= 90.0):
            raise ValueError(f"({self.lon}, {self.lat}) is not a position (longitude, latitude)")

    @cached_property
    def _projection(self) -> Any:  # noqa: ANN401  pyproj.Proj
        """The projection, made when first wanted."""
        from pyproj import Proj  # noqa: PLC0415  heavy

        return Proj(proj="aeqd", lon_0=self.lon, lat_0=self.lat, ellps="WGS84", units="m")

    @overload
    def to_xy(self, lon: ArrayLike, lat: ArrayLike) -> tuple[Floats, Floats]: ...
    @overload
    def to_xy(self, lon: Geometry | NDArray[np.object_], lat: None = None) -> Any: ...  # noqa: ANN401

    def to_xy(self, lon: Any, lat: Any = None) -> Any:
        """Return plane coordinates of positions or of geometries.

        Parameters
        ----------
        lon, lat : array_like
            Longitude and latitude [degrees]; or one argument: a shapely geometry or an array of
            them (``None`` stays ``None``), in longitude and latitude. Heights are dropped.

        Returns
        -------
        tuple of ndarray, or geometry
            x and y [m]; or the geometry in the plane.
        """
        return self._through(lon, lat, inverse=False)

    @overload
    def to_lonlat(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]: ...
    @overload
    def to_lonlat(self, x: Geometry | NDArray[np.object_], y: None = None) -> Any: ...  # noqa: ANN401

    def to_lonlat(self, x: Any, y: Any = None) -> Any:
        """Return longitude and latitude of plane coordinates; the inverse of `to_xy`.

        Parameters
        ----------
        x, y : array_like
            Plane coordinates [m]; or one argument: a shapely geometry or an array of them.

        Returns
        -------
        tuple of ndarray, or geometry
            Longitude and latitude [degrees]; or the geometry in longitude and latitude.
        """
        return self._through(x, y, inverse=True)

    def north_deg(self, lon: float, lat: float) -> float:
        """Return the direction of true north in the plane at a point, clockwise from y [degrees].

        It differs from 0 away from the centre, by about 0.01° per kilometre of easting at 50°.
        """
        step_deg = 1e-4 if lat < 89.0 else -1e-4
        x, y = self.to_xy([lon, lon], [lat, lat + step_deg])
        sign = math.copysign(1.0, step_deg)
        return math.degrees(math.atan2(sign * (x[1] - x[0]), sign * (y[1] - y[0])))

    def _through(self, first: Any, second: Any, *, inverse: bool) -> Any:  # noqa: ANN401
        """Project number pairs or geometries, either way."""
        if second is not None:
            pair = np.broadcast_arrays(
                np.asarray(first, dtype=float), np.asarray(second, dtype=float)
            )
            shape = pair[0].shape
            flat = [np.ascontiguousarray(part).ravel() for part in pair]
            a, b = self._projection(*flat, inverse=inverse)
            return np.asarray(a, dtype=float).reshape(shape), np.asarray(b, dtype=float).reshape(
                shape
            )

        def each(coords: Floats) -> Floats:
            return np.column_stack(self._projection(coords[:, 0], coords[:, 1], inverse=inverse))

        return shapely.transform(first, each)


def bounding_boxes(geometry: NDArray[np.object_]) -> Floats:
    """Return the bounding boxes of geometries in longitude and latitude.

    Parameters
    ----------
    geometry : ndarray of geometries or None, shape (n,)

    Returns
    -------
    ndarray, shape (n, 4)
        West, south, east, north [degrees]; NaN where there is no geometry.
    """
    return np.asarray(shapely.bounds(geometry), dtype=float).reshape(-1, 4)


def meets_box(boxes: Floats, frame: Frame, half_deg: Floats) -> NDArray[np.bool_]:
    """Tell which bounding boxes meet a box round the centre of a frame, on the round earth.

    Parameters
    ----------
    boxes : ndarray, shape (n, 4)
        As from `bounding_boxes`.
    frame : Frame
        Its centre is the centre of the box.
    half_deg : ndarray, shape (n, 2) or (2,)
        Half width and half height of the box [degrees].
    """
    west, south, east, north = boxes.T
    half_width, half_height = np.asarray(half_deg).T
    apart = np.abs(wrap_deg((west + east) / 2 - frame.lon))
    meets = apart <= (east - west) / 2 + half_width
    # Wider than half the earth it is drawn over longitude 180: what lies there is not its middle.
    meets |= east - west > _PLACEABLE_DEG
    meets &= (south <= frame.lat + half_height) & (north >= frame.lat - half_height)
    return np.asarray(meets)


def degrees_of(length_m: ArrayLike, lat: float) -> Floats:
    """Return longitude and latitude differences that span at least a length, shape (..., 2)."""
    height = np.asarray(length_m, dtype=float) / 110_500.0
    far_lat = np.minimum(np.abs(lat) + height, 89.9)
    return np.stack([height / np.cos(np.radians(far_lat)), height], axis=-1)


_PLACEABLE_DEG = 180.0
# Sides of features are straight in longitude and latitude (RFC 7946, 3.1.1), which a side of the
# plane is not: sides are cut to this length, which leaves at most 1 mm below 75° of latitude.
_SIDE_DEG = 0.001


@dataclass(frozen=True)
class Placed:
    """Geometries in the plane, and which of them could not be taken as drawn."""

    geometry: NDArray[np.object_]
    mended: NDArray[np.bool_]  # invalid, repaired
    wide: NDArray[np.bool_]  # a part is wider than half the earth
    lost: NDArray[np.bool_]  # nothing that can be placed


def place(frame: Frame, geometry: NDArray[np.object_], *, keep_deg: Floats) -> Placed:
    """Bring geometries from longitude and latitude into a plane, mended and cut to a box.

    Parameters
    ----------
    frame : Frame
        The plane.
    geometry : ndarray of geometries, shape (n,)
        Longitude and latitude, WGS 84.
    keep_deg : ndarray, shape (2,)
        Half width and half height of the box round the frame's centre to which larger features
        are cut [degrees].

    Notes
    -----
    An invalid polygon becomes the union of both ways of mending it (even-odd rule, and merged
    shells): as an obstacle it may only grow.
    """
    around = shapely.transform(
        geometry, lambda c: np.column_stack([wrap_deg(c[:, 0] - frame.lon), c[:, 1]])
    )
    parts, owner = shapely.get_parts(shapely.force_2d(geometry), return_index=True)
    part_box = bounding_boxes(parts)
    wide = np.zeros(len(geometry), dtype=bool)
    wide[owner[part_box[:, 2] - part_box[:, 0] > _PLACEABLE_DEG]] = True
    coords, row = shapely.get_coordinates(around, return_index=True)
    lost = np.asarray(shapely.is_empty(around) | shapely.is_missing(around))
    lost[row[~np.isfinite(coords).all(axis=1)]] = True
    around[lost] = None
    mended = np.asarray(~shapely.is_valid(around) & ~lost)
    around[mended] = shapely.union(
        shapely.make_valid(around[mended]),
        shapely.make_valid(around[mended], method="structure", keep_collapsed=True),
    )
    width, height = keep_deg
    box = bounding_boxes(around)
    large = (box[:, 2] - box[:, 0] > 2 * width) | (box[:, 3] - box[:, 1] > 2 * height)
    window = shapely.box(-width, frame.lat - height, width, frame.lat + height)
    around[large] = shapely.intersection(around[large], window)
    around = shapely.segmentize(around, _SIDE_DEG)
    plane = shapely.transform(
        around, lambda c: np.column_stack(frame.to_xy(frame.lon + c[:, 0], c[:, 1]))
    )
    return Placed(np.asarray(plane), mended, wide, lost)


def within(geometry: NDArray[np.object_], centre: Geometry, reach_m: float) -> NDArray[np.bool_]:
    """Say which geometries come within a distance of another one, measured in the local plane.

    Parameters
    ----------
    geometry : ndarray of shapely geometries or None, shape (n,)
        Longitude and latitude; None is never within.
    centre : shapely geometry
        Longitude and latitude; the plane is centred on it.
    reach_m : float
        Distance [m].

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    found = np.asarray(shapely.intersects(geometry, reach_box(centre, reach_m)), bool)
    rows = np.flatnonzero(found)
    if rows.size:
        frame = _frame_at(centre)
        found[rows] = shapely.dwithin(frame.to_xy(geometry[rows]), frame.to_xy(centre), reach_m)
    return found


def reach_box(centre: Geometry, reach_m: float) -> Geometry:
    """Return a box in longitude and latitude that holds all within a distance of a geometry.

    It is generous: only what may be near has to be brought into the plane.
    """
    frame = _frame_at(centre)
    plane = shapely.box(*shapely.buffer(frame.to_xy(centre), 1.1 * reach_m + 1.0).bounds)
    west, south, east, north = frame.to_lonlat(plane).bounds
    if east - west > _PLACEABLE_DEG:  # over the antimeridian: all the way round
        west, east = -180.0, 180.0
    box: Geometry = shapely.box(west, south, east, north)
    return box


def _frame_at(centre: Geometry) -> Frame:
    """Return the plane centred on a geometry in longitude and latitude."""
    middle = shapely.centroid(eastward(centre) if over_seam(centre) else centre)
    return Frame(float(wrap_deg(middle.x)), float(middle.y))
