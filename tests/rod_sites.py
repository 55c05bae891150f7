"""Poles among obstacles, given in metres round a point: rows in, neighbourhood out.

Positions go out by geodesic (pyproj.Geod.fwd), which is another route than the projection.
"""

from __future__ import annotations

import numpy as np
import shapely
from pyproj import Geod

from gridground.grounding.hazards import with_hazards
from gridground.grounding.neighbourhood import Neighbourhood
from gridground.job import Job, RodSpec
from gridground.tables.wires import Construction
from gridground.territory.layers import Layer, Territory
from tests import stated_limits

GEOD = Geod(ellps="WGS84")
CLEARANCE_M = {
    "building": 1.5, "fence": 1.5, "public_place": 1.5, "water": 1.0, "tree": 1.0, "road": 0.0,
    "sidewalk": 0.0, "driveway": 0.0, "paved": 0.0, "rock": 0.0, "no_entry": 0.0,
    "buried_power": 1.0, "buried_gas": 1.0, "buried_water": 1.0, "buried_telecom": 1.0,
    "buried_sewer": 1.0,
}  # fmt: skip
AT = (10.0, 50.0)
TOP = Construction("T", {"1": (-1.1, 9.0), "2": (0.0, 9.3), "3": (1.1, 9.0), "N": (0, 7.5)}, "test")


def limits(**given):
    return stated_limits.limits(
        **({"clearance_m": CLEARANCE_M, "lead_sizes": ("2", "4/0")} | given)
    )


def job(vehicle=None, **given):
    return Job(
        "J1", "t", ("F1",), ("P0",), None, "auto", "pole", (), "T1", (), (), limits(**given),
        RodSpec(1.83, 0.0159, 100.0), None, vehicle=vehicle,
    )  # fmt: skip


def lonlat(geometry, at=AT):
    """Take metres east and north of a point out to longitude and latitude by geodesic."""

    def out(xy):
        azimuth_deg = np.degrees(np.arctan2(xy[:, 0], xy[:, 1]))
        n = len(xy)
        lon, lat, _ = GEOD.fwd(np.full(n, at[0]), np.full(n, at[1]), azimuth_deg, np.hypot(*xy.T))
        return np.column_stack([lon, lat])

    return None if geometry is None else shapely.transform(geometry, out)


def layer(name, id_column, rows, at, numbers=()):
    """Return a layer; a row is (id, geometry in metres, columns)."""
    keys = {key for _, _, columns in rows for key in columns}
    columns = {id_column: np.array([*[r[0] for r in rows], None], object)[:-1]}
    for key in keys:
        values = [r[2].get(key) for r in rows]
        if key in numbers:
            columns[key] = np.array([np.nan if v is None else v for v in values], float)
        else:
            columns[key] = np.array([*values, None], object)[:-1]
    stated = {key: np.ones(len(rows), bool) for key in columns}
    geometry = np.array([*[lonlat(r[1], at) for r in rows], None], object)[:-1]
    return Layer(name, columns, stated, geometry)


def territory(
    features=(), *, poles=(("P0", 0, 0),), spans=(), lines=(), soil=(), heights=(), at=AT
):
    """Return a territory; features are (id, kind, geometry in metres[, own clearance[, located]]).

    Spans are (id, from, to[, geometry, kind, circuit]), circuit F1 unless it is named; lines are
    (id, geometry[, columns]); heights are (id, x, y, height).
    """
    xy = {name: (x, y) for name, x, y in poles}

    def run(row):
        return row[3] if len(row) > 3 else shapely.LineString([xy[row[1]], xy[row[2]]])

    def kind(row):
        return row[4] if len(row) > 4 else "overhead"

    def columns(row):
        stated = {"circuit_id": row[5] if len(row) > 5 else "F1", "construction": "T"}
        return {"from_pole": row[1], "to_pole": row[2], "kind": kind(row)} | stated

    line_columns = {"nominal_kv": 69.0, "state": "energized", "spacing_m": 2.0, "height_m": 12.0}
    circuits = [(c, None, {"nominal_kv": 12.47, "fault_3ph_a": 5000.0}) for c in ("F1", "F2")]
    layers = [
        layer("circuits", "circuit_id", circuits, at, numbers=("nominal_kv", "fault_3ph_a")),
        layer("poles", "pole_id", [(n, shapely.Point(x, y), {}) for n, x, y in poles], at),
        layer(
            "spans",
            "span_id",
            [
                (row[0], run(row), columns(row))
                for row in spans
            ]
            or [("none", None, columns(("none", "P0", "P0", None, "link")))],
            at,
        ),
        layer(
            "other_lines",
            "line_id",
            [(name, g, line_columns | dict(*more)) for name, g, *more in lines],
            at,
            numbers=("nominal_kv", "spacing_m", "height_m"),
        ),
        layer(
            "soil",
            "soil_id",
            [(n, g, {"resistivity_ohm_m": r, "source": "survey"}) for n, g, r in soil]
            or [("far", shapely.box(9000, 9000, 9001, 9001), {"resistivity_ohm_m": 1.0, "source": ""})],  # noqa: E501
            at,
            numbers=("resistivity_ohm_m",),
        ),
    ]  # fmt: skip
    if features is not None:
        rows = [
            (
                row[0],
                row[2],
                {
                    "kind": row[1],
                    "name": f"name of {row[0]}",
                    "clearance_m": (*row, None)[3],
                    "located": (*row, None, None)[4],
                },
            )
            for row in features
        ] or [("far", shapely.Point(9000, 0), {"kind": "tree", "name": "", "clearance_m": None})]
        layers.append(layer("surroundings", "feature_id", rows, at, numbers=("clearance_m",)))
    if heights:
        rows = [(n, shapely.Point(x, y), {"elevation_m": z}) for n, x, y, z in heights]
        layers.append(layer("elevation", "elevation_id", rows, at, numbers=("elevation_m",)))
    return Territory("test", {item.name: item for item in layers}, {}, {"T": TOP})


def neighbourhood(features=(), *, radius_m=40.0, centre=("P0",), given=None, vehicle=None, **rest):
    """Return what lies round a pole, with the truck, lines overhead and slopes taken in."""
    where, asked = territory(features, **rest), job(vehicle, **(given or {}))
    near = Neighbourhood.build(where, asked, list(centre), radius_m)
    return with_hazards(near, where, asked, reach_m=12.0)


def at_metres(x_m, y_m, at=AT):
    """Return longitude and latitude of a place in metres round a point, by geodesic."""
    point = lonlat(shapely.Point(x_m, y_m), at)
    return point.x, point.y


def square(x, y, half):
    return shapely.box(x - half, y - half, x + half, y + half)
