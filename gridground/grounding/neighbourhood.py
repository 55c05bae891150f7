"""What lies round a job, in metres: obstacles with their clearances, poles, lines and soil.

Everything is selected by bounding boxes first, so that a territory of many features costs little,
then brought into one local plane. What cannot be placed as drawn is repaired to the safe side and
named in `repairs`, never dropped in silence.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import NetworkError
from gridground.grounding._plane import bounding_boxes, meets_box, to_plane
from gridground.territory.frame import Frame, wrap_deg

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.job import Job
    from gridground.territory.layers import Layer, Territory

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]
    Objects = NDArray[np.object_]

LAYERS = ("poles", "spans", "surroundings", "other_lines", "soil")
# Kinds that have a width: drawn as a line or a point, their edge is not known.
WIDE_KINDS = frozenset(
    {
        "building",
        "road",
        "sidewalk",
        "driveway",
        "water",
        "paved",
        "rock",
        "public_place",
        "no_entry",
    }
)


@dataclass(frozen=True)
class Repair:
    """A feature that could not be taken as drawn.

    Attributes
    ----------
    code : str
        ``"repaired"`` invalid polygon mended to the safe side; ``"no geometry"`` its place is not
        known, it was not considered; ``"unknown kind"`` taken as an obstacle with the job's
        largest clearance that no lead may cross; ``"no width"`` a road or the like drawn as a
        line or a point, clearance counts from the line; ``"over the antimeridian"`` wider than
        half the earth, read as crossing longitude 180.
    """

    layer: str
    feature_id: str
    code: str
    what: str


@dataclass(frozen=True)
class Soil:
    """Soil at a point: None where the polygon does not state its resistivity."""

    soil_id: str
    resistivity_ohm_m: float | None
    source: str | None


@dataclass(frozen=True)
class Obstacles:
    """Features a rod keeps away from; row by row, in the plane."""

    ids: Objects
    kinds: Objects
    names: Objects
    layers: Objects  # "surroundings" or "spans" (a cable's run)
    clearance_m: Floats
    geometry: Objects

    def __len__(self) -> int:
        return len(self.ids)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Spatial index of the geometry."""
        return shapely.STRtree(self.geometry)


@dataclass(frozen=True)
class Boxes:
    """Bounding boxes of a territory's layers, computed once where many jobs are planned on it."""

    bounds: dict[str, Floats]
    pole_row: dict[str, int]

    @classmethod
    def of(cls, territory: Territory) -> Boxes:
        """Compute the boxes of every layer a neighbourhood is made of."""
        layers = {name: territory.layer(name) for name in LAYERS}
        bounds = {n: bounding_boxes(layer.geometry) for n, layer in layers.items() if layer}
        return cls(bounds, territory.poles.index())


@dataclass(frozen=True)
class Neighbourhood:
    """What lies within `radius_m` of the poles of a job, in the plane of `frame`.

    Attributes
    ----------
    frame : Frame
        Centred amid the centre poles.
    centre_poles : tuple of str
        The poles round which everything within `radius_m` was looked for.
    pole_ids, pole_lonlat, pole_xy
        Every pole near.
    span_ids, span_from, span_to, spans
        Overhead spans near: ids, ids of their poles, lines in the plane.
    line_ids, lines
        Other lines near.
    obstacles : Obstacles
        Surroundings and cable runs (kind ``buried_power``, id of the span) with their clearances;
        a feature counts as near when its clearance reaches the radius.
    surveyed : bool
        False where the territory has no surroundings layer at all.
    repairs : tuple of Repair
        Features that could not be taken as drawn.
    """

    frame: Frame
    centre_poles: tuple[str, ...]
    radius_m: float
    pole_ids: Objects
    pole_lonlat: Floats
    pole_xy: Floats
    span_ids: Objects
    span_from: Objects
    span_to: Objects
    spans: Objects
    line_ids: Objects
    lines: Objects
    obstacles: Obstacles
    soil_ids: Objects
    soil_resistivity_ohm_m: Floats
    soil_source: Objects
    soil: Objects
    surveyed: bool
    repairs: tuple[Repair, ...]

    @classmethod
    def build(
        cls,
        territory: Territory,
        job: Job,
        *,
        centre_poles: Sequence[str],
        radius_m: float,
        boxes: Boxes | None = None,
    ) -> Neighbourhood:
        """Collect what lies within a distance of some poles.

        Parameters
        ----------
        territory : Territory
            The territory.
        job : Job
            Its limits hold the clearances by kind.
        centre_poles : sequence of str
            Pole ids.
        radius_m : float
            Distance from any of them [m].
        boxes : Boxes, optional
            Bounding boxes of the territory, where they are at hand.

        Raises
        ------
        NetworkError
            For a pole that is not in the territory or has no position.
        """
        return _Survey(territory, job, tuple(centre_poles), radius_m, boxes).neighbourhood()

    @cached_property
    def pole_index(self) -> dict[str, int]:
        """Row of each pole near."""
        return {name: row for row, name in enumerate(self.pole_ids)}

    def soil_at(self, x_m: float, y_m: float) -> Soil | None:
        """Return the soil polygon that covers a point of the plane.

        The smallest where several do (then the one of the smaller id), None where none does.
        """
        covering = np.flatnonzero(shapely.intersects(self.soil, shapely.points(x_m, y_m)))
        if not len(covering):
            return None
        areas = shapely.area(self.soil[covering]).round(3)
        row = min(zip(areas, self.soil_ids[covering], covering, strict=True))[2]
        resistivity = float(self.soil_resistivity_ohm_m[row])
        return Soil(
            self.soil_ids[row],
            resistivity if np.isfinite(resistivity) else None,
            self.soil_source[row],
        )

    def soil_at_pole(self, pole_id: str) -> Soil | None:
        """Return the soil polygon that covers a pole."""
        return self.soil_at(*self.pole_xy[self.pole_index[pole_id]])

    def soil_at_lonlat(self, lon: float, lat: float) -> Soil | None:
        """Return the soil polygon that covers a position."""
        x, y = self.frame.to_xy(lon, lat)
        return self.soil_at(float(x), float(y))

    def line_bearings_deg(self, pole_id: str, *, reach_m: float) -> Floats:
        """Return the directions in the plane of the overhead spans that leave a pole.

        Parameters
        ----------
        pole_id : str
            A pole near.
        reach_m : float
            Where along the span the direction is taken: a span may bend [m].

        Returns
        -------
        ndarray, shape (spans,)
            Clockwise from y [degrees].
        """
        here = self.pole_xy[self.pole_index[pole_id]]
        leaving = self.spans[(self.span_from == pole_id) | (self.span_to == pole_id)]
        length_m = shapely.length(leaving)
        ends = shapely.get_coordinates(shapely.line_interpolate_point(leaving, [[0.0], [1e9]]))
        from_end_m = np.hypot(*(ends - here).T).reshape(2, -1)
        along_m = np.minimum(reach_m, length_m)
        # The line may be drawn against the order of its ids: start at the end nearer this pole.
        along_m = np.where(from_end_m[0] <= from_end_m[1], along_m, length_m - along_m)
        there = shapely.get_coordinates(shapely.line_interpolate_point(leaving, along_m))
        dx, dy = (there - here).T
        return np.degrees(np.arctan2(dx, dy))[np.hypot(dx, dy) > 1e-6]


@dataclass
class _Survey:
    """One pass over the layers of a territory."""

    territory: Territory
    job: Job
    centre_poles: tuple[str, ...]
    radius_m: float
    boxes: Boxes | None
    repairs: list[Repair] = field(default_factory=list)

    def neighbourhood(self) -> Neighbourhood:
        """Collect every layer."""
        poles = self.territory.poles
        pole_row = self.boxes.pole_row if self.boxes else poles.index()
        missing = [name for name in self.centre_poles if name not in pole_row]
        if missing or not self.centre_poles:
            raise NetworkError(f"not a pole of the territory: {', '.join(missing) or 'none given'}")
        self.pole_row = pole_row
        rows = np.array([pole_row[name] for name in self.centre_poles])
        lonlat = np.column_stack(self._lonlat(poles.geometry[rows]))
        if not np.isfinite(lonlat).all():
            raise NetworkError(f"a pole without a position among {', '.join(self.centre_poles)}")
        first = lonlat[0].copy()
        rel = wrap_deg(lonlat - first)
        low, high = rel.min(axis=0), rel.max(axis=0)
        middle = wrap_deg(first + (low + high) / 2)
        self.frame = Frame(round(float(middle[0]), 7), round(float(middle[1]), 7))
        self.half_deg = (high - low) / 2
        self.centre_xy = shapely.multipoints(np.column_stack(self.frame.to_xy(*lonlat.T)))
        return self._assemble()

    def _assemble(self) -> Neighbourhood:
        """Select and place each layer."""
        poles, spans = self.territory.poles, self.territory.spans
        at_pole, pole_points = self._near(poles, reach_m=0.0)
        kind = np.array([k or "overhead" for k in spans["kind"]], dtype=object)
        geometry = self._with_straight_runs(spans, kind)
        overhead, overhead_lines = self._near(spans, 0.0, kind == "overhead", geometry)
        other, lines = self._near(self.territory.layer("other_lines"), reach_m=0.0)
        soil, soil_polygons = self._near(self.territory.layer("soil"), reach_m=0.0)
        pole_lonlat = np.column_stack(self._lonlat(poles.geometry[at_pole]))
        ids = {name: self._column(name, rows) for name, rows in (("other_lines", other),)}
        soil_layer = self.territory.layer("soil")
        return Neighbourhood(
            frame=self.frame,
            centre_poles=self.centre_poles,
            radius_m=self.radius_m,
            pole_ids=poles.ids[at_pole],
            pole_lonlat=pole_lonlat,
            pole_xy=shapely.get_coordinates(pole_points),
            span_ids=spans.ids[overhead],
            span_from=spans["from_pole"][overhead],
            span_to=spans["to_pole"][overhead],
            spans=overhead_lines,
            line_ids=ids["other_lines"],
            lines=lines,
            obstacles=self._obstacles(kind, geometry),
            soil_ids=self._column("soil", soil),
            soil_resistivity_ohm_m=soil_layer["resistivity_ohm_m"][soil].astype(float)
            if soil_layer
            else np.empty(0),
            soil_source=soil_layer["source"][soil] if soil_layer else np.empty(0, dtype=object),
            soil=soil_polygons,
            surveyed=self.territory.layer("surroundings") is not None,
            repairs=tuple(self.repairs),
        )
