import math

import pytest

from gridground.errors import NoPlanError
from gridground.grounding.clamps import choose_clamp, clamps
from gridground.tables.wires import builtin_conductors
from gridground.units import LEAD_KCMIL, area_mm2, parse_length_m


@pytest.mark.parametrize(
    ("lands_on", "diameter_mm", "size", "expected"),
    [
        ("conductor", 4, "2", "conductor clamp, small"),
        ("conductor", 10.1, "2/0", "conductor clamp, small"),
        ("conductor", 16, "2/0", "conductor clamp, small"),
        ("conductor", 16.1, "2/0", "conductor clamp, medium"),
        ("conductor", 10.1, "3/0", "conductor clamp, medium"),
        ("conductor", 28, "4/0", "conductor clamp, medium"),
        ("conductor", 10.1, "250", "conductor clamp, large"),
        ("conductor", 28.1, "2", "conductor clamp, large"),
        ("conductor", 45, "350", "conductor clamp, large"),
        ("rod", 12.7, "4/0", "rod clamp"),
        ("rod", 25.4, "350", "rod clamp"),
        ("pole ground wire", 4.1, "2/0", "ground wire clamp"),
        ("pole ground wire", 20, "2/0", "ground wire clamp, large"),
        ("pole ground wire", 7, "350", "ground wire clamp, large"),
        ("bar", None, "350", "bar clamp"),
        ("bar", 12, "2", "bar clamp"),
        ("steel", None, "2/0", "steel clamp, flat face"),
        ("conductor", 10.1, "70 mm2", "conductor clamp, medium"),
    ],
)
def test_smallest_that_fits(lands_on, diameter_mm, size, expected):
    diameter_m = None if diameter_mm is None else diameter_mm / 1000
    assert choose_clamp(lands_on, diameter_m, size) == expected


@pytest.mark.parametrize(
    ("lands_on", "diameter_m", "size"),
    [
        ("conductor", 0.0039, "2"),
        ("conductor", 0.0451, "2"),
        ("conductor", 0.005, "250"),
        ("conductor", 0.02, "240 mm2"),
        ("conductor", None, "2"),
        ("conductor", math.nan, "2"),
        ("rod", 0.0126, "2"),
        ("rod", 0.0255, "2"),
        ("rod", 0.016, "240 mm2"),
        ("pole ground wire", None, "2"),
        ("bar", None, "240 mm2"),
        ("steel", None, "240 mm2"),
    ],
)
def test_none_that_fits_is_no_plan(lands_on, diameter_m, size):
    with pytest.raises(NoPlanError) as refused:
        choose_clamp(lands_on, diameter_m, size, where=("P7",))
    (reason,) = refused.value.reasons
    assert (reason.code, reason.where) == ("clamp_does_not_fit", ("P7",))
    assert lands_on in reason.what
    assert size in reason.what
    assert reason.remedy


def test_the_reason_says_what_was_asked_and_what_there_is():
    with pytest.raises(NoPlanError) as refused:
        choose_clamp("conductor", 0.05, "2/0")
    what = refused.value.reasons[0].what
    assert "conductor of 50.0 mm with a 2/0 lead" in what
    assert "conductor clamp, small: 4 to 16 mm, leads up to 2/0" in what
    with pytest.raises(NoPlanError, match="unknown diameter"):
        choose_clamp("rod", None, "2/0")
    with pytest.raises(NoPlanError, match=r"\(bar clamp: leads up to 350\)"):
        choose_clamp("bar", None, "240 mm2")


def test_something_else_is_a_wrong_call():
    with pytest.raises(ValueError, match="no clamp lands on 'fence'"):
        choose_clamp("fence", 0.01, "2")
    with pytest.raises(ValueError, match="not a lead size"):
        choose_clamp("bar", None, "8")


def test_a_size_in_inches_is_the_same_size():
    for text in ("0.5 in", "12.7 mm", "1 in", "25.4 mm", "2.54 cm"):
        assert choose_clamp("rod", parse_length_m(text), "2/0") == "rod clamp"


def test_every_built_in_line_conductor_takes_the_usual_leads():
    line_wires = [wire for wire in builtin_conductors().values() if wire.diameter_m > 0.004]
    assert len(line_wires) > 40
    for conductor in line_wires:
        for size in ("2", "1/0", "2/0", "4/0"):
            assert choose_clamp("conductor", conductor.diameter_m, size)


def test_every_row_has_a_lead_of_the_table_and_a_range_that_can_be():
    for clamp in clamps():
        assert clamp.source == "common practice, no source"
        assert clamp.largest_lead in LEAD_KCMIL
        assert (clamp.smallest_m is None) == (clamp.largest_m is None)
        if clamp.smallest_m is not None:
            assert 0 < clamp.smallest_m < clamp.largest_m < 0.1
    kinds = {clamp.lands_on for clamp in clamps()}
    assert kinds == {"conductor", "bar", "rod", "steel", "pole ground wire"}


def test_the_smaller_of_a_kind_stands_first():
    for kind in {clamp.lands_on for clamp in clamps()}:
        leads = [area_mm2(clamp.largest_lead) for clamp in clamps() if clamp.lands_on == kind]
        assert leads == sorted(leads)
