"""The clearance: limits, devices in order, what is parted off, other crews, files and page.

Expected values are worked by hand on the drawings below, unless a test says otherwise.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
from dataclasses import replace
from types import SimpleNamespace

import networkx as nx
import pytest
from feeder import circuit, pole, span
from feeder import territory as drawn
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from maps_maker import ROOT
from test_jobmap import NEVER_SAID, Parsed, squeezed

import gridground as gg
import tests.plan_example as example
from gridground.clearance import DECIDES, DONE, clearance_block, day_items, equipment_rows
from gridground.cli import main
from gridground.crews import (
    Crew,
    Extent,
    crew_cautions,
    crew_items,
    crew_rows,
    held_texts,
    read_crews,
)
from gridground.errors import GridgroundError, InputError
from gridground.export import clearance_csv, clearance_json, plan_files, read_others
from gridground.job import ClearanceAsked
from gridground.jobclearance import as_moment
from gridground.jobfile import read_job
from gridground.jobmap.page import page_html
from gridground.jobmap.shape import check_shape
from gridground.jobmap.words import printable
from gridground.parted import Part
from gridground.record import Plan, plan_hash
from gridground.territory.network import Network
from tests.cross.ways_by_ids import Wiring
from tests.laws.random_territory import turned, worlds

TERRITORY = str(ROOT / "sample_data" / "territory")
JOBS = ROOT / "sample_data" / "jobs"


# --- small territories ----------------------------------------------------------------------------
#
#   F1 source                                                                     F2 source
#     P0 -BK- S1 - P1 - S2 - P2 - S3 - P3 - S4 - P4 -SW- S5 - P5 - S6 - P6 -TIE- R2 - Q1 - R1 - Q0
#
# BK stands at the P0 end of S1, SW at the P4 end of S5, TIE (recorded open) at the P6 end of R2.


def device(name, pole_id, span_id, kind="switch", *, state="closed", phases="ABC"):
    row = {"device_id": name, "pole_id": pole_id, "span_id": span_id, "kind": kind}
    return row | {"state": state, "phases": phases}


BK = device("BK", "P0", "S1", "breaker")
SW = device("SW", "P4", "S5")
TIE = device("TIE", "P6", "R2", state="open")


def line(devices=(BK, SW, TIE), **others):
    poles = [pole(f"P{k}", at_m=50.0 * k) for k in range(7)] + [pole("Q0"), pole("Q1")]
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 7)]
    spans += [span("R1", "Q0", "Q1", circuit_id="F2"), span("R2", "Q1", "P6", circuit_id="F2")]
    return drawn(poles, spans, [circuit(), circuit("F2", "Q0")], list(devices), **others)


def part_of(area, opened, *, isolated=()):
    """Part with brackets at P1 and P3 and the worksite at P2: S2 and S3 are bonded at both ends."""
    network = Network.build(area)
    ends = [(network.pole_row[p], network.span_row[s]) for p, s in
            (("P1", "S2"), ("P2", "S2"), ("P2", "S3"), ("P3", "S3"))]  # fmt: skip
    job = SimpleNamespace(sources_opened=opened, isolated_equipment=isolated)
    return Part.of(SimpleNamespace(territory=area, job=job, network=network), ends)


def limits(part):
    return [(row["device_ids"], row["stated"], row["holds_off"]) for row in part.limits]


def opened(part):
    return [(row["device_id"], row["stated"]) for row in part.open_rows()]


def test_stated_openings_bound_the_part():
    part = part_of(line(), ("BK", "TIE"))
    assert limits(part) == [(["BK"], True, ["F1"]), (["TIE"], True, ["F2"])]
    first, second = part.limits
    assert (first["pole_id"], first["span_id"], first["kind"]) == ("P0", "S1", "breaker")
    assert (first["phases"], first["recorded"]) == ("ABC", "closed")
    assert (second["pole_id"], second["span_id"], second["recorded"]) == ("P6", "R2", "open")
    assert opened(part) == [("BK", True), ("TIE", True)]
    off = part.off()
    assert off["pole_ids"] == ["P1", "P2", "P3", "P4", "P5", "P6"]
    assert (off["count"], off["once_open"], off["still_fed"]) == (6, [], [])
    assert "by the openings the job states" in off["text"]


def test_a_tie_recorded_open_beside_a_closed_device_of_its_span():
    """OTHER (closed) stands at R2's far end: TIE is the nearer of the two and is open."""
    other = device("OTHER", "Q1", "R2")
    part = part_of(line((BK, TIE, other)), ("BK",))
    assert opened(part) == [("BK", True), ("TIE", False)]


def test_looking_and_tagging_is_a_step_of_its_own():
    closed, is_open = part_of(line(), ("BK", "TIE")).open_rows()
    assert closed["text"] == "Open BK (breaker) at P0, span S1; look that it is open; tag it."
    assert [step["do"] for step in closed["steps"]] == ["open", "look and tag"]
    assert closed["steps"][1]["text"] == (
        "BK (breaker) at P0, span S1: look that it is open; tag it."
    )
    assert is_open["text"] == (
        "TIE (switch) at P6, span R2 is recorded open: look that it is open; tag it."
    )
    assert [step["do"] for step in is_open["steps"]] == ["look and tag"]


def test_the_order_is_the_jobs_own_and_a_breaker_after_a_switch_is_said():
    part = part_of(line(), ("TIE", "SW", "BK"))
    assert opened(part) == [("TIE", True), ("SW", True), ("BK", True)]
    assert [row["number"] for row in part.open_rows()] == [1, 2, 3]
    assert part.order_remark() == " The job states SW before BK, a breaker."
    assert part_of(line(), ("BK", "SW")).order_remark() == ""
    assert part_of(line(), ("TIE", "BK")).order_remark() == ""
    # TIE lies beyond SW: it bounds nothing, SW does.
    assert [row["bounds"] for row in part.open_rows()] == [False, True, True]
    assert part.off()["pole_ids"] == ["P1", "P2", "P3", "P4"]


@pytest.mark.parametrize("stated", [None, ()])
def test_nothing_stated_lists_the_nearest_and_what_is_recorded_open(stated):
    """SW is not asked for: beyond it stands nothing as long as TIE stays open and is tagged."""
    part = part_of(line(), stated)
    assert opened(part) == [("BK", False), ("TIE", False)]
    off = part.off()
    assert off["once_open"] == ["BK"]
    assert off["pole_ids"] == ["P1", "P2", "P3", "P4", "P5", "P6"]
    assert "once BK, which the job does not state, is open too" in off["text"]
    assert limits(part) == [(["BK"], False, ["F1"]), (["TIE"], False, ["F2"])]


def test_a_missing_breaker_comes_after_what_the_job_states():
    part = part_of(line(), ("SW",))
    assert opened(part) == [("SW", True), ("BK", False)]
    assert part.off()["once_open"] == ["BK"]
    assert part.off()["pole_ids"] == ["P1", "P2", "P3", "P4"]
    assert limits(part) == [(["BK"], False, ["F1"]), (["SW"], True, ["F2"])]


def test_a_closed_tie_asks_for_the_nearest_device_before_it():
    part = part_of(line((BK, SW, TIE | {"state": "closed"})), ("BK",))
    assert opened(part) == [("BK", True), ("SW", False)]
    assert part.off()["pole_ids"] == ["P1", "P2", "P3", "P4"]


def test_breakers_before_switches_and_open_ones_last_where_the_order_is_ours():
    far = device("RC", "P4", "S5", "recloser")
    near = device("GS", "P0", "S1")
    part = part_of(line((near, far, TIE | {"state": "closed"})), None)
    assert opened(part) == [("RC", False), ("GS", False)]
    part = part_of(line((near, far, TIE)), None)
    assert opened(part) == [("GS", False), ("TIE", False)]


def test_a_farther_opening_that_is_stated_is_enough():
    """BK stands before GS, at the ends of one span and of two: BK open, nothing reaches GS."""
    for nearer in (device("GS", "P1", "S1"), device("GS", "P1", "S2")):
        part = part_of(line((BK, nearer, TIE)), ("BK", "TIE"))
        assert opened(part) == [("BK", True), ("TIE", True)]
        assert limits(part)[0] == (["BK"], True, ["F1"])
        assert part.off()["pole_ids"] == ["P1", "P2", "P3", "P4", "P5", "P6"]


def test_of_two_devices_in_series_at_one_place_one_is_enough():
    part = part_of(line((BK, device("GS", "P0", "S1"), TIE)), ("GS", "TIE"))
    assert opened(part) == [("GS", True), ("TIE", True)]
    assert limits(part)[0] == (["GS"], True, ["F1"])
    part = part_of(line((BK | {"state": "open"}, device("GS", "P0", "S1"), TIE)), ("GS", "TIE"))
    assert limits(part)[0] == (["BK", "GS"], True, ["F1"])


def test_no_device_parts_nothing():
    part = part_of(line((TIE,)), None)
    assert part.unparted == ("F1",)
    off = part.off()
    assert (off["count"], off["pole_ids"], off["still_fed"]) == (0, [], ["F1"])
    assert off["text"].startswith("Nothing is parted off")


def test_cutouts_of_single_phases_are_one_open_point():
    """Two of three are stated: the third still lets phase C through."""
    cutouts = [device(f"CO-{x}", "P0", "S1", "cutout", phases=x) for x in "ABC"]
    part = part_of(line((*cutouts, TIE)), ("CO-A", "CO-B", "TIE"))
    assert opened(part) == [("CO-A", True), ("CO-B", True), ("TIE", True), ("CO-C", False)]
    row = part.limits[0]
    assert (row["device_ids"], row["phases"]) == (["CO-A", "CO-B", "CO-C"], "ABC")
    assert row["stated"] is False
    part = part_of(line((*cutouts, TIE)), ("CO-A", "CO-B", "CO-C", "TIE"))
    assert part.limits[0]["stated"] is True
    assert part.off()["once_open"] == []


def test_devices_at_both_ends_of_a_span_bound_it_together():
    """A at the near end, B and C at the far end: neither end parts all phases alone."""
    near = device("NEAR", "P1", "S1", "cutout", phases="A")
    far = device("FAR", "P0", "S1", "cutout", phases="BC")
    part = part_of(line((near, far, TIE)), ("NEAR", "FAR", "TIE"))
    assert [(row["device_ids"], row["pole_id"]) for row in part.limits] == [
        (["FAR"], "P0"),
        (["NEAR"], "P1"),
        (["TIE"], "P6"),
    ]


def test_generators_beyond_an_open_point_are_named():
    gen = {"equipment_id": "GEN", "pole_id": "P6", "circuit_id": "F1", "kind": "generator"}
    area = line((BK, SW), equipment=[gen | {"phases": "ABC"}])
    part = part_of(area, ("BK", "SW"))
    assert [row["generators_beyond"] for row in part.limits] == [[], ["GEN"]]
    area = line((BK, SW | {"state": "open"}), equipment=[gen | {"phases": "ABC"}])
    assert opened(part_of(area, ("BK",))) == [("BK", True), ("SW", False)]


def test_equipment_on_the_part_and_nowhere_else():
    kinds = dict(zip(("P1", "P2", "P3", "P4"), ("guy", "capacitor", "transformer", "generator"),
                     strict=True))  # fmt: skip
    rows = [
        {"equipment_id": f"E-{at}", "pole_id": at, "circuit_id": "F1", "kind": kind, "phases": "A"}
        for at, kind in (kinds | {"P5": "transformer", "P0": "riser"}).items()
    ]
    rows.append(rows[0] | {"equipment_id": "E-lost", "pole_id": "P3", "circuit_id": "F2"})
    part = part_of(line(equipment=rows), ("BK", "SW"), isolated=("E-P3", "E-P5"))
    found = equipment_rows(part)
    assert [(row["equipment_id"], row["kind"], row["isolated"]) for row in found] == [
        ("E-P4", "generator", False),
        ("E-P3", "transformer", True),
        ("E-P2", "capacitor", False),
        ("E-P1", "guy", False),
        ("E-lost", "guy", False),  # its circuit is not at P3: it may hang on the part
    ]


def test_every_kind_of_equipment_has_its_words():
    assert set(DONE) == {
        "transformer", "regulator", "capacitor", "generator", "riser", "service", "arrester", "guy",
    }  # fmt: skip
    assert "wait five minutes" in DONE["capacitor"]
    assert "all phases of the bank" in DONE["transformer"]


# --- other crews ----------------------------------------------------------------------------------


def extent(**change):
    base = {
        "circuits": {"F1"}, "devices": {"D9"}, "poles": {"P90"}, "bounds": {"D9"},
    } | change  # fmt: skip
    return Extent(**{k: None if v is None else frozenset(v) for k, v in base.items()})


def crew(name="other", *, holder="crew 3", **change):
    return Crew(name, f"Title {name}", holder, None, None, "2026-01-01T00:00:00Z", "0" * 64,
                extent(**change))  # fmt: skip


def rows_of(other, *, holder="crew 1", pole_ids=("P1", "P2"), bounds=("D1",)):
    job = SimpleNamespace(
        circuit_ids=("F1",), worksite_poles=("P2",), sources_opened=("D1",),
        clearance=ClearanceAsked(holder=holder),
    )  # fmt: skip
    block = {
        "limits": [{"device_ids": list(bounds)}],
        "open": [{"device_id": "D1"}],
        "off": {"pole_ids": list(pole_ids)},
        "grounds": [{"pole_id": "P1"}, {"pole_id": None}],
    }
    return crew_rows(job, block, [other])


@pytest.mark.parametrize(
    ("change", "shared"),
    [
        ({"devices": {"D1"}}, (["D1"], [], ["F1"])),
        ({"poles": {"P2"}}, ([], ["P2"], ["F1"])),
        ({"circuits": {"F2"}, "poles": {"P1", "P9"}}, ([], ["P1"], [])),
        ({"devices": {"D1"}, "circuits": {"F2"}}, (["D1"], [], [])),
    ],
)
def test_what_is_shared_is_named_and_asked_about(change, shared):
    (row,) = rows_of(crew(**change))
    found = tuple(row[f"shared_{word}"] for word in ("devices", "poles", "circuits"))
    assert found == shared
    assert row["apart"] is None
    (item,) = crew_items([row], [])
    assert item.code == "another_clearance"
    assert item.where[0] == "other"
    assert set(item.where[1:]) == {name for names in shared for name in names}
    for name in item.where[1:]:
        assert name in item.what


def test_nothing_shared_is_no_row():
    assert rows_of(crew(circuits={"F2"})) == []


def test_a_common_holder_keeps_two_jobs_together():
    (row,) = rows_of(crew(holder="crew 3", devices={"D1"}), holder="crew 3")
    assert row["apart"] == "same holder"
    assert crew_items([row], []) == []
    (row,) = rows_of(crew(holder="crew 3", devices={"D1"}), holder="crew 1")
    assert row["apart"] is None
    assert "holder crew 3" in crew_items([row], [])[0].what


@pytest.mark.parametrize("holders", [(None, None), ("crew 3", None), (None, "crew 1")])
def test_where_a_holder_is_not_stated_it_is_a_caution(holders):
    (row,) = rows_of(crew(holder=holders[0], devices={"D1"}), holder=holders[1])
    assert row["apart"] == "holder not stated"
    assert crew_items([row], []) == []
    (told,) = crew_cautions([row])
    assert "D1" in told["text"]
    (row,) = rows_of(crew(holder="crew 3", devices={"D1"}), holder="crew 1")
    assert crew_cautions([row]) == []


def test_one_circuit_with_other_open_points_is_apart():
    (row,) = rows_of(crew())
    assert row["apart"] == "other open points"
    assert crew_items([row], []) == []


@pytest.mark.parametrize("given", [{"pole_ids": ()}, {"bounds": ()}])
def test_a_part_that_is_not_parted_off_is_never_apart(given):
    (row,) = rows_of(crew(), **given)
    assert row["apart"] is None
    (row,) = rows_of(crew(bounds=None))
    assert row["apart"] is None


def test_shared_devices_stay_open_until_both_are_released():
    (row,) = rows_of(crew(holder="crew 3", devices={"D1", "D2"}), holder="crew 3")
    assert held_texts([row]) == [
        "The holder tells the dispatcher, who reads it back: not to be closed until job other "
        "(holder crew 3) is released too: D1. That job needs it open."
    ]
    assert held_texts(rows_of(crew())) == []


# --- whole plans ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(TERRITORY)


def read(name, **change):
    return replace(gg.read_job(JOBS / f"{name}.toml"), **change)


@pytest.fixture(scope="module")
def straight(territory):
    return gg.plan_job(territory, read("01-straight"))


@pytest.fixture(scope="module")
def four(territory):
    held = ClearanceAsked(holder="crew 1")
    return gg.plan_job(territory, read("07-four-poles", method="single-point", clearance=held))


@pytest.fixture(scope="module")
def beside(territory, four):
    return gg.plan_job(territory, read("01-straight"), others=[four])


def codes(plan):
    return [item["code"] for item in plan["open_items"]]


def test_block_of_a_sample_job(straight):
    """Read off the drawing: breaker at the substation, tie at Q262, nothing else in between."""
    block = straight["clearance"]
    assert [row["device_ids"] for row in block["limits"]] == [["TIE1"], ["BK-WB2"]]
    assert [row["device_id"] for row in block["open"]] == ["BK-WB2", "TIE1"]
    assert block["holder"] == "foreman of line crew 3"
    assert block["number"] == "C-26-0401"
    assert block["tag"]["workStartTime"] == "2026-04-14T07:30:00-06:00"
    assert block["tag"]["authorityName"] == "Willowbeck dispatch"
    assert block["tag"]["groundReqFlag"] is block["tag"]["phaseCheckReqFlag"] is True
    assert block["tag"]["tagIssueTime"] is None
    assert [(row["pole_id"], row["leads"], row["rods"]) for row in block["grounds"]] == [
        ("Q212", 5, 1), ("Q214", 5, 1), ("Q213", 1, 0),
    ]  # fmt: skip
    assert sum(row["leads"] for row in block["grounds"]) == straight["totals"]["leads"]
    assert sum(row["rods"] for row in block["grounds"]) == straight["totals"]["rods"]
    assert [way["sources"] for way in block["ways"]] == [
        way["sources"] for way in straight["directions"]
    ]
    assert {"Q212", "Q213", "Q214", "L101", "Q262"} <= set(block["off"]["pole_ids"])
    assert "S2" not in block["off"]["pole_ids"]
    assert block["decides"] == DECIDES
    assert "dispatcher and the person in charge decide" in DECIDES
    assert straight.ready


def test_without_a_table_nobody_is_named(territory):
    block = gg.plan_job(territory, read("12-delta"))["clearance"]
    keys = ("holder", "authority", "number", "work_start", "work_end")
    assert [block[key] for key in keys] == [None] * 5
    assert block["reclosing_blocked"] == ["WB1", "WB2", "WD1", "RC-D", "RC-WD1"]


def test_no_claim_stands_in_the_block(straight):
    text = json.dumps(straight["clearance"]).lower()
    for word in NEVER_SAID:
        assert not re.search(rf"\b{word}\b", text), word


def test_two_crews_on_one_circuit(straight, four, beside):
    """Both jobs open BK-WB2 and TIE1, and the same part of WB2 is parted off for both."""
    (row,) = beside["clearance"]["others"]
    assert (row["job_id"], row["holder"], row["apart"]) == ("four-poles-07", "crew 1", None)
    assert row["shared_devices"] == ["BK-WB2", "TIE1"]
    assert row["shared_circuits"] == ["WB2"]
    assert row["shared_poles"] == straight["clearance"]["off"]["pole_ids"]
    assert row["made_at"] == four["made_at"]
    assert codes(beside) == ["another_clearance"]
    assert not beside.ready
    *before, told, last = beside["steps"]["release"]
    assert "BK-WB2, TIE1" in told["text"]
    assert "until job four-poles-07 (holder crew 1) is released too" in told["text"]
    assert straight["steps"]["release"][:-1] == before
    assert straight["steps"]["release"][-1] | {"step_id": last["step_id"]} == last


def test_the_other_plan_is_an_input_and_the_order_is_nothing(territory, four, beside):
    found = [row for row in beside["inputs"] if row["layer"].startswith("plan:")]
    assert [(row["layer"], row["sha256"]) for row in found] == [
        ("plan:four-poles-07", four["plan_hash"])
    ]
    again = gg.plan_job(territory, read("01-straight"), others=[four, four])
    assert again["plan_hash"] == beside["plan_hash"]


def test_the_jobs_own_plan_is_no_other(territory, straight):
    again = gg.plan_job(territory, read("01-straight"), others=[straight])
    assert again["plan_hash"] == straight["plan_hash"]


def test_one_holder_of_both(territory):
    """The step of the release stays: the shared devices are opened for both."""
    held = ClearanceAsked(holder="foreman of line crew 3")
    other = gg.plan_job(territory, read("07-four-poles", method="single-point", clearance=held))
    plan = gg.plan_job(territory, read("01-straight"), others=[other])
    assert plan["clearance"]["others"][0]["apart"] == "same holder"
    assert codes(plan) == []
    assert "not to be closed until" in plan["steps"]["release"][-2]["text"]


def test_two_laterals_behind_devices_of_their_own(territory):
    """L107 behind CO-L101 and L206 behind FU-L201: one circuit, no device and no pole in common."""
    one = read("02-one-phase", sources_opened=("CO-L101",))
    two = read("03-two-phase", sources_opened=("FU-L201",))
    other = gg.plan_job(territory, one)
    plan = gg.plan_job(territory, two, others=[other])
    (row,) = plan["clearance"]["others"]
    assert row["apart"] == "other open points"
    assert (row["shared_devices"], row["shared_poles"]) == ([], [])
    assert row["shared_circuits"] == ["WB2"]
    assert "another_clearance" not in codes(plan)
    assert plan["clearance"]["off"]["pole_ids"] == [f"L2{k:02}" for k in range(1, 13)]


def test_an_altered_plan_is_named_and_never_used(territory, four, straight):
    spoilt = dict(four.document)
    spoilt["title"] = "something else"
    plan = gg.plan_job(territory, read("01-straight"), others=[Plan(spoilt)])
    assert plan["clearance"]["others"] == []
    assert [row for row in plan["inputs"] if row["layer"].startswith("plan:")] == []
    (item,) = plan["open_items"]
    assert item["code"] == "other_plan_unreadable"
    assert item["where"] == ["four-poles-07"]
    assert "altered" in item["what"]
    assert straight["steps"]["release"] == plan["steps"]["release"]


def rehashed(document):
    document = dict(document)
    document["plan_hash"] = plan_hash(document)
    return Plan(document)


@pytest.mark.parametrize(
    "change",
    [
        {"job_id": "../../etc/passwd"}, {"job_id": 7}, {"job_id": None}, {"title": ["x"]},
        {"title": "a\u202eb"}, {"title": "x" * 2001}, {"job": None}, {"job": {"circuit_ids": 5}},
        {"locations": 5}, {"made_at": None}, {"clearance": {"holder": {"a": 1}}},
    ],
)  # fmt: skip
def test_a_whole_plan_with_odd_contents_is_named(four, change):
    crews, problems = read_crews([rehashed(four.document | change)], job_id="x")
    assert crews == []
    assert len(problems) == 1


@pytest.mark.parametrize(
    "block",
    [None, 5, [], {}, {"limits": 3, "open": {"device_id": [[["BK-WB2"]]]}, "off": []},
     {"limits": [[{"device_ids": "TIE1"}]], "off": {"pole_ids": {"a": 1}}}],
)  # fmt: skip
def test_an_earlier_plan_without_a_clearance_still_counts(four, block):
    document = {k: v for k, v in four.document.items() if k != "clearance"}
    if block is not None:
        document["clearance"] = block
    (found,), problems = read_crews([rehashed(document)], job_id="x")
    assert problems == []
    assert found.extent.bounds is None
    assert found.extent.devices == {"BK-WB2", "TIE1"}
    assert {"Q237", "Q238", "Q239", "Q240"} <= found.extent.poles


def test_hostile_text_of_another_plan_stays_text(territory, four):
    spoilt = rehashed(four.document | {"title": "<img src=x onerror=alert(1)>{{ 7*191 }}"})
    plan = gg.plan_job(territory, read("01-straight"), others=[spoilt])
    html = page_html(plan)
    assert "<img" not in html
    assert "1337" not in html
    assert "<img src=x onerror=alert(1)>{{ 7*191 }}" in Parsed(html).text


# --- files ----------------------------------------------------------------------------------------


def test_files_of_the_clearance(straight):
    found = json.loads(clearance_json(straight))
    assert found["ClearanceTag"] == straight["clearance"]["tag"]
    assert found["plan_hash"] == straight["plan_hash"]
    assert found["format"] == "gridground-clearance/1"
    assert found["open"] == straight["clearance"]["open"]
    rows = list(csv.DictReader(io.StringIO(clearance_csv(straight).decode())))
    assert [(row["step"], row["do"], row["device_id"]) for row in rows] == [
        ("1", "open", "BK-WB2"), ("2", "look and tag", "BK-WB2"), ("3", "look and tag", "TIE1"),
    ]  # fmt: skip
    assert {row["decides"] for row in rows} == {DECIDES}
    assert {row["tag_number"] for row in rows} == {""}
    names = plan_files(straight, "")
    assert {"straight-01.clearance.json", "straight-01.clearance.csv"} <= set(names)
    assert list(names)[-1] == "straight-01.plan.json"


def test_cells_of_the_list_are_no_formulas(straight):
    block = json.loads(json.dumps(straight["clearance"]))
    block["open"][0] |= {"device_id": "=1+1", "kind": "@x"}
    plan = Plan(straight.document | {"clearance": block})
    assert b"'=1+1" in clearance_csv(plan)
    assert b"'@x" in clearance_csv(plan)


def test_plans_in_the_folder_and_beside_it(tmp_path, four, capsys):
    out, crew_two = tmp_path / "out", tmp_path / "two"
    for folder in (out, crew_two):
        folder.mkdir()
    (crew_two / "four-poles-07.plan.json").write_bytes(four.to_bytes())
    (out / "broken.plan.json").write_text('{"format": ')
    (out / "straight-01.plan.json").write_text("its own earlier plan, torn")
    call = ["plan", TERRITORY, str(JOBS / "01-straight.toml"), "-o", str(out), "--force"]
    assert main([*call, "--beside", str(crew_two)]) == 1
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert [row["job_id"] for row in plan["clearance"]["others"]] == ["four-poles-07"]
    assert [(item["code"], item["where"][0]) for item in plan["open_items"]] == [
        ("other_plan_unreadable", "broken.plan.json"), ("another_clearance", "four-poles-07"),
    ]  # fmt: skip
    (out / "broken.plan.json").unlink()
    assert main(call) == 0
    assert "Traceback" not in capsys.readouterr().err


def test_a_folder_beside_must_be_there(tmp_path, capsys):
    call = ["plan", TERRITORY, str(JOBS / "01-straight.toml"), "-o", str(tmp_path / "out")]
    assert main([*call, "--beside", str(tmp_path / "nowhere")]) == 2
    assert "--beside" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_what_is_no_file_of_a_plan_is_named(tmp_path, four):
    (tmp_path / "folder.plan.json").mkdir()
    os.mkfifo(tmp_path / "pipe.plan.json")
    (tmp_path / "gone.plan.json").symlink_to(tmp_path / "nothing")
    (tmp_path / "deep.plan.json").write_text('{"a":' * 980 + "1" + "}" * 980)
    (tmp_path / "bytes.plan.json").write_bytes(b"\xff\xfe\x00")
    altered = four.to_bytes().replace(b'"parallel":1', b'"parallel":2', 1)
    (tmp_path / "altered.plan.json").write_bytes(altered)
    (tmp_path / "whole.plan.json").write_bytes(four.to_bytes())
    plans, problems = read_others([tmp_path, tmp_path], job_id="x")
    assert [plan["job_id"] for plan in plans] == ["four-poles-07"]
    assert [problem.layer for problem in problems] == [
        f"{name}.plan.json" for name in ("altered", "bytes", "deep", "folder", "gone", "pipe")
    ]
    assert read_others([tmp_path / "nowhere"], job_id="x") == ((), ())


def test_a_file_name_with_anything_in_it_is_text():
    problem = SimpleNamespace(layer="a\udcff\n\u202e.plan.json", found="x", remedy="y.")
    (item,) = crew_items([], [problem])
    assert item.where[0].isprintable()
    assert item.what.encode()


# --- the job's keys -------------------------------------------------------------------------------

LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n[clearance]\n'


def test_keys_of_the_clearance(tmp_path):
    file = tmp_path / "job.toml"
    file.write_text(LEAST + 'holder = "A"\nnumber = 12\nwork_start = 2026-04-14T07:30:00-06:00\n')
    asked = read_job(file).clearance
    assert asked == ClearanceAsked("A", None, "12", "2026-04-14T07:30:00-06:00", None)
    file.write_text(LEAST.removesuffix("[clearance]\n"))
    assert read_job(file).clearance == ClearanceAsked()


@pytest.mark.parametrize(
    ("text", "field", "remedy"),
    [
        ('holder = ""', "clearance.holder", "write text"),
        ("holder = 5", "clearance.holder", "write text"),
        ('authority = "a\\u202Eb"', "clearance.authority", "plain text"),
        ('number = ["1"]', "clearance.number", "list of ids"),
        ('work_start = "2026-04-14"', "clearance.work_start", "offset from UTC"),
        ('work_start = "2026-04-14T07:30:00"', "clearance.work_start", "offset from UTC"),
        ("work_start = 2026-04-14T07:30:00", "clearance.work_start", "offset from UTC"),
        ("work_end = 1767225600", "clearance.work_end", "offset from UTC"),
        ('work_end = "2026-02-30T07:30:00Z"', "clearance.work_end", "offset from UTC"),
        ('tag = "x"', "clearance.tag", "leave it out"),
        (
            'work_start = "2026-04-14T07:30:00-06:00"\nwork_end = "2026-04-14T13:30:00Z"',
            "clearance.work_end",
            "correct one of the two",
        ),
    ],
)
def test_what_cannot_be_is_rejected_by_field(tmp_path, text, field, remedy):
    file = tmp_path / "job.toml"
    file.write_text(LEAST + text + "\n")
    with pytest.raises(InputError) as caught:
        read_job(file)
    assert [problem.field for problem in caught.value.problems] == [field]
    assert remedy in caught.value.problems[0].remedy


def test_a_clearance_that_is_no_table(tmp_path):
    file = tmp_path / "job.toml"
    file.write_text(LEAST.replace("[clearance]\n", 'clearance = "mine"\n'))
    with pytest.raises(InputError, match="clearance"):
        read_job(file)


@pytest.mark.parametrize("edge", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_times_at_the_edge_of_the_calendar(tmp_path, edge):
    assert as_moment(edge) == edge
    file = tmp_path / "job.toml"
    file.write_text(LEAST + f'work_start = "{edge}"\nwork_end = "{edge}"\n')
    with pytest.raises(InputError, match="work_end"):
        read_job(file)


# --- the page -------------------------------------------------------------------------------------


def with_clearance(block):
    return example.finished(example.example_document() | {"clearance": block})


@pytest.fixture(scope="module")
def page(beside):
    return page_html(beside)


def test_page_shows_the_clearance_without_script(page, beside):
    text, block = Parsed(page).text, beside["clearance"]
    wanted = [DECIDES, block["holder"], block["authority"], block["number"], block["work_start"]]
    wanted += [row["steps"][-1]["text"] for row in block["open"] if row["recorded"] != "open"]
    wanted += [row["text"] for row in block["open"] if row["recorded"] == "open"]
    wanted += [f"{row['equipment_id']} at {row['pole_id']}" for row in block["equipment"]]
    wanted += [row["text"] for row in block["done"].values()]
    wanted += [*block["off"]["pole_ids"], block["off"]["text"], block["order"]["text"]]
    wanted += [row["title"] for row in block["others"]]
    assert [word for word in wanted if squeezed(word) not in text] == []
    assert f"Parted off: {block['off']['count']} poles" in text
    assert "NOTHING KEEPS THEM APART" in text
    assert "asks for a clearance and issues none" in text


def test_long_lists_are_folded_after_thirty(page, beside):
    (first, *_) = re.findall(
        r"<details><summary>(\d+) more</summary><p>(.*?)</p>", page.split('id="clearance"')[1]
    )
    assert int(first[0]) == beside["clearance"]["off"]["count"] - 30
    assert first[1].split(", ") == beside["clearance"]["off"]["pole_ids"][30:]


def test_what_is_not_stated_or_not_parted_stands_out(territory):
    plan = gg.plan_job(territory, read("13-open-items"))
    text = Parsed(page_html(plan)).text
    assert "DOES NOT STATE IT" in text
    assert "Not stated in the job." in text
    assert "WARNING By the data 15 poles are parted off once GS1" in text
    assert "Plans of other jobs looked at: 0." in text


def test_an_earlier_plan_has_no_section():
    assert 'id="clearance"' not in page_html(example.finished(example.example_document()))


def spoilt_by(value, text):
    if isinstance(value, dict):
        return {key: spoilt_by(item, text) for key, item in value.items()}
    if isinstance(value, list):
        return [spoilt_by(item, text) for item in value]
    return value + text if isinstance(value, str) else value


def test_page_with_a_clearance_keeps_the_rules_of_the_page(beside):
    """Hostile text behind every text of the block: the same tags, the words shown as they are."""
    block = json.loads(json.dumps(beside["clearance"]))
    ours = Parsed(page_html(with_clearance(block)))
    html = page_html(with_clearance(spoilt_by(block, example.HOSTILE)))
    hostile = Parsed(html)
    allowed = {(tag, tuple(sorted({*attrs} - {"class"}))) for tag, attrs in ours.tags}
    found = {(tag, tuple(sorted({*attrs} - {"class"}))) for tag, attrs in hostile.tags}
    assert found <= allowed
    assert "1337" not in html
    assert f"foreman of line crew 3{squeezed(printable(example.HOSTILE))}" in hostile.text
    for word in NEVER_SAID:
        said = ours.text.lower().replace("test dead", "")
        assert not re.search(rf"\b{word}\b", said), word


def places(value, path=()):
    if isinstance(value, dict):
        for key, item in value.items():
            yield (*path, key)
            yield from places(item, (*path, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from places(value[0], (*path, 0))


@pytest.mark.parametrize("value", ["missing", "wrong"])
def test_a_block_without_a_key_is_refused_by_name(beside, value):
    block = json.loads(json.dumps(beside["clearance"]))
    with_clearance(block)
    check_shape(with_clearance(block).document)
    for path in list(places(block)):
        spoilt = json.loads(json.dumps(block))
        inner = spoilt
        for step in path[:-1]:
            inner = inner[step]
        if value == "missing":
            del inner[path[-1]]
        else:
            inner[path[-1]] = 1.5
        document = example.example_document() | {"clearance": spoilt}
        document |= {"ready": False, "plan_hash": "0" * 64}
        if path[-1] == "tagIssueTime" or (value == "missing" and path[:-1] == ("done",)):
            continue
        # Absent in plans made before they were thought of; 1.5 is a place.
        if path[-1] in {"lon", "lat"}:
            continue
        if value == "missing" and path[-1] in {"workDescription", "deenergizeReqFlag"}:
            continue
        with pytest.raises(InputError) as caught:
            check_shape(document)
        assert any(str(key) in str(caught.value) for key in path[-2:]), path


def test_block_is_the_same_every_time(territory, straight):
    again = gg.plan_job(territory, read("01-straight"))
    assert json.dumps(again["clearance"]) == json.dumps(straight["clearance"])
    assert callable(clearance_block)


# --- on random small territories ------------------------------------------------------------------


def apart_by_ids(world, block):
    """Return the poles of every group of conductors with the devices open, and whether it is fed.

    Independent: rows of the data and ids alone, phase by phase, none of the program's graph.
    """
    territory, _ = world.read()
    wiring = Wiring(territory)
    names = {row["device_id"] for row in block["open"]}
    graph = wiring.graph.copy()
    for name, row in wiring.spans.items():
        left = set(row["phases"] or "")
        for one in wiring.devices:
            if one["span_id"] == name and (one["state"] == "open" or one["device_id"] in names):
                left -= set(one["phases"] or "ABC")
        if not left:
            graph.remove_edge(*wiring.ends(name), key=name)
    fed = set(wiring.source.values())
    parts = nx.connected_components(graph)
    return [({pole for pole, _ in part}, bool(part & fed)) for part in parts]


def planned(world):
    """Return the plan of a world, or None where there is none."""
    try:
        territory, asked = world.read()
        return gg.plan_job(territory, asked)
    except GridgroundError:
        return None


@settings(deadline=None, max_examples=25, derandomize=True, phases=[Phase.generate],
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(world=worlds(), random=st.randoms(use_true_random=False))
def test_what_is_listed_parts_off_what_is_said(world, random):
    plan = planned(world)
    if plan is None:
        return
    block = plan["clearance"]
    off = set(block["off"]["pole_ids"])
    assert block["off"]["still_fed"] == [] or not off
    assert block["off"]["still_fed"] == block["unparted"]
    groups = [poles for poles, fed in apart_by_ids(world, block) if not fed and poles <= off]
    assert set().union(*groups) == off
    check_shape(plan.document)
    mixed = world.copy()
    for rows in mixed.layers.values():
        random.shuffle(rows)
    mixed = turned(mixed, {s for s in world.rows("spans") if random.random() < 0.5})
    again = planned(mixed)
    if again is not None and again["method"] == plan["method"]:
        keys = ("limits", "open", "off", "unparted", "equipment", "others", "tag")
        assert [again["clearance"][key] for key in keys] == [block[key] for key in keys]


# --- the day of the work --------------------------------------------------------------------------

START, END = "2026-04-14T22:00:00-06:00", "2026-04-15T05:00:00-06:00"


@pytest.mark.parametrize(
    ("day", "start", "end", "asks"),
    [
        ("2026-04-13", START, END, True),
        ("2026-04-14", START, END, False),
        ("2026-04-15", START, END, False),
        ("2026-04-16", START, END, True),
        ("2026-04-13", START, None, True),
        ("2026-04-16", START, None, False),
        ("2026-04-16", None, END, True),
        ("2026-04-13", None, END, False),
        ("2026-04-16", None, None, False),
        (None, START, END, False),
    ],
)
def test_a_day_of_work_outside_the_clearance_is_an_open_item(territory, day, start, end, asks):
    """A night's work belongs to both days, by the clock that the clearance states."""
    asked = ClearanceAsked(holder="crew 3", work_start=start, work_end=end)
    job = read("06-dead-end", clearance=asked, work_date=day)
    items = day_items(job)
    assert bool(items) is asks
    if asks:
        assert day in items[0].what
        assert (start or end) in items[0].what
    if (day, start, end) == ("2026-04-13", START, END):
        made = gg.plan_job(territory, job)
        assert "work_day_outside_clearance" in codes(made)
        assert not made.ready
