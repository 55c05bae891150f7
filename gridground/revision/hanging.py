"""What still hangs under the plan before when a revision is made: its page counts from zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.record import Note
from gridground.revision.account import hold_record

if TYPE_CHECKING:
    from gridground.revision.fieldrecord import FieldRecord

_SOURCE = "field record of the plan before"


def hanging_notes(previous: dict[str, Any], record: FieldRecord | None) -> tuple[Note, ...]:
    """Say what a record tells to be on and not off: no count of the new plan holds it.

    Parameters
    ----------
    previous : dict
        Document of the plan before.
    record : FieldRecord or None
        Held against `previous` already; None: what the plan before says of its own former plan
        goes on standing.
    """
    if record is None:
        rows = (row for row in previous.get("cautions", []) if row["source"] == _SOURCE)
        return tuple(Note(row["text"], row["source"]) for row in rows)
    account = hold_record(record, previous)
    if not account.difference and not account.on_the_line:
        return ()
    people = (
        f" Marked on the line: {', '.join(account.on_the_line)}." if account.on_the_line else ""
    )
    told = (
        f"{account.counted_on} ticked on, {account.counted_off} off, {account.difference} still on "
        f"at {record.exported_at} by the record"
    )
    text = (
        f"Leads of revision {record.revision} were on when this plan was made: {told}.{people} "
        "The counts of this plan begin at zero and do not hold them. Look at every pole of both "
        "plans. What this plan does not have comes off by the steps of revision "
        f"{record.revision}; the rest is ticked here only when somebody has looked at it."
    )
    return (Note(text, _SOURCE),)
