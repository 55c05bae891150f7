"""What must not come out ready: openings, sources, live neighbours, doubtful data and limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from maps_maker import ROOT

import gridground as gg
from gridground.errors import NoPlanError, Problem
from gridground.record import is_ready


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def read(name="01-straight", **change):
    return replace(gg.read_job(ROOT / "sample_data" / "jobs" / f"{name}.toml"), **change)


def changed(territory, layer, feature_id, **values):
    old = territory.layers[layer]
    columns = {name: column.copy() for name, column in old.columns.items()}
    for name, value in values.items():
        columns[name][old.index()[feature_id]] = value
    return replace(territory, layers=territory.layers | {layer: replace(old, columns=columns)})


def with_row(territory, layer, **values):
    old = territory.layers[layer]
    columns = {
        name: np.append(column, np.array([values.get(name), None], object)[:1])
        if column.dtype == object
        else np.append(column, values.get(name, np.nan))
        for name, column in old.columns.items()
    }
    stated = {name: np.append(mask, True) for name, mask in old.stated.items()}
    geometry = np.append(old.geometry, np.array([values["at"], None], object)[:1])
    return replace(
        territory,
        layers=territory.layers
        | {layer: replace(old, columns=columns, stated=stated, geometry=geometry)},
    )


def switch(territory, name, pole_id, span_id, state="closed", phases="ABC"):  # noqa: PLR0917
    at = shapely.Point(0, 0)
    return with_row(
        territory, "devices", device_id=name, pole_id=pole_id, span_id=span_id, kind="switch",
        state=state, phases=phases, at=at,
    )  # fmt: skip


def codes(plan):
    return {item["code"] for item in plan["open_items"]}


def test_an_opening_inside_the_brackets_leaves_a_bracket_live(territory):
    area = switch(territory, "SW", "Q213", "WB2-Q213")
    with pytest.raises(NoPlanError, match="still connected to a circuit's source: WB2 at"):
        gg.plan_job(area, read(sources_opened=("SW", "TIE1"), method="dual-point"))


def test_without_any_opening_the_own_source_is_an_open_item(territory):
    plan = gg.plan_job(territory, read(sources_opened=()))
    item = next(i for i in plan["open_items"] if i["code"] == "still_connected")
    assert "BK-WB2" in item["settles"]


def test_an_opening_at_the_bracket_pole_leaves_the_rest_of_that_pole_live(territory):
    area = switch(territory, "SW", "Q212", "WB2-Q213")
    plan = gg.plan_job(area, read(sources_opened=("SW", "TIE1")))
    ends = {end for lead in plan["leads"] for end in (lead["from"], lead["to"])}
    assert "A@WB2-Q213" in ends
    assert "still_connected" not in codes(plan)
    told = [c["text"] for c in plan["cautions"] if "stays live at Q212" in c["text"]]
    assert len(told) == 1


def test_two_open_devices_in_a_row_still_give_the_own_source(territory):
    area = switch(territory, "SW", "Q205", "WB2-Q206", state="open")
    area = changed(area, "devices", "BK-WB2", state="open")
    plan = gg.plan_job(area, read(sources_opened=("BK-WB2", "TIE1", "SW")))
    reference = gg.plan_job(territory, read())
    assert plan["faults"]["Q213"]["three_phase_a"] == pytest.approx(
        reference["faults"]["Q213"]["three_phase_a"], rel=1e-6
    )


def test_one_phase_open_upstream_counts_as_closed_again(territory):
    area = switch(territory, "CO", "Q205", "WB2-Q206", state="open", phases="A")
    plan = gg.plan_job(area, read())
    reference = gg.plan_job(territory, read())
    assert plan["faults"]["Q213"]["three_phase_a"] == pytest.approx(
        reference["faults"]["Q213"]["three_phase_a"], rel=1e-6
    )


def test_live_circuit_on_the_pole_sizes_the_leads(territory):
    reference = gg.plan_job(territory, read("09-double-circuit"))
    area = changed(territory, "circuits", "WB2", fault_3ph_a=20000.0, fault_1ph_a=20000.0)
    plan = gg.plan_job(area, read("09-double-circuit"))
    most = max(lead["current_a"] for lead in plan["leads"])
    assert most > 1.5 * max(lead["current_a"] for lead in reference["leads"])


def test_doubtful_soil_under_the_job_is_an_open_item(territory):
    soil = territory.layers["soil"]
    problem = Problem("open item", "soil", tuple(map(str, soil.ids)), "resistivity_ohm_m", "x", "y")
    plan = gg.plan_job(replace(territory, problems=(problem,)), read())
    assert "data_soil" in codes(plan)


def test_soil_without_a_value_never_becomes_the_jobs(territory):
    soil = territory.layers["soil"]
    columns = soil.columns | {"resistivity_ohm_m": np.full(len(soil), np.nan)}
    layers = territory.layers | {"soil": replace(soil, columns=columns)}
    assert "soil_unknown" in codes(gg.plan_job(replace(territory, layers=layers), read()))


@pytest.mark.parametrize("method", ["dual-point", "single-point"])
def test_cable_far_end_is_asked_for_in_both_methods(territory, method):
    job = read("17-riser", isolated_equipment=("GEN-DAIRY",), method=method)
    assert "cable_far_end" in codes(gg.plan_job(territory, job))


def test_cut_of_a_conductor_that_is_not_there(territory):
    assert "cut_not_there" in codes(
        gg.plan_job(territory, read("02-one-phase", open_conductor=("C",)))
    )


@pytest.mark.parametrize(
    ("limit", "value"),
    [
        ("rod_setback_m", 0.3),
        ("body_ohm", 3000.0),
        ("bar_below_m", 0.0018),
        ("cone_spacing_m", 15.0),
    ],
)
def test_limits_that_hardly_are(territory, limit, value):
    job = read()
    job = replace(job, limits=replace(job.limits, **{limit: value}))
    assert "limit_unusual" in codes(gg.plan_job(territory, job))


def test_a_rod_length_without_its_unit(territory):
    job = read()
    job = replace(job, rod=replace(job.rod, length_m=6.0))  # "length = 6", meant in feet
    items = gg.plan_job(territory, job).document["open_items"]
    (item,) = [row for row in items if row["code"] == "limit_unusual"]
    assert item["where"] == ["rod_length"]
    assert "usual is 1.2 to 3.1 m" in item["what"]


def test_neutral_that_stops_on_the_way(territory):
    area = changed(territory, "spans", "WB2-Q214", neutral_conductor=None)
    assert "neutral_stops" in codes(gg.plan_job(area, read()))


def test_ungrounded_source_with_a_neutral(territory):
    area = changed(territory, "circuits", "WB2", fault_1ph_a=np.nan, x_over_r_1ph=np.nan)
    assert "ungrounded_with_neutral" in codes(gg.plan_job(area, read()))


def test_fault_data_without_a_source(territory):
    area = changed(territory, "circuits", "WB2", fault_data_source="  ")
    assert "fault_data_unsourced" in codes(gg.plan_job(area, read()))


def test_truck_without_what_the_plan_needs(territory):
    job = replace(read(), method="dual-point")
    assert "kit_short" in codes(gg.plan_job(territory, replace(job, kit=replace(job.kit, rods=1))))
    few = replace(job.kit, leads=job.kit.leads[:3])
    assert "kit_short" in codes(gg.plan_job(territory, replace(job, kit=few)))


def test_leads_are_not_named_like_those_on_the_truck(territory):
    job = read()
    named = tuple(replace(lead, lead_id=f"G{k}") for k, lead in enumerate(job.kit.leads))
    plan = gg.plan_job(territory, replace(job, kit=replace(job.kit, leads=named)))
    assert not {lead["lead_id"] for lead in plan["leads"]} & {lead.lead_id for lead in named}


def test_pole_without_overhead_wires_is_refused(territory):
    spans = territory.layers["spans"]
    pads = [
        str(pole)
        for pole, material in zip(territory.poles.ids, territory.poles["material"], strict=True)
        if material == "pad"
    ]
    circuit = next(
        str(c)
        for c, end in zip(spans["circuit_id"], spans["to_pole"], strict=True)
        if end == pads[0]
    )
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(territory, read(worksite_poles=(pads[0],), circuit_ids=(circuit,)))
    assert "no_overhead" in {reason.code for reason in caught.value.reasons}


def test_line_of_unknown_voltage_and_state_is_no_traceback(territory):
    area = changed(territory, "other_lines", "T115", nominal_kv=np.nan, state=None)
    plan = gg.plan_job(area, read("18-crossing"))
    row = next(row for row in plan["approach"] if row.get("line_id") == "T115")
    assert row["phase_ground_m"] is None


def test_steel_pole_has_a_zone_and_a_step_check_in_both_methods(territory):
    for method in ("dual-point", "single-point"):
        plan = gg.plan_job(territory, read("11-steel", method=method))
        grounded = [row for row in plan["locations"] if row["zone"]]
        assert grounded
        assert {row["pole_id"] for row in plan["rod_zone"]} == {row["pole_id"] for row in grounded}


def test_mid_span_cut_has_its_bypass(territory):
    plan = gg.plan_job(territory, read("15-mid-span", open_conductor=("B",)))
    bypass = [lead for lead in plan["leads"] if lead["role"] == "bypass"]
    assert [(lead["from"], lead["to"]) for lead in bypass] == [("B@Q228", "B@Q229")]
    assert plan["totals"]["leads"] == 12


def test_counting_steps_add_up_with_parallel_leads(territory):
    job = read()
    job = replace(
        job, limits=replace(job.limits, lead_sizes=("2",), fault_growth_ratio=3.0), kit=None
    )
    plan = gg.plan_job(territory, job)
    on = sum(int(s["text"].rsplit("Count ", 1)[1].split()[0]) for s in plan["steps"]["apply"])
    assert on == plan["totals"]["leads"] > len(plan["leads"])


def test_a_plan_without_its_checks_is_not_ready():
    assert not is_ready({"open_items": [], "checks": []})
    one = {"code": "lead_rating", "passed": True}
    assert not is_ready({"open_items": [], "checks": [one]})
    assert is_ready({"open_items": [], "checks": [one, one | {"code": "worker_voltage"}]})


def test_duration_beyond_the_table_is_no_plan(territory):
    area = changed(territory, "circuits", "WB2", backup_clearing_s=15.0)
    with pytest.raises(NoPlanError) as caught:
        gg.plan_job(area, read())
    assert {reason.code for reason in caught.value.reasons} == {"beyond_table"}


def test_parallel_line_is_spoken_of(territory):
    plan = gg.plan_job(territory, read("13-open-items"))
    assert any(row.get("line_id") == "T115" for row in plan["induction"])
    assert any("T115 is energized beside" in row["text"] for row in plan["cautions"])
