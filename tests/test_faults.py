"""Fault currents, times and what governs: formulas, kinds, columns, refusals, open items."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from feeder import circuit, fault_open_items, pole, span, straight, territory

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.faults import fault_columns, faults_at
from gridground.electrical.feeds import Extra
from gridground.electrical.kinds import KINDS, fault_kinds
from gridground.electrical.lines import abc_from_sequence, span_impedance_ohm
from gridground.electrical.source import Source, source_of
from gridground.errors import NoPlanError
from gridground.territory.network import Network

TIMES = {"clearing_s": 0.25, "backup_clearing_s": 0.5}
RELAY = {
    "kind": "relay",
    "curve": "IEEE VI",
    "pickup_a": 600.0,
    "time_dial": 1.0,
    "breaker_s": 0.08,
}


def at_one_point(z1, z0, volts, *, phases=7, grounded=True, single_phase=False):
    """Return the kinds at one point of a balanced network."""
    emf = volts * np.exp(-2j * np.pi / 3 * np.arange(3))
    ohm = np.where((np.arange(3) >= 0)[:, None], abc_from_sequence(z1, z0), 0)
    return fault_kinds(
        ohm[None],
        emf[None],
        np.array([phases], np.uint8),
        grounded=np.array([grounded]),
        single_phase=np.array([single_phase]),
    )


def build(spans, circuits=None, devices=(), **given):
    names = sorted({s[key] for s in spans for key in ("from_pole", "to_pole")})
    t = territory([pole(n) for n in names], spans, circuits or [circuit(**TIMES | given)], devices)
    return t, Network.build(t)


def one(t, network, pole_id="P1", clearing="backup", circuit_id="F1"):
    return faults_at(t, network, circuit_id=circuit_id, pole_ids=[pole_id], clearing=clearing)[
        pole_id
    ]


def items(t, network, pole_ids=("P1",), clearing="backup"):
    found = fault_open_items(
        t, network, circuit_id="F1", pole_ids=list(pole_ids), clearing=clearing
    )
    return {item.code: item for item in found}


def refusal(t, network, pole_id="P1", circuit_id="F1"):
    with pytest.raises(NoPlanError) as error:
        one(t, network, pole_id, circuit_id=circuit_id)
    return error.value.reasons


# --- kinds ---------------------------------------------------------------------------------


def test_kinds_equal_the_sequence_formulas():
    # independent: symmetrical components
    z1, z0, v = 0.865 + 2.568j, 1.984 + 5.643j, 12470 / math.sqrt(3)
    found = at_one_point(z1, z0, v)
    i1 = v / (z1 + z1 * z0 / (z1 + z0))
    i0, i2 = -i1 * z1 / (z0 + z1), -i1 * z0 / (z0 + z1)
    a = cmath.exp(2j * math.pi / 3)
    two_ground = max(abs(i0 + a * a * i1 + a * i2), abs(i0 + a * i1 + a * a * i2))
    expected = [v / abs(z1), math.sqrt(3) * v / abs(2 * z1), two_ground, 3 * v / abs(2 * z1 + z0)]
    assert found.current_a[:, 0] == pytest.approx(expected)
    assert found.ground_a[:, 0] == pytest.approx([0, 0, abs(3 * i0), expected[3]], abs=1e-6)
    loop = 2 * z1 + z0
    assert found.x_over_r[[0, 1, 3], 0] == pytest.approx(
        [z1.imag / z1.real, z1.imag / z1.real, loop.imag / loop.real]
    )
    # the two time constants are those of z1 and of (z1 + 2 z0)/3: the larger X/R counts
    mode = (z1 + 2 * z0) / 3
    slowest = max(z1.imag / z1.real, mode.imag / mode.real)
    assert found.x_over_r[2, 0] == pytest.approx(slowest)


@pytest.mark.parametrize(
    ("phases", "exist"),
    [(7, [1, 1, 1, 1]), (5, [0, 1, 1, 1]), (3, [0, 1, 1, 1]), (4, [0, 0, 0, 1]), (0, [0] * 4)],
)
def test_which_kinds_exist(phases, exist):
    found = at_one_point(1 + 2j, 2 + 5j, 7200.0, phases=phases)
    assert list(found.exists[:, 0]) == [bool(e) for e in exist]
    assert list(~np.isnan(found.current_a[:, 0])) == [bool(e) for e in exist]
    grounds = [bool(phases & bit) for bit in (1, 2, 4)]
    assert list(~np.isnan(found.phase_ground_a[:, 0])) == grounds


def test_ungrounded_source_has_no_fault_to_ground():
    found = at_one_point(1 + 2j, 1e6 * (1 + 2j), 7200.0, grounded=False)
    assert list(found.exists[:, 0]) == [True, True, False, False]
    assert found.ground_a[0, 0] == 0.0
    assert np.isnan(found.phase_ground_a).all()


def test_single_phase_source_feeds_one_phase_only():
    assert at_one_point(1 + 2j, 1 + 2j, 7200.0, phases=2, single_phase=True).exists.sum() == 1
    assert at_one_point(1 + 2j, 1 + 2j, 7200.0, phases=3, single_phase=True).exists.sum() == 0


def test_without_resistance_the_offset_does_not_decay():
    found = at_one_point(2j, 5j, 7200.0)
    assert (found.x_over_r >= 1e6).all()
    assert np.isfinite(found.x_over_r).all()


def test_an_unbalanced_point_against_the_whole_equations():
    # independent: solve with fault conditions written out as rows, one kind at a time
    rng = np.random.default_rng(4)
    mix = rng.uniform(-0.2, 0.2, (3, 3)) + 1j * rng.uniform(-0.2, 0.2, (3, 3))
    z = abc_from_sequence(1 + 3j, 2 + 7j) + mix + mix.T
    e = 7200 * np.exp(-2j * np.pi / 3 * np.arange(3))
    found = fault_kinds(
        z[None],
        e[None],
        np.array([7], np.uint8),
        grounded=np.array([True]),
        single_phase=np.array([False]),
    )

    def currents(shorted, to_ground):
        """Unknowns: three currents, three voltages."""
        rows, right = [np.hstack([z, np.eye(3)])], list(e)
        conditions = []
        for k in range(3):
            row = np.zeros(6)
            if k not in shorted:
                row[k] = 1  # no current
            elif to_ground:
                row[3 + k] = 1  # no voltage
            elif k == shorted[0]:
                row[list(shorted)] = 1  # currents cancel
            else:
                row[3 + k], row[3 + shorted[0]] = 1, -1  # same voltage
            conditions.append(row)
            right.append(0)
        return np.abs(np.linalg.solve(np.vstack([*rows, *conditions]), right)[:3]).max()

    pairs = [(0, 1), (1, 2), (0, 2)]
    assert found.current_a[:, 0] == pytest.approx(
        [
            currents((0, 1, 2), True),
            max(currents(p, False) for p in pairs),
            max(currents(p, True) for p in pairs),
            max(currents((k,), True) for k in range(3)),
        ]
    )


# --- columns and poles ---------------------------------------------------------------------


def test_the_source_pole_has_the_stated_currents():
    t, network = build([span("S1", "P0", "P1")])
    found = one(t, network, "P0")
    assert found.three_phase_a == pytest.approx(8000.0)
    assert found.phase_ground_a == pytest.approx(7000.0)
    assert found.governing == "three_phase"
    assert found.x_over_r == pytest.approx(8.0)
    assert found.largest_a == found.three_phase_a


def test_a_straight_feeder_by_hand():
    t = straight(6, length_m=300.0)
    row = circuit(**TIMES)
    t = territory(
        [pole(f"P{k}") for k in range(7)],
        [span(f"S{k}", f"P{k - 1}", f"P{k}", length_m=300.0) for k in range(1, 7)],
        [row],
    )
    network = Network.build(t)
    columns = fault_columns(t, network)
    source = source_of(t, 0)
    per_span = span_impedance_ohm(t, network)[0]
    assert list(columns["pole_id"]) == [f"P{k}" for k in range(7)]
    for k in range(7):
        z = source.abc_ohm() + k * per_span
        expected = np.abs(np.linalg.solve(z, source.emf_v())).max()
        assert columns["three_phase_a"][k] == pytest.approx(expected)
        assert columns["phase_ground_b_a"][k] == pytest.approx(source.prefault_v / abs(z[1, 1]))
    assert (np.diff(columns["phase_ground_a"]) < 0).all()


def test_columns_and_poles_agree():
    t, network = build(
        [span("S1", "P0", "P1"), span("S2", "P1", "P2", phases="AC", construction="IEEE 505"),
         span("S3", "P2", "P3", phases="C", construction="IEEE 510")]
    )  # fmt: skip
    columns = fault_columns(t, network, circuit_id="F1", clearing="backup")
    assert set(columns) == {
        "pole_id", "circuit_id", "phases", "three_phase_a", "phase_phase_a", "two_phase_ground_a",
        "phase_ground_a", "phase_ground_a_a", "phase_ground_b_a", "phase_ground_c_a", "governing",
        "x_over_r", "clearing_s", "asymmetry_ratio", "never_trips", "minimum_a", "primary",
        "primary_s", "backup", "backup_s", "longest_s",
    }  # fmt: skip
    assert list(columns["phases"]) == ["ABC", "ABC", "AC", "C"]
    for row, name in enumerate(columns["pole_id"]):
        found = one(t, network, name)
        for kind in KINDS:
            value, column = getattr(found, f"{kind}_a"), columns[f"{kind}_a"][row]
            assert (value is None and np.isnan(column)) or value == pytest.approx(column)
        assert found.governing == columns["governing"][row]
        for key in ("x_over_r", "clearing_s", "asymmetry_ratio"):
            assert getattr(found, key) == pytest.approx(columns[key][row])
        assert found.asymmetry_ratio == pytest.approx(
            decrement_ratio(found.x_over_r, 0.5, frequency_hz=60.0)
        )
    assert one(t, network, "P3").governing == "phase_ground"
    assert one(t, network, "P2").three_phase_a is None


def test_governing_is_the_kind_that_heats_most_by_its_own_time():
    # the ground element is slow to see nothing: phase faults clear at once, ground faults late
    fast = RELAY | {"instantaneous_a": 7200.0}
    t, network = build([span("S1", "P0", "P1")], protection=fast, backup_clearing_s=None)
    found = one(t, network, "P0", clearing="primary")
    assert found.three_phase_a > found.phase_ground_a
    assert found.governing == "phase_ground"
    assert found.clearing_s > 0.08
    assert found.x_over_r == pytest.approx(6.0)


@pytest.mark.parametrize("frequency_hz", [50.0, 60.0])
def test_frequency_of_the_asymmetry(frequency_hz):
    t, network = build([span("S1", "P0", "P1")], frequency_hz=frequency_hz)
    found = one(t, network, "P0")
    expected = decrement_ratio(8.0, 0.5, frequency_hz=frequency_hz)
    assert found.asymmetry_ratio == pytest.approx(expected)


def test_prefault_voltage_does_not_change_the_current_at_the_source():
    # the stated current is what flows; beyond it the higher voltage drives more
    spans = [span("S1", "P0", "P1", length_m=3000.0)]
    usual, high = (build(spans, prefault_voltage_ratio=r) for r in (1.0, 1.05))
    assert one(*high, "P0").three_phase_a == pytest.approx(one(*usual, "P0").three_phase_a)
    assert one(*high).three_phase_a > one(*usual).three_phase_a


def test_renaming_reversing_and_reordering_change_nothing():
    spans = [span("S1", "P0", "P1"), span("S2", "P1", "P2"), span("S3", "P1", "P3", phases="B")]
    there = fault_columns(*build(spans))
    turned = [s | {"from_pole": s["to_pole"], "to_pole": s["from_pole"]} for s in spans[::-1]]
    back = fault_columns(*build(turned))
    for key in ("three_phase_a", "phase_ground_a", "x_over_r"):
        assert back[key] == pytest.approx(there[key], nan_ok=True)


def test_a_loop_is_solved_and_not_taken_as_radial():
    ways = [("P0", "P1"), ("P1", "P2"), ("P0", "P3"), ("P3", "P2")]
    ring = [span(f"S{k}", *way, length_m=2000.0) for k, way in enumerate(ways)]
    looped, radial = one(*build(ring), "P2"), one(*build(ring[:2]), "P2")
    half = one(*build([span("S1", "P0", "P2", length_m=2000.0)]), "P2")
    assert looped.three_phase_a > 1.3 * radial.three_phase_a
    assert looped.three_phase_a == pytest.approx(half.three_phase_a, rel=1e-6)


def test_an_open_device_opens_the_loop():
    ring = [span("S1", "P0", "P1"), span("S2", "P1", "P2"), span("S3", "P2", "P0")]
    device = {"device_id": "D1", "pole_id": "P2", "span_id": "S3", "kind": "switch",
              "state": "open", "phases": "ABC"}  # fmt: skip
    opened = one(*build(ring, devices=[device]), "P2")
    assert opened.three_phase_a == pytest.approx(one(*build(ring[:2]), "P2").three_phase_a)


def test_two_circuits_on_one_pole_are_two_rows():
    spans = [span("S1", "P0", "P1"), span("S2", "P0", "P1", circuit_id="F2", length_m=900.0)]
    circuits = [circuit(**TIMES), circuit("F2", fault_3ph_a=4000.0, fault_1ph_a=3000.0, **TIMES)]
    t, network = build(spans, circuits)
    columns = fault_columns(t, network)
    rows = list(zip(columns["circuit_id"], columns["pole_id"], strict=True))
    assert rows == [("F1", "P0"), ("F1", "P1"), ("F2", "P0"), ("F2", "P1")]
    assert columns["three_phase_a"][2] == pytest.approx(4000.0)
    only = fault_columns(t, network, circuit_id="F2")
    assert only["three_phase_a"] == pytest.approx(columns["three_phase_a"][2:])
    assert one(t, network, circuit_id="F2").three_phase_a < 4000.0


def tied(**given):
    """Two circuits that meet at P1 through a closed switch."""
    spans = [span("S1", "P0", "P1"), span("S2", "P2", "P1", circuit_id="F2")]
    second = circuit("F2", "P2", **TIMES) | given
    device = {"device_id": "D1", "pole_id": "P1", "span_id": "S2", "kind": "switch",
              "state": "closed", "phases": "ABC"}  # fmt: skip
    return build(spans, [circuit(**TIMES), second], [device])


def test_joined_sources_add_up():
    t, network = tied()
    assert network.ties
    found = one(t, network, "P1")
    alone = one(*build([span("S1", "P0", "P1")]), "P1")
    assert found.three_phase_a == pytest.approx(2 * alone.three_phase_a, rel=1e-6)
    assert found.clearing_s == 0.5
    assert items(t, network) == {}
    rows = fault_columns(t, network)
    assert list(rows["circuit_id"]) == ["F1", "F1", "F2", "F2"]
    assert rows["three_phase_a"][1] == rows["three_phase_a"][2]  # P1 belongs to both


def test_joined_sources_with_a_curve_have_no_time_of_their_own():
    t, network = tied(protection=RELAY)
    assert np.isnan(fault_columns(t, network)["clearing_s"]).all()
    assert one(t, network, "P1").clearing_s == 0.5  # the stated backup time
    assert "joined_sources" in items(t, network)


@pytest.mark.parametrize("given", [{"nominal_kv": 4.16}, {"frequency_hz": 50.0}])
def test_sources_that_cannot_be_joined_are_refused(given):
    (reason,) = refusal(*tied(**given))
    assert reason.code == "no_fault_current"
    assert "differ in voltage or frequency" in reason.what


def test_ungrounded_circuit():
    t, network = build([span("S1", "P0", "P1"), span("S2", "P1", "P2", phases="A")],
                       fault_1ph_a=None, x_over_r_1ph=None)  # fmt: skip
    found = one(t, network)
    assert found.phase_ground_a is None
    assert found.two_phase_ground_a is None
    assert found.governing == "three_phase"
    # independent: currents add to zero, so the largest follows from the two loop equations
    z = source_of(t, 0).abc_ohm() + span_impedance_ohm(t, network)[0]
    e = source_of(t, 0).emf_v()
    loops = np.array([z[0] - z[1], z[1] - z[2], [1, 1, 1]])
    current = np.linalg.solve(loops, [e[0] - e[1], e[1] - e[2], 0])
    assert found.three_phase_a == pytest.approx(np.abs(current).max(), rel=1e-5)
    (reason,) = refusal(t, network, "P2")
    assert reason.code == "no_fault_current"
    assert "ungrounded" in reason.what


def test_single_phase_circuit():
    t, network = build([span("S1", "P0", "P1", phases="B", length_m=800.0)],
                       nominal_kv=7.2, fault_3ph_a=None, x_over_r_3ph=None)  # fmt: skip
    assert list(fault_columns(t, network)["phases"]) == ["B", "B"]
    assert one(t, network, "P0").phase_ground_a == pytest.approx(7000.0)
    found = one(t, network)
    own = 7200 / 7000 * cmath.exp(1j * math.atan(6.0)) + span_impedance_ohm(t, network)[0][1, 1]
    assert found.phase_ground_a == pytest.approx(7200 / abs(own))
    assert found.three_phase_a is None


# --- generators as more sources --------------------------------------------------------------


def generator(**given):
    figures = {"z1": 4.0 + 20.0j, "z0": 3.0 + 12.0j} | given
    return Source("G1", 12470 / math.sqrt(3), figures["z1"], figures["z0"], 60.0, False)


def with_extra(t, network, *extra, pole_id="P2"):
    return faults_at(t, network, circuit_id="F1", pole_ids=[pole_id], clearing="backup",
                     extra=extra)[pole_id]  # fmt: skip


def test_a_generator_at_the_end_adds_its_current():
    t, network = build([span("S1", "P0", "P1"), span("S2", "P1", "P2")])
    alone, extra = one(t, network, "P2"), (2, generator(), 2.0)
    found = with_extra(t, network, extra)
    # independent: at its own pole both feed the fault side by side
    z = source_of(t, 0).abc_ohm() + 2 * span_impedance_ohm(t, network)[0]
    both = np.linalg.inv(np.linalg.inv(z) + np.linalg.inv(generator().abc_ohm()))
    emf = source_of(t, 0).emf_v()
    expected = np.abs(np.linalg.solve(both, emf)).max()
    assert found.three_phase_a == pytest.approx(expected, rel=1e-6)
    assert found.three_phase_a > alone.three_phase_a
    # the fault is off when the last of the two is
    assert (alone.clearing_s, found.clearing_s, found.longest_s) == (0.5, 2.0, 2.0)
    columns = fault_columns(t, network, extra=[extra])
    assert columns["three_phase_a"][2] == pytest.approx(found.three_phase_a)


def test_a_generator_beside_a_relay_leaves_the_time_open():
    t, network = build([span("S1", "P0", "P1"), span("S2", "P1", "P2")], protection=RELAY)
    extra = (2, generator(), 2.0)
    assert with_extra(t, network, extra).clearing_s == 2.0  # its own; the stated backup is 0.5
    found = fault_open_items(t, network, circuit_id="F1", pole_ids=["P2"], clearing="backup",
                             extra=[extra])  # fmt: skip
    (item,) = (one for one in found if one.code == "joined_sources")
    assert item.where == ("F1", "G1", "P2")


def test_a_generator_whose_time_is_not_stated_is_an_open_item():
    t, network = build([span("S1", "P0", "P1"), span("S2", "P1", "P2")])
    for unknown in (None, math.nan):
        extra = (2, generator(), unknown)
        assert with_extra(t, network, extra).clearing_s == 0.5
        found = fault_open_items(t, network, circuit_id="F1", pole_ids=["P2"], clearing="backup",
                                 extra=[extra])  # fmt: skip
        assert ("no_clearing_time", ("G1", "P2")) in [(i.code, i.where) for i in found]


def test_a_one_phase_generator_runs_in_step_with_its_phase():
    t, network = build([span("S1", "P0", "P1"), span("S2", "P1", "P2", phases="B",
                                                     construction="IEEE 510")])  # fmt: skip
    z = 2.0 + 30.0j
    source = Source("G1", 12470 / math.sqrt(3), z, z, 60.0, single_phase=True)
    found, alone = with_extra(t, network, Extra(2, source, 1.0, 2)), one(t, network, "P2")
    volts, own = source.prefault_v, source.prefault_v / alone.phase_ground_a
    assert alone.phase_ground_a < found.phase_ground_a <= volts / own + volts / abs(z)
    assert found.phase_ground_a == pytest.approx(volts / own + volts / abs(z), rel=0.02)
    main = with_extra(t, network, Extra(2, source, 1.0, 2), pole_id="P1")
    assert main.three_phase_a >= one(t, network, "P1").three_phase_a


# --- very short times ------------------------------------------------------------------------


def test_a_very_short_time_counts_as_three_hundredths_for_the_worker():
    t, network = build([span("S1", "P0", "P1")], clearing_s=0.012, backup_clearing_s=0.02)
    found = one(t, network)
    assert (found.clearing_s, found.longest_s) == (0.02, 0.03)


def test_the_time_is_that_of_the_fault_that_heats_most_of_its_kind():
    # the instantaneous element sees one phase to ground on one phase and not on the others
    spans = [span("S1", "P0", "P1", length_m=3000.0)]
    t, network = build(spans, protection=RELAY, backup_clearing_s=None)
    columns = fault_columns(t, network)
    largest, least = (f(columns[f"phase_ground_{p}_a"][1] for p in "abc") for f in (max, min))
    assert largest > least
    edge = RELAY | {"instantaneous_a": (largest + least) / 2, "time_dial": 3.0}
    t, network = build(spans, protection=edge, backup_clearing_s=None)
    found = one(t, network, clearing="primary")
    assert found.longest_s > 0.5
    assert found.clearing_s > 0.5


# --- unknown -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "key", ["fault_3ph_a", "x_over_r_3ph", "fault_1ph_a", "x_over_r_1ph", "nominal_kv"]
)
def test_deleting_a_figure_of_the_source_refuses(key):
    row = circuit(**TIMES)
    del row[key]
    t, network = build([span("S1", "P0", "P1")], [row])
    (reason,) = refusal(t, network)
    assert reason.code == "no_fault_current"
    assert reason.where == ("F1",)
    assert key in reason.what
    columns = fault_columns(t, network)
    assert np.isnan(columns["three_phase_a"]).all()
    assert list(columns["governing"]) == [None, None]


@pytest.mark.parametrize("key", ["conductor", "construction", "neutral_conductor", "phases"])
def test_deleting_a_figure_of_a_span_refuses_behind_it(key):
    row = span("S1", "P0", "P1")
    del row[key]
    t, network = build([row, span("S2", "P1", "P2"), span("S3", "P0", "P3")])
    (reason,) = refusal(t, network, "P2")
    assert reason.code == "no_fault_current"
    assert "S1" in reason.where
    assert one(t, network, "P3").three_phase_a > 0
    columns = fault_columns(t, network)
    assert list(np.isnan(columns["phase_ground_a"])) == [False, True, True, False]


def test_deleting_the_times_refuses():
    t, network = build([span("S1", "P0", "P1")], [circuit()])
    (reason,) = refusal(t, network)
    assert reason.code == "no_clearing_time"
    assert reason.where == ("F1", "P1")
    columns = fault_columns(t, network)
    assert np.isnan(columns["clearing_s"]).all()
    assert np.isnan(columns["asymmetry_ratio"]).all()
    assert (columns["three_phase_a"] > 0).all()


def test_no_backup_time_is_an_open_item():
    t, network = build([span("S1", "P0", "P1")], [circuit(clearing_s=0.25, backup_clearing_s=None)])
    assert one(t, network).clearing_s == 0.25
    assert items(t, network)["backup_not_stated"].where == ("F1",)
    assert items(t, network, clearing="primary") == {}


def test_a_fault_below_pickup_is_an_open_item_or_a_refusal():
    far = [span("S1", "P0", "P1", length_m=30_000.0)]
    t, network = build(far, [circuit(protection=RELAY, backup_clearing_s=1.5)])
    assert one(t, network).phase_ground_a < 600.0
    assert one(t, network).clearing_s >= 1.5
    item = items(t, network, ("P0", "P1"))["never_trips"]
    assert item.where == ("F1", "P1")
    assert list(fault_columns(t, network)["never_trips"]) == [False, True]
    t, network = build(far, [circuit(protection=RELAY, backup_clearing_s=None)])
    (reason,) = refusal(t, network)
    assert reason.code == "no_clearing_time"
    assert "does not operate" in reason.what


def test_a_current_outside_the_fuse_points_has_no_time():
    fuse = {"kind": "fuse", "clearing_points": [[100, 10], [6900, 0.03]]}
    t, network = build([span("S1", "P0", "P1", length_m=3000.0)], [circuit(protection=fuse)])
    assert refusal(t, network, "P0")[0].code == "no_clearing_time"
    assert "outside the fuse's points" in refusal(t, network, "P0")[0].what
    assert one(t, network, "P1").clearing_s < 1.0


def test_contradicting_source_figures_are_an_open_item():
    t, network = build([span("S1", "P0", "P1")], x_over_r_3ph=4.0, x_over_r_1ph=40.0)
    assert "source_figures_contradict" in items(t, network)


def test_a_pole_without_a_source_is_refused():
    device = {"device_id": "D1", "pole_id": "P0", "span_id": "S1", "kind": "switch",
              "state": "open", "phases": "ABC"}  # fmt: skip
    t, network = build([span("S1", "P0", "P1")], devices=[device])
    (reason,) = refusal(t, network)
    assert reason.code == "no_fault_current"
    assert "connected to a source" in reason.what
    shut = Network.build(t, closed=["D1"])
    assert one(t, shut).three_phase_a > 7000
    columns = fault_columns(t, network)
    assert list(columns["phases"]) == ["ABC", ""]


def test_what_is_not_there_is_refused():
    t, network = build([span("S1", "P0", "P1")])
    for pole_id, circuit_id in (("P9", "F1"), ("P1", "F9")):
        (reason,) = refusal(t, network, pole_id, circuit_id)
        assert reason.code == "not_in_network"
    with pytest.raises(NoPlanError):
        fault_columns(t, network, circuit_id="F9")


def test_every_reason_comes_at_once():
    row = span("S1", "P0", "P1", conductor=None)
    t, network = build([row, span("S2", "P1", "P2")])
    with pytest.raises(NoPlanError) as error:
        faults_at(t, network, circuit_id="F1", pole_ids=["P1", "P2"], clearing="backup")
    assert [reason.where[1] for reason in error.value.reasons] == ["P1", "P2"]
