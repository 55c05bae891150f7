"""What the zones of a plan reach into: roads, walks, driveways, places where people come."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding.zones import MEETING_KINDS
from gridground.jobtraffic import EVERY
from gridground.units import M_PER_S_PER_MPH

if TYPE_CHECKING:
    from gridground.ground import Outline
    from gridground.grounding.outlines import Part
    from gridground.scene import Scene
    from gridground.zoning import Zoned

_COLUMNS = ("speed_mph", "road_type", "lanes_each_way", "lane_width_m", "shoulder_m")


@dataclass(frozen=True)
class Road:
    """What is known of one road; None where neither the data nor the job says it.

    Attributes
    ----------
    said_by : str
        Who says speed, kind and lanes.
    """

    speed_m_per_s: float | None
    road_type: str | None
    lanes_each_way: int | None
    lane_width_m: float | None
    shoulder_m: float | None
    said_by: str


@dataclass(frozen=True)
class Met:
    """One feature that one outline reaches, or several outlines under one traffic control.

    Attributes
    ----------
    zone_ids, parts, pole_ids : tuple of str
        The outlines, those of their parts that reach the feature, and their poles.
    reach_m : float
        How far the zone goes beyond the near edge of the feature [m].
    along_m : float
        How much of that edge lies inside the outline [m].
    road : Road or None
        None where the feature is no road.
    shape : Polygon
        The outline in the plane; of several the area between them too.
    row : int
        Of the neighbourhood's obstacles.
    has_width : bool
        False where it is drawn as a line or a point: its edge is not known.
    """

    zone_ids: tuple[str, ...]
    parts: tuple[str, ...]
    pole_ids: tuple[str, ...]
    feature_id: str
    kind: str
    name: str | None
    reach_m: float
    along_m: float
    road: Road | None
    shape: Any
    row: int
    has_width: bool


def mets_of(scene: Scene, zoned: Zoned, pole_of: dict[str, str]) -> tuple[Met, ...]:
    """Return everything that the outlines reach, outline by outline, by kind and id.

    Parameters
    ----------
    scene : Scene
        For the surroundings and the job.
    zoned : Zoned
        The zones of the plan.
    pole_of : dict
        Pole of each part that stands at one.
    """
    obstacles = scene.neighbourhood.obstacles
    found = []
    for outline in zoned.outlines:
        reached: dict[int, list[tuple[Part, float]]] = {}
        for part in zoned.parts:
            if part.name in outline.parts:
                for row, beyond_m in _reached(scene, part):
                    reached.setdefault(row, []).append((part, beyond_m))
        rows = sorted(reached, key=lambda row: (obstacles.kinds[row], str(obstacles.ids[row])))
        found += [_met(scene, outline, row, reached[row], pole_of) for row in rows]
    return tuple(found)


def _reached(scene: Scene, part: Part) -> list[tuple[int, float]]:
    """Return the rows of what one zone reaches, and how far it goes beyond their near edge."""
    near = scene.neighbourhood
    ends = np.column_stack(near.frame.to_xy(*np.array([part.foot, part.rod or part.foot]).T))
    axis = shapely.linestrings(ends) if (ends[0] != ends[1]).any() else shapely.points(ends[0])
    rows = near.obstacles.tree.query(axis, predicate="dwithin", distance=part.radius_m)
    away_m = shapely.distance(near.obstacles.geometry[rows], axis)
    return [
        (int(row), part.radius_m - float(away))
        for row, away in zip(rows, away_m, strict=True)
        if near.obstacles.kinds[row] in MEETING_KINDS
    ]


def _met(
    scene: Scene,
    outline: Outline,
    row: int,
    reached: list[tuple[Part, float]],
    pole_of: dict[str, str],
) -> Met:
    """Return one feature that an outline reaches."""
    obstacles, frame = scene.neighbourhood.obstacles, scene.neighbourhood.frame
    shape = frame.to_xy(outline.polygon)
    feature = obstacles.geometry[row]
    names = tuple(part.name for part, _ in reached)
    kind = str(obstacles.kinds[row])
    name = obstacles.names[row]
    return Met(
        (outline.zone_id,),
        names,
        tuple(dict.fromkeys(pole_of[one] for one in names if one in pole_of)),
        str(obstacles.ids[row]),
        kind,
        None if name is None else str(name),
        round(max(beyond_m for _, beyond_m in reached), 3),
        round(float(shapely.intersection(edge_of(feature), shape).length), 3),
        _road(scene, str(obstacles.ids[row])) if kind == "road" else None,
        shape,
        row,
        bool(shapely.get_dimensions(feature) == 2),
    )


def edge_of(feature: Any) -> Any:  # noqa: ANN401  shapely geometry
    """Return the edge of an area; what is drawn as a line is its own edge."""
    return shapely.boundary(feature) if shapely.get_dimensions(feature) == 2 else feature


def joined(scene: Scene, one: Met, other: Met, gap_m: float) -> Met | None:
    """Return two zones at the same edge of the same road as one stretch, None where they are not.

    Parameters
    ----------
    scene : Scene
        For the road.
    one, other : Met
    gap_m : float
        Nearer than this the traffic control of the two would overlap [m].
    """
    if (
        one.row != other.row
        or not one.has_width
        or shapely.distance(one.shape, other.shape) > gap_m
    ):
        return None
    shape = shapely.convex_hull(shapely.union(one.shape, other.shape))
    edge = shapely.intersection(edge_of(scene.neighbourhood.obstacles.geometry[one.row]), shape)
    if edge.geom_type == "MultiLineString":
        edge = shapely.line_merge(edge)
    if edge.geom_type != "LineString":
        return None
    return replace(
        one,
        zone_ids=one.zone_ids + other.zone_ids,
        parts=one.parts + other.parts,
        pole_ids=tuple(dict.fromkeys(one.pole_ids + other.pole_ids)),
        reach_m=max(one.reach_m, other.reach_m),
        along_m=round(float(edge.length), 3),
        shape=shape,
    )


def _road(scene: Scene, feature_id: str) -> Road:
    """Return what is known of a road: the job by its id, then the data, then the job for all."""
    layer, asked = scene.territory.layer("surroundings"), scene.job.traffic
    if layer is None:
        raise ValueError("a road without a layer of surroundings")
    at = layer.index()[feature_id]
    data: dict[str, Any] = {name: _known(layer[name][at]) for name in _COLUMNS}
    speed_mph = data["speed_mph"]
    stated = {
        "speed_m_per_s": None if speed_mph is None else speed_mph * M_PER_S_PER_MPH,
        "road_type": data["road_type"],
        "lanes_each_way": data["lanes_each_way"],
    }
    values, said = {}, []
    for key, value in stated.items():
        own = getattr(asked, key)
        values[key] = own.get(feature_id, own.get(EVERY) if value is None else value)
        job = feature_id in own or (value is None and EVERY in own)
        said.append("the job file" if job else "the layer surroundings")
    if values["lanes_each_way"] is not None:
        values["lanes_each_way"] = int(values["lanes_each_way"])
    by = " and ".join(dict.fromkeys(said))
    return Road(**values, lane_width_m=data["lane_width_m"], shoulder_m=data["shoulder_m"],
                said_by=by)  # fmt: skip


def _known(value: Any) -> Any:  # noqa: ANN401  a cell of a layer
    """Return a cell, None where it holds no value."""
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return None
    return float(value) if isinstance(value, float | np.floating) else value
