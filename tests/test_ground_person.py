"""The person on the ground near a rod."""

import math

import pytest

from gridground.electrical.tolerable import surface_ratio
from gridground.errors import TableError
from gridground.grounding.earth import radius_for_step_m, step_v, touch_v
from gridground.grounding.ground_person import (
    Electric,
    GroundLimits,
    ground_limits,
    ground_person,
)
from gridground.grounding.soil_layers import SoilLayers, two_layer_surface_ratio
from gridground.job import RodSpec

ROD = {"length_m": 1.8288, "diameter_m": 0.015875}
BARE = RodSpec(1.8288, 0.015875, 100.0)
LIMITS = GroundLimits(200.0, 150.0, "test")


def spread(surface_ohm_m, depth_m):
    return RodSpec(1.83, 0.016, 100.0, surface_ohm_m=surface_ohm_m, surface_depth_m=depth_m)


def limits(duration_s=0.5, body_ohm=1000, soil_ohm_m=100.0, rod=BARE):
    return ground_limits(duration_s, body_ohm=body_ohm, soil_ohm_m=soil_ohm_m, rod=rod)


def test_bare_soil_by_hand():
    # independent: (1000 + 6 x 100) 0.116/sqrt(0.5), (1000 + 1.5 x 100) 0.116/sqrt(0.5)
    assert limits().step_v == pytest.approx(1600 * 0.116 / math.sqrt(0.5))
    assert limits().touch_v == pytest.approx(1150 * 0.116 / math.sqrt(0.5))
    assert "bare soil of 100 ohm·m" in limits().source
    assert "judgement" not in limits().source


def test_a_spread_layer_counts_with_its_factor():
    # independent: Cs by hand, 1 - 0.09 (1 - 100/3000)/(0.2 + 0.09)
    ratio = 1 - 0.09 * (1 - 100 / 3000) / 0.29
    found = limits(rod=spread(3000.0, 0.1))
    assert found.step_v == pytest.approx((1000 + 6 * ratio * 3000) * 0.116 / math.sqrt(0.5))
    assert found.touch_v == pytest.approx((1000 + 1.5 * ratio * 3000) * 0.116 / math.sqrt(0.5))
    assert "Cs 0.70" in found.source
    assert found.step_v > limits().step_v


def test_a_layer_never_counts_more_than_the_better_of_the_two():
    for soil in (10.0, 100.0, 4000.0):
        for surface in (20.0, 100.0, 3000.0):
            for depth in (0.03, 0.1, 0.3):
                found = limits(soil_ohm_m=soil, rod=spread(surface, depth))
                most = (1000 + 6 * max(soil, surface)) * 0.116 / math.sqrt(0.5)
                assert found.step_v <= most * (1 + 1e-9)
    # mud of 20 ohm·m on rock of 4000: the formula's factor alone would make it 20 times as much
    assert surface_ratio(4000.0, surface_ohm_m=20.0, depth_m=0.03) * 20 > 2000


def test_short_and_long_times_are_told():
    assert limits(0.01).step_v == limits(0.03).step_v
    assert "0.02 s counts as 0.03 s" in limits(0.02).source
    assert "our judgement" in limits(5.0).source
    for duration_s in (0.009, 10.1, math.nan):
        with pytest.raises(TableError):
            limits(duration_s)


def test_the_step_decides_the_radius_and_touch_is_told():
    found = ground_person(
        7200.0, limits=LIMITS, electrode=Electric(**ROD, layers=None), zone_radius_m=1.0
    )
    assert found.radius_needed_m == found.radius_m == radius_for_step_m(7200.0, 200.0, **ROD)
    assert found.step_v == pytest.approx(200.0)
    assert found.step_passed
    assert not found.touch_passed
    assert found.touch_reach_v == touch_v(1.0, rise_v=7200.0, **ROD)
    assert found.touch_zone_v == touch_v(found.radius_m, rise_v=7200.0, **ROD)
    assert found.touch_v == found.touch_zone_v
    assert found.message.startswith(f"a hand on the lead sees up to {math.ceil(found.touch_v):,} V")
    assert "nobody touches lead or rod while the line may be energized" in found.message
    assert "still" not in found.message


def test_the_employers_radius_counts_where_it_is_larger():
    found = ground_person(
        1000.0, limits=LIMITS, electrode=Electric(**ROD, layers=None), zone_radius_m=3.0
    )
    assert found.radius_m == 3.0 > found.radius_needed_m
    assert found.step_v == step_v(3.0, rise_v=1000.0, **ROD) < 200.0


def test_a_small_rise_passes_and_the_ring_stays():
    found = ground_person(
        50.0, limits=LIMITS, electrode=Electric(**ROD, layers=None), zone_radius_m=3.0
    )
    assert found.touch_passed
    assert "still nobody inside the ring" in found.message


@pytest.mark.parametrize("soil", [(100.0, 1000.0, 1.0), (1000.0, 100.0, 1.0), (50.0, 50.0, 1.0)])
def test_of_two_profiles_the_stricter_counts(soil):
    layers = SoilLayers(*soil)
    plain = ground_person(
        7200.0, limits=LIMITS, electrode=Electric(**ROD, layers=None), zone_radius_m=1.0
    )
    found = ground_person(
        7200.0, limits=LIMITS, electrode=Electric(**ROD, layers=layers), zone_radius_m=1.0
    )
    assert found.radius_m >= plain.radius_m
    assert found.step_v <= 200.0 * (1 + 1e-6)
    near, edge = (
        7200.0 * (1 - two_layer_surface_ratio(at, layers, **ROD)) for at in (1.0, found.radius_m)
    )
    assert found.touch_reach_v == pytest.approx(max(near, plain.touch_reach_v))
    assert found.touch_zone_v >= edge - 1e-9
    if soil[1] > soil[0]:  # rock below spreads the potential: the layered radius is the larger
        assert found.radius_m > plain.radius_m * 1.05
