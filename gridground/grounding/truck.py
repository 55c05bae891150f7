"""The truck's leads on the plan's lead table: which do, which are out of test, what they change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError
from gridground.grounding.assignment import Want, assign_kit, natural_key
from gridground.grounding.clamps import Clamp, choose_clamp, clamps
from gridground.grounding.grades import grade_of
from gridground.grounding.lead_impedance import (
    TEST_C,
    lead_resistance_ohm,
    loop_reactance_ohm,
    new_lead_resistance_ohm,
)
from gridground.grounding.margin import carried_a
from gridground.grounding.peak import peak_limit_a
from gridground.grounding.rating import Basis, lead_rating_a, rating_source
from gridground.grounding.rows import BODY_SEPARATION_M, START_C, landing, with_margin
from gridground.grounding.sizing import choice_of
from gridground.grounding.used_leads import used_at
from gridground.jobkit import clamp_names, last_day
from gridground.units import area_mm2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.assignment import Filling
    from gridground.grounding.sizing import LeadChoice
    from gridground.grounding.where import Spot
    from gridground.job import Job, KitLead, Limits, UsedLead
    from gridground.record import LeadRow

    End = tuple[str, float | None]
    Choices = dict[tuple[object, ...], LeadChoice]  # by size, count and duty: rows share them

_SAME_MM2 = 1e-6
_BOTH = " / "


def with_kit(job: Job, spots: Sequence[Spot], rows: Sequence[LeadRow]) -> list[LeadRow]:
    """Return the lead table with the leads of the truck in it.

    Parameters
    ----------
    job : Job
        Kit, limits and day of the work.
    spots : sequence of Spot
        Locations in the order of applying.
    rows : sequence of LeadRow
        As `lead_rows` returns, of all locations: everything is up at once, so that each lead of
        the truck is assigned once.

    Returns
    -------
    list of LeadRow
        Rows that get leads of the truck have the size, count and length of these, and all that
        follows from them; the others stay as planned. Without a kit all stay. Rows whose lead
        was told by its number are set aside, and the leads told are at hand for no other row.

    Raises
    ------
    NoPlanError
        As `assign_kit`.

    Notes
    -----
    A larger size stands in for a smaller one; more cables of a smaller size stand in where the
    job allows them in parallel and they carry heat and first peak of the row by the same rating.
    A lead to a rod or pole ground stays a single cable of at least its planned size.
    """
    if job.kit is None or not job.kit.leads:
        return list(rows)
    named = [used if (used := used_at(job, row)) and used.numbers else None for row in rows]
    hangs = {number for one in job.measured.leads for number in one.numbers}
    there = [
        lead
        for lead in job.kit.leads
        if lead.lead_id not in hangs and why_out_of_test(job, lead) is None
    ]
    sizes = sorted({lead.size for lead in there}, key=area_mm2)
    ends = [
        (landing(row.edge.start, spot, job), landing(row.edge.end, spot, job))
        for row, spot in zip(rows, spot_of_rows(spots), strict=True)
    ]
    wants = [
        Want(row.size, row.parallel, row.needed_m, _cables(row, sizes, job.limits, both), both)
        for row, both, told in zip(rows, ends, named, strict=True)
        if told is None
    ]
    found = iter(assign_kit(wants, there, fits=lambda want, lead: clamps_fit(lead, want.ends)))
    fillings = [next(found) if told is None else None for told in named]
    choices: Choices = {}
    return [
        _clamped_as(row, told, both)
        if filling is None
        else _hung(row, filling, both, (job.limits, choices))
        for row, filling, both, told in zip(rows, fillings, ends, named, strict=True)
    ]


def _clamped_as(row: LeadRow, told: UsedLead | None, ends: tuple[End, End]) -> LeadRow:
    """Return a row with the clamps of the lead of the truck that hangs, where they fit."""
    fits = [clamps_of(lead).fit(ends, lead.size) for lead in (told.cables if told else ())]
    at_start, at_end = next((fit for fit in fits if fit), (None, None))
    return replace(row, clamp_from=at_start or row.clamp_from, clamp_to=at_end or row.clamp_to)


def spot_of_rows(spots: Sequence[Spot]) -> list[Spot]:
    """Return the location of every row."""
    return [spot for spot in spots for _ in spot.edges]


def why_out_of_test(job: Job, lead: KitLead) -> str | None:
    """Return why a lead is out of test on the day of the work; None where it is in test.

    Nothing is judged where the employer's interval or the day of the work is not stated.
    """
    interval, day = job.limits.lead_test_interval, job.work_day
    if interval is None or day is None:
        return None
    if lead.tested_on is None:
        return "no date of a test is stated"
    if lead.tested_on > day:
        return f"its test ({lead.tested_on}) is dated after the work ({day})"
    last = last_day(lead.tested_on, interval).isoformat()
    if last < day:
        return f"tested {lead.tested_on}, by the employer's {interval} up to {last}; work on {day}"
    return None


def _cables(
    row: LeadRow, sizes: Sequence[str], limits: Limits, ends: tuple[End, End]
) -> tuple[tuple[str, int], ...]:
    """Return by size how many cables carry what a row must carry."""
    found = []
    for size in sizes:
        if area_mm2(size) < area_mm2(limits.lead_minimum) - _SAME_MM2 or not _clamped(size, ends):
            continue
        if area_mm2(size) >= area_mm2(row.size) - _SAME_MM2:
            counts = range(row.parallel, row.parallel + 1)
        elif row.edge.role == "electrode":
            continue
        else:
            counts = range(row.parallel + 1, limits.parallel_max + 1)
        enough = next((n for n in counts if _carries(row, size, n, limits.lead_basis)), None)
        if enough is not None:
            found.append((size, enough))
    return tuple(found)


def _carries(row: LeadRow, size: str, parallel: int, basis: Basis) -> bool:
    """Say whether some cables carry the current of a row, by heat and first peak."""
    if row.edge.role == "electrode":
        return True  # of the size planned or larger
    duty = (row.time_s, row.x_over_r, row.times_on, row.frequency_hz)
    return _carried_a(size, parallel, basis, duty) >= row.current_a


@cache
def _carried_a(
    size: str, parallel: int, basis: Basis, duty: tuple[float, float, int, float]
) -> float:
    """Return what some cables carry."""
    time_s, x_over_r, times_on, frequency_hz = duty
    carries = carried_a(
        size,
        time_s,
        x_over_r,
        basis=basis,
        parallel=parallel,
        frequency_hz=frequency_hz,
        times_on=times_on,
    )
    return float(carries)


def _clamped(size: str, ends: tuple[End, End]) -> bool:
    """Say whether the clamp table has clamps for a size at both ends."""
    try:
        for lands_on, diameter_m in ends:
            choose_clamp(lands_on, diameter_m, size)
    except NoPlanError:
        return False
    return True


@dataclass(frozen=True)
class LeadClamps:
    """What is known of the clamps of a lead of the truck.

    Attributes
    ----------
    named : tuple of Clamp
        Two: one for each end. One: at the ends it is made for, the other end is not told; with
        `one_end` it must land on one of the two. None: nothing is told.
    """

    named: tuple[Clamp, ...]
    one_end: bool = False  # one is named, and for one end only

    def fit(self, ends: Sequence[End], size: str) -> tuple[str | None, ...] | None:
        """Return the clamp at each end, None where it is not told; None where they do not fit."""
        if not all(clamp.takes(size) for clamp in self.named):
            return None
        if len(self.named) == 2:
            for order in (self.named, self.named[::-1]):
                if all(_lands(clamp, end) for clamp, end in zip(order, ends, strict=True)):
                    return tuple(clamp.name for clamp in order)
            return None
        found: list[str | None] = [None] * len(ends)
        for clamp in self.named:
            there = [number for number, end in enumerate(ends) if end[0] == clamp.lands_on]
            closes = [number for number in there if clamp.closes_on(ends[number][1])]
            if (self.one_end and not closes) or (not self.one_end and closes != there):
                return None
            for number in closes[:1] if self.one_end else closes:
                found[number] = clamp.name
        return tuple(found)


def _lands(clamp: Clamp, end: End) -> bool:
    """Say whether a clamp is made for what an end lands on, and closes on it."""
    return clamp.lands_on == end[0] and clamp.closes_on(end[1])


def clamps_of(lead: KitLead) -> LeadClamps:
    """Return what is known of a lead's clamps: its two ends, else its text."""
    table = {clamp.name: clamp for clamp in clamps()}
    ends = [name for name in (lead.clamp_a, lead.clamp_b) if name is not None]
    names = ends or clamp_words(lead.clamps)
    return LeadClamps(tuple(table[name] for name in names if name in table), len(ends) == 1)


def clamp_words(text: str) -> list[str]:
    """Return the names in a lead's text about its clamps: one, or one for each end."""
    parts = [part.strip() for part in text.split(_BOTH)]
    return parts if len(parts) <= 2 and all(parts) else [text] if text else []


def unknown_clamps(lead: KitLead) -> list[str]:
    """Return the words about a lead's clamps that are no name of the clamp table."""
    if lead.clamp_a is not None or lead.clamp_b is not None:
        return []
    return [word for word in clamp_words(lead.clamps) if word not in clamp_names()]


def clamps_fit(lead: KitLead, ends: Sequence[object]) -> bool:
    """Say whether nothing known of a lead's clamps keeps it off two ends.

    Parameters
    ----------
    lead : KitLead
        Of the truck.
    ends : sequence
        What the two ends land on, as `landing` returns it.
    """
    return clamps_of(lead).fit(ends, lead.size) is not None  # type: ignore[arg-type]


def _hung(
    row: LeadRow, filling: Filling, ends: tuple[End, End], by: tuple[Limits, Choices]
) -> LeadRow:
    """Return a row with leads of the truck in it."""
    lead = filling.leads[0]
    planned = (row.size, row.parallel, row.length_m)
    if (lead.size, filling.parallel) != planned[:2]:
        row = _resized(row, (lead.size, filling.parallel), ends, by)
    at_start, at_end = clamps_of(lead).fit(ends, lead.size) or (None, None)
    row = replace(row, clamp_from=at_start or row.clamp_from, clamp_to=at_end or row.clamp_to)
    row = replace(
        row,
        length_m=lead.length_m,
        planned=planned,
        kit_lead_ids=tuple(sorted((one.lead_id for one in filling.leads), key=natural_key)),
    )
    return _with_impedance(row)


def _with_impedance(row: LeadRow) -> LeadRow:
    """Return a row with the impedance of its size, count and length."""
    hot_c = START_C if row.edge.role == "electrode" else row.end_temperature_c
    size, length_m, parallel = row.size, row.length_m, row.parallel
    return replace(
        row,
        cold_ohm=new_lead_resistance_ohm(size, length_m, parallel=parallel),
        in_service_ohm=lead_resistance_ohm(size, length_m, temperature_c=TEST_C, parallel=parallel),
        resistance_ohm=lead_resistance_ohm(
            size, length_m, temperature_c=float(hot_c or START_C), parallel=parallel
        ),
        reactance_ohm=loop_reactance_ohm(
            size,
            length_m,
            separation_m=BODY_SEPARATION_M,
            frequency_hz=row.frequency_hz,
            parallel=parallel,
        ),
    )


def _resized(
    row: LeadRow, to: tuple[str, int], ends: tuple[End, End], by: tuple[Limits, Choices]
) -> LeadRow:
    """Return a row of another size or count, with what it then carries."""
    (size, parallel), (limits, choices) = to, by
    heating = row.x_over_r * row.times_on
    settings = {"parallel": parallel, "frequency_hz": row.frequency_hz}
    rated = {
        basis: float(lead_rating_a(size, row.time_s, heating, basis=basis, **settings))  # type: ignore[arg-type]
        for basis in ("withstand", "ultimate")
    }
    grade = grade_of(size)
    row = replace(
        row,
        size=size,
        parallel=parallel,
        clamp_from=choose_clamp(*ends[0], size),
        clamp_to=choose_clamp(*ends[1], size),
        grade=grade.name if grade else "no grade",
        rating_a=rated[limits.lead_basis],
        withstand_a=rated["withstand"],
        ultimate_a=rated["ultimate"],
        peak_limit_a=peak_limit_a(size, parallel=parallel, frequency_hz=row.frequency_hz),
        source=rating_source(
            size,
            row.time_s,
            heating,
            basis=limits.lead_basis,
            **settings,  # type: ignore[arg-type]
        ),
    )
    return row if row.edge.role == "electrode" else _with_choice(row, limits, choices)


def _with_choice(row: LeadRow, limits: Limits, choices: Choices) -> LeadRow:
    """Return a row in the fault path with its own margin and temperature."""
    fault = (row.current_a, row.time_s, row.x_over_r, row.times_on)
    key = (row.size, row.parallel, *fault, row.frequency_hz)
    if key not in choices:
        choices[key] = choice_of(
            (row.size, row.parallel), fault, limits, frequency_hz=row.frequency_hz
        )
    choice = choices[key]
    row = replace(
        row,
        margin_ratio=choice.margin_ratio,
        source=choice.source,
        end_temperature_c=choice.end_temperature_c,
    )
    return with_margin(row, choice.margin)
