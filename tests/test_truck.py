"""The truck on the lead table: clamps, tests in date, what a lead changes, the loading list."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

import gridground as gg
from gridground.errors import InputError, NoPlanError
from gridground.export import plan_files
from gridground.grounding.lead_clamps import clamps_fit, unknown_clamps
from gridground.grounding.lead_impedance import (
    lead_resistance_ohm,
    loop_reactance_ohm,
    new_lead_resistance_ohm,
)
from gridground.grounding.margin import carried_a
from gridground.grounding.truck import why_out_of_test
from gridground.job import ClearanceAsked, Kit, KitLead
from gridground.jobkit import as_interval, last_day
from gridground.jobmap.page import page_html
from gridground.jobsizes import as_stock_lengths_m
from gridground.units import area_mm2

SAMPLE = Path(__file__).parent.parent / "sample_data"
FT = 0.3048
CONDUCTOR, THICK, BAR = ("conductor", 0.010), ("conductor", 0.030), ("bar", None)
ROD, STEEL = ("rod", 0.0159), ("steel", None)


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(SAMPLE / "territory")


def read(name="01-straight"):
    return gg.read_job(SAMPLE / "jobs" / f"{name}.toml")


def with_leads(job, *leads, rods=4, bars=6):
    return replace(job, kit=Kit(tuple(leads), rods, bars))


def lead(lead_id="T1", size="2/0", length_ft=10.0, **more):
    values = {"clamps": "", "tested_on": None} | more
    return KitLead(lead_id, size, length_ft * FT, **values)


def many(count, size, length_ft, mark="T", **more):
    return [lead(f"{mark}{k}", size, length_ft, **more) for k in range(1, count + 1)]


# ------------------------------------------------------------------ clamps


@pytest.mark.parametrize(
    ("told", "ends", "expected"),
    [
        ({"clamp_a": "bar clamp", "clamp_b": "conductor clamp, small"}, (BAR, CONDUCTOR), True),
        ({"clamp_a": "conductor clamp, small", "clamp_b": "bar clamp"}, (BAR, CONDUCTOR), True),
        ({"clamp_a": "bar clamp", "clamp_b": "conductor clamp, small"}, (BAR, THICK), False),
        ({"clamp_a": "bar clamp", "clamp_b": "conductor clamp, large"}, (BAR, THICK), True),
        ({"clamp_a": "bar clamp", "clamp_b": "bar clamp"}, (BAR, CONDUCTOR), False),
        ({"clamp_a": "rod clamp", "clamp_b": "bar clamp"}, (ROD, BAR), True),
        ({"clamp_a": "rod clamp", "clamp_b": "bar clamp"}, (("rod", 0.03), BAR), False),
        ({"clamp_a": "steel clamp, flat face", "clamp_b": "rod clamp"}, (STEEL, CONDUCTOR), False),
        ({"clamp_a": "conductor clamp, small"}, (BAR, CONDUCTOR), True),
        ({"clamp_a": "conductor clamp, small"}, (ROD, BAR), False),
        ({"clamps": "conductor clamp, small"}, (BAR, CONDUCTOR), True),
        ({"clamps": "conductor clamp, small"}, (BAR, THICK), False),
        ({"clamps": "conductor clamp, small"}, (ROD, BAR), True),  # the other ends are not told
        ({"clamps": "bar clamp / conductor clamp, small"}, (CONDUCTOR, BAR), True),
        ({"clamps": "bar clamp / conductor clamp, small"}, (CONDUCTOR, CONDUCTOR), False),
        ({"clamps": "C-type"}, (BAR, THICK), True),  # an open item, not a fit
        ({}, (BAR, THICK), True),
        ({"clamps": "conductor clamp, small", "size": "4/0"}, (BAR, CONDUCTOR), False),  # up to 2/0
    ],
)
def test_clamps_of_a_lead_against_two_ends(told, ends, expected):
    assert clamps_fit(lead(**told), ends) is expected


def test_words_that_are_no_clamp():
    assert unknown_clamps(lead(clamps="bar clamp / C-type")) == ["C-type"]
    assert unknown_clamps(lead(clamps="C-type", clamp_a="bar clamp")) == []
    assert unknown_clamps(lead(clamps="bar clamp")) == unknown_clamps(lead()) == []


# ------------------------------------------------------------------ tests in date


@pytest.mark.parametrize(
    ("tested_on", "interval", "expected"),
    [  # by the calendar, independent
        ("2026-01-20", "12 months", "2027-01-20"),
        ("2026-01-31", "1 month", "2026-02-28"),
        ("2024-02-29", "1 year", "2025-02-28"),
        ("2023-11-30", "3 months", "2024-02-29"),
        ("2026-01-20", "10 days", "2026-01-30"),
        ("2026-02-20", "2 weeks", "2026-03-06"),
        ("9999-06-01", "1 year", "9999-12-31"),
        ("9999-12-30", "5 days", "9999-12-31"),
    ],
)
def test_last_day_of_a_test(tested_on, interval, expected):
    assert str(last_day(tested_on, as_interval(interval))) == expected


def dated(work_date="2026-04-14", interval="12 months", **clearance):
    job = read()
    limits = replace(job.limits, lead_test_interval=interval)
    return replace(job, limits=limits, work_date=work_date, clearance=ClearanceAsked(**clearance))


@pytest.mark.parametrize(
    ("tested_on", "words"),
    [
        ("2025-04-14", None),  # the last day counts
        ("2025-04-13", "tested 2025-04-13, by the employer's 12 months up to 2026-04-13"),
        ("2026-04-14", None),
        ("2026-04-15", "dated after the work"),
        (None, "no date of a test"),
    ],
)
def test_in_test_on_the_day(tested_on, words):
    found = why_out_of_test(dated(), lead(tested_on=tested_on))
    assert found is None if words is None else words in found


def test_what_decides_the_day():
    old = lead(tested_on="2020-01-01")
    assert why_out_of_test(dated(None), old) is None  # no day: nothing judged
    assert why_out_of_test(dated("2026-04-14", None), old) is None  # no interval either
    start = {"work_start": "2026-04-14T07:30:00-06:00"}
    assert "work on 2026-04-14" in why_out_of_test(dated(None, **start), old)
    both = start | {"work_end": "2026-04-16T15:00:00-06:00"}
    assert dated(None, **both).work_day == "2026-04-16"  # in test up to the last day
    assert dated("2026-05-01", **both).work_day == "2026-05-01"


# ------------------------------------------------------------------ reading


def job_text(lead_text="", limits=""):
    return (
        'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\nwork_date = 2026-04-14\n'
        f"[limits]\n{limits}\n[kit]\nleads = [{lead_text}]\n"
    )


def test_clamps_lengths_interval_and_day_are_read(tmp_path):
    path = tmp_path / "job.toml"
    text = (
        '{ lead_id = "T1", size = "2/0", length = "10 ft", clamp_a = "bar clamp", '
        'clamp_b = "conductor clamp, large" }'
    )
    limits = 'lead_lengths = ["25 ft", 2, "6 ft"]\nlead_test_interval = "12 months"'
    path.write_text(job_text(text, limits), encoding="utf-8")
    job = gg.read_job(path)
    (found,) = job.kit.leads
    assert (found.clamp_a, found.clamp_b) == ("bar clamp", "conductor clamp, large")
    assert job.limits.lead_lengths_m == pytest.approx((6 * FT, 2.0, 25 * FT))
    assert (job.limits.lead_test_interval, job.work_day) == ("12 months", "2026-04-14")


LEAD = 'lead_id = "T1", size = "2/0", length = "10 ft"'
BAD = [  # lead, limits, field, words, ids
    (f'{{ {LEAD}, clamp_a = "conductor clamp, mediun" }}', "", "kit.leads[1].clamp_a",
     "did you mean 'conductor clamp, medium'", ("T1",)),
    (f'{{ {LEAD}, clamp_b = "banana" }}', "", "kit.leads[1].clamp_b", "Use one of: conductor", ("T1",)),  # noqa: E501
    (f"{{ {LEAD}, clamp_b = 3 }}", "", "kit.leads[1].clamp_b", "rod clamp", ("T1",)),
    ('{ lead_id = "T1", size = "2/0", length = -3 }', "", "kit.leads[1].length", "above 0", ("T1",)),  # noqa: E501
    ('{ lead_id = "T1", size = "2/0", length = 0 }', "", "kit.leads[1].length", "above 0", ("T1",)),
    ('{ lead_id = "T1", size = "huge", length = 3 }', "", "kit.leads[1].size", "not a lead size", ("T1",)),  # noqa: E501
    ('{ lead_id = "T1", size = "6", length = 3 }', "", "kit.leads[1].size", "smaller than AWG 2", ("T1",)),  # noqa: E501
    (f"{{ {LEAD} }}, {{ {LEAD} }}", "", "kit.leads", "its own id", ()),
    ("", "lead_lengths = []", "limits.lead_lengths", "list of lengths", ()),
    ("", 'lead_lengths = ["10 ft", -1]', "limits.lead_lengths", "above 0", ()),
    ("", 'lead_lengths = ["10 ft", "120 in"]', "limits.lead_lengths", "each length once", ()),
    ("", 'lead_lengths = "10 ft"', "limits.lead_lengths", "list of lengths", ()),
    ("", "lead_test_interval = 12", "limits.lead_test_interval", "12 months", ()),
    ("", 'lead_test_interval = "0 days"', "limits.lead_test_interval", "12 months", ()),
    ("", 'lead_test_interval = "11 years"', "limits.lead_test_interval", "ten years at most", ()),
    ("", 'lead_test_interval = "soon"', "limits.lead_test_interval", "12 months", ()),
]  # fmt: skip


@pytest.mark.parametrize("case", BAD, ids=lambda c: f"{c[2]}: {c[3]}")
def test_bad_input_is_refused_by_name(tmp_path, case):
    leads, limits, field, words, ids = case
    path = tmp_path / "job.toml"
    path.write_text(job_text(leads, limits), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        gg.read_job(path)
    (problem,) = refused.value.problems
    assert (problem.level, problem.field, problem.feature_ids) == ("reject", field, ids)
    assert words in problem.remedy


def test_stock_lengths_are_sorted():
    assert as_stock_lengths_m([3, 1, "2 m"]) == (1.0, 2.0, 3.0)


# ------------------------------------------------------------------ the plan


def used(plan):
    return [name for row in plan["leads"] for name in row["kit_lead_ids"]]


def codes(plan):
    return {item["code"] for item in plan["open_items"]}


def lead_rows_of(plan):
    return [row for row in plan["materials"] if row["item"] == "lead"]


@pytest.fixture(scope="module")
def plan(territory):
    return gg.plan_job(territory, read())


def test_every_row_has_leads_that_reach_and_none_is_taken_twice(plan):
    kit = {one.lead_id: one for one in read().kit.leads}
    names = used(plan)
    assert len(names) == len(set(names)) == plan["totals"]["leads"]
    for row in plan["leads"]:
        assert len(row["kit_lead_ids"]) == row["parallel"]
        for name in row["kit_lead_ids"]:
            assert (kit[name].size, round(kit[name].length_m, 6)) == (
                row["size"],
                round(row["length_m"], 6),
            )
            assert kit[name].length_m >= row["needed_m"]
            assert area_mm2(kit[name].size) >= area_mm2(row["planned"]["size"])
        pieces = sum(piece["length_m"] for piece in row["path"])
        assert pieces == pytest.approx(row["needed_m"], rel=1e-4)
        assert row["excess_m"] == pytest.approx(row["length_m"] - row["needed_m"], abs=1e-4)
    assert set(plan["kit"]["left"]) == kit.keys() - set(names)
    assert plan["kit"]["assigned"].keys() == set(names)


def test_clamps_are_those_of_the_leads_that_hang(plan):
    """The kit states one clamp, a medium one: it stands at conductors, others as the plan asks."""
    for row in plan["leads"]:
        for end, clamp in ((row["from"], row["clamp_from"]), (row["to"], row["clamp_to"])):
            by_end = {"rod": "rod clamp", "bar": "bar clamp"}
            assert clamp == by_end.get(end, "conductor clamp, medium")


def test_figures_are_those_of_the_leads_that_hang(plan):
    for row in plan["leads"]:
        size, length_m, parallel = row["size"], row["length_m"], row["parallel"]
        cold = new_lead_resistance_ohm(size, length_m, parallel=parallel)
        worn = lead_resistance_ohm(size, length_m, temperature_c=20, parallel=parallel)
        around = loop_reactance_ohm(
            size, length_m, separation_m=1.0, frequency_hz=60, parallel=parallel
        )
        assert row["cold_ohm"] == pytest.approx(cold, rel=1e-5)
        assert row["in_service_ohm"] == pytest.approx(worn, rel=1e-5)
        assert row["reactance_ohm"] == pytest.approx(around, rel=1e-5)
        assert row["resistance_ohm"] > row["in_service_ohm"]


def test_the_list_counts_what_hangs(plan):
    rows = lead_rows_of(plan)
    assert sum(row["count"] for row in rows) == plan["totals"]["leads"]
    assert all(row["short"] == 0 and len(row["from_kit"]) == row["count"] for row in rows)
    listed = [text.split(" (")[0] for row in rows for text in row["from_kit"]]
    assert sorted(listed) == sorted(used(plan))
    assert all("2/0 in place of 2: " in row["substitutes"][0] for row in rows)


def test_steps_name_the_lead_to_take(plan):
    by_id = {row["lead_id"]: row for row in plan["leads"]}
    for step in plan["steps"]["apply"]:
        row = by_id[step["lead_id"]]
        assert (
            f"from the truck {row['kit_lead_ids'][0]}: first to {row['from']}, then to"
            in (step["text"])
        )


def test_without_a_kit_all_stays_as_planned(territory, plan):
    bare = gg.plan_job(territory, replace(read(), kit=None))
    for row, planned in zip(plan["leads"], bare["leads"], strict=True):
        assert row["planned"] == {key: planned[key] for key in ("size", "parallel", "length_m")}
        assert (planned["planned"], planned["kit_lead_ids"]) == (None, [])
        assert row["needed_m"] == planned["needed_m"]
    assert bare["kit"] is None
    assert all(row["short"] == 0 and not row["from_kit"] for row in bare["materials"])


def test_the_same_input_gives_the_same_plan(territory, plan):
    job = read()
    turned = replace(job, kit=replace(job.kit, leads=job.kit.leads[::-1]))
    assert gg.plan_job(territory, turned)["plan_hash"] == plan["plan_hash"]


def test_longer_leads_raise_the_voltage_on_the_worker(territory):
    short, long = (
        gg.plan_job(territory, with_leads(read(), *many(30, "2", length_ft)))
        for length_ft in (50, 90)
    )
    assert {row["length_m"] for row in long["leads"]} == {90 * FT}
    assert long["worker"]["worst_v"] > 1.2 * short["worker"]["worst_v"]


def test_a_smaller_size_stands_in_twice(territory):
    """4/0 is planned; two 2/0 carry the same duty by the same rating."""
    job = read()
    limits = replace(job.limits, lead_sizes=("4/0",), fault_growth_ratio=3.0)
    kit = [*many(2, "4/0", 60, "R"), *many(40, "2/0", 20)]
    made = gg.plan_job(territory, with_leads(replace(job, limits=limits), *kit))
    rows = [row for row in made["leads"] if row["role"] != "electrode"]
    assert {(row["size"], row["parallel"]) for row in rows} == {("2/0", 2)}
    assert all(row["planned"]["size"] == "4/0" and row["planned"]["parallel"] == 1 for row in rows)
    for row in rows:
        x_over_r = made["faults"].get(row["pole_id"], {}).get("x_over_r")
        carries = carried_a(
            "2/0", row["time_s"], x_over_r, basis="withstand", parallel=2, frequency_hz=60,
            times_on=1,
        )  # fmt: skip
        assert row["current_a"] <= carries
    electrodes = [row for row in made["leads"] if row["role"] == "electrode"]
    assert {(row["size"], row["parallel"]) for row in electrodes} == {("4/0", 1)}
    assert made["totals"]["leads"] == 2 * len(rows) + len(electrodes)
    assert made["totals"]["clamps"] == 2 * made["totals"]["leads"]
    pairs = [text for row in lead_rows_of(made) for text in row["substitutes"]]
    assert pairs[0].startswith("2 x 2/0 in place of 4/0: T1 + T2")
    assert len(used(made)) == len(set(used(made)))


def test_one_cable_only_where_the_job_allows_no_two(territory):
    job = read()
    limits = replace(job.limits, lead_sizes=("4/0",), fault_growth_ratio=3.0, parallel_max=1)
    made = gg.plan_job(territory, with_leads(replace(job, limits=limits), *many(60, "2/0", 60)))
    assert used(made) == []
    assert "kit_short" in codes(made)


def test_no_size_below_the_employers_minimum(territory):
    job = read()
    limits = replace(job.limits, lead_minimum="1/0")
    made = gg.plan_job(territory, with_leads(replace(job, limits=limits), *many(60, "2", 60)))
    assert used(made) == []
    assert {row["size"] for row in made["leads"]} == {"1/0"}


def test_what_is_short_is_named(territory):
    job = read()
    made = gg.plan_job(territory, with_leads(job, *many(5, "2/0", 50)))
    assert sum(row["short"] for row in lead_rows_of(made)) == 6
    (item,) = [item for item in made["open_items"] if item["code"] == "kit_short"]
    assert "x lead 2 of" in item["what"]
    unfilled = [row for row in made["leads"] if not row["kit_lead_ids"]]
    assert {row["size"] for row in unfilled} == {"2"}


def test_leads_out_of_test_are_not_assigned_and_listed_with_why(territory):
    job = read()
    leads = [
        replace(one, tested_on="2024-01-20") if one.lead_id in {"T1", "T2", "T3"} else one
        for one in job.kit.leads
    ]
    limits = replace(job.limits, lead_test_interval="12 months")
    job = replace(with_leads(job, *leads), limits=limits, method="dual-point")
    assert job.clearance.work_start is not None
    made = gg.plan_job(territory, job)
    assert not {"T1", "T2", "T3"} & set(used(made))
    assert [row["lead_id"] for row in made["kit"]["out_of_test"]] == ["T1", "T2", "T3"]
    assert "up to 2025-01-20" in made["kit"]["out_of_test"][0]["why"]
    long = [row for row in lead_rows_of(made) if row["length_m"] > 12]
    assert [(row["short"], len(row["from_kit"])) for row in long] == [(0, 1), (1, 0)]  # two rods
    listed = [text for row in lead_rows_of(made) for text in row["out_of_test"]]
    assert any(text.startswith("T1: tested 2024-01-20") for text in listed)
    assert any("out of test, not assigned: T1" in row["text"] for row in made["cautions"])
    assert not any("not judged: lead_test_interval" in row["text"] for row in made["assumptions"])


def test_dates_that_cannot_be_judged(territory, plan):
    assert any("not judged: lead_test_interval" in row["text"] for row in plan["assumptions"])
    job = read()
    limits = replace(job.limits, lead_test_interval="12 months")
    job = replace(job, limits=limits, clearance=ClearanceAsked())
    made = gg.plan_job(territory, job)
    assert "work_day_not_stated" in codes(made)
    assert made["kit"]["out_of_test"] == []


def test_unknown_clamps_are_an_open_item_with_near_matches(territory):
    job = read()
    leads = [replace(job.kit.leads[0], clamps="conductor clamp mediun"), *job.kit.leads[1:]]
    made = gg.plan_job(territory, with_leads(job, *leads))
    (item,) = made["open_items"]
    assert (item["code"], item["where"]) == ("kit_clamps_unknown", ["T1"])
    assert "did you mean 'conductor clamp, medium'" in item["settles"]


def test_clamps_of_both_ends_decide(territory):
    """Rod leads need a rod and a bar clamp; a kit without them is short of just these."""
    job = read()
    ends = {"clamp_a": "conductor clamp, large", "clamp_b": "bar clamp"}
    both = {"clamp_a": "conductor clamp, large", "clamp_b": "conductor clamp, large"}
    kit = [*many(12, "2/0", 50, "B", **ends), *many(12, "2/0", 15, "C", **both)]
    made = gg.plan_job(territory, with_leads(job, *kit))
    for row in made["leads"]:
        marks = {name[0] for name in row["kit_lead_ids"]}
        if row["from"] == "rod":
            assert marks == set()
        elif row["from"] == "bar":
            assert marks == {"B"}
            assert (row["clamp_from"], row["clamp_to"]) == ("bar clamp", "conductor clamp, large")
        else:
            assert marks == {"C"}
    assert "kit_short" in codes(made)


def test_stocked_lengths_of_the_employer(territory):
    job = read()
    limits = replace(job.limits, lead_lengths_m=(7 * FT, 12 * FT, 50 * FT))
    made = gg.plan_job(territory, replace(job, limits=limits, kit=None))
    assert {round(row["length_m"] / FT, 3) for row in made["leads"]} <= {7, 12, 50}
    assert "7 ft (2.13 m)" in made["job"]["limits"]["lead lengths"]
    none = replace(job.limits, lead_lengths_m=(7 * FT,))
    with pytest.raises(NoPlanError, match="the longest in stock has"):
        gg.plan_job(territory, replace(job, limits=none, kit=None))


def test_the_lift_has_its_own_bond(territory):
    made = gg.plan_job(territory, replace(read(), work_position="aerial lift"))
    (told,) = [row["text"] for row in made["cautions"] if "vehicle's bond" in row["text"]]
    assert "Left on the truck: " + ", ".join(made["kit"]["left"]) in told


def test_page_and_tables_show_the_truck(territory):
    job = read()
    hostile = [replace(one, lead_id=f"<i>{one.lead_id}") for one in job.kit.leads]
    made = gg.plan_job(territory, with_leads(job, *hostile))
    page = page_html(made)
    assert "<i>T1" not in re.sub(r"<script.*?</script>", "", page, flags=re.S)  # noqa: FURB167
    assert "&lt;i&gt;T1" in page
    files = plan_files(made, page)
    head = files["straight-01.materials.csv"].decode().splitlines()[0]
    assert head.startswith("item,size,length_m,count,from_kit,short,substitutes,out_of_test,")
    assert "kit_lead_ids" in files["straight-01.leads.csv"].decode().splitlines()[0]
    json.loads(files["straight-01.plan.json"])
