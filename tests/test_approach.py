"""Approach distances: the rule's own alternative tables (29 CFR 1910.269 Tables R-6 and R-7)."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from gridground.electrical.approach import altitude_ratio, approach_m, approach_rows
from gridground.electrical.approach_own import superseded_source
from gridground.errors import InputError, TableError
from gridground.jobfile import read_job
from gridground.tables import read_table
from gridground.territory.network import Network
from gridground.territory.read import read_territory
from gridground.territory.ways import find_zone

SMALL = Path(__file__).parent / "networks" / "small"


# Tables R-6 and R-7 (metres), from memory, the first recomputed from the formula of Table R-3.
@pytest.mark.parametrize(
    ("kv", "ground", "phase"),
    [
        (0.6, 0.33, 0.33), (4.16, 0.63, 0.63), (12.47, 0.65, 0.68), (34.5, 0.77, 0.89),
        (46.0, 0.84, 0.98), (69.0, 1.00, 1.20), (121.0, 1.13, 1.42), (145.0, 1.30, 1.64),
        (169.0, 1.46, 1.94), (242.0, 2.01, 3.08), (362.0, 3.41, 5.52), (420.0, 4.25, 6.81),
        (550.0, 5.07, 8.24), (800.0, 6.88, 11.38),
    ],
)  # fmt: skip
def test_alternative_tables(kv, ground, phase):
    assert approach_m(kv, phase_to_phase=False, altitude_m=0) == pytest.approx(ground, abs=1e-9)
    assert approach_m(kv, phase_to_phase=True, altitude_m=0) == pytest.approx(phase, abs=1e-9)


def test_superseded_figures_are_not_used():
    # Before 2014 the table gave 0.64 m up to 15 kV, 0.72 m up to 36 kV.
    for row in read_table("approach_superseded"):
        for phase_to_phase, column in ((False, "phase_ground_m"), (True, "phase_phase_m")):
            kv = float(row["up_to_kv"])
            found = approach_m(kv, phase_to_phase=phase_to_phase, altitude_m=0)
            assert found > float(row[column])
            assert superseded_source(float(row[column]), kv) == row["source"]


def test_a_larger_distance_is_of_no_superseded_table():
    assert superseded_source(0.90, 12.47) is None
    assert superseded_source(0.65, 400.0) is None


def test_small_distances_are_computed_from_the_formula():
    # independent: M 0.31 m and 0.61 m, 0.02 m of air
    assert approach_m(0.75, phase_to_phase=False, altitude_m=0) == pytest.approx(0.31 + 0.02)
    assert approach_m(5.0, phase_to_phase=True, altitude_m=0) == pytest.approx(0.61 + 0.02)


@pytest.mark.parametrize("kv", [0.6, 4.16, 12.47, 34.5, 46, 69, 115, 230, 345, 500, 765])
def test_any_altitude_above_900_m_acts(kv):
    for phase_to_phase in (False, True):
        low = approach_m(kv, phase_to_phase=phase_to_phase, altitude_m=900)
        assert low == approach_m(kv, phase_to_phase=phase_to_phase, altitude_m=-200)
        rising = [
            approach_m(kv, phase_to_phase=phase_to_phase, altitude_m=at)
            for at in (900, 901, 1500, 3000, 6000)
        ]
        assert rising == sorted(rising)
        assert rising[-1] > low


def test_a_voltage_between_two_bands_belongs_to_the_upper():
    for below, above in ((0.3, 0.31), (0.75, 0.76), (5.0, 5.05), (15.0, 15.05), (36.0, 36.05)):
        low = approach_m(below, phase_to_phase=False, altitude_m=0)
        assert low is None or low < approach_m(above, phase_to_phase=False, altitude_m=0)


def test_altitude_makes_it_longer_and_ends():
    assert altitude_ratio(900) == 1.0
    assert altitude_ratio(901) == 1.02
    high = approach_m(34.5, phase_to_phase=True, altitude_m=3000)
    assert high > approach_m(34.5, phase_to_phase=True, altitude_m=0)
    with pytest.raises(TableError):
        altitude_ratio(6001)
    with pytest.raises(TableError):
        approach_m(1000, phase_to_phase=False, altitude_m=0)


def test_low_voltage_is_avoid_contact():
    assert approach_m(0.24, phase_to_phase=False, altitude_m=0) is None


# ------------------------------------------------------------------ rows of a plan


@pytest.fixture(scope="module")
def territory():
    return read_territory(SMALL)


@pytest.fixture
def zone(tmp_path, territory):
    path = tmp_path / "job.toml"
    path.write_text('job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n')
    return find_zone(Network.build(territory), read_job(path))


def changed(territory, layer, **columns):
    """Return the territory with columns of a layer replaced."""
    old = territory.layers[layer]
    stated = {**old.stated, **{name: np.ones(len(old.ids), bool) for name in columns}}
    arrays = {**old.columns, **{name: np.array(given) for name, given in columns.items()}}
    new = dataclasses.replace(old, columns=arrays, stated=stated)
    return dataclasses.replace(territory, layers={**territory.layers, layer: new})


def test_rows_for_the_circuit_and_the_line_beside_it(territory, zone):
    circuit, line = approach_rows(territory, zone)
    assert (circuit["circuit_id"], circuit["phase_ground_m"], circuit["phase_phase_m"]) == (
        ("F1", 0.65, 0.68)
    )
    assert (line["line_id"], line["nominal_kv"]) == ("T1", 115)
    assert line["phase_ground_m"] == approach_m(115, phase_to_phase=False, altitude_m=0)
    assert line["source"].endswith("phase to phase only where nothing but air is in the gap")
    assert "nothing but air" not in circuit["source"]
    assert circuit["altitude_m"] == 300
    assert circuit["altitude_stated"]


def test_one_high_pole_within_reach_lengthens_every_row(territory, zone):
    heights = [300.0] * 7
    heights[4] = 2900.0  # P5, two spans from the worksite
    high = changed(territory, "poles", altitude_m=heights)
    before = approach_rows(territory, zone)
    for row, old in zip(approach_rows(high, zone), before, strict=True):
        assert row["altitude_m"] == 2900
        assert row["phase_ground_m"] > old["phase_ground_m"]
        assert row["phase_phase_m"] > old["phase_phase_m"]


def test_an_altitude_nobody_states_is_said_to_be_so(territory, zone):
    unknown = changed(territory, "poles", altitude_m=[math.nan] * 7)
    for row in approach_rows(unknown, zone):
        assert (row["altitude_m"], row["altitude_stated"]) == (0.0, False)


def test_a_single_wire_circuit_states_its_voltage_to_ground(territory, zone):
    single = changed(
        territory, "circuits", nominal_kv=[19.9], fault_3ph_a=[math.nan], x_over_r_3ph=[math.nan]
    )
    row = approach_rows(single, zone)[0]
    # 19.9 kV to ground is the 34.5 kV system's
    assert (row["nominal_kv"], row["phase_ground_m"], row["phase_phase_m"]) == (19.9, 0.77, None)
    high = changed(single, "poles", altitude_m=[3000.0] * 7)
    assert approach_rows(high, zone)[0]["phase_ground_m"] == pytest.approx(
        math.ceil((0.61 + 1.2 * 0.16) * 100) / 100
    )


def test_the_employers_larger_distance_stands_with_the_rules_beside_it(territory, zone):
    circuit, line = approach_rows(territory, zone, own_m={"F1": 34 * 0.0254})
    assert (circuit["phase_ground_m"], circuit["phase_phase_m"]) == (0.87, 0.87)
    assert (circuit["rule_phase_ground_m"], circuit["rule_phase_phase_m"]) == (0.65, 0.68)
    assert circuit["source"].startswith("the employer's own distance (limits.approach)")
    assert line == approach_rows(territory, zone)[1]


def test_smaller_distances_are_rejected_all_at_once(territory, zone):
    with pytest.raises(InputError) as rejected:
        approach_rows(territory, zone, own_m={"F1": 0.67, "T1": 0.9})
    first, second = rejected.value.problems
    assert (first.field, first.feature_ids) == ("limits.approach", ("F1",))
    assert second.feature_ids == ("T1",)
    assert "state at least 2 ft 3 in (0.68 m), or leave F1 out" in first.remedy
    assert "superseded" not in second.found
    assert approach_rows(territory, zone, own_m={"F1": 0.68})[0]["phase_phase_m"] == 0.68


@pytest.mark.parametrize(
    ("kv", "own"),
    [(12.47, 0.64), (12.47, 25 * 0.0254), (34.5, 0.72), (46.0, 0.77), (69.0, 0.90), (34.5, 0.77)],
)
def test_a_distance_of_the_superseded_table_is_named_as_such(territory, zone, kv, own):
    old = changed(territory, "circuits", nominal_kv=[kv])
    with pytest.raises(InputError) as rejected:
        approach_rows(old, zone, own_m={"F1": own})
    (problem,) = rejected.value.problems
    assert "it stands in a superseded table (29 CFR 1910.269 Table R-6 before 2014" in problem.found


def test_a_voltage_that_nobody_states_takes_the_employers_distance(territory, zone):
    unknown = changed(territory, "other_lines", nominal_kv=[math.nan])
    line = approach_rows(unknown, zone)[1]
    assert (line["phase_ground_m"], line["source"]) == (None, "voltage not stated")
    stated = approach_rows(unknown, zone, own_m={"T1": 2.0})[1]
    assert stated["phase_ground_m"] == 2.0
    assert stated["source"].endswith("voltage not stated")
