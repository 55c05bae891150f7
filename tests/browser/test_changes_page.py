"""The page of a revision in a real browser: rings where grounds changed, nothing that runs."""

from __future__ import annotations

import copy

import pytest

from gridground.jobmap.page import page_html
from gridground.record import Plan, is_ready, plan_hash
from gridground.revision.changes import changes_between
from tests.plan_example import HOSTILE, example_document, finished

pytestmark = pytest.mark.browser


def revision(text=""):
    """Return the example with the rod of P19 and a lead of P21 changed, `text` in what is told."""
    first = finished(example_document()).document
    made = copy.deepcopy(first)
    made["locations"][0]["rod"]["lon"] += 2e-5
    lead = next(row for row in made["leads"] if row["pole_id"] == "P21")
    lead["size"] = f"4/0{text}"
    row = {"what": "rod_ohm", "pole_id": "P19", "value": 38.5, "unit": "ohm"}
    made |= {
        "revision": 2,
        "revises": first["plan_hash"],
        "measured": [row | {"who": f"J. R.{text}", "at": "2026-04-14T08:10:00-06:00"}],
    }
    made["ready"] = is_ready(made)
    made["changes"] = changes_between(first, made)
    made["plan_hash"] = plan_hash(made)
    return Plan(made)


def test_poles_whose_grounds_changed_are_marked(browser):
    plan = revision()
    address = browser.open(page_html(plan))
    count = "return document.querySelectorAll('.mk-changed').length"
    assert browser.run(count) == 2
    shown = browser.run("return document.getElementById('changes').textContent")
    assert "Changed since revision 1" in shown
    assert "Rod of pole P19 moved by " in shown
    assert "38.5 ohm" in shown
    assert browser.run("return window.gridground.faults().length") == 0
    assert browser.requests() == [address]
    assert browser.complaints() == []
    browser.size(390, 844)
    wide = "return document.documentElement.scrollWidth - window.innerWidth"
    assert browser.run(wide) <= 0


def test_hostile_text_of_a_record_runs_nowhere(browser):
    browser.open(page_html(revision(HOSTILE)))
    assert browser.run("return window.__xss === undefined")
    assert (
        browser.run("return document.querySelectorAll('#changes img, #changes script').length") == 0
    )
    assert "window.__xss=1" in browser.run("return document.getElementById('changes').textContent")
    assert browser.complaints() == []


def test_a_first_plan_shows_no_changes(browser):
    browser.open(page_html(finished(example_document())))
    assert browser.run("return document.getElementById('changes')") is None
    assert browser.run("return document.querySelectorAll('.mk-changed').length") == 0
