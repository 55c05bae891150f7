"""The lie of the ground from points of known height: slope and height by least squares.

At a place the plane is fitted to the points within `NEAR_M`, where three of them do not lie in a
row; elsewhere nothing is known. Steep ground is told on a lattice of `CELL_M`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
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
        apart = self.xy - (x_m, y_m)
        close = np.hypot(*apart.T) <= NEAR_M
        if close.sum() < 3:
            return None
        apart, height_m = apart[close], self.height_m[close]
        middle = apart.mean(axis=0)
        spread = np.linalg.svd(apart - middle, compute_uv=False) / math.sqrt(len(apart))
        if spread[-1] < _SPREAD_M:
            return None
        terms = np.column_stack([np.ones(len(apart)), apart])
        (at, east, north), *_ = np.linalg.lstsq(terms, height_m, rcond=None)
        return float(at), float(east), float(north)

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
        Rows for `Obstacles.of`, named by the point of known height that lies nearest. A cell of
        the lattice counts by its middle.
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
    steep: dict[str, list[Any]] = {}
    steepest: dict[str, float] = {}
    for x_m, y_m in cells[to_centre <= reach_m + CELL_M].tolist():
        ratio = heights.slope_ratio(x_m, y_m)
        if ratio is None or ratio <= limit_ratio:
            continue
        apart_m = np.hypot(*(heights.xy - (x_m, y_m)).T).round(6)
        name = min(zip(apart_m, map(str, heights.ids), strict=True))[1]
        side = CELL_M / 2
        steep.setdefault(name, []).append(
            shapely.box(x_m - side, y_m - side, x_m + side, y_m + side)
        )
        steepest[name] = max(steepest.get(name, 0.0), ratio)
    return [
        {
            "ids": name,
            "kinds": "steep",
            "names": f"ground that rises {steepest[name]:.2f} in 1 near {name}",
            "layers": "elevation",
            "geometry": shapely.union_all(cells_),
            "clearance_m": 0.0,
        }
        for name, cells_ in sorted(steep.items())
    ]
