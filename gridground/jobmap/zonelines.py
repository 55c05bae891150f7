"""Zones on drawings: the lines round them, the cones by number, what leads traffic past."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import shapely

if TYPE_CHECKING:
    from gridground.jobmap.drawing import Drawing
    from gridground.jobmap.sketch import Scene


def zone_lines(scene: Scene) -> list[dict[str, Any]]:
    """Return each outline with its cones; of a plan without outlines, each location's zone.

    Parameters
    ----------
    scene : Scene
        The plan's geometry.

    Returns
    -------
    list of dict
        ``geometry``, ``cones``: (longitude, latitude, number, location or other part).
    """
    document = scene.document
    cones = document.get("cones", [])
    joint = [
        {
            "geometry": row["geometry"],
            "cones": [
                (cone["lon"], cone["lat"], cone["number"], cone["part"])
                for cone in cones
                if cone["zone_id"] == row["zone_id"]
            ],
        }
        for row in document.get("zones", [])
    ]
    return joint or [
        {
            "geometry": row["zone"]["geometry"],
            "cones": [
                (*point[:2], number, row["location_id"])
                for number, point in enumerate(row["zone"].get("cone_points", []), 1)
            ],
        }
        for row in document["locations"]
        if row["zone"]
    ]


def draw_zones(drawing: Drawing, scene: Scene, *, cone: float, css: str) -> None:
    """Draw the outlines in the picture and their cones."""
    for row in zone_lines(scene):
        outline = scene.outline(row)
        if not outline.intersects(drawing.view.box):
            continue
        # a third of a line's width: fewer corners, the same picture
        drawing.shape(css, shapely.simplify(outline, 0.5 / drawing.view.scale))
        spots = [scene.spot({"lon": lon, "lat": lat}) for lon, lat, *_ in row["cones"]]
        drawing.cones([spot for spot in spots if drawing.view.holds(spot)], cone)


def draw_traffic(drawing: Drawing, scene: Scene, size: float) -> None:
    """Draw the devices that lead traffic past, where their places are estimated."""
    for row in scene.document.get("traffic", []):
        for lon, lat in (point[:2] for point in row["drawn"]):
            spot = scene.spot({"lon": lon, "lat": lat})
            if drawing.view.holds(spot):
                drawing.device(spot, size)


def draw_vehicle(drawing: Drawing, scene: Scene) -> None:
    """Draw the truck and its own rod, where the job states them and the picture holds them."""
    stated = scene.document.get("vehicle")
    if stated is None:
        return
    place = scene.spot(stated)
    rod = scene.spot(stated["rod"]) if stated.get("rod") else None
    if rod is not None and drawing.view.holds(rod):
        drawing.earth(rod, 8.0)
        drawing.label("sk-rod-name", rod, "truck's rod", size=15.0, must=True)
    if drawing.view.holds(place):
        drawing.device(place, 8.0)
        drawing.label("sk-rod-name", place, "truck", size=15.0, must=True)
