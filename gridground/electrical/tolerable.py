"""Tolerable voltages: named rules, an employer's own voltage, step and touch limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple, TypedDict, TypeVar

import numpy as np
from numpy.typing import NDArray

from gridground.electrical.body import (
    SAME_TIME_S,
    TESTED_FROM_S,
    Weight,
    curve_value,
    permissible_body_a,
    tolerable_body_a,
    touch_voltage_v,
)
from gridground.errors import InputError, Problem, TableError
from gridground.tables import read_table
from gridground.units import parse_voltage_v

if TYPE_CHECKING:
    import pandas as pd

Value = TypeVar("Value", float, NDArray[np.float64], "pd.Series[float]")
STRICTEST = "strictest"


class TolerableVoltage(NamedTuple):
    """A limit and the rule it comes from, with its source."""

    volts: float
    rule: str


class LimitRow(TypedDict):
    """What one rule says about one duration; `limit_v` is None where it says nothing."""

    rule: str
    limit_v: float | None
    reason: str | None
    source: str


def rule_names() -> tuple[str, ...]:
    """Return the names of the rules a job may ask for; the last is the strictest of all.

    Examples
    --------
    >>> rule_names()[:3], rule_names()[-3:]
    (('DOE-HDBK-1092', 'IEEE 80 50 kg', 'IEEE 80 70 kg'), ('EN 50522', 'IEC 60479-1', 'strictest'))
    """
    return tuple(dict.fromkeys(row["rule"] for row in read_table("tolerable")))


def limit_v(rule: str | float, *, duration_s: float, body_ohm: float) -> TolerableVoltage:
    """Return the tolerable voltage between two things a worker can touch at once.

    Parameters
    ----------
    rule : str or float
        A name of :func:`rule_names`, or the employer's own voltage: a number [V] or text with a
        unit such as ``"50 V"``.
    duration_s : float
        Duration of the fault [s].
    body_ohm : float
        Body resistance [ohm]. Only ``IEEE 80 50 kg`` and ``IEEE 80 70 kg`` depend on it, and
        ``strictest`` through them.

    Returns
    -------
    TolerableVoltage
        The limit [V], and the rule with its source.

    Raises
    ------
    InputError
        For a rule that is neither a name nor a voltage above zero, or a body resistance not above
        zero.
    TableError
        For a duration outside the range of the rule.

    Notes
    -----
    ``DOE-HDBK-1092`` and ``IEEE 80`` are ``min(volts, k R_B/sqrt(t))`` of their row. The former
    speaks of 15 and 30 cycles of 60 Hz only, taken as 0.25 s and 0.5 s at either frequency; beyond
    them the smaller of 75 V and 58/sqrt(t) is this project's judgement (50 kg, 500 ohm). ``EN
    50522`` is read off its curve, log-log. ``IEC 60479-1`` is the permissible body current times
    the body's impedance at that very voltage (:func:`gridground.electrical.body.touch_voltage_v`).
    ``strictest`` is the smallest of those that have a value. A voltage under the limit does not
    mean that there is no injury: the body current formula is of 0.5 % fibrillation.

    References
    ----------
    .. [1] DOE-HDBK-1092, clause 4.15.2.
    .. [2] IEEE Std 80-2013, clause 6.1 equations 8 and 9, clause 8.4 with no surface layer (from
       memory).
    .. [3] EN 50522:2010 annex B; IEC/TS 60479-1:2005 (from memory).

    Examples
    --------
    >>> limit_v("DOE-HDBK-1092", duration_s=0.5, body_ohm=1000).volts
    75.0
    >>> limit_v("EN 50522", duration_s=0.5, body_ohm=1000).volts
    220.0
    >>> round(limit_v("IEC 60479-1", duration_s=0.5, body_ohm=1000).volts)
    99
    """
    _check_body(body_ohm)
    if rule not in rule_names():
        return TolerableVoltage(_own_voltage_v(rule), "employer's limit")
    rows = [row for row in read_table("tolerable") if row["rule"] == rule]
    for row in rows:
        above_s, up_to_s = float(row["above_s"]), float(row["up_to_s"])
        if above_s - SAME_TIME_S <= duration_s <= up_to_s + SAME_TIME_S and duration_s > 0:
            return _limit_of(row, duration_s, body_ohm)
    reach = f"{rows[0]['above_s']} s to {rows[-1]['up_to_s']} s"
    raise TableError(f"duration under the rule {rule}", f"{duration_s:g} s", reach, str(rule))


def limit_table(*, duration_s: float, body_ohm: float) -> list[LimitRow]:
    """Return what every named rule says about one duration.

    Parameters
    ----------
    duration_s, body_ohm
        As for :func:`limit_v`.

    Returns
    -------
    list of dict
        ``{"rule", "limit_v", "reason", "source"}`` of each rule but ``strictest``, in the order
        of the table: `limit_v` [V], or None and the reason.

    Raises
    ------
    InputError
        For a body resistance not above zero.

    Examples
    --------
    >>> rows = limit_table(duration_s=0.02, body_ohm=1000)
    >>> [row["rule"] for row in rows if row["limit_v"] is None]
    ['EN 50522', 'IEC 60479-1']
    """
    _check_body(body_ohm)
    result: list[LimitRow] = []
    for rule in rule_names():
        if rule == STRICTEST:
            continue
        try:
            volts, said = limit_v(rule, duration_s=duration_s, body_ohm=body_ohm)
        except TableError as error:
            source = next(r["source"] for r in read_table("tolerable") if r["rule"] == rule)
            result.append({"rule": rule, "limit_v": None, "reason": str(error), "source": source})
            continue
        result.append({"rule": rule, "limit_v": volts, "reason": None, "source": said})
    return result


def limit_a(rule: str | float, *, duration_s: float, body_ohm: float) -> float:
    """Return the body current at the tolerable voltage of a rule.

    Parameters
    ----------
    rule, duration_s, body_ohm
        As for :func:`limit_v`.

    Returns
    -------
    float
        Current through the body [A].

    Raises
    ------
    InputError, TableError
        As for :func:`limit_v`.

    Examples
    --------
    >>> round(limit_a("IEEE 80 50 kg", duration_s=0.5, body_ohm=1000), 3)
    0.164
    """
    return limit_v(rule, duration_s=duration_s, body_ohm=body_ohm).volts / body_ohm


def surface_ratio(soil_ohm_m: Value, *, surface_ohm_m: float, depth_m: float) -> Value:
    """Return the factor by which a thin surface layer counts under the feet.

    Parameters
    ----------
    soil_ohm_m : float, ndarray or Series, shape (n,)
        Resistivity below the layer [ohm·m].
    surface_ohm_m : float
        Resistivity of the layer [ohm·m].
    depth_m : float
        Thickness of the layer, above zero [m].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        ``Cs = 1 - 0.09 (1 - rho/rho_s)/(2 h_s + 0.09)`` [ratio].

    Raises
    ------
    ValueError
        For a resistivity or depth not above zero.

    Notes
    -----
    An empirical fit within 5 % of the exact series, for a layer of 0.03 to 0.3 m; 1 where the
    layer is of the soil itself.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 7.4, equation 27 (from memory).

    Examples
    --------
    >>> round(surface_ratio(400.0, surface_ohm_m=2500.0, depth_m=0.102), 2)
    0.74
    """
    if not (np.all(np.asarray(soil_ohm_m) > 0) and surface_ohm_m > 0 and depth_m > 0):
        raise ValueError("resistivities and the depth of the layer must be above zero")
    result: Value = 1.0 - 0.09 * (1.0 - soil_ohm_m / surface_ohm_m) / (2.0 * depth_m + 0.09)
    return result


def step_limit_v(
    duration_s: Value, *, weight: Weight, body_ohm: float, surface_ohm_m: float, layer_ratio: float
) -> Value:
    """Return the tolerable step voltage.

    Parameters
    ----------
    duration_s : float, ndarray or Series, shape (n,)
        Duration [s].
    weight : "50 kg" or "70 kg"
        Body weight.
    body_ohm : float
        Body resistance [ohm].
    surface_ohm_m : float
        Resistivity of what the feet stand on; 0 leaves the feet out (the strictest) [ohm·m].
    layer_ratio : float
        :func:`surface_ratio` of a surface layer, 1 where there is none [ratio].

    Returns
    -------
    float, ndarray or Series, shape (n,)
        ``(R_B + 6 Cs rho_s) k/sqrt(t)`` [V].

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s; below 0.03 s the limit does not rise any more.
    ValueError
        For a negative resistance or factor.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 8.3, equations 29 and 30 (from memory).

    Examples
    --------
    >>> bare = {"weight": "50 kg", "body_ohm": 1000, "layer_ratio": 1}
    >>> round(float(step_limit_v(0.5, surface_ohm_m=100, **bare)), 1)
    262.5
    """
    feet_ohm = _feet_ohm(6.0, body_ohm, surface_ohm_m, layer_ratio)
    result: Value = (body_ohm + feet_ohm) * tolerable_body_a(duration_s, weight=weight)
    return result


def touch_limit_v(
    duration_s: Value, *, weight: Weight, body_ohm: float, surface_ohm_m: float, layer_ratio: float
) -> Value:
    """Return the tolerable touch voltage, hand to both feet.

    Parameters
    ----------
    duration_s, weight, body_ohm, surface_ohm_m, layer_ratio
        As for :func:`step_limit_v`.

    Returns
    -------
    float, ndarray or Series, shape (n,)
        ``(R_B + 1.5 Cs rho_s) k/sqrt(t)`` [V].

    Raises
    ------
    TableError, ValueError
        As for :func:`step_limit_v`.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 8.3, equations 32 and 33 (from memory).

    Examples
    --------
    >>> bare = {"weight": "50 kg", "body_ohm": 1000, "layer_ratio": 1}
    >>> round(float(touch_limit_v(1.0, surface_ohm_m=0, **bare)))
    116
    """
    feet_ohm = _feet_ohm(1.5, body_ohm, surface_ohm_m, layer_ratio)
    result: Value = (body_ohm + feet_ohm) * tolerable_body_a(duration_s, weight=weight)
    return result


def _limit_of(row: dict[str, str], duration_s: float, body_ohm: float) -> TolerableVoltage:
    """Return the limit of one row of the table."""
    said = f"{row['rule']} ({row['source']})"
    if row["found_by"] == "touch curve":
        return TolerableVoltage(curve_value("touch_curve", "volts", duration_s), said)
    if row["found_by"] == "body impedance":
        current_a = permissible_body_a(duration_s)
        path = "both hands to both feet"
        volts = touch_voltage_v(current_a, path=path, people="least_5_percent")
        return TolerableVoltage(volts, said)
    if row["found_by"] == "smallest":
        return _strictest(duration_s, body_ohm)
    return TolerableVoltage(_formula_v(row, duration_s, body_ohm), said)


def _strictest(duration_s: float, body_ohm: float) -> TolerableVoltage:
    """Return the smallest of all rules; one that has ended holds its last value, as a ceiling."""
    found = [
        TolerableVoltage(float(r["limit_v"]), r["source"])
        for r in limit_table(duration_s=duration_s, body_ohm=body_ohm)
        if r["limit_v"] is not None
    ]
    ends: dict[str, dict[str, str]] = {}
    for row in read_table("tolerable"):
        if row["found_by"] != "smallest":
            ends[row["rule"]] = row
    for row in ends.values():
        last_s = float(row["up_to_s"])
        if last_s < duration_s - SAME_TIME_S:
            volts, said = _limit_of(row, last_s, body_ohm)
            found.append(TolerableVoltage(volts, f"{said}; its value at {last_s:g} s held"))
    volts, said = min(found, key=lambda limit: limit.volts)
    return TolerableVoltage(volts, f"{STRICTEST}: {said}")


def _formula_v(row: dict[str, str], duration_s: float, body_ohm: float) -> float:
    """Return ``min(volts, k R_B/sqrt(t))``; what the body bears is not more below 0.03 s."""
    volts = float(row["volts"]) if row["volts"] else math.inf
    if not row["k_a_sqrt_s"]:
        return volts
    ohm = float(row["body_ohm"]) if row["body_ohm"] else body_ohm
    return min(volts, float(row["k_a_sqrt_s"]) * ohm / math.sqrt(max(duration_s, TESTED_FROM_S)))


def _own_voltage_v(rule: str | float) -> float:
    """Read an employer's own limit."""
    remedy = f"Name one of: {', '.join(rule_names())}; or state a voltage above zero."
    try:
        volts = parse_voltage_v(rule)
    except ValueError as error:
        raise _refusal("limits.worker_limit", str(error), remedy) from error
    if volts <= 0:
        raise _refusal("limits.worker_limit", f"{rule!r} is not above zero", remedy)
    return volts


def _check_body(body_ohm: float) -> None:
    """Refuse a body resistance that cannot be."""
    if not (body_ohm > 0 and math.isfinite(body_ohm)):
        remedy = "State a body resistance above zero."
        raise _refusal("limits.body_ohm", f"{body_ohm!r} is not a resistance above zero", remedy)


def _refusal(field: str, found: str, remedy: str) -> InputError:
    """Return the refusal of one limit of the job."""
    return InputError([Problem("reject", "job", (), field, found, remedy)])


def _feet_ohm(factor: float, body_ohm: float, surface_ohm_m: float, layer_ratio: float) -> float:
    """Return what the ground under the feet adds to the body [ohm]."""
    if not (body_ohm > 0 and surface_ohm_m >= 0 and layer_ratio > 0):
        raise ValueError("body resistance, surface resistivity and layer factor: none below zero")
    return factor * layer_ratio * surface_ohm_m
