"""What opens an event of the worker study, by the current that the source gives in it.

The time of a bolted fault says nothing about an event in which only rods and earth carry the
current: with the neutral broken a phase may stay on for as long as nobody opens it. So each event
is put to the devices with its own current, and its voltage is held against the limit of its own
time; one that nothing stated opens against what may stand for long.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.clearing import Met, ask_from, counted_s, source_time_s
from gridground.electrical.kinds import FAULT_KIND, FAULT_PHASES, Each
from gridground.electrical.standing import standing_limit_v
from gridground.electrical.tolerable import STRICTEST, limit_v, rule_names
from gridground.errors import TableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.electrical.study import Setup, Study

# A phase with less than this part of the largest current only returns what others feed: an event
# is over when the others are open. Our judgement.
_CARRIES_RATIO = 0.2
# A fixed time is stated for faults. Below this part of the smallest bolted one nothing says that
# it holds. Our judgement.
FIXED_FROM_RATIO = 0.5
_BITS = np.array([1, 2, 4])
# Row of `Each` by the phases that carry: to ground where there are one or two.
_ROW_OF = {int(FAULT_PHASES[row]): row for row in range(10) if FAULT_KIND[row] in {0, 2, 3}}


@dataclass(frozen=True)
class EventTimes:
    """The devices that see every event of one origin.

    Attributes
    ----------
    setup : Setup
        The fault study's network, devices and sources.
    first : int
        The position nearest the grounds that the whole current passes; -1 for none.
    sources : tuple of int
        Numbers of the sources that feed the grounds together; of several all have a fixed time.
    fixed_from_a : float
        Current from which on a fixed time of the source counts [A].
    """

    setup: Setup
    first: int
    sources: tuple[int, ...]
    fixed_from_a: float

    def times_s(self, source_a: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the time that counts for each event.

        Parameters
        ----------
        source_a : ndarray, shape (n, 4)
            What leaves the source in phases A, B, C, and their sum [A].

        Returns
        -------
        ndarray, shape (n,)
            [s]; NaN where nothing stated operates.

        Notes
        -----
        Devices between the grounds, which see a part of the current only, are not counted. A
        fixed time of the source counts from half of the smallest bolted fault on.
        """
        n = len(source_a)
        each, rows = _as_faults(source_a)
        met = Met.none(n)
        if self.first >= 0:
            ask_from(met, self.setup.series, np.full(n, self.first, np.intp), each)
        feeds, at = self.setup.feeds, np.arange(n)
        stated_s = np.full(n, feeds.stated_s(self.sources))
        number = len(self.setup.series.positions) + self.sources[0]
        device = feeds.device(self.sources[0], self.setup.blocked)
        if device is not None:
            source_s = source_time_s(device, each)
            met.repeat(at, source_s, device.times_on)
        else:
            fixed_s = max(feeds.fixed_s(source) for source in self.sources)
            fixed_s = float(stated_s[0]) if n and math.isnan(fixed_s) else fixed_s
            counts = source_a[:, :3].max(axis=1, initial=0.0) >= self.fixed_from_a
            source_s = np.full((10, n), np.nan)
            source_s[rows, at] = np.where(counts, fixed_s, np.nan)
        met.ask(at, number, source_s)
        time_s, _ = counted_s(met, source_s, stated_s, self.setup.clearing)
        if self.setup.clearing == "backup":
            # the device that sees it has failed, and none behind it does: the stated backup time
            # is that of faults, not of this current
            alone = (met.primary >= 0) & (met.primary < len(self.setup.series.positions))
            time_s = np.where(alone & (met.backup < 0), np.nan, time_s)
        answer: NDArray[np.float64] = np.where(rows >= 0, time_s[rows, at], np.nan)
        return answer


@dataclass(frozen=True)
class FixedTime:
    """The one time stated of a line or of equipment: it counts for currents like its faults'.

    Attributes
    ----------
    time_s : float
        [s]
    from_a : float
        Current from which on it counts [A].
    """

    time_s: float
    from_a: float

    def times_s(self, source_a: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the time that counts for each event; as `EventTimes.times_s`."""
        counts = source_a[:, :3].max(axis=1, initial=0.0) >= self.from_a
        answer: NDArray[np.float64] = np.where(counts, self.time_s, np.nan)
        return answer


@dataclass(frozen=True)
class EventLimits:
    """The tolerable voltage of each event of one origin.

    Attributes
    ----------
    times : EventTimes or FixedTime
        What opens them.
    rule : str or float
        The rule asked for, or the employer's voltage.
    body_ohm : float
        Body resistance [ohm].
    duration_s : float
        The time that the limit of the whole plan belongs to [s].
    growth_ratio : float
        Growth of the source that the currents include: the time is that of today's current, the
        smaller one.
    """

    times: EventTimes | FixedTime
    rule: str | float
    body_ohm: float
    duration_s: float
    growth_ratio: float

    def of(
        self, source_a: NDArray[np.float64], base_v: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the limit [V] and the time [s] of each event, shape (n,); NaN: it stays on.

        Parameters
        ----------
        source_a : ndarray, shape (n, 4)
            What leaves the source in phases A, B, C, and their sum [A].
        base_v : float
            The limit for the plan's own duration; a limit is never above it [V].
        """
        time_s = self.times.times_s(source_a / self.growth_ratio)
        limit = np.full(len(time_s), base_v)
        for one in np.unique(time_s[~(time_s <= self.duration_s)]):
            same = np.isnan(time_s) if math.isnan(one) else time_s == one
            limit[same] = min(base_v, self._limit_v(float(one)))
        return limit, time_s

    def _limit_v(self, time_s: float) -> float:
        """Return the limit of one time; beyond the rule's reach what may stand for long [V]."""
        if not math.isnan(time_s):
            if self.rule not in rule_names():
                return math.inf  # the employer's voltage holds for whatever is cleared
            try:
                return limit_v(self.rule, duration_s=time_s, body_ohm=self.body_ohm).volts
            except TableError:
                pass
        return standing_limit_v(STRICTEST, body_ohm=self.body_ohm).volts


def event_times(studies: Sequence[Study]) -> EventTimes | None:
    """Return what opens the events at the nodes of some studies of the same network.

    Parameters
    ----------
    studies : sequence of Study
        Of the circuits that one origin feeds, at the poles with grounds.

    Returns
    -------
    EventTimes or None
        None where no source feeds the nodes, or several of which one has a curve: what each
        device sees is not known then.
    """
    setup = studies[0].setup
    feeding = {_feeding(study) for study in studies}
    named = next(iter(feeding)) if len(feeding) == 1 else None
    if not named:
        return None
    sources = tuple(studies[0].names.index(name) for name in named)
    if len(sources) > 1 and any(setup.feeds.has_curve(source) for source in sources):
        return None
    smallest_a = min(
        (float(a) for study in studies for a in study.minimum_a if not math.isnan(a)),
        default=math.nan,
    )
    if math.isnan(smallest_a):
        return None
    # studies are cut from the network one by one: their numbers differ, the names do not
    ways = [_way(study.setup, int(node)) for study in studies for node in study.nodes]
    common = set(ways[0]).intersection(*ways)
    first = next((name for name in ways[0] if name in common), None)
    numbers = {position.name: k for k, position in enumerate(setup.series.positions)}
    # in an event one source feeds alone
    fixed_from_a = FIXED_FROM_RATIO * smallest_a / len(sources)
    return EventTimes(setup, -1 if first is None else numbers[first], sources, fixed_from_a)


def _feeding(study: Study) -> tuple[str, ...] | None:
    """Return the names of the sources that feed all nodes of a study; None where they differ."""
    fed_by = {int(k) for k in study.fed_by if k >= 0}
    if len(fed_by) != 1:
        return None
    return tuple(study.names[row] for row in study.setup.seen.feeding[fed_by.pop()])


def _way(setup: Setup, node: int) -> list[str]:
    """Return the positions between a node and its source by name, nearest the node first."""
    found = []
    at = int(setup.series.first[node])
    while at >= 0:
        found.append(setup.series.positions[at].name)
        at = int(setup.series.following[at])
    return found


def _as_faults(source_a: NDArray[np.float64]) -> tuple[Each, NDArray[np.intp]]:
    """Return the events as faults of the phases that carry, and the row of each; -1 for none."""
    n = len(source_a)
    each = Each.none(n)
    phase_a = source_a[:, :3]
    largest = phase_a.max(axis=1, initial=0.0)
    carries = (phase_a >= _CARRIES_RATIO * largest[:, None]) & (largest[:, None] > 0)
    rows = np.array([_ROW_OF.get(int(mask), -1) for mask in carries @ _BITS], np.intp)
    at = np.flatnonzero(rows >= 0)
    each.exists[rows[at], at] = True
    for phase in range(3):
        each.phase_a[rows[at], phase, at] = phase_a[at, phase]
    each.ground_a[rows[at], at] = source_a[at, 3]
    return each, rows
