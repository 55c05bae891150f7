"""A large territory in memory: many feeders alike, tied to their neighbours, made column by column.

Every feeder has a breaker, switches on its main line, fuses before some laterals, transformers, a
capacitor, a cable; every tenth a generator. Open switches tie it with the feeders beside it in
its group. Lines of another owner cross them all.
"""

from __future__ import annotations

import numpy as np
import shapely

from gridground.tables.wires import builtin_conductors, builtin_constructions
from gridground.territory.layers import ID_COLUMN, Layer, Territory
from tests import feeder as rows

COLUMNS = rows.COLUMNS | {"surroundings": ("kind", "name", "clearance_m")}
NUMBERS = rows.NUMBERS | {"clearance_m"}
STEP_DEG = 0.0005  # about 50 m
APART_DEG = 0.015
LATERALS = 24  # of 25 poles each; the rest of the poles is the main line
LATERAL_POLES = 25
MAIN = 400
POLES = MAIN + LATERALS * LATERAL_POLES  # of one feeder
COLUMN = 40  # feeders above each other


def layer(name, geometry, /, **given):
    """Return a layer; columns not given are empty."""
    n = len(geometry)
    columns = {}
    for column in (ID_COLUMN[name], *COLUMNS[name]):
        value = given.get(column, np.nan if column in NUMBERS else None)
        kind = float if column in NUMBERS else object
        if isinstance(value, np.ndarray):
            columns[column] = value.astype(kind)
        else:
            columns[column] = np.full(n, value, kind)
    stated = {column: np.ones(n, bool) for column in columns}
    return Layer(name, columns, stated, geometry)


def names(prefix, feeder, number):
    """Return ids such as ``P12-345``."""
    return np.array(
        [f"{prefix}{f}-{k}" for f, k in zip(feeder.tolist(), number.tolist(), strict=True)], object
    )


def one_feeder():
    """Return parent, place along and place off the main line of every pole of a feeder."""
    main = np.arange(MAIN)
    head = 8 + 16 * np.arange(LATERALS)
    number = MAIN + np.arange(LATERALS * LATERAL_POLES).reshape(LATERALS, LATERAL_POLES)
    parent = np.concatenate([main - 1, np.hstack([head[:, None], number[:, :-1]]).ravel()])
    along = np.concatenate([main, np.repeat(head, LATERAL_POLES)])
    off = np.concatenate([0 * main, np.tile(np.arange(1, LATERAL_POLES + 1), LATERALS)])
    return parent, along, off


def large_territory(n_feeders=1000, *, group=4, surroundings=100_000):
    """Return the territory.

    Parameters
    ----------
    n_feeders : int
        Of 1,000 poles each.
    group : int
        Feeders tied in a row; their ends are tied to nothing beyond.
    surroundings : int
        Buildings beside poles.
    """
    parent, along, off = one_feeder()
    feeder = np.repeat(np.arange(n_feeders), POLES)
    number = np.tile(np.arange(POLES), n_feeders)
    x = (feeder // COLUMN) * (MAIN + 10) * STEP_DEG + np.tile(along, n_feeders) * STEP_DEG
    y = 40.0 + (feeder % COLUMN) * APART_DEG + np.tile(off, n_feeders) * STEP_DEG
    poles = names("P", feeder, number)
    points = shapely.points(x, y)
    child = np.flatnonzero(number > 0)
    before = feeder[child] * POLES + np.tile(parent, n_feeders)[child]
    # Ties: from the end of the main line to the same pole of the next feeder of the group.
    last = np.array([f for f in range(n_feeders - 1) if (f + 1) % group], np.intp)
    start = np.concatenate([before, last * POLES + MAIN - 1])
    end = np.concatenate([child, (last + 1) * POLES + MAIN - 2])
    owner = np.concatenate([feeder[child], last])
    spans = names("S", owner, np.concatenate([number[child], np.full(len(last), POLES)]))
    circuits = np.array([f"F{f}" for f in range(n_feeders)], object)
    kind = np.full(len(spans), "overhead", object)
    kind[: len(child)][number[child] == POLES - 1] = "cable"
    layers = {
        "poles": layer(
            "poles", points, pole_id=poles, material="wood", height_m=12.0,
            ground_ohm=np.where(number % 8 == 0, 25.0, np.nan),
        ),
        "spans": layer(
            "spans", shapely.linestrings(np.stack([np.stack([x[start], y[start]], 1),
                                                   np.stack([x[end], y[end]], 1)], 1)),
            span_id=spans, circuit_id=circuits[owner], from_pole=poles[start], to_pole=poles[end],
            phases="ABC", kind=kind, conductor="336.4 ACSR 26/7", neutral_conductor="4/0 ACSR 6/1",
            construction="IEEE 500", length_m=50.0,
        ),
        "circuits": circuit_layer(circuits, points[np.arange(n_feeders) * POLES], poles),
        "devices": device_layer(n_feeders, last),
        "equipment": equipment_layer(n_feeders, points),
        "other_lines": other_lines(x, y),
    }  # fmt: skip
    if surroundings:
        beside = np.random.default_rng(3).choice(len(x), min(surroundings, len(x)), replace=False)
        west, south = x[beside] + 2e-4, y[beside] + 5e-5
        layers["surroundings"] = layer(
            "surroundings", shapely.box(west, south, west + 1e-4, south + 1e-4),
            feature_id=names("B", beside, beside), kind="building", name="house",
        )  # fmt: skip
    return Territory("large", layers, builtin_conductors(), builtin_constructions())


def circuit_layer(circuits, points, poles):
    """Return one circuit per feeder."""
    given = {k: v for k, v in rows.circuit().items() if k in COLUMNS["circuits"]}
    given |= {
        "circuit_id": circuits,
        "source_pole": poles[np.arange(len(circuits)) * POLES],
        "clearing_s": 0.5,
        "backup_clearing_s": 1.0,
        "load_a": 200.0,
        "fault_data_source": "invented",
        "fault_data_date": "2026-01-01",
    }
    return layer("circuits", points, **given)


def device_layer(n_feeders, last):
    """Return a breaker, three switches and six fuses per feeder, and the open ties."""
    at = np.array([1, 100, 200, 300, *(MAIN + LATERAL_POLES * np.arange(0, LATERALS, 4))])
    kinds = np.array(["breaker", *["switch"] * 3, *["fuse"] * 6], object)
    feeder = np.repeat(np.arange(n_feeders), len(at))
    number = np.tile(at, n_feeders)
    parent, _, _ = one_feeder()
    tied = np.concatenate([feeder, last])
    return layer(
        "devices", np.full(len(tied), None, object),
        device_id=np.concatenate([names("D", feeder, number), names("T", last, last + 1)]),
        pole_id=np.concatenate([names("P", feeder, parent[number]),
                                names("P", last + 1, np.full(len(last), MAIN - 2))]),
        span_id=np.concatenate([names("S", feeder, number),
                                names("S", last, np.full(len(last), POLES))]),
        kind=np.concatenate([np.tile(kinds, n_feeders), np.full(len(last), "switch", object)]),
        state=np.array(["closed"] * len(feeder) + ["open"] * len(last), object),
        phases="ABC",
    )  # fmt: skip


def equipment_layer(n_feeders, points):
    """Return twenty transformers, a capacitor and a riser per feeder; generators on every tenth."""
    at = np.array([*range(30, MAIN, 40), *range(MAIN + 12, POLES, 60), 150, POLES - 2])
    kinds = np.array(["transformer"] * (len(at) - 2) + ["capacitor", "riser"], object)
    feeder = np.concatenate([np.repeat(np.arange(n_feeders), len(at)), np.arange(0, n_feeders, 10)])
    number = np.concatenate(
        [np.tile(at, n_feeders), np.full(len(feeder) - n_feeders * len(at), 250)]
    )
    kind = np.concatenate(
        [np.tile(kinds, n_feeders), np.full(len(feeder) - n_feeders * len(at), "generator", object)]
    )
    return layer(
        "equipment", points[feeder * POLES + number], equipment_id=names("E", feeder, number),
        pole_id=names("P", feeder, number), circuit_id=np.array([f"F{f}" for f in feeder], object),
        kind=kind, phases="ABC",
        fault_3ph_a=np.where(kind == "generator", 300.0, np.nan),
        x_over_r_3ph=np.where(kind == "generator", 10.0, np.nan),
        clearing_s=np.where(kind == "generator", 0.5, np.nan),
    )  # fmt: skip


def other_lines(x, y):
    """Return lines that cross the whole territory from south to north."""
    where = np.arange(0.0, x.max(), 100 * STEP_DEG) + 30.5 * STEP_DEG
    ends = np.stack([np.stack([where, np.full(len(where), y.min() - 0.01)], 1),
                     np.stack([where, np.full(len(where), y.max() + 0.01)], 1)], 1)  # fmt: skip
    return layer(
        "other_lines", shapely.linestrings(ends),
        line_id=np.array([f"L{k}" for k in range(len(where))], object),
        nominal_kv=115.0, state="energized", load_a=300.0, height_m=15.0, fault_a=9000.0,
        clearing_s=0.1,
    )  # fmt: skip
