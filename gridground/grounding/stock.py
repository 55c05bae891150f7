"""The leads a job may use: what the employer stocks, and what is wrong with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.errors import InputError, Problem
from gridground.grounding.rating import FUSING_SHARE
from gridground.units import area_mm2

if TYPE_CHECKING:
    from gridground.job import Limits

SMALLEST_SIZE = "2"  # 29 CFR 1910.269(n)(4)(ii): at least the ampacity of AWG 2 copper


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
