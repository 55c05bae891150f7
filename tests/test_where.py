"""Where the grounds go: locations, leads, rods and lead ends of the usual situations.

The counts follow one formula (phases + neutral + electrode lead at each full set, one lead per
separate conductor section at a bracketed worksite), worked by hand beside each row.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from feeder import circuit, layer, pole, span, territory

from gridground.errors import NoPlanError, Reason
from gridground.ground import RodPlace
from gridground.grounding.brackets import Ground
from gridground.grounding.poletop import claimed_twice
from gridground.grounding.where import place_dual, place_single
from gridground.job import Job, RodSpec
from gridground.territory.network import Network
from gridground.territory.ways import find_zone
from tests.stated_limits import limits


def job(*worksite, **given):
    asked = {
        "job_id": "J1", "title": "t", "circuit_ids": ("F1",), "worksite_poles": worksite,
        "worksite_span": None, "method": "auto", "work_position": "pole", "open_conductor": (),
        "locate_ticket": "T1", "sources_opened": (), "isolated_equipment": (), "limits": limits(),
        "rod": RodSpec(1.83, 0.0159, 100.0), "kit": None,
    }  # fmt: skip
    return Job(**(asked | given))


def ground(*, no_rod=(), small=False, between=()):
    def find(pole_id):
        if pole_id in no_rod:
            return Reason("no_rod_place", (pole_id,), "nothing lawful.", "Find another.")
        return RodPlace(pole_id, 0.0, 40.0, 90.0, 4.6, 4.6, (), (), ())

    return Ground(
        find_rod=find,
        small=lambda top: frozenset(c.circuit_id for c in top.circuits) if small else frozenset(),
        between=lambda _poles, _spans: tuple(between),
    )


def line(n=8, *, first=0, extra=(), devices=(), poles=(), **given):
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", **given) for k in range(first + 1, n + 1)]
    own = [pole(f"P{k}", at_m=50.0 * k) for k in range(first, n + 1)]
    return territory([*own, *poles], [*spans, *extra], [circuit()], devices)


def both(ground_area, asked, how=None):
    zone = find_zone(Network.build(ground_area), asked)
    how = how or ground()
    return place_dual(zone, asked, how), place_single(zone, asked, how)


def counts(placement):
    leads = sum(len(spot.edges) for spot in placement.spots)
    return len(placement.spots), leads, sum(spot.rod is not None for spot in placement.spots)


def pairs(spot):
    return [(edge.start, edge.end) for edge in spot.edges]


ONE = {"phases": "B", "construction": "one"}


@pytest.fixture(autouse=True)
def _pole_tops(monkeypatch):
    """Give the small feeders a two- and a one-phase pole top beside the built-in ones."""
    import feeder

    from gridground.tables.wires import Construction, builtin_constructions

    tops = builtin_constructions() | {
        "one": Construction("one", {"1": (0.0, 10.5), "N": (0.2, 8.2)}, "invented"),
        "two": Construction(
            "two", {"1": (-0.6, 9.8), "2": (0.6, 9.8), "N": (0.2, 8.2)}, "invented"
        ),
        "arm": Construction(
            "arm",
            {"1": (-1.2, 10.0), "2": (-0.3, 10.0), "3": (1.2, 10.0), "N": (0.2, 8.2)},
            "invented",
        ),
    }
    monkeypatch.setattr(feeder, "builtin_constructions", lambda: tops)


@pytest.mark.parametrize(
    ("given", "dual", "single"),
    [
        ({"construction": "arm"}, (3, 11, 2), (1, 5, 1)),
        ({"construction": "two", "phases": "AC"}, (3, 9, 2), (1, 4, 1)),
        ({"construction": "one", "phases": "B"}, (3, 7, 2), (1, 3, 1)),
        ({"construction": "arm", "neutral_conductor": None}, (3, 9, 2), (1, 4, 1)),
    ],
)
def test_plain_worksite_counts(given, dual, single):
    placed = both(line(**given), job("P4"))
    assert counts(placed[0]) == dual
    assert counts(placed[1]) == single
    assert placed[0].method == "dual-point"


def test_usual_neutral_lead_ends_run_across_the_pole_top():
    dual, single = both(line(construction="arm"), job("P4"))
    # Distances to the neutral at (0.2, 8.2): A at (-1.2, 10) 2.28 m, C at (1.2, 10) 2.06 m.
    chain = [("rod", "bar"), ("bar", "neutral"), ("neutral", "C"), ("C", "B"), ("B", "A")]
    assert [pairs(spot) for spot in dual.spots] == [chain, chain, [("bar", "B")]]
    assert [pairs(spot) for spot in single.spots] == [chain]
    assert [spot.top.pole_id for spot in dual.spots] == ["P3", "P5", "P4"]


def test_small_neutral_moves_one_lead_to_the_bar_and_adds_none():
    dual, _ = both(line(construction="arm"), job("P4"), ground(small=True))
    assert pairs(dual.spots[0]) == [
        ("rod", "bar"), ("bar", "neutral"), ("bar", "C"), ("C", "B"), ("B", "A"),
    ]  # fmt: skip


def t_line(**lateral):
    extra = [span("T1", "P4", "Q1", **lateral), span("T2", "Q1", "Q2", **lateral)]
    return line(construction="arm", extra=extra, poles=[pole("Q1", at_m=210), pole("Q2", at_m=230)])


def test_t_has_three_directions():
    dual, single = both(t_line(construction="arm"), job("P4"))
    assert counts(dual) == (4, 16, 3)
    assert counts(single) == (1, 5, 1)
    assert sorted(d.towards for d in dual.directions) == ["lateral", "load", "source"]


def test_t_with_one_phase_lateral():
    dual, _ = both(t_line(**ONE), job("P4"))
    assert counts(dual) == (4, 5 + 5 + 3 + 1, 3)
    assert {d.span_id: d.towards for d in dual.directions}["T1"] == "lateral"


def test_four_way_junction():
    extra = [span(f"T{k}", "P4", f"Q{k}", construction="arm") for k in (1, 2)]
    area = line(construction="arm", extra=extra, poles=[pole("Q1"), pole("Q2")])
    dual, single = both(area, job("P4"))
    assert counts(dual) == (5, 21, 4)
    assert counts(single) == (1, 5, 1)


def test_dead_end_is_not_called_dual_point():
    dual, single = both(line(construction="arm"), job("P8"))
    assert dual.method == "one bracket and personal ground"
    assert counts(dual) == (2, 6, 1)
    assert counts(single) == (1, 5, 1)


@pytest.mark.parametrize("state", ["open", "closed"])
def test_gang_switch_splits_the_pole_whatever_its_state(state):
    device = {"device_id": "D1", "pole_id": "P4", "span_id": "S5", "kind": "switch",
              "state": state, "phases": "ABC"}  # fmt: skip
    dual, single = both(line(construction="arm", devices=[device]), job("P4"))
    assert counts(dual) == (3, 12, 2)
    assert counts(single) == (1, 8, 1)
    assert pairs(dual.spots[-1]) == [("bar", "B@S4"), ("bar", "B@S5")]
    assert pairs(single.spots[0])[2:] == [
        ("neutral", "C@S4"), ("C@S4", "B@S4"), ("B@S4", "A@S4"),
        ("neutral", "C@S5"), ("C@S5", "B@S5"), ("B@S5", "A@S5"),
    ]  # fmt: skip


def test_solid_jumper_does_not_split():
    device = {"device_id": "D1", "pole_id": "P4", "span_id": "S5", "kind": "jumper",
              "state": "closed", "phases": "ABC"}  # fmt: skip
    dual, single = both(line(construction="arm", devices=[device]), job("P4"))
    assert (counts(dual), counts(single)) == ((3, 11, 2), (1, 5, 1))


def test_four_consecutive_worksite_poles():
    dual, single = both(line(construction="arm"), job("P3", "P4", "P5", "P6"))
    assert counts(dual) == (6, 14, 2)
    assert counts(single) == (4, 20, 4)


def test_worksite_poles_apart_keep_one_personal_ground_each():
    dual, _ = both(line(construction="arm"), job("P3", "P6"))
    assert counts(dual) == (4, 12, 2)
    assert {s.top.pole_id for s in dual.spots if s.role == "bracket"} == {"P2", "P7"}


def test_source_between_the_brackets_asks_for_the_full_set():
    dual, single = both(line(construction="arm"), job("P4"), ground(between=["T9"]))
    assert counts(dual) == (3, 14, 2)
    assert counts(single) == (1, 5, 1)
    assert pairs(dual.spots[-1])[0] == ("bar", "neutral")


@pytest.mark.parametrize(("cut", "leads"), [(("A",), 12), (("A", "B", "C"), 14)])
def test_cutting_conductors_adds_bypass_leads(cut, leads):
    dual, _ = both(line(construction="arm"), job("P4", open_conductor=cut))
    assert counts(dual) == (3, leads, 2)
    assert ("A@S4", "A@S5") in pairs(dual.spots[-1])


def test_mid_span_has_brackets_at_both_ends():
    dual, single = both(line(construction="arm"), job(worksite_span="S4"))
    assert counts(dual) == (3, 11, 2)
    assert [s.top.pole_id for s in dual.spots] == ["P3", "P4", None]
    assert single.infeasible[0].code == "mid_span"


def test_no_rod_place_moves_the_bracket_out_with_an_open_item():
    dual, _ = both(line(construction="arm"), job("P4"), ground(no_rod=["P5"]))
    assert counts(dual) == (3, 11, 2)
    assert {s.top.pole_id for s in dual.spots} == {"P3", "P4", "P6"}
    assert [item.code for item in dual.open_items] == ["bracket_moved_out"]


def test_pole_ground_on_the_neutral_where_no_rod_place_is_in_reach():
    poles = [pole(f"P{k}", at_m=50.0 * k, ground_ohm=20.0) for k in range(9)]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", construction="arm") for k in range(1, 9)]
    area = territory(poles, spans, [circuit()])
    dual, _ = both(area, job("P4"), ground(no_rod=["P5", "P6"]))
    assert counts(dual) == (3, 10, 1)
    assert dual.spots[1].electrode == "pole ground"


def test_no_electrode_within_the_limit_makes_dual_point_impossible():
    dual, single = both(line(construction="arm"), job("P4"), ground(no_rod=["P5", "P6"]))
    assert dual.infeasible[0].code == "no_rod_place"
    assert counts(single) == (1, 5, 1)


def test_steel_poles_need_no_rod():
    poles = [pole(f"P{k}", at_m=50.0 * k, material="steel") for k in range(9)]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", construction="arm") for k in range(1, 9)]
    dual, single = both(territory(poles, spans, [circuit()]), job("P4"))
    assert counts(dual) == (3, 9, 0)
    assert counts(single) == (1, 4, 0)
    assert pairs(dual.spots[-1]) == [("pole", "B")]


def test_two_worked_circuits_share_bar_and_rod():
    second = [
        span(f"X{k}", f"P{k - 1}", f"P{k}", circuit_id="F2", construction="arm")
        for k in range(1, 9)
    ]
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(9)]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", construction="arm") for k in range(1, 9)]
    area = territory(poles, [*spans, *second], [circuit(), circuit("F2")])
    dual, single = both(area, job("P4", circuit_ids=("F1", "F2")))
    assert counts(single) == (1, 1 + 4 + 4, 1)
    assert counts(dual) == (3, 9 + 9 + 2, 2)
    assert ("bar", "F2:neutral") in pairs(single.spots[0])


def test_unknown_neutral_at_a_ground_pole_is_refused():
    area = line(construction="arm")
    area.spans.stated["neutral_conductor"][4] = False
    with pytest.raises(NoPlanError) as caught:
        both(area, job("P4"))
    assert caught.value.reasons[0].code == "unknown_neutral"
    assert caught.value.reasons[0].where == ("S5",)


def test_worksite_off_the_worked_circuit_is_refused():
    with pytest.raises(NoPlanError) as caught:
        both(line(construction="arm", poles=[pole("Z")]), job("Z"))
    assert caught.value.reasons[0].code == "worksite_not_in_network"


def test_reversing_spans_and_renaming_changes_nothing():
    forward, _ = both(line(construction="arm"), job("P4"))
    spans = [span(f"S{k}", f"P{k}", f"P{k - 1}", construction="arm") for k in range(1, 9)]
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(9)]
    backward, _ = both(territory(poles[::-1], spans[::-1], [circuit()]), job("P4"))
    assert [pairs(s) for s in forward.spots] == [pairs(s) for s in backward.spots]
    assert forward.directions == backward.directions


@pytest.mark.parametrize(
    ("given", "pairs"),
    [
        ({}, [("F1:A", "F2:A"), ("F1:B", "F2:B"), ("F1:C", "F2:C")]),
        ({"phases": "CAB"}, [("F1:A", "F2:C"), ("F1:B", "F2:A"), ("F1:C", "F2:B")]),
        ({"construction": "below"}, []),
    ],
)
def test_two_circuits_that_claim_one_place(given, pairs):
    """IEEE 500 by hand: the k-th letter hangs at position k, whoever it belongs to."""
    second = span("T1", "P1", "P2", circuit_id="F2", neutral_conductor=None, **given)
    area = line(4, extra=[second])
    area = replace(area, layers=dict(area.layers))
    area.layers["circuits"] = layer("circuits", [circuit(), circuit("F2", "P1")])
    below = {k: (x, y - 2.0) for k, (x, y) in area.constructions["IEEE 500"].positions.items()}
    area.constructions["below"] = replace(area.constructions["IEEE 500"], positions=below)
    network = Network.build(area)
    assert claimed_twice(network, network.pole_row["P2"]) == pairs
    assert claimed_twice(network, network.pole_row["P3"]) == []
