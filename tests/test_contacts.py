"""Contacts of the worker and of people on the ground, states of leads, breaks of the neutral."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gridground.electrical.breaks import neutral_breaks
from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting, study
from gridground.territory.network import Network
from tests.feeder import circuit, pole, span, straight, territory

SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
FULL = (("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C"))
HOT, COLD, WORN, REACTANCE = 0.003, 0.001, 0.002, 0.0012


def place(name, pairs, *, row=0, ohm=None, worksite=False, states=False, **given):
    """Return a place; with `states` every lead has three resistances."""
    others = {"cold_ohm": COLD, "in_service_ohm": WORN} if states else {}
    branches = tuple(
        Branch(*ends, HOT, REACTANCE, row + k, **others) for k, ends in enumerate(pairs)
    )
    fields = {"pole_id": name, "span_id": None} | given
    return Place(
        **fields, circuit_ids=("F1",), electrode_ohm=ohm, branches=branches, worksite=worksite
    )


def solve(data, *places, splits=None):
    """Study the circuit's own source."""
    origin = Origin("F1", "F1", Network.build(data))
    return study(data, Layout(places, splits or {}), origins=[origin], setting=SETTING)


def single_phase():
    """Return a source of 600 A on one phase without neutral."""
    return territory(
        [pole("P0"), pole("P1", at_m=50)],
        [span("S1", "P0", "P1", phases="B", neutral_conductor=None, construction="IEEE 510")],
        [circuit(nominal_kv=7.2, fault_3ph_a=None, x_over_r_3ph=None, fault_1ph_a=600.0)],
    )


def current_a(lead_ohm):
    """Return the current through source, two leads and a rod of 40 ohm, by hand [A]."""
    z = 7200.0 / 600.0 * np.exp(1j * math.atan(6.0)) + 40.0 + 2 * complex(lead_ohm, REACTANCE)
    return 7200.0 / abs(z)


# --- states of leads ----------------------------------------------------------------------------


def test_one_lead_two_nodes_by_hand_in_every_state():
    """By hand: V = I |R + jX| of the one lead the worker stands across."""
    pairs = (("rod", "bar"), ("bar", "B"))
    answer = solve(single_phase(), place("P0", pairs, ohm=40.0, worksite=True, states=True))
    expected = {
        state: current_a(ohm) * abs(complex(ohm, REACTANCE))
        for state, ohm in (("cold", COLD), ("in service", WORN), ("hot", HOT))
    }
    assert answer.by_state == pytest.approx(expected, rel=1e-5)
    assert (answer.worst.contact, answer.worst.lead_state) == ("B-bar@P0", "hot")
    assert answer.worst.voltage_v == pytest.approx(expected["hot"], rel=1e-5)
    # cold leads let the most through
    assert answer.lead_current_a == pytest.approx([current_a(COLD)] * 2, rel=1e-8)


def test_a_contact_can_be_worst_with_cold_leads():
    """By hand: the rod rises most when the leads before it are least."""
    pairs = (("rod", "bar"), ("bar", "B"))
    answer = solve(single_phase(), place("P0", pairs, ohm=40.0, worksite=True, states=True))
    [case] = [c for c in answer.cases if c.contact == "rod-ground@P0"]
    assert case.lead_state == "cold"
    source = 7200.0 / 600.0 * np.exp(1j * math.atan(6.0)) + 2 * complex(COLD, REACTANCE)
    across = 40.0 * 1000.0 / 1040.0  # the body beside the rod
    assert case.voltage_v == pytest.approx(7200.0 * across / abs(source + across), rel=1e-5)


def test_one_state_is_called_hot():
    answer = solve(single_phase(), place("P0", (("bar", "B"),), worksite=True))
    assert set(answer.by_state) == {"hot"}


def test_equal_states_change_nothing():
    data = straight(8, ground_every=2)
    plain = [place("P5", FULL, ohm=50.0), place("P6", (("bar", "A"),), row=5, worksite=True)]
    same = [
        replace(
            p,
            branches=tuple(
                replace(b, cold_ohm=b.resistance_ohm, in_service_ohm=b.resistance_ohm)
                for b in p.branches
            ),
        )
        for p in plain
    ]
    one, other = solve(data, *plain), solve(data, *same)
    volts = [c.voltage_v for c in one.worker_cases]
    assert [c.voltage_v for c in other.worker_cases] == pytest.approx(volts, rel=1e-5, abs=2e-6)
    assert other.lead_current_a == pytest.approx(one.lead_current_a, rel=1e-9)


# --- people on the ground -----------------------------------------------------------------------


def test_people_on_the_ground_decide_nothing_about_the_worker():
    answer = solve(
        straight(8, ground_every=2),
        place("P5", FULL, ohm=50.0),
        place("P7", FULL, row=5, ohm=50.0),
        place("P6", (("bar", "A"),), row=10, worksite=True),
    )
    whose = {c.contact: c.whose for c in answer.cases}
    ground = {name for name, who in whose.items() if who == "ground person"}
    poles = {f"ground-pole@P{k}" for k in (5, 6, 7)}
    assert ground == {*poles, "rod-ground@P5", "rod-ground@P7"}
    assert answer.worst.whose == "worker"
    assert all(c.passed for c in answer.worker_cases)
    assert answer.worst_ground.voltage_v > 1000.0
    assert not answer.worst_ground.passed
    assert {c.contact for c in answer.ground_cases} == ground


def test_steel_pole_is_touched_itself():
    answer = solve(straight(6), place("P4", (("pole", "neutral"), ("neutral", "A")), ohm=20.0))
    assert {c.contact for c in answer.cases} == {"ground-pole@P4"}


def test_down_conductor_of_a_pole_ground_counts_at_the_foot():
    """The bar of a personal ground hangs on the line; the pole's own ground wire on the neutral."""
    data = straight(6)
    data.poles["ground_ohm"][4] = 25.0
    without = solve(straight(6), place("P4", (("bar", "A"),), worksite=True))
    beside = solve(data, place("P4", (("neutral", "A"),), worksite=True))
    assert "ground-pole@P4" in {c.contact for c in without.cases}
    assert "ground-pole@P4" in {c.contact for c in beside.cases}  # no bar, but a ground wire


def test_rod_and_foot_against_the_rise():
    """Other route: the rise of the electrode, without and with a body of 1000 ohm beside it."""
    data = straight(4)
    answer = solve(data, place("P3", FULL, ohm=50.0, worksite=True))
    [rise] = answer.rises
    worst = max(c.voltage_v for c in answer.cases if c.contact == "rod-ground@P3")
    assert 0.95 * rise.rise_v < worst < rise.rise_v


# --- open conductors ----------------------------------------------------------------------------


def test_sides_of_a_cut_neutral_are_a_contact():
    splits = {"P3": {"neutral": [("S3",), ("S4",)]}}
    pairs = (("rod", "bar"), ("bar", "neutral@S3"), ("neutral@S3", "neutral@S4"))
    pairs += (("neutral@S3", "A"), ("A", "B"), ("B", "C"))
    work = place("P3", pairs, ohm=50.0, worksite=True)
    answer = solve(straight(6, ground_every=2), work, splits=splits)
    contacts = {c.contact for c in answer.worker_cases}
    assert {"neutral@S3-neutral@S4@P3", "neutral@S4-bar@P3"} <= contacts
    assert all(c.passed for c in answer.worker_cases)


def mid_span(bypass, *, cut=("A",)):
    """Return brackets at both ends of S6 and a lift in its middle at which A is cut."""
    pairs = [("bar", "A@P5"), ("A@P5", "A@P6")] if bypass else [("bar", "A@P5")]
    lift = place(None, pairs, row=10, worksite=True, span_id="S6")
    return (
        place("P5", FULL, ohm=50.0),
        place("P6", FULL, row=5, ohm=50.0),
        replace(lift, cut=cut),
    )


def test_mid_span_cut_is_two_halves():
    answer = solve(straight(8, ground_every=2), *mid_span(bypass=True))
    contacts = {c.contact for c in answer.worker_cases}
    assert {"A@P5-bar@S6", "A@P6-bar@S6", "A@P5-A@P6@S6", "B-bar@S6"} <= contacts
    assert all(c.passed for c in answer.worker_cases)
    # what runs through the conductor runs through the bypass
    assert answer.lead_current_a[11] > 10.0


def test_a_bypass_without_impedance_is_the_uncut_conductor():
    """Other route: the same lift with the conductor whole."""
    data = straight(8, ground_every=2)
    places = mid_span(bypass=True)
    lift = places[2]
    bolted = replace(lift.branches[1], resistance_ohm=1e-9, reactance_ohm=0.0)
    cut = replace(lift, branches=(lift.branches[0], bolted))
    whole = replace(lift, branches=(replace(lift.branches[0], end="A"),), cut=())
    one, other = solve(data, *places[:2], cut), solve(data, *places[:2], whole)
    there = {(c.event, c.neutral, c.contact): c.voltage_v for c in other.worker_cases}
    for case in one.worker_cases:
        if case.contact == "A@P5-bar@S6":
            key = (case.event, case.neutral, "A-bar@S6")
            assert case.voltage_v == pytest.approx(there[key], rel=1e-4, abs=1e-4)


def test_a_cut_without_a_bypass_costs_more():
    data = straight(8, ground_every=2)
    with_it = solve(data, *mid_span(bypass=True))
    without = solve(data, *mid_span(bypass=False))

    def worst(answer):
        return max(c.voltage_v for c in answer.worker_cases if c.contact == "A@P5-A@P6@S6")

    assert worst(without) > 3 * worst(with_it)


# --- breaks of the neutral ----------------------------------------------------------------------


def names(data, breaks):
    """Return the span ids of every state."""
    return [sorted(str(data.spans.ids[row]) for row in state) for state in breaks.states]


def nodes(network, *pole_ids):
    """Return the nodes of the feeder at some poles."""
    return [network.node_at(network.spans_at(p)[0], p) for p in map(network.pole_row.get, pole_ids)]


def test_four_breaks_round_brackets():
    data = straight(8)
    network = Network.build(data)
    source = network.source_node["F1"]
    found = neutral_breaks(
        network,
        start=source,
        grounds=nodes(network, "P4", "P5", "P6"),
        worksites=nodes(network, "P5"),
    )
    assert names(data, found) == [["S4"], ["S5"], ["S7"], ["S4", "S7"]]
    # opened at the end away from the grounds
    ends = {str(data.spans.ids[row]): end for row, end in found.ends.items()}
    assert ends == {"S4": 0, "S5": 0, "S7": 1}


def test_breaks_at_the_end_of_the_line_and_off_the_network():
    data = straight(8)
    network = Network.build(data)
    grounds = nodes(network, "P8")
    found = neutral_breaks(
        network, start=network.source_node["F1"], grounds=grounds, worksites=grounds
    )
    assert names(data, found) == [["S8"]]
    inside = nodes(network, "P4")
    off = neutral_breaks(network, start=None, grounds=inside, worksites=inside)
    assert names(data, off) == [["S4", "S5"]]


def test_no_neutral_no_break():
    data = straight(8, neutral_conductor=None)
    network = Network.build(data)
    at = nodes(network, "P4")
    found = neutral_breaks(network, start=network.source_node["F1"], grounds=at, worksites=at)
    assert (found.ends, found.states) == ({}, ())


def test_an_isolated_section_leaves_the_rods_alone():
    """By hand: with the neutral broken on both sides only the two rods are left, in parallel."""
    data = straight(8, ground_every=2)
    data.poles["ground_ohm"][4:7] = np.nan
    answer = solve(
        data,
        place("P4", FULL, ohm=50.0),
        place("P6", FULL, row=5, ohm=50.0),
        place("P5", (("bar", "A"),), row=10, worksite=True),
    )
    line_v = 12470 / math.sqrt(3)
    assert answer.rises[0].rise_v == pytest.approx(line_v, rel=0.03)
    assert answer.rod_a["P4"] == pytest.approx(line_v / 50.0, rel=0.03)


def test_undetermined_leads_the_list():
    """A phase that nothing bonds: its voltage is not determined, and that comes first."""
    pairs = (("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"))
    splits = {"P3": {"C": [("S3",), ("S4",)]}}
    answer = solve(straight(6), place("P3", pairs, ohm=9.0, worksite=True), splits=splits)
    assert not answer.worst.passed
    assert "C@S4" in answer.worst.contact
