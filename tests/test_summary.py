"""What `gridground plan` says: state, shared things, what it replaced; the earlier plan learns."""

from __future__ import annotations

import json
import os
import re
import shlex

import pytest
from maps_maker import ROOT

from gridground.cli import main
from gridground.errors import Problem
from gridground.record import plan_hash
from gridground.summary import command_lines, in_order, problem_lines, refusal_lines, wrapped

TERRITORY = str(ROOT / "sample_data" / "territory")
JOBS = ROOT / "sample_data" / "jobs"


@pytest.fixture(autouse=True)
def _no_pdf(monkeypatch):
    monkeypatch.setenv("GRIDGROUND_PDF", "off")


def job(name):
    return str(JOBS / f"{name}.toml")


def said(capsys, *call):
    """Return exit code and lines of a call."""
    capsys.readouterr()
    code = main(list(call))
    return code, capsys.readouterr().err.splitlines()


def commands(lines):
    """Return the commands that lines name, each as one list of words, as a shell reads them."""
    text = "\n".join(lines).replace("\\\n", " ")
    return [shlex.split(line) for line in text.splitlines() if line.strip().startswith("gridgro")]


def test_state_first_then_method_poles_and_counts(tmp_path, capsys):
    code, lines = said(capsys, "plan", TERRITORY, job("18-crossing"), "-o", str(tmp_path))
    assert code == 1
    assert lines[0] == "crossing-18: 1 open item"
    assert lines[1].startswith("  dual-point at D202 (bracket)")
    assert lines[2] == "  3 locations, 14 leads, 2 rods, 66 cones"
    where = next(n for n, line in enumerate(lines) if line.startswith("open item: crossing_fault"))
    assert where < next(n for n, line in enumerate(lines) if line.startswith("files in"))


@pytest.mark.parametrize("name", ["01-straight", "13-open-items", "14-refused", "18-crossing"])
def test_eighty_columns_show_it(tmp_path, capsys, name):
    folder = tmp_path / "o"
    _, lines = said(capsys, "plan", TERRITORY, job(name), "-o", str(folder))
    # A path has the length it has; nothing else is longer than the terminal is wide.
    wide = [line.replace(str(tmp_path), "").replace(str(ROOT), "") for line in lines]
    assert max(map(len, wide)) <= 79
    assert len(lines) > 3


def test_a_refusal_says_so_first(tmp_path, capsys):
    code, lines = said(capsys, "plan", TERRITORY, job("14-refused"), "-o", str(tmp_path))
    assert code == 3
    assert lines[0] == "refused-14: refused, no plan possible, 1 reason"


def test_the_earlier_plan_learns_by_the_command_that_is_printed(tmp_path, capsys):
    out = str(tmp_path / "the plans")
    main(["plan", TERRITORY, job("01-straight"), "-o", out])
    code, lines = said(capsys, "plan", TERRITORY, job("07-four-poles"), "-o", out)
    assert lines[0].endswith("; shared with 1 other job")
    assert any("does not know of this job" in " ".join(lines[n : n + 3]) for n in range(len(lines)))
    (again,) = commands(lines)
    assert again[:4] == ["gridground", "plan", TERRITORY, job("01-straight")]
    code, lines = said(capsys, *again[1:])
    assert code in {0, 1}
    plan = json.loads((tmp_path / "the plans" / "straight-01.plan.json").read_text())
    assert [row["job_id"] for row in plan["clearance"]["others"]] == ["four-poles-07"]
    # Now each knows of the other: nobody is sent round in a ring.
    assert commands(lines) == []
    assert "Its plan knows of this job." in "\n".join(lines)
    _, lines = said(capsys, "plan", TERRITORY, job("07-four-poles"), "-o", out, "--force")
    assert commands(lines) == []


def test_a_plan_in_a_folder_beside_is_planned_again_in_its_own(tmp_path, capsys):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path / "a")])
    call = ["plan", TERRITORY, job("07-four-poles"), "-o", str(tmp_path / "b"), "--beside"]
    _, lines = said(capsys, *call, str(tmp_path / "a"), "--no-pdf")
    (again,) = commands(lines)
    assert again[4:] == [
        *("-o", str(tmp_path / "a"), "--beside", str(tmp_path / "b")),
        *("--no-pdf", "--force"),
    ]


def test_json_tells_shares_and_files(tmp_path, capsys):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path)])
    capsys.readouterr()
    main(["plan", TERRITORY, job("07-four-poles"), "-o", str(tmp_path), "--json"])
    found = json.loads(capsys.readouterr().out)
    assert [(row["job_id"], row["knows"]) for row in found["shares"]] == [("straight-01", False)]
    assert found["shares"][0]["command"].endswith("--force")
    assert {"job_id", "method", "totals", "open_items", "plan_hash", "ready"} <= set(found)
    assert (found["replaced"], found["removed"]) == (None, [])
    assert "four-poles-07.plan.json" in found["files"]


def test_what_is_written_over_is_said_with_both_hashes(tmp_path, capsys):
    out = tmp_path / "out"
    main(["plan", TERRITORY, job("01-straight"), "-o", str(out)])
    first = json.loads((out / "straight-01.plan.json").read_text())["plan_hash"]
    (out / "straight-01.crew.pdf").write_bytes(b"%PDF-1.4 of the first plan %%EOF")
    other = tmp_path / "job.toml"
    text = (JOBS / "01-straight.toml").read_text()
    other.write_text(text.replace('cone_radius = "10 ft"', 'cone_radius = "12 ft"'))
    _, lines = said(capsys, "plan", TERRITORY, str(other), "-o", str(out), "--force")
    second = json.loads((out / "straight-01.plan.json").read_text())["plan_hash"]
    assert second != first
    told = " ".join(line.strip() for line in lines)
    assert f"replaced: plan {first[:12]} (revision 1, made " in told
    assert f"by plan {second[:12]} (revision 1)" in told
    assert "The former plan is not kept" in told
    assert "removed: 1 PDF of it: straight-01.crew.pdf" in told
    assert "No PDF belongs to the new plan" in told
    assert not list(out.glob("*.pdf"))
    _, lines = said(capsys, "plan", TERRITORY, str(other), "-o", str(out), "--force")
    assert "by the same plan" in " ".join(line.strip() for line in lines)


def test_a_plan_of_another_worksite_under_the_id_is_said_when_it_is_replaced(tmp_path, capsys):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path / "o")])
    _, lines = said(
        capsys, "plan", TERRITORY, moved_job(tmp_path), "-o", str(tmp_path / "o"), "--force"
    )
    told = " ".join(line.strip() for line in lines)
    assert "another worksite: pole Q213 of WB2; now pole Q220 of WB2" in told


def test_pipes_in_the_way_are_not_waited_for(tmp_path, capsys):
    main(["plan", TERRITORY, job("07-four-poles"), "-o", str(tmp_path)])
    os.mkfifo(tmp_path / "other.plan.json")
    os.mkfifo(tmp_path / "straight-01.plan.json")
    code, lines = said(capsys, "plan", TERRITORY, job("01-straight"), "-o", str(tmp_path))
    assert code == 2
    assert "exists already" in lines[0]
    (tmp_path / "straight-01.plan.json").unlink()
    assert main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path)]) == 1


def test_a_refusal_says_which_plan_it_took_away(tmp_path, capsys):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path)])
    file = tmp_path / "refused.toml"
    text = (JOBS / "14-refused.toml").read_text()
    file.write_text(re.sub(r'job_id = ".*"', 'job_id = "straight-01"', text))
    code, lines = said(capsys, "plan", TERRITORY, str(file), "-o", str(tmp_path), "--force")
    assert code == 3
    assert "removed: plan " in " ".join(line.strip() for line in lines)


# --- one id for two jobs --------------------------------------------------------------------------


def moved_job(tmp_path):
    """Return the first sample job at another pole under the same id."""
    file = tmp_path / "moved.toml"
    text = (JOBS / "01-straight.toml").read_text()
    file.write_text(text.replace('worksite_poles = ["Q213"]', 'worksite_poles = ["Q220"]'))
    return str(file)


def test_one_id_for_two_jobs_is_an_open_item(tmp_path, capsys):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path / "a")])
    call = ["plan", TERRITORY, moved_job(tmp_path), "-o", str(tmp_path / "b")]
    code, lines = said(capsys, *call, "--beside", str(tmp_path / "a"))
    assert code == 1
    assert any(line.startswith("open item: same_job_id (straight-01") for line in lines)
    plan = json.loads((tmp_path / "b" / "straight-01.plan.json").read_text())
    (item,) = [item for item in plan["open_items"] if item["code"] == "same_job_id"]
    assert "pole Q213 of WB2" in item["what"]
    assert "another job_id" in item["settles"]
    other = json.loads((tmp_path / "a" / "straight-01.plan.json").read_text())
    assert {"sha256": other["plan_hash"], "layer": "plan:straight-01"}.items() <= next(
        row for row in plan["inputs"] if row["layer"].startswith("plan:")
    ).items()
    page = (tmp_path / "b" / "straight-01.html").read_text()
    assert "ONE ID FOR TWO JOBS: pole Q213 of WB2" in page


def test_other_circuits_are_another_job_too(tmp_path):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path / "a")])
    file = tmp_path / "a" / "straight-01.plan.json"
    plan = json.loads(file.read_text())
    plan["job"]["circuit_ids"] = ["WB1", "WB2"]
    plan["plan_hash"] = plan_hash(plan)
    file.write_text(json.dumps(plan))
    out = tmp_path / "b"
    call = ["plan", TERRITORY, job("01-straight"), "-o", str(out)]
    assert main([*call, "--beside", str(tmp_path / "a")]) == 1
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert "same_job_id" in {item["code"] for item in plan["open_items"]}


def test_a_plan_of_the_same_job_elsewhere_is_its_own(tmp_path):
    main(["plan", TERRITORY, job("01-straight"), "-o", str(tmp_path / "a")])
    out = tmp_path / "b"
    call = ["plan", TERRITORY, job("01-straight"), "-o", str(out)]
    assert main([*call, "--beside", str(tmp_path / "a")]) == 0
    one, other = (json.loads((tmp_path / x / "straight-01.plan.json").read_text()) for x in "ab")
    assert one["plan_hash"] == other["plan_hash"]


def test_a_spoilt_plan_under_the_same_name_beside_is_named(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "straight-01.plan.json").write_text("{}")
    out = tmp_path / "b"
    call = ["plan", TERRITORY, job("01-straight"), "-o", str(out)]
    assert main([*call, "--beside", str(tmp_path / "a")]) == 1
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert [item["code"] for item in plan["open_items"]] == ["other_plan_unreadable"]


# --- the parts ------------------------------------------------------------------------------------


def test_what_keeps_energy_away_comes_first_and_the_truck_last():
    codes = ("kit_short", "soil_unknown", "crossing_fault", "no_locate_ticket", "still_connected")
    found = [item["code"] for item in in_order([{"code": code} for code in codes])]
    assert found == [
        "still_connected", "crossing_fault", "soil_unknown", "kit_short", "no_locate_ticket",
    ]  # fmt: skip


def test_a_command_over_several_lines_is_the_same_command():
    words = ("gridground", "plan", "a b", "x" * 60, "-o", "it's", "--beside", "y" * 50)
    lines = command_lines(words, indent="    ")
    assert len(lines) > 1
    assert tuple(shlex.split("\n".join(lines).replace("\\\n", ""))) == words


def test_ids_stay_whole_when_lines_are_broken():
    text = "open at " + ", ".join(f"WB1-P{n}" for n in range(60))
    assert "".join(wrapped(text)).count("WB1-P") == 60
    assert all("WB1-P" not in line or not line.endswith("-") for line in wrapped(text))


def test_every_reason_of_a_refusal_has_its_remedy():
    rows = [{"code": "x", "where": ["P1"], "what": "what.", "remedy": "Do this."}] * 2
    lines = refusal_lines("J", rows)
    assert lines[0] == "J: refused, no plan possible, 2 reasons"
    assert lines[1:] == ["no plan: x (P1): what.", "  Do this."] * 2


# --- check, and what is rejected ------------------------------------------------------------------


def test_check_says_the_state_first_and_rejections_before_notes(capsys):
    code, lines = said(capsys, "check", TERRITORY)
    assert code == 1
    assert lines[0] == "usable: 1 open item, 1 note"
    assert lines[1].startswith("  rows read: poles 283, spans 290, circuits 3")
    levels = [line.split(":")[0] for line in lines if not line.startswith(" ")][1:]
    assert levels == ["open item", "note"]


@pytest.mark.parametrize("name", ["small", "ieee9500"])
def test_no_sentence_of_check_reads_badly(capsys, name):
    _, lines = said(capsys, "check", str(ROOT / "tests" / "networks" / name))
    for line in lines[2:]:
        if not line.startswith(" "):
            assert not re.search(r"[?.!]\.|\.\.|: \.|  |, and 0|\b1 circuits", line), line
            assert line.endswith((".", "?")), line


def test_a_territory_without_anything_says_so(tmp_path, capsys):
    code, lines = said(capsys, "check", str(tmp_path))
    assert code == 2
    assert lines[:2] == ["rejected: 3 rejections, 1 open item", "  rows read: none"]


def test_what_is_wrong_with_a_job_is_shown_whole(tmp_path, capsys):
    """`gridground check` reads no job: nothing of one may be left to it."""
    file = tmp_path / "job.toml"
    file.write_text("".join(f"nonsense_{n} = 1\n" for n in range(30)))
    code, lines = said(capsys, "plan", TERRITORY, str(file), "-o", str(tmp_path / "o"))
    assert code == 2
    assert all(any(f"nonsense_{n}:" in line for line in lines) for n in range(30))
    assert "gridground check" not in "\n".join(lines)


def test_of_many_rejections_of_the_data_check_lists_the_rest():
    rows = [
        Problem("reject", "poles", (f"P{n}",), "height_m", "missing", "state it") for n in range(20)
    ]
    lines = problem_lines(rows, "land")
    assert lines[-1] == "and 8 more of the data; gridground check land lists them"
    assert len(lines) == 13
    assert lines[0] == "reject: poles: P0: height_m: missing. State it."
    assert len(problem_lines(rows[:12], "land")) == 12


@pytest.mark.parametrize(
    ("found", "remedy", "said"),
    [
        ("near 3.28: feet?", "confirm it", "near 3.28: feet? Confirm it."),
        ("missing", "'x': did you mean 'y'?", "missing. 'x': did you mean 'y'?"),
        ("missing", "clearing_s of F1", "missing. clearing_s of F1."),
        ("missing", "", "missing."),
    ],
)
def test_one_mark_ends_a_sentence(found, remedy, said):
    assert Problem("note", "poles", (), "", found, remedy).sentence() == f"poles: {said}"
