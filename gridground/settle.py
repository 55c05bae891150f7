"""What a person must settle: open items of the job, the isolation and the data it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.origins import held_off, open_device_spans
from gridground.errors import Reason
from gridground.grounding.bonded import bonded_ends
from gridground.grounding.electrodes import measured_elsewhere
from gridground.record import OpenItem
from gridground.rests import data_items
from gridground.territory.isolation import DeviceStates, devices_at, isolate, nodes_at_ends
from gridground.territory.network import Network
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from gridground.grounding.where import Placement, Spot
    from gridground.job import Job
    from gridground.scene import Scene

    SpanEnd = tuple[int, int]  # pole row, span row


def open_items(scene: Scene, placement: Placement) -> list[OpenItem]:
    """List what is open about a placement: job, isolation, data."""
    job = scene.job
    ends = bonded_ends(scene.zone, placement)
    items = [*_ticket(job), *_isolation(scene, ends), *_ties(scene, ends)]
    items += [*_loose_ends(scene, ends), *_generation(scene, ends), *_inside(scene, placement)]
    return [*items, *data_items(scene, placement)]


def still_energized(scene: Scene, placement: Placement) -> list[Reason]:
    """Say why no grounds go on: the stated openings leave a source connected with them.

    Parameters
    ----------
    scene : Scene
        The job's network.
    placement : Placement
        Where the grounds of a method would go.

    Returns
    -------
    list of Reason
        Of every source of another circuit, and of a worked circuit's own where the job states
        openings and a device stands between that could be opened too. A worked circuit's own
        source that no device parts, or without any opening stated, is an open item.
    """
    job = scene.job
    if job.sources_opened is None or placement.infeasible:
        return []
    ends = bonded_ends(scene.zone, placement)
    fed = _fed(scene, ends)
    found = isolate(scene.network, ends) if fed else None
    refused = {
        circuit: poles
        for circuit, poles in fed.items()
        if circuit not in job.circuit_ids
        or (job.sources_opened and found is not None and circuit not in found.unparted)
    }
    if not refused:
        return []
    named = "; ".join(f"{circuit} at {', '.join(poles)}" for circuit, poles in refused.items())
    nearest = nearest_points(scene, ends, against=refused)
    others = not set(refused) <= set(job.circuit_ids)
    return [
        Reason(
            "still_energized",
            (*refused, *dict.fromkeys(pole for poles in refused.values() for pole in poles)),
            f"with {', '.join(job.sources_opened) or 'nothing'} opened, poles that get grounds are "
            f"still connected to a circuit's source: {named}.",
            "Open and tag a device between them"
            + (", or add the circuit to circuit_ids" if others else "")
            + (f": {nearest}." if nearest else "."),
        )
    ]


def _fed(scene: Scene, ends: Sequence[SpanEnd]) -> dict[str, list[str]]:
    """Return the circuits whose source still reaches the grounds, and the poles it reaches."""
    opened = frozenset(scene.job.sources_opened or ())
    isolated = Network.build(scene.territory, opened=opened)
    nodes = nodes_at_ends(isolated, ends, DeviceStates(opened=opened))
    label = isolated.labels()
    fed: dict[str, list[str]] = {}
    for circuit in isolated.feeding(nodes):
        source = label[isolated.source_node[circuit]]
        live = [node for node in nodes if label[node] == source]
        fed[circuit] = sorted({scene.zone.pole_id(isolated.node_pole[n]) for n in live})
    return fed


def nearest_points(scene: Scene, ends: Sequence[SpanEnd], *, against: Collection[str]) -> str:
    """Say which devices are the nearest that part the grounds from some circuits' sources.

    Parameters
    ----------
    scene : Scene
        The job's network; what the job states as opened counts as open.
    ends : sequence of (pole row, span row)
        What is bonded.
    against : collection of str
        Circuits whose source reaches the grounds; of every source for none.
    """
    opened = frozenset(scene.job.sources_opened or ())
    found = isolate(Network.build(scene.territory, opened=opened), ends)
    names = found.device_ids(scene.network, against=against)
    text = f"by the data the nearest that part them are {', '.join(names)}" if names else ""
    unparted = [circuit for circuit in found.unparted if not against or circuit in against]
    if unparted:
        text += "; " if text else ""
        text += f"no device stands between them and the source of {', '.join(unparted)}"
    return text


def _loose_ends(scene: Scene, ends: Sequence[SpanEnd]) -> list[OpenItem]:
    """Ask about spans with a device that end at another circuit's pole, joined or not."""
    network, zone = scene.network, scene.zone
    if not network.fixed.loose_ends:
        return []
    opened = frozenset(scene.job.sources_opened or ())
    isolated = Network.build(scene.territory, opened=opened)
    label = isolated.labels()
    parts = {label[node] for node in nodes_at_ends(isolated, ends, DeviceStates(opened=opened))}
    circuits = scene.territory.spans["circuit_id"]
    items = []
    for pole, span in network.fixed.loose_ends:
        here = {label[network.node_at(s, pole)] for s in network.spans_at(pole)}
        here |= {label[network.node_at(span, network.other_end(span, pole))]}
        if not here & parts:
            continue
        others = {str(circuits[s]) for s in network.spans_at(pole)} - {str(circuits[span])}
        named = " and ".join(sorted(others))
        items.append(
            OpenItem(
                "end_not_joined",
                (zone.span_id(span), zone.pole_id(pole), *sorted(others)),
                f"span {zone.span_id(span)} of {circuits[span]} ends at pole {zone.pole_id(pole)}, "
                f"where {named} hangs; whether it is joined there, and with which circuit, is not "
                "recorded",
                "energy may come this way, and the device may be a tie",
                "the keeper of the data",
                f"record the device at the {zone.pole_id(pole)} end of the span, or a jumper "
                "there, closed or open; where several circuits hang, with its joins_circuit",
            )
        )
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


def _isolation(scene: Scene, ends: Sequence[SpanEnd]) -> list[OpenItem]:
    """Hold the stated openings against the topology, at every pole that is grounded."""
    job = scene.job
    if job.sources_opened is None:
        nearest = nearest_points(scene, ends, against=())
        return [
            OpenItem(
                "sources_not_stated",
                job.circuit_ids,
                "which devices are opened and tagged for this job is not stated"
                + (f"; {nearest}" if nearest else ""),
                "whether anything feeds the worksite",
                "the dispatcher",
                "state sources_opened in the job",
            )
        ]
    fed = _fed(scene, ends)
    nearest = nearest_points(scene, ends, against=fed) if fed else ""
    return [
        OpenItem(
            "still_connected",
            (circuit, *poles),
            f"by the data, with these openings, the source of {circuit} still reaches "
            f"{', '.join(poles)}, where grounds go",
            "grounds would be put on a live line",
            "the dispatcher",
            f"name in sources_opened a device between {circuit}'s source and every one of these"
            + (f": {nearest}" if nearest else ""),
        )
        for circuit, poles in fed.items()
    ]


def _ties(scene: Scene, ends: Sequence[SpanEnd]) -> list[OpenItem]:
    """Ask for a tag on every open device whose closing would feed a grounded pole."""
    if scene.job.sources_opened is None:
        return []
    opened = frozenset(scene.job.sources_opened)
    isolated = Network.build(scene.territory, opened=opened)
    nodes = nodes_at_ends(isolated, ends, DeviceStates(opened=opened))
    ways: dict[tuple[str, ...], set[str]] = {}
    for circuit, devices in held_off(isolated, nodes, held=opened):
        ways.setdefault(devices, set()).add(circuit)
    untagged = [d for d in open_device_spans(isolated, beside=nodes) if d not in opened]
    untagged += [d for d in devices_at(isolated, ends) if d not in {*opened, *untagged}]
    before = _feeding(scene, isolated, nodes)
    for device in untagged:
        again = Network.build(scene.territory, closed={device}, opened=opened)
        states = DeviceStates(closed=frozenset({device}), opened=opened)
        new = _feeding(scene, again, nodes_at_ends(again, ends, states)) - before
        if new:
            ways.setdefault((device,), set()).update(new)
    return [
        OpenItem(
            "tie_not_tagged",
            (*devices, *sorted(names)),
            f"{_devices(devices)} open by the data and hold{'s' if len(devices) == 1 else ''} "
            f"{', '.join(sorted(names))} off; that {'it is' if len(devices) == 1 else 'one is'} "
            "opened and tagged for this job is not stated",
            "closing by mistake energizes the worksite",
            "the dispatcher",
            f"name {devices[0] if len(devices) == 1 else 'one of them'} in sources_opened",
        )
        for devices, names in sorted(ways.items())
    ]


def _devices(names: Sequence[str]) -> str:
    """Name devices in a sentence."""
    return f"device {names[0]} is" if len(names) == 1 else f"devices {', '.join(names)} are"


def _feeding(scene: Scene, network: Network, nodes: Sequence[int]) -> set[str]:
    """Return the circuits whose source, and the generators not isolated, that reach some nodes."""
    isolated = set(scene.job.isolated_equipment)
    return set(network.feeding(nodes)) | (set(_generators(network, nodes)) - isolated)


def _generators(network: Network, nodes: Sequence[int]) -> list[str]:
    """Return the generators that hang together with some nodes."""
    equipment = network.territory.layer("equipment")
    if equipment is None or not nodes:
        return []
    label = network.labels()
    rows = network.fixed.equipment_in(label, np.unique(label[list(nodes)]))
    return [str(equipment.ids[k]) for k in rows.tolist() if equipment["kind"][k] == "generator"]


def _generation(scene: Scene, ends: Sequence[SpanEnd]) -> list[OpenItem]:
    """Ask for a visible opening of every generator that still reaches a grounded pole."""
    equipment = scene.territory.layer("equipment")
    if equipment is None:
        return []
    opened = frozenset(scene.job.sources_opened or ())
    isolated = Network.build(scene.territory, opened=opened)
    nodes = nodes_at_ends(isolated, ends, DeviceStates(opened=opened))
    nowhere = isolated.fixed.equipment_nowhere.tolist()
    reached = set(_generators(isolated, nodes))
    reached |= {str(equipment.ids[k]) for k in nowhere if equipment["kind"][k] == "generator"}
    return [
        OpenItem(
            "generation_not_isolated",
            (name,),
            f"generator {name} can feed the worksite; that it is visibly open is not stated",
            "it feeds the worksite from its own side, whatever is opened at the source",
            "the dispatcher with the owner",
            f"name {name} in isolated_equipment once it is visibly open and tagged",
        )
        for name in sorted(reached - set(scene.job.isolated_equipment))
    ]


def _inside(scene: Scene, placement: Placement) -> list[OpenItem]:
    """Ask for the isolation of transformers and services at the poles inside the grounds."""
    equipment, zone = scene.territory.layer("equipment"), scene.zone
    if equipment is None:
        return []
    at = equipment.rows_by("pole_id")
    rows = [row for pole in placement.inner_poles for row in at.get(zone.pole_id(pole), [])]
    what = {
        "transformer": "cutouts open or the secondary isolated, on every phase of the bank",
        "service": "isolated, with any generation behind it",
    }
    return [
        OpenItem(
            "equipment_not_isolated",
            (str(equipment.ids[row]), str(equipment["pole_id"][row])),
            f"{equipment['kind'][row]} {equipment.ids[row]} stands at {equipment['pole_id'][row]}, "
            f"where people work; that it is isolated ({what[equipment['kind'][row]]}) is not "
            "stated",
            "energy can come back through it between the grounds",
            "the clearance holder",
            f"name {equipment.ids[row]} in isolated_equipment once it is",
        )
        for row in sorted(rows, key=lambda row: str(equipment.ids[row]))
        if equipment["kind"][row] in what
        and str(equipment.ids[row]) not in scene.job.isolated_equipment
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


def stated_items(job: Job, spots: Sequence[Spot]) -> list[OpenItem]:
    """Ask about a person's own rod positions at poles where this plan drives no rod."""
    driven = {spot.top.pole_id for spot in spots if spot.rod is not None}
    return [
        OpenItem(
            "rod_place_elsewhere",
            (pole_id,),
            f"a place for a rod is stated at {pole_id}, where this plan drives no rod",
            "it was not judged as a place of this plan",
            "the crew's foreman",
            "correct rod.place in the job",
        )
        for pole_id in sorted(set(job.rod.place) - driven)
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
    untested = dict.fromkeys(one for row in short for one in row.get("out_of_test", ()))
    out = f"; on the truck, and out of test: {', '.join(untested)}" if untested else ""
    return [
        OpenItem(
            "kit_short",
            (job.job_id,),
            f"the truck lacks {named}{out}",
            "the plan cannot be carried out with what is on the truck",
            "the crew's foreman",
            "load what is missing and enter it in the kit"
            + ("; test those out of test and enter the date" if untested else ""),
        )
    ]
