"""The sheets on paper in a real browser: letter and A4, alone, together, hostile, altered."""

from __future__ import annotations

import base64
import io
import random
import re
import unicodedata

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground import pdf
from gridground.jobmap.page import page_html
from gridground.jobmap.sheets import SHEETS
from gridground.jobmap.words import printable
from tests.plan_example import (
    HOSTILE,
    example_document,
    finished,
    hostile_document,
    settled_document,
)

pytestmark = pytest.mark.browser

LETTER, A4 = (8.5, 11.0), (8.27, 11.69)
PAPERS = pytest.mark.parametrize("paper", [LETTER, A4], ids=["letter", "a4"])
POINTS_PER_MM = 72 / 25.4


def bare(text: str) -> str:
    """Return text without blanks, joined letters (fi) taken apart."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def read(page) -> str:
    """Return the text of a printed page."""
    return unicodedata.normalize("NFKC", page.extract_text())


@pytest.fixture(scope="module")
def switched():
    """A plan with a clearance: devices to open in order, equipment, ways in, another crew."""
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    jobs = ROOT / "sample_data" / "jobs"
    other = gg.plan_job(territory, gg.read_job(jobs / "01-straight.toml"))
    return gg.plan_job(territory, gg.read_job(jobs / "08-gang-switch.toml"), others=[other])


def printed(browser, paper):
    """Return the printed pages."""
    pypdf = pytest.importorskip("pypdf")
    done = browser.command(
        "Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1], printBackground=False
    )
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(done["data"]))).pages
    for page in pages:
        assert float(page.mediabox.width) == pytest.approx(paper[0] * 72, abs=1)
        assert float(page.mediabox.height) == pytest.approx(paper[1] * 72, abs=1)
    return list(pages)


def choose(browser, sheet):
    browser.run("document.documentElement.setAttribute('data-print', arguments[0])", sheet)


def sheet_pages(browser, html, sheet, paper):
    browser.open(html)
    choose(browser, sheet)
    return printed(browser, paper)


def check_margins(pages, document, state):
    """Every page: what it is of, whether it may be used, hash, number; and more than margins."""
    for number, page in enumerate(pages, start=1):
        text = read(page)
        assert document["plan_hash"] in text
        assert f"page {number} of {len(pages)}" in text
        assert document["job_id"] in text
        states = [line for line in text.splitlines() if state in line and "Settle" not in line]
        assert states, (number, text)
        margins = (document["plan_hash"], document["job_id"], state, f"page {number} of", "Job")
        left = bare(text)
        for words in (*margins, *SHEETS.values()):
            left = left.replace(bare(words), "")
        assert len(left) > 40, f"page {number} is blank: {text}"


def spots(page):
    """Return where each piece of text begins, in points from the left, with the text."""
    found = []

    def visit(text, cm, tm, _font, _size):
        if text.strip():
            found.append((tm[4] * cm[0] + cm[4], text))

    page.extract_text(visitor_text=visit)
    return found


@PAPERS
@pytest.mark.parametrize("sheet", SHEETS)
def test_each_sheet_alone_with_its_margins(browser, switched, sheet, paper):
    pages = sheet_pages(browser, page_html(switched), sheet, paper)
    assert 1 <= len(pages) <= 7
    check_margins(pages, switched.document, "READY per plan")
    heads = {line for page in pages for line in read(page).splitlines()[:1]}
    assert all(head.startswith(SHEETS[sheet]) for head in heads), heads
    for page in pages:
        for left, words in spots(page):
            inside = 10 * POINTS_PER_MM < left < paper[0] * 72 - 11 * POINTS_PER_MM
            assert inside, (left, words)


@PAPERS
def test_crew_sheet_holds_every_step_lead_and_pole(browser, switched, paper):
    document = switched.document
    pages = sheet_pages(browser, page_html(switched), "crew", paper)
    text = bare(" ".join(read(page) for page in pages))
    for rows in document["steps"].values():
        for step in rows:
            assert bare(step["text"]) in text
    for lead in document["leads"]:
        start, end = (lead.get(f"{way}_said", lead[way]) for way in ("from", "to"))
        assert "@" not in start + end
        assert bare(f"{start} → {end}") in text
    for location in document["locations"]:
        assert bare(location["pole_id"]) in bare(read(pages[0]))
    for trigger in document["triggers"]:
        assert bare(trigger) in text


@PAPERS
def test_dispatcher_sheet_holds_the_devices_in_order(browser, switched, paper):
    pages = sheet_pages(browser, page_html(switched), "dispatcher", paper)
    text = bare(" ".join(read(page) for page in pages))
    places = []
    for row in switched["clearance"]["open"]:
        shown = row["text"] if row["recorded"] == "open" else row["steps"][0]["text"]
        places.append(text.index(bare(shown)))
    assert len(places) >= 3
    assert places == sorted(places)
    for row in switched["clearance"]["equipment"]:
        if row["kind"] == "transformer":
            assert bare(f"{row['equipment_id']} at {row['pole_id']}") in text
    assert bare("straight-01") in text
    assert bare(switched["clearance"]["holder"]) in text


@PAPERS
def test_briefing_and_truck_list(browser, switched, paper):
    pages = sheet_pages(browser, page_html(switched), "briefing", paper)
    text = bare(" ".join(read(page) for page in pages))
    titles = ("Hazards", "Work procedures", "Special precautions", "Energy-source control")
    titles += ("Personal protective equipment requirements",)
    places = [text.index(bare(f"{number}. {title}")) for number, title in enumerate(titles, 1)]
    assert places == sorted(places)
    pages = sheet_pages(browser, page_html(switched), "truck", paper)
    text = bare(" ".join(read(page) for page in pages))
    for row in switched["materials"]:
        assert bare(row["item"]) in text


@PAPERS
@pytest.mark.parametrize("sheet", [*SHEETS, "all"])
def test_a_plan_that_is_not_ready_says_so_on_every_page(browser, sheet, paper):
    document = finished(example_document()).document
    browser.open(page_html(finished(example_document())))
    if sheet != "all":
        choose(browser, sheet)
    pages = printed(browser, paper)
    check_margins(pages, document, "NOT READY: 2 open items")
    assert "READY per plan" not in " ".join(read(page) for page in pages)


def test_everything_comes_in_order_without_script(scriptless):
    """A plan that could be ready: without script nothing says so, on no page."""
    document = finished(settled_document()).document
    scriptless.open(page_html(finished(settled_document())))
    pages = printed(scriptless, LETTER)
    check_margins(pages, document, "NOT FOR USE")
    text = " ".join(read(page) for page in pages)
    assert not re.search(r"\bready\b", text, re.IGNORECASE)
    starts = [
        next(n for n, page in enumerate(pages) if read(page).startswith(title))
        for title in (*SHEETS.values(), "Whole plan")
    ]
    assert starts == sorted(set(starts))


def test_everything_says_it_once_and_the_whole_plan_says_it_all(browser, switched):
    """Steps stand on the crew sheet or in the whole plan, not twice in one print."""
    document = switched.document
    steps = [bare(row["text"]) for part in document["steps"].values() for row in part]
    browser.open(page_html(switched))
    texts = {}
    for key in ("all", "plan", "sheets"):
        browser.run(
            "var r = document.documentElement; if (arguments[0] === 'all')"
            "{ r.removeAttribute('data-print'); } else { r.dataset.print = arguments[0]; }",
            key,
        )
        pages = printed(browser, LETTER)
        check_margins(pages, document, "READY per plan")
        texts[key] = bare(" ".join(read(page) for page in pages)), len(pages)
    for text in steps:
        assert all(text in found for found, _ in texts.values()), text
    assert texts["all"][0].count(steps[0]) == 1
    assert texts["all"][1] <= 22
    assert texts["plan"][1] <= 14
    assert texts["sheets"][1] <= texts["all"][1] - 6
    for row in (*document["cautions"], *document["assumptions"]):
        assert bare(row["text"]) in texts["all"][0]
        assert bare(row["text"]) in texts["plan"][0]


def test_without_script_a_plan_that_is_not_ready_says_so(scriptless):
    document = finished(example_document()).document
    scriptless.open(page_html(finished(example_document())))
    check_margins(printed(scriptless, A4), document, "NOT READY")


@PAPERS
@pytest.mark.parametrize("sheet", SHEETS)
def test_hostile_text_is_printed_and_not_run(browser, sheet, paper):
    plan = finished(hostile_document())
    address = browser.open(page_html(plan))
    choose(browser, sheet)
    pages = printed(browser, paper)
    assert browser.run("return window.__xss") is None
    assert browser.requests() == [address]
    assert browser.complaints() == []
    text = bare(" ".join(read(page) for page in pages))
    assert bare('<img src=x onerror="window.__xss=1">') in text
    assert bare("{{ 7*191 }}") in text
    assert "1337" not in text
    assert browser.run("return document.documentElement.scrollWidth") <= 1440
    shown = browser.run(
        "return document.querySelector('.sheet-' + arguments[0]).textContent", sheet
    )
    assert bare(printable(HOSTILE)) in bare(shown)
    for page in pages:
        assert plan["plan_hash"] in read(page)


def test_table_heads_repeat_and_no_row_is_cut(browser):
    document = example_document()
    row = document["leads"][1]
    document["leads"] += [{**row, "lead_id": f"X{number}"} for number in range(90)]
    step = document["steps"]["apply"][0]
    document["steps"]["apply"] += [
        {**step, "text": f"Begin{number} " + "and so on and on " * 14 + f"End{number}"}
        for number in range(40)
    ]
    pages = sheet_pages(browser, page_html(finished(document)), "crew", LETTER)
    found = [read(page) for page in pages]
    with_leads = [text for text in found if len(re.findall(r"\bX\d+ +P\d", text)) > 5]
    assert len(with_leads) >= 2
    assert all("Two ends" in text for text in with_leads)
    for number in range(40):
        begins = [n for n, text in enumerate(found) if f"Begin{number} " in text]
        ends = [n for n, text in enumerate(found) if re.search(rf"End{number}\b", text)]
        assert begins == ends
        assert len(begins) == 1
    assert sum("Done" in text for text in found) >= 3


def test_longest_job_id_leaves_room_in_the_margins(browser):
    document = example_document()
    document["job_id"] = "W" * 64
    document["revision"] = 12
    pages = sheet_pages(browser, page_html(finished(document)), "dispatcher", A4)
    text = " ".join(read(pages[0]).split())
    assert f"Job {'W' * 64} revision 12 plan {document['plan_hash']}" in text
    # The W of Liberation Sans by its own table of widths, and the word before it.
    wide_pt = 64 * 7.5 * 1933 / 2048 + 4 * 7.5
    number = [left for left, words in spots(pages[0]) if words.startswith("page ")]
    assert number
    assert min(number) > 11 * POINTS_PER_MM + wide_pt


def test_address_chooses_sheet_and_paper(browser):
    browser.open(page_html(finished(example_document())))
    address = browser.run("return location.href")
    browser.driver.get("about:blank")
    browser.driver.get(f"{address}#print=truck&paper=a4")
    assert browser.run("return document.documentElement.dataset.print") == "truck"
    done = browser.command("Page.printToPDF", preferCSSPageSize=True)
    pypdf = pytest.importorskip("pypdf")
    page = pypdf.PdfReader(io.BytesIO(base64.b64decode(done["data"]))).pages[0]
    assert float(page.mediabox.width) == pytest.approx(210 * POINTS_PER_MM, abs=1)
    for wrong in ("#print=toString", "#print=all", "#print=crew&paper=constructor"):
        browser.driver.get("about:blank")
        browser.driver.get(address + wrong)
        assert browser.status().startswith("NOT READY: 2 open items")


def test_buttons_choose_one_sheet_and_let_go_of_it(browser):
    browser.size(390, 844)
    browser.open(page_html(finished(example_document())))
    browser.run(
        "window.asked = []; window.print = () => asked.push(document.documentElement.dataset.print)"
    )
    found = browser.driver.find_elements("css selector", "#print-buttons button")
    more = ["All four sheets", "Whole plan", "Everything"]
    assert [one.text for one in found] == [*SHEETS.values(), *more]
    for one in found:
        assert one.size["height"] >= 44
        assert one.size["width"] >= 44
        browser.run("arguments[0].click()", one)
    assert browser.run("return window.asked") == [*SHEETS, "sheets", "plan", None]
    choose(browser, "crew")
    browser.run("window.dispatchEvent(new Event('afterprint'))")
    assert browser.run("return document.documentElement.dataset.print || ''") == ""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Off must equal on", "Off may differ from on"),
        ("<b>rod → bar</b>", "<b>rod → A</b>"),
        ('href="#inset-1"', 'href="#inset-2"'),
        ('class="box"', 'class="bax"'),
        ('<section class="sheet sheet-truck"', '<section class="sheet sheet-trick"'),
    ],
)
def test_an_altered_sheet_is_not_for_use(browser, old, new):
    html = page_html(finished(settled_document()))
    assert old in html
    browser.open(html.replace(old, new, 1))
    assert browser.status().startswith("NOT FOR USE")
    pages = sheet_pages(browser, html.replace(old, new, 1), "crew", LETTER)
    assert all("NOT FOR USE: this page is not whole" in read(page) for page in pages)


def test_one_flipped_bit_in_a_sheet_is_noticed(browser):
    """Anywhere in the sheets: either the page says so, or the browser made the same of it."""
    page = page_html(finished(settled_document())).encode()
    begin, end = page.index(b'<div id="sheets"'), page.index(b'<header class="top"')
    # blanks say nothing: a lost end tag that the next element replaces only moves one
    made = (
        "return document.querySelector('#sheets').innerHTML.replace(/<p class=.state.*?<.p>/g, '')"
        ".replace(/\\s+/g, '')"
    )
    browser.open(page)
    assert browser.status().startswith("READY per plan")
    whole, noticed = browser.run(made), 0
    chance = random.Random(269)  # noqa: S311  places, no secrets
    for place in (chance.randrange(begin, end) for _ in range(30)):
        browser.open(page[:place] + bytes([page[place] ^ 1]) + page[place + 1 :])
        if browser.status().startswith("NOT FOR USE"):
            noticed += 1
            continue
        assert browser.run(made) == whole, page[place - 30 : place + 30]
    assert noticed >= 20


@pytest.mark.parametrize(
    ("job", "tall"), [("01-straight", False), ("18-crossing", True), ("04-t-junction", True)]
)
def test_the_map_takes_the_room_it_needs(browser, job, tall):
    """A flat job lies over the whole width of the crew sheet, a tall one takes half of it."""
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    plan = gg.plan_job(territory, gg.read_job(ROOT / "sample_data" / "jobs" / f"{job}.toml"))
    browser.open(page_html(plan))
    choose(browser, "crew")
    browser.size(733, 1000)  # 194 mm
    browser.command("Emulation.setEmulatedMedia", media="print")
    sizes = browser.run(
        "var s = document.querySelector('.sheet-map svg'), b = s.getBoundingClientRect(),"
        "v = s.viewBox.baseVal, k = Math.min(b.width / v.width, b.height / v.height);"
        "return [v.width * k / innerWidth, v.height * k / innerWidth, b.width, v.width * k]"
    )
    wide, high, box, drawn = sizes
    assert drawn > 0.9 * box
    assert wide > (0.44 if tall else 0.95)
    assert high > (0.3 if tall else 0.15)


def test_sheets_are_not_on_the_screen(browser):
    browser.open(page_html(finished(example_document())))
    assert not browser.driver.find_element("id", "sheets").is_displayed()
    assert browser.driver.find_element("id", "print").is_displayed()


def test_the_engine_on_this_machine_prints_every_sheet(tmp_path):
    engine = pdf.find_engine()
    if engine is None:
        pytest.skip("no Chromium on the search path")
    pypdf = pytest.importorskip("pypdf")
    page = tmp_path / "page.html"
    plan = finished(example_document())
    page.write_text(page_html(plan), encoding="utf-8")
    found, failed = pdf.sheet_pdfs(page, paper="a4", engine=engine)
    assert failed == ()
    assert tuple(found) == pdf.SHEETS == tuple(SHEETS)
    for sheet, made in found.items():
        pages = pypdf.PdfReader(io.BytesIO(made)).pages
        assert float(pages[0].mediabox.height) == pytest.approx(297 * POINTS_PER_MM, abs=1)
        check_margins(pages, plan.document, "NOT READY: 2 open items")
        assert SHEETS[sheet] in read(pages[0])
