"""What a lead carries: table of grades, fusing current, offset, several cables together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from gridground.electrical.asymmetry import decrement_ratio
from gridground.errors import NoPlanError, Reason
from gridground.grounding.grades import SHORTEST_RATED_S, ceiling_of, grade_of
from gridground.grounding.heating import check_duration, copper_end_c, materials, ultimate_a
from gridground.units import area_mm2

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Basis = Literal["withstand", "ultimate"]

PARALLEL_RATIO = 0.9  # MIL-HDBK-1025/10 clause 5.3.4.2: 10 % off where several are used
FUSING_SHARE = {"withstand": 0.70, "ultimate": 1.0}  # UFC 3-560-01 Table 7-1, note: about 70 %
SYMMETRICAL_X_OVER_R = 1.8  # ASTM F855 Table 1: offset below 20 %
_LEAD_MATERIAL = "copper, annealed"


def lead_rating_a(
    size: str,
    duration_s: ArrayLike,
    x_over_r: ArrayLike,
    *,
    basis: Basis,
    parallel: int,
    frequency_hz: float,
) -> Any:  # noqa: ANN401  float for floats, ndarray for arrays
    """Return the symmetrical current a lead row carries.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    duration_s : float or array_like, shape (n,)
        Duration of the fault [s].
    x_over_r : float or array_like, shape (n,)
        X/R of the fault path [ratio].
    basis : "withstand" or "ultimate"
        Fit for use afterwards, or only just not melted.
    parallel : int
        Equal cables together.
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    float or ndarray, shape (n,)
        Rating of the row [A].

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.
    ValueError
        For a size that is not one, no cable, a negative X/R.

    Notes
    -----
    ``n 0.9 min(table, share I_fusing)/Df`` (without the 0.9 for one cable): the table of grades,
    and 70 % (withstand) or 100 % (ultimate) of the adiabatic fusing current. A time below 0.25 s
    counts as 0.25 s, for table, formula and decrement factor alike: what the forces of the first
    peak leave of a shorter, larger current is not known. Sizes without a grade have the formula,
    and no more than the next larger grade. Heat given off is left out: long times err to the
    side of a larger lead.

    References
    ----------
    .. [1] ASTM F855 Table 1; UFC 3-560-01 Table 7-1; rows of the table of grades.
    .. [2] IEEE Std 80-2013, clauses 11.3.1 and 15.10 (from memory).
    .. [3] MIL-HDBK-1025/10, clause 5.3.4.2 (several cables).

    Examples
    --------
    >>> one = lead_rating_a("2/0", 0.5, 0, basis="withstand", parallel=1, frequency_hz=60)
    >>> two = lead_rating_a("2/0", 0.5, 0, basis="withstand", parallel=2, frequency_hz=60)
    >>> round(one), round(two)
    (18823, 33882)
    """
    cables = parallel_ratio(parallel)
    check_duration(np.asarray(duration_s, dtype=float))
    counted_s = np.maximum(np.asarray(duration_s, dtype=float), SHORTEST_RATED_S)
    table_a, formula_a = _table_and_formula_a(size, counted_s, basis)
    offset = decrement_ratio(x_over_r, counted_s, frequency_hz=frequency_hz)
    rating = cables * np.fmin(table_a, formula_a) / offset
    return rating if np.ndim(rating) else float(rating)


def parallel_ratio(parallel: int) -> float:
    """Return what several equal cables carry over one.

    Raises
    ------
    ValueError
        For no cable.

    Examples
    --------
    >>> parallel_ratio(1), parallel_ratio(2)
    (1.0, 1.8)
    """
    if parallel < 1:
        raise ValueError(f"a lead row has one cable or more, not {parallel!r}")
    return float(parallel) if parallel == 1 else parallel * PARALLEL_RATIO


def lead_end_temperature_c(
    size: str,
    current_a: float,
    duration_s: float,
    x_over_r: float,
    *,
    parallel: int,
    frequency_hz: float,
) -> float:
    """Return the temperature of the copper of a lead row when the fault is cleared.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    current_a : float
        Symmetrical current of the row [A].
    duration_s, x_over_r : float
        Duration [s] and X/R [ratio] of the fault.
    parallel : int
        Equal cables together.
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    float
        Temperature, from 40 °C before [°C].

    Raises
    ------
    TableError
        Where the copper would melt.

    Notes
    -----
    Onderdonk's law with the current times the decrement factor. A time below 0.25 s counts as
    0.25 s, as in the rating: it errs to the hot side, and the voltage on the worker with it. Of
    several cables the hotter is taken, with the share the derating of 10 % stands for.

    Examples
    --------
    >>> round(lead_end_temperature_c("2/0", 18_824, 0.5, 0, parallel=1, frequency_hz=60))
    352
    """
    counted_s = max(duration_s, SHORTEST_RATED_S)
    offset = float(decrement_ratio(x_over_r, counted_s, frequency_hz=frequency_hz))
    share_a = current_a / parallel_ratio(parallel)
    return float(copper_end_c(share_a * offset, area_mm2(size), counted_s))


def rating_source(
    size: str,
    duration_s: float,
    x_over_r: float,
    *,
    basis: Basis,
    parallel: int,
    frequency_hz: float,
) -> str:
    """Return which figure decided a rating, both figures and their sources, what was taken off.

    Parameters
    ----------
    size, duration_s, x_over_r, basis, parallel, frequency_hz
        As for :func:`lead_rating_a`, floats.

    Returns
    -------
    str
        One sentence without a full stop.
    """
    grade, ceiling = grade_of(size), ceiling_of(size)
    counted_s = max(duration_s, SHORTEST_RATED_S)
    table, formula = (
        float(a) for a in _table_and_formula_a(size, np.asarray(counted_s, dtype=float), basis)
    )
    share = "70 % of the fusing current" if basis == "withstand" else "the fusing current"
    by_formula = f"{formula:,.0f} A, {share} by IEEE Std 80-2013 clause 11.3.1 (Kf 7.00)"
    if ceiling is None or (grade is None and formula < table):
        decided = f"formula only, no grade for {size}: {by_formula}"
    else:
        by_table = f"{table:,.0f} A, {ceiling.source(counted_s, basis)}"
        if grade is None:
            by_table = f"no grade for {size}, not above that of {ceiling.size}: {by_table}"
        first, second = (by_table, by_formula) if table <= formula else (by_formula, by_table)
        which = "table" if table <= formula else "formula"
        decided = f"{which} decides: {first}; the other: {second}"
    offset = float(decrement_ratio(x_over_r, counted_s, frequency_hz=frequency_hz))
    text = f"{basis}, {decided}; over decrement factor {offset:.3f} (IEEE Std 80)"
    if duration_s < SHORTEST_RATED_S:
        text += f"; {duration_s:g} s counted as {SHORTEST_RATED_S:g} s"
    if parallel > 1:
        text += f"; {parallel} cables, 10 % off (MIL-HDBK-1025/10 clause 5.3.4.2)"
    if x_over_r > SYMMETRICAL_X_OVER_R:
        text += "; offset above 20 %: ask the maker for a high-asymmetry assembly (ASTM F855)"
    return text


def refuse_unknown(
    current_a: float, duration_s: float, x_over_r: float, where: tuple[str, ...]
) -> None:
    """Refuse a current, time or X/R that is not known.

    Raises
    ------
    NoPlanError
        Code ``no_fault_current`` or ``no_clearing_time``.
    """
    remedy = "Obtain it from the planning or protection engineer."
    if not (current_a > 0 and math.isfinite(current_a)):
        what = f"The fault current is not known ({current_a} A)."
        raise NoPlanError([Reason("no_fault_current", where, what, remedy)])
    if not (x_over_r >= 0 and math.isfinite(x_over_r)):
        what = f"The X/R of the fault is not known ({x_over_r})."
        raise NoPlanError([Reason("no_fault_current", where, what, remedy)])
    if not (duration_s > 0 and math.isfinite(duration_s)):
        what = f"The time to clear the fault is not known, or nothing clears it ({duration_s} s)."
        raise NoPlanError([Reason("no_clearing_time", where, what, remedy)])


def _table_and_formula_a(
    size: str, counted_s: NDArray[np.float64], basis: Basis
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return both symmetrical ratings of one cable; NaN above the largest size of the table."""
    copper = materials()[_LEAD_MATERIAL]
    formula_a = FUSING_SHARE[basis] * ultimate_a(copper, area_mm2(size), counted_s)
    ceiling = ceiling_of(size)
    if ceiling is None:
        return np.full(np.shape(counted_s), np.nan), formula_a
    table_a = ceiling.rating_a(counted_s, basis)
    return table_a, formula_a
