"""Every way the line can be energized again: its own source, and each open device closed again.

One mistake at a time: the source of a worked circuit with everything else as recorded, or one
recorded-open device closed again while the job's own openings hold.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.exposure import Origin
from gridground.territory.network import Network

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.territory.layers import Territory


def find_origins(
    territory: Territory, network: Network, *, nodes: Iterable[int], opened: Iterable[str]
) -> list[Origin]:
    """List the origins that reach some nodes.

    Parameters
    ----------
    territory : Territory
        As read.
    network : Network
        With the recorded states of devices.
    nodes : iterable of int
        Nodes of the worksite.
    opened : iterable of str
        Devices opened for the job.

    Returns
    -------
    list of Origin
        Circuits by id, then devices by id.
    """
    here = sorted(set(nodes))
    label = closed_parts(network)
    parts = {int(label[node]) for node in here}
    own = [c for c, node in network.source_node.items() if int(label[node]) in parts]
    found = [Origin(circuit, circuit, network) for circuit in sorted(own)]
    for device in _open_devices(network, label, parts):
        variant = Network.build(territory, closed={device}, opened=set(opened) - {device})
        after = closed_parts(variant)
        reached = {int(after[node]) for node in here}
        for circuit, node in sorted(variant.source_node.items()):
            if int(after[node]) in reached and circuit not in own:
                found.append(Origin(device, circuit, variant))
    return found


def closed_parts(network: Network) -> NDArray[np.intp]:
    """Label the nodes that hang together through closed spans, shape (n_nodes,)."""
    from scipy.sparse import coo_array  # noqa: PLC0415  start-up time
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415

    keep = network.closed > 0
    n = len(network.node_pole)
    ends = (network.node_from[keep], network.node_to[keep])
    graph = coo_array((np.ones(int(keep.sum()), np.int8), ends), shape=(n, n))
    label: NDArray[np.intp] = connected_components(graph, directed=False)[1]
    return label


def _open_devices(network: Network, label: NDArray[np.intp], parts: set[int]) -> list[str]:
    """Return recorded-open devices between the worksite's part and one that has a source."""
    devices = network.territory.layer("devices")
    if devices is None:
        return []
    fed = {int(label[node]) for node in network.source_node.values()}
    found = []
    for row in np.flatnonzero(devices["state"] == "open"):
        span = network.span_row[devices["span_id"][row]]
        sides = {int(label[network.node_from[span]]), int(label[network.node_to[span]])}
        if len(sides) > 1 and sides & parts and (sides - parts) & fed:
            found.append(str(devices.ids[row]))
    return sorted(found)
