"""Energy from other circuits, equipment and falling lines, against circuits solved by hand."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting, study
from gridground.electrical.injection import Between, find_injections
from gridground.electrical.lines import span_primitive_ohm_per_km
from gridground.errors import InputError
from gridground.territory.network import Network
from gridground.territory.read import read_territory
from tests.feeder import circuit, pole, span, territory

LEAD = 0.002 + 0.001j
ROD_OHM = 50.0
SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
NOTHING = Between(frozenset(), frozenset())
POLES = [f"P{k}" for k in range(7)]


def one_ground(pole_id="P3", letter="A", *, worksite=True):
    """Return one place: rod, bar and one phase."""
    pairs = (("rod", "bar"), ("bar", letter))
    branches = tuple(Branch(*ends, LEAD.real, LEAD.imag, k) for k, ends in enumerate(pairs))
    return Place(pole_id, None, ("F1",), ROD_OHM, branches, worksite)


def feeder(*, poles=(), spans=(), circuits=(), devices=(), **others):
    """Return a straight feeder without neutral and what is given besides."""
    row = [pole(name, at_m=50.0 * k) for k, name in enumerate(POLES)]
    own = [span(f"S{k}", POLES[k - 1], POLES[k], neutral_conductor=None) for k in range(1, 7)]
    for k, one in enumerate(own, start=1):
        one["at"] = shapely.LineString([row[k - 1]["at"], row[k]["at"]])
    return territory([*row, *poles], [*own, *spans], [circuit(), *circuits], devices, **others)


def find(data, layout=None, *, between=NOTHING, opened=()):
    """Find what can come in."""
    layout = layout or Layout((one_ground(),), {})
    network = Network.build(data)
    return find_injections(network, layout, between=between, opened=opened, isolated=())


def solve(data, layout, found):
    """Study the origins found."""
    return study(data, layout, origins=list(found.origins), setting=SETTING)


def beside(metres, **given):
    """Return another line along the feeder at a distance east of it."""
    east = metres / (111_320.0 * math.cos(math.radians(40.0)))
    line = shapely.LineString([(east, 39.999), (east, 40.004)])
    row = {"line_id": "T1", "nominal_kv": 69.0, "state": "energized", "load_a": 1.0}
    return row | {"height_m": 15.0, "fault_a": 3000.0, "at": line} | given


# --- lines --------------------------------------------------------------------------------------


def test_falling_line_by_hand():
    """By hand: V over the line's reactance, two leads and the rod in series."""
    data = feeder(other_lines=[beside(5.0)])
    layout = Layout((one_ground(),), {})
    found = find(data, layout)
    assert [(o.name, o.kind, o.pole_id) for o in found.origins] == [("T1", "line falls on", "P3")]
    answer = solve(data, layout, found)
    volt = 69000 / math.sqrt(3)
    current = volt / abs(1j * volt / 3000.0 + 2 * LEAD + ROD_OHM)
    assert answer.lead_current_a == pytest.approx([current, current], rel=1e-6)
    assert {c.event for c in answer.cases} == {"A", "B", "C"}
    [case] = [c for c in answer.cases if (c.event, c.contact) == ("A", "A-bar@P3")]
    assert case.voltage_v == pytest.approx(current * abs(LEAD), rel=1e-4)
    assert answer.rod_a == pytest.approx({"P3": current}, rel=1e-5)
    assert answer.residual < 1e-9
    assert any("pure reactance" in note for note in found.notes)


def test_line_falls_on_a_phase_that_is_not_bonded():
    """The struck phase has no lead: its voltage stands at the line's, the case fails."""
    data = feeder(other_lines=[beside(5.0)])
    layout = Layout((one_ground(),), {})
    answer = solve(data, layout, find(data, layout))
    [case] = [c for c in answer.cases if (c.event, c.contact) == ("B", "B-bar@P3")]
    assert not case.passed
    assert case.voltage_v > 30000.0  # by hand: 69 kV / sqrt(3) less a thousandth of reactance


@pytest.mark.parametrize(
    ("metres", "given", "origins", "unsolved"),
    [
        (14.0, {}, ["T1"], []),
        (16.0, {}, [], []),
        (5.0, {"state": "dead"}, [], []),
        (5.0, {"state": None}, ["T1"], []),
        (5.0, {"fault_a": None}, [], ["T1"]),
        (5.0, {"nominal_kv": None}, [], ["T1"]),
    ],
)
def test_which_lines_count(metres, given, origins, unsolved):
    found = find(feeder(other_lines=[beside(metres, **given)]))
    assert [o.name for o in found.origins] == origins
    assert [u.name for u in found.unsolved] == unsolved
    assert all("fault_a" in u.why or "nominal_kv" in u.why for u in found.unsolved)


def test_a_line_states_its_own_clearing_time():
    [origin] = find(feeder(other_lines=[beside(5.0, clearing_s=0.2)])).origins
    assert origin.clearing_s == 0.2


def test_a_line_over_the_brackets_only_falls_there():
    places = (one_ground("P1", worksite=False), one_ground("P5"))
    crossing = shapely.LineString([(-0.001, 40.0 + 50 / 111_035), (0.001, 40.0 + 50 / 111_035)])
    [origin] = find(feeder(other_lines=[beside(0, at=crossing)]), Layout(places, {})).origins
    assert origin.pole_id == "P1"


# --- other circuits -----------------------------------------------------------------------------


def neighbour(at_pole="P3", **given):
    """Return a circuit whose one span ends at a pole of the feeder, coming from the east."""
    at = 40.0 + 50.0 * int(at_pole[1:]) / 111_035.0
    given = {"at": shapely.LineString([(0.01, at), (0.0, at)])} | given
    return {
        "poles": [pole("Q0", at_m=400.0)],
        "spans": [span("T1", "Q0", at_pole, circuit_id="F2", neutral_conductor=None, **given)],
        "circuits": [circuit("F2", "Q0", fault_1ph_a=4000.0, x_over_r_1ph=3.0)],
    }


def test_other_circuit_falling_by_hand():
    """By hand: source, one conductor of 50 m, two leads and the rod in series."""
    data = feeder(**neighbour())
    layout = Layout((one_ground(),), {})
    found = find(data, layout)
    assert [(o.name, o.kind) for o in found.origins] == [("F2", "other circuit falls on")]
    answer = solve(data, layout, found)
    labels, per_km = span_primitive_ohm_per_km(data, 6, resistivity_ohm_m=100.0)
    own = per_km[labels.index("A"), labels.index("A")] * 0.05
    volt = 12470 / math.sqrt(3)
    z = volt / 4000 * np.exp(1j * math.atan(3.0)) + own + 2 * LEAD + ROD_OHM + 1e-5
    assert answer.lead_current_a == pytest.approx([volt / abs(z)] * 2, rel=1e-6)
    assert {c.event for c in answer.cases} == {"ABC", "A", "B", "C"}


def test_a_conductor_it_lacks_is_touched_by_its_first():
    """By hand as above, with phase B alone of the other circuit on every worked phase."""
    given = {"phases": "B", "construction": "IEEE 510"}
    data = feeder(**neighbour(**given))
    layout = Layout((one_ground(),), {})
    answer = solve(data, layout, find(data, layout))
    _, per_km = span_primitive_ohm_per_km(data, 6, resistivity_ohm_m=100.0)
    volt = 12470 / math.sqrt(3)
    z = volt / 4000 * np.exp(1j * math.atan(3.0)) + per_km[0, 0] * 0.05 + 2 * LEAD + ROD_OHM
    assert answer.lead_current_a == pytest.approx([volt / abs(z)] * 2, rel=1e-5)


def test_other_circuit_touches_at_the_worksite_if_it_hangs_there():
    places = (one_ground("P2", worksite=False), one_ground("P3"))
    assert find(feeder(**neighbour("P3")), Layout(places, {})).origins[0].pole_id == "P3"
    assert find(feeder(**neighbour("P2")), Layout(places, {})).origins[0].pole_id == "P2"
    assert find(feeder(**neighbour("P6")), Layout(places, {})).origins == ()
    inside = Between(frozenset(), frozenset({6}))
    assert find(feeder(**neighbour("P6")), Layout(places, {}), between=inside).origins


def test_other_circuit_that_crosses_between_the_grounds():
    extra = neighbour()
    extra["poles"] = [pole("Q0"), pole("Q1")]
    at = 40.0 + 125 / 111_035.0
    extra["spans"][0] |= {"to_pole": "Q1", "at": shapely.LineString([(-1e-4, at), (1e-4, at)])}
    data = feeder(**extra)
    found = find(data, between=Between(frozenset({2}), frozenset()))
    assert [(o.name, o.pole_id) for o in found.origins] == [("F2", "P3")]
    # over a span next to the ground it comes down on it too; farther off it does not
    assert [o.name for o in find(data).origins] == ["F2"]
    at -= 50 / 111_035.0
    extra["spans"][0]["at"] = shapely.LineString([(-1e-4, at), (1e-4, at)])
    assert find(feeder(**extra)).origins == ()


@pytest.mark.parametrize(("metres", "names"), [(14.0, ["F2"]), (16.0, [])])
def test_other_circuit_beside_the_line(metres, names):
    extra = neighbour()
    extra["poles"] = [pole("Q0"), pole("Q1")]
    east = metres / (111_320.0 * math.cos(math.radians(40.0)))
    line = shapely.LineString([(east, 40.0), (east, 40.004)])
    extra["spans"][0] |= {"to_pole": "Q1", "at": line}
    assert [o.name for o in find(feeder(**extra)).origins] == names


def test_other_circuit_of_unknown_current_is_not_solved():
    extra = neighbour()
    extra["circuits"][0]["fault_3ph_a"] = np.nan
    del extra["circuits"][0]["fault_3ph_a"]
    found = find(feeder(**extra))
    assert found.origins == ()
    assert [(u.name, u.kind) for u in found.unsolved] == [("F2", "other circuit falls on")]
    assert "fault_3ph_a" in found.unsolved[0].why


def test_other_circuit_held_off_by_an_open_device_is_no_case():
    device = {"device_id": "D1", "pole_id": "P3", "span_id": "T1", "kind": "cutout"}
    device |= {"state": "open", "phases": "ABC"}
    data = feeder(devices=[device], **neighbour())
    layout = Layout((one_ground(),), {})
    found = find(data, layout)
    own = Origin("F1", "F1", Network.build(data))
    answer = study(data, layout, origins=[own, *found.origins], setting=SETTING)
    assert {c.origin for c in answer.cases} == {"F1"}
    if found.origins:
        assert any("F2 does not reach" in note for note in answer.notes)


# --- equipment ----------------------------------------------------------------------------------


def machine(**given):
    """Return a generator on phase A at P4."""
    row = {"equipment_id": "G1", "pole_id": "P4", "circuit_id": "F1", "kind": "generator"}
    return row | {"phases": "A", "fault_1ph_a": 400.0, "x_over_r_1ph": 5.0} | given


def test_generator_by_hand():
    """By hand: its own impedance, one span of one conductor, two leads and the rod in series."""
    data = feeder(equipment=[machine()])
    layout = Layout((one_ground(),), {})
    found = find(data, layout)
    assert [(o.name, o.kind, o.pole_id) for o in found.origins] == [("G1", "equipment", "P4")]
    answer = solve(data, layout, found)
    labels, per_km = span_primitive_ohm_per_km(data, 3, resistivity_ohm_m=100.0)
    own = per_km[labels.index("A"), labels.index("A")] * 0.05
    volt = 12470 / math.sqrt(3)
    z = volt / 400 * np.exp(1j * math.atan(5.0)) + own + 2 * LEAD + ROD_OHM
    assert answer.lead_current_a == pytest.approx([volt / abs(z)] * 2, rel=1e-6)
    assert {c.event for c in answer.cases} == {"A"}


def test_three_phase_generator_gives_every_combination():
    given = {"phases": "ABC", "fault_3ph_a": 500.0, "x_over_r_3ph": 10.0, "clearing_s": 0.4}
    data = feeder(equipment=[machine(**given)])
    layout = Layout((one_ground(),), {})
    found = find(data, layout)
    assert found.origins[0].clearing_s == 0.4
    answer = solve(data, layout, found)
    assert {c.event for c in answer.cases} == {"ABC", "AB", "AC", "BC", "A", "B", "C"}


def test_ungrounded_machine_needs_two_phases():
    given = {"phases": "ABC", "fault_3ph_a": 500.0, "x_over_r_3ph": 10.0}
    data = feeder(equipment=[machine(**given, fault_1ph_a=None, x_over_r_1ph=None)])
    layout = Layout((one_ground(),), {})
    answer = solve(data, layout, find(data, layout))
    assert {c.event for c in answer.cases} == {"ABC", "AB", "AC", "BC"}


@pytest.mark.parametrize("kind", ["transformer", "service", "riser", "generator"])
def test_equipment_without_figures_is_named(kind):
    row = machine(kind=kind)
    del row["fault_1ph_a"]
    found = find(feeder(equipment=[row]))
    assert found.origins == ()
    [one] = found.unsolved
    assert (one.name, one.kind, one.where) == ("G1", "equipment", ("P4",))
    assert "fault_1ph_a" in one.why


@pytest.mark.parametrize("kind", ["capacitor", "arrester", "guy", "regulator"])
def test_other_equipment_feeds_nothing(kind):
    found = find(feeder(equipment=[machine(kind=kind)]))
    assert (found.origins, found.unsolved) == ((), ())


def test_equipment_counts_as_far_as_closed_devices_reach():
    device = {"device_id": "D1", "pole_id": "P3", "span_id": "S4", "kind": "switch"}
    device |= {"state": "closed", "phases": "ABC"}
    data = feeder(devices=[device], equipment=[machine()])
    layout = Layout((one_ground("P2"),), {})
    assert [o.name for o in find(data, layout).origins] == ["G1"]
    assert find(data, layout, opened=["D1"]).origins == ()


def test_equipment_off_its_circuit_or_without_phases_is_named():
    assert (
        "No span"
        in find(feeder(poles=[pole("X")], equipment=[machine(pole_id="X")])).unsolved[0].why
    )
    assert "phases" in find(feeder(equipment=[machine(phases=None)])).unsolved[0].why


def test_growth_divides_every_source():
    data = feeder(other_lines=[beside(5.0)])
    layout = Layout((one_ground(),), {})
    grown = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=2.0, resistivity_ohm_m=100.0)
    answer = study(data, layout, origins=list(find(data, layout).origins), setting=grown)
    volt = 69000 / math.sqrt(3)
    current = volt / abs(1j * volt / 6000.0 + 2 * LEAD + ROD_OHM)
    assert answer.lead_current_a == pytest.approx([current] * 2, rel=1e-6)


def test_own_limit_of_an_origin_decides_its_cases():
    data = feeder(other_lines=[beside(5.0)])
    layout = Layout((one_ground(),), {})
    [origin] = find(data, layout).origins
    answer = study(data, layout, origins=[replace(origin, limit_v=0.5)], setting=SETTING)
    assert {c.limit_v for c in answer.cases} == {0.5}
    assert [(o.name, o.kind, o.limit_v) for o in answer.origins] == [("T1", "line falls on", 0.5)]
    [case] = [c for c in answer.cases if (c.event, c.contact) == ("A", "A-bar@P3")]
    assert not case.passed  # about 1.5 V


# --- the columns --------------------------------------------------------------------------------

SAMPLE = Path(__file__).parents[1] / "sample_data" / "territory"


def read_with(tmp_path, **given):
    """Read the sample territory with figures of one generator changed; return its findings."""
    folder = shutil.copytree(SAMPLE, tmp_path / "territory")
    path = folder / "equipment.geojson"
    document = json.loads(path.read_text())
    row = next(
        f["properties"] for f in document["features"] if f["properties"]["kind"] == "generator"
    )
    row |= given
    path.write_text(json.dumps(document))
    try:
        problems = read_territory(folder).problems
    except InputError as error:
        problems = error.problems
    return {
        (p.level, p.field)
        for p in problems
        if p.layer == "equipment" and row["equipment_id"] in p.feature_ids
    }


GOOD = {"fault_3ph_a": 300.0, "x_over_r_3ph": 8.0, "fault_1ph_a": 280.0, "x_over_r_1ph": 6.0}


@pytest.mark.parametrize(
    ("given", "found"),
    [
        ({}, set()),
        (GOOD | {"clearing_s": 0.5}, set()),
        (GOOD | {"fault_1ph_a": None, "x_over_r_1ph": None}, set()),
        ({"fault_3ph_a": "300 A"}, {("reject", "fault_3ph_a")}),
        ({"fault_1ph_a": -1.0}, {("reject", "fault_1ph_a")}),
        ({"x_over_r_1ph": 0}, {("reject", "x_over_r_1ph")}),
        ({"clearing_s": 0}, {("reject", "clearing_s")}),
        (GOOD | {"clearing_s": 30.0}, {("open item", "clearing_s")}),
        (GOOD | {"fault_1ph_a": 480.0}, {("reject", "fault_1ph_a")}),
        (GOOD | {"fault_1ph_a": 100.0}, {("open item", "fault_1ph_a")}),
        (GOOD | {"x_over_r_3ph": 100.0}, {("open item", "x_over_r_3ph")}),
        ({"fault_1ph_a": 280.0}, {("open item", "x_over_r_1ph")}),
    ],
)
def test_figures_of_equipment_are_judged_like_those_of_circuits(tmp_path, given, found):
    assert found <= read_with(tmp_path, **given)
    if not found:
        assert read_with(tmp_path / "again", **given) == set()
