"""The commands: check, plan, map, diff, faults."""

from __future__ import annotations

import argparse
import gc
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gridground import __version__
from gridground.errors import (
    GridgroundError,
    InputError,
    NoPlanError,
    Problem,
    TableError,
    gathered,
    refuse_if,
)
from gridground.pdf import PAPERS, SETTING, paper_asked, pdf_names
from gridground.terminal import escape_what_is_lacking

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.former import Written
    from gridground.job import Job
    from gridground.territory.layers import Territory

READY, OPEN, REJECTED, NO_PLAN = 0, 1, 2, 3


def run() -> int:
    """Run a command in a process of its own, without walking what ends with it anyway."""
    gc.disable()
    escape_what_is_lacking()
    code = main()
    gc.freeze()
    return code


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code.

    0 done (a plan: ready) · 1 open items remain · 2 rejected · 3 no plan possible.
    """
    parser = _parser()
    try:
        asked = parser.parse_args(arguments)
    except SystemExit as stop:
        return int(stop.code or 0) if isinstance(stop.code, int) else REJECTED
    try:
        return int(asked.run(asked))
    except InputError as error:
        return _report(error.problems, getattr(asked, "territory", None))
    except (TableError, GridgroundError) as error:
        _say(f"rejected: {error}")
        return REJECTED
    except BrokenPipeError:
        return REJECTED


def _parser() -> argparse.ArgumentParser:
    """Describe the commands."""
    parser = argparse.ArgumentParser(
        prog="gridground",
        description="Plan temporary protective grounding on the map.",
        epilog="exit codes: 0 done or ready, 1 open items remain, 2 rejected, 3 no plan possible",
    )
    parser.add_argument("--version", action="version", version=f"gridground {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    check = _command(commands, "check", "read and judge the data", "check sample_data/territory")
    check.add_argument("territory")
    check.add_argument("--json", action="store_true", help="print the findings as JSON")
    check.set_defaults(run=_check)
    example = "plan sample_data/territory sample_data/jobs/01-straight.toml -o out"
    plan = _command(commands, "plan", "plan one job: plan, map, tables", example)
    plan.add_argument("territory")
    plan.add_argument("job")
    plan.add_argument("-o", "--output", required=True, metavar="FOLDER")
    plan.add_argument("--json", action="store_true", help="print a summary as JSON")
    plan.add_argument("--force", action="store_true", help="write over existing files")
    plan.add_argument(
        "--beside",
        action="append",
        default=[],
        metavar="FOLDER",
        help="plans of other crews, looked at like those in the output folder; may be repeated",
    )
    plan.add_argument(
        "--record",
        metavar="RECORD.json",
        help="a field record of the plan before: the plan is made anew with what was measured",
    )
    plan.add_argument(
        "--previous",
        metavar="PLAN.json",
        help="the plan before, of which this is a new revision; with --record the one in the "
        "output folder unless named. With --force the former file there is kept as "
        "<job_id>.rev<n>.plan.json",
    )
    plan.add_argument(
        "--pdf",
        choices=PAPERS,
        help="paper of the sheets, which are written as PDF where a Chromium is found; without "
        f"it the environment's {SETTING} counts (letter, a4 or off), then letter",
    )
    plan.add_argument("--no-pdf", action="store_true", help="write no PDF: quicker")
    plan.set_defaults(run=_plan)
    example = "map out/straight-01.plan.json -o map.html"
    draw = _command(commands, "map", "draw a saved plan again", example)
    draw.add_argument("plan")
    draw.add_argument("-o", "--output", required=True, metavar="FILE.html")
    draw.add_argument("--force", action="store_true", help="write over an existing file")
    draw.set_defaults(run=_map)
    example = "diff out/straight-01.rev1.plan.json out/straight-01.plan.json"
    diff = _command(commands, "diff", "what changed between two plans, in words", example)
    diff.add_argument("before", metavar="A.plan.json")
    diff.add_argument("after", metavar="B.plan.json")
    diff.add_argument("--json", action="store_true", help="print every change as JSON")
    diff.add_argument("--all", action="store_true", help="print every change, not only the first")
    diff.epilog = f"{diff.epilog}; exit code 0 whether or not anything differs, 2 rejected"
    diff.set_defaults(run=_diff)
    example = "faults sample_data/territory -o faults.csv"
    faults = _command(commands, "faults", "fault currents at every pole", example)
    faults.add_argument("territory")
    faults.add_argument("--circuit", metavar="ID", help="one circuit only")
    faults.add_argument("-o", "--output", required=True, metavar="FILE", help=".csv or .parquet")
    faults.add_argument("--force", action="store_true", help="write over an existing file")
    faults.set_defaults(run=_faults)
    return parser


def _command(commands: Any, name: str, text: str, example: str) -> argparse.ArgumentParser:  # noqa: ANN401
    """Add a command with an example in its help."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=text, description=text, epilog=f"example: gridground {example}"
    )
    return parser


def _say(text: str) -> None:
    """Print a message for people."""
    print(_plain(text), file=sys.stderr)


def _plain(text: str) -> str:
    """Keep control characters of the data away from the terminal."""
    return "".join(c if c == "\n" or c.isprintable() else "�" for c in text)


def _report(problems: Sequence[Problem], territory: str | None = None) -> int:
    """Print rejections and return the exit code; those of the data the first few of many."""
    from gridground.summary import problem_lines  # noqa: PLC0415  start-up time

    for line in problem_lines(problems, territory):
        _say(line)
    return REJECTED


def _check(asked: argparse.Namespace) -> int:
    """Read and judge a territory."""
    from gridground.summary import judged_lines  # noqa: PLC0415  start-up time
    from gridground.territory.read import judge_territory  # noqa: PLC0415

    judged = judge_territory(asked.territory)
    if asked.json:
        found = {
            "ok": judged.ok,
            "rows": judged.rows,
            "problems": [vars(p) | {"feature_ids": list(p.feature_ids)} for p in judged.problems],
        }
        print(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        for line in judged_lines(judged):
            _say(line)
    if not judged.ok:
        return REJECTED
    return OPEN if any(p.level == "open item" for p in judged.problems) else READY


def _plan(asked: argparse.Namespace) -> int:
    """Plan one job and write its files."""
    from gridground.export import plan_files, read_others, write_files  # noqa: PLC0415  start-up
    from gridground.folder import job_files, taken_over  # noqa: PLC0415
    from gridground.former import Written, former_files  # noqa: PLC0415
    from gridground.jobfile import check_job, read_job  # noqa: PLC0415
    from gridground.jobmap import page_html  # noqa: PLC0415
    from gridground.plan import plan_job  # noqa: PLC0415
    from gridground.revising import account_lines, revision_asked  # noqa: PLC0415
    from gridground.territory.read import read_territory  # noqa: PLC0415

    folder = Path(asked.output)
    paper, job, territory, beside = gathered(
        lambda: paper_asked(asked.pdf, none=asked.no_pdf),
        lambda: read_job(asked.job),
        lambda: read_territory(asked.territory),
        lambda: _beside(asked),
    )
    told, _, _ = gathered(
        lambda: revision_asked(
            asked.previous, asked.record, folder=folder, job_id=job.job_id, force=asked.force
        ),
        lambda: refuse_if(check_job(job, territory)),
        lambda: refuse_if(taken_over(folder, job_files(job.job_id), _inputs(asked, job.job_id))),
    )
    for line in [] if told.account is None else account_lines(told.account):
        _say(line)
    others, unread = read_others(beside, job_id=job.job_id)
    try:
        plan = plan_job(territory, job, others=others, unread=unread, revision=told.revision)
    except NoPlanError as error:
        return _refuse(asked, error, (territory, job), told.kept)
    files = told.kept | plan_files(plan, page_html(plan))
    former = former_files(folder, job.job_id)
    # PDFs of an earlier plan never stay beside this one.
    old = [f"{job.job_id}.refused.json", *pdf_names(job.job_id)]
    write_files(folder, files, force=asked.force, instead_of=old)
    pdfs = _pdfs(folder, job.job_id, paper=paper) if paper else ()
    account = None if told.account is None else told.account.row()
    written = Written(former, tuple(told.kept), tuple(files), pdfs)
    _summary(asked, plan.document, account, written)
    return READY if plan.ready else OPEN


def _inputs(asked: argparse.Namespace, job_id: str) -> list[Path]:
    """Return what the call reads; the job's own plan in the folder is kept under another name."""
    from gridground.folder import read_by, same_file  # noqa: PLC0415  start-up time

    own = Path(asked.output) / f"{job_id}.plan.json"
    previous = asked.previous
    if previous is not None and same_file(own, Path(previous)):
        previous = None
    return read_by(asked.territory, asked.job, asked.record, previous)


def _pdfs(folder: Path, job_id: str, *, paper: str) -> tuple[str, ...]:
    """Write the sheets as PDF, or say why there are none; return the names of those written."""
    from gridground.export import write_files  # noqa: PLC0415  start-up time
    from gridground.pdf import find_engine, sheet_pdfs  # noqa: PLC0415

    engine = find_engine()
    if engine is None:
        _say("no PDF: no Chromium on this machine; print from the page")
        return ()
    pdfs, failed = sheet_pdfs(folder / f"{job_id}.html", paper=paper, engine=engine)
    files = {f"{job_id}.{sheet}.pdf": made for sheet, made in pdfs.items()}
    try:
        write_files(folder, files, force=True)
    except InputError as error:
        failed, files = (*failed, *(problem.sentence() for problem in error.problems)), {}
    for reason in failed:
        _say(f"no PDF of every sheet: {reason}; print from the page")
    return tuple(files)


def _beside(asked: argparse.Namespace) -> list[Path]:
    """Return the folders with the plans of other jobs; those named must be there."""
    named = [Path(name) for name in asked.beside]
    problems = [
        Problem("reject", "call", (str(path),), "--beside", "is no folder", "Name a folder.")
        for path in named
        if not path.is_dir()
    ]
    if problems:
        raise InputError(problems)
    return [Path(asked.output), *named]


def _summary(
    asked: argparse.Namespace,
    document: dict[str, Any],
    account: dict[str, Any] | None,
    written: Written,
) -> None:
    """Say what was planned."""
    from gridground.sharing import Call, find_shares  # noqa: PLC0415  start-up time
    from gridground.summary import plan_lines  # noqa: PLC0415

    paper = ("--no-pdf",) if asked.no_pdf else ("--pdf", asked.pdf) if asked.pdf else ()
    call = Call(asked.territory, asked.job, asked.output, tuple(asked.beside), paper)
    shares = find_shares(document, call)
    if asked.json:
        keys = ("job_id", "method", "method_reason", "totals", "open_items", "plan_hash")
        found = {k: document[k] for k in (*keys, "revision", "revises", "ready")}
        found |= {"changes": document.get("changes", [])}
        found |= {} if account is None else {"record": account}
        found |= {"shares": [share.data() for share in shares]} | written.data()
        print(json.dumps(found, ensure_ascii=False))
        return
    for line in plan_lines(document, shares, written.lines(asked.output, document)):
        _say(line)


def _refuse(
    asked: argparse.Namespace,
    error: NoPlanError,
    inputs: tuple[Territory, Job],
    kept: dict[str, bytes],
) -> int:
    """Write why no plan is possible."""
    from gridground.export import PLAN_ENDS, write_files  # noqa: PLC0415  start-up time
    from gridground.former import Written, former_files  # noqa: PLC0415
    from gridground.summary import refusal_lines  # noqa: PLC0415

    territory, job = inputs
    reasons = [vars(r) | {"where": list(r.where)} for r in dict.fromkeys(error.reasons)]
    refusal = {
        "format": "gridground-refusal/1",
        "job_id": job.job_id,
        "reasons": reasons,
        "inputs": [dict(row) for row in (*territory.inputs, job.input)],
    }
    text = json.dumps(refusal, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    files = kept | {f"{job.job_id}.refused.json": (text + "\n").encode("utf-8")}
    old = [*(f"{job.job_id}.{end}" for end in PLAN_ENDS), *pdf_names(job.job_id)]
    former = former_files(Path(asked.output), job.job_id)
    write_files(Path(asked.output), files, force=asked.force, instead_of=old)
    if asked.json:
        print(text)
    for line in refusal_lines(job.job_id, reasons):
        _say(line)
    for line in Written(former, tuple(kept), tuple(files), ()).lines(asked.output, None):
        _say(line)
    return NO_PLAN


def _map(asked: argparse.Namespace) -> int:
    """Draw a saved plan again."""
    from gridground.export import read_plan, write_files  # noqa: PLC0415  start-up time
    from gridground.folder import (  # noqa: PLC0415
        of_other_plans,
        other_plan_line,
        other_plan_problem,
    )
    from gridground.jobmap import page_html  # noqa: PLC0415

    plan = read_plan(asked.plan)
    page = page_html(plan)
    target = Path(asked.output)
    if target.exists() and target.samefile(asked.plan):
        found = "is the plan itself"
        return _report([Problem("reject", "call", (), "--output", found, "Name another file.")])
    job_id, hash_ = plan["job_id"], plan["plan_hash"]
    names = [n for n in of_other_plans(target.parent, job_id, hash_) if n != target.name]
    if names and target.name == f"{job_id}.html" and not asked.force:
        return _report([other_plan_problem(target.parent, names, job_id)])
    write_files(target.parent, {target.name: page.encode("utf-8")}, force=asked.force)
    _say(f"{target}: {'ready' if plan.ready else 'not ready'} per plan")
    if names:
        _say(other_plan_line(names, hash_))
    return READY


def _diff(asked: argparse.Namespace) -> int:
    """Say what changed between two plans."""
    from gridground.differences import difference_lines  # noqa: PLC0415  start-up time
    from gridground.revising import compare_plans  # noqa: PLC0415

    compared = compare_plans(asked.before, asked.after)
    if asked.json:
        print(json.dumps(compared.row(), ensure_ascii=False, indent=1))
    else:
        named = compared.row()
        both = (named["before"], named["after"])
        lines = compared.lines() if asked.all else difference_lines(both, compared.changes)
        print(_plain("\n".join(lines)))
    return READY


def _faults(asked: argparse.Namespace) -> int:
    """Write the fault currents of a whole territory."""
    from gridground.export import write_files  # noqa: PLC0415  start-up time
    from gridground.faulttable import fault_file  # noqa: PLC0415
    from gridground.folder import read_by, taken_over  # noqa: PLC0415
    from gridground.territory.read import read_territory  # noqa: PLC0415

    target = Path(asked.output)
    territory = read_territory(asked.territory)
    refuse_if(taken_over(target.parent, [target.name], read_by(asked.territory)))
    made = fault_file(territory, circuit_id=asked.circuit, suffix=target.suffix)
    write_files(target.parent, {target.name: made.content}, force=asked.force)
    _say(f"{made.rows} rows in {target}")
    if made.generators:
        names = ", ".join(made.generators)
        _say(f"without the generators {names}: a plan counts those that are not isolated")
    return READY
