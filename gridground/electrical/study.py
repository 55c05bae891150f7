"""Fault study of some nodes: network solved, currents, who clears them, times, what governs."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.clearing import Met, ask_series, counted_s, source_time_s
from gridground.electrical.feeds import SHORTEST_S, Feeds, feeds_of
from gridground.electrical.kinds import FAULT_KIND, Each, Kinds, fault_kinds
from gridground.electrical.protection import Clearing, circuit_clearing_s
from gridground.electrical.series import Series, series_of

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.feeds import Extra
    from gridground.electrical.source import Source
    from gridground.electrical.thevenin import Thevenin
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

_CHUNK_NODES = 1 << 15  # ten faults of three phases each are held for so many nodes at once
_ENDLESS_S = 1e12
_OF_ALL_NODES = frozenset({"feeding", "sources", "names", "setup"})  # fields of `Study`


@dataclass(frozen=True)
class Study:
    """Everything known about the faults at some nodes, one column per node.

    Attributes
    ----------
    nodes, phases : ndarray, shape (n,)
        Nodes, and their phases as a bit mask.
    fed_by : ndarray of int, shape (n,)
        Index into `feeding`, -1 without a source.
    feeding : tuple of tuple of int
        Numbers of the sources that feed together: circuit rows, then extra sources.
    sources : tuple of Source or None
        Of every circuit, then the extra ones.
    names : tuple of str
        Whose device it is: circuit ids, then the names of the extra sources.
    current_a : ndarray, shape (4, n)
        Largest phase current of each kind [A].
    phase_ground_a : ndarray, shape (3, n)
        [A].
    exists : ndarray of bool, shape (4, n)
        Whether the fault can exist.
    governing : ndarray of int, shape (n,)
        Index into `KINDS` of the fault that heats most, -1 where nothing is known.
    x_over_r, time_s, asymmetry_ratio : ndarray, shape (n,)
        Of the fault that heats most; `time_s` is NaN where no device operates, the ratio is for
        the time or else the stated backup time.
    times_on : ndarray of int, shape (n,)
        How often the current begins within the time.
    primary, backup : ndarray of int, shape (n,)
        For the same fault: number of the position, or of the source behind all positions; -1.
    primary_s, backup_device_s : ndarray, shape (n,)
        Their times for one operation [s].
    stated_s : ndarray, shape (n,)
        Stated backup time [s].
    longest_s : ndarray, shape (n,)
        Longest time of all faults that exist, the stated backup time for those without one [s].
    minimum_a : ndarray, shape (n,)
        Smallest of the largest phase currents of all faults that exist [A].
    untimed : ndarray of bool, shape (n,)
        Whether some fault that exists has no time.
    """

    nodes: NDArray[np.intp]
    phases: NDArray[np.uint8]
    fed_by: NDArray[np.intp]
    feeding: tuple[tuple[int, ...], ...]
    sources: tuple[Source | None, ...]
    names: tuple[str, ...]
    current_a: NDArray[np.float64]
    phase_ground_a: NDArray[np.float64]
    exists: NDArray[np.bool_]
    governing: NDArray[np.intp]
    x_over_r: NDArray[np.float64]
    time_s: NDArray[np.float64]
    asymmetry_ratio: NDArray[np.float64]
    times_on: NDArray[np.intp]
    primary: NDArray[np.intp]
    backup: NDArray[np.intp]
    primary_s: NDArray[np.float64]
    backup_device_s: NDArray[np.float64]
    stated_s: NDArray[np.float64]
    longest_s: NDArray[np.float64]
    minimum_a: NDArray[np.float64]
    untimed: NDArray[np.bool_]
    setup: Setup

    @property
    def series(self) -> Series:
        """The devices in series."""
        return self.setup.series

    def name_of(self, number: int) -> str | None:
        """Return the ids of a position, or of the source behind all of them."""
        if number < 0:
            return None
        n = len(self.series.positions)
        return self.series.positions[number].name if number < n else self.names[number - n]

    def only(self, columns: Sequence[int]) -> Study:
        """Return the study of some of its nodes, by column."""
        kept: dict[str, Any] = {
            field.name: np.asarray(getattr(self, field.name))[..., list(columns)]
            for field in fields(self)
            if field.name not in _OF_ALL_NODES
        }
        return replace(self, **kept)

    def asked_at(self, column: int) -> Asked:
        """Return every single fault at one node and who clears it."""
        return _ask(self.setup, self.nodes[[column]])


@dataclass(frozen=True)
class Setup:
    """What every part of a study needs."""

    territory: Territory
    network: Network
    clearing: Clearing
    blocked: frozenset[str]
    feeds: Feeds
    series: Series
    seen: Thevenin


@dataclass(frozen=True)
class Asked:
    """Faults at some nodes and the devices that operate; times as in `counted_s`."""

    kinds: Kinds
    met: Met
    source_s: NDArray[np.float64]
    source_unknown: NDArray[np.bool_]
    stated_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]


def study_faults(
    territory: Territory,
    network: Network,
    nodes: NDArray[np.intp],
    clearing: Clearing,
    *,
    reclosing_blocked: Collection[str] = (),
    extra: Sequence[Extra] = (),
) -> Study:
    """Study the faults at some nodes.

    Parameters
    ----------
    territory, network
        As read, and its graph.
    nodes : ndarray of int, shape (n,)
        Nodes.
    clearing : "backup" or "primary"
        Which clearing time counts.
    reclosing_blocked : collection of str
        Devices and circuits at which automatic reclosing is blocked. One that states reclosings
        and is not named counts with the sum of its shots: naming none errs to the long side.
    extra : sequence of (node, Source, clearing time)
        More sources (generators) that feed at a node, each with the time after which it is off
        the line [s], None or NaN for unknown.
    """
    feeds, seen = feeds_of(territory, network, nodes, extra)
    series = series_of(territory, network, seen, reclosing_blocked=reclosing_blocked)
    setup = Setup(territory, network, clearing, frozenset(reclosing_blocked), feeds, series, seen)
    fed_by = seen.fed_by[nodes]
    order = np.argsort(fed_by, kind="stable")
    found = _empty(len(nodes))
    for start in range(0, len(nodes), _CHUNK_NODES):
        at = order[start : start + _CHUNK_NODES]
        for name, values in _study_chunk(setup, nodes[at]).items():
            found[name][..., at] = values
    return Study(
        nodes=nodes,
        phases=seen.phases[nodes],
        fed_by=fed_by,
        feeding=seen.feeding,
        sources=feeds.sources,
        names=feeds.names,
        setup=setup,
        **found,
    )


_NUMBERS = ("x_over_r", "time_s", "asymmetry_ratio", "primary_s", "backup_device_s", "stated_s",
            "longest_s", "minimum_a")  # fmt: skip


def _empty(n: int) -> dict[str, NDArray]:  # type: ignore[type-arg]
    """Return the columns to be filled."""
    found: dict[str, NDArray] = {name: np.full(n, np.nan) for name in _NUMBERS}  # type: ignore[type-arg]
    found |= {name: np.full(n, -1, np.intp) for name in ("governing", "primary", "backup")}
    found["times_on"] = np.ones(n, np.intp)
    found |= {"current_a": np.full((4, n), np.nan), "phase_ground_a": np.full((3, n), np.nan)}
    return found | {"exists": np.zeros((4, n), bool), "untimed": np.zeros(n, bool)}


def _kinds(seen: Thevenin, feeds: Feeds, nodes: NDArray[np.intp]) -> Kinds:
    """Return the faults at some nodes, NaN where sources cannot feed together."""
    fed_by = seen.fed_by[nodes]
    kinds = fault_kinds(
        seen.impedance_ohm[nodes],
        seen.voltage_v[nodes],
        seen.phases[nodes],
        grounded=feeds.grounded[fed_by],
        single_phase=feeds.single_phase[fed_by],
    )
    wrong = np.isin(fed_by, list(feeds.mismatched))
    for values in (kinds.current_a, kinds.each.phase_a, kinds.each.ground_a):
        values[..., wrong] = np.nan
    return kinds


def _study_chunk(setup: Setup, nodes: NDArray[np.intp]) -> dict[str, NDArray]:  # type: ignore[type-arg]
    """Study some nodes at once."""
    asked = _ask(setup, nodes)
    time_s, times_on = counted_s(asked.met, asked.source_s, asked.stated_s, setup.clearing)
    if setup.clearing == "backup":
        # never shorter than the source-end device's own time
        time_s[:, asked.source_unknown] = np.nan
    return _columns(asked, time_s, times_on)


def _ask(setup: Setup, nodes: NDArray[np.intp]) -> Asked:
    """Work out the faults at some nodes and ask every device between them and their sources."""
    kinds = _kinds(setup.seen, setup.feeds, nodes)
    each, n = kinds.each, len(nodes)
    met, source_s = Met.none(n), np.full((10, n), np.nan)
    ask_series(met, setup.series, nodes, each)
    stated, frequency = np.full(n, np.nan), np.full(n, np.nan)
    unknown = np.zeros(n, bool)
    fed_by = setup.seen.fed_by[nodes]
    for index in np.unique(fed_by[fed_by >= 0]):
        at = np.flatnonzero(fed_by == index)
        rows = setup.seen.feeding[index]
        stated[at] = setup.feeds.stated_s(rows)
        frequency[at] = setup.feeds.frequency_hz(rows)
        part = Each(*(values[..., at] for values in vars(each).values()))
        source_s[:, at], unknown[at] = _ask_source(setup, met, at, rows, part)
    return Asked(kinds, met, source_s, unknown, stated, frequency)


def _ask_source(
    setup: Setup, met: Met, at: NDArray[np.intp], rows: tuple[int, ...], each: Each
) -> tuple[NDArray[np.float64], bool]:
    """Ask the source-end devices of some columns; return their time and whether it is unknown."""
    largest, known = each.largest_a, ~np.isnan(each.largest_a)
    number = len(setup.series.positions) + rows[0]
    if len(rows) > 1:
        time_s = _joined_s(setup, rows, largest, each)
        met.ask(at, -1, time_s)
        return time_s, False
    device = setup.feeds.device(rows[0], setup.blocked)
    if device is not None:
        time_s = source_time_s(device, each)
        met.ask(at, number, time_s)
        met.repeat(at, time_s, device.times_on)
        return time_s, False
    fixed_s = setup.feeds.fixed_s(rows[0])
    time_s = np.where(known, fixed_s, np.nan)
    met.ask(at, number, time_s)
    return time_s, math.isnan(fixed_s)


def _joined_s(
    setup: Setup, rows: tuple[int, ...], largest: NDArray[np.float64], each: Each
) -> NDArray[np.float64]:
    """Return the time in which the last of several sources is off, NaN where one is a curve.

    What each source-end device sees of the current is not known.
    """
    feeds = setup.feeds
    if any(feeds.has_curve(row) for row in rows):
        return np.full(largest.shape, np.nan)
    time_s = np.zeros(largest.shape)
    for row in rows:  # the fault is cleared when the last device has cleared it
        if row < feeds.n_circuits:
            one_s, _ = circuit_clearing_s(
                setup.territory,
                row,
                clearing=setup.clearing,
                phase_current_a=largest,
                ground_current_a=each.ground_a,
            )
        else:
            one_s = np.where(np.isnan(largest), np.nan, feeds.fixed_s(row))
        time_s = np.maximum(time_s, one_s)
    return time_s


def _columns(
    asked: Asked, time_s: NDArray[np.float64], times_on: NDArray[np.intp]
) -> dict[str, NDArray]:  # type: ignore[type-arg]
    """Find the fault that heats most, (I Df)² t, and what goes with it."""
    kinds, met = asked.kinds, asked.met
    each, stated, column = kinds.each, asked.stated_s, np.arange(len(asked.stated_s))
    largest = each.largest_a
    used = np.where(np.isnan(time_s), stated, time_s)
    offset = np.ones(used.shape)
    for hz in np.unique(asked.frequency_hz[~np.isnan(asked.frequency_hz)]):
        at = asked.frequency_hz == hz
        offset[:, at] = decrement_ratio(
            each.x_over_r[:, at], used[:, at] / times_on[:, at], frequency_hz=float(hz)
        )
    # a fault without any time counts as endless
    endless = np.isnan(used)
    heat = (largest * np.where(endless, 1.0, offset)) ** 2 * np.where(endless, _ENDLESS_S, used)
    heat = np.where(np.isnan(heat), -1.0, heat)
    hottest = heat.argmax(axis=0)
    # an unknown current of a fault that exists leaves the whole node unknown
    unknown = (each.exists & np.isnan(largest)).any(axis=0) | (heat.max(axis=0) < 0)
    timed = np.where(each.exists, used, -np.inf)

    def of_hottest(values: NDArray) -> NDArray:  # type: ignore[type-arg]
        return np.asarray(values[hottest, column])

    return {
        "current_a": kinds.current_a,
        "phase_ground_a": kinds.phase_ground_a,
        "exists": kinds.exists,
        "governing": np.where(unknown, -1, FAULT_KIND[hottest]),
        "x_over_r": of_hottest(each.x_over_r),
        "time_s": of_hottest(time_s),
        "asymmetry_ratio": of_hottest(offset),
        "times_on": of_hottest(times_on),
        "primary": of_hottest(met.primary),
        "backup": of_hottest(met.backup),
        "primary_s": of_hottest(met.primary_s),
        "backup_device_s": of_hottest(met.backup_s),
        "stated_s": stated,
        "longest_s": np.where(
            unknown, np.nan, np.maximum(timed.max(axis=0), SHORTEST_S)
        ),  # NaN for a fault without a time
        "minimum_a": np.where(unknown, np.nan, np.where(each.exists, largest, np.inf).min(axis=0)),
        "untimed": np.asarray((np.isnan(time_s) & ~np.isnan(largest)).any(axis=0), bool),
    }
