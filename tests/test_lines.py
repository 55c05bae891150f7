"""Line constants: shapes, limits, other routes, the built-in tables, impedance of spans."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
import shapely
from feeder import circuit, layer, pole, span, straight, territory

from gridground.electrical.lines import (
    abc_from_sequence,
    primitive_ohm_per_km,
    reduce_neutral,
    sequence_from_abc,
    span_impedance_ohm,
    span_primitive_ohm_per_km,
)
from gridground.errors import NoPlanError
from gridground.tables import read_table
from gridground.tables.wires import builtin_conductors, builtin_constructions
from gridground.territory.layers import ID_COLUMN, Layer, Territory
from gridground.territory.network import Network


def us_carson_ohm_per_mile(r, gmr_ft, places_ft, f, rho):
    """Independent: the same series in its US form, ohm/mile and feet, in plain loops."""
    n = len(r)
    z = [[0j] * n for _ in range(n)]
    for i in range(n):
        for k in range(n):
            distance = gmr_ft[i] if i == k else math.dist(places_ft[i], places_ft[k])
            x = 0.00202237 * f * (math.log(1 / distance) + 7.6786 + 0.5 * math.log(rho / f))
            z[i][k] = 0.00158836 * f + 1j * x + (r[i] if i == k else 0)
    return z


@pytest.mark.parametrize(("f", "rho"), [(60.0, 100.0), (50.0, 100.0), (60.0, 10.0), (60.0, 1000.0)])
def test_metric_and_us_form_agree(f, rho):
    r, gmr = [0.306, 0.306, 0.306, 0.592], [0.0244, 0.0244, 0.0244, 0.00814]
    places = [(0.0, 28.0), (2.5, 28.0), (7.0, 28.0), (4.0, 24.0)]
    metric = primitive_ohm_per_km(
        np.array(r) / 1.609344,
        np.array(gmr) * 0.3048,
        [0.3048 * p[0] for p in places],
        [0.3048 * p[1] for p in places],
        frequency_hz=f,
        resistivity_ohm_m=rho,
    )
    expected = us_carson_ohm_per_mile(r, gmr, places, f, rho)
    assert metric * 1.609344 == pytest.approx(np.array(expected), rel=2e-4)


def test_primitive_is_batched():
    x, y = np.array([0.0, 1.0, 2.0]), np.array([9.0, 9.0, 7.0])
    both = primitive_ohm_per_km(
        np.full((2, 3), 0.2),
        np.full((2, 3), 0.004),
        np.stack([x, x]),
        np.stack([y, y + 3]),
        frequency_hz=np.array([60.0, 50.0]),
        resistivity_ohm_m=np.array([100.0, 300.0]),
    )
    one = primitive_ohm_per_km(
        [0.2] * 3, [0.004] * 3, x, y + 3, frequency_hz=50.0, resistivity_ohm_m=300.0
    )
    assert both.shape == (2, 3, 3)
    assert both[1] == pytest.approx(one)


def test_reduction_equals_the_current_in_a_grounded_wire():
    # independent: force the neutral's voltage to zero and read the phase voltages
    z = np.array([[1 + 2j, 0.1 + 0.5j, 0.1 + 0.4j], [0.1 + 0.5j, 1 + 2j, 0.1 + 0.6j],
                  [0.1 + 0.4j, 0.1 + 0.6j, 2 + 1j]])  # fmt: skip
    current = np.array([3.0 - 1j, -2.0 + 4j])
    neutral = -(z[2, :2] @ current) / z[2, 2]
    volts = z[:2, :2] @ current + z[:2, 2] * neutral
    assert reduce_neutral(z, 2) @ current == pytest.approx(volts)
    assert reduce_neutral(z, 3) is not None
    assert reduce_neutral(z, 3) == pytest.approx(z)


def test_sequence_and_back():
    z1, z0 = 0.3 + 0.6j, 0.8 + 1.9j
    abc = abc_from_sequence(z1, z0)
    assert sequence_from_abc(abc) == (pytest.approx(z1), pytest.approx(z0))
    # independent: by the transformation matrix
    a = cmath.exp(2j * math.pi / 3)
    matrix = np.array([[1, 1, 1], [1, a**2, a], [1, a, a**2]])
    by_matrix = np.linalg.inv(matrix) @ abc @ matrix
    assert np.diag(by_matrix) == pytest.approx([z0, z1, z1])
    many = abc_from_sequence(np.array([z1, 2 * z1]), np.array([z0, 3 * z0]))
    assert many.shape == (2, 3, 3)
    assert sequence_from_abc(many)[1] == pytest.approx([z0, 3 * z0])


# --- the built-in tables -------------------------------------------------------------------


def test_tables_are_as_large_as_promised_and_every_row_has_a_source():
    assert len(read_table("conductors")) >= 40
    assert len(builtin_constructions()) >= 12
    assert len({row["name"] for row in read_table("conductors")}) == len(read_table("conductors"))


@pytest.mark.parametrize("wire", builtin_conductors().values(), ids=lambda wire: wire.name)
def test_conductor_row_is_plausible(wire):
    solid_mm2 = math.pi / 4 * (wire.diameter_m * 1000) ** 2
    assert 0.6 * solid_mm2 < wire.area_mm2 <= solid_mm2 * 1.005
    # dc resistance at 50 C from the area; ACSR 6/1 carries steel-core loss on top
    resistivity = {"copper": 17.24 / 0.973 * 1.114, "AAAC": 32.84 * 1.104}.get(
        wire.material, 28.26 * 1.121
    )
    if "annealed" in wire.source:
        resistivity = 17.24 * 1.118
    low, high = (0.98, 1.25) if wire.material == "ACSR" else (0.98, 1.05)
    assert low < wire.resistance_ohm_per_km / (resistivity / wire.area_mm2) < high
    ratio = wire.gmr_m / (wire.diameter_m / 2)
    if wire.material in {"AAC", "AAAC", "copper"}:
        # solid, 3, 7, 19 or 37 strands
        assert min(abs(ratio / k - 1) for k in (0.7788, 0.678, 0.7256, 0.7577, 0.7678)) < 0.03
    elif "26/7" in wire.name:
        assert ratio == pytest.approx(0.812, rel=0.03)
    else:
        assert 0.2 < ratio < 0.8


@pytest.mark.parametrize("top", builtin_constructions().values(), ids=lambda top: top.name)
def test_pole_top_is_plausible(top):
    assert set(top.positions) <= {"1", "2", "3", "N"}
    assert {"1", "N"} <= set(top.positions)
    assert len(set(top.positions.values())) == len(top.positions)
    neutral_y = top.positions["N"][1]
    for position, (x, y) in top.positions.items():
        assert abs(x) < 2.0
        assert 5.0 < y < 13.0
        assert position == "N" or y >= neutral_y + 1.0


def test_test_feeder_spacings():
    # published: distances of spacing 500, in feet
    place = {
        k: np.array(v) / 0.3048 for k, v in builtin_constructions()["IEEE 500"].positions.items()
    }
    apart = {
        pair: np.hypot(*(place[pair[0]] - place[pair[1]]))
        for pair in ("12", "23", "13", "1N", "2N", "3N")
    }
    assert apart == pytest.approx(
        {"12": 2.5, "23": 4.5, "13": 7.0, "1N": 5.657, "2N": 4.272, "3N": 5.0}, abs=5e-4
    )


# --- spans ---------------------------------------------------------------------------------


def impedances(spans, circuits=None, poles=("P0", "P1")):
    t = territory([pole(name) for name in poles], spans, circuits or [circuit()])
    return span_impedance_ohm(t, Network.build(t))


def test_span_has_the_reduced_matrix_times_its_length():
    t = straight(1, length_m=250.0)
    labels, primitive = span_primitive_ohm_per_km(t, 0, resistivity_ohm_m=100.0)
    assert labels == ("A", "B", "C", "N")
    assert primitive.shape == (4, 4)
    found = span_impedance_ohm(t, Network.build(t))
    assert found[0] == pytest.approx(0.25 * reduce_neutral(primitive, 3))


def test_letters_say_who_hangs_where():
    straight_order, other = impedances(
        [span("S1", "P0", "P1"), span("S2", "P0", "P1", phases="BAC")]
    )
    swap = [1, 0, 2]
    assert other == pytest.approx(straight_order[np.ix_(swap, swap)])
    assert abs(straight_order[0, 0] - straight_order[1, 1]) > 1e-4  # the order matters


def test_absent_phases_are_zero():
    two, one = impedances(
        [
            span("S1", "P0", "P1", phases="CA", construction="IEEE 505"),
            span("S2", "P0", "P1", phases="B", construction="IEEE 510"),
        ]
    )
    assert (two[1] == 0).all()
    assert (two[:, 1] == 0).all()
    assert two[0, 2] != 0
    assert (one != 0).sum() == 1
    assert one[1, 1] != 0


def test_no_neutral_is_the_primitive_itself():
    t = straight(1, neutral_conductor=None, length_m=1000.0)
    labels, primitive = span_primitive_ohm_per_km(t, 0, resistivity_ohm_m=100.0)
    assert labels == ("A", "B", "C")
    assert span_impedance_ohm(t, Network.build(t))[0] == pytest.approx(primitive)


def test_stated_sequence_impedance_replaces_the_computed_one():
    stated = {
        "r1_ohm_per_km": 0.2,
        "x1_ohm_per_km": 0.4,
        "r0_ohm_per_km": 0.5,
        "x0_ohm_per_km": 1.2,
    }
    cable = {"kind": "cable", "conductor": None, "construction": None, "neutral_conductor": None}
    found = impedances(
        [
            span("S1", "P0", "P1", length_m=500.0, **stated),
            span("S2", "P0", "P1", length_m=500.0, **cable, **stated),
            span("S3", "P0", "P1", phases="C", length_m=500.0, **cable, **stated | {
                "r0_ohm_per_km": 0.2, "x0_ohm_per_km": 0.4}),
        ]
    )  # fmt: skip
    assert sequence_from_abc(found[0]) == (pytest.approx(0.1 + 0.2j), pytest.approx(0.25 + 0.6j))
    assert found[1] == pytest.approx(found[0])
    assert found[2][2, 2] == pytest.approx(0.1 + 0.2j)  # one-phase: the self impedance


@pytest.mark.parametrize(
    "given",
    [
        {"conductor": None},
        {"conductor": "no such wire"},
        {"construction": None},
        {"construction": "no such top"},
        {"construction": "IEEE 505"},  # three phases, two places
        {"neutral_conductor": "no such wire"},
        {"phases": None},
        {"kind": "cable"},
        {"kind": "link", "r1_ohm_per_km": 0.1, "x1_ohm_per_km": 0.1, "r0_ohm_per_km": 0.1},
    ],
    ids=str,
)
def test_what_is_unknown_is_nan(given):
    found = impedances([span("S1", "P0", "P1", **given), span("S2", "P0", "P1")])
    assert np.isnan(found[0]).all()
    assert np.isfinite(found[1]).all()


def test_a_missing_neutral_key_is_unknown_a_null_is_none():
    row = span("S1", "P0", "P1")
    del row["neutral_conductor"]
    found = impedances([row, span("S2", "P0", "P1", neutral_conductor=None)])
    assert np.isnan(found[0]).all()
    assert np.isfinite(found[1]).all()
    t = territory([pole("P0"), pole("P1")], [row], [circuit()])
    with pytest.raises(NoPlanError, match="S1: neutral_conductor unknown") as error:
        span_primitive_ohm_per_km(t, 0, resistivity_ohm_m=100.0)
    assert error.value.reasons[0].code == "unknown_conductors"


def test_frequency_of_the_circuit_counts():
    spans = [span("S1", "P0", "P1"), span("S2", "P0", "P1", circuit_id="F2")]
    sixty, fifty = impedances(spans, [circuit(), circuit("F2", frequency_hz=50.0)])
    assert fifty[0, 0].imag < sixty[0, 0].imag
    # reactance per hertz differs by the depth of the return only
    assert fifty[0, 0].imag / 50 == pytest.approx(sixty[0, 0].imag / 60, rel=0.02)


def test_soil_over_the_middle_of_the_span_counts():
    at = shapely.LineString([(0, 40), (0, 40.01)])
    t = territory(
        [pole("P0"), pole("P1")],
        [span("S1", "P0", "P1", neutral_conductor=None, at=at),
         span("S2", "P0", "P1", neutral_conductor=None, at=shapely.LineString([(1, 40), (1, 41)]))],
        [circuit()],
    )  # fmt: skip
    box = shapely.box(-0.1, 40.004, 0.1, 40.006)
    rows = {
        "soil_id": np.array(["W", "D"], object),
        "resistivity_ohm_m": np.array([1000.0, 300.0]),
        "source": np.array(["test", "test"], object),
    }
    soil = Layer("soil", rows, {k: np.ones(2, bool) for k in rows}, np.array([box, box], object))
    assert ID_COLUMN["soil"] == "soil_id"
    t = Territory(t.name, t.layers | {"soil": soil}, t.conductors, t.constructions)
    found = span_impedance_ohm(t, Network.build(t))
    low = span_primitive_ohm_per_km(t, 0, resistivity_ohm_m=300.0)[1] * 0.05  # lowest of the two
    usual = span_primitive_ohm_per_km(t, 1, resistivity_ohm_m=100.0)[1] * 0.05
    assert found[0] == pytest.approx(low)
    assert found[1] == pytest.approx(usual)


def test_rows_can_be_chosen():
    t = straight(4)
    network = Network.build(t)
    assert span_impedance_ohm(t, network, rows=np.array([2])) == pytest.approx(
        span_impedance_ohm(t, network)[2:3]
    )
    assert layer("spans", []).ids.shape == (0,)


# --- any number of conductors --------------------------------------------------------------


def random_line(n, seed, hertz=60.0, rho=100.0):
    rng = np.random.default_rng(seed)
    x = np.linspace(-1.5, 1.5, n)
    return primitive_ohm_per_km(
        rng.uniform(0.1, 2.0, n), rng.uniform(0.001, 0.012, n), x, rng.uniform(7, 12, n),
        frequency_hz=hertz, resistivity_ohm_m=rho,
    )  # fmt: skip


@pytest.mark.parametrize("n_grounded", [1, 2, 3, 4])
def test_several_grounded_wires_go_out_together_or_one_by_one(n_grounded):
    matrix = random_line(3 + n_grounded, seed=n_grounded)
    together = reduce_neutral(matrix, 3)
    one_by_one = matrix
    for left in range(2 + n_grounded, 2, -1):
        one_by_one = reduce_neutral(one_by_one, left)
    assert together == pytest.approx(one_by_one)
    # independent: admittances of all, cut to the phases, inverted
    assert together == pytest.approx(np.linalg.inv(np.linalg.inv(matrix)[:3, :3]))
    assert together == pytest.approx(together.T)


def test_a_stack_of_lines_is_reduced_at_once():
    stack = np.stack([random_line(8, seed) for seed in range(4)])
    found = reduce_neutral(stack, 6)
    assert found.shape == (4, 6, 6)
    assert found[2] == pytest.approx(reduce_neutral(stack[2], 6))


@pytest.mark.parametrize("hertz", [50.0, 60.0])
@pytest.mark.parametrize("rho", [1.0, 10.0, 100.0, 2500.0, 20_000.0])
def test_every_line_is_passive_in_any_soil(hertz, rho):
    matrix = reduce_neutral(random_line(8, 5, hertz, rho), 6)
    assert np.linalg.eigvalsh(matrix.real).min() > 0
    z1, z0 = sequence_from_abc(matrix[:3, :3])
    assert z0.real > z1.real > 0
    assert z0.imag > z1.imag > 0


@pytest.mark.parametrize(
    "wrong",
    [{"gmr_m": [0.0, 0.004]}, {"frequency_hz": 0.0}, {"resistivity_ohm_m": -1.0}],
    ids=str,
)
def test_what_cannot_be_is_a_wrong_call(wrong):
    given = {"gmr_m": [0.004, 0.004], "frequency_hz": 60.0, "resistivity_ohm_m": 100.0} | wrong
    with pytest.raises(ValueError, match="must be above zero"):
        primitive_ohm_per_km([0.2, 0.2], x_m=[0.0, 1.0], y_m=[9.0, 9.0], **given)


def test_sequence_values_of_two_phases_and_of_one_give_the_phases_back():
    full = random_line(3, 9)
    for kept in ([0, 1], [0, 2], [1]):
        part = full[np.ix_(kept, kept)]
        z1, z0 = sequence_from_abc(part)
        back = abc_from_sequence(z1, z0)[: len(kept), : len(kept)]
        assert np.trace(back) == pytest.approx(np.trace(part))
        assert back.sum() == pytest.approx(part.sum())
    assert sequence_from_abc(full[1:2, 1:2]) == (pytest.approx(full[1, 1]),) * 2
    for wrong in (0, 4):
        with pytest.raises(ValueError, match="one, two or three phases"):
            sequence_from_abc(np.zeros((wrong, wrong), complex))
