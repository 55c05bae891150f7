"""The pictures of a ground pole as a browser draws them: legible on a phone, nothing on another."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

import gridground as gg
from gridground.jobmap.page import page_html
from tests.plan_example import example_document, finished

pytestmark = pytest.mark.browser

SAMPLES = Path(__file__).parent.parent.parent / "sample_data"
PICTURES = ("svg.inset", "svg.sideview")
TEXTS = """
const found = [];
for (const svg of document.querySelectorAll(arguments[0])) {
  const frame = svg.getBoundingClientRect();
  const scale = frame.width / svg.viewBox.baseVal.width;
  found.push([frame.left, frame.right, [...svg.querySelectorAll('text')].map(node => {
    const box = node.getBoundingClientRect();
    return [node.textContent, box.left, box.top, box.right, box.bottom,
      parseFloat(getComputedStyle(node).fontSize) * scale];
  })]);
}
return found;
"""
LINES = """
const thin = [];
for (const svg of document.querySelectorAll(arguments[0])) {
  const scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
  for (const node of svg.querySelectorAll('path, rect, circle')) {
    const style = getComputedStyle(node);
    const wide = parseFloat(style.strokeWidth) * scale;
    const name = node.getAttribute('class');
    const line = /^(pv-|sv-(?!wire-end|clamp)|nt-line|bd-|sk-lead)/.test(name);
    if (line && style.stroke !== 'none' && wide < 1.95) {
      thin.push([name, wide]);
    }
  }
}
return thin;
"""


@pytest.fixture(scope="module")
def pages():
    territory = gg.read_territory(SAMPLES / "territory")
    made = {"example": page_html(finished(example_document()))}
    for name in ("04-t-junction", "08-gang-switch", "09-double-circuit", "10-no-rod-place"):
        plan = gg.plan_job(territory, gg.read_job(SAMPLES / "jobs" / f"{name}.toml"))
        made[name] = page_html(plan)
    return made


@pytest.mark.parametrize("size", [(390, 844), (1440, 900)])
def test_texts_are_legible_and_apart(browser, pages, size):
    """The letters' own boxes: line height takes in more than ink, a fifth of it may be shared."""
    browser.size(*size)
    for name, page in pages.items():
        browser.open(page)
        for picture in PICTURES:
            drawn = browser.run(TEXTS, picture)
            assert drawn, (name, picture)
            for left, right, texts in drawn:
                assert texts
                for words, west, _, east, _, size_px in texts:
                    assert size_px >= 11.0, (name, words)
                    assert west >= left - 1, (name, words)
                    assert east <= right + 1, (name, words)
                for one, other in itertools.combinations(texts, 2):
                    across = min(one[3], other[3]) - max(one[1], other[1])
                    down = min(one[4], other[4]) - max(one[2], other[2])
                    shared = 0.24 * min(one[4] - one[2], other[4] - other[2])
                    assert across < 1.5 or down <= shared, (name, picture, one, other)


def test_lines_are_two_pixels_on_a_phone(browser, pages):
    browser.size(390, 844)
    for page in pages.values():
        browser.open(page)
        for picture in PICTURES:
            assert browser.run(LINES, picture) == []
