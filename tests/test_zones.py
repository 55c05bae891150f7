"""The cone zone: perimeter and number by arithmetic, shape against shapely's own buffer."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from rod_sites import GEOD, neighbourhood

from gridground.grounding.zones import cone_zone, zone_meets
from gridground.territory.frame import Frame, wrap_deg

PLACES = [(10.0, 50.0), (179.99999, 0.0), (-180.0, 60.0), (20.0, 70.0)]
ROD = {"bearing_deg": 130.0, "away_m": 4.572}


def rod_of(pole, *, bearing_deg, away_m):
    lon, lat, _ = GEOD.fwd(*pole, bearing_deg, away_m)
    return lon, lat


def zone_of(pole=PLACES[0], rod=ROD, *, radius_m=3.048, spacing_m=1.8288):
    where = None if rod is None else rod_of(pole, **rod)
    return cone_zone(Frame(*pole), pole, where, radius_m=radius_m, spacing_m=spacing_m)


@pytest.mark.parametrize("pole", PLACES)
def test_perimeter_and_cones_by_arithmetic(pole):
    zone = zone_of(pole)
    # 15 ft of lead, 10 ft of radius: 2 x 15 + 2 pi x 10 = 92.83 ft; a cone each 6 ft: 16.
    assert zone.perimeter_m == pytest.approx(92.8319 * 0.3048, abs=1e-4)
    assert zone.cones == len(zone.cone_points) == 16


@pytest.mark.parametrize(("spacing_m", "cones"), [(math.pi / 5, 30), (1.0, 19), (100.0, 1)])
def test_circle_round_the_pole_without_a_rod(spacing_m, cones):
    zone = zone_of(rod=None, radius_m=3.0, spacing_m=spacing_m)
    assert zone.perimeter_m == pytest.approx(6 * math.pi)
    assert zone.cones == cones
    _, _, away_m = GEOD.inv(*PLACES[0], *zone.cone_points[0])
    assert away_m == pytest.approx(3.0, abs=0.002)
    assert zone.cone_points[0][0] == pytest.approx(PLACES[0][0], abs=1e-8)  # north
    assert zone.cone_points[0][1] > PLACES[0][1]


@pytest.mark.parametrize("pole", PLACES)
@pytest.mark.parametrize("radius_m", [0.5, 3.048, 40.0])
def test_shape_is_the_buffer_of_rod_and_lead(pole, radius_m):
    zone = zone_of(pole, radius_m=radius_m)
    frame = Frame(*pole)
    lead = shapely.LineString(
        [(0, 0), (4.572 * math.sin(math.radians(130)), 4.572 * math.cos(math.radians(130)))]
    )
    drawn = frame.to_xy(zone.polygon)
    exact = lead.buffer(radius_m, quad_segs=4000)
    assert drawn.hausdorff_distance(exact) < 0.004
    assert zone.polygon.is_valid
    assert zone.polygon.exterior.is_ccw
    edge = shapely.distance(shapely.points(shapely.get_coordinates(drawn)), lead)
    assert edge == pytest.approx(radius_m, abs=0.0015)  # corners on the arc, to 8 decimals
    middles = shapely.line_interpolate_point(
        drawn.exterior, np.linspace(0, 1, 999), normalized=True
    )
    assert shapely.distance(middles, lead).min() > radius_m - 0.002 - 0.0008


@pytest.mark.parametrize("pole", PLACES)
def test_cones_stand_evenly_from_the_far_end_on(pole):
    zone = zone_of(pole)
    frame = Frame(*pole)
    xy = np.column_stack(frame.to_xy(*np.array(zone.cone_points).T))
    exact = shapely.LineString([(0, 0), np.array(frame.to_xy(*rod_of(pole, **ROD)))]).buffer(
        3.048, quad_segs=4000
    )
    along_m = shapely.line_locate_point(exact.exterior, shapely.points(xy))
    steps = np.diff(np.append(along_m, along_m[0])) % exact.length
    steps = np.minimum(steps, exact.length - steps)
    assert steps == pytest.approx(zone.perimeter_m / zone.cones, abs=0.005)
    assert steps.max() <= 1.8288
    bearing, _, away_m = GEOD.inv(*pole, *zone.cone_points[0])
    assert away_m == pytest.approx(4.572 + 3.048, abs=0.002)
    assert wrap_deg(bearing - 130.0) == pytest.approx(0.0, abs=0.05)
    # Clockwise seen from above: the signed area is negative.
    x, y = xy.T
    assert np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0


def test_a_zone_over_the_antimeridian_stays_in_one_piece():
    zone = zone_of((179.99999, 10.0), {"bearing_deg": 90.0, "away_m": 10.0})
    west, _, east, _ = zone.polygon.bounds
    assert east - west < 0.001
    assert east > 180.0


@pytest.mark.parametrize(
    ("radius_m", "spacing_m"), [(0.0, 1.0), (3.0, 0.0), (math.nan, 1.0), (-3, 1)]
)
def test_no_zone_without_size(radius_m, spacing_m):
    with pytest.raises(ValueError, match="a zone of radius"):
        zone_of(radius_m=radius_m, spacing_m=spacing_m)


def test_what_the_zone_meets():
    features = [
        ("R1", "road", shapely.LineString([(-30, -3.0), (30, -3.0)])),
        ("R2", "road", shapely.LineString([(-30, -3.1), (30, -3.1)])),
        ("B1", "building", shapely.box(8, -1, 12, 1)),
        ("W1", "sidewalk", shapely.box(2, 2, 3, 3)),
        ("D1", "driveway", shapely.box(2, -3, 3, -2)),
        ("P1", "public_place", shapely.Point(5, 3)),
        ("T1", "tree", shapely.Point(5, 1)),
    ]
    near = neighbourhood(features)
    met = zone_meets(near, (0.0, 0.0), (5.0, 0.0), 3.048)
    assert [(item["kind"], item["feature_id"], item["name"]) for item in met] == [
        ("building", "B1", "name of B1"),
        ("driveway", "D1", "name of D1"),
        ("public_place", "P1", "name of P1"),
        ("road", "R1", "name of R1"),
        ("sidewalk", "W1", "name of W1"),
    ]
    circle = zone_meets(near, (0.0, 0.0), None, 3.048)
    assert [item["feature_id"] for item in circle] == ["D1", "R1", "W1"]
