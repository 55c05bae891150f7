"""The layers of a plan: what stands where, one row per thing, the same for every kind of file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gridground.gis.about import legal
from gridground.jobmap.words import end_text

if TYPE_CHECKING:
    from collections.abc import Iterator

Geometry = dict[str, Any]
Value = str | int | float | None
_SHAPES = {"point": "POINT", "line": "LINESTRING", "area": "POLYGON"}


@dataclass(frozen=True)
class Row:
    """One thing: its geometry, None where the plan does not say where it is, and its values."""

    geometry: Geometry | None
    values: dict[str, Value]


@dataclass(frozen=True)
class Layer:
    """Things of one kind; `columns` names the kind of value of each: text, whole or real."""

    name: str
    title: str
    look: str
    columns: dict[str, str]
    rows: tuple[Row, ...]

    @property
    def shape(self) -> str:
        """The geometry type of all rows: of several parts where one is; that of its look if empty.

        ``GEOMETRY`` where the types differ otherwise.
        """
        kinds = {row.geometry["type"].upper() for row in self.rows if row.geometry}
        if not kinds:
            return _SHAPES[self.look]
        single = {kind.removeprefix("MULTI") for kind in kinds}
        if len(single) > 1:
            return "GEOMETRY"
        return kinds.pop() if len(kinds) == 1 else f"MULTI{single.pop()}"


# name, title, look (point, line or area), columns: text unless marked # (whole) or . (real)
_LAYERS = (
    ("surroundings", "Surroundings", "area", "feature_id kind name"),
    ("surrounding_lines", "Surroundings, lines", "line", "feature_id kind name"),
    ("surrounding_points", "Surroundings, points", "point", "feature_id kind name"),
    ("zones", "Cone zones", "area", "location_id pole_id radius_m. perimeter_m. cones#"),
    ("outlines", "Lines of cones", "area", "zone_id parts perimeter_m. cones#"),
    ("spans", "Spans drawn", "line", "span_id circuit_id kind phases worked#"),
    ("other_lines", "Other lines", "line", "line_id nominal_kv. state"),
    ("ways_out", "Ways energy can come", "line",
     "number pole_id span_id towards sources bracket_pole_id"),
    ("ground_leads", "Leads on the ground", "line",
     "location_id pole_id lead_id size parallel# length_m. distance_m. bearing_deg."),
    ("poles_drawn", "Poles drawn", "point", "pole_id"),
    ("devices_to_open", "Devices to open, look at and tag", "point",
     "number# device_id kind pole_id span_id phases recorded stated# bounds# text"),
    ("traffic_cones", "Traffic cones, an estimate", "point", "feature_id zone_ids measure"),
    ("cones", "Cones", "point", "location_id pole_id number# bearing_deg. distance_m."),
    ("rods", "Ground rods", "point",
     "location_id pole_id bearing_deg. distance_m. resistance_ohm. resistivity_ohm_m. soil"),
    ("vehicle", "Truck and its own rod", "point", "part clearance_m. rod_distance_m."),
    ("grounds", "Poles with grounds", "point",
     "location_id pole_id span_id role title circuit_ids electrode leads lead_count#"),
)  # fmt: skip
_KINDS = {"#": "whole", ".": "real"}


def layers_of(document: dict[str, Any]) -> list[Layer]:
    """Return every layer of a plan, those to be drawn first in front.

    Parameters
    ----------
    document : dict
        A plan in the shape that `gridground.jobmap.shape.check_shape` accepts.

    Returns
    -------
    list of Layer
        In longitude and latitude, WGS 84; texts without characters that no file can carry.
    """
    makers = {
        "surroundings": lambda plan: _surroundings(plan, "area"),
        "surrounding_lines": lambda plan: _surroundings(plan, "line"),
        "surrounding_points": lambda plan: _surroundings(plan, "point"),
        "zones": _zones,
        "outlines": _outlines,
        "spans": _spans,
        "other_lines": _other_lines,
        "ways_out": _ways,
        "ground_leads": _ground_leads,
        "poles_drawn": _poles_drawn,
        "devices_to_open": _devices,
        "traffic_cones": _traffic_cones,
        "cones": _cones,
        "rods": _rods,
        "vehicle": _vehicle,
        "grounds": _grounds,
    }
    found = []
    for name, title, look, text in _LAYERS:
        columns = {key.rstrip("#."): _KINDS.get(key[-1], "text") for key in text.split()}
        rows = tuple(
            Row(geometry, {key: value_of(facts.get(key)) for key in columns})
            for geometry, facts in makers[name](document)
        )
        found.append(Layer(name, title, look, columns, rows))
    return found


def value_of(value: object) -> Value:
    """Return a value as one cell: lists joined, truth as 1 or 0, texts made legal."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, list | tuple):
        return "; ".join(legal(str(part)) for part in value)
    if value is None or isinstance(value, int | float):
        return value
    return legal(str(value))


def leads_at(document: dict[str, Any], location: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of the lead table at one location."""
    place = (location["pole_id"], location.get("span_id"))
    return [row for row in document["leads"] if (row["pole_id"], row.get("span_id")) == place]


def lead_text(lead: dict[str, Any]) -> str:
    """Return one row of the lead table in a few words."""
    many = f"{lead['parallel']} x " if lead["parallel"] > 1 else ""
    ends = f"{end_text(lead, 'from')} to {end_text(lead, 'to')}"
    return f"{lead['lead_id']}: {ends}, {many}{lead['size']}"


def _point(row: dict[str, Any]) -> Geometry:
    """Return the position of a row."""
    return {"type": "Point", "coordinates": [row["lon"], row["lat"]]}


def _line(points: list[Any]) -> Geometry | None:
    """Return a line, None where it has fewer than two points."""
    return {"type": "LineString", "coordinates": points} if len(points) > 1 else None


def _grounds(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the locations with the leads of each."""
    for row in document["locations"]:
        leads = leads_at(document, row)
        yield (
            _point(row),
            row
            | {"leads": [lead_text(lead) for lead in leads]}
            | {"lead_count": sum(lead["parallel"] for lead in leads)},
        )


def _rods(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the rods."""
    for row in document["locations"]:
        if row["rod"]:
            yield _point(row["rod"]), row | row["rod"]


def _vehicle(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the truck and its own rod, where the job states them."""
    stated = document.get("vehicle")
    if stated is None:
        return
    yield _point(stated), {"part": "truck", "clearance_m": stated["clearance_m"]}
    if stated.get("rod"):
        far = {"rod_distance_m": stated["rod_distance_m"]}
        yield _point(stated["rod"]), {"part": "truck rod"} | far


def _zones(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the cone zones."""
    for row in document["locations"]:
        if row["zone"]:
            yield row["zone"]["geometry"], row | row["zone"]


def _outlines(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the lines along which cones stand: round one zone, or round several that meet."""
    for row in document.get("zones", []):
        yield row["geometry"], row


def _cones(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield each cone by itself, with the number it has on the plan."""
    if "cones" in document:
        at = {row["location_id"]: row["pole_id"] for row in document["locations"]}
        for row in document["cones"]:
            facts = {"location_id": row["part"], "pole_id": at.get(row["part"])}
            yield _point(row), row | facts
        return
    for row in document["locations"]:
        for number, point in enumerate((row["zone"] or {}).get("cone_points", []), 1):
            yield {"type": "Point", "coordinates": list(point[:2])}, row | {"number": number}


def _traffic_cones(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the cones along roads that are drawn."""
    for row in document.get("traffic", []):
        for point in row["drawn"]:
            yield {"type": "Point", "coordinates": list(point[:2])}, row


def _ground_leads(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the lead from each pole to its rod, as it lies on the ground, drawn straight."""
    for row in document["locations"]:
        rod = row["rod"]
        leads = [lead for lead in leads_at(document, row) if "rod" in (lead["from"], lead["to"])]
        if rod:
            ends = [[row["lon"], row["lat"]], [rod["lon"], rod["lat"]]]
            yield (
                _line(ends),
                rod
                | (leads[0] if leads else {})
                | {
                    "location_id": row["location_id"],
                    "pole_id": row["pole_id"],
                },
            )


def _spans(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the spans of the surroundings."""
    for row in document["picture"]["spans"]:
        yield _line(row["line"]), row


def _other_lines(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield lines of others; what is recorded out of service may be energized all the same."""
    for row in document["picture"]["other_lines"]:
        state = "energized"
        if row["state"] != state:
            state = "recorded out of service, treat as energized"
        yield _line(row["line"]), row | {"state": state}


def _ways(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the ways out along their spans, where those are drawn."""
    lines = {row["span_id"]: row["line"] for row in document["picture"]["spans"]}
    for number, row in enumerate(document["directions"], 1):
        yield _line(lines.get(row["span_id"], [])), row | {"number": f"D{number}"}


def _surroundings(
    document: dict[str, Any], look: str
) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield what the job's surroundings hold of one look; a mixed geometry is an area."""
    for row in document["picture"]["surroundings"]:
        kind = row["geometry"]["type"].upper().removeprefix("MULTI")
        if next((name for name, shape in _SHAPES.items() if shape == kind), "area") == look:
            yield row["geometry"], row


def _poles_drawn(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield every pole that is drawn, those with grounds among them."""
    for row in document["picture"]["poles"]:
        yield _point(row), row


def _devices(document: dict[str, Any]) -> Iterator[tuple[Geometry | None, dict[str, Any]]]:
    """Yield the devices to open; without a place where the plan does not say where they are."""
    spots = {row["pole_id"]: _point(row) for row in document["picture"]["poles"]}
    for row in (document.get("clearance") or {}).get("open", []):
        known = isinstance(row.get("lon"), int | float) and isinstance(row.get("lat"), int | float)
        yield _point(row) if known else spots.get(row["pole_id"]), row
