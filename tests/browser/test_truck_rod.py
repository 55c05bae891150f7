"""The tick of the truck's own rod takes its distance from the grounds, and none too near."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import gridground as gg
from gridground.jobmap.page import page_html
from gridground.revision.account import hold_record
from gridground.revision.fieldrecord import parse_record
from tests.browser.tablet import CLOCK, STUB, ZONE, Tablet

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
FIELD = "document.getElementById('tick-truck')"


@pytest.fixture(scope="module")
def plan():
    territory = gg.read_territory(SAMPLE / "territory")
    return gg.plan_job(territory, gg.read_job(SAMPLE / "jobs" / "17-riser.toml"))


@pytest.fixture
def tablet(browser):
    made = browser.command("Page.addScriptToEvaluateOnNewDocument", source=STUB % CLOCK)
    browser.command("Emulation.setTimezoneOverride", timezoneId=ZONE)
    browser.size(390, 844)
    browser.open("<!DOCTYPE html><title>empty</title>")
    browser.run("localStorage.clear()")
    yield Tablet(browser)
    browser.open("<!DOCTYPE html><title>empty</title>")
    browser.run("localStorage.clear()")
    browser.command("Page.removeScriptToEvaluateOnNewDocument", identifier=made["identifier"])
    browser.command("Emulation.setTimezoneOverride", timezoneId="")


def write(tablet, text):
    tablet.run(
        f"var f = {FIELD}; f.value = arguments[0]; f.dispatchEvent(new Event('input'));", text
    )
    return tablet.tick()


def test_the_distance_is_asked_for_held_against_the_plan_and_in_the_record(tablet, plan):
    (step,) = [s for s in plan["steps"]["prepare"] if "vehicle_rod_taped_m" in s.get("asks", ())]
    before = plan["steps"]["prepare"].index(step)
    tablet.open(page_html(plan))
    tablet.ticks(before)
    assert tablet.step() == step["step_id"]
    for text, words in (
        ("", "Write the distance in feet as a number"),
        ("near", "Write the distance in feet as a number"),
        ("9.9", "nearer than the plan asks for, 10 ft (3.05 m)"),
    ):
        assert words in write(tablet, text)
        assert tablet.step() == step["step_id"]
    assert "ticked by J. R." in write(tablet, "12.5")
    record = tablet.record()
    (entry,) = [e for e in record["entries"] if e.get("step_id") == step["step_id"]]
    assert entry["values"] == {"vehicle_rod_taped_m": 3.81}
    read = parse_record(json.dumps(record).encode(), name="record.json")
    assert hold_record(read, plan.document).ticked == before + 1
    tablet.view("step")
    tablet.go(plan["steps"]["prepare"][before + 1]["step_id"])
    assert tablet.run(f"return {FIELD} === null")
