"""Finding the nodes of places: conductors within reach, fittings, electrodes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import BITS, LABELS, NEUTRAL, has_neutral
from gridground.electrical.ladder import EARTH, CoupledBranches
from gridground.electrical.places import (
    ELECTRODES,
    FITTINGS,
    STATES,
    Conductor,
    Electrode,
    Located,
    network_nodes_of,
    pole_pair,
)
from gridground.errors import NetworkError

if TYPE_CHECKING:
    from gridground.electrical.ends import Ends
    from gridground.electrical.places import Place
    from gridground.electrical.runs import Runs


class Locator:
    """Finds the nodes of places; hands out numbers for rods, bars and poles."""

    def __init__(self, ends: Ends, runs: Runs, worked_several: bool) -> None:
        self.ends, self.runs, self.network = ends, runs, ends.network
        self.several = worked_several
        self.n_nodes = runs.n_nodes

    def locate(self, place: Place) -> Located:
        """Give the ends of a place's leads their nodes.

        Raises
        ------
        NetworkError
            For an end that is not there: a phase the pole does not carry, a split phase named
            without its side, an electrode of unknown resistance.
        """
        nodes = network_nodes_of(self.network, place)
        conductors = self._conductors(place, nodes)
        fittings: dict[str, int] = {}
        electrodes = self._electrodes(place, nodes, fittings)
        for name in FITTINGS:
            if name in place.ends and name not in fittings:
                fittings[name] = self._fresh()
        known = {c.name: c.node for c in conductors} | fittings
        for end in place.ends - known.keys():
            known[end] = self._by_text(place, nodes, end)
        if any(b.impedance_ohm(state).real <= 0 for b in place.branches for state in STATES):
            raise NetworkError(f"a lead at {place.name} has no resistance")
        leads = CoupledBranches.single(
            [known[b.start] for b in place.branches],
            [known[b.end] for b in place.branches],
            [complex(b.resistance_ohm, b.reactance_ohm) for b in place.branches],
        )
        foot = self._foot(place, nodes, fittings)
        return Located(place, fittings, conductors, electrodes, nodes, leads, foot)

    def _foot(
        self, place: Place, nodes: tuple[int, ...], fittings: dict[str, int]
    ) -> tuple[int, ...]:
        """Return what a person on the ground can touch at the foot of the pole."""
        if place.pole_id is None:
            return ()
        found = [fittings[name] for name in ("bar", "pole", "pole ground") if name in fittings]
        row = self.network.pole_row[place.pole_id]
        if np.isfinite(float(self.network.territory.poles["ground_ohm"][row])):
            with_neutral = [n for n in nodes if self._carries_neutral(n)]
            found += [number for n in with_neutral for _, number in self.ends.sides(n, NEUTRAL)]
        return tuple(dict.fromkeys(node for node in found if node != EARTH))

    def _fresh(self) -> int:
        """Return an unused node number."""
        self.n_nodes += 1
        return self.n_nodes - 1

    def _electrodes(
        self, place: Place, nodes: tuple[int, ...], fittings: dict[str, int]
    ) -> tuple[Electrode, ...]:
        """Return what ties a place to earth, and number its nodes."""
        ground = np.nan
        if place.pole_id is not None:
            row = self.network.pole_row[place.pole_id]
            ground = float(self.network.territory.poles["ground_ohm"][row])
        neutral = next((n for n in nodes if self._carries_neutral(n)), None)
        found: list[Electrode] = []
        for name in (n for n in ELECTRODES if n in place.ends):
            if name == "pole ground" and neutral is not None and np.isfinite(ground):
                fittings[name] = self.ends.at(neutral, NEUTRAL)
                found.append(Electrode(fittings[name], ground, held=True))
                continue
            # what the plan gives is the first electrode's; a second one is known from the data only
            ohm = ground if found else place.electrode_ohm
            fittings[name] = self._fresh()
            if ohm is None:
                where = f"{name} at {place.name}"
                raise NetworkError(f"the resistance to earth of the {where} is unknown")
            if np.isfinite(ohm):
                found.append(Electrode(fittings[name], float(ohm), held=False))
        return tuple(found)

    def _carries_neutral(self, network_node: int) -> bool:
        """Say whether any span at a network node has a neutral."""
        network = self.network
        here = (network.node_from == network_node) | (network.node_to == network_node)
        return bool(has_neutral(network.territory)[here].any())

    def _conductors(self, place: Place, nodes: tuple[int, ...]) -> tuple[Conductor, ...]:
        """Return every conductor within reach, named as the leads of this place name it."""
        if place.pole_id is None:
            return self._mid_span(place)
        found: list[Conductor] = []
        spoken = {end for end in place.ends if end.endswith("neutral")}
        for circuit_id, node in zip(place.circuit_ids, nodes, strict=True):
            prefix = f"{circuit_id}:" if self.several else ""
            for label in self._labels(circuit_id, node):
                for side, number in self.ends.sides(node, label):
                    text = prefix + LABELS[label]
                    if label == NEUTRAL and text not in spoken:
                        text = LABELS[NEUTRAL]
                    if (node, label) in self.ends.split:
                        named = (s for s in side if f"{text}@{s}" in place.ends)
                        text += "@" + next(named, side[0] if side else place.name)
                    if label != NEUTRAL or number not in {c.node for c in found}:
                        found.append(Conductor(text, label, number))
        return tuple(found)

    def _labels(self, circuit_id: str, node: int) -> list[int]:
        """Return the labels a circuit carries at a node."""
        network = self.network
        own = network.territory.spans["circuit_id"] == circuit_id
        here = ((network.node_from == node) | (network.node_to == node)) & own
        mask = np.bitwise_or.reduce(network.phases[here])
        labels = [k for k in range(NEUTRAL) if mask & BITS[k]]
        return labels + ([NEUTRAL] if has_neutral(network.territory)[here].any() else [])

    def _mid_span(self, place: Place) -> tuple[Conductor, ...]:
        """Return the conductors at half a span, those of other worked circuits beside it too."""
        network, spans = self.network, self.network.territory.spans
        pair = {*pole_pair(network, network.span_row[str(place.span_id)])}
        found = []
        for (row, label), node in sorted(self.runs.middle.items()):
            circuit_id = str(spans["circuit_id"][row])
            if {*pole_pair(network, row)} != pair:
                continue
            if circuit_id in place.circuit_ids or label == NEUTRAL:
                shown = self.several and circuit_id in place.circuit_ids
                text = (f"{circuit_id}:" if shown else "") + LABELS[label]
                other = self.runs.beyond.get((row, label))
                if other is None:
                    found.append(Conductor(text, label, node))
                    continue
                ids = network.territory.poles.ids
                low, high = (f"{text}@{ids[pole]}" for pole in pole_pair(network, row))
                found += [Conductor(low, label, node), Conductor(high, label, other)]
        return tuple(found)

    def _by_text(self, place: Place, nodes: tuple[int, ...], end: str) -> int:
        """Return the node of an end that names a circuit or a side the place does not list."""
        rest, candidates = end, list(zip(place.circuit_ids, nodes, strict=False))
        for circuit_id, node in candidates:
            if end.startswith(circuit_id + ":"):
                rest, candidates = end[len(circuit_id) + 1 :], [(circuit_id, node)]
        text, _, side = rest.partition("@")
        if text in LABELS and place.pole_id is not None:
            label = LABELS.index(text)
            for circuit_id, node in candidates:
                if label not in self._labels(circuit_id, node):
                    continue
                if side in self.network.span_row:
                    return self.ends.of_span(side, node, label)
                if not side and (node, label) not in self.ends.split:
                    return self.ends.at(node, label)
        if text == "neutral" and place.pole_id is None:
            return next(n for (_, label), n in self.runs.middle.items() if label == NEUTRAL)
        raise NetworkError(f"a lead at {place.name} ends on {end!r}, which is not there")
