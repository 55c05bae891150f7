"""What the page asked before a tick and somebody pressed over; and ticks outside the clearance."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from gridground.jobclearance import as_moment
from gridground.revision.remark import Remark
from gridground.territory.text import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.revision.fieldrecord import Entry, FieldRecord

_FEW = 6


def asked_remarks(record: FieldRecord, plan: dict[str, Any]) -> list[Remark]:
    """Return what was pressed over a question, what was found after a reading, and when.

    Parameters
    ----------
    record : FieldRecord
        Held against `plan` already.
    plan : dict
        Document of the plan.
    """
    return [*_pressed_over(record), *_after_readings(record), *_outside(record, plan)]


def _about(one: Entry) -> str:
    """Name what an entry is about, who made it and when."""
    if one.kind == "tick":
        return f"step {one.about} ticked by {one.said}"
    return f"lead {one.about} written down by {one.said}"


def _pressed_over(record: FieldRecord) -> Iterator[Remark]:
    """Name what was asked and pressed over."""
    for one in record.standing:
        if one.asked:
            text = f"{_about(one)} by a second press. Asked before it: {' '.join(one.asked)}"
            yield Remark("pressed_over", one.seq, text)


def _after_readings(record: FieldRecord) -> Iterator[Remark]:
    """Name ticks of a step after a reading was told at it, with what was found, if it is told."""
    refused: dict[str, Entry] = {}
    for one in record.standing:
        name = str(one.about)
        if one.kind == "refused" and "detector" in one.values:
            refused[name] = one
        elif one.kind == "tick" and name in refused:
            before = refused[name]
            said = f"{_about(one)}, after {shown(before.values['detector'], limit=200)} of entry "
            said += f"{before.seq} ({before.said})"
            if one.found is None:
                yield Remark("reading_not_explained", one.seq, f"{said}; what was found: not told")
            else:
                text = f"{said}; found: {shown(one.found, limit=200)}"
                yield Remark("ticked_after_reading", one.seq, text)


def _outside(record: FieldRecord, plan: dict[str, Any]) -> Iterator[Remark]:
    """Name the ticks at a time before or after that of the clearance, all at once."""
    block = plan.get("clearance") or {}
    for key, word in (("work_start", "before"), ("work_end", "after")):
        if not block.get(key):
            continue
        try:
            bound = dt.datetime.fromisoformat(as_moment(block[key]))
        except ValueError:  # a plan made by hand: nothing to hold the ticks against
            continue
        side = 1 if word == "after" else -1
        ticks = (one for one in record.standing if one.kind == "tick")
        late = [one for one in ticks if side * _seconds_past(one, bound) > 0]
        if late:
            names = ", ".join(str(one.about) for one in late[:_FEW])
            rest = f" and {len(late) - _FEW} more" if len(late) > _FEW else ""
            verb = "are" if len(late) > 1 else "is"
            text = f"{names}{rest} {verb} ticked {word} {block[key]}, the clearance's time"
            yield Remark("outside_clearance", late[0].seq, text)


def _seconds_past(one: Entry, bound: dt.datetime) -> float:
    """Return how long after a time an entry was made [s]; negative before it."""
    return (dt.datetime.fromisoformat(one.at) - bound).total_seconds()
