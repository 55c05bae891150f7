"""The explicit conductors of a network: their runs from pole to pole, and their grounds.

A *run* is everything overhead that hangs between the same two poles: the phases and neutrals of
every circuit there, coupled with each other. A neutral that two circuits share is one wire.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import BITS, NEUTRAL, has_neutral, source_grounds
from gridground.electrical.ladder import EARTH, CoupledBranches
from gridground.electrical.lines import primitive_ohm_per_km
from gridground.electrical.overhead_wires import (
    Wires,
    by_run,
    hung_wires,
    on_nodes,
    span_names,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from gridground.electrical.ends import Ends

# A link of no length would be a short circuit without impedance: it is given 10 microohm, a
# hundredth of the shortest lead.
_FLOOR_OHM = 1e-5


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
        notes.append(f"neutral not stated, none laid: {span_names(ends, np.flatnonzero(silent))}")
    overhead = np.array([k not in ("cable", "link") for k in spans["kind"]], bool)
    # what hangs there is the same for every layout; only the nodes differ, by what is split
    hung, kept, said = ends.network.once(
        ("overhead wires", region.tobytes()),
        lambda: hung_wires(ends, np.flatnonzero(region & overhead)),
    )
    notes += said
    wires = on_nodes(ends, hung)
    wires, gaps = _open_neutrals(ends, wires, kept, broken)
    wires, middle, beyond = _halve(wires, middles, ends.n_nodes + len(broken))
    # so are their impedances; only what is halved is shorter
    name = ("overhead runs", region.tobytes(), tuple(sorted(middles)), resistivity_ohm_m)
    coupled = ends.network.once(name, lambda: _coupled(ends, wires, resistivity_ohm_m))
    branches = [b.between(wires.start[rows], wires.end[rows]) for rows, b in coupled]
    cables = np.flatnonzero(region & ~overhead)
    fresh = {row: ends.n_nodes + k for k, row in enumerate(sorted(broken))}
    loose = {row: (fresh[row], broken[row]) for row in broken.keys() & set(cables.tolist())}
    branches += _cables(ends, cables, (loose, gaps), notes)
    branches.append(_pole_grounds(ends, region, bare, notes))
    n_nodes = max([ends.n_nodes + len(broken) - 1, *middle.values(), *beyond.values()]) + 1
    return Runs(tuple(branches), n_nodes, middle, beyond, gaps, tuple(notes))


def _open_neutrals(
    ends: Ends, wires: Wires, kept: dict[int, int], broken: Mapping[int, int]
) -> tuple[Wires, dict[int, tuple[int, int]]]:
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
    wires: Wires, middles: Mapping[int, frozenset[int]], n_nodes: int
) -> tuple[Wires, dict[tuple[int, int], int], dict[tuple[int, int], int]]:
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


def _coupled(
    ends: Ends, wires: Wires, resistivity_ohm_m: float
) -> list[tuple[NDArray[np.intp], CoupledBranches]]:
    """Return the runs as coupled branches, with the rows of their wires."""
    circuits = ends.network.territory.circuits
    hertz = dict(zip(circuits.ids, np.asarray(circuits["frequency_hz"], float), strict=True))
    circuit = ends.network.territory.spans["circuit_id"]
    found = []
    for block in by_run(wires):
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
        found.append((block, CoupledBranches(wires.start[block], wires.end[block], impedance)))
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
        notes.append(f"impedance unknown, span left out: {span_names(ends, rows[unknown])}")
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
            f"positive-sequence impedance: {span_names(ends, rows[has])}"
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
