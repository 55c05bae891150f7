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
    from collections.abc import Collection, Iterable

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
    for circuit, devices in held_off(network, here):
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


def held_off(
    network: Network, nodes: Iterable[int], *, held: Collection[str] = ()
) -> list[tuple[str, tuple[str, ...]]]:
    """Return every source that recorded-open devices hold off some nodes, by every way.

    Parameters
    ----------
    network : Network
        With the states that count.
    nodes : iterable of int
        Nodes.
    held : collection of str
        Devices that cannot be closed by mistake: they are tagged for the job.

    Returns
    -------
    list of (circuit id, device ids)
        One for each first open place on the way: its devices and those of the shortest way on to
        the source, sorted. Devices of one span are closed together. What lies beyond another
        source is a second mistake.
    """
    label = closed_parts(network)
    start = set(label[np.array(sorted(set(nodes)), np.intp)].tolist())
    across = _across(network, label, set(held))
    sources: dict[int, list[str]] = {}
    circuits = network.territory.circuits.ids
    for row, part in enumerate(label[network.fixed.sources].tolist()):
        sources.setdefault(part, []).append(str(circuits[row]))
    found: dict[tuple[str, tuple[str, ...]], None] = {}
    for part in sorted(start):
        for devices, far in across.get(part, []):
            if far in start:
                continue
            way = {far: devices}
            queue = deque(way)
            while queue:
                here = queue.popleft()
                for circuit in sources.get(here, []):
                    found.setdefault((circuit, tuple(sorted(way[here]))))
                if here in sources:
                    continue
                for more, beyond in across.get(here, []):
                    if beyond not in way and beyond not in start:
                        way[beyond] = way[here] | more
                        queue.append(beyond)
    return sorted(found)


def _across(
    network: Network, label: Labels, held: set[str]
) -> dict[int, list[tuple[frozenset[str], int]]]:
    """Return, by part, the open devices of each span that lead to another part, by their ids."""
    devices, fixed = network.territory.layer("devices"), network.fixed
    if devices is None:
        return {}
    spans = np.unique(fixed.device_span[fixed.device_open])
    one, other = label[network.node_from[spans]], label[network.node_to[spans]]
    apart = one != other
    found: dict[int, list[tuple[frozenset[str], int]]] = {}
    for span, a, b in zip(
        spans[apart].tolist(), one[apart].tolist(), other[apart].tolist(), strict=True
    ):
        rows = fixed.on_span[span]
        names = {row: str(devices.ids[row]) for row in rows}
        kept = [row for row in rows if names[row] in held]
        mask = 0
        for row in kept:
            mask |= int(fixed.device_phases[row])
        closing = frozenset(n for row, n in names.items() if fixed.device_open[row]) - held
        if closing and int(fixed.carried[span]) & ~mask:
            found.setdefault(a, []).append((closing, b))
            found.setdefault(b, []).append((closing, a))
    for ways in found.values():
        ways.sort(key=lambda way: sorted(way[0]))
    return found


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
