"""A territory in memory: one set of columns per layer, ids as text, geometry as shapely arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np
import shapely

from gridground.territory.frame import bounding_boxes, reach_box, within
from gridground.territory.seam import all_round, eastward, over_seam

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd
    from numpy.typing import NDArray

    from gridground.errors import Problem
    from gridground.tables.wires import Conductor, Construction

Kept = TypeVar("Kept")

ID_COLUMN = {
    "poles": "pole_id",
    "spans": "span_id",
    "circuits": "circuit_id",
    "devices": "device_id",
    "equipment": "equipment_id",
    "other_lines": "line_id",
    "surroundings": "feature_id",
    "soil": "soil_id",
    "elevation": "elevation_id",
}


@dataclass(frozen=True)
class Layer:
    """The columns of one layer.

    Attributes
    ----------
    name : str
        Layer name, e.g. ``"poles"``.
    columns : dict of ndarray, shape (n,)
        Text and object columns hold ``None`` where the value is null or missing; number columns
        are float with NaN there. Every column of the contract for this layer is present.
    stated : dict of ndarray of bool, shape (n,)
        True where the feature has the key at all. A null that is stated may mean "known to be
        absent" (`ground_ohm`, `neutral_conductor`); a missing key is unknown.
    geometry : ndarray of shapely geometries or None, shape (n,)
        Longitude and latitude, WGS 84.
    """

    name: str
    columns: dict[str, NDArray[Any]]
    stated: dict[str, NDArray[np.bool_]]
    geometry: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.geometry)

    def __getitem__(self, column: str) -> NDArray[Any]:
        return self.columns[column]

    @property
    def ids(self) -> NDArray[np.object_]:
        """Ids of the features, as text."""
        return self.columns[ID_COLUMN[self.name]]

    def index(self) -> dict[str, int]:
        """Return the row of each id; made once, not to be changed."""
        return self._index

    @cached_property
    def _index(self) -> dict[str, int]:
        """Row of each id."""
        return dict(zip(self.ids.tolist(), range(len(self)), strict=True))

    def rows_by(self, column: str) -> dict[Any, list[int]]:
        """Return the rows of every value of a column; made once, not to be changed."""
        if column not in self._rows_by:
            found: dict[Any, list[int]] = {}
            for row, value in enumerate(self[column].tolist()):
                found.setdefault(value, []).append(row)
            self._rows_by[column] = found
        return self._rows_by[column]

    @cached_property
    def _rows_by(self) -> dict[str, dict[Any, list[int]]]:
        """Rows by value, by column."""
        return {}

    @cached_property
    def placed(self) -> NDArray[np.bool_]:
        """Which features have a place: geometry without a number that is none, shape (n,)."""
        return np.asarray(np.isfinite(bounding_boxes(self.geometry)).all(axis=1), bool)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Spatial index of the geometry, in longitude and latitude."""
        drawn = self.geometry.copy()
        drawn[~self.placed] = None
        return shapely.STRtree(drawn)

    def meeting(
        self,
        shape: Any,  # noqa: ANN401  a geometry
        predicate: Literal["intersects", "crosses"] = "intersects",
    ) -> NDArray[np.intp]:
        """Return the rows whose geometry meets a shape in longitude and latitude.

        Parameters
        ----------
        shape : shapely geometry
            Longitude and latitude.
        predicate : str
            ``"intersects"`` or ``"crosses"``; the same either way round.
        """
        if (over_seam(shape) or self._over_seam) and not all_round(shape):
            return np.sort(self._east_tree.query(eastward(shape), predicate=predicate))
        return np.sort(self.tree.query(shape, predicate=predicate))

    @cached_property
    def wide_rows(self) -> NDArray[np.intp]:
        """Rows wider than half the earth in longitude: drawn over the meridian of 180 degrees."""
        box = shapely.bounds(self.geometry)
        return np.flatnonzero(box[:, 2] - box[:, 0] > 180.0)

    @cached_property
    def _over_seam(self) -> bool:
        """Whether the layer lies on both sides of the meridian of 180 degrees."""
        return over_seam(self.geometry)

    @cached_property
    def _east_tree(self) -> shapely.STRtree:
        """The index of the rows with longitudes from 0 to 360."""
        return shapely.STRtree(eastward(self.tree.geometries))

    def about(self, centre: Any, reach_m: float) -> NDArray[np.intp]:  # noqa: ANN401
        """Return the rows whose bounding box comes within a distance of a geometry, or a bit more.

        To be looked at in a plane: of long straight lines it differs by metres whether they are
        drawn there or in longitude and latitude.
        """
        return np.sort(self.tree.query(reach_box(centre, reach_m)))

    def near(self, centre: Any, reach_m: float) -> NDArray[np.intp]:  # noqa: ANN401
        """Return the rows within a distance of a geometry, as `frame.within` measures it [m]."""
        rows = self.meeting(reach_box(centre, reach_m))
        return rows[within(self.geometry[rows], centre, reach_m)]

    def frame(self) -> gpd.GeoDataFrame:
        """Return the layer as a GeoDataFrame in WGS 84 (imports geopandas)."""
        import geopandas as gpd  # noqa: PLC0415  heavy, wanted only by callers who ask

        return gpd.GeoDataFrame(dict(self.columns), geometry=list(self.geometry), crs="EPSG:4326")


@dataclass(frozen=True)
class Territory:
    """A network and its surroundings, read and judged.

    Attributes
    ----------
    name : str
        Folder name.
    layers : dict of Layer
        The layers that were given; optional ones may be absent.
    conductors, constructions : dict
        Built-in rows with the user's own rows on top.
    problems : tuple of Problem
        Open items and notes found while reading (a rejection raises instead).
    inputs : tuple of dict
        ``{"layer", "sha256", "rows", "date"}`` of every file read.
    """

    name: str
    layers: dict[str, Layer]
    conductors: dict[str, Conductor]
    constructions: dict[str, Construction]
    problems: tuple[Problem, ...] = ()
    inputs: tuple[dict[str, Any], ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)

    def once(self, name: str, make: Callable[[Territory], Kept]) -> Kept:
        """Return what is worked out of the layers as a whole, made when first asked for.

        Parameters
        ----------
        name : str
            What it is.
        make : callable
            Works it out.

        Returns
        -------
        whatever `make` returns
            The same object every time, for as long as no layer is put in another's place.
        """
        layers, found = self.__dict__.get("_once", ({}, {}))
        if layers.keys() != self.layers.keys() or any(
            layers[key] is not layer for key, layer in self.layers.items()
        ):
            found = {}
            self.__dict__["_once"] = (dict(self.layers), found)
        if name not in found:
            found[name] = make(self)
        made: Kept = found[name]
        return made

    @property
    def poles(self) -> Layer:
        """The poles."""
        return self.layers["poles"]

    @property
    def spans(self) -> Layer:
        """The spans."""
        return self.layers["spans"]

    @property
    def circuits(self) -> Layer:
        """The circuits."""
        return self.layers["circuits"]

    def layer(self, name: str) -> Layer | None:
        """Return an optional layer, or None where the territory has none."""
        return self.layers.get(name)
