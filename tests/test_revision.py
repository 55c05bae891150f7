"""Plans made anew with what was measured: the same as if the job had stated it."""

from __future__ import annotations

import copy
import math
from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.errors import InputError
from gridground.grounding.rods import check_rod
from gridground.plan import ROD_REACH_M, _look
from gridground.record import Plan
from gridground.revision.measured import revision_of
from tests.field_example import Book


@pytest.fixture(scope="module")
def territory():
    """Return the sample valley without soil polygons: the job's figure counts everywhere."""
    read = gg.read_territory(ROOT / "sample_data" / "territory")
    return replace(read, layers={k: v for k, v in read.layers.items() if k != "soil"}, extra={})


@pytest.fixture(scope="module")
def job():
    read = gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")
    return replace(read, kit=None, rod=replace(read.rod, resistivity_ohm_m=100.0))


@pytest.fixture(scope="module")
def first(territory, job):
    return gg.plan_job(territory, job).document


def rods(plan):
    return {row["pole_id"]: row["rod"] for row in plan["locations"] if row["rod"]}


def anew(territory, job, before, book):
    """Return the plan made anew with what a record holds."""
    return gg.plan_job(territory, job, revision=revision_of(before, book.read())).document


def figures(plan):
    """Return every figure of the grounds, by where it stands."""
    parts = {key: plan[key] for key in ("faults", "worker", "rod_zone", "totals", "checks")}
    parts["leads"] = [{k: v for k, v in row.items() if k != "source"} for row in plan["leads"]]
    # a rod that stands is not searched for: it has no other places beside it
    told = {"soil", "alternatives", "limited_by", "score_parts", "search", "stated"}
    parts["rods"] = [{k: v for k, v in r.items() if k not in told} for r in rods(plan).values()]
    return parts


def test_a_first_plan_says_so(first):
    assert (first["revision"], first["revises"], first["measured"]) == (1, None, [])
    assert "changes" not in first


def test_measured_rods_are_the_same_as_stated_ones(territory, job, first):
    """Independent: the job's own ``[rod] measured_ohm`` with the same figures."""
    ohm = dict(zip(rods(first), (38.5, 71.0), strict=True))
    book = Book(first)
    for pole_id, value in ohm.items():
        book.add("measured", pole_id=pole_id, values={"rod_ohm": value})
    made = anew(territory, job, first, book)
    stated = gg.plan_job(territory, replace(job, rod=replace(job.rod, measured_ohm=ohm))).document
    assert figures(made) == figures(stated)
    assert figures(made) != figures(first)
    assert {pole: rod["resistance_ohm"] for pole, rod in rods(made).items()} == ohm
    assert (made["revision"], made["revises"]) == (2, first["plan_hash"])
    assert [(row["what"], row["value"], row["unit"]) for row in made["measured"]] == [
        ("rod_ohm", value, "ohm") for _, value in sorted(ohm.items())
    ]
    assert [row["layer"] for row in made["inputs"]][-1].startswith("record:")


def test_measured_soil_is_the_same_as_stated_soil(territory, job, first):
    """Independent: the job's own resistivity; and Dwight's formula, IEEE Std 142 table 4-5."""
    book = Book(first)
    for pole_id in rods(first):
        book.add("measured", pole_id=pole_id, values={"soil_ohm_m": 160})
    made = anew(territory, job, first, book)
    other = replace(job, rod=replace(job.rod, resistivity_ohm_m=160.0))
    assert figures(made) == figures(gg.plan_job(territory, other).document)
    length_m, radius_m = job.rod.length_m, job.rod.diameter_m / 2
    ohm = 160 / (2 * math.pi * length_m) * (math.log(4 * length_m / radius_m) - 1)
    assert [rod["resistance_ohm"] for rod in rods(made).values()] == pytest.approx([ohm] * 2, 1e-4)


def test_leads_put_on_are_the_same_as_leads_the_job_asks_for(territory, job, first):
    """Independent: the same plan with 4/0 as the only size in stock; lengths stay as planned."""
    book = Book(first)
    for lead in first["leads"]:
        book.add("lead used", lead_id=lead["lead_id"], values={"size": "4/0"})
    made = anew(territory, job, first, book)
    limits = replace(job.limits, lead_sizes=("4/0",), lead_minimum="4/0")
    stated = gg.plan_job(territory, replace(job, limits=limits)).document
    apart = {
        "next_size",
        "clamp_from",
        "clamp_to",
        "source",
        "planned",
    }  # stock and clamps are the plan's
    for one, other in zip(made["leads"], stated["leads"], strict=True):
        assert {k: v for k, v in one.items() if k not in apart} == {
            k: v for k, v in other.items() if k not in apart
        }
    assert made["worker"] == stated["worker"]
    assert made["worker"]["worst_v"] < first["worker"]["worst_v"]
    assert all(check["passed"] for check in made["checks"])


def test_longer_leads_raise_the_voltage_and_shorter_ones_must_reach(territory, job, first):
    book = Book(first)
    for lead in first["leads"]:
        book.add("lead used", lead_id=lead["lead_id"], values={"length_m": 2 * lead["length_m"]})
    made = anew(territory, job, first, book)
    assert made["worker"]["worst_v"] > first["worker"]["worst_v"]
    assert all(row["passed"] for row in made["checks"] if row["code"] == "lead_reach")
    again = Book(made)
    again.add("lead used", lead_id=made["leads"][1]["lead_id"], values={"length_m": 0.3})
    short = anew(territory, job, made, again)
    failed = [row for row in short["checks"] if not row["passed"]]
    assert [(row["code"], row["where"][0]) for row in failed] == [
        ("lead_reach", made["leads"][1]["lead_id"])
    ]
    assert not short["ready"]


@pytest.mark.parametrize(("size", "melts"), [("6 mm2", True), ("6", False)])
def test_a_lead_smaller_than_needed_fails_its_checks(territory, job, first, size, melts):
    """AWG 6, 13.3 mm², is told as what it is: no plan states it, and a crew may have hung it."""
    book = Book(first)
    lead = first["leads"][3]
    book.add("lead used", lead_id=lead["lead_id"], values={"size": size})
    made = anew(territory, job, first, book)
    failed = {row["code"] for row in made["checks"] if not row["passed"]}
    assert {"lead_minimum", "lead_rating", "lead_peak", "lead_event"} <= failed
    assert not made["ready"]
    row = made["leads"][3]
    assert (row["size"], row["end_temperature_c"] is None) == (size, melts)
    assert row["next_size"] == lead["size"]
    assert any(c["what"] == "lead" and lead["pole_id"] in c["where"] for c in made["changes"])


def test_a_rod_where_it_was_planned_asks_nothing(territory, job, first):
    book = Book(first)
    for pole_id, rod in rods(first).items():
        values = {"rod_lon": rod["lon"], "rod_lat": rod["lat"], "rod_accuracy_m": 0}
        book.add("measured", pole_id=pole_id, values=values)
    made = anew(territory, job, first, book)
    assert figures(made) == figures(first)
    assert made["open_items"] == first["open_items"]
    assert not any(change["what"] == "rod" for change in made["changes"])


@pytest.mark.parametrize("part", [0.0, 0.5, 0.93, 2.5])
def test_a_rod_elsewhere_is_judged_by_the_rules_of_the_plan(territory, job, first, part):
    """Independent of the wording: `check_rod` by itself says what is broken, or nothing."""
    pole_id, rod = next(iter(rods(first).items()))
    place = next(row for row in first["locations"] if row["pole_id"] == pole_id)
    lon, lat = (round(place[key] + part * (rod[key] - place[key]), 7) for key in ("lon", "lat"))
    book = Book(first)
    book.add("measured", pole_id=pole_id, values={"rod_lon": lon, "rod_lat": lat})
    revision = revision_of(first, book.read())
    made = gg.plan_job(territory, job, revision=revision).document
    found = rods(made)[pole_id]
    assert (found["lon"], found["lat"]) == (lon, lat)
    assert found["distance_m"] == pytest.approx(part * rod["distance_m"], abs=0.02)
    limits = job.limits
    broken = check_rod(
        lon,
        lat,
        pole_id,
        _look(territory, job).neighbourhood,
        limits,
        reach_m=limits.rod_setback_m + ROD_REACH_M,
        zone_radius_m=limits.cone_radius_m,
    )
    items = [item for item in made["open_items"] if item["code"] == "rod_place_unlawful"]
    assert len(items) == bool(broken)
    for rule in broken:
        assert rule.text in items[0]["what"]
    if part < 1:
        assert "15 ft (4.57 m) needed" in items[0]["what"]
        setback = [r for r in made["checks"] if r["code"] == "rod_setback" and not r["passed"]]
        assert [r["where"] for r in setback] == [[pole_id]]
        assert not made["ready"]
    moved = [c for c in made["changes"] if c["what"] == "rod" and "moved" in c["text"]]
    assert [c["where"] for c in moved] == [[pole_id]]


def test_what_was_measured_goes_on_into_the_next_revision(territory, job, first):
    poles = list(rods(first))
    one = Book(first)
    one.add("measured", pole_id=poles[0], values={"rod_ohm": 30})
    one.add("measured", pole_id=poles[1], values={"rod_ohm": 50})
    second = anew(territory, job, first, one)
    two = Book(second)
    two.add("measured", pole_id=poles[1], values={"rod_ohm": 60})
    two.add("measured", pole_id=poles[1], values={"rod_ohm": 65})
    two.add("undo", undoes=2)
    third = anew(territory, job, second, two)
    assert third["revision"] == 3
    assert third["revises"] == second["plan_hash"]
    assert {p: r["resistance_ohm"] for p, r in rods(third).items()} == {
        poles[0]: 30,
        poles[1]: 60,
    }
    layers = [row["layer"] for row in third["inputs"] if row["layer"].startswith("record:")]
    assert len(layers) == 2
    kept = gg.plan_job(territory, job, revision=revision_of(third, None)).document
    assert figures(kept) == figures(third)
    assert kept["changes"] == []
    assert kept["revision"] == 4


def test_another_number_is_another_lead(territory, job, first):
    book = Book(first)
    lead_id = first["leads"][1]["lead_id"]
    book.add("lead used", lead_id=lead_id, values={"lead_number": "T1", "size": "4/0"})
    book.add("lead used", lead_id=lead_id, values={"lead_number": "T2"})
    made = anew(territory, job, first, book)
    assert [(row["what"], row["value"]) for row in made["measured"]] == [("lead_number", "T2")]
    assert made["leads"][1]["size"] == first["leads"][1]["size"]


def test_of_parallel_cables_the_smallest_and_the_longest_count(first):
    plan = copy.deepcopy(first)
    plan["leads"][1]["parallel"] = 2
    lead_id = plan["leads"][1]["lead_id"]
    book = Book(plan)
    for number, size, length_m in (("T1", "2/0", 3.0), ("T2", "4/0", 5.0)):
        values = {"lead_number": number, "size": size, "length_m": length_m}
        book.add("lead used", lead_id=lead_id, values=values)
    from gridground.revision.measured import with_measured

    job = gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")
    (used,) = with_measured(job, revision_of(plan, book.read()).rows).measured.leads
    assert (used.size, used.length_m) == ("2/0", 5.0)


def test_values_about_what_the_plan_does_not_drive_are_asked_about(territory, job, first):
    worksite = next(row["pole_id"] for row in first["locations"] if row["rod"] is None)
    book = Book(first)
    book.add("measured", pole_id=worksite, values={"rod_ohm": 30})
    made = anew(territory, job, first, book)
    assert [(i["code"], i["where"]) for i in made["open_items"]] == [
        *[(i["code"], i["where"]) for i in first["open_items"]],
        ("measured_elsewhere", [worksite]),
    ]


def test_the_method_of_the_plan_before_is_kept_while_it_can_be(territory, job):
    """What stands in the field is of that method: another one is a person's decision."""
    single = gg.plan_job(territory, replace(job, method="single-point")).document
    auto = gg.plan_job(territory, job)
    assert auto["method"] == "dual-point"
    made = gg.plan_job(territory, job, revision=revision_of(single, None)).document
    assert made["method"] == "single-point"
    assert "as in the plan before" in made["method_reason"]
    asked = replace(job, method="dual-point")
    made = gg.plan_job(territory, asked, revision=revision_of(single, None)).document
    assert made["method"] == "dual-point"
    assert [c["before"] for c in made["changes"] if c["what"] == "method"] == ["single-point"]


def test_a_lead_told_otherwise_than_the_kit_states_is_asked_about(territory, first):
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")
    own = job.kit.leads[0]
    plan = gg.plan_job(territory, job).document
    book = Book(plan)
    values = {"lead_number": own.lead_id, "size": "4/0", "length_m": own.length_m}
    book.add("lead used", lead_id=plan["leads"][1]["lead_id"], values=values)
    made = anew(territory, job, plan, book)
    items = [i for i in made["open_items"] if i["code"] == "lead_told_otherwise"]
    assert [i["where"] for i in items] == [[own.lead_id]] * (own.size != "4/0")


def test_an_earlier_plan_with_impossible_values_is_refused(first):
    plan = copy.deepcopy(first)
    row = {"what": "rod_ohm", "pole_id": "Q212", "value": -3, "unit": "ohm", "who": "x", "at": "y"}
    plan["measured"] = [row]
    with pytest.raises(InputError, match="measured"):
        revision_of(plan, None)


def test_a_revision_is_the_same_bytes_again(territory, job, first, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    book = Book(first)
    book.add("measured", pole_id=next(iter(rods(first))), values={"rod_ohm": 30})
    made = [Plan(anew(territory, job, first, book)).to_bytes() for _ in range(2)]
    assert made[0] == made[1]
