"""What the states of devices do not change: nodes, spans by pole, devices by span, sections.

Worked out once per territory and shared by the networks of all states.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from gridground.territory.nodes import Nodes, join_ties, loose_ends, rows_of_ids
from gridground.territory.sections import Groups, Sections

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from gridground.territory.layers import Layer, Territory
    from gridground.territory.sections import Labels

    Rows = NDArray[np.intp]

PHASE_BITS = {"A": 1, "B": 2, "C": 4}
ANY_PHASE = 7
# In place of phases: every span joins, whatever it carries and whatever its devices' state.
ANY_STATE = 0
_MASK_OF: dict[str | None, int] = {None: 0}


def phase_mask(phases: str | None) -> int:
    """Return the bit mask of phase letters (A 1, B 2, C 4); 0 where they are unknown."""
    if phases not in _MASK_OF:
        _MASK_OF[phases] = sum(PHASE_BITS[letter] for letter in phases or "")
    return _MASK_OF[phases]


def phase_letters(mask: int) -> str:
    """Return the letters of a bit mask in alphabetical order."""
    return "".join(letter for letter, bit in PHASE_BITS.items() if mask & bit)


@dataclass(frozen=True)
class Fixed:
    """Connection of a territory apart from the states of devices; rows are those of the layers.

    Attributes
    ----------
    pole_row, span_from, span_to, phases, node_from, node_to, node_pole, node_circuit
        As in `Network`.
    source_node, length_m, ties
        As in `Network`.
    span_circuit : ndarray of int, shape (n_spans,)
        Circuit row of each span.
    loose_ends : tuple of (pole row, span row)
        Where a span with a device ends at another circuit's pole and nothing says whether they are
        joined.
    device_span : ndarray of int, shape (n_devices,)
        Span row of each device.
    device_phases : ndarray of uint8, shape (n_devices,)
        Phases each device can part: all where they are not stated.
    device_open : ndarray of bool, shape (n_devices,)
        Recorded open.
    """

    territory: Territory
    pole_row: dict[str, int]
    span_from: Rows
    span_to: Rows
    span_circuit: Rows
    phases: NDArray[np.uint8]
    node_from: Rows
    node_to: Rows
    node_pole: Rows
    node_circuit: Rows
    source_node: dict[str, int]
    length_m: NDArray[np.float64]
    ties: tuple[tuple[int, int], ...]
    loose_ends: tuple[tuple[int, int], ...]
    device_span: Rows
    device_phases: NDArray[np.uint8]
    device_open: NDArray[np.bool_]

    @classmethod
    def of(cls, territory: Territory) -> Fixed:
        """Work it out for a territory."""
        spans, circuits = territory.spans, territory.circuits
        devices = territory.layer("devices")
        pole_row, circuit_row = territory.poles.index(), circuits.index()
        start = rows_of_ids(spans["from_pole"], pole_row)
        end = rows_of_ids(spans["to_pole"], pole_row)
        circuit = rows_of_ids(spans["circuit_id"], circuit_row)
        node = Nodes(start, end, circuit, rows_of_ids(circuits["source_pole"], pole_row))
        loose = loose_ends(territory, node, pole_row)
        ties = join_ties(territory, node, pole_row)
        node_from, node_to, source, pole_of, circuit_of = node.renumbered()
        none = np.zeros(0, object)
        device_span, device_phases, state = (
            (none, none, none)
            if devices is None
            else (devices["span_id"], devices["phases"], devices["state"])
        )
        return cls(
            territory=territory,
            pole_row=pole_row,
            span_from=start,
            span_to=end,
            span_circuit=circuit,
            phases=np.fromiter(map(phase_mask, spans["phases"].tolist()), np.uint8, len(spans)),
            node_from=node_from,
            node_to=node_to,
            node_pole=pole_of,
            node_circuit=circuit_of,
            source_node={str(i): int(n) for i, n in zip(circuits.ids, source, strict=True)},
            length_m=_length_m(territory),
            ties=ties,
            loose_ends=loose,
            device_span=rows_of_ids(device_span, spans.index()),
            device_phases=np.array([phase_mask(p) or ANY_PHASE for p in device_phases], np.uint8),
            device_open=np.array(state == "open", bool),
        )

    # --- rows by place ----------------------------------------------------------------------------

    @cached_property
    def at_pole(self) -> Groups:
        """The ends of spans by pole row: a number modulo the number of spans is a span row."""
        return self.territory.once("spans by pole", spans_by_pole)

    @cached_property
    def by_circuit(self) -> Groups:
        """The spans by circuit row."""
        return Groups.of(self.span_circuit, len(self.territory.circuits))

    @cached_property
    def sources(self) -> Rows:
        """The node of each circuit's source, by circuit row."""
        return np.array([self.source_node[str(c)] for c in self.territory.circuits.ids], np.intp)

    @cached_property
    def on_span(self) -> dict[int, list[int]]:
        """Device rows by span row."""
        found: dict[int, list[int]] = {}
        for device, span in enumerate(self.device_span.tolist()):
            found.setdefault(span, []).append(device)
        return found

    @cached_property
    def devices_by_end(self) -> dict[tuple[int, int], list[int]]:
        """Device rows at each (pole row, span row)."""
        devices = self.territory.layer("devices")
        found: dict[tuple[int, int], list[int]] = {}
        if devices is None:
            return found
        ends = zip(devices["pole_id"].tolist(), self.device_span.tolist(), strict=True)
        for row, (pole_id, span) in enumerate(ends):
            found.setdefault((self.pole_row[pole_id], span), []).append(row)
        return found

    @cached_property
    def open_devices(self) -> Rows:
        """Rows of the devices recorded open, by id."""
        devices = self.territory.layer("devices")
        if devices is None:
            return np.zeros(0, np.intp)
        rows = np.flatnonzero(self.device_open)
        return rows[np.argsort(devices.ids[rows].astype(str), kind="stable")]

    def circuit_rows(self, circuit_ids: Iterable[str]) -> Rows:
        """Return the rows of circuits, ascending; ids that are none are left out."""
        row = self.territory.circuits.index()
        return np.array(sorted(row[name] for name in circuit_ids if name in row), np.intp)

    def spans_of(self, circuit_ids: Iterable[str]) -> Rows:
        """Return the rows of the spans of some circuits, ascending."""
        return self.by_circuit.members(self.circuit_rows(circuit_ids))

    @cached_property
    def equipment_node(self) -> Rows:
        """Node of each piece of equipment; -1 where its circuit is not at its pole."""
        equipment = self.territory.layer("equipment")
        if equipment is None or not len(equipment):
            return np.zeros(0, np.intp)
        n_circuits = max(len(self.territory.circuits), 1)
        pole = rows_of_ids(equipment["pole_id"], self.pole_row)
        circuit = rows_of_ids(equipment["circuit_id"], self.territory.circuits.index())
        ends = np.concatenate([self.span_from, self.span_to])
        key = ends * n_circuits + np.tile(self.span_circuit, 2)
        node = np.concatenate([self.node_from, self.node_to])
        order = np.argsort(key, kind="stable")
        wanted = pole * n_circuits + circuit
        place = np.minimum(np.searchsorted(key[order], wanted), max(len(key) - 1, 0))
        return np.where(key[order][place] == wanted, node[order][place], -1)

    @cached_property
    def _equipment(self) -> Groups:
        """The equipment by section; what has no node comes first."""
        node = self.equipment_node
        sections = self.sections(ANY_PHASE)
        return Groups.of(np.where(node < 0, 0, 1 + sections.of_node[node]), sections.count + 1)

    def equipment_in(self, labels: Labels, parts: Rows) -> Rows:
        """Return the rows of equipment in some parts of a state, ascending."""
        if not len(self.equipment_node):
            return np.zeros(0, np.intp)
        return self._equipment.members(1 + self.sections(ANY_PHASE).sections_of(labels, parts))

    @cached_property
    def equipment_nowhere(self) -> Rows:
        """The rows of equipment whose circuit is not at its pole."""
        return np.flatnonzero(self.equipment_node < 0)

    # --- states -----------------------------------------------------------------------------------

    @cached_property
    def carried(self) -> NDArray[np.uint8]:
        """Phases a span may carry, shape (n_spans,): not to know them is not to know of a gap."""
        return np.where(self.phases == 0, np.uint8(ANY_PHASE), self.phases).astype(np.uint8)

    @cached_property
    def recorded(self) -> NDArray[np.uint8]:
        """Phases continuous from end to end of each span as recorded, shape (n_spans,)."""
        shut = self.carried.copy()
        away = np.where(self.device_open, self.device_phases, 0).astype(np.uint8)
        np.bitwise_and.at(shut, self.device_span, ~away)
        return shut

    def closed_phases(self, closed: set[str], opened: set[str]) -> NDArray[np.uint8]:
        """Return the continuous phases with the states of some devices overridden."""
        devices = self.territory.layer("devices")
        if devices is None or not closed | opened:
            return self.recorded
        row = devices.index()
        asked = [row[name] for name in (closed | opened) if name in row]
        shut = self.recorded.copy()
        for span in {int(self.device_span[device]) for device in asked}:
            shut[span] = self.carried[span]
            for device in self.on_span[span]:
                name = devices.ids[device]
                if name in opened or (self.device_open[device] and name not in closed):
                    shut[span] &= ~self.device_phases[device]
        return shut

    def sections(self, bits: int) -> Sections:
        """Return the sections for phases that count (bit mask), or for `ANY_STATE`."""
        if bits not in self._sections:
            with_device = np.zeros(len(self.phases), bool)
            with_device[self.device_span] = True
            carrying = np.ones(len(self.phases), bool)
            if bits != ANY_STATE:
                carrying = (self.carried & np.uint8(bits)) > 0
            self._sections[bits] = Sections(
                self.node_from, self.node_to, len(self.node_pole), (carrying, with_device)
            )
        return self._sections[bits]

    def labels(self, bits: int) -> Labels:
        """Return the parts in the recorded state; for `ANY_STATE`, through all spans."""
        if bits not in self._labels:
            sections = self.sections(bits)
            self._labels[bits] = sections.labels(shut_of(self.recorded, sections, bits))
        return self._labels[bits]

    @cached_property
    def _sections(self) -> dict[int, Sections]:
        """Sections by phases that count."""
        return {}

    @cached_property
    def _labels(self) -> dict[int, Labels]:
        """Parts in the recorded state, by phases that count."""
        return {}


def spans_by_pole(territory: Territory) -> Groups:
    """Group the ends of spans by pole row: first every `from_pole`, then every `to_pole`."""
    row, spans = territory.poles.index(), territory.spans
    ends = [rows_of_ids(spans[end], row) for end in ("from_pole", "to_pole")]
    return Groups.of(np.concatenate(ends), len(row))


def shut_of(closed: NDArray[np.uint8], sections: Sections, bits: int) -> NDArray[np.bool_]:
    """Say which of the spans with devices join their sections in a state."""
    if bits == ANY_STATE:
        return np.ones(len(sections.devices), bool)
    return np.asarray((closed[sections.devices] & np.uint8(bits)) > 0)


def geodesic_length_m(layer: Layer) -> NDArray[np.float64]:
    """Return the drawn length of each line of a layer on the WGS 84 ellipsoid [m]."""
    import shapely  # noqa: PLC0415
    from pyproj import Geod  # noqa: PLC0415

    length = np.zeros(len(layer))
    lines = np.array([g is not None for g in layer.geometry], bool)
    points, owner = shapely.get_coordinates(layer.geometry[lines], return_index=True)
    if len(points) == 0:
        return length
    _, _, step = Geod(ellps="WGS84").inv(
        points[:-1, 0], points[:-1, 1], points[1:, 0], points[1:, 1]
    )
    same = owner[1:] == owner[:-1]
    total = np.bincount(owner[1:][same], weights=np.asarray(step)[same], minlength=lines.sum())
    length[lines] = total
    return length


def _length_m(territory: Territory) -> NDArray[np.float64]:
    """Return recorded lengths where stated, else drawn ones."""
    recorded = np.asarray(territory.spans["length_m"], float)
    drawn = np.isnan(recorded)
    length = recorded.copy()
    if drawn.any():
        length[drawn] = geodesic_length_m(territory.spans)[drawn]
    return length
