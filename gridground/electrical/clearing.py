"""Which device clears each fault, which one backs it up, and the time that counts.

Devices are asked in order, from the fault towards the source: the first that operates is the
primary, the second the backup; the source-end device is the last. Columns are nodes, rows the
single faults of `kinds`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.curves import (
    beyond_points,
    fuse_points,
    fuse_time_s,
    relay_time_s,
)
from gridground.electrical.kinds import FAULT_KIND, FAULT_PHASES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.electrical.kinds import Each
    from gridground.electrical.protection import Clearing
    from gridground.electrical.series import Element, Position, Series

_HAS = (FAULT_PHASES[:, None] & np.array([1, 2, 4], np.uint8)) > 0  # (10, 3)
_BETWEEN = FAULT_KIND == 1  # one opened phase ends it


@dataclass
class Met:
    """The devices that operate, one column per node, rows as in `Each`.

    Attributes
    ----------
    primary, backup : ndarray of int, shape (10, n)
        Number of the device nearest the fault that operates, and of the next; -1 for none.
    primary_s, backup_s : ndarray, shape (10, n)
        Their times for one operation [s].
    behind_s : ndarray, shape (10, n)
        Longest time of all devices that operate but the primary [s].
    repeated_s : ndarray, shape (10, n)
        Longest sum of all shots of a device that closes on the fault again [s]; NaN for none.
    repeated_on : ndarray of int, shape (10, n)
        How often that device closes on it.
    """

    primary: NDArray[np.intp]
    backup: NDArray[np.intp]
    primary_s: NDArray[np.float64]
    backup_s: NDArray[np.float64]
    behind_s: NDArray[np.float64]
    repeated_s: NDArray[np.float64]
    repeated_on: NDArray[np.intp]

    @classmethod
    def none(cls, n: int) -> Met:
        """Return n nodes at which no device has been asked."""
        nobody, never = np.full((10, n), -1, np.intp), np.full((10, n), np.nan)
        times = (never, never.copy(), never.copy(), never.copy())
        return cls(nobody, nobody.copy(), *times, np.ones((10, n), np.intp))

    def ask(
        self,
        at: NDArray[np.intp],
        number: NDArray[np.intp] | int,
        time_s: NDArray[np.float64],
    ) -> None:
        """Ask the next device towards the source at some columns, its times being known."""
        operates = ~np.isnan(time_s)
        first = operates & (self.primary[:, at] < 0)
        second = operates & ~first & (self.backup[:, at] < 0)
        later_s = np.where(first, np.nan, time_s)
        self.behind_s[:, at] = np.fmax(self.behind_s[:, at], later_s)
        for who, when, new in (
            (self.primary, self.primary_s, first),
            (self.backup, self.backup_s, second),
        ):
            who[:, at] = np.where(new, number, who[:, at])
            when[:, at] = np.where(new, time_s, when[:, at])

    def repeat(self, at: NDArray[np.intp], time_s: NDArray[np.float64], times_on: int) -> None:
        """Keep the sum of all shots of a device that closes on the fault again."""
        if times_on > 1:
            whole = time_s * times_on
            longer = ~np.isnan(time_s) & ~(whole <= self.repeated_s[:, at])
            self.repeated_s[:, at] = np.where(longer, whole, self.repeated_s[:, at])
            self.repeated_on[:, at] = np.where(longer, times_on, self.repeated_on[:, at])


def ask_series(met: Met, series: Series, nodes: NDArray[np.intp], each: Each) -> None:
    """Ask the devices in series, level by level; one evaluation per distinct setting and level.

    Parameters
    ----------
    met : Met
        Of the same columns; changed.
    series : Series
        Positions in series.
    nodes : ndarray of int, shape (n,)
        Node of every column.
    each : Each
        Currents.
    """
    if not series.positions:
        return
    setting = settings_of(series)
    first, own = series.first[nodes], series.beside[nodes]
    for now, counts in ((own, False), (first, True)):
        _ask_levels(met, series, (setting, now, counts), each)


def ask_from(met: Met, series: Series, first: NDArray[np.intp], each: Each) -> None:
    """Ask the devices from some positions on to the source; parameters as for `ask_series`.

    `first` is the first position of every column, shape (n,); -1 for none.
    """
    _ask_levels(met, series, (settings_of(series), first.copy(), True), each)


def _ask_levels(
    met: Met,
    series: Series,
    start: tuple[NDArray[np.intp], NDArray[np.intp], bool],
    each: Each,
) -> None:
    """Ask positions from some start on; those at the fault's own pole count by reclosing only."""
    setting, now, counts = start
    active = np.flatnonzero(now >= 0)
    while len(active):
        alike = setting[now[active]]
        for one in np.unique(alike):
            at = active[alike == one]
            position = series.positions[int(now[at[0]])]
            on = max(element.times_on for element in position.elements)
            if not counts and on == 1:
                continue
            time_s = position_time_s(position, each.phase_a[:, :, at], each.ground_a[:, at])
            if counts:
                met.ask(at, now[at], time_s)
            met.repeat(at, time_s, on)
        now[active] = series.following[now[active]]
        active = active[now[active] >= 0]
        if not counts:
            active = active[series.far_end[now[active]]]


def settings_of(series: Series) -> NDArray[np.intp]:
    """Return a number for every position, the same for the same settings on the same phases."""
    seen: dict[str, int] = {}
    numbers = [
        seen.setdefault(
            json.dumps([(e.protection, e.phases, e.times_on) for e in p.elements], sort_keys=True),
            len(seen),
        )
        for p in series.positions
    ]
    return np.array(numbers, np.intp)


def position_time_s(
    position: Position, phase_a: NDArray[np.float64], ground_a: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return when the devices of a position have cleared each fault.

    Parameters
    ----------
    position : Position
        Devices at one end of a span.
    phase_a : ndarray, shape (10, 3, n)
        [A].
    ground_a : ndarray, shape (10, n)
        [A].

    Returns
    -------
    ndarray, shape (10, n)
        [s]; NaN where the fault is not cleared: a device sees only the phases it carries, and a
        fault is cleared when every phase of it is open; between two phases one is enough (the
        slower one's time is taken all the same).
    """
    total = np.full(ground_a.shape, -np.inf)
    carried = 0
    for element in position.elements:
        carried |= element.phases
        sees = (FAULT_PHASES & element.phases) > 0
        time_s = _element_time_s(element, phase_a, ground_a)
        total[sees & _BETWEEN] = np.fmax(total, time_s)[sees & _BETWEEN]
        total[sees & ~_BETWEEN] = np.maximum(total, time_s)[sees & ~_BETWEEN]
    whole = (FAULT_PHASES & carried) == FAULT_PHASES
    total[~whole & ~_BETWEEN] = np.nan
    total[np.isneginf(total)] = np.nan
    return total


def source_time_s(element: Element, each: Each) -> NDArray[np.float64]:
    """Return the time of a source-end device for each fault, shape (10, n) [s]."""
    return _element_time_s(element, each.phase_a, each.ground_a)


def _element_time_s(
    element: Element, phase_a: NDArray[np.float64], ground_a: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the time of one device; a fuse opens each phase by the phase's own current."""
    here = _HAS & ((element.phases & np.array([1, 2, 4])) > 0)
    points = fuse_points(element.protection)
    if points is not None:
        time_s = np.full(ground_a.shape, -np.inf)
        for phase in range(3):
            rows = np.flatnonzero(here[:, phase])
            time_s[rows] = np.maximum(time_s[rows], fuse_time_s(points, phase_a[rows, phase]))
        time_s[np.isneginf(time_s)] = np.nan
        return time_s
    if element.phases == 7:
        return relay_time_s(element.protection, phase_a.max(axis=1), ground_a)
    seen_a = np.where(here[:, :, None], phase_a, 0.0).max(axis=1)
    # the sum of some of a fault's phases is no current to ground: its ground element is not counted
    whole = (FAULT_PHASES & element.phases) == FAULT_PHASES
    return relay_time_s(element.protection, seen_a, np.where(whole[:, None], ground_a, 0.0))


def outside_points(element: Element, each: Each) -> float | None:
    """Return a current of one column that a fuse carries outside its points, None for none [A]."""
    points = fuse_points(element.protection)
    if points is None:
        return None
    here = _HAS & ((element.phases & np.array([1, 2, 4])) > 0) & each.exists
    current = each.phase_a[:, :, 0][here]
    outside = current[beyond_points(points, current)]
    return float(outside.min()) if len(outside) else None


def counted_s(
    met: Met, source_s: NDArray[np.float64], stated_s: NDArray[np.float64], clearing: Clearing
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return the time that counts for each fault, and how often the current begins in it.

    Parameters
    ----------
    met : Met
        All devices asked.
    source_s : ndarray, shape (10, n)
        Time of the source-end device, NaN where it does not operate [s].
    stated_s : ndarray, shape (n,)
        Stated backup time, NaN for none [s].
    clearing : "backup" or "primary"
        Primary: the time of the device nearest the fault that operates. Backup: the largest of
        the stated backup time, the source-end device's own time and the times of all devices
        behind the primary, its backup first of all (the primary's where nothing behind it
        operates). All of them, so that a device added farther out never shortens it.

    Returns
    -------
    time : ndarray, shape (10, n)
        [s], NaN where no device operates. A device in the way that closes on the fault again
        counts with the sum of its shots, without cooling between: never less than that.
    times_on : ndarray of int, shape (10, n)
        1, or the number of shots where their sum is what counts.
    """
    time_s = met.primary_s
    if clearing == "backup":
        behind = np.fmax(source_s, met.behind_s)
        time_s = np.fmax(np.where(np.isnan(behind), met.primary_s, behind), stated_s)
        time_s = np.where(np.isnan(met.primary_s), np.nan, time_s)
    repeated = met.repeated_s > time_s
    return np.where(repeated, met.repeated_s, time_s), np.where(repeated, met.repeated_on, 1)
