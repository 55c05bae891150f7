"""Network fault currents against an OpenDSS-type engine: unbalanced, branched, looped.

Every kind of fault at every bus of random feeders with explicit unbalanced line matrices. The
engine gives impedance and voltage at each bus (unit currents into its own factorized matrix); the
currents follow from them here bus by bus with plain linear algebra. A second test lets the engine
solve with fault elements in the network, so that not even these formulas are shared. Differences
of modelling stand in `tests/cross/dss_feeder.py`. Agreement asked for: 1e-8, and for an ungrounded
source, whose neutral point is tied to ten megohm there and to a zero-sequence impedance of a
million times Z1 here, 1e-5.
"""

from __future__ import annotations

import importlib.util
import os

import numpy as np
import pytest

from gridground.electrical.kinds import fault_kinds
from gridground.electrical.lines import abc_from_sequence
from gridground.electrical.thevenin import Feed, thevenin
from tests.check_table import record_many

if importlib.util.find_spec("opendssdirect") is None and "CI" not in os.environ:
    pytest.skip("opendssdirect.py is not installed", allow_module_level=True)

from tests.cross import dss_feeder as dss

VOLTS = 12470 / np.sqrt(3)
BITS = np.array([1, 2, 4])
AGREEMENT = 1e-8
# name: nodes, ties, sources, grounded
FEEDERS = {
    "radial, three-phase": (30, 0, 1, True, 0.0),
    "radial with laterals": (120, 0, 1, True, 0.1),
    "one loop": (25, 1, 1, True, 0.2),
    "many loops": (90, 14, 1, True, 0.1),
    "three sources, loops": (80, 6, 3, True, 0.1),
    "two sources, one way": (40, 0, 2, True, 0.1),
    "ungrounded": (40, 0, 1, False, 0.3),
    "ungrounded, loops": (40, 4, 1, False, 0.3),
}


def line_ohm(rng, mask):
    """Return an unbalanced line's matrix of a few dozen to a few hundred metres [ohm]."""
    km = rng.uniform(0.03, 0.5)
    mutual = rng.uniform(0.08, 0.12, (3, 3)) + 1j * rng.uniform(0.2, 0.35, (3, 3))
    ohm = (mutual + mutual.T) / 2
    ohm[np.diag_indices(3)] = rng.uniform(0.25, 1.2, 3) + 1j * rng.uniform(0.6, 0.9, 3)
    on = (mask & BITS) > 0
    return np.where(on[:, None] & on, ohm * km, 0.0)


def feeder(name):
    """Return sources, spans as (from, to, mask, ohm) and the number of nodes."""
    n_nodes, n_ties, n_sources, grounded, share = FEEDERS[name]
    rng = np.random.default_rng(sorted(FEEDERS).index(name))
    carried = [7]
    rows = []
    for child in range(1, n_nodes):
        parent = int(max(0, child - rng.integers(1, 6)))
        mask = carried[parent]
        if rng.random() < share and mask & (mask - 1):  # more than one phase: drop one
            drop = rng.choice([b for b in (1, 2, 4) if mask & b])
            mask &= ~int(drop)
        carried.append(mask)
        rows.append((parent, child, mask, line_ohm(rng, mask)))
    while n_ties:
        one, other = (int(k) for k in rng.choice(n_nodes, 2, replace=False))
        mask = carried[one] & carried[other]
        if mask:
            rows.append((one, other, mask, line_ohm(rng, mask)))
            n_ties -= 1
    three = [k for k in range(n_nodes) if carried[k] == 7]
    at = [0, *(three[k] for k in rng.choice(np.arange(1, len(three)), n_sources - 1, False))]
    sources = []
    for k, node in enumerate(at):
        z1 = complex(rng.uniform(0.05, 0.3), rng.uniform(0.6, 1.4))
        z0 = complex(rng.uniform(0.1, 0.4), rng.uniform(0.5, 2.5)) if grounded else None
        sources.append((node, VOLTS * (1 + 0.02 * k), 3.0 * k, z1, z0))
    return sources, rows, n_nodes


def ours(sources, rows, n_nodes):
    """Solve with this program."""
    emf = [
        v * np.exp(1j * (np.radians(d) - 2 * np.pi / 3 * np.arange(3))) for _, v, d, _, _ in sources
    ]
    ohm = [abc_from_sequence(z1, 1e6 * z1 if z0 is None else z0) for *_, z1, z0 in sources]
    return thevenin(
        Feed(
            n_nodes=n_nodes,
            node_from=np.array([r[0] for r in rows]),
            node_to=np.array([r[1] for r in rows]),
            closed=np.array([r[2] for r in rows], np.uint8),
            span_ohm=np.array([r[3] for r in rows]),
            source_node=np.array([s[0] for s in sources]),
            source_phases=np.full(len(sources), 7, np.uint8),
            source_ohm=np.array(ohm),
            source_v=np.array(emf),
        )
    )


def hand_over(sources, rows):
    """Give the feeder to the engine and let it solve."""
    dss.start([(f"b{s[0]}", *s[1:]) for s in sources])
    dss.lines([(f"b{a}", f"b{b}", mask, ohm) for a, b, mask, ohm in rows])
    dss.solve()


def plain_kinds(phases, ohm, volt, *, grounded):
    """Return largest currents [A] and X/R of each kind at one bus, from what the engine sees."""
    n = len(phases)
    amps, ratio = np.full(4, np.nan), np.full(4, np.nan)
    if n == 3:
        current = np.linalg.inv(ohm) @ volt
        power = np.vdot(current, volt)
        amps[0], ratio[0] = np.abs(current).max(), power.imag / power.real
    pairs, twice = [], []
    for i in range(n):
        for j in range(i + 1, n):
            loop = np.array([1, -1]) @ ohm[np.ix_([i, j], [i, j])] @ np.array([1, -1])
            pairs.append((abs((volt[i] - volt[j]) / loop), loop.imag / loop.real))
            block = ohm[np.ix_([i, j], [i, j])]
            largest = np.abs(np.linalg.inv(block) @ volt[[i, j]]).max()
            slow = np.linalg.eigvals(np.linalg.inv(block.real) @ block.imag).real.max()
            twice.append((largest, slow))
    single = [(abs(volt[k] / ohm[k, k]), ohm[k, k].imag / ohm[k, k].real) for k in range(n)]
    for kind, found in ((1, pairs), (2, twice), (3, single)):
        if found and (grounded or kind == 1):
            amps[kind], ratio[kind] = max(found)
    phase_ground = np.full(3, np.nan)
    if grounded:
        phase_ground[list(phases)] = [a for a, _ in single]
    return amps, ratio, phase_ground


@pytest.mark.parametrize("name", FEEDERS)
def test_every_kind_at_every_bus(name):
    sources, rows, n_nodes = feeder(name)
    grounded = FEEDERS[name][3]
    found = ours(sources, rows, n_nodes)
    kinds = fault_kinds(
        found.impedance_ohm,
        found.voltage_v,
        found.phases,
        grounded=np.full(n_nodes, grounded),
        single_phase=np.zeros(n_nodes, bool),
    )
    hand_over(sources, rows)
    amps, ratio = np.full((4, n_nodes), np.nan), np.full((4, n_nodes), np.nan)
    single, own_a = np.full((3, n_nodes), np.nan), np.full(n_nodes, np.nan)
    for node in range(n_nodes):
        phases, ohm, volt, study_a = dss.seen(f"b{node}")
        assert sum(1 << p for p in phases) == found.phases[node]
        amps[:, node], ratio[:, node], single[:, node] = plain_kinds(
            phases, ohm, volt, grounded=grounded
        )
        if len(phases) == 3:
            own_a[node] = study_a.max()
    limit = AGREEMENT if grounded else 1e-5
    columns = {
        "largest current": (kinds.current_a, amps),
        "X/R": (kinds.x_over_r, ratio),
        "phase to ground, per phase": (kinds.phase_ground_a, single),
        "three-phase, engine's own study": (kinds.current_a[0], own_a),
    }
    for what, (mine, theirs) in columns.items():
        assert (np.isnan(mine) == np.isnan(theirs)).all(), what
        there = ~np.isnan(theirs)
        if not there.any():
            continue
        record_many(
            "Network fault currents, OpenDSS engine",
            f"{name}, {n_nodes} buses: {what}",
            mine[there],
            theirs[there],
            f"computed: {dss.engine_name()}, fault study",
        )
        assert mine[there] == pytest.approx(theirs[there], rel=limit), what


def branches_of(kind, bus, phases):
    """Return the fault branches of a kind between all phases it can have at a bus."""
    if kind == "three_phase":
        return [[(bus, p, None, 0) for p in range(3)]] if len(phases) == 3 else []
    if kind == "phase_ground":
        return [[(bus, p, None, 0)] for p in phases]
    pairs = [pair for pair in dss.PAIRS if set(pair) <= set(phases)]
    if kind == "phase_phase":
        return [[(bus, i, bus, j)] for i, j in pairs]
    return [[(bus, i, None, 0), (bus, j, None, 0)] for i, j in pairs]


@pytest.mark.parametrize("name", ["radial with laterals", "three sources, loops"])
def test_with_fault_elements_in_the_network(name):
    sources, rows, n_nodes = feeder(name)
    found = ours(sources, rows, n_nodes)
    fault_ohm = 0.01
    with_fault = found.impedance_ohm + fault_ohm * np.eye(3)
    kinds = fault_kinds(
        with_fault,
        found.voltage_v,
        found.phases,
        grounded=np.ones(n_nodes, bool),
        single_phase=np.zeros(n_nodes, bool),
    )
    hand_over(sources, rows)
    chosen = range(0, n_nodes, 3)
    for row, kind in enumerate(("three_phase", "phase_phase", "two_phase_ground", "phase_ground")):
        mine, theirs = [], []
        for node in chosen:
            phases = [p for p in range(3) if found.phases[node] >> p & 1]
            # a fault between phases has one element, of twice the resistance of one to ground
            ohm = fault_ohm * (2 if kind == "phase_phase" else 1)
            largest = [
                np.abs(dss.fault_amps(b, fault_ohm=ohm)).max()
                for b in branches_of(kind, f"b{node}", phases)
            ]
            assert bool(largest) == bool(kinds.exists[row, node])
            if largest:
                mine.append(kinds.current_a[row, node])
                theirs.append(max(largest))
        assert len(mine) > 3
        record_many(
            "Network fault currents, OpenDSS engine",
            f"{name}: {kind.replace('_', ' ')} through 0.01 ohm",
            mine,
            theirs,
            f"computed: {dss.engine_name()}, fault elements",
        )
        assert mine == pytest.approx(theirs, rel=AGREEMENT)
