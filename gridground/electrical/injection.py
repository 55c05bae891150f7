"""Energy that comes in other than from the source of a worked circuit: what to let in, and where.

Another circuit on the same poles, or crossing, falls on the worked one; equipment on the dead part
feeds back; a crossing or neighbouring line falls. Each becomes an origin of the worker study. What
could come in and states no fault current cannot be solved: it is returned by name, with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from gridground.electrical.ends import LABELS, NEUTRAL
from gridground.electrical.energizing import Injection, Kind, Origin
from gridground.electrical.origins import closed_parts, held_off
from gridground.electrical.places import network_nodes_of
from gridground.electrical.source import equipment_source, falling_line_source, source_of
from gridground.electrical.whereabouts import Between, Whereabouts
from gridground.errors import NoPlanError
from gridground.territory.isolation import DeviceStates, nodes_at_ends
from gridground.territory.network import Network

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gridground.electrical.places import Layout
    from gridground.electrical.source import Source
    from gridground.territory.layers import Layer

# Equipment that can drive the line: what stands behind it may be energized from elsewhere.
FEEDING_KINDS = ("generator", "service", "transformer", "riser")
# How far beside a span a line still counts as coming over it: a conductor swings and falls
# sideways. Our judgement.
FALLING_REACH_M = 15.0
# Fault figures of equipment: with one of them stated the others are asked for.
EQUIPMENT_FIGURES = ("fault_3ph_a", "x_over_r_3ph", "fault_1ph_a", "x_over_r_1ph")
_ABOUT_M = 1000.0  # whose bounding box comes this near is looked at


@dataclass(frozen=True)
class Unsolved:
    """Something that can energize the line and is not an event, because a figure is missing.

    Attributes
    ----------
    name : str
        Id of the equipment, circuit or line.
    kind : str
        As `Origin.kind`.
    where : tuple of str
        Its pole, or the places it is near.
    why : str
        Which figure is missing.
    """

    name: str
    kind: Kind
    where: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Injections:
    """Origins of this kind, what could not be solved, and what was assumed."""

    origins: tuple[Origin, ...]
    unsolved: tuple[Unsolved, ...]
    notes: tuple[str, ...]


def find_injections(
    network: Network,
    layout: Layout,
    *,
    between: Between,
    opened: Iterable[str],
    isolated: Iterable[str],
) -> Injections:
    """Find everything but the worked circuits' own sources that can energize the line.

    Parameters
    ----------
    network : Network
        With the recorded states of devices.
    layout : Layout
        Places with grounds.
    between : Between
        Spans and poles between them.
    opened : iterable of str
        Devices opened for the job. Equipment feeds back while they are open: what it cannot reach
        then is no event. A neighbour that one of them holds off is none either.
    isolated : iterable of str
        Equipment isolated for the job.

    Returns
    -------
    Injections
        Other circuits by id, equipment by id, lines by id. Equipment counts whether or not the job
        calls it isolated: that it is energized after all is the mistake looked at.

    Notes
    -----
    Other circuits: those with an overhead span at a ground or worksite pole or between the
    grounds, and those of which a span comes within 15 m, in plan, of a worked span between or next
    to the grounds. They touch at a worksite if they hang there too, else at the nearest place with
    grounds. Lines: every line not known to be dead within the same reach; each at the nearest
    place.
    """
    finder = _Finder(network, layout, between, (frozenset(opened), frozenset(isolated)))
    origins: list[Origin] = []
    unsolved: list[Unsolved] = []
    notes: list[str] = []
    for found in (finder.circuits(), finder.equipment(set(finder.opened)), finder.lines()):
        origins += found.origins
        unsolved += found.unsolved
        notes += found.notes
    return Injections(tuple(origins), tuple(unsolved), tuple(notes))


# (circuit id, part of the network) -> (node of the conductors that touch, place)
Contacts = dict[tuple[str, int], tuple[int, int]]


class _Finder(Whereabouts):
    """Looks round the places of a layout."""

    def __init__(
        self,
        network: Network,
        layout: Layout,
        between: Between,
        stated: tuple[frozenset[str], frozenset[str]],
    ) -> None:
        super().__init__(network, layout, between)
        self.opened, self.isolated = stated

    # --- other circuits -------------------------------------------------------------------------

    def circuits(self) -> Injections:
        """Other circuits that can fall on the worked ones."""
        contacts: Contacts = {}
        for place in self.order:
            for pole in sorted(self.poles_of(place)):
                self._hung(pole, place, contacts)
        for pole in sorted(self.between.poles):
            point = self.frame.to_xy(self.territory.poles.geometry[pole])
            self._hung(pole, self.nearest(point), contacts)
        self._beside(contacts)
        origins, unsolved = [], []
        for (circuit_id, part), (via, place) in sorted(contacts.items()):
            for feeding, network in self._feeding_circuits(via):
                row = self.territory.circuits.index()[feeding]
                where = (self.layout.places[place].name,)
                try:
                    source = source_of(self.territory, row)
                except NoPlanError as error:
                    why = " ".join(reason.what for reason in error.reasons)
                    unsolved.append(Unsolved(feeding, "other circuit falls on", where, why))
                    continue
                start = self.network.source_node[feeding]
                injection = Injection(source, (0, 1, 2), start, via, place)
                origin = self._origin((feeding, circuit_id), injection, place)
                origins.append(replace(origin, network=network))
            for name in self._generators(part):
                why = f"It feeds {circuit_id}; what that would do is not worked out."
                where = (self.layout.places[place].name,)
                unsolved.append(Unsolved(name, "other circuit falls on", where, why))
        return Injections(tuple(origins), tuple(unsolved), ())

    def _feeding_circuits(self, via: int) -> list[tuple[str, Network]]:
        """Return the circuits whose source reaches a node, and in which state of devices.

        As things stand; where none does, with the open devices closed that are not tagged for the
        job: whoever they belong to may close them.
        """
        if feeding := self.network.feeding([via]):
            return [(circuit, self.network) for circuit in feeding]
        return [
            (circuit, Network.build(self.territory, closed=devices))
            for circuit, devices in held_off(self.network, [via], held=self.opened)
        ]

    def _generators(self, part: int) -> list[str]:
        """Return the generators on a part of a neighbour that the job does not isolate."""
        table = self.territory.layer("equipment")
        if table is None:
            return []
        rows = self.network.fixed.equipment_in(self.network.labels(), np.array([part]))
        return sorted(
            str(table.ids[row])
            for row in rows.tolist()
            if table["kind"][row] == "generator" and table.ids[row] not in self.isolated
        )

    def other(self, span: int) -> bool:
        """Say whether a span is an overhead one of a circuit that is not worked on."""
        overhead = self.territory.spans["kind"][span] == "overhead"
        return bool(overhead) and self.circuit[span] not in self.worked

    def _hung(self, pole: int, place: int, contacts: Contacts) -> None:
        """Note the other circuits at a pole whose conductors are not the worked ones' anyway."""
        own = {
            self.network.node_at(s, pole)
            for s in self.network.spans_at(pole)
            if self.circuit[s] in self.worked
        }
        for span in self.network.spans_at(pole):
            if not self.other(span) or self.network.node_at(span, pole) in own:
                continue
            if (node := self._conductor(span, pole)) is not None:
                self._note(contacts, span, node, place)

    def _beside(self, contacts: Contacts) -> None:
        """Note the other circuits that come over a worked span between or next to the grounds."""
        spans = sorted({*self.between.spans, *self.spans_at_grounds()})
        if not spans:
            return
        geometry = self.territory.spans.geometry
        drawn = shapely.union_all(geometry[spans])
        inside = shapely.union_all(self.frame.to_xy(geometry[spans]))
        own = {self.network.node_from[s] for s in spans} | {self.network.node_to[s] for s in spans}
        rows = [*filter(self.other, self.territory.spans.about(drawn, _ABOUT_M).tolist())]
        for row in sorted(rows, key=lambda r: str(self.territory.spans.ids[r])):
            line = self.frame.to_xy(geometry[row])
            ends = (int(self.network.span_from[row]), int(self.network.span_to[row]))
            nodes = {self.network.node_at(row, pole) for pole in ends}
            if nodes & own or shapely.distance(line, inside) > FALLING_REACH_M:
                continue  # what a tie joins is closed again, not fallen on
            here = shapely.shortest_line(line, inside)
            near = min(
                ends,
                key=lambda p: shapely.distance(
                    self.frame.to_xy(self.territory.poles.geometry[p]), here
                ),
            )
            if (node := self._conductor(row, near)) is not None:
                self._note(contacts, row, node, self.nearest(here))

    def _note(self, contacts: Contacts, span: int, node: int, place: int) -> None:
        """Note the first contact of each part of a circuit."""
        part = self.network.labels()[node]
        contacts.setdefault((str(self.circuit[span]), part), (node, place))

    def _conductor(self, span: int, pole: int) -> int | None:
        """Return the node a span's conductors hang together with: at a pole, else at its other end.

        None where open devices part both ends.
        """
        found = nodes_at_ends(self.network, [(pole, span)], DeviceStates())
        here = self.network.node_at(span, pole)
        return here if here in found else next(iter(found), None)

    def _origin(self, names: tuple[str, str], injection: Injection, place: int) -> Origin:
        """Return an origin whose conductors touch at a place."""
        kind: Kind = "line falls on" if injection.node is None else "other circuit falls on"
        pole_id = self.layout.places[place].pole_id
        return Origin(*names, self.network, kind, injection, pole_id=pole_id)

    # --- equipment ------------------------------------------------------------------------------

    def equipment(self, opened: set[str]) -> Injections:
        """Equipment on the part of the network that stays connected with the grounds."""
        table = self.territory.layer("equipment")
        if table is None or len(table) == 0:
            return Injections((), (), ())
        network = Network.build(self.territory, opened=opened)
        label = closed_parts(network)
        nodes = {n for p in self.layout.places for n in network_nodes_of(network, p)}
        here = np.unique(label[np.array(sorted(nodes), np.intp)])
        origins, unsolved, notes = [], [], []
        fixed = network.fixed
        rows = [*fixed.equipment_nowhere.tolist(), *fixed.equipment_in(label, here).tolist()]
        for row in sorted(rows, key=lambda r: str(table.ids[r])):
            if table["kind"][row] not in FEEDING_KINDS:
                continue
            node = int(fixed.equipment_node[row])
            found = self._feeding(table, row, node, network)
            if isinstance(found, Unsolved):
                unsolved.append(found)
                continue
            origins.append(found)
            if found.injection is not None and len(found.injection.labels) == 2:
                notes.append(
                    f"{found.name} on two phases is taken as a source from each phase to ground"
                )
        return Injections(tuple(origins), tuple(unsolved), tuple(notes))

    def _feeding(self, table: Layer, row: int, node: int, network: Network) -> Origin | Unsolved:
        """Return the origin that one piece of equipment is, or why it is none."""
        name, pole_id = str(table.ids[row]), str(table["pole_id"][row])
        letters = table["phases"][row]
        try:
            source: Source | None = equipment_source(self.territory, row)
            why = ""
        except NoPlanError as error:
            source = None
            why = " ".join(reason.what for reason in error.reasons)
        if node < 0:
            why = f"No span of its circuit ends at pole {pole_id}."
        elif not letters:
            why = f"The phases of {name} are unknown."
        if source is None or why or not letters:
            return Unsolved(name, "equipment", (pole_id,), why)
        labels = tuple(LABELS[:NEUTRAL].index(letter) for letter in sorted(letters))
        clearing_s = float(table["clearing_s"][row])
        return Origin(
            name,
            str(table["circuit_id"][row]),
            network,
            "equipment",
            Injection(source, labels, node),
            clearing_s=clearing_s if np.isfinite(clearing_s) else None,
            pole_id=pole_id,
        )

    # --- lines ----------------------------------------------------------------------------------

    def lines(self) -> Injections:
        """Lines that cross or come over a worked span between or next to the grounds."""
        table = self.territory.layer("other_lines")
        if table is None or len(table) == 0:
            return Injections((), (), ())
        spans = {*self.between.spans, *self.spans_at_grounds()}
        if not spans:
            return Injections((), (), ())
        drawn = self.territory.spans.geometry[sorted(spans)]
        inside = shapely.union_all(self.frame.to_xy(drawn))
        rows = table.about(shapely.union_all(drawn), _ABOUT_M)
        geometry = dict(zip(rows.tolist(), self.frame.to_xy(table.geometry[rows]), strict=True))
        near = [
            row
            for row, line in geometry.items()
            if shapely.distance(line, inside) <= FALLING_REACH_M and table["state"][row] != "dead"
        ]
        origins, unsolved, notes = [], [], []
        for row in sorted(near, key=lambda r: str(table.ids[r])):
            name = str(table.ids[row])
            figures = {key: float(table[key][row]) for key in ("nominal_kv", "fault_a")}
            place = self.nearest(geometry[row])
            missing = [key for key, value in figures.items() if not np.isfinite(value)]
            if missing:
                where = (self.layout.places[place].name,)
                why = f"Unknown: {', '.join(missing)}."
                unsolved.append(Unsolved(name, "line falls on", where, why))
                continue
            injection = Injection(falling_line_source(name, **figures), (0,), None, None, place)
            circuit_id = self.layout.places[place].circuit_ids[0]
            origin = self._origin((name, circuit_id), injection, place)
            origins.append(_with_time(origin, table, int(row)))
            notes.append(
                f"line {name} falling: its fault current as a pure reactance, its neutral at earth "
                "potential; errs to the high current"
            )
        return Injections(tuple(origins), tuple(unsolved), tuple(notes))


def _with_time(origin: Origin, table: Layer, row: int) -> Origin:
    """Return the origin with the clearing time its line states."""
    clearing_s = float(table["clearing_s"][row]) if "clearing_s" in table.columns else np.nan
    return replace(origin, clearing_s=clearing_s) if np.isfinite(clearing_s) else origin
