"""What a call reads is never written over; mistakes come together; pages and sheets of one plan."""

from __future__ import annotations

import json
import shutil

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.cli import main
from gridground.errors import InputError, Problem, gathered
from gridground.export import plan_files
from gridground.folder import job_files, of_other_plans, taken_over
from gridground.jobmap import page_html
from gridground.pdf import pdf_names

SAMPLE = ROOT / "sample_data"
STRAIGHT = (SAMPLE / "jobs" / "01-straight.toml").read_text()


@pytest.fixture
def data(tmp_path):
    """A territory of its own, which a test may spoil."""
    return shutil.copytree(SAMPLE / "territory", tmp_path / "territory")


def job_file(folder, job_id, text=STRAIGHT):
    file = folder / "job.toml"
    file.write_text(text.replace('"straight-01"', f'"{job_id}"'))
    return file


def content_of(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir()}


# --- what the call reads --------------------------------------------------------------------------


@pytest.mark.parametrize("job_id", ["poles", "spans", "surroundings"])
def test_a_job_named_like_a_layer_is_not_planned_into_the_data(tmp_path, data, job_id, capsys):
    before = content_of(data)
    call = ["plan", str(data), str(job_file(tmp_path, job_id)), "-o", str(data), "--no-pdf"]
    assert main([*call, "--force"]) == 2
    said = capsys.readouterr().err
    assert f"{job_id}.geojson: would be written over, and this call reads it" in said
    assert "give the job another job_id; --force does not help" in said
    assert content_of(data) == before


def test_the_folder_may_be_named_in_another_way(tmp_path, data):
    (tmp_path / "link").symlink_to(data)
    before = content_of(data)
    for out in (data / "." / ".." / data.name, tmp_path / "link"):
        call = ["plan", str(data), str(job_file(tmp_path, "poles")), "-o", str(out), "--no-pdf"]
        assert main([*call, "--force"]) == 2
        assert content_of(data) == before


def test_layers_of_other_names_and_tables_are_held_too(tmp_path, data, capsys):
    """columns.toml names the poles' file; the job file and the tables are read as well."""
    (data / "poles.geojson").rename(data / "straight-01.geojson")
    (data / "columns.toml").write_text('[poles]\nfile = "straight-01.geojson"\n')
    call = ["plan", str(data), str(SAMPLE / "jobs" / "01-straight.toml"), "-o", str(data)]
    assert main([*call, "--no-pdf", "--force"]) == 2
    assert "straight-01.geojson: would be written over" in capsys.readouterr().err
    before = content_of(data)
    faults = ["faults", str(data), "-o", str(data / "conductors.csv"), "--force"]
    assert main(faults) == 2
    assert "conductors.csv: would be written over" in capsys.readouterr().err
    assert content_of(data) == before


def test_another_job_goes_into_the_folder_of_the_data(tmp_path, data):
    """Nothing that is read is lost: the layers, and the job file under its own name."""
    before = content_of(data)
    call = ["plan", str(data), str(job_file(tmp_path, "one")), "-o", str(data), "--no-pdf"]
    assert main(call) == 0
    after = content_of(data)
    assert {name: after[name] for name in before} == before


def test_a_record_and_the_plan_before_are_held(tmp_path):
    """A link that stands in the place of a file is replaced, and what it points at stays."""
    kept = tmp_path / "a.plan.json"
    kept.write_text("{}")
    assert [p.field for p in taken_over(tmp_path, job_files("a"), [kept])] == ["a.plan.json"]
    (tmp_path / "b.html").symlink_to(kept)
    assert taken_over(tmp_path, job_files("b"), [kept]) == []
    (tmp_path / "told.json").symlink_to(kept)
    assert len(taken_over(tmp_path, job_files("a"), [tmp_path / "told.json"])) == 1
    assert taken_over(tmp_path, job_files("c"), [tmp_path / "not-there.json"]) == []


# --- mistakes come together -----------------------------------------------------------------------


def test_mistakes_of_job_data_and_call_are_told_in_one_run(tmp_path, data, capsys):
    spans = json.loads((data / "spans.geojson").read_text())
    spans["features"][0]["properties"]["from_pole"] = "NOWHERE"
    (data / "spans.geojson").write_text(json.dumps(spans))
    job = job_file(tmp_path, "straight-01", "workdate = 3\n" + STRAIGHT)
    job.write_text(job.read_text().replace("[limits]", "[limits]\nbody_ohms = 1"))
    call = ["plan", str(data), str(job), "-o", str(tmp_path / "o"), "--beside", str(tmp_path / "x")]
    assert main(call) == 2
    said = capsys.readouterr().err
    for words in ("NOWHERE", "limits.body_ohms", "workdate", "--beside"):
        assert words in said


def test_what_the_job_names_and_what_is_in_the_way_are_told_together(tmp_path, data, capsys):
    text = STRAIGHT.replace('worksite_poles = ["Q213"]', 'worksite_poles = ["Q9999"]')
    assert text != STRAIGHT
    job = job_file(tmp_path, "poles", text)
    call = ["plan", str(data), str(job), "-o", str(data), "--force", "--previous"]
    assert main([*call, str(tmp_path / "none.plan.json")]) == 2
    said = capsys.readouterr().err
    for words in ("Q9999", "poles.geojson", "none.plan.json"):
        assert words in said


def test_a_rod_and_an_approach_distance_are_told_together(tmp_path, capsys):
    """A person's own rod in the pole's setback, an own distance below the rule's."""
    text = STRAIGHT + '\n[limits.approach]\nWB2 = "1 ft"\n'
    assert "[rod]" in text
    place = '[rod]\nplace = { Q212 = { bearing_deg = 90, distance = "3 ft" } }'
    job = job_file(tmp_path, "straight-01", text.replace("[rod]", place))
    assert main(["plan", str(SAMPLE / "territory"), str(job), "-o", str(tmp_path / "o")]) == 2
    said = capsys.readouterr().err
    assert "rod.place" in said
    assert "limits.approach" in said


def test_gathered_returns_in_order_and_raises_everything_once():
    one, two = (Problem("reject", "job", (), field, "x", "y") for field in ("a", "b"))

    def refuse(*problems):
        raise InputError(list(problems))

    assert gathered(lambda: 1, lambda: "2") == [1, "2"]
    with pytest.raises(InputError) as caught:
        gathered(lambda: refuse(one), lambda: 1, lambda: refuse(two, one))
    assert caught.value.problems == (one, two)


# --- a page beside files of another plan ----------------------------------------------------------


@pytest.fixture(scope="module")
def two_plans():
    """Two plans under one job id."""
    territory = gg.read_territory(SAMPLE / "territory")
    job = gg.read_job(SAMPLE / "jobs" / "06-dead-end.toml")
    import dataclasses

    other = dataclasses.replace(job, title="Another day")
    return gg.plan_job(territory, job), gg.plan_job(territory, other)


def put(folder, files):
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)


def test_a_page_beside_files_of_another_plan_is_said_and_refused_under_their_name(
    tmp_path, two_plans, capsys
):
    one, two = two_plans
    job_id, out = one["job_id"], tmp_path / "out"
    put(out, plan_files(two, page_html(two)) | dict.fromkeys(pdf_names(job_id), b"%PDF"))
    (out / f"{job_id}.html").unlink()
    saved = tmp_path / "one.plan.json"
    saved.write_bytes(plan_files(one, "")[f"{job_id}.plan.json"])
    call = ["map", str(saved), "-o"]
    assert main([*call, str(out / f"{job_id}.html")]) == 2
    said = capsys.readouterr().err
    for end in ("plan.json", "gpkg", "kml", "gpx", "geojson", "leads.csv", "crew.pdf"):
        assert f"{job_id}.{end}" in said
    assert not (out / f"{job_id}.html").exists()
    assert main([*call, str(out / "again.html")]) == 0
    assert f"LOOK: not of this plan ({one['plan_hash'][:12]})" in capsys.readouterr().err
    assert main([*call, str(out / f"{job_id}.html"), "--force"]) == 0
    assert "LOOK: not of this plan" in capsys.readouterr().err


def test_a_page_beside_its_own_files_says_nothing(tmp_path, two_plans, capsys):
    one, _ = two_plans
    job_id, out = one["job_id"], tmp_path / "out"
    put(out, plan_files(one, page_html(one)) | dict.fromkeys(pdf_names(job_id), b"%PDF"))
    saved = out / f"{job_id}.plan.json"
    assert main(["map", str(saved), "-o", str(out / "again.html")]) == 0
    assert "LOOK" not in capsys.readouterr().err
    assert of_other_plans(out, job_id, one["plan_hash"]) == []


def test_sheets_alone_are_of_a_plan_that_is_not_known(tmp_path, two_plans):
    one, _ = two_plans
    put(tmp_path / "out", dict.fromkeys(pdf_names(one["job_id"]), b"%PDF"))
    found = of_other_plans(tmp_path / "out", one["job_id"], one["plan_hash"])
    assert found == list(pdf_names(one["job_id"]))
