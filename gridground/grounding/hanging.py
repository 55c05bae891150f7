"""What follows from the lead that really hangs at a connection: the one way to a row's figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError, TableError
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.grades import grade_of
from gridground.grounding.heating import START_C, materials
from gridground.grounding.lead_impedance import (
    TEST_C,
    lead_resistance_ohm,
    loop_reactance_ohm,
    new_lead_resistance_ohm,
)
from gridground.grounding.margin import Margin, carried_a, row_margin
from gridground.grounding.peak import peak_limit_a
from gridground.grounding.rating import (
    Basis,
    lead_end_temperature_c,
    lead_rating_a,
    rating_source,
)
from gridground.grounding.stock import allowed_sizes
from gridground.units import area_mm2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.lead_clamps import End
    from gridground.job import Limits
    from gridground.record import LeadRow

# Distance from a lead to the line of the worker's body: our judgement, printed as an assumption.
BODY_SEPARATION_M = 1.0
_BASES: tuple[Basis, Basis] = ("withstand", "ultimate")


@dataclass(frozen=True)
class Hanging:
    """The cables that hang at one connection.

    Attributes
    ----------
    size : str
        Of each cable; of several sizes the smallest.
    parallel : int
        How many.
    length_m : float
        Of each; of several lengths the longest [m].
    clamps : tuple of (str or None)
        Names of the clamps at start and end, None where they are not known.
    """

    size: str
    parallel: int
    length_m: float
    clamps: tuple[str | None, str | None] = (None, None)


def hung_row(row: LeadRow, hangs: Hanging, ends: Sequence[End], limits: Limits) -> LeadRow:
    """Return a row with the cables that hang in the place of those it has.

    Parameters
    ----------
    row : LeadRow
        Its connection, current, time, X/R and shots stay.
    hangs : Hanging
        What hangs there.
    ends : sequence of (str, float or None)
        What start and end land on, and its diameter [m].
    limits : Limits
        Stock, basis, most cables in parallel.

    Returns
    -------
    LeadRow
        Size, count, length and clamps, with grade, ratings, first peak, margin, what needs the
        next size, end temperature, resistances, reactance and source. Cables that do not carry
        the current name the row's own size and count as the next; copper that melts has the
        temperature None and counts at its fusing point. Where hang the size and count the row
        has, what it says of its choice stays.

    Notes
    -----
    A lead to a rod or pole ground keeps its temperature, which stands in line with the earth of
    the rod, and has no margin of its own.
    """
    resized = (hangs.size, hangs.parallel) != (row.size, row.parallel)
    at_start, at_end = _clamps(row, hangs, ends)
    fresh = replace(
        row,
        size=hangs.size,
        parallel=hangs.parallel,
        length_m=hangs.length_m,
        clamp_from=at_start,
        clamp_to=at_end,
    )
    if resized:
        fresh = _rated(fresh, limits.lead_basis)
    if resized and row.edge.role != "electrode":
        fresh = _with_margin(
            replace(fresh, end_temperature_c=end_temperature_c(fresh)), row, limits
        )
    return with_impedance(fresh)


def _clamps(row: LeadRow, hangs: Hanging, ends: Sequence[End]) -> tuple[str, str]:
    """Return the clamps at both ends: those known, else by the table for the size that hangs."""
    found = []
    for known, before, end in zip(hangs.clamps, (row.clamp_from, row.clamp_to), ends, strict=True):
        by_table = before if hangs.size == row.size else clamp_for(end, hangs.size)
        found.append(known or by_table or before)
    return found[0], found[1]


def clamp_for(end: End, size: str) -> str | None:
    """Return the clamp of the table for an end and a size of lead; None where there is none."""
    try:
        return choose_clamp(*end, size)
    except NoPlanError:
        return None


def with_impedance(row: LeadRow) -> LeadRow:
    """Return a row with resistances and reactance by its size, count, length and temperature."""
    electrode = row.edge.role == "electrode"
    hot_c = START_C if electrode else row.end_temperature_c
    if hot_c is None:
        hot_c = materials()["copper, annealed"].fusing_c
    size, length_m, n = row.size, row.length_m, row.parallel
    return replace(
        row,
        cold_ohm=new_lead_resistance_ohm(size, length_m, parallel=n),
        in_service_ohm=lead_resistance_ohm(size, length_m, temperature_c=TEST_C, parallel=n),
        resistance_ohm=lead_resistance_ohm(size, length_m, temperature_c=hot_c, parallel=n),
        reactance_ohm=loop_reactance_ohm(
            size,
            length_m,
            separation_m=BODY_SEPARATION_M,
            frequency_hz=row.frequency_hz,
            parallel=n,
        ),
    )


def ratings_a(
    size: str, parallel: int, time_s: float, x_over_r: float, hz: float
) -> dict[Basis, float]:
    """Return what some cables carry by heat on either basis [A].

    Parameters
    ----------
    size, parallel
        Of the row.
    time_s, x_over_r : float
        Time to clear [s]; X/R with the shots in it [ratio].
    hz : float
        System frequency [Hz].
    """
    return {
        basis: float(
            lead_rating_a(size, time_s, x_over_r, basis=basis, parallel=parallel, frequency_hz=hz)
        )
        for basis in _BASES
    }


def _rated(row: LeadRow, basis: Basis) -> LeadRow:
    """Return a row with what its cables carry."""
    heating, hz = row.x_over_r * row.times_on, row.frequency_hz
    rated = ratings_a(row.size, row.parallel, row.time_s, heating, hz)
    source = rating_source(
        row.size, row.time_s, heating, basis=basis, parallel=row.parallel, frequency_hz=hz
    )
    if row.times_on > 1 and row.edge.role != "electrode":
        source += shots_text(row.times_on)
    grade = grade_of(row.size)
    return replace(
        row,
        grade=grade.name if grade else "no grade",
        rating_a=rated[basis],
        margin_ratio=rated[basis] / row.current_a,
        withstand_a=rated["withstand"],
        ultimate_a=rated["ultimate"],
        peak_limit_a=peak_limit_a(row.size, parallel=row.parallel, frequency_hz=hz),
        source=source,
    )


def shots_text(times_on: int) -> str:
    """Say that a current begins several times."""
    return f"; the current begins {times_on} times, each time with an offset"


def end_temperature_c(row: LeadRow, current_a: float | None = None) -> float | None:
    """Return the temperature of a row's cables after a current [degrees C], None: they melt.

    Parameters
    ----------
    row : LeadRow
        Its size, number of cables, time, X/R and shots count.
    current_a : float or None
        Through all of its cables [A]; None: the row's own.
    """
    try:
        return lead_end_temperature_c(
            row.size,
            row.current_a if current_a is None else current_a,
            row.time_s,
            row.x_over_r * row.times_on,
            parallel=row.parallel,
            frequency_hz=row.frequency_hz,
        )
    except TableError:
        return None


def _with_margin(row: LeadRow, before: LeadRow, limits: Limits) -> LeadRow:
    """Return a row with what needs the next size: the one it stands for where it is too small."""
    settings = (limits.lead_basis, row.frequency_hz)
    carries = _carried_a(row, limits.lead_basis)
    if carries < row.current_a:
        several = f"{before.parallel} x " if before.parallel > 1 else ""
        return replace(
            row,
            next_size=several + before.size,
            next_size_at_a=carries,
            next_size_at_s=None,
            next_size_at_x_over_r=None,
            sensitive_to=None,
            sensitive_ratio=None,
        )
    own = (row.size, row.parallel)
    sizes = sorted({*allowed_sizes(limits), row.size}, key=area_mm2)
    counts = range(1, max(limits.parallel_max, row.parallel) + 1)
    stock = tuple((size, n) for n in counts for size in sizes)
    fault = (row.current_a, row.time_s, row.x_over_r, row.times_on)
    margin = _margin(own, fault, stock, settings)
    return replace(
        row,
        next_size=margin.next_size,
        next_size_at_a=margin.at_a,
        next_size_at_s=margin.at_s,
        next_size_at_x_over_r=margin.at_x_over_r,
        sensitive_to=margin.sensitive_to,
        sensitive_ratio=margin.sensitive_ratio,
    )


def _carried_a(row: LeadRow, basis: Basis) -> float:
    """Return what a row carries by heat and by its first peak [A]."""
    carries = carried_a(
        row.size,
        row.time_s,
        row.x_over_r,
        basis=basis,
        parallel=row.parallel,
        frequency_hz=row.frequency_hz,
        times_on=row.times_on,
    )
    return float(carries)


@lru_cache(maxsize=256)  # rows of one location share size, count and duty
def _margin(
    own: tuple[str, int],
    fault: tuple[float, float, float, int],
    stock: tuple[tuple[str, int], ...],
    settings: tuple[Basis, float],
) -> Margin:
    """Return how near a row is to the next of the stock."""
    basis, frequency_hz = settings
    return row_margin(own, fault, list(stock), basis=basis, frequency_hz=frequency_hz)
