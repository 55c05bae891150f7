"""What is open or assumed about the faults at some poles: times, devices, reclosing, figures."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.clearing import outside_points
from gridground.electrical.curves import fuse_points
from gridground.electrical.kinds import FAULT_KIND
from gridground.electrical.lines import span_impedance_ohm
from gridground.electrical.protection import clearing_open_items, time_reason
from gridground.electrical.reclosing import may_close_again, reclosing_items
from gridground.electrical.source import source_of, source_open_items
from gridground.errors import NoPlanError, Reason
from gridground.record import Note, OpenItem
from gridground.territory.network import phase_letters

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.electrical.study import Asked, Study
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

_KIND_WORDS = ("three-phase", "phase-to-phase", "two-phase-to-ground", "phase-to-ground")
_STATE_IT = "State the protection settings, or a device that clears this current."
_WHY_TIME = (
    "Lead size and worker voltage limit depend on the time; where a backup time is stated it is "
    "used for these faults."
)


OPEN_TIE = "Open the tie between them and record it so, or "


@dataclass(frozen=True)
class Cause:
    """Why a time at one pole is unknown or rests on one device only."""

    reason: Reason
    current_a: float
    why: str = _WHY_TIME


def causes(study: Study, column: int) -> list[Cause]:
    """Return everything that leaves a clearing time at one node unknown, or without backup."""
    index = int(study.fed_by[column])
    if index < 0 or study.governing[column] < 0:
        return []
    rows = study.feeding[index]
    feeds = study.setup.feeds
    names = tuple(study.names[row] for row in rows)
    if len(rows) > 1:
        silent = [
            _no_time(study, row)
            for row in rows
            if np.isnan(feeds.fixed_s(row)) and not feeds.has_curve(row)
        ]
        passed_over = may_close_again(study, study.series.joined.get(index, ()))
        if not any(feeds.has_curve(row) for row in rows) and not passed_over:
            return silent
        curves = [study.names[row] for row in rows if feeds.has_curve(row)]
        what = (
            f"{' and '.join(names)} feed the fault together; what each device sees of the "
            "current, and so its time, is not known."
        )
        if passed_over:
            what += f" Not counted, with their reclosing: {', '.join(passed_over)}."
        remedy = OPEN_TIE + _stated_times(curves, passed_over)
        return [Cause(Reason("joined_sources", names, what, remedy), 0.0), *silent]
    asked = study.asked_at(column)
    found = _beyond(study, column, asked)
    if asked.source_unknown[0]:
        return [*found, _no_time(study, rows[0])]
    return [*found, *_not_cleared(study, column, asked)]


def _stated_times(curves: Sequence[str], passed_over: Sequence[str]) -> str:
    """Say what settles the times of sources that feed together: only what is still missing."""
    asked = []
    if curves:
        asked.append(f"state a fixed clearing time and a backup time for {' and '.join(curves)}")
    if passed_over:
        asked.append(
            f"block the reclosing of {', '.join(passed_over)}, tag it and name it in "
            "reclosing_blocked"
        )
    return f"{' and '.join(asked)}."


def _no_time(study: Study, row: int) -> Cause:
    """Return the cause for a source whose time nothing states."""
    feeds = study.setup.feeds
    if row >= feeds.n_circuits:
        name = study.names[row]
        what = f"The time after which {name} is off the line is not stated."
        reason = Reason("no_clearing_time", (name,), what, "State its clearing_s, or isolate it.")
        return Cause(reason, 0.0)
    protection = feeds.territory.circuits["protection"][row]
    return Cause(time_reason(study.names[row], protection, 0.0), 0.0)


def _beyond(study: Study, column: int, asked: Asked) -> list[Cause]:
    """Return a cause for every fuse that carries a current outside its points."""
    each = asked.kinds.each
    found = []
    way = study.series.way(int(study.nodes[column]))
    for element in (element for position in way for element in position.elements):
        current = outside_points(element, each)
        if current is not None:
            what = (
                f"The clearing time of {element.device_id} is unknown: {current:.0f} A is outside "
                "the fuse's points; the next device towards the source counts."
            )
            remedy = "State points of the fuse's curve that reach this current."
            reason = Reason("beyond_fuse_curve", (element.device_id,), what, remedy)
            found.append(Cause(reason, current))
    row = study.feeding[int(study.fed_by[column])][0]
    device = study.setup.feeds.device(row, ())
    current = None if device is None else outside_points(device, each)
    if device is not None and current is not None:
        reason = time_reason(study.names[row], device.protection, current)
        found.append(Cause(reason, current))
    return found


def _not_cleared(study: Study, column: int, asked: Asked) -> list[Cause]:
    """Return causes for faults that no device operates for, or only one before the source."""
    each, met = asked.kinds.each, asked.met
    largest = each.largest_a[:, 0]
    exists = each.exists[:, 0] & ~np.isnan(largest)
    never = exists & np.isnan(met.primary_s[:, 0])
    n_positions = len(study.series.positions)
    alone = exists & (met.primary[:, 0] >= 0) & (met.primary[:, 0] < n_positions)
    alone &= met.backup[:, 0] < 0
    found = []
    row = study.feeding[int(study.fed_by[column])][0]
    device = study.setup.feeds.device(row, ())
    way = [position.name for position in study.series.way(int(study.nodes[column]))]
    if never.any() and (way or device is None or fuse_points(device.protection) is None):
        found.append(_never(study.names[row], way, (largest, never)))
    if alone.any() and study.setup.clearing == "backup":
        which = int(np.where(alone, largest, np.inf).argmin())
        only, current = study.name_of(int(met.primary[which, 0])), float(largest[which])
        what = (
            f"For a {_KIND_WORDS[FAULT_KIND[which]]} fault of {current:.0f} A {only} is the only "
            f"device that operates; the source-end device of {study.names[row]} does not."
        )
        remedy = "Lower the pickup behind it, or state how such a fault is cleared if it fails."
        why = f"If {only} fails nothing stated clears the fault; the backup time may not hold."
        where = (study.names[row], str(only))
        found.append(Cause(Reason("no_backup_device", where, what, remedy), current, why))
    return found


def _never(
    name: str, way: list[str], faults: tuple[NDArray[np.float64], NDArray[np.bool_]]
) -> Cause:
    """Return the cause for the smallest fault that no device operates for."""
    largest, never = faults
    which = int(np.where(never, largest, np.inf).argmin())
    current = float(largest[which])
    kind = _KIND_WORDS[FAULT_KIND[which]]
    if not way:
        what = (
            f"The clearing time of {name} is unknown: the source-end relay does not operate for a "
            f"{kind} fault of {current:.0f} A, below its pickup."
        )
    else:
        what = (
            f"No device between the fault and the source ({', '.join(way)}, {name}) does operate "
            f"for a {kind} fault of {current:.0f} A."
        )
    return Cause(Reason("never_trips", (name, *way), what, _STATE_IT), current)


def time_items(study: Study, poles: list[str]) -> list[OpenItem]:
    """Return the open items about times, backup, reclosing and source figures, poles together."""
    items: list[OpenItem] = []
    feeds = study.setup.feeds
    for index in sorted({int(k) for k in study.fed_by if k >= 0}):
        for row in study.feeding[index]:
            if row < feeds.n_circuits:
                items += clearing_open_items(feeds.territory, row, study.setup.clearing)
            source = study.sources[row]
            items += [] if source is None else source_open_items(source)
    there: dict[tuple[str, tuple[str, ...]], list[tuple[Cause, str]]] = defaultdict(list)
    for column, pole in enumerate(poles):
        for cause in causes(study, column):
            there[cause.reason.code, cause.reason.where].append((cause, pole))
    for (code, where), found in there.items():
        least = min((cause for cause, _ in found), key=lambda cause: cause.current_a)
        names = tuple(dict.fromkeys(pole for _, pole in found))
        reason = least.reason
        items.append(
            OpenItem(
                code=code,
                where=(*where, *names),
                what=reason.what,
                why=least.why,
                who="protection engineer",
                settles=reason.remedy,
            )
        )
    return items + reclosing_items(study, poles)


def refusals(
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
    if not (study.untimed[column] and np.isnan(study.stated_s[column])):
        return []
    names = tuple(study.names[row] for row in study.feeding[index])
    why = " ".join(cause.reason.what for cause in causes(study, column))
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
    index = int(study.fed_by[column])
    rows = study.feeding[index]
    reasons: list[Reason] = []
    for row in rows:
        if study.sources[row] is None:
            try:
                source_of(territory, row)
            except NoPlanError as error:
                reasons += error.reasons
    if reasons:
        return reasons
    if index in study.setup.feeds.mismatched:
        names = tuple(study.names[row] for row in rows)
        what = f"Circuits {' and '.join(names)} are joined but differ in voltage or frequency."
        return [Reason("no_fault_current", names, what, "Check the states of ties.")]
    if not study.exists[:, column].any():
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


def series_notes(study: Study, silent: Sequence[str]) -> list[Note]:
    """Return what is assumed about reclosing and about devices in loops on the way to the nodes.

    `silent` names the devices whose reclosing is taken as blocked.
    """
    loose: dict[str, None] = {}
    for node, index in zip(study.nodes, study.fed_by, strict=True):
        if index >= 0:
            loose |= dict.fromkeys(study.series.loose_at(int(node)))
    notes = []
    if silent:
        named = ", ".join(silent)
        text = f"Automatic reclosing taken as blocked at {named}, where it is not stated: block it"
        notes.append(Note(f"{text} and tag it.", "our judgement; the heat of every shot would add"))
    if loose:
        named = ", ".join(sorted(loose))
        text = f"{named}: in a loop, where what a device sees of the current is not known; not"
        notes.append(Note(f"{text} counted, the devices before and behind stand.", "our judgement"))
    return notes
