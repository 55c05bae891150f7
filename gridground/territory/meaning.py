"""Rules across columns and layers: ids, references, connection, drawing, sources.

Every rule is its own problem and names the ids of the user's data. Rules run on what is usable:
a feature whose id or reference was rejected is left out here, so that one mistake is told once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import Problem
from gridground.territory.circuits import (
    check_circuits,
    check_equipment,
    check_protection,
    check_source_phases,
)
from gridground.territory.connection import Ends, check_connection, masks
from gridground.territory.coverage import check_coverage
from gridground.territory.drawing import check_crossings, check_poles, check_spans, check_symbols
from gridground.territory.findings import Findings, some
from gridground.territory.layers import ID_COLUMN, Layer
from gridground.territory.text import eye_key, look_alike_key, near_remedy
from gridground.territory.wires import Wires, check_span_wires

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SEQUENCE = ("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km")


def findings_of(layer: Layer) -> Findings:
    """Return the collector of a layer; features without a usable id are named by their place."""
    ids = layer.ids

    def names(rows: Sequence[int]) -> tuple[str, ...]:
        return tuple(ids[row] if ids[row] is not None else f"feature {row + 1}" for row in rows)

    return Findings(layer.name, names)


def check_meaning(layers: dict[str, Layer], wires: Wires) -> list[Problem]:
    """Judge what the layers say together.

    Parameters
    ----------
    layers : dict of Layer
        The layers that could be read.
    wires : Wires
        Conductors and constructions.

    Returns
    -------
    list of Problem
        Rejections, open items and notes, in a fixed order.
    """
    findings = {name: findings_of(layer) for name, layer in layers.items()}
    for name, layer in layers.items():
        _check_ids(layer, findings[name])
        if "protection" in layer.columns:
            check_protection(layer, findings[name])
    if "circuits" in layers:
        check_circuits(layers["circuits"], findings["circuits"])
    if "equipment" in layers:
        check_equipment(layers["equipment"], findings["equipment"])
    if "spans" in layers:
        check_span_wires(layers["spans"], wires, findings["spans"])
        _check_impedances(layers["spans"], findings["spans"])
    if all(name in layers and len(layers[name]) for name in ("poles", "spans", "circuits")):
        _check_network(layers, findings)
    problems = [problem for one in findings.values() for problem in one.problems]
    return problems + check_coverage(layers)


def _check_ids(layer: Layer, findings: Findings) -> None:
    """Reject ids that stand twice, remark those that look alike."""
    column = ID_COLUMN[layer.name]
    ids = layer.ids
    rows_of: dict[str, int] = {}
    twice: list[int] = []
    for row, one in enumerate(ids):
        if one is not None and rows_of.setdefault(one, row) != row:
            twice.append(row)
    same = list(dict.fromkeys(ids[row] for row in twice))
    first = [rows_of[one] for one in same]
    findings.add("reject", first, column, "stands more than once", "give each feature its own id")
    same_to_eye = _alike(rows_of, eye_key)
    found = "read the same on screen and paper, and are not the same text"
    findings.add(
        "open item", same_to_eye, column, found, "give each an id of its own, or join them"
    )
    rows = [row for row in _alike(rows_of, look_alike_key) if row not in set(same_to_eye)]
    found = "differ only in capitals or blanks"
    findings.add("note", rows, column, found, "are they the same thing?")


def _alike(rows_of: dict[str, int], key_of: Callable[[str], str]) -> list[int]:
    """Return the rows whose ids have the same key as another's."""
    keys: dict[str, str] = {}
    alike: list[int] = []
    for one, row in rows_of.items():
        other = keys.setdefault(key_of(one), one)
        if other != one:
            alike += [rows_of[other], row]
    return list(dict.fromkeys(alike))


def _look_up(layer: Layer, column: str, target: Layer, findings: Findings) -> NDArray[np.intp]:
    """Return the rows that a reference names, -1 for none; reject what is not there."""
    index = {one: row for row, one in enumerate(target.ids) if one is not None}
    values = layer[column]
    rows = np.array([index.get(one, -1) for one in values], dtype=np.intp)
    dangling = [int(row) for row in np.flatnonzero(rows < 0) if values[row] is not None]
    if dangling:
        names = list(dict.fromkeys(values[dangling]))
        remedy = near_remedy(names, index, f"add it to {target.name} or correct the id")
        found = f"names {some(names)}, not in {target.name}"
        findings.add("reject", dangling, column, found, remedy)
    return rows


def _check_network(layers: dict[str, Layer], findings: dict[str, Findings]) -> None:
    """Run the rules that need poles, spans and circuits."""
    poles, spans, circuits = layers["poles"], layers["spans"], layers["circuits"]
    of_spans = findings["spans"]
    ends = Ends(
        start=_look_up(spans, "from_pole", poles, of_spans),
        end=_look_up(spans, "to_pole", poles, of_spans),
        circuit=_look_up(spans, "circuit_id", circuits, of_spans),
        source_pole=_look_up(circuits, "source_pole", poles, findings["circuits"]),
    )
    loop = np.flatnonzero((ends.start >= 0) & (ends.start == ends.end))
    of_spans.add("reject", loop, "to_pole", "the same pole as from_pole", "correct one of the two")
    complete = min(map(np.min, (ends.start, ends.end, ends.circuit, ends.source_pole))) >= 0
    if complete:  # else its findings would only repeat what was rejected
        check_connection(spans, ends, (of_spans, findings["circuits"]))
    check_source_phases(circuits, spans, ends, findings["circuits"])
    both = (ends.start, ends.end)
    check_spans(spans, poles, both, of_spans)
    check_crossings(spans, ends.circuit, both, of_spans)
    used = np.full(len(poles), not complete)
    for end in both:
        used[end[end >= 0]] = True
    check_poles(poles, used, findings["poles"])
    check_symbols(circuits, poles, ends.source_pole, findings["circuits"])
    _check_pads(spans, poles, both, of_spans)
    _check_shared(spans, circuits, ends, of_spans)
    if "devices" in layers:
        _check_devices(layers, ends, findings["devices"])
    if "equipment" in layers:
        equipment, of_equipment = layers["equipment"], findings["equipment"]
        pole = _look_up(equipment, "pole_id", poles, of_equipment)
        circuit = _look_up(equipment, "circuit_id", circuits, of_equipment)
        check_symbols(equipment, poles, pole, of_equipment)
        at = set(zip(ends.start.tolist(), ends.circuit.tolist(), strict=True))
        at |= set(zip(ends.end.tolist(), ends.circuit.tolist(), strict=True))
        pairs = zip(pole.tolist(), circuit.tolist(), strict=True)
        off = [row for row, pair in enumerate(pairs) if min(pair) >= 0 and pair not in at]
        found = "no span of its circuit ends at its pole"
        of_equipment.add("open item", off, "circuit_id", found, "correct the pole or the circuit")


def _check_impedances(spans: Layer, findings: Findings) -> None:
    """Report impedances that do not go together."""
    values = np.array([spans[name] for name in _SEQUENCE], dtype=float).reshape(4, -1)
    overhead = np.array([kind == "overhead" for kind in spans["kind"]], dtype=bool)
    some_known = ~np.isnan(values).all(axis=0) & np.isnan(values).any(axis=0)
    partial = np.flatnonzero(some_known & overhead)
    found = "only some of r1, x1, r0 and x0 are stated"
    findings.add("open item", partial, "r1_ohm_per_km", found, "state all four or none")
    less = np.flatnonzero(values[2] < 0.99 * values[0])
    found = "less than r1_ohm_per_km; the way back through earth and neutral only adds to it"
    findings.add("open item", less, "r0_ohm_per_km", found, "confirm or correct the two")


def _check_pads(
    spans: Layer, poles: Layer, ends: tuple[NDArray[np.intp], ...], findings: Findings
) -> None:
    """Report overhead spans that end at ground level."""
    pad = np.append(np.array([one == "pad" for one in poles["material"]], dtype=bool), False)
    overhead = np.array([kind == "overhead" for kind in spans["kind"]], dtype=bool)
    rows = np.flatnonzero(overhead & (pad[ends[0]] | pad[ends[1]]))
    found = "overhead, but one of its poles is a pad at ground level"
    findings.add("open item", rows, "kind", found, "is it a cable, or the pad a pole?")


def _check_shared(spans: Layer, circuits: Layer, ends: Ends, findings: Findings) -> None:
    """Judge spans that share a neutral with another circuit on the same poles."""
    column = "shares_neutral_with"
    shared = [row for row, one in enumerate(spans[column]) if one is not None]
    if not shared:
        return
    other = _look_up(spans, column, circuits, findings)
    own = [row for row in shared if other[row] >= 0 and other[row] == ends.circuit[row]]
    findings.add("reject", own, column, "names its own circuit", "name the other circuit")
    neutrals: dict[tuple[int, int, int], Any] = {}
    wires = spans["neutral_conductor"]
    for row in range(len(spans)):
        a, b = sorted((int(ends.start[row]), int(ends.end[row])))
        neutrals.setdefault((a, b, int(ends.circuit[row])), wires[row])
    bad = []
    for row in shared:
        a, b = sorted((int(ends.start[row]), int(ends.end[row])))
        if other[row] >= 0 and row not in own:
            partner = neutrals.get((a, b, int(other[row])))
            if wires[row] is None or partner != wires[row]:
                bad.append(row)
    found = "the two circuits do not both name that neutral between the same poles"
    remedy = "both name the one wire in neutral_conductor"
    findings.add("open item", bad, column, found, remedy)


def _check_devices(layers: dict[str, Layer], ends: Ends, findings: Findings) -> None:
    """Judge where devices sit and which phases they switch."""
    devices, spans, poles = layers["devices"], layers["spans"], layers["poles"]
    pole = _look_up(devices, "pole_id", poles, findings)
    span = _look_up(devices, "span_id", spans, findings)
    known = (pole >= 0) & (span >= 0)
    at_end = (ends.start[span] == pole) | (ends.end[span] == pole)
    whole = (ends.start[span] >= 0) & (ends.end[span] >= 0)
    off = np.flatnonzero(known & whole & ~at_end)
    found = "its span does not end at its pole"
    findings.add("reject", off, "span_id", found, "name a span that ends at the device's pole")
    own, of_span = masks(devices["phases"]), masks(spans["phases"])[span]
    more = np.flatnonzero((span >= 0) & (of_span > 0) & ((own & ~of_span) > 0))
    found = "has a phase that its span lacks"
    findings.add("reject", more, "phases", found, "correct the phases of the device or the span")
    check_symbols(devices, poles, pole, findings)
    opened = [row for row, state in enumerate(devices["state"]) if state == "open"]
    found = "open: no way for energy by the data, and never counted on"
    findings.add("note", opened, "state", found, "check it on site")
