"""One ground pole from above, enlarged: where the rod goes, measured from two things in sight."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import shapely

from gridground.jobmap.drawing import Drawing, number, view_of
from gridground.jobmap.notes import Note, along, keep_free, place_note
from gridground.jobmap.sketch import (
    ROLE_LETTERS,
    draw_names,
    draw_surroundings,
    draw_wires,
    name_wires,
)
from gridground.jobmap.words import (
    BURIED_LETTERS,
    kind_text,
)
from gridground.jobmap.zonelines import draw_traffic, draw_vehicle, draw_zones, zone_lines
from gridground.units import bearing_text, feet_text, room_text

if TYPE_CHECKING:
    from markupsafe import Markup

    from gridground.jobmap.drawing import Point, View
    from gridground.jobmap.sketch import Scene

WIDTH = 400.0
LEAST_M = 14.0
CLEARANCES_SHOWN = 3
CLEARANCE_FAR_M = 12.0  # farther features are named in the text below
EDGED = ("road", "sidewalk", "driveway", "paved", "fence")
WIDER_RATIO = 1.3  # how much the picture may widen to hold the second mark
STRIP = 36.0  # at the foot, in drawing units
_CONE = 7.0


def plan_view_svg(scene: Scene, location: dict[str, Any]) -> Markup:
    """Return the surroundings of one location, enlarged until a rod's distance can be read.

    Parameters
    ----------
    scene : Scene
        The plan's geometry.
    location : dict
        A row of ``locations``.

    Returns
    -------
    Markup
        SVG, true to scale, north up: pole, rod, both sightings, lead on the ground, numbered
        cones, and dimension lines from the rod to what is nearest.
    """
    middle = scene.spot(location)
    near = _nearest(scene, location)
    drawing = Drawing(_view(_points(scene, location, near)))
    drawing.frame()
    draw_surroundings(drawing, scene)
    draw_wires(drawing, scene)
    draw_zones(drawing, scene, cone=_CONE, css="pv-zone")
    draw_traffic(drawing, scene, 5.0)
    draw_vehicle(drawing, scene)
    _edge_free(drawing, scene)
    _lines_free(drawing, scene)
    _other_poles(drawing, scene, location)
    name = location["pole_id"] or location.get("span_id") or ""
    if location["rod"]:
        _rod(drawing, scene, location)
    drawing.square("sk-ground", middle, 15.0, ROLE_LETTERS.get(location["role"], "?"))
    dimensions = [
        (row, *_dimension(drawing, scene.spot(location["rod"]), foot, middle)) for row, foot in near
    ]
    place_note(drawing, [middle], Note((name,), 20.0, css="nt nt-pole", toward=(1.0, -0.6)))
    if location["rod"]:
        _sightings(drawing, scene, location)
    for row, start, end in dimensions:
        _room(drawing, start, end, row)
    _numbers(drawing, scene, location)
    name_wires(drawing, scene)
    draw_names(drawing, scene, size=14.0)
    return drawing.svg("inset", f"{location['location_id']} {name} from above, north up")


def _view(points: list[Point]) -> View:
    """Return what part of the plane is drawn: a strip at the foot holds the scale bar."""
    view = view_of(points, width=WIDTH, ratios=(0.85, 1.1), least_m=LEAST_M)
    return replace(view, south=view.south - STRIP / view.scale)


def _points(scene: Scene, location: dict[str, Any], near: list[Any]) -> list[Point]:
    """Return what must be seen."""
    points = [scene.spot(location)]
    if location["zone"]:
        west, south, east, north = scene.outline(location["zone"]).bounds
        points += [(west, south), (east, north)]
    if location["rod"]:
        points.append(scene.spot(location["rod"]))
        points += [foot for _, foot in near]
        for row in location["rod"].get("seen_from", [])[1:]:
            wider = [*points, scene.spot(row)]
            if _size(wider) <= WIDER_RATIO * max(_size(points), LEAST_M * 0.8):
                points = wider
    return points


def _size(points: list[Point]) -> float:
    """Return the larger side of the box round some points [m]."""
    xs, ys = zip(*points, strict=True)
    return float(max(max(xs) - min(xs), max(ys) - min(ys)))


def _nearest(scene: Scene, location: dict[str, Any]) -> list[tuple[dict[str, Any], Point]]:
    """Return the few features nearest a rod and the point of each that comes nearest."""
    if not location["rod"]:
        return []
    rod = shapely.Point(scene.spot(location["rod"]))
    rows = scene.document["picture"]["surroundings"]
    shapes = {
        (row["kind"], row["feature_id"]): geometry
        for row, geometry in zip(rows, scene.surroundings, strict=True)
    }
    found = []
    near = sorted(location["rod"].get("nearest", []), key=lambda row: row["distance_m"])
    seen = {row["feature_id"] for row in location["rod"].get("seen_from", [])[1:]}
    for row in near[:CLEARANCES_SHOWN]:
        if row["feature_id"] in seen and row["kind"] in EDGED:
            continue  # it is measured from already
        geometry = shapes.get((row["kind"], row["feature_id"]))
        if geometry is None or geometry.is_empty or row["distance_m"] > CLEARANCE_FAR_M:
            continue
        foot = shapely.shortest_line(rod, geometry).coords[-1]
        found.append((row, (float(foot[0]), float(foot[1]))))
    return found


def _edge_free(drawing: Drawing, scene: Scene) -> None:
    """Keep notes off the lines round the zones in the picture."""
    for row in zone_lines(scene):
        outline = scene.outline(row)
        if outline.intersects(drawing.view.box):
            edge = shapely.simplify(outline, 0.1).exterior.coords
            for start, end in itertools.pairwise(edge):
                keep_free(drawing, start[:2], end[:2])


def _lines_free(drawing: Drawing, scene: Scene) -> None:
    """Keep notes off wires, buried lines and the edges of roads and the like, where they can."""
    before = len(drawing.taken)
    rows = zip(scene.document["picture"]["surroundings"], scene.surroundings, strict=True)
    drawn = [shape for row, shape in rows if row["kind"] in (*EDGED, *BURIED_LETTERS)]
    for shape in [*scene.spans, *scene.other_lines, *drawn]:
        edges = shape.boundary if shape.geom_type.endswith("Polygon") else shape
        for line in shapely.get_parts(shapely.intersection(edges, drawing.view.box)):
            if line.geom_type in {"LineString", "LinearRing"}:
                for start, end in itertools.pairwise(line.coords):
                    keep_free(drawing, start[:2], end[:2], 3.0)
    drawing.light += drawing.taken[before:]
    del drawing.taken[before:]


def _rod(drawing: Drawing, scene: Scene, location: dict[str, Any]) -> None:
    """Draw rod and lead on the ground."""
    spot, middle = scene.spot(location["rod"]), scene.spot(location)
    drawing.path("sk-lead", [middle, spot])
    keep_free(drawing, middle, spot, 5.0)
    drawing.earth(spot, 15.0)


def _sightings(drawing: Drawing, scene: Scene, location: dict[str, Any]) -> None:
    """Draw and name the two marks from which the rod is measured; the pole comes first."""
    rod = scene.spot(location["rod"])
    # a plan made before marks were thought of holds none: the pole is one all the same
    rows = location["rod"].get("seen_from") or [{**location["rod"], **_position(location)}]
    seen = [_seen(drawing, scene.spot(row), rod) for row in rows]
    for row, spot in zip(rows[1:], seen[1:], strict=True):
        drawing.path("pv-sight", [spot, rod])
        keep_free(drawing, spot, rod)
        if spot == scene.spot(row):
            _cross(drawing, spot)
        else:
            _head(drawing, spot, rod)
    for count, (row, spot) in enumerate(zip(rows, seen, strict=True)):
        turn = bearing_text(row["bearing_deg"])
        if count:
            words = [f"from {row['what']}", *_two_lines(room_text(row["distance_m"])), turn]
        else:
            feet, metres = _two_lines(feet_text(row["distance_m"]))
            words = [f"ROD {feet}", metres, turn]
        size = 14.0 if count else 16.0
        place_note(drawing, along(spot, rod), Note(tuple(words), size, css="nt nt-rod"))


def _position(location: dict[str, Any]) -> dict[str, Any]:
    """Return where the pole of a location stands."""
    return {"lon": location["lon"], "lat": location["lat"]}


def _two_lines(length: str) -> tuple[str, str]:
    """Split a length into feet and metres."""
    feet, _, metres = length.partition(" (")
    return feet, f"({metres}"


def _seen(drawing: Drawing, mark: Point, rod: Point) -> Point:
    """Return a mark, or where the way to it leaves the picture."""
    view = drawing.view
    inset = 14.0 / view.scale
    box = shapely.box(view.west + inset, view.south + inset, view.east - inset, view.north - inset)
    way = shapely.LineString([rod, mark])
    if box.covers(shapely.Point(mark)) or not box.intersects(way):
        return mark
    end = way.intersection(box).coords[-1]
    return float(end[0]), float(end[1])


def _cross(drawing: Drawing, mark: Point) -> None:
    """Mark a point that is measured from: a cross in a ring."""
    drawing.dot("pv-mark", mark, 8.0)
    x, y = drawing.view.at(*mark)
    d = f"M{number(x - 8)} {number(y)} h16 M{number(x)} {number(y - 8)} v16"
    drawing.add('<path class="pv-mark" d="{d}"/>', d=d)


def _head(drawing: Drawing, tip: Point, start: Point) -> None:
    """Draw the head of an arrow that leaves the picture."""
    x, y = drawing.view.at(*tip)
    size = math.dist(tip, start) or 1.0
    dx, dy = (tip[0] - start[0]) / size, -(tip[1] - start[1]) / size
    wings = [(x + dx * 12, y + dy * 12), (x - dy * 7, y + dx * 7), (x + dy * 7, y - dx * 7)]
    d = "M" + " L".join(f"{number(a)} {number(b)}" for a, b in wings) + " Z"
    drawing.add('<path class="pv-head" d="{d}"/>', d=d)
    drawing.take((x - 12, y - 12, x + 12, y + 12))


def _dimension(drawing: Drawing, rod: Point, foot: Point, pole: Point) -> tuple[Point, Point]:
    """Draw a line from rod to foot with a bar across either end; return its two ends.

    Where it would lie on the lead it is drawn beside it, as long and in the same direction.
    """
    size = math.dist(rod, foot)
    if size <= 0.0:
        return rod, foot
    unit = ((foot[0] - rod[0]) / size, (foot[1] - rod[1]) / size)
    lead = (pole[0] - rod[0], pole[1] - rod[1])
    along = lead[0] * unit[0] + lead[1] * unit[1]
    off = abs(lead[0] * unit[1] - lead[1] * unit[0])
    scale = drawing.view.scale
    moved = -34.0 / scale if 0.0 < along <= size + 0.5 and off < 26.0 / scale else 0.0
    across = (-unit[1], unit[0])
    start, end = (
        (spot[0] + moved * across[0], spot[1] + moved * across[1]) for spot in (rod, foot)
    )
    drawing.path("pv-dim", [start, end])
    half = 6.0 / scale
    for spot, origin in ((start, rod), (end, foot)):
        near = origin if moved and origin is rod else None
        bar = [(spot[0] + s * half * across[0], spot[1] + s * half * across[1]) for s in (-1, 1)]
        drawing.path("pv-dim", [near, bar[0]] if near else bar)
    keep_free(drawing, start, end)
    return start, end


def _room(drawing: Drawing, rod: Point, foot: Point, row: dict[str, Any]) -> None:
    """Write how far a feature is from the rod."""
    letter = BURIED_LETTERS.get(row["kind"])
    kind = kind_text(row["kind"])
    first = f"to {letter}: {kind}" if letter else f"to {kind}"
    words = (first, *_two_lines(room_text(row["distance_m"])))
    place_note(drawing, along(rod, foot), Note(words, 14.0))


def _numbers(drawing: Drawing, scene: Scene, location: dict[str, Any]) -> None:
    """Write the number of each cone in the picture, outside the zone where there is room."""
    for row in zone_lines(scene):
        whole = scene.outline(row).centroid
        own = location["location_id"]
        middle = scene.outline(location["zone"]).centroid if location["zone"] else whole
        for lon, lat, number_, part in row["cones"]:
            spot = scene.spot({"lon": lon, "lat": lat})
            if not drawing.view.holds(spot):
                continue
            away = middle if part == own else whole
            toward = (spot[0] - away.x, spot[1] - away.y)
            note = Note((str(number_),), 13.5, css="nt nt-cone", toward=toward, off=_CONE)
            place_note(drawing, [spot], note)


def _other_poles(drawing: Drawing, scene: Scene, location: dict[str, Any]) -> None:
    """Draw the other poles in the picture with their numbers."""
    view = drawing.view
    for name, spot in scene.poles.items():
        inside = view.west <= spot[0] <= view.east and view.south <= spot[1] <= view.north
        if inside and name != location["pole_id"]:
            drawing.dot("sk-pole", spot, 7.0)
            place_note(drawing, [spot], Note((name,), 16.0, css="nt nt-pole"))
