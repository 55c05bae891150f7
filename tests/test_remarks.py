"""What is no action is read at the step it belongs to: no tick, no box, no number of its own."""

from __future__ import annotations

import copy
import csv
import io
import re
from html import unescape

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.export import steps_csv
from gridground.jobmap.page import page_html
from gridground.revision.changes import changes_between
from tests.plan_example import finished

JOBS = ROOT / "sample_data" / "jobs"


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


@pytest.fixture(scope="module")
def cut(territory):
    return gg.plan_job(territory, gg.read_job(JOBS / "20-cut.toml"))


@pytest.fixture(scope="module")
def switched(territory):
    other = gg.plan_job(territory, gg.read_job(JOBS / "01-straight.toml"))
    return gg.plan_job(territory, gg.read_job(JOBS / "08-gang-switch.toml"), others=[other])


def rows_of(plan):
    return [row for part in plan["steps"].values() for row in part]


def test_a_bypass_is_a_remark_of_the_work_at_its_pole(cut):
    bypass = [lead for lead in cut["leads"] if lead["role"] == "bypass"]
    assert bypass
    for lead in bypass:
        (step,) = [s for s in cut["steps"]["work"] if s["pole_id"] == lead["pole_id"]]
        assert any(f"bypass lead {lead['lead_id']} on" in text for text in step["remarks"])


def test_what_is_not_done_is_no_step(switched):
    """Expected: two steps of work and three of release, none of which only says something."""
    texts = [row["text"] for row in rows_of(switched)]
    for words in ("No bypass lead is counted", "Not to be closed until"):
        assert not any(text.startswith(words) for text in texts)
        assert any(
            text.startswith(words) for row in rows_of(switched) for text in row.get("remarks", [])
        )
    assert [row["step_id"] for row in switched["steps"]["work"]] == ["W1", "W2"]
    assert [row["step_id"] for row in switched["steps"]["release"]] == ["C1", "C2", "C3"]
    assert "remarks" in switched["steps"]["release"][-1]


def test_page_and_crew_sheet_show_every_remark_and_no_box_for_it(switched):
    html = unescape(page_html(switched))
    remarks = [text for row in rows_of(switched) for text in row.get("remarks", [])]
    assert len(remarks) == 2
    for text in remarks:
        assert html.count(f'<b class="remark" data-remark>{text}</b>') == 1
        assert html.count(f'<b class="remark">{text}</b>') == 1
    crew = re.search(r'<section class="sheet sheet-crew".*?</section>', html, re.DOTALL)
    assert crew.group().count('class="box"') == len(rows_of(switched))


def test_the_table_has_a_column_of_remarks(switched):
    rows = list(csv.DictReader(io.StringIO(steps_csv(switched).decode())))
    told = {row["step_id"]: row["remarks"] for row in rows if row["remarks"]}
    assert set(told) == {"W2", "C3"}
    assert "Not to be closed until" in told["C3"]


def test_a_plan_made_before_remarks_still_draws(switched):
    older = copy.deepcopy(switched.document)
    for part in older["steps"].values():
        for row in part:
            row.pop("remarks", None)
    assert "data-remark>" not in page_html(finished(older))


def test_a_changed_remark_is_said_in_both_directions(switched):
    other = copy.deepcopy(switched.document)
    step = other["steps"]["release"][-1]
    step["remarks"] = ["Not to be closed until job z is released too: TIE1."]
    there = changes_between(switched.document, other)
    back = changes_between(other, switched.document)
    (one,) = [row for row in there if row["what"] == "step"]
    (two,) = [row for row in back if row["what"] == "step"]
    assert (one["before"], one["after"]) == (two["after"], two["before"])
    assert "job z" in one["text"]
