"""What a plan rests on: doubtful data, limits and neutrals that a person must confirm."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.live_lines import LARGEST_REACH_M
from gridground.record import OpenItem
from gridground.tables import read_table
from gridground.territory.network import Network
from gridground.units import feet_text

if TYPE_CHECKING:
    from gridground.errors import Problem
    from gridground.grounding.where import Placement
    from gridground.scene import Scene

_WIRES = ("conductor", "neutral_conductor", "construction")
TWIN_M = 0.5


def data_items(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Return what is doubtful about the data and the limits that a placement rests on."""
    spans = _spans_used(scene, placement)
    return [
        *_data(scene, placement, spans),
        *_limits(scene),
        *_neutrals(scene, spans),
        *_provenance(scene),
        *_twins(scene, placement),
    ]


def _limits(scene: Scene) -> list[OpenItem]:
    """Ask about limits that can be but hardly are."""
    items = []
    for row in read_table("limit_bands"):
        rod = row["key"] == "rod_length_m"
        value = scene.job.rod.length_m if rod else float(getattr(scene.job.limits, row["key"]))
        if float(row["smallest"]) <= value <= float(row["largest"]):
            continue
        name = row["key"].removesuffix("_m")
        items.append(
            OpenItem(
                "limit_unusual",
                (name,),
                f"{name} is {value:g} {row['unit']}; usual is {row['smallest']} to "
                f"{row['largest']} {row['unit']}",
                row["reason"],
                "the employer",
                f"correct {name}: a bare length is metres, text carries its unit",
            )
        )
    return items


def _neutrals(scene: Scene, used: set[int]) -> list[OpenItem]:
    """Ask about neutrals that stop on the way, and about one on an ungrounded source."""
    territory, zone = scene.territory, scene.zone
    kind, neutral = territory.spans["kind"], territory.spans["neutral_conductor"]
    overhead = [s for s in sorted(used) if kind[s] == "overhead" and zone.worked[s]]
    without = [s for s in overhead if neutral[s] is None]
    items = []
    if without and len(without) < len(overhead):
        items.append(
            OpenItem(
                "neutral_stops",
                tuple(zone.span_id(s) for s in without),
                "these spans on the way have no neutral by the data, others have one",
                "the return path of a fault, and what is bonded",
                "the keeper of the data",
                "look at the line: enter the neutral where there is one, or split the job",
            )
        )
    circuits = territory.circuits
    for circuit_id in scene.job.circuit_ids:
        row = circuits.index()[circuit_id]
        ungrounded = math.isnan(float(circuits["fault_1ph_a"][row]))
        if ungrounded and len(without) < len(overhead):
            items.append(
                OpenItem(
                    "ungrounded_with_neutral",
                    (circuit_id,),
                    f"{circuit_id} has no phase-to-ground fault current at its source, yet a "
                    "neutral hangs on its spans",
                    "phase-to-ground faults are not among those the leads are sized for",
                    "the protection engineer",
                    "state fault_1ph_a, or correct neutral_conductor",
                )
            )
    return items


def _provenance(scene: Scene) -> list[OpenItem]:
    """Ask where fault data come from when nobody says."""
    circuits = scene.territory.circuits
    items = []
    for circuit_id in scene.job.circuit_ids:
        row = circuits.index()[circuit_id]
        blank = [
            name
            for name in ("fault_data_source", "fault_data_date")
            if not str(circuits[name][row] or "").strip()
        ]
        if blank:
            items.append(
                OpenItem(
                    "fault_data_unsourced",
                    (circuit_id,),
                    f"{' and '.join(blank)} of {circuit_id} not stated",
                    "every lead is sized by these figures",
                    "the protection engineer",
                    f"state {' and '.join(blank)}",
                )
            )
    return items


def _twins(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Ask about a second pole beside a ground pole: the wrong one may be climbed."""
    near = scene.neighbourhood
    items = []
    for spot in placement.spots:
        if spot.top.pole_id is None:
            continue
        here = near.pole_xy[near.pole_index[spot.top.pole_id]]
        apart = np.hypot(*(near.pole_xy - here).T)
        twins = [
            str(name) for name in near.pole_ids[apart <= TWIN_M] if str(name) != spot.top.pole_id
        ]
        if twins:
            items.append(
                OpenItem(
                    "twin_pole",
                    (spot.top.pole_id, *twins),
                    f"{', '.join(twins)} stands within {feet_text(TWIN_M)} of ground pole "
                    f"{spot.top.pole_id} by the data",
                    "the wrong pole may be grounded",
                    "the keeper of the data",
                    "remove the pole entered twice, or correct its position",
                )
            )
    return items


def _spans_used(scene: Scene, placement: Placement) -> set[int]:
    """Return the spans between the grounds, of the ways out and of the ways to the sources."""
    spans = set(placement.inner_spans) | {way.span for way in scene.zone.ways}
    opened = scene.job.sources_opened or ()
    _, part = Network.build(scene.territory, opened=opened).part_of(scene.nodes)
    # not to know the phases of a span is not to know what lies beyond it
    spans |= {int(s) for s in part if scene.network.phases[s] == 0}
    for origin in scene.origins:
        spans |= spans_to_source(origin.network, scene.nodes, origin.circuit_id)
    return spans


def _data(scene: Scene, placement: Placement, spans: set[int]) -> list[OpenItem]:
    """Turn findings about the data that this job rests on into open items."""
    used = _used_ids(scene, placement, spans)
    items = []
    named = scene.territory.once(
        "features of problems", lambda t: [frozenset(p.feature_ids) for p in t.problems]
    )
    for problem, features in zip(scene.territory.problems, named, strict=True):
        ids = sorted(features & used.get(problem.layer, set()))
        if problem.level == "open item" and (ids or not problem.feature_ids):
            items.append(_from_problem(problem, ids))
    return items


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


def _used_ids(scene: Scene, placement: Placement, spans: set[int]) -> dict[str, set[str]]:
    """Return the ids of everything that the plan rests on, layer by layer."""
    zone, territory, network, near = scene.zone, scene.territory, scene.network, scene.neighbourhood
    circuits = set(scene.job.circuit_ids) | {origin.circuit_id for origin in scene.origins}
    rows = np.array(sorted(spans), np.intp)
    poles = {*network.span_from[rows].tolist(), *network.span_to[rows].tolist()}
    poles |= {network.pole_row[str(s.top.pole_id)] for s in placement.spots if s.top.pole_id}
    ground = {str(s.top.pole_id) for s in placement.spots if s.top.pole_id}
    circuits |= {c for pole in ground for c in scene.live_circuits(pole)}
    wires = {str(wire) for name in _WIRES for wire in set(territory.spans[name][rows].tolist())}
    reached = {source for way in zone.ways for source in way.sources}
    return {
        "poles": set(map(str, territory.poles.ids[sorted(poles)])),
        "spans": set(map(str, territory.spans.ids[rows])),
        "circuits": circuits,
        "devices": _devices_of(scene, spans),
        "equipment": reached | _equipment_at(scene, ground),
        "other_lines": _lines_near(scene),
        "surroundings": {str(name) for name in near.obstacles.ids},
        "soil": {str(name) for name in near.soil_ids},
        "elevation": {str(name) for name in near.heights.ids},
        "conductors": wires,
        "constructions": wires,
    }


def _lines_near(scene: Scene) -> set[str]:
    """Return the other lines near enough to the worksite to induce, to fall, or to be kept off."""
    import shapely  # noqa: PLC0415  start-up time

    lines = scene.territory.layer("other_lines")
    if lines is None:
        return set()
    spans = {way.span for way in scene.zone.ways}
    spans |= {scene.zone.span} if scene.zone.span is not None else set()
    drawn = shapely.union_all(scene.territory.spans.geometry[sorted(spans)])
    return {str(name) for name in lines.ids[lines.near(drawn, LARGEST_REACH_M)]}


def _devices_of(scene: Scene, spans: set[int]) -> set[str]:
    """Return the devices the job names and those on some spans."""
    found = set(scene.job.sources_opened or ())
    table, on_span = scene.territory.layer("devices"), scene.network.fixed.on_span
    if table is not None:
        found |= {str(table.ids[row]) for span in spans for row in on_span.get(span, [])}
    return found


def _equipment_at(scene: Scene, pole_ids: set[str]) -> set[str]:
    """Return the equipment on some poles."""
    table = scene.territory.layer("equipment")
    if table is None:
        return set()
    at = table.rows_by("pole_id")
    return {str(table.ids[row]) for pole in pole_ids for row in at.get(pole, [])}


def spans_to_source(network: Network, nodes: list[int], circuit_id: str) -> set[int]:
    """Return the span rows on the shortest ways from a circuit's source to some nodes."""
    from scipy.sparse import coo_array  # noqa: PLC0415  start-up time
    from scipy.sparse.csgraph import breadth_first_order  # noqa: PLC0415

    # the part of the source only, its nodes numbered in their order
    part, keep = network.part_of([network.source_node[circuit_id]])
    n = len(part)
    start, end = np.searchsorted(part, np.stack([network.node_from[keep], network.node_to[keep]]))
    graph = coo_array((np.ones(len(keep), np.int8), (start, end)), shape=(n, n)).tocsr()
    source = int(np.searchsorted(part, network.source_node[circuit_id]))
    order, before = breadth_first_order(graph, source, directed=False)
    depth = [0] * n
    for node in order[1:].tolist():
        depth[node] = depth[before[node]] + 1
    hops = np.array(depth)
    outer, inner = np.where(hops[start] > hops[end], (start, end), (end, start))
    on_way, used = np.isin(part, nodes).tolist(), []
    # from the farthest inwards; of ways with as few spans all count, whatever the rows' order
    away = np.flatnonzero(hops[start] != hops[end])
    away = away[np.argsort(-hops[outer[away]], kind="stable")]
    for row, far, near in zip(away, outer[away].tolist(), inner[away].tolist(), strict=True):
        if on_way[far]:
            on_way[near] = True
            used.append(row)
    return set(keep[np.array(used, np.intp)].tolist())
