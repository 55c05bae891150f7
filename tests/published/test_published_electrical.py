"""Every row of electrical.csv: inputs, expected figure, tolerance by its printed digits, source.

`status` says what the expected figure is: ``read`` in the source named, ``from memory`` of it,
``constants read, time computed``, or ``computed`` apart from this program.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.kinds import KINDS, fault_kinds
from gridground.electrical.lines import (
    abc_from_sequence,
    primitive_ohm_per_km,
    reduce_neutral,
    return_depth_m,
    sequence_from_abc,
)
from gridground.electrical.protection import curve_time_s
from gridground.tables.wires import builtin_conductors, builtin_constructions
from tests.check_table import record

KM_PER_MILE = 1.609344
STATUS = {"read", "from memory", "constants read, time computed", "computed"}
with (Path(__file__).parent / "electrical.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


def line_ohm_per_mile(given):
    wires, top = builtin_conductors(), builtin_constructions()[given["spacing"]].positions
    phases = sorted(set(top) - {"N"})
    names = [given["phase"]] * len(phases)
    places = [top[p] for p in phases]
    if given["neutral"] is not None:
        names.append(given["neutral"])
        places.append(top["N"])
    matrix = primitive_ohm_per_km(
        [wires[n].resistance_ohm_per_km for n in names],
        [wires[n].gmr_m for n in names],
        [x for x, _ in places],
        [y for _, y in places],
        frequency_hz=given["frequency_hz"],
        resistivity_ohm_m=given["resistivity_ohm_m"],
    )
    return reduce_neutral(matrix, len(phases)) * KM_PER_MILE


def line_matrix(given):
    matrix = line_ohm_per_mile(given)[np.ix_(given["order"], given["order"])]
    return np.stack([matrix.real, matrix.imag])


def line_sequence(given):
    z1, z0 = sequence_from_abc(line_ohm_per_mile(given))
    return np.array([z1.real, z1.imag, z0.real, z0.imag])


def earth_return(given):
    """Resistance of the earth, and reactance per unit of ln, of the mutual of two wires."""
    z = primitive_ohm_per_km([0, 0], [1, 1], [0, 1], [9, 9], **given)[0, 1]
    factor = z.imag / math.log(return_depth_m(**given) / 1.0)
    return np.array([z.real, factor]) * KM_PER_MILE


def fault(given):
    volts = given["nominal_kv"] * 1000 / math.sqrt(3) * np.exp(-2j * np.pi / 3 * np.arange(3))
    ohm = abc_from_sequence(complex(*given["z1"]), complex(*given["z0"]))
    found = fault_kinds(
        ohm[None],
        volts[None],
        np.array([7], np.uint8),
        grounded=np.array([True]),
        single_phase=np.array([False]),
    )
    return found, KINDS.index(given["kind"])


def fault_part(part):
    def value(given):
        found, kind = fault(given)
        return getattr(found, part)[kind, 0]

    return value


TOPICS = {
    "line_matrix_ohm_per_mile": line_matrix,
    "line_sequence_ohm_per_mile": line_sequence,
    "earth_return_ohm_per_mile": earth_return,
    "carson_constant": lambda given: math.log(return_depth_m(**given) / 0.3048),
    "return_depth_m": lambda given: return_depth_m(**given),
    "decrement_ratio": lambda given: decrement_ratio(**given),
    "relay_time_s": lambda g: curve_time_s(g["curve"], g["multiple"], dial=g["dial"]),
    "fault_current_a": fault_part("current_a"),
    "fault_ground_current_a": fault_part("ground_a"),
    "fault_x_over_r": fault_part("x_over_r"),
}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_published_figure(row):
    assert row["source"].strip(), "a row without source proves nothing"
    assert row["status"] in STATUS
    expected = json.loads(row["expected"])
    if isinstance(expected, dict):
        expected = [expected["r"], expected["x"]]
    found = TOPICS[row["topic"]](json.loads(row["inputs"]))
    assert np.shape(found) == np.shape(expected)
    record(
        f"published: {row['topic']}",
        row["id"],
        found,
        expected,
        f"{row['source']} [{row['status']}]",
    )
    assert np.abs(found - np.array(expected)).max() <= float(row["tolerance"])


def test_rows_are_many_and_distinct():
    assert len({row["id"] for row in ROWS}) == len(ROWS)
    assert sum(row["status"] == "read" for row in ROWS) >= 30
    assert set(TOPICS) == {row["topic"] for row in ROWS}
