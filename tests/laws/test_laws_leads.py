"""What must hold for leads, rods and tolerable voltages whatever the numbers are."""

import math

from hypothesis import given
from hypothesis import strategies as st

from gridground.electrical.tolerable import limit_v, rule_names
from gridground.errors import NoPlanError
from gridground.grounding.earth import (
    radius_for_step_m,
    rod_resistance_ohm,
    step_v,
    surface_potential_v,
    touch_v,
)
from gridground.grounding.lead_impedance import lead_resistance_ohm, loop_reactance_ohm
from gridground.grounding.neutral import neutral_carries
from gridground.grounding.rating import lead_rating_a
from gridground.grounding.sizing import choose_lead
from gridground.tables.wires import Conductor
from gridground.units import area_mm2
from tests.stated_limits import limits

SIZES = ("2", "35 mm2", "1", "50 mm2", "1/0", "2/0", "70 mm2", "3/0", "95 mm2", "4/0", "250", "350")
NOTHING = math.inf  # what is chosen where nothing carries: larger than any lead

currents = st.floats(10, 200_000)
durations = st.floats(0.03, 10)
ratios = st.one_of(st.just(0.0), st.floats(0.01, 100))
growth = st.floats(1, 20)
bases = st.sampled_from(["withstand", "ultimate"])
hertz = st.sampled_from([50, 60])
sizes = st.sampled_from(SIZES)
stocks = st.lists(sizes, min_size=1, max_size=6).map(tuple)


def rules_of(stock, basis, parallel_max):
    return limits(lead_sizes=stock, lead_basis=basis, parallel_max=parallel_max)


def rank(fault, rules, frequency_hz):
    """How large the chosen row is: number of leads, then area; infinite where nothing carries."""
    try:
        choice = choose_lead(*fault, rules, frequency_hz=frequency_hz, times_on=1)
    except NoPlanError:
        return (NOTHING, NOTHING)
    assert choice.rating_a >= fault[0]
    assert choice.peak_a <= choice.peak_limit_a * (1 + 1e-9)
    assert choice.margin.at_a >= fault[0]
    assert choice.margin.at_s is None or choice.margin.at_s >= fault[1]
    assert choice.margin.at_x_over_r is None or choice.margin.at_x_over_r >= fault[2]
    assert choice.withstand_a < choice.ultimate_a
    return (choice.parallel, area_mm2(choice.size))


rules_drawn = st.builds(rules_of, stocks, bases, st.integers(1, 3))
pairs = st.tuples(ratios, ratios).map(sorted)
spells = st.tuples(durations, durations).map(sorted)


@given(st.tuples(currents, durations, ratios), growth, rules_drawn, hertz)
def test_more_current_never_a_smaller_lead(fault, factor, rules, frequency_hz):
    amps, seconds, ratio = fault
    less = rank(fault, rules, frequency_hz)
    assert rank((amps * factor, seconds, ratio), rules, frequency_hz) >= less


@given(currents, spells, ratios, rules_drawn, hertz)
def test_longer_clearing_never_a_smaller_lead(amps, spell, ratio, rules, frequency_hz):
    short, long = spell
    less = rank((amps, short, ratio), rules, frequency_hz)
    assert rank((amps, long, ratio), rules, frequency_hz) >= less


@given(currents, durations, pairs, rules_drawn, hertz)
def test_more_offset_never_a_smaller_lead(amps, seconds, pair, rules, frequency_hz):
    low, high = pair
    less = rank((amps, seconds, low), rules, frequency_hz)
    assert rank((amps, seconds, high), rules, frequency_hz) >= less


@given(st.tuples(sizes, sizes), durations, ratios, bases, hertz)
def test_a_larger_size_never_carries_less(two, seconds, ratio, basis, frequency_hz):
    carried = [
        lead_rating_a(size, seconds, ratio, basis=basis, parallel=1, frequency_hz=frequency_hz)
        for size in sorted(two, key=area_mm2)
    ]
    assert carried[0] <= carried[1]


@given(sizes, st.integers(1, 5), durations, ratios, bases)
def test_one_more_cable_never_carries_less(size, count, seconds, ratio, basis):
    carried = [
        lead_rating_a(size, seconds, ratio, basis=basis, parallel=n, frequency_hz=60)
        for n in (count, count + 1)
    ]
    assert carried[0] < carried[1]
    assert carried[1] <= (count + 1) * lead_rating_a(
        size, seconds, ratio, basis=basis, parallel=1, frequency_hz=60
    )


@given(sizes, durations, ratios, hertz)
def test_withstand_is_never_above_ultimate(size, seconds, ratio, frequency_hz):
    low, high = (
        lead_rating_a(size, seconds, ratio, basis=b, parallel=1, frequency_hz=frequency_hz)
        for b in ("withstand", "ultimate")
    )
    assert low < high


@given(st.tuples(currents, durations, ratios), growth, bases, st.floats(10, 400))
def test_more_current_never_makes_a_neutral_large(fault, factor, basis, area):
    amps, seconds, ratio = fault
    wire = Conductor("n", "ACSR", area, 0.01, 0.003, 0.6, 200, "test")
    more = neutral_carries(wire, amps * factor, seconds, ratio, basis=basis, frequency_hz=60)
    less = neutral_carries(wire, amps, seconds, ratio, basis=basis, frequency_hz=60)
    assert less or not more


@given(sizes, st.floats(0.5, 40), st.floats(20, 1083), st.integers(1, 4))
def test_a_longer_or_hotter_lead_never_has_less_resistance(size, length_m, hot_c, count):
    now = lead_resistance_ohm(size, length_m, temperature_c=20, parallel=count)
    assert lead_resistance_ohm(size, length_m, temperature_c=hot_c, parallel=count) >= now
    assert lead_resistance_ohm(size, 2 * length_m, temperature_c=20, parallel=count) > now
    assert lead_resistance_ohm(size, length_m, temperature_c=20, parallel=count + 1) < now


@given(sizes, st.floats(0.5, 40), st.floats(0.05, 3), growth, st.integers(1, 4))
def test_reactance_grows_with_length_and_separation(size, length_m, apart_m, factor, count):
    def ohm(length, apart, cables):
        return loop_reactance_ohm(
            size, length, separation_m=apart, frequency_hz=60, parallel=cables
        )

    now = ohm(length_m, apart_m, count)
    assert now > 0
    assert ohm(length_m * factor, apart_m, count) >= now * (1 - 1e-9)
    assert ohm(length_m, apart_m * factor, count) >= now * (1 - 1e-9)
    assert now / 2 < ohm(length_m, apart_m, count + 1) < now


@given(st.floats(1, 20_000), st.floats(0.5, 10), st.floats(0.01, 0.04), growth)
def test_a_longer_rod_never_has_more_resistance(soil, length_m, diameter_m, factor):
    short = rod_resistance_ohm(soil, length_m, diameter_m)
    assert rod_resistance_ohm(soil, length_m * factor, diameter_m) <= short * (1 + 1e-12)
    assert rod_resistance_ohm(soil * factor, length_m, diameter_m) >= short * (1 - 1e-12)


distances = st.floats(0, 100)
rods = st.tuples(st.floats(0.5, 5), st.floats(0.01, 0.04))


@given(distances, distances, rods, st.floats(1, 50_000))
def test_the_ground_flattens_with_distance(one, other, rod, rise):
    near, far = sorted((one, other))
    size = {"length_m": rod[0], "diameter_m": rod[1], "rise_v": rise}
    dust = 1e-9 * rise
    assert step_v(far, **size) <= step_v(near, **size) + dust
    assert surface_potential_v(far, **size) <= surface_potential_v(near, **size) + dust
    assert touch_v(far, **size) >= touch_v(near, **size) - dust
    assert 0 <= step_v(near, **size) <= rise


@given(st.floats(0, 50_000), st.floats(1, 5_000), rods, distances)
def test_outside_the_radius_no_step_passes_the_limit(rise, limit, rod, further):
    size = {"length_m": rod[0], "diameter_m": rod[1]}
    radius = radius_for_step_m(rise, limit, **size)
    assert step_v(radius + further, rise_v=rise, **size) <= limit * (1 + 1e-9)


@given(st.floats(1, 50_000), st.floats(1, 5_000), growth, rods)
def test_more_rise_or_a_lower_limit_never_a_smaller_radius(rise, limit, factor, rod):
    size = {"length_m": rod[0], "diameter_m": rod[1]}
    radius = radius_for_step_m(rise, limit, **size)
    assert radius_for_step_m(rise * factor, limit, **size) >= radius * (1 - 1e-9)
    assert radius_for_step_m(rise, limit / factor, **size) >= radius * (1 - 1e-9)


# every rule reaches from 0.05 s to 3 s; beyond its own table a rule refuses
@given(st.sampled_from(rule_names()), st.floats(0.05, 3), st.floats(0.05, 3))
def test_a_longer_fault_never_allows_a_higher_voltage(rule, one_s, other_s):
    short, long = sorted((one_s, other_s))
    allowed = [limit_v(rule, duration_s=t, body_ohm=1000).volts for t in (short, long)]
    assert allowed[1] <= allowed[0]
