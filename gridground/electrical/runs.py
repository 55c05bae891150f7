"""The explicit conductors of a network: their runs from pole to pole, and their grounds.

A *run* is everything overhead that hangs between the same two poles: the phases and neutrals of
every circuit there, coupled with each other. A neutral that two circuits share is one wire.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.ends import BITS, LABELS, NEUTRAL, has_neutral, source_grounds
from gridground.electrical.ladder import EARTH, CoupledBranches
from gridground.electrical.lines import primitive_ohm_per_km

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.territory.layers import Territory

# A link of no length would be a short circuit without impedance: it is given 10 microohm, a
# hundredth of the shortest lead.
_FLOOR_OHM = 1e-5
# Circuits drawn on the same spot of the pole top cannot be coupled by geometry.
_APART_M = 0.1


@dataclass(frozen=True)
class _Wires:
    """Overhead conductors as columns: one row per span and label."""

    span: NDArray[np.intp]
    label: NDArray[np.intp]
    run: NDArray[np.intp]
    resistance_ohm_per_km: NDArray[np.float64]
    gmr_m: NDArray[np.float64]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    start: NDArray[np.intp]
    end: NDArray[np.intp]

    def rows(self, kept: NDArray[Any]) -> _Wires:
        """Return some of the rows."""
        return _Wires(**{name: column[kept] for name, column in vars(self).items()})

    def plus(self, other: _Wires) -> _Wires:
        """Return the rows of both."""
        mine, theirs = vars(self), vars(other)
        return _Wires(**{name: np.concatenate([mine[name], theirs[name]]) for name in mine})


@dataclass(frozen=True)
class Runs:
    """The conductors as branches.

    Attributes
    ----------
    branches : tuple of CoupledBranches
        Overhead runs by number of conductors, cables and links, pole grounds, source grounds.
    n_nodes : int
        How many node numbers are taken, middles of spans included.
    middle : dict
        ``(span row, label) -> node`` of spans that were split at mid-span; of a conductor that is
        cut there the node on the side of the pole with the lower row.
    beyond : dict
        ``(span row, label) -> node`` on the other side, of conductors that are cut.
    gaps : dict
        ``span row -> (end of its neutral, node it belongs to)`` where a neutral can be opened: the
        two are not joined here.
    notes : tuple of str
        What was left out or assumed.
    """

    branches: tuple[CoupledBranches, ...]
    n_nodes: int
    middle: dict[tuple[int, int], int]
    beyond: dict[tuple[int, int], int]
    gaps: dict[int, tuple[int, int]]
    notes: tuple[str, ...]


def lay_runs(
    ends: Ends,
    *,
    region: NDArray[np.bool_],
    broken: Mapping[int, int],
    middles: Mapping[int, frozenset[int]],
    bare: NDArray[np.intp],
    resistivity_ohm_m: float,
) -> Runs:
    """Lay the conductors of a region as branches.

    Parameters
    ----------
    ends : Ends
        Their nodes.
    region : ndarray of bool, shape (n_spans,)
        Spans to lay.
    broken : mapping
        Span rows whose neutral can be opened (a shared neutral for all that hang on it), and at
        which end: 0 the from end, 1 the to end. See `Runs.gaps`.
    middles : mapping
        Rows of overhead spans that get nodes at half their length, the whole run with them, and
        the labels of their conductors that are cut there.
    bare : ndarray of int
        Pole rows whose permanent ground is left out, because the caller brings it in by itself.
    resistivity_ohm_m : float
        Soil under the line [ohm·m].

    Notes
    -----
    Overhead: modified Carson on explicit conductors, neutral included. Conductors of one run whose
    spans have lengths L_i, L_j couple over sqrt(L_i L_j). Cables and links: the phases by their
    sequence impedance; a neutral they name is a conductor of its own with their positive-sequence
    impedance, coupled with nothing. That takes the return through the cable's sheath for worse
    than it is: it raises the neutral's potential and lowers the current a little. A pole ground
    that is not stated counts as none.
    """
    notes: list[str] = []
    spans = ends.network.territory.spans
    silent = region & ~spans.stated["neutral_conductor"]
    if silent.any():
        notes.append(f"neutral not stated, none laid: {_names(ends, np.flatnonzero(silent))}")
    overhead = np.array([k not in ("cable", "link") for k in spans["kind"]], bool)
    wires = _wires(ends, np.flatnonzero(region & overhead))
    wires = _drop_unknown(ends, wires, notes)
    wires = _part_coincident(ends, wires, notes)
    wires, kept = _one_shared_neutral(ends, wires)
    wires, gaps = _open_neutrals(ends, wires, kept, broken)
    wires, middle, beyond = _halve(wires, middles, ends.n_nodes + len(broken))
    branches = _overhead(ends, wires, resistivity_ohm_m)
    cables = np.flatnonzero(region & ~overhead)
    fresh = {row: ends.n_nodes + k for k, row in enumerate(sorted(broken))}
    loose = {row: (fresh[row], broken[row]) for row in broken.keys() & set(cables.tolist())}
    branches += _cables(ends, cables, (loose, gaps), notes)
    branches.append(_pole_grounds(ends, region, bare, notes))
    n_nodes = max([ends.n_nodes + len(broken) - 1, *middle.values(), *beyond.values()]) + 1
    return Runs(tuple(branches), n_nodes, middle, beyond, gaps, tuple(notes))


def _wires(ends: Ends, rows: NDArray[np.intp]) -> _Wires:
    """Return the overhead conductors of some spans, looked at from their lower pole row."""
    network, territory = ends.network, ends.network.territory
    spans = territory.spans
    letters = np.array([p or "" for p in spans["phases"][rows]], "U3").reshape(-1, 1).view("U1")
    label = np.full((len(rows), 4), -1, np.intp)
    for code, text in enumerate(LABELS[:NEUTRAL]):
        label[:, :NEUTRAL][letters == text] = code
    neutral = spans["neutral_conductor"][rows]
    label[np.array([n is not None for n in neutral], bool), NEUTRAL] = NEUTRAL
    which, slot = np.nonzero(label >= 0)
    span = rows[which]
    # each name is looked up once, not once per wire
    number, names = _numbered([*spans["conductor"][rows], *neutral])
    figures = np.array([_wire_figures(territory, name) for name in names]).reshape(-1, 2)
    wire = figures[number[which + np.where(slot == NEUTRAL, len(rows), 0)]]
    number, names = _numbered(spans["construction"][rows])
    tops = np.array([_positions(territory, name) for name in names]).reshape(-1, 4, 2)
    place = tops[number[which], slot]
    low = np.minimum(network.span_from, network.span_to)[span]
    high = np.maximum(network.span_from, network.span_to)[span]
    turned = (network.span_from[span] != low).astype(np.intp)
    column = label[which, slot]
    return _Wires(
        span=span,
        label=column,
        run=low * len(network.pole_row) + high,
        resistance_ohm_per_km=wire[:, 0],
        gmr_m=wire[:, 1],
        x_m=np.where(turned == 1, -place[:, 0], place[:, 0]),
        y_m=place[:, 1],
        length_m=network.length_m[span],
        start=ends.node[span, turned, column],
        end=ends.node[span, 1 - turned, column],
    )


def _numbered(names: Sequence[str | None]) -> tuple[NDArray[np.intp], list[str | None]]:
    """Number names in order of appearance: the number of each, and the names."""
    found = list(dict.fromkeys(names))
    number = {name: row for row, name in enumerate(found)}
    return np.array([number[name] for name in names], np.intp), found


def _wire_figures(territory: Territory, name: str | None) -> tuple[float, float]:
    """Return resistance [ohm/km] and geometric mean radius [m] of a conductor."""
    wire = territory.conductors.get(name) if name is not None else None
    return (wire.resistance_ohm_per_km, wire.gmr_m) if wire else (np.nan, np.nan)


def _positions(territory: Territory, name: str | None) -> list[tuple[float, float]]:
    """Return sideways position and height [m] of positions 1, 2, 3 and N of a construction."""
    top = territory.constructions.get(name) if name is not None else None
    nowhere = (np.nan, np.nan)
    return [top.positions.get(slot, nowhere) if top else nowhere for slot in "123N"]


def _drop_unknown(ends: Ends, wires: _Wires, notes: list[str]) -> _Wires:
    """Leave out spans of which a conductor, its place or its length is unknown, and say so."""
    figures = (wires.resistance_ohm_per_km, wires.gmr_m, wires.x_m, wires.y_m, wires.length_m)
    known = np.isfinite(np.array(figures)).all(axis=0) & (wires.length_m > 0)
    bad = np.unique(wires.span[~known])
    if len(bad):
        notes.append(f"conductors unknown, span left out: {_names(ends, bad)}")
    return wires.rows(~np.isin(wires.span, bad))


def _names(ends: Ends, rows: NDArray[np.intp]) -> str:
    """Return span ids in order, at most eight."""
    ids = sorted(str(i) for i in ends.network.territory.spans.ids[rows])
    return ", ".join(ids[:8]) + (f" and {len(ids) - 8} more" if len(ids) > 8 else "")


def _blocks(wires: _Wires) -> list[NDArray[np.intp]]:
    """Return wire rows grouped by run, one array of shape (m, n) for each number of wires n."""
    order = np.lexsort((wires.label, wires.span, wires.run))
    _, start, count = np.unique(wires.run[order], return_index=True, return_counts=True)
    return [order[start[count == n][:, None] + np.arange(n)] for n in np.unique(count)]


def _part_coincident(ends: Ends, wires: _Wires, notes: list[str]) -> _Wires:
    """Take circuits apart that are drawn on the same spot: they are then not coupled."""
    run = wires.run.copy()
    apart: list[int] = []
    shared = ends.network.territory.spans["shares_neutral_with"]
    for block in _blocks(wires):
        x, y = wires.x_m[block], wires.y_m[block]
        span, label = wires.span[block], wires.label[block]
        near = np.hypot(x[:, :, None] - x[:, None, :], y[:, :, None] - y[:, None, :]) < _APART_M
        near &= span[:, :, None] != span[:, None, :]
        # neutrals of circuits that share one are one wire
        one = np.array([s is not None for s in shared], bool)[span] & (label == NEUTRAL)
        both = (label == NEUTRAL)[:, :, None] & (label == NEUTRAL)[:, None, :]
        near &= ~(both & (one[:, :, None] | one[:, None, :]))
        hit = near.any(axis=(1, 2))
        apart += list(np.unique(span[hit]))
        run[block[hit]] = -1 - span[hit]
    if apart:
        names = _names(ends, np.array(apart, np.intp))
        notes.append(f"circuits drawn on the same spot of the pole top are not coupled: {names}")
    return replace(wires, run=run)


def _one_shared_neutral(ends: Ends, wires: _Wires) -> tuple[_Wires, dict[int, int]]:
    """Keep one wire of a shared neutral; say on which span's row each neutral is kept."""
    network = ends.network
    spans = network.territory.spans
    rows = np.flatnonzero(wires.label == NEUTRAL)
    partner = spans["shares_neutral_with"][wires.span[rows]]
    if all(circuit is None for circuit in partner):
        return wires, {row: row for row in wires.span[rows].tolist()}
    pair = _pole_pairs(ends, wires.span)
    by_place = {
        (int(pair[r]), str(spans["circuit_id"][wires.span[r]])): int(r)
        for r in sorted(rows, key=lambda r: str(spans.ids[wires.span[r]]))
    }
    gone = np.zeros(len(wires.span), bool)
    kept = {int(wires.span[r]): int(wires.span[r]) for r in rows}
    for row, circuit in zip(rows, partner, strict=True):
        other = by_place.get((int(pair[row]), str(circuit))) if circuit is not None else None
        if other is None or other == row:
            continue
        first, second = sorted((int(row), other), key=lambda r: str(spans.ids[wires.span[r]]))
        gone[second] = True
        kept[int(wires.span[second])] = int(wires.span[first])
    return wires.rows(~gone), kept


def _pole_pairs(ends: Ends, span: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return one number per span for the two poles it hangs between."""
    network = ends.network
    low = np.minimum(network.span_from, network.span_to)[span]
    high = np.maximum(network.span_from, network.span_to)[span]
    return np.asarray(low * len(network.pole_row) + high, np.intp)


def _open_neutrals(
    ends: Ends, wires: _Wires, kept: dict[int, int], broken: Mapping[int, int]
) -> tuple[_Wires, dict[int, tuple[int, int]]]:
    """Give neutrals that can be opened a node of their own at that end."""
    network = ends.network
    start, end = wires.start.copy(), wires.end.copy()
    wire_of = {int(wires.span[r]): int(r) for r in np.flatnonzero(wires.label == NEUTRAL)}
    gaps: dict[int, tuple[int, int]] = {}
    opened: dict[tuple[int, int], tuple[int, int]] = {}  # two spans may hang on one wire
    for number, (row, side) in enumerate(sorted(broken.items()), ends.n_nodes):
        wire = wire_of.get(kept.get(row, row))
        if wire is None:
            continue
        pole = network.span_from[row] if side == 0 else network.span_to[row]
        low = int(pole == min(network.span_from[row], network.span_to[row]))
        at_end = start if low else end
        if (wire, low) not in opened:
            opened[wire, low] = (number, int(at_end[wire]))
            at_end[wire] = number
        gaps[row] = opened[wire, low]
    return replace(wires, start=start, end=end), gaps


def _halve(
    wires: _Wires, middles: Mapping[int, frozenset[int]], n_nodes: int
) -> tuple[_Wires, dict[tuple[int, int], int], dict[tuple[int, int], int]]:
    """Split the runs of some spans at half their length; cut conductors are not joined there."""
    hit = np.isin(wires.run, wires.run[np.isin(wires.span, list(middles))])
    if not hit.any():
        return wires, {}, {}
    half = wires.rows(hit)
    half = replace(half, length_m=half.length_m / 2.0)
    keys = [(int(s), int(k)) for s, k in zip(half.span, half.label, strict=True)]
    number = n_nodes + np.arange(len(keys), dtype=np.intp)
    cut = np.array([k in middles.get(s, ()) for s, k in keys])
    other = np.where(cut, n_nodes + len(keys) + np.cumsum(cut) - 1, number)
    near = replace(half, end=number)
    far = replace(half, start=other, run=half.run + np.ptp(wires.run) + 1)
    middle = dict(zip(keys, map(int, number), strict=True))
    beyond = {key: int(other[k]) for k, key in enumerate(keys) if cut[k]}
    return wires.rows(~hit).plus(near).plus(far), middle, beyond


def _overhead(ends: Ends, wires: _Wires, resistivity_ohm_m: float) -> list[CoupledBranches]:
    """Return the runs as coupled branches."""
    circuits = ends.network.territory.circuits
    hertz = dict(zip(circuits.ids, np.asarray(circuits["frequency_hz"], float), strict=True))
    circuit = ends.network.territory.spans["circuit_id"]
    found = []
    for block in _blocks(wires):
        per_km = primitive_ohm_per_km(
            wires.resistance_ohm_per_km[block],
            wires.gmr_m[block],
            wires.x_m[block],
            wires.y_m[block],
            frequency_hz=np.array([hertz[c] for c in circuit[wires.span[block[:, 0]]]]),
            resistivity_ohm_m=np.full(len(block), resistivity_ohm_m),
        )
        scale = np.sqrt(wires.length_m[block] / 1000.0)
        impedance = per_km * scale[:, :, None] * scale[:, None, :]
        found.append(CoupledBranches(wires.start[block], wires.end[block], impedance))
    return found


def _cables(
    ends: Ends,
    rows: NDArray[np.intp],
    opened: tuple[dict[int, tuple[int, int]], dict[int, tuple[int, int]]],
    notes: list[str],
) -> list[CoupledBranches]:
    """Return cables and links, phases by sequence impedance and their neutral by itself."""
    broken, gaps = opened
    network, spans = ends.network, ends.network.territory.spans
    columns = ("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km")
    r1, x1, r0, x0 = (np.asarray(spans[c], float)[rows] for c in columns)
    km = network.length_m[rows] / 1000.0
    z1, z0 = (r1 + 1j * x1) * km, (r0 + 1j * x0) * km
    unknown = ~(np.isfinite(z1) & np.isfinite(z0)) | (network.phases[rows] == 0)
    if unknown.any():
        notes.append(f"impedance unknown, span left out: {_names(ends, rows[unknown])}")
    z1, z0, rows = z1[~unknown], z0[~unknown], rows[~unknown]
    z1, z0 = (np.where(np.abs(z) < _FLOOR_OHM, _FLOOR_OHM + 0j, z) for z in (z1, z0))
    present = (network.phases[rows][:, None] & BITS) > 0
    found = []
    for n in np.unique(present.sum(axis=1)):
        these = present.sum(axis=1) == n
        label = np.nonzero(present[these])[1].reshape(-1, n)
        span = rows[these][:, None]
        mutual = (z0 - z1)[these][:, None, None] / 3.0
        impedance = mutual + z1[these][:, None, None] * np.eye(n)
        found.append(
            CoupledBranches(ends.node[span, 0, label], ends.node[span, 1, label], impedance)
        )
    has = has_neutral(network.territory)[rows]
    if has.any():
        node = ends.node[rows[has]][:, :, NEUTRAL]
        for k, row in enumerate(map(int, rows[has])):
            if row in broken:
                fresh, side = broken[row]
                gaps[row] = (fresh, int(node[k, side]))
                node[k, side] = fresh
        found.append(CoupledBranches.single(node[:, 0], node[:, 1], z1[has]))
        notes.append(
            "the neutral of a cable or link is taken as a conductor of its own with the "
            f"positive-sequence impedance: {_names(ends, rows[has])}"
        )
    return found


def _pole_grounds(
    ends: Ends, region: NDArray[np.bool_], bare: NDArray[np.intp], notes: list[str]
) -> CoupledBranches:
    """Return the pole grounds on neutrals and the grounds of sources."""
    network, poles = ends.network, ends.network.territory.poles
    rows = np.flatnonzero(region & has_neutral(network.territory))
    pole = np.concatenate([network.span_from[rows], network.span_to[rows]])
    pole, first = np.unique(pole, return_index=True)
    node = ends.node[rows][:, :, NEUTRAL].T.ravel()[first]
    value = np.asarray(poles["ground_ohm"], float)[pole]
    silent = int((~poles.stated["ground_ohm"][pole]).sum())
    if silent:
        notes.append(
            f"permanent pole ground not stated at {silent} poles with a neutral: none counted"
        )
    good = np.isfinite(value) & ~np.isin(pole, bare)
    sources: dict[int, float] = {}
    for circuit, ohm in source_grounds(network.territory).items():
        at = int(ends.alias[network.source_node[circuit]])
        if at != EARTH:  # two circuits of one station state the same ground
            sources[at] = max(ohm, sources.get(at, 0.0))
    start = np.concatenate([node[good], np.array([*sources], np.intp)])
    ohm_all = np.concatenate([value[good], np.array([*sources.values()])])
    return CoupledBranches.single(start, np.full(len(start), EARTH), ohm_all.astype(complex))
