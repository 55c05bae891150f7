"""Laws of the worker study that hold whatever the feeder looks like."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting, study
from gridground.territory.network import Network
from tests.feeder import circuit, pole, span, territory

SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
FULL = (("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C"))


@st.composite
def jobs(draw):
    """Return (rows of a straight feeder, layout) of a dual-point job with random figures."""
    n = draw(st.integers(4, 9))
    work = draw(st.integers(2, n - 1))
    ground = st.one_of(st.none(), st.floats(2.0, 400.0))
    poles = [(k, draw(ground)) for k in range(n + 1)]
    length = [draw(st.floats(15.0, 300.0)) for _ in range(n)]
    fault = draw(st.floats(500.0, 20000.0))
    ratio = draw(st.floats(0.4, 1.1))
    lead = (draw(st.floats(2e-4, 8e-3)), draw(st.floats(0.0, 6e-3)))
    rods = [draw(st.floats(5.0, 500.0)) for _ in range(2)]

    def place(k, pairs, row, ohm, worksite):
        branches = tuple(Branch(a, b, *lead, row + i) for i, (a, b) in enumerate(pairs))
        return Place(f"P{k}", None, ("F1",), ohm, branches, worksite)

    layout = Layout(
        (
            place(work - 1, FULL, 0, rods[0], False),
            place(work + 1, FULL, 5, rods[1], False),
            place(work, [("bar", "A")], 10, None, True),
        ),
        {},
    )
    return (poles, length, fault, ratio), layout


def build(rows, *, phases="ABC", reverse=False, names=("P", "S"), kilovolt=12.47, order=1):
    """Return the territory of drawn rows, drawn in one of several equal ways."""
    poles, length, fault, ratio = rows
    p, s = names
    pole_rows = [pole(f"{p}{k}", at_m=50.0 * k, ground_ohm=ohm) for k, ohm in poles]
    spans = []
    for k, length_m in enumerate(length, start=1):
        ends = (f"{p}{k - 1}", f"{p}{k}")
        start, end = ends[::-1] if reverse else ends
        spans.append(span(f"{s}{k}", start, end, phases=phases, length_m=length_m))
    source = circuit(
        source_pole=f"{p}0", nominal_kv=kilovolt, fault_3ph_a=fault * kilovolt / 12.47,
        fault_1ph_a=fault * ratio * kilovolt / 12.47,
    )  # fmt: skip
    return territory(pole_rows[::order], spans[::order], [source])


def solve(data, layout):
    return study(data, layout, origins=[Origin("F1", "F1", Network.build(data))], setting=SETTING)


def table(answer, letters="ABC"):
    """Return {(event, contact, neutral): volts} with phases renamed."""
    swap = str.maketrans("ABC", letters)
    return {
        (
            "".join(sorted(c.event.translate(swap))),
            c.contact.partition("-bar@")[0].translate(swap),
            c.neutral,
        ): c.voltage_v
        for c in answer.cases
        if "-bar@" in c.contact
    }


def close(one, other, ratio=1.0):
    """Hold two tables against one another to the digits they carry."""
    assert one.keys() == other.keys()
    for key, value in one.items():
        assert other[key] == pytest.approx(value * ratio, rel=2e-5, abs=3e-6)


@settings(max_examples=25, deadline=None)
@given(jobs())
def test_the_current_law_holds(job):
    rows, layout = job
    assert solve(build(rows), layout).residual < 1e-9


@settings(max_examples=25, deadline=None)
@given(jobs())
def test_twice_the_voltage_is_twice_everything(job):
    rows, layout = job
    one, two = solve(build(rows), layout), solve(build(rows, kilovolt=24.94), layout)
    # the fault current is stated twice as large, so that the source impedance is the same
    close(table(one), table(two), 2.0)
    assert two.lead_current_a == pytest.approx(2 * one.lead_current_a, rel=1e-6, abs=1e-5)
    assert [r.rise_v for r in two.rises] == pytest.approx(
        [2 * r.rise_v for r in one.rises], rel=1e-5
    )


@settings(max_examples=25, deadline=None)
@given(jobs(), st.integers(0, 9))
def test_a_second_lead_in_parallel_never_raises_the_drop(job, which):
    """Any passive resistive-inductive network: |1 + y Z_th| >= 1."""
    rows, layout = job
    number = 0 if which < 5 else 1
    bracket = layout.places[number]
    twin = replace(bracket.branches[which % 5], row=11)
    more = replace(bracket, branches=(*bracket.branches, twin))
    places = tuple(more if k == number else p for k, p in enumerate(layout.places))
    before = solve(build(rows), layout).lead_current_a[which]
    after = solve(build(rows), replace(layout, places=places)).lead_current_a
    assert after[which] <= before * (1 + 1e-6) + 1e-5
    assert after[11] == pytest.approx(after[which], rel=1e-6, abs=1e-5)


@settings(max_examples=25, deadline=None)
@given(jobs(), st.sampled_from(["B", "C", "neutral"]))
def test_one_more_bond_to_the_bar_never_raises_that_contact(job, conductor):
    rows, layout = job
    work = layout.places[2]
    bond = replace(work.branches[0], end=conductor, row=11)
    places = (*layout.places[:2], replace(work, branches=(*work.branches, bond)))
    before = table(solve(build(rows), layout))
    after = table(solve(build(rows), replace(layout, places=places)))
    for key, value in before.items():
        if key[1] == conductor:
            assert after[key] <= value * (1 + 1e-5) + 3e-6


@settings(max_examples=25, deadline=None)
@given(jobs())
def test_without_the_personal_ground_it_never_passes(job):
    """Brackets alone leave the worker between a conductor and remote earth."""
    rows, layout = job
    bare = replace(layout.places[2], branches=())
    answer = solve(build(rows), replace(layout, places=(*layout.places[:2], bare)))
    assert not all(case.passed for case in answer.worker_cases)


@settings(max_examples=25, deadline=None)
@given(jobs(), st.floats(0.3, 0.95), st.floats(0.3, 1.0))
def test_states_of_leads_are_the_separate_solutions(job, cold, worn):
    """Other route: each state as a layout of its own; currents and voltages are the largest."""
    rows, layout = job

    def in_state(change):
        places = (replace(p, branches=tuple(map(change, p.branches))) for p in layout.places)
        return solve(build(rows), replace(layout, places=tuple(places)))

    together = in_state(
        lambda b: replace(
            b, cold_ohm=b.resistance_ohm * cold, in_service_ohm=b.resistance_ohm * worn
        )
    )
    ratios = {"cold": cold, "in service": worn, "hot": 1.0}
    apart = {
        state: in_state(lambda b, r=ratio: replace(b, resistance_ohm=b.resistance_ohm * r))
        for state, ratio in ratios.items()
    }
    worst = {state: answer.worst.voltage_v for state, answer in apart.items()}
    assert together.by_state == pytest.approx(worst, rel=1e-5)
    largest = np.max([answer.lead_current_a for answer in apart.values()], axis=0)
    assert together.lead_current_a == pytest.approx(largest, rel=1e-7, abs=2e-6)
    for (key, value), *others in zip(
        table(together).items(), *(table(a).values() for a in apart.values()), strict=True
    ):
        assert value == pytest.approx(max(others), rel=2e-5, abs=3e-6), key


@settings(max_examples=25, deadline=None)
@given(jobs(), st.floats(0.1, 0.95))
def test_a_better_rod_never_rises_more(job, ratio):
    rows, layout = job
    first = layout.places[0]
    better = replace(first, electrode_ohm=first.electrode_ohm * ratio)
    before = solve(build(rows), layout).rises[0].rise_v
    after = solve(build(rows), replace(layout, places=(better, *layout.places[1:]))).rises[0].rise_v
    assert after <= before * (1 + 1e-5)


@settings(max_examples=15, deadline=None)
@given(jobs())
def test_drawing_spans_backwards_and_in_another_order_changes_nothing(job):
    rows, layout = job
    one = solve(build(rows), layout)
    other = solve(build(rows, reverse=True, order=-1), layout)
    close(table(one), table(other))
    assert other.lead_current_a == pytest.approx(one.lead_current_a, rel=1e-6, abs=1e-5)


@settings(max_examples=15, deadline=None)
@given(jobs())
def test_renaming_poles_and_spans_changes_nothing(job):
    rows, layout = job
    names = ("№ ", "b:@-")
    renamed = tuple(replace(p, pole_id=p.pole_id.replace("P", names[0])) for p in layout.places)
    one = solve(build(rows), layout)
    other = solve(build(rows, names=names), Layout(renamed, {}))
    close(table(one), table(other))


@settings(max_examples=15, deadline=None)
@given(jobs())
def test_turning_the_phase_letters_round_turns_the_answers(job):
    """A becomes B, B becomes C, C becomes A: the sequence stays, so every voltage stays."""
    rows, layout = job
    swap = str.maketrans("ABC", "BCA")
    turned = tuple(
        replace(
            p,
            branches=tuple(
                replace(b, start=_turn(b.start, swap), end=_turn(b.end, swap)) for b in p.branches
            ),
        )
        for p in layout.places
    )
    one = solve(build(rows), layout)
    other = solve(build(rows, phases="BCA"), Layout(turned, {}))
    close(table(one, "BCA"), table(other))
    assert np.allclose(one.lead_current_a, other.lead_current_a, rtol=1e-6, atol=1e-5)


def _turn(end, swap):
    return end.translate(swap) if end in "ABC" else end
