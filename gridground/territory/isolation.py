"""What must stand open so that no source reaches the grounds, and what hangs on their part."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from gridground.territory.fixed import ANY_PHASE, ANY_STATE
from gridground.territory.sections import joined

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from numpy.typing import NDArray

    from gridground.territory.fixed import Fixed
    from gridground.territory.network import Network
    from gridground.territory.sections import Sections

    SpanEnd = tuple[int, int]  # pole row, span row

# A jumper is taken off by hand on the line: no device to open and tag, unless it is off already.
_NO_SWITCH = "jumper"


@dataclass(frozen=True)
class DeviceStates:
    """Recorded states of devices, some of them overridden.

    Attributes
    ----------
    closed, opened : collection of str
        Device ids, as for `Network.build`.
    """

    closed: Collection[str] = field(default_factory=frozenset)
    opened: Collection[str] = field(default_factory=frozenset)

    def away(self, fixed: Fixed, end: SpanEnd) -> int:
        """Return the phases that open devices at an end of a span cut off there, bit mask."""
        devices = fixed.territory.layer("devices")
        mask = 0
        for row in fixed.devices_by_end.get(end, ()) if devices is not None else ():
            name = str(devices.ids[row]) if devices is not None else ""
            if name in self.opened or (fixed.device_open[row] and name not in self.closed):
                mask |= int(fixed.device_phases[row])
        return mask


def nodes_at_ends(network: Network, ends: Iterable[SpanEnd], states: DeviceStates) -> list[int]:
    """Return the nodes that the conductors at some span ends hang together with.

    Parameters
    ----------
    network : Network
        Of the territory.
    ends : iterable of (pole row, span row)
        Ends of spans whose conductors are meant.
    states : DeviceStates
        States of the devices that stand at these ends.

    Returns
    -------
    list of int
        A conductor that an open device cuts off from its pole belongs to the far end of its span;
        cut off there too, to nothing.
    """
    fixed = network.fixed
    found: set[int] = set()
    for pole, span in ends:
        carried = int(network.phases[span]) or ANY_PHASE
        near = states.away(fixed, (pole, span)) & carried
        if carried & ~near:
            found.add(network.node_at(span, pole))
        far_pole = network.other_end(span, pole)
        if near & ~states.away(fixed, (far_pole, span)):
            found.add(network.node_at(span, far_pole))
    return sorted(found)


def devices_at(network: Network, ends: Iterable[SpanEnd]) -> list[str]:
    """Return the ids of the devices recorded open at some span ends."""
    fixed, devices = network.fixed, network.territory.layer("devices")
    rows = {row for end in ends for row in fixed.devices_by_end.get(end, ())}
    if devices is None:
        return []
    return sorted(str(devices.ids[row]) for row in rows if fixed.device_open[row])


@dataclass(frozen=True)
class OpenPoint:
    """Devices at one end of a span that together part all of its phases.

    Attributes
    ----------
    pole, span : int
        Rows.
    devices : tuple of int
        Rows of the devices; several where each takes some phases.
    holds_off : tuple of str
        Circuits whose source lies beyond, whatever the states of the devices farther out.
    fed_by : tuple of str
        Those of them that reach the point from outside as the devices of the network stand.
    """

    pole: int
    span: int
    devices: tuple[int, ...]
    holds_off: tuple[str, ...]
    fed_by: tuple[str, ...]


@dataclass(frozen=True)
class Isolation:
    """The nearest open points on every way to a source.

    Attributes
    ----------
    points : tuple of OpenPoint
        With all of them open no source reaches the grounds. By pole and span ids.
    unparted : tuple of str
        Circuits between whose source and the grounds no device stands.
    """

    points: tuple[OpenPoint, ...]
    unparted: tuple[str, ...]

    def device_ids(self, network: Network, *, against: Collection[str] = ()) -> list[str]:
        """Return the ids of the devices, each once.

        Parameters
        ----------
        network : Network
            Of the territory.
        against : collection of str
            Only of points that one of these circuits reaches from outside; all of them for none.
        """
        devices = network.territory.layer("devices")
        asked = set(against)
        points = [p for p in self.points if not asked or asked & set(p.fed_by)]
        rows = dict.fromkeys(row for point in points for row in point.devices)
        return [] if devices is None else [str(devices.ids[row]) for row in rows]


def isolate(network: Network, ends: Iterable[SpanEnd]) -> Isolation:
    """Find the nearest devices that part some span ends from every source.

    Parameters
    ----------
    network : Network
        Of the territory; its states of devices matter to `OpenPoint.fed_by` only.
    ends : iterable of (pole row, span row)
        Where grounds go, and what lies between them.

    Returns
    -------
    Isolation
        A way on which no source lies in any state of the devices asks for no open point.

    Notes
    -----
    Outwards from the ends along every span, past devices that take some of the phases only, to
    the first place where devices take all of them. Jumpers count where they are recorded open.
    """
    flood = _Flood(network)
    for end in ends:
        flood.start(end)
    flood.spread()
    return flood.isolation()


class _Flood:
    """The part of the network up to the nearest devices, section by section."""

    def __init__(self, network: Network) -> None:
        self.network, self.fixed = network, network.fixed
        self.sections: Sections = network.fixed.sections(ANY_STATE)
        self.inside: set[int] = set()
        self.fresh: set[int] = set()
        self.points: dict[SpanEnd, int] = {}  # end with devices -> section beyond it

    def start(self, end: SpanEnd) -> None:
        """Begin at the conductors of one end of a span."""
        pole, span = end
        if self._parts(end):
            self._meet(end, self.network.node_at(span, pole))
            far = (self.network.other_end(span, pole), span)
            self._pass(far)
        else:
            self._enter(self.network.node_at(span, pole))

    def _pass(self, far: SpanEnd) -> None:
        """Come along a span to its far end."""
        node = self.network.node_at(far[1], far[0])
        if self._parts(far):
            self._meet(far, node)
        else:
            self._enter(node)

    def _enter(self, node: int) -> None:
        """Take in the section of a node."""
        section = int(self.sections.of_node[node])
        if section not in self.inside:
            self.inside.add(section)
            self.fresh.add(section)

    def _meet(self, end: SpanEnd, beyond: int) -> None:
        """Note an open point."""
        self.points[end] = int(self.sections.of_node[beyond])

    def _parts(self, end: SpanEnd) -> bool:
        """Say whether the devices at an end of a span part all of its phases."""
        mask = 0
        for row in self._devices(end):
            mask |= int(self.fixed.device_phases[row])
        carried = int(self.network.phases[end[1]]) or ANY_PHASE
        return not carried & ~mask

    def _devices(self, end: SpanEnd) -> list[int]:
        """Return the rows of the devices at an end that can be opened and tagged."""
        devices = self.network.territory.layer("devices")
        return [
            row
            for row in self.fixed.devices_by_end.get(end, ())
            if devices is not None
            and (devices["kind"][row] != _NO_SWITCH or bool(self.fixed.device_open[row]))
        ]

    def spread(self) -> None:
        """Go on until every way ends at an open point or at the end of the line."""
        one, other = self.sections.one, self.sections.other
        while self.fresh:
            fresh = np.array(sorted(self.fresh), np.intp)
            self.fresh = set()
            for start, ends in ((one, self.network.span_from), (other, self.network.span_to)):
                for row in np.flatnonzero(np.isin(start, fresh)).tolist():
                    span = int(self.sections.devices[row])
                    self._leave(int(ends[span]), span)

    def _leave(self, pole: int, span: int) -> None:
        """Leave a pole inside along a span with devices."""
        far_pole = self.network.other_end(span, pole)
        if self._parts((pole, span)):
            self._meet((pole, span), self.network.node_at(span, far_pole))
        else:
            self._pass((far_pole, span))

    def isolation(self) -> Isolation:
        """Return the points beyond which a source lies."""
        inside = np.array(sorted(self.inside), np.intp)
        label, now = self._outside(inside), self._outside(inside, as_they_stand=True)
        circuits = self.network.territory.circuits.ids
        at_source = self.sections.of_node[self.fixed.sources]
        within = np.isin(at_source, inside)
        ids = self.network.territory
        points = []
        for (pole, span), beyond in self.points.items():
            if beyond in self.inside:
                continue  # both sides are inside: a device in the middle parts nothing off
            there = ~within & (label[at_source] == label[beyond])
            names = tuple(sorted(map(str, circuits[there])))
            fed = ~within & (now[at_source] == now[beyond])
            if names:
                rows = tuple(self._devices((pole, span)))
                fed_by = tuple(sorted(map(str, circuits[fed])))
                points.append(OpenPoint(pole, span, rows, names, fed_by))
        points.sort(key=lambda p: (str(ids.poles.ids[p.pole]), str(ids.spans.ids[p.span])))
        return Isolation(tuple(points), tuple(sorted(map(str, circuits[within]))))

    def _outside(
        self, inside: NDArray[np.intp], *, as_they_stand: bool = False
    ) -> NDArray[np.intp]:
        """Label the sections that hang together without those inside, every device closed."""
        one, other = self.sections.one, self.sections.other
        kept = ~np.isin(one, inside) & ~np.isin(other, inside)
        if as_they_stand:
            kept &= self.network.closed[self.sections.devices] > 0
        n = self.sections.n_switched
        part = joined(n, one[kept], other[kept])
        # a section that no device can join to others is a part of its own
        return np.concatenate([part, np.arange(n, self.sections.count) + n])


def poles_on(network: Network, nodes: Iterable[int]) -> list[str]:
    """Return the ids of all poles on the parts that some nodes hang on, sorted.

    Parameters
    ----------
    network : Network
        With the states that count.
    nodes : iterable of int
        Nodes.
    """
    members, _ = network.part_of(nodes)
    return sorted(map(str, network.territory.poles.ids[np.unique(network.node_pole[members])]))
