"""Formulas of induction: limiting cases, shapes, and what each must do."""

from __future__ import annotations

import numpy as np
import pytest

from gridground.electrical.induction import (
    EPSILON_0,
    balanced,
    discharge_a_per_km,
    earth_return_m,
    emf_v_per_km,
    floating_v,
    loop_a,
    mutual_ohm_per_km,
    potential_per_f_m,
)
from gridground.electrical.lines import primitive_ohm_per_km

SOIL = {"frequency_hz": 60.0, "resistivity_ohm_m": 100.0}


def test_earth_return_depths_of_the_table():
    # published: Kersting ch. 4 (from memory), 850 m at 60 Hz and 100 ohm·m, 931 m at 50 Hz
    assert earth_return_m(frequency_hz=60, resistivity_ohm_m=100) == pytest.approx(850.1, abs=0.1)
    assert earth_return_m(frequency_hz=50, resistivity_ohm_m=100) == pytest.approx(931.3, abs=0.1)


def test_mutual_is_the_off_diagonal_of_the_line_constants():
    matrix = primitive_ohm_per_km([0.1, 0.1], [0.01, 0.01], [0.0, 30.0], [10.0, 15.0], **SOIL)
    assert mutual_ohm_per_km(np.hypot(30, 5), **SOIL) == pytest.approx(matrix[0, 1], rel=1e-12)


def test_mutual_keeps_shapes_and_falls_with_distance():
    distance = np.array([[1.0, 10.0, 100.0], [300.0, 849.0, 5000.0]])
    found = mutual_ohm_per_km(distance, **SOIL)
    assert found.shape == distance.shape
    assert np.all(np.diff(np.abs(found).ravel()) <= 0)


def test_beyond_the_depth_the_reactance_is_held_at_zero():
    found = mutual_ohm_per_km(1e5, **SOIL)
    assert found.imag == 0.0
    assert found.real == pytest.approx(np.pi**2 * 60e-4)


def test_equal_distances_to_a_balanced_line_cancel():
    z = mutual_ohm_per_km([20.0, 20.0, 20.0], **SOIL)
    assert abs(emf_v_per_km(z, balanced(500.0))) < 1e-10


def test_transposed_in_thirds_cancels():
    z = mutual_ohm_per_km([16.8, 20.6, 24.5], **SOIL)
    total = sum(emf_v_per_km(np.roll(z, k), balanced(500.0)) for k in range(3))
    assert abs(total) < 1e-10
    assert abs(emf_v_per_km(z, balanced(500.0))) > 5.0


def test_balanced_voltage_does_not_depend_on_the_soil():
    emf = [
        abs(emf_v_per_km(mutual_ohm_per_km([16.8, 20.6, 24.5], frequency_hz=60,
                                           resistivity_ohm_m=rho), balanced(100.0)))
        for rho in (50.0, 100.0, 1000.0)
    ]  # fmt: skip
    assert emf == pytest.approx([emf[0]] * 3, rel=1e-12)


def test_absent_phases_count_as_none():
    z = np.array([0.3j, np.nan, np.nan])
    assert emf_v_per_km(z, balanced(10.0)) == pytest.approx(3j)


def test_own_potential_of_a_wire():
    # 2 pi eps0 / ln(2h/r): the capacitance of a wire over a plane
    p = potential_per_f_m([0.0], [10.0], [0.01], least_m=0.5)
    assert 1 / p[0, 0] == pytest.approx(2 * np.pi * EPSILON_0 / np.log(2000.0))


def test_conductors_on_one_spot_are_taken_apart():
    p = potential_per_f_m([0.0, 0.0], [10.0, 10.0], [0.01, 0.01], least_m=0.5)
    assert p[0, 1] * 2 * np.pi * EPSILON_0 == pytest.approx(np.log(20.0 / 0.5))


def test_floating_voltage_far_away_is_nothing():
    live = balanced(66_000.0)
    found = [
        abs(
            floating_v(
                potential_per_f_m([-4, 0, 4, d], [15, 15, 15, 10], [0.01] * 4, least_m=0.5), live
            )[0]
        )
        for d in (10.0, 100.0, 1000.0, 1e5)
    ]
    assert np.all(np.diff(found) < 0)
    assert found[-1] < 1e-3


def test_symmetric_place_under_equal_voltages_of_a_triangle():
    """On the axis of two phases at equal and opposite voltage nothing is induced."""
    p = potential_per_f_m([-3.0, 3.0, 0.0], [12.0, 12.0, 9.0], [0.01] * 3, least_m=0.5)
    assert abs(floating_v(p, [7200.0, -7200.0])[0]) < 1e-9


def test_floating_current_and_voltage_agree_through_the_own_capacitance():
    """One dead conductor: I = omega C_dd V (the source behind its own capacitance)."""
    p = potential_per_f_m([-4, 0, 4, 20], [15, 15, 15, 10], [0.012] * 3 + [0.009], least_m=0.5)
    live = balanced(66_000.0)
    own = np.linalg.inv(p)[3, 3]
    current = abs(discharge_a_per_km(p, live, frequency_hz=60)[0])
    assert current == pytest.approx(
        2 * np.pi * 60 * 1000 * own * abs(floating_v(p, live)[0]), rel=1e-9
    )


def test_batches_equal_singles():
    x = np.array([[-4.0, 0, 4, 10], [-4.0, 0, 4, 30]])
    y = np.array([[15.0, 15, 15, 10], [15.0, 15, 15, 10]])
    live = balanced(66_000.0)
    both = potential_per_f_m(x, y, np.full((2, 4), 0.01), least_m=0.5)
    for k in range(2):
        one = potential_per_f_m(x[k], y[k], np.full(4, 0.01), least_m=0.5)
        assert floating_v(both, live)[k] == pytest.approx(floating_v(one, live))
        assert discharge_a_per_km(both, live, frequency_hz=50)[k] == pytest.approx(
            discharge_a_per_km(one, live, frequency_hz=50)
        )


def test_loop_of_one_conductor():
    z, length_km, emf = 0.3 + 0.9j, 0.4, 25.0
    found = loop_a([emf * length_km], [[z * length_km]], 30.0 + 12.0)
    assert found[0] == pytest.approx(emf * length_km / (z * length_km + 42.0))


def test_differences_between_conductors_do_not_see_the_ends():
    """Two bonded conductors with opposite voltages: the current runs round them only."""
    z = np.array([[0.3 + 0.9j, 0.06 + 0.4j], [0.06 + 0.4j, 0.3 + 0.9j]])
    found = [loop_a([1.0, -1.0], z, ends) for ends in (0.0, 1e4)]
    assert found[0] == pytest.approx(found[1])
    assert found[0][0] == pytest.approx(1.0 / (z[0, 0] - z[0, 1]))


def test_larger_ends_less_current():
    z = np.array([[0.3 + 0.9j, 0.06 + 0.4j], [0.06 + 0.4j, 0.3 + 0.9j]])
    found = [abs(loop_a([5.0, 4.0], z, ends).sum()) for ends in (0.0, 1.0, 10.0, 100.0)]
    assert np.all(np.diff(found) < 0)
