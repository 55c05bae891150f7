"""Several circuits on the same poles: one matrix, the shared neutral once."""

import numpy as np
import pytest
from feeder import circuit, pole, span, territory

from gridground.electrical.lines import (
    primitive_ohm_per_km,
    reduce_neutral,
    sequence_from_abc,
    span_primitive_ohm_per_km,
)
from gridground.electrical.shared_poles import phase_count, shared_primitive_ohm_per_km
from gridground.errors import NetworkError, NoPlanError
from gridground.tables.wires import builtin_conductors, builtin_constructions

LEFT, RIGHT = "double circuit left side (45-ft pole)", "double circuit right side (45-ft pole)"


def double(*, second=None, hertz=60.0):
    """Two circuits on one row of poles, left and right, hung on one neutral."""
    spans = [
        span("S1", "P0", "P1", construction=LEFT, shares_neutral_with="F2"),
        span("S2", "P0", "P1", circuit_id="F2", construction=RIGHT, shares_neutral_with="F1")
        | (second or {}),
    ]
    circuits = [circuit(), circuit("F2", frequency_hz=hertz)]
    return territory([pole("P0"), pole("P1"), pole("P2")], spans, circuits)


def matrix(given, rows=(0, 1)):
    return shared_primitive_ohm_per_km(given, rows, resistivity_ohm_m=100.0)


def test_phases_first_and_the_shared_neutral_once():
    labels, found = matrix(double())
    assert labels == ("F1:A", "F1:B", "F1:C", "F2:A", "F2:B", "F2:C", "F1:N")
    assert phase_count(labels) == 6
    assert found.shape == (7, 7)
    assert found == pytest.approx(found.T)


def test_a_shared_neutral_named_by_one_circuit_only_is_still_one():
    assert len(matrix(double(second={"shares_neutral_with": None}))[0]) == 7
    given = double(second={"neutral_conductor": None})
    assert matrix(given)[0][-1] == "F1:N"
    assert matrix(given, (1, 0))[0] == ("F2:A", "F2:B", "F2:C", "F1:A", "F1:B", "F1:C", "F1:N")


def test_neutrals_of_their_own_are_two():
    top = "underbuilt crossarm 8 ft (45-ft pole)"
    spans = [
        span("S1", "P0", "P1", construction="crossarm 8 ft (45-ft pole)"),
        span("S2", "P0", "P1", circuit_id="F2", construction=top),
    ]
    given = territory([pole("P0"), pole("P1")], spans, [circuit(), circuit("F2")])
    labels, found = matrix(given)
    assert labels[-2:] == ("F1:N", "F2:N")
    # independent: one neutral after the other gives the same as both at once
    one_by_one = reduce_neutral(reduce_neutral(found, 7), 6)
    assert reduce_neutral(found, 6) == pytest.approx(one_by_one)


def test_the_part_of_one_circuit_is_its_own_matrix():
    given = double()
    labels, found = matrix(given)
    own = [labels.index(name) for name in ("F1:A", "F1:B", "F1:C", "F1:N")]
    alone = span_primitive_ohm_per_km(given, 0, resistivity_ohm_m=100.0)[1]
    assert found[np.ix_(own, own)] == pytest.approx(alone)
    assert matrix(given, (0,))[1] == pytest.approx(alone)


def test_mutual_impedances_are_those_of_the_places():
    # independent: places read off the table, distance by hand
    left, right = (builtin_constructions()[name].positions for name in (LEFT, RIGHT))
    wire = builtin_conductors()["336.4 ACSR 26/7"]
    two = primitive_ohm_per_km(
        [wire.resistance_ohm_per_km] * 2, [wire.gmr_m] * 2,
        [left["1"][0], right["3"][0]], [left["1"][1], right["3"][1]],
        frequency_hz=60.0, resistivity_ohm_m=100.0,
    )  # fmt: skip
    labels, found = matrix(double())
    assert found[labels.index("F1:A"), labels.index("F2:C")] == pytest.approx(two[0, 1])


def test_a_span_drawn_the_other_way_round_is_turned_over():
    # the right side looked at from the other end is the left side
    other = {"from_pole": "P1", "to_pole": "P0", "construction": LEFT, "shares_neutral_with": None}
    spans = [
        span("S1", "P0", "P1", construction=LEFT, neutral_conductor=None),
        span("S2", "P0", "P1", circuit_id="F2", neutral_conductor=None) | other,
    ]
    given = territory([pole("P0"), pole("P1")], spans, [circuit(), circuit("F2")])
    expected = matrix(double())[1][:6, :6]
    assert matrix(given)[1] == pytest.approx(expected)


def test_a_second_circuit_raises_no_impedance_of_the_first():
    """Shared neutral apart, an open second circuit changes nothing; grounded, it lowers Z0."""
    labels, found = matrix(double())
    alone = sequence_from_abc(reduce_neutral(found[np.ix_([0, 1, 2, 6], [0, 1, 2, 6])], 3))
    beside = sequence_from_abc(reduce_neutral(found, 6)[:3, :3])
    assert beside == (pytest.approx(alone[0]), pytest.approx(alone[1]))
    grounded = sequence_from_abc(reduce_neutral(found, 3))
    assert abs(grounded[1]) < abs(beside[1])
    assert len(labels) == 7


@pytest.mark.parametrize(
    ("second", "rows", "words"),
    [
        ({"to_pole": "P2"}, (0, 1), "not between the same two poles"),
        ({"circuit_id": "F1"}, (0, 1), "of one circuit"),
        ({"construction": LEFT}, (0, 1), "F1:A and F2:A are drawn at one place"),
        ({}, (), "no span"),
    ],
)
def test_what_cannot_hang_together_is_refused(second, rows, words):
    with pytest.raises(NetworkError, match=words):
        matrix(double(second=second), rows)


def test_two_frequencies_are_refused():
    with pytest.raises(NetworkError, match="different frequencies"):
        matrix(double(hertz=50.0))


def test_an_unknown_wire_is_no_plan():
    with pytest.raises(NoPlanError, match="S2: conductor or neutral_conductor unknown"):
        matrix(double(second={"conductor": "no such wire"}))
