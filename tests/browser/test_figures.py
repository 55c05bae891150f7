"""Units that switch and figures that say where they come from, in a real browser."""

from __future__ import annotations

import re

import pytest

from gridground.jobmap.page import page_html
from gridground.units import bearing_text, feet_text
from tests.plan_example import example_document, finished, hostile_document, settled_document

pytestmark = pytest.mark.browser

ROD_CELL = "document.querySelector('#locations td[data-th=\"Rod from pole\"]')"


@pytest.fixture(scope="module")
def page():
    return page_html(finished(example_document()))


@pytest.fixture
def opened(browser, page):
    browser.size(390, 844)
    browser.open(page)
    browser.run("localStorage.clear()")
    browser.driver.refresh()
    return browser


def press(browser, mode):
    browser.run(f"document.querySelector('#units [data-units={mode}]').click()")


def pressed(browser):
    return browser.run(
        "return [...document.querySelectorAll('#units [aria-pressed=true]')]"
        ".map(b => b.textContent);"
    )


def rod(browser):
    return browser.run(f"return {ROD_CELL}.innerText.trim();")


def test_the_page_words_lengths_and_bearings_as_the_plan_does(opened):
    lengths = [0.0, 0.3048, 3.048, 4.572, 4.5721, 4.575, 6.438, 15.24, 99.999, 2247.3]
    bearings = [0, 2.1, 11.2, 11.3, 40, 40.5, 89.5, 200.4, 337.5, 348.8, 359.4, 359.5, 359.9]
    told = opened.run(
        f"return [{lengths}.map(gridground.feet), {bearings}.map(gridground.bearing)]"
    )
    assert told == [list(map(feet_text, lengths)), list(map(bearing_text, bearings))]


def test_lengths_in_feet_in_metres_and_in_both(opened):
    assert pressed(opened) == ["Both"]
    assert rod(opened) == "15 ft 8 in (4.75 m)"
    press(opened, "feet")
    assert (pressed(opened), rod(opened)) == (["Feet"], "15 ft 8 in")
    press(opened, "metres")
    assert (pressed(opened), rod(opened)) == (["Metres"], "4.75 m")
    for part in ("#leads", "#steps", "#approach", "#rod-zone"):
        shown = opened.run(f"return document.querySelector('{part}').innerText")
        assert not re.search(r"\d ft\b", shown)
    press(opened, "both")
    assert rod(opened) == "15 ft 8 in (4.75 m)"
    # Nothing is taken out of the page, only hidden: it is still whole.
    assert opened.run("return gridground.faults()") == []
    assert opened.complaints() == []


def test_the_map_and_its_panel_follow(opened):
    word = "return document.querySelector('.mk-rod .mk-word').innerText"
    opened.run("gridground.map.setZoom(22, {animate: false})")
    assert opened.run(word).startswith("rod 15 ft 8 in, ")
    press(opened, "metres")
    assert opened.run(word).startswith("rod 4.75 m, ")
    opened.run("document.querySelectorAll('#buttons button')[1].click()")
    panel = opened.run("return document.getElementById('panel').innerText")
    assert "Rod 4.75 m from the pole" in panel
    assert " ft" not in panel.split("Prepare")[0]


def test_the_choice_is_kept_for_this_plan_only(opened, page):
    press(opened, "metres")
    keys = opened.run("return Object.keys(localStorage)")
    plan = finished(example_document())
    assert keys == [f"gridground:{plan['job_id']}:{plan['plan_hash']}:units"]
    opened.driver.refresh()
    assert (pressed(opened), rod(opened)) == (["Metres"], "4.75 m")
    opened.open(page_html(finished(settled_document())))
    assert pressed(opened) == ["Both"]


def test_a_strange_choice_is_both(opened):
    plan = finished(example_document())
    key = f"gridground:{plan['job_id']}:{plan['plan_hash']}:units"
    opened.run("localStorage.setItem(arguments[0], '<b>')", key)
    opened.driver.refresh()
    assert pressed(opened) == ["Both"]


def test_paper_and_scriptless_pages_show_both(opened, page):
    press(opened, "metres")
    opened.command("Emulation.setEmulatedMedia", media="print")
    assert "15 ft 8 in (4.75 m)" in opened.run(f"return {ROD_CELL}.innerText")
    opened.command("Emulation.setEmulatedMedia", media="")


def test_without_script_every_note_is_there(scriptless, page):
    scriptless.open(page)
    body = scriptless.driver.find_element("id", "sources").text
    assert "Rating of a lead." in body
    assert example_document()["leads"][0]["source"] in body
    assert "Touch a figure" not in body
    assert "15 ft 8 in (4.75 m)" in scriptless.driver.find_element("id", "locations").text
    assert not scriptless.driver.find_elements("css selector", ".fig")


def test_touching_a_figure_says_where_it_comes_from(opened):
    opened.run("document.querySelector('#leads td[data-th=Rating] .fig').click()")
    text = opened.run("return document.querySelector('dialog[open]').innerText")
    assert text.startswith("Rating: ")
    assert example_document()["leads"][0]["source"] in text
    assert opened.run("return document.activeElement.textContent") == "Close"
    box = opened.run(
        "var b = document.activeElement.getBoundingClientRect(); return [b.width, b.height];"
    )
    assert min(box) >= 44
    assert opened.complaints() == []


def test_it_works_from_the_keyboard(opened):
    from selenium.webdriver.common.keys import Keys

    figure = opened.driver.find_element("css selector", "#leads td[data-th=Current] .fig")
    figure.send_keys(Keys.ENTER)
    assert opened.run("return document.querySelectorAll('dialog[open]').length") == 1
    opened.driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert opened.run("return document.querySelectorAll('dialog[open]').length") == 0
    assert opened.run("return document.activeElement === arguments[0]", figure)


def test_every_figure_opens_its_note(opened):
    wrong = opened.run(
        "return [...document.querySelectorAll('.fig')].filter(button => { button.click();"
        "const box = document.querySelector('dialog[open]'); const note = document.getElementById("
        "'why-' + button.parentNode.dataset.why);"
        "const shown = box && box.querySelector('.why-note');"
        "const good = shown && shown.textContent.trim() === note.textContent.trim();"
        "if (box) { box.close(); } return !good; }).map(b => b.textContent);"
    )
    assert wrong == []
    assert opened.run("return document.querySelectorAll('.fig').length") >= 60


def test_the_dialog_fits(opened):
    for size in ((390, 844), (768, 1024), (1180, 820)):
        opened.size(*size)
        opened.run("document.querySelector('#leads td[data-th=Rating] .fig').click()")
        left, right, bottom = opened.run(
            "var b = document.querySelector('dialog').getBoundingClientRect();"
            "return [b.left, b.right, b.bottom];"
        )
        assert left >= 0
        assert right <= size[0]
        assert bottom <= size[1]
        opened.run("document.querySelector('dialog').close()")


def test_hostile_text_in_a_note_is_text(browser):
    browser.open(page_html(finished(hostile_document())))
    browser.run("[...document.querySelectorAll('.fig')].slice(0, 40).forEach(b => b.click())")
    browser.run("document.querySelector('#units [data-units=metres]').click()")
    assert browser.run("return window.__xss === undefined")
    assert browser.run("return document.querySelectorAll('dialog img, dialog script').length") == 0
    assert "<img src=x" in browser.run("return document.querySelector('dialog').textContent")
    assert browser.complaints() == []
