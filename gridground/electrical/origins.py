"""Every way the line can be energized again: its own source, and each open device closed again.

One mistake at a time: the source of a worked circuit with everything else as recorded; one
recorded-open device closed again, be it a tie, the other end of a loop or one phase of a cutout;
and for a source held off by several open devices in a row, all of these closed.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.exposure import Origin
from gridground.territory.network import PHASE_BITS, Network

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
        Devices opened for the job; they hold while a device that holds off another source is
        closed again.

    Returns
    -------
    list of Origin
        Circuits by id, then devices by id; several devices in a row are joined by ``+``.
    """
    here = sorted(set(nodes))
    label = closed_parts(network)
    parts = {int(label[node]) for node in here}
    own = sorted(c for c, node in network.source_node.items() if int(label[node]) in parts)
    found = {circuit: Origin(circuit, circuit, network) for circuit in own}
    for circuit, devices in sorted(_held_off(network, label, parts).items()):
        name = "+".join(devices)
        variant = Network.build(territory, closed=devices, opened=set(opened) - set(devices))
        found[f"{name} {circuit}"] = Origin(name, circuit, variant, "device closed again")
    for device in _within(network, label, parts):
        variant = Network.build(territory, closed={device})
        for circuit in own:
            found[f"{device} {circuit}"] = Origin(device, circuit, variant, "device closed again")
    return list(found.values())


def closed_parts(network: Network, *, phase: str | None = None) -> NDArray[np.intp]:
    """Label the nodes that hang together through closed spans, shape (n_nodes,).

    Parameters
    ----------
    network : Network
        As built.
    phase : str, optional
        Count this phase only; without it, any phase joins.
    """
    bits = network.closed if phase is None else network.closed & np.uint8(PHASE_BITS[phase])
    return network.parts(bits > 0)


def open_device_spans(network: Network) -> dict[str, int]:
    """Return the span row of every recorded-open device."""
    devices = network.territory.layer("devices")
    if devices is None:
        return {}
    return {
        str(devices.ids[row]): network.span_row[devices["span_id"][row]]
        for row in np.flatnonzero(devices["state"] == "open")
    }


def _held_off(
    network: Network, label: NDArray[np.intp], parts: set[int]
) -> dict[str, tuple[str, ...]]:
    """Return, for every source that does not reach the worksite, the open devices in its way."""
    across: dict[int, list[tuple[str, int]]] = {}
    for device, span in sorted(open_device_spans(network).items()):
        one, other = int(label[network.node_from[span]]), int(label[network.node_to[span]])
        if one != other:
            across.setdefault(one, []).append((device, other))
            across.setdefault(other, []).append((device, one))
    way: dict[int, tuple[str, ...]] = dict.fromkeys(sorted(parts), ())
    queue = deque(way)
    while queue:
        part = queue.popleft()
        for device, far in across.get(part, []):
            if far not in way:
                way[far] = tuple(sorted({*way[part], device}))
                queue.append(far)
    return {
        circuit: way[int(label[node])]
        for circuit, node in network.source_node.items()
        if int(label[node]) in way and int(label[node]) not in parts
    }


def _within(network: Network, label: NDArray[np.intp], parts: set[int]) -> list[str]:
    """Return open devices both of whose sides are the worksite's part: loops, single phases.

    One that only cuts a phase off a part without a source on either side changes nothing.
    """
    ends = {
        device: span
        for device, span in open_device_spans(network).items()
        if int(label[network.node_from[span]]) in parts
        and int(label[network.node_to[span]]) in parts
    }
    if not ends:
        return []
    sources = list(network.source_node.values())
    fed = {}
    for phase in PHASE_BITS:
        by_phase = closed_parts(network, phase=phase)
        fed[phase] = np.isin(by_phase, by_phase[sources])
    return sorted(
        device
        for device, span in ends.items()
        if any(
            int(network.phases[span]) & bit
            and fed[phase][network.node_from[span]] | fed[phase][network.node_to[span]]
            for phase, bit in PHASE_BITS.items()
        )
    )
