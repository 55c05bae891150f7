"""Devices that close on a fault again by themselves: what is asked about them before a job."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from gridground.electrical.curves import fuse_points, protection_gaps, reclose_shots
from gridground.electrical.series import Element, reclosing_in_loops, times_on
from gridground.record import OpenItem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.study import Study
    from gridground.territory.network import Network


def reclosing_items(study: Study, poles: list[str]) -> list[OpenItem]:
    """Ask to block the reclosing of every device in the way that states it."""
    found: dict[tuple[str, int], list[str]] = defaultdict(list)
    loops, settings = _in_loops(study), _settings(study)
    for column, pole in enumerate(poles):
        index = int(study.fed_by[column])
        if index < 0:
            continue
        elements = study.series.closing_again(int(study.nodes[column]))
        for name in study.series.loose_at(int(study.nodes[column]), loops):
            protection = settings[name]
            on = times_on(protection, name, study.setup.blocked)
            if on > 1:
                elements.append(Element(name, protection, 7, on))
        for row in study.feeding[index]:
            device = study.setup.feeds.device(row, study.setup.blocked)
            if device is not None and device.times_on > 1:
                elements.append(device)
        for element in elements:
            found[element.device_id, element.times_on - 1].append(pole)
    return [
        OpenItem(
            code="reclosing_not_blocked",
            where=(name, *dict.fromkeys(at)),
            what=f"{name} recloses by itself up to {shots} time{'s' if shots > 1 else ''} and is "
            "not named as blocked; "
            + (
                "it stands in a loop, where the times of its shots are not counted."
                if any(name in names for names in loops.values())
                else "the times of all its shots are added, without cooling between."
            ),
            why="Every shot heats the leads again and puts the voltage on the worker again.",
            who="dispatcher",
            settles=f"block automatic reclosing at {name}, tag it, and name it in "
            "reclosing_blocked of the job",
        )
        for (name, shots), at in found.items()
    ]


def reclosing_silent(network: Network, study: Study) -> list[str]:
    """Return circuits and reclosers in the way of which reclosing is neither stated nor blocked."""
    territory, blocked = study.setup.feeds.territory, study.setup.blocked
    rows = {row for k in study.fed_by if k >= 0 for row in study.feeding[int(k)]}
    settings = territory.circuits["protection"]
    found = [
        study.names[row]
        for row in sorted(rows)
        if row < study.setup.feeds.n_circuits and _may_reclose(settings[row])
    ]
    settings_of, loops = _settings(study), _in_loops(study)
    found += sorted(
        {
            name
            for node, index in zip(study.nodes, study.fed_by, strict=True)
            if index >= 0
            for name in study.series.loose_at(int(node), loops)
            if _may_reclose(settings_of[name])
        }
    )
    devices = territory.layer("devices")
    way = _edges_on_the_way(study)
    if devices is not None:
        for row, kind in enumerate(devices["kind"]):
            span = network.span_row[devices["span_id"][row]]
            ends = (int(network.node_from[span]), int(network.node_to[span]))
            protection = devices["protection"][row]
            relay = kind == "recloser" or (kind == "breaker" and protection is not None)
            if relay and network.closed[span] and way & {ends, ends[::-1]}:
                found += [str(devices.ids[row])] if _may_reclose(protection) else []
    return [name for name in dict.fromkeys(found) if name not in blocked]


def _in_loops(study: Study) -> dict[int, tuple[str, ...]]:
    """Return breakers and reclosers in loops, by the keys of `Series.loose`."""
    setup = study.setup
    return reclosing_in_loops(setup.territory, setup.network, setup.seen)


def _settings(study: Study) -> dict[str, dict[str, Any]]:
    """Return the protection of every device, empty where none is stated."""
    devices = study.setup.territory.layer("devices")
    if devices is None:
        return {}
    stated = [protection or {} for protection in devices["protection"]]
    return dict(zip(map(str, devices.ids), stated, strict=True))


def _may_reclose(protection: dict[str, object] | None) -> bool:
    """Say whether a device may reclose and does not say how often."""
    if not protection or protection_gaps(protection):
        return True
    return fuse_points(protection) is None and reclose_shots(protection) is None


def _edges_on_the_way(study: Study) -> set[tuple[int, int]]:
    """Return the (node, node before it) between the nodes of a study and their sources."""
    series = study.series
    return {
        (node, int(series.parent[node]))
        for start, index in zip(study.nodes, study.fed_by, strict=True)
        if index >= 0
        for node in series.nodes_to_source(int(start))
    }


def may_close_again(study: Study, names: Sequence[str]) -> list[str]:
    """Return the devices between joined sources that may close on the fault again."""
    settings, blocked = _settings(study), study.setup.blocked
    return [
        name
        for name in names
        if name not in blocked
        and (_may_reclose(settings[name]) or times_on(settings[name], name, blocked) > 1)
    ]
