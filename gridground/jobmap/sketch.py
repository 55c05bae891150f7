"""The job as a drawing on paper: the whole job, and each ground pole enlarged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import shapely
from shapely.geometry import shape

from gridground.jobmap.drawing import Drawing, Point, View, view_of
from gridground.jobmap.words import (
    BURIED_LETTERS,
    KINDS,
    class_of,
    kind_text,
    short_feet_text,
)
from gridground.jobmap.zonelines import draw_traffic, draw_vehicle, draw_zones
from gridground.territory.frame import Frame
from gridground.units import bearing_text

if TYPE_CHECKING:
    from markupsafe import Markup

FLAT_WIDTH, TALL_WIDTH = 760.0, 500.0  # a tall sketch takes half a sheet's width
FLAT_RATIOS, TALL_RATIOS, ALONE_RATIOS = (0.2, 0.4), (0.4, 1.3), (0.4, 0.7)
TALL_FROM = 0.33  # height over width of the job
HEAD, FOOT = 40.0, 60.0  # room for the arrow's label and for the scale bar, in drawing units
LIVE_NEAR_M = 60.0  # lines this near are kept in sight on the sketch; our judgement
ROLE_LETTERS = {"bracket": "B", "worksite": "W"}


@dataclass(frozen=True)
class Scene:
    """A plan's geometry in the local plane of the job [m]."""

    document: dict[str, Any]
    frame: Frame
    surroundings: list[Any]
    spans: list[Any]
    other_lines: list[Any]
    poles: dict[str, Point]

    @classmethod
    def of(cls, document: dict[str, Any]) -> Scene:
        """Return the scene of a plan, centred on its first location."""
        picture, locations = document["picture"], document["locations"]
        start = (locations or picture["poles"] or [{"lon": 0.0, "lat": 0.0}])[0]
        frame = Frame(start["lon"], start["lat"])

        def project(geometries: list[dict[str, Any]]) -> list[Any]:
            return [
                shapely.make_valid(frame.to_xy(shapely.force_2d(shape(geometry))))
                for geometry in geometries
            ]

        def lines(rows: list[dict[str, Any]]) -> list[Any]:
            return project([{"type": "LineString", "coordinates": r["line"]} for r in rows])

        return cls(
            document,
            frame,
            project([row["geometry"] for row in picture["surroundings"]]),
            lines(picture["spans"]),
            lines(picture["other_lines"]),
            {row["pole_id"]: _spot(frame, row) for row in picture["poles"]},
        )

    def spot(self, row: dict[str, Any]) -> Point:
        """Return the place of a location or rod."""
        return _spot(self.frame, row)

    def outline(self, zone: dict[str, Any]) -> Any:  # noqa: ANN401  shapely geometry
        """Return the area of a cone zone."""
        return self.frame.to_xy(shapely.force_2d(shape(zone["geometry"])))


def _spot(frame: Frame, row: dict[str, Any]) -> Point:
    """Return a row's position in the plane."""
    x, y = frame.to_xy(row["lon"], row["lat"])
    return float(x), float(y)


def sketch_svg(scene: Scene) -> Markup:
    """Return the whole job as SVG: true to scale but for the signs, north up."""
    points = [scene.spot(location) for location in scene.document["locations"]]
    for location in scene.document["locations"]:
        if location["zone"]:
            west, south, east, north = scene.outline(location["zone"]).bounds
            points += [(west, south), (east, north)]
    points += [
        scene.poles[pole_id]
        for way in scene.document["directions"]
        for pole_id in (way["pole_id"], way["bracket_pole_id"])
        if pole_id in scene.poles
    ]
    points += _near_live(scene, points)
    alone = len(scene.document["locations"]) < 2
    view = _sketch_view(points or list(scene.poles.values()) or [(0.0, 0.0)], alone=alone)
    drawing = Drawing(view)
    drawing.frame()
    draw_surroundings(drawing, scene)
    draw_wires(drawing, scene)
    name_wires(drawing, scene)
    draw_zones(drawing, scene, cone=4.0, css="sk-zone")
    draw_traffic(drawing, scene, 3.0)
    draw_vehicle(drawing, scene)
    _marks(drawing, scene, _ways(drawing, scene))
    draw_names(drawing, scene, size=14.0)
    return drawing.svg("sketch", "Sketch of the job, north up")


def _sketch_view(points: list[Point], *, alone: bool) -> View:
    """Return what the sketch shows: wide and flat, or tall and half as wide, as the job lies."""
    xs, ys = zip(*points, strict=True)
    tall = max(ys) - min(ys) > TALL_FROM * (max(xs) - min(xs)) > 0
    width, ratios = (TALL_WIDTH, TALL_RATIOS) if tall or alone else (FLAT_WIDTH, FLAT_RATIOS)
    ratios = ALONE_RATIOS if alone else ratios
    view = view_of(points, width=width, ratios=ratios, least_m=60.0)
    head, foot = HEAD / view.scale, FOOT / view.scale
    return replace(view, north=view.north + head, south=view.south - foot)


def _near_live(scene: Scene, points: list[Point]) -> list[Point]:
    """Return where lines that stay energized come nearest, so that the sketch shows them."""
    if not points:
        return []
    job = shapely.convex_hull(shapely.multipoints(points))
    lines = list(scene.other_lines)
    for row, line in zip(scene.document["picture"]["spans"], scene.spans, strict=True):
        if not row["worked"]:
            lines.append(line)
    near = [line for line in lines if not line.is_empty and line.distance(job) <= LIVE_NEAR_M]
    return [shapely.shortest_line(job, line).coords[-1] for line in near]


def draw_surroundings(drawing: Drawing, scene: Scene) -> None:
    """Draw roads, buildings, water and buried utilities, areas below lines."""
    rows = scene.document["picture"]["surroundings"]
    order = sorted(range(len(rows)), key=lambda row: (rows[row]["kind"] in BURIED_LETTERS, row))
    box = drawing.view.box
    for row in order:
        geometry = scene.surroundings[row]
        if not geometry.intersects(box):
            continue
        css = class_of(rows[row]["kind"], KINDS)
        flat = "area" if geometry.geom_type.endswith("Polygon") else "line"
        if rows[row]["kind"] in BURIED_LETTERS:
            drawing.shape(f"sk-casing sk-{css}", geometry)
        drawing.shape(f"sk-{flat} sk-{css}", geometry)


def draw_wires(drawing: Drawing, scene: Scene) -> None:
    """Draw spans and other lines."""
    picture = scene.document["picture"]
    box = drawing.view.box
    for line in scene.other_lines:
        if line.intersects(box):
            drawing.shape("sk-live", line)
    for row, line in zip(picture["spans"], scene.spans, strict=True):
        if line.intersects(box):
            drawing.shape("sk-worked" if row["worked"] else "sk-live", line)


def name_wires(drawing: Drawing, scene: Scene) -> None:
    """Write beside cables, and beside what stays energized, what it is."""
    picture = scene.document["picture"]
    box = drawing.view.box
    for row, line in zip(picture["other_lines"], scene.other_lines, strict=True):
        if line.intersects(box):
            _along(drawing, line, f"{row['line_id']} {line_state_text(row['state'])}")
    for row, line in zip(picture["spans"], scene.spans, strict=True):
        if not line.intersects(box):
            continue
        if row["kind"] == "cable":
            _along(drawing, line, f"{row['circuit_id']} cable")
        elif not row["worked"]:
            _along(drawing, line, f"{row['circuit_id']} energized")


def line_state_text(state: str) -> str:
    """Return how a line's recorded state is said: nothing is taken for dead on paper."""
    return "energized" if state == "energized" else "recorded out of service, treat as energized"


def _along(drawing: Drawing, line: Any, text: str) -> None:  # noqa: ANN401  shapely geometry
    """Label a line at the middle of what is seen of it."""
    view = drawing.view
    seen = line.intersection(shapely.box(view.west, view.south, view.east, view.north))
    if not seen.is_empty:
        middle = seen.representative_point()
        drawing.label("sk-name", (middle.x, middle.y), text, size=14.0)


def _marks(drawing: Drawing, scene: Scene, ways: list[tuple[Point, str]]) -> None:
    """Draw poles, ground poles, rods; names of ground poles first, they matter most, then ways."""
    view = drawing.view
    locations = scene.document["locations"]
    ground = {location["pole_id"] for location in locations}
    shown = {
        name: spot
        for name, spot in scene.poles.items()
        if view.west <= spot[0] <= view.east and view.south <= spot[1] <= view.north
    }
    for name, spot in shown.items():
        if name not in ground:
            drawing.dot("sk-pole", spot, 7.0)
    for location in locations:
        if location["rod"]:
            drawing.path("sk-lead", [scene.spot(location), scene.spot(location["rod"])])
            drawing.earth(scene.spot(location["rod"]), 8.0)
        letter = ROLE_LETTERS.get(location["role"], "?")
        drawing.square("sk-ground", scene.spot(location), 14.0, letter)
    for location in locations:
        name = location["pole_id"] or location.get("span_id") or ""
        drawing.label("sk-pole-name", scene.spot(location), name, size=26.0, must=True)
    for spot, words in ways:
        drawing.label("sk-way-name", spot, words, size=16.0, must=True)
    for location in locations:
        if rod := location["rod"]:
            words = f"rod {short_feet_text(rod['distance_m'])}, {bearing_text(rod['bearing_deg'])}"
            drawing.label("sk-rod-name", scene.spot(rod), words, size=15.0)
    worksite = set(scene.document["job"]["worksite_poles"])
    for name, spot in shown.items():
        if name not in ground:
            drawing.label("sk-pole-number", spot, name, size=18.0, must=name in worksite)


def _ways(drawing: Drawing, scene: Scene) -> list[tuple[Point, str]]:
    """Draw an arrow for every way by which energy can come, pointing at the worksite.

    Returns what is to be written beside each.
    """
    said = []
    lines = {
        row["span_id"]: line
        for row, line in zip(scene.document["picture"]["spans"], scene.spans, strict=True)
    }
    for count, way in enumerate(scene.document["directions"], start=1):
        start = scene.poles.get(way["pole_id"])
        line = lines.get(way["span_id"])
        outer = scene.poles.get(way["bracket_pole_id"] or "")
        if start is None or (outer in {None, start} and (line is None or line.is_empty)):
            continue
        heading = _heading(start, outer, line)
        base = outer if outer not in {None, start} and outer is not None else start
        size = math.hypot(*heading) or 1.0
        reach = 86.0 / drawing.view.scale / size
        far = (base[0] + heading[0] * reach, base[1] + heading[1] * reach)
        drawing.arrow("sk-way", far, (-heading[0], -heading[1]), 40.0)
        said.append((far, f"D{count} {way['towards']}: {_few(way['sources'])}"))
    return said


def _few(sources: list[str]) -> str:
    """Name one or two sources; the table of ways out names them all."""
    if len(sources) > 2:
        return f"{sources[0]} and {len(sources) - 1} more"
    return ", ".join(sources) or "no source known"


def _heading(start: Point, outer: Point | None, line: Any) -> Point:  # noqa: ANN401  shapely
    """Return the direction away from the worksite, along a way out."""
    if outer is not None and outer != start:
        return outer[0] - start[0], outer[1] - start[1]
    ends = [line.coords[0], line.coords[-1]] if line.geom_type == "LineString" else []
    if not ends:
        return 0.0, 1.0
    far = max(ends, key=lambda end: math.dist(end[:2], start))
    return far[0] - start[0], far[1] - start[1]


def draw_names(drawing: Drawing, scene: Scene, *, size: float) -> None:
    """Write the names of surroundings where there is room: buried utilities first."""
    rows = scene.document["picture"]["surroundings"]
    view: View = drawing.view
    seen = shapely.box(view.west, view.south, view.east, view.north)
    order = sorted(range(len(rows)), key=lambda row: rows[row]["kind"] not in BURIED_LETTERS)
    for row in order:
        part = scene.surroundings[row].intersection(seen)
        if part.is_empty:
            continue
        kind, name = rows[row]["kind"], rows[row]["name"] or ""
        letter = BURIED_LETTERS.get(kind)
        words = f"{letter}: {name or kind_text(kind)}" if letter else name or kind_text(kind)
        spot = part.representative_point()
        drawing.label("sk-buried-name" if letter else "sk-name", (spot.x, spot.y), words, size=size)
