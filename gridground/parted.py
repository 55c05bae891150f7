"""The part of the network that openings part off: its limits, the openings in order, its poles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.territory.fixed import ANY_PHASE, ANY_STATE, phase_letters
from gridground.territory.isolation import DeviceStates, isolate, nodes_at_ends, poles_on
from gridground.territory.network import Network

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.scene import Scene
    from gridground.territory.isolation import OpenPoint
    from gridground.territory.sections import Labels

    SpanEnd = tuple[int, int]  # pole row, span row

# Made to interrupt a fault; the rest follows where the order is ours.
INTERRUPTING = ("breaker", "recloser")


@dataclass(frozen=True)
class Part:
    """The part that the grounds stand on, once the stated openings and the missing ones are made.

    Attributes
    ----------
    scene : Scene
        Territory and job.
    stated : tuple of str
        Devices the job opens, in its order.
    missing : tuple of str
        Nearest devices it does not state and beyond which a source stands, by pole and span ids.
    unparted : tuple of str
        Circuits between whose source and the grounds no device stands.
    network : Network
        With all of them open.
    nodes : list of int
        What the bonded conductors hang together with.
    """

    scene: Scene
    stated: tuple[str, ...]
    missing: tuple[str, ...]
    unparted: tuple[str, ...]
    network: Network
    nodes: list[int]

    @classmethod
    def of(cls, scene: Scene, ends: Sequence[SpanEnd]) -> Part:
        """Find the missing openings and the part.

        Parameters
        ----------
        scene : Scene
            Territory and job.
        ends : sequence of (pole row, span row)
            Span ends that are bonded or lie between bonds.
        """
        stated = scene.job.sources_opened or ()
        found = isolate(scene.network, ends)
        apart, nodes = _opened(scene, {*stated, *found.device_ids(scene.network)}, ends)
        label = apart.labels()
        fed = np.unique(label[apart.fixed.sources])
        inside = np.unique(label[np.array(nodes, np.intp)])
        missing: dict[str, None] = {}
        for point in found.points:
            sides = label[np.array([apart.node_from[point.span], apart.node_to[point.span]])]
            if np.isin(sides[~np.isin(sides, inside)], fed).any():
                missing |= dict.fromkeys(_still_asked(scene, point))
        network, nodes = _opened(scene, {*stated, *missing}, ends)
        return cls(scene, stated, tuple(missing), found.unparted, network, nodes)

    @cached_property
    def inside(self) -> NDArray[np.bool_]:
        """Which nodes are on the part, shape (n_nodes,)."""
        found = np.zeros(len(self.network.node_pole), bool)
        found[self.network.part_of(self.nodes)[0]] = True
        return found

    @cached_property
    def beyond(self) -> Labels:
        """What hangs together without the part, whatever the states of devices."""
        return self.network.labels_without(np.flatnonzero(self.inside).tolist(), (), ANY_STATE)

    @cached_property
    def still_fed(self) -> list[str]:
        """Circuits whose source is on the part all the same."""
        return self.network.feeding(self.nodes)

    # --- limits -----------------------------------------------------------------------------------

    @cached_property
    def limits(self) -> list[dict[str, Any]]:
        """The open points that bound the part, by pole and span ids.

        A span on which no device stands, and whose phases are not known, is a row without devices.
        """
        network = self.network
        one, other = network.node_from, network.node_to
        rows = []
        for span in np.flatnonzero(self.inside[one] ^ self.inside[other]).tolist():
            near, far = int(network.span_from[span]), int(network.span_to[span])
            outer = int(other[span])
            if not self.inside[one[span]]:
                near, far, outer = far, near, int(one[span])
            first = self._open_at((near, span))
            enough = not (int(network.phases[span]) or ANY_PHASE) & ~self._mask(first)
            second = [] if enough else self._open_at((far, span))
            found = [
                self._limit((pole, span), here, outer)
                for pole, here in ((near, first), (far, second))
                if here
            ]
            rows += found or [self._limit((near, span), [], outer)]
        return sorted(rows, key=lambda row: (row["pole_id"], row["span_id"]))

    def _open_at(self, end: SpanEnd) -> list[int]:
        """Return the rows of the devices that are open at an end of a span."""
        names, fixed = {*self.stated, *self.missing}, self.network.fixed
        return [
            row
            for row in fixed.devices_by_end.get(end, ())
            if fixed.device_open[row] or self._column("device_id", row) in names
        ]

    def _mask(self, rows: Sequence[int]) -> int:
        """Return the phases that some devices part together, bit mask."""
        mask = 0
        for row in rows:
            mask |= int(self.network.fixed.device_phases[row])
        return mask

    def _column(self, column: str, row: int) -> str:
        """Return what a device's column holds."""
        devices = self.scene.territory.layer("devices")
        return "" if devices is None else str(devices[column][row])

    def _limit(self, end: SpanEnd, rows: list[int], outer: int) -> dict[str, Any]:
        """Return the row of one open point."""
        names = [self._column("device_id", row) for row in rows]
        stated = [row for row, name in zip(rows, names, strict=True) if name in self.stated]
        territory, fixed = self.scene.territory, self.network.fixed
        off = (self.beyond[fixed.sources] == self.beyond[outer]) & ~self.inside[fixed.sources]
        return {
            "device_ids": names,
            "kind": _several(self._column("kind", row) for row in rows),
            "pole_id": str(territory.poles.ids[end[0]]),
            "span_id": str(territory.spans.ids[end[1]]),
            "phases": phase_letters(self._mask(rows)),
            "recorded": _several(self._column("state", row) for row in rows),
            "stated": bool(stated) and self._mask(stated) == self._mask(rows),
            "holds_off": sorted(map(str, territory.circuits.ids[off])),
            "generators_beyond": self._generators(outer),
        }

    def _generators(self, outer: int) -> list[str]:
        """Return the generators that hang together with a node outside the part."""
        equipment, node = self.scene.territory.layer("equipment"), self.network.fixed.equipment_node
        if equipment is None or not len(node):
            return []
        there = (node >= 0) & (equipment["kind"] == "generator")
        there &= (self.beyond[node] == self.beyond[outer]) & ~self.inside[node]
        return sorted(map(str, equipment.ids[there]))

    # --- openings ---------------------------------------------------------------------------------

    def open_rows(self) -> list[dict[str, Any]]:
        """Return the devices to open, or to look at, and to tag, in order.

        Stated ones in the job's order, then the missing ones, then those that are recorded open,
        bound the part and hold a source off.
        """
        bounds = {name for row in self.limits for name in row["device_ids"]}
        holding = [
            name
            for row in self.limits
            if row["holds_off"] or row["generators_beyond"]
            for name in row["device_ids"]
        ]
        missing = [n for n in dict.fromkeys((*self.missing, *holding)) if n not in self.stated]
        missing.sort(key=lambda name: self._rank(self._row(name)))
        return [
            self._opening(number, self._row(name), bounds=name in bounds)
            for number, name in enumerate((*self.stated, *missing), 1)
        ]

    def _row(self, name: str) -> int:
        """Return the row of a device."""
        return self.scene.territory.layers["devices"].index()[name]

    def _recorded_open(self, name: str) -> bool:
        """Say whether a device is recorded open."""
        return bool(self.network.fixed.device_open[self._row(name)])

    def _rank(self, row: int) -> int:
        """Say where a device that the job does not state comes: see `INTERRUPTING`."""
        if self.network.fixed.device_open[row]:
            return 2
        return 0 if self._column("kind", row) in INTERRUPTING else 1

    def _opening(self, number: int, row: int, *, bounds: bool) -> dict[str, Any]:
        """Return the row of one device; looking and tagging is a step of its own."""
        name, kind = self._column("device_id", row), self._column("kind", row)
        pole_id, span_id = self._column("pole_id", row), self._column("span_id", row)
        is_open = bool(self.network.fixed.device_open[row])
        place = f"at {pole_id}, span {span_id}"
        look = "look that it is open; tag it"
        steps = [("look and tag", f"{name} ({kind}) {place}: {look}.")]
        if is_open:
            text = f"{name} ({kind}) {place} is recorded open: {look}."
        else:
            text = f"Open {name} ({kind}) {place}; {look}."
            steps.insert(0, ("open", f"Open {name} ({kind}) {place}."))
        return {
            "number": number,
            "device_id": name,
            "kind": kind,
            "pole_id": pole_id,
            "span_id": span_id,
            "phases": self._column("phases", row),
            "recorded": self._column("state", row),
            "stated": name in self.stated,
            "bounds": bounds,
            **self._spot(pole_id),
            "text": text,
            "steps": [{"do": do, "text": said} for do, said in steps],
        }

    def _spot(self, pole_id: str) -> dict[str, float]:
        """Return where a device stands, also outside the surroundings that are drawn."""
        poles = self.scene.territory.poles
        point = poles.geometry[poles.index()[pole_id]]
        return {"lon": round(float(point.x), 7), "lat": round(float(point.y), 7)}

    def order_remark(self) -> str:
        """Say where the job's own order opens a closed switch before a closed breaker; or nothing.

        Examples
        --------
        ``" The job states GS1 before BK-1, a breaker."``
        """
        shut = [name for name in self.stated if not self._recorded_open(name)]
        ranks = [self._rank(self._row(name)) for name in shut]
        for place, rank in enumerate(ranks):
            if rank == 1 and 0 in ranks[place:]:
                later = shut[place + ranks[place:].index(0)]
                kind = self._column("kind", self._row(later))
                return f" The job states {shut[place]} before {later}, a {kind}."
        return ""

    # --- what is parted off -----------------------------------------------------------------------

    def off(self) -> dict[str, Any]:
        """Return the poles that are parted off, or why none is."""
        fed = self.still_fed
        poles = [] if fed else poles_on(self.network, self.nodes)
        shut = [name for name in self.missing if not self._recorded_open(name)]
        if fed:
            text = (
                f"Nothing is parted off: by the data the source of {', '.join(fed)} still feeds it."
            )
        elif shut:
            text = (
                f"By the data {len(poles)} poles are parted off once {', '.join(shut)}, which the "
                "job does not state, is open too."
            )
        else:
            text = f"By the data {len(poles)} poles are parted off by the openings the job states."
        return {
            "text": text,
            "count": len(poles),
            "pole_ids": poles,
            "once_open": shut,
            "still_fed": fed,
        }

    def equipment_rows(self) -> list[int]:
        """Return the rows of the equipment on the part, and of what may be: at a pole of it."""
        equipment, fixed = self.scene.territory.layer("equipment"), self.network.fixed
        if equipment is None or not len(equipment):
            return []
        node = fixed.equipment_node
        poles = self.scene.territory.poles.ids[np.unique(self.network.node_pole[self.inside])]
        nowhere = (node < 0) & np.isin(equipment["pole_id"].astype(str), poles.astype(str))
        rows: list[int] = np.flatnonzero(((node >= 0) & self.inside[node]) | nowhere).tolist()
        return rows


def _still_asked(scene: Scene, point: OpenPoint) -> list[str]:
    """Return the devices of an open point that the stated ones leave to be opened.

    None where those stated at the same end, or open at the other end of the span, part all of its
    phases already.
    """
    devices, fixed = scene.territory.layers["devices"], scene.network.fixed
    stated = set(scene.job.sources_opened or ())
    left = int(scene.network.phases[point.span]) or ANY_PHASE
    other = (scene.network.other_end(point.span, point.pole), point.span)
    away = [row for row in point.devices if devices.ids[row] in stated]
    away += [
        row
        for row in fixed.devices_by_end.get(other, ())
        if devices.ids[row] in stated or fixed.device_open[row]
    ]
    for row in away:
        left &= ~int(fixed.device_phases[row])
    return [
        str(devices.ids[row])
        for row in point.devices
        if row not in away and left & int(fixed.device_phases[row])
    ]


def _opened(scene: Scene, names: set[str], ends: Sequence[SpanEnd]) -> tuple[Network, list[int]]:
    """Return the network with some devices open, and the nodes of the bonded conductors."""
    network = Network.build(scene.territory, opened=names)
    return network, nodes_at_ends(network, ends, DeviceStates(opened=frozenset(names)))


def _several(words: Any) -> str | None:  # noqa: ANN401  any iterable of words
    """Return words, each once; None where there is none."""
    return ", ".join(dict.fromkeys(words)) or None
