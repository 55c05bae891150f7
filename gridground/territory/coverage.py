"""Whether the layers lie where the poles are: a layer in another system lies elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.errors import Problem
from gridground.territory.frame import bounding_boxes, degrees_of

if TYPE_CHECKING:
    from gridground.territory.layers import Layer

FAR_M = 5000.0
_AROUND = ("surroundings", "soil", "elevation", "other_lines")


def check_coverage(layers: dict[str, Layer]) -> list[Problem]:
    """Ask about layers of which no feature lies anywhere near a pole.

    Parameters
    ----------
    layers : dict of Layer
        Those that could be read.

    Returns
    -------
    list of Problem
        An open item per layer whose features all lie beyond 5 km from the box round the poles:
        nothing of it would count, in silence. A network that crosses longitude 180 has a box all
        the way round and is never asked.
    """
    poles = layers.get("poles")
    if poles is None or not len(poles):
        return []
    west, south, east, north = _extent(poles)
    if not np.isfinite(west):
        return []
    width, height = degrees_of(FAR_M, max(abs(south), abs(north)))
    problems = []
    for name in _AROUND:
        layer = layers.get(name)
        if layer is None:
            continue
        boxes = bounding_boxes(layer.geometry)
        boxes = boxes[np.isfinite(boxes).all(axis=1)]
        near = (boxes[:, 0] <= east + width) & (boxes[:, 2] >= west - width)
        near &= (boxes[:, 1] <= north + height) & (boxes[:, 3] >= south - height)
        if len(boxes) and not near.any():
            found = "no feature lies within 5 km of the poles: nothing of the layer counts"
            remedy = "name its coordinate system in `crs`, or give the layer of this place"
            problems.append(Problem("open item", name, (), "geometry", found, remedy))
    return problems


def _extent(layer: Layer) -> tuple[float, float, float, float]:
    """Return the box round a layer [degrees]; NaN where nothing has a place."""
    boxes = bounding_boxes(layer.geometry)
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return (np.nan, np.nan, np.nan, np.nan)
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
