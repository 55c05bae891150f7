"""What work mode asks before a tick, what stays of a refusal, and what a narrow map shows first."""
# ruff: noqa: F401, F811  fixtures of the tests of work mode

from __future__ import annotations

import json

import pytest

from gridground.jobmap.page import page_html
from gridground.revision.account import hold_record
from gridground.revision.fieldrecord import parse_record
from gridground.units import area_mm2
from tests.browser.tablet import CLOCK, record_faults
from tests.browser.test_work_mode import (
    document,
    fill,
    in_unit,
    page,
    plans,
    prepared,
    press_words,
    tablet,
)
from tests.plan_example import finished

pytestmark = pytest.mark.browser

OVER = """
var a = document.getElementById('task-say').getBoundingClientRect();
return [...document.querySelectorAll('.task button, .task input, .task summary')]
  .filter(n => n.checkVisibility()).map(n => [n.textContent || n.id, n.getBoundingClientRect()])
  .filter(p => p[1].left < a.right && a.left < p[1].right && p[1].top < a.bottom
    && a.top < p[1].bottom).map(p => p[0]);
"""
LABELS = """
function boxes(css) {
  return [...document.querySelectorAll(css)].map(n => n.getBoundingClientRect())
    .filter(r => r.width);
}
var frame = document.getElementById('map_job').getBoundingClientRect();
function inside(r) {
  return r.left >= frame.left && r.right <= frame.right && r.top >= frame.top
    && r.bottom <= frame.bottom;
}
function over(a, b) {
  return a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
}
var names = boxes('.mk-ground > .mk-word').filter(inside), signs = boxes('.mk-ground > .mk-sign');
var rods = boxes('.mk-rod > .mk-sign');
var cones = boxes('.mk-cone > .mk-sign');
return {
  names: names.length, cones: cones.length, rods: rods.filter(inside).length,
  over: names.filter(a => cones.concat(rods, signs).some(b => over(a, b))).length,
  covered: rods.filter(a => signs.some(b => over(a, b))).length
};
"""


def press_word(tablet, word, number=0):
    tablet.run(
        "[...document.querySelectorAll('.choice button')]"
        ".filter(b => b.dataset.word === arguments[0])[arguments[1]].click()",
        word,
        number,
    )


def text_of(tablet, selector):
    return tablet.run(
        "var n = document.querySelector(arguments[0]); return n ? n.innerText : ''", selector
    )


def account(record, document):
    return hold_record(parse_record(json.dumps(record).encode(), name="record.json"), document)


def last(tablet):
    return tablet.record()["entries"][-1]


@pytest.fixture
def test_step(document):
    return next(s for s in document["steps"]["prepare"] if s.get("asks") == ["detector"])


def refused(tablet, document, step, *, volts=""):
    """Go to the test for no voltage and tell a reading on its second phase."""
    for other in document["steps"]["prepare"]:
        if other["step_id"] == step["step_id"]:
            break
        tablet.tick()
    tablet.go(step["step_id"])
    fill(tablet, tick_who="Ann", tick_volts=volts)
    press_word(tablet, "READING", 1)


def test_a_refused_reading_stays_at_its_step_and_in_all_that_is_told(
    tablet, document, page, test_step
):
    tablet.open(page)
    refused(tablet, document, test_step, volts="480")
    line = "refused reading: READING on B (480 V), by Ann at 2026-04-14 07:30"
    tablet.reload()  # nothing of the form is left; the record is
    tablet.go(test_step["step_id"])
    assert text_of(tablet, ".stepcard .refusals") == line
    tablet.view("list")
    assert line in text_of(tablet, ".steprow .refusals")
    assert tablet.run("return document.querySelectorAll('.log .undo-entry').length") == 0
    tablet.view("out")
    pole = test_step["pole_id"]
    assert (
        f"Refused readings: 1. Last: step {test_step['step_id']} at pole {pole}, READING on B "
        "(480 V), told by Ann at 2026-04-14 07:30."
    ) in text_of(tablet, ".spoken")
    assert record_faults(tablet.record(), document) == []


def test_volts_told_after_the_reading_are_told_too(tablet, document, page, test_step):
    tablet.open(page)
    refused(tablet, document, test_step)
    fill(tablet, tick_volts="7 kV")
    tablet.run("document.getElementById('tick-volts').dispatchEvent(new Event('change'))")
    told = [e["values"]["detector"] for e in tablet.record()["entries"] if e["kind"] == "refused"]
    assert told == ["READING on B", "READING on B (7 kV)"]


def test_an_undo_of_a_refusal_takes_nothing_away(tablet, document, page, test_step):
    """A page made before could write such an undo: the step shows the reading all the same."""
    tablet.open(page)
    refused(tablet, document, test_step)
    tablet.run(
        "var G = gridground, kept = G.keep(G.plan, G.hash, function () {}), at = arguments[0];"
        "var last = kept.entries[kept.entries.length - 1];"
        "kept.add({ kind: 'undo', undoes: last.id, who: 'A', at: at, clock: at },"
        " function () { return null; });",
        CLOCK,
    )
    tablet.reload()
    tablet.go(test_step["step_id"])
    assert "READING on B, by Ann" in text_of(tablet, ".refusals")
    told = account(tablet.record(), document)
    assert [one.code for one in told.remarks] == ["reading_refused"]
    assert told.remarks[0].text.endswith("An undo of it counts nothing.")


def test_no_reading_after_a_reading_is_asked_about(tablet, document, page, test_step):
    tablet.open(page)
    refused(tablet, document, test_step)
    tablet.reload()
    tablet.go(test_step["step_id"])
    before = "READING on B was told here by Ann at 2026-04-14 07:30. "
    assert tablet.tick("Bo") == (
        f"{before}Before this step is ticked write what was found, and who cleared it."
    )
    fill(tablet, tick_found="generator <b>open</b>, tagged by Ann")
    question = (
        f"{before}Found since: generator <b>open</b>, tagged by Ann. "
        "Is that so, and has the clearance holder been told?"
    )
    assert tablet.again() == f"{question} Press again only when somebody has looked."
    assert last(tablet)["kind"] == "refused"
    assert tablet.tick("Bo").startswith(f"Step {test_step['step_id']} ticked by Bo")
    entry = last(tablet)
    assert entry["found"] == "generator <b>open</b>, tagged by Ann"
    assert entry["asked"] == [question]
    assert entry["values"]["detector"].startswith("READING pressed first on B; then proved")
    record = tablet.record()
    assert record_faults(record, document) == []
    tablet.go(test_step["step_id"])
    assert f"Found after the reading: {entry['found']}." in text_of(tablet, ".done")
    codes = [one.code for one in account(record, document).remarks]
    assert codes == ["reading_refused", "pressed_over", "ticked_after_reading"]
    tablet.view("out")
    spoken = text_of(tablet, ".spoken")
    check = parse_record(json.dumps(record).encode(), name="record.json").check
    assert f"Check: {check}." in spoken


def test_a_figure_that_cannot_be_stays_at_its_step(tablet, document, page):
    rod = next(step for step in document["steps"]["prepare"] if step.get("asks") == ["rod_ohm"])
    tablet.open(page)
    while tablet.step() != rod["step_id"]:
        tablet.tick()
    fill(tablet, tick_ohm="2000000", tick_who="Ann")
    for _ in range(3):
        assert tablet.again().startswith("Write the rod's resistance in ohm")
    line = "refused: typed rod 2000000 ohm, by Ann at 2026-04-14 07:30"
    assert text_of(tablet, ".stepcard .refusals") == line
    fill(tablet, tick_ohm="38.5", tick_tape="900", tick_bearing="10")
    assert "distance from the pole in feet" in tablet.again()
    assert f"{line}\n\nrefused: typed rod 900 ft from the pole" in text_of(tablet, ".refusals")
    fill(tablet, tick_tape="", tick_bearing="")
    assert "ticked by" in tablet.again()
    record = tablet.record()
    assert record_faults(record, document) == []
    told = [one.code for one in account(record, document).remarks]
    assert told == ["value_refused", "value_refused"]


# --- a lead's number and the kit ------------------------------------------------------------------


def at_lead(tablet, document, number):
    """Tick up to the apply step of this place; return its step and lead."""
    prepared(tablet, document, leads=number)
    step = document["steps"]["apply"][number]
    return step, next(row for row in document["leads"] if row["lead_id"] == step["lead_id"])


def numbered(tablet, number, who="J. R."):
    """Fill in the step, then another lead's number; press; return what the page says."""
    tablet.run(
        "document.querySelectorAll('.task .choice button').forEach(b => {"
        " if (/^(no reading|proved)/.test(b.dataset.word)) { b.click(); } });"
    )
    fill(tablet, tick_lead=number, tick_who=who)
    return tablet.again()


def kit_of(document, lead, *, size=None, length_m=None, out=None):
    """Return the plan with one more lead on its truck."""
    made = json.loads(json.dumps(document))
    row = {"lead_id": "X1", "size": size or lead["size"], "length_m": length_m or lead["length_m"]}
    made["kit"]["leads"].append(row)
    if out:
        made["kit"]["out_of_test"].append({"lead_id": "X1", "why": out})
    return made


def test_the_plan_carries_the_leads_of_its_kit(document):
    kit = document["kit"]
    there = {row["lead_id"]: row for row in kit["leads"]}
    assert there.keys() == {
        *kit["assigned"],
        *kit["left"],
        *(r["lead_id"] for r in kit["out_of_test"]),
    }
    for lead in document["leads"]:
        for number in lead["kit_lead_ids"]:
            assert (there[number]["size"], there[number]["length_m"]) == (
                lead["size"], lead["length_m"])  # fmt: skip


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"length_m": 2.0}, "of the kit is 6 ft 7 in (2.00 m) long, too short: G1 needs"),
        ({"length_m": 30.0}, "A longer lead is another plan"),
        ({"size": "2"}, "of the kit is size 2, smaller than the plan's 2/0 for G1"),
        ({"out": "tested 2020-01-01"}, "is out of test: tested 2020-01-01. Take one"),
    ],
)
def test_a_lead_of_the_kit_that_does_not_do_is_asked_about(tablet, document, change, words):
    lead = document["leads"][0]
    plan = finished(kit_of(document, lead, **change))
    tablet.open(page_html(plan))
    step, row = at_lead(tablet, document, 0)
    assert row["lead_id"] == "G1"
    said = numbered(tablet, "X1")
    assert words in said
    assert said.endswith(" Press again only when somebody has looked.")
    assert words in text_of(tablet, "#tick-lead-kit")
    assert tablet.counts().startswith("Leads on 0 of 11")
    assert "ticked by" in tablet.again()
    assert words in last(tablet)["asked"][0]
    assert record_faults(tablet.record(), plan.document) == []
    assert [one.code for one in account(tablet.record(), plan.document).remarks] == ["pressed_over"]
    tablet.go(step["step_id"])
    assert "Pressed again after: Lead" in text_of(tablet, ".done")


def test_a_number_that_is_not_in_the_kit_or_told_already_is_asked_about(tablet, document, page):
    tablet.open(page)
    step, lead = at_lead(tablet, document, 0)
    own = lead["kit_lead_ids"][0]
    assert "is not in the kit of this plan" in numbered(tablet, "ZZ9")
    said = numbered(tablet, own.lower())  # another number, another question
    assert f"Is it {own}?" in said
    assert "ticked by" in numbered(tablet, own)
    assert "asked" not in last(tablet)
    assert f"was told for lead {lead['lead_id']} (step {step['step_id']}, J. R. at" in numbered(
        tablet, own
    )
    assert tablet.counts().startswith("Leads on 1 of 11")
    assert "ticked by" in tablet.again()


def test_a_number_written_down_with_another_lead_is_asked_about(tablet, document, page):
    tablet.open(page)
    at_lead(tablet, document, 0)
    fill(tablet, used_size="4/0", used_length="20", used_number="ZZ9")
    in_unit(tablet, "feet")
    assert "is not in the kit" in press_words(tablet, "Write this lead down")
    assert press_words(tablet, "Write this lead down").startswith("Written down by J. R.")
    entry = last(tablet)
    assert (entry["kind"], len(entry["asked"])) == ("lead used", 1)
    assert record_faults(tablet.record(), document) == []
    (one,) = account(tablet.record(), document).remarks
    assert (one.code, one.seq) == ("pressed_over", entry["seq"])


def test_without_a_kit_the_page_says_so_and_does_not_ask(tablet, document):
    plan = finished(json.loads(json.dumps(document)) | {"kit": None})
    tablet.open(page_html(plan))
    at_lead(tablet, document, 0)
    assert text_of(tablet, "#tick-lead-kit") == "No kit stated: number not held against anything."
    assert "ticked by" in numbered(tablet, "ZZ9")


def test_sizes_are_those_of_the_program(tablet, page):
    """Independent: the areas of gridground.units."""
    tablet.open(page)
    for size in ("2", "1", "1/0", "2/0", "3/0", "4/0", "250", "350", "70 mm2", "70mm2"):
        found = tablet.run("return gridground.area(arguments[0])", size)
        assert found == pytest.approx(area_mm2(size), rel=2e-3), size
    assert tablet.run("return gridground.area('two')") is None


# --- people, times, another plan ------------------------------------------------------------------


def test_work_with_nobody_on_the_line_is_asked_about(tablet, document, page):
    tablet.open(page)
    prepared(tablet, document, leads=11)
    report, work = document["steps"]["work"][:2]
    assert tablet.tick().startswith(f"Step {report['step_id']} ticked by")
    assert tablet.tick().startswith("Nobody is marked on the line.")
    assert last(tablet)["step_id"] == report["step_id"]
    tablet.mark("Ann")
    assert tablet.tick().startswith(f"Step {work['step_id']} ticked by")
    assert "asked" not in last(tablet)
    tablet.go(work["step_id"])
    tablet.undo()
    tablet.go(work["step_id"])
    tablet.off()
    assert tablet.tick().startswith("Nobody is marked on the line.")
    tablet.go(report["step_id"])
    tablet.go(work["step_id"])  # gone away and come back: it is asked anew
    assert tablet.tick().startswith("Nobody is marked on the line.")
    assert tablet.again().startswith(f"Step {work['step_id']} ticked by")
    assert last(tablet)["asked"][0].startswith("Nobody is marked on the line.")


def test_ticks_outside_the_clearance_are_asked_about_once_a_part(tablet, document, page):
    tablet.open(page)
    tablet.tick()
    tablet.run("window.__minutes = 451")  # 15:01
    tablet.reload()
    tablet.run("window.__minutes = 451")
    steps = document["steps"]["prepare"]
    tablet.go(steps[1]["step_id"])
    assert tablet.tick().startswith("This tick is after the time of the clearance: from 2026-04-14")
    assert tablet.again().startswith(f"Step {steps[1]['step_id']} ticked by")
    assert tablet.tick().startswith(f"Step {steps[2]['step_id']} ticked by")
    record = tablet.record()
    assert [len(entry.get("asked", [])) for entry in record["entries"]] == [0, 1, 0]
    told = {one.code: one.text for one in account(record, document).remarks}
    assert told["outside_clearance"] == (
        f"{steps[1]['step_id']}, {steps[2]['step_id']} are ticked after "
        "2026-04-14T15:00:00-06:00, the clearance's time"
    )


@pytest.mark.parametrize("kept", ["[]", '[{"id":"a"}]', "{"])
def test_another_plan_whose_counts_are_not_known_is_asked_about(tablet, document, page, kept):
    other = f"gridground-record/1 {'ab' * 32} {document['job_id']}"
    tablet.run("localStorage.setItem(arguments[0], arguments[1])", other, kept)
    tablet.open(page)
    words = "under another plan (abababababab), and how many leads and people they count on is not"
    assert words in text_of(tablet, ".banner")
    tablet.view("out")
    assert words in text_of(tablet, ".spoken")
    tablet.view("step")
    prepared(tablet, document, leads=11)
    tablet.go(document["steps"]["remove"][0]["step_id"])
    said = tablet.tick()
    assert words in said
    assert "Look first: is anybody on the line" in said
    assert "off 0 STILL ON 11" in tablet.counts()
    assert tablet.tick().startswith("Step R1 ticked by")
    assert words in last(tablet)["asked"][0]


# --- what is seen ---------------------------------------------------------------------------------


def test_a_refusal_stands_beside_the_form_on_a_tablet_held_across(tablet, document, page):
    tablet.browser.size(1180, 820)
    tablet.open(page)
    prepared(tablet, document, leads=1)
    for lead in range(3):
        fill(tablet, tick_who="")
        tablet.run("document.querySelector('.task button.tick').click()")
        assert tablet.refused(), lead
        assert tablet.run(OVER) == []
        shown = tablet.run(
            "var r = document.getElementById('task-say').getBoundingClientRect();"
            "return r.top >= 0 && r.bottom <= innerHeight && r.right <= innerWidth && r.width > 300"
        )
        assert shown
        tablet.tick()


@pytest.mark.parametrize("job", ["01-straight", "13-open-items"])
def test_a_phone_shows_all_grounds_and_their_rods_first(tablet, plans, job):
    made = plans[job].document
    tablet.browser.size(390, 844)
    tablet.browser.open(page_html(plans[job]))
    rods = sum(1 for row in made["locations"] if row["rod"])
    seen = tablet.run(LABELS)
    assert rods >= 2
    assert seen["rods"] == rods
    assert seen["names"] == len(made["locations"])
    assert (seen["covered"], seen["over"]) == (0, 0)
    # beside its pole in its own bearing: the sign is moved away from the pole, not round it
    angles = tablet.run(
        "return gridground.rodMarks.map(p => { var a = p[0].getBoundingClientRect(), l = p[1];"
        " var box = gridground.map.getContainer().getBoundingClientRect();"
        " var q = gridground.map.latLngToContainerPoint([l.lat, l.lon]);"
        " return [(a.left + a.right) / 2 - box.left - q.x, (a.top + a.bottom) / 2 - box.top - q.y,"
        " l.rod.bearing_deg]; });"
    )
    import math

    for across, down, bearing in angles:
        off = (math.degrees(math.atan2(across, -down)) - bearing + 180) % 360 - 180
        assert abs(off) < 8, (across, down, bearing)


@pytest.mark.parametrize("size", [(390, 844), (768, 1024), (1180, 820)])
def test_names_of_poles_lie_on_no_cone_and_no_rod(tablet, document, page, size):
    tablet.browser.size(*size)
    tablet.browser.open(page)
    for number, row in enumerate(document["locations"], start=1):
        if row["rod"]:
            tablet.run("document.querySelectorAll('#buttons button')[arguments[0]].click()", number)
            seen = tablet.run(LABELS)
            assert seen["cones"] >= 10
            assert seen["names"] == 1
            assert seen["over"] == 0


def test_names_are_moved_after_a_jump_of_the_map(tablet, document, page):
    """A jump without another zoom moves the marks after the map says that it has moved."""
    tablet.browser.size(1180, 820)
    tablet.open(page)
    poles = [row["pole_id"] for row in document["locations"] if row["rod"]]
    for pole in (*poles, *poles):
        step = next(s for s in document["steps"]["prepare"] if s["pole_id"] == pole)
        tablet.go(step["step_id"])
        seen = tablet.run(LABELS)
        assert (seen["names"], seen["over"]) == (1, 0)
