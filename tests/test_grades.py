import numpy as np
import pytest

from gridground.grounding.grades import SHORTEST_RATED_S, ceiling_of, grade_of, grades
from gridground.tables import read_table
from gridground.units import LEAD_KCMIL, area_mm2


def at(size, duration_s, basis):
    return float(grade_of(size).rating_a(np.asarray(duration_s), basis))


def test_every_row_of_the_table_is_given_back():
    for row in read_table("grades"):
        grade = grade_of(row["size"])
        assert grade.name == f"grade {row['grade']}"
        assert grade.size == row["size"]
        if row["basis"] == "continuous":
            assert grade.continuous_a == float(row["current_ka"]) * 1000
        else:
            assert float(row["time_s"]) == int(row["cycles_60hz"]) / 60
            found = at(row["size"], float(row["time_s"]), row["basis"])
            assert found == pytest.approx(float(row["current_ka"]) * 1000, rel=1e-12)
            assert row["source"] in grade.source(float(row["time_s"]), row["basis"])


def test_the_table_holds_the_sizes_it_should():
    assert set(grades()) == set(LEAD_KCMIL) - {"1"}
    assert grade_of("1") is None
    assert grade_of("70 mm2") is None


@pytest.mark.parametrize("basis", ["withstand", "ultimate"])
@pytest.mark.parametrize("duration_s", [0.25, 0.3, 0.5, 1.0, 5.0])
def test_a_larger_lead_has_a_larger_grade(basis, duration_s):
    by_area = sorted(grades(), key=area_mm2)
    amps = [at(size, duration_s, basis) for size in by_area]
    assert amps == sorted(amps)
    assert len(set(amps)) == len(amps)


def test_between_columns_log_log():
    # independent: geometric mean of time gives geometric mean of current
    middle = at("2/0", (0.25 * 0.5) ** 0.5, "withstand")
    assert middle == pytest.approx((27_000 * 20_000) ** 0.5)
    assert at("2/0", 2**-0.5, "ultimate") == pytest.approx((26_000 * 18_000) ** 0.5)


def test_beyond_the_last_column_one_over_root_of_time():
    assert at("2/0", 2.0, "withstand") == pytest.approx(20_000 / 2)
    assert at("2/0", 4.0, "ultimate") == pytest.approx(18_000 / 2)


def test_before_the_first_column_no_more_than_the_first():
    assert at("2/0", 0.05, "withstand") == pytest.approx(27_000)
    assert SHORTEST_RATED_S == 0.25


def test_withstand_is_below_ultimate():
    for size in grades():
        for duration_s in (0.25, 0.5, 1.0):
            assert at(size, duration_s, "withstand") < at(size, duration_s, "ultimate")


@pytest.mark.parametrize(
    ("size", "ceiling"),
    [("2/0", "2/0"), ("1", "1/0"), ("50 mm2", "1/0"), ("35 mm2", "1/0"), ("150 mm2", "350")],
)
def test_the_grade_a_size_is_not_rated_above(size, ceiling):
    assert ceiling_of(size).size == ceiling


def test_no_grade_above_the_table():
    assert ceiling_of("185 mm2") is None


def test_between_columns_both_sources_are_named():
    text = grade_of("3/0").source(0.4, "withstand")
    assert text.startswith("grade 4 for 0.4 s, ")
    assert "prints 36: the lower is used" in text
    assert "UFC 3-560-01 (6 December 2006) Table 7-1: withstand" in text


def test_beyond_and_at_columns_one_source_is_named():
    long = grade_of("3/0").source(3.0, "withstand")
    assert "UFC 3-560-01 (6 December 2006) Table 7-1: withstand" in long
    assert "prints 36" not in long
    assert "prints 36" not in grade_of("3/0").source(0.5, "withstand")
    assert "prints 36" in grade_of("3/0").source(0.25, "withstand")
    assert "prints 36" in grade_of("3/0").source(0.1, "withstand")
    assert "Table 7-1: withstand" not in grade_of("3/0").source(0.25, "withstand")
