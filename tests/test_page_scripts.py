"""The page's own scripts as text: short, without roads from text to code, in plain words."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from gridground.jobmap.map import SCRIPTS, own_asset
from tests.test_jobmap import NEVER_SAID

ASSETS = files("gridground.jobmap") / "assets"
ROADS = (
    r"\beval\b|\bnew Function\b|innerHTML|outerHTML|insertAdjacent|document\.write|\bfetch\b"
    r"|XMLHttpRequest|\bimport\b|setAttribute\(\"on|\.on[a-z]+ =|WebSocket|sendBeacon"
    r"|set(?:Timeout|Interval)\(\""
)


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_script_is_short_and_has_no_road_from_text_to_code(name):
    code = (ASSETS / f"{name}.js").read_text("utf-8")
    assert len(code.splitlines()) <= 400
    bare = re.sub(r"/\*.*?\*/|//[^\n]*", "", code, flags=re.DOTALL)
    assert re.findall(ROADS, bare) == []
    # A text over several lines would lose the blanks that its lines begin with.
    assert "`" not in bare
    assert not re.search(r"\\\n", code)


def test_every_script_of_the_folder_is_in_the_page():
    there = {
        item.name.removesuffix(".js") for item in ASSETS.iterdir() if item.name.endswith(".js")
    }
    assert there - {"leaflet", "changes"} == set(SCRIPTS)  # changes.js: of revisions only


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_never_say_what_is_never_said(name):
    code = (ASSETS / f"{name}.js").read_text("utf-8").lower()
    for word in NEVER_SAID:
        assert not re.search(rf"\b{word}\b", code), word


def test_only_blanks_at_the_begin_of_lines_are_left_out():
    for name in ("task.js", "page.css"):
        lines = (ASSETS / name).read_text("utf-8").splitlines()
        assert own_asset(name).splitlines() == [line.lstrip(" \t") for line in lines]
