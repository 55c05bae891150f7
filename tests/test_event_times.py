"""Each event has its own time: what the source gives in it, put to the devices on the way."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from feeder import circuit, pole, span, territory
from maps_maker import ROOT

import gridground as gg
from gridground.electrical.event_times import EventLimits, FixedTime, event_times
from gridground.electrical.faults import study_poles
from gridground.electrical.tolerable import limit_v
from gridground.territory.network import Network

RELAY = {
    "kind": "relay", "curve": "IEEE VI", "pickup_a": 400.0, "time_dial": 2.0,
    "instantaneous_a": 6000.0, "breaker_s": 0.1, "ground_pickup_a": 200.0,
}  # fmt: skip


def very_inverse_s(current_a, *, pickup_a, dial=2.0, breaker_s=0.1):
    """IEEE C37.112-2018 equation 1, very inverse: A 19.61, B 0.491, p 2."""
    return dial * (19.61 / ((current_a / pickup_a) ** 2 - 1.0) + 0.491) + breaker_s


def times(*, protection=None, devices=(), poles=("P4",), clearing="backup", **stated):
    area = territory(
        [pole(f"P{k}", at_m=50.0 * k) for k in range(6)],
        [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 6)],
        [circuit(protection=protection, backup_clearing_s=None, **stated)],
        devices,
    )
    found = study_poles(
        area, Network.build(area), circuit_id="F1", pole_ids=poles, clearing=clearing,
        reclosing_blocked=(), extra=(),
    )  # fmt: skip
    return event_times([found.study])


def seen(a=0.0, b=0.0, c=0.0, ground=None):
    """Currents of the phases, and their sum: of one phase its own."""
    return np.array([[a, b, c, a + b + c if ground is None else ground]])


def test_a_relay_sees_the_current_of_the_event():
    found = times(protection=RELAY)
    assert found.times_s(seen(a=1000.0)) == pytest.approx(very_inverse_s(1000.0, pickup_a=200.0))
    # three phases without anything to ground: the phase element
    three = found.times_s(seen(1000.0, 1000.0, 1000.0, ground=0.0))
    assert three == pytest.approx(very_inverse_s(1000.0, pickup_a=400.0))


def test_below_every_pickup_it_stays_on():
    found = times(protection=RELAY)
    assert np.isnan(found.times_s(seen(a=150.0))).all()
    assert not np.isnan(found.times_s(seen(a=250.0))).any()
    without = times(protection={k: v for k, v in RELAY.items() if k != "ground_pickup_a"})
    assert np.isnan(without.times_s(seen(a=250.0))).all()


def test_a_fixed_time_holds_for_currents_like_those_of_faults_only():
    found = times(clearing_s=0.3)
    assert found.times_s(seen(a=4000.0)) == pytest.approx(0.3)
    assert np.isnan(found.times_s(seen(a=150.0))).all()


def fuse(name, phases, points):
    return {
        "device_id": name, "pole_id": "P1", "span_id": "S2", "kind": "fuse", "state": "closed",
        "phases": phases, "protection": {"kind": "fuse", "clearing_points": points},
    }  # fmt: skip


def test_a_fuse_on_the_way_opens_its_own_phase():
    points = [[200.0, 10.0], [1000.0, 0.1], [9000.0, 0.02]]
    given = {"clearing_s": 5.0, "devices": [fuse("FA", "A", points), fuse("FB", "B", points)]}
    found = times(clearing="primary", **given)
    # the fixed time of the source does not count for so little, the fuse does: log-log
    least = 10.0 * math.exp(math.log(0.1 / 10.0) * math.log(500 / 200) / math.log(1000 / 200))
    assert found.times_s(seen(a=500.0)) == pytest.approx(least)
    assert np.isnan(found.times_s(seen(c=500.0))).all()
    # a phase that hardly carries only returns what the other feeds
    assert found.times_s(seen(a=500.0, c=50.0, ground=450.0)) == pytest.approx(least)
    assert np.isnan(found.times_s(seen(a=500.0, c=300.0, ground=200.0))).all()
    # where the first device is taken to have failed nothing behind it sees so little
    assert np.isnan(times(**given).times_s(seen(a=500.0))).all()


def test_a_device_between_the_grounds_is_not_counted():
    points = [[10.0, 1.0], [9000.0, 0.02]]
    device = fuse("FB", "ABC", points) | {"pole_id": "P3", "span_id": "S4"}
    given = {"protection": RELAY, "devices": [device], "clearing": "primary"}
    behind, across = times(poles=("P4",), **given), times(poles=("P2", "P4"), **given)
    assert not np.isnan(behind.times_s(seen(a=150.0))).any()
    assert np.isnan(across.times_s(seen(a=150.0))).all()


def test_limits_are_those_of_the_event_and_never_above_the_plans():
    def of(current_a, rule="strictest", growth=1.0):
        limits = EventLimits(times(protection=RELAY), rule, 1000.0, 0.5, growth)
        base = limit_v(rule, duration_s=0.5, body_ohm=1000.0).volts
        volts, time_s = limits.of(seen(a=current_a), base)
        return float(volts[0]), float(time_s[0]), base

    volts, time_s, base = of(5000.0)  # faster than the plan's own duration: its limit stays
    assert time_s < 1.2
    assert volts <= base
    volts, time_s, base = of(600.0)
    assert time_s > 0.5
    assert volts == pytest.approx(limit_v("strictest", duration_s=time_s, body_ohm=1000.0).volts)
    assert volts < base
    volts, time_s, _ = of(150.0)
    assert math.isnan(time_s)
    assert volts == pytest.approx(5.0)  # 5 mA through 1,000 ohm
    assert of(150.0, rule="50 V")[0] == pytest.approx(5.0)
    assert of(600.0, rule="50 V")[0] == pytest.approx(50.0)
    # growth is taken out again: today's current takes longer
    assert of(600.0, growth=1.5)[1] > of(600.0)[1]


@pytest.fixture(scope="module")
def sample():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def planned(sample, name="01-straight", **change):
    job = gg.read_job(ROOT / "sample_data" / "jobs" / f"{name}.toml")
    return gg.plan_job(sample, replace(job, **change)).document


def stays(document):
    return [c for c in document["worker"]["cases"] if c["stays_on"] and c["whose"] == "worker"]


def test_what_may_stay_on_is_held_against_the_standing_limit(sample):
    document = planned(sample)
    found = stays(document)
    assert found
    assert {case["neutral"] for case in found} == {"broken"}
    assert {case["limit_v"] for case in found} == {5.0}
    assert all(case["passed"] == (case["voltage_v"] <= 5.0) for case in found)
    told = [c["text"] for c in document["cautions"] if "may stay on" in c["text"]]
    assert len(told) == 1
    reach = max(row["standing_radius_m"] for row in document["rod_zone"])
    assert f"{reach:.2f} m" in told[0]


def test_what_stays_on_above_the_standing_limit_keeps_a_plan_from_ready(sample):
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "05-four-way.toml")
    assert gg.plan_job(sample, job).ready
    # half the body, half the limit: 5 mA through 250 ohm are 1.25 V
    thin = replace(job.limits, body_ohm=250.0)
    asked = replace(job, limits=thin, method="single-point")
    document = gg.plan_job(sample, asked).document
    assert max(case["voltage_v"] for case in stays(document)) > 1.25
    assert not document["ready"]
    assert [c["code"] for c in document["checks"] if not c["passed"]] == ["worker_voltage"]


def test_less_sensitive_protection_never_makes_an_event_shorter(sample):
    circuits = sample.circuits
    settings = circuits.columns["protection"].copy()
    dulled = 0
    for row, one in enumerate(settings):
        if one is not None and "ground_pickup_a" in one:
            settings[row] = {k: v for k, v in one.items() if k != "ground_pickup_a"}
            dulled += 1
    assert dulled
    columns = circuits.columns | {"protection": settings}
    dull = replace(sample, layers=sample.layers | {"circuits": replace(circuits, columns=columns)})

    def key(case):
        return case["from"], case["event"], case["contact"], case["neutral"]

    def limits(document):
        found: dict[tuple[str, ...], float] = {}
        for case in document["worker"]["cases"]:
            found[key(case)] = min(case["limit_v"], found.get(key(case), math.inf))
        return found

    asked = {"name": "05-four-way", "method": "single-point"}
    before, after = limits(planned(sample, **asked)), limits(planned(dull, **asked))
    assert before.keys() == after.keys()
    assert before != after
    assert all(after[k] <= before[k] for k in before)


def test_the_stated_time_of_a_line_counts_for_currents_like_its_faults():
    found = FixedTime(0.1, 1400.0)  # of a line that gives 2,800 A
    assert found.times_s(seen(a=2000.0)) == pytest.approx(0.1)
    assert np.isnan(found.times_s(seen(a=1300.0))).all()


def test_a_falling_line_is_judged_by_its_own_time(sample):
    document = planned(sample, "18-crossing")
    (fallen,) = [o for o in document["worker"]["origins"] if o["kind"] == "line falls on"]
    cases = [case for case in document["worker"]["cases"] if case["from"] == fallen["from"]]
    stated = {case["time_s"] for case in cases if not case["stays_on"]}
    lines = sample.layers["other_lines"]
    own = float(lines["clearing_s"][lines.index()[fallen["from"]]])
    assert stated <= {own}
    assert all(case["limit_v"] == 5.0 for case in cases if case["stays_on"])
