"""A plan made anew: which plan it revises, by which field record, and which files are kept."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.export import read_plan
from gridground.jobmap.changed import FIRST as HEADLINES
from gridground.jobmap.shape import check_shape
from gridground.revision.account import hold_record
from gridground.revision.changes import find_changes
from gridground.revision.fieldrecord import read_record
from gridground.revision.measured import FIRST, Revision, revision_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.revision.account import Account
    from gridground.revision.comparison import Change


# Whose sentence says how it reads now; how it read before stands beside it.
_READS = frozenset({"step", "caution", "assumption"})


@dataclass(frozen=True)
class Asked:
    """What a call says about the plan before.

    Attributes
    ----------
    revision : Revision
        Of the plan to be made.
    account : Account or None
        What the field record says; None without one.
    kept : dict of bytes
        Files to be kept beside the new plan, by name.
    """

    revision: Revision
    account: Account | None
    kept: dict[str, bytes]


def revision_asked(
    previous: str | None, record: str | None, *, folder: Path, job_id: str, force: bool
) -> Asked:
    """Read the plan before and the field record, and hold one against the other.

    Parameters
    ----------
    previous : str or None
        Path of the plan before; None: with a record, the plan in the folder.
    record : str or None
        Path of the field record.
    folder : Path
        Where the new plan goes; the former plan file there is kept as
        ``<job_id>.rev<n>.plan.json``.
    job_id : str
        Job planned now.
    force : bool
        Whether files there may be written over.

    Returns
    -------
    Asked
        Of a first plan without `previous` and `record`.

    Raises
    ------
    InputError
        Where a file cannot be used, the record belongs to another plan, the plan to another job,
        or a first plan would take the place of a revision.
    """
    there = folder / f"{job_id}.plan.json"
    if previous is None and record is None:
        if force:
            _refuse_to_forget(there)
        return Asked(FIRST, None, {})
    told = None if record is None else read_record(record)
    before = _previous(previous, there).document
    if before["job_id"] != job_id:
        found = f"is a plan of job {before['job_id']}, not of {job_id}"
        raise InputError(
            [Problem("reject", "call", (), "--previous", found, "Name the job's own plan.")]
        )
    account = None if told is None else hold_record(told, before)
    return Asked(revision_of(before, told), account, _kept(there, job_id))


def _previous(previous: str | None, there: Path) -> Any:  # noqa: ANN401  a Plan
    """Read the plan before, whole and in the shape of a plan."""
    if previous is None and not there.is_file():
        found = f"there is no {there.name} in the folder to hold the record against"
        remedy = "Name the plan that the record was made with, by --previous."
        raise InputError([Problem("reject", "call", (), "--record", found, remedy)])
    plan = read_plan(there if previous is None else previous)
    check_shape(plan.document)
    return plan


def _refuse_to_forget(there: Path) -> None:
    """Refuse to put a first plan in the place of a revision: what was measured would be lost."""
    try:
        document = read_plan(there).document
    except InputError:
        return
    if document.get("revision", 1) == 1:
        return
    found = f"is revision {document['revision']}, with what was measured in the field"
    remedy = "Name it by --previous to go on from it, or plan into another folder."
    raise InputError([Problem("reject", str(there.parent), (), there.name, found, remedy)])


def _kept(there: Path, job_id: str) -> dict[str, bytes]:
    """Return the former plan file of a folder under the name by which it is kept."""
    try:
        content = there.read_bytes()
    except OSError:
        return {}
    try:
        number = int(read_plan(there).document.get("revision", 1))
    except (InputError, TypeError, ValueError):
        number = 0
    name = f"{job_id}.rev{number}.plan.json"
    other = there.parent / name
    if other.exists() and other.read_bytes() != content:
        name = f"{job_id}.rev{number}-{hashlib.sha256(content).hexdigest()[:8]}.plan.json"
    return {name: content}


def account_lines(account: Account) -> list[str]:
    """Return what a record says, in lines; a tick says who made it and when, and no more."""
    lines = [
        f"record: {account.ticked} of {account.steps} steps ticked; leads ticked on "
        f"{account.counted_on}, off {account.counted_off}, difference {account.difference}",
        f"record: handed over at {account.exported_at}; check words {account.check}; "
        "other words over the radio, another record",
    ]
    if account.on_the_line:
        lines.append(f"record: marked on the line: {', '.join(account.on_the_line)}")
    lines += [
        f"record: taken back: entry {one.seq}, {one.kind} {one.about or ''}".rstrip()
        + f", by {one.said}"
        for one in account.undone
    ]
    return lines + [f"record: look at entry {one.seq}: {one.text}" for one in account.remarks]


def change_lines(changes: Sequence[dict[str, Any]]) -> list[str]:
    """Return the changes of most weight in lines, and how many more there are."""
    first = [row["text"] for row in changes if row["what"] in HEADLINES]
    rest = len(changes) - len(first)
    more = [f"and {rest} more in steps, figures and data"] if rest else []
    return [f"changed: {text}" for text in first] + more


@dataclass(frozen=True)
class Compared:
    """Two plans compared.

    Attributes
    ----------
    before, after : dict
        Documents.
    changes : list of Change
        The most important first.
    """

    before: dict[str, Any]
    after: dict[str, Any]
    changes: list[Change]

    def row(self) -> dict[str, Any]:
        """Return the comparison as plain data."""
        return {
            "before": _named(self.before),
            "after": _named(self.after),
            "same_job": self.before["job_id"] == self.after["job_id"],
            "changes": [change.row() for change in self.changes],
        }

    def lines(self) -> list[str]:
        """Return every difference as people read it, the most important first."""
        lines = [
            f"{side['job_id']}, revision {side['revision']}, plan {side['plan_hash'][:12]}"
            for side in (_named(self.before), _named(self.after))
        ]
        if not self.changes:
            return [*lines, "no difference"]
        subject = ""
        for change in self.changes:
            if change.what != subject:
                subject = change.what
                lines += ["", subject.upper()]
            lines.append(f"  {change.text}")
            if change.what in _READS and change.before and change.after:
                lines.append(f"      before: {change.before}")
        return lines


def _named(document: dict[str, Any]) -> dict[str, Any]:
    """Return what a plan is called by."""
    keys = {key: document[key] for key in ("job_id", "title", "plan_hash", "made_at")}
    return keys | {"revision": document.get("revision", 1)}


def compare_plans(before: str, after: str) -> Compared:
    """Read two saved plans and compare them.

    Parameters
    ----------
    before, after : str
        Paths of plan files.

    Raises
    ------
    InputError
        With what is wrong with either: missing, no plan, altered after it was made.
    """
    documents = []
    problems: list[Problem] = []
    for path in (before, after):
        try:
            plan = read_plan(path)
            check_shape(plan.document)
            documents.append(plan.document)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return Compared(documents[0], documents[1], find_changes(documents[0], documents[1]))
