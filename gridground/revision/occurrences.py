"""What went wrong in the field, and stays open in every revision until somebody settles it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.jobclearance import as_moment
from gridground.record import Note, OpenItem
from gridground.revision.account import steps_by_id, walk
from gridground.revision.hanging import hanging_text
from gridground.territory.text import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job, Settled
    from gridground.revision.fieldrecord import FieldRecord

# Remark of a record that stays open -> what it means for people.
STAYS = {
    "removal_with_people_on": "people may have been on the line without its grounds",
    "on_before_tested": "grounds may have gone on a line that was not tested",
    "released_with_people_on": "the line may have been released with people on it",
    "released_with_leads_on": "the line may have been released with grounds on it",
    "leads_hang_under_earlier_plan": "grounds or people may be on the line that no count of this "
    "plan holds",
}
_TEXTS = ("step_id", "at", "who", "text")


def occurrences_of(
    previous: dict[str, Any], record: FieldRecord | None
) -> tuple[dict[str, Any], ...]:
    """Return what went wrong by the plan before, and by a record made with it.

    Parameters
    ----------
    previous : dict
        Document of the plan before: what stands in it stays.
    record : FieldRecord or None
        Held against `previous` already.

    Returns
    -------
    tuple of dict
        Rows of a plan's ``occurrences``: ``code step_id at who revision text``; step and time
        name one, in every copy of its record.

    Raises
    ------
    InputError
        For rows of the plan before that cannot be used.
    """
    kept = [_whole(row) for row in previous.get("occurrences", [])]
    if record is None:
        return tuple(kept)
    entries = {one.seq: one for one in record.entries}
    for remark in walk(record, steps_by_id(previous))[1]:
        if remark.code not in STAYS:
            continue
        one = entries[remark.seq]
        kept.append(
            {
                "code": remark.code,
                "step_id": str(one.about),
                "at": one.at,
                "who": one.who,
                "revision": record.revision,
                "text": f"entry {remark.seq} of the record: {remark.text}",
            }
        )
    kept += _hanging(record, previous)
    return tuple({(row["code"], row["step_id"], row["at"]): row for row in kept}.values())


def _hanging(record: FieldRecord, previous: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the row of what is on by the record: it stays on record until somebody looked."""
    kinds = ("tick", "on the line")
    last = next((one for one in reversed(record.standing) if one.kind in kinds), None)
    if last is None or (text := hanging_text(record, previous)) is None:
        return []
    row = {"code": "leads_hang_under_earlier_plan", "step_id": last.about or "none", "at": last.at}
    return [row | {"who": last.who, "revision": record.revision, "text": text}]


def _whole(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of the plan before, without what is said of it since."""
    try:
        if row["code"] not in STAYS or not all(isinstance(row[key], str) for key in _TEXTS):
            raise ValueError("is no occurrence")  # noqa: TRY301  one error below
        as_moment(row["at"])
        return {key: row[key] for key in ("code", *_TEXTS)} | {"revision": int(row["revision"])}
    except (KeyError, TypeError, ValueError) as error:
        found = f"{shown(row)} cannot be used"
        remedy = "Make the earlier plan again."
        raise InputError([Problem("reject", "plan", (), "occurrences", found, remedy)]) from error


def occurrence_rows(job: Job, occurrences: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return ``occurrences`` of a plan: each with what settled it, None where nothing did."""
    rows = []
    for row in occurrences:
        by = _settled(job, row)
        said = None if by is None else {"by": by.by, "on": by.on, "found": by.found}
        rows.append(dict(row) | {"settled": said})
    return rows


def occurrence_items(job: Job, occurrences: Sequence[dict[str, Any]]) -> list[OpenItem]:
    """Ask about what went wrong, until it is settled."""
    return [
        OpenItem(
            row["code"],
            (row["step_id"],),
            f"{row['text']} (plan of revision {row['revision']})",
            STAYS[row["code"]],
            "the person in charge",
            "ask the crew what happened; where the entry is wrong take it back in the record and "
            f"plan again with the plan of revision {row['revision']}; else state in the job "
            f'settled = [{{ about = "{row["code"]}", step = "{row["step_id"]}", '
            f'at = "{row["at"]}", by = …, on = …, found = … }}]',
        )
        for row in occurrences
        if _settled(job, row) is None
    ]


def occurrence_notes(job: Job, occurrences: Sequence[dict[str, Any]]) -> list[Note]:
    """Say what was settled, by whom, and which statements settle nothing here."""
    notes = []
    known = set()
    for row in occurrences:
        known.add((row["code"], row["step_id"], row["at"]))
        by = _settled(job, row)
        if by is not None:
            text = f"{row['text']}. Settled by {by.by} on {by.on}: {by.found}"
            notes.append(Note(text, "settled in the job file"))
    for one in job.settled:
        if (one.about, one.step_id, one.at) not in known:
            text = (
                f"The job settles {one.about}, step {one.step_id} of {one.at}; no field record "
                "of this plan holds such an entry that is open."
            )
            notes.append(Note(text, "settled in the job file"))
    return notes


def _settled(job: Job, row: dict[str, Any]) -> Settled | None:
    """Return what settles one occurrence."""
    name = (row["code"], row["step_id"], row["at"])
    return next((one for one in job.settled if (one.about, one.step_id, one.at) == name), None)
