import math

import numpy as np
import pytest
from scipy.integrate import dblquad

from gridground.errors import TableError
from gridground.grounding.lead_impedance import (
    cable_resistance_ohm,
    f2249_limit_ohm,
    lead_diameter_m,
    lead_resistance_ohm,
    loop_reactance_ohm,
)
from gridground.tables import read_table
from gridground.units import LEAD_KCMIL, M_PER_FT, MM2_PER_KCMIL, area_mm2


def reactance(size="2/0", length_m=3.0, separation_m=1.0, frequency_hz=60, parallel=1):
    return loop_reactance_ohm(
        size,
        length_m,
        separation_m=separation_m,
        frequency_hz=frequency_hz,
        parallel=parallel,
    )


def test_the_table_of_leads_agrees_with_itself():
    rows = read_table("leads")
    assert {row["size"]: float(row["kcmil"]) for row in rows} == LEAD_KCMIL
    for row in rows:
        kcmil, area = float(row["kcmil"]), area_mm2(row["size"])
        assert float(row["area_mm2"]) == pytest.approx(kcmil * MM2_PER_KCMIL, abs=0.0051)
        solid_mm = math.sqrt(4 * area / math.pi)
        assert float(row["diameter_mm"]) == pytest.approx(1.28 * solid_mm, abs=0.0051)
        assert float(row["resistance_mohm_per_ft"]) == pytest.approx(10.371 / kcmil, abs=5.1e-5)
        assert lead_diameter_m(row["size"]) == float(row["diameter_mm"]) / 1000


def test_metric_sizes_follow_the_same_rule():
    assert lead_diameter_m("70 mm2") == pytest.approx(1.28e-3 * math.sqrt(4 * 70 / math.pi))
    assert cable_resistance_ohm("70 mm2", 10) == pytest.approx(1.7241e-8 * 10 / 70e-6)
    # the same copper under two names: 67.44 mm2 is 2/0
    assert cable_resistance_ohm("67.44 mm2", 10) == pytest.approx(
        cable_resistance_ohm("2/0", 10), rel=1e-3
    )
    assert lead_diameter_m("67.44 mm2") == pytest.approx(lead_diameter_m("2/0"), rel=1e-3)


def test_resistance_by_hand():
    # independent: 1.05 x 0.0779 mohm/ft x 20 ft x 591/254 + 0.32 mohm, halved for two
    cold = 1.05 * 0.0779 * 20 + 0.32
    hot = 1.05 * 0.0779 * 20 * (234 + 357) / 254 + 0.32
    length_m = 20 * M_PER_FT
    found = lead_resistance_ohm("2/0", length_m, temperature_c=20, parallel=1)
    assert found * 1000 == pytest.approx(cold, rel=1e-9)
    found = lead_resistance_ohm("2/0", length_m, temperature_c=357, parallel=1)
    assert found * 1000 == pytest.approx(hot, rel=1e-9)
    found = lead_resistance_ohm("2/0", length_m, temperature_c=357, parallel=2)
    assert found * 1000 == pytest.approx(hot / 2, rel=1e-9)


def test_the_limit_in_a_test():
    plain = f2249_limit_ohm("2/0", 3.048, reactance_ohm=0.0)
    assert plain == lead_resistance_ohm("2/0", 3.048, temperature_c=20, parallel=1)
    assert f2249_limit_ohm("2/0", 3.048, reactance_ohm=2e-3) == pytest.approx(
        math.sqrt(plain**2 + 4e-6)
    )


def neumann_h(length_m, distance_m):
    """Neumann's double integral over two parallel wires, by quadrature."""
    value, _ = dblquad(
        lambda a, b: 1 / math.hypot(a - b, distance_m), 0, length_m, 0, length_m, epsabs=1e-7
    )
    return 1e-7 * value


@pytest.mark.parametrize(("length_m", "separation_m"), [(1.5, 0.3), (3.0, 1.0), (9.0, 0.6)])
def test_reactance_by_quadrature(length_m, separation_m):
    # independent: Neumann's integral in numbers; a wire's own by the filament at its GMR
    gmr_m = math.exp(-0.25) * lead_diameter_m("2/0") / 2
    own = 2e-7 * (length_m * math.asinh(length_m / gmr_m) - math.hypot(length_m, gmr_m) + gmr_m)
    expected = 2 * math.pi * 60 * (own - neumann_h(length_m, separation_m))
    assert reactance(length_m=length_m, separation_m=separation_m) == pytest.approx(
        expected, rel=2e-3
    )


def test_reactance_of_a_long_lead():
    # independent: 0.0754 mohm/m ln(D/GMR) at 60 Hz, for l far over D
    gmr_m = math.exp(-0.25) * lead_diameter_m("4/0") / 2
    expected = 2 * math.pi * 60 * 2e-7 * 1000 * math.log(1.0 / gmr_m)
    assert reactance("4/0", 1000.0) == pytest.approx(expected, rel=2e-3)


def test_reactance_goes_with_frequency():
    assert reactance(frequency_hz=50) == pytest.approx(reactance(frequency_hz=60) * 5 / 6)


def test_parallel_cables_share_a_field():
    one, two, three = (reactance(parallel=n) for n in (1, 2, 3))
    assert one / 2 < two < one
    assert one / 3 < three < two
    # independent: long bundle of two has the GMR sqrt(GMR d)
    diameter_m = lead_diameter_m("2/0")
    bundle_m = math.sqrt(math.exp(-0.25) * diameter_m / 2 * diameter_m)
    expected = 2 * math.pi * 60 * 2e-7 * 1000 * math.log(1.0 / bundle_m)
    assert reactance(length_m=1000.0, parallel=2) == pytest.approx(expected, rel=2e-3)


def test_nearer_to_the_body_less_reactance():
    steps = [reactance(separation_m=d) for d in (0.05, 0.3, 1.0, 3.0)]
    assert steps == sorted(steps)
    assert reactance(separation_m=lead_diameter_m("2/0")) > 0


@pytest.mark.parametrize("length_m", [0, -1.0, math.nan])
def test_lengths_that_cannot_be(length_m):
    with pytest.raises(ValueError, match="above zero"):
        cable_resistance_ohm("2/0", length_m)
    with pytest.raises(ValueError, match="above zero"):
        reactance(length_m=length_m)


@pytest.mark.parametrize("parallel", [0, -1, 1.5, True])
def test_rows_of_no_cable(parallel):
    with pytest.raises(ValueError, match="one cable or more"):
        lead_resistance_ohm("2/0", 3.0, temperature_c=20, parallel=parallel)
    with pytest.raises(ValueError, match="one cable or more"):
        reactance(parallel=parallel)


def test_counts_out_of_arrays_are_counts():
    assert reactance(parallel=np.int64(2)) == reactance(parallel=2)


def test_other_inputs_that_cannot_be():
    with pytest.raises(ValueError, match=r"separation 0\.011 m is below the diameter"):
        reactance(separation_m=0.011)
    with pytest.raises(ValueError, match="separation nan"):
        reactance(separation_m=math.nan)
    with pytest.raises(ValueError, match="frequency 0"):
        reactance(frequency_hz=0)
    with pytest.raises(TableError, match="temperature of the lead"):
        lead_resistance_ohm("2/0", 3.0, temperature_c=1100, parallel=1)
    for call in (lead_diameter_m, lambda size: cable_resistance_ohm(size, 1.0)):
        with pytest.raises(ValueError, match="not a lead size"):
            call("8")


def test_reactance_by_hand():
    # independent: GMR 0.7788 of the radius 5.93 mm; 3 m long, 1 m apart
    own = 0.6e-6 * (math.log(6 / (0.7788 * 5.93e-3)) - 1)
    mutual = 0.6e-6 * (math.asinh(3) - math.sqrt(1 + 1 / 9) + 1 / 3)
    assert reactance() == pytest.approx(2 * math.pi * 60 * (own - mutual), rel=1e-4)
