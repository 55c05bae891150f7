"""The ``[kit]`` table of a job file: what is on the truck, and until when a test counts."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.job import Kit, KitLead
from gridground.jobsizes import LONGEST_M, as_lead_size
from gridground.jobvalues import (
    as_count,
    as_date,
    as_ids,
    as_length_m,
    as_text,
)
from gridground.tables import read_table
from gridground.territory.text import near_remedy, shown

if TYPE_CHECKING:
    from gridground.jobvalues import Section

_INTERVAL = re.compile(r"\s*([1-9]\d{0,3})\s*(day|week|month|year)s?\s*")
_MOST_DAYS = 3660
_MONTHS = {"month": 1, "year": 12}
_DAYS = {"day": 1, "week": 7}


def as_id_text(value: object) -> str:
    """Read one id."""
    (one,) = as_ids(least=1)([value])
    return one


def clamp_names() -> tuple[str, ...]:
    """Return the names of the clamp table."""
    return tuple(row["name"] for row in read_table("clamps"))


def as_clamp(value: object) -> str:
    """Read the name of a clamp of the table."""
    names = clamp_names()
    if not isinstance(value, str) or value not in names:
        near = near_remedy([value], names, "") if isinstance(value, str) else ""
        raise ValueError(f"{near} Use one of: {'; '.join(names)}".strip())
    return value


def as_interval(value: object) -> str:
    """Read how long a test of a lead counts, ``"12 months"``: a number and its unit.

    Examples
    --------
    >>> as_interval("1 year"), as_interval("30 days")
    ('1 year', '30 days')
    """
    remedy = 'write text such as "12 months", "1 year" or "180 days", ten years at most'
    found = _INTERVAL.fullmatch(value) if isinstance(value, str) and len(value) <= 32 else None
    if found is None:
        raise ValueError(remedy)
    count, unit = int(found.group(1)), found.group(2)
    if count * (_DAYS[unit] if unit in _DAYS else 30.5 * _MONTHS[unit]) > _MOST_DAYS:
        raise ValueError(remedy)
    return f"{count} {unit}" + ("s" if count > 1 else "")


def last_day(tested_on: str, interval: str) -> dt.date:
    """Return the last day on which a test counts.

    Parameters
    ----------
    tested_on : str
        ISO date.
    interval : str
        As `as_interval` returns.

    Notes
    -----
    Months and years keep the day of the month; where a month is shorter its last day counts.

    Examples
    --------
    >>> str(last_day("2026-01-31", "1 month")), str(last_day("2024-02-29", "1 year"))
    ('2026-02-28', '2025-02-28')
    """
    number, unit = interval.split()
    unit = unit.removesuffix("s")
    tested = dt.date.fromisoformat(tested_on)
    if unit in _DAYS:
        ordinal = tested.toordinal() + int(number) * _DAYS[unit]
        return dt.date.fromordinal(min(ordinal, dt.date.max.toordinal()))
    months = tested.month - 1 + int(number) * _MONTHS[unit]
    year, month = tested.year + months // 12, months % 12 + 1
    if year > dt.MAXYEAR:
        return dt.date.max
    return dt.date(year, month, min(tested.day, calendar.monthrange(year, month)[1]))


def read_kit(section: Section) -> Kit | None:
    """Read what is on the truck.

    Parameters
    ----------
    section : Section
        The job file; receives the problems.

    Returns
    -------
    Kit or None
        None where the job file has no ``[kit]``.
    """
    section.know(("kit",))
    if "kit" not in section.table:
        return None
    kit = section.sub("kit")
    leads: list[KitLead] = []
    named: list[object] = []  # as the entries name themselves, those that cannot be used too
    for one in kit.each("leads"):
        lead = _lead(one)
        named.append(one.table.get("lead_id"))
        if lead is not None:
            leads.append(lead)
    ids = [lead.lead_id for lead in leads]
    for lead_id in dict.fromkeys(one for one in ids if ids.count(one) > 1):
        places = [str(n) for n, one in enumerate(named, 1) if one == lead_id]
        found = f"lead {shown(lead_id)} stands twice: entries {', '.join(places)}"
        kit.add("leads", found, "give each lead its own id")
    rods = kit.take("rods", as_count(0, 1000))
    return Kit(tuple(leads), rods, kit.take("cluster_bars", as_count(0, 1000)))


def _lead(section: Section) -> KitLead | None:
    """Read one lead; its problems carry its id."""
    before = len(section.problems)
    lead_id = section.take("lead_id", as_id_text, required=True)
    size = section.take("size", as_lead_size, required=True)
    length_m = section.take("length", as_length_m(0, LONGEST_M), required=True)
    clamps = section.take("clamps", as_text)
    ends = section.take("clamp_a", as_clamp), section.take("clamp_b", as_clamp)
    tested_on = section.take("tested_on", as_date)
    if lead_id is not None:
        section.problems[before:] = [
            replace(problem, feature_ids=(lead_id,)) for problem in section.problems[before:]
        ]
    if lead_id is None or size is None or length_m is None:
        return None
    return KitLead(lead_id, size, length_m, clamps or "", tested_on, *ends)
