"""Every figure of the page says where it comes from, in the plan's own words."""

from __future__ import annotations

import copy
import re

import pytest
from plan_example import example_document, finished, hostile_document, settled_document

from gridground.jobmap.page import page_html
from gridground.jobmap.sources import Notes, figure_notes
from gridground.jobmap.words import printable

# Columns whose figures can be touched, by part of the page.
COLUMNS = {
    "leads": {"Length", "Current", "Rating", "Margin"},
    "locations": {"Electrode", "Rod from pole", "Zone"},
    "worker": {"Voltage", "Limit"},
    "rod-zone": {"Rod rises to", "Step at the zone's edge", "Limit of the step", "Radius needed"},
    "faults": {"Three-phase", "Phase-ground", "X/R", "Clearing", "Asymmetry"},
    "approach": {"Phase to ground", "Phase to phase"},
}


def text_of(note):
    return " ".join([note["title"], *(f"{name} {text}" for name, text in note["parts"])])


def numbers(value):
    if isinstance(value, dict):
        return [n for part in value.values() for n in numbers(part)]
    if isinstance(value, list):
        return [n for part in value for n in numbers(part)]
    return [value]


@pytest.mark.parametrize("make", [example_document, settled_document, hostile_document])
def test_every_mark_has_its_note_and_every_note_a_mark(make):
    document = finished(make()).document
    found = figure_notes(document)
    assert set(numbers(found["why"])) == set(range(1, len(found["notes"]) + 1))
    assert all(note["parts"] for note in found["notes"])
    html = page_html(finished(make()))
    marks = {int(n) for n in re.findall(r' data-why="(\d+)"', html)}
    ids = [int(n) for n in re.findall(r' id="why-(\d+)"', html)]
    assert ids == list(range(1, len(found["notes"]) + 1))
    assert marks
    assert marks <= set(ids)
    assert len(re.findall("data-why=", html.split("<body>")[1].split('id="plan-data"')[0])) == len(
        re.findall(r' data-why="\d+"', html.split("<body>")[1].split('id="plan-data"')[0])
    )


@pytest.mark.parametrize("part", COLUMNS)
def test_figures_of_every_table_can_be_touched(part):
    html = page_html(finished(example_document()))
    section = html.split(f'<section id="{part}">')[1].split("</section>")[0]
    cells = re.findall(r'<td data-th="([^"]*)"([^>]*)>([^<]*)', section)
    marked = {name.replace("&#39;", "'") for name, rest, _ in cells if "data-why" in rest}
    assert marked >= COLUMNS[part]


def test_notes_are_in_the_plans_words():
    document = finished(example_document()).document
    found = figure_notes(document)
    notes, why = found["notes"], found["why"]
    for lead, mark in zip(document["leads"], why["lead"], strict=True):
        assert lead["source"] in text_of(notes[mark["rating"] - 1])
        assert "Planning department, short-circuit study 14, 2026-01-15" in text_of(
            notes[mark["current"] - 1]
        )
    for row, mark in zip(document["approach"], why["approach"], strict=True):
        assert row["source"] in text_of(notes[mark - 1])
    assert document["worker"]["limit_rule"] in text_of(notes[why["worker"]["limit"] - 1])
    for row, mark in zip(document["checks"], why["check"], strict=True):
        assert row["source"] in text_of(notes[mark - 1])
    assert "poles (2026-02-20)" in text_of(notes[why["fault"] - 1])
    assert "job (2026-03-01)" in text_of(notes[why["limit"] - 1])


def test_a_lead_names_its_own_check():
    """What one lead bears is never put down to the check of another."""
    document = finished(example_document()).document
    first, second = document["leads"][:2]
    row = copy.deepcopy(document["checks"][0])
    document["checks"] += [
        row | {"code": "lead_event", "where": [lead["lead_id"]], "source": f"event {number}"}
        for number, lead in enumerate((first, second))
    ]
    found = figure_notes(document)
    texts = [text_of(found["notes"][mark["duty"] - 1]) for mark in found["why"]["lead"]]
    assert "event 0" in texts[0]
    assert "event 1" in texts[1]
    assert "event" not in texts[2]


def test_same_words_same_number():
    notes = Notes()
    assert [notes.number("a", ("x", "y")), notes.number("b"), notes.number("a", ("x", "y"))] == [
        1, 2, 1,
    ]  # fmt: skip
    assert notes.number("b", ("left out", "")) == 2


def test_an_old_plan_without_the_newer_keys_has_notes_too():
    document = finished(example_document()).document
    for row in document["rod_zone"]:
        row.pop("limit_source", None)
    for row in document["locations"]:
        for key in ("soil", "resistivity_ohm_m", "reasons"):
            (row["rod"] or {}).pop(key, None)
    document["job"].pop("rod", None)
    document.pop("induction", None)
    document["inputs"] = [{"layer": "poles"}]
    assert figure_notes(document)["notes"]


def test_hostile_words_stay_text_in_the_notes():
    document = finished(hostile_document()).document
    html = page_html(finished(hostile_document()))
    section = html.split('<section id="sources">')[1].split("</section>")[0]
    assert "<img" not in section
    assert "<script" not in section
    source = printable(document["leads"][0]["source"])
    assert source.split("<img")[0] in section
