"""How near a lead row is to the next size: by current, by time, by offset."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from gridground.grounding.heating import LONGEST_S
from gridground.grounding.peak import first_peak_a, peak_limit_a
from gridground.grounding.rating import Basis, lead_rating_a

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

Cause = Literal["current", "time", "offset"]

LARGEST_X_OVER_R = 1000.0  # beyond it the offset hardly changes any more
_HALVINGS = 32  # of a span of 10⁹ in logarithm: below one part in 10⁸
_EQUAL_RATIO = 1e-6


@dataclass(frozen=True)
class Margin:
    """What change of the fault needs the next size.

    Attributes
    ----------
    next_size : str or None
        The row that would come next, ``"4/0"`` or ``"2 x 2/0"``; None where nothing in stock
        carries more.
    at_a : float
        Largest symmetrical current the row carries, same time and X/R [A].
    at_s : float or None
        Longest time for which it carries the same current [s]; None beyond 10 s.
    at_x_over_r : float or None
        Largest X/R at which it carries the same current [ratio]; None where it does at any.
    sensitive_to : "current", "time" or "offset"
        What it is nearest to.
    sensitive_ratio : float
        By how much the current, the time or (``"offset"``) the first peak may grow [ratio].
    """

    next_size: str | None
    at_a: float
    at_s: float | None
    at_x_over_r: float | None
    sensitive_to: Cause
    sensitive_ratio: float


def carried_a(
    size: str,
    duration_s: ArrayLike,
    x_over_r: ArrayLike,
    *,
    basis: Basis,
    parallel: int,
    frequency_hz: float,
    times_on: ArrayLike,
) -> Any:  # noqa: ANN401  float for floats, ndarray for arrays
    """Return the symmetrical current a lead row carries, by heat and by its first peak.

    Parameters
    ----------
    size, duration_s, x_over_r, basis, parallel, frequency_hz
        As for `lead_rating_a`; the duration is that of all shots together.
    times_on : int or array_like, shape (n,)
        How often the current begins within the duration: 1, or the shots of a reclosing device.
        Every shot has an offset of its own: ``Df(n X/R, t) = Df(X/R, t/n)``.

    Returns
    -------
    float or ndarray, shape (n,)
        The smaller of the rating and of the peak limit over the peak ratio [A].

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.
    ValueError
        For a size that is not one, no cable, no shot, a negative X/R.

    Examples
    --------
    >>> low, high = (
    ...     carried_a("2/0", 0.25, x, basis="withstand", parallel=1, frequency_hz=60, times_on=1)
    ...     for x in (30, 0)
    ... )
    >>> round(low, -2), round(high, -2)
    (16700.0, 26600.0)
    """
    if np.any(np.asarray(times_on) < 1):
        raise ValueError("a current begins once or more often")
    heat_a = lead_rating_a(
        size,
        duration_s,
        np.asarray(x_over_r, float) * times_on,
        basis=basis,
        parallel=parallel,
        frequency_hz=frequency_hz,
    )
    limit_a = peak_limit_a(size, parallel=parallel, frequency_hz=frequency_hz)
    both = np.minimum(heat_a, limit_a / first_peak_a(1.0, x_over_r))
    return both if np.ndim(both) else float(both)


def row_margin(
    row: tuple[str, int],
    fault: tuple[float, float, float, int],
    rows: list[tuple[str, int]],
    *,
    basis: Basis,
    frequency_hz: float,
) -> Margin:
    """Return how near one chosen row is to the next.

    Parameters
    ----------
    row : tuple
        Size and number of cables of the row.
    fault : tuple
        Current [A], duration [s], X/R [ratio] and number of shots.
    rows : list of tuple
        Every row the job may use, in the order in which they are tried.
    basis : "withstand" or "ultimate"
        As for `lead_rating_a`.
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    Margin
        Thresholds, and what the row is nearest to.

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.

    Notes
    -----
    ``"offset"`` where the first peak is nearer to its limit than the heat: then neither a shorter
    time nor another basis helps, a high-asymmetry assembly does. Else ``"current"``, or ``"time"``
    where the time may grow by less than the square of the current may: heat goes with I²t.
    """
    current_a, duration_s, x_over_r, times_on = fault
    found = margin_columns(
        np.array([row[0]], object),
        np.array([row[1]]),
        (
            np.array([current_a]),
            np.array([duration_s]),
            np.array([x_over_r]),
            np.array([times_on]),
        ),
        basis=basis,
        frequency_hz=frequency_hz,
    )
    at_s, at_x = float(found["at_s"][0]), float(found["at_x_over_r"][0])
    return Margin(
        next_size=_next(row, (duration_s, x_over_r, times_on), rows, (basis, frequency_hz)),
        at_a=float(found["at_a"][0]),
        at_s=None if np.isnan(at_s) else at_s,
        at_x_over_r=None if np.isnan(at_x) else at_x,
        sensitive_to=found["sensitive_to"][0],
        sensitive_ratio=float(found["sensitive_ratio"][0]),
    )


def margin_columns(
    size: NDArray[Any],
    parallel: NDArray[np.int_],
    fault: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int_]],
    *,
    basis: Basis,
    frequency_hz: float,
) -> dict[str, NDArray[Any]]:
    """Return the thresholds of many rows at once; the same as `row_margin`.

    Parameters
    ----------
    size, parallel : ndarray, shape (n,)
        Rows as `choose_lead_columns` gives them: size None where there is no lead.
    fault : tuple of ndarray, shape (n,)
        Current [A], duration [s], X/R [ratio] and number of shots.
    basis, frequency_hz
        As for `lead_rating_a`.

    Returns
    -------
    dict of ndarray, shape (n,)
        ``at_a``, ``at_s`` (NaN beyond 10 s), ``at_x_over_r`` (NaN where it carries at any),
        ``sensitive_to`` (None where there is no lead), ``sensitive_ratio``.

    Raises
    ------
    TableError
        For a duration of a row with a lead outside 0.01 s to 10 s.
    """
    result: dict[str, NDArray[Any]] = {
        key: np.full(len(size), np.nan) for key in ("at_a", "at_s", "at_x_over_r")
    }
    result |= {
        "sensitive_to": np.full(len(size), None, object),
        "sensitive_ratio": np.full(len(size), np.nan),
    }
    chosen = np.array([name is not None for name in size], bool)
    kinds = sorted({(str(s), int(n)) for s, n in zip(size[chosen], parallel[chosen], strict=True)})
    for name, count in kinds:  # distinct rows of the stock, not poles
        at = np.flatnonzero(chosen & (size == name) & (parallel == count))
        current, duration, ratio = fault[0][at], fault[1][at], fault[2][at]
        settings: Any = {"basis": basis, "parallel": count, "frequency_hz": frequency_hz}
        settings["times_on"] = fault[3][at]
        row = _Row(name, settings)
        result["at_a"][at] = carried_a(name, duration, ratio, **settings)
        result["at_s"][at] = row.longest_s(current, duration, ratio)
        result["at_x_over_r"][at] = row.largest_x_over_r(current, duration, ratio)
        cause, share = row.nearest(current, duration, ratio, result["at_s"][at])
        result["sensitive_to"][at], result["sensitive_ratio"][at] = cause, share
    return result


@dataclass(frozen=True)
class _Row:
    """One row of the stock, and where it stops carrying."""

    size: str
    settings: Any

    def longest_s(
        self,
        current: NDArray[np.float64],
        duration: NDArray[np.float64],
        ratio: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Return the longest time for which a current is carried; NaN beyond 10 s."""
        return _last(
            lambda time: carried_a(self.size, time, ratio, **self.settings) >= current,
            duration,
            np.full_like(duration, LONGEST_S),
        )

    def largest_x_over_r(
        self,
        current: NDArray[np.float64],
        duration: NDArray[np.float64],
        ratio: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Return the largest X/R at which a current is carried; NaN where it is at any."""
        return _last(
            lambda x: carried_a(self.size, duration, x, **self.settings) >= current,
            np.maximum(ratio, 1e-3),  # the search runs in the logarithm; below it nothing changes
            np.maximum(ratio, LARGEST_X_OVER_R),
        )

    def nearest(
        self,
        current: NDArray[np.float64],
        duration: NDArray[np.float64],
        ratio: NDArray[np.float64],
        at_s: NDArray[np.float64],
    ) -> tuple[NDArray[Any], NDArray[np.float64]]:
        """Return what each row is nearest to, and by how much that may grow."""
        limit_a = peak_limit_a(
            self.size,
            parallel=self.settings["parallel"],
            frequency_hz=self.settings["frequency_hz"],
        )
        by_peak = limit_a / first_peak_a(current, ratio)
        heating = {key: value for key, value in self.settings.items() if key != "times_on"}
        shots = self.settings["times_on"]
        by_heat = lead_rating_a(self.size, duration, ratio * shots, **heating) / current
        by_time = np.where(np.isnan(at_s), np.inf, at_s) / duration
        is_offset = by_peak < by_heat
        is_time = ~is_offset & (by_time < by_heat**2 * (1.0 - _EQUAL_RATIO))
        cause = np.where(is_offset, "offset", np.where(is_time, "time", "current")).astype(object)
        return cause, np.where(is_offset, by_peak, np.where(is_time, by_time, by_heat))


def _last(
    carries: Callable[[NDArray[np.float64]], NDArray[np.bool_]],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the last value that carries, NaN where `high` does; halving in the logarithm."""
    endless = carries(high)
    if endless.all():
        return np.full_like(low, np.nan)
    low, high = low.copy(), high.copy()
    for _ in range(_HALVINGS):
        middle = np.sqrt(low * high)
        good = carries(middle)
        low, high = np.where(good, middle, low), np.where(good, high, middle)
    return np.where(endless, np.nan, low)


def _next(
    row: tuple[str, int],
    at: tuple[float, float, int],
    rows: list[tuple[str, int]],
    settings: tuple[Basis, float],
) -> str | None:
    """Return the row that is tried next and carries more, in words."""
    basis, frequency_hz = settings

    def amps(one: tuple[str, int]) -> float:
        size, parallel = one
        carries = carried_a(
            size,
            *at[:2],
            basis=basis,
            parallel=parallel,
            frequency_hz=frequency_hz,
            times_on=at[2],
        )
        return float(carries)

    behind = rows[rows.index(row) + 1 :]
    larger = next((one for one in behind if amps(one) > amps(row)), None)
    if larger is None:
        return None
    return larger[0] if larger[1] == 1 else f"{larger[1]} x {larger[0]}"
