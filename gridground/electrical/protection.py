"""Clearing time of the device at the source end: relay curves, fuse points, backup."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from gridground.errors import Reason, TableError
from gridground.record import OpenItem

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from gridground.territory.layers import Territory

Clearing = Literal["backup", "primary"]


class Curve(NamedTuple):
    """``t = dial (scale/(M^power - 1) + offset_s)``, M = current over pickup."""

    scale_s: float
    offset_s: float
    power: float
    source: str


_IEEE = "IEEE Std C37.112-1996, Table 1, constants A, B, p (read in a relay manual)"
_IEC = "IEC 60255-151:2009, Annex A, constants k, alpha; names of the user's column"
CURVES = {
    "IEEE MI": Curve(0.0515, 0.1140, 0.02, _IEEE),
    "IEEE VI": Curve(19.61, 0.491, 2.0, _IEEE),
    "IEEE EI": Curve(28.2, 0.1217, 2.0, _IEEE),
    "IEC SI": Curve(0.14, 0.0, 0.02, _IEC),
    "IEC VI": Curve(13.5, 0.0, 1.0, _IEC),
    "IEC EI": Curve(80.0, 0.0, 2.0, _IEC),
    "IEC LTI": Curve(120.0, 0.0, 1.0, _IEC),
    "IEC STI": Curve(0.05, 0.0, 0.04, _IEC),
}
# Many relays hold the time constant above this multiple: using it for all errs to the long side.
LARGEST_MULTIPLE = 20.0
_RELAY_KEYS = ("pickup_a", "time_dial", "breaker_s")


def curve_time_s(curve: str, multiple: ArrayLike, *, dial: float) -> NDArray[np.float64]:
    """Return the operating time of an inverse-time element.

    Parameters
    ----------
    curve : str
        One of `CURVES`.
    multiple : float or array_like
        Current over pickup [ratio].
    dial : float
        Time dial (IEEE) or time multiplier setting (IEC).

    Returns
    -------
    ndarray
        [s]; NaN at a multiple of 1 or below, where the element never operates. Above a multiple
        of 20 the time at 20 is used, which is longer than the equation's.

    References
    ----------
    .. [1] IEEE Std C37.112-1996, equation and Table 1.
    .. [2] IEC 60255-151:2009, Annex A.

    Examples
    --------
    >>> round(float(curve_time_s("IEC VI", 10.0, dial=1.0)), 3)
    1.5
    """
    scale_s, offset_s, power, _ = CURVES[curve]
    ratio = np.minimum(np.asarray(multiple, float), LARGEST_MULTIPLE)
    ratio = np.where(ratio > 1.0, ratio, np.nan)
    return np.asarray(dial * (scale_s / (ratio**power - 1.0) + offset_s))


def protection_gaps(protection: dict[str, Any]) -> tuple[str, ...]:
    """Return the keys of a protection object that are missing or unusable."""
    if protection.get("kind") == "fuse":
        return () if _points(protection) is not None else ("clearing_points",)
    if protection.get("kind") != "relay":
        return ("kind",)
    gaps = [] if protection.get("curve") in CURVES else ["curve"]
    gaps += [key for key in _RELAY_KEYS if not _positive(protection.get(key))]
    gaps += [
        key
        for key in ("instantaneous_a", "ground_pickup_a")
        if protection.get(key) is not None and not _positive(protection[key])
    ]
    return tuple(gaps)


def clearing_s(
    protection: dict[str, Any] | None,
    fixed_s: float | None,
    *,
    phase_current_a: ArrayLike,
    ground_current_a: ArrayLike,
) -> NDArray[np.float64] | Any:  # noqa: ANN401  scalar in, scalar out
    """Return the clearing time of the source-end device.

    Parameters
    ----------
    protection : dict or None
        Relay or fuse, in the form of the circuits layer.
    fixed_s : float or None
        Fixed clearing time, used only where `protection` is None [s].
    phase_current_a, ground_current_a : float or array_like
        Largest phase current and current to ground (3 I0) at the device [A].

    Returns
    -------
    float or ndarray
        Total time [s]; NaN where the device never operates, or where nothing or too little of it
        is known (`protection_gaps`).

    Raises
    ------
    TableError
        For a current outside the points of a fuse curve.

    Notes
    -----
    Relay: the faster of phase and ground element plus `breaker_s`; the ground element has the
    curve and dial of the phase element and its own pickup; at or above `instantaneous_a` the time
    is `breaker_s` alone. Fuse: log-log between the points.
    """
    phase = np.asarray(phase_current_a, float)
    time_s = _device_time_s(protection, fixed_s, phase, np.asarray(ground_current_a, float))
    points = None if protection is None else _points(protection)
    if points is not None:
        beyond = np.isnan(time_s) & ~np.isnan(phase)
        if beyond.any():
            worst = float(np.broadcast_to(phase, time_s.shape)[beyond].flat[0])
            raise TableError(
                "fuse clearing time",
                f"{worst:.6g} A",
                f"points from {points[0, 0]:g} A to {points[-1, 0]:g} A",
                "clearing_points of the circuit's protection",
            )
    return time_s[()]


def circuit_clearing_s(
    territory: Territory,
    circuit_row: int,
    *,
    clearing: Clearing,
    phase_current_a: ArrayLike,
    ground_current_a: ArrayLike,
) -> tuple[NDArray[np.float64], tuple[Reason, ...]]:
    """Return the clearing time that counts for a circuit, primary and backup combined.

    Parameters
    ----------
    territory : Territory
        As read.
    circuit_row : int
        Row of the circuit.
    clearing : "backup" or "primary"
        Which time counts. Backup is the larger of the stated backup time and the primary time;
        where no backup time is stated the primary time stands, with the open item of
        `clearing_open_items`.
    phase_current_a, ground_current_a : float or array_like
        [A].

    Returns
    -------
    time : ndarray
        [s]; NaN where it is unknown or the device never operates.
    reasons : tuple of Reason
        Why there are NaN: codes ``protection_incomplete``, ``no_clearing_time``,
        ``beyond_fuse_curve``, ``never_trips``.
    """
    circuits = territory.circuits
    name = str(circuits.ids[circuit_row])
    protection, fixed_s = circuits["protection"][circuit_row], _number(circuits, circuit_row)
    phase = np.asarray(phase_current_a, float)
    time_s = _device_time_s(protection, fixed_s, phase, np.asarray(ground_current_a, float))
    backup = backup_s(territory, circuit_row)
    missing = np.isnan(time_s) & ~np.isnan(phase)
    if clearing == "backup" and not math.isnan(backup):
        time_s = np.maximum(time_s, backup)  # NaN stays NaN
    if not missing.any():
        return time_s, ()
    return time_s, (_time_reason(name, protection, float(np.nanmin(phase[missing]))),)


def backup_s(territory: Territory, circuit_row: int) -> float:
    """Return the stated backup clearing time [s], NaN where none is stated."""
    return _number(territory.circuits, circuit_row, "backup_clearing_s")


def clearing_open_items(
    territory: Territory, circuit_row: int, clearing: Clearing
) -> list[OpenItem]:
    """Return an open item where backup time counts and none is stated."""
    if clearing != "backup" or not math.isnan(backup_s(territory, circuit_row)):
        return []
    name = str(territory.circuits.ids[circuit_row])
    return [
        OpenItem(
            code="backup_not_stated",
            where=(name,),
            what=f"No backup clearing time is stated for {name}; the primary time is used.",
            why="If the first device fails, leads and worker carry the fault for longer.",
            who="protection engineer",
            settles="backup_clearing_s of the circuit",
        )
    ]


def _device_time_s(
    protection: dict[str, Any] | None,
    fixed_s: float | None,
    phase_a: NDArray[np.float64],
    ground_a: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the time of the device, NaN for everything it cannot say."""
    unknown = np.full(np.broadcast_shapes(phase_a.shape, ground_a.shape), np.nan)
    if protection is None:
        if fixed_s is None or not _positive(fixed_s):
            return unknown
        return np.where(np.isnan(phase_a + 0 * ground_a), np.nan, fixed_s)
    if protection_gaps(protection):
        return unknown
    points = _points(protection)
    if points is not None:
        return _fuse_time_s(points, phase_a) + 0 * ground_a
    curve, dial = protection["curve"], float(protection["time_dial"])
    time_s = curve_time_s(curve, phase_a / float(protection["pickup_a"]), dial=dial)
    if protection.get("ground_pickup_a") is not None:
        ratio = ground_a / float(protection["ground_pickup_a"])
        time_s = np.fmin(time_s, curve_time_s(curve, ratio, dial=dial))
    if protection.get("instantaneous_a") is not None:
        time_s = np.where(phase_a >= float(protection["instantaneous_a"]), 0.0, time_s)
    return np.asarray(time_s + float(protection["breaker_s"]))


def _fuse_time_s(
    points: NDArray[np.float64], current_a: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Interpolate log-log between points, NaN outside them."""
    with np.errstate(divide="ignore", invalid="ignore"):
        log_current = np.log(current_a)
    log_time = np.interp(log_current, np.log(points[:, 0]), np.log(points[:, 1]))
    inside = (current_a >= points[0, 0]) & (current_a <= points[-1, 0])
    return np.where(inside, np.exp(log_time), np.nan)


def _points(protection: dict[str, Any]) -> NDArray[np.float64] | None:
    """Return the points of a fuse, by rising current, or None where they are no curve."""
    if protection.get("kind") != "fuse":
        return None
    try:
        points = np.array(protection.get("clearing_points"), float)
    except (TypeError, ValueError):
        return None
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2:
        return None
    points = points[np.argsort(points[:, 0])]
    rising, falling = np.diff(points[:, 0]) > 0, np.diff(points[:, 1]) <= 0
    usable = np.isfinite(points).all() and (points > 0).all() and rising.all() and falling.all()
    return points if usable else None


def _positive(value: object) -> bool:
    """Say whether a value is a finite number above zero."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and value > 0


def _number(circuits: Any, row: int, column: str = "clearing_s") -> float:  # noqa: ANN401
    """Return a number of a circuit as float, NaN unless it is above zero."""
    value = float(circuits[column][row])
    return value if value > 0 else math.nan


def _time_reason(name: str, protection: dict[str, Any] | None, current_a: float) -> Reason:
    """Say why there is no time at a current."""
    if protection is None:
        code, what = "no_clearing_time", "neither protection nor clearing_s is stated"
    elif gaps := protection_gaps(protection):
        code, what = "protection_incomplete", f"its protection lacks {', '.join(gaps)}"
    elif _points(protection) is not None:
        code, what = "beyond_fuse_curve", f"{current_a:.0f} A is outside the fuse's points"
    else:
        code = "never_trips"
        what = f"the source-end relay does not operate at {current_a:.0f} A, below its pickup"
    return Reason(
        code=code,
        where=(name,),
        what=f"The clearing time of {name} is unknown: {what}.",
        remedy="State the protection settings, or a device that clears this current.",
    )
