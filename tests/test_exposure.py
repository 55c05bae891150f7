"""What a worker would see, against hand calculation, loop equations and other routes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gridground.electrical.ends import number_ends
from gridground.electrical.exposure import (
    Branch,
    Layout,
    Origin,
    Place,
    Setting,
    counter_example_v,
    study,
)
from gridground.electrical.lines import span_primitive_ohm_per_km
from gridground.electrical.runs import lay_runs
from gridground.errors import NetworkError
from gridground.territory.network import Network
from tests.feeder import circuit, pole, span, straight, territory

LEAD = (0.0018, 0.0012)  # ohm, about 10 ft of 2/0 with its ends
SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
FULL = (("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C"))


def place(pole_id, pairs, *, row=0, ohm=None, worksite=False, lead=LEAD, **given):
    """Return a place whose leads join pairs of ends, rows counted from `row`."""
    branches = tuple(Branch(a, b, *lead, row + k) for k, (a, b) in enumerate(pairs))
    fields = {"pole_id": pole_id, "span_id": None, "circuit_ids": ("F1",)} | given
    return Place(**fields, electrode_ohm=ohm, branches=branches, worksite=worksite)


def dual_point(source, worksite, load, personal=(("bar", "A"),)):
    """Return bracket grounds with rods at two poles and a personal ground between them."""
    return Layout(
        (
            place(source, FULL, row=0, ohm=50.0),
            place(load, FULL, row=5, ohm=50.0),
            place(worksite, personal, row=10, worksite=True),
        ),
        {},
    )


def solve(data, layout, *, setting=SETTING, circuit_id="F1", **states):
    """Study one origin."""
    origin = Origin(circuit_id, circuit_id, Network.build(data, **states))
    return study(data, layout, origins=[origin], setting=setting)


def volts(answer, event, contact, neutral="intact"):
    """Return the voltage of one case."""
    found = [
        c.voltage_v
        for c in answer.worker_cases
        if (c.event, c.contact, c.neutral) == (event, contact, neutral)
    ]
    assert len(found) == 1, [c.contact for c in answer.worker_cases]
    return found[0]


# --- source -------------------------------------------------------------------------------------


def test_bolted_phase_to_neutral_at_the_source_draws_the_stated_current():
    """Independent: the circuit's own fault_1ph_a, from which the source is built."""
    layout = Layout((place("P0", [("A", "neutral")], lead=(1e-9, 0.0), worksite=True),), {})
    answer = solve(straight(3), layout)
    assert answer.lead_current_a == pytest.approx([7000.0], rel=1e-6)


def test_the_same_holds_with_a_source_ground_grid():
    data = straight(3)
    data.circuits["source_ground_ohm"][0] = 2.0
    layout = Layout((place("P0", [("B", "neutral")], lead=(1e-9, 0.0), worksite=True),), {})
    assert solve(data, layout).lead_current_a == pytest.approx([7000.0], rel=1e-6)


def test_bolted_star_at_the_source_draws_the_three_phase_current():
    star = [("A", "bar"), ("B", "bar"), ("C", "bar")]
    layout = Layout((place("P0", star, lead=(1e-7, 0.0), worksite=True),), {})
    data = straight(3, neutral_conductor=None)
    answer = solve(data, layout)
    assert answer.lead_current_a == pytest.approx([8000.0] * 3, rel=1e-4)


def test_growth_divides_the_source_impedance():
    layout = Layout((place("P0", [("A", "neutral")], lead=(1e-9, 0.0), worksite=True),), {})
    grown = solve(straight(3), layout, setting=replace(SETTING, growth_ratio=1.25))
    assert grown.lead_current_a == pytest.approx([7000.0 * 1.25], rel=1e-6)


def test_ungrounded_source_needs_two_phases():
    """By hand: V_LL / (2 Z1) = sqrt(3)/2 of the three-phase current."""
    data = territory(
        [pole("P0"), pole("P1", at_m=50)],
        [span("S1", "P0", "P1", neutral_conductor=None)],
        [circuit(fault_1ph_a=None, x_over_r_1ph=None)],
    )
    pair = [("A", "bar"), ("B", "bar"), ("rod", "bar")]
    layout = Layout((place("P0", pair, lead=(1e-7, 0.0), ohm=50.0, worksite=True),), {})
    answer = solve(data, layout)
    assert {c.event for c in answer.worker_cases} == {"ABC", "AB", "AC", "BC"}
    assert answer.lead_current_a[:2] == pytest.approx([8000 * math.sqrt(3) / 2] * 2, rel=1e-4)
    assert answer.lead_current_a[2] == pytest.approx(0.0, abs=1e-3)
    assert answer.residual < 1e-6  # leads of 0.1 microohm cost digits


def test_ungrounded_source_with_nothing_tied_to_earth_stands_at_phase_voltage():
    """By hand: the neutral point at earth potential, so each phase at 12.47 kV / sqrt(3)."""
    data = territory(
        [pole("P0"), pole("P1", at_m=50)],
        [span("S1", "P0", "P1", neutral_conductor=None)],
        [circuit(fault_1ph_a=None, x_over_r_1ph=None)],
    )
    answer = solve(data, Layout((place("P1", [], worksite=True),), {}))
    assert volts(answer, "ABC", "A-ground@P1") == pytest.approx(12470 / math.sqrt(3), rel=0.01)


def test_single_phase_source():
    data = territory(
        [pole("P0"), pole("P1", at_m=50)],
        [span("S1", "P0", "P1", phases="B", neutral_conductor=None, construction="IEEE 510")],
        [circuit(nominal_kv=7.2, fault_3ph_a=None, x_over_r_3ph=None, fault_1ph_a=600.0)],
    )
    layout = Layout((place("P0", [("rod", "bar"), ("bar", "B")], ohm=40.0, worksite=True),), {})
    answer = solve(data, layout)
    assert {c.event for c in answer.worker_cases} == {"B"}
    z = 7200.0 / 600.0 * np.exp(1j * math.atan(6.0)) + 40.0 + 2 * complex(*LEAD)
    assert answer.lead_current_a == pytest.approx([7200.0 / abs(z)] * 2, rel=1e-6)
    assert any("no neutral" in note for note in answer.notes)


# --- the line -----------------------------------------------------------------------------------


def test_a_run_is_the_primitive_matrix_of_its_span():
    data = straight(2, phases="BAC")
    network = Network.build(data)
    nothing = np.zeros(0, int)
    runs = lay_runs(
        number_ends(network, {}),
        region=np.array([True, False]),
        broken={},
        middles={},
        bare=nothing,
        resistivity_ohm_m=100.0,
    )
    labels, per_km = span_primitive_ohm_per_km(data, 0, resistivity_ohm_m=100.0)
    order = [labels.index(k) for k in ("A", "B", "C", "N")]
    assert labels == ("B", "A", "C", "N")
    assert runs.branches[0].impedance_ohm[0] == pytest.approx(per_km[np.ix_(order, order)] * 0.05)


def carson_ohm(x_ft, y_ft, r_per_mile, gmr_ft, *, length_m):
    """Return the primitive matrix in feet and miles, the form of the book (Kersting, ch. 4)."""
    f, rho = 60.0, 100.0
    n = len(x_ft)
    z = np.zeros((n, n), complex)
    for i in range(n):
        for j in range(n):
            d = gmr_ft[i] if i == j else math.hypot(x_ft[i] - x_ft[j], y_ft[i] - y_ft[j])
            reach = math.log(1 / d) + 7.6786 + 0.5 * math.log(rho / f)
            z[i, j] = 0.00158836 * f + 1j * 0.00202237 * f * reach
        z[i, i] += r_per_mile[i]
    return z * length_m / 1609.344


def loop_solution(n_spans, worksite, event, body=None):
    """Solve a straight feeder with single-point grounding by loop equations.

    Independent route: Carson in feet, branches in a list, circulations from the null space of the
    incidence matrix; no admittance, no elimination, none of the program's modules.
    """
    z_span = carson_ohm(
        [-4.0, -1.5, 3.0, 0.0], [28.0, 28.0, 28.0, 24.0],
        [0.306, 0.306, 0.306, 0.592], [0.0244, 0.0244, 0.0244, 0.00814], length_m=50.0,
    )  # fmt: skip
    volt = 12470 / math.sqrt(3)
    z1 = volt / 8000 * np.exp(1j * math.atan(8.0))
    zs = volt / 7000 * np.exp(1j * math.atan(6.0))  # (2 Z1 + Z0)/3
    zm = zs - z1
    closed = ["ABC".index(k) for k in event]
    source = (np.eye(3) * z1 + zm)[np.ix_(closed, closed)]
    start, end, blocks, emf = [], [], [source], []
    for k in closed:
        start.append("earth")
        end.append((0, "ABC"[k]))
        emf.append(volt * np.exp(-2j * math.pi / 3 * k))
    for s in range(n_spans):
        for label in "ABCN":
            start.append("earth" if (s, label) == (0, "N") else (s, label))
            end.append((s + 1, label))
        blocks.append(z_span)
    single = [((k, "N"), "earth", 25.0) for k in range(2, n_spans + 1, 2)]
    w, lead = worksite, complex(*LEAD)
    single += [("rod", "bar", lead), ("bar", (w, "N"), lead), ((w, "N"), (w, "A"), lead)]
    single += [((w, "A"), (w, "B"), lead), ((w, "B"), (w, "C"), lead), ("rod", "earth", 50.0)]
    if body is not None:
        single.append((body, "bar", 1000.0))
    for one, other, ohm in single:
        start.append(one)
        end.append(other)
        blocks.append(np.array([[ohm]], complex))
    size = sum(len(b) for b in blocks)
    z, at = np.zeros((size, size), complex), 0
    for block in blocks:
        z[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    nodes = list(dict.fromkeys([*start, *end]))
    incidence = np.zeros((len(nodes), size))
    for k, (s, e) in enumerate(zip(start, end, strict=True)):
        incidence[nodes.index(s), k] += 1
        incidence[nodes.index(e), k] -= 1
    _, sv, rows = np.linalg.svd(incidence)
    loops = rows[int((sv > 1e-9).sum()) :]
    drive = np.concatenate([emf, np.zeros(size - len(emf))])
    current = loops.T @ np.linalg.solve(loops @ z @ loops.T, loops @ drive)
    return dict(zip(zip(start, end, strict=True), current, strict=True))


@pytest.mark.parametrize("event", ["ABC", "AB", "BC", "A", "C"])
@pytest.mark.parametrize("label", ["B", "C", "neutral"])
def test_worker_voltage_against_loop_equations(event, label):
    """Independent: loop equations of the same feeder with the body as a branch."""
    data = straight(6, ground_every=2, ground_ohm=25.0)
    data.poles["ground_ohm"][0] = np.nan
    answer = solve(data, Layout((place("P4", FULL, ohm=50.0, worksite=True),), {}))
    body = (4, "N" if label == "neutral" else label)
    current = loop_solution(6, 4, event, body)
    expected = abs(current[body, "bar"]) * 1000.0
    # constants of the two forms of Carson agree to five digits
    assert volts(answer, event, f"{label}-bar@P4") == pytest.approx(expected, rel=2e-4, abs=1e-6)


def test_lead_and_rod_currents_against_loop_equations():
    data = straight(6, ground_every=2, ground_ohm=25.0)
    data.poles["ground_ohm"][0] = np.nan
    answer = solve(data, Layout((place("P4", FULL, ohm=50.0, worksite=True),), {}))
    events = ["ABC", "AB", "AC", "BC", "A", "B", "C"]
    solved = [loop_solution(6, 4, event) for event in events]
    ends = [("rod", "bar"), ("bar", (4, "N")), ((4, "N"), (4, "A")), ((4, "A"), (4, "B"))]
    intact = [max(abs(current[pair]) for current in solved) for pair in ends]
    # with the neutral broken the rod carries more and the phase leads less
    assert answer.lead_current_a[2:4] == pytest.approx(intact[2:4], rel=2e-4)
    assert answer.lead_current_a[0] > intact[0]
    [rise] = answer.rises
    assert rise.rise_v == pytest.approx(rise.electrode_a * 50.0, rel=1e-5)
    assert rise.electrode_a == pytest.approx(answer.lead_current_a[0], rel=1e-5)
    assert answer.residual < 1e-9


def test_the_body_is_in_the_circuit():
    """Other route: a lead row of 1000 ohm in place of the body carries its current."""
    data = straight(8, ground_every=2)
    layout = dual_point("P5", "P6", "P7")
    answer = solve(data, layout)
    work = layout.places[2]
    body = replace(work, branches=(*work.branches, Branch("bar", "C", 1000.0, 0.0, 11)))
    with_body = solve(data, Layout((*layout.places[:2], body), {}))
    worst = max(c.voltage_v for c in answer.worker_cases if c.contact == "C-bar@P6")
    assert with_body.lead_current_a[11] * 1000.0 == pytest.approx(worst, rel=1e-4)


def test_body_and_limit_are_kept_apart():
    data, layout = straight(8, ground_every=2), dual_point("P5", "P6", "P7")
    answer = solve(data, layout, setting=replace(SETTING, body_ohm=500.0, limit_v=5.0))
    cases = answer.worker_cases
    assert all(c.body_a == pytest.approx(c.voltage_v / 500.0, rel=1e-5) for c in cases)
    assert {c.passed for c in answer.worker_cases} == {True, False}
    assert all(c.passed == (c.voltage_v <= 5.0) for c in answer.worker_cases)
    assert answer.worst.voltage_v == max(c.voltage_v for c in answer.worker_cases)


# --- what the trade knows -----------------------------------------------------------------------


def test_brackets_alone_are_no_zone():
    """trade figure: without the bond over 1,000 V on the worker, with it some volts."""
    data, layout = straight(40, ground_every=4), dual_point("P19", "P20", "P21")
    origins = [Origin("F1", "F1", Network.build(data))]
    bare_v = counter_example_v(data, layout, origins=origins, setting=SETTING)
    answer = study(data, layout, origins=origins, setting=SETTING)
    assert bare_v > 1000.0
    assert answer.worst.voltage_v < 30.0
    assert volts(answer, "A", "A-bar@P20") < 1.0
    assert all(c.passed for c in answer.worker_cases)


def test_neutral_broken_leaves_the_rods():
    """By hand: the return is through the grounds beyond the break, all in parallel."""
    data = straight(4)  # no pole grounds: beyond the break only the two rods
    answer = solve(data, dual_point("P2", "P3", "P4"))
    event = [c for c in answer.worker_cases if c.neutral == "broken" and c.event == "A"]
    assert event
    rise = answer.rises[0]
    line_v = 12470 / math.sqrt(3)
    assert rise.rise_v == pytest.approx(line_v, rel=0.03)
    assert rise.electrode_a == pytest.approx(line_v / 50.0, rel=0.03)


def test_no_broken_state_without_a_neutral():
    layout = Layout((place("P1", [("rod", "bar"), ("bar", "A")], ohm=50.0, worksite=True),), {})
    answer = solve(straight(3, neutral_conductor=None), layout)
    assert {c.neutral for c in answer.worker_cases} == {"intact"}
    assert any("no neutral in a span before" in n for n in answer.notes)


def test_contacts_listed():
    answer = solve(straight(8, ground_every=2), dual_point("P5", "P6", "P7"))
    listed = {c.contact for c in answer.worker_cases if c.event == "ABC"}
    assert {"A-bar@P6", "B-bar@P6", "C-bar@P6", "neutral-bar@P6"} <= listed
    per_state = [c for c in answer.worker_cases if (c.event, c.neutral) == ("ABC", "intact")]
    assert len(per_state) == 5  # and one more: the worst of the other pairs within reach
    assert {c.event for c in answer.worker_cases} == {"ABC", "AB", "AC", "BC", "A", "B", "C"}


# --- electrodes ---------------------------------------------------------------------------------


def test_pole_ground_on_the_neutral_is_counted_once():
    data = straight(6)
    data.poles["ground_ohm"][4] = 20.0
    leads = [("pole ground", "bar"), *FULL[1:]]
    tied = solve(data, Layout((place("P4", leads, worksite=True),), {}))
    plain = solve(data, Layout((place("P4", (*FULL[2:], ("bar", "A")), worksite=True),), {}))
    assert tied.rises[0].rise_v == pytest.approx(tied.rises[0].electrode_a * 20.0, rel=1e-5)
    # by hand: with the neutral broken everything returns through the one pole ground
    assert tied.rises[0].rise_v == pytest.approx(12470 / math.sqrt(3), rel=0.03)
    assert plain.rises == ()


def test_pole_ground_without_neutral_is_an_electrode_of_its_own():
    data = straight(3, neutral_conductor=None)
    data.poles["ground_ohm"][2] = 30.0
    leads = [("pole ground", "bar"), ("bar", "A"), ("A", "B"), ("B", "C")]
    answer = solve(data, Layout((place("P2", leads, ohm=30.0, worksite=True),), {}))
    assert answer.rises[0].electrode_a == pytest.approx(12470 / math.sqrt(3) / 30.0, rel=0.05)


def test_steel_pole_is_bar_and_electrode():
    data = straight(6)
    data.poles["ground_ohm"][4] = 20.0
    leads = [("pole", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C")]
    answer = solve(data, Layout((place("P4", leads, ohm=20.0, worksite=True),), {}))
    assert {c.contact for c in answer.worker_cases} >= {"A-pole@P4", "neutral-pole@P4"}
    # the data's pole ground is the same steel: 20 ohm, not 10
    assert answer.rises[0].electrode_a == pytest.approx(12470 / math.sqrt(3) / 20.0, rel=0.03)


def test_unknown_electrode_is_refused():
    with pytest.raises(NetworkError, match="resistance to earth of the rod at P4 is unknown"):
        solve(straight(6), Layout((place("P4", FULL, worksite=True),), {}))


# --- sides, devices, mid-span -------------------------------------------------------------------


def switched(state):
    """Return a feeder with a gang switch at P3 on S4."""
    data = straight(6, ground_every=3)
    switch = {
        "device_id": "D1", "pole_id": "P3", "span_id": "S4", "kind": "switch", "state": state,
        "phases": "ABC",
    }  # fmt: skip
    poles = [pole(f"P{k}", at_m=50 * k) for k in range(7)]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 7)]
    return territory(poles, spans, [circuit()], [switch]) if state else data


SIDES = {"P3": {k: [("S3",), ("S4",)] for k in "ABC"}}


@pytest.mark.parametrize("state", ["open", "closed"])
def test_each_side_of_a_switch_is_its_own_conductor(state):
    data = switched(state)
    leads = [("rod", "bar"), ("bar", "neutral"), ("neutral", "A@S3"), ("A@S3", "B@S3")]
    leads += [("B@S3", "C@S3"), ("neutral", "A@S4"), ("A@S4", "B@S4"), ("B@S4", "C@S4")]
    layout = Layout((place("P3", leads, ohm=50.0, worksite=True),), SIDES)
    answer = solve(data, layout)
    contacts = {c.contact for c in answer.worker_cases}
    assert {"A@S3-bar@P3", "A@S4-bar@P3", "A@S3-A@S4@P3"} <= contacts
    assert all(c.passed for c in answer.worker_cases)
    # all energy comes by S3, whatever the switch stands at
    assert volts(answer, "C", "C@S4-bar@P3") < volts(answer, "C", "C@S3-bar@P3")


def test_a_side_without_a_bond_never_passes():
    leads = [("rod", "bar"), ("bar", "neutral"), ("neutral", "A@S3"), ("A@S3", "B@S3")]
    layout = Layout((place("P3", [*leads, ("B@S3", "C@S3")], ohm=50.0, worksite=True),), SIDES)
    answer = solve(switched("open"), layout)
    failed = {c.contact for c in answer.worker_cases if not c.passed}
    assert {"A@S4-bar@P3", "B@S4-bar@P3", "A@S3-A@S4@P3"} <= failed
    assert not {"A@S3-bar@P3", "neutral-bar@P3"} & failed
    assert any("not bonded" in n and "A@S4-bar@P3" in n for n in answer.notes)
    assert not answer.worst.passed


def test_bypass_joins_the_sides_of_a_cut():
    splits = {"P3": {"B": [("S3",), ("S4",)]}}
    leads = [*FULL[:3], ("A", "B@S3"), ("A", "C"), ("B@S3", "B@S4")]
    layout = Layout((place("P3", leads, ohm=50.0, worksite=True),), splits)
    answer = solve(straight(6, ground_every=3), layout)
    assert {"B@S3-B@S4@P3", "B@S4-bar@P3", "A-bar@P3"} <= {c.contact for c in answer.worker_cases}
    assert all(c.passed for c in answer.worker_cases)


def test_split_that_forgets_a_span_is_refused():
    with pytest.raises(NetworkError, match="S4 carries A at P3 and stands on 0 sides"):
        solve(
            straight(6),
            Layout((place("P3", FULL, ohm=9.0, worksite=True),), {"P3": {"A": [("S3",)]}}),
        )


def test_lead_end_that_is_not_there_is_refused():
    layout = Layout((place("P3", [("bar", "A@S9")], worksite=True),), {})
    with pytest.raises(NetworkError, match="'A@S9', which is not there"):
        solve(straight(6), layout)
    split = Layout((place("P3", [("bar", "A")], worksite=True),), SIDES)
    with pytest.raises(NetworkError, match="'A', which is not there"):
        solve(straight(6), split)


def test_open_device_upstream_means_that_the_origin_does_not_reach():
    data = switched("open")
    layout = Layout((place("P5", FULL, ohm=50.0, worksite=True),), {})
    with pytest.raises(NetworkError, match="no phase of circuit F1 reaches"):
        solve(data, layout)
    closed_again = solve(data, layout, closed={"D1"})
    reference = solve(switched("closed"), layout)
    assert closed_again.cases == reference.cases


def test_single_open_phase_leaves_events_of_the_others():
    data = switched("open")
    data.layers["devices"]["phases"][0] = "B"
    answer = solve(data, Layout((place("P5", FULL, ohm=50.0, worksite=True),), {}))
    assert {c.event for c in answer.worker_cases} == {"AC", "A", "C"}


def test_mid_span_has_the_middle_of_the_conductors():
    data = straight(8, ground_every=2)
    lift = place(None, [("bar", "A")], row=10, worksite=True, span_id="S6")
    layout = dual_point("P5", "P6", "P6")
    answer = solve(data, Layout((layout.places[0], layout.places[1], lift), {}))
    contacts = {c.contact for c in answer.worker_cases}
    assert {"A-bar@S6", "B-bar@S6", "C-bar@S6", "neutral-bar@S6"} <= contacts
    # the middle lies between what stands at the two ends
    ends = []
    for pole_id in ("P5", "P6"):
        row = replace(lift, pole_id=pole_id, span_id=None)
        ends.append(
            volts(solve(data, Layout((*layout.places[:2], row), {})), "C", f"C-bar@{pole_id}")
        )
    assert min(ends) < volts(answer, "C", "C-bar@S6") < max(ends)


def test_halving_a_span_changes_nothing_elsewhere():
    data = straight(8, ground_every=2)
    layout = dual_point("P5", "P6", "P7")
    lift = place(None, [("bar", "A")], row=11, worksite=True, span_id="S4")
    plain = solve(data, layout)
    halved = solve(data, Layout((*layout.places, lift), {}))
    here = [c for c in halved.worker_cases if c.contact.endswith("@P6") and c.neutral == "intact"]
    there = [c for c in plain.worker_cases if c.neutral == "intact"]
    assert [c.voltage_v for c in here] == pytest.approx([c.voltage_v for c in there], rel=1e-5)


# --- two circuits, cables, gaps -----------------------------------------------------------------


def double(*, share, second="IEEE 500 low", prefix="T"):
    """Return two circuits on the same poles, the second four feet lower, one neutral or two."""
    poles = [pole(f"P{k}", at_m=50 * k) for k in range(6)]
    first = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 6)]
    other = [
        span(
            f"{prefix}{k}", f"P{k - 1}", f"P{k}", circuit_id="F2", construction=second,
            **({"shares_neutral_with": "F1"} if share else {}),
        )
        for k in range(1, 6)
    ]  # fmt: skip
    data = territory(poles, first + other, [circuit(), circuit("F2")])
    top = data.constructions["IEEE 500"]
    down = {k: (x, y - (0.0 if k == "N" and share else 2.4)) for k, (x, y) in top.positions.items()}
    data.constructions["IEEE 500 low"] = replace(top, name="IEEE 500 low", positions=down)
    return data


@pytest.mark.parametrize("prefix", ["T", "R"])  # the wire is kept under the one id or the other
def test_idle_circuit_on_a_shared_neutral_changes_nothing(prefix):
    """Independent: the same feeder with the second circuit taken away, broken neutral included."""
    layout = Layout((place("P4", FULL, ohm=50.0, worksite=True),), {})
    alone = solve(straight(5), layout)
    beside = solve(double(share=True, prefix=prefix), layout)
    assert [c.voltage_v for c in beside.worker_cases] == pytest.approx(
        [c.voltage_v for c in alone.worker_cases], rel=1e-5
    )
    assert beside.lead_current_a == pytest.approx(alone.lead_current_a, rel=1e-6)


def test_two_worked_circuits_are_named_and_coupled():
    pairs = [("rod", "bar"), ("bar", "neutral"), ("neutral", "F1:A"), ("F1:A", "F1:B")]
    pairs += [("F1:B", "F1:C"), ("neutral", "F2:A"), ("F2:A", "F2:B"), ("F2:B", "F2:C")]
    both = {"circuit_ids": ("F1", "F2")}
    work = place("P4", pairs, ohm=50.0, worksite=True, **both)
    answer = solve(double(share=True), Layout((work,), {}))
    contacts = {c.contact for c in answer.worker_cases}
    assert {"F1:A-bar@P4", "F2:C-bar@P4", "neutral-bar@P4"} <= contacts
    assert answer.lead_current_a[5] == 0.0  # one ground closes no loop of the second circuit
    second = place("P2", pairs, ohm=50.0, row=8, **both)
    looped = solve(double(share=True), Layout((work, second), {}))
    assert looped.lead_current_a[5] > 50.0  # two do: the fault of the first induces a current
    from_second = solve(double(share=True), Layout((work,), {}), circuit_id="F2")
    assert from_second.lead_current_a[5] > 1000.0


def test_separate_neutral_is_a_wire_of_its_own():
    layout = Layout((place("P4", FULL, ohm=50.0, worksite=True),), {})
    one, two = solve(double(share=True), layout), solve(double(share=False), layout)
    # nothing ties the second neutral to the first: only its own induced loop, which is open
    assert two.lead_current_a == pytest.approx(one.lead_current_a, rel=1e-6)
    grounded = double(share=False)
    grounded.poles["ground_ohm"][:] = 25.0  # now every pole ground ties both
    shared = double(share=True)
    shared.poles["ground_ohm"][:] = 25.0
    more, less = solve(grounded, layout), solve(shared, layout)
    assert more.lead_current_a[2] > less.lead_current_a[2] * 1.005


def test_circuits_drawn_on_one_spot_are_reported():
    layout = Layout((place("P4", FULL, ohm=50.0, worksite=True),), {})
    pairs = ("F1", "F2")
    both = Layout((replace(layout.places[0], circuit_ids=("F1",)),), {})
    answer = solve(double(share=False, second="IEEE 500"), both)
    assert answer.residual < 1e-9
    tied = [("rod", "bar"), ("bar", "F1:neutral"), ("F1:neutral", "F1:A"), ("F1:A", "F2:A")]
    two = Layout((place("P4", tied, ohm=50.0, worksite=True, circuit_ids=pairs),), {})
    noted = solve(double(share=False, second="IEEE 500"), two)
    assert any("same spot" in n and "T1" in n for n in noted.notes)


def cable(name, start, end, **given):
    """Return a cable of 500 m by sequence impedance."""
    values = {
        "r1_ohm_per_km": 0.1,
        "x1_ohm_per_km": 0.12,
        "r0_ohm_per_km": 0.4,
        "x0_ohm_per_km": 0.2,
    }
    row = {"kind": "cable", "conductor": None, "construction": None, "length_m": 500.0}
    return span(name, start, end, **row, **values, **given)


def test_cable_by_hand():
    """By hand: self impedance (2 z1 + z0)/3 out, z1 of the neutral back."""
    data = territory(
        [pole("P0"), pole("P1", at_m=500)],
        [cable("K1", "P0", "P1")],
        [circuit()],
    )
    layout = Layout((place("P1", [("A", "neutral")], lead=(1e-9, 0.0), worksite=True),), {})
    answer = solve(data, layout)
    z1, z0 = (0.1 + 0.12j) / 2, (0.4 + 0.2j) / 2
    volt = 12470 / math.sqrt(3)
    source = volt / 7000 * np.exp(1j * math.atan(6.0))
    assert answer.lead_current_a == pytest.approx(
        [volt / abs(source + (2 * z1 + z0) / 3 + z1)], rel=1e-6
    )
    assert any("neutral of a cable" in n and "K1" in n for n in answer.notes)


def test_link_without_impedance_does_not_break_the_solution():
    zero = dict.fromkeys(("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km"), 0.0)
    poles = [pole(f"P{k}", at_m=50 * k) for k in range(4)]
    spans = [span("S1", "P0", "P1"), span("S3", "P2", "P3")]
    link = span("S2", "P1", "P2", kind="link", conductor=None, construction=None) | zero
    layout = Layout((place("P3", FULL, ohm=50.0, worksite=True),), {})
    linked = solve(territory(poles, [*spans, link], [circuit()]), layout)
    joined = [span("S1", "P0", "P1"), span("S3", "P1", "P3")]
    reference = solve(territory(poles, joined, [circuit()]), layout)
    # 10 microohm of the link beside about 0.9 ohm of source
    assert linked.lead_current_a == pytest.approx(reference.lead_current_a, rel=1e-4)
    assert linked.residual < 1e-8


def test_unknown_conductor_breaks_the_way():
    data = straight(6)
    data.spans["conductor"][2] = None
    layout = Layout((place("P5", FULL, ohm=50.0, worksite=True),), {})
    with pytest.raises(NetworkError, match="span left out: S3"):
        solve(data, layout)
    beyond = solve(data, Layout((place("P2", FULL, ohm=50.0, worksite=True),), {}))
    assert any("S3" in n for n in beyond.notes)


def test_pole_ground_not_stated_is_none_and_said():
    data = straight(6)
    data.poles.stated["ground_ohm"][:] = False
    answer = solve(data, Layout((place("P4", FULL, ohm=50.0, worksite=True),), {}))
    assert any("not stated at 7 poles" in n for n in answer.notes)


def test_two_origins_give_both_cases():
    """A tie at the far end, closed again: the second source energizes from the other side."""
    poles = [pole(f"P{k}", at_m=50 * k) for k in range(8)]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 6)]
    spans += [span(f"T{k}", f"P{k}", f"P{k - 1}", circuit_id="F2") for k in (7, 6)]
    tie = {
        "device_id": "D1", "pole_id": "P5", "span_id": "T6", "kind": "switch", "state": "open",
        "phases": "ABC",
    }  # fmt: skip
    data = territory(poles, spans, [circuit(), circuit("F2", "P7", fault_1ph_a=3500.0)], [tie])
    origins = [
        Origin("F1", "F1", Network.build(data)),
        Origin("D1", "F2", Network.build(data, closed={"D1"})),
    ]
    layout = dual_point("P2", "P3", "P4")
    answer = study(data, layout, origins=origins, setting=SETTING)
    assert {c.origin for c in answer.worker_cases} == {"F1", "D1"}
    assert answer.residual < 1e-9
    # from the other side the load-side bracket takes the fault
    only = study(data, layout, origins=origins[1:], setting=SETTING)
    assert only.lead_current_a[7] > only.lead_current_a[2]
    assert (answer.lead_current_a >= only.lead_current_a - 1e-6).all()
