"""The leads of one location as edges between two ends."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

from gridground.record import LeadEdge

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from gridground.grounding.poletop import CircuitTop, Hang, PoleTop
    from gridground.job import Limits
    from gridground.record import Role

LEAST_BAR_HEIGHT_M = 2.0
_SAME_M = 0.001


def bar_height_m(top: PoleTop, limits: Limits) -> float:
    """Return the height of the cluster bar: below the worker's feet, below the neutral [m]."""
    return max(top.lowest_m - limits.bar_below_m, LEAST_BAR_HEIGHT_M)


def base_of(top: PoleTop) -> str:
    """Return what the leads start from: the cluster bar, or the clean stud of a steel pole."""
    return "pole" if top.material == "steel" else "bar"


def phase_chain(circuit: CircuitTop, near: Hang | None, bar_y_m: float) -> list[str]:
    """Return the phases in bonding order.

    Sideways from one outer phase to the other (upright where they hang above each other),
    beginning with the outer phase nearest the neutral, or nearest the bar without one.

    Parameters
    ----------
    circuit : CircuitTop
        The conductors.
    near : Hang or None
        The neutral.
    bar_y_m : float
        Height of the bar on the pole axis [m].
    """
    hangs = circuit.phases
    letters = sorted(hangs)
    across = sorted(letters, key=lambda letter: (hangs[letter].x_m, hangs[letter].y_m))
    xs = [hangs[letter].x_m for letter in across]
    if any(right - left < _SAME_M for left, right in itertools.pairwise(xs)):
        across = sorted(letters, key=lambda letter: (hangs[letter].y_m, hangs[letter].x_m))
    origin = (near.x_m, near.y_m) if near is not None else (0.0, bar_y_m)
    first, last = (_distance_m(hangs[end], origin) for end in (across[0], across[-1]))
    backwards = last < first - _SAME_M or (abs(last - first) <= _SAME_M and across[-1] < across[0])
    return across[::-1] if backwards else across


def nearest_phase(circuit: CircuitTop, letters: list[str], bar_y_m: float) -> str:
    """Return the phase nearest the bar; of two as near, the first letter."""
    origin = (0.0, bar_y_m)
    return min(
        sorted(letters),
        key=lambda letter: round(_distance_m(circuit.phases[letter], origin) / _SAME_M),
    )


def full_set(
    top: PoleTop, electrode: str | None, small: frozenset[str], limits: Limits
) -> list[LeadEdge]:
    """Return the whole set: electrode, bar, neutral and all phases of every side.

    Parameters
    ----------
    top : PoleTop
        Conductors of the location.
    electrode : "rod", "pole ground", "pole" or None
        What the bar is earthed by; None for the full set at a bracketed worksite.
    small : frozenset of str
        Circuits whose neutral cannot carry the fault current: their phases go to the bar.
    limits : Limits
        For the height of the bar.

    Returns
    -------
    list of LeadEdge
        In the order of applying.
    """
    base, prefix = base_of(top), _prefixer(top)
    edges = []
    needs_lead = electrode == "pole ground" and (top.neutral is None or bool(small))
    if electrode == "rod" or needs_lead:
        edges.append(_edge(top, str(electrode), base, "electrode"))
    shared = top.neutral
    shared_end = next((prefix(c) + "neutral" for c in top.circuits if c.neutral), base)
    for circuit in top.circuits:
        start = base
        if circuit.neutral is not None:
            end = prefix(circuit) + _side("neutral", circuit.cuts.get("neutral"))
            edges.append(_edge(top, base, end, "fault"))
            start = end
        elif circuit.shares_neutral:
            start = shared_end
        if circuit.circuit_id in small:
            start = base
        near = circuit.neutral or (shared if circuit.shares_neutral else None)
        chain = phase_chain(circuit, near, bar_height_m(top, limits))
        edges += _chains(top, circuit, start, chain)
    return edges + bypasses(top)


def _chains(top: PoleTop, circuit: CircuitTop, start: str, chain: list[str]) -> list[LeadEdge]:
    """Return start-phase, phase-phase leads of every side."""
    prefix = _prefixer(top)(circuit)
    edges = []
    for section in _sections(circuit):
        ends = [start]
        ends += [prefix + _side(p, circuit.cuts.get(p), section[p]) for p in chain if p in section]
        edges += [_edge(top, one, other, "fault") for one, other in itertools.pairwise(ends)]
    return edges


def personal_set(top: PoleTop, limits: Limits) -> list[LeadEdge]:
    """Return one lead from bar to nearest phase for every separate conductor section."""
    base, prefix, height = base_of(top), _prefixer(top), bar_height_m(top, limits)
    if top.pole_id is None:
        height = top.lowest_m
    edges = []
    for circuit in top.circuits:
        for section in _sections(circuit):
            letter = nearest_phase(circuit, list(section), height)
            end = prefix(circuit) + _side(letter, circuit.cuts.get(letter), section[letter])
            edges.append(_edge(top, base, end, "personal"))
    return edges + bypasses(top)


def bypasses(top: PoleTop) -> list[LeadEdge]:
    """Return one lead across each cut."""
    prefix = _prefixer(top)
    return [
        _edge(
            top,
            f"{prefix(circuit)}{letter}@{cut[0]}",
            f"{prefix(circuit)}{letter}@{cut[1]}",
            "bypass",
        )
        for circuit in top.circuits
        for letter, cut in sorted(circuit.cuts.items())
    ]


def end_hang(end: str, top: PoleTop) -> Hang | None:
    """Return the conductor an end lands on; None for bar, rod, pole and pole ground."""
    circuit, name, _ = _split_end(end, top)
    if name == "neutral":
        return circuit.neutral if circuit.neutral is not None else top.neutral
    return circuit.phases.get(name)


def end_side(end: str, top: PoleTop) -> str:
    """Return the side of the pole an end lies on, empty where the conductor runs through."""
    return _split_end(end, top)[2]


def end_text(end: str, top: PoleTop) -> str:
    """Return an end as a crew reads it: the side of a pole by the next pole, ``A toward P13``.

    Parameters
    ----------
    end : str
        As in the lead table, ``A@S12`` where the pole has sides.
    top : PoleTop
        The pole.
    """
    side = end_side(end, top)
    return f"{end.removesuffix(side)[:-1]} toward {top.toward.get(side, side)}" if side else end


def ends_told(edge: LeadEdge, tops: Iterable[PoleTop]) -> tuple[str, str]:
    """Return both ends of a lead as a crew reads them.

    Parameters
    ----------
    edge : LeadEdge
        The lead.
    tops : iterable of PoleTop
        Of the locations, its own among them.
    """
    top = next((top for top in tops if top.pole_id == edge.pole_id is not None), None)
    if top is None:
        return edge.start, edge.end
    return end_text(edge.start, top), end_text(edge.end, top)


def _split_end(end: str, top: PoleTop) -> tuple[CircuitTop, str, str]:
    """Return the circuit, the bare name and the side of an end."""
    for circuit in top.circuits:
        mark = f"{circuit.circuit_id}:"
        if (top.several or len(top.circuits) > 1) and end.startswith(mark):
            name, _, side = end[len(mark) :].partition("@")
            return circuit, name, side
    name, _, side = end.partition("@")
    return top.circuits[0], name, side


def _distance_m(hang: Hang, origin: tuple[float, float]) -> float:
    """Return the distance of a conductor from a point of the pole's cross-section [m]."""
    return math.dist((hang.x_m, hang.y_m), origin)


def _sections(circuit: CircuitTop) -> list[dict[str, str]]:
    """Return the separate conductor sections of a circuit: phase -> name of its side.

    Where only some phases are split, the first side of a split phase belongs to the section of
    the phases that run through.
    """
    main = {phase: names[0] for phase, names in circuit.sides.items()}
    rest = {name for names in circuit.sides.values() for name in names}
    if "" in rest:
        rest -= set(main.values())
        sections = [main]
    else:
        sections = []
    sections += [
        {phase: name for phase, names in circuit.sides.items() if name in names}
        for name in sorted(rest)
    ]
    return sections


def _side(name: str, cut: tuple[str, str] | None, side: str = "") -> str:
    """Write an end with the side it is on; a cut conductor is bonded on its first side."""
    if cut is not None:
        return f"{name}@{cut[0]}"
    return f"{name}@{side}" if side else name


def _prefixer(top: PoleTop) -> Callable[[CircuitTop], str]:
    """Return how a circuit's ends are prefixed: only where more than one is worked."""
    many = top.several or len(top.circuits) > 1
    return lambda circuit: f"{circuit.circuit_id}:" if many else ""


def _edge(top: PoleTop, start: str, end: str, role: Role) -> LeadEdge:
    """Return a lead at this location."""
    return LeadEdge(top.pole_id, top.span_id, start, end, role)
