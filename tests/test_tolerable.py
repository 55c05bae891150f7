import math
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from gridground.electrical.body import tolerable_body_a
from gridground.electrical.tolerable import (
    limit_a,
    limit_table,
    limit_v,
    rule_names,
    step_limit_v,
    surface_ratio,
    touch_limit_v,
)
from gridground.errors import InputError, TableError
from gridground.tables import read_table


def volts(rule, duration_s, body_ohm=1000):
    return limit_v(rule, duration_s=duration_s, body_ohm=body_ohm).volts


@pytest.mark.parametrize(
    ("duration_s", "expected"),
    [
        (0.01, 100),
        (0.25, 100),
        (0.1 + 0.15, 100),
        (0.2501, 75),
        (0.5, 75),
        (0.55, 75),  # 58/sqrt(0.55) is 78
        (0.598, 75),
        (1.0, 58),
        (4.0, 29),
        (10.0, 58 / math.sqrt(10)),
    ],
)
def test_the_handbook_pair_and_what_follows(duration_s, expected):
    for body_ohm in (500, 1000):
        assert volts("DOE-HDBK-1092", duration_s, body_ohm) == pytest.approx(expected)


def test_the_rule_and_its_source_are_told():
    limit = limit_v("DOE-HDBK-1092", duration_s=0.2, body_ohm=1000)
    assert limit.rule.startswith("DOE-HDBK-1092 (DOE-HDBK-1092 clause 4.15.2: 100 V")
    assert "our judgement" not in limit.rule
    assert "our judgement" in limit_v("DOE-HDBK-1092", duration_s=2, body_ohm=1000).rule
    assert "equation 9" in limit_v("IEEE 80 70 kg", duration_s=2, body_ohm=1000).rule


@pytest.mark.parametrize(("rule", "k"), [("IEEE 80 50 kg", 0.116), ("IEEE 80 70 kg", 0.157)])
def test_body_current_rules(rule, k):
    for duration_s in (0.03, 0.3, 3.0):
        for body_ohm in (500, 1000):
            expected = k / math.sqrt(duration_s)
            assert volts(rule, duration_s, body_ohm) == pytest.approx(expected * body_ohm)
            found = limit_a(rule, duration_s=duration_s, body_ohm=body_ohm)
            assert found == pytest.approx(expected)


def test_body_current_of_a_voltage_rule():
    assert limit_a("DOE-HDBK-1092", duration_s=0.5, body_ohm=500) == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("rule", "duration_s"),
    [
        ("DOE-HDBK-1092", 10.1),
        ("DOE-HDBK-1092", 0.0),
        ("DOE-HDBK-1092", -1.0),
        ("DOE-HDBK-1092", math.nan),
        ("DOE-HDBK-1092", math.inf),
        ("IEEE 80 50 kg", 0.0099),
        ("IEEE 80 50 kg", 3.01),
        ("IEEE 80 50 kg 500 ohm", 3.01),
        ("IEEE 80 70 kg", math.nan),
        ("EN 50522", 0.0499),
        ("EN 50522", 10.01),
        ("EN 50522", math.nan),
        ("IEC 60479-1", 0.0499),
        ("IEC 60479-1", 10.01),
        ("strictest", 10.01),
        ("strictest", 0.0),
        ("strictest", math.nan),
    ],
)
def test_a_duration_outside_the_rule_is_refused(rule, duration_s):
    with pytest.raises(TableError, match="duration under the rule"):
        volts(rule, duration_s)


def test_the_refusal_names_the_range():
    with pytest.raises(TableError, match=r"12 s is beyond the table \(0\.01 s to 3 s; IEEE 80"):
        volts("IEEE 80 50 kg", 12)
    with pytest.raises(TableError, match=r"\(0 s to 10 s; DOE"):
        volts("DOE-HDBK-1092", 12)


@pytest.mark.parametrize(
    ("rule", "expected"), [(50, 50), (62.5, 62.5), ("50 V", 50), ("0.1 kV", 100)]
)
def test_an_employers_own_voltage(rule, expected):
    limit = limit_v(rule, duration_s=42, body_ohm=1000)
    assert limit == (expected, "employer's limit")


@pytest.mark.parametrize(
    "rule", ["IEEE 80", "", "50", 0, -5, "0 V", math.nan, math.inf, True, None]
)
def test_what_is_no_rule_is_rejected(rule):
    with pytest.raises(InputError) as rejected:
        volts(rule, 0.5)
    (problem,) = rejected.value.problems
    assert (problem.level, problem.field) == ("reject", "limits.worker_limit")
    assert "IEEE 80 70 kg" in problem.remedy


@pytest.mark.parametrize("body_ohm", [0, -1, math.nan, math.inf])
def test_a_body_that_cannot_be_is_rejected(body_ohm):
    with pytest.raises(InputError) as rejected:
        volts("DOE-HDBK-1092", 0.5, body_ohm)
    assert rejected.value.problems[0].field == "limits.body_ohm"


def test_every_row_of_the_table_is_a_rule():
    assert list(rule_names()) == [
        "DOE-HDBK-1092",
        "IEEE 80 50 kg",
        "IEEE 80 70 kg",
        "IEEE 80 50 kg 500 ohm",
        "IEEE 80 70 kg 500 ohm",
        "IEEE 80 50 kg 1000 ohm",
        "IEEE 80 70 kg 1000 ohm",
        "EN 50522",
        "IEC 60479-1",
        "strictest",
    ]
    for name in rule_names():
        rows = [row for row in read_table("tolerable") if row["rule"] == name]
        for before, after in pairwise(rows):
            assert before["up_to_s"] == after["above_s"]


def test_no_longer_time_ever_allows_more():
    for rule in rule_names():
        times = np.geomspace(0.05, 3, 300)
        limits = [volts(rule, t) for t in times]
        assert limits == sorted(limits, reverse=True)


def test_body_current_takes_columns():
    times = np.array([0.03, 0.5, 3.0, math.nan])
    found = tolerable_body_a(times, weight="50 kg")
    assert found[:3] == pytest.approx(0.116 / np.sqrt(times[:3]))
    assert math.isnan(found[3])
    series = pd.Series([0.25, 1.0], index=["P1", "P2"])
    result = tolerable_body_a(series, weight="70 kg")
    pd.testing.assert_series_equal(result, pd.Series([0.314, 0.157], index=["P1", "P2"]))


@pytest.mark.parametrize("duration_s", [0.0099, 10.001, 0.0, -1.0])
def test_body_current_outside_its_range(duration_s):
    for value in (duration_s, np.array([1.0, duration_s])):
        with pytest.raises(TableError, match=f"{duration_s:g} s is beyond the table"):
            tolerable_body_a(value, weight="50 kg")


def step(duration_s=0.5, surface_ohm_m=100.0, layer_ratio=1.0, body_ohm=1000):
    return step_limit_v(
        duration_s,
        weight="50 kg",
        body_ohm=body_ohm,
        surface_ohm_m=surface_ohm_m,
        layer_ratio=layer_ratio,
    )


def touch(duration_s=0.5, surface_ohm_m=100.0, layer_ratio=1.0, body_ohm=1000):
    return touch_limit_v(
        duration_s,
        weight="50 kg",
        body_ohm=body_ohm,
        surface_ohm_m=surface_ohm_m,
        layer_ratio=layer_ratio,
    )


def test_feet_count_six_and_one_and_a_half_times():
    bare = 0.116 / math.sqrt(0.5)
    assert step() == pytest.approx(1600 * bare)
    assert touch() == pytest.approx(1150 * bare)
    assert step(layer_ratio=0.5, body_ohm=500) == pytest.approx(800 * bare)
    assert touch(layer_ratio=0.5, body_ohm=500) == pytest.approx(575 * bare)
    assert step(surface_ohm_m=0) == touch(surface_ohm_m=0) == pytest.approx(1000 * bare)


def test_step_and_touch_take_columns_on_their_index():
    times = pd.Series([0.25, 0.5], index=[7, 3])
    for function in (step, touch):
        found = function(duration_s=times)
        assert list(found.index) == [7, 3]
        assert list(found) == pytest.approx([function(duration_s=t) for t in times])


@pytest.mark.parametrize("changes", [{"body_ohm": 0}, {"surface_ohm_m": -1}, {"layer_ratio": 0}])
def test_feet_that_cannot_be(changes):
    for function in (step, touch):
        with pytest.raises(ValueError, match="body resistance"):
            function(**changes)


def test_a_layer_of_the_soil_itself_changes_nothing():
    assert surface_ratio(100.0, surface_ohm_m=100, depth_m=0.1) == 1.0
    assert surface_ratio(100.0, surface_ohm_m=1e12, depth_m=1e9) == pytest.approx(1.0)
    assert surface_ratio(np.array([100.0, 3000.0]), surface_ohm_m=3000, depth_m=0.1) == (
        pytest.approx([1 - 0.09 * (1 - 1 / 30) / 0.29, 1.0])
    )


@pytest.mark.parametrize(
    ("soil", "surface", "depth"),
    [(0.0, 1, 1), (1.0, 0, 1), (1.0, 1, 0), (-1.0, 1, 1), (math.nan, 1, 1)],
)
def test_layers_that_cannot_be(soil, surface, depth):
    with pytest.raises(ValueError, match="above zero"):
        surface_ratio(soil, surface_ohm_m=surface, depth_m=depth)


def test_small_values_are_values():
    assert step(body_ohm=0.5, surface_ohm_m=0.5, layer_ratio=0.5) == pytest.approx(
        (0.5 + 6 * 0.25) * 0.116 / math.sqrt(0.5)
    )
    assert surface_ratio(0.5, surface_ohm_m=0.8, depth_m=0.05) == pytest.approx(
        1 - 0.09 * (1 - 0.5 / 0.8) / 0.19
    )
    assert volts(0.5, 1) == 0.5
    assert limit_a("IEEE 80 50 kg", duration_s=1, body_ohm=0.5) == pytest.approx(0.116)


DURATIONS_S = (0.01, 0.02, 0.03, 0.0499, 0.05, 0.1, 0.25, 0.26, 0.34, 0.5, 0.6, 0.8, 1, 2, 3, 5, 10)


def test_the_default_is_the_strictest_and_never_above_what_it_was():
    # until now the default was the handbook's rule; errs to the strict side everywhere
    (row,) = [row for row in read_table("limits") if row["key"] == "worker_limit"]
    assert row["default"] == "strictest"
    for duration_s in (*DURATIONS_S, *np.geomspace(0.01, 10, 200)):
        for body_ohm in (500, 1000, 2000):
            now = volts("strictest", duration_s, body_ohm)
            assert now <= volts("DOE-HDBK-1092", duration_s, body_ohm)


def test_the_strictest_is_a_rule_and_none_is_below_it():
    for duration_s in DURATIONS_S:
        found = limit_v("strictest", duration_s=duration_s, body_ohm=1000)
        rows = limit_table(duration_s=duration_s, body_ohm=1000)
        there = {row["rule"]: row["limit_v"] for row in rows if row["limit_v"] is not None}
        assert found.volts == min(there.values())
        least = min(there, key=there.__getitem__)
        assert found.rule.startswith(f"strictest: {least} (")
    assert volts("strictest", 0.5, 200) == pytest.approx(0.116 / math.sqrt(0.5) * 200)


def test_where_the_iec_rule_is_the_strictest():
    # 80 mA by half of 1332 ohm at 53 V, below 58 V of the handbook's continuation
    found = limit_v("strictest", duration_s=1.0, body_ohm=1000)
    assert found.rule.startswith("strictest: IEC 60479-1 (permissible body current of EN 50522")
    assert found.volts == pytest.approx(0.08 * 0.5 * 1332, rel=2e-3)


def test_the_table_shows_every_rule_or_why_not():
    rows = limit_table(duration_s=5.0, body_ohm=500)
    assert [row["rule"] for row in rows] == [name for name in rule_names() if name != "strictest"]
    for row in rows:
        assert (row["limit_v"] is None) != (row["reason"] is None)
        assert row["source"]
    none = [row["rule"] for row in rows if row["limit_v"] is None]
    assert none == [name for name in rule_names() if name.startswith("IEEE 80")]
    assert all("5 s is beyond the table (0.01 s to 3 s" in r["reason"] for r in rows if r["reason"])
    with pytest.raises(InputError):
        limit_table(duration_s=0.5, body_ohm=0)


def test_a_fixed_body_stays_and_the_jobs_body_counts():
    for body_ohm in (500, 1000, 1500):
        for weight, k in (("50 kg", 0.116), ("70 kg", 0.157)):
            for fixed in (500, 1000):
                found = volts(f"IEEE 80 {weight} {fixed} ohm", 0.25, body_ohm)
                assert found == pytest.approx(2 * k * fixed)
            assert volts(f"IEEE 80 {weight}", 0.25, body_ohm) == pytest.approx(2 * k * body_ohm)


def test_short_times_count_as_the_shortest_tested():
    for rule in ("IEEE 80 50 kg", "IEEE 80 70 kg 500 ohm"):
        at_least = volts(rule, 0.03)
        assert volts(rule, 0.01) == volts(rule, 0.02) == at_least
        said = limit_v(rule, duration_s=0.02, body_ohm=1000).rule
        assert "0.01 to 0.03 s count as 0.03 s" in said
    assert tolerable_body_a(0.01, weight="50 kg") == tolerable_body_a(0.03, weight="50 kg")


def test_the_european_curve_between_its_points():
    # independent: halfway on both logarithmic scales is the geometric mean
    between = math.sqrt(0.2 * 0.5)
    assert volts("EN 50522", between) == pytest.approx(math.sqrt(537 * 220), rel=1e-9)
    assert limit_v("EN 50522", duration_s=1, body_ohm=1).rule.startswith("EN 50522 (EN 50522:2010")
