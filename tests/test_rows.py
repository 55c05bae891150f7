"""The lead table: what every row holds, before and after the network is solved."""

import math

import pytest

from gridground.errors import NoPlanError
from gridground.ground import RodPlace
from gridground.grounding.peak import first_peak_a, peak_limit_a
from gridground.grounding.poletop import CircuitTop, Hang, PoleTop
from gridground.grounding.rating import lead_end_temperature_c, lead_rating_a
from gridground.grounding.rows import Duty, lead_rows, with_solved_currents
from gridground.grounding.sizing import choose_lead
from gridground.grounding.where import Spot
from gridground.job import Job, RodSpec
from gridground.record import FaultAt, LeadEdge
from gridground.tables.wires import builtin_conductors
from tests.stated_limits import limits

WIRE = builtin_conductors()["1/0 ACSR 6/1"]
CIRCUIT = CircuitTop("F1", {"A": Hang(0.0, 10.0, WIRE)}, Hang(0.2, 8.5, WIRE), False, {"A": ("",)})
TOP = PoleTop("P20", None, "wood", 11.0, None, (CIRCUIT,))
EDGES = (
    LeadEdge("P20", None, "rod", "bar", "electrode"),
    LeadEdge("P20", None, "bar", "neutral", "fault"),
    LeadEdge("P20", None, "neutral", "A", "fault"),
)
ROD = RodPlace("P20", 0.0, 40.0, 90.0, 4.6, 1.0, (), (), ())
SPOT = Spot("bracket", "bracket at P20", TOP, "rod", ROD, EDGES)


def job(**changes):
    return Job(
        job_id="test",
        title="test",
        circuit_ids=("F1",),
        worksite_poles=("P20",),
        worksite_span=None,
        method="auto",
        work_position="pole",
        open_conductor=(),
        locate_ticket=None,
        sources_opened=None,
        isolated_equipment=(),
        limits=limits(**changes),
        rod=RodSpec(1.8, 0.0159, 100.0),
        kit=None,
    )


def duty(current_a=8_000.0, x_over_r=4.0, clearing_s=0.5, times_on=1):
    fault = FaultAt(
        three_phase_a=None,
        phase_phase_a=None,
        two_phase_ground_a=None,
        phase_ground_a=current_a,
        governing="phase-ground",
        x_over_r=x_over_r,
        clearing_s=clearing_s,
        asymmetry_ratio=1.0,
        longest_s=clearing_s,
        minimum_a=current_a,
        times_on=times_on,
    )
    return Duty(fault, 60.0)


def rows(current_a=8_000.0, x_over_r=4.0, clearing_s=0.5, **changes):
    return lead_rows(job(**changes), [SPOT], [duty(current_a, x_over_r, clearing_s)])


def test_a_row_in_the_fault_path_holds_the_choice():
    _, row, other = rows(fault_growth_ratio=1.1)
    choice = choose_lead(8_800, 0.5, 4.0, limits(), frequency_hz=60, times_on=1)
    assert (row.size, row.rating_a, row.current_a) == (choice.size, choice.rating_a, 8_800)
    assert (row.x_over_r, row.frequency_hz) == (4.0, 60.0)
    assert (row.peak_a, row.peak_limit_a) == (choice.peak_a, choice.peak_limit_a)
    assert row.peak_a == pytest.approx(first_peak_a(8_800, 4.0))
    assert row.withstand_a == row.rating_a < row.ultimate_a
    assert row.ultimate_a == lead_rating_a(
        row.size, 0.5, 4.0, basis="ultimate", parallel=1, frequency_hz=60
    )
    assert row.end_temperature_c == choice.end_temperature_c
    assert (row.next_size, row.next_size_at_a) == ("1/0", row.rating_a)
    assert 0.5 < row.next_size_at_s < 1
    assert row.next_size_at_x_over_r > 4.0
    assert (row.sensitive_to, row.sensitive_ratio) == ("current", row.margin_ratio)
    assert other.size == row.size


def test_several_cables_hold_as_one_row():
    electrode, row, _ = rows(current_a=30_000.0, lead_sizes=("2/0", "4/0"))
    assert (row.parallel, electrode.parallel) == (2, 1)
    assert row.peak_limit_a == pytest.approx(1.8 * electrode.peak_limit_a)
    assert row.peak_a <= row.peak_limit_a


def test_a_lead_to_a_rod_waits_for_the_network():
    row, *_ = rows()
    assert all(math.isnan(v) for v in (row.current_a, row.peak_a, row.end_temperature_c))
    assert row.peak_limit_a == peak_limit_a("2", parallel=1, frequency_hz=60)
    told = (row.next_size, row.next_size_at_a, row.next_size_at_s, row.next_size_at_x_over_r)
    assert told == (None,) * 4
    assert (row.sensitive_to, row.sensitive_ratio) == (None, None)


def test_solved_currents_fill_the_rows_to_a_rod_only():
    before = rows()
    after = with_solved_currents(before, [300.0, math.nan, math.nan])
    assert after[1:] == before[1:]
    row = after[0]
    assert (row.current_a, row.margin_ratio) == (300.0, row.rating_a / 300.0)
    assert row.peak_a == pytest.approx(first_peak_a(300.0, 4.0))
    assert row.end_temperature_c == lead_end_temperature_c(
        row.size, 300.0, 0.5, 4.0, parallel=1, frequency_hz=60
    )
    idle = with_solved_currents(before, [0.0, math.nan, math.nan])[0]
    assert (idle.margin_ratio, idle.peak_a, idle.end_temperature_c) == (math.inf, 0.0, 40.0)


def test_a_lead_to_a_rod_that_would_melt_has_no_temperature():
    row = with_solved_currents(rows(), [40_000.0, math.nan, math.nan])[0]
    assert row.end_temperature_c is None
    assert row.margin_ratio < 1


def test_the_peak_refuses_with_the_pole():
    with pytest.raises(NoPlanError) as refused:
        rows(current_a=10_500.0, x_over_r=50.0, clearing_s=0.1, lead_sizes=("2",), parallel_max=1)
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == ("no_lead", ("P20",))
    assert "first peak" in reason.what


def test_the_shots_of_a_reclosing_device_are_taken_in():
    once, thrice = (
        lead_rows(job(), [SPOT], [duty(7_000.0, 12.0, 0.6, times_on=n)])[1] for n in (1, 3)
    )
    assert (thrice.times_on, thrice.x_over_r) == (3, 12.0)
    assert thrice.rating_a < once.rating_a
    assert thrice.rating_a == lead_rating_a(
        thrice.size, 0.6, 36.0, basis="withstand", parallel=1, frequency_hz=60
    )
    assert thrice.peak_a == once.peak_a  # of one shot
    assert thrice.end_temperature_c > once.end_temperature_c
    assert "the current begins 3 times" in thrice.source
    assert "begins" not in once.source
