"""The whole plan on the sample data: counts, readiness, hash, and what stays the same."""

from __future__ import annotations

import hashlib
import json
import math
import re
from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.errors import InputError, NoPlanError
from gridground.record import canonical_bytes, is_ready

JOBS = ROOT / "sample_data" / "jobs"
# Expected by the counting rule, worked by hand on the drawing of the sample territory:
# job -> (dual-point locations, leads, rods), (single-point ...), None where it cannot be drawn.
EXPECTED = {
    "01-straight": ((3, 11, 2), (1, 5, 1)),
    "02-one-phase": ((3, 7, 2), (1, 3, 1)),
    "03-two-phase": ((3, 9, 2), (1, 4, 1)),
    "04-t-junction": ((4, 16, 3), (1, 5, 1)),
    "05-four-way": ((5, 21, 4), (1, 5, 1)),
    "06-dead-end": ((2, 6, 1), (1, 5, 1)),
    "07-four-poles": ((6, 14, 2), (4, 20, 4)),
    "08-gang-switch": ((3, 12, 2), (1, 8, 1)),
    "09-double-circuit": ((3, 14, 2), (1, 5, 1)),
    "10-no-rod-place": ((3, 11, 2), (1, 5, 1)),
    "11-steel": ((3, 9, 0), (1, 4, 0)),
    "12-delta": ((3, 9, 2), (1, 4, 1)),
    "13-open-items": ((3, 11, 2), (1, 5, 1)),
    "15-mid-span": ((3, 11, 2), None),
    "16-small-neutral": ((3, 7, 2), (1, 3, 1)),
    "18-crossing": ((3, 14, 2), (1, 5, 1)),
    "20-cut": ((3, 12, 2), (1, 6, 1)),
}


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def read(name):
    return gg.read_job(JOBS / f"{name}.toml")


@pytest.fixture(scope="module")
def plan(territory):
    return gg.plan_job(territory, read("01-straight"))


@pytest.mark.parametrize("name", EXPECTED)
def test_counts_of_both_methods(territory, name):
    made = gg.plan_job(territory, read(name))
    found = [option["totals"] for option in made["options"]]
    counts = [t and (t["locations"], t["leads"], t["rods"]) for t in found]
    assert counts == list(EXPECTED[name])
    totals = made["totals"]
    assert totals["leads"] == sum(lead["parallel"] for lead in made["leads"])
    assert totals["clamps"] == 2 * totals["leads"]
    assert totals["locations"] == len(made["locations"])
    assert len(made["steps"]["apply"]) == len(made["leads"]) == len(made["steps"]["remove"])
    assert totals["cones"] == sum(row["zone"]["cones"] for row in made["locations"] if row["zone"])


def test_removal_is_application_backwards(plan):
    applied = [(step["lead_id"], step["ends"]) for step in plan["steps"]["apply"]]
    removed = [(step["lead_id"], step["ends"]) for step in plan["steps"]["remove"]]
    assert removed == [(lead, ends[::-1]) for lead, ends in reversed(applied)]


def test_first_sample_job_is_ready_and_says_why(plan):
    assert plan.ready
    assert plan["ready"] is is_ready(plan.document) is True
    assert plan["open_items"] == []
    assert all(check["passed"] and check["source"] for check in plan["checks"])


def test_a_voltage_near_its_limit_is_told_with_limit_part_and_how_long(territory):
    """Independent: the figures come out of the plan's own cases, each with its own limit."""
    made = gg.plan_job(territory, read("08-gang-switch"))
    words = re.findall(
        r"(dual-point|single-point) ([\d.]+) V of ([\d.]+) V \((\d+) %([^)]*)\)",
        made["method_reason"],
    )
    assert [row[0] for row in words] == ["dual-point", "single-point"]
    assert made["method_reason"].endswith("A limit is for as long as its own case lasts.")
    for _, volts, limit, part, _ in words:
        assert int(part) == pytest.approx(100 * float(volts) / float(limit), abs=2.5)
    assert int(words[0][3]) > 100  # dual-point fails, and says by how much
    told = next(row for row in words if row[0] == made["method"])
    cases = [case for case in made["worker"]["cases"] if case["whose"] == "worker"]
    tight = max(cases, key=lambda case: case["voltage_v"] / case["limit_v"])
    assert float(told[1]) == pytest.approx(tight["voltage_v"], abs=0.1)
    assert float(told[2]) == pytest.approx(tight["limit_v"], abs=0.1)
    part = 100 * tight["voltage_v"] / tight["limit_v"]
    assert int(told[3]) == math.ceil(part)
    assert ("nothing stated opens it" in told[4]) is tight["stays_on"]
    for option in made["options"]:
        (text,) = (one for one in option["reasons"] if "nearest its limit" in one)
        assert " %" in text


def test_hash_is_that_of_the_canonical_document(plan):
    rest = {k: v for k, v in plan.document.items() if k not in {"made_at", "plan_hash"}}
    text = json.dumps(rest, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    assert hashlib.sha256(text.encode()).hexdigest() == plan["plan_hash"]
    assert json.loads(plan.to_bytes()) == plan.document
    assert plan.to_bytes() == canonical_bytes(plan.document) + b"\n"


def test_same_input_gives_the_same_plan(territory, plan):
    again = gg.plan_job(territory, read("01-straight"))
    assert again["plan_hash"] == plan["plan_hash"]


def test_every_lead_and_rod_is_held_against_a_limit(plan):
    codes = [check["code"] for check in plan["checks"]]
    assert codes.count("lead_rating") == len(plan["leads"])
    assert codes.count("rod_setback") == plan["totals"]["rods"]
    assert codes.count("step_voltage") == len(plan["rod_zone"]) == plan["totals"]["rods"]
    assert "worker_voltage" in codes
    assert plan["worker"]["residual"] < 1e-6


def test_unknown_neutral_is_refused(territory):
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(territory, read("14-refused"))
    assert {reason.code for reason in caught.value.reasons} == {"unknown_neutral"}


def test_open_items_name_what_is_missing(territory):
    made = gg.plan_job(territory, read("13-open-items"))
    codes = {item["code"] for item in made["open_items"]}
    assert {"no_locate_ticket", "sources_not_stated", "soil_unknown"} <= codes
    assert not made.ready


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"locate_ticket": None}, "no_locate_ticket"),
        ({"sources_opened": None}, "sources_not_stated"),
        ({"sources_opened": ()}, "still_connected"),
        ({"sources_opened": ("BK-WB2",)}, "tie_not_tagged"),
    ],
)
def test_taking_a_safety_input_away_opens_an_item(territory, change, code):
    made = gg.plan_job(territory, replace(read("01-straight"), **change))
    assert code in {item["code"] for item in made["open_items"]}
    assert not made.ready


def test_an_opening_forgotten_is_refused(territory):
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(territory, replace(read("01-straight"), sources_opened=("TIE1",)))
    (reason,) = caught.value.reasons
    assert reason.code == "still_energized"
    assert "BK-WB2" in reason.remedy


def test_a_live_circuit_left_connected_is_refused(territory):
    # WB1 is not worked on; with the tie closed again by the data it would feed the worksite.
    devices = territory.layers["devices"]
    closed = devices.columns | {"state": devices["state"].copy()}
    closed["state"][devices.index()["TIE1"]] = "closed"
    layers = territory.layers | {"devices": replace(devices, columns=closed)}
    job = replace(read("01-straight"), sources_opened=("BK-WB2",))
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(replace(territory, layers=layers), job)
    assert caught.value.reasons[0].code == "still_energized"


def test_unknown_pole_is_rejected(territory):
    with pytest.raises(InputError, match="NOPE"):
        gg.plan_job(territory, replace(read("01-straight"), worksite_poles=("NOPE",)))


def test_larger_fault_growth_never_gives_a_smaller_lead(territory):
    kcmil = {"2": 1, "1/0": 2, "2/0": 3, "4/0": 4}
    areas = []
    for growth in (1.0, 2.0, 4.0):
        job = read("01-straight")
        limits = replace(job.limits, fault_growth_ratio=growth)
        made = gg.plan_job(territory, replace(job, limits=limits, kit=None))
        areas.append(
            [(kcmil[x["size"]], x["parallel"]) for x in made["leads"] if x["from"] != "rod"]
        )
    assert areas[0] <= areas[1] <= areas[2]
    assert areas[0] < areas[2]


def test_forced_method_stands_in_the_plan(territory):
    job = replace(read("01-straight"), method="single-point")
    made = gg.plan_job(territory, job)
    assert made["method"] == "single-point"
    job = replace(read("06-dead-end"), method="dual-point")
    assert gg.plan_job(territory, job)["method"] == "one bracket and personal ground"


FORBIDDEN = ("compliant", "approved", "certified", " safe ", "protected", "will trip")


@pytest.mark.parametrize(
    "name", ["01-straight", "11-steel", "12-delta", "13-open-items", "17-riser"]
)
def test_words_that_no_plan_uses(territory, name):
    text = gg.plan_job(territory, read(name)).to_bytes().decode().lower()
    assert [word for word in FORBIDDEN if word in text] == []
