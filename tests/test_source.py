"""The source of a circuit: it reproduces the stated currents, and refuses what it does not know."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from feeder import circuit, pole, span, territory

from gridground.electrical.source import source_of, source_open_items
from gridground.errors import NoPlanError


def source(**given):
    row = circuit(**given)
    row = {key: value for key, value in row.items() if value != "missing"}
    return source_of(territory([pole("P0"), pole("P1")], [span("S1", "P0", "P1")], [row]), 0)


@pytest.mark.parametrize("ratio", [None, 1.0, 1.05])
def test_stated_currents_and_angles_come_back(ratio):
    s = source(prefault_voltage_ratio=ratio)
    z, e = s.abc_ohm(), s.emf_v()
    assert s.prefault_v == pytest.approx(12470 / math.sqrt(3) * (ratio or 1.0))
    three = np.linalg.solve(z, e)
    assert np.abs(three) == pytest.approx([8000.0] * 3)
    assert math.tan(cmath.phase(e[0] / three[0])) == pytest.approx(8.0)
    one = e[0] / z[0, 0]
    assert abs(one) == pytest.approx(7000.0)
    assert math.tan(cmath.phase(e[0] / one)) == pytest.approx(6.0)
    assert s.grounded
    assert not s.single_phase


def test_voltages_turn_from_a_to_b_to_c():
    angles = np.angle(source().emf_v(), deg=True)
    assert angles == pytest.approx([0.0, -120.0, 120.0])


def test_ungrounded_source_lets_no_current_to_ground():
    s = source(fault_1ph_a=None, x_over_r_1ph=None)
    assert s.z0_ohm is None
    assert not s.grounded
    current = np.linalg.solve(s.abc_ohm(), s.emf_v())
    assert np.abs(current) == pytest.approx([8000.0] * 3)
    assert abs(s.emf_v()[0] / s.abc_ohm()[0, 0]) < 0.05


def test_single_phase_source_has_its_voltage_to_ground():
    s = source(nominal_kv=7.2, fault_3ph_a=None, x_over_r_3ph=None)
    assert s.single_phase
    assert abs(s.emf_v()[1] / s.abc_ohm()[1, 1]) == pytest.approx(7000.0)
    assert s.prefault_v == pytest.approx(7200.0)


@pytest.mark.parametrize(
    "key",
    ["fault_3ph_a", "x_over_r_3ph", "fault_1ph_a", "x_over_r_1ph", "nominal_kv", "frequency_hz"],
)
def test_a_missing_figure_is_unknown(key):
    with pytest.raises(NoPlanError, match=key) as error:
        source(**{key: "missing"})
    assert error.value.reasons[0].code == "no_fault_current"
    assert error.value.reasons[0].where == ("F1",)


@pytest.mark.parametrize("value", [0.0, -8000.0])
def test_a_current_that_cannot_be_is_refused(value):
    with pytest.raises(NoPlanError, match="fault_3ph_a"):
        source(fault_3ph_a=value)


def test_both_null_is_unknown():
    with pytest.raises(NoPlanError, match="fault_3ph_a or fault_1ph_a"):
        source(fault_3ph_a=None, fault_1ph_a=None)


def test_contradicting_figures_are_an_open_item():
    assert source_open_items(source()) == []
    assert source_open_items(source(fault_1ph_a=None)) == []
    items = source_open_items(source(x_over_r_3ph=5.0, x_over_r_1ph=40.0))
    assert [item.code for item in items] == ["source_figures_contradict"]
    assert items[0].where == ("F1",)
