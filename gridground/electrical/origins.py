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
    from gridground.territory.sections import Labels

    Rows = NDArray[np.intp]


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
    label = closed_parts(network)
    here = sorted(set(nodes))
    parts = np.unique(label[np.array(here, np.intp)])
    circuits = np.array([*network.source_node])
    at_source = label[network.fixed.sources]
    own = sorted(map(str, circuits[np.isin(at_source, parts)]))
    found = {circuit: Origin(circuit, circuit, network) for circuit in own}
    way = _ways_to(network, label, parts)
    held_off = {
        str(circuits[row]): way[part]
        for row, part in enumerate(at_source.tolist())
        if way.get(part)
    }
    for circuit, devices in sorted(held_off.items()):
        name = "+".join(devices)
        held = set(opened) - set(devices)
        variant = _again(territory, circuit, devices, held, here)
        found[f"{name} {circuit}"] = Origin(name, circuit, variant, "device closed again")
    for device in _within(network, label, parts):
        variant = Network.build(territory, closed={device})
        for circuit in own:
            found[f"{device} {circuit}"] = Origin(device, circuit, variant, "device closed again")
    return list(found.values())


def _again(
    territory: Territory, circuit: str, devices: Iterable[str], held: set[str], nodes: list[int]
) -> Network:
    """Return the network with some devices closed again, most openings of the job being held.

    One that stands between the source and those devices is closed with them: it is the same
    source that comes back. Others hold, so that no second source feeds too.
    """
    variant = Network.build(territory, closed=devices, opened=held)
    if circuit in variant.feeding(nodes):
        return variant
    kept: set[str] = set()
    for name in sorted(held):
        trial = Network.build(territory, closed=devices, opened={*kept, name})
        if circuit in trial.feeding(nodes):
            kept.add(name)
    return Network.build(territory, closed=devices, opened=kept)


def closed_parts(network: Network, *, phase: str | None = None) -> Labels:
    """Label the nodes that hang together through closed spans: ``label[node]``.

    Parameters
    ----------
    network : Network
        As built.
    phase : str, optional
        Count this phase only; without it, any phase joins.
    """
    return network.labels() if phase is None else network.labels(PHASE_BITS[phase])


def open_device_spans(network: Network, *, beside: Iterable[int] | None = None) -> dict[str, int]:
    """Return the span row of every recorded-open device.

    Parameters
    ----------
    network : Network
        With the states that count.
    beside : iterable of int, optional
        Only those with an end in the closed part of one of these nodes: no other can feed them.
    """
    devices, fixed = network.territory.layer("devices"), network.fixed
    if devices is None:
        return {}
    rows = fixed.open_devices
    if beside is not None:
        label = closed_parts(network)
        parts = np.unique(label[np.array(sorted(beside), np.intp)])
        one, other = _sides(network, label, rows)
        rows = rows[np.isin(one, parts) | np.isin(other, parts)]
    return {str(devices.ids[row]): int(fixed.device_span[row]) for row in rows.tolist()}


def _sides(network: Network, label: Labels, rows: Rows) -> tuple[Rows, Rows]:
    """Return the parts on both sides of some devices."""
    spans = network.fixed.device_span[rows]
    return label[network.node_from[spans]], label[network.node_to[spans]]


def _ways_to(network: Network, label: Labels, parts: Rows) -> dict[int, tuple[str, ...]]:
    """Return, for every part that open devices hold off the worksite, these devices.

    The worksite's own parts have none.
    """
    way: dict[int, tuple[str, ...]] = dict.fromkeys(sorted(parts.tolist()), ())
    devices = network.territory.layer("devices")
    if devices is None:
        return way
    rows = network.fixed.open_devices
    one, other = _sides(network, label, rows)
    rows, one, other = (column[one != other] for column in (rows, one, other))
    queue = deque(way)
    while queue:
        part = queue.popleft()
        for k in np.flatnonzero((one == part) | (other == part)).tolist():
            far = int(other[k] if one[k] == part else one[k])
            if far not in way:
                way[far] = tuple(sorted({*way[part], str(devices.ids[rows[k]])}))
                queue.append(far)
    return way


def _within(network: Network, label: Labels, parts: Rows) -> list[str]:
    """Return open devices both of whose sides are the worksite's part: loops, single phases.

    One that only cuts a phase off a part without a source on either side changes nothing.
    """
    devices, fixed = network.territory.layer("devices"), network.fixed
    if devices is None:
        return []
    rows = fixed.open_devices
    one, other = _sides(network, label, rows)
    rows = rows[np.isin(one, parts) & np.isin(other, parts)]
    if not len(rows):
        return []
    matters = np.zeros(len(rows), bool)
    spans = fixed.device_span[rows]
    for phase, bit in PHASE_BITS.items():
        by_phase = closed_parts(network, phase=phase)
        sources = by_phase[fixed.sources]
        fed = np.isin(by_phase[network.node_from[spans]], sources)
        fed |= np.isin(by_phase[network.node_to[spans]], sources)
        matters |= fed & ((network.phases[spans] & np.uint8(bit)) > 0)
    return sorted(map(str, devices.ids[rows[matters]]))
