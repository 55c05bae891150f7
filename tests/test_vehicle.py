"""The truck in a plan: its rod, its cones, its zone, and what stands where it stands."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Geod

import gridground as gg
from gridground.electrical.approach import approach_m
from gridground.grounding.overhead import live_overhead
from gridground.job import Position, Vehicle
from tests.rod_sites import job as site_job
from tests.rod_sites import neighbourhood, territory

SAMPLE = Path(__file__).parent.parent / "sample_data"
GEOD = Geod(ellps="WGS84")
FT = 0.3048
POLE = "Q213"


@pytest.fixture(scope="module")
def ground():
    return gg.read_territory(SAMPLE / "territory")


@pytest.fixture(scope="module")
def straight():
    return gg.read_job(SAMPLE / "jobs" / "01-straight.toml")


def from_pole(bearing_deg, distance_m):
    return Position(pole_id=POLE, bearing_deg=bearing_deg, distance_m=distance_m)


def with_truck(job, place, rod, **more):
    return replace(job, vehicle=Vehicle(place, rod), **more)


@pytest.fixture(scope="module")
def by_road(ground, straight):
    """The truck's zone, and no other, reaches a road."""
    rod = from_pole(200.0, 60 * FT)
    return gg.plan_job(ground, with_truck(straight, from_pole(200.0, 40 * FT), rod))


def texts(plan, part):
    return [step["text"] for step in plan["steps"][part]]


def codes(plan):
    return {item["code"] for item in plan["open_items"]}


# --- steps -----------------------------------------------------------------------------------


def test_traffic_of_the_trucks_zone_is_seen_to_at_the_truck(by_road):
    (row,) = by_road["traffic"]
    assert (row["parts"], row["pole_ids"]) == (["vehicle"], [])
    for part, words in (("prepare", "the zone meets"), ("release", "take the traffic cones")):
        (step,) = [s for s in by_road["steps"][part] if words in s["text"]]
        assert step["text"].startswith("At the truck: ")
        assert step["pole_id"] is None


def numbers_in(text):
    """Return the numbers behind the word numbers, ranges spelled out."""
    said = text.split("numbers ", 1)[1]
    found, words = [], said.replace(",", " ,").split()
    for at, word in enumerate(words):
        number = word.rstrip(".;")
        if not number.isdigit() and word not in {"to", ","}:
            break
        if number.isdigit():
            low = found[-1] + 1 if at and words[at - 1] == "to" else int(number)
            found += range(low, int(number) + 1)
            if number != word:
                break
    return found


def test_every_cone_counted_stands_in_a_step(by_road):
    told = [n for t in texts(by_road, "prepare") if "cones" in t and "numbers" in t
            for n in numbers_in(t)]  # fmt: skip
    assert sorted(told) == list(range(1, by_road["totals"]["cones"] + 1))


def test_the_release_takes_the_trucks_cones_and_rod_up(by_road):
    (step,) = [t for t in texts(by_road, "release") if t.startswith("Vehicle: ")]
    own = [row["number"] for row in by_road["cones"] if row["part"] == "vehicle"]
    assert numbers_in(step) == own
    assert "draw its rod" in step


def test_the_steps_say_the_employers_distance(ground, straight):
    limits = replace(straight.limits, vehicle_rod_distance_m=16 * FT)
    rod = from_pole(200.0, 60 * FT)
    plan = gg.plan_job(ground, with_truck(straight, from_pole(200.0, 12.0), rod, limits=limits))
    (step,) = [t for t in texts(plan, "prepare") if t.startswith("Vehicle: ")]
    assert "at least 16 ft" in step
    assert "10 ft" not in step


# --- lines overhead --------------------------------------------------------------------------


@pytest.mark.parametrize("altitude_m", [np.nan, 500.0, 3000.0])
def test_an_energized_line_is_kept_off_by_the_altitude_of_the_poles(altitude_m):
    lines = [("LX", shapely.LineString([(-50, 5), (50, 5)]), {"nominal_kv": 34.5})]
    where = territory(lines=lines)
    where.poles.columns["altitude_m"] = np.array([altitude_m])
    live = live_overhead(neighbourhood(lines=lines), where, site_job())
    height_m = 0.0 if np.isnan(altitude_m) else altitude_m
    needed_m = approach_m(34.5, phase_to_phase=False, altitude_m=height_m)
    assert live.approach_m.tolist() == [needed_m]
    assert (needed_m > approach_m(34.5, phase_to_phase=False, altitude_m=0)) is (height_m > 900)
