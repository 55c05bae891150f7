"""Connection by sections says what plain components of the same graph say, in every state.

Independent: the graph walked by networkx, spans and devices taken row by row. Random networks with
several devices on a span, devices on single phases, links, ties, loops, spans side by side and
spans whose phases are not known; random states and overrides.
"""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gridground.electrical.faults import study_poles
from gridground.electrical.feeds import part_of
from gridground.electrical.origins import (
    closed_parts,
    find_origins,
    held_off,
    open_device_spans,
)
from gridground.rests import spans_to_source
from gridground.territory.network import ANY_STATE, Network
from gridground.territory.ways import SOURCE_KINDS, Zone
from tests import feeder as rows

BITS = {"A": 1, "B": 2, "C": 4}
MASKS = (7, 1, 2, 4)
PHASES = st.sampled_from(["ABC", "AB", "A", "B", "C", None])
FUSE = {"kind": "fuse", "clearing_points": [[100.0, 10.0], [8000.0, 0.02]]}
KINDS = ["overhead"] * 4 + ["link", "cable"]


@st.composite
def lands(draw):
    """Return a territory."""
    n_poles, n_circuits = draw(st.integers(2, 9)), draw(st.integers(1, 3))
    pole = st.integers(0, n_poles - 1)
    circuits = [f"F{k}" for k in range(n_circuits)]
    poles = [rows.pole(f"P{k}", at_m=50.0 * k) for k in range(n_poles)]
    spans = []
    for k in range(draw(st.integers(1, 14))):
        one, other = draw(st.tuples(pole, pole).filter(lambda ends: ends[0] != ends[1]))
        spans.append(
            rows.span(
                f"S{k}", f"P{one}", f"P{other}", circuit_id=draw(st.sampled_from(circuits)),
                phases=draw(PHASES), kind=draw(st.sampled_from(KINDS)), length_m=50.0,
            )
        )  # fmt: skip
    devices = []
    for k in range(draw(st.integers(0, 9))):
        span = draw(st.sampled_from(spans))
        devices.append(
            {
                "device_id": f"D{k}", "span_id": span["span_id"],
                "pole_id": span[draw(st.sampled_from(["from_pole", "to_pole"]))],
                "kind": draw(st.sampled_from(["switch", "fuse", "breaker"])),
                "state": draw(st.sampled_from(["open", "closed"])), "phases": draw(PHASES),
                "protection": draw(st.sampled_from([None, FUSE])),
            }
        )  # fmt: skip
    sources = [
        rows.circuit(c, f"P{draw(pole)}", clearing_s=0.5, backup_clearing_s=1.0) for c in circuits
    ]
    equipment = [
        {"equipment_id": f"E{k}", "pole_id": f"P{draw(pole)}", "kind": kind, "phases": "ABC",
         "circuit_id": draw(st.sampled_from(circuits))}
        for k, kind in enumerate(draw(st.lists(st.sampled_from(["transformer", "arrester"]),
                                               max_size=4)))
    ]  # fmt: skip
    more = {"equipment": equipment} if equipment else {}
    return rows.territory(poles, spans, sources, devices, **more)


@st.composite
def states(draw):
    """Return a territory and devices to close and to open."""
    land = draw(lands())
    devices = land.layer("devices")
    names = [] if devices is None else list(devices.ids)
    chosen = draw(st.permutations(names))
    split = draw(st.tuples(st.integers(0, len(names)), st.integers(0, len(names))))
    return land, frozenset(chosen[: split[0]]), frozenset(chosen[len(names) - split[1] :])


law = settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.too_slow])


def plain_closed(land, closed, opened):
    """Return the phases of each span, all where not known, without those of open devices."""
    found = [sum(BITS[p] for p in phases or "ABC") for phases in land.spans["phases"]]
    devices = land.layer("devices")
    for k in range(0 if devices is None else len(devices)):
        name = devices.ids[k]
        if name in opened or (devices["state"][k] == "open" and name not in closed):
            span = list(land.spans.ids).index(devices["span_id"][k])
            found[span] &= ~sum(BITS[p] for p in devices["phases"][k] or "ABC")
    return found


def plain_graph(network, spans, *, without=()):
    """Return the graph of some spans, keyed by their rows; nothing hangs on some nodes."""
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(len(network.node_pole)))
    for span in spans:
        one, other = int(network.node_from[span]), int(network.node_to[span])
        if one not in without and other not in without:
            graph.add_edge(one, other, key=span)
    return graph


def same_parts(labels, graph):
    """Say whether labels part the nodes as the components of a graph do."""
    found = {}
    for node in graph:
        found.setdefault(labels[node], set()).add(node)
    return sorted(map(sorted, found.values())) == sorted(
        map(sorted, nx.connected_components(graph))
    )


def spans_with(states_of_spans, bits):
    """Return the rows of the spans on which some of the phases are continuous."""
    return [span for span, mask in enumerate(states_of_spans) if mask & bits]


@law
@given(states())
def test_parts_are_those_of_the_plain_graph(case):
    land, closed, opened = case
    for shut, away in ((frozenset(), frozenset()), (closed, opened), (frozenset(), opened)):
        network = Network.build(land, closed=shut, opened=away)
        plain = plain_closed(land, shut, away)
        assert network.closed.tolist() == plain
        for bits in MASKS:
            graph = plain_graph(network, spans_with(plain, bits))
            assert same_parts(network.labels(bits), graph)
            whole = network.labels(bits).whole()
            assert same_parts(whole, graph)
            assert (whole == network.labels(bits)[np.arange(len(whole))]).all()
        assert same_parts(closed_parts(network, phase="B"), plain_graph(
            network, spans_with(plain, 2)))  # fmt: skip
        every = plain_graph(network, range(len(plain)))
        assert same_parts(network.labels(ANY_STATE), every)


@law
@given(states())
def test_a_variant_is_what_a_fresh_build_of_that_state_is(case):
    land, closed, opened = case
    variant = Network.build(land, closed=closed, opened=opened)
    devices = land.layer("devices")
    layers = dict(land.layers)
    if devices is not None:
        state = [
            "open" if name in opened or (was == "open" and name not in closed) else "closed"
            for name, was in zip(devices.ids, devices["state"], strict=True)
        ]
        columns = devices.columns | {"state": np.array(state, object)}
        layers["devices"] = replace(devices, columns=columns)
    fresh = Network.build(replace(land, layers=layers))
    assert fresh.fixed is not variant.fixed
    assert fresh.closed.tolist() == variant.closed.tolist()
    for name in ("node_from", "node_to", "node_pole", "phases", "length_m"):
        assert getattr(fresh, name).tolist() == getattr(variant, name).tolist()
    for bits in (*MASKS, ANY_STATE):
        one, other = fresh.labels(bits).whole(), variant.labels(bits).whole()
        pairs = set(zip(one.tolist(), other.tolist(), strict=True))
        assert len(pairs) == len(set(one.tolist())) == len(set(other.tolist()))


@law
@given(states(), st.data())
def test_what_is_left_without_some_nodes_and_spans(case, data):
    land, closed, opened = case
    network = Network.build(land, closed=closed, opened=opened)
    n, n_spans = len(network.node_pole), len(network.closed)
    nodes = data.draw(st.sets(st.integers(0, n - 1), max_size=3))
    cut = data.draw(st.sets(st.integers(0, n_spans - 1), max_size=2))
    plain = plain_closed(land, closed, opened)
    for bits, kept in ((7, spans_with(plain, 7)), (ANY_STATE, range(n_spans))):
        graph = plain_graph(network, [s for s in kept if s not in cut], without=nodes)
        assert same_parts(network.labels_without(nodes, cut, bits), graph)


@law
@given(states(), st.data())
def test_the_part_of_a_node_and_the_way_to_its_source(case, data):
    land, closed, opened = case
    network = Network.build(land, closed=closed, opened=opened)
    node = data.draw(st.integers(0, len(network.node_pole) - 1))
    kept = spans_with(plain_closed(land, closed, opened), 7)
    graph = plain_graph(network, kept)
    part = nx.node_connected_component(graph, node)
    nodes, spans = network.part_of([node])
    assert nodes.tolist() == sorted(part)
    assert spans.tolist() == sorted({key for *_, key in graph.edges(part, keys=True)})
    fed = sorted(c for c, source in network.source_node.items() if source in part)
    assert network.feeding([node]) == fed
    for circuit, source in network.source_node.items():
        way = spans_to_source(network, [node], circuit)
        if source not in part:
            assert way == set()
            continue
        on_way = plain_graph(network, sorted(way))
        steps = nx.shortest_path_length(graph, source, node)
        assert nx.shortest_path_length(on_way, source, node) == steps
        shortest = nx.all_shortest_paths(nx.Graph(graph), source, node)
        edges = {frozenset(edge) for path in shortest for edge in nx.utils.pairwise(path)}
        assert {frozenset(edge) for edge in nx.Graph(on_way).edges} == edges


@law
@given(lands(), st.data())
def test_ways_out_name_everything_beyond(land, data):
    network = Network.build(land)
    worked = data.draw(st.sets(st.sampled_from(sorted(network.source_node)), min_size=1))
    pole = data.draw(st.integers(0, len(network.pole_row) - 1))
    zone = Zone(network, frozenset(worked), (pole,), frozenset({pole}), None, frozenset())
    circuit = land.spans["circuit_id"]
    assert zone.worked.tolist() == [c in worked for c in circuit]
    inside = {network.node_at(s, pole) for s in zone.worked_spans_at(pole)}
    every = plain_graph(network, range(len(circuit)), without=inside)
    shut = plain_graph(network, spans_with(plain_closed(land, (), ()), 7), without=inside)
    at = {
        (int(p), circuit[s]): network.node_at(s, int(p))
        for s in range(len(circuit))
        for p in (network.span_from[s], network.span_to[s])
    }
    for way in zone.ways:
        node = network.node_at(way.span, way.far)
        beyond = nx.node_connected_component(every, node)
        expected = sorted(c for c, source in network.source_node.items() if source in beyond)
        near, equipment = nx.node_connected_component(shut, node), land.layer("equipment")
        for k in range(0 if equipment is None else len(equipment)):
            here = at.get((network.pole_row[equipment["pole_id"][k]], equipment["circuit_id"][k]))
            if equipment["kind"][k] in SOURCE_KINDS and here in near:
                expected.append(equipment.ids[k])
        assert list(way.sources) == expected


@law
@given(lands(), st.data())
def test_only_devices_beside_a_part_can_feed_it(land, data):
    """Closing any other device again changes no circuit that feeds the nodes."""
    network = Network.build(land)
    nodes = [data.draw(st.integers(0, len(network.node_pole) - 1))]
    beside = open_device_spans(network, beside=nodes)
    before = network.feeding(nodes)
    for device in open_device_spans(network).keys() - beside.keys():
        assert Network.build(land, closed={device}).feeding(nodes) == before
    names = {c for o in find_origins(land, network, nodes=nodes, opened=()) for c in [o.circuit_id]}
    assert set(before) <= names
    reached = plain_graph(network, range(len(network.closed)))
    sources = network.source_node
    assert all(nx.has_path(reached, sources[c], nodes[0]) for c in names)


def plain_ways(land, network, start, held):
    """Return (circuit, first span) of every source held off, by walking the parts plainly."""
    shut = plain_graph(network, spans_with(plain_closed(land, (), ()), 7))
    part = {n: k for k, group in enumerate(nx.connected_components(shut)) for n in group}
    devices, onward = land.layer("devices"), nx.MultiDiGraph()
    onward.add_nodes_from(part.values())
    at_source = {}
    for name, node in network.source_node.items():
        at_source.setdefault(part[node], set()).add(name)
    inside = {part[n] for n in start}
    firsts = []
    for span in range(len(land.spans)):
        mine = [k for k in range(0 if devices is None else len(devices))
                if devices["span_id"][k] == land.spans.ids[span]]  # fmt: skip
        names = {devices.ids[k] for k in mine if devices["state"][k] == "open"} - held
        left = sum(BITS[p] for p in land.spans["phases"][span] or "ABC")
        for k in mine:
            if devices.ids[k] in held:
                left &= ~sum(BITS[p] for p in devices["phases"][k] or "ABC")
        if not names or not left:
            continue
        one, other = part[int(network.node_from[span])], part[int(network.node_to[span])]
        for here, far in ((one, other), (other, one)):
            if here in inside and far not in inside:
                firsts.append((span, names, far))
            elif not {here, far} & inside and here not in at_source:
                onward.add_edge(here, far)
    return {
        (circuit, frozenset(names))
        for _, names, far in firsts
        for beyond in {far} | nx.descendants(onward, far)
        for circuit in at_source.get(beyond, ())
    }


@st.composite
def held_lands(draw):
    """Return a territory, a number that picks a node, and devices tagged for the job."""
    land = draw(lands())
    devices = land.layer("devices")
    names = [] if devices is None else list(map(str, devices.ids))
    held = draw(st.lists(st.sampled_from(names), max_size=2, unique=True)) if names else []
    return land, draw(st.integers(0, 30)), frozenset(held)


@law
@given(held_lands())
def test_every_first_open_place_is_a_way_to_each_source_it_holds_off(case):
    land, number, held = case
    network = Network.build(land)
    nodes = [number % len(network.node_pole)]
    found = held_off(network, nodes, held=held)
    expected = plain_ways(land, network, nodes, held)
    devices = land.layer("devices")
    states = {} if devices is None else dict(zip(devices.ids, devices["state"], strict=True))
    for circuit, first in expected:
        assert any(circuit == name and first <= set(ways) for name, ways in found)
    for circuit, ways in found:
        assert not held & set(ways)
        assert any(circuit == name and first <= set(ways) for name, first in expected)
        # a device tagged though recorded as closed is closed in the network that was asked
        tagged = {name for name in held if states[name] == "open"}
        assert circuit in Network.build(land, closed=ways, opened=tagged).feeding(nodes)


@law
@given(lands())
def test_nodes_are_circuits_at_poles_and_what_is_tied(land):
    """Plainly by the rule: a device or a link with nothing of its own circuit to join ties."""
    network = Network.build(land)
    spans, devices = land.spans, land.layer("devices")
    ends = {}
    for k in range(len(spans)):
        for pole in (spans["from_pole"][k], spans["to_pole"][k]):
            ends.setdefault((pole, spans["circuit_id"][k]), []).append(k)
    sources = set(zip(land.circuits["source_pole"], land.circuits.ids, strict=True))
    graph = nx.Graph()
    graph.add_nodes_from([*ends, *sources])
    joints = {(spans[end][k], k) for k in range(len(spans)) if spans["kind"][k] == "link"
              for end in ("from_pole", "to_pole")}  # fmt: skip
    if devices is not None:
        row = spans.index()
        joints |= {(p, row[s]) for p, s in zip(devices["pole_id"], devices["span_id"], strict=True)}
    for pole, span in joints:
        here = (pole, spans["circuit_id"][span])
        others = [key for key in graph if key[0] == pole and key != here]
        if len(ends[here]) == 1 and here not in sources and len(others) == 1:
            graph.add_edge(here, others[0])
    node = {}
    for k in range(len(spans)):
        for end, number in (("from_pole", network.node_from), ("to_pole", network.node_to)):
            node.setdefault((spans[end][k], spans["circuit_id"][k]), set()).add(int(number[k]))
    for key in sources:
        node.setdefault(key, set()).add(network.source_node[key[1]])
    assert all(len(numbers) == 1 for numbers in node.values())
    assert same_parts({key: min(numbers) for key, numbers in node.items()}, graph)


@law
@given(states(), st.data())
def test_a_part_cut_out_is_studied_as_the_whole(case, data):
    """The whole network's study of the same poles, name by name and figure by figure."""
    land, closed, opened = case
    network = Network.build(land, closed=closed, opened=opened)
    circuit = data.draw(st.sampled_from(sorted(set(land.spans["circuit_id"]))))
    mine = np.flatnonzero(land.spans["circuit_id"] == circuit)
    poles = sorted({land.spans[end][s] for s in mine for end in ("from_pole", "to_pole")})
    poles = data.draw(st.lists(st.sampled_from(poles), min_size=1, unique=True))
    asked = {"circuit_id": circuit, "pole_ids": poles, "clearing": "backup", "extra": ()}
    whole = study_poles(land, network, reclosing_blocked=(), **asked)
    cut = part_of(network, circuit, poles)
    part = study_poles(cut.territory, cut.network, reclosing_blocked=(), **asked)
    assert part.column == whole.column
    for name in ("current_a", "phase_ground_a", "x_over_r", "time_s", "longest_s", "minimum_a"):
        one, other = getattr(part.study, name), getattr(whole.study, name)
        np.testing.assert_allclose(one, other, rtol=1e-12)
    assert (part.study.phases == whole.study.phases).all()
    for column in range(len(poles)):
        for name in ("primary", "backup"):
            one, other = (int(getattr(s, name)[column]) for s in (part.study, whole.study))
            assert part.study.name_of(one) == whole.study.name_of(other)
    assert part.open_items() == whole.open_items()
    assert part.notes() == whole.notes()
    assert part.reclosing_silent() == whole.reclosing_silent()
    assert [cut.number_of(int(n)) for n in cut.nodes] == list(range(len(cut.nodes)))
