"""A plan as KML 2.2 (OGC 07-147r2): a folder per layer, plain styles, no link to anywhere.

Viewers show a description as HTML: its text is escaped once for HTML and once for XML, so that no
text of a plan becomes markup. The values themselves stand in ``ExtendedData``.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

from gridground.gis import markup
from gridground.gis.about import about, description, legal
from gridground.gis.layers import Layer, Row, layers_of
from gridground.gis.looks import LOOKS, Look

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.record import Plan

SPACE = "http://www.opengis.net/kml/2.2"
# The value that names a thing, by layer.
NAMES = {
    "surroundings": "name", "surrounding_lines": "name", "surrounding_points": "name",
    "zones": "pole_id", "outlines": "zone_id", "spans": "span_id",
    "other_lines": "line_id",
    "ways_out": "number", "ground_leads": "lead_id", "poles_drawn": "pole_id",
    "devices_to_open": "device_id", "traffic_cones": "measure", "cones": "number",
    "rods": "pole_id", "vehicle": "part", "grounds": "pole_id",
}  # fmt: skip


def kml_bytes(plan: Plan) -> bytes:
    """Return a plan as KML; a thing without a known place is a placemark without geometry."""
    document = plan.document
    layers = layers_of(document)
    parts = [
        markup.element("name", f"{document['job_id']}: {document['title']}"),
        "<open>1</open>",
        _shown(description(document)),
        *(_style(name, look) for name, look in LOOKS.items()),
        _data(about(document)),
        "\n",
        *(_folder(layer) for layer in layers),
    ]
    text = markup.group("kml", [markup.group("Document", parts)], xmlns=SPACE)
    return (markup.HEAD + text + "\n").encode("utf-8")


def _shown(text: str) -> str:
    """Return a description: text that stays text in a viewer which reads HTML there."""
    return markup.element("description", html.escape(legal(text)))


def _data(values: dict[str, Any]) -> str:
    """Return values by name; what is not known is left out."""
    rows = [
        markup.group("Data", [markup.element("value", value)], name=key)
        for key, value in values.items()
        if value is not None
    ]
    return markup.group("ExtendedData", rows)


def _colour(look: str, ratio: float = 1.0) -> str:
    """Return a colour in KML's order: opacity, blue, green, red."""
    red, green, blue = look[1:3], look[3:5], look[5:7]
    return f"{round(255 * ratio):02x}{blue}{green}{red}"


def _style(name: str, look: Look) -> str:
    """Return the shared style of a layer; its balloon shows the description alone."""
    parts = [
        f"<IconStyle><color>{_colour(look.fill)}</color></IconStyle>" if look.size_px else "",
        f"<LineStyle><color>{_colour(look.line)}</color><width>{look.width_px:g}</width></LineStyle>",
        f"<PolyStyle><color>{_colour(look.fill, look.fill_ratio)}</color></PolyStyle>",
        "<BalloonStyle><text>$[description]</text></BalloonStyle>",
    ]
    # The schema's order: icon, label, line, area, balloon.
    return markup.group("Style", parts, id=name)


def _folder(layer: Layer) -> str:
    """Return a layer as a folder."""
    rows = [_placemark(layer, row) for row in layer.rows]
    return markup.group("Folder", [markup.element("name", layer.title), *rows]) + "\n"


def _placemark(layer: Layer, row: Row) -> str:
    """Return one thing."""
    name = row.values[NAMES[layer.name]]
    facts = [f"{key}: {value}" for key, value in row.values.items() if value is not None]
    parts = [
        markup.element("name", layer.title if name is None else name),
        _shown("; ".join([layer.title, *facts])),
        f"<styleUrl>#{layer.name}</styleUrl>",
        _data(row.values),
        "" if row.geometry is None else _geometry(row.geometry),
    ]
    return markup.group("Placemark", parts) + "\n"


def _coordinates(points: Sequence[Sequence[float]]) -> str:
    """Return positions as longitude and latitude."""
    pairs = " ".join(f"{markup.degrees(x)},{markup.degrees(y)}" for x, y, *_ in points)
    return f"<coordinates>{pairs}</coordinates>"


def _polygon(rings: Sequence[Sequence[Sequence[float]]]) -> str:
    """Return an area with its holes."""
    parts = [
        f"<{side}BoundaryIs><LinearRing>{_coordinates(ring)}</LinearRing></{side}BoundaryIs>"
        for side, ring in zip(["outer", *["inner"] * (len(rings) - 1)], rings, strict=True)
    ]
    return f"<Polygon><tessellate>1</tessellate>{''.join(parts)}</Polygon>"


def _geometry(geometry: dict[str, Any]) -> str:
    """Return a GeoJSON geometry as KML."""
    kind, found = geometry["type"], geometry["coordinates"]
    if kind.startswith("Multi"):
        single = kind.removeprefix("Multi")
        parts = [_geometry({"type": single, "coordinates": part}) for part in found]
        return markup.group("MultiGeometry", parts)
    if kind == "Point":
        return f"<Point>{_coordinates([found])}</Point>"
    if kind == "LineString":
        return f"<LineString><tessellate>1</tessellate>{_coordinates(found)}</LineString>"
    return _polygon(found) if found else ""
