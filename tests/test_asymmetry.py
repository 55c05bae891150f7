"""Decrement factor and first peak: limits, shapes, and an integral by another route."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridground.electrical.asymmetry import decrement_ratio, first_peak_ratio


def rms_by_integration(x_over_r, duration_s, frequency_hz):
    """Independent: rms of symmetrical plus fully offset decaying current, Riemann sum."""
    # the ac and the dc part are averaged apart, as the standard's equation supposes
    t = (np.arange(200_000) + 0.5) * duration_s / 200_000
    dc = np.sqrt(2.0) * np.exp(-t * 2 * np.pi * frequency_hz / x_over_r)
    return np.sqrt(1.0 + (dc**2).mean())


@pytest.mark.parametrize("frequency_hz", [50.0, 60.0])
@pytest.mark.parametrize(("x_over_r", "duration_s"), [(2.0, 0.1), (10.0, 0.05), (40.0, 0.5)])
def test_decrement_equals_the_integral_of_the_current(x_over_r, duration_s, frequency_hz):
    found = decrement_ratio(x_over_r, duration_s, frequency_hz=frequency_hz)
    expected = rms_by_integration(x_over_r, duration_s, frequency_hz)
    assert found == pytest.approx(expected, rel=1e-6)


def test_decrement_limits():
    assert decrement_ratio(0.0, 0.5, frequency_hz=60.0) == 1.0
    assert decrement_ratio(np.inf, 0.5, frequency_hz=60.0) == pytest.approx(np.sqrt(3.0))
    assert decrement_ratio(1e9, 0.01, frequency_hz=60.0) == pytest.approx(np.sqrt(3.0), rel=1e-6)
    assert decrement_ratio(10.0, 1e6, frequency_hz=60.0) == pytest.approx(1.0, abs=1e-7)


@pytest.mark.parametrize("tiny", [5e-324, 1e-310, 1e-200])
def test_vanishing_inputs_reach_the_limits_without_a_warning(tiny):
    assert decrement_ratio(tiny, 0.5, frequency_hz=60.0) == 1.0
    assert decrement_ratio(20.0, tiny, frequency_hz=60.0) == pytest.approx(np.sqrt(3.0))
    assert decrement_ratio(tiny, 1e300, frequency_hz=60.0) == 1.0
    assert first_peak_ratio(tiny) == pytest.approx(np.sqrt(2.0))


def test_decrement_of_arrays_equals_scalars_and_keeps_nan():
    ratio, time_s = np.array([[5.0], [20.0]]), np.array([0.1, 0.5, np.nan])
    found = decrement_ratio(ratio, time_s, frequency_hz=60.0)
    assert found.shape == (2, 3)
    assert np.isnan(found[:, 2]).all()
    for i in range(2):
        for k in range(2):
            one = decrement_ratio(float(ratio[i, 0]), float(time_s[k]), frequency_hz=60.0)
            assert isinstance(one, float)
            assert found[i, k] == one


@pytest.mark.parametrize(
    ("x_over_r", "duration_s", "frequency_hz"), [(-1, 0.5, 60), (5, 0, 60), (5, 0.5, 0)]
)
def test_decrement_refuses_what_cannot_be(x_over_r, duration_s, frequency_hz):
    with pytest.raises(ValueError, match="X/R must not be negative"):
        decrement_ratio(x_over_r, duration_s, frequency_hz=frequency_hz)


@given(st.floats(0.01, 100), st.floats(0.01, 10), st.floats(1.001, 3))
def test_decrement_grows_with_x_over_r_and_falls_with_time(x_over_r, duration_s, factor):
    here = decrement_ratio(x_over_r, duration_s, frequency_hz=60.0)
    assert 1.0 <= here <= np.sqrt(3.0)
    assert decrement_ratio(x_over_r * factor, duration_s, frequency_hz=60.0) >= here
    assert decrement_ratio(x_over_r, duration_s * factor, frequency_hz=60.0) <= here
    # the heat itself, Df² t, never falls with time
    longer = decrement_ratio(x_over_r, duration_s * factor, frequency_hz=60.0)
    assert longer**2 * factor >= here**2


def test_first_peak():
    # published: 2.69 at X/R 30, the test level of the high-asymmetry grades (from memory)
    assert first_peak_ratio(30.0) == pytest.approx(2.69, abs=0.005)
    assert first_peak_ratio(0.0) == pytest.approx(np.sqrt(2.0))
    assert first_peak_ratio(np.inf) == pytest.approx(2.0 * np.sqrt(2.0))
    assert first_peak_ratio(np.array([1.0, 30.0])).shape == (2,)
    with pytest.raises(ValueError, match="negative"):
        first_peak_ratio(-0.1)
