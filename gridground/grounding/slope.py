"""The lie of the ground from points of known height: slope and height by least squares.

At a place the plane is fitted to the points within `NEAR_M`, where three of them do not lie in a
row; elsewhere nothing is known. Steep ground is told on a lattice of `CELL_M`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NEAR_M = 8.0
CELL_M = 1.0
# Points closer to one line than this tell nothing of the slope across it [m, one sigma].
_SPREAD_M = 0.5


@dataclass(frozen=True)
class Heights:
    """Points of known height near.

    Attributes
    ----------
    ids : ndarray, shape (n,)
    xy : ndarray, shape (n, 2)
        In the plane [m].
    height_m : ndarray, shape (n,)
        [m].
    """

    ids: NDArray[np.object_]
    xy: Floats
    height_m: Floats

    def __len__(self) -> int:
        return len(self.ids)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Spatial index of the points."""
        return shapely.STRtree(np.asarray(shapely.points(self.xy)))

    def planes(self, places: Floats) -> tuple[Floats, Floats]:
        """Fit a plane to the points round each of some places.

        Parameters
        ----------
        places : ndarray, shape (p, 2)
            In the plane [m].

        Returns
        -------
        height_m : ndarray, shape (p,)
            Of the ground there; NaN where it is not known [m].
        slope : ndarray, shape (p, 2)
            Rise over run along x and along y; NaN likewise.

        Notes
        -----
        Least squares about the middle of the points: ``C s = b`` with the covariances of place
        and place, and of place and height.
        """
        count = len(places)
        place, point = self.tree.query(
            shapely.points(places), predicate="dwithin", distance=NEAR_M
        ).reshape(2, -1)

        def mean(values: Floats) -> Floats:
            return np.bincount(place, values, count) / np.maximum(number, 1)

        number = np.bincount(place, minlength=count)
        apart = self.xy[point] - places[place]
        middle = np.column_stack([mean(part) for part in apart.T])
        middle_m = mean(self.height_m[point])
        x, y = (apart - middle[place]).T
        z = self.height_m[point] - middle_m[place]
        cxx, cxy, cyy, cxz, cyz = (mean(v) for v in (x * x, x * y, y * y, x * z, y * z))
        least = (cxx + cyy) / 2 - np.hypot((cxx - cyy) / 2, cxy)  # spread across, squared
        known = (number >= 3) & (least >= _SPREAD_M**2)
        det = np.where(known, cxx * cyy - cxy**2, np.nan)
        slope = np.column_stack([cyy * cxz - cxy * cyz, cxx * cyz - cxy * cxz]) / det[:, None]
        return middle_m - (slope * middle).sum(axis=1), slope

    def plane(self, x_m: float, y_m: float) -> tuple[float, float, float] | None:
        """Return height and slope eastwards and northwards at a place; None where not known.

        Returns
        -------
        tuple of float or None
            Height [m], rise over run along x and along y.

        Examples
        --------
        >>> xy = np.array([[0.0, 0.0], [6.0, 0.0], [0.0, 6.0], [6.0, 6.0]])
        >>> ids = np.array(list("abcd"), dtype=object)
        >>> found = Heights(ids, xy, 100 + 0.1 * xy[:, 0]).plane(1.0, 1.0)
        >>> [round(part, 3) for part in found]
        [100.1, 0.1, 0.0]
        """
        if not len(self):
            return None
        height_m, slope = self.planes(np.array([[x_m, y_m]]))
        if not np.isfinite(height_m[0]):
            return None
        return float(height_m[0]), float(slope[0, 0]), float(slope[0, 1])

    def slope_ratio(self, x_m: float, y_m: float) -> float | None:
        """Return the rise over run of the steepest way at a place; None where not known."""
        found = self.plane(x_m, y_m)
        return None if found is None else math.hypot(found[1], found[2])

    def rise_m(self, start: tuple[float, float], end: tuple[float, float]) -> float | None:
        """Return by how much the ground rises from one place to another [m]; None: not known."""
        first, last = self.plane(*start), self.plane(*end)
        return None if first is None or last is None else last[0] - first[0]


def steep_ground(
    heights: Heights, centres: Floats, *, reach_m: float, limit_ratio: float
) -> list[dict[str, Any]]:
    """Return the ground steeper than a limit round some places, as obstacles.

    Parameters
    ----------
    heights : Heights
    centres : ndarray, shape (p, 2)
        Places in the plane [m].
    reach_m : float
        How far round them [m].
    limit_ratio : float
        Steepest rise over run that is allowed.

    Returns
    -------
    list of dict
        Rows for `Obstacles.of`, one per patch, named by the point of known height that lies
        nearest to its middle. A cell of the lattice counts by its middle.
    """
    if len(heights) < 3:
        return []
    half = math.ceil(reach_m / CELL_M)
    steps = np.arange(-half, half + 1)
    east, north = (part.ravel() for part in np.meshgrid(steps, steps))
    about = np.round(centres / CELL_M)
    cells = (about[:, None, :] + np.column_stack([east, north])).reshape(-1, 2)
    cells = np.unique(cells, axis=0) * CELL_M
    to_centre = np.min([np.hypot(*(cells - c).T) for c in centres], axis=0)
    cells = cells[to_centre <= reach_m + CELL_M]
    slope = np.hypot(*heights.planes(cells)[1].T)
    rows = np.flatnonzero(slope > limit_ratio)  # NaN is not
    low, high = cells[rows] - CELL_M / 2, cells[rows] + CELL_M / 2
    whole = shapely.union_all(shapely.box(*low.T, *high.T))
    patches = shapely.get_parts(whole)
    inside = shapely.STRtree(patches).query(shapely.points(cells[rows]), predicate="within")
    steepest = np.zeros(len(patches))
    np.maximum.at(steepest, inside[1], slope[rows[inside[0]]])
    middle = shapely.get_coordinates(shapely.point_on_surface(patches)).reshape(-1, 2)
    return [
        {
            "ids": name,
            "kinds": "steep",
            "names": f"ground that rises {ratio:.2f} in 1 near {name}",
            "layers": "elevation",
            "geometry": patch,
            "clearance_m": 0.0,
        }
        for name, ratio, patch in zip(_nearest(heights, middle), steepest, patches, strict=True)
    ]


def _nearest(heights: Heights, places: Floats) -> list[str]:
    """Return the id of the point nearest to each place; of equals the smallest id."""
    if not len(places):
        return []
    place, point = heights.tree.query(
        shapely.points(places), predicate="dwithin", distance=NEAR_M + CELL_M
    ).reshape(2, -1)
    ids = heights.ids.astype(str)[point]
    away_m = np.hypot(*(heights.xy[point] - places[place]).T).round(6)
    order = np.lexsort((ids, away_m, place))
    _, first = np.unique(place[order], return_index=True)
    return [str(name) for name in ids[order][first]]
