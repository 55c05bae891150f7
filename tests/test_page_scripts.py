"""The page's own scripts as text: short, without roads from text to code, in plain words."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from gridground.jobmap.map import SCRIPTS, STYLES, own_asset
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


def code_of(script):
    """Return a script's lines without blanks at their begin, comments over whole lines left out.

    Written sign by sign, so that it shares nothing with what it is compared with.
    """
    kept, inside = [], False
    for line in (row.strip(" \t") for row in script.split("\n")):
        if inside or line.startswith("/*"):
            inside = not line.endswith("*/")
        elif line:
            kept.append(line)
    return kept


TEXT = r""""(?:[^"\\\n]|\\.)*"|'(?:[^'\\\n]|\\.)*'"""
PATTERN = (
    r"(?:[(=:,!&|?\[] ?|return )(/(?![*/])(?:[^/\\\n\[]|\\.|\[(?:[^\]\\\n]|\\.)*\])+/[gimsuy]*)"
)


def without_blanks(line):
    return re.sub(r"[ \t\n]", "", line)


@pytest.mark.parametrize("name", [*SCRIPTS, "changes"])
def test_scripts_lose_comments_and_blanks_and_nothing_else(name):
    code = (ASSETS / f"{name}.js").read_text("utf-8")
    # a comment that begins a line fills its lines: no code behind its end
    assert not re.search(r"(?m)^[ \t]*/\*(?:(?!\*/)[^\0])*\*/[ \t]*\S", code)
    slim, lines = own_asset(f"{name}.js"), code_of(code)
    assert without_blanks(slim) == without_blanks("".join(lines))
    # a line ends where one ended; behind these signs its end says nothing
    ends = [line[-1] not in "{;,(" for line in lines[:-1]]
    assert slim.rstrip("\n").count("\n") == sum(ends)
    # texts and patterns are as they were; words and signs that together make another are apart
    whole = "\n".join(lines)
    assert re.findall(PATTERN, slim) == re.findall(PATTERN, whole)
    slim, whole = (re.sub(PATTERN, "", one) for one in (slim, whole))
    assert re.findall(TEXT, slim) == re.findall(TEXT, whole)
    for apart in (r"\w \w", r"[+-] [+-]"):
        bare = [re.sub(TEXT, '""', one) for one in (slim, whole)]
        assert len(re.findall(apart, bare[0])) == len(re.findall(apart, bare[1]))
    # no text holds what begins or ends a comment
    for text in re.findall(r'"(?:[^"\\\n]|\\.)*"', code):
        assert "/*" not in text
        assert "*/" not in text


@pytest.mark.parametrize("name", [*STYLES, "leaflet.css"])
def test_texts_of_styles_hold_nothing_that_slimming_could_take(name):
    code = re.sub(r"/\*.*?\*/", "", (ASSETS / name).read_text("utf-8"), flags=re.DOTALL)
    for text in re.findall(r"\"[^\"]*\"|'[^']*'", code):
        assert not set("{};") & set(text), text
        assert "/*" not in text
        assert ": " not in text
