"""The span ends that a placement bonds, and those between: where no source may reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.grounding.poletop import sides_of

if TYPE_CHECKING:
    from gridground.grounding.where import Placement, Spot
    from gridground.territory.ways import Zone

    SpanEnd = tuple[int, int]  # pole row, span row


def bonded_ends(zone: Zone, placement: Placement) -> tuple[SpanEnd, ...]:
    """Return the span ends whose conductors are bonded, or lie between bonds.

    Parameters
    ----------
    zone : Zone
        The worksite.
    placement : Placement
        Where the grounds go.

    Returns
    -------
    tuple of (pole row, span row)
        Of the worked circuits, ascending. At a pole that devices part into sides only the ends of
        the sides with leads.
    """
    found = set(_between(zone, placement))
    for spot in placement.spots:
        found |= _ends_of(zone, spot)
    return tuple(sorted(found))


def live_beside(zone: Zone, placement: Placement) -> tuple[SpanEnd, ...]:
    """Return the span ends of the worked circuits at ground poles that no lead bonds."""
    network = zone.network
    bonded = {end for spot in placement.spots for end in _ends_of(zone, spot)}
    poles = {network.pole_row[s.top.pole_id] for s in placement.spots if s.top.pole_id is not None}
    here = {(pole, span) for pole in poles for span in zone.worked_spans_at(pole)}
    return tuple(sorted(here - bonded - set(_between(zone, placement))))


def _between(zone: Zone, placement: Placement) -> list[SpanEnd]:
    """Return both ends of every worked span between the grounds."""
    network = zone.network
    spans = placement.inner_spans
    return [(int(pole[s]), s) for s in spans for pole in (network.span_from, network.span_to)]


def _ends_of(zone: Zone, spot: Spot) -> set[SpanEnd]:
    """Return the span ends that the leads of one location bond."""
    network = zone.network
    if spot.top.pole_id is None:
        return {
            (int(end[s]), s) for s in zone.spans for end in (network.span_from, network.span_to)
        }
    pole = network.pole_row[spot.top.pole_id]
    circuits = network.territory.spans["circuit_id"]
    found: set[SpanEnd] = set()
    for circuit in spot.top.circuits:
        own = [s for s in zone.worked_spans_at(pole) if circuits[s] == circuit.circuit_id]
        for letter, names in circuit.sides.items():
            for group in sides_of(network, pole, own, letter):
                if names == ("",) or zone.span_id(group[0]) in names:
                    found |= {(pole, span) for span in group}
    return found
