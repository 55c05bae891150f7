"""Where a rod stands, as seen from two marks that a person finds on the ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.territory.frame import Frame, geodesic_m

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.ground import RodPlace
    from gridground.territory.layers import Layer, Territory

# All our judgement. Beyond the first a mark is not looked for, beyond the second no pole, which is
# seen from farther; beyond the third one tape does not reach; within the crossing angles two
# measures fix a place to about twice their own error.
FARTHEST_M = 60.0
POLE_FARTHEST_M = 150.0
TAPE_M = 30.0
CROSSING_DEG = (30.0, 150.0)
NEAREST_M = 0.5
SHARP_TURN_DEG = 30.0  # a bend of an outline that counts as a corner
# How much farther away a mark may be to be preferred to one of the next kind [m]: a pole has its
# number on it, a corner is a point, an edge is measured square to.
POLE_PRICE_M, CORNER_PRICE_M, END_PRICE_M, EDGE_PRICE_M = 0.0, 3.0, 8.0, 12.0
_EDGED = ("road", "sidewalk", "driveway", "paved", "fence")
_SIDES = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
_THROUGH_M = 0.05


@dataclass(frozen=True)
class Mark:
    """Something a person sees, in the plane centred on the rod [m]."""

    price_m: float
    what: str
    kind: str
    feature_id: str
    x_m: float
    y_m: float

    @property
    def away_m(self) -> float:
        """Distance from the rod [m]."""
        return math.hypot(self.x_m, self.y_m)

    @property
    def rank(self) -> tuple[float, str, str, float, float]:
        """What the first choice is smallest in."""
        beyond_m = max(0.0, self.away_m - TAPE_M)
        cost_m = round(self.away_m + 2.0 * beyond_m + self.price_m, 2)
        return cost_m, self.kind, self.feature_id, round(self.x_m, 2), round(self.y_m, 2)


def seen_from(territory: Territory, rod: RodPlace) -> list[dict[str, Any]]:
    """Return the marks from which a rod's place is measured.

    Parameters
    ----------
    territory : Territory
        For poles and surroundings.
    rod : RodPlace
        As chosen or given.

    Returns
    -------
    list of dict
        The rod's own pole, then the best second mark: ``what kind feature_id lon lat bearing_deg
        distance_m crossing_deg``. The bearing is that of the rod seen from the mark, clockwise
        from true north; ``crossing_deg`` is the angle at the rod between this mark and the first
        (null at the first). Only the pole where no second mark is near at a good angle.

    Notes
    -----
    A mark counts within 60 m, a pole within 150 m, where its direction crosses that of the rod's
    own pole at 30 to 150 degrees and no building stands between. The nearest is taken, with a
    price on kinds that are harder to measure from, and on what one tape does not reach.
    Distances and bearings are geodesic.
    """
    frame = Frame(rod.lon, rod.lat)
    poles = territory.poles
    row = poles.index()[rod.pole_id]
    own = _pole_mark(poles, row, frame)
    around = shapely.Point(rod.lon, rod.lat)
    surroundings = territory.layer("surroundings")
    marks = [_pole_mark(poles, r, frame) for r in poles.near(around, POLE_FARTHEST_M) if r != row]
    walls: list[Any] = []
    if surroundings is not None:
        for r in surroundings.near(around, FARTHEST_M).tolist():
            shape = frame.to_xy(shapely.force_2d(shapely.make_valid(surroundings.geometry[r])))
            marks += _marks_of(shape, _named(surroundings, r))
            walls += [shape] if surroundings["kind"][r] == "building" else []
    good = [mark for mark in marks if _usable(mark, own, walls)]
    found = [own, *sorted(good, key=lambda mark: mark.rank)[:1]]
    return [_row(mark, own, rod, frame) for mark in found]


def crossing_deg(one: Mark, other: Mark) -> float:
    """Return the angle at the rod between two marks [deg], 0 to 180."""
    turn = math.atan2(one.x_m, one.y_m) - math.atan2(other.x_m, other.y_m)
    return abs((math.degrees(turn) + 180.0) % 360.0 - 180.0)


def _usable(mark: Mark, own: Mark, walls: list[Any]) -> bool:
    """Return whether a mark is near, at a good angle and in sight."""
    low, high = CROSSING_DEG
    if not (mark.away_m >= NEAREST_M and low <= crossing_deg(mark, own) <= high):
        return False
    sight = shapely.LineString([(0.0, 0.0), (mark.x_m, mark.y_m)])
    return all(shapely.intersection(wall, sight).length <= _THROUGH_M for wall in walls)


def _pole_mark(poles: Layer, row: int, frame: Frame) -> Mark:
    """Return a pole as a mark."""
    pole_id = str(poles.ids[row])
    x_m, y_m = frame.to_xy(poles.geometry[row].x, poles.geometry[row].y)
    word = "pad" if poles["material"][row] == "pad" else "pole"
    return Mark(POLE_PRICE_M, f"{word} {pole_id}", word, pole_id, float(x_m), float(y_m))


def _named(layer: Layer, row: int) -> tuple[str, str, str]:
    """Return kind, id and the words for a feature."""
    kind, feature_id = layer["kind"][row] or "", str(layer.ids[row])
    word, name = kind.replace("_", " "), str(layer["name"][row] or feature_id)
    return kind, feature_id, name if word in name.lower() else f"{word} {name}"


def _marks_of(shape: Any, named: tuple[str, str, str]) -> Iterator[Mark]:  # noqa: ANN401
    """Yield what of a feature can be measured from: corners, ends, a tree, the nearest edge."""
    kind, feature_id, words = named
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    for part in parts:
        if kind == "building" and part.geom_type == "Polygon":
            for side, x_m, y_m in _corners(part):
                yield Mark(CORNER_PRICE_M, f"{side} corner of {words}", kind, feature_id, x_m, y_m)
        elif kind == "fence" and part.geom_type == "LineString":
            middle = part.centroid
            for x_m, y_m in (part.coords[0], part.coords[-1]):
                side = _side(x_m - middle.x, y_m - middle.y)
                yield Mark(END_PRICE_M, f"{side} end of {words}", kind, feature_id, x_m, y_m)
        elif kind == "tree" and part.geom_type == "Point":
            yield Mark(END_PRICE_M, words, kind, feature_id, part.x, part.y)
    if kind in _EDGED and parts:
        yield from _edge(shape, named)


def _edge(shape: Any, named: tuple[str, str, str]) -> Iterator[Mark]:  # noqa: ANN401
    """Yield the foot of the square from the rod to an edge, where it meets the edge's side."""
    kind, feature_id, words = named
    edge = shape.boundary if shape.geom_type.endswith("Polygon") else shape
    line = shapely.shortest_line(edge, shapely.Point(0.0, 0.0))
    if line is None or line.length < NEAREST_M:
        return
    foot = line.coords[0]
    ends = shapely.get_coordinates(edge)
    if np.hypot(*(ends - foot).T).min() < _THROUGH_M:
        return  # a corner or an end: nothing to measure square to
    name = words if edge is shape else f"edge of {words}"
    yield Mark(EDGE_PRICE_M, name, kind, feature_id, foot[0], foot[1])


def _corners(polygon: Any) -> Iterator[tuple[str, float, float]]:  # noqa: ANN401  shapely polygon
    """Yield the outward corners of a building and on which side of it they are."""
    ring = shapely.get_coordinates(shapely.normalize(polygon).exterior)[:-1]
    back, ahead = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    # normalised outlines run clockwise: an outward corner turns right
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    turn_deg = np.degrees(np.arctan2(-cross, (back * ahead).sum(axis=1)))
    middle = polygon.centroid
    for x_m, y_m in ring[turn_deg >= SHARP_TURN_DEG]:
        yield _side(x_m - middle.x, y_m - middle.y), float(x_m), float(y_m)


def _side(east_m: float, north_m: float) -> str:
    """Return the nearest of eight compass words."""
    return _SIDES[round(math.degrees(math.atan2(east_m, north_m)) / 45.0) % 8]


def _row(mark: Mark, own: Mark, rod: RodPlace, frame: Frame) -> dict[str, Any]:
    """Return one sighting as the plan writes it."""
    lon, lat = frame.to_lonlat(mark.x_m, mark.y_m)
    distance_m, bearing_deg = geodesic_m(lon, lat, rod.lon, rod.lat)
    first = mark is own
    return {
        "what": mark.what,
        "kind": mark.kind,
        "feature_id": mark.feature_id,
        "lon": round(float(lon), 7),
        "lat": round(float(lat), 7),
        "bearing_deg": round(float(bearing_deg), 1) % 360.0,
        "distance_m": rod.distance_m if first else round(float(distance_m), 3),
        "crossing_deg": None if first else round(crossing_deg(mark, own), 1),
    }
