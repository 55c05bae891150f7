"""The body: the current it bears, its impedance, and the voltage that drives that current."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from gridground.errors import TableError
from gridground.tables import read_table

if TYPE_CHECKING:
    import pandas as pd

Value = TypeVar("Value", float, NDArray[np.float64], "pd.Series[float]")
Weight = Literal["50 kg", "70 kg"]
People = Literal["least_5_percent", "median", "least_95_percent"]

BODY_K_A_SQRT_S: dict[Weight, float] = {"50 kg": 0.116, "70 kg": 0.157}
SHORTEST_S, LONGEST_S = 0.01, 10.0
TESTED_FROM_S = 0.03  # shorter times count as this one
SAME_TIME_S = 1e-9  # 0.1 s + 0.15 s is a little more than 0.25 s in binary
_BODY_SOURCE = "IEEE Std 80-2013 equations 8 and 9"


class Path(NamedTuple):
    """A way through the body: heart-current factor, impedance over the hand-to-hand one [ratio]."""

    heart_ratio: float
    impedance_ratio: float


# IEC/TS 60479-1:2005 Table 12 and Figure 3, from memory.
PATHS = {
    "left hand to both feet": Path(1.0, 0.75),
    "right hand to both feet": Path(0.8, 0.75),
    "both hands to both feet": Path(1.0, 0.5),
    "hand to hand": Path(0.4, 1.0),
}


def tolerable_body_a(duration_s: Value, *, weight: Weight) -> Value:
    """Return the body current that 99.5 % of people of a weight bear without fibrillation.

    Parameters
    ----------
    duration_s : float, ndarray or Series, shape (n,)
        Duration, 0.01 s to 10 s [s].
    weight : "50 kg" or "70 kg"
        Body weight.

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Current [A]; NaN where the duration is NaN.

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.

    Notes
    -----
    ``0.116/sqrt(t)`` and ``0.157/sqrt(t)`` (Dalziel), tested from 0.03 s to 3 s. Shorter times
    count as 0.03 s: the limit does not rise any more. From 3 s to 10 s the law is carried on (our
    judgement): it ends at 37 mA, below the 50 mA that IEC/TS 60479-1 curve c2 allows there.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 6.1, equations 8 and 9 (from memory).

    Examples
    --------
    >>> round(float(tolerable_body_a(0.25, weight="70 kg")), 3)
    0.314
    """
    times = np.asarray(duration_s, dtype=float)
    outside = (times < SHORTEST_S) | (times > LONGEST_S)
    if outside.any():
        raise TableError(
            "duration of the body current",
            f"{np.atleast_1d(times)[np.atleast_1d(outside)][0]:g} s",
            f"{SHORTEST_S:g} s to {LONGEST_S:g} s",
            _BODY_SOURCE,
        )
    root: Any = np.sqrt(np.maximum(duration_s, TESTED_FROM_S))
    result: Value = BODY_K_A_SQRT_S[weight] / root
    return result


def permissible_body_a(duration_s: float) -> float:
    """Return the permissible body current of EN 50522, curve c2 of IEC/TS 60479-1.

    Parameters
    ----------
    duration_s : float
        Duration, 0.05 s to 10 s [s].

    Returns
    -------
    float
        Current, left hand to both feet [A].

    Raises
    ------
    TableError
        For a duration outside 0.05 s to 10 s.

    Notes
    -----
    Straight between the points on a log-log scale.

    References
    ----------
    .. [1] EN 50522:2010, Table B.1 (from memory).

    Examples
    --------
    >>> permissible_body_a(0.5), round(permissible_body_a(0.3), 3)
    (0.2, 0.369)
    """
    return curve_value("body_current", "permissible_ma", duration_s) / 1000.0


def curve_value(table: str, column: str, duration_s: float) -> float:
    """Return a value between the points of a table over time, log-log, refused outside.

    Parameters
    ----------
    table, column : str
        Table with a column ``duration_s``, and the column wanted.
    duration_s : float
        Duration [s].

    Raises
    ------
    TableError
        For a duration outside the table, NaN included.
    """
    times, values, source = _curve(table, column)
    if not times[0] - SAME_TIME_S <= duration_s <= times[-1] + SAME_TIME_S:
        reach = f"{times[0]:g} s to {times[-1]:g} s"
        raise TableError("duration", f"{duration_s:g} s", reach, source)
    found = np.interp(np.log(duration_s), np.log(times), np.log(values))
    return round(float(np.exp(found)), 9)


@cache
def _curve(table: str, column: str) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Return the points of a table over time, and the source of the first."""
    rows = read_table(table)
    times = np.array([float(row["duration_s"]) for row in rows])
    return times, np.array([float(row[column]) for row in rows]), rows[0]["source"]


def body_impedance_ohm(touch_v: Value, *, people: People) -> Value:
    """Return the total impedance of the body, hand to hand, large areas of contact, dry.

    Parameters
    ----------
    touch_v : float, ndarray or Series, shape (n,)
        Voltage across the body, above zero [V].
    people : "least_5_percent", "median" or "least_95_percent"
        The part of the people who have this impedance or less.

    Returns
    -------
    float, ndarray or Series, shape (n,)
        Impedance [ohm].

    Notes
    -----
    Log-log between the points of the table, which lies below the straight line; below 25 V the
    value at 25 V, above 1000 V the value there: all three err to the low side, so to a smaller
    permissible voltage.

    References
    ----------
    .. [1] IEC/TS 60479-1:2005, Table 1 (from memory). The edition of 1994 has other figures.

    Examples
    --------
    >>> round(float(body_impedance_ohm(100.0, people="least_5_percent")))
    990
    """
    volts, ohms = _impedances(people)
    found: Any = np.exp(np.interp(np.log(touch_v), np.log(volts), np.log(ohms)))
    result: Value = found * (touch_v / touch_v)  # a Series keeps its index
    return result


@cache
def _impedances(people: People) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the voltages and impedances of the table."""
    rows = read_table("body_impedance")
    volts = np.array([float(row["touch_v"]) for row in rows])
    return volts, np.array([float(row[f"{people}_ohm"]) for row in rows])


def touch_voltage_v(body_a: float, *, path: str, people: People) -> float:
    """Return the voltage across the body at which a current flows that is as bad for the heart.

    Parameters
    ----------
    body_a : float
        Permissible current, left hand to both feet, above zero [A].
    path : str
        A name of `PATHS`.
    people : "least_5_percent", "median" or "least_95_percent"
        Whose impedance.

    Returns
    -------
    float
        Voltage [V].

    Notes
    -----
    Solves ``V = I/F b Z(V)``: F the heart-current factor, b the impedance of the path over that
    from hand to hand. On the log-log curve of Z the current I = F V/(b Z) is one too, so the
    answer is read off its inverse, without iteration.

    References
    ----------
    .. [1] EN 50522:2010 annex B, the equation of the permissible touch voltage (from memory).
    .. [2] IEC/TS 60479-1:2005 Tables 1 and 12 (from memory).

    Examples
    --------
    >>> round(touch_voltage_v(0.2, path="both hands to both feet", people="least_5_percent"))
    99
    """
    way = PATHS[path]
    volts, ohms = _impedances(people)
    amps = way.heart_ratio * volts / (way.impedance_ratio * ohms)
    if body_a <= amps[0]:
        return float(body_a * volts[0] / amps[0])
    if body_a >= amps[-1]:
        return float(body_a * volts[-1] / amps[-1])
    return float(np.exp(np.interp(np.log(body_a), np.log(amps), np.log(volts))))
