"""What a field record tells is looked at before it counts: rods, soil, leads, remarks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.errors import InputError
from gridground.job import Position
from gridground.revision.account import hold_record
from gridground.revision.measured import revision_of
from tests.field_example import Book


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


@pytest.fixture(scope="module")
def job():
    return gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")


@pytest.fixture(scope="module")
def first(territory, job):
    return gg.plan_job(territory, job).document


def anew(territory, job, before, book):
    """Return the plan made anew with what a record holds."""
    record = book.read()
    hold_record(record, before)
    return gg.plan_job(territory, job, revision=revision_of(before, record)).document


def items(plan, code):
    """Return the open items of one code."""
    return [item for item in plan["open_items"] if item["code"] == code]


def rods(plan):
    return {row["pole_id"]: row["rod"] for row in plan["locations"] if row["rod"]}


@pytest.mark.parametrize(("soil_ohm_m", "asked"), [(4.9, True), (5, False), (10_001, True)])
def test_soil_told_outside_its_band_is_asked_about(territory, job, first, soil_ohm_m, asked):
    book = Book(first)
    pole_id = next(iter(rods(first)))
    book.add("measured", pole_id=pole_id, values={"soil_ohm_m": soil_ohm_m})
    made = anew(territory, job, first, book)
    assert [i["where"] for i in items(made, "soil_unusual")] == [[pole_id]] * asked
    assert not (asked and made["ready"])


def test_soil_of_the_job_outside_its_band_is_asked_about(territory, job):
    bare = replace(
        territory, layers={k: v for k, v in territory.layers.items() if k != "soil"}, extra={}
    )
    for stated in (
        {"resistivity_ohm_m": 1e6},
        {"upper_ohm_m": 100.0, "lower_ohm_m": 2e4, "upper_depth_m": 2.0},
    ):
        made = gg.plan_job(bare, replace(job, rod=replace(job.rod, **stated))).document
        assert [i["where"] for i in items(made, "soil_unusual")] == [[job.job_id]]


@pytest.mark.parametrize(
    ("accuracy_m", "asked"), [(0.0, False), (0.05, True), (10_000, True), (None, True)]
)
def test_a_position_coarser_than_its_spare_is_asked_about(territory, job, first, accuracy_m, asked):
    """The planned rod stands on the setback: it has nothing to spare."""
    pole_id, rod = next(iter(rods(first).items()))
    values = {"rod_lon": rod["lon"], "rod_lat": rod["lat"], "rod_accuracy_m": accuracy_m}
    book = Book(first)
    book.add("measured", pole_id=pole_id, values={k: v for k, v in values.items() if v is not None})
    made = anew(territory, job, first, book)
    assert [i["where"] for i in items(made, "rod_position_coarse")] == [[pole_id]] * asked


def test_a_rod_driven_elsewhere_frees_the_plan_of_a_stated_place(territory, job, first):
    """A place on the pole itself is refused; not where the rod stands elsewhere."""
    pole_id, rod = next(iter(rods(first).items()))
    place = {pole_id: Position(pole_id=pole_id, bearing_deg=0.0, distance_m=1.0)}
    stated = replace(job, rod=replace(job.rod, place=place))
    with pytest.raises(InputError):
        gg.plan_job(territory, stated)
    book = Book(first)
    values = {"rod_lon": rod["lon"], "rod_lat": rod["lat"], "rod_accuracy_m": 0}
    book.add("measured", pole_id=pole_id, values=values)
    made = anew(territory, stated, first, book)
    assert rods(made)[pole_id]["lon"] == rod["lon"]
