"""What can put energy on the line between the brackets, where no bracket stands in its way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.grounding.brackets import risers_at
from gridground.territory.seam import joined

if TYPE_CHECKING:
    from gridground.job import Job
    from gridground.territory.ways import Zone

# Equipment through which energy can come in at a pole between the brackets.
INNER_SOURCES = ("transformer", "generator", "service", "riser")


def sources_between(
    zone: Zone, job: Job, poles: frozenset[int], spans: frozenset[int]
) -> tuple[str, ...]:
    """Name every source that can get in between the brackets.

    Parameters
    ----------
    zone : Zone
        The worksite.
    job : Job
        For the equipment that is isolated.
    poles : frozenset of int
        Pole rows inside the brackets (bracket poles are not inside).
    spans : frozenset of int
        Span rows of the worked circuits between the brackets.

    Returns
    -------
    tuple of str
        Ids of equipment, circuits on the same poles or with their source at one, and crossing
        lines, each once.
    """
    found = [
        *_own_sources(zone, poles),
        *_equipment(zone, job, poles),
        *_cables(zone, job, poles),
        *_live_circuits(zone, poles),
        *_crossings(zone, spans),
    ]
    return tuple(dict.fromkeys(found))


def _own_sources(zone: Zone, poles: frozenset[int]) -> list[str]:
    """Worked circuits whose source stands at a pole inside: no bracket can stand before it."""
    network = zone.network
    return sorted(
        circuit
        for circuit in zone.circuit_ids
        if int(network.node_pole[network.source_node[circuit]]) in poles
    )


def _equipment(zone: Zone, job: Job, poles: frozenset[int]) -> list[str]:
    """Name transformers, generators, services and risers that are not isolated."""
    territory = zone.network.territory
    equipment = territory.layer("equipment")
    if equipment is None:
        return []
    at = equipment.rows_by("pole_id")
    return sorted(
        str(equipment.ids[row])
        for pole in poles
        for row in at.get(zone.pole_id(pole), [])
        if equipment["kind"][row] in INNER_SOURCES
        and equipment.ids[row] not in job.isolated_equipment
    )


def _cables(zone: Zone, job: Job, poles: frozenset[int]) -> list[str]:
    """Cables that leave a pole inside without an isolated riser on that pole."""
    isolated = {pole for pole in poles if risers_at(zone, pole) & set(job.isolated_equipment)}
    kinds = zone.network.territory.spans["kind"]
    return sorted(
        zone.span_id(span)
        for pole in poles - isolated
        for span in zone.worked_spans_at(pole)
        if kinds[span] == "cable"
    )


def _live_circuits(zone: Zone, poles: frozenset[int]) -> list[str]:
    """Circuits on the same poles that are not worked on and stay energized."""
    network = zone.network
    circuits = network.territory.spans["circuit_id"]
    live = {
        str(circuits[span])
        for pole in poles
        for span in network.spans_at(pole)
        if not zone.worked[span]
    }
    if zone.span is not None:
        ends = {int(network.span_from[zone.span]), int(network.span_to[zone.span])}
        live |= {
            str(circuits[span])
            for span in network.spans_at(min(ends))
            if not zone.worked[span]
            and {int(network.span_from[span]), int(network.span_to[span])} == ends
        }
    return sorted(live)


def _crossings(zone: Zone, spans: frozenset[int]) -> list[str]:
    """Energized lines and overhead spans of other circuits that cross a span inside."""
    territory = zone.network.territory
    inside = joined([territory.spans.geometry[s] for s in sorted(spans)])
    found: list[str] = []
    lines = territory.layer("other_lines")
    if lines is not None:
        meets = lines.meeting(inside)
        found += sorted(str(n) for n in lines.ids[meets[lines["state"][meets] != "dead"]])
    crosses = territory.spans.meeting(inside, "crosses")
    crosses = crosses[(territory.spans["kind"][crosses] == "overhead") & ~zone.worked[crosses]]
    for row in crosses.tolist():
        ends = {int(zone.network.span_from[row]), int(zone.network.span_to[row])}
        inner = {int(zone.network.span_from[s]) for s in spans}
        inner |= {int(zone.network.span_to[s]) for s in spans}
        if not ends & inner:
            found.append(str(territory.spans["circuit_id"][row]))
    return found
