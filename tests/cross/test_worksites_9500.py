"""Random worksites on the IEEE 9500-node feeder: a plan or a reason each, every way out seen."""

from __future__ import annotations

import networkx as nx
import pytest

import gridground as gg
from gridground.errors import NoPlanError
from gridground.record import is_ready
from tests.cross.ways_by_ids import Wiring
from tests.cross.worksites_9500 import FOLDER, Worksites, run, table

pytestmark = pytest.mark.slow
COUNT = 40


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(FOLDER)


@pytest.fixture(scope="module")
def wiring(territory):
    return Wiring(territory)


@pytest.fixture(scope="module")
def answers(territory):
    return list(run(territory, COUNT))


def test_every_answer_is_a_plan_or_a_reason(answers):
    assert len(answers) == COUNT
    for answer in answers:
        if answer.plan is None:
            assert isinstance(answer.error, NoPlanError)
            assert all(r.code and r.where and r.what and r.remedy for r in answer.error.reasons)
        else:
            assert answer.plan.ready is is_ready(answer.plan.document)
            assert [option["method"] for option in answer.plan["options"]][1] == "single-point"
    text = "\n".join(table(answers))
    assert f"{COUNT} worksites" in text


def test_ways_out_are_the_spans_that_leave_the_worksite(answers, wiring):
    for answer in answers:
        if answer.plan is None or answer.kind == "mid-span":
            continue
        poles = set(answer.job.worksite_poles)
        leaving = {
            name
            for pole in poles
            for name in wiring.at(pole)
            if not {str(wiring.spans[name]["from_pole"]), str(wiring.spans[name]["to_pole"])}
            <= poles
        }
        assert {way["span_id"] for way in answer.plan["directions"]} == leaving


def test_sources_beyond_a_way_are_those_that_ids_reach(answers, wiring):
    for answer in answers:
        if answer.plan is None or answer.kind == "mid-span":
            continue
        poles = set(answer.job.worksite_poles)
        rest = wiring.graph.subgraph([n for n in wiring.graph if n[0] not in poles])
        for way in answer.plan["directions"]:
            far = next(n for n in wiring.ends(way["span_id"]) if n[0] not in poles)
            reached = nx.node_connected_component(rest, far)
            there = {name for name, node in wiring.source.items() if node in reached}
            assert set(way["sources"]) == there


def test_no_source_reaches_the_worksite_past_the_brackets(answers, wiring):
    with_brackets = [a for a in answers if a.plan and a.plan["method"] == "dual-point"]
    assert len(with_brackets) > COUNT // 2
    for answer in with_brackets:
        assert wiring.open_ways(answer.plan) == []


def test_stated_openings_leave_no_source_on_the_grounds(answers, wiring):
    stated = [a for a in answers if a.plan and a.job.sources_opened is not None]
    assert stated
    opened_by_data = {d["device_id"] for d in wiring.devices if d["state"] == "open"}
    for answer in stated:
        opened = set(answer.job.sources_opened) | opened_by_data
        spans = {d["span_id"] for d in wiring.devices if d["device_id"] in opened}
        shut = nx.Graph((a, b) for a, b, key in wiring.graph.edges(keys=True) if key not in spans)
        grounds = {row["pole_id"] for row in answer.plan["locations"]} - {None}
        fed = {
            name
            for name, node in wiring.source.items()
            if node in shut
            for n in nx.node_connected_component(shut, node)
            if n[0] in grounds
        }
        said = {i["where"][0] for i in answer.plan["open_items"] if i["code"] == "still_connected"}
        assert fed <= said


def test_the_series_of_worksites_can_be_repeated(territory):
    one, other = (
        [w.draw()[1] for _ in range(5)] for w in (Worksites(territory), Worksites(territory))
    )
    assert one == other
