"""Outlines round several zones: areas by formula, cones by geodesic, numbers without a gap."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from rod_sites import GEOD

from gridground.grounding.outlines import Part, outlines_of
from gridground.grounding.zones import cone_zone
from gridground.territory.frame import Frame

PLACES = [(10.0, 50.0), (179.99999, 0.0), (-180.0, 60.0), (20.0, 70.0)]


def at(pole, bearing_deg, away_m):
    lon, lat, _ = GEOD.fwd(*pole, bearing_deg, away_m)
    return lon, lat


def circles(pole, apart_m, radius_m=3.0, other_m=3.0):
    return [Part("L1", pole, None, radius_m), Part("L2", at(pole, 90, apart_m), None, other_m)]


def lens_m2(apart_m, r, s):
    """Return the area that two circles have in common."""
    a = math.acos((apart_m**2 + r * r - s * s) / (2 * apart_m * r))
    b = math.acos((apart_m**2 + s * s - r * r) / (2 * apart_m * s))
    return r * r * (a - math.sin(2 * a) / 2) + s * s * (b - math.sin(2 * b) / 2)


@pytest.mark.parametrize("pole", PLACES)
def test_one_zone_by_itself_is_the_cone_zone(pole):
    rod = at(pole, 130, 4.572)
    (outline,) = outlines_of(Frame(*pole), [Part("L1", pole, rod, 3.048)], spacing_m=1.8288)
    zone = cone_zone(Frame(*pole), pole, rod, radius_m=3.048, spacing_m=1.8288)
    assert outline.polygon.equals(zone.polygon)
    assert outline.perimeter_m == zone.perimeter_m
    assert tuple((cone.lon, cone.lat) for cone in outline.cones) == zone.cone_points
    assert [cone.number for cone in outline.cones] == list(range(1, 17))
    assert outline.area_m2 == pytest.approx(math.pi * 3.048**2 + 2 * 3.048 * 4.572, abs=1e-4)


@pytest.mark.parametrize("pole", PLACES)
@pytest.mark.parametrize(("radius_m", "other_m"), [(3.0, 3.0), (3.0, 7.8)])
def test_area_of_two_circles_by_formula(pole, radius_m, other_m):
    (outline,) = outlines_of(Frame(*pole), circles(pole, 5.0, radius_m, other_m), spacing_m=1.8)
    exact = math.pi * (radius_m**2 + other_m**2)
    exact -= lens_m2(5.0, radius_m, other_m) if abs(other_m - radius_m) < 5.0 else 0.0
    assert outline.area_m2 == pytest.approx(exact, rel=1e-3)
    assert outline.area_m2 >= exact - 1e-6


@pytest.mark.parametrize(
    ("apart_m", "lines"), [(5.9, 1), (5.9995, 1), (6.0005, 1), (6.01, 2), (60, 2)]
)
@pytest.mark.parametrize("pole", PLACES)
def test_zones_join_where_they_overlap_or_touch(pole, apart_m, lines):
    found = outlines_of(Frame(*pole), circles(pole, apart_m), spacing_m=1.8)
    assert len(found) == lines
    assert [o.zone_id for o in found] == [f"Z{n}" for n in range(1, lines + 1)]
    numbers = [cone.number for o in found for cone in o.cones]
    assert numbers == list(range(1, len(numbers) + 1))


def test_a_chain_of_zones_is_one_line_and_its_order_is_that_of_the_parts():
    pole = PLACES[0]
    far = Part("L3", at(pole, 90, 10.0), None, 3.0)
    between = Part("vehicle", at(pole, 90, 5.0), None, 3.0)
    alone = Part("L2", at(pole, 0, 50.0), None, 3.0)
    found = outlines_of(
        Frame(*pole), [Part("L1", pole, None, 3.0), alone, far, between], spacing_m=1.8
    )
    assert [o.parts for o in found] == [("L1", "L3", "vehicle"), ("L2",)]
    assert {cone.part for cone in found[0].cones} == {"L1", "L3", "vehicle"}


def test_a_zone_inside_another_has_no_cones_of_its_own():
    pole = PLACES[0]
    small, large = Part("L1", pole, None, 3.0), Part("L2", at(pole, 90, 2.0), None, 9.0)
    (outline,) = outlines_of(Frame(*pole), [small, large], spacing_m=1.8)
    assert {cone.part for cone in outline.cones} == {"L2"}
    assert outline.perimeter_m == pytest.approx(18 * math.pi, rel=1e-3)


@pytest.mark.parametrize("pole", PLACES)
def test_cones_are_found_again_from_bearing_and_distance(pole):
    """By pyproj.Geod from the foot of the pole, another route than the plane: within 1 cm."""
    parts = [
        Part("L1", pole, at(pole, 40, 6.1), 3.0),
        Part("L2", at(pole, 100, 7.0), at(pole, 120, 14.0), 4.2),
        Part("L3", at(pole, 10, 900.0), at(pole, 10, 904.6), 3.0),
    ]
    feet = {part.name: part.foot for part in parts}
    worst_m = 0.0
    for outline in outlines_of(Frame(*pole), parts, spacing_m=1.5):
        for cone in outline.cones:
            lon, lat, _ = GEOD.fwd(*feet[cone.part], cone.bearing_deg, cone.distance_m)
            worst_m = max(worst_m, GEOD.inv(lon, lat, cone.lon, cone.lat)[2])
    assert worst_m < 0.01


@pytest.mark.parametrize("pole", PLACES)
def test_cones_of_a_joint_line_stand_at_the_radius_of_their_part(pole):
    """By geodesic: distance of a cone from its rod's circle or lead, never under the radius."""
    parts = circles(pole, 4.0, 3.0, 5.0)
    (outline,) = outlines_of(Frame(*pole), parts, spacing_m=1.8)
    feet = {part.name: part for part in parts}
    for cone in outline.cones:
        part = feet[cone.part]
        away_m = GEOD.inv(*part.foot, cone.lon, cone.lat)[2]
        assert part.radius_m - 0.01 < away_m < part.radius_m + 0.01
        for other in parts:
            assert GEOD.inv(*other.foot, cone.lon, cone.lat)[2] > other.radius_m - 0.01


def test_the_line_runs_clockwise_and_the_polygon_against_the_clock():
    pole = PLACES[0]
    (outline,) = outlines_of(Frame(*pole), circles(pole, 4.0), spacing_m=1.0)
    x, y = np.array([(cone.lon, cone.lat) for cone in outline.cones]).T
    assert np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0
    assert outline.polygon.exterior.is_ccw
    assert outline.polygon.is_valid


def test_what_several_zones_enclose_counts_as_inside():
    pole = PLACES[0]
    ring = [Part(f"L{n}", at(pole, 60 * n, 10.0), None, 5.2) for n in range(6)]
    (outline,) = outlines_of(Frame(*pole), ring, spacing_m=1.8)
    assert not outline.polygon.interiors
    assert outline.polygon.covers(shapely.Point(pole))


@pytest.mark.parametrize("radius_m", [0.0, -1.0, math.nan, math.inf])
def test_no_outline_without_size(radius_m):
    with pytest.raises(ValueError, match="radius"):
        outlines_of(Frame(10, 50), [Part("L1", (10, 50), None, radius_m)], spacing_m=1.0)


def test_two_parts_of_one_name_are_refused():
    with pytest.raises(ValueError, match="one name"):
        outlines_of(Frame(10, 50), [Part("a", (10, 50), None, 3.0)] * 2, spacing_m=1.0)
