"""One way from a lead that hangs to its row: by the truck, by the field and by the plan alike."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from test_rows import SPOT, duty, job

from gridground.grounding.hanging import Hanging, hung_row
from gridground.grounding.rows import landing, lead_rows, spot_of_rows
from gridground.grounding.truck import with_kit
from gridground.grounding.used_leads import used_rows
from gridground.job import Kit, KitLead, Measured, UsedLead

ASKED = {"lead_id", "source", "planned", "kit_lead_ids", "told"}


def planned(asked):
    return lead_rows(asked, [SPOT], [duty()])


def same(one, other):
    """Say in what two rows differ, apart from who says so."""
    return [
        f.name
        for f in fields(one)
        if f.name not in ASKED
        and getattr(one, f.name) != getattr(other, f.name)
        and getattr(one, f.name) == getattr(one, f.name)  # no NaN
    ]


@pytest.mark.parametrize("size", ["1/0", "2/0", "4/0"])
def test_truck_field_and_plan_give_one_row(size):
    """Independent of each other: the row planned at that size, out of the truck, and as told."""
    base = job()
    limits = replace(base.limits, lead_sizes=("1/0", "2/0", "4/0"))
    asked = replace(base, limits=replace(limits, lead_minimum="1/0"), kit=None)
    sized = replace(asked, limits=replace(limits, lead_minimum=size))
    first, expected = planned(asked), planned(sized)
    leads = tuple(
        KitLead(f"T{n}", size, row.length_m, "", None) for n, row in enumerate(expected, 1)
    )
    by_truck = with_kit(replace(asked, kit=Kit(leads, None, None)), [SPOT], first)
    told = tuple(
        UsedLead(
            row.edge.pole_id,
            row.edge.span_id,
            row.edge.start,
            row.edge.end,
            size=size,
            length_m=row.length_m,
            said="somebody",
            count=row.parallel,
        )
        for row in expected
    )
    by_field = used_rows(replace(asked, measured=Measured(leads=told)), [SPOT], first)
    for one, other, third in zip(expected, by_truck, by_field, strict=True):
        assert {*same(one, other)} <= {"next_size"}  # the plan's stock may begin at another size
        assert same(other, third) == []
        assert third.source.endswith(other.source)


def test_a_row_that_keeps_its_cables_keeps_its_words():
    asked = job()
    for row, spot in zip(planned(asked), spot_of_rows([SPOT]), strict=True):
        ends = (landing(row.edge.start, spot, asked), landing(row.edge.end, spot, asked))
        hangs = Hanging(row.size, row.parallel, row.length_m)
        assert same(row, hung_row(row, hangs, ends, asked.limits)) == []
        longer = hung_row(row, replace(hangs, length_m=2 * row.length_m), ends, asked.limits)
        assert longer.source == row.source
        assert longer.reactance_ohm > row.reactance_ohm
        assert set(same(row, longer)) == {
            *("length_m", "cold_ohm", "in_service_ohm", "resistance_ohm", "reactance_ohm")
        }


def test_another_size_has_clamps_of_its_own():
    """The clamp of the planned size would be too small for a larger lead."""
    asked = job()
    row = next(r for r in planned(asked) if r.edge.start != "rod")
    ends = (landing(row.edge.start, SPOT, asked), landing(row.edge.end, SPOT, asked))
    before = replace(row, clamp_from="of another size", clamp_to="of another size")
    fresh = hung_row(before, Hanging("4/0", 1, row.length_m), ends, asked.limits)
    assert "of another size" not in {fresh.clamp_from, fresh.clamp_to}
    known = hung_row(before, Hanging("4/0", 1, row.length_m, ("own", None)), ends, asked.limits)
    assert known.clamp_from == "own"
