"""Laws of clearing: more current never slower, a device farther out never shortens the backup."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from feeder import circuit, pole, span, territory
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from gridground.electrical.curves import CURVES, relay_time_s
from gridground.electrical.faults import faults_at
from gridground.electrical.rod_fault import rod_fault
from gridground.territory.network import Network

N = 5

relays = st.fixed_dictionaries(
    {
        "kind": st.just("relay"),
        "curve": st.sampled_from(sorted(CURVES)),
        "pickup_a": st.floats(50, 3000),
        "time_dial": st.floats(0.05, 5),
        "breaker_s": st.floats(0.02, 0.2),
    },
    optional={
        "ground_pickup_a": st.floats(20, 2000),
        "instantaneous_a": st.floats(500, 8000),
    },
)
fuses = st.tuples(st.floats(20, 800), st.floats(1500, 9000), st.floats(0.5, 100)).map(
    lambda f: {"kind": "fuse", "clearing_points": [[f[0], f[2]], [f[1], 0.02]]}
)
protections = st.one_of(relays, fuses)
spots = st.tuples(st.integers(1, N), st.booleans(), st.sampled_from(["ABC", "AB", "C"]))
placed = st.tuples(spots, protections)


def device(name, spot, protection):
    number, far, phases = spot
    at = f"P{number}" if far else f"P{number - 1}"
    kind = "fuse" if protection["kind"] == "fuse" else "recloser"
    return {"device_id": name, "pole_id": at, "span_id": f"S{number}", "kind": kind,
            "state": "closed", "phases": phases, "protection": protection}  # fmt: skip


def feeder(devices, **given):
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", length_m=900.0) for k in range(1, N + 1)]
    poles = [pole(f"P{k}") for k in range(N + 1)]
    row = {"backup_clearing_s": 0.5} | given
    rows = [device(f"D{k}", spot, one) for k, (spot, one) in enumerate(devices)]
    return territory(poles, spans, [circuit(**row)], rows)


def at(t, pole_id, clearing="backup", blocked=()):
    return faults_at(t, Network.build(t), circuit_id="F1", pole_ids=[pole_id], clearing=clearing,
                     reclosing_blocked=blocked)[pole_id]  # fmt: skip


@given(relays, st.floats(1, 9000), st.floats(0, 9000), st.floats(1, 3))
def test_more_current_is_never_slower(relay, phase_a, ground_a, factor):
    less, more = (
        relay_time_s(relay, np.array([phase_a * f]), np.array([ground_a * f]))[0]
        for f in (1.0, factor)
    )
    assert np.isnan(less) or more <= less * (1 + 1e-12)


@settings(max_examples=60, deadline=None)
@given(st.lists(placed, max_size=3), placed, protections, st.integers(0, N))
def test_a_device_more_never_shortens_the_backup_time(devices, one_more, source, number):
    # the law is about devices farther out than all others
    assume(one_more[0][:2] > max((spot[:2] for spot, _ in devices), default=(0, False)))
    before = at(feeder(devices, protection=source), f"P{number}")
    after = at(feeder([*devices, one_more], protection=source), f"P{number}")
    assert after.longest_s >= before.longest_s - 1e-12
    assert after.largest_a == before.largest_a
    assert after.minimum_a == before.minimum_a


@settings(max_examples=40, deadline=None)
@given(st.lists(placed, max_size=3), protections, st.integers(0, N))
def test_backup_is_never_shorter_than_stated_or_than_the_source(devices, source, number):
    found = at(feeder(devices, protection=source), f"P{number}")
    assert found.longest_s >= 0.5
    lone = at(feeder([], protection=source), f"P{number}")
    assert found.longest_s >= lone.longest_s - 1e-12
    assert found.longest_s >= found.clearing_s


@settings(max_examples=40, deadline=None)
@given(
    st.lists(placed, max_size=2), placed, protections, st.integers(0, N - 1),
    st.sampled_from(["backup", "primary"]),
)  # fmt: skip
def test_a_device_behind_the_fault_never_matters(devices, behind, source, number, clearing):
    (span_number, far, phases), protection = behind
    behind = ((max(span_number, number + 1), far, phases), protection)
    before = at(feeder(devices, protection=source), f"P{number}", clearing)
    after = at(feeder([*devices, behind], protection=source), f"P{number}", clearing)
    assert after == before


@settings(max_examples=40, deadline=None)
@given(
    st.lists(placed, min_size=1, max_size=3), protections, st.integers(0, N),
    st.sampled_from(["backup", "primary"]), st.tuples(st.integers(0, 3), st.integers(0, 4)),
)  # fmt: skip
def test_more_shots_are_never_shorter_and_blocked_ones_never_count(
    devices, source, number, clearing, repeated
):
    shots, which = repeated

    def with_shots(count):
        rows = list(devices)
        if which < len(rows):
            spot, protection = rows[which]
            rows[which] = (spot, protection | {"reclose_shots": count})
            return feeder(rows, protection=source), f"D{which}"
        return feeder(rows, protection=source | {"reclose_shots": count}), "F1"

    none, fewer, more = (with_shots(k) for k in (0, shots, shots + 1))
    times = [at(t, f"P{number}", clearing) for t, _ in (none, fewer, more)]
    assert times[0].longest_s <= times[1].longest_s + 1e-12
    assert times[1].longest_s <= times[2].longest_s + 1e-12
    blocked = at(more[0], f"P{number}", clearing, [more[1]])
    assert blocked == times[0]


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 500), st.floats(1.01, 5), st.integers(0, N), protections)
def test_rod_current_falls_with_resistance_and_stays_below_the_bolted_one(
    ohm, factor, number, source
):
    t = feeder([], protection=source)
    network, name = Network.build(t), f"P{number}"
    low, high = (
        rod_fault(t, network, circuit_id="F1", pole_id=name, electrode_ohm=r)
        for r in (ohm, ohm * factor)
    )
    assert high.largest_a < low.largest_a
    assert high.smallest_a < low.smallest_a
    assert low.largest_a < at(t, name).phase_ground_a
    if source["kind"] == "relay" and high.time_s is not None:
        assert low.time_s <= high.time_s * (1 + 1e-12)


@settings(max_examples=30, deadline=None)
@given(st.lists(placed, max_size=3), protections)
@example(
    [
        ((5, False, "ABC"), {"kind": "fuse", "clearing_points": [[20, 5.0], [9000, 0.02]]}),
        ((5, False, "AB"), {"kind": "fuse", "clearing_points": [[20, 50.0], [9000, 0.02]]}),
        ((5, False, "C"), {"kind": "fuse", "clearing_points": [[20, 0.5], [9000, 0.02]]}),
    ],
    {"kind": "fuse", "clearing_points": [[20, 1.0], [9000, 0.02]]},
)
def test_names_do_not_matter(devices, source):
    t = feeder(devices, protection=source)
    renamed = feeder([], protection=source)
    rows = [device(f"X{9 - k}", *one) for k, one in enumerate(devices)]
    if rows:
        renamed = territory(
            [pole(f"P{k}") for k in range(N + 1)],
            [span(f"S{k}", f"P{k - 1}", f"P{k}", length_m=900.0) for k in range(1, N + 1)],
            [circuit(backup_clearing_s=0.5, protection=source)],
            rows,
        )
    one, other = (replace(at(x, f"P{N}"), primary=None, backup=None) for x in (t, renamed))
    assert one.longest_s == pytest.approx(other.longest_s)
    assert one.largest_a == other.largest_a
