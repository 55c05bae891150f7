"""The worksite's conductors, with the cuts that the job will make there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from gridground.grounding.poletop import read_pole_top, sides_of
from gridground.jobvalues import cut_parts
from gridground.record import OpenItem

if TYPE_CHECKING:
    from gridground.grounding.poletop import PoleTop
    from gridground.job import Job
    from gridground.territory.ways import Zone


def worksite_top(zone: Zone, job: Job, pole: int) -> tuple[PoleTop, list[OpenItem]]:
    """Read the pole top at a worksite, with the cuts that the job will make there."""
    worked = zone.worked_spans_at(pole)
    top = read_pole_top(zone.network, pole, worked, split=True, worked=worked)
    top = replace(top, several=len(zone.circuit_ids) > 1)
    if not job.open_conductor:
        return top, []
    elsewhere = {zone.span_id(s) for p in zone.worksite for s in zone.worked_spans_at(p)}
    elsewhere -= set(map(zone.span_id, worked))
    items: list[OpenItem] = []
    circuits = []
    for circuit in top.circuits:
        cuts: dict[str, tuple[str, str]] = {}
        for wanted in job.open_conductor:
            name, place = _wanted(wanted, circuit.circuit_id)
            if name is None or (place is not None and place in elsewhere):
                continue
            spans = _spans_carrying(zone, worked, circuit.circuit_id, name)
            if not spans:
                items.append(_not_there(str(top.pole_id), circuit.circuit_id, name))
                continue
            if name != "neutral" and len(sides_of(zone.network, pole, spans, name)) > 1:
                continue  # a device splits it here already: each side has its own bond
            if len(spans) == 1:
                continue  # nothing on the other side of the cut
            named = [s for s in spans if zone.span_id(s) == place]
            if place is not None and not named:
                items.append(_not_there(str(top.pole_id), circuit.circuit_id, f"{name}@{place}"))
                continue
            first = named[0] if named else _feeding(zone, pole, spans)
            other = next(s for s in spans if s != first)
            cuts[name] = (zone.span_id(first), zone.span_id(other))
            if (len(spans) > 2 or len(zone.worksite) > 1) and not _once(zone, named):
                items.append(_which_cut(str(top.pole_id), name))
        circuits.append(replace(circuit, cuts=cuts))
    return replace(top, circuits=tuple(circuits)), items


def _not_there(pole_id: str, circuit_id: str, name: str) -> OpenItem:
    """Return the open item of a cut of a conductor that is not there."""
    return OpenItem(
        "cut_not_there",
        (pole_id, circuit_id),
        f"the job cuts conductor {name}, which {circuit_id} does not carry at {pole_id}",
        "no bypass lead is planned for it",
        "the planner",
        "correct open_conductor, or the phases in the data",
    )


def _which_cut(pole_id: str, name: str) -> OpenItem:
    """Return the open item where more than one cut is possible."""
    return OpenItem(
        "which_cut",
        (pole_id,),
        f"conductor {name} can be cut at more than one place here",
        "the bypass lead must bridge the cut itself",
        "the person in charge",
        f'name the span on whose side it is cut: open_conductor = ["{name}@…"]; split the job '
        "where that span joins two worksite poles",
    )


def cut_mid_span(zone: Zone, job: Job, top: PoleTop) -> tuple[PoleTop, list[OpenItem]]:
    """Name the two sides of a cut in mid-span after the span's poles, the source's first."""
    network, span = zone.network, int(zone.span or 0)
    poles = (int(network.span_from[span]), int(network.span_to[span]))
    points: Any = network.territory.poles.geometry
    source = {way.pole for way in zone.ways if way.towards == "source"}
    # of two that are alike the western one: which way the span was drawn says nothing
    ordered = sorted(poles, key=lambda p: (p not in source, points[p].x, points[p].y))
    ends = (zone.pole_id(ordered[0]), zone.pole_id(ordered[1]))
    circuits = []
    for circuit in top.circuits:
        names = {_wanted(wanted, circuit.circuit_id)[0] for wanted in job.open_conductor}
        known = {*circuit.phases, *(["neutral"] if circuit.neutral else [])}
        cuts = dict.fromkeys(sorted(name for name in known if name in names), ends)
        circuits.append(replace(circuit, cuts=cuts))
    return replace(top, circuits=tuple(circuits)), []


def _wanted(text: str, circuit_id: str) -> tuple[str | None, str | None]:
    """Return the conductor a job entry names on this circuit, or None, and the span it names."""
    circuit, name, place = cut_parts(text) or (None, None, None)
    return (None, None) if circuit not in (None, circuit_id) else (name, place)


def _once(zone: Zone, named: list[int]) -> bool:
    """Say whether a named span leaves one worksite pole only: the place of the cut is clear."""
    network = zone.network
    ends = {int(p) for s in named for p in (network.span_from[s], network.span_to[s])}
    return len(ends & set(zone.worksite)) == 1


def _spans_carrying(zone: Zone, worked: list[int], circuit_id: str, name: str | None) -> list[int]:
    """Return the worked spans of a circuit at a pole that carry a conductor."""
    spans = zone.network.territory.spans
    own = [s for s in worked if spans["circuit_id"][s] == circuit_id]
    if name == "neutral":
        return [s for s in own if spans["neutral_conductor"][s] is not None]
    return [s for s in own if name is not None and name in (spans["phases"][s] or "")]


def _feeding(zone: Zone, pole: int, spans: list[int]) -> int:
    """Return the span on the source side of a pole, or the first one.

    The way to the source leaves by a span of the pole itself, or by one towards a worksite pole
    from which such a way leaves.
    """
    source = {way.pole: way.span for way in zone.ways if zone.circuit_ids & set(way.sources)}
    source |= {way.pole: way.span for way in zone.ways if way.towards == "source"}
    if source.get(pole) in spans:
        return source[pole]
    for span in spans:
        seen, fresh = {pole}, [zone.network.other_end(span, pole)]
        while fresh:
            here = fresh.pop()
            if here in seen or here not in zone.poles:
                continue
            if here in source:
                return span
            seen.add(here)
            fresh += [zone.network.other_end(s, here) for s in zone.worked_spans_at(here)]
    return spans[0]
