"""How near a row is to the next size: thresholds by another route, and what they mean."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from gridground.electrical.asymmetry import decrement_ratio
from gridground.errors import TableError
from gridground.grounding.margin import carried_a, margin_columns, row_margin
from gridground.grounding.peak import first_peak_a, peak_limit_a
from gridground.grounding.rating import lead_rating_a

ROWS = [(size, n) for n in (1, 2) for size in ("2", "1/0", "2/0", "4/0")]


def margin(row, fault, *, basis="withstand", rows=ROWS, frequency_hz=60, times_on=1):
    return row_margin(row, (*fault, times_on), rows, basis=basis, frequency_hz=frequency_hz)


def rating(size, duration_s, x_over_r, *, basis="withstand", parallel=1):
    return lead_rating_a(
        size, duration_s, x_over_r, basis=basis, parallel=parallel, frequency_hz=60
    )


def test_what_is_carried_is_the_lower_of_heat_and_peak():
    options = {"basis": "withstand", "parallel": 1, "frequency_hz": 60, "times_on": 1}
    assert carried_a("2/0", 1.0, 2.0, **options) == rating("2/0", 1.0, 2.0)
    limit_a = peak_limit_a("2/0", parallel=1, frequency_hz=60)
    assert carried_a("2/0", 0.25, 30.0, **options) == pytest.approx(limit_a / first_peak_a(1.0, 30))
    columns = carried_a("2/0", np.array([1.0, 0.25]), np.array([2.0, 30.0]), **options)
    assert columns == pytest.approx(
        [carried_a("2/0", 1.0, 2.0, **options), carried_a("2/0", 0.25, 30.0, **options)]
    )
    with pytest.raises(TableError):
        carried_a("2/0", 11.0, 2.0, **options)


def test_thresholds_of_a_row_that_heat_decides():
    found = margin(("2", 1), (8_000, 0.5, 4.0))
    assert found.next_size == "1/0"
    assert found.at_a == rating("2", 0.5, 4.0)
    # independent: root of the rating itself
    assert found.at_s == pytest.approx(brentq(lambda t: rating("2", t, 4.0) - 8_000, 0.5, 10))
    # independent: by hand, 0.7 kcmil/7 over the current, squared, less the heat of the offset
    constant_s = 4.0 / (2 * math.pi * 60)
    assert found.at_s == pytest.approx((6_636 / 8_000) ** 2 - constant_s, rel=1e-4)
    assert (found.sensitive_to, found.sensitive_ratio) == ("current", found.at_a / 8_000)


def test_the_offset_at_which_a_row_no_longer_carries():
    found = margin(("2", 1), (8_600, 0.5, 4.0))
    by_heat = brentq(lambda x: rating("2", 0.5, x) - 8_600, 4, 900)
    limit_a = peak_limit_a("2", parallel=1, frequency_hz=60)
    by_peak = brentq(lambda x: limit_a - first_peak_a(8_600, x), 4, 900)
    assert found.at_x_over_r == pytest.approx(min(by_heat, by_peak), rel=1e-6)
    assert margin(("2", 1), (1_000, 0.5, 4.0)).at_x_over_r is None


def test_nothing_within_ten_seconds_is_none():
    assert margin(("2", 1), (1_000, 0.5, 4.0)).at_s is None
    assert margin(("2", 1), (2_150, 0.5, 0.0)).at_s == pytest.approx(9.53, abs=0.01)


def test_a_short_time_may_grow_at_least_to_a_quarter_of_a_second():
    rated = rating("2", 0.05, 5.0)
    found = margin(("2", 1), (0.99 * min(rated, 9_900), 0.05, 5.0))
    assert found.at_s >= 0.25


def test_the_first_peak_makes_a_row_sensitive_to_offset():
    limit_a = peak_limit_a("2/0", parallel=1, frequency_hz=60)
    current_a = 0.99 * limit_a / first_peak_a(1.0, 20.0)
    found = margin(("2/0", 1), (current_a, 0.25, 20.0))
    assert found.sensitive_to == "offset"
    assert found.sensitive_ratio == pytest.approx(1 / 0.99)
    assert found.at_a == pytest.approx(current_a / 0.99)
    assert 20.0 < found.at_x_over_r < 25.0


def test_between_the_ultimate_columns_the_time_is_nearest():
    # 26 kA at 0.5 s and 18 kA at 1 s fall faster than one over the root of time
    found = margin(("2/0", 1), (20_000, 0.6, 0.0), basis="ultimate")
    assert found.sensitive_to == "time"
    assert found.sensitive_ratio == pytest.approx(found.at_s / 0.6)
    assert found.sensitive_ratio < (found.at_a / 20_000) ** 2


@pytest.mark.parametrize(
    ("row", "rows", "expected"),
    [
        (("2", 1), ROWS, "1/0"),
        (("4/0", 1), ROWS, "2 x 2/0"),  # two of 2 and of 1/0 carry less
        (("4/0", 2), ROWS, None),
        (("2", 1), [("2", 1)], None),
        (("2", 1), [("2", 1), ("2", 2)], "2 x 2"),
        # a metric set has less peak and no more heat: it is no larger row, the next one is
        (("2/0", 1), [("2/0", 1), ("70 mm2", 1), ("4/0", 1)], "4/0"),
    ],
)
def test_the_row_that_would_come_next(row, rows, expected):
    fault = (5_000, 0.25, 30.0)
    assert margin(row, fault, rows=rows).next_size == expected


def test_columns_are_rows_side_by_side():
    rng = np.random.default_rng(11)
    picks = rng.integers(0, len(ROWS), 60)
    size = np.array([*(ROWS[k][0] for k in picks), None], object)
    count = np.array([*(ROWS[k][1] for k in picks), 0])
    duration, ratio = rng.uniform(0.03, 3, 61), rng.uniform(0, 40, 61)
    share, shots = rng.uniform(0.3, 1.0, 61), rng.integers(1, 5, 61)
    settings = {"basis": "withstand", "frequency_hz": 60}
    current = np.array(
        [
            share[k]
            * carried_a(
                size[k], duration[k], ratio[k], parallel=count[k], times_on=shots[k], **settings
            )
            for k in range(60)
        ]
        + [np.nan]
    )
    found = margin_columns(size, count, (current, duration, ratio, shots), **settings)
    for k in range(60):
        fault = (float(current[k]), float(duration[k]), float(ratio[k]))
        one = margin((size[k], int(count[k])), fault, times_on=int(shots[k]))
        assert found["at_a"][k] == pytest.approx(one.at_a)
        for key, value in (("at_s", one.at_s), ("at_x_over_r", one.at_x_over_r)):
            assert found[key][k] == pytest.approx(np.nan if value is None else value, nan_ok=True)
        assert found["sensitive_to"][k] == one.sensitive_to
        assert found["sensitive_ratio"][k] == pytest.approx(one.sensitive_ratio)
    assert found["sensitive_to"][60] is None
    assert all(np.isnan(found[key][60]) for key in ("at_a", "at_s", "sensitive_ratio"))
    assert {"current", "offset"} <= set(found["sensitive_to"])


@pytest.mark.parametrize("fault", [(8_000, 0.5, 4.0), (13_000, 0.3, 12.0), (20_000, 0.8, 0.0)])
def test_the_thresholds_are_the_last_that_carry(fault):
    current_a, duration_s, x_over_r = fault
    settings = {"basis": "withstand", "parallel": 1, "frequency_hz": 60, "times_on": 1}
    row = next(r for r in ROWS if carried_a(r[0], *fault[1:], **settings) >= current_a)
    found = margin(row, fault)
    assert carried_a(row[0], found.at_s, x_over_r, **settings) >= current_a
    assert carried_a(row[0], found.at_s * (1 + 1e-6), x_over_r, **settings) < current_a
    assert carried_a(row[0], duration_s, found.at_x_over_r, **settings) >= current_a
    assert carried_a(row[0], duration_s, found.at_x_over_r * 1.0001, **settings) < current_a


def test_every_shot_has_an_offset_of_its_own():
    options = {"basis": "withstand", "parallel": 1, "frequency_hz": 60}
    once = carried_a("2", 1.2, 10.0, times_on=1, **options)
    thrice = carried_a("2", 1.2, 10.0, times_on=3, **options)
    # independent: three shots of 0.4 s heat as one of 1.2 s with the offset of 0.4 s
    ratio = decrement_ratio(10.0, 1.2, frequency_hz=60) / decrement_ratio(
        10.0, 0.4, frequency_hz=60
    )
    assert thrice / once == pytest.approx(ratio)
    # the first peak is that of one shot
    peaks = [carried_a("2/0", 0.25, 30.0, times_on=n, **options) for n in (1, 2)]
    assert peaks[0] == peaks[1]
    with pytest.raises(ValueError, match="once or more often"):
        carried_a("2", 1.0, 10.0, times_on=0, **options)
