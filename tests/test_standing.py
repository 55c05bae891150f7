"""Limits of a standing voltage."""

import math

import pytest

from gridground.electrical.standing import standing_limit_a, standing_limit_v, standing_rules
from gridground.errors import InputError
from gridground.tables import read_table


def test_every_row_is_a_rule_and_the_strictest_is_the_smallest():
    rows = read_table("standing")
    assert standing_rules() == (*(row["rule"] for row in rows), "strictest")
    for row in rows:
        assert "from memory" in row["source"]
        assert standing_limit_a(row["rule"]) == pytest.approx(float(row["current_ma"]) / 1000)
        assert standing_limit_a("strictest") <= standing_limit_a(row["rule"])


def test_volts_are_current_times_the_body():
    for rule in standing_rules():
        for body_ohm in (500, 1000):
            found = standing_limit_v(rule, body_ohm=body_ohm)
            assert found.volts == pytest.approx(standing_limit_a(rule) * body_ohm)
    said = standing_limit_v("strictest", body_ohm=1000).rule
    assert said.startswith("strictest: NESC 5 mA (NESC (IEEE C2) rule 232D")


def test_what_is_no_rule_or_no_body_is_rejected():
    for rule in ("let-go", "", "strict"):
        with pytest.raises(InputError) as rejected:
            standing_limit_v(rule, body_ohm=1000)
        assert "let-go, women" in rejected.value.problems[0].remedy
    for body_ohm in (0, -1, math.nan, math.inf):
        with pytest.raises(InputError) as rejected:
            standing_limit_v("strictest", body_ohm=body_ohm)
        assert rejected.value.problems[0].field == "limits.body_ohm"
