"""The folder a call writes into: what it reads and must not write over, of which plan files are."""

from __future__ import annotations

import json
import os
import re
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from gridground.errors import InputError, Problem
from gridground.export import PLAN_ENDS, usual_file
from gridground.pdf import pdf_names
from gridground.territory.columns import LAYERS
from gridground.territory.mapping import FILE_NAME, read_mapping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

WIRES = ("conductors.csv", "constructions.csv")
_HASH = re.compile(rb"[0-9a-f]{64}")
_MOST_LINKS = 41  # as many as Linux follows, and the file


def job_files(job_id: str) -> tuple[str, ...]:
    """Return every name that the files of a job may have: written, or taken away."""
    ends = (*PLAN_ENDS, "refused.json")
    return (*(f"{job_id}.{end}" for end in ends), *pdf_names(job_id))


def read_by(territory: str, *others: str | None) -> list[Path]:
    """Return the files that a call reads: layers, tables and mapping of the data, and others.

    Parameters
    ----------
    territory : str
        Folder of the data.
    others : str or None
        Job file, record, ...; None for what the call does not name.
    """
    folder = Path(territory)
    try:
        mapping = read_mapping(folder)
        layers = [mapping.layer(name).file for name in LAYERS]
    except InputError:
        layers = [f"{name}.geojson" for name in LAYERS]
    named = [folder / name for name in (*layers, *WIRES, FILE_NAME)]
    return [*named, *(Path(one) for one in others if one is not None)]


def taken_over(folder: Path, names: Iterable[str], inputs: Sequence[Path]) -> list[Problem]:
    """Refuse to write over what the same call reads.

    Parameters
    ----------
    folder : Path
        Where the call writes.
    names : iterable of str
        Files it writes or takes away there.
    inputs : sequence of Path
        What it reads.

    Returns
    -------
    list of Problem
        One that names every such file; none where nothing would be lost.
    """
    held = [entry for one in inputs for entry in _entries(one)]
    lost = [n for n in names if any(e in held for e in _entries(folder / n, follow=False))]
    if not lost:
        return []
    found = "would be written over, and this call reads " + ("it" if len(lost) == 1 else "them")
    remedy = "Name another folder by -o, or give the job another job_id; --force does not help."
    return [Problem("reject", str(folder), (), ", ".join(lost), found, remedy)]


def same_file(one: Path, other: Path) -> bool:
    """Say whether two paths are there and stand for one file."""
    return not set(_entries(one)).isdisjoint(_entries(other))


def _entries(file: Path, *, follow: bool = True) -> Iterator[tuple[int, int]]:
    """Yield what a path stands for on the disk: itself, and each that its links point at."""
    here = file
    for _ in range(_MOST_LINKS if follow else 1):
        try:
            found = os.lstat(here)
        except (OSError, ValueError):
            return
        yield found.st_dev, found.st_ino
        if not stat.S_ISLNK(found.st_mode):
            return
        here = here.parent / here.readlink()


def of_other_plans(folder: Path, job_id: str, plan_hash: str) -> list[str]:
    """Return the files of a job in a folder that are of another plan than the one told.

    Parameters
    ----------
    folder : Path
    job_id : str
    plan_hash : str
        Of the plan whose page is drawn.

    Returns
    -------
    list of str
        Files that carry another hash; sheets as PDF, which carry none that can be read, where the
        plan beside them is another one or is not there.
    """
    names = [name for name in job_files(job_id) if usual_file(folder / name)]
    sheets = [name for name in names if name.endswith(".pdf")]
    own = _plan_hash(folder / f"{job_id}.plan.json")
    same = {
        name: _carries(folder / name, plan_hash, beside=own) for name in names if name not in sheets
    }
    others = [name for name, is_same in same.items() if is_same is False]
    return others if same.get(f"{job_id}.plan.json") else [*others, *sheets]


def _plan_hash(file: Path) -> str | None:
    """Return the hash that a plan says it has; None where there is none."""
    try:
        found = json.loads(file.read_bytes())["plan_hash"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if isinstance(found, str) else None


def _carries(file: Path, plan_hash: str, *, beside: str | None) -> bool | None:
    """Say whether a file is of a plan; None where it carries no hash at all, or is not read.

    A later plan names the one before it: what carries the hash of the plan that lies `beside` is
    of that one.
    """
    try:
        content = file.read_bytes()
    except OSError:
        return None
    found = set(_HASH.findall(content))
    if beside is not None and beside != plan_hash and beside.encode() in found:
        return False
    return plan_hash.encode() in found if found else None


def other_plan_problem(folder: Path, names: Sequence[str], job_id: str) -> Problem:
    """Refuse a page under the job's own name beside files of another plan."""
    return Problem(
        "reject",
        str(folder),
        (),
        ", ".join(names),
        f"of another plan of job {job_id}, or of which plan is not known",
        "Name another folder or file, so that page and sheets of two plans are not mixed up; or "
        "use --force.",
    )


def other_plan_line(names: Sequence[str], plan_hash: str) -> str:
    """Say that files beside a page are of another plan."""
    return (
        f"LOOK: not of this plan ({plan_hash[:12]}), or of which plan is not known: "
        f"{', '.join(names)}. Do not hand them out with this page."
    )
