"""The electrode of a location: soil of a polygon, of the job, of two layers, and as measured."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import pytest

from gridground.ground import RodPlace
from gridground.grounding.earth import rod_resistance_ohm
from gridground.grounding.electrodes import electrode_of, measured_elsewhere
from gridground.grounding.soil_layers import SoilLayers, two_layer_rod_resistance_ohm
from gridground.job import RodSpec
from tests.rod_sites import AT, job, neighbourhood, square

LENGTH_M, DIAMETER_M = 1.83, 0.0159
LAYERS = {"upper_ohm_m": 300.0, "lower_ohm_m": 50.0, "upper_depth_m": 1.0}


def spot(electrode="rod", pole_id="P0", ground_ohm=None, neutral=None, edges=()):
    rod = RodPlace(pole_id, *AT, 0.0, 4.6, 4.6, (), (), ()) if electrode == "rod" else None
    top = SimpleNamespace(pole_id=pole_id, ground_ohm=ground_ohm, neutral=neutral)
    return SimpleNamespace(rod=rod, top=top, electrode=electrode, edges=edges)


def electrode(where, soil=(), **rod):
    spec = RodSpec(
        **{"length_m": LENGTH_M, "diameter_m": DIAMETER_M, "resistivity_ohm_m": 200.0} | rod
    )
    asked = dataclasses.replace(job(), rod=spec)
    return electrode_of(asked, neighbourhood(soil=soil), where)


def dwight_ohm(soil):
    return float(rod_resistance_ohm(soil, LENGTH_M, DIAMETER_M))


def test_the_jobs_soil():
    found = electrode(spot())
    assert found.resistance_ohm == found.network_ohm == dwight_ohm(200.0)
    assert (found.resistivity_ohm_m, found.layers, found.items) == (200.0, None, ())


def test_two_layers_take_the_place_of_one():
    found = electrode(spot(), **LAYERS)
    expected = two_layer_rod_resistance_ohm(300.0, 50.0, 1.0, LENGTH_M, DIAMETER_M)
    assert found.resistance_ohm == found.network_ohm == expected
    assert found.layers == SoilLayers(300.0, 50.0, 1.0)
    assert found.resistivity_ohm_m == 50.0  # under the feet the smaller: the stricter limit
    assert found.soil.startswith(
        "the job's two layers: 3 ft 4 in (1.00 m) of 300 ohm·m on 50 ohm·m"
    )
    alone = electrode(spot(), **LAYERS, resistivity_ohm_m=None)
    assert (alone.resistance_ohm, alone.items) == (expected, ())


def test_a_polygon_at_the_rod_stands_before_the_job():
    soil = [("clay", square(0, 0, 5), 40.0)]
    for rod in ({}, LAYERS):
        found = electrode(spot(), soil, **rod)
        assert found.resistance_ohm == dwight_ohm(40.0)
        assert (found.resistivity_ohm_m, found.layers, found.soil) == (
            40.0,
            None,
            "soil clay: survey",
        )


def test_a_measured_rod_stands_before_the_formula():
    found = electrode(spot(), measured_ohm={"P0": 38.0})
    assert found.resistance_ohm == found.network_ohm == 38.0
    assert (
        found.soil
        == "measured: 38 ohm (the job's rod.measured_ohm); the job's rod.resistivity_ohm_m"
    )
    assert (found.resistivity_ohm_m, found.items) == (200.0, ())
    elsewhere = electrode(spot(), measured_ohm={"P1": 38.0})
    assert elsewhere.resistance_ohm == dwight_ohm(200.0)
    layered = electrode(spot(), **LAYERS, measured_ohm={"P0": 38.0})
    assert layered.layers == SoilLayers(300.0, 50.0, 1.0)  # shares of the profile do not change
    assert layered.resistance_ohm == 38.0


def test_a_measured_rod_tells_the_soil_that_nobody_states():
    unknown = electrode(spot(), resistivity_ohm_m=None)
    assert [item.code for item in unknown.items] == ["soil_unknown"]
    assert unknown.resistivity_ohm_m == 100.0
    found = electrode(spot(), resistivity_ohm_m=None, measured_ohm={"P0": 20.0})
    assert found.items == ()
    # independent: Dwight's formula turned round by hand
    shape = math.log(8 * LENGTH_M / DIAMETER_M) - 1
    assert found.resistivity_ohm_m == pytest.approx(20.0 * 2 * math.pi * LENGTH_M / shape)
    bad_contact = electrode(spot(), resistivity_ohm_m=None, measured_ohm={"P0": 900.0})
    assert bad_contact.resistivity_ohm_m == 100.0


@pytest.mark.parametrize("ohm", [0.49, 10_001.0])
def test_a_measured_resistance_that_hardly_is(ohm):
    found = electrode(spot(), measured_ohm={"P0": ohm})
    (item,) = found.items
    assert (item.code, item.where) == ("rod_measured_unusual", ("P0",))
    assert "0.5 to 10,000 ohm" in item.what
    for usual in (0.5, 10_000.0):
        assert electrode(spot(), measured_ohm={"P0": usual}).items == ()


def test_pole_grounds_and_footings_are_as_they_were():
    own = electrode(spot("pole ground", ground_ohm=25.0), measured_ohm={"P0": 38.0})
    assert (own.resistance_ohm, own.network_ohm) == (25.0, None)
    used = electrode(
        spot("pole ground", ground_ohm=25.0, edges=(SimpleNamespace(start="pole ground"),))
    )
    assert used.network_ohm == 25.0
    on_neutral = spot("pole ground", ground_ohm=25.0, neutral="N", edges=used_edges())
    assert electrode(on_neutral).network_ohm is None
    steel = electrode(spot("pole", ground_ohm=12.0))
    assert (steel.resistance_ohm, steel.network_ohm, steel.items) == (12.0, 12.0, ())
    unknown = electrode(spot("pole"), **LAYERS)
    assert [item.code for item in unknown.items] == ["footing_unknown"]
    assert unknown.resistance_ohm == two_layer_rod_resistance_ohm(300.0, 50.0, 1.0, 1.8, 0.18)
    none = electrode(spot(None), resistivity_ohm_m=None)
    assert (none.resistance_ohm, none.network_ohm, none.items) == (None, None, ())


def used_edges():
    return (SimpleNamespace(start="pole ground"),)


def test_figures_measured_where_no_rod_is_driven_are_told():
    rod = RodSpec(LENGTH_M, DIAMETER_M, 100.0, measured_ohm={"P9": 10.0, "P0": 38.0, "P1": 5.0})
    asked = dataclasses.replace(job(), rod=rod)
    spots = [spot(), spot("pole", "P1")]
    assert measured_elsewhere(asked, spots) == ("P9", "P1")
