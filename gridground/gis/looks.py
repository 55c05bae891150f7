"""How each layer looks when a GIS opens it: plain marks, as on the job map's page.

The same look is written as an SLD 1.1 document (OGC 05-078r4 with Symbology Encoding 1.1,
OGC 05-077r4) and as the form that GIS programs which read ``layer_styles`` commonly ask for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gridground.gis import markup

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.gis.layers import Layer

SLD_SPACES = {
    "version": "1.1.0",
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
}


@dataclass(frozen=True)
class Look:
    """Colours as hexadecimal RGB, sizes in pixels of a screen."""

    fill: str
    line: str
    width_px: float
    mark: str = "circle"
    size_px: float = 0.0
    fill_ratio: float = 1.0
    dash: str = ""
    label: str = ""


# Black for what decides, orange for cones; a shape of its own for each kind of point.
LOOKS = {
    "surroundings": Look("#dedede", "#555555", 1.5, size_px=8.0, label="name"),
    "surrounding_lines": Look("#dedede", "#555555", 2.0, label="name"),
    "surrounding_points": Look("#dedede", "#555555", 1.5, size_px=8.0, label="name"),
    "zones": Look("#f0a030", "#f0a030", 3.0, fill_ratio=0.22),
    "outlines": Look("#f0a030", "#000000", 1.5, fill_ratio=0.0, dash="4 4", label="zone_id"),
    "spans": Look("#000000", "#000000", 3.0),
    "other_lines": Look("#000000", "#000000", 3.0, dash="12 4 3 4", label="line_id"),
    "ways_out": Look("#000000", "#0072b2", 6.0, label="number"),
    "ground_leads": Look("#000000", "#000000", 3.0, dash="7 3", label="lead_id"),
    "poles_drawn": Look("#ffffff", "#000000", 2.0, "circle", 9.0, label="pole_id"),
    "devices_to_open": Look("#0072b2", "#000000", 2.0, "diamond", 16.0, label="device_id"),
    "traffic_cones": Look("#f0a030", "#000000", 1.0, "square", 8.0),
    "cones": Look("#f0a030", "#000000", 1.0, "triangle", 9.0, label="number"),
    "rods": Look("#ffffff", "#000000", 3.0, "cross", 16.0),
    "vehicle": Look("#ffffff", "#000000", 3.0, "square", 14.0, label="part"),
    "grounds": Look("#000000", "#ffffff", 2.0, "square", 16.0, label="pole_id"),
}


def sld_text(layer: Layer) -> str:
    """Return the style of a layer as an SLD 1.1 document.

    Parameters
    ----------
    layer : Layer
        With the look of `LOOKS` under its name.
    """
    look = LOOKS[layer.name]
    drawn = markup.group("se:Rule", _symbolizers(layer, look))
    style = markup.group("se:FeatureTypeStyle", [drawn])
    named = [
        markup.element("se:Name", layer.name),
        markup.group(
            "UserStyle", [markup.element("se:Name", layer.title), "<IsDefault>1</IsDefault>", style]
        ),
    ]
    body = markup.group("NamedLayer", named)
    return markup.HEAD + markup.group("StyledLayerDescriptor", [body], **SLD_SPACES)


def _symbolizers(layer: Layer, look: Look) -> Iterator[str]:
    """Yield the symbolizers of a layer; one of mixed geometry gets one of each kind."""
    kinds = ("area", "line", "point") if layer.shape == "GEOMETRY" else (layer.look,)
    for kind in kinds:
        yield {"area": _area, "line": _line, "point": _point}[kind](look)
    if look.label:
        yield _label(look)


def _parameter(name: str, value: object) -> str:
    """Return one parameter of a stroke or fill."""
    return markup.element("se:SvgParameter", value, name=name)


def _stroke(look: Look) -> str:
    """Return the stroke."""
    parts = [_parameter("stroke", look.line), _parameter("stroke-width", look.width_px)]
    if look.dash:
        parts.append(_parameter("stroke-dasharray", look.dash))
    return markup.group("se:Stroke", parts)


def _fill(look: Look) -> str:
    """Return the fill."""
    parts = [_parameter("fill", look.fill), _parameter("fill-opacity", look.fill_ratio)]
    return markup.group("se:Fill", parts)


def _area(look: Look) -> str:
    """Return the symbolizer of areas."""
    return markup.group("se:PolygonSymbolizer", [_fill(look), _stroke(look)])


def _line(look: Look) -> str:
    """Return the symbolizer of lines."""
    return markup.group("se:LineSymbolizer", [_stroke(look)])


def _point(look: Look) -> str:
    """Return the symbolizer of points; a diamond is a square turned by 45 degrees."""
    turned = look.mark == "diamond"
    name = markup.element("se:WellKnownName", "square" if turned else look.mark)
    mark = markup.group("se:Mark", [name, _fill(look), _stroke(look)])
    parts = [mark, markup.element("se:Size", look.size_px)]
    if turned:
        parts.append(markup.element("se:Rotation", 45))
    return markup.group("se:PointSymbolizer", [markup.group("se:Graphic", parts)])


def _label(look: Look) -> str:
    """Return the symbolizer of the label."""
    halo = markup.group(
        "se:Halo",
        ["<se:Radius>2</se:Radius>", f"<se:Fill>{_parameter('fill', '#ffffff')}</se:Fill>"],
    )
    return markup.group(
        "se:TextSymbolizer",
        [
            markup.group("se:Label", [markup.element("ogc:PropertyName", look.label)]),
            markup.group("se:Font", [_parameter("font-size", 11)]),
            halo,
            markup.group("se:Fill", [_parameter("fill", "#000000")]),
        ],
    )


def qml_text(layer: Layer) -> str:
    """Return the same style in the form that programs reading ``styleQML`` ask for.

    A single symbol with plain options, and the label. A layer of mixed geometry gets none: such a
    program asks for one kind of symbol.
    """
    if layer.shape == "GEOMETRY":
        return ""
    look, kind = LOOKS[layer.name], {"area": "fill", "line": "line", "point": "marker"}[layer.look]
    name = {"fill": "SimpleFill", "line": "SimpleLine", "marker": "SimpleMarker"}[kind]
    options = [
        f"<Option{markup.attributes({'type': 'QString', 'name': key, 'value': value})}/>"
        for key, value in _options(kind, look).items()
    ]
    values = markup.group("Option", options, type="Map")
    values = markup.group("layer", [values], **{"class": name}, enabled=1, locked=0)
    symbol = markup.group("symbol", [values], type=kind, name="0", alpha=1, clip_to_extent=1)
    symbols = markup.group("symbols", [symbol])
    parts = [markup.group("renderer-v2", [symbols], type="singleSymbol", symbollevels=0)]
    if look.label:
        parts.append(_labelling(look))
    said = {"labelsEnabled": int(bool(look.label)), "styleCategories": "Symbology|Labeling"}
    return markup.group("qgis", parts, version="3.22.0", **said)


def _labelling(look: Look) -> str:
    """Return the label: the value of one column, black in a white halo."""
    halo = {"bufferDraw": 1, "bufferSize": 1, "bufferColor": _rgba("#ffffff")}
    buffer = markup.element("text-buffer", "", **halo)
    letters = {"fieldName": look.label, "isExpression": 0, "fontSize": 9}
    style = markup.group("text-style", [buffer], **letters, textColor=_rgba("#000000"))
    return markup.group("labeling", [markup.group("settings", [style])], type="simple")


def _rgba(colour: str, ratio: float = 1.0) -> str:
    """Return a colour as four numbers up to 255."""
    parts = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    return ",".join(map(str, [*parts, round(255 * ratio)]))


def _options(kind: str, look: Look) -> dict[str, str]:
    """Return the options of a symbol; sizes in pixels."""
    dashed = {"use_custom_dash": "1", "customdash": look.dash.replace(" ", ";")}
    dashed |= {"customdash_unit": "Pixel"}
    if kind == "line":
        found = {"line_color": _rgba(look.line), "line_width": f"{look.width_px:g}"}
        return found | {"line_width_unit": "Pixel"} | (dashed if look.dash else {})
    found = {"color": _rgba(look.fill, look.fill_ratio), "outline_color": _rgba(look.line)}
    found |= {"outline_width": f"{look.width_px:g}", "outline_width_unit": "Pixel"}
    if kind == "marker":
        found |= {"name": look.mark, "size": f"{look.size_px:g}", "size_unit": "Pixel"}
    return found
