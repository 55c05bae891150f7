"""A plan as GPX 1.1 waypoints: poles with grounds, rods, devices to open.

Elements stand in the order of the schema, http://www.topografix.com/GPX/1/1/gpx.xsd: of a waypoint
``name cmt desc type``, of the metadata ``name desc time bounds``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from gridground.gis import markup
from gridground.gis.about import description
from gridground.gis.layers import Layer, Value, layers_of
from gridground.jobmap.words import length_text
from gridground.units import bearing_text

if TYPE_CHECKING:
    from gridground.record import Plan

SPACE = "http://www.topografix.com/GPX/1/1"
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:Z|[+-]\d\d:\d\d)")


def gpx_bytes(plan: Plan) -> bytes:
    """Return a plan as GPX.

    Cones are left out: they would bury the poles on a small screen; the rod's words count them.
    A device whose place the plan does not hold is left out too.
    """
    document = plan.document
    layers = {layer.name: layer for layer in layers_of(document)}
    points = [
        *_points(layers["grounds"], _ground),
        *_points(layers["rods"], lambda row: _rod(document, row)),
        *_points(layers["devices_to_open"], _device),
        *_points(layers["vehicle"], _vehicle),
    ]
    text = markup.group(
        "gpx",
        ["\n", _metadata(document, points), "\n", *(_waypoint(*point) for point in points)],
        version="1.1",
        creator=f"gridground {document['tool_version']}",
        xmlns=SPACE,
    )
    return (markup.HEAD + text + "\n").encode("utf-8")


Point = tuple[float, float, dict[str, str]]


def _points(layer: Layer, words: Any) -> list[Point]:  # noqa: ANN401  a function of the row's values
    """Return longitude, latitude and words of each row that has a place."""
    return [
        (*_lonlat(row.geometry["coordinates"]), words(row.values))
        for row in layer.rows
        if row.geometry
    ]


def _lonlat(point: list[float]) -> tuple[float, float]:
    """Return a position with the longitude below 180, as the schema wants it."""
    return (point[0] + 180.0) % 360.0 - 180.0 if abs(point[0]) >= 180.0 else point[0], point[1]


def _metadata(document: dict[str, Any], points: list[Point]) -> str:
    """Return what the file says of its plan."""
    parts = [
        markup.element("name", f"{document['job_id']}: {document['title']}"),
        markup.element("desc", description(document)),
    ]
    if _TIME.fullmatch(document["made_at"]):
        parts.append(markup.element("time", document["made_at"]))
    if points:
        lon, lat = [point[0] for point in points], [point[1] for point in points]
        box = {"minlat": min(lat), "minlon": min(lon), "maxlat": max(lat), "maxlon": max(lon)}
        parts.append(
            f"<bounds{markup.attributes({k: markup.degrees(v) for k, v in box.items()})}/>"
        )
    return markup.group("metadata", parts)


def _waypoint(lon_deg: float, lat_deg: float, words: dict[str, str]) -> str:
    """Return one waypoint."""
    parts = [markup.element(key, words[key]) for key in ("name", "cmt", "desc", "type")]
    place = {"lat": markup.degrees(lat_deg), "lon": markup.degrees(lon_deg)}
    return markup.group("wpt", parts, **place) + "\n"


def _ground(row: dict[str, Value]) -> dict[str, str]:
    """Return the words of a pole with grounds."""
    place = row["pole_id"] or f"span {row['span_id']}"
    return {
        "name": f"{place}",
        "cmt": f"{row['location_id']} {row['role']}",
        "desc": f"{row['title'] or row['role']}. {row['lead_count']} leads: {row['leads']}",
        "type": f"{row['role']}",
    }


def _vehicle(row: dict[str, Value]) -> dict[str, str]:
    """Return the words of the truck or of its own rod."""
    part = f"{row['part']}"
    return {"name": part, "cmt": part, "desc": f"{part}, as stated in the job", "type": "vehicle"}


def _rod(document: dict[str, Any], row: dict[str, Value]) -> dict[str, str]:
    """Return the words of a rod."""
    zone = next(
        (at["zone"] for at in document["locations"] if at["location_id"] == row["location_id"]),
        None,
    )
    cones = f"; {zone['cones']} cones round it" if zone else ""
    far, bearing = _real(row["distance_m"]), _real(row["bearing_deg"])
    way = f"{length_text(far)}, bearing {bearing_text(bearing)}"
    return {
        "name": f"{row['pole_id']} rod",
        "cmt": f"{row['location_id']} rod",
        "desc": f"Ground rod: {way} from the pole{cones}.",
        "type": "rod",
    }


def _device(row: dict[str, Value]) -> dict[str, str]:
    """Return the words of a device to open."""
    stated = "" if row["stated"] else " Not stated in the job."
    return {
        "name": f"{row['device_id']}",
        "cmt": f"{row['kind']} at {row['pole_id']}, number {row['number']} in order",
        "desc": f"{row['text']}{stated}",
        "type": "device to open",
    }


def _real(value: Value) -> float:
    """Return a figure that the plan's shape promises."""
    return float(value) if isinstance(value, int | float) else 0.0
