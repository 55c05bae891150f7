"""Small feeders in memory, for tests of the electrical part: rows in, Territory out."""

from __future__ import annotations

import numpy as np
import shapely

from gridground.electrical.faults import study_poles
from gridground.tables.wires import builtin_conductors, builtin_constructions
from gridground.territory.layers import ID_COLUMN, Layer, Territory

COLUMNS = {
    "poles": ("material", "height_m", "ground_ohm", "altitude_m"),
    "spans": (
        "circuit_id", "from_pole", "to_pole", "phases", "kind", "conductor", "neutral_conductor",
        "construction", "r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km",
        "length_m", "shares_neutral_with",
    ),
    "circuits": (
        "nominal_kv", "frequency_hz", "source_pole", "fault_3ph_a", "x_over_r_3ph", "fault_1ph_a",
        "x_over_r_1ph", "prefault_voltage_ratio", "source_ground_ohm", "protection", "clearing_s",
        "backup_clearing_s", "fault_data_source", "fault_data_date",
    ),
    "devices": ("pole_id", "span_id", "kind", "state", "phases", "protection", "joins_circuit"),
    "equipment": (
        "pole_id", "circuit_id", "kind", "phases", "fault_3ph_a", "x_over_r_3ph", "fault_1ph_a",
        "x_over_r_1ph", "clearing_s", "note",
    ),
    "other_lines": ("nominal_kv", "state", "load_a", "height_m", "fault_a", "clearing_s"),
}  # fmt: skip
NUMBERS = {
    "height_m", "ground_ohm", "altitude_m", "r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km",
    "x0_ohm_per_km", "length_m", "nominal_kv", "frequency_hz", "fault_3ph_a", "x_over_r_3ph",
    "fault_1ph_a", "x_over_r_1ph", "prefault_voltage_ratio", "source_ground_ohm", "clearing_s",
    "backup_clearing_s", "load_a", "fault_a",
}  # fmt: skip


def layer(name, rows):
    """Return a layer from dicts; a key that is missing is unknown, None is null."""
    columns, stated = {}, {}
    for column in (ID_COLUMN[name], *COLUMNS[name]):
        values = [row.get(column) for row in rows]
        stated[column] = np.array([column in row for row in rows], bool)
        if column in NUMBERS:
            columns[column] = np.array([np.nan if v is None else v for v in values], float)
        else:
            columns[column] = np.array([*values, None], object)[:-1]
    return Layer(name, columns, stated, np.array([row["at"] for row in rows], object))


def pole(name, *, at_m=0.0, material="wood", ground_ohm=None):
    """Return a pole row on the meridian of Greenwich, `at_m` north of 40 degrees."""
    point = shapely.Point(0.0, 40.0 + at_m / 111_035.0)
    return {
        "pole_id": name,
        "material": material,
        "height_m": 12.0,
        "ground_ohm": ground_ohm,
        "at": point,
    }


def span(name, start, end, **given):
    """Return an overhead three-phase span of 50 m with a neutral, changed by what is given."""
    row = {
        "span_id": name,
        "circuit_id": "F1",
        "from_pole": start,
        "to_pole": end,
        "phases": "ABC",
        "kind": "overhead",
        "conductor": "336.4 ACSR 26/7",
        "neutral_conductor": "4/0 ACSR 6/1",
        "construction": "IEEE 500",
        "length_m": 50.0,
        "at": shapely.LineString([(0.0, 40.0), (0.0, 40.0005)]),
    }
    return row | given


def circuit(name="F1", source_pole="P0", **given):
    """Return a 12.47 kV circuit, grounded, changed by what is given."""
    row = {
        "circuit_id": name,
        "nominal_kv": 12.47,
        "frequency_hz": 60.0,
        "source_pole": source_pole,
        "fault_3ph_a": 8000.0,
        "x_over_r_3ph": 8.0,
        "fault_1ph_a": 7000.0,
        "x_over_r_1ph": 6.0,
        "source_ground_ohm": 0.0,
        "at": shapely.Point(0.0, 40.0),
    }
    return row | given


def territory(poles, spans, circuits, devices=(), **others):
    """Return a territory with the built-in tables; `others` are rows of optional layers."""
    layers = {
        "poles": layer("poles", poles),
        "spans": layer("spans", spans),
        "circuits": layer("circuits", circuits),
    }
    if devices:
        layers["devices"] = layer("devices", [{"at": shapely.Point(0, 40)} | d for d in devices])
    for name, rows in others.items():
        layers[name] = layer(name, [{"at": shapely.Point(0, 40)} | row for row in rows])
    return Territory("test", layers, builtin_conductors(), builtin_constructions())


def straight(n_spans, *, ground_every=0, ground_ohm=25.0, **given):
    """Return a straight feeder P0 … Pn with spans S1 … Sn; every k-th pole has a ground."""
    grounded = [ground_every and k % ground_every == 0 for k in range(n_spans + 1)]
    poles = [
        pole(f"P{k}", at_m=50.0 * k, ground_ohm=ground_ohm if has else None)
        for k, has in enumerate(grounded)
    ]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", **given) for k in range(1, n_spans + 1)]
    return territory(poles, spans, [circuit()])


def _studied(area, network, **given):
    return study_poles(
        area, network, **({"clearing": "backup", "reclosing_blocked": (), "extra": ()} | given)
    )


def fault_open_items(area, network, **given):
    """Return the open items of a fault study at some poles."""
    return _studied(area, network, **given).open_items()


def fault_notes(area, network, **given):
    """Return the notes of a fault study at some poles."""
    return _studied(area, network, **given).notes()
