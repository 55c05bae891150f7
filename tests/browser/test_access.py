"""The page for everybody: names, targets, contrast, keyboard, day and night; axe-core."""

from __future__ import annotations

import random
import re
import time
from importlib.resources import files

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.jobmap.page import page_html
from tests.browser.test_job_page import CONTRAST, check_ready_in_time
from tests.plan_example import example_document, finished, settled_document

pytestmark = pytest.mark.browser

RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, { resultTypes: ['violations'] }).then(
  found => done(found.violations.map(v => [v.impact, v.id, v.nodes.slice(0, 4).map(n => n.html.slice(0, 160))])),
  error => done([['failed', String(error), []]]));
"""  # noqa: E501
SCHEMES = ["light", "dark"]


@pytest.fixture(scope="module")
def axe():
    """The code of axe-core (Deque, MPL-2.0), as a package of the test extra carries it."""
    pytest.importorskip("axe_core_python")
    return (files("axe_core_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture(scope="module")
def settled():
    return page_html(finished(settled_document()))


@pytest.fixture(scope="module")
def opened():
    return page_html(finished(example_document()))


def scheme(browser, name):
    """Let the device ask for light or for dark."""
    features = [{"name": "prefers-color-scheme", "value": name}]
    browser.command("Emulation.setEmulatedMedia", media="", features=features)


def findings(browser, axe):
    """Return what axe-core calls serious or critical, and what it could not do."""
    # A script of the driver is not bound by the page's policy.
    browser.run(axe + "; window.axe = axe;")
    found = browser.driver.execute_async_script(RUN)
    return [row for row in found if row[0] in {"serious", "critical", "failed"}]


def test_axe_runs_and_sees_what_is_wrong(browser, axe, opened):
    """Two faults planted in the finished page are found, so that silence means something."""
    browser.open(opened)
    browser.run(
        "const b = document.createElement('button'); document.querySelector('main').append(b);"
        "const p = document.createElement('p'); p.textContent = 'faint'; p.style.color = '#ddd';"
        "p.style.background = '#fff'; document.querySelector('main').append(p);"
    )
    found = {row[1] for row in findings(browser, axe)}
    assert {"button-name", "color-contrast"} <= found


@pytest.mark.parametrize("light", SCHEMES)
@pytest.mark.parametrize("page", ["settled", "opened"])
def test_axe_finds_nothing_serious(browser, request, axe, page, light):
    scheme(browser, light)
    browser.size(390, 844)
    browser.open(request.getfixturevalue(page))
    assert findings(browser, axe) == []
    browser.run("document.querySelectorAll('#buttons button')[1].click()")
    browser.run("document.querySelector('#leads .fig').click()")
    assert findings(browser, axe) == []
    browser.run("document.querySelector('dialog').close()")
    browser.run("document.getElementById('task-open').click()")
    for view in ("step", "list", "out"):
        browser.run("document.querySelector(`.task [data-view='${arguments[0]}']`).click()", view)
        assert findings(browser, axe) == [], view


def test_axe_finds_nothing_serious_without_script(browser, axe, opened):
    """The page's own scripts taken out: what stands there is what is read without script."""
    browser.open(re.sub(r"<script.*?</script>", "", opened, flags=re.DOTALL))
    assert browser.status().startswith("NOT FOR USE until")
    assert findings(browser, axe) == []


@pytest.mark.parametrize("working", [False, True])
def test_text_stands_out_seven_to_one_at_night(browser, opened, working):
    """Outside of drawings, which keep their own black on white and are turned over as a whole."""
    scheme(browser, "dark")
    browser.size(390, 844)
    browser.open(opened)
    turned = browser.run(
        "return [...document.querySelectorAll('.leaflet-container, .place figure > svg')]"
        ".map(n => getComputedStyle(n).filter.startsWith('invert(0.94')).join()"
    )
    assert set(turned.split(",")) == {"true"}
    assert turned.count("true") > 3
    if working:
        browser.run("document.getElementById('task-open').click()")
    assert browser.run(CONTRAST) == []


def paper(browser, *, soon=None):
    """Return the colour of the page; `soon`: the one that the device's change brings."""
    for _ in range(100):
        found = browser.run("return getComputedStyle(document.documentElement).backgroundColor")
        if soon in {None, found}:
            break
        time.sleep(0.05)
    return found


def pressed(browser):
    return browser.run(
        "return [...document.querySelectorAll('#shades [aria-pressed=true]')].map(b => b.innerText)"
    )


def test_day_and_night_by_the_device_or_by_a_button(browser, settled):
    day, night = "rgb(255, 255, 255)", "rgb(16, 16, 16)"
    scheme(browser, "light")
    browser.open(settled)
    browser.run("localStorage.clear()")
    browser.driver.refresh()
    assert (paper(browser), pressed(browser)) == (day, ["As the device"])
    scheme(browser, "dark")
    assert paper(browser, soon=night) == night
    browser.run("document.querySelector('#shades [data-shade=day]').click()")
    assert (paper(browser), pressed(browser)) == (day, ["Day"])
    browser.driver.refresh()
    assert (paper(browser), pressed(browser)) == (day, ["Day"])
    plan = finished(settled_document())
    key = f"gridground:{plan['job_id']}:{plan['plan_hash']}:shade"
    assert browser.run("return localStorage.getItem(arguments[0])", key) == "day"
    scheme(browser, "light")
    browser.run("document.querySelector('#shades [data-shade=night]').click()")
    assert (paper(browser), pressed(browser)) == (night, ["Night"])
    assert browser.status().startswith("READY per plan")
    browser.command("Emulation.setEmulatedMedia", media="print", features=[])
    assert paper(browser) == day
    assert browser.run("return getComputedStyle(document.querySelector('svg.inset')).filter") == (
        "none"
    )


def press(browser, key, code):
    for kind in ("rawKeyDown", "keyUp"):
        browser.command(
            "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code
        )


def test_every_control_is_reached_by_keyboard_in_order_and_seen(browser, settled):
    browser.open(settled)
    wanted = browser.run(
        "return [...document.querySelectorAll('a[href], button, summary, input, [tabindex=\"0\"]')]"
        ".filter(n => n.getClientRects().length && !n.disabled).length"
    )
    found = []
    for _ in range(wanted):
        press(browser, "Tab", 9)
        found.append(
            browser.run(
                "const n = document.activeElement, s = getComputedStyle(n);"
                "n.dataset.met = (Number(n.dataset.met) || 0) + 1;"
                "return [n.textContent.trim().slice(0, 40), n.dataset.met, s.outlineStyle,"
                " parseFloat(s.outlineWidth)]"
            )
        )
    assert wanted > 30
    assert [row[0] for row in found[:3]] == ["Steps", "Map", "Poles"]
    assert [row for row in found if row[1] != "1" or row[2] == "none" or row[3] < 2] == []
    browser.run("document.querySelector('#leads .fig').focus()")
    press(browser, "Enter", 13)
    browser.run("document.activeElement.click()")
    assert browser.run("return document.querySelectorAll('dialog').length") == 1


def test_first_where_and_with_what_are_in_sight_on_a_phone(browser, settled):
    browser.size(390, 844)
    browser.open(settled)
    for selector in ("#status", ".begin > div:first-child b", ".begin-pole", ".begin .role"):
        bottom = browser.run(
            "return document.querySelector(arguments[0]).getBoundingClientRect().bottom", selector
        )
        assert bottom <= 844, selector
    with_what = browser.run(
        "return [...document.querySelectorAll('.begin dt')].find(n => n.innerText === 'In all')"
        ".getBoundingClientRect().bottom"
    )
    assert with_what <= 844
    tops = browser.run(
        "return [...document.querySelectorAll('.jump a')].filter(n => n.getClientRects().length)"
        ".map(n => n.getBoundingClientRect().top)"
    )
    assert len(tops) >= 5
    assert len(set(tops)) == 1


def test_a_page_cut_at_a_hundred_places_never_says_ready(browser, settled):
    page, chance = settled.encode(), random.Random(2026)  # noqa: S311  places, no secrets
    whole = page.index(b"</div>", page.index(b'id="page-end"'))
    for place in (chance.randrange(whole) for _ in range(100)):
        browser.open(page[:place])
        text = browser.run("return document.body ? document.body.innerText : ''")
        assert not re.search(r"\bREADY\b", text), place


def test_a_flipped_bit_never_shows_ready_with_other_content(browser, settled):
    """Anywhere in the page: it says that it is not whole, or the browser made the same of it."""
    page, chance = settled.encode(), random.Random(90210)  # noqa: S311  places, no secrets
    made = "return document.body.innerText + document.styleSheets.length"
    browser.open(page)
    assert browser.status().startswith("READY per plan")
    same, noticed = browser.run(made), 0
    spots = {
        word: (page.index(word), page.index(end, page.index(word)))
        for word, end in (
            (b"<!DOCTYPE", b"<style>"),
            (b"html.page{", b".sk-area"),
            (b'<div class="card">', b'<section id="open"'),
        )
    }
    places = [chance.randrange(len(page)) for _ in range(55)]
    places += [chance.randrange(*spot) for spot in spots.values() for _ in range(15)]
    for place in places:
        flipped = page[place] ^ (1 << chance.randrange(8))
        browser.open(page[:place] + bytes([flipped]) + page[place + 1 :])
        if re.search(r"\bREADY per plan\b", browser.run("return document.body.innerText")):
            assert browser.run(made) == same, page[max(0, place - 40) : place + 40]
        else:
            noticed += 1
    assert noticed >= 90


def test_signs_that_html_could_stumble_over_keep_the_hash(browser):
    document = settled_document()
    document["title"] = 'a < b & "c" > \\u003c \\\\u0026 \\ \u2028 d\\'
    browser.open(page_html(finished(document)))
    assert browser.status().startswith("READY per plan")


@pytest.mark.slow
@pytest.mark.alone
def test_the_largest_sample_is_ready_within_two_seconds_on_a_slow_tablet(browser):
    sample = ROOT / "sample_data"
    territory = gg.read_territory(sample / "territory")
    page = page_html(gg.plan_job(territory, gg.read_job(sample / "jobs" / "07-four-poles.toml")))
    assert len(page.encode()) <= 1_000_000
    check_ready_in_time(browser, page, "READY per plan")
