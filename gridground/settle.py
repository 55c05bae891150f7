"""What a person must settle: open items of the job, the isolation and the data it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.origins import closed_parts, open_device_spans
from gridground.electrical.tolerable import limit_table
from gridground.errors import NoPlanError, Reason
from gridground.grounding.electrodes import measured_elsewhere
from gridground.record import OpenItem
from gridground.rests import data_items
from gridground.territory.network import Network
from gridground.territory.ways import equipment_nodes
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Placement, Spot
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene


def open_items(scene: Scene, placement: Placement) -> list[OpenItem]:
    """List what is open about a placement: job, isolation, live neighbours, data.

    Raises
    ------
    NoPlanError
        Where the stated openings leave the worksite connected to another circuit's source.
    """
    job = scene.job
    nodes = grounded_nodes(scene, placement)
    items = [*_ticket(job), *_isolation(scene, nodes), *_ties(scene, nodes)]
    items += [*_generation(scene, nodes), *_live_circuits(scene, placement)]
    items += [*_crossings(scene, placement), *data_items(scene, placement)]
    return items


def grounded_nodes(scene: Scene, placement: Placement) -> list[int]:
    """Return every node that is bonded or stands between bonds.

    Both ends of every worked span between the grounds, and the worked nodes of every ground pole:
    an opened device inside the brackets leaves what is beyond it connected.
    """
    network, zone = scene.network, scene.zone
    nodes = set(scene.nodes)
    for span in placement.inner_spans:
        nodes |= {int(network.node_from[span]), int(network.node_to[span])}
    for spot in placement.spots:
        if spot.top.pole_id is not None:
            pole = network.pole_row[spot.top.pole_id]
            nodes |= {network.node_at(span, pole) for span in zone.worked_spans_at(pole)}
    return sorted(nodes)


def _ticket(job: Job) -> list[OpenItem]:
    """No locate ticket, no rod."""
    if job.locate_ticket:
        return []
    return [
        OpenItem(
            "no_locate_ticket",
            job.worksite_poles or (str(job.worksite_span),),
            "no locate ticket is stated: buried utilities may not have been marked",
            "no rod is driven without marks",
            "the one-call centre of the place",
            "state locate_ticket in the job",
        )
    ]


def _isolation(scene: Scene, nodes: list[int]) -> list[OpenItem]:
    """Hold the stated openings against the topology, at every pole that is grounded."""
    job = scene.job
    if job.sources_opened is None:
        return [
            OpenItem(
                "sources_not_stated",
                job.circuit_ids,
                "which devices are opened and tagged for this job is not stated",
                "whether anything feeds the worksite",
                "the dispatcher",
                "state sources_opened in the job",
            )
        ]
    isolated = Network.build(scene.territory, opened=job.sources_opened)
    label = closed_parts(isolated)
    fed: dict[str, list[str]] = {}
    for circuit, source in sorted(isolated.source_node.items()):
        live = [node for node in nodes if label[node] == label[source]]
        if live:
            fed[circuit] = sorted({scene.zone.pole_id(isolated.node_pole[n]) for n in live})
    others = {circuit: poles for circuit, poles in fed.items() if circuit not in job.circuit_ids}
    if others:
        named = "; ".join(f"{circuit} at {', '.join(poles)}" for circuit, poles in others.items())
        reason = Reason(
            "still_energized",
            tuple(others),
            f"with {', '.join(job.sources_opened) or 'nothing'} opened, poles that get grounds are "
            f"still connected to another circuit's source: {named}.",
            "Open and tag a device between them, or add the circuit to circuit_ids.",
        )
        raise NoPlanError([reason])
    return [
        OpenItem(
            "still_connected",
            (circuit, *poles),
            f"by the data, with these openings, the source of {circuit} still reaches "
            f"{', '.join(poles)}, where grounds go",
            "grounds would be put on a live line",
            "the dispatcher",
            f"name in sources_opened a device between {circuit}'s source and every one of these",
        )
        for circuit, poles in fed.items()
    ]


def _ties(scene: Scene, nodes: list[int]) -> list[OpenItem]:
    """Ask for a tag on every open device whose closing would feed a grounded pole."""
    opened = scene.job.sources_opened
    if opened is None:
        return []
    untagged = [
        (device, span)
        for device, span in open_device_spans(scene.network).items()
        if device not in opened
    ]
    isolated = Network.build(scene.territory, opened=opened)
    fed_before = _fed(isolated, nodes)
    items = []
    for device, _ in untagged:
        again = Network.build(scene.territory, closed={device}, opened=opened)
        new = sorted(_fed(again, nodes) - fed_before)
        if not new:
            continue
        items.append(
            OpenItem(
                "tie_not_tagged",
                (device, *new),
                f"device {device} is open by the data and holds the source of {', '.join(new)} "
                "off; that it is opened and tagged for this job is not stated",
                "closing it by mistake energizes the worksite",
                "the dispatcher",
                f"name {device} in sources_opened",
            )
        )
    return items


def _fed(network: Network, nodes: list[int]) -> set[str]:
    """Return the circuits whose source reaches any of these nodes."""
    label = closed_parts(network)
    here = {int(label[node]) for node in nodes}
    return {c for c, source in network.source_node.items() if int(label[source]) in here}


def _generation(scene: Scene, nodes: list[int]) -> list[OpenItem]:
    """Ask for a visible opening of every generator that still reaches a grounded pole."""
    equipment = scene.territory.layer("equipment")
    if equipment is None:
        return []
    isolated = Network.build(scene.territory, opened=scene.job.sources_opened or ())
    label = closed_parts(isolated)
    here = {int(label[node]) for node in nodes}
    reached = {
        str(name)
        for name, kind, node in zip(
            equipment.ids, equipment["kind"], equipment_nodes(isolated), strict=True
        )
        if kind == "generator" and (node < 0 or int(label[node]) in here)
    }
    return [
        OpenItem(
            "generation_not_isolated",
            (name,),
            f"generator {name} can feed the worksite; that it is visibly open is not stated",
            "its current is not in this plan's fault currents",
            "the dispatcher with the owner",
            f"name {name} in isolated_equipment once it is visibly open and tagged",
        )
        for name in sorted(reached - set(scene.job.isolated_equipment))
    ]


def _live_circuits(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Ask for the fault current of live circuits on ground poles where it is not known."""
    unknown: dict[str, list[str]] = {}
    for spot in placement.spots:
        pole_id = spot.top.pole_id
        if pole_id is None:
            continue
        for circuit in scene.live_circuits(pole_id):
            if scene.live_fault(pole_id, circuit) is None:
                unknown.setdefault(circuit, []).append(pole_id)
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
    ]


def _crossings(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Ask for the fault current of energized lines that cross between the grounds."""
    import shapely  # noqa: PLC0415  start-up time

    lines = scene.territory.layer("other_lines")
    if lines is None or not placement.inner_spans:
        return []
    geometry = scene.territory.spans.geometry
    inside = shapely.union_all([geometry[s] for s in sorted(placement.inner_spans)])
    meets = shapely.intersects(lines.geometry, inside) & (lines["state"] != "dead")
    largest = max((fault.largest_a for fault in scene.faults.values()), default=0.0)
    items = _crossing_circuits(scene, placement, largest)
    for row in np.flatnonzero(meets):
        fault = float(lines["fault_a"][row])
        if fault <= largest:
            continue
        stated = "is not stated" if np.isnan(fault) else f"is {fault:,.0f} A"
        items.append(
            OpenItem(
                "crossing_fault",
                (str(lines.ids[row]),),
                f"line {lines.ids[row]} crosses a span between the grounds; its fault current "
                f"{stated}, the leads are sized for {largest:,.0f} A",
                "the line can fall on the worksite",
                "the owner of the line",
                "state fault_a where it is missing, have the line switched out, or raise "
                "fault_growth_ratio until the leads are sized for it",
            )
        )
    return items


def _crossing_circuits(scene: Scene, placement: Placement, largest_a: float) -> list[OpenItem]:
    """Ask about other circuits whose spans cross between the grounds with a larger fault."""
    import shapely  # noqa: PLC0415  start-up time

    spans, network = scene.territory.spans, scene.network
    inside = shapely.union_all([spans.geometry[s] for s in sorted(placement.inner_spans)])
    other = (spans["kind"] == "overhead") & ~scene.zone.worked
    other[other] = shapely.crosses(spans.geometry[other], inside)
    found: dict[str, float] = {}
    for row in np.flatnonzero(other):
        circuit, pole = str(spans["circuit_id"][row]), scene.zone.pole_id(network.span_from[row])
        fault = scene.live_fault(pole, circuit)
        here = float("inf") if fault is None else fault.largest_a
        found[circuit] = max(found.get(circuit, 0.0), here)
    return [
        OpenItem(
            "crossing_fault",
            (circuit,),
            f"circuit {circuit} crosses a span between the grounds; its fault current "
            + ("is not known" if fault_a == float("inf") else f"is {fault_a:,.0f} A")
            + f", the leads are sized for {largest_a:,.0f} A",
            "it can fall on the worksite",
            "the dispatcher",
            "have it switched out, or raise fault_growth_ratio until the leads are sized for it",
        )
        for circuit, fault_a in sorted(found.items())
        if fault_a > largest_a
    ]


def event_items(outcome: Outcome) -> list[OpenItem]:
    """Ask for what is not known about lines and equipment that can energize the line."""
    items = [
        OpenItem(
            "event_unknown",
            (one.name, *one.where),
            f"{one.name} can fall on the line; {one.why[0].lower()}{one.why[1:]}",
            "what it would do to the worker and the leads is not worked out",
            "the owner of the line",
            f"state it for {one.name}, or have it switched out and recorded dead",
        )
        for one in outcome.unsolved
        if one.kind == "line falls on"
    ]
    known = outcome.study.origins if outcome.study is not None else ()
    return items + [
        OpenItem(
            "event_time_unknown",
            (origin.name, *([origin.pole_id] if origin.pole_id else [])),
            f"{origin.name} can energize the line ({origin.kind}); after what time it is cleared "
            "is not stated, the worked circuit's time stands in",
            "the heat of the leads and the worker's limit depend on it",
            "the owner",
            f"clearing_s of {origin.name}",
        )
        for origin in known
        if origin.kind in {"line falls on", "equipment"} and origin.clearing_s is None
    ]


def limit_items(outcome: Outcome) -> list[OpenItem]:
    """Ask about a limit above every rule by name."""
    rows = limit_table(duration_s=outcome.duration_s, body_ohm=outcome.body_ohm)
    largest = max((row["limit_v"] for row in rows if row["limit_v"] is not None), default=None)
    if largest is None or outcome.limit_v <= largest * (1 + 1e-9):
        return []
    return [
        OpenItem(
            "limit_unusual",
            ("worker_limit",),
            f"worker_limit is {outcome.limit_v:g} V; the largest of the rules by name is "
            f"{largest:.0f} V for {outcome.duration_s:.3g} s",
            "every voltage on the worker is held against it",
            "the employer",
            "correct worker_limit, or name a rule",
        )
    ]


def measured_items(job: Job, spots: Sequence[Spot]) -> list[OpenItem]:
    """Ask about measured rods at poles where this plan drives none."""
    return [
        OpenItem(
            "measured_elsewhere",
            (pole_id,),
            f"a measured rod resistance is stated at {pole_id}, where this plan drives no rod",
            "the figure is in nothing of this plan",
            "the crew's foreman",
            "correct rod.measured_ohm in the job",
        )
        for pole_id in measured_elsewhere(job, spots)
    ]


def short_items(job: Job, materials: Sequence[dict[str, Any]]) -> list[OpenItem]:
    """Ask for what the stated kit lacks."""
    short = [row for row in materials if row["short"]]
    if not job.kit or not short:
        return []
    named = ", ".join(
        f"{row['short']} x {row['item']} {row['size']}".rstrip()
        + (f" of {feet_text(row['length_m'])}" if row["length_m"] else "")
        for row in short
    )
    return [
        OpenItem(
            "kit_short",
            (job.job_id,),
            f"the truck lacks {named}",
            "the plan cannot be carried out with what is on the truck",
            "the crew's foreman",
            "load what is missing and enter it in the kit",
        )
    ]
