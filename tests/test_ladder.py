"""The phasor network, against circuits solved by hand and by other routes."""

from __future__ import annotations

import numpy as np
import pytest

from gridground.electrical.ladder import (
    EARTH,
    CoupledBranches,
    connected_parts,
    port_impedance_ohm,
    reduce_to_ports,
)


def nodal_admittance(n_nodes, branches):
    """Assemble the nodal matrix conductor by conductor, dense, earth left out."""
    whole = np.zeros((n_nodes + 1, n_nodes + 1), complex)  # earth is the last
    for branch in branches:
        for start, end, impedance in zip(
            branch.start, branch.end, branch.impedance_ohm, strict=True
        ):
            incidence = np.zeros((n_nodes + 1, len(start)))
            for conductor, (one, other) in enumerate(zip(start, end, strict=True)):
                incidence[one, conductor] += 1.0
                incidence[other, conductor] -= 1.0
            whole += incidence @ np.linalg.solve(impedance, incidence.T)
    return whole[:-1, :-1]


def driven(reduction, injected):
    """Return port voltages for injected currents, no source."""
    p = len(reduction.ports)
    impedance, _ = port_impedance_ohm(reduction, np.zeros((p, p)), [])
    return impedance[:p, :p] @ injected


def test_ohms_law_of_two_resistors_in_series():
    # by hand: 10 A into node 1 through 2 ohm to node 0, then 3 ohm to earth
    chain = CoupledBranches.single([1, 0], [0, EARTH], [2.0, 3.0])
    reduction = reduce_to_ports(2, [chain], [1])
    assert driven(reduction, [10.0]) == pytest.approx([50.0])
    assert reduction.node_voltages(np.array([50.0]))[0] == pytest.approx(30.0)


def test_parallel_leads_share_by_admittance():
    # by hand: 1 mohm and 3 mohm in parallel are 0.75 mohm; 1000 A drop 0.75 V
    leads = CoupledBranches.single([0, 0], [EARTH, EARTH], [0.001, 0.003])
    assert driven(reduce_to_ports(1, [leads], [0]), [1000.0]) == pytest.approx([0.75])


def test_two_coupled_conductors_in_series_opposition():
    # by hand: go and return through two coupled conductors: z1 + z2 - 2 zm
    z = np.array([[[0.3 + 0.8j, 0.1 + 0.4j], [0.1 + 0.4j, 0.5 + 0.9j]]])
    pair = CoupledBranches(np.array([[0, EARTH]]), np.array([[1, 1]]), z)
    loop = 0.3 + 0.8j + 0.5 + 0.9j - 2 * (0.1 + 0.4j)
    assert driven(reduce_to_ports(2, [pair], [0]), [1.0]) == pytest.approx([loop])


def test_coupling_induces_without_connection():
    # by hand: 100 A in one conductor, the other open at its far end and earthed at the near one
    z = np.array([[[0.3 + 0.8j, 0.1 + 0.4j], [0.1 + 0.4j, 0.5 + 0.9j]]])
    pair = CoupledBranches(np.array([[0, 1]]), np.array([[EARTH, EARTH]]), z)
    voltage = driven(reduce_to_ports(2, [pair], [0, 1]), [100.0, 0.0])
    assert voltage == pytest.approx([100 * (0.3 + 0.8j), 100 * (0.1 + 0.4j)])


def random_network(rng, n_nodes, n_sets):
    """Return random coupled pairs with a positive definite resistance, one of them earthed."""
    start = rng.integers(0, n_nodes, (n_sets, 2))
    end = (start + rng.integers(1, n_nodes, (n_sets, 2))) % n_nodes
    end[0, 0] = EARTH
    half = rng.normal(size=(n_sets, 2, 2))
    resistance = half @ half.transpose(0, 2, 1) + 0.1 * np.eye(2)
    half = rng.normal(size=(n_sets, 2, 2))
    return CoupledBranches(start, end, resistance + 1j * (half @ half.transpose(0, 2, 1)))


@pytest.mark.parametrize("seed", range(5))
def test_ports_see_what_the_whole_network_shows(seed):
    """Independent: the dense inverse of the whole nodal matrix, without elimination."""
    rng = np.random.default_rng(seed)
    net = random_network(rng, 9, 20)
    ports = [7, 2, 4]
    reduction = reduce_to_ports(9, [net], ports)
    whole = np.linalg.inv(nodal_admittance(9, [net]))
    current = rng.normal(size=3) + 1j * rng.normal(size=3)
    voltage = driven(reduction, current)
    everywhere = whole[:, ports] @ current
    assert voltage == pytest.approx(everywhere[ports])
    back = reduction.node_voltages(voltage)
    assert [back[k] for k in range(9)] == pytest.approx(list(everywhere))
    assert reduction.largest_mismatch_a(voltage, current) < 1e-10
    assert reduction.largest_mismatch_a(1.01 * voltage, current) > 1e-4


def mesh_currents(start, end, impedance, emf):
    """Solve by loops: currents of branches from a tree and its links, no node voltages at all."""
    n_branches = len(start)
    nodes = sorted({*start, *end})
    incidence = np.zeros((len(nodes), n_branches))
    for k, (s, e) in enumerate(zip(start, end, strict=True)):
        incidence[nodes.index(s), k] += 1.0
        incidence[nodes.index(e), k] -= 1.0
    # every vector of the null space of the incidence matrix is a circulation
    _, size, rows = np.linalg.svd(incidence)
    loops = rows[np.sum(size > 1e-9) :]
    return loops.T @ np.linalg.solve(loops @ impedance @ loops.T, loops @ emf)


def test_coupled_span_with_grounds_against_loop_equations():
    """Independent: loop equations on the branch impedance matrix of the same circuit."""
    rng = np.random.default_rng(3)
    half = rng.normal(size=(4, 4))
    span = half @ half.T + 0.2 * np.eye(4) + 1j * (half.T @ half + np.eye(4))
    near, far = np.arange(4), np.arange(4, 8)
    leads = CoupledBranches.single([4, 5, 6], [7, 4, 5], [0.02, 0.03 + 0.01j, 0.04])
    ground = CoupledBranches.single([7, 3], [EARTH, EARTH], [25.0, 0.5])
    line = CoupledBranches(near[None], far[None], span[None])
    reduction = reduce_to_ports(8, [line, leads, ground], [0, 1, 2, 3, 4, 5, 6, 7])
    # three voltage sources of 1 ohm from earth on to A, B, C, as injections
    emf = np.array([100.0, -40 + 30j, 20 - 60j])
    p = 8
    added = np.diag([1.0, 1.0, 1.0, 0, 0, 0, 0, 0]).astype(complex)
    impedance, part = port_impedance_ohm(reduction, added, [(0, p), (1, p), (2, p)])
    voltage = impedance[:p, :p] @ np.concatenate([emf, np.zeros(5)])
    assert len(set(part)) == 1
    start = [EARTH] * 3 + [*near] + [4, 5, 6] + [7, 3]
    end = [0, 1, 2, *far, 7, 4, 5, EARTH, EARTH]
    matrix = np.diag(np.array([1, 1, 1, 0, 0, 0, 0, 0.02, 0.03 + 0.01j, 0.04, 25.0, 0.5], complex))
    matrix[3:7, 3:7] = span
    currents = mesh_currents(start, end, matrix, np.concatenate([emf, np.zeros(9)]))
    assert emf - voltage[:3] == pytest.approx(currents[:3])
    assert (voltage[7], voltage[3]) == pytest.approx((currents[10] * 25.0, currents[11] * 0.5))
    assert (voltage[5] - voltage[4]) / (0.03 + 0.01j) == pytest.approx(currents[8])


def test_isolated_section_is_held_and_changes_nothing():
    z = np.array([[[0.3 + 0.8j, 0.1 + 0.4j], [0.1 + 0.4j, 0.5 + 0.9j]]])
    driven_pair = CoupledBranches(np.array([[0, 1]]), np.array([[EARTH, 2]]), z)
    alone = CoupledBranches.single([0], [EARTH], [0.3 + 0.8j])
    with_it = reduce_to_ports(3, [driven_pair], [0])
    assert with_it.admittance_s == pytest.approx(reduce_to_ports(1, [alone], [0]).admittance_s)
    assert np.isfinite(with_it.admittance_s).all()
    induced = with_it.node_voltages(np.array([1.0 + 0j]))
    assert abs(induced[1] - induced[2]) == pytest.approx(abs((0.1 + 0.4j) / (0.3 + 0.8j)))


def test_a_closed_isolated_loop_still_carries_its_induced_current():
    """By hand: a short-circuited neighbour lowers the impedance to z1 - zm²/z2."""
    z = np.array([[[0.3 + 0.8j, 0.1 + 0.4j], [0.1 + 0.4j, 0.5 + 0.9j]]])
    pair = CoupledBranches(np.array([[0, 1]]), np.array([[EARTH, 2]]), z)
    link = CoupledBranches.single([1], [2], [1e-9])
    reduction = reduce_to_ports(3, [pair, link], [0])
    expected = 0.3 + 0.8j - (0.1 + 0.4j) ** 2 / (0.5 + 0.9j)
    assert 1.0 / reduction.admittance_s[0, 0] == pytest.approx(expected, rel=1e-6)


def test_floating_ports_are_reported_as_parts_of_their_own():
    net = CoupledBranches.single([0, 2], [1, EARTH], [1.0, 1.0])
    reduction = reduce_to_ports(4, [net], [0, 1, 2, 3])
    own = reduction.component
    assert own[0] == own[1]
    assert own[2] == own[4]
    assert len({own[0], own[2], own[3]}) == 3
    tie = np.zeros((4, 4))
    tie[np.ix_([0, 2], [0, 2])] = [[1.0, -1.0], [-1.0, 1.0]]
    impedance, part = port_impedance_ohm(reduction, tie, [(0, 2)])
    assert part[0] == part[4]
    assert part[3] != part[4]
    assert np.isfinite(impedance).all()


def test_connection_is_by_metal_not_by_coupling():
    pair = CoupledBranches(np.array([[0, 1]]), np.array([[2, 3]]), np.eye(2)[None] + 0.5)
    part = connected_parts(4, [pair])
    assert part[0] == part[2] != part[1] == part[3]
    assert len(set(connected_parts(4, [pair], joined=[(0, 3), (1, EARTH)]))) == 1


@pytest.mark.parametrize(
    ("branches", "ports", "message"),
    [
        ([([0], [1], [1.0])], [0, 0], "named twice"),
        ([([0], [1], [1.0])], [EARTH], "is earth"),
        ([([0], [1], [np.nan])], [0], "not finite"),
        ([([0], [7], [1.0])], [0], "outside"),
    ],
)
def test_refusals(branches, ports, message):
    with pytest.raises(ValueError, match=message):
        reduce_to_ports(2, [CoupledBranches.single(*b) for b in branches], ports)


def test_no_branches_at_all():
    reduction = reduce_to_ports(3, [], [1])
    assert reduction.admittance_s == pytest.approx(np.zeros((1, 1)))
