"""The body: current it bears, its impedance, and the touch voltage of a current."""

import math

import numpy as np
import pandas as pd
import pytest

from gridground.electrical.body import (
    PATHS,
    body_impedance_ohm,
    permissible_body_a,
    tolerable_body_a,
    touch_voltage_v,
)
from gridground.errors import TableError
from gridground.tables import read_table


def test_beyond_three_seconds_the_law_is_carried_on_and_stays_below_curve_c2():
    assert tolerable_body_a(10.0, weight="50 kg") == pytest.approx(0.116 / math.sqrt(10))
    for duration_s in (3.0, 5.0, 10.0):
        assert tolerable_body_a(duration_s, weight="50 kg") < permissible_body_a(duration_s) * 1.25
    assert tolerable_body_a(10.0, weight="50 kg") < permissible_body_a(10.0)


def test_permissible_current_between_points():
    # independent: halfway on both logarithmic scales is the geometric mean
    assert permissible_body_a(math.sqrt(0.1 * 0.2)) == pytest.approx(math.sqrt(0.75 * 0.6))
    for row in read_table("body_current"):
        found = permissible_body_a(float(row["duration_s"]))
        assert found * 1000 == pytest.approx(float(row["permissible_ma"]))
    for duration_s in (0.049, 10.1, math.nan, 0.0):
        with pytest.raises(TableError, match="beyond the table"):
            permissible_body_a(duration_s)


def test_impedance_at_and_between_the_points():
    for row in read_table("body_impedance"):
        for people in ("least_5_percent", "median", "least_95_percent"):
            found = body_impedance_ohm(float(row["touch_v"]), people=people)
            assert found == pytest.approx(float(row[f"{people}_ohm"]))
    between = math.sqrt(25 * 50)
    expected = math.sqrt(1750 * 1375)
    assert body_impedance_ohm(between, people="least_5_percent") == pytest.approx(expected)
    # never above the straight line between two points, so never to the large side
    volts = np.linspace(25, 1000, 500)
    rows = read_table("body_impedance")
    line = np.interp(
        volts,
        [float(r["touch_v"]) for r in rows],
        [float(r["least_5_percent_ohm"]) for r in rows],
    )
    assert (body_impedance_ohm(volts, people="least_5_percent") <= line + 1e-9).all()


def test_impedance_keeps_the_index():
    found = body_impedance_ohm(pd.Series([50.0, 5000.0], index=["a", "b"]), people="median")
    assert list(found.index) == ["a", "b"]
    assert list(found) == pytest.approx([2500, 775])


@pytest.mark.parametrize("path", sorted(PATHS))
@pytest.mark.parametrize("current_a", [0.005, 0.05, 0.2, 0.9, 3.0])
def test_the_voltage_drives_the_current(path, current_a):
    # independent: the answer put back into V = I/F b Z(V); below 25 V Z is held, as is said
    heart, share = PATHS[path]
    found = touch_voltage_v(current_a, path=path, people="least_5_percent")
    impedance = body_impedance_ohm(found, people="least_5_percent")
    assert found == pytest.approx(current_a / heart * share * impedance, rel=1e-9)


def test_the_path_taken_is_the_strictest():
    for current_a in (0.05, 0.2, 0.9):
        found = {p: touch_voltage_v(current_a, path=p, people="least_5_percent") for p in PATHS}
        assert min(found, key=found.__getitem__) == "both hands to both feet"
