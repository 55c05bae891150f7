"""The overhead conductors as columns: which wires hang between two poles, and where.

Everything here is the same for every layout of grounds. Which nodes the wires end on is not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.ends import LABELS, NEUTRAL
from gridground.electrical.ladder import EARTH

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends
    from gridground.territory.layers import Territory

# Circuits drawn on the same spot of the pole top cannot be coupled by geometry.
_APART_M = 0.1


@dataclass(frozen=True)
class Wires:
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

    def rows(self, kept: NDArray[Any]) -> Wires:
        """Return some of the rows."""
        return Wires(**{name: column[kept] for name, column in vars(self).items()})

    def plus(self, other: Wires) -> Wires:
        """Return the rows of both."""
        mine, theirs = vars(self), vars(other)
        return Wires(**{name: np.concatenate([mine[name], theirs[name]]) for name in mine})


def hung_wires(ends: Ends, rows: NDArray[np.intp]) -> tuple[Wires, dict[int, int], tuple[str, ...]]:
    """Return the overhead conductors that are laid.

    Parameters
    ----------
    ends : Ends
        Of whose network; the nodes themselves do not matter.
    rows : ndarray of int
        Span rows.

    Returns
    -------
    wires : Wires
        Not on nodes yet.
    kept : dict
        Span row -> row of the span at which its neutral is kept.
    notes : tuple of str
        What was left out or taken apart.
    """
    notes: list[str] = []
    wires = _drop_unknown(ends, _wires(ends, rows), notes)
    wires = _part_coincident(ends, wires, notes)
    wires, kept = _one_shared_neutral(ends, wires)
    return wires, kept, tuple(notes)


def on_nodes(ends: Ends, wires: Wires) -> Wires:
    """Return the wires between the nodes of their ends, from their lower pole row on."""
    turned = (ends.network.span_from > ends.network.span_to)[wires.span].astype(np.intp)
    start = ends.node[wires.span, turned, wires.label]
    return replace(wires, start=start, end=ends.node[wires.span, 1 - turned, wires.label])


def _wires(ends: Ends, rows: NDArray[np.intp]) -> Wires:
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
    nowhere_yet = np.full(len(span), EARTH, np.intp)  # see `on_nodes`
    return Wires(
        span=span,
        label=column,
        run=low * len(network.pole_row) + high,
        resistance_ohm_per_km=wire[:, 0],
        gmr_m=wire[:, 1],
        x_m=np.where(turned == 1, -place[:, 0], place[:, 0]),
        y_m=place[:, 1],
        length_m=network.length_m[span],
        start=nowhere_yet,
        end=nowhere_yet,
    )


def _numbered(names: Iterable[str | None]) -> tuple[NDArray[np.intp], list[str | None]]:
    """Return a number for each name, in order of appearance, and the names by number."""
    every = list(names)
    found = list(dict.fromkeys(every))
    number = {name: row for row, name in enumerate(found)}
    return np.array([number[name] for name in every], np.intp), found


def _wire_figures(territory: Territory, name: str | None) -> tuple[float, float]:
    """Return resistance [ohm/km] and geometric mean radius [m] of a conductor."""
    wire = territory.conductors.get(name) if name is not None else None
    return (wire.resistance_ohm_per_km, wire.gmr_m) if wire else (np.nan, np.nan)


def _positions(territory: Territory, name: str | None) -> list[tuple[float, float]]:
    """Return sideways position and height [m] of positions 1, 2, 3 and N of a construction."""
    top = territory.constructions.get(name) if name is not None else None
    nowhere = (np.nan, np.nan)
    return [top.positions.get(slot, nowhere) if top else nowhere for slot in "123N"]


def _drop_unknown(ends: Ends, wires: Wires, notes: list[str]) -> Wires:
    """Leave out spans of which a conductor, its place or its length is unknown, and say so."""
    figures = (wires.resistance_ohm_per_km, wires.gmr_m, wires.x_m, wires.y_m, wires.length_m)
    known = np.isfinite(np.array(figures)).all(axis=0) & (wires.length_m > 0)
    bad = np.unique(wires.span[~known])
    if len(bad):
        notes.append(f"conductors unknown, span left out: {span_names(ends, bad)}")
    return wires.rows(~np.isin(wires.span, bad))


def span_names(ends: Ends, rows: NDArray[np.intp]) -> str:
    """Return span ids in order, at most eight."""
    ids = sorted(str(i) for i in ends.network.territory.spans.ids[rows])
    return ", ".join(ids[:8]) + (f" and {len(ids) - 8} more" if len(ids) > 8 else "")


def by_run(wires: Wires) -> list[NDArray[np.intp]]:
    """Return wire rows grouped by run, one array of shape (m, n) for each number of wires n."""
    order = np.lexsort((wires.label, wires.span, wires.run))
    _, start, count = np.unique(wires.run[order], return_index=True, return_counts=True)
    return [order[start[count == n][:, None] + np.arange(n)] for n in np.unique(count)]


def _part_coincident(ends: Ends, wires: Wires, notes: list[str]) -> Wires:
    """Take circuits apart that are drawn on the same spot: they are then not coupled."""
    run = wires.run.copy()
    apart: list[int] = []
    shared = ends.network.territory.spans["shares_neutral_with"]
    for block in by_run(wires):
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
        names = span_names(ends, np.array(apart, np.intp))
        notes.append(f"circuits drawn on the same spot of the pole top are not coupled: {names}")
    return replace(wires, run=run)


def _one_shared_neutral(ends: Ends, wires: Wires) -> tuple[Wires, dict[int, int]]:
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
