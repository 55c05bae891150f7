"""The clearance on the page in a real browser: nothing runs out, fingers reach, lists unfold."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.job import ClearanceAsked
from gridground.jobmap.page import page_html

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page():
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    jobs = ROOT / "sample_data" / "jobs"
    held = ClearanceAsked(holder="foreman of line crew 1")
    asked = replace(gg.read_job(jobs / "13-open-items.toml"), clearance=held)
    other = gg.plan_job(territory, asked)
    plan = gg.plan_job(territory, gg.read_job(jobs / "08-gang-switch.toml"), others=[other])
    return page_html(plan), plan["clearance"]


@pytest.mark.parametrize("size", [(390, 844), (1180, 820)])
def test_clearance_fits_and_unfolds(browser, page, size):
    html, block = page
    browser.size(*size)
    address = browser.open(html)
    assert browser.run("return document.documentElement.scrollWidth <= innerWidth")
    sizes = browser.run(
        "return [...document.querySelectorAll('#clearance summary')]"
        ".map(e => [e.getBoundingClientRect().width, e.getBoundingClientRect().height])"
    )
    assert sizes
    assert all(width >= 44 and height >= 44 for width, height in sizes)
    last = block["off"]["pole_ids"][-1]
    shown = "return document.querySelector('#clearance').innerText"
    assert last not in browser.run(shown).split("Equipment on that part")[0]
    browser.driver.find_element("css selector", "#clearance summary").click()
    assert last in browser.run(shown).split("Equipment on that part")[0]
    assert browser.requests() == [address]
    assert browser.complaints() == []


def test_clearance_without_script(scriptless, page):
    html, block = page
    scriptless.open(html)
    text = scriptless.driver.find_element("id", "clearance").text
    for row in block["open"]:
        assert row["device_id"] in text
    assert json.dumps(block["holder"])[1:-1] in text
    assert "NOTHING KEEPS THEM APART" in text
