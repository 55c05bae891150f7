"""What must stand open: worked out by hand on small networks of two circuits.

F1 runs P0 (source) to P6 over S1 to S6, F2 from X0 (source) over X1 to X3. Devices stand as each
test says; `("P3", "S4")` is the end of span S4 at pole P3.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from feeder import circuit, pole, span, territory
from maps_maker import ROOT

import gridground as gg
from gridground.errors import NoPlanError
from gridground.territory.isolation import DeviceStates, isolate, nodes_at_ends, poles_on
from gridground.territory.network import Network


def device(name, pole_id, span_id, **given):
    row = {"device_id": name, "pole_id": pole_id, "span_id": span_id, "kind": "switch"}
    return row | {"state": "closed", "phases": "ABC", "protection": None} | given


def two_circuits(*devices, spans=()):
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(7)]
    poles += [pole(f"X{k}", at_m=400.0 + 50.0 * k) for k in range(4)]
    own = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 7)]
    other = [span(f"X-{k}", f"X{k - 1}", f"X{k}", circuit_id="F2") for k in range(1, 4)]
    circuits = [circuit(), circuit("F2", "X0")]
    return territory(poles, [*own, *other, *spans], circuits, devices)


def ends_at(network, pole_id):
    row = network.pole_row[pole_id]
    return [(row, s) for s in network.spans_at(row)]


def found(area, pole_id, **states):
    network = Network.build(area, **states)
    answer = isolate(network, ends_at(network, pole_id))
    ids = area.poles.ids, area.spans.ids
    points = [(str(ids[0][p.pole]), str(ids[1][p.span]), p.holds_off) for p in answer.points]
    return points, answer, network


def test_the_nearest_device_on_the_way_to_the_source_and_no_other():
    area = two_circuits(
        device("D1", "P0", "S1"), device("D2", "P1", "S2"), device("D9", "P5", "S6")
    )
    points, answer, network = found(area, "P3")
    assert points == [("P1", "S2", ("F1",))]  # D9 holds nothing off, D1 is farther out
    assert answer.device_ids(network) == ["D2"]
    assert answer.unparted == ()


def test_without_a_device_the_source_is_named():
    points, answer, _ = found(two_circuits(device("D9", "P5", "S6")), "P3")
    assert points == []
    assert answer.unparted == ("F1",)


def test_a_device_on_some_phases_parts_nothing_three_single_ones_do():
    one = [device("D1", "P0", "S1"), device("DA", "P1", "S2", phases="A")]
    assert found(two_circuits(*one), "P3")[0] == [("P0", "S1", ("F1",))]
    three = [device(f"D{p}", "P1", "S2", phases=p) for p in "ABC"]
    points, answer, network = found(two_circuits(*three), "P3")
    assert points == [("P1", "S2", ("F1",))]
    assert sorted(answer.device_ids(network)) == ["DA", "DB", "DC"]


def test_a_jumper_counts_only_where_it_is_off():
    closed = device("J1", "P1", "S2", kind="jumper")
    assert found(two_circuits(device("D1", "P0", "S1"), closed), "P3")[0][0][0] == "P0"
    assert found(two_circuits(closed | {"state": "open"}), "P3")[0] == [("P1", "S2", ("F1",))]


def tied(**given):
    tie = span("T", "P6", "X3", circuit_id="F1")
    return two_circuits(device("D1", "P0", "S1"), device("TIE", "X3", "T", **given), spans=[tie])


def test_a_tie_counts_in_any_state_and_says_whether_it_feeds():
    points, answer, network = found(tied(state="open"), "P3")
    assert points == [("P0", "S1", ("F1",)), ("X3", "T", ("F2",))]
    assert [p.fed_by for p in answer.points] == [("F1",), ("F2",)]
    assert answer.device_ids(network, against=["F2"]) == ["TIE"]
    # with the breaker of F2 open nothing reaches the tie from outside
    breaker = device("BX", "X0", "X-1", state="open")
    area = tied(state="open")
    area = two_circuits(device("D1", "P0", "S1"), device("TIE", "X3", "T", state="open"), breaker,
                        spans=[span("T", "P6", "X3", circuit_id="F1")])  # fmt: skip
    _, answer, _ = found(area, "P3")
    assert [(p.holds_off, p.fed_by) for p in answer.points] == [(("F1",), ("F1",)), (("F2",), ())]


def test_at_the_pole_of_a_device_the_side_decides():
    area = two_circuits(device("D1", "P0", "S1"), device("D3", "P3", "S4"))
    network = Network.build(area, opened={"D3"})
    states = DeviceStates(opened={"D3"})
    here, row = network.pole_row["P3"], network.span_row
    near = nodes_at_ends(network, [(here, row["S3"])], states)
    far = nodes_at_ends(network, [(here, row["S4"])], states)
    assert network.feeding(near) == ["F1"]
    assert network.feeding(far) == []
    assert poles_on(network, far) == ["P4", "P5", "P6"]
    assert nodes_at_ends(network, [(here, row["S4"])], DeviceStates(closed={"D3"})) == near


def drawn_past_the_device(**given):
    """The tie's device stands at P6, its span runs to F2's pole X3 with nothing recorded there."""
    tie = span("T", "P6", "X3", circuit_id="F1")
    return two_circuits(device("D1", "P0", "S1"), device("TIE", "P6", "T", **given), spans=[tie])


@pytest.mark.parametrize("state", ["open", "closed"])
def test_a_span_with_a_device_that_ends_at_another_circuits_pole_is_seen(state):
    area = drawn_past_the_device(state=state)
    network = Network.build(area)
    loose = [(str(area.poles.ids[p]), str(area.spans.ids[s])) for p, s in network.fixed.loose_ends]
    assert loose == [("X3", "T")]
    assert Network.build(tied(state=state)).fixed.loose_ends == ()
    # an end of the line at another circuit's pole, without a device on its span, is just an end
    plain = two_circuits(spans=[span("T", "P6", "X3", circuit_id="F1")])
    assert Network.build(plain).fixed.loose_ends == ()


@pytest.fixture(scope="module")
def sample():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def moved_tie(sample, state):
    """TIE1 of the sample stands at Q262, where WB1 and WB2 meet; put it at the other end."""
    devices = sample.layers["devices"]
    columns = {name: column.copy() for name, column in devices.columns.items()}
    row = devices.index()["TIE1"]
    span_row = sample.spans.index()[columns["span_id"][row]]
    ends = {sample.spans["from_pole"][span_row], sample.spans["to_pole"][span_row]}
    columns["pole_id"][row] = (ends - {columns["pole_id"][row]}).pop()
    columns["state"][row] = state
    layers = sample.layers | {"devices": replace(devices, columns=columns)}
    return replace(sample, layers=layers), str(columns["span_id"][row])


@pytest.mark.parametrize("state", ["open", "closed"])
def test_a_tie_drawn_to_the_wrong_end_is_never_ready(sample, state):
    area, span_id = moved_tie(sample, state)
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "08-gang-switch.toml")
    try:
        made = gg.plan_job(area, replace(job, sources_opened=("BK-WB1", "GS1")))
    except NoPlanError:
        return
    (item,) = [i for i in made["open_items"] if i["code"] == "end_not_joined"]
    assert span_id in item["where"]
    assert not made.ready


def test_the_remedy_names_what_parts_the_source_that_is_left(sample):
    """GS1 stands towards the tie: opening it does nothing against WB1, whose breaker is shut."""
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "08-gang-switch.toml")
    asked = replace(job, sources_opened=("TIE1",))
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(sample, asked)
    remedy = caught.value.reasons[0].remedy
    names = remedy.rpartition("nearest that part them are ")[2].rstrip(".").split(", ")
    again = gg.plan_job(sample, replace(job, sources_opened=("TIE1", *names)))
    assert not {i["code"] for i in again["open_items"]} & {"still_connected", "tie_not_tagged"}
