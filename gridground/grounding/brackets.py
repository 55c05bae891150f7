"""Bracket poles: the first pole that can carry a bracket ground on every way out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from gridground.errors import Reason
from gridground.grounding.poletop import read_pole_top
from gridground.record import Direction, OpenItem
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from gridground.ground import RodPlace
    from gridground.grounding.poletop import PoleTop
    from gridground.job import Job
    from gridground.territory.ways import Way, Zone


@dataclass
class Ground:
    """How electrodes are found and neutrals judged; answers are kept for both methods.

    Attributes
    ----------
    find_rod : callable
        Pole id -> RodPlace, or the Reason why no lawful place exists.
    small : callable
        PoleTop -> circuits whose neutral cannot carry the fault current there.
    between : tuple of str
        Sources that can get in between the brackets, given the poles and spans inside.
    """

    find_rod: Callable[[str], RodPlace | Reason]
    small: Callable[[PoleTop], frozenset[str]]
    between: Callable[[frozenset[int], frozenset[int]], tuple[str, ...]]
    rods: dict[str, RodPlace | Reason] = field(default_factory=dict)

    def rod(self, pole_id: str) -> RodPlace | Reason:
        """Return the rod place of a pole, searched once."""
        if pole_id not in self.rods:
            self.rods[pole_id] = self.find_rod(pole_id)
        return self.rods[pole_id]


@dataclass(frozen=True)
class Bracket:
    """A pole found for a way out, the spans passed to reach it, and its last span."""

    pole: int
    span: int
    passed: tuple[int, ...]  # spans between the zone and the pole, in order
    electrode: str
    rod: RodPlace | None


def find_brackets(
    zone: Zone, job: Job, ground: Ground
) -> tuple[list[Bracket], list[Direction], list[OpenItem], list[Reason]]:
    """Find the bracket poles of every way out."""
    found: list[Bracket] = []
    directions: list[Direction] = []
    items: list[OpenItem] = []
    reasons: list[Reason] = []
    for way in zone.ways:
        answer = _bracket_of(zone, job, ground, way)
        here = (zone.pole_id(way.pole), zone.span_id(way.span), way.towards, way.sources)
        if isinstance(answer, Reason):
            directions.append(Direction(*here, None))
            if way.towards != "cable":
                reasons.append(answer)
            else:
                items += cable_items(zone, job, way)
            continue
        for bracket in answer:
            directions.append(Direction(*here, zone.pole_id(bracket.pole)))
            items += _bracket_items(zone, job, ground, (way, bracket))
        found += answer
    passed = passed_poles(zone, found)
    cables = zone.cables_at(passed)
    directions += unbracketed((*zone.ties_at(zone.poles | passed), *cables), zone)
    items += [item for way in cables for item in cable_items(zone, job, way)]
    return found, directions, items, reasons


def unbracketed(ways: Iterable[Way], zone: Zone) -> list[Direction]:
    """Return ways out as directions without a bracket."""
    return [
        Direction(zone.pole_id(w.pole), zone.span_id(w.span), w.towards, w.sources, None)
        for w in ways
    ]


def cable_items(zone: Zone, job: Job, way: Way) -> list[OpenItem]:
    """Return the open item of a cable whose far end is not stated to be isolated.

    Stated it is by the riser of this circuit on the pole, or by every source beyond the cable.
    """
    pole_id, span_id = zone.pole_id(way.pole), zone.span_id(way.span)
    risers = risers_at(zone, way.pole)
    isolated = set(job.isolated_equipment)
    if risers & isolated or (way.sources and set(way.sources) <= isolated):
        return []
    return [
        OpenItem(
            "cable_far_end",
            (pole_id, span_id),
            f"cable {span_id} leaves pole {pole_id}; nothing says that its far end is opened, "
            "tested and grounded",
            "no bracket can stand on a cable; voltage can be transferred along it",
            "the clearance holder",
            f"name in isolated_equipment the riser at {pole_id}, or all equipment beyond",
        )
    ]


def risers_at(zone: Zone, pole: int) -> set[str]:
    """Return the ids of the risers on a pole."""
    equipment = zone.network.territory.layer("equipment")
    if equipment is None:
        return set()
    rows = equipment.rows_by("pole_id").get(zone.pole_id(pole), [])
    return {str(equipment.ids[row]) for row in rows if equipment["kind"][row] == "riser"}


def _bracket_of(zone: Zone, job: Job, ground: Ground, way: Way) -> tuple[Bracket, ...] | Reason:
    """Find the bracket or, past a branch, the brackets of one way out.

    In this order: the nearest pole with a lawful rod (or a steel pole), the next pole out within
    the limit, the nearest pole's own ground on the multigrounded neutral.
    """
    if zone.span is None and zone.network.territory.spans["kind"][way.span] == "cable":
        return Reason(
            "cable",
            (zone.span_id(way.span),),
            "a cable carries no bracket ground.",
            "Open, test and ground its far end.",
        )
    start = (way.far, way.span, (way.span,))
    limit = job.limits.bracket_max_spans + 1
    if zone.span is not None:
        limit = 1
    moved = _outwards(zone, (job, ground), start, limit, {way.pole})
    if not isinstance(moved, Reason):
        return moved
    own = None if too_near(zone, job, start[2]) else _pole_ground(zone, start)
    return (own,) if own is not None else moved


def too_near(zone: Zone, job: Job, passed: Sequence[int]) -> bool:
    """Say whether a pole stands nearer to the worksite than a rod may stand to a pole.

    Such a pole is no span away: leads there whip into the work, and the zones overlap.
    """
    if zone.span is not None:
        return False
    return float(zone.network.length_m[list(passed)].sum()) < job.limits.rod_setback_m


def _outwards(
    zone: Zone,
    asked: tuple[Job, Ground],
    at: tuple[int, int, tuple[int, ...]],
    spans_left: int,
    seen: set[int],
) -> tuple[Bracket, ...] | Reason:
    """Try a pole, then every pole beyond it; links and poles too near count as no span."""
    pole, span, passed = at
    job, ground = asked
    kinds = zone.network.territory.spans["kind"]
    link = kinds[span] == "link" or too_near(zone, job, passed)
    left = spans_left if link else spans_left - 1
    reason: Reason | None = None
    if not link and zone.network.territory.poles["material"][pole] != "pad":
        top = read_pole_top(
            zone.network, pole, [span], split=False, worked=zone.worked_spans_at(pole)
        )
        if top.material == "steel":
            return (Bracket(pole, span, passed, "pole", None),)
        rod = ground.rod(str(top.pole_id))
        if not isinstance(rod, Reason):
            return (Bracket(pole, span, passed, "rod", rod),)
        reason = rod
    beyond = [
        s
        for s in zone.worked_spans_at(pole)
        if s != span
        and kinds[s] != "cable"
        and zone.network.other_end(s, pole) not in seen | set(zone.poles)
    ]
    dead_end = Reason(
        "no_bracket_pole",
        (zone.pole_id(pole),),
        f"beyond pole {zone.pole_id(pole)} no pole can carry a bracket.",
        "Use single-point.",
    )
    if left <= 0 or not beyond:
        return reason or dead_end
    found: list[Bracket] = []
    for s in beyond:
        step = (zone.network.other_end(s, pole), s, (*passed, s))
        answer = _outwards(zone, asked, step, left, seen | {pole})
        if isinstance(answer, Reason):
            return reason or answer
        found += answer
    return tuple(found)


def _pole_ground(zone: Zone, at: tuple[int, int, tuple[int, ...]]) -> Bracket | None:
    """Return a bracket on the pole's own ground, where pole and neutral allow it."""
    pole, span, passed = at
    if zone.network.territory.spans["kind"][span] != "overhead":
        return None
    top = read_pole_top(zone.network, pole, [span], split=False, worked=zone.worked_spans_at(pole))
    if top.ground_ohm is None or top.neutral is None or top.material == "pad":
        return None
    return Bracket(pole, span, passed, "pole ground", None)


def _bracket_items(
    zone: Zone, job: Job, ground: Ground, found: tuple[Way, Bracket]
) -> list[OpenItem]:
    """Return what a person must settle about one bracket."""
    way, bracket = found
    pole_id, nearest = zone.pole_id(bracket.pole), zone.pole_id(way.far)
    kinds = zone.network.territory.spans["kind"]
    count = sum(
        kinds[s] != "link" and not too_near(zone, job, bracket.passed[: k + 1])
        for k, s in enumerate(bracket.passed)
    )
    metres = float(zone.network.length_m[list(bracket.passed)].sum())
    items = []
    if count > job.limits.bracket_max_spans:
        reason = ground.rods.get(nearest)
        why = f" ({reason.what})" if isinstance(reason, Reason) else ""
        items.append(
            OpenItem(
                "bracket_moved_out",
                (pole_id, nearest),
                f"the bracket stands at {pole_id}, {count} spans from the worksite: "
                f"no rod can be placed at {nearest}{why}",
                "the farther the bracket, the more voltage can arise at the worksite",
                "the person in charge",
                f"find a rod place at {nearest}, raise bracket_max_spans if the employer's rules "
                "allow it, or work single-point",
            )
        )
    if zone.span is None and metres > job.limits.bracket_max_distance_m:
        items.append(
            OpenItem(
                "bracket_far",
                (pole_id,),
                f"the bracket at {pole_id} is {feet_text(metres)} along the line from the "
                f"worksite; the limit is {feet_text(job.limits.bracket_max_distance_m)}",
                "the farther the bracket, the more voltage can arise at the worksite",
                "the person in charge",
                "raise bracket_max_distance if the employer's rules allow it, or work single-point",
            )
        )
    return items


def passed_poles(zone: Zone, brackets: list[Bracket]) -> frozenset[int]:
    """Return the poles between the zone and brackets that moved out."""
    network = zone.network
    poles = set()
    for bracket in brackets:
        for span in bracket.passed[:-1]:
            poles |= {int(network.span_from[span]), int(network.span_to[span])}
    return frozenset(poles - {b.pole for b in brackets})


def inner_spans(zone: Zone, brackets: list[Bracket]) -> frozenset[int]:
    """Return the worked spans between the brackets."""
    network = zone.network
    spans = {span for bracket in brackets for span in bracket.passed}
    for pole in zone.poles:
        spans |= {s for s in zone.worked_spans_at(pole) if network.other_end(s, pole) in zone.poles}
    return frozenset(spans)
