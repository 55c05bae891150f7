"""What stood in the folder before a plan was written over it, and what became of it, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError
from gridground.export import PLAN_ENDS, read_plan, usual_file
from gridground.pdf import pdf_names
from gridground.summary import counted, files_line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

SHOWN_DIGITS = 12
_PLACE = ("circuit_ids", "worksite_poles", "worksite_span")


@dataclass(frozen=True)
class Former:
    """The files of one job in a folder before a command wrote there.

    Attributes
    ----------
    plan : dict or None
        The former plan's document; None where there was none, or none that can be read.
    names : tuple of str
        Files of the job that were there: plan, page, tables, refusal.
    pdfs : tuple of str
        Its sheets.
    """

    plan: dict[str, Any] | None
    names: tuple[str, ...]
    pdfs: tuple[str, ...]


@dataclass(frozen=True)
class Written:
    """What a command wrote, and what stood there before.

    Attributes
    ----------
    former : Former
        As it was before.
    kept : tuple of str
        Names under which former files stay.
    names, pdfs : tuple of str
        Files written, the sheets apart.
    """

    former: Former
    kept: tuple[str, ...]
    names: tuple[str, ...]
    pdfs: tuple[str, ...]

    @property
    def removed(self) -> list[str]:
        """Sheets that stood there and are gone."""
        return [name for name in self.former.pdfs if name not in self.pdfs]

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        plan = self.former.plan
        keys = ("plan_hash", "made_at", "revision")
        return {
            "files": [*self.names, *self.pdfs],
            "kept": list(self.kept),
            "replaced": None if plan is None else {key: plan.get(key) for key in keys},
            "removed": self.removed,
        }

    def lines(self, folder: str, document: Mapping[str, Any] | None) -> list[str]:
        """Say where the files are, what was replaced, kept and removed.

        Parameters
        ----------
        folder : str
            As the call names it.
        document : mapping or None
            The new plan; None: a refusal was written.
        """
        lines = [files_line(folder, self.names, self.pdfs)]
        lines += _replaced(self.former, document, self.kept)
        lines += [f"kept: the former plan as {name}" for name in self.kept]
        if gone := self.removed:
            lines.append(f"removed: {counted(len(gone), 'PDF')} of it: {', '.join(gone)}")
        if gone and not self.pdfs and document is not None:
            lines.append("No PDF belongs to the new plan; print from its page.")
        return lines


def former_files(folder: Path, job_id: str) -> Former:
    """Return what of a job stands in a folder."""
    file = folder / f"{job_id}.plan.json"
    try:
        plan = read_plan(file).document if usual_file(file) else None
    except InputError:
        plan = None
    names = (*(f"{job_id}.{end}" for end in PLAN_ENDS), f"{job_id}.refused.json")
    there = tuple(name for name in names if (folder / name).exists())
    return Former(plan, there, tuple(n for n in pdf_names(job_id) if (folder / n).exists()))


def _replaced(former: Former, document: Mapping[str, Any] | None, kept: Sequence[str]) -> list[str]:
    """Say which plan the new files took the place of."""
    if not former.names:
        return []
    if former.plan is None:
        what = "a refusal" if former.names[-1].endswith(".refused.json") else "files without a plan"
        return [f"replaced: {what} of this job"]
    old = str(former.plan["plan_hash"])[:SHOWN_DIGITS]
    told = (
        f"plan {old} (revision {former.plan.get('revision', 1)}, made {former.plan.get('made_at')})"
    )
    if document is None:
        return [
            f"removed: {told} with its {counted(len(former.names), 'file')}: the job is refused now"
        ]
    new = str(document["plan_hash"])[:SHOWN_DIGITS]
    if new == old:
        return [f"replaced: {told} by the same plan"]
    lines = [
        f"replaced: {told} by plan {new} (revision {document.get('revision', 1)}). Tablets, papers "
        f"and records of {old} do not belong to {new}."
    ]
    if not kept:
        lines.append("The former plan is not kept; --previous would keep it as a revision.")
    was, now = _place(former.plan), _place(document)
    if was != now:
        lines.append(f"The former plan under this id had another worksite: {was}; now {now}.")
    return lines


def _place(document: Mapping[str, Any]) -> str:
    """Say where a plan's job works."""
    job = document.get("job")
    job = job if isinstance(job, dict) else {}
    circuits, poles, span = (job.get(key) for key in _PLACE)
    where = f"span {span}" if span else f"pole {', '.join(sorted(poles or []))}"
    return f"{where} of {', '.join(sorted(circuits or []))}"
