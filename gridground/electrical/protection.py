"""Clearing time of the device at the source end: relay curves, fuse points, backup."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from gridground.electrical.curves import (
    CURVES,
    curve_time_s,
    fuse_points,
    fuse_time_s,
    is_positive,
    protection_gaps,
    relay_time_s,
)
from gridground.errors import Reason, TableError
from gridground.record import OpenItem

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from gridground.territory.layers import Territory

__all__ = [
    "CURVES",
    "Clearing",
    "backup_s",
    "circuit_clearing_s",
    "clearing_open_items",
    "clearing_s",
    "curve_time_s",
    "protection_gaps",
    "time_reason",
]

Clearing = Literal["backup", "primary"]


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
    whole = protection is not None and not protection_gaps(protection)
    points = fuse_points(protection) if protection is not None and whole else None
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
    return time_s, (time_reason(name, protection, float(np.nanmin(phase[missing]))),)


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
        if fixed_s is None or not is_positive(fixed_s):
            return unknown
        return np.where(np.isnan(phase_a + 0 * ground_a), np.nan, fixed_s)
    if protection_gaps(protection):
        return unknown
    points = fuse_points(protection)
    if points is not None:
        return fuse_time_s(points, phase_a) + 0 * ground_a
    return relay_time_s(protection, phase_a, ground_a)


def _number(circuits: Any, row: int, column: str = "clearing_s") -> float:  # noqa: ANN401
    """Return a number of a circuit as float, NaN unless it is above zero."""
    value = float(circuits[column][row])
    return value if value > 0 else math.nan


def time_reason(name: str, protection: dict[str, Any] | None, current_a: float) -> Reason:
    """Say why there is no time at a current."""
    if protection is None:
        code, what = "no_clearing_time", "neither protection nor clearing_s is stated"
    elif gaps := protection_gaps(protection):
        code, what = "protection_incomplete", f"its protection lacks {', '.join(gaps)}"
    elif fuse_points(protection) is not None:
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
