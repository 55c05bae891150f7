"""The rod in the earth: resistance, potential of the ground around it, step and touch voltage.

Uniform soil throughout. Shares of the rise do not depend on the resistivity.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from gridground.errors import TableError
from gridground.tables import read_table

if TYPE_CHECKING:
    import pandas as pd

    Numbers = float | NDArray[np.float64] | pd.Series[float]

Value = TypeVar("Value", float, NDArray[np.float64], "pd.Series[float]")

STEP_M = 1.0  # length of a step in IEEE Std 80
_BISECTIONS = 60


def rod_resistance_ohm(resistivity_ohm_m: Value, length_m: Numbers, diameter_m: Numbers) -> Value:
    """Return the resistance of one driven rod to remote earth.

    Parameters
    ----------
    resistivity_ohm_m : float, ndarray or Series, shape (n,)
        Resistivity of the soil [ohm·m].
    length_m, diameter_m : float, ndarray or Series, shape (n,)
        Driven length and diameter of the rod [m].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Resistance [ohm]; NaN where the resistivity is NaN (unknown).

    Raises
    ------
    ValueError
        For a value not above zero, or a rod not at least ten times as long as thick.

    Notes
    -----
    ``R = rho/(2 pi L) (ln(8L/d) - 1)`` (Dwight). Uniform soil. The helix of a screw rod and a wet
    soil have less; dry or frozen top soil and a rod not fully driven have more.

    References
    ----------
    .. [1] H. B. Dwight, Calculation of Resistances to Ground, AIEE Trans. 55 (1936), repeated in
       IEEE Std 142-2007 Table 4-13 (from memory).

    Examples
    --------
    >>> round(float(rod_resistance_ohm(100.0, 1.8288, 0.015875)), 1)
    50.7
    """
    shape = _rod_shape(length_m, diameter_m)
    _check_positive("resistivity", resistivity_ohm_m)
    result: Value = resistivity_ohm_m / (2.0 * math.pi * length_m) * shape
    return result


def two_rods_resistance_ohm(
    resistivity_ohm_m: Value, length_m: Numbers, diameter_m: Numbers, *, spacing_m: Numbers
) -> Value:
    """Return the resistance of two equal rods joined together.

    Parameters
    ----------
    resistivity_ohm_m : float, ndarray or Series, shape (n,)
        Resistivity of the soil [ohm·m].
    length_m, diameter_m : float, ndarray or Series, shape (n,)
        Driven length and diameter of each rod [m].
    spacing_m : float, ndarray or Series, shape (n,)
        Distance between them, at least their length [m].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Resistance of both together [ohm].

    Raises
    ------
    ValueError
        For a value not above zero.
    TableError
        For rods closer than their length, where the series does not hold.

    Notes
    -----
    ``R = rho/(4 pi L)(ln(8L/d) - 1) + rho/(4 pi s)(1 - L^2/(3 s^2) + 2 L^4/(5 s^4))``. The series
    is cut off and errs to the high side near s = L.

    References
    ----------
    .. [1] H. B. Dwight (1936), IEEE Std 142-2007 Table 4-13 (from memory).

    Examples
    --------
    >>> round(float(two_rods_resistance_ohm(100.0, 1.8288, 0.015875, spacing_m=3.0)), 1)
    27.8
    """
    shape = _rod_shape(length_m, diameter_m)
    _check_positive("resistivity", resistivity_ohm_m)
    if not np.all(np.asarray(spacing_m) >= np.asarray(length_m)):
        raise TableError(
            "distance between two rods",
            f"{np.min(spacing_m):g} m",
            f"at least their length, {np.max(length_m):g} m",
            "IEEE Std 142 Table 4-13",
        )
    ratio2 = (length_m / spacing_m) ** 2
    beside = (1.0 - ratio2 / 3.0 + 0.4 * ratio2**2) / spacing_m
    result: Value = resistivity_ohm_m / (4.0 * math.pi) * (shape / length_m + beside)
    return result


def rods_ratio(count: int) -> float:
    """Return the resistance of several rods in a line or hollow square over that of one.

    Parameters
    ----------
    count : int
        Rods, each at least a rod length from the next.

    Returns
    -------
    float
        ``F/n`` [ratio].

    Raises
    ------
    TableError
        For a count beyond 24 or not above zero.

    Notes
    -----
    Between the counts of the table F is that of the next larger one, which errs to the high side.

    References
    ----------
    .. [1] IEEE Std 142-2007, Table 4-14 (from memory).

    Examples
    --------
    >>> rods_ratio(2), rods_ratio(4)
    (0.58, 0.34)
    """
    rows = read_table("rods")
    for row in rows:
        if 1 <= count <= int(row["count"]):
            return float(row["factor"]) / count
    raise TableError("number of rods", f"{count}", f"1 to {rows[-1]['count']}", rows[0]["source"])


def surface_potential_v(
    distance_m: Value, *, rise_v: Numbers, length_m: Numbers, diameter_m: Numbers
) -> Value:
    """Return the potential of the ground surface beside a rod.

    Parameters
    ----------
    distance_m : float, ndarray or Series, shape (n,)
        Distance from the axis of the rod [m].
    rise_v : float, ndarray or Series, shape (n,)
        Potential of the rod over remote earth [V].
    length_m, diameter_m : float, ndarray or Series, shape (n,)
        Driven length and diameter of the rod [m].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Potential over remote earth [V]; never above the rise.

    Raises
    ------
    ValueError
        For a negative distance, a rod that cannot be.

    Notes
    -----
    ``V = rise asinh(L/r)/(ln(8L/d) - 1)``: the line source along the rod, with the current that
    Dwight's resistance gives, clipped at the rise within about a centimetre of the rod. Uniform
    soil; a conducting top layer over rock spreads the potential further than this.

    References
    ----------
    .. [1] Line current in a half space (from memory):
       ``rho I/(2 pi L) ln((sqrt(r^2 + L^2) + L)/r)``.

    Examples
    --------
    >>> rod = {"length_m": 1.8288, "diameter_m": 0.015875}
    >>> round(float(surface_potential_v(1.0, rise_v=100.0, **rod)), 1)
    23.4
    """
    _check_not_negative("distance", distance_m)
    shape = _rod_shape(length_m, diameter_m)
    outside = np.maximum(distance_m, _clip_radius_m(length_m, shape))
    result: Value = rise_v * (np.arcsinh(length_m / outside) / shape)
    return result


def step_v(distance_m: Value, *, rise_v: Numbers, length_m: Numbers, diameter_m: Numbers) -> Value:
    """Return the largest step voltage at or beyond a distance from a rod.

    Parameters
    ----------
    distance_m, rise_v, length_m, diameter_m
        As for :func:`surface_potential_v`; the nearer foot stands at the distance.

    Returns
    -------
    float, ndarray or Series, shape (n,)
        ``V(r) - V(r + 1 m)``, the step pointing away from the rod [V].

    Raises
    ------
    ValueError
        As for :func:`surface_potential_v`.

    Notes
    -----
    Falls with distance; within the clipped centimetre the value at its edge. A step of 1 m is that
    of the limits it is held against.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 8.2, step of 1 m (from memory).

    Examples
    --------
    >>> round(float(step_v(3.0, rise_v=7200.0, length_m=1.8288, diameter_m=0.015875)))
    166
    """
    _check_not_negative("distance", distance_m)
    shape = _rod_shape(length_m, diameter_m)
    near = np.maximum(distance_m, _clip_radius_m(length_m, shape))
    result: Value = rise_v * (_step_shape(near, length_m) / shape)
    return result


def touch_v(distance_m: Value, *, rise_v: Numbers, length_m: Numbers, diameter_m: Numbers) -> Value:
    """Return the voltage between something bonded to the rod and the ground at a distance from it.

    Parameters
    ----------
    distance_m, rise_v, length_m, diameter_m
        As for :func:`surface_potential_v`; the feet stand at the distance.

    Returns
    -------
    float, ndarray or Series, shape (n,)
        ``rise - V(r)`` [V].

    Raises
    ------
    ValueError
        As for :func:`surface_potential_v`.

    Notes
    -----
    Rises with distance: a zone round the rod never cures it. Remote earth takes the whole rise.

    Examples
    --------
    >>> round(float(touch_v(3.048, rise_v=7200.0, length_m=1.8288, diameter_m=0.015875)), -1)
    6500.0
    """
    ground: Any = surface_potential_v(
        distance_m, rise_v=rise_v, length_m=length_m, diameter_m=diameter_m
    )
    result: Value = rise_v - ground
    return result


def radius_for_step_m(
    rise_v: Value, limit_v: Numbers, *, length_m: Numbers, diameter_m: Numbers
) -> Value:
    """Return the radius round a rod outside which every step stays within a limit.

    Parameters
    ----------
    rise_v : float, ndarray or Series, shape (n,)
        Potential of the rod over remote earth [V].
    limit_v : float, ndarray or Series, shape (n,)
        Tolerable step voltage, above zero [V].
    length_m, diameter_m : float, ndarray or Series, shape (n,)
        Driven length and diameter of the rod [m].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Radius [m]; 0 where no step anywhere passes the limit; NaN where an input is NaN.

    Raises
    ------
    ValueError
        For a negative rise, a limit not above zero, a rod that cannot be.

    Notes
    -----
    Solves ``asinh(L/r) - asinh(L/(r + 1)) = limit/rise (ln(8L/d) - 1)`` by bisection between the
    clipped centimetre and ``sqrt(L/q)``, q the right side, beyond which the left side is smaller
    for certain. The upper end is returned: the radius errs to the large side. Uniform soil.

    Examples
    --------
    >>> round(float(radius_for_step_m(7200.0, 164.0, length_m=1.8288, diameter_m=0.015875)), 2)
    3.03
    """
    _check_not_negative("rise", rise_v)
    _check_positive("limit", limit_v)
    shape = _rod_shape(length_m, diameter_m)
    with np.errstate(divide="ignore", over="ignore"):  # no rise: any limit is met
        wanted = np.divide(np.asarray(limit_v, float), np.asarray(rise_v, float)) * np.asarray(
            shape
        )
    length = np.asarray(length_m, float)
    low = np.asarray(_clip_radius_m(length, np.asarray(shape, float)))
    met = _step_shape(low, length) <= wanted
    high = np.maximum(np.sqrt(length / wanted), low)
    low, high = np.broadcast_arrays(low, high)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        inside = _step_shape(middle, length) > wanted
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    radius = np.where(np.isnan(wanted), np.nan, np.where(met, 0.0, high))
    result: Value = _like(radius, rise_v, limit_v)
    return result


def _like(values: NDArray[np.float64], *models: Any) -> Any:  # noqa: ANN401  Series in, Series out
    """Return values as a Series on the index of the first Series among the models."""
    for model in models:
        if hasattr(model, "index"):
            return type(model)(values, index=model.index)
    return values if values.ndim else float(values)


def _step_shape(near_m: Any, length_m: Any) -> Any:  # noqa: ANN401  any array
    """Return a step of 1 m as a share of rho I/(2 pi L)."""
    return np.arcsinh(length_m / near_m) - np.arcsinh(length_m / (near_m + STEP_M))


def _clip_radius_m(length_m: Any, shape: Any) -> Any:  # noqa: ANN401  any array
    """Return the radius at which the line source reaches the whole rise."""
    return length_m / np.sinh(shape)


def _rod_shape(length_m: Numbers, diameter_m: Numbers) -> Any:  # noqa: ANN401  any array
    """Return ``ln(8L/d) - 1`` of a rod that is a rod."""
    if not np.all((np.asarray(diameter_m) > 0) & (np.asarray(length_m) >= 10.0 * diameter_m)):
        raise ValueError("a rod has a diameter above zero and is at least ten times as long")
    return np.log(8.0 * length_m / diameter_m) - 1.0


def _check_positive(name: str, values: Numbers) -> None:
    """Refuse what is not above zero; NaN (unknown) goes through."""
    if np.any(np.asarray(values) <= 0):
        raise ValueError(f"{name} must be above zero")


def _check_not_negative(name: str, values: Numbers) -> None:
    """Refuse what is below zero; NaN (unknown) goes through."""
    if np.any(np.asarray(values) < 0):
        raise ValueError(f"{name} must not be below zero")
