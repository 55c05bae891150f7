"""The dc offset of a fault current: heating ratio (decrement factor) and first peak."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def decrement_ratio(
    x_over_r: ArrayLike, duration_s: ArrayLike, *, frequency_hz: float
) -> NDArray[np.float64] | Any:  # noqa: ANN401  scalar in, scalar out
    """Return the rms of a fully offset fault current over its symmetrical value.

    Parameters
    ----------
    x_over_r : float or array_like
        X/R of the fault path [ratio]; 0 gives 1, infinity the limit sqrt(3).
    duration_s : float or array_like
        Duration of the fault [s].
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    float or ndarray
        Decrement factor [ratio], between 1 and sqrt(3); NaN where an input is NaN.

    Raises
    ------
    ValueError
        For a negative X/R, or a duration or frequency that is not above zero.

    Notes
    -----
    ``Df = sqrt(1 + Ta/tf (1 - exp(-2 tf/Ta)))`` with ``Ta = (X/R)/(2 pi f)``. It supposes full
    offset at the first instant and a current that does not decay: it errs to the high side.

    References
    ----------
    .. [1] IEEE Std 80-2000, clause 15.10, equation 79 and Table 10 (2013 edition: equation 84);
       equation and clause numbers from memory.

    Examples
    --------
    >>> round(float(decrement_ratio(20.0, 0.5, frequency_hz=60.0)), 3)
    1.052
    """
    ratio, duration = np.asarray(x_over_r, float), np.asarray(duration_s, float)
    if (ratio < 0).any() or (duration <= 0).any() or not frequency_hz > 0:
        raise ValueError("X/R must not be negative; duration and frequency must be above zero")
    constant_s = ratio / (2.0 * np.pi * frequency_hz)
    # a vanishing time constant makes `twice` infinite, and the share nothing
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        twice = 2.0 * duration / constant_s
        share = np.where(twice == 0, 2.0, -2.0 * np.expm1(-twice) / twice)
    share = np.where(ratio == 0, 0.0, share)
    share = np.where(np.isnan(ratio) | np.isnan(duration), np.nan, share)
    return np.sqrt(1.0 + share)[()]


def first_peak_ratio(
    x_over_r: ArrayLike,
) -> NDArray[np.float64] | Any:  # noqa: ANN401  scalar in, scalar out
    """Return the first peak of a fully offset fault current over its symmetrical rms value.

    Parameters
    ----------
    x_over_r : float or array_like
        X/R of the fault path [ratio].

    Returns
    -------
    float or ndarray
        Peak over rms [ratio], between sqrt(2) and 2 sqrt(2).

    Raises
    ------
    ValueError
        For a negative X/R.

    Notes
    -----
    ``sqrt(2) (1 + exp(-pi/(X/R)))``: the peak half a cycle after the first instant, at full
    offset. Formula from memory; it needs no frequency because half a cycle is half a cycle.

    Examples
    --------
    >>> round(float(first_peak_ratio(30.0)), 2)
    2.69
    """
    ratio = np.asarray(x_over_r, float)
    if (ratio < 0).any():
        raise ValueError("X/R must not be negative")
    with np.errstate(divide="ignore", over="ignore"):
        return (np.sqrt(2.0) * (1.0 + np.exp(-np.pi / ratio)))[()]
