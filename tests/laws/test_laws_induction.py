"""Properties of induction: what may change a figure, and which way."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.beside import Ground, rows_of, straight

ENDS = {"P0": 25.0, "P20": 25.0}
FIGURES = ("floating_v", "floating_local_v", "discharge_a", "emf_steady_v",
           "circulating_steady_a", "emf_fault_v", "circulating_fault_a")  # fmt: skip
OFFSET = st.floats(5.0, 90.0)
SLANT = st.floats(-60.0, 60.0)
few = settings(max_examples=25, deadline=None)


def figures(offset_m, slant_m=0.0, *, ground=None, changes=None, grounds=None, **more):
    line = ((-500.0, offset_m - slant_m), (1500.0, offset_m + slant_m))
    area = straight(ground or Ground(), {"T": (line, changes or {})}, **more)
    row = rows_of(area, grounds=grounds or ENDS)[0]
    return [row[name] for name in FIGURES]


@given(offset=OFFSET, slant=SLANT, lon=st.floats(-179, 179), lat=st.floats(-60, 60),
       turn=st.floats(0, 360))  # fmt: skip
@few
def test_moving_and_turning_the_map_changes_nothing(offset, slant, lon, lat, turn):
    here = figures(offset, slant)
    there = figures(offset, slant, ground=Ground(lon, lat, turn))
    assert there == pytest.approx(here, rel=3e-3, abs=1e-6)


@given(offset=OFFSET, slant=SLANT)
@few
def test_direction_of_the_neighbour_changes_nothing(offset, slant):
    line = ((-500.0, offset - slant), (1500.0, offset + slant))
    both = [
        rows_of(straight(Ground(), {"T": (points, {})}), grounds=ENDS)[0]
        for points in (line, line[::-1])
    ]
    for name in FIGURES:
        assert both[0][name] == pytest.approx(both[1][name], rel=2e-3)


@given(near=st.floats(15.0, 90.0), step=st.floats(1.0, 60.0))
@few
def test_a_farther_line_induces_less(near, step):
    one, other = figures(near), figures(min(near + step, 95.0))
    assert all(b <= a * 1.001 for a, b in zip(one, other, strict=True))


@given(offset=OFFSET, factor=st.floats(1.1, 10.0))
@few
def test_more_load_and_fault_in_proportion(offset, factor):
    one = figures(offset)
    other = figures(offset, changes={"load_a": 600.0 * factor, "fault_a": 8000.0 * factor})
    assert other[:3] == pytest.approx(one[:3], rel=1e-9)
    assert other[3:] == pytest.approx([factor * v for v in one[3:]], rel=3e-3)


@given(offset=OFFSET, spans=st.integers(1, 19))
@few
def test_open_gap_in_proportion_to_the_stretch(offset, spans):
    whole = figures(offset)
    part = figures(offset, grounds={"P0": 25.0, f"P{spans}": 25.0})
    assert part[3] == pytest.approx(whole[3] * spans / 20, rel=5e-3)
    assert part[5] == pytest.approx(whole[5] * spans / 20, rel=5e-3)
    assert part[:3] == whole[:3]


@given(offset=OFFSET, ohm=st.floats(0.1, 200.0))
@few
def test_larger_end_resistances_never_more_current_in_one_conductor(offset, ohm):
    single = {"phases": "A", "construction": "IEEE 510"}
    one = figures(offset, grounds={"P0": ohm, "P20": ohm}, **single)
    other = figures(offset, grounds={"P0": 2 * ohm, "P20": 2 * ohm}, **single)
    assert other[4] <= one[4] * 1.001
    assert other[6] <= one[6] * 1.001


@given(offset=OFFSET, key=st.sampled_from(["load_a", "fault_a", "clearing_s", "height_m",
                                           "nominal_kv", "state"]))  # fmt: skip
@few
def test_deleting_a_figure_is_named_and_never_passes(offset, key):
    line = ((-500.0, offset), (1500.0, offset))
    row = rows_of(straight(Ground(), {"T": (line, {key: None})}), grounds=ENDS)[0]
    assert key in row["unknown"]
    judged = {"load_a": "passed_steady", "fault_a": "passed_fault", "clearing_s": "passed_fault"}
    if key in judged:
        assert row[judged[key]] is None


@given(offset=OFFSET)
@few
def test_a_second_neighbour_never_makes_less(offset):
    first = {"T": (((-500.0, offset), (1500.0, offset)), {})}
    second = first | {"U": (((-500.0, -40.0), (1500.0, -40.0)), {})}
    one = rows_of(straight(Ground(), first), grounds=ENDS)[-1]
    both = rows_of(straight(Ground(), second), grounds=ENDS)[-1]
    assert all(both[name] >= one[name] * 0.999 for name in FIGURES)
