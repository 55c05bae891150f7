"""How a road is worked beside or in: which lane is closed, its tapers, devices and signs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from gridground.grounding import traffic
from gridground.grounding.road_edge import devices_on_edge
from gridground.grounding.zones import near_lonlat
from gridground.roads import joined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.traffic import TaperKind
    from gridground.roads import Met, Road
    from gridground.scene import Scene

ONE_LANE = "lane closed, one-lane two-way traffic"
MERGE = "lane closed, traffic merges"
NARROW = "lane narrowed"
SHOULDER = "shoulder closed"
UNKNOWN = "not known"
TOUCH_M = 0.01
_SIGNS = {
    ONE_LANE: ("FLAGGER (symbol)", "ONE LANE ROAD AHEAD", "ROAD WORK AHEAD"),
    MERGE: ("LANE ENDS (symbol)", "LANE CLOSED AHEAD", "ROAD WORK AHEAD"),
    NARROW: ("ROAD WORK AHEAD",),
    SHOULDER: ("ROAD WORK AHEAD",),
}
_SIGNS_SOURCE = (
    "signs after the typical applications of MUTCD 2009 chapter 6H (11th edition: chapter 6P), "
    "from memory"
)


@dataclass(frozen=True)
class Setup:
    """What a road asks for by the formulas; lengths [m]."""

    measure: str
    tapers: tuple[traffic.Taper, ...]
    along: int
    cone_height_m: float
    signs: tuple[tuple[str, float], ...]
    approaches: int
    offset_m: float
    source: str


def missing_of(road: Road, met: Met) -> list[str]:
    """Return what is not known of a road and needed."""
    wanted: dict[str, object] = {"speed": road.speed_m_per_s, "kind of road": road.road_type}
    if _in_lane(road, met):
        wanted["lanes each way"] = road.lanes_each_way
    missing = [name for name, value in wanted.items() if value is None]
    lane_m = traffic.widest_lane_m() if road.lane_width_m is None else road.lane_width_m
    if met.reach_m > lane_m + (road.shoulder_m or 0.0):
        missing.append("how traffic is led past, since the zone goes beyond the near lane")
    return missing


def _in_lane(road: Road, met: Met) -> bool:
    """Say whether the zone goes beyond the shoulder, which counts as none where not stated."""
    return not met.has_width or met.reach_m > (road.shoulder_m or 0.0) + TOUCH_M


def _lane_left_m(road: Road, met: Met) -> float:
    """Return how wide the near lane stays; nothing of it where its width is not stated."""
    known = met.has_width and road.lane_width_m is not None and road.shoulder_m is not None
    if not known or road.road_type == "freeway":
        return 0.0
    return (road.lane_width_m or 0.0) + (road.shoulder_m or 0.0) - met.reach_m


def setup_of(road: Road, met: Met, *, dark: bool) -> Setup:
    """Work out tapers, devices and signs of a road of which enough is known."""
    speed, kind = float(road.speed_m_per_s or 0.0), str(road.road_type)
    shoulder_m = road.shoulder_m or 0.0
    lane_m = traffic.widest_lane_m() if road.lane_width_m is None else road.lane_width_m
    kinds: tuple[TaperKind, ...]
    sources = []
    if not _in_lane(road, met):
        measure, kinds, offset_m = SHOULDER, ("shoulder", "downstream"), shoulder_m
    elif _lane_left_m(road, met) >= traffic.lane_left_m():
        measure, kinds, offset_m = NARROW, ("shifting", "downstream"), met.reach_m
        sources.append(traffic.rule_source("lane_left"))
    elif road.lanes_each_way == 1 and kind != "freeway":
        measure, kinds, offset_m = ONE_LANE, ("one-lane two-way", "downstream"), lane_m
    else:
        measure, kinds, offset_m = MERGE, ("merging", "downstream"), lane_m
    beside = measure in {SHOULDER, NARROW}
    tapers = [traffic.taper(one, offset_m, speed) for one in kinds]
    distances = traffic.sign_distances_m(kind)
    names = _SIGNS[measure]
    # a sign by itself stands at the distance of the first
    signs = tuple(zip(names, distances[: len(names)], strict=True))
    cone = "cone_high" if traffic.cone_height_m(speed, kind, dark=dark) > 0.5 else "cone_low"
    sources += [one.source for one in tapers]
    sources += [traffic.rule_source("taper_square_divisor"), traffic.rule_source("spacing_along")]
    sources += [traffic.sign_source(kind), traffic.rule_source(cone), _SIGNS_SOURCE]
    return Setup(
        measure,
        tuple(tapers),
        traffic.devices_along(met.along_m, speed),
        traffic.cone_height_m(speed, kind, dark=dark),
        signs,
        1 if beside or kind == "freeway" else 2,
        offset_m + (0.0 if beside else shoulder_m),
        "; ".join(dict.fromkeys("; ".join(sources).split("; "))),
    )


def under_one_control(scene: Scene, mets: Sequence[Met], *, dark: bool) -> list[Met]:
    """Take zones at one road as one where a sign of one would stand in the other's taper."""
    kept: list[Met] = []
    for met in mets:
        road = met.road
        for row, other in enumerate(kept):
            if road is None or other.row != met.row or missing_of(road, met):
                continue
            setup = setup_of(road, met, dark=dark)
            gap_m = sum(one.length_m for one in setup.tapers) + setup.signs[0][1]
            if (both := joined(scene, other, met, gap_m)) is not None:
                kept[row] = both
                break
        else:
            kept.append(met)
    return kept


def drawn_of(scene: Scene, met: Met, setup: Setup) -> list[list[float]]:
    """Return the places of devices along the edge of a road, empty where it is not plain."""
    near = scene.neighbourhood
    obstacles = near.obstacles
    others = [
        shape
        for shape, kind, row in zip(
            obstacles.geometry, obstacles.kinds, range(len(obstacles)), strict=True
        )
        if kind == "road" and row != met.row
    ]
    places = devices_on_edge(
        obstacles.geometry[met.row],
        met.shape,
        offset_m=setup.offset_m,
        tapers=[(one.length_m, one.devices) for one in setup.tapers],
        along=setup.along,
        others=[one for one in others if not shapely.is_empty(one)],
    )
    if places is None:
        return []
    return [[float(lon), float(lat)] for lon, lat in near_lonlat(near.frame, np.asarray(places))]
