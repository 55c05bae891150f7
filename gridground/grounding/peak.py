"""The first peak of a fault: what the clamps of a lead row have been tested to hold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.asymmetry import first_peak_ratio
from gridground.grounding.grades import SHORTEST_RATED_S, Grade, grades
from gridground.grounding.rating import SYMMETRICAL_X_OVER_R, lead_rating_a, parallel_ratio
from gridground.units import LEAD_KCMIL, area_mm2

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

# IEC 61230: first peak of the test over the rated current, at 50 Hz and at 60 Hz (from memory).
PEAK_FACTOR = {50: 2.5, 60: 2.6}
# A metric set is taken as rated for one second: our judgement, the lower of the usual two (0.5 s
# and 1 s). What is marked on the set may allow more.
METRIC_RATED_S = 1.0
_GRADE_SOURCE = (
    "ASTM F855 Table 1 tests offsets up to X/R 1.8: first peak 1.66 times the withstand current "
    "at 15 cycles"
)


def first_peak_a(current_a: ArrayLike, x_over_r: ArrayLike) -> Any:  # noqa: ANN401  as given
    """Return the first peak of a fully offset fault current.

    Parameters
    ----------
    current_a : float or array_like
        Symmetrical current, rms [A].
    x_over_r : float or array_like
        X/R of the fault path [ratio].

    Returns
    -------
    float or ndarray
        ``sqrt(2) I (1 + exp(-pi/(X/R)))`` [A], see `first_peak_ratio`.

    Raises
    ------
    ValueError
        For a negative X/R.

    Notes
    -----
    The peak half a cycle after the first instant. The exact maximum lies a little earlier and is
    up to 3 % higher for X/R about 2 and less than 1 % above X/R 10; the limit of the grades is
    counted by the same formula.

    Examples
    --------
    >>> round(first_peak_a(10_000, 30))
    26878
    """
    peak = np.asarray(current_a, float) * first_peak_ratio(x_over_r)
    return peak if np.ndim(peak) else float(peak)


def peak_limit_a(size: str, *, parallel: int, frequency_hz: float) -> float:
    """Return the first peak a lead row has been tested to hold.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    parallel : int
        Equal cables together.
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    float
        Peak of the row [A].

    Raises
    ------
    ValueError
        For a size that is not one, or no cable.

    Notes
    -----
    Graded sizes: ``sqrt(2) (1 + exp(-pi/1.8))`` times the withstand current at 15 cycles, the
    largest offset of the test. An AWG size without a grade has the limit of the next smaller
    grade. Metric sizes: 2.5 (50 Hz) or 2.6 (60 Hz) times the withstand current for one second,
    and no more than the next larger grade. The forces go with the square of the peak whatever
    the clearing time, and the limit is the same on either basis. Several cables: ``0.9 n``. An
    assembly tested with high asymmetry holds more: it errs to the side of a larger lead.

    References
    ----------
    .. [1] ASTM F855 Table 1 and its limit of X/R 1.8; rows of the table of grades.
    .. [2] IEC 61230, peak factor of the rated current (from memory).

    Examples
    --------
    >>> round(peak_limit_a("2/0", parallel=1, frequency_hz=60), -2)
    44900.0
    """
    limit, ceiling = _own_and_ceiling(size, frequency_hz)
    return parallel_ratio(parallel) * min(limit, ceiling)


def peak_source(size: str, *, frequency_hz: float) -> str:
    """Return where the limit of one cable comes from, without a full stop.

    Parameters
    ----------
    size, frequency_hz
        As for `peak_limit_a`.

    Returns
    -------
    str
        Grade or standard, and what is from memory or our judgement.
    """
    limit, ceiling = _own_and_ceiling(size, frequency_hz)
    if size in LEAD_KCMIL:
        grade = _grade_at_most(size)
        text = f"{_GRADE_SOURCE}, {grade.name}"
        return text if grade.size == size else f"{text} (no grade for {size}: next smaller)"
    if limit > ceiling:
        return f"no more than the next larger grade: {_GRADE_SOURCE}"
    factor = _peak_factor(frequency_hz)
    return (
        f"IEC 61230 (from memory): {factor:g} times the rated current, taken as that for "
        f"{METRIC_RATED_S:g} s (our judgement)"
    )


def _own_and_ceiling(size: str, frequency_hz: float) -> tuple[float, float]:
    """Return the limit of one cable by its own kind, and that of the next larger grade."""
    if size in LEAD_KCMIL:
        return _tested_a(_grade_at_most(size)), math.inf
    rated_a = lead_rating_a(
        size, METRIC_RATED_S, 0.0, basis="withstand", parallel=1, frequency_hz=frequency_hz
    )
    larger = [grade for name, grade in grades().items() if area_mm2(name) >= area_mm2(size)]
    ceiling = min((_tested_a(grade) for grade in larger), default=math.inf)
    return _peak_factor(frequency_hz) * rated_a, ceiling


def _grade_at_most(size: str) -> Grade:
    """Return the grade of an AWG size, or the next smaller one."""
    smaller = [grade for name, grade in grades().items() if area_mm2(name) <= area_mm2(size)]
    return max(smaller, key=lambda grade: area_mm2(grade.size))


def _tested_a(grade: Grade) -> float:
    """Return the first peak of the test of a grade [A]."""
    withstand_a = grade.rating_a(np.asarray(SHORTEST_RATED_S), "withstand")
    return float(first_peak_a(withstand_a, SYMMETRICAL_X_OVER_R))


def _peak_factor(frequency_hz: float) -> float:
    """Return the peak factor of the nearer of 50 and 60 Hz."""
    return PEAK_FACTOR[min(PEAK_FACTOR, key=lambda hertz: abs(hertz - frequency_hz))]
