"""The worksite's conductors, with the cuts that the job will make there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.grounding.poletop import read_pole_top, sides_of
from gridground.record import OpenItem

if TYPE_CHECKING:
    from gridground.grounding.poletop import PoleTop
    from gridground.job import Job
    from gridground.territory.ways import Zone


def worksite_top(zone: Zone, job: Job, pole: int) -> tuple[PoleTop, list[OpenItem]]:
    """Read the pole top at a worksite, with the cuts that the job will make there."""
    worked = zone.worked_spans_at(pole)
    top = read_pole_top(zone.network, pole, worked, split=True, worked=worked)
    if not job.open_conductor:
        return top, []
    items: list[OpenItem] = []
    circuits = []
    for circuit in top.circuits:
        cuts: dict[str, tuple[str, str]] = {}
        for wanted in job.open_conductor:
            name = _bare(wanted, circuit.circuit_id)
            spans = _spans_carrying(zone, worked, circuit.circuit_id, name)
            if name is None:
                continue
            if not spans:
                items.append(_not_there(str(top.pole_id), circuit.circuit_id, name))
                continue
            if name != "neutral" and len(sides_of(zone.network, pole, spans, name)) > 1:
                continue  # a device splits it here already: each side has its own bond
            if len(spans) == 1:
                continue  # nothing on the other side of the cut
            first = _feeding(zone, pole, spans)
            other = next(s for s in spans if s != first)
            cuts[name] = (zone.span_id(first), zone.span_id(other))
            if len(spans) > 2 or len(zone.worksite) > 1:
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
        "say between which two spans it is cut; split the job where several poles are concerned",
    )


def cut_mid_span(zone: Zone, job: Job, top: PoleTop) -> tuple[PoleTop, list[OpenItem]]:
    """Name the two sides of a cut in mid-span after the span's poles."""
    network, span = zone.network, int(zone.span or 0)
    ends = (
        zone.pole_id(int(network.span_from[span])),
        zone.pole_id(int(network.span_to[span])),
    )
    circuits = []
    for circuit in top.circuits:
        names = {_bare(wanted, circuit.circuit_id) for wanted in job.open_conductor}
        known = {*circuit.phases, *(["neutral"] if circuit.neutral else [])}
        cuts = dict.fromkeys(sorted(name for name in known if name in names), ends)
        circuits.append(replace(circuit, cuts=cuts))
    return replace(top, circuits=tuple(circuits)), []


def _bare(wanted: str, circuit_id: str) -> str | None:
    """Return the conductor a job entry names on this circuit, or None."""
    prefix, mark, rest = wanted.rpartition(":")
    if mark and prefix != circuit_id:
        return None
    return "neutral" if rest in {"N", "neutral"} else rest


def _spans_carrying(zone: Zone, worked: list[int], circuit_id: str, name: str | None) -> list[int]:
    """Return the worked spans of a circuit at a pole that carry a conductor."""
    spans = zone.network.territory.spans
    own = [s for s in worked if spans["circuit_id"][s] == circuit_id]
    if name == "neutral":
        return [s for s in own if spans["neutral_conductor"][s] is not None]
    return [s for s in own if name is not None and name in (spans["phases"][s] or "")]


def _feeding(zone: Zone, pole: int, spans: list[int]) -> int:
    """Return the span on the source side of a pole, or the first one."""
    for way in zone.ways:
        if way.pole == pole and way.span in spans and way.towards == "source":
            return way.span
    return spans[0]
