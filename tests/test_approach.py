"""Approach distances: the rule's own alternative tables (29 CFR 1910.269 Tables R-6 and R-7)."""

from __future__ import annotations

import pytest

from gridground.electrical.approach import altitude_ratio, approach_m
from gridground.errors import TableError


# Tables R-6 and R-7 (metres), from memory, the first recomputed from the formula of Table R-3.
@pytest.mark.parametrize(
    ("kv", "ground", "phase"),
    [
        (0.6, 0.33, 0.33), (4.16, 0.63, 0.63), (12.47, 0.65, 0.68), (34.5, 0.77, 0.89),
        (46.0, 0.84, 0.98), (69.0, 1.00, 1.20), (121.0, 1.13, 1.42), (145.0, 1.30, 1.64),
        (169.0, 1.46, 1.94), (242.0, 2.01, 3.08), (362.0, 3.41, 5.52), (420.0, 4.25, 6.81),
        (550.0, 5.07, 8.24), (800.0, 6.88, 11.38),
    ],
)  # fmt: skip
def test_alternative_tables(kv, ground, phase):
    assert approach_m(kv, phase_to_phase=False, altitude_m=0) == pytest.approx(ground, abs=1e-9)
    assert approach_m(kv, phase_to_phase=True, altitude_m=0) == pytest.approx(phase, abs=1e-9)


def test_superseded_figures_are_not_used():
    # Before 2014 the table gave 0.64 m up to 15 kV, 0.72 m up to 36 kV.
    assert approach_m(15, phase_to_phase=False, altitude_m=0) > 0.64
    assert approach_m(36, phase_to_phase=False, altitude_m=0) > 0.72


def test_altitude_makes_it_longer_and_ends():
    assert altitude_ratio(900) == 1.0
    assert altitude_ratio(901) == 1.02
    high = approach_m(34.5, phase_to_phase=True, altitude_m=3000)
    assert high > approach_m(34.5, phase_to_phase=True, altitude_m=0)
    with pytest.raises(TableError):
        altitude_ratio(6001)
    with pytest.raises(TableError):
        approach_m(1000, phase_to_phase=False, altitude_m=0)


def test_low_voltage_is_avoid_contact():
    assert approach_m(0.24, phase_to_phase=False, altitude_m=0) is None
