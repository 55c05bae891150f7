"""The first peak of a fault against what a lead row has been tested to hold."""

import math

import numpy as np
import pytest

from gridground.grounding.grades import grade_of, grades
from gridground.grounding.peak import first_peak_a, peak_limit_a, peak_source
from gridground.units import area_mm2


def limit(size, *, parallel=1, frequency_hz=60):
    return peak_limit_a(size, parallel=parallel, frequency_hz=frequency_hz)


def exact_peak_ratio(x_over_r):
    """Independent: largest value of the current itself, over all times of two cycles."""
    angle = np.linspace(0, 4 * np.pi, 80_001)
    phi = math.atan(x_over_r)
    wave = np.sin(angle - phi) + math.sin(phi) * np.exp(-angle / x_over_r)
    return math.sqrt(2) * float(np.abs(wave).max())


@pytest.mark.parametrize("x_over_r", [0.5, 1.8, 2.0, 5.0, 10.0, 30.0])
def test_the_formula_is_the_peak_of_the_current_within_its_note(x_over_r):
    exact, found = exact_peak_ratio(x_over_r), first_peak_a(1.0, x_over_r)
    assert found <= exact <= found * (1.01 if x_over_r >= 10 else 1.03)


def test_first_peak_of_a_row_and_of_columns():
    # published: 2.69 times at X/R 30, the level of the high-asymmetry tests (from memory)
    assert first_peak_a(15_000, 30) == pytest.approx(40_300, abs=100)
    assert first_peak_a(10_000, 0) == pytest.approx(14_142, abs=1)
    both = first_peak_a(np.array([1e4, 2e4]), np.array([0.0, 30.0]))
    assert both == pytest.approx([first_peak_a(1e4, 0), first_peak_a(2e4, 30)])
    assert isinstance(first_peak_a(1e4, 5), float)


@pytest.mark.parametrize("size", list(grades()))
def test_a_grade_has_proven_the_peak_of_its_test(size):
    # independent: sqrt(2) (1 + exp(-pi/1.8)) = 1.661 by hand
    tested_a = float(grade_of(size).rating_a(np.asarray(0.25), "withstand"))
    assert limit(size) == pytest.approx(1.661 * tested_a, rel=2e-4)
    assert limit(size, frequency_hz=50) == limit(size)


@pytest.mark.parametrize(("frequency_hz", "factor"), [(50, 2.5), (60, 2.6)])
def test_a_metric_set_has_its_peak_factor(frequency_hz, factor):
    # independent: 197.4 A sqrt(s)/mm2 for one second
    found = limit("70 mm2", frequency_hz=frequency_hz)
    assert found == pytest.approx(factor * 197.4 * 70, rel=1e-3)


def test_no_metric_set_above_the_next_larger_grade():
    # 176 mm2 would be 90.3 kA by the factor, grade 7 (177 mm2) has 122.9; 53.4 mm2: 27.4 and 34.9
    for size in ("35 mm2", "50 mm2", "95 mm2", "120 mm2", "150 mm2", "240 mm2"):
        larger = [name for name in grades() if area_mm2(name) >= area_mm2(size)]
        assert all(limit(size) <= limit(name) for name in larger)


def test_a_size_without_grade_has_that_of_the_next_smaller():
    assert limit("1") == limit("2")
    assert "no grade for 1: next smaller" in peak_source("1", frequency_hz=60)


def test_several_cables_lose_ten_per_cent():
    assert limit("2/0", parallel=3) == pytest.approx(2.7 * limit("2/0"))
    with pytest.raises(ValueError, match="one cable or more"):
        limit("2/0", parallel=0)


def test_the_source_says_what_is_from_memory():
    assert peak_source("2/0", frequency_hz=60).endswith("grade 3")
    metric = peak_source("70 mm2", frequency_hz=50)
    assert "from memory" in metric
    assert "2.5 times" in metric
    assert "our judgement" in metric
    assert "2.6 times" in peak_source("70 mm2", frequency_hz=60)


def test_a_size_that_is_none_is_a_wrong_call():
    for call in (
        lambda: limit("8"),
        lambda: peak_source("8", frequency_hz=60),
        lambda: first_peak_a(1e3, -1),
    ):
        with pytest.raises(ValueError, match=r"not a lead size|negative"):
            call()
