"""The worker study of one job against one sparse solve of the same network, in the same run.

The peer factorizes the nodal admittance matrix of every conductor of the way (three phases and the
neutral of 300 spans, pole grounds, source, leads) and solves one event; assembling is not counted.
The study solves all events, contacts, states of the neutral and of the leads. A job studies both
methods on one network; here each time on a network that has kept nothing of an earlier study.
"""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu

from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting, study
from gridground.electrical.lines import span_primitive_ohm_per_km
from gridground.territory.network import Network
from tests.feeder import straight

N_SPANS, AT, GROUND_OHM, ROD_OHM = 300, 200, 25.0, 50.0
LEAD = (0.0018, 0.0012)
FULL = (("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C"))
SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
# pole -> leads; the worksite is P200
LAYOUTS = {
    "single-point": {AT: FULL},
    "dual-point": {AT - 1: FULL, AT + 1: FULL, AT: (("bar", "A"),)},
}

pytestmark = pytest.mark.bench


def layout(name):
    """Return the places of a method, each lead in its three states."""
    places, row = [], 0
    for pole, pairs in LAYOUTS[name].items():
        branches = tuple(
            Branch(a, b, *LEAD, row + k, cold_ohm=0.9 * LEAD[0], in_service_ohm=1.5 * LEAD[0])
            for k, (a, b) in enumerate(pairs)
        )
        row += len(pairs)
        rod = ROD_OHM if pairs is FULL else None
        places.append(Place(f"P{pole}", None, ("F1",), rod, branches, pole == AT))
    return Layout(tuple(places), {})


def nodal(data, name):
    """Return the admittance matrix of the whole network with its leads, and the currents put in."""
    number: dict[tuple[int, str], int] = {}
    rows, columns, values = [], [], []

    def node(pole, label):
        return number.setdefault((pole, label), len(number))

    def add(ends, block):
        """Add a branch of several conductors; an end of None is earth."""
        for a, near in enumerate(ends):
            for b, far in enumerate(ends):
                for i, one in enumerate(near):
                    for j, other in enumerate(far):
                        if one is not None and other is not None:
                            rows.append(one)
                            columns.append(other)
                            values.append(block[i, j] * (1 if a == b else -1))

    labels, per_km = span_primitive_ohm_per_km(data, 0, resistivity_ohm_m=100.0)
    span_s = np.linalg.inv(per_km * 0.05)
    for k in range(1, N_SPANS + 1):
        add([[node(k - 1, c) for c in labels], [node(k, c) for c in labels]], span_s)
        if k % 4 == 0:
            add([[node(k, "N")], [None]], np.array([[1 / GROUND_OHM]]))
    add([[node(0, "N")], [None]], np.array([[1e6]]))
    names = {"rod": "rod", "bar": "bar", "neutral": "N"}
    for pole, pairs in LAYOUTS[name].items():
        for one, other in pairs:
            ends = [[node(pole, names.get(end, end))] for end in (one, other)]
            add(ends, np.array([[1 / complex(*LEAD)]]))
        if pairs is FULL:
            add([[node(pole, "rod")], [None]], np.array([[1 / ROD_OHM]]))
    source_s = np.linalg.inv(np.eye(3) * (0.12 + 0.9j) + 0.05j)
    phases = [node(0, c) for c in "ABC"]
    add([phases, [node(0, "N")] * 3], source_s)
    put_in = np.zeros(len(number), complex)
    put_in[phases] = source_s @ (7200 * np.exp(-2j * np.pi / 3 * np.arange(3)))
    size = (len(number), len(number))
    return coo_matrix((values, (rows, columns)), shape=size).tocsc(), put_in


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_study_against_one_sparse_solve(benchmark, name):
    data = straight(N_SPANS, ground_every=4, ground_ohm=GROUND_OHM)
    matrix, put_in = nodal(data, name)
    solve_s = least_solve_s(matrix, put_in)
    origin = Origin("F1", "F1", Network.build(data))
    plan = layout(name)
    answer = benchmark.pedantic(
        lambda: study(data, plan, origins=[origin], setting=SETTING), rounds=7, warmup_rounds=1
    )
    ratio = benchmark.stats["min"] / solve_s
    benchmark.extra_info["study / one sparse solve"] = round(ratio, 1)
    print(f"\n{name}: study / one sparse solve of {len(put_in)} nodes: {ratio:.1f}")
    assert len({c.event for c in answer.cases}) == 7
    assert {c.neutral for c in answer.cases} == {"intact", "broken"}
    assert ratio <= 20


def least_solve_s(matrix, put_in, times=15):
    """Return the shortest of several times of factorizing and solving [s]."""
    took = []
    for _ in range(times):
        start = perf_counter()
        volt = splu(matrix).solve(put_in)
        took.append(perf_counter() - start)
    assert np.abs(matrix @ volt - put_in).max() < 1e-6 * np.abs(put_in).max()
    return min(took)


def test_both_methods_of_a_job_against_one_sparse_solve(benchmark):
    data = straight(N_SPANS, ground_every=4, ground_ohm=GROUND_OHM)
    peers = [nodal(data, name) for name in LAYOUTS]
    solve_s = []
    plans = [layout(name) for name in LAYOUTS]

    def fresh():
        # the peer is timed between the rounds: the load of the machine is then the same for both
        solve_s.extend(least_solve_s(*peer, times=3) for peer in peers)
        new = straight(N_SPANS, ground_every=4, ground_ohm=GROUND_OHM)
        return (new, Origin("F1", "F1", Network.build(new))), {}

    def both(new, origin):
        return [study(new, plan, origins=[origin], setting=SETTING) for plan in plans]

    answers = benchmark.pedantic(both, setup=fresh, rounds=15, warmup_rounds=1)
    ratio = benchmark.stats["median"] / np.median(solve_s)
    benchmark.extra_info["both methods / one sparse solve"] = round(ratio, 1)
    print(f"\nboth methods / one sparse solve: {ratio:.1f}")
    assert all(answer.residual < 1e-9 for answer in answers)
    assert ratio <= 20
