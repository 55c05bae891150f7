"""Runs in series taken as one, against the network as it is."""

from __future__ import annotations

import numpy as np
import pytest

from gridground.electrical.ladder import EARTH, CoupledBranches, reduce_to_ports
from gridground.electrical.series_runs import in_series


def sets(start, end, impedance):
    """Return sets of conductors from plain lists."""
    return CoupledBranches(
        np.array(start, np.intp), np.array(end, np.intp), np.array(impedance, complex)
    )


def coupled(rng, m, n):
    """Return `m` impedance matrices with positive resistances [ohm]."""
    low = rng.normal(size=(m, n, n)) * 0.1
    own = np.eye(n) * rng.uniform(0.05, 0.5, (m, n, 1))
    return own + 1j * (np.swapaxes(low, 1, 2) @ low + own)


def test_three_runs_of_a_line_are_one_with_the_sum_of_their_impedances():
    z = coupled(np.random.default_rng(1), 3, 2)
    # the middle one is drawn the other way round
    line = sets([[0, 1], [4, 5], [4, 5]], [[2, 3], [2, 3], [6, 7]], z)
    (merged,) = in_series(8, [line], [0, 1, 6, 7])
    assert merged.start.tolist() == [[0, 1]]
    assert merged.end.tolist() == [[6, 7]]
    assert merged.impedance_ohm == pytest.approx(z.sum(axis=0)[None], rel=1e-15)


@pytest.mark.parametrize(
    ("why", "ports", "more"),
    [
        ("a port stands between", [0, 1, 2, 4, 5], []),
        ("a pole ground stands between", [0, 1, 4, 5], [([[3]], [[EARTH]], [[[25.0]]])]),
        ("a tap leaves between", [0, 1, 4, 5], [([[2]], [[6]], [[[1.0]]])]),
    ],
)
def test_what_must_stay_between_keeps_two_runs_apart(why, ports, more):
    z = coupled(np.random.default_rng(2), 2, 2)
    line = sets([[0, 1], [2, 3]], [[2, 3], [4, 5]], z)
    found = in_series(7, [line, *(sets(*one) for one in more)], ports)
    assert len(found[0].start) == 2, why


def test_conductors_that_change_places_keep_two_runs_apart():
    z = coupled(np.random.default_rng(3), 2, 2)
    line = sets([[0, 1], [3, 2]], [[2, 3], [4, 5]], z)
    (found,) = in_series(6, [line], [0, 1, 4, 5])
    assert len(found.start) == 2


def test_a_ring_that_meets_nothing_is_left():
    z = coupled(np.random.default_rng(4), 4, 1)
    ring = sets([[0], [1], [2], [4]], [[1], [2], [0], [5]], z)
    (found,) = in_series(6, [ring], [4, 5])
    assert sorted(zip(found.start[:, 0].tolist(), found.end[:, 0].tolist(), strict=True)) == [
        (0, 1), (1, 2), (2, 0), (4, 5),
    ]  # fmt: skip


def scattered(rng):
    """Return a random network: trees and rings of runs of 1 to 3 wires, grounds, ports."""
    n_poles = int(rng.integers(6, 40))
    node = rng.permutation(n_poles * 3).reshape(n_poles, 3)
    pairs = [(int(rng.integers(max(0, k - 2), k)), k) for k in range(1, n_poles)]
    pairs += [tuple(rng.integers(0, n_poles, 2)) for _ in range(int(rng.integers(0, 3)))]
    pairs = [pair if rng.random() < 0.5 else pair[::-1] for pair in pairs if pair[0] != pair[1]]
    wires = rng.choice([1, 2, 3], len(pairs), p=[0.2, 0.2, 0.6])
    found = []
    for n in (1, 2, 3):
        of = [pair for pair, count in zip(pairs, wires, strict=True) if count == n]
        if of:
            turn = rng.permutation(n) if rng.random() < 0.3 else np.arange(n)
            start = [node[a, :n] for a, _ in of]
            end = [node[b, :n][turn] if rng.random() < 0.1 else node[b, :n] for _, b in of]
            found.append(sets(start, end, coupled(rng, len(of), n)))
    grounded = rng.choice(n_poles, max(1, n_poles // 5), replace=False)
    found.append(
        CoupledBranches.single(
            node[grounded, 0], [EARTH] * len(grounded), rng.uniform(5, 100, len(grounded))
        )
    )
    ports = rng.choice(node.ravel(), int(rng.integers(1, 7)), replace=False)
    return n_poles * 3, found, sorted(map(int, ports))


@pytest.mark.parametrize("seed", range(60))
def test_a_network_seen_from_its_ports_is_the_same(seed):
    n_nodes, branches, ports = scattered(np.random.default_rng(seed))
    whole = reduce_to_ports(n_nodes, branches, ports)
    merged = in_series(n_nodes, branches, ports)
    found = reduce_to_ports(n_nodes, merged, ports)
    # where nothing joins the ports only dust is left
    largest = max(1e-3, float(np.abs(whole.admittance_s).max()))
    assert np.abs(found.admittance_s - whole.admittance_s).max() < 1e-9 * largest
    assert sum(len(b.start) for b in merged) <= sum(len(b.start) for b in branches)
    same = whole.component[:, None] == whole.component
    assert np.array_equal(same, found.component[:, None] == found.component)


def test_most_of_a_long_line_goes():
    ends = np.arange(101)[:, None] + 101 * np.arange(3)
    line = sets(ends[:-1], ends[1:], np.tile(np.eye(3) * (0.1 + 0.2j), (100, 1, 1)))
    (found,) = in_series(303, [line], [*map(int, ends[0]), *map(int, ends[-1])])
    assert len(found.start) == 1
    assert found.impedance_ohm[0] == pytest.approx(np.eye(3) * (10 + 20j), rel=1e-12)
