"""The local plane against the geodesic (pyproj.Geod: another routine of another library part)."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pyproj import Geod

from gridground.territory.frame import (
    Frame,
    bounding_boxes,
    degrees_of,
    geodesic_m,
    meets_box,
    place,
    wrap_deg,
)

GEOD = Geod(ellps="WGS84")
CENTRES = [(10.0, 50.0), (180.0, 0.0), (-180.0, 64.0), (179.9999, -20.0), (0.0, 70.0), (-122.3, 0)]


def around(lon, lat, count=400, radius_m=2000.0):
    rng = np.random.default_rng(3)
    azimuth_deg, away_m = rng.uniform(-180, 180, count), rng.uniform(0, radius_m, count)
    out_lon, out_lat, _ = GEOD.fwd(np.full(count, lon), np.full(count, lat), azimuth_deg, away_m)
    return np.array(out_lon), np.array(out_lat), azimuth_deg, away_m


@pytest.mark.parametrize("centre", CENTRES)
def test_distances_within_two_km_are_those_of_the_geodesic(centre):
    lon, lat, azimuth_deg, away_m = around(*centre)
    x, y = Frame(*centre).to_xy(lon, lat)
    assert np.hypot(x, y) == pytest.approx(away_m, abs=1e-6)
    bearing = np.degrees(np.arctan2(x, y))
    assert wrap_deg(bearing - azimuth_deg) == pytest.approx(0.0, abs=1e-6)
    _, _, apart_m = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    assert np.hypot(np.diff(x), np.diff(y)) == pytest.approx(apart_m, abs=0.001)


@pytest.mark.parametrize("centre", CENTRES)
def test_there_and_back(centre):
    lon, lat, _, _ = around(*centre)
    frame = Frame(*centre)
    back_lon, back_lat = frame.to_lonlat(*frame.to_xy(lon, lat))
    assert np.abs(wrap_deg(back_lon - lon)).max() < 1e-11
    assert np.abs(back_lat - lat).max() < 1e-11


def test_scalars_shapes_and_geometries():
    frame = Frame(10.0, 50.0)
    x, y = frame.to_xy(np.full((2, 3), 10.001), 50.0)
    assert x.shape == y.shape == (2, 3)
    x, y = frame.to_xy(10.001, 50.0)
    assert x.shape == ()
    line = shapely.LineString([(10.0, 50.0, 7.0), (10.001, 50.0, 7.0)])
    flat = frame.to_xy(line)
    assert not flat.has_z
    assert flat.coords[1] == pytest.approx((float(x), float(y)))
    many = frame.to_xy(np.array([line, None], object))
    assert many[1] is None
    assert frame.to_lonlat(flat).equals_exact(shapely.force_2d(line), 1e-9)


@pytest.mark.parametrize("centre", [(math.nan, 0.0), (0.0, 91.0), (0.0, math.nan)])
def test_no_frame_without_a_centre(centre):
    with pytest.raises(ValueError, match="not a position"):
        Frame(*centre)


def test_north_of_the_plane():
    frame = Frame(20.0, 70.0)
    assert frame.north_deg(20.0, 70.0) == pytest.approx(0.0, abs=1e-9)
    # Meridians converge: by d lon x sin(lat), seen from the centre eastwards turning west.
    lon, lat, _ = GEOD.fwd(20.0, 70.0, 90.0, 10_000.0)
    assert frame.north_deg(lon, lat) == pytest.approx(
        -(lon - 20.0) * math.sin(math.radians(70.0)), rel=0.01
    )


def test_geodesic_helper():
    away_m, bearing_deg = geodesic_m(
        10.0, 50.0, [10.0, 10.0, 9.999, 10.0], [50.001, 49.999, 50, 50]
    )
    assert bearing_deg == pytest.approx([0.0, 180.0, 270.0, 0.0], abs=0.001)
    assert away_m[3] == 0.0
    assert away_m[0] == pytest.approx(111.229, abs=0.01)  # 1/1000 degree at 50 N
    _, west = geodesic_m(0.0, 0.0, -1e-13, 1.0)
    assert 0.0 <= float(west) < 360.0


@pytest.mark.parametrize("lon", [0.0, 179.999, -180.0, 180.0])
def test_boxes_meet_on_the_round_earth(lon):
    frame = Frame(float(wrap_deg(lon)), 45.0)
    half = degrees_of(500.0, 45.0)
    offsets = np.array([0.0, 0.004, -0.004, 0.05, -0.05, 90.0, 180.0])
    points = shapely.points(wrap_deg(lon + offsets), 45.0)
    assert meets_box(bounding_boxes(points), frame, half).tolist() == [1, 1, 1, 0, 0, 0, 0]
    split = shapely.multipoints([[-180.0, 45.0], [180.0, 45.0]])
    assert meets_box(bounding_boxes(np.array([split])), frame, half)[0]  # as wide as the earth
    assert not meets_box(bounding_boxes(np.array([None])), frame, half)[0]


def test_degrees_span_at_least_the_length():
    for lat in (0.0, 45.0, -70.0, 89.0):
        width, height = degrees_of(3000.0, lat)
        assert GEOD.inv(0.0, lat, width, lat)[2] >= 3000.0
        assert GEOD.inv(0.0, lat, 0.0, lat - math.copysign(height, lat))[2] >= 3000.0


def placed(*geometry, frame=None, keep_deg=(0.01, 0.01)):
    return place(
        frame or Frame(0.0, 60.0), np.array([*geometry, None], object), keep_deg=np.array(keep_deg)
    )


def test_a_long_side_is_straight_in_longitude_and_latitude():
    # Along the parallel the side runs 2.2 m south of the geodesic between its ends (8 km at 60 N).
    road = shapely.LineString([(-0.07, 60.0), (0.07, 60.0)])
    result = placed(road, keep_deg=(1.0, 1.0)).geometry[0]
    assert result.distance(shapely.Point(0.0, 0.0)) < 0.001
    straight = Frame(0.0, 60.0).to_xy(road)
    assert straight.distance(shapely.Point(0.0, 0.0)) > 2.0


def test_invalid_polygons_become_the_larger_reading():
    bow_tie = shapely.Polygon([(0, 60), (0.001, 60.001), (0.001, 60), (0, 60.001)])
    star = [
        (math.sin(k * 0.8 * math.pi) / 1e3, 60 + math.cos(k * 0.8 * math.pi) / 1e3)
        for k in range(5)
    ]
    result = placed(bow_tie, shapely.Polygon(star), shapely.Polygon())
    assert result.mended.tolist() == [True, True, False, False]
    assert result.lost.tolist() == [False, False, True, True]
    assert shapely.is_valid(result.geometry[:2]).all()
    centre = Frame(0.0, 60.0).to_xy(shapely.Point(0.0, 60.0))
    # The middle of a five-pointed star drawn in one line belongs to it, not to a hole.
    assert result.geometry[1].contains(centre)
    assert result.geometry[0].area == pytest.approx(2 * 0.25 * 55.8 * 111.4, rel=0.01)


def test_large_features_are_cut_to_what_is_near():
    sea = shapely.box(-170, -80, 8, 85)
    result = placed(sea)
    assert result.geometry[0].covers(shapely.Point(0, 0).buffer(100))
    assert max(np.abs(result.geometry[0].bounds)) < 2500
    assert shapely.get_num_coordinates(result.geometry[0]) < 1000


def test_across_the_antimeridian():
    frame = Frame(180.0, 10.0)
    split = shapely.MultiPolygon(
        [shapely.box(179.999, 10, 180, 10.001), shapely.box(-180, 10, -179.999, 10.001)]
    )
    unsplit = shapely.Polygon(
        [(179.999, 10), (-179.999, 10), (-179.999, 10.001), (179.999, 10.001)]
    )
    result = placed(split, unsplit, frame=frame)
    assert result.wide.tolist() == [False, True, False]
    areas = shapely.area(result.geometry[:2])
    assert areas[0] == pytest.approx(areas[1], rel=1e-6)
    assert areas[0] == pytest.approx(219.3 * 110.6, rel=0.001)
