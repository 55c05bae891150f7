"""What a person must settle: open items of the job, the isolation and the data it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.origins import closed_parts
from gridground.errors import NoPlanError, Reason
from gridground.record import OpenItem
from gridground.territory.network import Network
from gridground.territory.ways import equipment_nodes

if TYPE_CHECKING:
    from gridground.errors import Problem
    from gridground.job import Job
    from gridground.method import Scene


def open_items(scene: Scene) -> list[OpenItem]:
    """List what is open whatever the method.

    Raises
    ------
    NoPlanError
        Where the stated openings leave the worksite connected to another circuit's source.
    """
    job = scene.job
    items = [*_ticket(job), *_isolation(scene), *_ties(scene), *_generation(scene)]
    items += [*_crossings(scene), *_data(scene)]
    return items


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


def _isolation(scene: Scene) -> list[OpenItem]:
    """Hold the stated openings against the topology."""
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
    here = {int(label[node]) for node in scene.nodes}
    fed = [c for c, node in sorted(isolated.source_node.items()) if int(label[node]) in here]
    others = [c for c in fed if c not in job.circuit_ids]
    if others:
        reason = Reason(
            "still_energized",
            tuple(others),
            f"with {', '.join(job.sources_opened) or 'nothing'} opened, the worksite is still "
            f"connected to the source of {', '.join(others)}.",
            "Open and tag a device between them, or add the circuit to circuit_ids.",
        )
        raise NoPlanError([reason])
    return [
        OpenItem(
            "still_connected",
            (circuit,),
            f"by the data no opened device stands between the worksite and the source of {circuit}",
            "whether the circuit feeds the worksite",
            "the dispatcher",
            "name the opened and tagged device of this circuit in sources_opened",
        )
        for circuit in fed
    ]


def _ties(scene: Scene) -> list[OpenItem]:
    """Ask for a tag on every open device that holds a source off."""
    opened = scene.job.sources_opened
    if opened is None:
        return []
    return [
        OpenItem(
            "tie_not_tagged",
            (origin.name, origin.circuit_id),
            f"device {origin.name} is open by the data and holds the source of "
            f"{origin.circuit_id} off; that it is opened and tagged for this job is not stated",
            "closing it by mistake energizes the worksite",
            "the dispatcher",
            f"name {origin.name} in sources_opened",
        )
        for origin in scene.origins
        if origin.name != origin.circuit_id and origin.name not in opened
    ]


def _generation(scene: Scene) -> list[OpenItem]:
    """Ask for a visible opening of every generator that still reaches the worksite."""
    equipment = scene.territory.layer("equipment")
    if equipment is None:
        return []
    isolated = Network.build(scene.territory, opened=scene.job.sources_opened or ())
    label = closed_parts(isolated)
    here = {int(label[node]) for node in scene.nodes}
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


def _crossings(scene: Scene) -> list[OpenItem]:
    """Ask for the fault current of energized lines that cross a worked span near the worksite."""
    import shapely  # noqa: PLC0415  start-up time

    lines = scene.territory.layer("other_lines")
    if lines is None:
        return []
    zone = scene.zone
    spans = {way.span for way in zone.ways} | {
        s for pole in zone.poles for s in zone.worked_spans_at(pole)
    }
    inside = shapely.union_all([scene.territory.spans.geometry[s] for s in sorted(spans)])
    meets = shapely.intersects(lines.geometry, inside) & (lines["state"] != "dead")
    largest = max((fault.largest_a for fault in scene.faults.values()), default=0.0)
    items = []
    for row in np.flatnonzero(meets):
        fault = float(lines["fault_a"][row])
        if fault <= largest:
            continue
        stated = "is not stated" if np.isnan(fault) else f"is {fault:,.0f} A"
        items.append(
            OpenItem(
                "crossing_fault",
                (str(lines.ids[row]),),
                f"line {lines.ids[row]} crosses between the brackets; its fault current {stated}, "
                f"the leads are sized for {largest:,.0f} A",
                "the line can fall on the worksite",
                "the owner of the line",
                "state fault_a, have the line switched out, or size the leads for it",
            )
        )
    return items


def _data(scene: Scene) -> list[OpenItem]:
    """Turn findings about the data that this job rests on into open items."""
    used = _used_ids(scene)
    return [
        _from_problem(problem, sorted(set(problem.feature_ids) & used.get(problem.layer, set())))
        for problem in scene.territory.problems
        if problem.level == "open item"
        and (
            not problem.feature_ids
            or set(problem.feature_ids) & used.get(problem.layer, set())
            or problem.layer in {"conductors", "constructions"}
        )
    ]


def _from_problem(problem: Problem, ids: list[str]) -> OpenItem:
    """Say a finding about the data as an open item of the plan."""
    field = f"{problem.field}: " if problem.field else ""
    return OpenItem(
        "data_" + problem.layer,
        tuple(ids or problem.feature_ids),
        f"{problem.layer}: {field}{problem.found}",
        "figures of this plan rest on it",
        "the keeper of the data",
        problem.remedy,
    )


def _used_ids(scene: Scene) -> dict[str, set[str]]:
    """Return the ids of poles, spans, circuits and devices that the plan rests on."""
    zone, territory = scene.zone, scene.territory
    poles = set(zone.poles) | {way.far for way in zone.ways} | {way.pole for way in zone.ways}
    spans = {way.span for way in zone.ways} | ({zone.span} if zone.span is not None else set())
    spans |= {s for pole in zone.poles for s in zone.worked_spans_at(pole)}
    circuits = set(scene.job.circuit_ids)
    for origin in scene.origins:
        circuits.add(origin.circuit_id)
        spans |= spans_to_source(origin.network, scene.nodes, origin.circuit_id)
    devices = set(scene.job.sources_opened or ())
    table = territory.layer("devices")
    if table is not None:
        devices |= {
            str(name)
            for name, span in zip(table.ids, table["span_id"], strict=True)
            if scene.network.span_row[span] in spans
        }
    return {
        "poles": {zone.pole_id(p) for p in poles},
        "spans": {zone.span_id(s) for s in spans},
        "circuits": circuits,
        "devices": devices,
        "conductors": set(territory.conductors),
        "constructions": set(territory.constructions),
    }


def spans_to_source(network: Network, nodes: list[int], circuit_id: str) -> set[int]:
    """Return the span rows on the ways from a circuit's source to some nodes."""
    from scipy.sparse import coo_array  # noqa: PLC0415  start-up time
    from scipy.sparse.csgraph import breadth_first_order  # noqa: PLC0415

    keep = np.flatnonzero(network.closed > 0)
    n = len(network.node_pole)
    start, end = network.node_from[keep], network.node_to[keep]
    graph = coo_array((np.ones(len(keep), np.int8), (start, end)), shape=(n, n)).tocsr()
    source = network.source_node[circuit_id]
    _, before = breadth_first_order(graph, source, directed=False)
    steps: set[tuple[int, int]] = set()
    for node in nodes:
        here = node
        while before[here] >= 0 and here != source:
            steps.add((min(here, int(before[here])), max(here, int(before[here]))))
            here = int(before[here])
    low, high = np.minimum(start, end), np.maximum(start, end)
    wanted = {a * n + b for a, b in steps}
    return {int(s) for s in keep[np.isin(low * n + high, list(wanted))]}
