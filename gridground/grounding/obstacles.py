"""What a rod keeps away from: rows of obstacles in the plane, and what was mended of them."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.job import Limits

    Floats = NDArray[np.float64]
    Objects = NDArray[np.object_]

UNKNOWN = "unknown"
# Kinds that have a width: drawn as a line or a point, their edge is not known.
WIDE_KINDS: tuple[str, ...] = ("building", "road", "sidewalk", "driveway", "water", "paved")
WIDE_KINDS += ("rock", "public_place", "no_entry")
MARKED = "marked"  # a buried line whose place was measured at the locate marks


@dataclass(frozen=True)
class Repair:
    """A feature that could not be taken as drawn.

    Attributes
    ----------
    code : str
        ``"repaired"`` invalid polygon mended to the safe side; ``"no geometry"`` its place is not
        known, it was not considered; ``"straight run"`` a span without geometry, taken straight
        from pole to pole; ``"unknown kind"`` taken as an obstacle with the job's largest
        clearance that no lead may cross; ``"no width"`` a road or the like drawn as a line or a
        point, clearance counts from there; ``"over the antimeridian"`` wider than half the earth,
        read as crossing longitude 180.
    """

    layer: str
    feature_id: str
    code: str
    what: str


REPAIRED = {
    "repaired": "the drawn polygon is not valid; it was mended to the larger reading",
    "no geometry": "no geometry; where it lies is not known and it was not considered",
    "straight run": "no geometry; taken as straight from pole to pole",
    "unknown kind": "no known kind; taken with the largest clearance of the job, no lead crosses",
    "no width": "drawn without a width; the clearance counts from the line or point drawn",
    "over the antimeridian": "wider than half the earth; read as crossing longitude 180",
}


@dataclass(frozen=True)
class Obstacles:
    """Features a rod keeps away from; row by row, in the plane.

    Attributes
    ----------
    layers : ndarray, shape (n,)
        ``"surroundings"``; ``"spans"`` for a cable's run and a low line; ``"other_lines"``,
        ``"job"`` (the truck and its rod), ``"elevation"`` (steep ground).
    clearance_m : ndarray, shape (n,)
        What a rod keeps, the locate tolerance taken in [m].
    tolerance_m : ndarray, shape (n,)
        How much of it is locate tolerance [m].
    """

    ids: Objects
    kinds: Objects
    names: Objects
    layers: Objects
    clearance_m: Floats
    geometry: Objects
    tolerance_m: Floats

    def __len__(self) -> int:
        return len(self.ids)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Spatial index of the geometry."""
        return shapely.STRtree(self.geometry)

    @classmethod
    def of(cls, rows: Sequence[dict[str, Any]]) -> Obstacles:
        """Return obstacles from rows with the names of the attributes, without tolerance."""
        columns = {
            key: np.array([*[row[key] for row in rows], None], dtype=object)[:-1]
            for key in ("ids", "kinds", "names", "layers", "geometry")
        }
        clearance_m = np.array([row["clearance_m"] for row in rows], dtype=float)
        return cls(**columns, clearance_m=clearance_m, tolerance_m=np.zeros(len(rows)))

    def with_more(self, more: Obstacles) -> Obstacles:
        """Return these and more of them."""
        if not len(more):
            return self
        names = [f.name for f in dataclasses.fields(self)]
        return Obstacles(**{n: np.concatenate([getattr(self, n), getattr(more, n)]) for n in names})


def clearances_m(
    kinds: Objects, own_m: Floats, limits: Limits, *, located: Objects
) -> tuple[Floats, Floats]:
    """Return what a rod keeps from features, and how much of it is locate tolerance.

    Parameters
    ----------
    kinds : ndarray, shape (n,)
        `UNKNOWN` for what has no known kind.
    own_m : ndarray, shape (n,)
        The feature's own clearance, NaN where it states none [m].
    limits : Limits
        Clearances by kind and the tolerance.
    located : ndarray, shape (n,)
        ``"marked"`` where the drawn place is that of measured locate marks.

    Returns
    -------
    clearance_m, tolerance_m : ndarray, shape (n,)
        [m]; a feature of no known kind is kept away from by whichever clearance is larger, and
        may be buried.
    """
    by_kind = limits.clearance_m
    largest_m = max(by_kind.values(), default=0.0)
    default_m = np.array([by_kind.get(kind, largest_m) for kind in kinds], dtype=float)
    unknown = np.array([kind == UNKNOWN for kind in kinds], dtype=bool)
    buried = np.array([str(kind).startswith("buried") for kind in kinds], dtype=bool) | unknown
    marked = np.array([word == MARKED for word in located], dtype=bool)
    clearance_m = np.where(np.isfinite(own_m), own_m, default_m)
    clearance_m[unknown] = np.fmax(own_m, default_m)[unknown]
    tolerance_m = np.where(buried & ~marked, limits.locate_tolerance_m, 0.0)
    return clearance_m.clip(min=0.0) + tolerance_m, tolerance_m
