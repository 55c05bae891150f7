"""The committed pages are those that the code makes now."""

from __future__ import annotations

import pytest
from maps_maker import ROOT, pages


@pytest.fixture(scope="module")
def made():
    return pages()


def test_no_page_is_stale(made):
    there = {file.name: file.read_text(encoding="utf-8") for file in (ROOT / "maps").glob("*.html")}
    assert sorted(there) == sorted(made), "run python tests/maps_maker.py"
    stale = [name for name, page in made.items() if there[name] != page]
    assert not stale, "run python tests/maps_maker.py"


def test_pages_stay_within_the_budget(made):
    assert {
        name: len(page.encode()) for name, page in made.items() if len(page.encode()) > 1_000_000
    } == {}
