"""One phase to earth through an electrode alone: current by another route, devices, words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from feeder import circuit, pole, span, territory

from gridground.electrical.faults import faults_at
from gridground.electrical.lines import span_impedance_ohm, span_primitive_ohm_per_km
from gridground.electrical.rod_fault import (
    RodFault,
    rod_fault,
    rod_fault_item,
    rod_fault_text,
    rod_faults,
)
from gridground.electrical.source import source_of
from gridground.errors import NoPlanError
from gridground.territory.network import Network

SOURCE = {"kind": "relay", "curve": "IEEE VI", "pickup_a": 600.0, "time_dial": 2.0,
          "breaker_s": 0.083, "ground_pickup_a": 120.0}  # fmt: skip
SENSITIVE = SOURCE | {"ground_pickup_a": 20.0, "curve": "IEC SI", "time_dial": 0.4}


def build(n=3, devices=(), span_given=None, **given):
    spans = [
        span(f"S{k}", f"P{k - 1}", f"P{k}", length_m=500.0, **(span_given or {}))
        for k in range(1, n + 1)
    ]
    row = {"protection": SOURCE, "backup_clearing_s": 0.5} | given
    t = territory([pole(f"P{k}") for k in range(n + 1)], spans, [circuit(**row)], devices)
    return t, Network.build(t)


def through(t, network, ohm, pole_id="P3"):
    return rod_fault(t, network, circuit_id="F1", pole_id=pole_id, electrode_ohm=ohm)


def test_current_by_another_route():
    # independent: voltages of a loop written out, phase and earth only, one phase at a time
    t, network = build(source_ground_ohm=0.5)
    labels, primitive = span_primitive_ohm_per_km(t, 0, resistivity_ohm_m=100.0)
    source = source_of(t, 0)
    expected = []
    for k in range(3):
        assert labels[k] == "ABC"[k]
        own = source.abc_ohm()[k, k] + 1.5 * primitive[k, k]
        expected.append(source.prefault_v / abs(own + 50.0 + 0.5))
    found = through(t, network, 50.0)
    assert found.largest_a == pytest.approx(max(expected))
    assert found.smallest_a == pytest.approx(min(expected))
    assert 130 < found.smallest_a < 150  # 7.2 kV over some 52 ohm


def test_source_and_rod_alone_by_hand():
    t, network = build()
    found = through(t, network, 40.0, "P0")
    own = (
        source_of(t, 0).prefault_v
        / 7000.0
        * complex(math.cos(math.atan(6)), math.sin(math.atan(6)))
    )
    assert found.largest_a == pytest.approx(source_of(t, 0).prefault_v / abs(own + 40.0))


def test_without_neutral_is_less_than_with_it_and_than_bolted():
    t, network = build()
    bolted = faults_at(t, network, circuit_id="F1", pole_ids=["P3"], clearing="backup")["P3"]
    nothing = through(t, network, 1e-6)
    assert nothing.largest_a < bolted.phase_ground_a
    bare = build(span_given={"neutral_conductor": None})
    assert through(t, network, 25.0).largest_a == pytest.approx(through(*bare, 25.0).largest_a)


def test_stated_sequence_figures_give_way_to_the_geometry():
    stated = {
        "r1_ohm_per_km": 0.2,
        "x1_ohm_per_km": 0.4,
        "r0_ohm_per_km": 0.5,
        "x0_ohm_per_km": 1.3,
    }
    t, network = build(span_given=stated)
    plain = build()
    bare, drawn = (span_impedance_ohm(*one, neutral=False) for one in ((t, network), plain))
    assert bare == pytest.approx(drawn)
    assert through(t, network, 25.0).largest_a == pytest.approx(through(*plain, 25.0).largest_a)
    unknown = build(span_given=stated | {"construction": None})
    kept = span_impedance_ohm(*unknown, neutral=False)
    assert kept == pytest.approx(span_impedance_ohm(t, network))


def test_what_operates_and_when():
    t, network = build(protection=SENSITIVE)
    found = through(t, network, 50.0)
    multiple = found.smallest_a / 20.0
    assert found.device == "F1"
    assert found.time_s == pytest.approx(0.4 * 0.14 / (multiple**0.02 - 1) + 0.083)
    assert found.never == ()
    slow = build(protection=SOURCE | {"ground_pickup_a": 200.0})
    nothing = through(*slow, 50.0)
    assert (nothing.device, nothing.time_s, nothing.never) == (None, None, ("A", "B", "C"))


def test_a_device_in_series_may_see_it_where_the_source_does_not():
    recloser = {"device_id": "R1", "pole_id": "P1", "span_id": "S2", "kind": "recloser",
                "state": "closed", "phases": "ABC", "protection": SENSITIVE}  # fmt: skip
    t, network = build(devices=(recloser,), protection=SOURCE | {"ground_pickup_a": 200.0})
    assert through(t, network, 50.0).device == "R1"
    assert through(t, network, 50.0, "P1").device is None
    only_a = recloser | {"phases": "A"}
    found = through(*build(devices=(only_a,), protection=None, clearing_s=0.3), 50.0)
    assert (found.time_s, found.never) == (None, ("B", "C"))


def test_a_fixed_time_does_not_say_that_anything_operates():
    found = through(*build(protection=None, clearing_s=0.25), 50.0)
    assert found.smallest_a > 100
    assert found.time_s is None


def test_an_ungrounded_source_drives_nothing():
    found = through(*build(fault_1ph_a=None, x_over_r_1ph=None), 50.0)
    assert (found.largest_a, found.smallest_a, found.time_s) == (None, None, None)
    assert "draws no fault current" in rod_fault_text("P3", found)


def test_a_one_phase_lateral_has_one_current():
    t, network = build(span_given={"phases": "B", "construction": "IEEE 510"})
    found = through(t, network, 50.0)
    assert found.largest_a == found.smallest_a
    assert found.never in ((), ("B",))


def test_several_poles_at_once_are_the_same():
    t, network = build()
    ohm = {"P1": 30.0, "P2": 50.0, "P3": 80.0}
    many = rod_faults(t, network, circuit_id="F1", electrode_ohm=ohm)
    assert many == {name: through(t, network, value, name) for name, value in ohm.items()}


def test_two_tied_sources_say_nothing_of_a_device():
    spans = [span("S1", "P0", "P1"), span("S2", "P2", "P1", circuit_id="F2")]
    tie = {"device_id": "D1", "pole_id": "P1", "span_id": "S2", "kind": "switch",
           "state": "closed", "phases": "ABC"}  # fmt: skip
    times = {"protection": SENSITIVE, "backup_clearing_s": 0.5}
    t = territory([pole(f"P{k}") for k in range(3)], spans,
                  [circuit(**times), circuit("F2", "P2", **times)], [tie])  # fmt: skip
    found = through(t, Network.build(t), 50.0, "P1")
    assert found.smallest_a > 100
    assert found.device is None


@pytest.mark.parametrize("ohm", [0.0, -5.0, math.nan, math.inf])
def test_a_resistance_that_cannot_be(ohm):
    with pytest.raises(ValueError, match="above zero"):
        through(*build(), ohm)


def test_what_is_unknown_is_refused():
    for at, code in (("P9", "not_in_network"), ("P3", "no_fault_current")):
        row = circuit(protection=SOURCE)
        del row["fault_1ph_a"]
        t = territory([pole("P0"), pole("P3")], [span("S1", "P0", "P3")], [row])
        with pytest.raises(NoPlanError) as error:
            through(t, Network.build(t), 50.0, at)
        assert error.value.reasons[0].code == code
    t, network = build(span_given={"construction": None})
    with pytest.raises(NoPlanError, match="unknown"):
        through(t, network, 50.0)


def test_words():
    never = RodFault(145.0, 141.9, None, None, ("A",))
    assert rod_fault_text("P20", never) == (
        "One phase to earth through the electrode at P20 alone draws 141 A: no device whose "
        "settings are stated operates."
    )
    late = RodFault(145.0, 141.2, "R1", 12.04, ())
    assert rod_fault_text("P20", late).endswith("draws 141 A: R1 operates after 12 s.")
    assert rod_fault_item("P20", late) is None
    assert rod_fault_item("P20", never).where == ("P20",)


def test_the_slower_of_two_is_one_of_them():
    fast = RodFault(145.0, 141.0, "R1", 2.0, ())
    slow = RodFault(120.0, 110.0, "F1", 9.0, ())
    never = RodFault(100.0, 90.0, None, None, ("A",))
    assert fast.slower(slow) == slow
    assert slow.slower(never) == never
    assert np.isfinite(never.slower(slow).largest_a)
