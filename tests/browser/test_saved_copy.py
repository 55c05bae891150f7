"""A copy that a browser saved, with what the scripts wrote and without script that looks at it."""

from __future__ import annotations

import base64
import io

import pytest

from gridground.jobmap.page import page_html
from gridground.record import Plan, plan_hash
from tests.plan_example import example_document, finished

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def ready():
    document = example_document()
    document["open_items"] = []
    return page_html(finished(document))


def on_paper(browser):
    pypdf = pytest.importorskip("pypdf")
    done = browser.command("Page.printToPDF", paperWidth=8.5, paperHeight=11)
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(done["data"]))).pages
    return [" ".join(page.extract_text().split()) for page in pages]


def test_a_copy_in_one_file_never_says_ready(browser, ready, tmp_path):
    """Such a file (MHTML) keeps what stood on the screen; its scripts never run again."""
    browser.open(ready)
    assert browser.status().startswith("READY")
    assert all("READY per plan" in page for page in on_paper(browser))
    browser.run("document.getElementById('task-open').click()")
    saved = browser.command("Page.captureSnapshot", format="mhtml")["data"]
    assert "READY per plan" in saved
    file = tmp_path / "saved.mhtml"
    file.write_text(saved)
    browser.driver.get(file.as_uri())
    shown = browser.run("return document.body.innerText")
    assert "READY per plan" not in shown
    assert not browser.run("return document.getElementById('task').checkVisibility()")
    before = browser.run(
        "return getComputedStyle(document.getElementById('status'), '::before').content"
    )
    assert before.startswith('"NOT FOR USE (a copy without script).')
    pages = on_paper(browser)
    assert all("NOT FOR USE" in page for page in pages)
    assert not any("READY per plan" in page for page in pages)


def test_a_copy_of_the_page_as_shown_is_not_whole(browser, ready):
    browser.open(ready)
    shown = browser.run("return '<!DOCTYPE html>' + document.documentElement.outerHTML")
    browser.open(shown)
    assert browser.status().startswith("NOT FOR USE: this page is not whole.")


def test_no_program_is_asked_to_put_its_own_words_or_links_into_the_page(ready):
    """A translated step is another step; a pole number is no telephone number."""
    head = ready[: ready.index("<title>")]
    assert ' translate="no">' in head
    assert 'name="format-detection" content="telephone=no' in head


def test_a_plan_that_calls_itself_ready_without_its_checks_is_not(browser):
    """Written by hand, with a hash of its own: what says nothing of leads and worker is open."""
    document = example_document()
    document["open_items"], document["checks"] = [], []
    plan = finished(document)
    altered = plan.document | {"ready": True}
    altered["plan_hash"] = plan_hash(altered)
    browser.open(page_html(Plan(altered)))
    assert browser.status().startswith("NOT READY: no check of lead rating and of worker voltage")
