"""Fault study of some nodes: source, network, currents, times and what governs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.kinds import Kinds, fault_kinds
from gridground.electrical.lines import span_impedance_ohm
from gridground.electrical.protection import Clearing, backup_s, circuit_clearing_s
from gridground.electrical.source import Source, source_of
from gridground.electrical.thevenin import Feed, Thevenin, thevenin
from gridground.errors import NoPlanError, Reason

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Territory
    from gridground.territory.network import Network


@dataclass(frozen=True)
class Study:
    """Everything known about the faults at some nodes, one column per node."""

    nodes: NDArray[np.intp]
    phases: NDArray[np.uint8]
    fed_by: NDArray[np.intp]  # index into `feeding`, -1 without a source
    feeding: tuple[tuple[int, ...], ...]  # circuit rows
    sources: tuple[Source | None, ...]  # of every circuit
    kinds: Kinds
    time_s: NDArray[np.float64]  # (4, n), NaN where the device does not say
    backup_s: NDArray[np.float64]  # (n,), stated backup time
    asymmetry_ratio: NDArray[np.float64]  # (4, n), for the time or else the backup time
    governing: NDArray[np.intp]  # index into KINDS, -1 where nothing is known
    reasons: dict[int, tuple[Reason, ...]]  # by index into `feeding`
    mismatched: frozenset[int]  # sets of sources that cannot feed together

    @property
    def untimed(self) -> NDArray[np.bool_]:
        """Whether some fault that exists at a node has no time, shape (n,)."""
        missing = np.isnan(self.time_s) & ~np.isnan(self.kinds.current_a)
        return np.asarray(missing.any(axis=0), bool)


def study_faults(
    territory: Territory, network: Network, nodes: NDArray[np.intp], clearing: Clearing
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
    """
    sources = _sources(territory)
    seen = _thevenin(territory, network, sources, nodes)
    fed_by, phases = seen.fed_by[nodes], seen.phases[nodes]
    grounded, single = _traits(seen.feeding, sources)
    kinds = fault_kinds(
        seen.impedance_ohm[nodes],
        seen.voltage_v[nodes],
        phases,
        grounded=grounded[fed_by],
        single_phase=single[fed_by],
    )
    mismatched = _mismatched(seen.feeding, sources)
    kinds.current_a[:, np.isin(fed_by, list(mismatched))] = np.nan
    time_s = np.full((4, len(nodes)), np.nan)
    asymmetry = np.ones((4, len(nodes)))
    backup = np.full(len(nodes), np.nan)
    reasons: dict[int, tuple[Reason, ...]] = {}
    order = np.argsort(fed_by, kind="stable")
    cuts = np.searchsorted(fed_by[order], np.arange(len(seen.feeding) + 1))
    for index, rows in enumerate(seen.feeding):
        at = order[cuts[index] : cuts[index + 1]]
        if len(at) == 0:
            continue
        time_s[:, at], reasons[index] = _times(
            territory, rows, clearing, (kinds.current_a[:, at], kinds.ground_a[:, at])
        )
        backup[at] = max((backup_s(territory, row) for row in rows), key=_nan_last)
        source = sources[rows[0]]
        if source is not None:
            used = np.where(np.isnan(time_s[:, at]), backup[at], time_s[:, at])
            asymmetry[:, at] = decrement_ratio(
                kinds.x_over_r[:, at], used, frequency_hz=source.frequency_hz
            )
    return Study(
        nodes=nodes,
        phases=phases,
        fed_by=fed_by,
        feeding=seen.feeding,
        sources=sources,
        kinds=kinds,
        time_s=time_s,
        backup_s=backup,
        asymmetry_ratio=asymmetry,
        governing=_governing(kinds, np.where(np.isnan(time_s), backup, time_s), asymmetry),
        reasons=reasons,
        mismatched=mismatched,
    )


def _nan_last(value: float) -> float:
    """Order times so that an unknown one counts as the longest."""
    return math.inf if math.isnan(value) else value


def _governing(
    kinds: Kinds, time_s: NDArray[np.float64], asymmetry: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Return the kind that heats most, (I Df)² t; one without a time counts as endless."""
    endless_s = 1e12
    ratio = np.where(np.isnan(time_s), 1.0, asymmetry)
    heat = (kinds.current_a * ratio) ** 2 * np.where(np.isnan(time_s), endless_s, time_s)
    heat = np.where(np.isnan(heat), -1.0, heat)
    # an unknown current of a kind that exists leaves the whole node unknown
    unknown = (kinds.exists & np.isnan(kinds.current_a)).any(axis=0)
    return np.where((heat.max(axis=0) < 0) | unknown, -1, heat.argmax(axis=0))


def _sources(territory: Territory) -> tuple[Source | None, ...]:
    """Return the source of every circuit, None where it is unknown."""
    found: list[Source | None] = []
    for row in range(len(territory.circuits)):
        try:
            found.append(source_of(territory, row))
        except NoPlanError:
            found.append(None)
    return tuple(found)


def _thevenin(
    territory: Territory,
    network: Network,
    sources: tuple[Source | None, ...],
    nodes: NDArray[np.intp],
) -> Thevenin:
    """Solve the network; a span of unknown phases connects all three by an unknown impedance."""
    closed = np.where(network.phases == 0, 7, network.closed).astype(np.uint8)
    at = np.array([network.source_node[str(name)] for name in territory.circuits.ids], np.intp)
    ohm = np.full((len(sources), 3, 3), np.nan, complex)
    volt = np.zeros((len(sources), 3), complex)
    fed = np.full(len(sources), 7, np.uint8)
    met = np.zeros(len(network.node_pole), np.uint8)
    np.bitwise_or.at(met, network.node_from, closed)
    np.bitwise_or.at(met, network.node_to, closed)
    for row, source in enumerate(sources):
        if source is not None:
            ohm[row], volt[row] = source.abc_ohm(), source.emf_v()
            if source.single_phase and met[at[row]]:
                fed[row] = met[at[row]]
    span_ohm = span_impedance_ohm(territory, network)
    n_nodes = len(network.node_pole)
    feed = Feed(n_nodes, network.node_from, network.node_to, closed, span_ohm, at, fed, ohm, volt)
    return thevenin(feed, wanted=nodes)


def _traits(
    feeding: tuple[tuple[int, ...], ...], sources: tuple[Source | None, ...]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Say for each set of sources whether one is grounded and whether one is single-phase.

    The last entry stands for no source at all.
    """
    known = [[s for row in rows if (s := sources[row]) is not None] for rows in feeding]
    grounded = [not found or any(s.grounded for s in found) for found in known]
    single = [any(s.single_phase for s in found) for found in known]
    return np.array([*grounded, True], bool), np.array([*single, False], bool)


def _mismatched(
    feeding: tuple[tuple[int, ...], ...], sources: tuple[Source | None, ...]
) -> frozenset[int]:
    """Return the sets of sources whose voltages (beyond 20 %) or frequencies differ."""
    found = set()
    for index, rows in enumerate(feeding):
        known = [s for row in rows if (s := sources[row]) is not None]
        volts = [s.prefault_v for s in known]
        if known and (max(volts) > 1.2 * min(volts) or len({s.frequency_hz for s in known}) > 1):
            found.add(index)
    return frozenset(found)


def _times(
    territory: Territory,
    rows: tuple[int, ...],
    clearing: Clearing,
    currents: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], tuple[Reason, ...]]:
    """Return clearing times of faults fed by one circuit, or by several at once."""
    phase_a, ground_a = currents
    circuits = territory.circuits
    if len(rows) > 1 and any(circuits["protection"][row] is not None for row in rows):
        names = tuple(str(circuits.ids[row]) for row in rows)
        reason = Reason(
            code="joined_sources",
            where=names,
            what=f"{' and '.join(names)} feed the fault together; what each device sees of the "
            "current, and so its time, is not known.",
            remedy="Open the tie, or state a fixed clearing time and a backup time.",
        )
        return np.full(phase_a.shape, np.nan), (reason,)
    time_s = np.zeros(phase_a.shape)
    reasons: list[Reason] = []
    for row in rows:  # the fault is cleared when the last device has cleared it
        one_s, why = circuit_clearing_s(
            territory, row, clearing=clearing, phase_current_a=phase_a, ground_current_a=ground_a
        )
        time_s = np.maximum(time_s, one_s)
        reasons += why
    return time_s, tuple(reasons)
