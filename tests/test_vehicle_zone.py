"""The truck's own zone and bond: as wide as its step asks, listed, loaded and in order."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Geod

import gridground as gg
from gridground.errors import InputError
from gridground.grounding.earth import step_v
from gridground.job import Position, Vehicle
from gridground.jobmap.shape import check_shape
from gridground.revision.account import hold_record
from gridground.units import area_mm2
from tests.field_example import Book, anew

SAMPLE = Path(__file__).parent.parent / "sample_data"
GEOD = Geod(ellps="WGS84")
FT = 0.3048
POLE = "Q213"


def from_pole(bearing_deg, distance_m):
    return Position(pole_id=POLE, bearing_deg=bearing_deg, distance_m=distance_m)


def truck(job, **more):
    vehicle = Vehicle(from_pole(200.0, 12.0), from_pole(200.0, 18.0))
    return replace(job, vehicle=vehicle, **more)


@pytest.fixture(scope="module")
def plan(ground, straight):
    return gg.plan_job(ground, truck(straight)).document


def with_live(ground, kv, metres):
    """Return the territory with an energized line beside the truck."""
    at = ground.poles.geometry[ground.poles.index()[POLE]]
    lon, lat = GEOD.fwd(at.x, at.y, 200.0, 12.0)[:2]
    lon, lat = GEOD.fwd(lon, lat, 110.0, metres)[:2]
    ends = [GEOD.fwd(lon, lat, bearing, 60.0)[:2] for bearing in (20.0, 200.0)]
    layer = ground.layer("other_lines")
    columns = {k: np.append(v, [None if v.dtype == object else np.nan]) for k, v in
               layer.columns.items()}  # fmt: skip
    for key, value in (("line_id", "LIVE"), ("nominal_kv", kv), ("state", "energized"),
                       ("height_m", 15.0)):  # fmt: skip
        columns[key][-1] = value
    stated = {k: np.append(v, True) for k, v in layer.stated.items()}
    geometry = np.append(layer.geometry, shapely.LineString(ends))
    more = replace(layer, columns=columns, stated=stated, geometry=geometry)
    return replace(ground, layers={**ground.layers, "other_lines": more}, extra={})


# --- zone ------------------------------------------------------------------------------------


def test_the_zone_is_as_wide_as_the_step_asks(plan, straight):
    """Independent: the voltage of the circuit by hand, the step by the formula of the rod."""
    zone = plan["vehicle"]["zone"]
    (circuit,) = plan["circuits"]
    assert zone["rod_rise_v"] == pytest.approx(circuit["nominal_kv"] * 1000 / math.sqrt(3), rel=0.1)
    assert zone["touched"] == f"circuit {circuit['circuit_id']}"
    rod = {"length_m": straight.rod.length_m, "diameter_m": straight.rod.diameter_m}

    def step(radius_m):
        return float(step_v(radius_m, rise_v=zone["rod_rise_v"], **rod))

    assert step(zone["radius_needed_m"] * 1.01) <= zone["limit_v"] * 1.001
    assert step(zone["radius_needed_m"] * 0.97) > zone["limit_v"]
    assert zone["radius_m"] == max(zone["radius_needed_m"], straight.limits.cone_radius_m)


@pytest.mark.parametrize(("metres", "grown"), [(10.0, True), (40.0, False)])
def test_a_line_that_the_boom_reaches_widens_it(ground, straight, plan, metres, grown):
    made = gg.plan_job(with_live(ground, 230.0, metres), truck(straight)).document
    zone, before = made["vehicle"]["zone"], plan["vehicle"]["zone"]
    assert (zone["radius_m"] > before["radius_m"]) is grown
    assert ("LIVE" in zone["touched"]) is grown
    if not grown:
        return
    assert zone["rod_rise_v"] == pytest.approx(230_000 / math.sqrt(3), rel=1e-3)
    assert zone["step_v_at_zone"] <= zone["limit_v"] * 1.001
    assert zone["radius_m"] > straight.limits.cone_radius_m
    own = [row for row in made["cones"] if row["part"] == "vehicle"]
    at = made["vehicle"]["rod"]
    for cone in own:  # no cone stands nearer to the rod than the radius
        away_m = GEOD.inv(at["lon"], at["lat"], cone["lon"], cone["lat"])[2]
        assert away_m >= zone["radius_m"] - 0.02
    assert made["totals"]["cones"] > plan["totals"]["cones"]
    (step,) = [s["text"] for s in made["steps"]["prepare"] if s["text"].startswith("Vehicle: ")]
    assert f"({zone['radius_m']:.2f} m)" in step


def test_no_zone_without_a_place_of_the_rod(ground, straight):
    place = replace(straight, vehicle=Vehicle(from_pole(200.0, 12.0), None))
    made = gg.plan_job(ground, place).document
    assert made["vehicle"]["zone"] is None
    assert made["vehicle_bond"] is None


# --- order -----------------------------------------------------------------------------------


def at(plan, part, words):
    """Return the places of the steps that hold some words."""
    found = [n for n, step in enumerate(plan["steps"][part]) if words in step["text"]]
    assert found, words
    return found


def test_the_truck_is_grounded_before_anything_is_done_from_it(plan):
    place, rod, bond = (
        at(plan, "prepare", words)[0]
        for words in ("Place the truck", "Vehicle: drive its own rod", "Bond of the truck")
    )
    assert at(plan, "prepare", "Job briefing")[0] < place < rod < bond
    for words in ("Read the number on the pole", "mount the cluster bar", "test for no voltage"):
        assert bond < at(plan, "prepare", words)[0]


def test_the_truck_is_cleared_last_and_backwards(plan):
    bond, rod = (at(plan, "release", w)[0] for w in ("Bond of the truck", "Vehicle: take up"))
    assert at(plan, "release", "take the cones down")[-1] < bond < rod
    assert rod < at(plan, "release", "Leads off must equal leads on")[0]
    texts = [plan["steps"][part][n]["text"] for part, n in (
        ("prepare", at(plan, "prepare", "Bond of the truck")[0]), ("release", bond))]  # fmt: skip
    assert "first to its rod, then to the frame" in texts[0]
    assert "first off the frame of the truck, then off its rod" in texts[1]


# --- bond ------------------------------------------------------------------------------------


def test_the_bond_is_listed_and_counted_nowhere(ground, straight, plan):
    bond = plan["vehicle_bond"]
    plain = gg.plan_job(ground, straight).document
    assert {k: v for k, v in plan["totals"].items() if k != "cones"} == {
        k: v for k, v in plain["totals"].items() if k != "cones"
    }
    assert bond["lead_id"] not in {row["lead_id"] for row in plan["leads"]}
    assert area_mm2(bond["size"]) >= area_mm2(straight.limits.lead_minimum)
    apart_m = GEOD.inv(plan["vehicle"]["lon"], plan["vehicle"]["lat"], *(
        plan["vehicle"]["rod"][k] for k in ("lon", "lat")))[2]  # fmt: skip
    needed_m = (apart_m + 4.0 + 1.0) * straight.limits.lead_slack_ratio
    assert bond["needed_m"] == pytest.approx(needed_m, abs=0.02)
    assert bond["length_m"] >= bond["needed_m"] - 1e-6
    ohm = plan["vehicle"]["zone"]["rod_rise_v"] / bond["current_a"]
    rods = [row["rod"]["resistance_ohm"] for row in plan["locations"] if row["rod"]]
    assert min(rods) * 0.3 < ohm < max(rods) * 3
    (check,) = [c for c in plan["checks"] if bond["lead_id"] in c["where"]]
    assert (check["code"], check["passed"]) == ("lead_rating", True)
    check_shape(plan)


def test_the_bond_comes_out_of_the_kit_after_the_line(plan, straight):
    bond = plan["vehicle_bond"]
    (own,) = bond["kit_lead_ids"]
    assert own not in {name for row in plan["leads"] for name in row["kit_lead_ids"]}
    assert plan["kit"]["assigned"][own] == bond["lead_id"]
    assert own not in plan["kit"]["left"]
    lead = next(one for one in straight.kit.leads if one.lead_id == own)
    assert lead.length_m >= bond["needed_m"]
    (row,) = [row for row in plan["materials"] if row["item"] == "vehicle bond"]
    assert (row["count"], row["short"], row["size"]) == (1, 0, bond["size"])
    text = next(s["text"] for s in plan["steps"]["prepare"] if "Bond of the truck" in s["text"])
    assert own in text


def test_no_lead_of_the_line_goes_short_for_the_bond(ground, straight):
    """The kit holds just what the line needs: the bond is what is short."""
    first = gg.plan_job(ground, straight).document
    used = {name for row in first["leads"] for name in row["kit_lead_ids"]}
    leads = tuple(one for one in straight.kit.leads if one.lead_id in used)
    made = gg.plan_job(ground, truck(straight, kit=replace(straight.kit, leads=leads))).document
    assert all(row["kit_lead_ids"] for row in made["leads"])
    assert made["vehicle_bond"]["kit_lead_ids"] == []
    (row,) = [row for row in made["materials"] if row["item"] == "vehicle bond"]
    assert row["short"] == 1
    assert any("vehicle bond" in i["what"] for i in made["open_items"] if i["code"] == "kit_short")


def test_a_bond_longer_than_any_in_stock_is_asked_about(ground, straight):
    limits = replace(straight.limits, lead_lengths_m=(3.048, 16.0))
    far = Vehicle(from_pole(200.0, 12.0), from_pole(200.0, 40.0))
    made = gg.plan_job(ground, replace(straight, limits=limits, vehicle=far)).document
    (item,) = [i for i in made["open_items"] if i["code"] == "bond_too_long"]
    assert "(16.00 m)" in item["what"]
    assert made["vehicle_bond"]["length_m"] >= 28.0 * limits.lead_slack_ratio
    assert not made["ready"]


@pytest.mark.parametrize(("left", "short"), [(True, 0), (False, 1)])
def test_a_bond_of_unknown_length_says_so(ground, straight, left, short):
    asked = replace(straight, work_position="aerial lift")
    if not left:
        first = gg.plan_job(ground, straight).document
        used = {name for row in first["leads"] for name in row["kit_lead_ids"]}
        leads = tuple(one for one in straight.kit.leads if one.lead_id in used)
        asked = replace(asked, kit=replace(straight.kit, leads=leads))
    whole = gg.plan_job(ground, asked)
    made = whole.document
    bond = made["vehicle_bond"]
    assert (bond["length_m"], bond["current_a"], bond["kit_lead_ids"]) == (None, None, [])
    assert any("its length is not known" in row["text"] for row in made["assumptions"])
    (row,) = [row for row in made["materials"] if row["item"] == "vehicle bond"]
    assert (row["length_m"], row["count"], row["short"]) == (None, 1, short)
    check_shape(made)
    page = str(gg.job_map(whole).get_root().render())
    assert page.count("length not known: where truck and rod stand is not stated") == 2


# --- a truck whose place no plan says -------------------------------------------------------------


def test_a_lift_without_a_place_is_told_what_to_keep_to_before_anything_is_mounted(ground):
    """Expected: place, then its rod with a distance to write down, before any pole is read."""
    made = gg.plan_job(ground, gg.read_job(SAMPLE / "jobs" / "17-riser.toml"))
    assert made["job"]["work_position"] == "aerial lift"
    assert made.ready
    prepare = made["steps"]["prepare"]
    place = next(n for n, s in enumerate(prepare) if s["text"].startswith("Place the truck"))
    for words in (
        "Where it stands is not planned: outside the cones of every rod and lead on the ground",
        "from every ground rod. Say to the person in charge where it stands before anything is",
    ):
        assert words in prepare[place]["text"]
    rod = prepare[place + 1]
    assert "at least 10 ft (3.05 m) from the grounds of every pole: from pole, rod" in rod["text"]
    assert "Measure with a tape from it to the nearest of these, and write" in rod["text"]
    assert (rod["asks"], rod["least_m"]) == (["vehicle_rod_taped_m"], pytest.approx(3.048))
    assert place + 2 < min(n for n, step in enumerate(prepare) if step["pole_id"] is not None)


@pytest.mark.parametrize(("told_m", "asks"), [(2.9, True), (3.048, False), (6.0, False)])
def test_a_truck_rod_told_too_near_is_an_open_item(ground, told_m, asks):
    job = gg.read_job(SAMPLE / "jobs" / "17-riser.toml")
    first = gg.plan_job(ground, job).document
    step = next(s for s in first["steps"]["prepare"] if "vehicle_rod_taped_m" in s.get("asks", ()))
    book = Book(first)
    book.tick(step["step_id"], vehicle_rod_taped_m=told_m)
    made = anew(ground, job, first, book)
    items = [item for item in made["open_items"] if item["code"] == "vehicle_rod_near"]
    assert bool(items) is asks
    assert made["ready"] is not asks
    (row,) = made["measured"]
    assert (row["value"], row["unit"], row["step_id"]) == (told_m, "m", step["step_id"])
    if asks:
        assert "9 ft 6 in (2.90 m)" in items[0]["what"]
        again = Book(made)
        again.tick(step["step_id"], vehicle_rod_taped_m=4.0)
        assert anew(ground, job, made, again)["ready"]


def test_a_distance_of_the_truck_at_another_step_is_refused(ground):
    made = gg.plan_job(ground, gg.read_job(SAMPLE / "jobs" / "17-riser.toml")).document
    book = Book(made)
    book.tick("P1", vehicle_rod_taped_m=4.0)
    with pytest.raises(InputError) as caught:
        hold_record(book.read(), made)
    (problem,) = caught.value.problems
    assert "step P1 is not that of the truck's own rod" in problem.found
