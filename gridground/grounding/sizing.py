"""How large a lead must be: what one carries, and the smallest of the employer's that carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import InputError, NoPlanError, Problem, Reason
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.grades import grade_of
from gridground.grounding.heating import LONGEST_S, SHORTEST_S
from gridground.grounding.lead_impedance import lead_resistance_ohm, loop_reactance_ohm
from gridground.grounding.neutral import neutral_carries
from gridground.grounding.rating import (
    FUSING_SHARE,
    Basis,
    lead_end_temperature_c,
    lead_rating_a,
    rating_source,
    refuse_unknown,
)
from gridground.units import area_mm2

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

SMALLEST_SIZE = "2"  # 29 CFR 1910.269(n)(4)(ii): at least the ampacity of AWG 2 copper


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
    """

    size: str
    parallel: int
    rating_a: float
    margin_ratio: float
    grade: str
    source: str
    end_temperature_c: float


def lead_problems(limits: Limits) -> list[Problem]:
    """Return what is wrong with the lead limits of a job.

    Parameters
    ----------
    limits : Limits
        Limits of the job.

    Returns
    -------
    list of Problem
        Sizes that are none, sizes below AWG 2 copper, a basis or a count that cannot be, nothing
        left of the stock; empty where nothing is wrong.
    """
    floor_mm2 = area_mm2(SMALLEST_SIZE)
    remedy = f"Name AWG {SMALLEST_SIZE} copper or larger (29 CFR 1910.269(n)(4)(ii))."
    named = [("lead_minimum", limits.lead_minimum)]
    named += [("lead_sizes", size) for size in limits.lead_sizes]
    problems = []
    for field, size in named:
        area = _area_or_none(size)
        if area is None:
            problems.append(_rejected(field, f"{size!r} is not a lead size", remedy))
        elif area < floor_mm2:
            problems.append(_rejected(field, f"{size} is smaller than AWG {SMALLEST_SIZE}", remedy))
    if limits.lead_basis not in FUSING_SHARE:
        found = f"{limits.lead_basis!r} is no basis"
        problems.append(_rejected("lead_basis", found, "Name 'withstand' or 'ultimate'."))
    if limits.parallel_max < 1:
        found = f"{limits.parallel_max!r} leads for one connection"
        problems.append(_rejected("parallel_max", found, "State 1 or more."))
    if not problems and not _stocked(limits):
        found = f"no size of {', '.join(limits.lead_sizes) or 'an empty stock'} reaches "
        problems.append(
            _rejected("lead_sizes", found + f"the minimum {limits.lead_minimum}", remedy)
        )
    return problems


def allowed_sizes(limits: Limits) -> tuple[str, ...]:
    """Return the sizes a job may use, smallest first.

    Parameters
    ----------
    limits : Limits
        Limits of the job.

    Returns
    -------
    tuple of str
        Sizes of `lead_sizes` at least as large as `lead_minimum`.

    Raises
    ------
    InputError
        For limits with :func:`lead_problems`.
    """
    problems = lead_problems(limits)
    if problems:
        raise InputError(problems)
    return _stocked(limits)


def choose_lead(
    current_a: float,
    duration_s: float,
    x_over_r: float,
    limits: Limits,
    *,
    frequency_hz: float,
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
        nothing in stock carries the current.
    InputError
        For limits with :func:`lead_problems`.
    TableError
        For a time outside 0.03 s to 10 s.

    Notes
    -----
    One lead of any size comes before two of a smaller one. See :func:`lead_rating_a`.
    """
    sizes = allowed_sizes(limits)
    refuse_unknown(current_a, duration_s, x_over_r, where)
    best_a, best = 0.0, ""
    for parallel in range(1, limits.parallel_max + 1):
        for size in sizes:
            rating = lead_rating_a(
                size,
                duration_s,
                x_over_r,
                basis=limits.lead_basis,
                parallel=parallel,
                frequency_hz=frequency_hz,
            )
            if rating >= current_a:
                return _choice(
                    (size, parallel, rating),
                    (current_a, duration_s, x_over_r),
                    basis=limits.lead_basis,
                    frequency_hz=frequency_hz,
                )
            if rating > best_a:
                best_a, best = rating, f"{parallel} x {size}"
    what = (
        f"{current_a:,.0f} A for {duration_s:g} s at X/R {x_over_r:.3g} is more than the largest "
        f"rating in stock, {best_a:,.0f} A ({best}, {limits.lead_basis}), "
        f"by {current_a - best_a:,.0f} A."
    )
    remedy = (
        "Stock a larger size or allow more leads in parallel, clear faster, or ground elsewhere."
    )
    raise NoPlanError([Reason("no_lead", where, what, remedy)])


def choose_lead_columns(
    current_a: ArrayLike,
    duration_s: ArrayLike,
    x_over_r: ArrayLike,
    limits: Limits,
    *,
    frequency_hz: float,
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

    Returns
    -------
    dict of ndarray, shape (n,)
        ``size`` (None where no lead is chosen), ``parallel`` (0 there), ``rating_a`` (NaN there).
        No lead is chosen where :func:`choose_lead` would raise.

    Raises
    ------
    InputError
        For limits with :func:`lead_problems`.
    """
    sizes = allowed_sizes(limits)
    current, duration, ratio = (
        np.atleast_1d(column).astype(float)
        for column in np.broadcast_arrays(current_a, duration_s, x_over_r)
    )
    size = np.full(current.shape, None, dtype=object)
    count = np.zeros(current.shape, dtype=int)
    rating = np.full(current.shape, np.nan)
    open_rows = np.flatnonzero(_known(current, duration, ratio))
    for parallel in range(1, limits.parallel_max + 1):
        for name in sizes:
            carries = lead_rating_a(
                name,
                duration[open_rows],
                ratio[open_rows],
                basis=limits.lead_basis,
                parallel=parallel,
                frequency_hz=frequency_hz,
            )
            enough = carries >= current[open_rows]
            rows = open_rows[enough]
            size[rows], count[rows], rating[rows] = name, parallel, carries[enough]
            open_rows = open_rows[~enough]
    return {"size": size, "parallel": count, "rating_a": rating}


def _choice(
    row: tuple[str, int, float],
    fault: tuple[float, float, float],
    *,
    basis: Basis,
    frequency_hz: float,
) -> LeadChoice:
    """Put the answer together, with the figures that decided."""
    size, parallel, rating = row
    current_a, duration_s, x_over_r = fault
    grade = grade_of(size)
    return LeadChoice(
        size=size,
        parallel=parallel,
        rating_a=rating,
        margin_ratio=rating / current_a,
        grade=grade.name if grade else "no grade",
        source=rating_source(
            size, duration_s, x_over_r, basis=basis, parallel=parallel, frequency_hz=frequency_hz
        ),
        end_temperature_c=lead_end_temperature_c(
            size, current_a, duration_s, x_over_r, parallel=parallel, frequency_hz=frequency_hz
        ),
    )


def _known(
    current: NDArray[np.float64], duration: NDArray[np.float64], ratio: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return where current, time and X/R are known and within the range of the ratings."""
    in_range = (duration >= SHORTEST_S) & (duration <= LONGEST_S)
    return (current > 0) & np.isfinite(current) & in_range & (ratio >= 0) & np.isfinite(ratio)


def _stocked(limits: Limits) -> tuple[str, ...]:
    """Return the sizes in stock at or above the minimum, smallest first."""
    least_mm2 = area_mm2(limits.lead_minimum)
    fitting = [size for size in dict.fromkeys(limits.lead_sizes) if area_mm2(size) >= least_mm2]
    return tuple(sorted(fitting, key=area_mm2))


def _area_or_none(size: str) -> float | None:
    """Return the area of a size, None where it is no size."""
    try:
        return area_mm2(size)
    except ValueError:
        return None


def _rejected(field: str, found: str, remedy: str) -> Problem:
    """Return a rejection of one lead limit."""
    return Problem("reject", "job", (), f"limits.{field}", found, remedy)
