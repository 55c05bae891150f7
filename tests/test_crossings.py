"""A crossing that gives more than the leads were chosen for: what is said, and what settles it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.grounding.margin import carried_a

SAMPLE = ROOT / "sample_data"


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(SAMPLE / "territory")


def plan(territory, **limits):
    job = gg.read_job(SAMPLE / "jobs" / "18-crossing.toml")
    job = replace(job, method="dual-point")  # auto would look for another one as currents grow
    return gg.plan_job(territory, replace(job, limits=replace(job.limits, **limits))).document


def crossing(document):
    return [item for item in document["open_items"] if item["code"] == "crossing_fault"]


def test_the_item_says_what_was_asked_and_what_the_hanging_leads_carry(territory):
    found = plan(territory)
    (item,) = crossing(found)
    kinds = ("three_phase_a", "phase_phase_a", "two_phase_ground_a", "phase_ground_a")
    most = [max(row[k] or 0.0 for k in kinds) for row in found["faults"].values()]
    assert f"fault_growth_ratio 1: {min(most):,.0f} to {max(most):,.0f} A" in item["what"]
    assert "can give 7,200 A for 0.12 s" in item["what"]
    told = re.search(r"hang, (G\d+) \((.+?)\), carries ([\d,]+) A for 0.12 s: enough", item["what"])
    # Independent of the row chosen: the least of all leads in the fault path, X/R 30 of what
    # states none, held for the line's time.
    least = min(
        carried_a(
            lead["size"], 0.12, max(30.0, found["faults"][lead["pole_id"]]["x_over_r"]),
            basis="withstand", parallel=lead["parallel"], frequency_hz=60, times_on=1,
        )
        for lead in found["leads"]
        if "rod" not in {lead["from"], lead["to"]}
    )  # fmt: skip
    assert 0 <= least - float(told[3].replace(",", "")) < 100
    assert "operator of line T115" in item["who"]
    assert "fault_a where it is missing" not in item["settles"]


def test_the_growth_it_names_settles_it_and_a_little_less_does_not(territory):
    (item,) = crossing(plan(territory))
    growth = float(re.search(r"fault_growth_ratio to ([\d.]+) or more", item["settles"])[1])
    assert not crossing(plan(territory, fault_growth_ratio=growth))
    assert crossing(plan(territory, fault_growth_ratio=growth - 0.01))


def test_a_fault_current_that_is_not_stated_is_asked_of_the_operator(territory):
    other = territory.layers["other_lines"]
    columns = {key: array.copy() for key, array in other.columns.items()}
    columns["fault_a"][:] = float("nan")
    area = replace(
        territory, layers=territory.layers | {"other_lines": replace(other, columns=columns)}
    )
    (item,) = crossing(plan(area))
    assert "its fault current is not stated" in item["what"]
    assert "carries" in item["what"]
    assert "enough" not in item["what"]
    assert "fault_a" in item["settles"]


def test_a_lead_that_does_not_carry_it_is_said(territory):
    other = territory.layers["other_lines"]
    columns = {key: array.copy() for key, array in other.columns.items()}
    columns["fault_a"][:] = 30_000.0
    area = replace(
        territory, layers=territory.layers | {"other_lines": replace(other, columns=columns)}
    )
    (item,) = crossing(plan(area))
    assert "not enough" in item["what"]
