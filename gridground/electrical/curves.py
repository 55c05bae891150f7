"""Operating times of one device: relay curves, fuse points, fixed times."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


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
    # M^power - 1 without cancellation just above pickup
    return np.asarray(dial * (scale_s / np.expm1(power * np.log(ratio)) + offset_s))


def protection_gaps(protection: dict[str, Any]) -> tuple[str, ...]:
    """Return the keys of a protection object that are missing or unusable."""
    if protection.get("kind") == "fuse":
        gaps = [] if fuse_points(protection) is not None else ["clearing_points"]
    elif protection.get("kind") == "relay":
        gaps = [] if protection.get("curve") in CURVES else ["curve"]
        gaps += [key for key in _RELAY_KEYS if not is_positive(protection.get(key))]
        gaps += [
            key
            for key in ("instantaneous_a", "ground_pickup_a")
            if protection.get(key) is not None and not is_positive(protection[key])
        ]
    else:
        return ("kind",)
    shots = protection.get("reclose_shots")
    return tuple(gaps) if shots is None or _is_count(shots) else (*gaps, "reclose_shots")


def reclose_shots(protection: dict[str, Any] | None) -> int | None:
    """Return how often a device recloses by itself; None where it is not stated."""
    shots = None if protection is None else protection.get("reclose_shots")
    return shots if isinstance(shots, int) and _is_count(shots) else None


def relay_time_s(
    protection: dict[str, Any], phase_a: NDArray[np.float64], ground_a: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the time of a relay and its breaker, whole settings given.

    Parameters
    ----------
    protection : dict
        Relay without gaps.
    phase_a, ground_a : ndarray
        Largest phase current and current to ground (3 I0) that it sees [A].

    Returns
    -------
    ndarray
        [s], NaN where neither element operates: the faster of phase and ground element plus
        `breaker_s`; at or above `instantaneous_a` (phase current) `breaker_s` alone. The ground
        element has the curve and dial of the phase element and its own pickup.
    """
    curve, dial = protection["curve"], float(protection["time_dial"])
    time_s = curve_time_s(curve, phase_a / float(protection["pickup_a"]), dial=dial)
    if protection.get("ground_pickup_a") is not None:
        ratio = ground_a / float(protection["ground_pickup_a"])
        time_s = np.fmin(time_s, curve_time_s(curve, ratio, dial=dial))
    if protection.get("instantaneous_a") is not None:
        time_s = np.where(phase_a >= float(protection["instantaneous_a"]), 0.0, time_s)
    return np.asarray(time_s + float(protection["breaker_s"]))


def fuse_time_s(points: NDArray[np.float64], current_a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the clearing time of a fuse, log-log between its points, NaN outside them [s]."""
    with np.errstate(divide="ignore", invalid="ignore"):
        log_current = np.log(current_a)
    log_time = np.interp(log_current, np.log(points[:, 0]), np.log(points[:, 1]))
    return np.where(_inside(points, current_a), np.exp(log_time), np.nan)


def beyond_points(points: NDArray[np.float64], current_a: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say where a known current lies outside the points of a fuse."""
    return ~_inside(points, current_a) & ~np.isnan(current_a)


def fuse_points(protection: dict[str, Any]) -> NDArray[np.float64] | None:
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


def is_positive(value: object) -> bool:
    """Say whether a value is a finite number above zero."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and value > 0


def _inside(points: NDArray[np.float64], current_a: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say where a current lies between the first and the last point of a fuse."""
    return np.asarray((current_a >= points[0, 0]) & (current_a <= points[-1, 0]), bool)


def _is_count(value: object) -> bool:
    """Say whether a value is a whole number from 0 to 4."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 4
