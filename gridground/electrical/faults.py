"""Fault currents, clearing time and asymmetry at every node of a network, or at a few poles."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.asymmetry import decrement_ratio
from gridground.electrical.fault_items import refusals, series_notes, time_items
from gridground.electrical.kinds import KINDS
from gridground.electrical.reclosing import reclosing_silent
from gridground.electrical.study import Study, study_faults
from gridground.errors import NoPlanError, Reason
from gridground.record import FaultAt
from gridground.territory.network import phase_letters

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.feeds import Extra
    from gridground.electrical.protection import Clearing
    from gridground.record import Note, OpenItem
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

_LETTERS = np.array([phase_letters(mask) for mask in range(8)], object)


def fault_columns(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str | None = None,
    clearing: Clearing = "backup",
    reclosing_blocked: Collection[str] = (),
    extra: Sequence[Extra] = (),
) -> dict[str, NDArray[Any]]:
    """Return fault currents at every node of every circuit, or of one.

    Parameters
    ----------
    territory : Territory
        As read.
    network : Network
        Its graph, with the states of devices that count.
    circuit_id : str, optional
        Only this circuit.
    clearing : "backup" or "primary"
        Which clearing time counts.
    reclosing_blocked : collection of str
        Devices and circuits at which reclosing is blocked; the shots of others add.
    extra : sequence of (node, Source, clearing time)
        More sources, as for `study_faults`.

    Returns
    -------
    dict of ndarray, shape (n,)
        Sorted by circuit and pole: ``pole_id circuit_id phases three_phase_a phase_phase_a
        two_phase_ground_a phase_ground_a phase_ground_a_a phase_ground_b_a phase_ground_c_a
        governing x_over_r clearing_s asymmetry_ratio never_trips minimum_a primary primary_s
        backup backup_s longest_s``. NaN where a fault cannot exist or an input is unknown;
        `governing` is then None. `clearing_s` and `asymmetry_ratio` are NaN where no device gives
        a time; `never_trips` is True where there is none for some fault that can exist there.
        `minimum_a` to `longest_s` as in `FaultAt`.

    Notes
    -----
    Bolted faults, phase domain, in a network without load; times are those of the devices between
    the node and its source at the symmetrical current without growth, which errs to the long
    side. All faults of a node are solved, phase by phase; the time that goes with `governing` is
    that of the fault of this kind that heats most, not of the one with the largest current.
    """
    circuit, node = _places(territory, network, circuit_id)
    unique, back = np.unique(node, return_inverse=True)
    study = study_faults(
        territory, network, unique, clearing, reclosing_blocked=reclosing_blocked, extra=extra
    )
    known = study.governing >= 0

    def governed(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(known, values, np.nan)

    names = np.array(
        [p.name for p in study.series.positions] + [*study.names, None], object
    )  # the last for none: index -1
    time_s = governed(study.time_s)
    columns: dict[str, NDArray[Any]] = {
        "pole_id": territory.poles.ids[network.node_pole[unique]],
        "circuit_id": unique,  # replaced below: a node may belong to two circuits
        "phases": _LETTERS[study.phases],
    }
    columns |= {f"{kind}_a": study.current_a[row] for row, kind in enumerate(KINDS)}
    columns |= {
        f"phase_ground_{phase}_a": study.phase_ground_a[row] for row, phase in enumerate("abc")
    }
    columns["governing"] = np.array([*KINDS, None], object)[study.governing]
    columns["x_over_r"] = governed(study.x_over_r)
    columns["clearing_s"] = time_s
    columns["asymmetry_ratio"] = np.where(np.isnan(time_s), np.nan, governed(study.asymmetry_ratio))
    columns["never_trips"] = study.untimed
    columns["minimum_a"] = study.minimum_a
    columns["primary"] = names[np.where(known, study.primary, -1)]
    columns["primary_s"] = governed(study.primary_s)
    columns["backup"] = names[np.where(known, study.backup, -1)]
    columns["backup_s"] = governed(
        np.where(study.backup < 0, study.stated_s, study.backup_device_s)
    )
    columns["longest_s"] = study.longest_s
    columns = {name: values[back] for name, values in columns.items()}
    return columns | {"circuit_id": territory.circuits.ids[circuit]}


@dataclass(frozen=True)
class PoleStudy:
    """The fault study of one circuit at some poles, made once and asked for several things.

    Attributes
    ----------
    circuit_id : str
        Circuit whose conductors are meant.
    column : dict
        `pole_id` -> column of the study.
    study : Study
        As `study_faults` returns it.
    network : Network
        With the states of devices that count.
    """

    circuit_id: str
    column: dict[str, int]
    study: Study
    network: Network

    def only(self, pole_ids: Sequence[str]) -> PoleStudy:
        """Return the study of some of its poles."""
        kept = [pole for pole in self.column if pole in set(pole_ids)]
        columns = {pole: number for number, pole in enumerate(kept)}
        part = self.study.only([self.column[pole] for pole in kept])
        return PoleStudy(self.circuit_id, columns, part, self.network)

    @property
    def known(self) -> bool:
        """Whether a source reaches every pole and every current is known."""
        return bool((self.study.governing >= 0).all())

    def faults(self) -> dict[str, FaultAt]:
        """Return the fault currents by pole.

        Where no device gives a time but a backup time is stated, `clearing_s` is the backup time
        and `open_items` says so.

        Raises
        ------
        NoPlanError
            Codes ``no_fault_current``, ``no_clearing_time``; every reason at once.
        """
        territory = self.study.setup.territory
        reasons = [
            reason
            for pole, column in self.column.items()
            for reason in refusals(
                territory, self.network, self.study, (column, pole, self.circuit_id)
            )
        ]
        if reasons:
            raise NoPlanError(list(dict.fromkeys(reasons)))
        return {pole: _fault_at(self.study, column) for pole, column in self.column.items()}

    def open_items(self) -> list[OpenItem]:
        """Return what a person must settle about the faults at the poles.

        Codes: ``backup_not_stated``, ``never_trips`` (no device in the way operates for a fault
        that can exist there), ``no_backup_device`` (one before the source does, and nothing behind
        it), ``beyond_fuse_curve``, ``protection_incomplete``, ``no_clearing_time``,
        ``joined_sources``, ``reclosing_not_blocked``, ``source_figures_contradict``.
        """
        return time_items(self.study, list(self.column))

    def notes(self) -> list[Note]:
        """Return what is assumed about the devices between the poles and their sources.

        Reclosing that is neither stated nor blocked is taken as blocked, and devices in loops are
        not counted.
        """
        return series_notes(self.study, self.reclosing_silent())

    def reclosing_silent(self) -> list[str]:
        """Return circuits and devices in the way whose reclosing is neither stated nor blocked."""
        return reclosing_silent(self.network, self.study)


def study_poles(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    pole_ids: Sequence[str],
    clearing: Clearing,
    reclosing_blocked: Collection[str],
    extra: Sequence[Extra],
) -> PoleStudy:
    """Study the faults of a circuit at some poles.

    Parameters
    ----------
    territory, network
        As for `fault_columns`.
    circuit_id : str
        Circuit whose conductors are meant.
    pole_ids : sequence of str
        Poles.
    clearing : "backup" or "primary"
        Which clearing time counts.
    reclosing_blocked : collection of str
        Devices and circuits at which reclosing is blocked for the job; the shots of others add.
    extra : sequence of (node, Source, clearing time)
        More sources, as for `study_faults`; empty for none.

    Raises
    ------
    NoPlanError
        Code ``not_in_network``: a pole that is not on the circuit.
    """
    node = _nodes_of(territory, network, circuit_id, pole_ids)
    study = study_faults(
        territory,
        network,
        np.array(list(node.values()), np.intp),
        clearing,
        reclosing_blocked=reclosing_blocked,
        extra=extra,
    )
    columns = {pole: column for column, pole in enumerate(node)}
    return PoleStudy(circuit_id, columns, study, network)


def faults_at(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    pole_ids: Sequence[str],
    clearing: Clearing,
    reclosing_blocked: Collection[str] = (),
    extra: Sequence[Extra] = (),
) -> dict[str, FaultAt]:
    """Return the fault currents at some poles of a circuit, as `PoleStudy.faults`.

    Parameters as for `study_poles`.

    Raises
    ------
    NoPlanError
        Codes ``not_in_network``, ``no_fault_current``, ``no_clearing_time``.
    """
    return study_poles(
        territory,
        network,
        circuit_id=circuit_id,
        pole_ids=pole_ids,
        clearing=clearing,
        reclosing_blocked=reclosing_blocked,
        extra=extra,
    ).faults()


def largest_of(answers: Sequence[FaultAt], frequency_hz: float) -> FaultAt:
    """Return the largest current of each kind over some answers; what heats most governs.

    Parameters
    ----------
    answers : sequence of FaultAt
        At several poles, or from several sources.
    frequency_hz : float
        [Hz]

    Returns
    -------
    FaultAt
        Currents, X/R, times and shots are the largest of each, the smallest fault the smallest:
        what one way in lacks another may have, and a longer time never lowers a peak.
    """

    def most(name: str) -> float | None:
        known = [value for a in answers if (value := getattr(a, name)) is not None]
        return max(known, default=None)

    def heat(answer: FaultAt) -> float:
        return (answer.largest_a * answer.asymmetry_ratio) ** 2 * answer.clearing_s

    hottest = max(answers, key=heat)
    longest = max(a.clearing_s for a in answers)
    shots = max(a.times_on for a in answers)
    offset = max(a.x_over_r for a in answers)
    return replace(
        hottest,
        three_phase_a=most("three_phase_a"),
        phase_phase_a=most("phase_phase_a"),
        two_phase_ground_a=most("two_phase_ground_a"),
        phase_ground_a=most("phase_ground_a"),
        x_over_r=offset,
        clearing_s=longest,
        # each shot has its own offset
        asymmetry_ratio=float(decrement_ratio(offset, longest / shots, frequency_hz=frequency_hz)),
        longest_s=max(a.longest_s for a in answers),
        minimum_a=min(a.minimum_a for a in answers),
        times_on=shots,
    )


def _places(
    territory: Territory, network: Network, circuit_id: str | None
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return every (circuit row, node) there is, sorted by circuit and pole."""
    row_of = territory.circuits.index()
    if circuit_id is not None and circuit_id not in row_of:
        raise NoPlanError([_not_there(circuit_id, None)])
    span_circuit = np.array([row_of[name] for name in territory.spans["circuit_id"]], np.intp)
    source = np.array([network.source_node[str(name)] for name in territory.circuits.ids], np.intp)
    circuit = np.concatenate([span_circuit, span_circuit, np.arange(len(source))])
    node = np.concatenate([network.node_from, network.node_to, source])
    if circuit_id is not None:
        mine = circuit == row_of[circuit_id]
        circuit, node = circuit[mine], node[mine]
    n_nodes = len(network.node_pole)
    key = np.unique(circuit * n_nodes + node)
    circuit, node = key // n_nodes, key % n_nodes
    order = np.lexsort((network.node_pole[node], circuit))
    return circuit[order], node[order]


def _nodes_of(
    territory: Territory, network: Network, circuit_id: str, pole_ids: Sequence[str]
) -> dict[str, int]:
    """Return the node of a circuit at each pole."""
    _, nodes = _places(territory, network, circuit_id)
    by_pole = {int(network.node_pole[n]): int(n) for n in nodes}
    found = {pole: by_pole.get(network.pole_row.get(pole, -1)) for pole in pole_ids}
    missing = [_not_there(circuit_id, pole) for pole, node in found.items() if node is None]
    if missing:
        raise NoPlanError(missing)
    return {pole: node for pole, node in found.items() if node is not None}


def _fault_at(study: Study, column: int) -> FaultAt:
    """Return the record of one node."""
    current = [None if math.isnan(a) else float(a) for a in study.current_a[:, column]]
    time_s, stated = float(study.time_s[column]), _number(study.stated_s[column])
    primary, backup = int(study.primary[column]), int(study.backup[column])
    return FaultAt(
        three_phase_a=current[0],
        phase_phase_a=current[1],
        two_phase_ground_a=current[2],
        phase_ground_a=current[3],
        governing=KINDS[int(study.governing[column])],
        x_over_r=float(study.x_over_r[column]),
        clearing_s=float(study.stated_s[column]) if math.isnan(time_s) else time_s,
        asymmetry_ratio=float(study.asymmetry_ratio[column]),
        longest_s=float(study.longest_s[column]),
        minimum_a=float(study.minimum_a[column]),
        times_on=int(study.times_on[column]),
        primary=study.name_of(primary),
        primary_s=_number(study.primary_s[column]),
        backup=study.name_of(backup),
        backup_s=stated if backup < 0 else _number(study.backup_device_s[column]),
    )


def _number(value: np.float64) -> float | None:
    """Return a number, None for NaN."""
    return None if math.isnan(value) else float(value)


def _not_there(circuit_id: str, pole: str | None) -> Reason:
    """Return the reason for a circuit or pole that is not in the network."""
    where = (circuit_id,) if pole is None else (circuit_id, pole)
    what = f"Circuit {circuit_id} is not there." if pole is None else (
        f"Pole {pole} carries no span of circuit {circuit_id}."
    )  # fmt: skip
    return Reason("not_in_network", where, what, "Check the ids.")
