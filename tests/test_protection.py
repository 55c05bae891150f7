"""Clearing time: curves, elements, fuse points, backup, and what is not known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from feeder import circuit, pole, span, territory
from hypothesis import given
from hypothesis import strategies as st

from gridground.electrical.curves import reclose_shots
from gridground.electrical.protection import (
    CURVES,
    backup_s,
    circuit_clearing_s,
    clearing_open_items,
    clearing_s,
    curve_time_s,
    protection_gaps,
)
from gridground.errors import TableError

RELAY = {
    "kind": "relay",
    "curve": "IEEE VI",
    "pickup_a": 400.0,
    "time_dial": 2.0,
    "instantaneous_a": None,
    "breaker_s": 0.05,
    "ground_pickup_a": None,
}
FUSE = {"kind": "fuse", "clearing_points": [[100, 10.0], [1000, 0.1], [5000, 0.02]]}


def time_of(protection, phase_a, ground_a=0.0, fixed_s=None):
    return clearing_s(protection, fixed_s, phase_current_a=phase_a, ground_current_a=ground_a)


def with_(**given):
    return RELAY | given


def circuit_territory(**given):
    spans = [span("S1", "P0", "P1")]
    return territory([pole("P0"), pole("P1")], spans, [circuit(**given)])


def circuit_time(t, clearing, phase_a, ground_a=0.0):
    return circuit_clearing_s(
        t, 0, clearing=clearing, phase_current_a=phase_a, ground_current_a=ground_a
    )


def test_relay_by_hand():
    # by hand: M = 5, 2 (19.61/24 + 0.491) + 0.05
    assert time_of(RELAY, 2000.0) == pytest.approx(2 * (19.61 / 24 + 0.491) + 0.05)


@pytest.mark.parametrize("curve", CURVES)
def test_never_at_or_below_pickup_and_constant_above_twenty(curve):
    relay = with_(curve=curve)
    assert np.isnan(time_of(relay, [10.0, 399.9, 400.0])).all()
    assert time_of(relay, 400.0 * 20) == time_of(relay, 400.0 * 90)
    assert time_of(relay, 400.0 * 19.9) > time_of(relay, 400.0 * 20)


@given(st.sampled_from(sorted(CURVES)), st.floats(1.01, 60), st.floats(1.0, 3.0))
def test_more_current_never_takes_longer(curve, multiple, factor):
    times = curve_time_s(curve, [multiple, multiple * factor], dial=1.0)
    assert times[1] <= times[0]
    assert curve_time_s(curve, multiple, dial=2.0) == pytest.approx(2 * times[0])


def test_instantaneous_element_leaves_the_breaker_time():
    relay = with_(instantaneous_a=3000.0)
    assert time_of(relay, [2999.0, 3000.0, 9000.0])[1:] == pytest.approx([0.05, 0.05])
    assert time_of(relay, 2999.0) == time_of(RELAY, 2999.0)


def test_ground_element_counts_where_it_is_faster():
    relay = with_(ground_pickup_a=100.0)
    below = time_of(relay, 300.0, 300.0)  # phase element never, ground element at M = 3
    assert below == pytest.approx(2 * (19.61 / 8 + 0.491) + 0.05)
    assert math.isnan(time_of(RELAY, 300.0, 300.0))
    assert time_of(relay, 2000.0, 2000.0) < time_of(RELAY, 2000.0, 2000.0)
    assert time_of(relay, 2000.0, 0.0) == time_of(RELAY, 2000.0)
    assert math.isnan(time_of(relay, 300.0, 90.0))


def test_arrays_equal_scalars():
    currents = np.array([[500.0, 900.0], [3000.0, 12000.0]])
    found = time_of(RELAY, currents)
    assert found.shape == (2, 2)
    assert found[1, 0] == time_of(RELAY, 3000.0)
    assert isinstance(time_of(RELAY, 3000.0), float)


@pytest.mark.parametrize("key", ["pickup_a", "time_dial", "breaker_s", "curve"])
@pytest.mark.parametrize("value", [None, 0, -1.0, "4 cycles", math.nan, True])
def test_a_setting_that_is_not_known_gives_no_time(key, value):
    broken = with_(**{key: value})
    assert protection_gaps(broken) == (key,)
    assert math.isnan(time_of(broken, 5000.0))
    del broken[key]
    assert protection_gaps(broken) == (key,)


@pytest.mark.parametrize("key", ["instantaneous_a", "ground_pickup_a"])
def test_an_optional_element_may_be_absent_but_not_nonsense(key):
    relay = with_()
    del relay[key]
    assert protection_gaps(relay) == ()
    assert protection_gaps(with_(**{key: -5.0})) == (key,)


def test_kind_must_be_known():
    assert protection_gaps({"kind": "sectionalizer"}) == ("kind",)
    assert math.isnan(time_of({}, 1000.0))


@pytest.mark.parametrize("curve", CURVES)
def test_just_above_pickup_is_long_but_a_number(curve):
    times = curve_time_s(curve, np.nextafter(1.0, 2.0) ** np.arange(1, 4), dial=1.0)
    assert np.isfinite(times).all()
    assert (times > 1e6).all()
    assert (np.diff(times) < 0).all()


@pytest.mark.parametrize("kind", ["relay", "fuse"])
@pytest.mark.parametrize(("shots", "usable"), [(0, True), (4, True), (None, True), (5, False),
                                               (-1, False), (1.0, False), (True, False),
                                               ("3", False)])  # fmt: skip
def test_reclose_shots_are_a_whole_number_up_to_four(kind, shots, usable):
    one = {"relay": RELAY, "fuse": FUSE}[kind] | {"reclose_shots": shots}
    assert protection_gaps(one) == (() if usable else ("reclose_shots",))
    assert math.isnan(time_of(one, 2000.0)) is not usable
    assert reclose_shots(one) == (shots if usable else None)


def test_reclosing_that_is_not_stated_is_unknown():
    assert reclose_shots(RELAY) is None
    assert reclose_shots(None) is None


def test_fuse_is_straight_on_log_paper():
    # by hand: 100 A 10 s to 1000 A 0.1 s is I² t constant
    assert time_of(FUSE, 100.0) == pytest.approx(10.0)
    assert time_of(FUSE, 200.0) == pytest.approx(2.5)
    assert time_of(FUSE, 5000.0) == pytest.approx(0.02)
    shuffled = FUSE | {"clearing_points": FUSE["clearing_points"][::-1]}
    assert time_of(shuffled, 200.0) == time_of(FUSE, 200.0)


@pytest.mark.parametrize("current_a", [99.0, 5001.0])
def test_fuse_is_never_extrapolated(current_a):
    with pytest.raises(TableError, match="points from 100 A to 5000 A") as error:
        time_of(FUSE, [300.0, current_a])
    assert error.value.value == f"{current_a:.6g} A"


@pytest.mark.parametrize(
    "points",
    [None, [], [[100, 1]], [[100, 1], [100, 2]], [[100, 1], [200, 2]], [[0, 1], [5, 0.5]],
     [[1, 2, 3]], "curve", [[100, 1], [200]], [[100, 1], [200, math.nan]]],
    ids=str,
)  # fmt: skip
def test_points_that_are_no_curve(points):
    fuse = {"kind": "fuse", "clearing_points": points}
    assert protection_gaps(fuse) == ("clearing_points",)
    assert math.isnan(time_of(fuse, 150.0))


def test_fixed_time_only_without_protection():
    assert time_of(None, [100.0, np.nan], fixed_s=0.25) == pytest.approx(
        [0.25, np.nan], nan_ok=True
    )
    assert time_of(RELAY, 2000.0, fixed_s=0.25) == time_of(RELAY, 2000.0)
    for nothing in (None, 0.0, -0.25, math.nan):
        assert math.isnan(time_of(None, 100.0, fixed_s=nothing))


def test_backup_is_the_larger_of_the_two():
    t = circuit_territory(clearing_s=0.25, backup_clearing_s=0.5)
    assert circuit_time(t, "backup", 1000.0) == (pytest.approx(0.5), ())
    assert circuit_time(t, "primary", 1000.0) == (pytest.approx(0.25), ())
    t = circuit_territory(protection=RELAY, backup_clearing_s=0.5)
    slow, _ = circuit_time(t, "backup", 2000.0)
    assert slow == pytest.approx(time_of(RELAY, 2000.0))
    assert backup_s(t, 0) == 0.5


def test_no_backup_stated_is_an_open_item():
    t = circuit_territory(clearing_s=0.25, backup_clearing_s=None)
    assert circuit_time(t, "backup", 1000.0) == (pytest.approx(0.25), ())
    (item,) = clearing_open_items(t, 0, "backup")
    assert item.code == "backup_not_stated"
    assert item.where == ("F1",)
    assert clearing_open_items(t, 0, "primary") == []
    stated = circuit_territory(clearing_s=0.25, backup_clearing_s=0.5)
    assert clearing_open_items(stated, 0, "backup") == []


@pytest.mark.parametrize(
    ("given", "current_a", "code"),
    [
        ({}, 1000.0, "no_clearing_time"),
        ({"protection": RELAY}, 350.0, "never_trips"),
        ({"protection": RELAY | {"breaker_s": None}}, 5000.0, "protection_incomplete"),
        ({"protection": FUSE}, 90.0, "beyond_fuse_curve"),
    ],
)
@pytest.mark.parametrize("clearing", ["backup", "primary"])
def test_no_time_says_why_and_backup_does_not_hide_it(given, current_a, code, clearing):
    t = circuit_territory(backup_clearing_s=0.5, **given)
    times, reasons = circuit_time(t, clearing, [current_a, np.nan])
    assert np.isnan(times).all()
    assert [reason.code for reason in reasons] == [code]
    assert reasons[0].where == ("F1",)


def test_an_absent_fault_is_no_reason():
    times, reasons = circuit_time(circuit_territory(protection=RELAY), "primary", [np.nan])
    assert np.isnan(times).all()
    assert reasons == ()
