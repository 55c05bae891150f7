"""One phase to earth through a location's electrode alone: what flows, and what opens it.

Where there is no neutral, or it is broken, the current of one energized phase returns through the
rod and the earth to the ground of the source. It is small, and often below what any device sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.clearing import Met, ask_series, source_time_s
from gridground.electrical.feeds import feeds_of
from gridground.electrical.kinds import Each
from gridground.electrical.series import series_of
from gridground.electrical.source import source_of
from gridground.errors import NoPlanError, Reason
from gridground.record import OpenItem
from gridground.territory.network import PHASE_BITS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from gridground.electrical.feeds import Feeds
    from gridground.electrical.series import Series
    from gridground.electrical.thevenin import Thevenin
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

_ROW_OF_PHASE = 7  # of phase A to ground in `kinds`; B and C follow


@dataclass(frozen=True)
class RodFault:
    """One phase to earth through an electrode alone.

    Attributes
    ----------
    largest_a, smallest_a : float or None
        Over the phases at the pole [A]; None where no current flows: an ungrounded source.
    device : str or None
        Device (or circuit, its source-end device) that opens the phase it takes longest for;
        None where for some phase nothing stated operates.
    time_s : float or None
        After what time, one operation of the device nearest the pole that operates [s].
    never : tuple of str
        Phases for which nothing stated operates.
    """

    largest_a: float | None
    smallest_a: float | None
    device: str | None
    time_s: float | None
    never: tuple[str, ...]

    def slower(self, other: RodFault) -> RodFault:
        """Return the one of two that takes longer to be opened, whole: never a mixture of both."""
        endless = [one for one in (self, other) if one.time_s is None]
        if len(endless) == 1:
            return endless[0]
        if endless:
            return min(endless, key=lambda one: one.smallest_a or 0.0)
        return max(self, other, key=lambda one: one.time_s or 0.0)


def rod_fault(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    pole_id: str,
    electrode_ohm: float,
) -> RodFault:
    """Return what one phase draws through the electrode of one pole, and what opens it.

    Parameters
    ----------
    territory, network
        As read, and its graph with the states of devices that count.
    circuit_id, pole_id : str
        The circuit's conductors at that pole.
    electrode_ohm : float
        Resistance of the rod, pole ground or footing to remote earth [ohm].

    Returns
    -------
    RodFault

    Raises
    ------
    NoPlanError
        Codes ``not_in_network``, ``no_fault_current``.
    ValueError
        For a resistance that is not above zero.

    Notes
    -----
    ``I = E_k / (Z_kk + R + R_source)``: `Z_kk` the phase's own impedance of source and line with
    the earth as the only way back (the neutral left out of every overhead span), `R_source` the
    ground of the source's neutral. Without the neutral the current is smaller than with any part
    of it, so that a device that operates here operates with the neutral too. A cable or a span
    without known geometry keeps its stated impedance. Load, the other pole grounds and the
    resistance of an arc are left out.
    """
    answer = rod_faults(
        territory, network, circuit_id=circuit_id, electrode_ohm={pole_id: electrode_ohm}
    )
    return answer[pole_id]


def rod_faults(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    electrode_ohm: Mapping[str, float],
) -> dict[str, RodFault]:
    """Return `rod_fault` for the electrodes of several poles, the network being solved once.

    Parameters
    ----------
    territory, network, circuit_id
        As for `rod_fault`.
    electrode_ohm : mapping
        `pole_id` -> resistance [ohm].
    """
    if not all(ohm > 0 and math.isfinite(ohm) for ohm in electrode_ohm.values()):
        raise ValueError("the resistance of an electrode must be above zero")
    nodes = np.array([_node(network, circuit_id, pole) for pole in electrode_ohm], np.intp)
    feeds, seen = feeds_of(territory, network, nodes, (), neutral=False)
    series = series_of(territory, network, seen, reclosing_blocked=())
    current = _currents_a(territory, feeds, seen, nodes, np.array([*electrode_ohm.values()]))
    _refuse_unknown(territory, seen, (circuit_id, list(electrode_ohm), nodes), current)
    met = _met(feeds, series, seen, nodes, _each(current))
    names = [p.name for p in series.positions] + list(feeds.names)
    return {
        pole: _answer(current[:, column], met, column, names)
        for column, pole in enumerate(electrode_ohm)
    }


def rod_fault_text(pole_id: str, found: RodFault) -> str:
    """Return the sentence of the plan about one phase through the electrode alone.

    Examples
    --------
    >>> rod_fault_text("P20", RodFault(145.0, 141.2, "R1", 12.0, ()))
    'One phase to earth through the electrode at P20 alone draws 141 A: R1 operates after 12 s.'
    """
    if found.smallest_a is None:
        return (
            f"One phase to earth through the electrode at {pole_id} alone draws no fault current: "
            "the source is not grounded, and nothing operates."
        )
    text = f"One phase to earth through the electrode at {pole_id} alone draws "
    text += f"{math.floor(found.smallest_a):.0f} A: "
    if found.time_s is None:
        return text + "no device whose settings are stated operates."
    return text + f"{found.device} operates after {found.time_s:.2g} s."


def rod_fault_item(pole_id: str, found: RodFault) -> OpenItem | None:
    """Return an open item where nothing stated opens such a fault, None where something does.

    For a pole without a neutral on the way to its source; where there is one the sentence is a
    caution for the case that it is broken.
    """
    if found.time_s is not None:
        return None
    return OpenItem(
        code="rod_alone_never_trips",
        where=(pole_id,),
        what=rod_fault_text(pole_id, found),
        why="Without a neutral an energized phase stays on for as long as nobody opens it.",
        who="protection engineer",
        settles="a device that operates at this current, or a metallic way back to the source",
    )


def _node(network: Network, circuit_id: str, pole_id: str) -> int:
    """Return the node of a circuit at a pole."""
    circuits = network.territory.spans["circuit_id"]
    pole = network.pole_row.get(pole_id)
    spans = [] if pole is None else network.spans_at(pole)
    mine = [span for span in spans if circuits[span] == circuit_id]
    if pole is None or not mine:
        what = f"Pole {pole_id} carries no span of circuit {circuit_id}."
        reason = Reason("not_in_network", (circuit_id, pole_id), what, "Check the ids.")
        raise NoPlanError([reason])
    return network.node_at(mine[0], pole)


def _currents_a(
    territory: Territory,
    feeds: Feeds,
    seen: Thevenin,
    nodes: NDArray[np.intp],
    electrode_ohm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the current of phases A, B, C, shape (3, n): zero without a grounded source [A].

    NaN for what is unknown, minus infinity for phases that are not there.
    """
    stated = np.asarray(territory.circuits["source_ground_ohm"], float)
    stated = np.where(np.isnan(stated), 0.0, stated)
    grounds = [max((stated[row] for row in rows), default=0.0) for rows in seen.feeding]
    fed_by = seen.fed_by[nodes]
    own = np.diagonal(seen.impedance_ohm[nodes], axis1=1, axis2=2)
    ohm = own + (electrode_ohm + np.array([*grounds, 0.0])[fed_by])[:, None]
    with np.errstate(invalid="ignore"):  # NaN is an unknown impedance and stays NaN
        current = np.abs(seen.voltage_v[nodes] / ohm).T
    current = np.where(feeds.grounded[fed_by], current, np.where(np.isnan(current), np.nan, 0.0))
    there = (seen.phases[nodes] & np.array([[1], [2], [4]], np.uint8)) > 0
    current[:, np.isin(fed_by, list(feeds.mismatched))] = np.nan
    return np.where(there, current, -np.inf)


def _each(current: NDArray[np.float64]) -> Each:
    """Return the currents as faults from one phase to ground, no other fault existing."""
    n = current.shape[1]
    each = Each.none(n)
    for phase in range(3):
        at = np.flatnonzero(current[phase] > 0)
        row = _ROW_OF_PHASE + phase
        each.exists[row, at] = True
        each.phase_a[row, :, at] = 0.0
        each.phase_a[row, phase, at] = each.ground_a[row, at] = current[phase, at]
    return each


def _met(feeds: Feeds, series: Series, seen: Thevenin, nodes: NDArray[np.intp], each: Each) -> Met:
    """Ask every device between the nodes and their sources."""
    met = Met.none(len(nodes))
    ask_series(met, series, nodes, each)
    for index in np.unique(seen.fed_by[nodes]):
        rows = () if index < 0 else seen.feeding[int(index)]
        if len(rows) != 1:
            continue  # several sources: what each device sees is not known, so nothing is said
        at = np.flatnonzero(seen.fed_by[nodes] == index)
        device = feeds.device(rows[0], ())
        part = Each(*(values[..., at] for values in vars(each).values()))
        time_s = np.full(part.ground_a.shape, np.nan)
        if device is not None:
            time_s = source_time_s(device, part)
        met.ask(at, len(series.positions) + rows[0], time_s)
    return met


def _answer(current: NDArray[np.float64], met: Met, column: int, names: list[str]) -> RodFault:
    """Return the record of one pole."""
    there = [phase for phase in range(3) if not np.isneginf(current[phase])]
    if not any(current[phase] > 0 for phase in there):
        return RodFault(None, None, None, None, tuple(list(PHASE_BITS)[p] for p in there))
    rows = [_ROW_OF_PHASE + phase for phase in there]
    time_s = met.primary_s[rows, column]
    never = tuple(list(PHASE_BITS)[p] for p, t in zip(there, time_s, strict=True) if np.isnan(t))
    slowest = rows[int(np.argmax(time_s))]
    return RodFault(
        largest_a=float(current[there].max()),
        smallest_a=float(current[there].min()),
        device=None if never else names[int(met.primary[slowest, column])],
        time_s=None if never else float(time_s.max()),
        never=never,
    )


def _refuse_unknown(
    territory: Territory,
    seen: Thevenin,
    asked: tuple[str, list[str], NDArray[np.intp]],
    current: NDArray[np.float64],
) -> None:
    """Refuse poles whose current is unknown, or that no source reaches."""
    circuit_id, poles, nodes = asked
    reasons = []
    for column, pole in enumerate(poles):
        index = int(seen.fed_by[nodes[column]])
        if index < 0:
            what = f"No phase of {circuit_id} at pole {pole} is connected to a source."
            remedy = "Give the state of devices in which the line can become energized."
            reasons.append(Reason("no_fault_current", (circuit_id, pole), what, remedy))
        elif np.isnan(current[:, column]).any():
            for row in seen.feeding[index]:
                source_of(territory, row)  # says which figure is missing
            what = f"The current through the electrode at pole {pole} is unknown."
            remedy = "State the impedances, conductors and sources of the circuit."
            reasons.append(Reason("no_fault_current", (circuit_id, pole), what, remedy))
    if reasons:
        raise NoPlanError(reasons)
