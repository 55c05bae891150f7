"""The sources of a network, circuits and generators, and the network solved with them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from gridground.electrical.curves import is_positive, protection_gaps
from gridground.electrical.lines import span_impedance_ohm
from gridground.electrical.protection import backup_s
from gridground.electrical.series import Element, times_on
from gridground.electrical.source import Source, source_of
from gridground.electrical.thevenin import Feed, Thevenin, thevenin
from gridground.errors import NoPlanError
from gridground.territory.cut import cut_to

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from numpy.typing import NDArray

    from gridground.territory.cut import Cut
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

# Tolerable body currents and conductor heating are known from this time on: a shorter one counts
# as this, which errs to the long side.
SHORTEST_S = 0.03


class Extra(NamedTuple):
    """A source beside the circuits' own: a generator on the line.

    Attributes
    ----------
    node : int
        Where it stands.
    source : Source
        What it drives; `circuit_id` is its name.
    clearing_s : float or None
        After what time it is off the line [s]; None or NaN for unknown.
    phases : int
        Phases it is connected to, bit mask; only those that are there count.
    """

    node: int
    source: Source
    clearing_s: float | None
    phases: int = 7


@dataclass(frozen=True)
class Feeds:
    """Sources by number: circuit rows, then extra ones.

    Attributes
    ----------
    sources : tuple of Source or None
        None where the figures of a circuit are unknown.
    names : tuple of str
        Circuit ids, then the names of the extra sources.
    grounded, single_phase : ndarray of bool, shape (n_feeding + 1,)
        Of each set of sources that feed together: whether one is grounded; whether a circuit of
        it (without a circuit: all of it) is single-phase. The last entry stands for no source.
    mismatched : frozenset of int
        Sets whose voltages (beyond 20 %) or frequencies differ.
    """

    territory: Territory
    extra: tuple[Extra, ...]
    sources: tuple[Source | None, ...]
    names: tuple[str, ...]
    grounded: NDArray[np.bool_]
    single_phase: NDArray[np.bool_]
    mismatched: frozenset[int]

    @property
    def n_circuits(self) -> int:
        """Number of circuits."""
        return len(self.territory.circuits)

    def has_curve(self, number: int) -> bool:
        """Say whether the source-end device has a time that depends on the current."""
        circuits = self.territory.circuits
        return number < self.n_circuits and circuits["protection"][number] is not None

    def device(self, number: int, blocked: Collection[str]) -> Element | None:
        """Return the source-end device of a source, None where its protection is not whole."""
        if not self.has_curve(number):
            return None
        protection, name = self.territory.circuits["protection"][number], self.names[number]
        if protection_gaps(protection):
            return None
        return Element(name, protection, 7, times_on(protection, name, blocked))

    def fixed_s(self, number: int) -> float:
        """Return the fixed clearing time of a source [s], NaN where a curve or nothing is known."""
        if number >= self.n_circuits:
            stated = self.extra[number - self.n_circuits].clearing_s
            return float(stated) if stated is not None and is_positive(stated) else math.nan
        if self.has_curve(number):
            return math.nan
        time_s = float(self.territory.circuits["clearing_s"][number])
        return time_s if time_s > 0 else math.nan

    def stated_s(self, numbers: Sequence[int]) -> float:
        """Return the stated backup time of sources together [s], NaN where one states none.

        An extra source has its own time and no other; where it is unknown beside a circuit, the
        circuit's stands in, with an open item.
        """
        own = [backup_s(self.territory, k) for k in numbers if k < self.n_circuits]
        added = [self.fixed_s(k) for k in numbers if k >= self.n_circuits]
        if own:
            added = [time_s for time_s in added if not math.isnan(time_s)]
        return max([*own, *added], key=lambda t: math.inf if math.isnan(t) else t)

    def frequency_hz(self, numbers: Sequence[int]) -> float:
        """Return the frequency of sources that feed together [Hz], NaN where it is unknown."""
        known = [s.frequency_hz for k in numbers if (s := self.sources[k]) is not None]
        return known[0] if known else math.nan


def feeds_of(
    territory: Territory,
    network: Network,
    nodes: NDArray[np.intp] | None,
    extra: Sequence[tuple[int, Source, float | None] | Extra],
    *,
    neutral: bool = True,
) -> tuple[Feeds, Thevenin]:
    """Solve a network with the sources of its circuits and some more.

    Parameters
    ----------
    territory, network
        As read, and its graph.
    nodes : ndarray of int or None
        Nodes asked for.
    extra : sequence of Extra, or of (node, Source, clearing time)
        More sources.
    neutral : bool
        Whether the neutral conductors carry their share (see `span_impedance_ohm`).
    """
    added = tuple(Extra(*one) for one in extra)
    sources = (*_sources(territory), *(one.source for one in added))
    closed = np.where(network.phases == 0, 7, network.closed).astype(np.uint8)
    at = [network.source_node[str(name)] for name in territory.circuits.ids]
    at += [int(one.node) for one in added]
    ohm = np.full((len(sources), 3, 3), np.nan, complex)
    volt = np.zeros((len(sources), 3), complex)
    fed = np.full(len(sources), 7, np.uint8)
    met = np.zeros(len(network.node_pole), np.uint8)
    np.bitwise_or.at(met, network.node_from, closed)
    np.bitwise_or.at(met, network.node_to, closed)
    n_circuits = len(territory.circuits)
    alone = all(s.single_phase for s in sources[:n_circuits] if s is not None)
    for number, source in enumerate(sources):
        if source is None:
            continue
        ohm[number], volt[number] = source.abc_ohm(), source.emf_v()
        if source.single_phase and met[at[number]]:
            fed[number] = met[at[number]]
        if number < n_circuits:
            continue
        fed[number] = (met[at[number]] or 7) & added[number - n_circuits].phases
        if source.single_phase and not alone:  # it runs in step with its own phase
            volt[number] = source.prefault_v * np.exp(-2j * np.pi / 3 * np.arange(3))
    feed = Feed(
        n_nodes=len(network.node_pole),
        node_from=network.node_from,
        node_to=network.node_to,
        closed=closed,
        span_ohm=span_impedance_ohm(territory, network, neutral=neutral),
        source_node=np.array(at, np.intp),
        source_phases=fed,
        source_ohm=ohm,
        source_v=volt,
    )
    seen = thevenin(feed, wanted=nodes)
    known = [[s for k in rows if (s := sources[k]) is not None] for rows in seen.feeding]
    names = (*map(str, territory.circuits.ids), *(one.source.circuit_id for one in added))
    grounded = [not found or any(s.grounded for s in found) for found in known]
    single = [_single_phase(sources, rows, n_circuits) for rows in seen.feeding]
    return Feeds(
        territory=territory,
        extra=added,
        sources=sources,
        names=names,
        grounded=np.array([*grounded, True], bool),
        single_phase=np.array([*single, False], bool),
        mismatched=_mismatched(known),
    ), seen


def part_of(network: Network, circuit_id: str, pole_ids: Iterable[str]) -> Cut:
    """Return the part of a network that can matter for the faults of a circuit at some poles.

    Parameters
    ----------
    network : Network
        With the states of devices that count.
    circuit_id : str
        Circuit whose conductors are meant; it is kept in any case.
    pole_ids : iterable of str
        Poles; those at which it has no span are left out.

    Returns
    -------
    Cut
        With one three-phase circuit where the territory has any: whether there is one decides how
        single-phase sources run together.
    """
    territory, circuit = network.territory, network.territory.spans["circuit_id"]
    poles = [network.pole_row[name] for name in pole_ids if name in network.pole_row]
    nodes = {
        network.node_at(span, pole)
        for pole in poles
        for span in network.spans_at(pole)
        if circuit[span] == circuit_id
    }
    own = network.fixed.circuit_rows([circuit_id]).tolist()
    return cut_to(network, nodes, circuits=[*own, *territory.once("three-phase", _three_phase)])


def _three_phase(territory: Territory) -> list[int]:
    """Return the row of the first circuit with a known source that is not single-phase, if any."""
    sources = enumerate(_sources(territory))
    return [row for row, s in sources if s is not None and not s.single_phase][:1]


def _sources(territory: Territory) -> tuple[Source | None, ...]:
    """Return the source of every circuit, None where it is unknown."""
    found: list[Source | None] = []
    for row in range(len(territory.circuits)):
        try:
            found.append(source_of(territory, row))
        except NoPlanError:
            found.append(None)
    return tuple(found)


def _single_phase(sources: Sequence[Source | None], rows: Sequence[int], n_circuits: int) -> bool:
    """Say whether only faults of one phase to ground are known where some sources feed."""
    circuits = [s for k in rows if k < n_circuits and (s := sources[k]) is not None]
    if circuits:
        return any(s.single_phase for s in circuits)
    added = [s for k in rows if k >= n_circuits and (s := sources[k]) is not None]
    return bool(added) and all(s.single_phase for s in added)


def _mismatched(known: list[list[Source]]) -> frozenset[int]:
    """Return the sets of sources whose voltages (beyond 20 %) or frequencies differ."""
    found = set()
    for index, sources in enumerate(known):
        volts = [s.prefault_v for s in sources]
        frequencies = {s.frequency_hz for s in sources}
        if sources and (max(volts) > 1.2 * min(volts) or len(frequencies) > 1):
            found.add(index)
    return frozenset(found)
