import math

import numpy as np
import pytest

from gridground.errors import TableError
from gridground.grounding.heating import (
    adiabatic_a,
    check_duration,
    copper_end_c,
    copper_hot_ratio,
    materials,
    ultimate_a,
)
from gridground.tables import read_table

COPPER = materials()["copper, annealed"]


def test_every_material_row_is_read_whole():
    for row in read_table("materials"):
        material = materials()[row["material"]]
        assert material.name == row["material"]
        assert material.source == row["source"]
        assert material.kf == float(row["kf"])
        assert material.tcap_j_per_cm3_c == float(row["tcap_j_per_cm3_c"])


@pytest.mark.parametrize("name", sorted(materials()))
def test_the_short_form_is_the_long_form(name):
    material = materials()[name]
    short = ultimate_a(material, 67.44, 0.5)
    long = adiabatic_a(material, 67.44, 0.5, start_c=40, end_c=material.fusing_c)
    assert short == pytest.approx(long, rel=1.5e-3)


def test_current_goes_with_area_and_one_over_root_of_time():
    one = ultimate_a(COPPER, 50.0, 0.5)
    assert ultimate_a(COPPER, 100.0, 0.5) == pytest.approx(2 * one)
    assert ultimate_a(COPPER, 50.0, 2.0) == pytest.approx(one / 2)
    many = ultimate_a(COPPER, 50.0, np.array([0.5, 2.0]))
    assert many == pytest.approx([one, one / 2])


def test_less_heating_allowed_carries_less():
    cooler = adiabatic_a(COPPER, 50.0, 1.0, start_c=20, end_c=300)
    # independent: IEC 60949, K 226, b 234.5 (constants from memory)
    assert cooler == pytest.approx(50 * 226 * math.sqrt(math.log(534.5 / 254.5)), rel=0.005)
    assert adiabatic_a(COPPER, 50.0, 1.0, start_c=90, end_c=300) < cooler


@pytest.mark.parametrize(("start_c", "end_c"), [(40, 40), (50, 40), (40, 1083.1), (40, math.nan)])
def test_an_end_that_cannot_be_is_refused(start_c, end_c):
    with pytest.raises(TableError, match="end temperature"):
        adiabatic_a(COPPER, 50.0, 1.0, start_c=start_c, end_c=end_c)


@pytest.mark.parametrize("duration_s", [0.0099, 10.01, 0.0, -1.0, math.nan, math.inf])
def test_durations_out_of_range_are_refused(duration_s):
    with pytest.raises(TableError, match=r"duration of the fault: .* 0\.01 s to 10 s"):
        check_duration(duration_s)
    with pytest.raises(TableError):
        ultimate_a(COPPER, 50.0, np.array([0.5, duration_s]))


def test_durations_at_the_ends_of_the_range_are_taken():
    check_duration(0.01)
    check_duration(np.array([0.01, 10.0]))


@pytest.mark.parametrize("duration_s", [0.01, 0.013, 0.03])
def test_very_short_durations_count_as_three_hundredths(duration_s):
    assert ultimate_a(COPPER, 50.0, duration_s) == ultimate_a(COPPER, 50.0, 0.03)
    found = adiabatic_a(COPPER, 50.0, duration_s, start_c=20, end_c=300)
    assert found == adiabatic_a(COPPER, 50.0, 0.03, start_c=20, end_c=300)
    assert copper_end_c(9e3, 50.0, duration_s) == copper_end_c(9e3, 50.0, 0.03)


def test_the_message_names_the_first_duration_beyond():
    with pytest.raises(TableError, match="12 s is beyond"):
        check_duration(np.array([1.0, 12.0, 20.0]))


def test_no_current_leaves_the_copper_at_forty_degrees():
    assert copper_end_c(0.0, 50.0, 1.0) == pytest.approx(40.0)


def test_molten_copper_is_refused():
    melting = ultimate_a(COPPER, 67.44, 0.5)
    assert 1000 < copper_end_c(melting, 67.44, 0.5) <= 1083
    with pytest.raises(TableError, match="copper melts at 1083"):
        copper_end_c(1.02 * melting, 67.44, 0.5)
    with pytest.raises(TableError):
        copper_end_c(np.array([10.0, math.nan]), 67.44, 0.5)


def test_end_temperature_takes_columns():
    amps = np.array([0.0, 5e3, 1e4])
    assert copper_end_c(amps, 67.44, 0.5) == pytest.approx(
        [copper_end_c(a, 67.44, 0.5) for a in amps]
    )


def test_hot_ratio_at_its_fixed_points():
    assert copper_hot_ratio(20.0) == 1.0
    assert copper_hot_ratio(274.0) == 2.0
    assert copper_hot_ratio(np.array([-40.0, 1083.0])) == pytest.approx([194 / 254, 1317 / 254])


@pytest.mark.parametrize("temperature_c", [-40.1, 1083.1, math.nan])
def test_no_resistance_of_molten_copper(temperature_c):
    with pytest.raises(TableError, match="temperature of the lead"):
        copper_hot_ratio(temperature_c)
