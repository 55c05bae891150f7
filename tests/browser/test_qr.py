"""The page's own QR encoder against an independent decoder, and against published code words."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gridground.jobmap.page import page_html
from tests.plan_example import finished, settled_document

pytestmark = pytest.mark.browser

# ISO/IEC 18004 Annex C and D, from memory: format words of level M, version words 7 and 21.
FORMATS_M = {
    0: "101010000010010",
    1: "101000100100101",
    2: "101111001111100",
    3: "101101101001011",
    4: "100010111111001",
    5: "100000011001110",
    6: "100111110010111",
    7: "100101010100000",
}
VERSIONS = {7: "000111110010010100", 21: "010101011010000011"}
# Table 7 of the same, from memory: bytes that fit at level M.
ROOM_M = {1: 14, 2: 26, 5: 84, 9: 180, 10: 213, 13: 331, 20: 666, 27: 1125, 40: 2331}


@pytest.fixture(scope="module")
def page():
    return page_html(finished(settled_document()))


def decoded(rows):
    """Return what zxing-cpp reads in a picture of the modules."""
    zxing = pytest.importorskip("zxingcpp")
    dark = np.pad(np.array(rows, dtype=np.uint8), 4)
    picture = np.kron((1 - dark) * 255, np.ones((4, 4), dtype=np.uint8)).astype(np.uint8)
    found = zxing.read_barcodes(picture, formats=zxing.BarcodeFormat.QRCode)
    assert len(found) == 1
    assert "QR" in str(found[0].format)
    return found[0].text


def test_code_words_are_the_published_ones(browser, page):
    browser.open(page)
    formats = browser.run("return [0,1,2,3,4,5,6,7].map(gridground.qrFormat)")
    assert {mask: f"{word:015b}" for mask, word in enumerate(formats)} == FORMATS_M
    for version, word in VERSIONS.items():
        assert f"{browser.run('return gridground.qrVersion(arguments[0])', version):018b}" == word


def test_as_much_fits_as_is_published(browser, page):
    browser.open(page)
    for version, size in ROOM_M.items():
        side = browser.run("return gridground.qrModules('x'.repeat(arguments[0])).length", size)
        assert side == 17 + 4 * version
    assert browser.run("return gridground.qrModules('x'.repeat(2332))") is None


@pytest.mark.parametrize("part", range(4))
def test_every_version_is_read_by_another_program(browser, page, part):
    browser.open(page)
    sides = set()
    for size in range(8 + part, 2331, 52):
        text = "".join(chr(33 + (number * 7 + size) % 90) for number in range(size))
        rows = browser.run("return gridground.qrModules(arguments[0])", text)
        assert decoded(rows) == text, size
        sides.add(len(rows))
    assert len(sides) >= 30


def test_words_beyond_ascii_come_out_as_they_went_in(browser, page):
    browser.open(page)
    for text in ("Zählung 漢字 😀 38.5 Ω", "é", "line\nline"):
        rows = browser.run("return gridground.qrModules(arguments[0])", text)
        assert decoded(rows) == text


def test_the_code_shown_says_the_words_shown(browser, page):
    browser.open(page)
    browser.run("localStorage.clear()")
    browser.driver.refresh()
    browser.run("document.getElementById('task-open').click()")
    browser.run(
        "var w = document.getElementById('tick-who'); w.value = 'Ünal <b>';"
        "document.querySelector('button.tick').click();"
        "document.querySelector('.task [data-view=out]').click()"
    )
    path = browser.run("return document.querySelector('svg.qr path:last-child').getAttribute('d')")
    box = browser.run("return document.querySelector('svg.qr').getAttribute('viewBox')")
    size = int(box.split()[2])
    rows = np.zeros((size, size), dtype=np.uint8)
    for x, y in re.findall(r"M(\d+) (\d+)h1v1h-1z", path):
        rows[int(y), int(x)] = 1
    assert not rows[:4].any()
    assert not rows[:, -4:].any()
    lines = browser.run(
        "return [...document.querySelectorAll('.spoken p')].map(p => p.textContent)"
    )
    assert decoded(rows) == "\n".join(lines)
    assert any("ticked by Ünal <b>" in line for line in lines)
    browser.run("localStorage.clear()")
