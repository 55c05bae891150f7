"""Work mode when things go wrong: double taps, two tabs, a lost store, an older plan's leads."""
# ruff: noqa: F401, F811  fixtures of the tests of work mode

from __future__ import annotations

import json
import time

import pytest

from gridground.jobmap.page import page_html
from gridground.revision.fieldrecord import parse_record
from tests.browser.tablet import FILL
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

CENTRE = """
var r = document.querySelector(arguments[0]).getBoundingClientRect();
return [r.left + r.width / 2, r.top + r.height / 2];
"""


def key_of(document):
    return f"gridground-record/1 {document['plan_hash']} {document['job_id']}"


def taps(tablet, selector, count, *, kind="touch"):
    """Tap one place several times at once, as a finger does."""
    tablet.run("document.querySelector(arguments[0]).scrollIntoView({ block: 'center' })", selector)
    x, y = tablet.run(CENTRE, selector)
    for number in range(1, count + 1):
        if kind == "touch":
            points = [{"x": x, "y": y}]
            tablet.browser.command(
                "Input.dispatchTouchEvent", type="touchStart", touchPoints=points
            )
            tablet.browser.command("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        else:
            for what in ("mousePressed", "mouseReleased"):
                place = {"x": x, "y": y, "button": "left", "clickCount": number}
                tablet.browser.command("Input.dispatchMouseEvent", type=what, **place)


@pytest.mark.parametrize("kind", ["touch", "mouse"])
def test_a_double_tap_ticks_one_lead(tablet, document, page, kind):
    """The button of the next step stands under the finger on a page that need not scroll."""
    tablet.browser.size(1180, 1600)
    tablet.open(page)
    prepared(tablet, document, leads=2)
    tablet.run(FILL, "J. R.")
    time.sleep(0.8)
    before = tablet.run(CENTRE, "button.tick")
    taps(tablet, "button.tick", 2, kind=kind)
    assert abs(tablet.run(CENTRE, "button.tick")[1] - before[1]) < 30
    assert tablet.counts().startswith("Leads on 3 of 11")
    assert tablet.refused().startswith("That press came as this appeared, and was not taken.")
    done = tablet.run("return document.getElementById('task-done').textContent")
    assert done.startswith(f"Step {document['steps']['apply'][2]['step_id']} ticked by J. R.")
    time.sleep(0.8)
    taps(tablet, "button.tick", 1, kind=kind)
    assert tablet.counts().startswith("Leads on 4 of 11")


def test_a_double_tap_marks_one_off_the_line(tablet, document, page):
    tablet.browser.size(1180, 1600)
    tablet.open(page)
    prepared(tablet, document, leads=11)
    tablet.mark("Ann")
    tablet.mark("Bob")
    time.sleep(0.8)
    taps(tablet, ".people .off", 2)
    assert tablet.counts().endswith("on the line 1")
    assert "On the line: Bob" in tablet.run("return document.querySelector('.people').innerText")


def test_a_double_tap_undoes_nothing_without_the_question(tablet, document, page):
    tablet.browser.size(1180, 1600)
    tablet.open(page)
    tablet.tick()
    tablet.go("P1")
    time.sleep(0.8)
    taps(tablet, ".task .undo", 3)
    assert [entry["kind"] for entry in tablet.record()["entries"]] == ["tick"]


def test_a_tab_that_wakes_up_and_writes_what_it_knew_takes_nothing_away(tablet, document, page):
    """The browser may give a sleeping tab an old copy of its store; the other tab is closed."""
    tablet.open(page)
    tablet.tick("First")
    old = tablet.run("return localStorage.getItem(arguments[0])", key_of(document))
    tablet.ticks(len(document["steps"]["prepare"]) - 1 + 4, "Second")
    assert tablet.counts().startswith("Leads on 4 of 11")
    before = tablet.record()["entries"]
    tablet.browser.open("<!DOCTYPE html><title>closed</title>")
    tablet.run("localStorage.setItem(arguments[0], arguments[1])", key_of(document), old)
    tablet.open(page)
    assert tablet.counts().startswith("Leads on 4 of 11")
    assert tablet.record()["entries"] == before


def test_a_page_come_back_to_shows_what_was_ticked_elsewhere(tablet, document, page):
    """A page kept by the browser for its back button hears nothing while it is left."""
    tablet.open(page)
    kept = {"id": "x-1", "kind": "tick", "step_id": "P1", "values": {}, "who": "Else"}
    kept |= {"at": "2026-04-14T07:30:00-06:00", "clock": "2026-04-14T07:30:00-06:00"}
    tablet.run(
        "localStorage.setItem(arguments[0], arguments[1])", key_of(document), json.dumps([kept])
    )
    tablet.run("window.dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true }))")
    assert "ticked by Else" in tablet.run("return document.querySelector('.done').innerText")


def tick_entry(number, step_id):
    at = "2026-04-14T07:30:00-06:00"
    entry = {"id": f"t-{number}", "kind": "tick", "step_id": step_id, "values": {}}
    return entry | {"who": "J. R.", "at": at, "clock": at}


def merged_store(tablet, document, page, *, off, person=False, left_out=()):
    """Open the page on a store as two tabs may leave it that wrote at the same moment."""
    steps = document["steps"]
    done = [
        step["step_id"]
        for step in (*steps["prepare"], *steps["apply"], *steps["remove"][:off])
        if step["step_id"] not in left_out
    ]
    rows = [tick_entry(*pair) for pair in enumerate(done)]
    if person:
        entry = tick_entry(len(rows), "") | {"kind": "on the line", "who": "Ann"}
        rows.append({k: v for k, v in entry.items() if k not in {"step_id", "values"}})
    tablet.run(
        "localStorage.setItem(arguments[0], arguments[1])", key_of(document), json.dumps(rows)
    )
    tablet.open(page)


def test_leads_off_and_people_on_at_once_stop_the_work(tablet, document, page):
    merged_store(tablet, document, page, off=1, person=True)
    banner = tablet.run("return document.querySelector('.notices').innerText")
    assert "STOP: leads are counted off (1) while Ann is marked on the line." in banner


def test_a_lead_off_that_was_never_on_makes_up_for_no_other(tablet, document, page):
    """Ten on, ten off by number; the lead taken off first was never counted on: one still hangs."""
    last, first = document["steps"]["apply"][-1]["step_id"], document["steps"]["release"][0]
    merged_store(tablet, document, page, off=10, left_out=(last,))
    assert tablet.counts().startswith("Leads on 10 of 11 off 10 STILL ON 1")
    banner = tablet.run("return document.querySelector('.notices').innerText")
    assert "is counted off and not on" in banner
    tablet.go(first["step_id"])
    assert tablet.tick().startswith("Leads still on: 1 (10 on, 10 off).")
    tablet.view("out")
    assert "Still on: 1." in tablet.run("return document.querySelector('.spoken').innerText")


def test_an_undo_undoes_every_tick_of_a_step(tablet, document, page):
    """Two tabs ticked the same step at the same moment."""
    rows = [tick_entry(1, "P1"), tick_entry(2, "P1")]
    tablet.run(
        "localStorage.setItem(arguments[0], arguments[1])", key_of(document), json.dumps(rows)
    )
    tablet.open(page)
    tablet.go("P1")
    assert tablet.undo().startswith("The tick of step P1 was undone")
    assert tablet.run("return !!document.querySelector('.task button.tick')")
    undone = [e["undoes"] for e in tablet.record()["entries"] if e["kind"] == "undo"]
    assert sorted(undone) == [1, 2]


def test_counts_that_begin_at_zero_after_a_lost_store_say_so_on_the_radio(tablet, document, page):
    tablet.run("localStorage.setItem(arguments[0], '{')", key_of(document))
    tablet.open(page)
    assert "look at the poles for leads that hang" in tablet.run(
        "return document.querySelector('.notices').innerText"
    )
    tablet.view("out")
    spoken = tablet.run("return document.querySelector('.spoken').innerText")
    assert "these counts begin at zero and do not hold it." in spoken


def test_leads_that_hang_under_another_plan_are_told(tablet, document, page):
    """A revision comes while leads of the plan before it are on: its page counts from zero."""
    tablet.open(page)
    prepared(tablet, document, leads=11)
    tablet.mark("Ann")
    changed = json.loads(json.dumps(document)) | {"title": "The plan after it"}
    tablet.open(page_html(finished(changed)))
    assert tablet.counts().startswith("Leads on 0 of 11")
    wanted = (
        f"Under plan {document['plan_hash'][:8]} of this job this tablet holds 11 leads on, 0 off, "
        "still on 11, on the line 1."
    )
    assert wanted in tablet.run("return document.querySelector('.notices').innerText")
    tablet.view("out")
    assert wanted in tablet.run("return document.querySelector('.spoken').innerText")


def test_whatever_the_page_lets_in_a_record_the_reader_takes(tablet, document, page):
    """One entry that the reader refuses would make the whole record useless."""
    tablet.open(page)
    names = [
        "Zoë \u202e\u2066X",
        "a\u0000\u009b31mb",
        "\u3164\u200b Ann \ufe0f",
        "Ж" * 60,
        "😀" * 45,
    ]
    for name in names:
        assert "ticked by" in tablet.tick(name)
    tablet.ticks(len(document["steps"]["prepare"]) - len(names))
    in_unit(tablet, "metres")
    for size in ("3 mm2", "501 mm2", "999 mm2", "70.123456789012345 mm2", "7", "70mm2"):
        fill(tablet, used_size=size, used_length="3")
        assert press_words(tablet, "Write this lead down").startswith("Write the size"), size
    for size in ("4 mm2", "500 mm2", "2", "4/0", "350"):
        fill(tablet, used_size=size, used_length="3", used_number="\ufdd0N" + "x" * 90)
        in_unit(tablet, "metres")
        assert "is not in the kit" in press_words(tablet, "Write this lead down"), size
        assert press_words(tablet, "Write this lead down").startswith("Written down"), size
    record = tablet.record()
    told = parse_record(json.dumps(record).encode(), name="record.json")
    tablet.view("out")
    spoken = tablet.run("return document.querySelector('.spoken').innerText")
    assert f"Check: {told.check}." in spoken
    assert [one.who for one in told.entries[:5]] == [
        "Zoë X", "a 31mb", "Ann", "Ж" * 40, "😀" * 40
    ]  # fmt: skip


def test_a_name_that_shows_as_nothing_is_no_name(tablet, page):
    tablet.open(page)
    for name in ("\u3164", "\u200b\u2060", "\u2800", "\ufe0f", " \u00a0 "):
        tablet.run(FILL, name)
        tablet.run("document.querySelector('.task button.tick').click()")
        assert tablet.said() == "Write who ticks.", repr(name)


def test_an_undo_of_what_another_tab_undid_does_not_spoil_the_record(tablet, document, page):
    """A tab that shows an old state names a tick that is undone already."""
    tablet.open(page)
    tablet.tick()
    reason = tablet.run(
        "var G = gridground, kept = G.keep(G.plan, G.hash, function () {}), at = arguments[0];"
        "var undo = { kind: 'undo', undoes: kept.entries[0].id, who: 'A', at: at, clock: at };"
        "function free() { return null; }"
        "return [kept.add(undo, free), kept.add(undo, free), kept.add({ kind: 'gone' }, free)];",
        "2026-04-14T07:30:00-06:00",
    )
    assert reason[0] is None
    assert reason[1:] == ["That was changed in another tab meanwhile. Look at it again."] * 2
    tablet.reload()
    assert not tablet.run("return !!document.querySelector('.banner')")
    assert [entry["kind"] for entry in tablet.record()["entries"]] == ["tick", "undo"]


def test_the_longest_names_push_nothing_out_of_a_phone(tablet, document):
    """An id may have 64 signs, a person's name 40."""
    worksite = document["job"]["worksite_poles"][0]
    long = json.loads(json.dumps(document).replace(worksite, "W" * 64))
    tablet.browser.size(390, 844)
    tablet.open(page_html(finished(long)))
    wide = []
    for part in ("prepare", "apply"):
        for step in long["steps"][part]:
            if step["pole_id"] == "W" * 64:
                tablet.go(step["step_id"])
                wide.append(tablet.run("return document.documentElement.scrollWidth"))
    assert len(wide) >= 4
    assert max(wide) <= 390
    tablet.go("P1")
    tablet.ticks(len(long["steps"]["prepare"]) + 11, "M" * 40)
    tablet.mark("N" * 40)
    for view in ("step", "list", "out"):
        tablet.view(view)
        assert tablet.run("return document.documentElement.scrollWidth") <= 390, view


def test_nothing_comes_off_unlooked_at_while_another_plan_has_people_on(tablet, document, page):
    """The page of the plan before may be gone from the tablet: a second press goes on."""
    tablet.open(page)
    prepared(tablet, document, leads=11)
    tablet.mark("Ann")
    changed = json.loads(json.dumps(document)) | {"title": "The plan after it"}
    tablet.open(page_html(finished(changed)))
    prepared(tablet, document, leads=11)
    tablet.go(document["steps"]["remove"][0]["step_id"])
    assert "on the line 1. Look first: is anybody on the line" in tablet.tick()
    assert "off 0 STILL ON 11" in tablet.counts()
    assert tablet.tick().startswith("Step R1 ticked by")
    tablet.ticks(10)
    tablet.go(document["steps"]["release"][0]["step_id"])
    assert "Look first" in tablet.tick()
    assert tablet.tick().startswith("Step C1 ticked by")


def test_a_double_tap_is_no_second_look(tablet, document, page):
    tablet.browser.size(1180, 1600)
    tablet.open(page)
    prepared(tablet, document, leads=11)
    changed = json.loads(json.dumps(document)) | {"title": "The plan after it"}
    tablet.open(page_html(finished(changed)))
    prepared(tablet, document, leads=11)
    tablet.go("R1")
    tablet.run(FILL, "J. R.")
    time.sleep(0.8)
    taps(tablet, "button.tick", 2)
    assert "off 0 STILL ON 11" in tablet.counts()
