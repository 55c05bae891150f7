"""A plan as GeoJSON (RFC 7946)."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from gridground.gis.about import about, description, legal
from gridground.gis.layers import layers_of, lead_text, leads_at

if TYPE_CHECKING:
    from gridground.record import Plan

# Those that the locations' own features do not show, by the word in ``what``.
WORDS = {
    "outlines": "outline",
    "traffic_cones": "traffic cone, an estimate",
    "ground_leads": "ground lead",
    "ways_out": "way out",
    "devices_to_open": "device to open",
    "spans": "span",
    "other_lines": "other line",
    "poles_drawn": "pole",
    "surroundings": "surroundings",
    "surrounding_lines": "surroundings",
    "surrounding_points": "surroundings",
    "vehicle": "vehicle",
}


def geojson_bytes(plan: Plan) -> bytes:
    """Return a plan as one feature collection.

    Locations, rods, zones and cones first, then what is drawn round them; ``what`` tells the kind.
    The collection says which plan it is and how ready.
    """
    document = plan.document
    collection = {
        "type": "FeatureCollection",
        "name": legal(document["job_id"]),
        "description": description(document),
        "about": about(document),
        "features": [*_locations(document), *_apart(document), *_others(document)],
    }
    return (json.dumps(collection, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def _locations(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return each location with its rod, zone and cones behind it."""
    features = []
    for row in document["locations"]:
        base = {"location_id": row["location_id"], "pole_id": row["pole_id"]}
        base["job"] = document["job_id"]
        title = row.get("title") or row["role"]
        leads = [lead_text(lead) for lead in leads_at(document, row)]
        facts = base | {"what": row["role"], "title": title, "leads": leads}
        features.append(_feature(_at(row), facts))
        rod, zone = row["rod"], row["zone"]
        if rod:
            facts = {key: rod[key] for key in ("bearing_deg", "distance_m", "resistance_ohm")}
            features.append(_feature(_at(rod), base | {"what": "rod"} | facts))
        if zone:
            facts = {key: zone[key] for key in ("radius_m", "perimeter_m", "cones")}
            features.append(_feature(zone["geometry"], base | {"what": "zone"} | facts))
            points = [list(point) for point in zone.get("cone_points", [])]
            cones = {"type": "MultiPoint", "coordinates": points}
            numbers = {"what": "cones", "numbers": zone.get("cone_numbers", [])}
            features.append(_feature(cones, base | numbers))
    return features


def _apart(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the cones of what is no location: the truck with its own rod."""
    there = {row["location_id"] for row in document["locations"]}
    found: dict[str, list[dict[str, Any]]] = {}
    for row in document.get("cones", []):
        if row["part"] not in there:
            found.setdefault(row["part"], []).append(row)
    return [
        _feature(
            {"type": "MultiPoint", "coordinates": [[row["lon"], row["lat"]] for row in rows]},
            {"location_id": part, "pole_id": None, "job": document["job_id"], "what": "cones"}
            | {"numbers": [row["number"] for row in rows]},
        )
        for part, rows in found.items()
    ]


def _others(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what the locations' features do not show."""
    layers = {layer.name: layer for layer in layers_of(document)}
    return [
        _feature(row.geometry, {"what": word, "job": document["job_id"]} | row.values)
        for name, word in WORDS.items()
        for row in layers[name].rows
    ]


def _at(row: dict[str, Any]) -> dict[str, Any]:
    """Return the position of a row."""
    return {"type": "Point", "coordinates": [row["lon"], row["lat"]]}


def _feature(geometry: dict[str, Any] | None, properties: dict[str, Any]) -> dict[str, Any]:
    """Return one feature with legal texts."""
    facts = {key: _legal(value) for key, value in properties.items()}
    return {"type": "Feature", "geometry": geometry, "properties": facts}


def _legal(value: object) -> object:
    """Return a value with legal texts."""
    if isinstance(value, list):
        return [_legal(part) for part in value]
    return legal(value) if isinstance(value, str) else value
