"""What lies round a job, in metres: obstacles with their clearances, poles, lines and soil.

Everything is selected by the spatial index of its layer first, so that a territory of many
features costs little, then brought into one local plane. What cannot be placed as drawn is
repaired to the safe side and named in `repairs`, never dropped in silence.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import NetworkError
from gridground.grounding.obstacles import (
    REPAIRED,
    UNKNOWN,
    WIDE_KINDS,
    Obstacles,
    Repair,
    clearances_m,
)
from gridground.grounding.slope import NEAR_M, Heights
from gridground.territory.frame import Frame, bounding_boxes, degrees_of, meets_box, place, wrap_deg

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.grounding.overhead import LiveOverhead
    from gridground.job import Job
    from gridground.territory.layers import Layer, Territory

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]
    Objects = NDArray[np.object_]


@dataclass(frozen=True)
class Soil:
    """Soil at a point; `resistivity_ohm_m` is None where its polygon does not state it."""

    soil_id: str
    resistivity_ohm_m: float | None
    source: str | None


@dataclass(frozen=True)
class Neighbourhood:
    """What lies within `radius_m` of the poles of a job, in the plane of `frame`.

    Attributes
    ----------
    frame : Frame
        Centred amid the centre poles.
    centre_poles : tuple of str
        The poles round which everything within `radius_m` was looked for.
    pole_ids, pole_lonlat, pole_xy : ndarray, shape (n,), (n, 2), (n, 2)
        Every pole near.
    span_ids, span_from, span_to, spans : ndarray, shape (m,)
        Overhead spans near: ids, ids of their poles, lines in the plane.
    line_ids, lines : ndarray, shape (k,)
        Other lines near.
    obstacles : Obstacles
        Surroundings and cable runs (kind ``buried_power``, id of the span) with their clearances;
        a feature is near when its clearance reaches the radius.
    surveyed : bool
        False where the territory has no surroundings layer at all.
    repairs : tuple of Repair
        Features that could not be taken as drawn.
    heights : Heights
        Points of known height near; none where the territory has no such layer.
    live : LiveOverhead or None
        Lines overhead that stay energized; None until `hazards.with_hazards` has looked.
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
    heights: Heights
    live: LiveOverhead | None = None

    @classmethod
    def build(
        cls,
        territory: Territory,
        job: Job,
        centre_poles: Sequence[str],
        radius_m: float,
        *,
        also: Sequence[tuple[float, float]] = (),
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
        also : sequence of tuple of float
            Longitude and latitude of further places to look round, as far: a truck and its rod.

        Raises
        ------
        NetworkError
            For a pole that is not in the territory or has no position.
        """
        return _Survey(territory, job, tuple(centre_poles), radius_m, tuple(also)).neighbourhood()

    @cached_property
    def pole_index(self) -> dict[str, int]:
        """Row of each pole near."""
        return {name: row for row, name in enumerate(self.pole_ids)}

    def soil_at(self, x_m: float, y_m: float) -> Soil | None:
        """Return the smallest soil polygon that covers a point of the plane, None for none."""
        covering = np.flatnonzero(shapely.intersects(self.soil, shapely.points(x_m, y_m)))
        if not len(covering):
            return None
        areas = shapely.area(self.soil[covering]).round(3)
        row = min(zip(areas, self.soil_ids[covering], covering, strict=True))[2]
        resistivity = float(self.soil_resistivity_ohm_m[row])
        known = resistivity if np.isfinite(resistivity) else None
        return Soil(self.soil_ids[row], known, self.soil_source[row])

    def soil_at_pole(self, pole_id: str) -> Soil | None:
        """Return the soil polygon that covers a pole."""
        x_m, y_m = self.pole_xy[self.pole_index[pole_id]]
        return self.soil_at(float(x_m), float(y_m))

    def soil_at_lonlat(self, lon: float, lat: float) -> Soil | None:
        """Return the soil polygon that covers a position."""
        x_m, y_m = self.frame.to_xy(lon, lat)
        return self.soil_at(float(x_m), float(y_m))

    def line_bearings_deg(self, pole_id: str, *, reach_m: float) -> Floats:
        """Return the directions in the plane of the overhead spans that leave a pole.

        Parameters
        ----------
        pole_id : str
            A pole near.
        reach_m : float
            Where along the span the direction is taken, since a span may bend [m].

        Returns
        -------
        ndarray, shape (spans,)
            Clockwise from y [degrees].
        """
        here = self.pole_xy[self.pole_index[pole_id]]
        leaving = self.spans[(self.span_from == pole_id) | (self.span_to == pole_id)]
        if not len(leaving):
            return np.empty(0)
        length_m = shapely.length(leaving)
        # The line may be drawn against the order of its ids: start at the end nearer this pole.
        start, end = (shapely.get_coordinates(shapely.get_point(leaving, k)) for k in (0, -1))
        forward = np.hypot(*(start - here).T) <= np.hypot(*(end - here).T)
        along_m = np.minimum(reach_m, length_m)
        along_m = np.where(forward, along_m, length_m - along_m)
        there = shapely.get_coordinates(shapely.line_interpolate_point(leaving, along_m))
        dx, dy = (there - here).T
        return np.asarray(np.degrees(np.arctan2(dx, dy))[np.hypot(dx, dy) > 1e-6])


@dataclass
class _Survey:
    """One pass over the layers of a territory."""

    territory: Territory
    job: Job
    centre_poles: tuple[str, ...]
    radius_m: float
    also: tuple[tuple[float, float], ...] = ()
    repairs: list[Repair] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Find the centre."""
        if not self.radius_m > 0:
            raise ValueError(f"a radius of {self.radius_m} m holds nothing")
        row_of = self.territory.poles.index()
        missing = [name for name in self.centre_poles if name not in row_of]
        if missing or not self.centre_poles:
            raise NetworkError(f"not a pole of the territory: {', '.join(missing) or 'none named'}")
        rows = [row_of[name] for name in self.centre_poles]
        points = self.territory.poles.geometry[rows]
        lonlat = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
        if not np.isfinite(lonlat).all():
            raise NetworkError(f"a pole without a position among {', '.join(self.centre_poles)}")
        apart = np.column_stack([wrap_deg(lonlat[:, 0] - lonlat[0, 0]), lonlat[:, 1]])
        low, high = apart.min(axis=0), apart.max(axis=0)
        middle = (low + high) / 2
        lon = float(wrap_deg(lonlat[0, 0] + middle[0]))
        self.frame = Frame(round(lon, 7), round(float(middle[1]), 7))
        self.half_deg = (high - low) / 2 + 1e-6
        if self.also:  # the plane stays that of the poles
            more = np.array(self.also)
            off = np.column_stack([wrap_deg(more[:, 0] - lon), more[:, 1] - self.frame.lat])
            self.half_deg = np.maximum(self.half_deg, np.abs(off).max(axis=0) + 1e-6)
            lonlat = np.vstack([lonlat, more])
        self.centre = shapely.multipoints(np.column_stack(self.frame.to_xy(*lonlat.T)))

    def neighbourhood(self) -> Neighbourhood:
        """Select and place each layer."""
        poles, spans = self.territory.poles, self.territory.spans
        at_pole, points = self._near(poles)
        lonlat = poles.geometry[at_pole]
        overhead, lines = self._near(spans, leave=("cable", "link"))
        other, other_lines = self._near(self.territory.layer("other_lines"))
        soil, polygons = self._near(self.territory.layer("soil"))
        return Neighbourhood(
            frame=self.frame,
            centre_poles=self.centre_poles,
            radius_m=self.radius_m,
            pole_ids=poles.ids[at_pole],
            pole_lonlat=np.column_stack([shapely.get_x(lonlat), shapely.get_y(lonlat)]),
            pole_xy=shapely.get_coordinates(points),
            span_ids=spans.ids[overhead],
            span_from=spans["from_pole"][overhead],
            span_to=spans["to_pole"][overhead],
            spans=lines,
            line_ids=self._column("other_lines", "line_id", other),
            lines=other_lines,
            obstacles=self._obstacles(),
            soil_ids=self._column("soil", "soil_id", soil),
            soil_resistivity_ohm_m=self._column("soil", "resistivity_ohm_m", soil).astype(float),
            soil_source=self._column("soil", "source", soil),
            soil=polygons,
            surveyed=self.territory.layer("surroundings") is not None,
            repairs=tuple(dict.fromkeys(self.repairs)),
            heights=self._heights(),
        )

    def _heights(self) -> Heights:
        """Return the points of known height near; slopes are looked for a little beyond."""
        rows, points = self._near(self.territory.layer("elevation"), reach_m=NEAR_M)
        height_m = self._column("elevation", "elevation_m", rows).astype(float)
        known = np.isfinite(height_m)
        ids = self._column("elevation", "elevation_id", rows)[known]
        return Heights(ids, shapely.get_coordinates(points[known]), height_m[known])

    def _obstacles(self) -> Obstacles:
        """Surroundings and cable runs with their clearances."""
        by_kind = self.job.limits.clearance_m
        # What is buried may lie nearer than drawn by the locate tolerance.
        more_m = self.job.limits.locate_tolerance_m
        largest_m = max(by_kind.values(), default=0.0) + more_m
        layer = self.territory.layer("surroundings")
        own_m = layer["clearance_m"].astype(float) if layer is not None else np.empty(0)
        rows, geometry = self._near(layer, reach_m=np.fmax(own_m + more_m, largest_m))
        ids = self._column("surroundings", "feature_id", rows)
        stated = self._column("surroundings", "kind", rows)
        known = np.array([kind in by_kind for kind in stated], dtype=bool)
        kinds = np.where(known, stated, UNKNOWN)
        self._name("surroundings", ids[~known], "unknown kind")
        flat = np.isin(kinds.astype(str), WIDE_KINDS) & (shapely.get_dimensions(geometry) < 2)
        self._name("surroundings", ids[flat], "no width")
        runs, cables = self._near(self.territory.spans, only=("cable",), reach_m=largest_m)
        run_ids = self.territory.spans.ids[runs]
        names = [f"cable span {span_id}" for span_id in run_ids]
        kinds = np.concatenate([kinds, np.full(len(runs), "buried_power", dtype=object)])
        clearance_m, tolerance_m = clearances_m(
            kinds,
            np.concatenate([own_m[rows], np.full(len(runs), np.nan)]),
            self.job.limits,
            located=np.concatenate([self._located(rows), np.full(len(runs), None)]),
        )
        return Obstacles(
            ids=np.concatenate([ids, run_ids]),
            kinds=kinds,
            names=np.concatenate(
                [self._column("surroundings", "name", rows), np.array(names, dtype=object)]
            ),
            layers=np.repeat(np.array(["surroundings", "spans"], object), [len(rows), len(runs)]),
            clearance_m=clearance_m,
            geometry=np.concatenate([geometry, cables]),
            tolerance_m=tolerance_m,
        )

    def _located(self, rows: Rows) -> Objects:
        """Return how the place of surroundings came to be known."""
        layer = self.territory.layer("surroundings")
        if layer is None or "located" not in layer.columns:
            return np.full(len(rows), None, dtype=object)
        return np.asarray(layer["located"][rows], dtype=object)

    def _near(
        self,
        layer: Layer | None,
        *,
        only: tuple[str, ...] = (),
        leave: tuple[str, ...] = (),
        reach_m: Floats | float = 0.0,
    ) -> tuple[Rows, Objects]:
        """Return rows and plane geometry of what lies within the radius and its own reach."""
        if layer is None or not len(layer):
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=object)
        own_m = np.broadcast_to(np.asarray(reach_m, dtype=float), len(layer))
        largest_m = float(np.max(own_m)) if np.ndim(reach_m) else float(reach_m)
        half_deg = self.half_deg + degrees_of(self.radius_m + largest_m, self.frame.lat)
        lost = self._of_kinds(layer, np.flatnonzero(~layer.placed), only, leave)
        drawn = self._straight(layer, lost)
        rows = self._of_kinds(layer, _boxed(layer, self.frame, half_deg), only, leave)
        rows = np.sort(np.concatenate([rows, np.array(sorted(drawn), np.intp)]))
        geometry = layer.geometry[rows]
        for row, line in drawn.items():
            geometry[np.searchsorted(rows, row)] = line
        near_m = self.radius_m + own_m[rows]
        half_deg = self.half_deg + degrees_of(near_m, self.frame.lat)
        chosen = meets_box(bounding_boxes(geometry), self.frame, half_deg)
        rows, near_m, geometry = rows[chosen], near_m[chosen], geometry[chosen]
        keep_deg = 2.0 * half_deg[chosen].max(axis=0, initial=1e-3)
        placed = place(self.frame, geometry, keep_deg=keep_deg)
        near = np.asarray(shapely.distance(placed.geometry, self.centre) <= near_m)
        for code, mask in (
            ("repaired", placed.mended & near),
            ("over the antimeridian", placed.wide & near),
            ("no geometry", placed.lost),
        ):
            self._name(layer.name, layer.ids[rows[mask]], code)
        return rows[near], placed.geometry[near]

    @staticmethod
    def _of_kinds(layer: Layer, rows: Rows, only: tuple[str, ...], leave: tuple[str, ...]) -> Rows:
        """Return the rows of some kinds, or of all but some."""
        if not only and not leave:
            return rows
        kinds = layer["kind"][rows].tolist()
        kept = [kind not in leave and (not only or kind in only) for kind in kinds]
        return np.asarray(rows[np.array(kept, bool)], np.intp)

    def _straight(self, layer: Layer, rows: Rows) -> dict[int, Any]:
        """Draw spans without geometry from pole to pole; name what cannot be drawn."""
        drawn: dict[int, Any] = {}
        if layer.name == "spans":
            row_of, points = self.territory.poles.index(), self.territory.poles.geometry
            for row in rows.tolist():  # the few spans that have no geometry
                ends = [row_of.get(layer[end][row]) for end in ("from_pole", "to_pole")]
                xy = [(p.x, p.y) for p in (points[e] for e in ends if e is not None) if p]
                if len(xy) == 2 and np.isfinite(xy).all():
                    drawn[row] = shapely.LineString(xy)
        straight = np.isin(rows, list(drawn))
        self._name(layer.name, layer.ids[rows[~straight]], "no geometry")
        self._name(layer.name, layer.ids[rows[straight]], "straight run")
        return drawn

    def _name(self, layer: str, ids: Objects, code: str) -> None:
        """Remember which features could not be taken as drawn."""
        self.repairs += [Repair(layer, str(name), code, REPAIRED[code]) for name in ids]

    def _column(self, layer: str, column: str, rows: Rows) -> Objects:
        """Return rows of a column, none where the layer is absent."""
        found = self.territory.layer(layer)
        return np.empty(0, dtype=object) if found is None else found[column][rows]


def _boxed(layer: Layer, frame: Frame, half_deg: Floats) -> Rows:
    """Return the rows whose bounding box may meet a box round a centre, on the round earth."""
    width, height = half_deg + 1e-9
    middle = frame.lon + np.array([-360.0, 0.0, 360.0])
    south, north = frame.lat - height, frame.lat + height
    found = layer.tree.query(shapely.box(middle - width, south, middle + width, north))
    return np.unique(np.concatenate([np.asarray(found[1], np.intp), layer.wide_rows]))
