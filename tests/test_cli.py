"""The commands as a user calls them: files, exit codes, messages."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from maps_maker import ROOT

from gridground.cli import main

TERRITORY = str(ROOT / "sample_data" / "territory")
JOB = ROOT / "sample_data" / "jobs" / "01-straight.toml"


def job(name):
    return str(ROOT / "sample_data" / "jobs" / f"{name}.toml")


def test_plan_writes_every_file_and_says_ready(tmp_path, capsys):
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path)]) == 0
    names = {file.name for file in tmp_path.iterdir()}
    assert {f"straight-01.{end}" for end in ("plan.json", "html", "geojson")} <= names
    assert {f"straight-01.{end}" for end in ("gpkg", "gpx", "kml")} <= names
    assert {f"straight-01.{t}.csv" for t in ("steps", "leads", "materials", "open_items")} <= names
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "3 locations, 11 leads, 2 rods" in shown.err


def test_exit_codes(tmp_path, capsys):
    assert main(["plan", TERRITORY, job("13-open-items"), "-o", str(tmp_path)]) == 1
    assert main(["plan", TERRITORY, job("14-refused"), "-o", str(tmp_path / "no")]) == 3
    assert [file.name for file in (tmp_path / "no").iterdir()] == ["refused-14.refused.json"]
    refusal = json.loads((tmp_path / "no" / "refused-14.refused.json").read_text())
    assert refusal["job_id"] == "refused-14"
    assert set(refusal["reasons"][0]) == {"code", "where", "what", "remedy"}
    assert "Traceback" not in capsys.readouterr().err


def test_json_goes_to_stdout(tmp_path, capsys):
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ready"] is True
    assert main(["check", TERRITORY, "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["ok"] is True
    assert found["rows"]["poles"] == 283
    keys = {"level", "layer", "feature_ids", "field", "found", "remedy"}
    assert all(set(problem) == keys for problem in found["problems"])


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_pipe_that_lacks_signs_gets_escapes_and_no_traceback(tmp_path, encoding):
    """As a redirected command has it on Windows; JSON must read back as the same text."""
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path), "--no-pdf"]) == 0
    file = str(tmp_path / "straight-01.plan.json")
    other = str(tmp_path / "other")
    assert main(["plan", TERRITORY, job("13-open-items"), "-o", other, "--no-pdf"]) == 1
    after = f"{other}/open-items-13.plan.json"

    def diff(*more, **environment):
        call = [sys.executable, "-m", "gridground", "diff", *more, file, after]
        environment = {**os.environ, "PYTHONUTF8": "0", **environment}
        return subprocess.run(call, capture_output=True, env=environment, check=False)

    done = diff(PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    wanted = json.loads(diff("--json", PYTHONIOENCODING="utf-8").stdout)
    assert not json.dumps(wanted, ensure_ascii=False).isascii()
    assert json.loads(diff("--json", PYTHONIOENCODING=encoding).stdout.decode(encoding)) == wanted


def test_a_map_is_never_written_over_its_own_plan(tmp_path, capsys):
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path), "--no-pdf"]) == 0
    file = tmp_path / "straight-01.plan.json"
    before = file.read_bytes()
    assert main(["map", str(file), "-o", str(tmp_path / "." / file.name), "--force"]) == 2
    assert "is the plan itself" in capsys.readouterr().err
    assert file.read_bytes() == before


def test_a_file_name_cannot_write_a_line_of_its_own(tmp_path, capsys):
    file = tmp_path / "x\nready\x1b[31m.plan.json"
    file.write_text("{")
    assert main(["map", str(file), "-o", str(tmp_path / "map.html")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert r"x\nready\x1b[31m.plan.json: the file is not JSON" in said


def test_links_in_the_place_of_files_are_replaced_and_not_followed(tmp_path):
    """What a link points at stays as it is."""
    out, elsewhere = tmp_path / "out", tmp_path / "elsewhere"
    out.mkdir()
    elsewhere.write_text("mine")
    for end in ("plan.json", "html", "steps.csv"):
        (out / f"straight-01.{end}").symlink_to(elsewhere)
    assert main(["plan", TERRITORY, str(JOB), "-o", str(out), "--no-pdf"]) == 2
    assert main(["plan", TERRITORY, str(JOB), "-o", str(out), "--no-pdf", "--force"]) == 0
    assert elsewhere.read_text() == "mine"
    assert not (out / "straight-01.plan.json").is_symlink()


def test_nothing_is_written_over_without_force(tmp_path, capsys):
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path)]) == 0
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path)]) == 2
    assert "--force" in capsys.readouterr().err
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == before
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path), "--force"]) == 0


def test_map_draws_a_saved_plan_and_refuses_an_altered_one(tmp_path, capsys):
    main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path)])
    saved = tmp_path / "straight-01.plan.json"
    assert main(["map", str(saved), "-o", str(tmp_path / "again.html")]) == 0
    assert (tmp_path / "again.html").read_bytes() == (tmp_path / "straight-01.html").read_bytes()
    saved.write_text(saved.read_text().replace('"parallel":1', '"parallel":2', 1))
    assert main(["map", str(saved), "-o", str(tmp_path / "other.html")]) == 2
    assert "altered" in capsys.readouterr().err
    assert not (tmp_path / "other.html").exists()


@pytest.mark.parametrize("content", ["", "{", "[]", '{"format":"gridground-plan/1"}', '{"a":NaN}'])
def test_map_refuses_what_is_no_plan(tmp_path, capsys, content):
    file = tmp_path / "x.plan.json"
    file.write_text(content)
    assert main(["map", str(file), "-o", str(tmp_path / "x.html")]) == 2
    assert len(capsys.readouterr().err.splitlines()) <= 4


def test_faults_of_a_whole_territory(tmp_path):
    target = tmp_path / "faults.csv"
    assert main(["faults", TERRITORY, "-o", str(target)]) == 0
    lines = target.read_text().splitlines()
    assert lines[0].startswith("pole_id,circuit_id,phases,three_phase_a")
    assert main(["faults", TERRITORY, "--circuit", "WD1", "-o", str(tmp_path / "one.csv")]) == 0
    assert {row.split(",")[1] for row in (tmp_path / "one.csv").read_text().splitlines()[1:]} == {
        "WD1"
    }
    assert main(["faults", TERRITORY, "--circuit", "NO", "-o", str(tmp_path / "no.csv")]) == 2


@pytest.mark.parametrize(
    "call",
    [
        [],
        ["plan"],
        ["plan", "nowhere", str(JOB), "-o", "x"],
        ["plan", TERRITORY, "nothing.toml", "-o", "x"],
        ["check", "nowhere"],
        ["map", "nothing.json", "-o", "x.html"],
        ["faults", "nowhere", "-o", "x.csv"],
        ["unheard-of"],
    ],
)
def test_wrong_calls_are_a_few_lines_and_exit_2(call, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(call) == 2
    shown = capsys.readouterr().err
    assert 0 < len(shown.splitlines()) < 15
    assert "Traceback" not in shown
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_way_is_said(tmp_path, capsys):
    (tmp_path / "out").write_text("a file, not a folder")
    assert main(["plan", TERRITORY, str(JOB), "-o", str(tmp_path / "out")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_every_command_has_an_example_and_is_in_the_readme(capsys):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in ("check", "plan", "map", "diff", "faults"):
        assert main([command, "--help"]) == 0
        assert "example: gridground " + command in capsys.readouterr().out
        assert f"gridground {command} " in readme


def test_help_loads_nothing_heavy():
    code = (
        "import sys, gridground.cli as c; c.main(['--help']);"
        "print(sorted({'numpy','pandas','folium','shapely','scipy'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.splitlines()[-1] == "[]"


IEEE = str(ROOT / "tests" / "networks" / "ieee9500")


@pytest.mark.parametrize(
    ("circuit", "pole", "leads"),
    [("F1", "m1209805", 11), ("F1", "m1166394", 7), ("F3", "m1047507", 16)],
)
def test_public_feeder_three_phase_one_phase_and_t(tmp_path, circuit, pole, leads):
    file = tmp_path / "job.toml"
    file.write_text(
        f'job_id = "feeder"\ncircuit_ids = ["{circuit}"]\nworksite_poles = ["{pole}"]\n'
        'method = "dual-point"\n[rod]\nresistivity_ohm_m = 100\n'
    )
    assert main(["plan", IEEE, str(file), "-o", str(tmp_path)]) == 1
    plan = json.loads((tmp_path / "feeder.plan.json").read_text())
    assert plan["totals"]["leads"] == leads


def test_public_feeder_is_usable_with_its_quirks_named(capsys):
    assert main(["check", IEEE, "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert not [p for p in found["problems"] if p["level"] == "reject"]
    assert any("recorded length" in p["found"] for p in found["problems"])
