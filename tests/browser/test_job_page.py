"""The job map in a real browser: offline, cut off, without script, hostile, small, on paper."""

from __future__ import annotations

import base64
import io
import json
import re
import unicodedata

import pytest

from gridground.jobmap.page import page_html
from gridground.jobmap.words import printable
from tests.plan_example import (
    HOSTILE,
    crowded_document,
    example_document,
    finished,
    hostile_document,
    settled_document,
)

pytestmark = pytest.mark.browser

SIZES = [(390, 844), (768, 1024), (1180, 820), (1440, 900)]
LETTER, A4 = (8.5, 11.0), (8.27, 11.69)
NOT_FOR_USE = "NOT FOR USE"


def squeezed(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def settled():
    return page_html(finished(settled_document()))


@pytest.fixture(scope="module")
def opened():
    return page_html(finished(example_document()))


@pytest.fixture(scope="module")
def hostile():
    return page_html(finished(hostile_document()))


def step_texts(document):
    return [step["text"] for part in document["steps"].values() for step in part]


def test_nothing_is_asked_for_and_nothing_complains(browser, opened):
    address = browser.open(opened)
    for button in browser.driver.find_elements("css selector", "#buttons button"):
        if button.text != "Where am I":
            button.click()
    browser.size(390, 844)
    assert browser.requests() == [address]
    assert browser.complaints() == []


def test_map_is_drawn_with_every_mark(browser, opened):
    browser.open(opened)
    assert browser.run("return gridground.drawn.length") == 6
    assert browser.run("return document.querySelectorAll('.mk-ground').length") == 3
    assert browser.run("return document.querySelectorAll('.mk-rod').length") == 2
    assert browser.run("return document.querySelectorAll('.mk-cone').length") == 36
    assert browser.run("return document.querySelectorAll('.mk-way').length") == 2
    assert browser.run("return document.querySelectorAll('.mk-pole').length") == 6
    assert browser.run("return gridground.map.getMaxZoom()") >= 21
    assert (
        browser.run("return getComputedStyle(document.getElementById('sketch')).display") == "none"
    )


def test_whole_job_is_in_sight(browser, opened):
    for size in SIZES:
        browser.size(*size)
        browser.open(opened)
        inside = browser.run(
            "var b = gridground.map.getBounds();"
            "return gridground.plan.locations.every(l => b.contains([l.lat, l.lon]));"
        )
        assert inside, size


def test_open_plan_says_so(browser, opened):
    browser.open(opened)
    assert browser.status().startswith("NOT READY: 2 open items")


def test_settled_plan_says_so(browser, settled):
    browser.open(settled)
    assert browser.status().startswith("READY per plan")


def test_failed_check_says_so(browser):
    document = settled_document()
    document["checks"][0]["passed"] = False
    browser.open(page_html(finished(document)))
    assert browser.status().startswith("NOT READY: 1 failed check")


def test_sha256_is_the_published_one(browser, opened):
    """FIPS 180-4 example messages, and the padding's edges against the standard library."""
    import hashlib

    browser.open(opened)
    published = {
        "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
        ),
    }
    texts = [*published, *("x" * size for size in (0, 55, 56, 63, 64, 119, 120, 1000)), "Ω° 漢 😀"]
    found = browser.run("return arguments[0].map(gridground.sha256)", texts)
    for text, digest in zip(texts, found, strict=True):
        assert digest == published.get(text, hashlib.sha256(text.encode()).hexdigest())


def cuts(page: bytes) -> list[int]:
    """Return where to cut: all along, and just before what the check leans on."""
    marks = (b'<script type="application/json"', b"gridground.surroundings(", b'<div id="page-end"')
    places = [int(len(page) * part / 12) for part in range(1, 12)]
    for mark in marks:
        spot = page.rindex(mark)
        places += [spot, spot + len(mark), spot + len(mark) + 40]
    return [
        *places,
        page.rindex(b"controls("),
        page.rindex(b"</script>"),
        page.rindex(b"data-plan"),
    ]


def test_cut_off_page_never_says_ready(browser, settled):
    page = settled.encode()
    for place in cuts(page):
        browser.open(page[:place])
        text = browser.run("return document.body ? document.body.innerText : '';")
        assert not re.search(r"\bREADY\b", text), place
        status = browser.status()
        assert not status or status.startswith(NOT_FOR_USE), place


def test_without_the_last_element_it_is_not_whole(browser, settled):
    browser.open(re.sub(r'<div id="page-end"[^>]*></div>', "", settled))
    assert browser.status().startswith(NOT_FOR_USE)
    assert "end of the page" in browser.status()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (
            "Drive the rod full depth, 15 ft 8 in (4.75 m) from P19 at 20°.</span>",
            "Skip it.</span>",
        ),
        ('<span data-word="to">neutral</span>', '<span data-word="to">A</span>'),
        ('id="plan-data">"{', 'id="plan-data"> "{'),
        ('id="plan-data">"{', 'id="plan-data">"{ '),
        ("'approach':[", "'approacH':["),
        ("must be P19. </b>", "must be P18. </b>"),
        ("<dt>In all</dt>", "<dt>In part</dt>"),
        (".status.open{", ".status.opem{"),
        ('class="page"', 'class="pages"'),
        ("<!DOCTYPE html>", "<!DOCTYPE htm>"),
        ("default-src", "default-srk"),
        ('class="status wait"', 'class="status whole"'),
        ("gridground.zones(map_job);", ""),
        ('<span data-word="size">2/0</span>', '<span data-word="size">4/0</span>'),
    ],
)
def test_altered_page_is_not_whole(browser, settled, old, new):
    assert old in settled
    altered = settled.replace(old, new, 1)
    # The policy refuses a changed script of its own accord; then nothing is drawn.
    browser.open(altered)
    assert browser.status().startswith(NOT_FOR_USE)


def test_open_items_taken_out_of_the_page_are_missed(browser, opened):
    browser.open(re.sub(r"<li data-open.*?</li>", "", opened, flags=re.DOTALL))
    assert browser.status().startswith(NOT_FOR_USE)


def test_without_script_all_is_there(scriptless, settled):
    document = finished(settled_document()).document
    scriptless.open(settled)
    text = squeezed(scriptless.driver.find_element("tag name", "body").text)
    assert NOT_FOR_USE in text
    assert not re.search(r"\bready\b", text, re.IGNORECASE)
    wanted = step_texts(document) + [pole["pole_id"] for pole in document["picture"]["poles"]]
    wanted += [document["title"], document["plan_hash"], "Planning department, short-circuit study"]
    wanted += [lead["lead_id"] for lead in document["leads"]]
    assert [word for word in wanted if word not in text] == []
    shown = scriptless.driver.find_element("css selector", "#sketch svg")
    assert shown.is_displayed()
    assert not scriptless.driver.find_element("id", "buttons").is_displayed()


def test_hostile_text_is_shown_and_not_run(browser, hostile):
    document = hostile_document()
    address = browser.open(hostile)
    for button in browser.driver.find_elements("css selector", "#buttons button")[:-1]:
        browser.run("arguments[0].click()", button)
    assert browser.run("return window.__xss") is None
    assert browser.run("return document.images.length") == 0
    assert browser.requests() == [address]
    assert browser.complaints() == []
    assert browser.status().startswith("NOT READY: 2 open items")
    text = squeezed(browser.run("return document.body.textContent"))
    for step in step_texts(document):
        assert squeezed(printable(step)) in text
    labels = browser.run(
        "return [...document.querySelectorAll('.mk-word')].map(n => n.textContent)"
    )
    assert f"P19{printable(HOSTILE)}" in labels


def test_injected_markup_is_stopped_by_the_policy(browser, opened):
    """The second wall alone: markup put into the finished page by hand does not run."""
    bad = '<img src=x onerror="window.__xss=1"><script>window.__xss=2</script>'
    address = browser.open(opened.replace('<nav class="jump"', f'{bad}<nav class="jump"', 1))
    assert browser.run("return window.__xss") is None
    assert [url for url in browser.requests() if url.startswith("http")] == []
    assert address


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", ["opened", "hostile"])
def test_nothing_runs_out_sideways(browser, request, size, page):
    browser.size(*size)
    browser.open(request.getfixturevalue(page))
    browser.run("document.querySelectorAll('#buttons button')[1].click()")
    assert browser.run("return document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("size", SIZES)
def test_targets_are_large_and_apart(browser, opened, size):
    browser.size(*size)
    browser.open(opened)
    browser.run("document.querySelectorAll('#buttons button')[1].click()")
    boxes = browser.run(
        "return [...document.querySelectorAll('button, a, input, summary, [role=button]')]"
        ".map(n => [n, n.getBoundingClientRect()]).filter(p => p[1].width)"
        ".map(p => [p[0].textContent, p[1].left, p[1].top + scrollY, p[1].width, p[1].height]);"
    )
    assert len(boxes) >= 12
    for name, _, _, width, height in boxes:
        assert width >= 44, name
        assert height >= 44, name
    for number, (name, x, y, width, height) in enumerate(boxes):
        for other, x2, y2, width2, height2 in boxes[number + 1 :]:
            across = max(x2 - x - width, x - x2 - width2)
            down = max(y2 - y - height, y - y2 - height2)
            assert max(across, down) >= 7.9, (name, other)


CONTRAST = """
function light(c) { return c.map(v => { v /= 255; return v <= .04045 ? v / 12.92 : Math.pow((v + .055) / 1.055, 2.4); })
  .reduce((s, v, i) => s + v * [.2126, .7152, .0722][i], 0); }
function parse(t) { return (t.match(/[\\d.]+/g) || [255, 255, 255, 0]).map(Number); }
function ground(n) { for (; n; n = n.parentElement) { const c = parse(getComputedStyle(n).backgroundColor);
  if (c.length < 4 || c[3] > .99) { return c.slice(0, 3); } } return [255, 255, 255]; }
const bad = [];
for (const n of document.querySelectorAll('body *')) {
  if (![...n.childNodes].some(c => c.nodeType === 3 && c.data.trim()) || !n.getClientRects().length) { continue; }
  const svg = n.namespaceURI.endsWith('svg');
  const fore = parse(getComputedStyle(n)[svg ? 'fill' : 'color']).slice(0, 3);
  const back = svg && n.getAttribute('class') === 'sk-ground-letter' ? [0, 0, 0] : ground(svg ? n.ownerSVGElement : n);
  const a = light(fore), b = light(back), r = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
  if (r < 7 && !n.closest('.leaflet-disabled')) { bad.push([n.className, n.textContent.slice(0, 30), r]); }
}
return bad;
"""  # noqa: E501


def test_text_stands_out_seven_to_one(browser, opened):
    for size in ((390, 844), (1440, 900)):
        browser.size(*size)
        browser.open(opened)
        assert browser.run(CONTRAST) == []


def test_tap_opens_the_pole(browser, opened):
    browser.size(390, 844)
    browser.open(opened)
    browser.run(
        "var m = gridground.map, l = gridground.plan.locations[0];"
        "m.fire('click', { latlng: m.containerPointToLatLng("
        "m.latLngToContainerPoint([l.lat, l.lon]).add([10, 8])) });"
    )
    text = squeezed(browser.driver.find_element("id", "panel").text)
    assert text.startswith("L1 P19")
    assert "P19-2: bar → neutral, 2/0, 10 ft" in text
    assert "Drive the rod full depth, 15 ft 8 in (4.75 m) from P19 at 20°." in text
    assert "P21-1" not in text
    browser.run("document.querySelector('#panel button').click()")
    assert not browser.driver.find_element("id", "panel").is_displayed()


def test_refused_position_is_said_and_blocks_nothing(browser, opened):
    browser.command("Browser.setPermission", permission={"name": "geolocation"}, setting="denied")
    browser.open(opened)
    browser.run("document.querySelectorAll('#buttons button')[4].click()")
    wait_for(browser, "return document.getElementById('panel').innerText", "refused")
    browser.run("document.querySelectorAll('#buttons button')[0].click()")
    assert browser.run("return document.querySelector('#buttons button').ariaPressed") == "true"


def wait_for(browser, script, word):
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(browser.driver, 10).until(lambda _: word in (browser.run(script) or ""))


def printed(browser, paper):
    """Return the text of each printed page."""
    pypdf = pytest.importorskip("pypdf")
    done = browser.command(
        "Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1], printBackground=False
    )
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(done["data"]))).pages
    assert float(pages[0].mediabox.width) == pytest.approx(paper[0] * 72, abs=1)
    # Fonts join letters (fi): compatibility decomposition takes them apart again.
    return [squeezed(unicodedata.normalize("NFKC", page.extract_text())) for page in pages]


@pytest.mark.parametrize("paper", [LETTER, A4], ids=["letter", "a4"])
def test_paper_holds_every_step_and_the_hash_on_each_page(browser, opened, paper):
    document = finished(example_document()).document
    browser.open(opened)
    pages = printed(browser, paper)
    text = "".join(" ".join(pages).split())
    for step in step_texts(document):
        assert "".join(step.split()) in text
    for number, page in enumerate(pages, start=1):
        assert document["plan_hash"] in page
        assert f"page {number} of {len(pages)}" in page
    assert "NOT READY: 2 open items" in pages[0]
    assert "Whole job" not in " ".join(pages)
    assert "D1 source: F1" in " ".join(pages)


def test_paper_repeats_table_heads(browser):
    document = example_document()
    row = document["leads"][1]
    document["leads"] += [{**row, "lead_id": f"X{number}"} for number in range(60)]
    browser.open(page_html(finished(document)))
    heads = [page for page in printed(browser, LETTER) if "Clamps needed, from / to" in page]
    assert len(heads) >= 2


def test_paper_without_script_is_not_for_use(scriptless, settled):
    scriptless.open(settled)
    pages = printed(scriptless, A4)
    assert NOT_FOR_USE in pages[0]
    assert not re.search(r"\bready\b", " ".join(pages), re.IGNORECASE)


def check_ready_in_time(browser, page, word):
    """Ready within 2 s at a sixth of the speed, the quickest of some openings.

    Where other work keeps the machine busy the clock says nothing of the page: what counts then is
    six times what its thread has worked at full speed.
    """
    times = []
    for rate in (*(6,) * 6, *(1,) * 8):
        browser.command("Emulation.setCPUThrottlingRate", rate=rate)
        browser.command("Performance.enable", timeDomain="threadTicks")
        browser.open(page)
        ready_ms = browser.run(
            "var t = performance.getEntriesByType('navigation')[0];"
            "return t.domContentLoadedEventEnd - t.startTime;"
        )
        found = browser.command("Performance.getMetrics")["metrics"]
        worked_s = next(row["value"] for row in found if row["name"] == "TaskDuration")
        browser.command("Performance.disable")
        times.append(ready_ms if rate == 6 else 6 * 1000 * worked_s)
        assert browser.status().startswith(word)
        if times[-1] <= 2000:
            return
    pytest.fail(json.dumps(times))


@pytest.mark.slow
@pytest.mark.alone
def test_a_slow_tablet_is_ready_within_two_seconds(browser):
    check_ready_in_time(browser, page_html(finished(crowded_document())), "NOT READY")
