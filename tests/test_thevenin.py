"""The impedance a fault sees: trees, parallel spans, loops, joined sources, unknown spans."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridground.electrical.lines import abc_from_sequence
from gridground.electrical.thevenin import Feed, masked_inverse, thevenin

Z = abc_from_sequence(0.3 + 0.6j, 0.8 + 1.9j)
ZS = abc_from_sequence(0.1 + 1.0j, 0.2 + 1.5j)
E = 7200 * np.exp(-2j * np.pi / 3 * np.arange(3))


def feed(spans, *, n_nodes, sources=((0, ZS, E),), masks=None):
    """Return a Feed from (from, to, impedance) triples."""
    ends = np.array([(a, b) for a, b, _ in spans], np.intp).reshape(-1, 2)
    ohm = np.array([z for _, _, z in spans], complex).reshape(-1, 3, 3)
    closed = np.full(len(spans), 7, np.uint8) if masks is None else np.array(masks, np.uint8)
    return Feed(
        n_nodes=n_nodes,
        node_from=ends[:, 0],
        node_to=ends[:, 1],
        closed=closed,
        span_ohm=ohm,
        source_node=np.array([s[0] for s in sources], np.intp),
        source_phases=np.full(len(sources), 7, np.uint8),
        source_ohm=np.array([s[1] for s in sources], complex),
        source_v=np.array([s[2] for s in sources], complex),
    )


def dense(f):
    """Independent: the whole nodal admittance matrix, dense, inverted at once (all phases)."""
    n = f.n_nodes
    y = np.zeros((3 * n, 3 * n), complex)
    i = np.zeros(3 * n, complex)

    def add(a, b, block):
        y[3 * a : 3 * a + 3, 3 * b : 3 * b + 3] += block

    for a, b, z, mask in zip(f.node_from, f.node_to, f.span_ohm, f.closed, strict=True):
        on = [k for k in range(3) if mask >> k & 1]
        own = np.zeros((3, 3), complex)
        own[np.ix_(on, on)] = np.linalg.inv(z[np.ix_(on, on)])
        add(a, a, own)
        add(b, b, own)
        add(a, b, -own)
        add(b, a, -own)
    for node, z, v in zip(f.source_node, f.source_ohm, f.source_v, strict=True):
        add(node, node, np.linalg.inv(z))
        i[3 * node : 3 * node + 3] += np.linalg.inv(z) @ v
    live = np.abs(y).sum(axis=1) > 0
    inverse = np.zeros_like(y)
    # a phase tied to no source has no inverse of its own; any generalized one serves the others
    inverse[np.ix_(live, live)] = np.linalg.pinv(y[np.ix_(live, live)], rcond=1e-12)
    own = np.stack([inverse[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] for k in range(n)])
    return own, (inverse @ i).reshape(n, 3)


def agrees(f, rel=1e-9):
    own, volt = dense(f)
    found = thevenin(f)
    here = (found.phases[:, None] & np.array([1, 2, 4])) > 0
    own = np.where(here[:, :, None] & here[:, None, :], own, 0)
    own[found.phases == 0] = np.nan
    assert found.impedance_ohm == pytest.approx(own, rel=rel, abs=1e-9, nan_ok=True)
    assert found.voltage_v[here] == pytest.approx(volt[here], rel=rel)
    return found


def test_tree_is_the_sum_along_the_path():
    f = feed([(0, 1, Z), (2, 1, 2 * Z), (1, 3, Z)], n_nodes=4)
    found = thevenin(f)
    expected = [ZS, ZS + Z, ZS + 3 * Z, ZS + 2 * Z]
    assert found.impedance_ohm == pytest.approx(np.array(expected))
    assert found.voltage_v == pytest.approx(np.tile(E, (4, 1)))
    assert found.feeding == ((0,),)
    assert (found.fed_by == 0).all()
    agrees(f)


def test_two_parallel_equal_spans_are_half():
    found = agrees(feed([(0, 1, Z), (1, 0, Z), (1, 2, Z)], n_nodes=3))
    assert found.impedance_ohm[1] == pytest.approx(ZS + Z / 2, rel=1e-6)
    assert found.impedance_ohm[2] == pytest.approx(ZS + 1.5 * Z, rel=1e-6)


def test_two_parallel_equal_paths_are_half():
    # by hand: 0-1-3 and 0-2-3, each 2 Z; node 4 hangs behind
    found = agrees(feed([(0, 1, Z), (1, 3, Z), (0, 2, Z), (2, 3, Z), (3, 4, Z)], n_nodes=5))
    assert found.impedance_ohm[3] == pytest.approx(ZS + Z, rel=1e-6)
    assert found.impedance_ohm[1] == pytest.approx(ZS + 0.75 * Z, rel=1e-6)  # Z beside 3 Z
    assert found.impedance_ohm[4] == pytest.approx(ZS + 2 * Z, rel=1e-6)


def test_loop_behind_a_bridge_and_lateral_behind_the_loop():
    spans = [(0, 1, Z), (1, 2, Z), (2, 3, 2 * Z), (3, 1, Z), (3, 4, Z), (4, 5, Z), (5, 6, Z),
             (6, 4, Z)]  # fmt: skip
    found = agrees(feed(spans, n_nodes=7))
    assert found.impedance_ohm[2] == pytest.approx(ZS + Z + 0.75 * Z, rel=1e-6)


def test_loop_with_one_huge_leg_is_the_radial_answer():
    path = [(0, 1, Z), (1, 2, Z), (2, 3, Z)]
    loop = thevenin(feed([*path, (3, 0, 1e9 * Z)], n_nodes=4))
    radial = thevenin(feed(path, n_nodes=4))
    assert loop.impedance_ohm == pytest.approx(radial.impedance_ohm, rel=1e-6)


def test_a_loop_is_never_treated_as_radial():
    path = [(0, 1, Z), (1, 2, Z), (2, 3, Z)]
    loop = thevenin(feed([*path, (3, 0, Z)], n_nodes=4)).impedance_ohm[3]
    radial = thevenin(feed(path, n_nodes=4)).impedance_ohm[3]
    assert np.abs(loop[0, 0]) < 0.7 * np.abs(radial[0, 0])


def test_one_phase_spans_side_by_side_are_no_loop():
    one = np.diag([Z[0, 0]] * 3)
    spans = [(0, 1, np.diag(np.diag(one) * (np.arange(3) == k))) for k in range(3)]
    found = thevenin(feed(spans, n_nodes=2, masks=[1, 2, 4]))
    assert found.impedance_ohm[1] == pytest.approx(ZS + one, rel=1e-6)
    assert found.phases[1] == 7


def test_phases_that_go_different_ways_are_solved():
    # A goes 0-1-3, B and C go 0-2-3: no phase has a loop, the graph has
    def part(mask):
        here = np.array([mask >> k & 1 for k in range(3)], bool)
        return np.where(here[:, None] & here[None, :], Z, 0)

    spans = [(0, 1, part(1)), (1, 3, part(1)), (0, 2, part(6)), (2, 3, part(6))]
    found = agrees(feed(spans, n_nodes=4, masks=[1, 1, 6, 6]))
    assert list(found.phases) == [7, 1, 6, 7]
    assert found.impedance_ohm[3] == pytest.approx(ZS + 2 * part(1) + 2 * part(6), rel=1e-6)


def test_open_phase_reaches_no_further():
    found = thevenin(feed([(0, 1, Z), (1, 2, Z)], n_nodes=4, masks=[7, 5]))
    assert list(found.phases) == [7, 7, 5, 0]
    assert (found.impedance_ohm[2][1] == 0).all()
    assert np.isnan(found.impedance_ohm[3]).all()
    assert found.fed_by[3] == -1


def test_joined_sources_feed_together():
    f = feed([(0, 1, Z), (1, 2, Z)], n_nodes=4, sources=((0, ZS, E), (2, ZS, E), (3, ZS, E)))
    found = agrees(f)
    # by hand: ZS + Z beside ZS + Z
    assert found.impedance_ohm[1] == pytest.approx((ZS + Z) / 2, rel=1e-6)
    assert [found.feeding[k] for k in found.fed_by] == [(0, 1)] * 3 + [(2,)]


def test_two_pairs_of_joined_sources_stay_apart():
    f = feed(
        [(0, 1, Z), (2, 3, Z)], n_nodes=4, sources=[(k, ZS, (1 + k / 100) * E) for k in range(4)]
    )
    found = agrees(f)
    assert [found.feeding[k] for k in found.fed_by] == [(0, 1), (0, 1), (2, 3), (2, 3)]


def test_sources_of_different_voltage_share():
    f = feed([(0, 1, Z), (1, 2, Z)], n_nodes=3, sources=((0, ZS, E), (2, 2 * ZS, 1.1 * E)))
    assert np.abs(agrees(f).voltage_v[1, 0]) > 7200


def test_two_sources_at_one_node():
    found = agrees(feed([(0, 1, Z)], n_nodes=2, sources=((0, ZS, E), (0, 3 * ZS, 1.05 * E))))
    assert found.impedance_ohm[0] == pytest.approx(0.75 * ZS, rel=1e-6)
    assert found.feeding[found.fed_by[1]] == (0, 1)


def test_a_link_without_impedance_in_a_loop():
    spans = [(0, 1, 0 * Z), (1, 2, Z), (2, 0, Z), (0, 1, 0 * Z)]
    found = thevenin(feed(spans, n_nodes=3))
    assert found.impedance_ohm[1] == pytest.approx(ZS, rel=1e-6)
    assert found.impedance_ohm[2] == pytest.approx(ZS + Z / 2, rel=1e-6)


def test_unknown_spans_are_unknown_only_behind_them():
    found = thevenin(feed([(0, 1, Z), (1, 2, np.nan * Z), (2, 3, Z), (1, 4, Z)], n_nodes=5))
    unknown = np.isnan(found.impedance_ohm).any(axis=(1, 2))
    assert list(unknown) == [False, False, True, True, False]


def test_an_unknown_span_in_a_loop_leaves_the_loop_unknown():
    spans = [(0, 1, Z), (1, 2, Z), (2, 3, np.nan * Z), (3, 1, Z), (3, 4, Z), (0, 5, Z)]
    found = thevenin(feed(spans, n_nodes=6))
    unknown = np.isnan(found.impedance_ohm).any(axis=(1, 2))
    assert list(unknown) == [False, False, True, True, True, False]


def test_an_unknown_source_leaves_its_nodes_unknown():
    f = feed([(0, 1, Z), (2, 3, Z)], n_nodes=4, sources=((0, ZS, E), (2, np.nan * ZS, 0 * E)))
    unknown = np.isnan(thevenin(f).impedance_ohm).any(axis=(1, 2))
    assert list(unknown) == [False, False, True, True]


def test_wanted_nodes_equal_all_nodes():
    spans = [(0, 1, Z), (1, 2, Z), (2, 3, 2 * Z), (3, 1, Z), (3, 4, Z), (4, 5, Z)]
    f = feed(spans, n_nodes=6)
    some, everything = thevenin(f, wanted=np.array([2, 5])), thevenin(f)
    for node in (2, 5):
        assert some.impedance_ohm[node] == pytest.approx(everything.impedance_ohm[node])


def test_masked_inverse():
    found = masked_inverse(np.array([Z, Z, np.nan * Z]), np.array([7, 5, 2], np.uint8))
    assert found[0] @ Z == pytest.approx(np.eye(3), abs=1e-12)
    keep = np.ix_([0, 2], [0, 2])
    assert found[1][keep] @ Z[keep] == pytest.approx(np.eye(2), abs=1e-12)
    assert (found[1][1] == 0).all()
    assert np.isnan(found[2][1, 1])
    assert np.isnan(found[2]).sum() == 1


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_network_agrees_with_the_whole_matrix(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 14))
    pairs = [(int(rng.integers(0, k)), k) for k in range(1, n)]
    pairs += [tuple(rng.integers(0, n, 2)) for _ in range(rng.integers(0, 5))]
    pairs = [(int(a), int(b)) for a, b in pairs if a != b]
    spans = []
    for a, b in pairs:
        z1 = rng.uniform(0.1, 1) + 1j * rng.uniform(0.1, 1)
        mix = rng.uniform(-0.02, 0.02, (3, 3))
        spans.append((a, b, abc_from_sequence(z1, 3 * z1) + (mix + mix.T)))
    nodes = rng.choice(n, int(rng.integers(1, 4)), replace=False)
    sources = [(int(k), ZS * rng.uniform(1, 3), E * rng.uniform(0.95, 1.05)) for k in nodes]
    agrees(feed(spans, n_nodes=n, sources=sources))


def test_a_phase_tied_to_no_source_is_loose_wire_in_a_loop():
    # B opens before the ring: round the ring it is a closed wire that carries what is induced
    one = feed(
        [(0, 1, Z), (1, 2, Z), (2, 3, Z), (3, 1, Z), (3, 4, Z)], n_nodes=5, masks=[5, 7, 7, 7, 7]
    )
    assert list(agrees(one).phases) == [7, 5, 5, 5, 5]
    # B is open in the ring as well: an open wire carries nothing
    two = feed([(0, 1, Z), (1, 2, Z), (2, 3, Z), (3, 1, Z)], n_nodes=4, masks=[5, 7, 7, 5])
    none = feed([(0, 1, Z), (1, 2, Z), (2, 3, Z), (3, 1, Z)], n_nodes=4, masks=[5, 5, 5, 5])
    assert agrees(two).impedance_ohm == pytest.approx(agrees(none).impedance_ohm, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_network_with_phases_missing_agrees_with_the_whole_matrix(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 30))
    pairs = [(int(max(0, k - rng.integers(1, 4))), k) for k in range(1, n)]
    pairs += [tuple(rng.integers(0, n, 2)) for _ in range(rng.integers(1, 6))]
    pairs = sorted({(min(int(a), int(b)), max(int(a), int(b))) for a, b in pairs if a != b})
    masks = np.where(rng.random(len(pairs)) < 0.7, 7, rng.integers(1, 8, len(pairs)))
    spans = [(a, b, Z * rng.uniform(0.1, 1)) for a, b in pairs]
    nodes = rng.choice(n, int(rng.integers(1, 3)), replace=False)
    sources = [(int(k), ZS * rng.uniform(1, 3), E * rng.uniform(0.95, 1.05)) for k in nodes]
    agrees(feed(spans, n_nodes=n, sources=sources, masks=masks), rel=1e-8)


def test_a_long_ring_with_laterals_and_a_ring_in_a_ring():
    rng = np.random.default_rng(5)
    ring = [(k, k + 1, Z * rng.uniform(0.1, 1)) for k in range(40)] + [(40, 5, Z)]
    cross = [(10, 20, 2 * Z), (15, 30, Z), (12, 41, Z), (41, 42, Z), (42, 12, Z), (25, 43, Z)]
    agrees(feed([*ring, *cross], n_nodes=44))


@pytest.mark.parametrize("share", [0.0, 0.15])
def test_a_street_grid_is_eliminated_and_put_back(share):
    # 12 x 12 crossings: more junctions than are inverted as they are; some phases missing
    rng = np.random.default_rng(3)
    side = 12
    pairs = [(k, k + 1) for k in range(side * side) if k % side < side - 1]
    pairs += [(k, k + side) for k in range(side * (side - 1))]
    masks = np.where(rng.random(len(pairs)) < share, rng.integers(1, 8, len(pairs)), 7)
    spans = [(a, b, Z * rng.uniform(0.1, 1)) for a, b in pairs]
    sources = [(0, ZS, E), (100, 2 * ZS, 1.02 * E)]
    f = feed(spans, n_nodes=side * side, sources=sources, masks=masks)
    found = agrees(f, rel=1e-8)
    assert (found.phases == 7).mean() > 0.9


def test_many_neighbours_are_inverted_as_they_are():
    # every node joined to every other: nothing has few neighbours
    rng = np.random.default_rng(4)
    spans = [(a, b, Z * rng.uniform(0.1, 1)) for b in range(30) for a in range(b)]
    agrees(feed(spans, n_nodes=30, sources=[(0, ZS, E), (7, ZS, E)]))
