import math

import numpy as np
import pytest

from gridground.errors import InputError, NoPlanError, TableError
from gridground.grounding import sizing
from gridground.grounding.sizing import (
    allowed_sizes,
    choose_lead,
    choose_lead_columns,
    lead_problems,
    lead_rating_a,
)
from tests.stated_limits import limits


def choose(current_a, duration_s=0.5, x_over_r=0, **changes):
    return choose_lead(
        current_a, duration_s, x_over_r, limits(**changes), frequency_hz=60, times_on=1
    )


@pytest.mark.parametrize(
    ("current_a", "size", "parallel"),
    [
        # independent: 0.70 kcmil/7.00/sqrt(0.5): 9.38, 14.93, 18.82, 29.92 kA; twice 0.9 of them
        (1_000, "2", 1),
        (9_384, "2", 1),
        (9_386, "1/0", 1),
        (14_933, "1/0", 1),
        (14_935, "2/0", 1),
        (18_830, "4/0", 1),
        (29_920, "4/0", 1),
        (29_930, "2/0", 2),
        (33_880, "2/0", 2),
        (33_890, "4/0", 2),
        (53_860, "4/0", 2),
    ],
)
def test_smallest_that_carries(current_a, size, parallel):
    choice = choose(current_a)
    assert (choice.size, choice.parallel) == (size, parallel)
    assert choice.rating_a >= current_a
    assert choice.margin_ratio == pytest.approx(choice.rating_a / current_a)


def test_the_choice_tells_where_it_comes_from():
    choice = choose(18_000)
    assert choice.grade == "grade 3"
    assert choice.source.startswith("withstand, formula decides: 18,823 A")
    assert 300 < choice.end_temperature_c < 352
    pair = choose(33_000, x_over_r=0)
    assert "2 cables, 10 % off" in pair.source
    metric = choose(18_000, lead_sizes=("70 mm2",))
    assert (metric.size, metric.grade) == ("70 mm2", "no grade")


def test_the_rating_is_that_of_the_whole_row():
    choice = choose(33_000, x_over_r=12)
    expected = lead_rating_a(choice.size, 0.5, 12, basis="withstand", parallel=2, frequency_hz=60)
    assert choice.rating_a == expected


def test_exactly_the_rating_is_enough():
    rated = lead_rating_a("2", 0.5, 9, basis="withstand", parallel=1, frequency_hz=60)
    exact = choose(rated, x_over_r=9)
    assert (exact.size, exact.margin_ratio) == ("2", 1.0)
    assert choose(math.nextafter(rated, math.inf), x_over_r=9).size == "1/0"


def test_basis_frequency_offset_and_time_count():
    assert choose(12_000, lead_basis="ultimate").size == "2"
    assert choose(12_000).size == "1/0"
    assert choose(14_800, x_over_r=20).size == "2/0"
    fifty = choose_lead(14_600, 0.5, 9, limits(), frequency_hz=50, times_on=1)
    sixty = choose_lead(14_600, 0.5, 9, limits(), frequency_hz=60, times_on=1)
    assert fifty.rating_a < sixty.rating_a
    assert choose(9_000, duration_s=1.0).size == "1/0"


def test_the_stock_and_the_minimum_rule():
    assert choose(1_000, lead_minimum="1/0").size == "1/0"
    assert choose(1_000, lead_sizes=("4/0", "2/0")).size == "2/0"
    assert allowed_sizes(limits(lead_sizes=("4/0", "2", "2/0", "2"), lead_minimum="1/0")) == (
        "2/0",
        "4/0",
    )
    assert allowed_sizes(limits(lead_sizes=("35 mm2", "2"))) == ("2", "35 mm2")


def test_fewer_leads_come_before_smaller_ones():
    choice = choose(45_000, lead_sizes=("2/0", "4/0"), parallel_max=3)
    assert (choice.size, choice.parallel) == ("4/0", 2)


def test_more_than_the_stock_carries_is_no_plan():
    with pytest.raises(NoPlanError) as refused:
        choose_lead(60_000, 0.5, 0, limits(), frequency_hz=60, times_on=1, where=("P20",))
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == ("no_lead", ("P20",))
    assert "60,000 A for 0.5 s at X/R 0" in reason.what
    assert "53,865 A (2 x 4/0, withstand), by 6,135 A" in reason.what
    assert reason.remedy


def test_one_lead_only_where_the_employer_says_so():
    with pytest.raises(NoPlanError, match=r"\(1 x 4/0, withstand\)"):
        choose(30_000, parallel_max=1)


@pytest.mark.parametrize(
    ("changes", "field", "found"),
    [
        ({"lead_minimum": "25 mm2"}, "limits.lead_minimum", "25 mm2 is smaller than AWG 2"),
        ({"lead_minimum": "4"}, "limits.lead_minimum", "4 is smaller than AWG 2"),
        ({"lead_sizes": ("2", "25 mm2")}, "limits.lead_sizes", "25 mm2 is smaller than AWG 2"),
        ({"lead_sizes": ("6",)}, "limits.lead_sizes", "6 is smaller than AWG 2"),
        ({"lead_sizes": ()}, "limits.lead_sizes", "no size of an empty stock reaches"),
        (
            {"lead_minimum": "250"},
            "limits.lead_sizes",
            "no size of 2, 1/0, 2/0, 4/0 reaches the minimum 250",
        ),
        ({"lead_basis": "melting"}, "limits.lead_basis", "'melting' is no basis"),
        ({"parallel_max": 0}, "limits.parallel_max", "0 leads for one connection"),
    ],
)
def test_limits_that_cannot_be_are_rejected(changes, field, found):
    (problem,) = lead_problems(limits(**changes))
    assert (problem.level, problem.layer, problem.field) == ("reject", "job", field)
    assert found in problem.found
    assert problem.remedy
    for call in (lambda: choose(1_000, **changes), lambda: allowed_sizes(limits(**changes))):
        with pytest.raises(InputError) as rejected:
            call()
        assert rejected.value.problems == (problem,)


def test_every_bad_limit_is_named_at_once():
    found = lead_problems(
        limits(lead_minimum="6", lead_sizes=("8", "2", "16 mm2"), parallel_max=-1)
    )
    assert [problem.field.removeprefix("limits.") for problem in found] == [
        "lead_minimum",
        "lead_sizes",
        "lead_sizes",
        "parallel_max",
    ]
    assert "29 CFR 1910.269(n)(4)(ii)" in found[0].remedy
    assert lead_problems(limits()) == []


@pytest.mark.parametrize("fault", [(math.nan, 0.5, 5), (1e3, math.nan, 5), (1e3, 0.5, math.nan)])
def test_an_unknown_fault_is_no_plan(fault):
    with pytest.raises(NoPlanError, match="not known"):
        choose_lead(*fault, limits(), frequency_hz=60, times_on=1)


def test_a_time_beyond_the_table_is_refused():
    with pytest.raises(TableError, match="15 s"):
        choose(1_000, duration_s=15)


def test_columns_are_choices_side_by_side():
    rng = np.random.default_rng(7)
    current = rng.uniform(500, 60_000, 200)
    duration = rng.uniform(0.03, 3, 200)
    ratio = rng.uniform(0, 40, 200)
    columns = choose_lead_columns(current, duration, ratio, limits(), frequency_hz=60, times_on=1)
    assert len({size for size in columns["size"] if size}) >= 3
    assert (columns["parallel"] == 0).any()
    for row in range(200):
        fault = (float(current[row]), float(duration[row]), float(ratio[row]))
        try:
            choice = choose_lead(*fault, limits(), frequency_hz=60, times_on=1)
        except NoPlanError:
            assert columns["size"][row] is None
            assert columns["parallel"][row] == 0
            assert math.isnan(columns["rating_a"][row])
        else:
            assert columns["size"][row] == choice.size
            assert columns["parallel"][row] == choice.parallel
            assert columns["rating_a"][row] == pytest.approx(choice.rating_a)


def test_unknown_rows_of_columns_stay_unknown():
    nan, inf = math.nan, math.inf
    current = [1e3, nan, 0.0, inf, 1e3, 1e3, 1e3, 1e3, 1e3, 1e3]
    duration = [0.5, 0.5, 0.5, 0.5, nan, 0.005, 10.1, 0.5, 0.5, 10.0]
    ratio = [5, 5, 5, 5, 5, 5, 5, nan, -1, 0]
    columns = choose_lead_columns(current, duration, ratio, limits(), frequency_hz=60, times_on=1)
    assert [size is not None for size in columns["size"]] == [True, *[False] * 8, True]
    one = choose_lead_columns(1e3, 0.5, 5, limits(), frequency_hz=60, times_on=1)
    assert list(one["size"]) == ["2"]
    with pytest.raises(InputError):
        choose_lead_columns(1e3, 0.5, 5, limits(lead_minimum="6"), frequency_hz=60, times_on=1)


def test_the_parts_that_hang_on_size_are_found_here():
    assert all(hasattr(sizing, name) for name in sizing.__all__)


def test_columns_take_exactly_the_rating_and_small_currents():
    rated = lead_rating_a("2", 0.5, 9, basis="withstand", parallel=1, frequency_hz=60)
    columns = choose_lead_columns(
        [rated, 0.5, 0.5], 0.5, [9, 9, 0.5], limits(), frequency_hz=60, times_on=1
    )
    assert list(columns["size"]) == ["2", "2", "2"]


def test_the_first_peak_is_part_of_the_choice():
    # independent: 2.623 times at X/R 20; 1.661 x 27 kA = 44.85 kA is tested for 2/0 -> 17,100 A
    heat_a = lead_rating_a("2/0", 0.25, 20, basis="withstand", parallel=1, frequency_hz=60)
    assert heat_a > 24_000
    below, above = choose(17_050, 0.25, 20), choose(17_150, 0.25, 20)
    assert (below.size, above.size) == ("2/0", "4/0")
    assert above.peak_a == pytest.approx(17_150 * 2.623, rel=1e-3)
    assert above.peak_a <= above.peak_limit_a
    assert "the first peak decides: 1 x 2/0 would carry the current, but 44,98" in above.source
    assert "A is more than the 44,85" in above.source
    assert "it is tested for (ASTM F855 Table 1" in above.source
    assert "the first peak decides: 1 x 1/0" in below.source
    assert "first peak" not in choose(8_000, 0.5, 4).source


def test_the_peak_leads_to_a_second_cable():
    choice = choose(40_000, 0.25, 30, lead_sizes=("4/0", "250"))
    assert (choice.size, choice.parallel) == ("4/0", 2)
    assert "the first peak decides: 1 x 250" in choice.source  # 4/0 alone fails by heat
    choice = choose(45_000, 0.25, 30, lead_sizes=("350",))
    assert choice.parallel == 1
    choice = choose(50_000, 0.25, 30, lead_sizes=("350",))
    assert choice.parallel == 2
    assert "the first peak decides: 1 x 350" in choice.source


def test_no_row_that_holds_the_peak_is_no_plan():
    with pytest.raises(NoPlanError) as refused:
        choose_lead(
            21_000,
            0.25,
            40,
            limits(parallel_max=1, lead_sizes=("2/0",)),
            frequency_hz=60,
            times_on=1,
            where=("P20",),
        )
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == ("no_lead", ("P20",))
    assert "A first peak of 57,1" in reason.what
    assert "(1 x 2/0), by 12," in reason.what
    assert "a shorter time does not help" in reason.remedy


def test_both_bases_and_the_margin_are_told():
    choice = choose(8_000, 0.5, 4)
    assert choice.rating_a == choice.withstand_a < choice.ultimate_a
    ultimate = choose(8_000, 0.5, 4, lead_basis="ultimate")
    assert ultimate.rating_a == ultimate.ultimate_a
    assert choice.margin.next_size == "1/0"
    assert choice.margin.at_a == choice.rating_a
    assert choose(8_000, 0.5, 4, lead_sizes=("2",), parallel_max=1).margin.next_size is None


@pytest.mark.parametrize("size", ["35 mm2", "50 mm2", "70 mm2", "95 mm2", "120 mm2", "150 mm2"])
@pytest.mark.parametrize("duration_s", [0.03, 0.25, 0.5, 10.0])
@pytest.mark.parametrize("basis", ["withstand", "ultimate"])
def test_a_legal_choice_has_a_temperature_on_either_basis(size, duration_s, basis):
    for x_over_r in (0.0, 15.0, 60.0):
        one = limits(lead_sizes=(size,), lead_basis=basis)
        edge = choose_lead(500, duration_s, x_over_r, one, frequency_hz=50, times_on=1).margin.at_a
        choice = choose_lead(edge, duration_s, x_over_r, one, frequency_hz=50, times_on=1)
        assert choice.size == size
        assert 40 < choice.end_temperature_c <= 1083
        assert sizing.lead_resistance_ohm(
            size, 3.0, temperature_c=choice.end_temperature_c, parallel=1
        )


def test_shots_of_a_reclosing_device_need_a_larger_lead():
    one, four = (
        choose_lead(8_400, 0.6, 8.0, limits(), frequency_hz=60, times_on=n) for n in (1, 4)
    )
    assert (one.size, four.size) == ("2", "1/0")
    assert "the current begins 4 times, each time with an offset" in four.source
    columns = choose_lead_columns(
        [8_400, 8_400], 0.6, 8.0, limits(), frequency_hz=60, times_on=[1, 4]
    )
    assert list(columns["size"]) == ["2", "1/0"]
    assert columns["rating_a"] == pytest.approx([one.rating_a, four.rating_a])
