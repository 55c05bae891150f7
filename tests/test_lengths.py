"""How long a lead must be: its way in space, the stocked length, remarks on long ones."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from test_rows import CIRCUIT, ROD, SPOT, TOP, WIRE, duty, job

from gridground.errors import NoPlanError
from gridground.grounding.lengths import (
    CUT_REACH_M,
    LIFT_REACH_M,
    SIDE_REACH_M,
    force_n_per_m,
    lead_path,
    lead_remark,
    stock_length_m,
)
from gridground.grounding.poletop import CircuitTop, Hang
from gridground.grounding.rows import lead_rows
from gridground.record import LeadEdge

FT = 0.3048
LIMITS = job(bar_below_m=6 * FT, lead_slack_ratio=1.1, lead_length_step_m=5 * FT).limits
NO_SLACK = dataclasses.replace(LIMITS, lead_slack_ratio=1.0)
# Neutral 25 ft up, 0.5 ft to the right of the axis; phases at 30 ft, 3 ft apart; bar 19 ft up.
PHASES = {
    "A": Hang(-3 * FT, 30 * FT, WIRE),
    "B": Hang(0.0, 30 * FT, WIRE),
    "C": Hang(3 * FT, 30 * FT, WIRE),
}
THREE = dataclasses.replace(
    TOP,
    circuits=(
        CircuitTop("F1", PHASES, Hang(0.5 * FT, 25 * FT, WIRE), False, dict.fromkeys("ABC", ("",))),
    ),
)


def edge(start, end, role="fault", pole_id="P20"):
    return LeadEdge(pole_id, None if pole_id else "S1", start, end, role)


def needed_m(one, top=THREE, rod=ROD, limits=LIMITS):
    return sum(piece.length_m for piece in lead_path(one, top, rod, limits))


def at(distance_ft, rise_ft=None):
    rise_m = None if rise_ft is None else rise_ft * FT
    return dataclasses.replace(ROD, distance_m=distance_ft * FT, rise_m=rise_m)


@pytest.mark.parametrize(
    ("start", "end", "expected_ft"),
    [  # by hand, independent: Pythagoras on the drawing above, times 1.1
        ("bar", "neutral", 1.1 * math.sqrt(0.5**2 + 6**2)),
        ("neutral", "C", 1.1 * math.sqrt(2.5**2 + 5**2)),
        ("C", "B", 1.1 * 3),
        ("A", "C", 1.1 * 6),
        ("bar", "B", 1.1 * 11),
        ("bar", "A", 1.1 * math.sqrt(3**2 + 11**2)),
        ("bar", "B@S7", 1.1 * math.sqrt(11**2 + 3**2)),  # 3 ft along the line past the switch
        ("A@S7", "B@S7", 1.1 * 3),  # both on one side
        ("neutral", "C@S7", 1.1 * math.sqrt(2.5**2 + 5**2 + 3**2)),
        ("neutral@S6", "C@S7", 1.1 * math.sqrt(2.5**2 + 5**2 + 6**2)),  # across the pole
        ("pole ground", "bar", 1.1 * 1),
    ],
)
def test_worked_by_hand(start, end, expected_ft):
    assert needed_m(edge(start, end)) == pytest.approx(expected_ft * FT, rel=1e-12)


def test_reaches_of_a_cut_and_of_a_lift():
    bypass = edge("A@S6", "A@S7", "bypass")
    assert needed_m(bypass, limits=NO_SLACK) == pytest.approx(CUT_REACH_M) == 10 * FT
    lift = dataclasses.replace(THREE, pole_id=None, span_id="S1")
    assert needed_m(edge("bar", "A", "personal", None), lift, None, NO_SLACK) == LIFT_REACH_M


@pytest.mark.parametrize(
    ("distance_ft", "rise_ft", "expected_ft"),
    [  # by hand: bar 19 ft up; 15 ft on the ground, 3-4-5 triangles on a slope
        (15, None, 1.1 * (15 + 19)),
        (15, 0, 1.1 * (15 + 19)),
        (16, 12, 1.1 * (20 + 19)),
        (16, -12, 1.1 * (20 + 19)),
        (40, 9, 1.1 * (41 + 19)),
    ],
)
def test_lead_to_a_rod_on_the_ground_and_up_the_pole(distance_ft, rise_ft, expected_ft):
    rod = at(distance_ft, rise_ft)
    pieces = lead_path(edge("rod", "bar", "electrode"), THREE, rod, LIMITS)
    assert sum(piece.length_m for piece in pieces) == pytest.approx(expected_ft * FT, rel=1e-12)
    words = [piece.what for piece in pieces]
    assert words[0].startswith("along the ground from the rod")
    assert words[1] == "up the pole to the bar, 19 ft (5.79 m) above ground"
    assert ("higher" in words[0], "lower" in words[0]) == ((rise_ft or 0) > 0, (rise_ft or 0) < 0)
    # the same way as a line, sideways and up: its length by shapely
    rise_m = (rise_ft or 0) * FT
    line = shapely.LineString([(distance_ft * FT, rise_m), (0, 0), (0, 19 * FT)])
    assert sum(p.length_m for p in pieces[:2]) == pytest.approx(line.length, rel=1e-12)


def test_a_lead_to_a_rod_needs_its_place():
    with pytest.raises(ValueError, match="place of the rod"):
        lead_path(edge("rod", "bar", "electrode"), THREE, None, LIMITS)


METRES = st.floats(min_value=-3, max_value=3)
HEIGHTS = st.floats(min_value=6, max_value=20)


SIDES = st.sampled_from(["", "@S7"])


@given(st.tuples(METRES, HEIGHTS), st.tuples(METRES, HEIGHTS), SIDES, SIDES)
def test_straight_lines_in_space_by_numpy(here, there, one, other):
    (x0, y0), (x1, y1) = here, there
    phases = {"A": Hang(x0, y0, WIRE), "B": Hang(x1, y1, WIRE)}
    top = dataclasses.replace(
        TOP, circuits=(CircuitTop("F1", phases, None, False, dict.fromkeys("AB", ("",))),)
    )
    along = [SIDE_REACH_M if side else 0.0 for side in (one, other)]
    expected = np.linalg.norm(np.subtract((x0, y0, along[0]), (x1, y1, along[1])))
    found = needed_m(edge(f"A{one}", f"B{other}"), top, None, NO_SLACK)
    assert found == pytest.approx(expected, abs=1e-12)


def test_stocked_lengths():
    step = dataclasses.replace(LIMITS, lead_length_step_m=5 * FT)
    listed = dataclasses.replace(step, lead_lengths_m=(6 * FT, 12 * FT, 40 * FT))
    for needed_ft, by_step_ft, by_list_ft in (
        (5.0, 5, 6), (5.01, 10, 6), (6.0, 10, 6), (6.01, 10, 12), (0.0, 5, 6), (39, 40, 40),
    ):  # fmt: skip
        assert stock_length_m(needed_ft * FT, step, ()) == pytest.approx(by_step_ft * FT)
        assert stock_length_m(needed_ft * FT, listed, ()) == pytest.approx(by_list_ft * FT)
    with pytest.raises(NoPlanError) as refused:
        stock_length_m(41 * FT, listed, ("P20",))
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == ("no_lead_length", ("P20",))
    assert "41 ft (12.50 m) is needed, the longest in stock has 40 ft" in reason.what


def test_rows_hold_their_way():
    made = lead_rows(job(), [SPOT], [duty()])
    for row in made:
        assert sum(piece.length_m for piece in row.path) == row.needed_m
        assert row.needed_m <= row.length_m < row.needed_m + job().limits.lead_length_step_m
        assert (row.kit_lead_ids, row.planned) == ((), None)
    neutral = CIRCUIT.neutral
    straight = math.hypot(neutral.x_m, neutral.y_m - (8.5 - job().limits.bar_below_m))
    ratio = job().limits.lead_slack_ratio
    assert made[1].needed_m == pytest.approx(straight * ratio)


def remark(start, length_ft, way_ft, what="straight"):
    (row, *_) = lead_rows(job(), [SPOT], [duty()])
    path = (dataclasses.replace(row.path[0], what=what, length_m=way_ft * FT),)
    lead = dataclasses.replace(edge(start, "A"))
    return lead_remark(dataclasses.replace(row, edge=lead, length_m=length_ft * FT, path=path))


def test_what_long_leads_ask_for():
    assert remark("bar", 15, 14) is None
    assert "cannot whip" in remark("bar", 15.1, 14)
    assert remark("bar", 10, 5) is None
    assert remark("bar", 10.1, 5).startswith("5 ft 2 in (1.56 m) too long")  # 5.1 ft, rounded up
    assert "never in a coil" in remark("bar", 10.1, 5)
    # of a lead to a rod only what goes up the pole hangs
    assert remark("rod", 44, 41, "along the ground from the rod to the foot of the pole") is None
    assert "whip" in remark("rod", 22, 21, "up the pole to the bar, 21 ft above ground")


def test_force_between_two_leads():
    """Definition of the ampere (SI before 2019): 1 A, 1 m apart, 2e-7 N/m."""
    assert force_n_per_m(1.0, 1.0) == 2e-7
    assert force_n_per_m(20_000, 0.5) == pytest.approx(160.0)
