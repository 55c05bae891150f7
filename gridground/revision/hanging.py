"""What still hangs under the plan before when a revision is made: its page counts from zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.record import Note
from gridground.revision.account import hold_record

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.revision.fieldrecord import FieldRecord


def hanging_text(record: FieldRecord, previous: dict[str, Any]) -> str | None:
    """Say what a record tells to be on and not off: no count of a new plan holds it.

    Parameters
    ----------
    record : FieldRecord
        Held against `previous` already.
    previous : dict
        Document of the plan before.

    Returns
    -------
    str or None
        None where every lead is off and nobody is marked on the line.
    """
    account = hold_record(record, previous)
    if not account.difference and not account.on_the_line:
        return None
    people = (
        f" Marked on the line: {', '.join(account.on_the_line)}." if account.on_the_line else ""
    )
    told = (
        f"{account.counted_on} ticked on, {account.counted_off} off, {account.difference} still on "
        f"at {record.exported_at} by the record"
    )
    return (
        f"Leads of revision {record.revision} were on when this plan was made: {told}.{people} "
        "The counts of this plan begin at zero and do not hold them. Look at every pole of both "
        "plans. What this plan does not have comes off by the steps of revision "
        f"{record.revision}, whose page gridground map draws again from its plan file; the rest is "
        "ticked here only when somebody has looked at it"
    )


def hanging_notes(occurrences: Sequence[dict[str, Any]]) -> tuple[Note, ...]:
    """Return the first cautions of a plan: what hangs under those before it, settled or not."""
    return tuple(
        Note(f"{row['text']}.", "field record of the plan before")
        for row in occurrences
        if row["code"] == "leads_hang_under_earlier_plan"
    )
