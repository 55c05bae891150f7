"""Leads, rods and tolerable voltages against figures found or computed outside this program.

Each row of the table says what its expected value is (`status`) and where it comes from; `below`
and `above` are how far the program may stray to either side, by the printed digits or the note.
"""

import math
from pathlib import Path

import numpy as np
import pytest

from gridground.electrical import approach, body, standing, tolerable
from gridground.electrical.asymmetry import decrement_ratio
from gridground.grounding import earth, soil_layers
from gridground.grounding.grades import grade_of
from gridground.grounding.heating import (
    START_C,
    adiabatic_a,
    copper_end_c,
    copper_hot_ratio,
    materials,
    ultimate_a,
)
from gridground.grounding.lead_impedance import (
    cable_resistance_ohm,
    f2249_limit_ohm,
    loop_reactance_ohm,
)
from gridground.grounding.peak import first_peak_a, peak_limit_a
from gridground.grounding.rating import lead_rating_a, parallel_ratio
from gridground.units import M_PER_FT, M_PER_IN, MM2_PER_KCMIL, area_mm2
from tests.published.agreement import check, names_of, rows_of

STATUS = {
    "published",
    "rule published, product computed",
    "computed elsewhere",
    "other route",
    "from memory",
}
ROWS = rows_of(Path(__file__).parent / "leads_and_earth.csv")
COPPER = materials()["copper, annealed"]


def rod(length_ft, diameter_in):
    return {"length_m": length_ft * M_PER_FT, "diameter_m": diameter_in * M_PER_IN}


def rod_resistance_ohm(resistivity_ohm_m, length_ft, diameter_in):
    return earth.rod_resistance_ohm(float(resistivity_ohm_m), **rod(length_ft, diameter_in))


def two_rods_ratio(length_ft, diameter_in, spacing_m):
    size = rod(length_ft, diameter_in)
    two = earth.two_rods_resistance_ohm(100.0, **size, spacing_m=spacing_m)
    return two / earth.rod_resistance_ohm(100.0, **size)


def rods_factor(count):
    return earth.rods_ratio(count) * count


def surface_share_percent(distance_m, length_ft, diameter_in):
    return earth.surface_potential_v(distance_m, rise_v=100.0, **rod(length_ft, diameter_in))


def step_share_percent(distance_m, length_ft, diameter_in):
    return earth.step_v(distance_m, rise_v=100.0, **rod(length_ft, diameter_in))


def radius_for_step_ft(rise_v, duration_s, surface_ohm_m, length_ft, diameter_in):
    limit = step_limit_v("50 kg", duration_s, surface_ohm_m, 1.0)
    radius = earth.radius_for_step_m(rise_v, limit, **rod(length_ft, diameter_in))
    return radius / M_PER_FT


def grade_ka(size, cycles_60hz, basis):
    return float(grade_of(size).rating_a(np.asarray(cycles_60hz / 60), basis)) / 1000


def parallel_grade_ka(size, cycles_60hz, parallel):
    return grade_ka(size, cycles_60hz, "withstand") * parallel_ratio(parallel)


def withstand_formula_ka(size, cycles_60hz):
    return 0.70 * ultimate_a(COPPER, area_mm2(size), cycles_60hz / 60) / 1000


def kf(material):
    row = materials()[material]
    amps = adiabatic_a(row, MM2_PER_KCMIL, 1.0, start_c=START_C, end_c=row.fusing_c)
    assert row.kf == pytest.approx(1000 / amps, abs=0.0105)
    return row.kf


def fusing_with_offset_ka(size, cycles_60hz, x_over_r):
    seconds = cycles_60hz / 60
    offset = decrement_ratio(x_over_r, seconds, frequency_hz=60)
    return ultimate_a(COPPER, area_mm2(size), seconds) / offset / 1000


def onderdonk_melts_ka(size, duration_s):
    """Search for the current at which the temperature law reaches melting."""
    low, high = 0.0, 1e6
    for _ in range(100):
        middle = (low + high) / 2
        try:
            copper_end_c(middle, 0.98 * area_mm2(size), duration_s)
            low = middle
        except Exception as error:
            assert type(error).__name__ == "TableError"  # noqa: PT017  the search needs the answer
            high = middle
    return low / 1000


def end_temperature_c(share):
    ultimate = onderdonk_melts_ka("2/0", 0.5) * 1000
    return copper_end_c(share * ultimate, 0.98 * area_mm2("2/0"), 0.5)


def hot_ratio(temperature_c):
    return copper_hot_ratio(float(temperature_c))


def fusing_a(size, duration_s):
    return ultimate_a(COPPER, area_mm2(size), float(duration_s))


def metric_withstand_ka(size, duration_s):
    rating = lead_rating_a(size, duration_s, 0, basis="withstand", parallel=1, frequency_hz=50)
    return rating / 1000


def adiabatic_a_per_mm2(material, start_c, end_c):
    return adiabatic_a(materials()[material], 1.0, 1.0, start_c=start_c, end_c=end_c)


def adiabatic_constant(material):
    """K of the law I = A K sqrt(ln((Tf + b)/(Ti + b))/t): taken out at 20 and 300 degrees."""
    row = materials()[material]
    heat = math.log((row.k0_c + 300.0) / (row.k0_c + 20.0))
    return adiabatic_a_per_mm2(material, 20.0, 300.0) / math.sqrt(heat)


def first_peak_of_one_ampere(x_over_r):
    return first_peak_a(1.0, x_over_r)


def peak_limit_ka(size, frequency_hz):
    return peak_limit_a(size, parallel=1, frequency_hz=frequency_hz) / 1000


def limit_v(rule, duration_s, body_ohm):
    return tolerable.limit_v(rule, duration_s=duration_s, body_ohm=body_ohm).volts


def step_limit_v(weight, duration_s, surface_ohm_m, layer_ratio):
    return tolerable.step_limit_v(
        float(duration_s),
        weight=weight,
        body_ohm=1000,
        surface_ohm_m=surface_ohm_m,
        layer_ratio=layer_ratio,
    )


def touch_limit_v(weight, duration_s, surface_ohm_m, layer_ratio):
    return tolerable.touch_limit_v(
        float(duration_s),
        weight=weight,
        body_ohm=1000,
        surface_ohm_m=surface_ohm_m,
        layer_ratio=layer_ratio,
    )


def surface_ratio(soil_ohm_m, surface_ohm_m, depth_m):
    return tolerable.surface_ratio(float(soil_ohm_m), surface_ohm_m=surface_ohm_m, depth_m=depth_m)


def approach_m(nominal_kv, exposure):
    found = approach.approach_m(
        nominal_kv, phase_to_phase=exposure == "phase-phase", altitude_m=900
    )
    return 0.0 if found is None else found


def permissible_body_ma(duration_s):
    return body.permissible_body_a(duration_s) * 1000


def body_impedance_ohm(touch_v, people):
    return body.body_impedance_ohm(float(touch_v), people=people)


def weighted_touch_v(duration_s):
    """Work the European touch voltage again: mean of four paths, hand to hand weighted 0.7."""
    current_a = body.permissible_body_a(duration_s)
    weight = {"hand to hand": 0.7}
    each = [
        weight.get(path, 1.0) * body.touch_voltage_v(current_a, path=path, people="median")
        for path in body.PATHS
    ]
    return sum(each) / len(each)


def standing_limit_ma(rule):
    return standing.standing_limit_a(rule) * 1000


def standing_limit_v(rule, body_ohm):
    return standing.standing_limit_v(rule, body_ohm=body_ohm).volts


def two_layer_rod_ohm(upper_ohm_m, lower_ohm_m, upper_depth_m):
    return soil_layers.two_layer_rod_resistance_ohm(
        upper_ohm_m, lower_ohm_m, upper_depth_m, **rod(6, 0.625)
    )


def f2249_limit_mohm(size, length_ft):
    return f2249_limit_ohm(size, length_ft * M_PER_FT, reactance_ohm=0.0) * 1000


def impedance_over_resistance(size, length_ft, separation_m):
    length_m = length_ft * M_PER_FT
    resistance = cable_resistance_ohm(size, length_m)
    reactance = loop_reactance_ohm(
        size, length_m, separation_m=separation_m, frequency_hz=60, parallel=1
    )
    return math.hypot(resistance, reactance) / resistance


@pytest.mark.parametrize("row", ROWS, ids=names_of(ROWS))
def test_agrees_with_its_source(row):
    check(row, globals()[row["function"]], STATUS)


def test_there_is_a_good_number_of_published_figures():
    published = [row for row in ROWS if row["status"] == "published"]
    assert len(published) >= 100
