"""Work mode in a real browser: order, counts, undo, keeping, handing over, hostile names, sizes."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import re
from pathlib import Path

import pytest

import gridground as gg
from gridground.errors import NoPlanError
from gridground.jobmap.page import page_html
from gridground.jobmap.words import length_text
from gridground.record import canonical_bytes
from gridground.revision.fieldrecord import parse_record
from tests.browser.tablet import CLOCK, STUB, ZONE, Tablet, record_faults
from tests.browser.test_job_page import CONTRAST
from tests.plan_example import HOSTILE, example_document, finished, hostile_document

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
SIZES = [(390, 844), (768, 1024), (1180, 820)]
ALPHABET = [
    "Alfa",
    "Bravo",
    "Charlie",
    "Delta",
    "Echo",
    "Foxtrot",
    "Golf",
    "Hotel",
    "India",
    "Juliett",
    "Kilo",
    "Lima",
    "Mike",
    "November",
    "Oscar",
    "Papa",
    "Quebec",
    "Romeo",
    "Sierra",
    "Tango",
    "Uniform",
    "Victor",
    "Whiskey",
    "X-ray",
    "Yankee",
    "Zulu",
]


@pytest.fixture(scope="module")
def plans():
    """Two sample jobs: one without open items, one with."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = "1767225600"
    territory = gg.read_territory(SAMPLE / "territory")
    made = {
        name: gg.plan_job(territory, gg.read_job(SAMPLE / "jobs" / f"{name}.toml"))
        for name in ("01-straight", "13-open-items")
    }
    if before is None:
        del os.environ["SOURCE_DATE_EPOCH"]
    return made


@pytest.fixture(scope="module")
def document(plans):
    return plans["01-straight"].document


@pytest.fixture(scope="module")
def page(plans):
    return page_html(plans["01-straight"])


@pytest.fixture
def tablet(browser):
    """A tablet held upright, with a fixed clock and nothing kept from before."""
    made = browser.command("Page.addScriptToEvaluateOnNewDocument", source=STUB % CLOCK)
    browser.command("Emulation.setTimezoneOverride", timezoneId=ZONE)
    browser.size(768, 1024)
    browser.open("<!DOCTYPE html><title>empty</title>")
    browser.run("localStorage.clear()")
    yield Tablet(browser)
    browser.open("<!DOCTYPE html><title>empty</title>")
    browser.run("localStorage.clear()")
    browser.command("Page.removeScriptToEvaluateOnNewDocument", identifier=made["identifier"])
    browser.command("Emulation.setTimezoneOverride", timezoneId="")


def prepared(tablet, document, *, leads=0):
    """Tick everything that is prepared, and some leads."""
    return tablet.ticks(len(document["steps"]["prepare"]) + leads)


def test_every_step_to_the_end_counts_as_the_plan_does(tablet, document, page):
    total, steps = document["totals"]["leads"], document["steps"]
    tablet.open(page)
    said = prepared(tablet, document)
    assert said[0] == f"Step P1 ticked by J. R. at {CLOCK[:10]} 07:30."
    assert tablet.step() == steps["apply"][0]["step_id"]
    for number, step in enumerate(steps["apply"], start=1):
        assert tablet.tick() == f"Step {step['step_id']} ticked by J. R. at 2026-04-14 07:30."
        assert tablet.counts().startswith(f"Leads on {number} of {total} off 0 STILL ON {number}")
    tablet.ticks(len(steps["work"]))
    assert tablet.said().startswith("Nobody is marked on the line.")
    assert "ticked by" in tablet.again()
    for number, step in enumerate(steps["remove"], start=1):
        assert tablet.step() == step["step_id"]
        tablet.tick()
        if number < total:
            assert f"off {number} STILL ON {total - number}" in tablet.counts()
    assert f"Leads on {total} of {total} off {total} difference 0" in tablet.counts()
    tablet.ticks(len(steps["release"]))
    record = tablet.record()
    assert record_faults(record, document) == []
    ticked = [entry["step_id"] for entry in record["entries"]]
    assert ticked == [
        step["step_id"]
        for part in ("prepare", "apply", "work", "remove", "release")
        for step in steps[part]
    ]
    assert {entry["at"] for entry in record["entries"]} == {CLOCK}
    asked = [entry["values"] for entry in record["entries"] if entry["values"]]
    assert {"rod_ohm": 38.5} in asked
    assert {"detector": "proved before and after; no reading on A, B, C"} in asked
    given = document["kit"]["assigned"]
    lead_of = {step["step_id"]: step["lead_id"] for step in steps["apply"]}
    told = {
        entry["values"]["lead_number"]: lead_of[entry["step_id"]]
        for entry in record["entries"]
        if "lead_number" in entry["values"]
    }
    assert told == {number: lead for number, lead in given.items() if lead in lead_of.values()}


def test_ticks_outlast_a_reload_and_the_name_is_remembered(tablet, document, page):
    tablet.open(page)
    prepared(tablet, document, leads=3)
    before = tablet.record()["entries"]
    tablet.reload()
    assert tablet.record()["entries"] == before
    assert tablet.counts().startswith("Leads on 3 of 11")
    assert tablet.step() == document["steps"]["apply"][3]["step_id"]
    assert tablet.run("return document.getElementById('tick-who').value") == "J. R."


def test_prepare_goes_in_order_at_a_pole_and_poles_in_any_order(tablet, document, page):
    prepare = document["steps"]["prepare"]
    poles = list(dict.fromkeys(step["pole_id"] for step in prepare if step["pole_id"]))
    first, second = (
        [step["step_id"] for step in prepare if step["pole_id"] == pole] for pole in poles[:2]
    )
    leading = [step["step_id"] for step in prepare if step["pole_id"] is None]
    tablet.open(page)
    tablet.go(second[0])
    assert tablet.tick() == f"First step {leading[0]}: it stands before this one."
    tablet.go(leading[0])
    tablet.ticks(len(leading))
    tablet.go(second[1])
    assert f"First step {second[0]} at pole {poles[1]}" in tablet.tick()
    tablet.go(second[0])
    assert "ticked by" in tablet.tick()
    assert tablet.step() == first[0]


def test_a_lead_out_of_order_is_refused(tablet, document, page):
    apply = document["steps"]["apply"]
    tablet.open(page)
    tablet.go(apply[0]["step_id"])
    assert tablet.tick().startswith("Prepare first: step P1")
    tablet.go("P1")
    prepared(tablet, document)
    tablet.go(apply[2]["step_id"])
    assert tablet.tick() == (
        f"Leads go on in order. Next is {apply[0]['step_id']} "
        f"(lead {apply[0]['lead_id']} at pole {apply[0]['pole_id']})."
    )
    assert tablet.refused() == tablet.said()
    assert tablet.run("return document.getElementById('task-say').getAttribute('role')") == "alert"
    assert tablet.counts().startswith("Leads on 0 of 11")
    tablet.go(document["steps"]["work"][0]["step_id"])
    assert tablet.tick() == "Leads on: 0 of 11. All go on before work."


def test_removal_waits_for_people_and_goes_backwards(tablet, document, page):
    remove, release = document["steps"]["remove"], document["steps"]["release"]
    tablet.open(page)
    prepared(tablet, document, leads=10)
    assert "when all 11 leads are counted on" in tablet.run(
        "return document.querySelector('.people').innerText"
    )
    tablet.tick()
    assert tablet.mark("Ann Lee") == "Ann Lee is marked on the line."
    assert "marked on the line already" in tablet.mark("ann  lee")
    tablet.mark("Bo")
    assert tablet.counts().endswith("on the line 2")
    tablet.go(remove[0]["step_id"])
    assert tablet.tick().startswith("Ann Lee, Bo are marked on the line. No lead comes off")
    tablet.off(1)
    tablet.go(remove[0]["step_id"])
    assert tablet.tick().startswith("Ann Lee is marked on the line. No lead comes off")
    assert tablet.off() == "Ann Lee is marked off the line."
    tablet.go(remove[1]["step_id"])
    assert tablet.tick() == (
        f"Leads come off backwards. Next is {remove[0]['step_id']} "
        f"(lead {remove[0]['lead_id']} at pole {remove[0]['pole_id']})."
    )
    assert "off 0 STILL ON 11" in tablet.counts()
    tablet.go(remove[0]["step_id"])
    tablet.ticks(5)
    tablet.go(release[0]["step_id"])
    assert tablet.tick() == (
        "Leads still on: 6 (11 on, 5 off). Nothing is released before the difference is zero."
    )
    tablet.go(document["steps"]["apply"][0]["step_id"])
    assert not tablet.run("return !!document.querySelector('.task button.tick')")
    assert "nobody is marked any more" in tablet.run(
        "return document.querySelector('.people').innerText"
    )
    assert record_faults(tablet.record(), document) == []


def test_a_job_broken_off_takes_off_what_is_on(tablet, document, page):
    apply, remove = document["steps"]["apply"], document["steps"]["remove"]
    tablet.open(page)
    prepared(tablet, document, leads=2)
    tablet.go(remove[0]["step_id"])
    assert tablet.tick() == "This lead is not counted on, so there is nothing to count off."
    tablet.go(remove[-1]["step_id"])
    assert tablet.tick().startswith(f"Leads come off backwards. Next is {remove[-2]['step_id']} ")
    tablet.go(remove[-2]["step_id"])
    assert "begins the way off: leads on 2 of 11" in tablet.run(
        "return document.querySelector('.stepcard').innerText"
    )
    tablet.tick()
    tablet.go(apply[2]["step_id"])
    assert "None goes on again" in tablet.tick()
    tablet.go(remove[-1]["step_id"])
    tablet.tick()
    assert "Leads on 2 of 11 off 2 difference 0" in tablet.counts()
    assert tablet.step() == document["steps"]["release"][0]["step_id"]
    assert "ticked by" in tablet.tick()


def test_nothing_is_released_that_was_never_on(tablet, document, page):
    tablet.open(page)
    for step in document["steps"]["release"]:
        tablet.go(step["step_id"])
        assert tablet.tick().startswith("No lead was counted on")


def test_undo_leaves_a_trace(tablet, document, page):
    apply = document["steps"]["apply"]
    tablet.open(page)
    prepared(tablet, document, leads=2)
    entries = len(document["steps"]["prepare"]) + 2
    tablet.go(apply[0]["step_id"])
    assert tablet.undo().startswith(f"Undo step {apply[1]['step_id']} at pole")
    tablet.go(apply[1]["step_id"])
    assert tablet.undo("Bo") == (
        f"The tick of step {apply[1]['step_id']} was undone by Bo. Both stay in the record."
    )
    assert tablet.counts().startswith("Leads on 1 of 11")
    tablet.tick("Bo")
    record = tablet.record()
    assert record_faults(record, document) == []
    last = record["entries"][-3:]
    assert [entry["kind"] for entry in last] == ["tick", "undo", "tick"]
    assert last[1]["undoes"] == last[0]["seq"] == entries
    tablet.view("list")
    log = tablet.run("return document.querySelector('.log').innerText")
    assert f"undo of entry {entries} by Bo at 2026-04-14 07:30" in log
    assert "(undone)" in log


def test_no_lead_is_counted_back_while_somebody_is_on_the_line(tablet, document, page):
    tablet.open(page)
    prepared(tablet, document, leads=11)
    tablet.mark("Ann")
    tablet.go(document["steps"]["apply"][-1]["step_id"])
    assert tablet.undo().startswith("Ann is marked on the line. Mark everybody off")
    assert tablet.counts().startswith("Leads on 11 of 11")


def test_a_corrected_time_stands_beside_the_clock(tablet, document, page):
    tablet.open(page)
    tablet.run(
        "var f = document.getElementById('tick-when'); f.value = '2026-04-14T06:05';"
        "f.dispatchEvent(new Event('input'))"
    )
    assert tablet.tick() == (
        "This tick is before the time of the clearance: from 2026-04-14 07:30 to "
        "2026-04-14 15:00. Ask the clearance holder. Press again only when somebody has looked."
    )
    said = tablet.again()
    wanted = "ticked by J. R. at 2026-04-14 06:05 (time corrected; tablet clock 2026-04-14 07:30)"
    assert said == f"Step P1 {wanted}."
    tablet.run("window.__minutes = 12")
    tablet.tick()
    tablet.reload()
    tablet.go("P1")
    assert wanted in tablet.run("return document.querySelector('.done').innerText")
    times = [entry["at"] for entry in tablet.record()["entries"]]
    assert times == ["2026-04-14T06:05:00-06:00", "2026-04-14T07:42:00-06:00"]


def test_what_a_step_measures_is_asked_for(tablet, document, page):
    rod = next(step for step in document["steps"]["prepare"] if step.get("asks") == ["rod_ohm"])
    test = next(step for step in document["steps"]["prepare"] if step.get("asks") == ["detector"])
    tablet.open(page)

    def press():
        tablet.run("document.querySelector('.task button.tick').click()")
        return tablet.said()

    def word(text):
        tablet.run(
            "var b = [...document.querySelectorAll('.choice button')]"
            ".find(b => b.dataset.word === arguments[0]); b.focus(); b.click()",
            text,
        )

    assert press() == "Write who ticks."
    while tablet.step() != rod["step_id"]:
        tablet.tick()
    assert press().startswith("Write the rod's resistance, or press")
    for text in ("38,5", "-3", "1e3", "0", "2000000"):
        tablet.run(
            "var f = document.getElementById('tick-ohm'); f.value = arguments[0];"
            "f.dispatchEvent(new Event('input'))",
            text,
        )
        assert press().startswith("Write the rod's resistance in ohm"), text
    word("not measured")
    assert "ticked by" in press()
    assert tablet.record()["entries"][-1]["values"] == {}
    while tablet.step() != test["step_id"]:
        tablet.tick()
    assert press() == "Say what the detector showed on A, B, C."
    word("READING")
    assert tablet.refused().startswith("A reading on A: STOP.")
    assert tablet.run("return document.activeElement.dataset.word") == "READING"
    assert press().startswith("A reading on A: STOP.")
    refused = tablet.record()["entries"][-1]
    assert refused["kind"] == "refused"
    assert (refused["step_id"], refused["who"]) == (test["step_id"], "J. R.")
    assert refused["values"] == {"detector": "READING on A"}
    assert refused["why"].startswith("A reading on A: STOP.")
    assert record_faults(tablet.record(), document) == []
    count = len(tablet.record()["entries"])
    word("READING")  # pressed again: it is told already
    assert len(tablet.record()["entries"]) == count
    assert "0 of" in tablet.counts()
    tablet.view("list")
    assert "REFUSED, told by J. R." in tablet.run("return document.querySelector('.log').innerText")
    tablet.go(test["step_id"])
    for phase in range(3):
        tablet.run(
            "document.querySelectorAll('.choice button[data-word=\"no reading\"]')"
            "[arguments[0]].click()",
            phase,
        )
    assert press() == "The detector is proved before and after, then the step is ticked."
    word("proved before and after")
    assert press().startswith("READING on A was told here by J. R. at 2026-04-14 07:30. Before")
    fill(tablet, tick_found="generator at Q214, opened by Ann")
    assert press().startswith("READING on A was told here by J. R. at 2026-04-14 07:30. Found")
    assert "ticked by" in press()
    last = tablet.record()["entries"][-1]
    assert last["values"] == {
        "detector": "READING pressed first on A; then proved before and after; "
        "no reading on A, B, C"
    }
    assert last["found"] == "generator at Q214, opened by Ann"
    assert len(last["asked"]) == 1


WALK = """
var plan = arguments[0], book = gridground.book(plan), entries = [], counts = [], step;
for (var n = 0; n < 1000; n += 1) {
  var state = gridground.standing(book, entries);
  step = gridground.nextStep(book, state);
  if (!step) { break; }
  var reason = gridground.whyNot(book, state, step);
  if (reason) { return { faults: ["step " + step.id + ": " + reason] }; }
  entries.push({ id: String(n), kind: "tick", step_id: step.id, who: "x", values: {} });
}
state = gridground.standing(book, entries);
return { faults: book.faults, on: state.on, off: state.off, ticks: entries.length };
"""


@pytest.mark.slow
def test_every_sample_job_can_be_worked_to_its_end(browser, page):
    territory = gg.read_territory(SAMPLE / "territory")
    browser.open(page)
    walked = 0
    for file in sorted((SAMPLE / "jobs").glob("*.toml")):
        try:
            document = gg.plan_job(territory, gg.read_job(file)).document
        except NoPlanError:
            continue
        found = browser.run(WALK, document)
        total = document["totals"]["leads"]
        steps = sum(map(len, document["steps"].values()))
        assert found == {"faults": [], "on": total, "off": total, "ticks": steps}, file.name
        walked += 1
    assert walked >= 19


def fill(tablet, **fields):
    for name, text in fields.items():
        tablet.run(
            "var f = document.getElementById(arguments[0]); f.value = arguments[1];"
            "f.dispatchEvent(new Event('input'))",
            name.replace("_", "-"),
            text,
        )


def press_words(tablet, words):
    tablet.run(
        "[...document.querySelectorAll('.task button')]"
        ".find(b => b.textContent === arguments[0]).click()",
        words,
    )
    return tablet.said()


def in_unit(tablet, word):
    """Say in what a length is written."""
    tablet.run(
        "document.querySelector(`.writedown .choice button[data-word=${arguments[0]}]`).click()",
        word,
    )


def test_another_lead_waits_for_another_plan(tablet, document, page):
    step = document["steps"]["apply"][0]
    lead = next(row for row in document["leads"] if row["lead_id"] == step["lead_id"])
    tablet.open(page)
    prepared(tablet, document)
    fill(tablet, used_size="two", used_length="20")
    assert press_words(tablet, "Write this lead down").startswith("Write the size of the lead")
    fill(tablet, used_size="4/0", used_length="6,1")
    assert press_words(tablet, "Write this lead down").startswith("Write the length of the lead")
    assert lead["size"] != "4/0"
    fill(tablet, used_size="4/0", used_length="20", used_number="T9")
    said = press_words(tablet, "Write this lead down")
    assert said == "Say whether the length is in feet or in metres."
    in_unit(tablet, "feet")
    said = press_words(tablet, "Write this lead down")
    assert said == "Written down by J. R.: lead number T9; size 4/0; length 20 ft (6.10 m)."
    assert tablet.tick() == (
        f"Lead {lead['lead_id']} is written down as size 4/0, 20 ft (6.10 m); the plan has size "
        f"{lead['size']}, {length_text(lead['length_m'])}. "
        "The plan is made anew with it before it goes on."
    )
    record = tablet.record()
    assert record_faults(record, document) == []
    assert record["entries"][-1] == {
        "seq": 20,
        "kind": "lead used",
        "lead_id": lead["lead_id"],
        "who": "J. R.",
        "at": CLOCK,
        "values": {"size": "4/0", "length_m": 6.096, "lead_number": "T9"},
    }
    tablet.view("list")
    tablet.run("document.querySelector('.undo-entry').click()")
    tablet.go(step["step_id"])
    assert "ticked by" in tablet.tick()
    assert record_faults(tablet.record(), document) == []


def test_nobody_goes_up_on_a_lead_that_the_plan_does_not_know(tablet, document, page):
    tablet.open(page)
    prepared(tablet, document, leads=11)
    tablet.go(document["steps"]["apply"][3]["step_id"])
    fill(tablet, used_size="1/0", used_length="2.5")
    in_unit(tablet, "feet")
    press_words(tablet, "Write this lead down")
    assert "Nobody is marked on the line before the plan is made anew." in tablet.mark("Ann")


def test_a_measurement_is_written_down(tablet, document, page):
    rod = next(step for step in document["steps"]["prepare"] if step.get("asks") == ["rod_ohm"])
    tablet.open(page)
    tablet.tick()
    tablet.go(rod["step_id"])
    assert press_words(tablet, "Write this measurement down") == "Nothing is written yet."
    fill(tablet, measured_soil="1e2")
    assert "as a number with a point" in press_words(tablet, "Write this measurement down")
    fill(tablet, measured_soil="120", measured_rod="41.5")
    said = press_words(tablet, "Write this measurement down")
    assert said == "Written down by J. R.: rod 41.5 ohm; soil 120 ohm·m."
    record = tablet.record()
    assert record_faults(record, document) == []
    last = record["entries"][-1]
    assert (last["kind"], last["pole_id"]) == ("measured", rod["pole_id"])
    assert last["values"] == {"soil_ohm_m": 120, "rod_ohm": 41.5}


def test_a_rod_is_told_by_tape_and_bearing(tablet, document, page):
    rod = next(step for step in document["steps"]["prepare"] if step.get("asks") == ["rod_ohm"])
    tablet.open(page)

    def press():
        tablet.run("document.querySelector('.task button.tick').click()")
        return tablet.said()

    while tablet.step() != rod["step_id"]:
        tablet.tick()
    fill(tablet, tick_ohm="40", tick_tape="16,5", tick_who="J. R.")
    assert "distance from the pole in feet" in press()
    fill(tablet, tick_tape="16.5")
    assert "write the bearing too" in press()
    fill(tablet, tick_bearing="400")
    assert "0 to 360" in press()
    fill(tablet, tick_bearing="41")
    said = press()
    assert "ticked by" in said
    record = tablet.record()
    assert record["entries"][-1]["values"] == {
        "rod_ohm": 40, "rod_taped_m": 5.0292, "rod_bearing_deg": 41}  # fmt: skip
    assert record_faults(record, document) == []
    read = parse_record(json.dumps(record).encode(), name="record.json")
    assert read.entries[-1].values["rod_taped_m"] == 5.0292


def test_a_plan_that_is_not_ready_is_read_and_not_ticked(tablet, plans):
    tablet.open(page_html(plans["13-open-items"]))
    assert "Read the steps one by one" in tablet.run(
        "return document.getElementById('task-open').textContent"
    )
    text = tablet.run("return document.querySelector('.task').innerText")
    assert "The plan is NOT READY" in text
    for step in ("P1", "A1", "R1"):
        tablet.go(step)
        assert (
            tablet.run("return document.querySelectorAll('button.tick, .people button').length")
            == 0
        )
    assert tablet.record()["entries"] == []


def test_a_page_that_is_not_whole_has_no_work_mode(browser, page):
    for altered in (
        re.sub(r"<span data-step>[^<]*</span>", "<span data-step>Skip it.</span>", page, count=1),
        page.replace("Leads go on in order", "Leads go on at will", 1),
        re.sub(r'<div id="page-end"[^>]*></div>', "", page),
    ):
        assert altered != page
        browser.open(altered)
        assert browser.status().startswith("NOT FOR USE")
        assert not browser.driver.find_element("id", "task-open").is_displayed()


def test_steps_that_do_not_fit_each_other_are_not_ticked(tablet, document):
    changes = {
        "not the leads on backwards": lambda steps: steps["remove"].reverse(),
        "do not count as many leads": lambda steps: (steps["apply"].pop(), steps["remove"].pop(0)),
        "two steps have the number": lambda steps: steps["work"].append(steps["work"][0]),
    }
    for words, change in changes.items():
        altered = json.loads(json.dumps(document))
        change(altered["steps"])
        tablet.open(page_html(finished(altered)))
        assert words in tablet.run("return document.querySelector('.banner').innerText")
        assert not tablet.run("return !!document.querySelector('button.tick')")


@pytest.mark.parametrize("name", ["getItem", "setItem"])
def test_a_browser_that_keeps_nothing_says_so_and_goes_on(tablet, document, page, name):
    source = (
        f"Storage.prototype.{name} = function () {{"
        " throw new DOMException('full', 'QuotaExceededError'); };"
    )
    made = tablet.browser.command("Page.addScriptToEvaluateOnNewDocument", source=source)
    try:
        tablet.open(page)
        tablet.ticks(2)
        banner = tablet.run("return document.querySelector('.banner').innerText")
        assert banner.startswith("This browser does not keep the ticks (QuotaExceededError).")
        record = tablet.record()
        assert len(record["entries"]) == 2
        assert record_faults(record, document) == []
    finally:
        tablet.browser.command(
            "Page.removeScriptToEvaluateOnNewDocument", identifier=made["identifier"]
        )


@pytest.mark.parametrize(
    "kept",
    ["{", "[1]", '[{"id":"a","kind":"tick"}]', '[{"id":"x","kind":"gone"}]', '{"a":1}', "null"],
)
def test_what_cannot_be_read_is_left_alone(tablet, document, page, kept):
    key = f"gridground-record/1 {document['plan_hash']} {document['job_id']}"
    tablet.run("localStorage.setItem(arguments[0], arguments[1])", key, kept)
    tablet.open(page)
    tablet.tick()
    assert "cannot be read" in tablet.run("return document.querySelector('.banner').innerText")
    assert len(tablet.record()["entries"]) == 1
    assert tablet.run("return localStorage.getItem(arguments[0])", key) == kept


def test_ticks_of_another_plan_do_not_count(tablet, document, page):
    other = f"gridground-record/1 {'ab' * 32} {document['job_id']}"
    tablet.run("localStorage.setItem(arguments[0], '[]')", other)
    tablet.open(page)
    assert "under another plan (abababababab)" in tablet.run(
        "return document.querySelector('.banner').innerText"
    )


def test_two_tabs_lose_nothing(tablet, document, page):
    """The last write wins in the browser's store, so each tab looks before and after it writes."""
    driver = tablet.browser.driver
    address = tablet.open(page)
    first = driver.current_window_handle
    driver.switch_to.new_window("tab")
    try:
        driver.get(address)
        tablet.enter()
        tablet.tick("Second")
        assert "after the time of the clearance" in tablet.said()  # that tab has another clock
        tablet.again()
        driver.switch_to.window(first)
        tablet.go("P2")
        tablet.tick("First")
        record = tablet.record()
        assert [(e["step_id"], e["who"]) for e in record["entries"]] == [
            ("P1", "Second"),
            ("P2", "First"),
        ]
        # The second tab writes what it knew before, as if both had written at the same moment.
        driver.switch_to.window(driver.window_handles[-1])
        key = f"gridground-record/1 {document['plan_hash']} {document['job_id']}"
        tablet.run(
            "var rows = JSON.parse(localStorage.getItem(arguments[0]));"
            "localStorage.setItem(arguments[0], JSON.stringify(rows.slice(0, 1)))",
            key,
        )
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(driver, 10).until(
            lambda _: tablet.run(f"return JSON.parse(localStorage.getItem('{key}')).length") == 2
        )
        assert len(tablet.record()["entries"]) == 2
        tablet.go("P2")
        assert "ticked by First" in tablet.run("return document.querySelector('.done').innerText")
    finally:
        driver.switch_to.window(driver.window_handles[-1])
        if len(driver.window_handles) > 1:
            driver.close()
        driver.switch_to.window(first)


def test_hostile_names_stay_text(tablet, document, page):
    address = tablet.open(page)
    name = '<img src=x onerror="window.__xss=1">\u202e\x07${1}'
    said = tablet.tick(name)
    shown = '<img src=x onerror="window.__xss=1"> ${1}'[:40].strip()
    assert said.startswith(f"Step P1 ticked by {shown} at")
    tablet.view("list")
    tablet.view("out")
    assert shown in tablet.run("return document.querySelector('.spoken').innerText")
    assert tablet.run("return window.__xss") is None
    assert tablet.run("return document.images.length") == 0
    assert record_faults(tablet.record(), document) == []
    assert tablet.browser.requests() == [address]
    assert tablet.browser.complaints() == []


def test_hostile_plans_stay_text(tablet):
    document = hostile_document()
    document["open_items"], document["checks"] = [], example_document()["checks"]
    address = tablet.open(page_html(finished(document)))
    assert tablet.browser.status().startswith("READY")
    tablet.ticks(3, HOSTILE)
    for view in ("list", "out", "step"):
        tablet.view(view)
    assert len(tablet.record()["entries"]) == 3
    assert tablet.run("return window.__xss") is None
    assert tablet.run("return document.images.length") == 0
    assert tablet.browser.requests() == [address]
    assert tablet.browser.complaints() == []


def test_check_words_are_those_of_the_record(tablet, document, page):
    """Independent: the four letters worked out again from the handed-over file."""
    tablet.open(page)
    tablet.ticks(6, "Ünal")
    record = tablet.record()
    body = {key: record[key] for key in ("entries", "job_id", "plan_hash")}
    left = int(hashlib.sha256(canonical_bytes(body)).hexdigest()[:8], 16)
    letters = []
    for _ in range(4):
        left, letter = divmod(left, 26)
        letters.append(ALPHABET[letter])
    tablet.view("out")
    spoken = tablet.run("return document.querySelector('.spoken').innerText")
    assert f"Check: {' '.join(letters)}." in spoken
    assert f"Job {document['job_id']}, plan {document['plan_hash'][:8]}, revision 1." in spoken
    assert "Leads on: 0 of 11. Leads off: 0. Still on: 0." in spoken
    assert "On the line: nobody marked." in spoken
    assert (
        "Last entry: number 6, step P6 at pole Q212 ticked by Ünal, at 2026-04-14 07:30" in spoken
    )


def test_the_whole_record_can_be_copied_and_saved(tablet, document, page, tmp_path):
    tablet.browser.command(
        "Browser.setDownloadBehavior", behavior="allow", downloadPath=str(tmp_path)
    )
    tablet.open(page)
    tablet.ticks(2)
    tablet.view("out")
    tablet.run("document.querySelector('.out .taskbar button').click()")
    from selenium.webdriver.support.ui import WebDriverWait

    file = tmp_path / f"{document['job_id']}.record.json"
    WebDriverWait(tablet.browser.driver, 10).until(lambda _: file.exists() and file.stat().st_size)
    record = json.loads(file.read_text(encoding="utf-8"))
    assert record_faults(record, document) == []
    assert len(record["entries"]) == 2
    tablet.press(".out .taskbar button:nth-child(2)")
    WebDriverWait(tablet.browser.driver, 10).until(
        lambda _: re.search("Copied|copy it by hand", tablet.said())
    )
    assert [url for url in tablet.browser.requests() if url.startswith("http")] == []
    assert tablet.browser.complaints() == []


def every_view(tablet, document):
    """Go through what work mode can show; yield its name."""
    yield "first"
    tablet.ticks(4)
    yield "a rod"
    tablet.run("document.querySelectorAll('.writedown details').forEach(d => { d.open = true; })")
    yield "a rod, unfolded"
    tablet.ticks(len(document["steps"]["prepare"]) - 4)
    tablet.run("document.querySelector('.task button.tick').click()")
    tablet.run("document.querySelectorAll('.writedown details').forEach(d => { d.open = true; })")
    yield "a lead, refused, unfolded"
    tablet.ticks(11)
    tablet.mark("Ann Lee")
    yield "people"
    tablet.go("P4")
    tablet.run("document.querySelector('.task .undo').click()")
    yield "undo"
    for view in ("list", "out"):
        tablet.view(view)
        yield view


BOXES = """
return [...document.querySelectorAll('button, a, input, summary, textarea, [role=button]')]
  .filter(n => n.checkVisibility()).map(n => [n, n.getBoundingClientRect()]).filter(p => p[1].width)
  .map(p => [p[0].textContent || p[0].id, p[1].left, p[1].top + scrollY, p[1].width, p[1].height,
             !!p[0].closest('.stuck')]);
"""


@pytest.mark.parametrize("size", SIZES)
def test_every_view_is_large_apart_dark_and_not_sideways(tablet, document, page, size):
    tablet.browser.size(*size)
    tablet.open(page)
    for view in every_view(tablet, document):
        assert tablet.run("return document.documentElement.scrollWidth") <= size[0], view
        assert tablet.run(CONTRAST) == [], view
        boxes = tablet.run(BOXES)
        assert len(boxes) >= 9
        small = [box[0] for box in boxes if box[3] < 44 or box[4] < 44]
        assert small == [], view
        for number, (name, x, y, width, height, stuck) in enumerate(boxes):
            for other, x2, y2, width2, height2, stuck2 in boxes[number + 1 :]:
                across = max(x2 - x - width, x - x2 - width2)
                down = max(y2 - y - height, y - y2 - height2)
                assert max(across, down) >= 7.9 or stuck != stuck2, (view, name, other)


def test_every_control_has_a_name_and_the_keyboard_is_enough(tablet, document, page):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    tablet.open(page)
    nameless = tablet.run(
        "return [...document.querySelectorAll('.task button, .task input, .task textarea')]"
        ".filter(n => !n.textContent.trim() && !n.getAttribute('aria-label')"
        " && !(n.labels && n.labels.length)).map(n => n.outerHTML);"
    )
    assert nameless == []
    assert tablet.run("return document.activeElement.getAttribute('aria-label')") == "Step P1"

    def keys(*pressed):
        chain = ActionChains(tablet.browser.driver)
        for key in pressed:
            chain.send_keys(key)
        chain.perform()

    keys(Keys.TAB, "Kay")
    for _ in range(12):
        keys(Keys.TAB)
        if tablet.run("return document.activeElement.classList.contains('tick')"):
            break
    keys(Keys.ENTER)
    assert tablet.said() == "Step P1 ticked by Kay at 2026-04-14 07:30."
    assert tablet.run("return document.activeElement.getAttribute('aria-label')") == "Step P2"


def printed(browser):
    pypdf = pytest.importorskip("pypdf")
    done = browser.command("Page.printToPDF", paperWidth=8.5, paperHeight=11)
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(done["data"]))).pages
    return [" ".join(page.extract_text().split()) for page in pages]


def test_paper_and_the_page_without_script_know_nothing_of_it(tablet, page):
    tablet.browser.open(page)
    before = printed(tablet.browser)
    tablet.enter()
    tablet.tick()
    assert printed(tablet.browser) == before
    assert "step by step" not in " ".join(before)
    tablet.browser.command("Emulation.setScriptExecutionDisabled", value=True)
    tablet.browser.open(page)
    shown = [
        tablet.browser.driver.find_element("id", name).is_displayed()
        for name in ("task", "task-open")
    ]
    tablet.browser.command("Emulation.setScriptExecutionDisabled", value=False)
    assert shown == [False, False]


def test_a_plan_without_what_steps_ask_for_can_be_worked(tablet):
    """A plan made before steps said what they measure."""
    document = example_document()
    document["open_items"] = []
    plan = finished(document)
    tablet.open(page_html(plan))
    total = sum(map(len, document["steps"].values()))
    tablet.ticks(total)
    tablet.tick()  # the work asked first: nobody was marked on the line
    record = tablet.record()
    assert len(record["entries"]) == total
    assert record_faults(record, plan.document) == []
    assert "off 11 difference 0" in tablet.counts()
