"""What no press gets past: a joint not told, a reading of another tab, a key held down."""
# ruff: noqa: F401, F811  fixtures of the tests of work mode

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

import gridground as gg
from gridground.jobmap.page import page_html
from gridground.revision.account import hold_record
from gridground.revision.fieldrecord import parse_record
from tests.browser.tablet import FILL
from tests.browser.test_work_mode import document, fill, page, plans, prepared, tablet
from tests.browser.test_work_mode_asks import press_word, test_step
from tests.plan_example import finished

CASES = Path(__file__).resolve().parents[1] / "cases"
CLEAR = "var f = document.getElementById('tick-lead'); if (f) { f.value = ''; f.dispatchEvent(new Event('input')); }"  # noqa: E501
OTHER_TAB = """
var G = gridground, kept = G.keep(G.plan, G.hash, function () {}), at = '2026-04-14T07:30:00-06:00';
kept.add({kind: 'refused', step_id: arguments[0], who: 'Ann', at: at, clock: at,
  values: {detector: 'READING on B (7 kV)'}, why: 'STOP'}, function () { return null; });
"""

pytestmark = pytest.mark.browser


def planned(folder):
    return gg.plan_job(gg.read_territory(folder / "territory"), gg.read_job(folder / "job.toml"))


def ticks(tablet, count=1):
    """Tick without a number of a lead; return what the last press was answered."""
    for _ in range(count):
        tablet.run(FILL, "Bo")
        tablet.run(CLEAR)
        words = tablet.again()
    return words


def on_to(tablet, document, step_id):
    """Tick everything in front of a step of the preparation."""
    for step in document["steps"]["prepare"]:
        if step["step_id"] == step_id:
            break
        tablet.tick()
    tablet.go(step_id)


def test_a_bypass_lead_stays_until_the_joint_is_told(tablet):
    plan = planned(CASES / "cut-one-phase")
    steps = plan.document["steps"]
    cut = next(step for step in steps["work"] if "cuts" in step)
    joint = next(step for step in steps["work"] if "joins" in step)
    assert cut["cuts"] == joint["joins"] == steps["remove"][0]["lead_id"]
    tablet.open(page_html(plan))
    ticks(tablet, len(steps["prepare"]) + len(steps["apply"]) + 1)
    tablet.mark("Bo")
    ticks(tablet, steps["work"].index(cut))
    assert tablet.step() == joint["step_id"]
    tablet.off()
    tablet.go(steps["remove"][0]["step_id"])
    said = ticks(tablet)
    assert f"First step {joint['step_id']}" in said
    assert tablet.record()["entries"][-1]["kind"] == "off the line"
    record = tablet.record()
    record["entries"].append(
        record["entries"][0]
        | {"seq": len(record["entries"]) + 1, "step_id": steps["remove"][0]["step_id"]}
        | {"values": {}}
    )
    record["entries"][-1].pop("asked", None)
    account = hold_record(parse_record(json.dumps(record).encode(), name="r.json"), plan.document)
    assert any(
        remark.code == "out_of_order" and joint["step_id"] in remark.text
        for remark in account.remarks
    )


def test_a_reading_that_another_tab_wrote_stops_the_tick(tablet, document, page, test_step):
    tablet.open(page)
    on_to(tablet, document, test_step["step_id"])
    tablet.run(OTHER_TAB, test_step["step_id"])
    assert "A reading was told at this step meanwhile" in tablet.tick("Bo")
    assert tablet.record()["entries"][-1]["kind"] == "refused"


def test_a_reading_on_many_long_names_is_written_down(tablet, tmp_path):
    shutil.copytree(CASES / "double-both-worked", tmp_path / "case")
    for file in (tmp_path / "case").rglob("*.*"):
        if file.is_file():
            text = file.read_text(encoding="utf-8")
            named = re.sub(r'"(F[12])"', r'"NORTH-SUBSTATION-\1"', text)
            file.write_text(named, encoding="utf-8")
    plan = planned(tmp_path / "case")
    test = next(s for s in plan.document["steps"]["prepare"] if "detector" in s.get("asks", []))
    tablet.open(page_html(plan))
    tablet.go(test["step_id"])
    fill(tablet, tick_who="Ann")
    for number in range(len(test["phases"])):
        press_word(tablet, "READING", number)
        tablet.go(test["step_id"])
    entries = tablet.record()["entries"]
    assert [entry["kind"] for entry in entries] == ["refused"] * len(test["phases"])
    assert all(len(entry["why"]) <= 200 for entry in entries)
    parse_record(json.dumps(tablet.record()).encode(), name="r.json")


def test_a_key_that_is_held_down_answers_no_question(tablet, document, page):
    tablet.open(page)
    prepared(tablet, document, leads=len(document["steps"]["apply"]))
    ticks(tablet)
    step = tablet.step()
    fill(tablet, tick_who="Ann")
    tablet.run("document.querySelector('.task button.tick').focus()")
    key = {"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13, "text": "\r"}
    for number in range(3):
        tablet.browser.command(
            "Input.dispatchKeyEvent", type="keyDown", autoRepeat=number > 0, **key
        )
    tablet.browser.command("Input.dispatchKeyEvent", type="keyUp", **key)
    assert tablet.step() == step
    assert "Nobody is marked on the line" in tablet.said()


def test_what_was_found_may_hold_any_sign(tablet, document, page, test_step):
    tablet.open(page)
    on_to(tablet, document, test_step["step_id"])
    fill(
        tablet, tick_who="Maximilian Oberhuber, Leitstelle Nord 2", tick_volts="7200 to 7400 volts"
    )
    press_word(tablet, "READING", 1)
    tablet.reload()
    tablet.go(test_step["step_id"])
    tablet.tick("Bo")
    fill(
        tablet,
        tick_found=("\U0001f44d the farm's generator fed back; opened and locked. " * 4)[:200],
    )
    assert "Press again" in tablet.again()
    tablet.again()
    assert tablet.record()["entries"][-1]["kind"] == "tick"


def test_a_rod_nearer_than_the_plan_keeps_is_asked_about(tablet, document, page):
    rod = next(s for s in document["steps"]["prepare"] if "rod_ohm" in s.get("asks", []))
    tablet.open(page)
    on_to(tablet, document, rod["step_id"])
    fill(tablet, tick_who="Bo", tick_ohm="38", tick_tape="9", tick_bearing="2")
    said = tablet.again()
    assert "The rod is 9 ft" in said
    assert "15 ft" in said
    fill(tablet, tick_tape="16")
    tablet.again()
    entry = tablet.record()["entries"][-1]
    assert (entry["step_id"], entry.get("asked")) == (rod["step_id"], None)


def test_a_time_that_is_still_to_come_is_asked_about(tablet, document, page):
    tablet.open(page)
    tablet.tick()
    fill(tablet, tick_who="Bo", tick_when="2099-01-01T07:00")
    assert "later than this tablet's clock" in tablet.again()
    assert len(tablet.record()["entries"]) == 1


def test_leads_that_hang_under_the_plan_before_stay_in_sight(tablet, document):
    row = {
        "code": "leads_hang_under_earlier_plan", "step_id": "A3", "at": "2026-04-14T08:00:00Z",
        "who": "Ann", "revision": 1, "settled": None,
        "text": "Leads of revision 1 were on when this plan was made: 3 still on. Look.",
    }  # fmt: skip
    tablet.open(page_html(finished(document | {"occurrences": [row]})))
    assert "3 still on" in tablet.run("return document.querySelector('.task .notices').textContent")
    done = row | {"settled": {"by": "K.", "on": "2026-04-15", "found": "all off"}}
    tablet.open(page_html(finished(document | {"occurrences": [done]})))
    assert "still on" not in tablet.run(
        "return document.querySelector('.task .notices').textContent"
    )
