"""Tapers and devices: arithmetic in feet, limiting cases, and their places along a road's edge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gridground.errors import TableError
from gridground.grounding import traffic
from gridground.grounding.road_edge import devices_on_edge
from gridground.territory.mapping import UNITS
from gridground.units import M_PER_FT, M_PER_S_PER_MPH, parse_speed_m_per_s

LANE_M = 12 * M_PER_FT
ROAD = shapely.box(-300, 4, 300, 12)
ZONE = shapely.Point(0, 2).buffer(3)


def at_mph(speed):
    return speed * M_PER_S_PER_MPH


@pytest.mark.parametrize(("speed", "devices"), [(35, 8), (45, 13), (65, 13)])
def test_devices_of_a_merging_taper(speed, devices):
    """By hand: 245 ft / 35 ft = 7 gaps; 540 / 45 = 12; 780 / 65 = 12; one device more than gaps."""
    found = traffic.taper("merging", LANE_M, at_mph(speed))
    assert found.devices == devices
    assert found.length_m / (found.devices - 1) <= found.spacing_m * (1 + 1e-9)


def test_between_the_two_formulas_the_longer_counts():
    assert traffic.taper_length_m(LANE_M, at_mph(42)) == pytest.approx(12 * 42 * M_PER_FT)
    assert traffic.taper_length_m(LANE_M, at_mph(40)) == pytest.approx(320 * M_PER_FT)
    assert traffic.taper_length_m(LANE_M, at_mph(40.1)) > 1.49 * 320 * M_PER_FT


@pytest.mark.parametrize("kind", ["merging", "shifting", "shoulder", "one-lane two-way"])
def test_faster_or_wider_never_gives_a_shorter_taper(kind):
    speeds = np.linspace(5, 85, 161)
    lengths = [traffic.taper(kind, LANE_M, at_mph(s)).length_m for s in speeds]
    assert (np.diff(lengths) >= -1e-9).all()
    widths = [traffic.taper(kind, w, at_mph(35)).length_m for w in np.linspace(0.1, 6, 60)]
    assert (np.diff(widths) >= -1e-9).all()


@pytest.mark.parametrize("speed", [0.0, -1.0, 85.1, float("nan")])
def test_no_taper_for_a_speed_beyond_the_formulas(speed):
    for kind in ("merging", "downstream"):
        with pytest.raises(TableError, match="speed of a road"):
            traffic.taper(kind, LANE_M, at_mph(speed))


def test_no_signs_for_an_unknown_road():
    with pytest.raises(TableError, match="kind of road"):
        traffic.sign_distances_m("alley")


@pytest.mark.parametrize("text", [35, "35", "35 knots", "-5 mph", "", None, True, "1e9 mph", "mph"])
def test_a_speed_needs_its_unit(text):
    with pytest.raises(ValueError, match="is not a speed"):
        parse_speed_m_per_s(text)


def test_a_speed_of_an_export_is_converted_exactly():
    """100 km/h are 100 / 1.609344 mph by definition of the mile."""
    assert 100 * UNITS["mph"]["km/h"] == pytest.approx(100 / 1.609344, rel=1e-12)
    assert 10 * UNITS["mph"]["m/s"] * M_PER_S_PER_MPH == pytest.approx(10, rel=1e-12)


def test_devices_along_the_zone_stand_within_twice_the_speed():
    for length_m in (0.5, 21.3, 21.4, 100.0):
        gaps = traffic.devices_along(length_m, at_mph(35)) + 1
        assert length_m / gaps <= 70 * M_PER_FT + 1e-9
        assert gaps == 1 or length_m / (gaps - 1) > 70 * M_PER_FT - 1e-6


def test_places_along_a_straight_road_by_arithmetic():
    """The zone's circle cuts the edge y = 4 at x = -5**0.5 and 5**0.5; traffic runs to the east."""
    places = devices_on_edge(ROAD, ZONE, offset_m=3.6, tapers=[(30, 4), (20, 3)], along=1)
    half = 5**0.5
    x = [-half - 30, -half - 20, -half - 10, -half, 0, half, half + 10, half + 20]
    y = [4, 5.2, 6.4, 7.6, 7.6, 7.6, 5.8, 4]
    assert places == pytest.approx(np.column_stack([x, y]), abs=0.02)


@pytest.mark.parametrize("turn_deg", [37.0, 90.0, 200.0])
def test_places_turn_with_the_road(turn_deg):
    kw = {"offset_m": 3.6, "tapers": [(30, 4), (20, 3)], "along": 1}
    straight = devices_on_edge(ROAD, ZONE, **kw)
    turn = lambda g: shapely.affinity.rotate(g, turn_deg, origin=(0, 0))  # noqa: E731
    found = devices_on_edge(turn(ROAD), turn(ZONE), **kw)
    assert found == pytest.approx(
        shapely.get_coordinates(turn(shapely.MultiPoint(straight))), abs=1e-6
    )


@pytest.mark.parametrize(
    ("road", "others"),
    [
        (shapely.LineString([(-300, 4), (300, 4)]), []),
        (shapely.box(-25, 4, 300, 12), []),
        (shapely.LineString([(-300, 8), (12, 8), (60, 80)]).buffer(4, cap_style="flat"), []),
        (ROAD, [shapely.box(15, -200, 22, 5)]),
        (shapely.box(-300, 4, 300, 6), []),
    ],
    ids=["a line", "it ends", "it turns", "a junction", "too narrow"],
)
def test_no_places_where_the_edge_is_not_plain(road, others):
    kw = {"offset_m": 3.6, "tapers": [(30, 4), (20, 3)], "along": 1}
    assert devices_on_edge(road, ZONE, others=others, **kw) is None
