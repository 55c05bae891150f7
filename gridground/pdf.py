"""The sheets of a page as PDF, printed by a Chromium that is on the machine; without one, none.

A PDF holds the time at which it was made and what the engine makes of its fonts: the same plan
gives the same page, and not the same bytes of a PDF.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import TYPE_CHECKING

from gridground.errors import InputError, Problem

if TYPE_CHECKING:
    import subprocess

SHEETS = ("crew", "dispatcher", "briefing", "truck")
PAPERS = ("letter", "a4")
OFF = "off"
SETTING = "GRIDGROUND_PDF"
ENGINES = (
    *("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"),
    *("microsoft-edge", "microsoft-edge-stable", "msedge"),
)
LIMIT_S = 60.0
# Nothing is fetched: the page needs nothing, and the engine is not to look for anything either.
FLAGS = (
    *("--headless", "--disable-gpu", "--no-first-run", "--no-default-browser-check"),
    *("--disable-extensions", "--disable-sync", "--disable-component-update"),
    *("--disable-background-networking", "--disable-default-apps", "--disable-breakpad"),
    *("--host-resolver-rules=MAP * ~NOTFOUND", "--no-pdf-header-footer"),
)
_AT_ONCE = 2


def paper_asked(paper: str | None, *, none: bool) -> str | None:
    """Return the paper on which PDFs are printed, or nothing where none is wanted.

    Parameters
    ----------
    paper : str or None
        What the call names; without it the environment's ``GRIDGROUND_PDF`` counts, which may
        also be ``off``, then letter.
    none : bool
        Whether the call wants no PDF.

    Raises
    ------
    InputError
        Where the environment names something else.
    """
    if none:
        return None
    named = paper or os.environ.get(SETTING, "").strip().lower() or PAPERS[0]
    if named == OFF:
        return None
    if named not in PAPERS:
        remedy = f"Set it to {', '.join(PAPERS)} or {OFF}, or leave it away."
        raise InputError([Problem("reject", "environment", (named,), SETTING, "no paper", remedy)])
    return named


def find_engine() -> str | None:
    """Return the path of the first Chromium on the search path, or nothing."""
    import shutil  # noqa: PLC0415  start-up time

    return next(filter(None, map(shutil.which, ENGINES)), None)


def pdf_names(job_id: str) -> tuple[str, ...]:
    """Return the file names of a job's sheets."""
    return tuple(f"{job_id}.{sheet}.pdf" for sheet in SHEETS)


def sheet_pdfs(page: Path, *, paper: str, engine: str) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Print the sheets of a page.

    Parameters
    ----------
    page : Path
        The job's page on disk.
    paper : str
        ``"letter"`` or ``"a4"``.
    engine : str
        Path of the Chromium, from `find_engine`.

    Returns
    -------
    pdfs : dict of bytes
        By sheet; those that failed are missing.
    failed : tuple of str
        Why, each cause once.
    """
    import tempfile  # noqa: PLC0415  start-up time

    found: dict[str, bytes | str] = {}
    try:
        with tempfile.TemporaryDirectory(
            prefix="gridground-pdf-", ignore_cleanup_errors=True
        ) as folder:
            for first in range(0, len(SHEETS), _AT_ONCE):
                addresses = {
                    sheet: f"{page.resolve().as_uri()}#print={sheet}&paper={paper}"
                    for sheet in SHEETS[first : first + _AT_ONCE]
                }
                found |= _print(addresses, engine=engine, folder=Path(folder))
    except OSError as error:
        found[""] = error.strerror or str(error)
    pdfs = {sheet: made for sheet, made in found.items() if isinstance(made, bytes)}
    failed = dict.fromkeys(made for made in found.values() if isinstance(made, str))
    return pdfs, tuple(failed)


def _print(addresses: dict[str, str], *, engine: str, folder: Path) -> dict[str, bytes | str]:
    """Print some addresses at once, each in a profile of its own; a text says why one failed."""
    running: dict[str, subprocess.Popen[bytes]] = {}
    try:
        for sheet, address in addresses.items():
            running[sheet] = _start(address, engine=engine, name=folder / sheet)
        limit_s = time.monotonic() + LIMIT_S
        return {
            sheet: _result(process, until_s=limit_s, target=_target(folder / sheet))
            for sheet, process in running.items()
        }
    finally:
        for process in running.values():
            _end(process)


def _target(name: Path) -> Path:
    """Return where the engine writes a sheet."""
    return name.with_suffix(".pdf")


def _start(address: str, *, engine: str, name: Path) -> subprocess.Popen[bytes]:
    """Start the engine in a session of its own, with its profile beside what it writes."""
    import subprocess  # noqa: PLC0415  start-up time

    flags = (*FLAGS, *_as_root(), f"--user-data-dir={name}", f"--print-to-pdf={_target(name)}")
    return subprocess.Popen(  # noqa: S603  an engine found on the path, no shell
        [engine, *flags, address],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _result(process: subprocess.Popen[bytes], *, until_s: float, target: Path) -> bytes | str:
    """Wait for one engine until a time of the monotonic clock; return its PDF or what failed."""
    import subprocess  # noqa: PLC0415  start-up time

    try:
        code = process.wait(timeout=max(0.0, until_s - time.monotonic()))
    except subprocess.TimeoutExpired:
        return f"the browser took more than {LIMIT_S:g} s"
    if code:
        return f"the browser ended with {code}"
    made = target.read_bytes() if target.is_file() else b""
    return made if _is_whole(made) else "the browser wrote no PDF"


def _is_whole(made: bytes) -> bool:
    """Return whether bytes begin and end as a PDF does."""
    return made.startswith(b"%PDF-") and b"%%EOF" in made[-1024:]


def _as_root() -> tuple[str, ...]:
    """Return the flag without which Chromium does not start as root, as in a container.

    The sandbox stays on for everybody else. What is opened is this program's own page, which
    forbids every script but its own and every request.
    """
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    return ("--no-sandbox",) if root else ()


def _end(process: subprocess.Popen[bytes]) -> None:
    """End an engine that still runs with all it started: its own session, nothing else."""
    if process.poll() is not None:
        return
    if hasattr(os, "killpg"):
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.wait()
