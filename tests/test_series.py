"""Devices in series: who is asked at each pole, who clears, who backs up, and the time counted."""

from __future__ import annotations

import numpy as np
import pytest
from feeder import circuit, fault_notes, fault_open_items, pole, span, territory

from gridground.electrical.faults import fault_columns, faults_at
from gridground.electrical.feeds import feeds_of
from gridground.electrical.series import series_of
from gridground.territory.network import Network

SOURCE = {"kind": "relay", "curve": "IEEE VI", "pickup_a": 600.0, "time_dial": 2.0,
          "breaker_s": 0.083, "ground_pickup_a": 240.0}  # fmt: skip
RECLOSER = {"kind": "relay", "curve": "IEEE EI", "pickup_a": 300.0, "time_dial": 1.5,
            "breaker_s": 0.05, "ground_pickup_a": 150.0}  # fmt: skip
FUSE = {"kind": "fuse", "clearing_points": [[200, 10.0], [1000, 0.4], [9000, 0.02]]}
ABC = "ABC"
# stated, so that the phases are alike and currents can be checked by hand
EVEN = {"r1_ohm_per_km": 0.19, "x1_ohm_per_km": 0.39, "r0_ohm_per_km": 0.48, "x0_ohm_per_km": 1.2}


def device(name, at, on, protection=None, *, kind="recloser", phases=ABC, state="closed"):
    return {"device_id": name, "pole_id": at, "span_id": on, "kind": kind, "state": state,
            "phases": phases, "protection": protection}  # fmt: skip


def straight_with(devices, *, n=6, length_m=400.0, **given):
    """P0 … Pn; circuit F1 with the source relay unless another protection is given."""
    spans = [
        span(f"S{k}", f"P{k - 1}", f"P{k}", length_m=length_m, **EVEN) for k in range(1, n + 1)
    ]
    row = {"protection": SOURCE, "backup_clearing_s": 0.5} | given
    t = territory([pole(f"P{k}") for k in range(n + 1)], spans, [circuit(**row)], devices)
    return t, Network.build(t)


IN_SERIES = (device("R1", "P2", "S3", RECLOSER), device("FU", "P4", "S5", FUSE, kind="fuse"))


def at(t, network, pole_id, clearing="backup", **given):
    return faults_at(t, network, circuit_id="F1", pole_ids=[pole_id], clearing=clearing, **given)[
        pole_id
    ]


def items(t, network, *pole_ids, clearing="backup", **given):
    found = fault_open_items(
        t, network, circuit_id="F1", pole_ids=list(pole_ids), clearing=clearing, **given
    )
    return {item.code: item for item in found}


def relay_s(setting, phase_a, ground_a=0.0):
    """Independent: the equation of IEEE C37.112 written out, constants as printed there."""
    a, b = {"IEEE VI": (19.61, 0.491), "IEEE EI": (28.2, 0.1217)}[setting["curve"]]
    times = [
        setting["time_dial"] * (a / ((amps / pickup) ** 2 - 1) + b) + setting["breaker_s"]
        for amps, pickup in (
            (phase_a, setting["pickup_a"]),
            (ground_a, setting["ground_pickup_a"]),
        )
        if amps > pickup
    ]
    return min(times)


def fuse_s(amps):
    """Independent: straight lines on log paper, point by point."""
    (x0, y0), (x1, y1) = next(
        (a, b)
        for a, b in zip(FUSE["clearing_points"], FUSE["clearing_points"][1:], strict=False)
        if a[0] <= amps <= b[0]
    )
    return y0 * (amps / x0) ** (np.log(y1 / y0) / np.log(x1 / x0))


# --- who is asked ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pole_id", "primary", "backup"),
    [("P0", "F1", None), ("P2", "F1", None), ("P3", "R1", "F1"), ("P4", "R1", "F1"),
     ("P5", "FU", "R1"), ("P6", "FU", "R1")],
)  # fmt: skip
def test_primary_and_backup_behind_each_device(pole_id, primary, backup):
    found = at(*straight_with(IN_SERIES), pole_id)
    assert (found.primary, found.backup) == (primary, backup)


def test_times_behind_each_device_by_hand():
    t, network = straight_with(IN_SERIES)
    there = at(t, network, "P6")
    assert there.governing == "three_phase"
    amps = there.three_phase_a
    assert there.primary_s == pytest.approx(fuse_s(amps), rel=1e-9)
    assert there.backup_s == pytest.approx(relay_s(RECLOSER, amps), rel=1e-9)
    expected = max(0.5, relay_s(SOURCE, amps), relay_s(RECLOSER, amps))
    assert there.clearing_s == pytest.approx(expected, rel=1e-9)
    primary = at(t, network, "P6", clearing="primary")
    assert primary.clearing_s == primary.primary_s
    assert primary.clearing_s < 0.2 < there.clearing_s
    middle = at(t, network, "P3", clearing="primary")
    assert middle.clearing_s == pytest.approx(relay_s(RECLOSER, middle.three_phase_a), rel=1e-9)
    near = at(t, network, "P1")
    assert near.backup_s == 0.5  # stated, behind the source-end device
    assert near.primary_s == pytest.approx(relay_s(SOURCE, near.three_phase_a), rel=1e-9)


def test_every_kind_has_its_own_time_and_the_longest_counts_for_the_worker():
    t, network = straight_with((), backup_clearing_s=0.1)
    found = at(t, network, "P6")
    # between two phases there is no ground current: the phase element alone, the smallest current
    assert found.longest_s == pytest.approx(relay_s(SOURCE, found.phase_phase_a), rel=1e-9)
    assert found.longest_s > found.clearing_s
    kinds = (found.three_phase_a, found.phase_phase_a, found.phase_ground_a)
    assert found.minimum_a <= min(kinds)
    assert found.minimum_a == pytest.approx(min(kinds), rel=1e-9)


def test_columns_say_the_same_as_poles():
    t, network = straight_with(IN_SERIES)
    columns = fault_columns(t, network)
    for row, name in enumerate(columns["pole_id"]):
        found = at(t, network, name)
        assert columns["primary"][row] == found.primary
        assert columns["backup"][row] == found.backup
        for key in ("minimum_a", "primary_s", "backup_s", "longest_s", "clearing_s"):
            assert columns[key][row] == pytest.approx(getattr(found, key))


def test_devices_that_do_not_count():
    elsewhere = (
        device("SW", "P2", "S3", SOURCE, kind="switch"),  # opens no fault current
        device("SE", "P2", "S3", SOURCE, kind="sectionalizer"),
        device("R0", "P2", "S3"),  # states nothing
        device("BR", "P0", "S1", SOURCE, kind="breaker"),  # the source-end device itself
        device("RX", "P2", "S3", RECLOSER | {"pickup_a": "x"}),
    )
    found = at(*straight_with(elsewhere), "P4")
    assert (found.primary, found.backup) == ("F1", None)


def test_a_device_at_the_pole_of_the_fault_counts_only_beyond_it():
    # it stands at the load end of S3: leads at P3 may be on either side of it
    t, network = straight_with((device("R1", "P3", "S3", RECLOSER),))
    assert at(t, network, "P3").primary == "F1"
    assert at(t, network, "P4").primary == "R1"
    seen = feeds_of(t, network, None, ())[1]
    series = series_of(t, network, seen, reclosing_blocked=())
    assert [p.name for p in series.way(3)] == []
    assert [p.name for p in series.way(4)] == ["R1"]


def test_orientation_and_order_of_the_data_do_not_matter():
    t, network = straight_with(IN_SERIES)
    spans = [span(f"S{k}", f"P{k}", f"P{k - 1}", length_m=400.0, **EVEN) for k in range(6, 0, -1)]
    turned = territory(
        [pole(f"P{k}") for k in range(7)],
        spans,
        [circuit(protection=SOURCE, backup_clearing_s=0.5)],
        IN_SERIES[::-1],
    )
    a, b = at(t, network, "P6"), at(turned, Network.build(turned), "P6")
    assert (a.primary, a.backup, a.clearing_s) == (b.primary, b.backup, pytest.approx(b.clearing_s))


# --- phases ---------------------------------------------------------------------------------


def lateral(devices, phases="B", **given):
    """P0 - P1 - P2, and a lateral P1 - P3 - P4 on some phases."""
    spans = [
        span("S1", "P0", "P1", length_m=400.0),
        span("S2", "P1", "P2", length_m=400.0),
        span("L1", "P1", "P3", phases=phases, construction="IEEE 510", length_m=400.0),
        span("L2", "P3", "P4", phases=phases, construction="IEEE 510", length_m=400.0),
    ]
    row = {"protection": SOURCE, "backup_clearing_s": 0.5} | given
    t = territory([pole(f"P{k}") for k in range(5)], spans, [circuit(**row)], devices)
    return t, Network.build(t)


def test_a_fuse_on_a_lateral_is_nothing_to_the_main_line():
    t, network = lateral((device("FU", "P1", "L1", FUSE, kind="cutout", phases="B"),))
    assert at(t, network, "P4").primary == "FU"
    assert at(t, network, "P2").primary == "F1"
    without = at(*lateral(()), "P2")
    assert at(t, network, "P2") == without


def test_cutouts_on_three_phases_are_one_position():
    bank = tuple(device(f"C{p}", "P2", "S3", FUSE, kind="cutout", phases=p) for p in "ABC")
    found = at(*straight_with(bank), "P4")
    assert (found.primary, found.backup) == ("CA+CB+CC", "F1")
    whole = at(*straight_with((device("C", "P2", "S3", FUSE, kind="cutout"),)), "P4")
    assert found.primary_s == pytest.approx(whole.primary_s)
    assert found.longest_s == pytest.approx(whole.longest_s)


def test_a_device_on_some_phases_does_not_clear_faults_on_others():
    two = (device("CA", "P2", "S3", FUSE, kind="cutout", phases="A"),
           device("CB", "P2", "S3", FUSE, kind="cutout", phases="B"))  # fmt: skip
    t, network = straight_with(two)
    found = at(t, network, "P4", clearing="primary")
    # the three-phase fault stays on at C until the source opens; a fault on C alone as well
    assert found.governing == "three_phase"
    assert found.primary == "F1"
    whole = straight_with((device("C", "P2", "S3", FUSE, kind="cutout"),))
    assert found.longest_s > at(*whole, "P4", clearing="primary").longest_s


def test_an_open_device_leaves_its_phases_without_source():
    opened = device("R1", "P2", "S3", RECLOSER, state="open", phases="C")
    t, network = straight_with((opened,))
    found = at(t, network, "P4")
    assert found.three_phase_a is None
    assert found.primary == "F1"


# --- nothing operates, or not enough --------------------------------------------------------


def test_a_fuse_outside_its_points_hands_over_to_the_next():
    short = FUSE | {"clearing_points": [[200, 10.0], [1000, 0.4]]}
    t, network = straight_with((device("FU", "P4", "S5", short, kind="fuse"), IN_SERIES[0]))
    found = at(t, network, "P6")
    assert (found.primary, found.backup) == ("R1", "F1")
    item = items(t, network, "P5", "P6")["beyond_fuse_curve"]
    assert item.where == ("FU", "P5", "P6")
    assert "outside the fuse's points" in item.what
    assert "beyond_fuse_curve" not in items(t, network, "P4")


def test_never_trips_only_where_no_device_in_series_operates():
    weak = SOURCE | {"pickup_a": 2000.0, "ground_pickup_a": 2000.0}
    far = {"n": 3, "length_m": 5000.0, "protection": weak}
    lone = straight_with((), **far)
    assert "never_trips" in items(*lone, "P3")
    with_recloser = straight_with((device("R1", "P1", "S2", RECLOSER),), **far)
    found = items(*with_recloser, "P3")
    assert "never_trips" not in found
    assert found["no_backup_device"].where == ("F1", "R1", "P3")
    assert "R1 is the only device" in found["no_backup_device"].what
    assert "no_backup_device" not in items(*with_recloser, "P3", clearing="primary")
    blind = RECLOSER | {"pickup_a": 2000.0, "ground_pickup_a": 1500.0}
    found = items(*straight_with((device("R1", "P1", "S2", blind),), **far), "P3")
    assert found["never_trips"].where == ("F1", "R1", "P3")
    assert "No device between the fault and the source (R1, F1)" in found["never_trips"].what


def test_backup_never_hides_an_unknown_source_device():
    t, network = straight_with(IN_SERIES, protection=SOURCE | {"curve": "ANSI"})
    found = items(t, network, "P6")
    assert "protection_incomplete" in found
    assert at(t, network, "P6").clearing_s == 0.5  # the stated backup time
    assert at(t, network, "P6", clearing="primary").primary == "FU"


# --- loops ----------------------------------------------------------------------------------


def test_devices_in_a_loop_are_named_and_not_counted():
    spans = [
        span("S1", "P0", "P1"), span("S2", "P1", "P2"), span("S3", "P2", "P3"),
        span("S4", "P3", "P1"), span("S5", "P3", "P4"), span("S6", "P4", "P5"),
    ]  # fmt: skip
    devices = (
        device("R1", "P0", "S1", RECLOSER), device("RL", "P1", "S2", RECLOSER),
        device("FU", "P4", "S6", FUSE, kind="fuse"),
    )  # fmt: skip
    t = territory([pole(f"P{k}") for k in range(6)], spans,
                  [circuit(protection=SOURCE, backup_clearing_s=0.5)], devices)  # fmt: skip
    network = Network.build(t)
    inside, behind = at(t, network, "P2"), at(t, network, "P5")
    assert (inside.primary, inside.backup) == ("R1", "F1")
    assert (behind.primary, behind.backup) == ("FU", "R1")

    def notes(*poles):
        return fault_notes(t, network, circuit_id="F1", pole_ids=poles, reclosing_blocked=())

    assert any(note.text.startswith("RL: in a loop") for note in notes("P2"))
    assert any(note.text.startswith("RL: in a loop") for note in notes("P5"))
    assert not any("in a loop" in note.text for note in notes("P1"))


def test_parallel_spans_share_the_current_and_do_not_count():
    spans = [span("S1", "P0", "P1"), span("S2", "P1", "P2"), span("T2", "P1", "P2")]
    t = territory([pole(f"P{k}") for k in range(3)], spans,
                  [circuit(protection=SOURCE, backup_clearing_s=0.5)],
                  (device("R1", "P1", "S2", RECLOSER),))  # fmt: skip
    network = Network.build(t)
    assert at(t, network, "P2").primary == "F1"
    notes = fault_notes(t, network, circuit_id="F1", pole_ids=["P2"], reclosing_blocked=())
    assert any("R1: in a loop" in note.text for note in notes)


# --- reclosing ------------------------------------------------------------------------------


def test_shots_add_without_cooling_and_ask_to_be_blocked():
    again = (device("R1", "P2", "S3", RECLOSER | {"reclose_shots": 4}),)
    t, network = straight_with(again, protection=SOURCE | {"reclose_shots": 0})
    found = at(t, network, "P6")
    amps = getattr(found, f"{found.governing}_a")
    ground_a = amps if found.governing == "phase_ground" else 0.0
    assert found.clearing_s == pytest.approx(5 * relay_s(RECLOSER, amps, ground_a), rel=1e-9)
    assert found.times_on == 5
    assert found.heating_x_over_r == pytest.approx(5 * found.x_over_r)
    blocked = at(t, network, "P6", reclosing_blocked=["R1"])
    assert blocked.clearing_s < found.clearing_s
    assert blocked.times_on == 1
    # one shot's offset, not that of the whole time
    assert found.asymmetry_ratio > blocked.asymmetry_ratio
    assert found.longest_s >= 5 * relay_s(RECLOSER, found.three_phase_a)
    item = items(t, network, "P6", "P1")["reclosing_not_blocked"]
    assert item.where == ("R1", "P6")
    assert item.who == "dispatcher"
    assert "reclosing_not_blocked" not in items(t, network, "P6", reclosing_blocked=["R1"])
    # at its own pole leads may stand behind it: its shots count there too
    slow = RECLOSER | {"reclose_shots": 3, "time_dial": 4.0}
    t, network = straight_with((device("R1", "P3", "S3", slow),))
    assert at(t, network, "P3").times_on == 4
    assert "reclosing_not_blocked" in items(t, network, "P3")


def test_shots_of_the_source_end_device():
    t, network = straight_with((), protection=SOURCE | {"reclose_shots": 2})
    found = at(t, network, "P2")
    once = relay_s(SOURCE, found.three_phase_a)
    assert found.clearing_s == pytest.approx(3 * once, rel=1e-9)
    assert found.primary_s == pytest.approx(once, rel=1e-9)
    assert items(t, network, "P2")["reclosing_not_blocked"].where == ("F1", "P2")
    assert at(t, network, "P2", reclosing_blocked=["F1"]).clearing_s == pytest.approx(
        max(0.5, once), rel=1e-3
    )


def test_unstated_reclosing_is_an_assumption():
    t, network = straight_with((device("R1", "P2", "S3"), device("R2", "P5", "S6")))

    def texts(*poles, blocked=()):
        found = fault_notes(
            t, network, circuit_id="F1", pole_ids=list(poles), reclosing_blocked=blocked
        )
        return [note.text for note in found]

    assert texts("P5") == [
        "Automatic reclosing taken as blocked at F1, R1, where it is not stated: block it and "
        "tag it."
    ]
    assert "R1, R2" in texts("P6")[0]
    assert texts("P5", blocked=("F1", "R1")) == []
    stated = straight_with((), protection=SOURCE | {"reclose_shots": 0})
    assert fault_notes(*stated, circuit_id="F1", pole_ids=["P5"], reclosing_blocked=()) == []
    fuse = straight_with((), protection=FUSE)
    assert fault_notes(*fuse, circuit_id="F1", pole_ids=["P5"], reclosing_blocked=()) == []
