"""One continuous part of a network as a small network of its own, by the same ids."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from gridground.territory.fixed import Fixed
from gridground.territory.layers import Layer
from gridground.territory.network import Network

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.territory.layers import Territory

    Rows = NDArray[np.intp]


@dataclass(frozen=True)
class Cut:
    """A part of a network.

    Attributes
    ----------
    network : Network
        Of a territory that holds the part's poles, spans, circuits and devices only; ids are the
        same, rows and nodes are numbered anew in the same order.
    nodes : ndarray of int
        The whole network's number of each of its nodes, ascending.
    """

    network: Network
    nodes: Rows

    @property
    def territory(self) -> Territory:
        """The territory that is left."""
        return self.network.territory

    def number_of(self, node: int) -> int | None:
        """Return the number of a node of the whole network, None where it is not in the part."""
        place = int(np.searchsorted(self.nodes, node))
        return place if place < len(self.nodes) and self.nodes[place] == node else None


def cut_to(network: Network, nodes: Iterable[int], *, circuits: Iterable[int] = ()) -> Cut:
    """Cut a network to the parts that hold some nodes.

    Parameters
    ----------
    network : Network
        With the states of devices that count.
    nodes : iterable of int
        Nodes.
    circuits : iterable of int
        Rows of circuits to keep in any case, with their sources.

    Returns
    -------
    Cut
        What hangs together with the nodes through closed spans, or spans of unknown phases; the
        spans that end there, open ones too; and their circuits.
    """
    fixed = network.fixed
    part = _continuous(network, np.array(sorted(set(nodes)), np.intp))
    spans = _spans_at(fixed, part)
    kept = np.unique(np.concatenate([part, fixed.node_from[spans], fixed.node_to[spans]]))
    fed = np.flatnonzero(np.isin(fixed.sources, part))
    own = np.concatenate([fixed.span_circuit[spans], fed, np.array(sorted(circuits), np.intp)])
    while True:  # the source of every circuit, and the first circuit of every node
        own = np.unique(np.concatenate([own, fixed.node_circuit[kept]]))
        more = np.union1d(kept, fixed.sources[own])
        if len(more) == len(kept):
            break
        kept = more
    poles = np.unique(fixed.node_pole[kept])
    devices = np.array(sorted(d for s in spans.tolist() for d in fixed.on_span.get(s, ())), np.intp)
    rows = (poles, spans, own, devices)
    territory = _territory(network.territory, rows)
    small = _fixed(fixed, territory, rows, kept)
    territory.once("network", lambda _: small)
    return Cut(Network(territory, small, network.closed[spans]), kept)


def _continuous(network: Network, nodes: Rows) -> Rows:
    """Return the nodes that hang together with some, spans of unknown phases joining too."""
    unknown = np.flatnonzero(network.phases == 0)
    one, other = network.node_from[unknown], network.node_to[unknown]
    while True:
        part, _ = network.part_of(nodes.tolist())
        here, there = np.isin(one, part), np.isin(other, part)
        beyond = np.concatenate([other[here & ~there], one[there & ~here]])
        if not len(beyond):
            return part
        nodes = np.unique(np.concatenate([part, beyond]))


def _spans_at(fixed: Fixed, nodes: Rows) -> Rows:
    """Return the spans that end at some nodes, ascending."""
    n = max(len(fixed.span_from), 1)
    rows = np.unique(fixed.at_pole.members(np.unique(fixed.node_pole[nodes])) % n)
    ends = np.isin(fixed.node_from[rows], nodes) | np.isin(fixed.node_to[rows], nodes)
    return np.asarray(rows[ends], np.intp)


def _territory(whole: Territory, rows: tuple[Rows, Rows, Rows, Rows]) -> Territory:
    """Return a territory with some rows of the layers of the network."""
    layers = dict(whole.layers)
    kept = dict(zip(("poles", "spans", "circuits", "devices"), rows, strict=True))
    equipment = whole.layer("equipment")
    if equipment is not None:
        at, circuits = equipment.rows_by("pole_id"), set(whole.circuits.ids[rows[2]].tolist())
        found = [row for pole_id in whole.poles.ids[rows[0]] for row in at.get(pole_id, ())]
        found = [row for row in found if equipment["circuit_id"][row] in circuits]
        kept["equipment"] = np.array(sorted(found), np.intp)
    for name, chosen in kept.items():
        layer = whole.layer(name)
        if layer is not None:
            layers[name] = Layer(
                name,
                {key: column[chosen] for key, column in layer.columns.items()},
                {key: column[chosen] for key, column in layer.stated.items()},
                layer.geometry[chosen],
            )
    return replace(whole, layers=layers)


def _fixed(
    whole: Fixed, territory: Territory, rows: tuple[Rows, Rows, Rows, Rows], nodes: Rows
) -> Fixed:
    """Return the connection of what is left; nodes stay those of the whole network."""
    poles, spans, circuits, devices = rows
    row_of_span = {int(row): number for number, row in enumerate(spans.tolist())}
    pole_row = territory.poles.index()
    ids = whole.territory.poles.ids
    ties = [
        (pole_row[ids[pole]], row_of_span[span]) for pole, span in whole.ties if span in row_of_span
    ]
    loose = [
        (pole_row[ids[pole]], row_of_span[span])
        for pole, span in whole.loose_ends
        if span in row_of_span
    ]
    return Fixed(
        territory=territory,
        pole_row=pole_row,
        span_from=np.searchsorted(poles, whole.span_from[spans]),
        span_to=np.searchsorted(poles, whole.span_to[spans]),
        span_circuit=np.searchsorted(circuits, whole.span_circuit[spans]),
        phases=whole.phases[spans],
        node_from=np.searchsorted(nodes, whole.node_from[spans]),
        node_to=np.searchsorted(nodes, whole.node_to[spans]),
        node_pole=np.searchsorted(poles, whole.node_pole[nodes]),
        node_circuit=np.searchsorted(circuits, whole.node_circuit[nodes]),
        source_node={
            str(name): int(np.searchsorted(nodes, whole.source_node[str(name)]))
            for name in territory.circuits.ids
        },
        length_m=whole.length_m[spans],
        ties=tuple(ties),
        loose_ends=tuple(loose),
        device_span=np.searchsorted(spans, whole.device_span[devices]),
        device_phases=whole.device_phases[devices],
        device_open=whole.device_open[devices],
    )
