"""A territory in memory: one set of columns per layer, ids as text, geometry as shapely arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from gridground.errors import Problem
    from gridground.tables.wires import Conductor, Construction

ID_COLUMN = {
    "poles": "pole_id",
    "spans": "span_id",
    "circuits": "circuit_id",
    "devices": "device_id",
    "equipment": "equipment_id",
    "other_lines": "line_id",
    "surroundings": "feature_id",
    "soil": "soil_id",
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
        """Return the row of each id."""
        return {name: row for row, name in enumerate(self.ids)}

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
