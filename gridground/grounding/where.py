"""Where the grounds go: bracket poles for every way out, the worksite, and each one's electrode."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gridground.errors import Reason
from gridground.grounding.bonds import full_set, personal_set
from gridground.grounding.brackets import (
    cable_items,
    find_brackets,
    inner_spans,
    passed_poles,
    unbracketed,
)
from gridground.grounding.cuts import cut_mid_span, worksite_top
from gridground.grounding.poletop import mid_span_top, read_pole_top
from gridground.record import OpenItem

if TYPE_CHECKING:
    from gridground.ground import RodPlace
    from gridground.grounding.brackets import Bracket, Ground
    from gridground.grounding.poletop import PoleTop
    from gridground.job import Job
    from gridground.record import Direction, LeadEdge
    from gridground.territory.ways import Zone


@dataclass(frozen=True)
class Spot:
    """One location: conductors, electrode and leads."""

    role: str  # "bracket" or "worksite"
    title: str
    top: PoleTop
    electrode: str | None  # "rod" "pole ground" "pole"
    rod: RodPlace | None
    edges: tuple[LeadEdge, ...]


@dataclass(frozen=True)
class Placement:
    """The grounds of one method.

    Attributes
    ----------
    method : str
        ``"dual-point"``, ``"single-point"`` or ``"one bracket and personal ground"``.
    spots : tuple of Spot
        Brackets first, source side first, then the worksite.
    directions : tuple of Direction
        Every way out.
    open_items : tuple of OpenItem
        What this placement leaves open.
    infeasible : tuple of Reason
        Why no such plan can be drawn; empty where it can.
    remarks : tuple of str
        What the placement weighed, for the choice of method.
    inner_spans, inner_poles : frozenset of int
        Rows of the worked spans between the grounds, and of the poles inside the brackets.
    """

    method: str
    spots: tuple[Spot, ...]
    directions: tuple[Direction, ...]
    open_items: tuple[OpenItem, ...] = ()
    infeasible: tuple[Reason, ...] = ()
    remarks: tuple[str, ...] = ()
    inner_spans: frozenset[int] = frozenset()
    inner_poles: frozenset[int] = frozenset()


def place_dual(zone: Zone, job: Job, ground: Ground) -> Placement:
    """Place a bracket on every way out and a personal ground on each worksite pole."""
    brackets, directions, items, reasons = find_brackets(zone, job, ground)
    overhead_ways = {bracket.pole for bracket in brackets}
    name = "dual-point" if len(overhead_ways) > 1 else "one bracket and personal ground"
    if not brackets and not reasons:
        reasons.append(
            Reason("no_bracket", (), "no way out can carry a bracket ground.", "Use single-point.")
        )
    if reasons:
        return Placement(name, (), tuple(directions), tuple(items), tuple(reasons))
    spots = _bracket_spots(zone, job, ground, brackets)
    inside = frozenset(zone.poles) | passed_poles(zone, brackets)
    spans = inner_spans(zone, brackets)
    sources = ground.between(inside, spans)
    worksite = _worksite_spots(zone, job, sources)
    remarks = tuple(f"a source can get in between the brackets: {source}" for source in sources)
    everything = (*spots, *(spot for spot, _ in worksite))
    items += [item for _, cut_items in worksite for item in cut_items]
    return Placement(name, everything, tuple(directions), tuple(items), (), remarks, spans, inside)


def place_single(zone: Zone, job: Job, ground: Ground) -> Placement:
    """Place the whole set at every worksite pole."""
    directions = tuple(unbracketed((*zone.ways, *zone.ties_at(zone.poles)), zone))
    if zone.span is not None:
        reason = Reason(
            "mid_span",
            (zone.span_id(zone.span),),
            "in mid-span there is no pole to carry the whole set.",
            "Use brackets at both ends of the span.",
        )
        return Placement("single-point", (), directions, (), (reason,))
    spots, items, reasons = [], [], []
    for pole in zone.worksite:
        top, cut_items = worksite_top(zone, job, pole)
        items += cut_items
        found = _electrode(ground, top)
        if isinstance(found, Reason):
            reasons.append(found)
            continue
        electrode, rod = found
        edges = tuple(full_set(top, electrode, ground.small(top), job.limits))
        spots.append(
            Spot("worksite", f"Whole set at worksite {top.pole_id}", top, electrode, rod, edges)
        )
    done = () if reasons else tuple(spots)
    items += [
        item for way in zone.ways if way.towards == "cable" for item in cable_items(zone, job, way)
    ]
    return Placement(
        "single-point",
        done,
        directions,
        tuple(items),
        tuple(reasons),
        inner_spans=inner_spans(zone, []) | {way.span for way in zone.ways},
        inner_poles=frozenset(zone.poles),
    )


def _electrode(ground: Ground, top: PoleTop) -> tuple[str, RodPlace | None] | Reason:
    """Return what a pole's set is earthed by: steel footing, rod, else the pole's own ground."""
    if top.material == "steel":
        return "pole", None
    rod = ground.rod(str(top.pole_id))
    if not isinstance(rod, Reason):
        return "rod", rod
    if top.ground_ohm is not None and top.neutral is not None:
        return "pole ground", None
    return rod


def _bracket_spots(zone: Zone, job: Job, ground: Ground, brackets: list[Bracket]) -> list[Spot]:
    """Return one spot per bracket pole, the source side first."""
    towards: dict[int, str] = {}
    for way in zone.ways:
        for bracket in brackets:
            if bracket.passed[0] == way.span and (zone.span is None or bracket.pole == way.pole):
                towards.setdefault(bracket.pole, way.towards)
    rank = {"source": 0, "tie": 1, "lateral": 3, "load": 2}
    order = sorted(
        {b.pole for b in brackets},
        key=lambda pole: (rank.get(towards[pole], 4), zone.pole_id(pole)),
    )
    spots = []
    for pole in order:
        here = [b for b in brackets if b.pole == pole]
        spans = sorted({b.span for b in here})
        top = read_pole_top(
            zone.network, pole, spans, split=False, worked=zone.worked_spans_at(pole)
        )
        top = replace(top, several=len(zone.circuit_ids) > 1)
        edges = tuple(full_set(top, here[0].electrode, ground.small(top), job.limits))
        title = f"Bracket at {top.pole_id}, {towards[pole]} side"
        spots.append(Spot("bracket", title, top, here[0].electrode, here[0].rod, edges))
    return spots


def _worksite_spots(
    zone: Zone, job: Job, sources: tuple[str, ...]
) -> list[tuple[Spot, list[OpenItem]]]:
    """Return the worksite's spots: a personal ground, or the full set where a source can get in."""
    if zone.span is not None:
        top, items = cut_mid_span(zone, job, mid_span_top(zone.network, zone.spans))
        tops = [(top, items)]
    else:
        tops = [worksite_top(zone, job, pole) for pole in zone.worksite]
    spots = []
    for top, items in tops:
        if sources:
            edges = full_set(top, None, frozenset(), job.limits)
            what = "Full worksite set"
        else:
            edges = personal_set(top, job.limits)
            what = "Personal ground"
        title = f"{what} at worksite {top.pole_id or 'span ' + str(top.span_id)}"
        electrode = "pole" if top.material == "steel" else None
        spots.append((Spot("worksite", title, top, electrode, None, tuple(edges)), items))
    return spots
