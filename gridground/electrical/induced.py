"""Induced voltage and current of one job: every energized neighbour, and all of them together.

Phases of different neighbours, and of one neighbour from place to place, are not known against
each other: magnitudes are added. Shield wires and the neutrals of neighbours are not counted.
Both err to the high side.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.electrical.coupling import LEAST_M, couplings
from gridground.electrical.dead_section import InductionCase, dead_section, figures, most_of
from gridground.electrical.hung import UNKNOWN_HEIGHT_M, UNKNOWN_SPACING_M, hung
from gridground.electrical.live_lines import (
    LARGEST_REACH_M,
    LiveLine,
    fault_limit,
    largest_reach_m,
    live_circuits,
    other_lines,
)
from gridground.electrical.neighbours import (
    Exposure,
    Parts,
    exposures,
    run_key,
    span_parts,
    straight_parts,
)
from gridground.electrical.standing import standing_limit_v
from gridground.units import feet_text, significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.electrical.dead_section import DeadSection
    from gridground.territory.ways import Zone

PER_LOAD_A = 100.0
_UNCUT_M = 1e9
_PARALLEL = math.cos(math.radians(30))
_STEADY = ("emf_steady_v", "circulating_steady_a", "floating_v", "floating_local_v", "discharge_a")
_FAULT = ("emf_fault_v", "circulating_fault_a")


def induced(zone: Zone, case: InductionCase) -> list[dict[str, Any]]:
    """Return what energized lines beside and across the dead section do to it.

    Parameters
    ----------
    zone : Zone
        The worksite in its network.
    case : InductionCase
        Grounds, opened devices, soil, fault currents of live circuits and limits.

    Returns
    -------
    list of dict
        One row per neighbour within reach, and a last one of kind ``"all together"``; empty where
        there is none. Voltages and currents are rounded up to four digits. `floating_v` is the
        mean over the whole dead section, `floating_local_v` what a piece cut off beside the
        neighbour takes on; `discharge_a` flows through the only ground; `emf_*_v` stands across
        the gap when all but one ground are lifted (one ground: at the open end);
        `circulating_*_a` is the largest current in one conductor, or in the ground, of a loop of
        two grounds (None where there are no two). Where the load is not stated, steady figures
        are per 100 A (`per_100_a`) and not judged.

    Notes
    -----
    A line-to-ground fault on the neighbour is taken with its whole current through the earth and
    along the whole exposure. The reach is `LiveLine.reach_m`, at most 500 m; a ground fault on a
    line farther away than that gives up to 70 V/km per kA at 60 Hz and 100 ohm·m, which no
    distance of the map makes nothing of. Faults are counted one neighbour at a time: the row of
    all together holds the largest one and the steady figures of the rest.
    """
    section = dead_section(zone, case)
    territory = section.network.territory
    if len(section.pieces) == 0:
        return []
    window = _window(section)
    spans = _spans_in(section, window)
    beside = other_lines(territory, only=_lines_in(section, window))
    circuits = set(section.network.fixed.span_circuit[spans].tolist())
    lines = [
        *beside,
        *live_circuits(territory, zone.circuit_ids, case.circuit_faults, only=circuits),
    ]
    if not lines:
        return []
    parts, group = _parts(section, lines, (window, spans))
    if len(parts) == 0:
        return []
    reach_m = [line.reach_m(section.stretch_m) for line in lines]
    reach_m.append(largest_reach_m(territory, zone.circuit_ids, section.stretch_m))
    found = exposures(
        section.pieces,
        parts,
        group=group,
        reach_m=np.array(reach_m),
        runs=_runs(section, parts, lines, group),
    )
    rows = []
    for number, line in enumerate(lines):
        own = found.rows(group[found.part] == number)
        if len(own):
            rows.append(_row(section, line, own, parts))
    return [*rows, _together(rows)] if rows else []


def _window(section: DeadSection) -> Any:  # noqa: ANN401  a geometry
    """Return the box in longitude and latitude in which neighbours are looked for."""
    low, high = section.pieces.middle.min(axis=0), section.pieces.middle.max(axis=0)
    plane = shapely.box(*(low - 1.1 * LARGEST_REACH_M), *(high + 1.1 * LARGEST_REACH_M))
    return shapely.box(*section.frame.to_lonlat(shapely.segmentize(plane, 1000.0)).bounds)


def _spans_in(section: DeadSection, window: Any) -> NDArray[np.intp]:  # noqa: ANN401  a geometry
    """Return the rows of the overhead spans in the window."""
    spans = section.network.territory.spans
    rows = spans.meeting(window)
    kind = spans["kind"][rows]
    return np.asarray(rows[np.array((kind != "cable") & (kind != "link"), bool)], np.intp)


def _lines_in(section: DeadSection, window: Any) -> list[int]:  # noqa: ANN401  a geometry
    """Return the rows of the other lines in the window."""
    layer = section.network.territory.layer("other_lines")
    return [] if layer is None else layer.meeting(window).tolist()


def _parts(
    section: DeadSection, lines: Sequence[LiveLine], within: tuple[Any, NDArray[np.intp]]
) -> tuple[Parts, NDArray[np.intp]]:
    """Return the parts of all neighbours near the dead section, and whose each is."""
    window, spans = within
    layer = section.network.territory.layer("other_lines")
    circuit = section.network.fixed.span_circuit[spans]
    found: list[Parts] = []
    group: list[NDArray[np.intp]] = []
    for number, line in enumerate(lines):
        if line.key == "line_id" and layer is not None:
            rows = np.array([line.row])
            geometry = shapely.intersection(layer.geometry[rows], window)
            parts = straight_parts(section.frame, geometry, rows, longest_m=_UNCUT_M)
        else:
            rows = spans[circuit == line.row]
            parts = span_parts(section.frame, section.network, rows, longest_m=_UNCUT_M)
        found.append(parts)
        group.append(np.full(len(parts), number, np.intp))
    columns = [np.concatenate([getattr(p, c) for p in found]) for c in vars(found[0])]
    return Parts(*columns), np.concatenate(group)


def _runs(
    section: DeadSection, parts: Parts, lines: Sequence[LiveLine], group: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the pair of poles of every piece and part; -1 for parts of other lines."""
    circuits = np.array([line.key == "circuit_id" for line in lines])[group]
    owner = np.where(circuits, parts.owner, 0)
    runs = np.where(circuits, run_key(section.network, owner), -1)
    return run_key(section.network, section.pieces.owner), runs


def _row(section: DeadSection, line: LiveLine, exposure: Exposure, parts: Parts) -> dict[str, Any]:
    """Return the row of one neighbour."""
    case, pieces = section.case, section.pieces
    found = couplings(
        section.network.territory,
        line,
        (exposure, pieces, parts),
        frequency_hz=section.frequency_hz,
        resistivity_ohm_m=case.resistivity_ohm_m,
    )
    load = PER_LOAD_A if math.isnan(line.load_a) else line.load_a
    worst = [figures(section, one) for one in found]
    most = {key: most_of([w[key] for w in worst]) for key in worst[0]}
    steady = {key: _times(most[key], load) for key in ("emf_steady_v", "circulating_steady_a")}
    fault_a = None if math.isnan(line.fault_a) else line.fault_a
    fault = {key: _times(most[key], fault_a) for key in _FAULT}
    electric = {key: most[key] for key in ("floating_v", "floating_local_v", "discharge_a")}
    return {
        line.key: line.name,
        **_where(section, exposure, parts),
        "nominal_kv": None if "nominal_kv" in line.unknown else line.nominal_kv,
        "load_a": None if math.isnan(line.load_a) else line.load_a,
        "per_100_a": math.isnan(line.load_a),
        "fault_a": fault_a,
        **{k: _up(v) for k, v in (electric | steady | fault).items()},
        "emf_fault_per_ka_v": _up(_times(most["emf_fault_v"], 1000.0)),
        **_limits(case, line, steady["emf_steady_v"], fault["emf_fault_v"]),
        **_words(section, line, (exposure, parts), touching=any(c.touching for c in found)),
    }


def _where(section: DeadSection, exposure: Exposure, parts: Parts) -> dict[str, Any]:
    """Return how a neighbour runs: kind, lengths, least separation."""
    pieces = section.pieces
    beside = np.zeros(len(pieces))
    np.maximum.at(beside, exposure.piece, np.abs(exposure.cosine))
    faced = np.zeros(len(pieces), bool)
    faced[exposure.piece] = True
    own = np.unique(exposure.part)
    dead = shapely.multilinestrings(np.stack([pieces.start, pieces.end], axis=1))
    live = shapely.multilinestrings(np.stack([parts.start[own], parts.end[own]], axis=1))
    same = bool(exposure.same_poles.any())
    crosses = not same and bool(shapely.intersects(dead, live))
    along = float(pieces.length_m[faced & (beside >= _PARALLEL)].sum())
    mostly_across = along < float(pieces.length_m[faced].sum()) / 2
    kind = "same poles" if same else "crossing" if crosses and mostly_across else "parallel"
    length = beside * pieces.length_m
    return {
        "kind": kind,
        "crosses": crosses,
        "length_m": round(float(length[section.looped].sum()), 1),
        "length_whole_m": round(float(length.sum()), 1),
        "separation_m": 0.0 if crosses else round(float(np.abs(exposure.offset_m).min()), 1),
    }


def _limits(
    case: InductionCase, line: LiveLine, steady_v: float | None, fault_v: float | None
) -> dict[str, Any]:
    """Return the limits and whether the open-gap voltages keep them; None where not known."""
    standing = standing_limit_v(case.standing_rule, body_ohm=case.body_ohm)
    fault = fault_limit(line, case.worker_limit, body_ohm=case.body_ohm)
    judged = None
    # nothing runs beside the stretch: whatever the load and the fault, nothing is induced along it
    if steady_v == 0.0 or (steady_v is not None and not math.isnan(line.load_a)):
        judged = bool(steady_v <= standing.volts)
    withstood = True if steady_v == 0.0 else None
    if fault is not None and fault_v is not None:
        withstood = bool(fault_v <= fault.volts)
    return {
        "clearing_s": None if math.isnan(line.clearing_s) else line.clearing_s,
        "limit_steady_v": significant(standing.volts),
        "limit_steady_rule": standing.rule,
        "limit_fault_v": None if fault is None else significant(fault.volts),
        "limit_fault_rule": None if fault is None else fault.rule,
        "passed_steady": judged,
        "passed_fault": withstood,
    }


def _words(
    section: DeadSection, line: LiveLine, pairs: tuple[Exposure, Parts], *, touching: bool
) -> dict[str, list[str]]:
    """Return what is not known and what is assumed for it."""
    exposure, parts = pairs
    unknown, assumed = list(line.unknown), list(line.assumed)
    territory = section.network.territory
    spans = {int(s) for s in np.unique(section.pieces.owner[exposure.piece])}
    if line.key == "circuit_id":
        spans |= {int(s) for s in np.unique(parts.owner[exposure.part])}
    rows = np.array(sorted(spans), np.intp)
    guessed = rows[hung(territory, rows).guessed]
    if len(guessed):
        names = sorted(str(n) for n in territory.spans.ids[guessed])
        unknown.append("conductors or construction of " + ", ".join(names[:8]))
        assumed.append(
            f"where the pole top is not known: conductors {feet_text(UNKNOWN_HEIGHT_M)} above "
            f"ground, {feet_text(UNKNOWN_SPACING_M)} apart (our judgement)"
        )
    blank = sorted(p for p, ohm in section.case.grounds.items() if ohm is None)
    if blank:
        unknown.append("ground resistance at " + ", ".join(blank))
        assumed.append("where the resistance of a ground is not known: the worst of 0 to any")
    if touching:
        assumed.append(
            f"conductors drawn nearer than {feet_text(LEAST_M)} to each other: taken as that far "
            "apart"
        )
    return {"unknown": unknown, "assumed": assumed}


def _together(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the row of all neighbours: steady figures added, the largest fault with the rest."""
    known = [row for row in rows if not row["per_100_a"]]
    total: dict[str, Any] = {
        "kind": "all together",
        "neighbours": [row.get("line_id") or row["circuit_id"] for row in rows],
        "length_m": max(row["length_m"] for row in rows),
        "separation_m": min(row["separation_m"] for row in rows),
    }
    for key in _STEADY:
        counted = known if key in {"emf_steady_v", "circulating_steady_a"} else rows
        values = [row[key] for row in counted if row[key] is not None]
        total[key] = _up(sum(values)) if values else None
    for key, steady in zip(_FAULT, ("emf_steady_v", "circulating_steady_a"), strict=True):
        rest = {id(row): (row[steady] or 0.0) for row in known}
        values = [
            row[key] + sum(rest.values()) - rest.get(id(row), 0.0)
            for row in rows
            if row[key] is not None
        ]
        total[key] = _up(max(values)) if values else None
    limits = [row["limit_fault_v"] for row in rows if row["limit_fault_v"] is not None]
    standing = rows[0]["limit_steady_v"]
    total |= {
        "limit_steady_v": standing,
        "limit_fault_v": min(limits, default=None),
        "passed_steady": _judged(rows, "passed_steady", total["emf_steady_v"], standing),
        "passed_fault": _judged(
            rows, "passed_fault", total["emf_fault_v"], min(limits, default=None)
        ),
        "unknown": sorted({text for row in rows for text in row["unknown"]}),
        "assumed": ["magnitudes added, one neighbour's fault at a time: errs high"],
    }
    return total


def _judged(
    rows: list[dict[str, Any]], key: str, value: float | None, limit: float | None
) -> bool | None:
    """Say whether all together keep a limit: what fails fails, what is not known stays open."""
    judged = [row[key] for row in rows]
    if False in judged or (value is not None and limit is not None and value > limit):
        return False
    return None if None in judged or value is None else True


def _times(value: float | None, factor: float | None) -> float | None:
    """Return a product; None where a factor is not known."""
    return None if value is None or factor is None else value * factor


def _up(value: float | None) -> float | None:
    """Round up to four digits."""
    if value is None or value <= 0:
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - 3)
    return float(f"{math.ceil(value / step - 1e-6) * step:.4g}")
