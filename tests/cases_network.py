"""Drawing board for the small territories of ``tests/cases``: rows written in few words.

Everything is laid out in metres (x east, y north) round a point in the open ocean and projected
only when it is written.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer
from shapely.geometry import LineString, Point, Polygon

LON, LAT = -38.25, 46.5  # North Atlantic, 700 km from any land: nothing drawn here exists
SPAN_M = 55.0
XY = tuple[float, float]
Row = dict[str, Any]

THREE: Row = {"phases": "ABC", "construction": "IEEE 500"}
TWO: Row = {"phases": "AC", "construction": "IEEE 505"}
ONE: Row = {"phases": "B", "construction": "IEEE 510"}
LEFT: Row = {"phases": "ABC", "construction": "double circuit left side (45-ft pole)"}
RIGHT: Row = {"phases": "ABC", "construction": "double circuit right side (45-ft pole)"}
UPPER: Row = {"phases": "ABC", "construction": "upper arm"}
LOWER: Row = {"phases": "ABC", "construction": "lower arm"}
CABLE: Row = {"phases": "ABC", "kind": "cable", "neutral_conductor": "#2 copper"}
IMPEDANCE: Row = {
    "r1_ohm_per_km": 0.6, "x1_ohm_per_km": 0.2, "r0_ohm_per_km": 1.4, "x0_ohm_per_km": 0.5,
}  # fmt: skip
ARMS = """\
name,position,x_m,y_m,source
upper arm,1,-1.2,11.6,invented for the cases
upper arm,2,-0.4,11.6,invented for the cases
upper arm,3,0.9,11.6,invented for the cases
upper arm,N,0,10.4,invented for the cases
lower arm,1,-1.2,9.6,invented for the cases
lower arm,2,-0.4,9.6,invented for the cases
lower arm,3,0.9,9.6,invented for the cases
lower arm,N,0,8.2,invented for the cases
"""
_TO_LONLAT = Transformer.from_crs(
    CRS.from_proj4(f"+proj=aeqd +lat_0={LAT} +lon_0={LON} +datum=WGS84 +units=m"),
    "EPSG:4326",
    always_xy=True,
)


def names(letter: str, first: int, last: int) -> list[str]:
    """Return pole numbers from first to last."""
    return [f"{letter}{number}" for number in range(first, last + 1)]


@dataclass
class Sketch:
    """The layers of one territory while they are being drawn: (properties, shape) rows."""

    at: dict[str, XY] = field(default_factory=dict)
    layers: dict[str, list[tuple[Row, Any]]] = field(default_factory=dict)
    ohm: dict[str, float] = field(default_factory=dict)  # permanent pole grounds
    material: str = "wood"
    arms: bool = False

    def add(self, layer: str, row: Row, shape: Any) -> None:
        """Add a feature."""
        self.layers.setdefault(layer, []).append((row, shape))

    def pole(self, pole_id: str, at: XY, **more: Any) -> None:
        """Stand a pole."""
        self.at[pole_id] = at
        row = {"pole_id": pole_id, "material": self.material, "height_m": 12.5}
        row |= {"ground_ohm": self.ohm.get(pole_id)}
        self.add("poles", row | more, Point(at))

    def span(self, span_id: str, start: str, end: str, circuit: str = "F1", **more: Any) -> None:
        """String a span: three phases with a neutral where nothing else is given."""
        row: Row = {"span_id": span_id, "circuit_id": circuit, "from_pole": start, "to_pole": end}
        row |= {"phases": "ABC", "kind": "overhead", "neutral_conductor": "4/0 ACSR 6/1"} | more
        if row["kind"] == "overhead":
            row = {"conductor": "336.4 ACSR 26/7", "construction": "IEEE 500"} | row
        else:
            row |= IMPEDANCE
        row = {key: value for key, value in row.items() if value != "unknown"}
        self.add("spans", row, LineString([self.at[start], self.at[end]]))

    def run(self, letter: str, poles: list[str], *, at: XY = (0, 0), to: str = "E",
            first: int = 1, **more: Any) -> None:  # fmt: skip
        """Stand poles every 55 m and string spans between them; poles that stand already stay."""
        dx, dy = {"E": (SPAN_M, 0.0), "N": (0.0, SPAN_M), "S": (0.0, -SPAN_M)}[to]
        x, y = self.at.get(poles[0], at)
        for k, pole_id in enumerate(poles):
            if pole_id not in self.at:
                self.pole(pole_id, (x + k * dx, y + k * dy))
        for k, pole_id in enumerate(poles[1:], first):
            self.span(f"{letter}{k}", poles[k - first], pole_id, **more)

    def circuit(self, name: str, source_pole: str, **more: Any) -> None:
        """Add a source: 12.47 kV, grounded, cleared in a fixed time."""
        row: Row = {
            "circuit_id": name, "nominal_kv": 12.47, "frequency_hz": 60,
            "source_pole": source_pole, "fault_3ph_a": 3000, "x_over_r_3ph": 5.0,
            "fault_1ph_a": 2600, "x_over_r_1ph": 5.0, "prefault_voltage_ratio": 1.0,
            "source_ground_ohm": 0.5, "clearing_s": 0.15, "backup_clearing_s": 0.3,
            "load_a": 100, "fault_data_source": "invented", "fault_data_date": "2026-03-02",
        }  # fmt: skip
        self.add("circuits", row | more, Point(self.at[source_pole]))

    def device(self, name: str, kind: str, pole_id: str, span_id: str, state: str = "closed",
               *, phases: str = "ABC") -> None:  # fmt: skip
        """Add a device at the `pole_id` end of a span."""
        row = {"device_id": name, "pole_id": pole_id, "span_id": span_id, "kind": kind}
        row |= {"state": state, "phases": phases}
        self.add("devices", row, Point(self.at[pole_id]))

    def equip(self, name: str, kind: str, pole_id: str, phases: str = "ABC",
              circuit: str = "F1", **more: Any) -> None:  # fmt: skip
        """Add equipment at a pole."""
        row: Row = {"equipment_id": name, "pole_id": pole_id, "circuit_id": circuit, "kind": kind}
        row |= {"phases": phases, "note": "invented"}
        self.add("equipment", row | more, Point(self.at[pole_id]))

    def other_line(self, name: str, line: list[XY], **more: Any) -> None:
        """Draw a line of somebody else."""
        row: Row = {"line_id": name, "nominal_kv": 34.5, "state": "energized", "load_a": 150}
        row |= {"height_m": 14.0, "fault_a": 2000, "clearing_s": 0.1}
        row |= {"spacing_m": 2.0, "arrangement": "flat"}
        self.add("other_lines", row | more, LineString(line))

    def closed_ground(self, name: str, pole_id: str, half_m: float = 25.0) -> None:
        """Lay ground that nobody may enter round a pole: no rod within the reach of a lead."""
        x, y = self.at[pole_id]
        square = [(x - half_m, y - half_m), (x + half_m, y - half_m)]
        square += [(x + half_m, y + half_m), (x - half_m, y + half_m)]
        row = {"feature_id": name, "kind": "no_entry", "name": "closed ground"}
        self.add("surroundings", row, Polygon(square))

    def files(self) -> dict[str, str]:
        """Return file name -> text of every layer."""
        made = {f"{name}.geojson": _geojson(rows) for name, rows in self.layers.items()}
        return made | ({"constructions.csv": ARMS} if self.arms else {})


def line(last: int = 7, *, ohm: dict[str, float] | None = None, material: str = "wood",
         figures: Row | None = None, **more: Any) -> Sketch:  # fmt: skip
    """Return the plain line: P0, P1, … eastwards, spans S1, S2, …, breaker BK-F1 at the source.

    A fence 80 m to the south stands for surroundings that were looked at and are out of the way.
    """
    sketch = Sketch(ohm=ohm or {}, material=material)
    sketch.run("S", names("P", 0, last), **more)
    sketch.circuit("F1", "P0", **(figures or {}))
    phases = sketch.layers["spans"][0][0]["phases"]
    sketch.device("BK-F1", "breaker", "P0", "S1", phases=phases)
    fence = {"feature_id": "fence-1", "kind": "fence", "name": "field fence"}
    sketch.add("surroundings", fence, LineString([(-50.0, -80.0), (500.0, -80.0)]))
    return sketch


def _geojson(features: list[tuple[Row, Any]]) -> str:
    """Return a layer as GeoJSON, one feature a line, positions of seven decimals."""
    rows = [
        json.dumps({"type": "Feature", "properties": row, "geometry": _geometry(shape)})
        for row, shape in features
    ]
    head = '{"type": "FeatureCollection", "features": [\n'
    return head + ",\n".join(rows) + "\n]}\n"


def _geometry(shape: Any) -> dict[str, Any]:
    """Project a shape; outer rings run against the clock, as RFC 7946 asks."""
    return dict(shapely.geometry.mapping(shapely.transform(shape, _project)))


def _project(xy: np.ndarray) -> np.ndarray:
    """Bring metres to longitude and latitude of seven decimals."""
    return np.round(np.column_stack(_TO_LONLAT.transform(xy[:, 0], xy[:, 1])), 7)
