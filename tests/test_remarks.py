"""What is an action has a tick of its own; what is none is read at the step it belongs to."""

from __future__ import annotations

import copy
import csv
import io
import re
from dataclasses import replace
from html import unescape

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.export import steps_csv
from gridground.jobmap.page import page_html
from gridground.revision.account import _wanted_before, steps_by_id
from gridground.revision.changes import changes_between
from gridground.units import feet_text
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


@pytest.fixture(scope="module")
def cut_all(territory):
    """Three conductors cut at one pole."""
    job = gg.read_job(JOBS / "20-cut.toml")
    return gg.plan_job(territory, replace(job, open_conductor=("A", "B", "C")))


def test_a_cut_and_its_joint_are_steps_of_the_work_with_the_bypass_on(cut, cut_all):
    """Expected: report, work, each cut and its joint in turn; neither is ever a remark."""
    for plan, count in ((cut, 1), (cut_all, 3)):
        bypass = [lead for lead in plan["leads"] if lead["role"] == "bypass"]
        assert len(bypass) == count
        _, _, *steps = plan["steps"]["work"]
        assert len(steps) == 2 * count
        for lead, before, after in zip(bypass, steps[::2], steps[1::2], strict=True):
            assert before["cuts"] == after["joins"] == lead["lead_id"]
            assert before["pole_id"] == after["pole_id"] == lead["pole_id"]
            assert f"is cut only with bypass lead {lead['lead_id']} on" in before["text"]
            assert "looks at both clamps" in before["text"]
            assert f"before bypass lead {lead['lead_id']} comes off" in after["text"]
        assert not any("bypass lead G" in t for r in rows_of(plan) for t in r.get("remarks", []))


def test_what_is_done_for_another_job_is_a_step_before_the_release(switched):
    """Expected: counts, then the word to the dispatcher with its own tick, then the report."""
    counts, told, last = switched["steps"]["release"][-3:]
    assert counts["text"].startswith("Leads off must equal leads on")
    assert told["text"].startswith("The holder tells the dispatcher, who reads it back: not to be")
    assert "until job straight-01 (holder foreman of line crew 3) is released too" in told["text"]
    assert last["text"] == "The holder reports: all clear, all grounds off."
    steps = steps_by_id(switched.document)
    assert told["step_id"] in _wanted_before(steps[last["step_id"]], steps, {})


def test_what_is_not_done_is_no_step(switched):
    """Expected: two steps of work, none of which only says something."""
    texts = [row["text"] for row in rows_of(switched)]
    words = "No bypass lead is counted"
    assert not any(text.startswith(words) for text in texts)
    assert [t for r in rows_of(switched) for t in r.get("remarks", []) if t.startswith(words)]
    assert [row["step_id"] for row in switched["steps"]["work"]] == ["W1", "W2"]
    assert [row["step_id"] for row in switched["steps"]["release"]] == ["C1", "C2", "C3", "C4"]


def test_page_and_crew_sheet_show_every_remark_and_no_box_for_it(switched):
    html = unescape(page_html(switched))
    (text,) = [text for row in rows_of(switched) for text in row.get("remarks", [])]
    assert html.count(f'<b class="remark" data-remark>{text}</b>') == 1
    assert html.count(f'<b class="remark">{text}</b>') == 1
    crew = re.search(r'<section class="sheet sheet-crew".*?</section>', html, re.DOTALL)
    assert crew.group().count('class="box"') == len(rows_of(switched))


def test_page_and_crew_sheet_have_a_tick_for_a_cut_its_joint_and_the_word_to_the_dispatcher(
    cut, switched
):
    for plan, words in (
        (cut, ("looks at both clamps", "is joined again")),
        (switched, ("not to be closed until",)),
    ):
        html = unescape(page_html(plan))
        crew = re.search(r'<section class="sheet sheet-crew".*?</section>', html, re.DOTALL).group()
        for said in words:
            (step,) = [row for row in rows_of(plan) if said in row["text"]]
            box = f'<td><span class="box"></span><b>{step["step_id"]}</b></td>'
            assert step["text"] in crew.partition(box)[2].partition("</tr>")[0]
            assert f"<span data-step>{step['text']}</span>" in html


def test_the_table_has_a_column_of_remarks(switched):
    rows = list(csv.DictReader(io.StringIO(steps_csv(switched).decode())))
    told = {row["step_id"]: row["remarks"] for row in rows if row["remarks"]}
    assert set(told) == {"W2"}
    assert "No bypass lead is counted" in told["W2"]


@pytest.mark.parametrize("job", ["01-straight", "11-steel", "20-cut"])
def test_nobody_goes_up_to_the_bar_before_the_test(territory, job):
    """Expected: bars, studs and brushes after the test of every place, at the approach distance.

    Independent: 15 kV class, 29 CFR 1910.269 Table R-6, 2 ft 2 in (0.65 m) phase to ground up to
    15.0 kV phase to phase; the plan has the formula's figure, rounded up.
    """
    plan = gg.plan_job(territory, gg.read_job(JOBS / f"{job}.toml"))
    prepare = [row["text"] for row in plan["steps"]["prepare"]]
    tests = [n for n, text in enumerate(prepare) if "test for no voltage" in text]
    up = [n for n, text in enumerate(prepare) if "cluster bar" in text or "clean a stud" in text]
    assert len(tests) == len(plan["locations"])
    assert up
    assert min(up) > max(tests)
    (row,) = [r for r in plan["approach"] if r.get("circuit_id") in plan["job"]["circuit_ids"]]
    assert row["phase_ground_m"] == pytest.approx(0.65, abs=0.02)
    for n in up:
        assert f"until the grounds are on: {feet_text(row['phase_ground_m'])} or" in prepare[n]


def test_a_plan_made_before_remarks_still_draws(switched):
    older = copy.deepcopy(switched.document)
    for part in older["steps"].values():
        for row in part:
            row.pop("remarks", None)
    assert "data-remark>" not in page_html(finished(older))


def test_a_changed_remark_is_said_in_both_directions(switched):
    other = copy.deepcopy(switched.document)
    step = other["steps"]["work"][-1]
    step["remarks"] = ["No bypass lead is counted for job z."]
    there = changes_between(switched.document, other)
    back = changes_between(other, switched.document)
    (one,) = [row for row in there if row["what"] == "step"]
    (two,) = [row for row in back if row["what"] == "step"]
    assert (one["before"], one["after"]) == (two["after"], two["before"])
    assert "job z" in one["text"]
