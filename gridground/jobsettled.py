"""The ``settled`` list of a job file: what a person found out about an entry of a field record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.job import Settled
from gridground.jobclearance import as_moment
from gridground.jobvalues import as_date, as_ids, as_text

if TYPE_CHECKING:
    from gridground.jobvalues import Section


def read_settled(section: Section) -> tuple[Settled, ...]:
    """Read what was settled.

    ``{ about = "removal_with_people_on", step = "R3", at = …, by = "…", on = …, found = "…" }``.

    Parameters
    ----------
    section : Section
        The job file; receives the problems.

    Notes
    -----
    All six are required: an open item is answered with a finding, a name and a day, and is never
    dismissed.
    """
    section.know(("settled",))
    if "settled" not in section.table:
        return ()
    found = []
    for one in section.each("settled"):
        about = one.take("about", _one_id, required=True)
        step_id = one.take("step", _one_id, required=True)
        at = one.take("at", as_moment, required=True)
        by = one.take("by", as_text, required=True)
        on = one.take("on", as_date, required=True)
        words = one.take("found", as_text, required=True)
        if about and step_id and at and by and on and words:
            found.append(Settled(about, step_id, at, by, on, words))
    return tuple(found)


def _one_id(value: object) -> str:
    """Read one id."""
    (one,) = as_ids(least=1)([value])
    return one
