"""Where the places of a layout are: what lies nearest to what, on the plane round the worksite."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely

from gridground.territory.frame import Frame

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from gridground.electrical.places import Layout
    from gridground.territory.network import Network


@dataclass(frozen=True)
class Between:
    """What lies between the grounds of a layout.

    Attributes
    ----------
    spans : frozenset of int
        Rows of the worked spans between the grounds.
    poles : frozenset of int
        Rows of the poles inside.
    """

    spans: frozenset[int]
    poles: frozenset[int]


class Whereabouts:
    """The places of a layout, and the spans between and at them."""

    def __init__(self, network: Network, layout: Layout, between: Between) -> None:
        self.network, self.layout, self.between = network, layout, between
        self.territory = network.territory
        self.worked = {c for p in layout.places for c in p.circuit_ids}
        self.circuit = self.territory.spans["circuit_id"]

    @cached_property
    def points(self) -> NDArray[np.object_]:
        """Where the places are, longitude and latitude."""
        poles, spans = self.territory.poles.geometry, self.territory.spans.geometry
        found = [
            poles[self.network.pole_row[p.pole_id]]
            if p.pole_id is not None
            else shapely.line_interpolate_point(
                spans[self.network.span_row[str(p.span_id)]], 0.5, normalized=True
            )
            for p in self.layout.places
        ]
        return np.array(found, object)

    @cached_property
    def frame(self) -> Frame:
        """The plane of the places."""
        middle = shapely.centroid(shapely.multipoints(self.points))
        return Frame(float(shapely.get_x(middle)), float(shapely.get_y(middle)))

    @cached_property
    def order(self) -> list[int]:
        """Places, worksites first, then by distance from the nearest worksite."""
        here = self.frame.to_xy(self.points)
        work = [k for k, p in enumerate(self.layout.places) if p.worksite] or [0]
        distance = shapely.distance(here[:, None], here[work][None, :]).min(axis=1)
        return sorted(
            range(len(here)),
            key=lambda k: (
                not self.layout.places[k].worksite,
                round(float(distance[k]), 3),
                self.layout.places[k].name,
            ),
        )

    def nearest(self, geometry: Any) -> int:  # noqa: ANN401  any shapely geometry in the plane
        """Return the place nearest to something; worksites first among equals."""
        here = self.frame.to_xy(self.points)
        return min(self.order, key=lambda k: round(float(shapely.distance(here[k], geometry)), 3))

    def poles_of(self, place: int) -> set[int]:
        """Return the pole rows of a place; of mid-span work both ends of the span."""
        where = self.layout.places[place]
        if where.pole_id is not None:
            return {self.network.pole_row[where.pole_id]}
        row = self.network.span_row[str(where.span_id)]
        return {int(self.network.span_from[row]), int(self.network.span_to[row])}

    def spans_at_grounds(self) -> Sequence[int]:
        """Return the overhead worked spans that end at a place."""
        kinds = self.territory.spans["kind"]
        return [
            span
            for place in range(len(self.layout.places))
            for pole in self.poles_of(place)
            for span in self.network.spans_at(pole)
            if self.circuit[span] in self.worked and kinds[span] == "overhead"
        ]
