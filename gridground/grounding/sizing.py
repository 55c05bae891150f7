"""How large a lead must be: what one carries, and the smallest of the employer's that carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import NoPlanError, Reason
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.grades import grade_of
from gridground.grounding.hanging import shots_text
from gridground.grounding.heating import LONGEST_S, SHORTEST_S
from gridground.grounding.lead_impedance import lead_resistance_ohm, loop_reactance_ohm
from gridground.grounding.margin import Margin, carried_a, row_margin
from gridground.grounding.neutral import neutral_carries
from gridground.grounding.peak import first_peak_a, peak_limit_a, peak_source
from gridground.grounding.rating import (
    Basis,
    lead_end_temperature_c,
    lead_rating_a,
    rating_source,
    refuse_unknown,
)
from gridground.grounding.stock import allowed_sizes, lead_problems

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from gridground.job import Limits

__all__ = [
    "LeadChoice",
    "allowed_sizes",
    "choose_clamp",
    "choose_lead",
    "choose_lead_columns",
    "lead_end_temperature_c",
    "lead_problems",
    "lead_rating_a",
    "lead_resistance_ohm",
    "loop_reactance_ohm",
    "neutral_carries",
]


@dataclass(frozen=True)
class LeadChoice:
    """The lead chosen for one connection.

    Attributes
    ----------
    size : str
        AWG, kcmil or metric size.
    parallel : int
        Equal cables together.
    rating_a : float
        What the row carries for the time, offset and parallel derating taken in [A].
    margin_ratio : float
        Rating over current [ratio].
    grade : str
        Grade of one cable, or that there is none.
    source : str
        Which figure decided, with both figures and their sources.
    end_temperature_c : float
        Temperature of the copper when the fault is cleared [°C].
    peak_a, peak_limit_a : float
        First peak of the fault, and what the row has been tested to hold [A].
    withstand_a, ultimate_a : float
        Rating of the row on either basis [A].
    margin : Margin
        What change of the fault needs the next size.
    """

    size: str
    parallel: int
    rating_a: float
    margin_ratio: float
    grade: str
    source: str
    end_temperature_c: float
    peak_a: float
    peak_limit_a: float
    withstand_a: float
    ultimate_a: float
    margin: Margin


def choose_lead(
    current_a: float,
    duration_s: float,
    x_over_r: float,
    limits: Limits,
    *,
    frequency_hz: float,
    times_on: int,
    where: tuple[str, ...] = (),
) -> LeadChoice:
    """Choose the fewest leads, and of those the smallest size, that carry a fault.

    Parameters
    ----------
    current_a : float
        Symmetrical current through the connection, growth included [A].
    duration_s : float
        Time to clear [s].
    x_over_r : float
        X/R of the fault path [ratio].
    limits : Limits
        Stock, minimum, basis and most leads in parallel of the job.
    frequency_hz : float
        System frequency [Hz].
    times_on : int
        How often the current begins within the time: 1, or the shots of a reclosing device, each
        with an offset of its own.
    where : tuple of str
        Ids of the features concerned, for the reason of a refusal.

    Returns
    -------
    LeadChoice
        Size, count, rating and where the figures come from.

    Raises
    ------
    NoPlanError
        Code ``no_fault_current`` or ``no_clearing_time`` for what is not known, ``no_lead`` where
        nothing in stock carries the current or holds its first peak.
    InputError
        For limits with :func:`lead_problems`.
    TableError
        For a time outside 0.01 s to 10 s.

    Notes
    -----
    One lead of any size comes before two of a smaller one. A row is taken when its rating reaches
    the current and its peak limit the first peak; `source` says so where the peak alone ruled a
    row out. See `lead_rating_a` and `peak_limit_a`.
    """
    sizes = allowed_sizes(limits)
    refuse_unknown(current_a, duration_s, x_over_r, where)
    settings = _Settings(limits.lead_basis, frequency_hz)
    fault = (current_a, duration_s, x_over_r, times_on)
    rows = [(size, n) for n in range(1, limits.parallel_max + 1) for size in sizes]
    carrying = [row for row in rows if settings.rating_a(row, fault) >= current_a]
    for number, row in enumerate(carrying):
        if settings.carried_a(row, fault) >= current_a:
            return _choice(row, fault, settings, (rows, carrying[:number]))
    if carrying:
        raise NoPlanError([_no_lead_by_peak(fault, rows, settings, where)])
    raise NoPlanError([_no_lead_by_heat(fault, rows, settings, where)])


def choose_lead_columns(
    current_a: ArrayLike,
    duration_s: ArrayLike,
    x_over_r: ArrayLike,
    limits: Limits,
    *,
    frequency_hz: float,
    times_on: ArrayLike,
) -> dict[str, NDArray[Any]]:
    """Choose leads for many poles at once; the same choice as :func:`choose_lead`.

    Parameters
    ----------
    current_a, duration_s, x_over_r : array_like, shape (n,)
        Current [A], time to clear [s], X/R [ratio] of each pole; NaN where unknown.
    limits : Limits
        As for :func:`choose_lead`.
    frequency_hz : float
        System frequency [Hz].
    times_on : int or array_like, shape (n,)
        Shots, as for :func:`choose_lead`.

    Returns
    -------
    dict of ndarray, shape (n,)
        ``size`` (None where no lead is chosen), ``parallel`` (0 there), ``rating_a`` (NaN there).
        No lead is chosen where :func:`choose_lead` would raise. `margin_columns` takes these rows.

    Raises
    ------
    InputError
        For limits with :func:`lead_problems`.
    """
    sizes = allowed_sizes(limits)
    current, duration, ratio, shots = (
        np.atleast_1d(column).astype(float)
        for column in np.broadcast_arrays(current_a, duration_s, x_over_r, times_on)
    )
    size = np.full(current.shape, None, dtype=object)
    count = np.zeros(current.shape, dtype=int)
    rating = np.full(current.shape, np.nan)
    open_rows = np.flatnonzero(_known(current, duration, ratio))
    for parallel in range(1, limits.parallel_max + 1):
        for name in sizes:
            carries = carried_a(
                name,
                duration[open_rows],
                ratio[open_rows],
                basis=limits.lead_basis,
                parallel=parallel,
                frequency_hz=frequency_hz,
                times_on=shots[open_rows],
            )
            enough = carries >= current[open_rows]
            rows = open_rows[enough]
            size[rows], count[rows] = name, parallel
            rating[rows] = lead_rating_a(
                name,
                duration[rows],
                ratio[rows] * shots[rows],
                basis=limits.lead_basis,
                parallel=parallel,
                frequency_hz=frequency_hz,
            )
            open_rows = open_rows[~enough]
    return {"size": size, "parallel": count, "rating_a": rating}


@dataclass(frozen=True)
class _Settings:
    """What is the same for every row tried."""

    basis: Basis
    frequency_hz: float

    def rating_a(
        self,
        row: tuple[str, int],
        fault: tuple[float, float, float, int],
        basis: Basis | None = None,
    ) -> float:
        """Return what a row carries by heat, on the job's basis or another."""
        _, duration_s, x_over_r, times_on = fault
        rating = lead_rating_a(
            row[0],
            duration_s,
            x_over_r * times_on,
            basis=basis or self.basis,
            parallel=row[1],
            frequency_hz=self.frequency_hz,
        )
        return float(rating)

    def carried_a(self, row: tuple[str, int], fault: tuple[float, float, float, int]) -> float:
        """Return what a row carries by heat and by its first peak."""
        carries = carried_a(
            row[0],
            *fault[1:3],
            basis=self.basis,
            parallel=row[1],
            frequency_hz=self.frequency_hz,
            times_on=fault[3],
        )
        return float(carries)

    def peak_limit_a(self, row: tuple[str, int]) -> float:
        """Return the first peak a row has been tested to hold."""
        return peak_limit_a(row[0], parallel=row[1], frequency_hz=self.frequency_hz)


def _choice(
    row: tuple[str, int],
    fault: tuple[float, float, float, int],
    settings: _Settings,
    tried: tuple[list[tuple[str, int]], list[tuple[str, int]]],
) -> LeadChoice:
    """Put the answer together, with the figures that decided."""
    (size, parallel), (current_a, duration_s, x_over_r, times_on) = row, fault
    rows, too_weak = tried
    basis, frequency_hz = settings.basis, settings.frequency_hz
    rating, grade = settings.rating_a(row, fault), grade_of(size)
    heating = x_over_r * times_on  # every shot has an offset of its own
    source = rating_source(
        size, duration_s, heating, basis=basis, parallel=parallel, frequency_hz=frequency_hz
    )
    if times_on > 1:
        source += shots_text(times_on)
    peak_a = first_peak_a(current_a, x_over_r)
    if too_weak:
        last = too_weak[-1]
        source += (
            f"; the first peak decides: {last[1]} x {last[0]} would carry the current, but "
            f"{peak_a:,.0f} A is more than the {settings.peak_limit_a(last):,.0f} A it is tested "
            f"for ({peak_source(last[0], frequency_hz=frequency_hz)})"
        )
    return LeadChoice(
        size=size,
        parallel=parallel,
        rating_a=rating,
        margin_ratio=rating / current_a,
        grade=grade.name if grade else "no grade",
        source=source,
        end_temperature_c=lead_end_temperature_c(
            size, current_a, duration_s, heating, parallel=parallel, frequency_hz=frequency_hz
        ),
        peak_a=peak_a,
        peak_limit_a=settings.peak_limit_a(row),
        withstand_a=settings.rating_a(row, fault, "withstand"),
        ultimate_a=settings.rating_a(row, fault, "ultimate"),
        margin=row_margin(row, fault, rows, basis=basis, frequency_hz=frequency_hz),
    )


def _no_lead_by_heat(
    fault: tuple[float, float, float, int],
    rows: list[tuple[str, int]],
    settings: _Settings,
    where: tuple[str, ...],
) -> Reason:
    """Say that no row of the stock carries the current."""
    current_a, duration_s, x_over_r, _ = fault
    best = max(rows, key=lambda row: settings.rating_a(row, fault))
    best_a = settings.rating_a(best, fault)
    what = (
        f"{current_a:,.0f} A for {duration_s:g} s at X/R {x_over_r:.3g} is more than the largest "
        f"rating in stock, {best_a:,.0f} A ({best[1]} x {best[0]}, {settings.basis}), "
        f"by {current_a - best_a:,.0f} A."
    )
    remedy = (
        "Stock a larger size or allow more leads in parallel, clear faster, or ground elsewhere."
    )
    return Reason("no_lead", where, what, remedy)


def _no_lead_by_peak(
    fault: tuple[float, float, float, int],
    rows: list[tuple[str, int]],
    settings: _Settings,
    where: tuple[str, ...],
) -> Reason:
    """Say that no row of the stock that carries the current holds its first peak."""
    peak_a = first_peak_a(fault[0], fault[2])
    best = max(rows, key=settings.peak_limit_a)
    best_a = settings.peak_limit_a(best)
    what = (
        f"A first peak of {peak_a:,.0f} A is more than the largest tested one in stock, "
        f"{best_a:,.0f} A ({best[1]} x {best[0]}), by {peak_a - best_a:,.0f} A."
    )
    remedy = (
        "Stock a larger size, allow more leads in parallel, or ground elsewhere; a shorter time "
        "does not help."
    )
    return Reason("no_lead", where, what, remedy)


def _known(
    current: NDArray[np.float64], duration: NDArray[np.float64], ratio: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return where current, time and X/R are known and within the range of the ratings."""
    in_range = (duration >= SHORTEST_S) & (duration <= LONGEST_S)
    return (current > 0) & np.isfinite(current) & in_range & (ratio >= 0) & np.isfinite(ratio)
