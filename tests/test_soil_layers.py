"""A rod in soil of two layers, against limiting cases, scipy's integrals and a rod in pieces."""

import math

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from gridground.errors import TableError
from gridground.grounding.earth import (
    radius_for_step_m,
    rod_resistance_ohm,
    surface_potential_v,
)
from gridground.grounding.soil_layers import (
    SoilLayers,
    two_layer_radius_for_step_m,
    two_layer_rod_resistance_ohm,
    two_layer_surface_ratio,
)

LENGTH_M, DIAMETER_M = 1.8288, 0.015875
RADIUS_M = DIAMETER_M / 2
ROD = {"length_m": LENGTH_M, "diameter_m": DIAMETER_M}
IMAGES = np.arange(1, 4000)


def ohm(upper, lower, depth):
    return two_layer_rod_resistance_ohm(upper, lower, depth, LENGTH_M, DIAMETER_M)


def uniform_ohm(soil):
    return float(rod_resistance_ohm(soil, LENGTH_M, DIAMETER_M))


def point_v(at_m, source_m, beside_m, soil):
    """Return the potential of 1 A at a depth, at another depth beside it, image by image."""
    rho1, rho2, h = soil
    k = (rho2 - rho1) / (rho2 + rho1)
    high, low = min(at_m, source_m), max(at_m, source_m)

    def over(*distances):
        return sum(1 / np.hypot(beside_m, d) for d in distances)

    steps, weights = 2 * h * IMAGES, k**IMAGES
    if low <= h:
        first = over(low - high, low + high)
        images = over(
            steps + low - high, steps - low + high, steps + low + high, steps - low - high
        )
        return rho1 / (4 * math.pi) * (first + weights @ images)
    if high >= h:
        first = over(low - high) - k * over(low + high - 2 * h)
        images = over(low + high) + weights @ over(low + high + steps)
        return rho2 / (4 * math.pi) * (first + (1 - k * k) * images)
    images = over(low - high, low + high)
    images += weights @ over(low - high + steps, low + high + steps)
    return rho1 * (1 + k) / (4 * math.pi) * images


def pieces_ohm(soil, count=16):
    """Return the resistance of a rod cut in pieces that share one potential (moment method)."""
    h = soil[2]
    edges = np.linspace(0, LENGTH_M, count + 1)
    if h < LENGTH_M:
        edges = np.unique([*np.linspace(0, h, count // 2), *np.linspace(h, LENGTH_M, count // 2)])
    middle, lengths = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    x, w = np.polynomial.legendre.leggauss(4)
    matrix = np.zeros((len(middle), len(middle)))
    for j, (start, size) in enumerate(zip(edges, lengths, strict=False)):
        for i, z in enumerate(middle):
            points = start + size * (x + 1) / 2
            mean = (
                sum(wi * point_v(z, p, RADIUS_M, soil) for wi, p in zip(w, points, strict=True)) / 2
            )
            if i == j:  # the peak beside the point itself, exactly
                own = soil[0] if z <= h else soil[1]
                rough = sum(wi / np.hypot(RADIUS_M, z - p) for wi, p in zip(w, points, strict=True))
                exact = 2 * math.asinh(size / 2 / RADIUS_M) / size
                mean += own / (4 * math.pi) * (exact - rough / 2)
            matrix[i, j] = mean
    return 1 / np.linalg.solve(matrix, np.ones(len(middle))).sum()


@pytest.mark.parametrize("depth", [0.05, 0.5, LENGTH_M, 3.0, 50.0])
@pytest.mark.parametrize("soil", [10.0, 100.0, 2000.0])
def test_equal_layers_give_dwight(soil, depth):
    assert ohm(soil, soil, depth) == pytest.approx(uniform_ohm(soil), rel=1e-3)
    assert ohm(soil, soil, depth) >= uniform_ohm(soil)


@pytest.mark.parametrize("lower", [1.0, 30.0, 1e4])
def test_a_deep_upper_layer_is_all_there_is(lower):
    assert ohm(100.0, lower, 2000.0) == pytest.approx(uniform_ohm(100.0), rel=2e-3)


@pytest.mark.parametrize(("upper", "lower"), [(100.0, 1000.0), (1000.0, 100.0), (300.0, 100.0)])
def test_a_thin_upper_layer_tends_to_the_lower(upper, lower):
    deviations = [
        abs(ohm(upper, lower, h) / uniform_ohm(lower) - 1) for h in (0.2, 0.05, 0.01, 1e-3)
    ]
    assert deviations == sorted(deviations, reverse=True)
    assert deviations[-1] < 0.03


def test_between_the_two_soils():
    for depth in np.geomspace(0.05, 50, 25):
        for upper, lower in ((100.0, 1000.0), (1000.0, 100.0), (50.0, 60.0)):
            low, high = sorted((uniform_ohm(upper), uniform_ohm(lower)))
            assert low * 0.999 <= ohm(upper, lower, depth) <= high * 1.002


def test_worse_soil_is_never_less_resistance():
    for depth in (0.3, 1.0, 1.8, 3.0):
        by_lower = [ohm(100.0, lower, depth) for lower in np.geomspace(10, 5000, 30)]
        assert by_lower == sorted(by_lower)


@pytest.mark.parametrize("soil", [(100.0, 1000.0, 3.0), (400.0, 50.0, 2.0)])
def test_within_the_upper_layer_by_numerical_integration(soil):
    # independent: scipy's mean of the images' potential over the rod, added to Dwight's own
    rho1, rho2, h = soil
    k = (rho2 - rho1) / (rho2 + rho1)
    steps, weights = 2 * h * IMAGES[:200], k ** IMAGES[:200]

    def of_images(z, d):
        near = 1 / (steps + z - d) + 1 / (steps - z + d) + 1 / (steps + z + d)
        return float(weights @ (near + 1 / (steps - z - d)))

    mean, _ = dblquad(of_images, 0, LENGTH_M, 0, LENGTH_M, epsabs=1e-6)
    expected = uniform_ohm(rho1) + rho1 / (4 * math.pi) * mean / LENGTH_M**2
    assert ohm(*soil) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(
    "soil",
    [
        (100.0, 1000.0, 3.0),
        (100.0, 1000.0, 1.0),
        (1000.0, 100.0, 1.0),
        (1000.0, 10.0, 1.0),
        (1000.0, 100.0, 0.2),
    ],
)
def test_a_rod_in_pieces_at_one_potential_has_hardly_less(soil):
    # independent: point sources image by image, current free to leave where it likes
    other = pieces_ohm(soil)
    assert other * 0.998 <= ohm(*soil) <= other * 1.02


@pytest.mark.parametrize("soil", [(100.0, 1000.0, 1.0), (1000.0, 50.0, 0.6), (100.0, 1000.0, 3.0)])
@pytest.mark.parametrize("distance", [0.2, 1.0, 5.0, 20.0])
def test_profile_by_numerical_integration(soil, distance):
    # independent: point sources along the rod, integrated by scipy; density as the conductivity
    rho1, rho2, h = soil
    inside = min(h, LENGTH_M)
    whole = inside / rho1 + (LENGTH_M - inside) / rho2
    volts, _ = quad(lambda d: point_v(0.0, d, distance, soil) / rho1 / whole, 0, inside)
    if inside < LENGTH_M:
        more, _ = quad(lambda d: point_v(0.0, d, distance, soil) / rho2 / whole, h, LENGTH_M)
        volts += more
    found = two_layer_surface_ratio(distance, SoilLayers(*soil), **ROD)
    assert found == pytest.approx(volts / ohm(*soil), rel=1e-4)


def test_profile_of_equal_layers_is_the_uniform_one():
    at = np.array([0.0, 0.3, 1.0, 3.0, 10.0, 100.0])
    found = two_layer_surface_ratio(at, SoilLayers(70.0, 70.0, 0.8), **ROD)
    expected = surface_potential_v(at, rise_v=1.0, **ROD)
    assert found == pytest.approx(expected, rel=1e-3)
    single = two_layer_surface_ratio(1.0, SoilLayers(70.0, 70.0, 0.8), **ROD)
    assert isinstance(single, float)
    assert single == pytest.approx(found[2])


def test_far_away_only_the_lower_soil_counts():
    soil = SoilLayers(100.0, 1000.0, 1.0)
    point = 1000.0 / (2 * math.pi * 150) / ohm(100.0, 1000.0, 1.0)
    assert two_layer_surface_ratio(150.0, soil, **ROD) == pytest.approx(point, rel=0.01)


@pytest.mark.parametrize("soil", [(100.0, 1000.0, 1.0), (1000.0, 100.0, 0.5), (80.0, 80.0, 1.0)])
@pytest.mark.parametrize("rise", [800.0, 7200.0, 19900.0])
def test_outside_the_radius_every_step_is_within_the_limit(soil, rise):
    layers = SoilLayers(*soil)
    radius = two_layer_radius_for_step_m(rise, 164.0, layers, **ROD)

    def step(at):
        inner, outer = two_layer_surface_ratio(np.array([at, at + 1.0]), layers, **ROD)
        return rise * (inner - outer)

    assert all(step(radius * times) <= 164.0 * (1 + 1e-9) for times in (1.0, 1.1, 2, 5, 20))
    assert step(radius * 0.99) > 164.0


def test_radius_of_equal_layers_is_the_uniform_one():
    found = two_layer_radius_for_step_m(7200.0, 164.0, SoilLayers(100.0, 100.0, 1.0), **ROD)
    assert found == pytest.approx(radius_for_step_m(7200.0, 164.0, **ROD), rel=1e-3)
    assert two_layer_radius_for_step_m(0.0, 1.0, SoilLayers(100.0, 10.0, 1.0), **ROD) == 0.0
    assert two_layer_radius_for_step_m(100.0, 100.0, SoilLayers(100.0, 10.0, 1.0), **ROD) == 0.0


def test_what_cannot_be_is_refused():
    for soil in ((0.0, 1, 1), (1, -1.0, 1), (1, 1, 0.0), (math.nan, 1, 1), (1, math.inf, 1)):
        with pytest.raises(ValueError, match="resistivities and the depth"):
            two_layer_rod_resistance_ohm(*soil, LENGTH_M, DIAMETER_M)
        with pytest.raises(ValueError, match="resistivities and the depth"):
            two_layer_surface_ratio(1.0, SoilLayers(*soil), **ROD)
    for rod in ((0.1, 0.0101), (1.0, 0.0), (-1.0, 0.01)):
        with pytest.raises(ValueError, match="a rod has a diameter"):
            two_layer_rod_resistance_ohm(1.0, 1.0, 1.0, *rod)
    soil = SoilLayers(100.0, 1000.0, 1.0)
    with pytest.raises(ValueError, match="distance"):
        two_layer_surface_ratio(-0.1, soil, **ROD)
    for rise, limit in ((-1.0, 1.0), (1.0, 0.0), (math.nan, 1.0)):
        with pytest.raises(ValueError, match="the rise"):
            two_layer_radius_for_step_m(rise, limit, soil, **ROD)
    with pytest.raises(TableError, match=r"\(200\.00 m\)"):
        two_layer_radius_for_step_m(1e7, 0.1, soil, **ROD)
