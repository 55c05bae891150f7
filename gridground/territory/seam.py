"""The meridian of 180 degrees: what is drawn over it, brought together on one side.

Longitudes go from -180 to 180, so that a line over the meridian jumps from one end to the other.
Where shapes are held against each other in longitude and latitude they are first taken eastward,
0 to 360, in which nothing jumps there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Shapes = NDArray[np.object_]

# What reaches farther than this to both sides of Greenwich lies at the meridian of 180 degrees.
_FAR_DEG = 90.0


def over_seam(shapes: Any) -> bool:  # noqa: ANN401  a geometry or an array of them
    """Say whether some shapes lie on both sides of the meridian of 180 degrees.

    Parameters
    ----------
    shapes : shapely geometry or ndarray of them
        Longitude and latitude; None counts as nothing.
    """
    if not np.size(shapes):
        return False
    west, _, east, _ = shapely.total_bounds(shapes)
    return bool(west < -_FAR_DEG and east > _FAR_DEG)  # false for NaN: nothing is there


def all_round(shape: Any) -> bool:  # noqa: ANN401  a geometry
    """Say whether a shape goes from -180 to 180: all the way round."""
    west, _, east, _ = shapely.bounds(shape)
    return bool(east - west >= 360.0)


def eastward(shapes: Any) -> Any:  # noqa: ANN401  as given
    """Return shapes with longitudes from 0 to 360."""
    return shapely.transform(shapes, _east)


def westward(shapes: Any) -> Any:  # noqa: ANN401  as given
    """Return shapes with longitudes from -180 to 180 again."""
    return shapely.transform(shapes, _back)


def joined(shapes: Any) -> Any:  # noqa: ANN401  a geometry
    """Return the union of shapes in longitude and latitude, over the meridian as well.

    Over the meridian its longitudes go from 0 to 360.
    """
    shapes = np.asarray(shapes, dtype=object)
    return shapely.union_all(eastward(shapes) if over_seam(shapes) else shapes)


def _east(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take longitudes below 0 round."""
    return np.column_stack([np.where(xy[:, 0] < 0, xy[:, 0] + 360.0, xy[:, 0]), xy[:, 1]])


def _back(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take longitudes above 180 back."""
    return np.column_stack([np.where(xy[:, 0] > 180, xy[:, 0] - 360.0, xy[:, 0]), xy[:, 1]])
