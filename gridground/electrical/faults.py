"""Fault currents, clearing time and asymmetry at every node of a network, or at a few poles."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.kinds import KINDS
from gridground.electrical.lines import span_impedance_ohm
from gridground.electrical.protection import Clearing, clearing_open_items
from gridground.electrical.source import source_of, source_open_items
from gridground.electrical.study import Study, study_faults
from gridground.errors import NoPlanError, Reason
from gridground.record import FaultAt, OpenItem
from gridground.territory.network import phase_letters

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

_LETTERS = np.array([phase_letters(mask) for mask in range(8)], object)


def fault_columns(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str | None = None,
    clearing: Clearing = "backup",
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

    Returns
    -------
    dict of ndarray, shape (n,)
        Sorted by circuit and pole: ``pole_id circuit_id phases three_phase_a phase_phase_a
        two_phase_ground_a phase_ground_a phase_ground_a_a phase_ground_b_a phase_ground_c_a
        governing x_over_r clearing_s asymmetry_ratio never_trips``. NaN where a fault cannot
        exist or an input is unknown; `governing` is then None. `clearing_s` and `asymmetry_ratio`
        are NaN where the source-end device gives no time; `never_trips` is True where it gives
        none for any fault that can exist there.

    Notes
    -----
    Bolted faults, phase domain, in a network without load; the time is that of the source-end
    device at the symmetrical current without growth, which errs to the long side. Devices
    downstream, which may clear sooner, are not counted.
    """
    circuit, node = _places(territory, network, circuit_id)
    unique, back = np.unique(node, return_inverse=True)
    study = study_faults(territory, network, unique, clearing)
    kinds, pick = study.kinds, (study.governing, np.arange(len(unique)))
    known = study.governing >= 0

    def governed(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(known, values[pick], np.nan)

    time_s = governed(study.time_s)
    columns: dict[str, NDArray[Any]] = {
        "pole_id": territory.poles.ids[network.node_pole[unique]],
        "circuit_id": unique,  # replaced below: a node may belong to two circuits
        "phases": _LETTERS[study.phases],
    }
    columns |= {f"{kind}_a": kinds.current_a[row] for row, kind in enumerate(KINDS)}
    columns |= {
        f"phase_ground_{phase}_a": kinds.phase_ground_a[row] for row, phase in enumerate("abc")
    }
    columns["governing"] = np.array([*KINDS, None], object)[study.governing]
    columns["x_over_r"] = governed(kinds.x_over_r)
    columns["clearing_s"] = time_s
    columns["asymmetry_ratio"] = np.where(np.isnan(time_s), np.nan, governed(study.asymmetry_ratio))
    columns["never_trips"] = study.untimed
    columns = {name: values[back] for name, values in columns.items()}
    return columns | {"circuit_id": territory.circuits.ids[circuit]}


def faults_at(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    pole_ids: Sequence[str],
    clearing: Clearing,
) -> dict[str, FaultAt]:
    """Return the fault currents at some poles of a circuit.

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

    Returns
    -------
    dict
        `pole_id` -> FaultAt. Where the source-end device gives no time but a backup time is
        stated, `clearing_s` is the backup time and `fault_open_items` says so.

    Raises
    ------
    NoPlanError
        Codes ``not_in_network`` (pole not on the circuit), ``no_fault_current``,
        ``no_clearing_time``; every reason at once.
    """
    node = _nodes_of(territory, network, circuit_id, pole_ids)
    study = study_faults(territory, network, np.array(list(node.values()), np.intp), clearing)
    reasons = [
        reason
        for column, pole in enumerate(node)
        for reason in _refusals(territory, network, study, (column, pole, circuit_id))
    ]
    if reasons:
        raise NoPlanError(list(dict.fromkeys(reasons)))
    return {pole: _fault_at(study, column) for column, pole in enumerate(node)}


def fault_open_items(
    territory: Territory,
    network: Network,
    *,
    circuit_id: str,
    pole_ids: Sequence[str],
    clearing: Clearing,
) -> list[OpenItem]:
    """Return what a person must settle about the faults at some poles.

    Codes: ``backup_not_stated``, ``never_trips`` (the relay does not operate for a fault that can
    exist there), ``beyond_fuse_curve``, ``protection_incomplete``, ``no_clearing_time``,
    ``joined_sources``, ``source_figures_contradict``.
    """
    node = _nodes_of(territory, network, circuit_id, pole_ids)
    study = study_faults(territory, network, np.array(list(node.values()), np.intp), clearing)
    items: list[OpenItem] = []
    for index in sorted({int(k) for k in study.fed_by if k >= 0}):
        for row in study.feeding[index]:
            items += clearing_open_items(territory, row, clearing)
            source = study.sources[row]
            items += [] if source is None else source_open_items(source)
        for reason in study.reasons.get(index, ()):
            poles = [
                pole
                for column, pole in enumerate(node)
                if study.fed_by[column] == index and study.untimed[column]
            ]
            items.append(_time_item(reason, poles))
    return items


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
    kind = int(study.governing[column])
    current = [None if math.isnan(a) else float(a) for a in study.kinds.current_a[:, column]]
    time_s = float(study.time_s[kind, column])
    return FaultAt(
        three_phase_a=current[0],
        phase_phase_a=current[1],
        two_phase_ground_a=current[2],
        phase_ground_a=current[3],
        governing=KINDS[kind],
        x_over_r=float(study.kinds.x_over_r[kind, column]),
        clearing_s=float(study.backup_s[column]) if math.isnan(time_s) else time_s,
        asymmetry_ratio=float(study.asymmetry_ratio[kind, column]),
    )


def _refusals(
    territory: Territory, network: Network, study: Study, at: tuple[int, str, str]
) -> list[Reason]:
    """Say why there is no fault current or no time at a pole."""
    column, pole, circuit_id = at
    index = int(study.fed_by[column])
    if index < 0:
        what = f"No phase of {circuit_id} at pole {pole} is connected to a source."
        remedy = "Give the state of devices in which the line can become energized."
        return [Reason("no_fault_current", (circuit_id, pole), what, remedy)]
    if study.governing[column] < 0:
        return _unknown_current(territory, network, study, at)
    if not (study.untimed[column] and np.isnan(study.backup_s[column])):
        return []
    names = tuple(str(territory.circuits.ids[row]) for row in study.feeding[index])
    why = " ".join(reason.what for reason in study.reasons.get(index, ()))
    return [
        Reason(
            code="no_clearing_time",
            where=(*names, pole),
            what=f"There is no clearing time for a fault at pole {pole}, and no backup time is "
            f"stated. {why}".strip(),
            remedy="State the protection or clearing_s, and backup_clearing_s.",
        )
    ]


def _unknown_current(
    territory: Territory, network: Network, study: Study, at: tuple[int, str, str]
) -> list[Reason]:
    """Say which source, span or phase leaves the current at a pole unknown."""
    column, pole, circuit_id = at
    rows = study.feeding[int(study.fed_by[column])]
    reasons: list[Reason] = []
    for row in rows:
        if study.sources[row] is None:
            try:
                source_of(territory, row)
            except NoPlanError as error:
                reasons += error.reasons
    if reasons:
        return reasons
    if int(study.fed_by[column]) in study.mismatched:
        names = tuple(str(territory.circuits.ids[row]) for row in rows)
        what = f"Circuits {' and '.join(names)} are joined but differ in voltage or frequency."
        return [Reason("no_fault_current", names, what, "Check the states of ties.")]
    if not study.kinds.exists[:, column].any():
        letters = phase_letters(int(study.phases[column]))
        what = f"The source gives no fault current for phases {letters} at pole {pole}"
        remedy = "Check fault_1ph_a, fault_3ph_a and the phases of the spans."
        return [Reason("no_fault_current", (circuit_id, pole), f"{what} (ungrounded, or "
                       "single-phase with more than one phase).", remedy)]  # fmt: skip
    ohm = span_impedance_ohm(territory, network)
    doubt = np.flatnonzero(np.isnan(ohm).any(axis=(1, 2)))
    mine = [str(territory.spans.ids[s]) for s in doubt][:6]
    what = f"The fault current at pole {pole} is unknown: no impedance for {', '.join(mine)}"
    return [
        Reason(
            code="no_fault_current",
            where=(circuit_id, pole, *mine),
            what=what + (f" and {len(doubt) - 6} more spans." if len(doubt) > 6 else "."),
            remedy="State conductor, construction, phases and neutral, or the impedance.",
        )
    ]


def _not_there(circuit_id: str, pole: str | None) -> Reason:
    """Return the reason for a circuit or pole that is not in the network."""
    where = (circuit_id,) if pole is None else (circuit_id, pole)
    what = f"Circuit {circuit_id} is not there." if pole is None else (
        f"Pole {pole} carries no span of circuit {circuit_id}."
    )  # fmt: skip
    return Reason("not_in_network", where, what, "Check the ids.")


def _time_item(reason: Reason, poles: list[str]) -> OpenItem:
    """Return the open item for a missing time."""
    return OpenItem(
        code=reason.code,
        where=(*reason.where, *poles),
        what=reason.what,
        why="Lead size and worker voltage limit depend on the time; where a backup time is "
        "stated it is used for these faults.",
        who="protection engineer",
        settles=reason.remedy,
    )
