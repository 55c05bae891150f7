"""The commands around revisions: --record, --previous, diff; files kept, exit codes, messages."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from maps_maker import ROOT

from gridground.cli import main
from gridground.export import read_others
from gridground.jobmap import page_html
from gridground.record import Plan, is_ready, plan_hash
from tests.field_example import every_kind

TERRITORY = str(ROOT / "sample_data" / "territory")
JOB = str(ROOT / "sample_data" / "jobs" / "01-straight.toml")
MARKUP = "<img src=x onerror=alert(1)>${2*3}{{ 7*191 }}"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a folder with the first plan, and what stands in it."""
    folder = tmp_path_factory.mktemp("first")
    assert main(["plan", TERRITORY, JOB, "-o", str(folder)]) == 0
    return {file.name: file.read_bytes() for file in folder.iterdir()}


@pytest.fixture
def out(made, tmp_path):
    for name, content in made.items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def record_of(out, write=None):
    plan = json.loads((out / "straight-01.plan.json").read_text())
    book = every_kind(plan)
    if write is not None:
        write(book)
    file = out.parent / f"{out.name}-record.json"
    file.write_bytes(book.data())
    return str(file)


def again(out, *more):
    return main(["plan", TERRITORY, JOB, "-o", str(out), *more])


def test_a_record_makes_a_revision_and_the_former_plan_is_kept(out, made, capsys):
    record = record_of(out)
    assert again(out, "--record", record) == 2
    assert {f.name: f.read_bytes() for f in out.iterdir()} == made
    capsys.readouterr()
    assert again(out, "--record", record, "--force") in {0, 1}
    said = capsys.readouterr().err
    assert "15 of 48 steps ticked; leads ticked on 11, off 3, difference 8" in said
    assert "taken back: entry 16, tick R1" in said
    assert "changed: Lead at " in said
    assert (out / "straight-01.rev1.plan.json").read_bytes() == made["straight-01.plan.json"]
    plan = json.loads((out / "straight-01.plan.json").read_text())
    first = json.loads(made["straight-01.plan.json"])
    assert (plan["revision"], plan["revises"]) == (2, first["plan_hash"])
    assert plan["changes"]
    assert "Changed since revision 1" in (out / "straight-01.html").read_text()
    assert main(["map", str(out / "straight-01.plan.json"), "-o", str(out / "m.html")]) == 0
    assert (out / "m.html").read_bytes() == (out / "straight-01.html").read_bytes()


def test_leads_that_hang_when_a_plan_is_revised_are_a_caution_of_the_new_one(out, capsys):
    """Its page counts from zero, and a lead that it does not have would be forgotten."""
    first = json.loads((out / "straight-01.plan.json").read_text())
    again(out, "--record", record_of(out), "--force")
    plan = json.loads((out / "straight-01.plan.json").read_text())
    text = plan["cautions"][0]["text"]
    assert text.startswith(
        "Leads of revision 1 were on when this plan was made: 11 ticked on, 3 off, 8 still on at "
        "2026-04-14T23:30:00+00:00 by the record. The counts of this plan begin at zero"
    )
    assert text in (out / "straight-01.html").read_text()
    again(out, "--previous", str(out / "straight-01.plan.json"), "--force")
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert (plan["revision"], plan["cautions"][0]["text"]) == (3, text)

    def to_zero(book):
        for step in first["steps"]["remove"][3:]:
            book.tick(step["step_id"])

    before = (out / "straight-01.rev1.plan.json").read_bytes()
    (out / "straight-01.plan.json").write_bytes(before)
    assert again(out, "--record", record_of(out, to_zero), "--force") in {0, 1}
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert not any("were on when" in row["text"] for row in plan["cautions"])


def test_json_tells_revision_account_and_changes(out, capsys):
    assert again(out, "--record", record_of(out), "--force", "--json") in {0, 1}
    found = json.loads(capsys.readouterr().out)
    assert found["revision"] == 2
    assert found["record"]["difference"] == 8
    assert found["changes"]


def test_a_first_plan_never_takes_the_place_of_a_revision(out, capsys):
    again(out, "--record", record_of(out), "--force")
    before = {f.name: f.read_bytes() for f in out.iterdir()}
    capsys.readouterr()
    assert again(out, "--force") == 2
    assert "--previous" in capsys.readouterr().err
    assert {f.name: f.read_bytes() for f in out.iterdir()} == before
    own = str(out / "straight-01.plan.json")
    assert again(out, "--force", "--previous", own) in {0, 1}
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert (plan["revision"], plan["changes"]) == (3, [])
    assert len(plan["measured"]) == len(json.loads(before["straight-01.plan.json"])["measured"])
    assert {f.name for f in out.glob("*.rev*")} == {
        "straight-01.rev1.plan.json",
        "straight-01.rev2.plan.json",
    }


def test_a_revision_into_another_folder(out, tmp_path_factory):
    other = tmp_path_factory.mktemp("second")
    own = str(out / "straight-01.plan.json")
    call = ["plan", TERRITORY, JOB, "-o", str(other), "--record", record_of(out)]
    assert main(call) == 2
    assert list(other.iterdir()) == []
    assert main([*call, "--previous", own]) in {0, 1}
    assert json.loads((other / "straight-01.plan.json").read_text())["revision"] == 2


def test_earlier_revisions_are_no_plans_of_other_crews(out):
    again(out, "--record", record_of(out), "--force")
    assert read_others([out], job_id="straight-01") == ((), ())
    plans, _ = read_others([out], job_id="another")
    assert [plan["revision"] for plan in plans] == [2]


def test_a_refused_revision_keeps_the_former_plan(out, made, tmp_path):
    job = tmp_path / "job.toml"
    text = (ROOT / "sample_data" / "jobs" / "01-straight.toml").read_text()
    for stated, other in (
        ("fault_growth_ratio = 1.0", "fault_growth_ratio = 10.0"),
        ('lead_sizes = ["2", "1/0", "2/0", "4/0"]', 'lead_sizes = ["2"]'),
    ):
        assert stated in text
        text = text.replace(stated, other)
    job.write_text(text)
    own = str(out / "straight-01.plan.json")
    code = main(["plan", TERRITORY, str(job), "-o", str(out), "--previous", own, "--force"])
    assert code == 3
    assert not (out / "straight-01.plan.json").exists()
    assert (out / "straight-01.rev1.plan.json").read_bytes() == made["straight-01.plan.json"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.update(plan_hash="0" * 64), "plan_hash"),
        (lambda d: d.update(job_id="other"), "job_id"),
        (lambda d: d["entries"][0].update(step_id="none"), "step_id"),
        (lambda d: d.update(format="x"), "format"),
    ],
)
def test_a_record_that_cannot_be_used_changes_nothing(out, made, capsys, change, said):
    record = record_of(out)
    document = json.loads(Path(record).read_text())
    change(document)
    Path(record).write_text(json.dumps(document))
    assert again(out, "--record", record, "--force") == 2
    shown = capsys.readouterr().err
    assert said in shown
    assert "Traceback" not in shown
    assert {f.name: f.read_bytes() for f in out.iterdir()} == made


@pytest.mark.parametrize("flag", ["--record", "--previous"])
@pytest.mark.parametrize("name", ["nothing.json", ".", "x" * 3000])
def test_files_that_are_none(out, made, capsys, flag, name):
    assert again(out, flag, name, "--force") == 2
    assert "Traceback" not in capsys.readouterr().err
    assert {f.name: f.read_bytes() for f in out.iterdir()} == made


def test_the_plan_of_another_job_is_no_previous_one(out, tmp_path, capsys):
    other = tmp_path / "other"
    job = str(ROOT / "sample_data" / "jobs" / "02-one-phase.toml")
    main(["plan", TERRITORY, job, "-o", str(other)])
    (file,) = other.glob("*.plan.json")
    assert again(out, "--previous", str(file), "--force") == 2
    assert "--previous" in capsys.readouterr().err


def test_diff_in_words_and_as_json(out, capsys):
    own = str(out / "straight-01.plan.json")
    assert main(["diff", own, own]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "no difference"
    again(out, "--record", record_of(out), "--force")
    capsys.readouterr()
    pair = [str(out / "straight-01.rev1.plan.json"), own]
    assert main(["diff", *pair, "--all"]) == 0
    shown = capsys.readouterr().out
    assert shown.splitlines()[0].startswith("straight-01, revision 1, plan ")
    assert "\nLEAD\n" in shown
    assert "\nMEASURED\n" in shown
    assert main(["diff", *pair, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["same_job"], found["after"]["revision"]) == (True, 2)
    assert set(found["changes"][0]) == {"what", "where", "before", "after", "text"}
    plan = json.loads((out / "straight-01.plan.json").read_text())
    told = [row for row in found["changes"] if row["what"] != "record"]
    assert told == plan["changes"]


def test_diff_verifies_both_hashes(out, capsys):
    own = out / "straight-01.plan.json"
    altered = out / "altered.plan.json"
    altered.write_text(own.read_text().replace('"parallel":1', '"parallel":2', 1))
    assert main(["diff", str(altered), "nothing.json"]) == 2
    shown = capsys.readouterr().err
    assert "altered" in shown
    assert "nothing.json" in shown


def test_diff_of_different_jobs_says_so(out, tmp_path, capsys):
    other = tmp_path / "other"
    job = str(ROOT / "sample_data" / "jobs" / "02-one-phase.toml")
    main(["plan", TERRITORY, job, "-o", str(other)])
    (file,) = other.glob("*.plan.json")
    capsys.readouterr()
    assert main(["diff", str(out / "straight-01.plan.json"), str(file)]) == 0
    assert "plans of different jobs" in capsys.readouterr().out


def test_diff_has_an_example(capsys):
    assert main(["diff", "--help"]) == 0
    assert "example: gridground diff " in capsys.readouterr().out


def test_text_of_a_record_is_text_on_the_page(out):
    def write(book):
        book.add(
            "measured", who=MARKUP, pole_id=book.plan["leads"][0]["pole_id"], values={"rod_ohm": 50}
        )
        lead_id = book.plan["leads"][2]["lead_id"]
        book.add("lead used", lead_id=lead_id, values={"lead_number": MARKUP})

    assert again(out, "--record", record_of(out, write), "--force") in {0, 1}
    page = (out / "straight-01.html").read_text()
    assert "<img src=x" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;${2*3}{{ 7*191 }}" in page
    assert "1337" not in page.split("<script")[0]
    plan = json.loads((out / "straight-01.plan.json").read_text())
    assert MARKUP in {row["who"] for row in plan["measured"]}
    steps = (out / "straight-01.steps.csv").read_text()
    assert "\n=" not in steps


def test_an_old_plan_is_drawn_and_compared_as_before(out, tmp_path, capsys):
    plan = json.loads((out / "straight-01.plan.json").read_text())
    for key in ("revision", "revises", "measured"):
        del plan[key]
    plan["plan_hash"] = plan_hash(plan)
    assert plan["ready"] is is_ready(plan)
    file = tmp_path / "old.plan.json"
    file.write_bytes(Plan(plan).to_bytes())
    assert 'id="changes"' not in page_html(Plan(plan))
    assert main(["diff", str(file), str(out / "straight-01.plan.json")]) == 0
    assert "revision" in capsys.readouterr().out
    assert again(out, "--previous", str(file), "--force") in {0, 1}
    assert json.loads((out / "straight-01.plan.json").read_text())["revision"] == 2
