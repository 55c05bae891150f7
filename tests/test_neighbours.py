"""Exposure: which pieces of the worked line face which part of a neighbour, and how."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gridground.electrical.dead_section import dead_section
from gridground.electrical.induced_words import (
    induction_assumptions,
    induction_cautions,
    induction_method,
    induction_open_items,
)
from gridground.electrical.induction import balanced, emf_v_per_km, mutual_ohm_per_km
from gridground.electrical.live_lines import other_lines, places_of, usual_row
from gridground.errors import TableError
from tests.beside import Ground, case, rows_of, straight, zone_of
from tests.feeder import circuit, pole, span, territory

ENDS = {"P0": 25.0, "P20": 25.0}
G = Ground()


def one(area, **given):
    rows = rows_of(area, **({"grounds": ENDS} | given))
    assert len(rows) == 2
    assert rows[-1]["kind"] == "all together"
    return rows[0]


def beside(offset_m, first_m=-500.0, last_m=1500.0, **changes):
    return straight(G, {"T": (((first_m, offset_m), (last_m, offset_m)), changes)})


def test_parallel_line_all_along():
    row = one(beside(30.0))
    assert row["kind"] == "parallel"
    assert not row["crosses"]
    assert row["length_m"] == pytest.approx(1000.0, rel=1e-3)
    assert row["separation_m"] == pytest.approx(30.0, abs=0.1)


def test_voltage_of_a_parallel_line_is_the_formula_times_the_length():
    """Independent: the worst of the three worked conductors by the formula, 1 km, 600 A."""
    row = one(beside(30.0))
    x, y = places_of(4.0, 15.0, "flat")
    top = territory([], [], []).constructions["IEEE 500"].positions
    dead = [top[p] for p in "123"]
    emf, fault = [], []
    for side, height in dead:
        z = mutual_ohm_per_km(np.hypot(x - 30.0 - side, y - height), frequency_hz=60,
                              resistivity_ohm_m=100)  # fmt: skip
        emf.append(abs(emf_v_per_km(z, balanced(600.0))))
        fault.append(8000 * abs(z).max())
    # the neighbour runs on the left of the worked line: the nearest conductor is at -1.2 m
    assert row["emf_steady_v"] == pytest.approx(max(emf), rel=0.03)
    assert row["emf_fault_v"] == pytest.approx(max(fault), rel=0.02)
    assert row["emf_fault_per_ka_v"] == pytest.approx(row["emf_fault_v"] / 8, rel=1e-3)


def test_side_of_the_worked_line_is_told_apart():
    """IEEE 500 reaches farther to the left: a line on the left induces more."""
    left, right = one(beside(8.0)), one(beside(-8.0))
    assert left["emf_fault_v"] > right["emf_fault_v"]


def test_line_beside_part_of_the_stretch():
    row = one(beside(30.0, 200.0, 600.0))
    assert row["length_m"] == pytest.approx(400.0, abs=10.0)
    whole = one(beside(30.0))
    assert row["emf_steady_v"] == pytest.approx(0.4 * whole["emf_steady_v"], rel=0.02)
    assert row["floating_v"] == pytest.approx(0.4 * whole["floating_v"], rel=0.03)
    assert row["floating_local_v"] == pytest.approx(whole["floating_local_v"], rel=1e-3)


def test_only_the_stretch_between_grounds_counts_for_the_loop():
    near = one(beside(30.0), grounds={"P9": 25.0, "P11": 25.0})
    whole = one(beside(30.0))
    assert near["length_m"] == pytest.approx(100.0, abs=1.0)
    assert near["length_whole_m"] == pytest.approx(1000.0, rel=1e-3)
    assert near["emf_steady_v"] == pytest.approx(whole["emf_steady_v"] / 10, rel=1e-2)
    assert near["floating_v"] == whole["floating_v"]
    assert near["discharge_a"] == whole["discharge_a"]


def test_perpendicular_crossing_drives_nothing_along():
    row = one(straight(G, {"T": (((501.0, -400.0), (501.0, 400.0)), {})}))
    assert row["kind"] == "crossing"
    assert row["crosses"]
    assert row["separation_m"] == 0.0
    assert row["emf_steady_v"] == pytest.approx(0.0, abs=1e-6)
    assert row["floating_local_v"] > 1000.0


def test_oblique_line_counts_with_the_cosine():
    """60 degrees across: along the worked line half of every piece counts."""
    row = rows_of(straight(G, {"T": (((300.0, -346.4), (700.0, 346.4)), {})}))[0]
    # looked for up to 100 m away, measured square to the other line
    faced_m = 2 * 100.0 / np.sin(np.radians(60))
    assert row["length_whole_m"] == pytest.approx(0.5 * faced_m, rel=0.06)
    assert row["length_m"] == pytest.approx(50.0, rel=0.01)


def test_beyond_the_end_of_a_line_nothing_is_exposed():
    row = one(beside(30.0, -500.0, 100.0))
    assert row["length_m"] == pytest.approx(100.0, abs=10.0)


def test_corner_of_the_neighbour_leaves_no_gap():
    """The worked line passes outside the corner of a line that turns away from it."""
    turn = ((-200.0, 40.0), (500.0, 40.0), (900.0, 240.0))
    row = one(straight(G, {"T": (turn, {})}))
    single = one(beside(40.0, -500.0, 500.0))
    assert row["length_m"] > single["length_m"]


def test_line_drawn_in_many_pieces_is_the_same_line():
    bends = tuple((x, 30.0) for x in np.linspace(-500.0, 1500.0, 101))
    many = one(straight(G, {"T": (bends, {})}))
    assert many["emf_steady_v"] == pytest.approx(one(beside(30.0))["emf_steady_v"], rel=1e-3)
    assert many["length_m"] == pytest.approx(1000.0, rel=1e-3)


def test_out_of_reach_and_dead_lines_have_no_row():
    assert rows_of(beside(600.0)) == []
    assert rows_of(beside(30.0, state="dead")) == []
    assert rows_of(straight(G)) == []


def test_low_voltage_reaches_less_than_transmission():
    line = other_lines(beside(30.0))[0]
    small = other_lines(beside(30.0, nominal_kv=12.47, spacing_m=1.1, load_a=400.0))[0]
    assert line.reach_m(3000.0) > 500.0 - 1e-9
    assert small.reach_m(1000.0) == 100.0
    assert line.reach_m(1000.0) > small.reach_m(1000.0)


def test_what_the_reach_leaves_out_is_a_tenth_of_the_limit():
    """Independent: the voltage of a flat line at the very edge of its reach."""
    for stretch_m in (400.0, 800.0):
        line = other_lines(beside(30.0))[0]
        reach_m = line.reach_m(stretch_m)
        x, y = places_of(4.0, 15.0, "flat")
        z = mutual_ohm_per_km(np.hypot(x - reach_m, y - 8.5), frequency_hz=60,
                              resistivity_ohm_m=100)  # fmt: skip
        assert abs(emf_v_per_km(z, balanced(600.0))) * stretch_m / 1000 <= 0.6 * 1.02


def test_recorded_length_counts():
    longer = straight(G, {"T": (((-500.0, 30.0), (1500.0, 30.0)), {})}, length_m=60.0)
    assert one(longer)["length_m"] == pytest.approx(1200.0, rel=1e-3)


def test_spans_drawn_the_other_way_round_change_nothing():
    lines = {"T": (((-500.0, 12.0), (1500.0, 12.0)), {})}
    plain, drawn = straight(G, lines), straight(G, lines)
    drawn.layers["spans"].geometry[:] = shapely.reverse(drawn.spans.geometry)
    assert one(drawn) == one(plain)


def test_open_device_ends_the_section():
    area = beside(30.0)
    devices = [{"device_id": "D1", "pole_id": "P5", "span_id": "S5", "kind": "switch",
                "state": "closed", "phases": "ABC", "at": None}]  # fmt: skip
    spans = area.layers["spans"]
    poles = area.layers["poles"]
    whole = territory([], [], [], devices)
    area.layers["devices"] = whole.layers["devices"]
    assert len(spans) == 20
    assert len(poles) == 21
    grounds = {"P9": 25.0, "P11": 25.0}
    open_rows = rows_of(area, grounds=grounds, opened=("D1",))
    shut_rows = rows_of(area, grounds=grounds)
    assert open_rows[0]["length_whole_m"] == pytest.approx(800.0, abs=1.0)
    assert shut_rows[0]["length_whole_m"] == pytest.approx(1000.0, abs=1.0)
    assert open_rows[0]["discharge_a"] < shut_rows[0]["discharge_a"]
    assert open_rows[0]["emf_steady_v"] == shut_rows[0]["emf_steady_v"]


def test_one_ground_leaves_the_whole_voltage_at_the_open_end():
    single = one(beside(30.0), grounds={"P0": 25.0})
    both = one(beside(30.0))
    assert single["emf_steady_v"] == pytest.approx(both["emf_steady_v"], rel=0.01)
    assert single["circulating_steady_a"] is None
    middle = one(beside(30.0), grounds={"P10": 25.0})
    assert middle["emf_steady_v"] == pytest.approx(both["emf_steady_v"] / 2, rel=0.01)


def test_circulating_current_is_voltage_over_impedance():
    """One worked phase, no neutral: E L / (z L + R1 + R2) by hand."""
    area = straight(G, {"T": (((-500.0, 30.0), (1500.0, 30.0)), {})}, phases="A",
                    construction="IEEE 510")  # fmt: skip
    section = dead_section(zone_of(area), case(ENDS))
    stretch = section.stretches[0]
    assert stretch.labels == (0,)
    assert stretch.end_ohm == (50.0,)
    row = one(area)
    expected = row["emf_steady_v"] / abs(stretch.impedance_ohm[0, 0] + 50.0)
    assert row["circulating_steady_a"] == pytest.approx(expected, rel=2e-3)


def test_unknown_end_counts_as_the_worst_and_is_said():
    row = one(beside(30.0), grounds={"P0": 25.0, "P20": None})
    for ohm in (0.0, 1.0, 30.0, 1000.0):
        stated = one(beside(30.0), grounds={"P0": 25.0, "P20": ohm})
        assert row["circulating_steady_a"] >= stated["circulating_steady_a"]
        assert row["circulating_fault_a"] >= stated["circulating_fault_a"]
    assert any("P20" in text for text in row["unknown"])


def test_unknown_load_is_given_per_hundred_ampere():
    row = one(beside(30.0, load_a=None))
    known = one(beside(30.0))
    assert row["per_100_a"]
    assert row["load_a"] is None
    assert row["passed_steady"] is None
    assert row["emf_steady_v"] == pytest.approx(known["emf_steady_v"] / 6, rel=2e-3)
    assert "load_a" in row["unknown"]


def test_unknown_fault_and_time_are_not_judged():
    row = one(beside(30.0, fault_a=None))
    assert row["emf_fault_v"] is None
    assert row["passed_fault"] is None
    assert row["emf_fault_per_ka_v"] > 0
    row = one(beside(30.0, clearing_s=None))
    assert row["limit_fault_v"] is None
    assert row["passed_fault"] is None
    assert "clearing_s" in row["unknown"]


def test_limits_are_those_asked_for():
    row = one(beside(30.0))
    assert row["limit_steady_v"] == 6.0
    assert row["limit_fault_v"] == 75.0
    assert row["passed_steady"] is (row["emf_steady_v"] <= 6.0)
    assert row["passed_fault"] is False


@pytest.mark.parametrize("missing", ["spacing_m", "height_m", "arrangement"])
def test_what_is_not_stated_is_assumed_in_words_and_errs_high(missing):
    row = one(beside(30.0, **{missing: None}))
    stated = one(beside(30.0))
    assert len(row["assumed"]) == len(stated["assumed"]) + 1
    assert row["emf_steady_v"] >= 0.99 * stated["emf_steady_v"]


def test_unknown_voltage_counts_as_the_highest():
    row = one(beside(30.0, nominal_kv=None))
    assert row["nominal_kv"] is None
    assert "nominal_kv" in row["unknown"]
    assert row["floating_v"] > one(beside(30.0))["floating_v"]


def test_unknown_state_counts_as_energized():
    row = one(beside(30.0, state=None))
    assert "state" in row["unknown"]


def test_usual_row_refuses_beyond_its_table():
    with pytest.raises(TableError):
        usual_row(1600.0)


def double_circuit(**given):
    """Return a worked circuit F1 and a live one F2 on the same poles, drawn 6 m apart."""
    at = [(k * 50.0, 0.0) for k in range(21)]
    poles = [pole(f"P{k}") | {"at": G.point(*xy)} for k, xy in enumerate(at)]
    spans = []
    for name, side, top in (("F1", 0.0, "IEEE 500"), ("F2", 6.0, "IEEE 500")):
        for k in range(1, 21):
            line = G.line((at[k - 1][0], side), (at[k][0], side))
            spans.append(
                span(f"{name}-{k}", f"P{k - 1}", f"P{k}", circuit_id=name, length_m=None,
                     neutral_conductor=None, construction=top, at=line)
            )  # fmt: skip
    return territory(poles, spans, [circuit(), circuit("F2", **given)])


def test_live_circuit_on_the_same_poles():
    rows = rows_of(double_circuit(), grounds=ENDS, circuit_faults={"F2": (5000.0, 0.4)})
    row = rows[0]
    assert row["circuit_id"] == "F2"
    assert row["kind"] == "same poles"
    assert row["separation_m"] == 0.0
    assert row["fault_a"] == 5000.0
    assert row["clearing_s"] == 0.4
    assert row["per_100_a"]
    # drawn on the same spot of the pole top: half a metre apart, and said
    assert any("(0.50 m)" in text for text in row["assumed"])
    z = abs(mutual_ohm_per_km(0.5, frequency_hz=60, resistivity_ohm_m=100))
    assert row["emf_fault_v"] == pytest.approx(5000.0 * z, rel=2e-3)


def test_own_branches_of_a_worked_circuit_are_no_neighbours():
    assert rows_of(straight(G), grounds=ENDS) == []


def test_all_together_adds_steady_and_takes_the_largest_fault():
    lines = {
        "T1": (((-500.0, 30.0), (1500.0, 30.0)), {}),
        "T2": (((-500.0, -50.0), (1500.0, -50.0)), {"fault_a": 3000.0}),
    }
    rows = rows_of(straight(G, lines), grounds=ENDS)
    total = rows[-1]
    steady = sum(row["emf_steady_v"] for row in rows[:-1])
    assert total["emf_steady_v"] == pytest.approx(steady, rel=1e-3)
    largest = max(rows[:-1], key=lambda r: r["emf_fault_v"])
    rest = steady - largest["emf_steady_v"]
    assert total["emf_fault_v"] == pytest.approx(largest["emf_fault_v"] + rest, rel=1e-3)
    assert total["passed_steady"] is False
    assert total["neighbours"] == ["T1", "T2"]


def test_cautions_carry_figures_and_sources():
    rows = rows_of(beside(30.0), grounds=ENDS)
    found = induction_cautions(rows)
    assert all(text and source for text, source in found)
    words = " ".join(text for text, _ in found)
    assert "Line T" in words
    assert "standing limit 6 V" in words
    assert "Without any ground the line floats" in words
    assert "block automatic reclosing" in words
    for never in ("compliant", "approved", "certified", "safe", "protected", "dead", "will trip"):
        assert never not in words.lower().split()
    assert induction_cautions([]) == []
    assert induction_assumptions([]) == []
    assert induction_method([]) is None


def test_a_loop_with_current_speaks_of_removal():
    rows = rows_of(beside(30.0), grounds={"P0": 0.5, "P20": 0.5})
    assert rows[-1]["circulating_steady_a"] > 1.0
    words = " ".join(text for text, _ in induction_cautions(rows))
    assert "the last ground but one opens that loop" in words
    assert "single-point has no such loop" in induction_method(rows)


def test_one_ground_speaks_of_the_open_end():
    rows = rows_of(beside(30.0), grounds={"P0": 25.0})
    words = " ".join(text for text, _ in induction_cautions(rows))
    assert "at the open end" in words
    assert "open end" in induction_method(rows)


@pytest.mark.parametrize(
    ("changes", "settles"),
    [
        ({"load_a": None, "fault_a": None}, "load_a and fault_a"),
        ({"height_m": None}, "height_m"),
        ({"load_a": None}, None),
        ({"load_a": None, "fault_a": None, "nominal_kv": 34.5}, None),
        ({"load_a": None, "fault_a": None, "nominal_kv": None}, "load_a and fault_a"),
    ],
)
def test_open_items(changes, settles):
    items = induction_open_items(rows_of(beside(30.0, **changes), grounds=ENDS))
    assert [item.settles for item in items] == ([settles] if settles else [])
    assert all(item.where == ("T",) and item.code == "induction_unknown" for item in items)


def test_a_neighbour_beside_the_stretch_nowhere_passes_whatever_is_not_known():
    changes = {"load_a": None, "fault_a": None, "clearing_s": None}
    row = one(beside(30.0, -500.0, 200.0, **changes), grounds={"P15": 25.0, "P17": 25.0})
    assert row["emf_steady_v"] == 0.0
    assert row["passed_steady"] is True
    assert row["passed_fault"] is True
    assert row["floating_v"] > 0
