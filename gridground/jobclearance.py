"""The ``[clearance]`` table of a job file: who holds the clearance, from whom, and when."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from gridground.job import ClearanceAsked
from gridground.jobvalues import as_ids, as_text

if TYPE_CHECKING:
    from gridground.jobvalues import Section

_WANTED = "write date, time and offset from UTC, e.g. 2026-04-14T07:30:00-06:00"


def as_moment(value: object) -> str:
    """Read a date with time and offset from UTC, as text or as a TOML date-time.

    Returns
    -------
    str
        ISO 8601 with whole seconds and the offset as stated.

    Raises
    ------
    ValueError
        With the remedy, where the offset or anything else is missing.

    Examples
    --------
    >>> as_moment("2026-04-14T07:30-06:00"), as_moment("2026-04-14 13:30:00Z")
    ('2026-04-14T07:30:00-06:00', '2026-04-14T13:30:00+00:00')
    """
    moment = value
    if isinstance(value, str) and 16 <= len(value) <= 40 and value.isascii():
        try:
            moment = dt.datetime.fromisoformat(value)
        except ValueError:
            raise ValueError(_WANTED) from None
    if not isinstance(moment, dt.datetime) or moment.utcoffset() is None:
        raise ValueError(_WANTED)
    return moment.isoformat(timespec="seconds")


def _number(value: object) -> str:
    """Read the number of the clearance; a whole number is taken as text."""
    (one,) = as_ids(least=1)([value])
    return one


def read_clearance(section: Section) -> ClearanceAsked:
    """Read who holds the clearance; what is not stated stays unknown.

    Parameters
    ----------
    section : Section
        The table ``[clearance]``; receives the problems.
    """
    asked = ClearanceAsked(
        holder=section.take("holder", as_text),
        authority=section.take("authority", as_text),
        number=section.take("number", _number),
        work_start=section.take("work_start", as_moment),
        work_end=section.take("work_end", as_moment),
    )
    if asked.work_start is not None and asked.work_end is not None:
        start, end = map(dt.datetime.fromisoformat, (asked.work_start, asked.work_end))
        if start >= end:
            found = f"{asked.work_end} is not after work_start, {asked.work_start}"
            section.add("work_end", found, "correct one of the two")
    return asked
