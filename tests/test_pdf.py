"""PDFs of the sheets: the engine found, asked, ended in time; what is said where there is none."""

from __future__ import annotations

import os
import stat
import time
from pathlib import Path

import pytest
from maps_maker import ROOT

from gridground import pdf
from gridground.cli import main

TERRITORY = str(ROOT / "sample_data" / "territory")
JOB = str(ROOT / "sample_data" / "jobs" / "01-straight.toml")
NAMES = {f"straight-01.{sheet}.pdf" for sheet in pdf.SHEETS}
pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in engines are shell scripts")

WRITES = 'for a in "$@"; do case "$a" in --print-to-pdf=*) F="${a#*=}";; esac; A="$a"; done\n'
WHOLE = WRITES + 'printf "%%PDF-1.4\\n%s\\n%%%%EOF\\n" "$A" > "$F"\n'


@pytest.fixture
def engine(tmp_path, monkeypatch):
    """Put a script in the place of the browser, alone on the search path but for the shell's."""

    def put(text):
        folder = tmp_path / "bin"
        folder.mkdir()
        file = folder / "chromium"
        file.write_text(f"#!/bin/sh\n{text}")
        file.chmod(file.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
        return str(file)

    return put


@pytest.fixture
def temporary(tmp_path, monkeypatch):
    """A folder for temporary files of its own."""
    import tempfile

    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


def page(tmp_path):
    file = tmp_path / "a page #1.html"
    file.write_text("<p>page</p>")
    return file


def test_each_sheet_is_asked_for_by_address_and_paper(engine, tmp_path, temporary):
    found, failed = pdf.sheet_pdfs(page(tmp_path), paper="a4", engine=engine(WHOLE))
    assert failed == ()
    assert tuple(found) == pdf.SHEETS
    for sheet, made in found.items():
        address = made.splitlines()[1].decode()
        assert address.startswith("file:///")
        assert address.endswith(f"/a%20page%20%231.html#print={sheet}&paper=a4")
    assert list(temporary.iterdir()) == []


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("exit 3\n", "the browser ended with 3"),
        ("exit 0\n", "the browser wrote no PDF"),
        (WRITES + 'printf "%%PDF-1.4 cut off" > "$F"\n', "the browser wrote no PDF"),
        (WRITES + 'printf "no pdf %%%%EOF" > "$F"\n', "the browser wrote no PDF"),
    ],
)
def test_what_fails_is_said_once(engine, tmp_path, temporary, script, said):
    found, failed = pdf.sheet_pdfs(page(tmp_path), paper="letter", engine=engine(script))
    assert found == {}
    assert failed == (said,)
    assert list(temporary.iterdir()) == []


def test_an_engine_that_hangs_is_ended_with_its_children(engine, tmp_path, temporary, monkeypatch):
    monkeypatch.setattr(pdf, "LIMIT_S", 0.5)
    pids = tmp_path / "pids"
    call = engine(f'sleep 300 &\necho $! >> "{pids}"\nwait\n')
    started = time.monotonic()
    found, failed = pdf.sheet_pdfs(page(tmp_path), paper="letter", engine=call)
    assert time.monotonic() - started < 30
    assert found == {}
    assert failed == ("the browser took more than 0.5 s",)
    assert list(temporary.iterdir()) == []
    children = [int(line) for line in pids.read_text().split()]
    assert len(children) == len(pdf.SHEETS)
    for _ in range(50):
        if not any(running(child) for child in children):
            break
        time.sleep(0.1)
    assert [child for child in children if running(child)] == []


def running(pid):
    """Return whether a process is there and more than a name left over."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_the_sandbox_goes_only_where_root_has_none(monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert pdf._as_root() == ()
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert pdf._as_root() == ("--no-sandbox",)


@pytest.mark.parametrize(
    ("call", "setting", "paper"),
    [
        ([], "", "letter"),
        ([], "a4", "a4"),
        ([], "off", None),
        (["--pdf", "a4"], "off", "a4"),
        (["--pdf", "letter"], "a4", "letter"),
        (["--pdf", "a4", "--no-pdf"], "", None),
    ],
)
def test_call_before_environment_before_letter(monkeypatch, call, setting, paper):
    monkeypatch.setenv(pdf.SETTING, setting)
    named = call[call.index("--pdf") + 1] if "--pdf" in call else None
    assert pdf.paper_asked(named, none="--no-pdf" in call) == paper


def test_a_paper_nobody_has_is_rejected(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv(pdf.SETTING, "foolscap")
    assert main(["plan", TERRITORY, JOB, "-o", str(tmp_path)]) == 2
    assert "GRIDGROUND_PDF" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_plan_writes_the_sheets(engine, tmp_path, capsys):
    engine(WHOLE)
    folder = tmp_path / "out"
    assert main(["plan", TERRITORY, JOB, "-o", str(folder), "--pdf", "letter"]) == 0
    assert {file.name for file in folder.glob("*.pdf")} == NAMES
    assert "no PDF" not in capsys.readouterr().err


def test_without_an_engine_the_plan_stands_and_it_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    folder = tmp_path / "out"
    assert main(["plan", TERRITORY, JOB, "-o", str(folder), "--pdf", "letter"]) == 0
    assert list(folder.glob("*.pdf")) == []
    assert (folder / "straight-01.html").is_file()
    said = "no PDF: no Chromium on this machine; print from the page"
    assert said in capsys.readouterr().err.splitlines()


def test_a_failing_engine_changes_no_exit_code(engine, tmp_path, capsys):
    engine("exit 1\n")
    assert main(["plan", TERRITORY, JOB, "-o", str(tmp_path / "out"), "--pdf", "letter"]) == 0
    shown = capsys.readouterr().err
    assert "no PDF of every sheet: the browser ended with 1; print from the page" in shown
    assert "Traceback" not in shown


def test_no_pdf_of_an_older_plan_stays(engine, tmp_path, capsys):
    engine(WHOLE)
    folder = tmp_path / "out"
    assert main(["plan", TERRITORY, JOB, "-o", str(folder), "--pdf", "letter"]) == 0
    assert main(["plan", TERRITORY, JOB, "-o", str(folder), "--no-pdf"]) == 2
    assert {file.name for file in folder.glob("*.pdf")} == NAMES
    assert main(["plan", TERRITORY, JOB, "-o", str(folder), "--no-pdf", "--force"]) == 0
    assert list(folder.glob("*.pdf")) == []
    capsys.readouterr()


def test_a_refusal_leaves_no_pdf_beside_it(tmp_path):
    job = ROOT / "sample_data" / "jobs" / "14-refused.toml"
    (tmp_path / "refused-14.crew.pdf").write_bytes(b"%PDF-1.4 an older plan %%EOF")
    assert main(["plan", TERRITORY, str(job), "-o", str(tmp_path)]) == 2
    assert main(["plan", TERRITORY, str(job), "-o", str(tmp_path), "--force"]) == 3
    assert [file.name for file in tmp_path.iterdir()] == ["refused-14.refused.json"]
