import math

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from gridground.errors import TableError
from gridground.grounding.earth import (
    radius_for_step_m,
    rod_resistance_ohm,
    rods_ratio,
    step_v,
    surface_potential_v,
    touch_v,
    two_rods_resistance_ohm,
)

LENGTH_M, DIAMETER_M = 1.8288, 0.015875
ROD = {"length_m": LENGTH_M, "diameter_m": DIAMETER_M}


def test_rod_by_hand():
    # independent: 100/(2 pi 2)(ln(8 x 2/0.02) - 1)
    expected = 100 / (4 * math.pi) * (math.log(800) - 1)
    assert rod_resistance_ohm(100.0, 2.0, 0.02) == pytest.approx(expected)


def test_resistance_takes_columns_and_leaves_unknown_unknown():
    soil = pd.Series([100.0, math.nan, 300.0], index=["P1", "P2", "P3"])
    found = rod_resistance_ohm(soil, LENGTH_M, DIAMETER_M)
    assert list(found.index) == ["P1", "P2", "P3"]
    assert math.isnan(found["P2"])
    assert found["P3"] == pytest.approx(rod_resistance_ohm(300.0, LENGTH_M, DIAMETER_M))
    lengths = rod_resistance_ohm(100.0, np.array([1.0, 2.0]), DIAMETER_M)
    assert lengths == pytest.approx([rod_resistance_ohm(100.0, n, DIAMETER_M) for n in (1.0, 2.0)])


@pytest.mark.parametrize(
    "rod", [(0.0, 0.01), (-1.0, 0.01), (1.0, 0.0), (1.0, -0.01), (0.1, 0.0101)]
)
def test_rods_that_cannot_be(rod):
    length_m, diameter_m = rod
    size = {"length_m": length_m, "diameter_m": diameter_m}
    calls = [
        lambda: rod_resistance_ohm(100.0, *rod),
        lambda: two_rods_resistance_ohm(100.0, *rod, spacing_m=9.0),
        lambda: surface_potential_v(1.0, rise_v=100.0, **size),
        lambda: step_v(1.0, rise_v=100.0, **size),
        lambda: radius_for_step_m(100.0, 50.0, **size),
    ]
    for call in calls:
        with pytest.raises(ValueError, match="a rod has a diameter"):
            call()


def test_a_rod_ten_times_as_long_as_thick_is_one():
    assert rod_resistance_ohm(100.0, 0.1, 0.01) > 0


@pytest.mark.parametrize("soil", [0.0, -1.0, np.array([1.0, 0.0])])
def test_soil_that_cannot_be(soil):
    with pytest.raises(ValueError, match="resistivity must be above zero"):
        rod_resistance_ohm(soil, LENGTH_M, DIAMETER_M)
    with pytest.raises(ValueError, match="resistivity must be above zero"):
        two_rods_resistance_ohm(soil, LENGTH_M, DIAMETER_M, spacing_m=3.0)


def test_two_rods_far_apart_are_half_of_one():
    one = rod_resistance_ohm(100.0, LENGTH_M, DIAMETER_M)
    two = two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=1e6)
    assert two == pytest.approx(one / 2, rel=1e-4)


def test_two_rods_by_average_potential():
    # independent: mean potential that one rod's line current lays on the other, images above
    spacing = 4.0

    def beside(z):
        up, down = LENGTH_M + z, LENGTH_M - z
        return math.asinh(up / spacing) + math.asinh(down / spacing)

    mean, _ = quad(beside, 0, LENGTH_M)
    mutual = 100 / (4 * math.pi * LENGTH_M) * mean / LENGTH_M
    one = rod_resistance_ohm(100.0, LENGTH_M, DIAMETER_M)
    found = two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=spacing)
    assert found == pytest.approx((one + mutual) / 2, rel=2e-3)


def test_two_rods_closer_than_their_length_are_refused():
    two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=LENGTH_M)
    with pytest.raises(TableError, match=r"1\.8 m is beyond"):
        two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=1.8)
    with pytest.raises(TableError):
        two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=math.nan)


def test_several_rods():
    assert rods_ratio(1) == 1.0
    assert rods_ratio(3) == pytest.approx(1.29 / 3)
    assert rods_ratio(5) == pytest.approx(1.68 / 5)  # the factor of eight
    assert rods_ratio(24) == pytest.approx(2.16 / 24)
    ratios = [rods_ratio(n) for n in range(1, 25)]
    assert all(0 < ratio <= 1 for ratio in ratios)
    for count in (0, -1, 25):
        with pytest.raises(TableError, match="number of rods"):
            rods_ratio(count)


def test_potential_by_the_line_source():
    # independent: potential of a line current in numbers, its strength from Dwight's resistance
    resistance = rod_resistance_ohm(100.0, LENGTH_M, DIAMETER_M)
    for distance in (0.1, 1.0, 5.0):
        share, _ = quad(lambda z, r=distance: 1 / math.hypot(r, z), 0, LENGTH_M)
        expected = 1000 / resistance * 100 / (2 * math.pi * LENGTH_M) * share
        found = surface_potential_v(distance, rise_v=1000.0, **ROD)
        assert found == pytest.approx(expected)


def test_far_away_a_rod_is_a_point():
    resistance = rod_resistance_ohm(100.0, LENGTH_M, DIAMETER_M)
    expected = 100 * (1000 / resistance) / (2 * math.pi * 100)
    assert surface_potential_v(100.0, rise_v=1000.0, **ROD) == pytest.approx(expected, rel=1e-4)


def test_the_potential_never_passes_the_rise():
    near = np.array([0.0, 0.001, DIAMETER_M / 2, 0.0109])
    found = surface_potential_v(near, rise_v=1000.0, **ROD)
    assert found[:3] == pytest.approx(1000.0)
    assert (found <= 1000.0 + 1e-9).all()
    assert surface_potential_v(0.02, rise_v=1000.0, **ROD) < 1000.0


def test_step_and_touch_are_differences_of_the_potential():
    for distance in (0.5, 2.0, 8.0):
        here = surface_potential_v(distance, rise_v=1000.0, **ROD)
        there = surface_potential_v(distance + 1.0, rise_v=1000.0, **ROD)
        assert step_v(distance, rise_v=1000.0, **ROD) == pytest.approx(here - there)
        assert touch_v(distance, rise_v=1000.0, **ROD) == pytest.approx(1000.0 - here)
    assert touch_v(0.0, rise_v=1000.0, **ROD) == pytest.approx(0.0, abs=1e-9)


def test_the_step_at_the_rod_is_the_largest():
    assert step_v(0.0, rise_v=1000.0, **ROD) == step_v(0.005, rise_v=1000.0, **ROD)
    assert step_v(0.0, rise_v=1000.0, **ROD) > step_v(0.02, rise_v=1000.0, **ROD)


def test_the_soil_does_not_matter_for_a_given_rise():
    once = surface_potential_v(2.0, rise_v=100.0, **ROD)
    assert surface_potential_v(2.0, rise_v=300.0, **ROD) == pytest.approx(3 * once)


def test_negative_distances_and_rises_are_refused():
    for function in (surface_potential_v, step_v, touch_v):
        with pytest.raises(ValueError, match="distance must not be below zero"):
            function(-0.1, rise_v=1.0, **ROD)
    with pytest.raises(ValueError, match="rise must not be below zero"):
        radius_for_step_m(-1.0, 10.0, **ROD)
    with pytest.raises(ValueError, match="limit must be above zero"):
        radius_for_step_m(1.0, 0.0, **ROD)


@pytest.mark.parametrize("rise", [300.0, 2400.0, 7200.0, 19900.0, 1e6])
@pytest.mark.parametrize("limit", [1.0, 50.0, 164.0, 262.0])
def test_outside_the_radius_the_step_stays_under_the_limit(rise, limit):
    radius = radius_for_step_m(rise, limit, **ROD)
    assert step_v(radius, rise_v=rise, **ROD) <= limit * (1 + 1e-9)
    assert radius == 0 or step_v(radius * 0.999, rise_v=rise, **ROD) > limit


def test_no_radius_where_no_step_passes_the_limit():
    assert radius_for_step_m(100.0, 100.0, **ROD) == 0.0
    assert radius_for_step_m(0.0, 1.0, **ROD) == 0.0
    largest = step_v(0.0, rise_v=100.0, **ROD)
    assert radius_for_step_m(100.0, largest * 1.001, **ROD) == 0.0
    assert 0 < radius_for_step_m(100.0, largest * 0.999, **ROD) < 0.02


def test_radius_takes_columns_on_their_index():
    rise = pd.Series([100.0, 7200.0, math.nan, 14400.0], index=list("dcba"))
    found = radius_for_step_m(rise, 164.0, **ROD)
    assert list(found.index) == list("dcba")
    assert found["d"] == 0.0
    assert math.isnan(found["b"])
    assert found["a"] == pytest.approx(radius_for_step_m(14400.0, 164.0, **ROD))
    limits = pd.Series([100.0, 200.0], index=["P1", "P2"])
    by_limit = radius_for_step_m(7200.0, limits, **ROD)
    assert list(by_limit.index) == ["P1", "P2"]
    assert by_limit["P1"] > by_limit["P2"]
    array = radius_for_step_m(np.array([7200.0, 14400.0]), np.array([164.0, 164.0]), **ROD)
    assert array == pytest.approx([found["c"], found["a"]])
    lengths = radius_for_step_m(7200.0, 164.0, length_m=np.array([1.0, 2.0]), diameter_m=DIAMETER_M)
    assert lengths.shape == (2,)
    assert isinstance(radius_for_step_m(7200.0, 164.0, **ROD), float)


def test_potential_step_and_touch_take_columns_on_their_index():
    distance = pd.Series([0.0, 1.0, 5.0], index=[9, 4, 2])
    for function in (surface_potential_v, step_v, touch_v):
        found = function(distance, rise_v=7200.0, **ROD)
        assert list(found.index) == [9, 4, 2]
        expected = [function(float(r), rise_v=7200.0, **ROD) for r in distance]
        assert list(found) == pytest.approx(expected)


def test_two_rods_one_length_apart_by_hand():
    # independent: the printed series at s = L is (1 - 1/3 + 2/5)/s
    one = rod_resistance_ohm(100.0, LENGTH_M, DIAMETER_M)
    beside = 100 / (4 * math.pi * LENGTH_M) * (1 - 1 / 3 + 2 / 5)
    found = two_rods_resistance_ohm(100.0, LENGTH_M, DIAMETER_M, spacing_m=LENGTH_M)
    assert found == pytest.approx(one / 2 + beside)


def test_the_refusal_of_too_many_rods_names_the_table():
    with pytest.raises(TableError, match=r"25 is beyond the table \(1 to 24; IEEE Std 142"):
        rods_ratio(25)
