"""What a person must settle about energy from outside: live neighbours, crossings, equipment."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.crossings import crossing_items
from gridground.electrical.injection import EQUIPMENT_FIGURES
from gridground.electrical.tolerable import limit_table
from gridground.grounding.events import OWN
from gridground.record import OpenItem

if TYPE_CHECKING:
    from gridground.electrical.injection import Unsolved
    from gridground.grounding.where import Placement
    from gridground.method import Outcome
    from gridground.scene import Scene


def outside_items(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """List what is open about everything that can energize the line from outside.

    Parameters
    ----------
    scene : Scene
        The job's network and faults.
    outcome : Outcome
        The method chosen, worked out.
    """
    placement = outcome.placement
    return [
        *_live_circuits(scene, placement),
        *crossing_items(scene, outcome),
        *_events(scene, outcome),
        *_live_devices(scene, outcome),
        *_fed_together(outcome),
        *_limits(outcome),
    ]


def _beside(scene: Scene, placement: Placement) -> dict[str, list[str]]:
    """Return the circuits not worked on at the poles with grounds and between them, by circuit."""
    poles = {str(spot.top.pole_id) for spot in placement.spots if spot.top.pole_id is not None}
    poles |= {scene.zone.pole_id(pole) for pole in placement.inner_poles}
    found: dict[str, list[str]] = {}
    for pole_id in sorted(poles):
        for circuit in scene.live_circuits(pole_id):
            found.setdefault(circuit, []).append(pole_id)
    return found


def _live_circuits(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Ask for the fault current of circuits on the same poles where it is not known."""
    unknown = {
        circuit: [
            pole_id
            for pole_id in poles
            if not scene.switched_out(circuit, [pole_id])
            and scene.live_fault(pole_id, circuit) is None
        ]
        for circuit, poles in _beside(scene, placement).items()
    }
    return [
        OpenItem(
            "live_circuit_fault",
            (circuit, *poles),
            f"circuit {circuit} stays live on {', '.join(poles)}; its fault current or clearing "
            "time there is not known",
            "it can fall on the worked circuit; the leads are not sized for it",
            "the protection engineer",
            f"complete the fault data of {circuit}, or have it switched out too",
        )
        for circuit, poles in sorted(unknown.items())
        if poles
    ]


def _events(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask for what is not known about lines, circuits and equipment that can energize the line."""
    beside = set(_beside(scene, outcome.placement))  # asked about already
    items = [
        OpenItem(
            "event_unknown",
            (one.name, *one.where),
            f"{one.name} can energize the line ({one.kind}); {one.why[0].lower()}{one.why[1:]}",
            "what it would do to the worker and the leads is not worked out",
            "the owner of the line",
            f"state it for {one.name}, or have it switched out and recorded so",
        )
        for one in outcome.let_in.unsolved
        if one.name not in beside and (one.kind != "equipment" or _partly_stated(scene, one))
    ]
    own = [] if outcome.study is None else [o for o in outcome.study.origins if o.kind in OWN]
    if not any(max(origin.lead_a, default=0.0) > 0 for origin in own):
        names = tuple(dict.fromkeys(origin.name for origin in own)) or scene.job.circuit_ids
        items.append(
            OpenItem(
                "event_not_solved",
                names,
                f"energized from {', '.join(names)} no lead of the plan carries any current",
                "what the worker would see then is not worked out",
                "the planner",
                "look at the devices and phases on the way from that source in the data",
            )
        )
    return items + [
        OpenItem(
            "event_time_unknown",
            (origin.name, *([origin.pole_id] if origin.pole_id else [])),
            f"{origin.name} can energize the line ({origin.kind}); after what time it is cleared "
            "is not stated, the worked circuit's time stands in",
            "the heat of the leads and the worker's limit depend on it",
            "the owner",
            f"clearing_s of {origin.name}"
            if origin.kind != "other circuit falls on"
            else f"the protection or clearing_s of {origin.name}, and its backup_clearing_s",
        )
        for origin in outcome.let_in.origins
        if origin.clearing_s is None
        and origin.name not in beside
        and origin.name in outcome.solved_from
    ]


def _partly_stated(scene: Scene, one: Unsolved) -> bool:
    """Say whether some, but not all, fault figures of a piece of equipment are stated."""
    table = scene.territory.layer("equipment")
    if table is None:
        return False
    row = table.index()[one.name]
    return any(np.isfinite(float(table[key][row])) for key in EQUIPMENT_FIGURES)


def _fed_together(outcome: Outcome) -> list[OpenItem]:
    """Ask about neighbours that several sources feed together: each is solved alone."""
    found: dict[str, tuple[str, ...]] = {}
    for origin in outcome.let_in.origins:
        injection = origin.injection
        if origin.kind == "other circuit falls on" and injection is not None:
            nodes = [] if injection.via is None else [injection.via]
            feeding = origin.network.feeding(nodes) if nodes else []
            if len(feeding) > 1:
                found[origin.circuit_id] = tuple(feeding)
    return [
        OpenItem(
            "joined_sources",
            (circuit, *feeding),
            f"{circuit} can fall on the line and is fed by {' and '.join(feeding)} together; each "
            "source is solved alone",
            "together they drive more current than either",
            "the dispatcher",
            "open the tie between them and record it so, or have the circuit switched out",
        )
        for circuit, feeding in sorted(found.items())
    ]


def _live_devices(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask about the devices that must clear a neighbour that falls on the line."""
    found = [
        item
        for origin in outcome.let_in.origins
        if origin.kind == "other circuit falls on" and origin.name in outcome.solved_from
        for study in scene.contact_studies(origin)
        if study.known
        for item in study.open_items()
    ]
    names = [
        name
        for origin in outcome.let_in.origins
        if origin.kind == "other circuit falls on" and origin.name in outcome.solved_from
        for study in scene.contact_studies(origin)[:1]
        if study.known
        for name in study.reclosing_silent()
    ]
    return [*found, *scene.not_stated(names)]


def _limits(outcome: Outcome) -> list[OpenItem]:
    """Ask about a limit above every rule by name, for every time it is held at."""
    held = [(outcome.duration_s, outcome.limit_v, "")]
    if outcome.study is not None:
        held += [
            (origin.clearing_s, origin.limit_v, f", after which {origin.name} is cleared")
            for origin in outcome.study.origins
            if origin.clearing_s is not None
        ]
    for duration_s, limit_v, what in held:
        rows = limit_table(duration_s=duration_s, body_ohm=outcome.body_ohm)
        largest = max((row["limit_v"] for row in rows if row["limit_v"] is not None), default=None)
        if largest is not None and limit_v > largest * (1 + 1e-9):
            return [
                OpenItem(
                    "limit_unusual",
                    ("worker_limit",),
                    f"worker_limit is {limit_v:g} V; the largest of the rules by name is "
                    f"{largest:.0f} V for {duration_s:.3g} s{what}",
                    "every voltage on the worker is held against it",
                    "the employer",
                    "correct worker_limit, or name a rule",
                )
            ]
    return []
