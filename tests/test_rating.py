import math

import numpy as np
import pytest

from gridground.electrical.asymmetry import decrement_ratio
from gridground.errors import NoPlanError, TableError
from gridground.grounding.rating import (
    lead_end_temperature_c,
    lead_rating_a,
    parallel_ratio,
    rating_source,
    refuse_unknown,
)


def rating(size, duration_s, x_over_r, *, basis="withstand", parallel=1, frequency_hz=60):
    return lead_rating_a(
        size, duration_s, x_over_r, basis=basis, parallel=parallel, frequency_hz=frequency_hz
    )


def source(size, duration_s, x_over_r, *, basis="withstand", parallel=1):
    return rating_source(
        size, duration_s, x_over_r, basis=basis, parallel=parallel, frequency_hz=60
    )


@pytest.mark.parametrize(
    ("size", "duration_s", "basis", "expected"),
    [
        # independent: by hand, kcmil/7.00/sqrt(t), 0.70 of it, against the row of the table
        ("2/0", 0.25, "withstand", 0.7 * 133.1 / 7 / 0.5),  # 26.62 against 27
        ("1/0", 0.25, "withstand", 21.0),  # against 21.12
        ("3/0", 0.5, "withstand", 0.7 * 167.8 / 7 / math.sqrt(0.5)),  # 23.73 against 25
        ("1/0", 0.25, "ultimate", 29.0),  # against 30.17
        ("1/0", 1.0, "ultimate", 14.0),  # against 15.09
        ("1", 0.5, "withstand", 0.7 * 83.69 / 7 / math.sqrt(0.5)),  # no grade
        ("50 mm2", 1.0, "ultimate", 14.0),  # no grade: 14.10, and not above 1/0
        ("185 mm2", 0.5, "ultimate", 185 / 0.5067074790975 / 7 / math.sqrt(0.5)),  # beyond all
        ("70 mm2", 0.5, "ultimate", 70 / 0.5067074790975 / 7 / math.sqrt(0.5)),  # no grade
    ],
)
def test_the_lower_of_table_and_formula(size, duration_s, basis, expected):
    assert rating(size, duration_s, 0, basis=basis) == pytest.approx(expected * 1000, rel=1e-9)


def test_offset_and_frequency_are_taken_in():
    plain = rating("2/0", 0.5, 0)
    for frequency_hz in (50, 60):
        offset = decrement_ratio(20, 0.5, frequency_hz=frequency_hz)
        found = rating("2/0", 0.5, 20, frequency_hz=frequency_hz)
        assert found == pytest.approx(plain / offset)
    assert rating("2/0", 0.5, 20, frequency_hz=50) < rating("2/0", 0.5, 20, frequency_hz=60)


def test_several_cables_lose_ten_per_cent():
    assert [parallel_ratio(n) for n in (1, 2, 3)] == pytest.approx([1.0, 1.8, 2.7])
    assert rating("4/0", 0.5, 7, parallel=3) == pytest.approx(2.7 * rating("4/0", 0.5, 7))
    with pytest.raises(ValueError, match="one cable or more, not 0"):
        rating("4/0", 0.5, 7, parallel=0)


@pytest.mark.parametrize("size", ["2/0", "70 mm2"])
def test_a_time_below_fifteen_cycles_counts_as_fifteen(size):
    assert rating(size, 0.03, 30) == rating(size, 0.25, 30)
    assert rating(size, 0.26, 30) < rating(size, 0.25, 30)


def test_columns_are_scalars_side_by_side():
    times, ratios = np.array([0.1, 0.4, 3.0]), np.array([2.0, 10.0, 40.0])
    for size in ("2", "350", "95 mm2"):
        expected = [rating(size, t, r) for t, r in zip(times, ratios, strict=True)]
        assert rating(size, times, ratios) == pytest.approx(expected)
    assert isinstance(rating("2", 0.5, 3), float)


def test_outside_the_table_is_refused():
    with pytest.raises(TableError, match=r"0\.005 s"):
        rating("2/0", 0.005, 5)
    with pytest.raises(TableError, match="11 s"):
        rating("2/0", np.array([1.0, 11.0]), 5)
    with pytest.raises(ValueError, match="not a lead size"):
        rating("8", 0.5, 5)


def test_withstand_per_square_millimetre_is_the_usual_figure():
    # independent: 197 A sqrt(s)/mm2, the figure of metric sets (from memory)
    assert rating("95 mm2", 1.0, 0) / 95 == pytest.approx(197, abs=0.6)


def test_source_names_both_figures_and_what_decided():
    by_formula = source("2/0", 0.5, 0)
    assert by_formula.startswith("withstand, formula decides: 18,823 A, 70 % of the fusing current")
    assert "the other: 20,000 A, grade 3 for 0.5 s, UFC 3-560-01" in by_formula
    by_table = source("1/0", 1, 0, basis="ultimate")
    assert by_table.startswith("ultimate, table decides: 14,000 A, grade 2 for 1 s, ASTM F855")
    assert "the other: 15,086 A, the fusing current by IEEE Std 80" in by_table
    alone = source("70 mm2", 1, 0)
    assert alone.startswith("withstand, formula only, no grade for 70 mm2: 13,815 A")
    beyond = source("185 mm2", 1, 0)
    assert beyond.startswith("withstand, formula only, no grade for 185 mm2: 36,510 A")
    held = source("50 mm2", 1, 0, basis="ultimate")
    assert held.startswith(
        "ultimate, table decides: no grade for 50 mm2, not above that of 1/0: 14,000 A, grade 2"
    )


def test_source_tells_what_was_taken_off():
    plain = source("2/0", 0.25, 1.8)
    assert "decrement factor 1.010" in plain
    assert not any(word in plain for word in ("counted", "cables,", "high-asymmetry"))
    full = source("2/0", 0.1, 1.9, parallel=2)
    assert "0.1 s counted as 0.25 s" in full
    assert "2 cables, 10 % off (MIL-HDBK-1025/10 clause 5.3.4.2)" in full
    assert "offset above 20 %: ask the maker for a high-asymmetry assembly" in full


def test_end_temperature_at_the_withstand_level():
    # independent: 70 % of the ultimate current ends at 357 °C by Onderdonk, 98 % area apart
    rated = rating("2/0", 0.5, 0)
    end = lead_end_temperature_c("2/0", rated, 0.5, 0, parallel=1, frequency_hz=60)
    assert end == pytest.approx(352, abs=3)
    pair = lead_end_temperature_c("2/0", 1.8 * rated, 0.5, 0, parallel=2, frequency_hz=60)
    assert pair == pytest.approx(end)


def test_end_temperature_takes_the_offset_and_the_counted_time():
    offset = float(decrement_ratio(30, 0.3, frequency_hz=50))
    hot = lead_end_temperature_c("2/0", 10_000, 0.3, 30, parallel=1, frequency_hz=50)
    plain = lead_end_temperature_c("2/0", 10_000 * offset, 0.3, 0, parallel=1, frequency_hz=50)
    assert hot == pytest.approx(plain)
    short = lead_end_temperature_c("2/0", 10_000, 0.1, 30, parallel=1, frequency_hz=50)
    quarter = lead_end_temperature_c("2/0", 10_000, 0.25, 30, parallel=1, frequency_hz=50)
    assert short == quarter < hot


@pytest.mark.parametrize("size", ["2", "1", "1/0", "4/0", "350", "70 mm2"])
@pytest.mark.parametrize("duration_s", [0.03, 0.25, 0.5, 1.0, 10.0])
@pytest.mark.parametrize("x_over_r", [0, 10, 60])
def test_a_lead_at_its_rating_does_not_melt(size, duration_s, x_over_r):
    for basis, most_c in (("withstand", 400), ("ultimate", 1083)):
        rated = rating(size, duration_s, x_over_r, basis=basis)
        end = lead_end_temperature_c(size, rated, duration_s, x_over_r, parallel=1, frequency_hz=60)
        assert 40 < end <= most_c


@pytest.mark.parametrize(
    ("fault", "code", "words"),
    [
        ((0, 0.5, 5), "no_fault_current", "fault current is not known (0 A)"),
        ((-1, 0.5, 5), "no_fault_current", "fault current"),
        ((math.nan, 0.5, 5), "no_fault_current", "fault current is not known (nan A)"),
        ((math.inf, 0.5, 5), "no_fault_current", "fault current"),
        ((1e3, 0.5, -0.1), "no_fault_current", "X/R of the fault"),
        ((1e3, 0.5, math.nan), "no_fault_current", "X/R of the fault is not known (nan)"),
        ((1e3, 0.5, math.inf), "no_fault_current", "X/R of the fault"),
        ((1e3, 0.0, 5), "no_clearing_time", "time to clear"),
        ((1e3, math.nan, 5), "no_clearing_time", "nothing clears it (nan s)"),
        ((1e3, math.inf, 5), "no_clearing_time", "nothing clears it"),
    ],
)
def test_what_is_not_known_is_a_reason(fault, code, words):
    with pytest.raises(NoPlanError) as refused:
        refuse_unknown(*fault, ("P20",))
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == (code, ("P20",))
    assert words in reason.what
    assert reason.remedy


def test_a_known_fault_is_not_refused():
    refuse_unknown(1e3, 0.5, 0.0, ())
    refuse_unknown(0.5, 0.5, 0.0, ())
    refuse_unknown(1e3, 0.05, 1e3, ())


def test_the_offset_note_starts_above_one_point_eight():
    assert "high-asymmetry" not in source("2/0", 0.5, 1.8)
    assert "high-asymmetry" in source("2/0", 0.5, 1.81)
