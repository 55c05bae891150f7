"""Every first open place is an event of its own; neighbours count part by part.

F1 runs P0 (source) to P6 over S1 to S6; F2, F3 run from X0, Y0. Expected by hand from the sketch
of each test.
"""

from __future__ import annotations

import numpy as np
import pytest
from feeder import circuit, pole, span, territory
from test_injection import feeder, find, neighbour, one_ground
from test_isolation import device

from gridground.electrical.event_times import event_times
from gridground.electrical.exposure import Layout
from gridground.electrical.faults import study_poles
from gridground.electrical.origins import find_origins, held_off
from gridground.territory.network import Network


def tied(*devices, spans=(), third=False):
    """Return F1 with ties to F2, and F3 on the pole of the first tie."""
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(7)]
    poles += [pole(f"X{k}", at_m=400.0 + 50.0 * k) for k in range(4)]
    rows = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 7)]
    rows += [span(f"X-{k}", f"X{k - 1}", f"X{k}", circuit_id="F2") for k in range(1, 4)]
    circuits = [circuit(), circuit("F2", "X0")]
    if third:
        poles.append(pole("Y0", at_m=700.0))
        rows.append(span("Y-1", "Y0", "X3", circuit_id="F3"))
        circuits.append(circuit("F3", "Y0"))
    return territory(poles, [*rows, *spans], circuits, devices)


def nodes_of(network, pole_id):
    row = network.pole_row[pole_id]
    return [network.node_at(s, row) for s in network.spans_at(row)]


TIE = span("T", "P6", "X3")
TIE2 = span("T2", "P1", "X1")


# --- which circuit a device joins -----------------------------------------------------------------


@pytest.mark.parametrize("state", ["open", "closed"])
def test_a_third_circuit_on_the_pole_of_a_tie_hides_nothing(state):
    area = tied(device("TIE", "X3", "T", state=state), spans=[TIE], third=True)
    network = Network.build(area)
    loose = [(str(area.poles.ids[p]), str(area.spans.ids[s])) for p, s in network.fixed.loose_ends]
    assert loose == [("X3", "T")]


@pytest.mark.parametrize(("joins", "expected"), [("F2", "F2"), ("F3", "F3")])
def test_a_device_may_say_which_circuit_it_joins(joins, expected):
    tie = device("TIE", "X3", "T", state="closed", joins_circuit=joins)
    network = Network.build(tied(tie, spans=[TIE], third=True))
    assert network.fixed.loose_ends == ()
    assert set(network.feeding(nodes_of(network, "P3"))) == {"F1", expected}


def test_a_circuit_that_does_not_hang_there_settles_nothing():
    tie = device("TIE", "X3", "T", state="closed", joins_circuit="F1")
    network = Network.build(tied(tie, spans=[TIE], third=True))
    assert len(network.fixed.loose_ends) == 1


def test_the_end_of_a_link_among_several_circuits_is_asked_about():
    area = tied(spans=[TIE | {"kind": "link"}], third=True)
    assert len(Network.build(area).fixed.loose_ends) == 1
    assert Network.build(tied(spans=[TIE | {"kind": "link"}])).fixed.loose_ends == ()


# --- every way ------------------------------------------------------------------------------------


def test_each_first_open_place_to_the_same_source_is_a_way():
    area = tied(
        device("TIE", "X3", "T", state="open"),
        device("TIE2", "X1", "T2", state="open"),
        spans=[TIE, TIE2],
    )
    network = Network.build(area)
    ways = held_off(network, nodes_of(network, "P3"))
    assert ways == [("F2", ("TIE",)), ("F2", ("TIE2",))]
    assert held_off(network, nodes_of(network, "P3"), held={"TIE2"}) == [("F2", ("TIE",))]
    origins = find_origins(area, network, nodes=nodes_of(network, "P3"), opened=())
    assert [o.name for o in origins] == ["F1", "TIE", "TIE2"]


def test_two_open_devices_in_a_row_are_closed_together():
    area = tied(
        device("TIE", "X3", "T", state="open"), device("D2", "X2", "X-2", state="open"), spans=[TIE]
    )
    network = Network.build(area)
    assert held_off(network, nodes_of(network, "P3")) == [("F2", ("D2", "TIE"))]


def test_devices_of_one_span_are_closed_together():
    single = [device(f"D{p}", "X3", "T", state="open", phases=p) for p in "ABC"]
    network = Network.build(tied(*single, spans=[TIE]))
    assert held_off(network, nodes_of(network, "P3")) == [("F2", ("DA", "DB", "DC"))]
    # one of the three tagged: the other two phases still come
    two = held_off(network, nodes_of(network, "P3"), held={"DA"})
    assert two == [("F2", ("DB", "DC"))]


def test_what_lies_beyond_another_source_is_a_second_mistake():
    beyond = span("U", "X2", "Y0", circuit_id="F2")
    area = tied(
        device("TIE", "X3", "T", state="open", joins_circuit="F2"),
        device("D9", "Y0", "U", state="open"),
        spans=[TIE, beyond],
        third=True,
    )
    network = Network.build(area)
    assert held_off(network, nodes_of(network, "P3")) == [("F2", ("TIE",))]


# --- neighbours -----------------------------------------------------------------------------------


def test_a_part_of_a_neighbour_without_a_source_hides_no_live_part():
    """At P3 hangs a piece of F2 without a source, at P2 one that is fed."""
    live, off = neighbour("P2"), neighbour("P3")
    off["spans"][0]["span_id"], off["spans"][0]["from_pole"] = "T0", "Q9"
    poles = [*live["poles"], pole("Q9", at_m=900.0)]
    data = feeder(poles=poles, spans=[*off["spans"], *live["spans"]], circuits=live["circuits"])
    both = Layout((one_ground("P2", worksite=False), one_ground("P3")), {})
    assert [o.name for o in find(data, both).origins] == ["F2"]


def breaker(state="open"):
    return device("DX", "Q0", "T1", state=state)


def test_a_neighbour_recorded_open_and_not_tagged_can_be_closed():
    data = feeder(devices=[breaker()], **neighbour())
    found = find(data)
    assert [o.name for o in found.origins] == ["F2"]
    # the event's own network has the device closed: the source reaches the contact there
    (origin,) = found.origins
    assert origin.network.feeding([origin.injection.via]) == ["F2"]
    assert find(data, opened=("DX",)).origins == ()


def test_a_generator_on_a_neighbour_held_off_is_named():
    row = {"equipment_id": "G9", "pole_id": "P3", "circuit_id": "F2", "kind": "generator"}
    extra = neighbour()
    data = feeder(devices=[breaker()], equipment=[row | {"phases": "ABC"}], **extra)
    found = find(data, opened=("DX",))
    assert "G9" in {u.name for u in found.unsolved if u.kind == "other circuit falls on"}


# --- times across studies -------------------------------------------------------------------------


def fault_study(area, circuit_id, *pole_ids):
    network = Network.build(area)
    found = study_poles(
        area, network, circuit_id=circuit_id, pole_ids=pole_ids, clearing="primary",
        reclosing_blocked=(), extra=(),
    )  # fmt: skip
    return found.study


FUSED = {"kind": "fuse", "clearing_points": [[10.0, 1.0], [9000.0, 0.02]]}
SEEN = np.array([[150.0, 0.0, 0.0, 150.0]])


def test_the_devices_common_to_two_studies_are_those_common_to_their_poles():
    """One study holds a pole behind the fuse, one a pole before it: the fuse does not count."""
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(6)]
    rows = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 6)]
    fuse = device("FU", "P3", "S4", kind="fuse", protection=FUSED)
    area = territory(poles, rows, [circuit(clearing_s=0.3, backup_clearing_s=None)], [fuse])
    behind, before = fault_study(area, "F1", "P5"), fault_study(area, "F1", "P2")
    assert not np.isnan(event_times([behind]).times_s(SEEN)).any()
    for pair in ([behind, before], [before, behind]):
        assert np.isnan(event_times(pair).times_s(SEEN)).all()


def test_studies_of_different_sources_have_no_time_in_common():
    area = tied()
    with_times = {"clearing_s": 0.3, "backup_clearing_s": None}
    area.layers["circuits"] = territory(
        [], [], [circuit(**with_times), circuit("F2", "X0", **with_times)]
    ).layers["circuits"]
    own, other = fault_study(area, "F1", "P3"), fault_study(area, "F2", "X2")
    assert event_times([own]) is not None
    assert event_times([own, other]) is None
