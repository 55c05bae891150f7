"""A rod in soil of two layers: its resistance, and the potential of the ground around it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gridground.errors import TableError
from gridground.units import feet_text

if TYPE_CHECKING:
    Floats = NDArray[np.float64]

_NEGLIGIBLE = 1e-12
_IMAGES_LEAST, _IMAGES_MOST = 500, 20_000
_FAR_M = 200.0  # nobody is kept farther from a rod
_GRID = 160
_BISECTIONS = 40


@dataclass(frozen=True)
class SoilLayers:
    """Resistivity of the upper layer, of what lies below it [ohm·m], and the depth between [m]."""

    upper_ohm_m: float
    lower_ohm_m: float
    upper_depth_m: float

    @property
    def reflection_ratio(self) -> float:
        """``k = (rho2 - rho1)/(rho2 + rho1)``, between -1 and 1."""
        difference = self.lower_ohm_m - self.upper_ohm_m
        return difference / (self.lower_ohm_m + self.upper_ohm_m)


def two_layer_rod_resistance_ohm(
    upper_ohm_m: float,
    lower_ohm_m: float,
    upper_depth_m: float,
    length_m: float,
    diameter_m: float,
) -> float:
    """Return the resistance of one driven rod in soil of two layers.

    Parameters
    ----------
    upper_ohm_m, lower_ohm_m : float
        Resistivity of the upper layer and of the soil below it [ohm·m].
    upper_depth_m : float
        Depth of the upper layer [m].
    length_m, diameter_m : float
        Driven length and diameter of the rod [m].

    Returns
    -------
    float
        Resistance to remote earth [ohm].

    Raises
    ------
    ValueError
        For a value not above zero, or a rod not at least ten times as long as thick.

    Notes
    -----
    Average potential method: the current leaves each part of the rod evenly, its density in the
    two layers as their conductivity; the images of every point in the boundary and the surface
    are summed in closed form, the rest of the series by its limit. No other spread of the current
    over the rod dissipates less than the true one, so the value errs to the high side: by about
    1 % against a rod in forty pieces at one potential, by up to 15 % where only the tip reaches
    soil that is far better. Equal layers give Dwight's formula within 0.1 %, a layer that goes on
    down without end that of the upper soil, a thin one that of the lower.

    References
    ----------
    .. [1] G. F. Tagg, Earth Resistances (1964), and E. D. Sunde, Earth Conduction Effects in
       Transmission Systems (1949): images of a point source in two layers (from memory).

    Examples
    --------
    >>> round(two_layer_rod_resistance_ohm(100.0, 100.0, 1.0, 1.8288, 0.015875), 1)
    50.7
    >>> round(two_layer_rod_resistance_ohm(100.0, 1000.0, 3.0, 1.8288, 0.015875), 1)
    60.1
    """
    layers = SoilLayers(upper_ohm_m, lower_ohm_m, upper_depth_m)
    _check(layers, length_m, diameter_m)
    radius_m = diameter_m / 2.0
    upper_m, lower_m = _parts_m(layers, length_m)
    k, rho1, rho2 = layers.reflection_ratio, upper_ohm_m, lower_ohm_m
    share1, share2 = _densities(layers, length_m)
    watts = rho1 * share1**2 * _upper_upper(layers, upper_m, radius_m)
    if lower_m > 0:
        cross = _upper_lower(layers, length_m, radius_m)
        watts += 2.0 * rho1 * (1.0 + k) * share1 * share2 * cross
        watts += rho2 * share2**2 * _lower_lower(layers, length_m, radius_m)
    return watts / (4.0 * math.pi)


def two_layer_surface_ratio(
    distance_m: float | Floats, layers: SoilLayers, *, length_m: float, diameter_m: float
) -> Any:  # noqa: ANN401  float in, float out; array in, array out
    """Return the potential of the ground surface beside a rod over the rise of the rod.

    Parameters
    ----------
    distance_m : float or ndarray, shape (n,)
        Distance from the axis of the rod, not negative [m].
    layers : SoilLayers
        The soil.
    length_m, diameter_m : float
        Driven length and diameter of the rod [m].

    Returns
    -------
    float or ndarray, shape (n,)
        Share of the rise [ratio], never above 1.

    Notes
    -----
    The same current along the rod as in :func:`two_layer_rod_resistance_ohm`; as that resistance
    is some 1 % high, the share is as much too low. Rock below spreads the potential
    farther than uniform soil does, wet ground below keeps it nearer the rod.

    Examples
    --------
    >>> soil = SoilLayers(100.0, 1000.0, 3.0)
    >>> round(two_layer_surface_ratio(3.0, soil, length_m=1.8288, diameter_m=0.015875), 3)
    0.226
    """
    _check(layers, length_m, diameter_m)
    at = np.atleast_1d(np.asarray(distance_m, float))
    if (at < 0).any():
        raise ValueError("distance must not be below zero")
    volts = _surface_v_per_a(np.maximum(at, diameter_m / 2.0), layers, length_m)
    resistance = two_layer_rod_resistance_ohm(
        layers.upper_ohm_m, layers.lower_ohm_m, layers.upper_depth_m, length_m, diameter_m
    )
    share = np.minimum(volts / resistance, 1.0)
    return share if np.ndim(distance_m) else float(share[0])


def two_layer_radius_for_step_m(
    rise_v: float, limit_v: float, layers: SoilLayers, *, length_m: float, diameter_m: float
) -> float:
    """Return the radius round a rod outside which every step of 1 m stays within a limit.

    Parameters
    ----------
    rise_v, limit_v : float
        Rise of the rod, tolerable step voltage above zero [V].
    layers : SoilLayers
        The soil.
    length_m, diameter_m : float
        Driven length and diameter of the rod [m].

    Returns
    -------
    float
        Radius [m]; 0 where no step anywhere passes the limit.

    Raises
    ------
    ValueError
        For a negative rise or a limit not above zero.
    TableError
        Where a step 200 m away still passes the limit.

    Examples
    --------
    >>> soil = SoilLayers(100.0, 100.0, 3.0)
    >>> rod = {"length_m": 1.8288, "diameter_m": 0.015875}
    >>> round(two_layer_radius_for_step_m(7200.0, 164.0, soil, **rod), 2)
    3.02
    """
    if not (rise_v >= 0 and limit_v > 0):
        raise ValueError("the rise must not be below zero and the limit must be above it")

    def steps_v(near_m: Floats) -> Floats:
        both = two_layer_surface_ratio(
            np.concatenate([near_m, near_m + 1.0]), layers, length_m=length_m, diameter_m=diameter_m
        )
        found: Floats = rise_v * (both[: len(near_m)] - both[len(near_m) :])
        return found

    grid = np.geomspace(diameter_m / 2.0, _FAR_M, _GRID)
    over = np.flatnonzero(steps_v(grid) > limit_v)
    if not len(over):
        return 0.0
    if over[-1] == _GRID - 1:
        reach = f"a step at {feet_text(_FAR_M)} within {limit_v:g} V"
        raise TableError("rise of the rod", f"{rise_v:g} V", reach, "our judgement")
    low, high = grid[over[-1]], grid[over[-1] + 1]
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if steps_v(np.array([middle]))[0] > limit_v:
            low = middle
        else:
            high = middle
    return float(high)


def _check(layers: SoilLayers, length_m: float, diameter_m: float) -> None:
    """Refuse soil and rods that cannot be."""
    soil = (layers.upper_ohm_m, layers.lower_ohm_m, layers.upper_depth_m)
    if not all(value > 0 and math.isfinite(value) for value in soil):
        raise ValueError("resistivities and the depth of the upper layer must be above zero")
    if not (diameter_m > 0 and length_m >= 10.0 * diameter_m):
        raise ValueError("a rod has a diameter above zero and is at least ten times as long")


def _parts_m(layers: SoilLayers, length_m: float) -> tuple[float, float]:
    """Return the lengths of the rod in the upper and in the lower layer."""
    upper_m = min(layers.upper_depth_m, length_m)
    return upper_m, length_m - upper_m


def _densities(layers: SoilLayers, length_m: float) -> tuple[float, float]:
    """Return the current per metre of rod in each layer, of 1 A in all, as the conductivities."""
    upper_m, lower_m = _parts_m(layers, length_m)
    whole = upper_m / layers.upper_ohm_m + lower_m / layers.lower_ohm_m
    return 1.0 / layers.upper_ohm_m / whole, 1.0 / layers.lower_ohm_m / whole


def _potential(at_m: Any, radius_m: float) -> Any:  # noqa: ANN401  float or array
    """Return the second integral of ``1/sqrt(u^2 + a^2)``."""
    return at_m * np.arcsinh(at_m / radius_m) - np.hypot(at_m, radius_m)


def _images(layers: SoilLayers, reach_m: float) -> tuple[Floats, Floats, float]:
    """Return the distances 2 n h, the weights k^n (n from 1), and the sum of k^n/n not in them."""
    k = layers.reflection_ratio
    wanted = 5.0 * reach_m / layers.upper_depth_m
    if k != 0.0:
        wanted = max(wanted, _IMAGES_LEAST)
        wanted = min(wanted, math.log(_NEGLIGIBLE) / math.log(abs(k)) + 1.0)
    count = int(min(max(wanted, 1.0), _IMAGES_MOST))
    number = np.arange(1, count + 1, dtype=float)
    weights: Floats = np.power(k, number)
    rest = -math.log1p(-k) - float((weights / number).sum())
    return 2.0 * number * layers.upper_depth_m, weights, rest


def _upper_upper(layers: SoilLayers, upper_m: float, radius_m: float) -> float:
    """Return the mean potential times length squared of the part in the upper layer on itself."""
    c, weights, rest = _images(layers, upper_m)
    u = upper_m
    own = _potential(2 * u, radius_m) - _potential(0.0, radius_m)
    pair = _potential(c + 2 * u, radius_m) - 2 * _potential(c, radius_m)
    pair = pair + _potential(c - 2 * u, radius_m)
    return float(own + weights @ pair + rest * 4 * u * u / (2 * layers.upper_depth_m))


def _upper_lower(layers: SoilLayers, length_m: float, radius_m: float) -> float:
    """Return the same of the part in the upper layer on the part below."""
    c, weights, rest = _images(layers, length_m)
    c, weights = np.append(0.0, c), np.append(1.0, weights)
    h = layers.upper_depth_m
    pair = _potential(length_m + h + c, radius_m) - _potential(length_m - h + c, radius_m)
    pair = pair - _potential(2 * h + c, radius_m) + _potential(c, radius_m)
    return float(weights @ pair + rest * (length_m - h))


def _lower_lower(layers: SoilLayers, length_m: float, radius_m: float) -> float:
    """Return the same of the part in the lower layer on itself."""
    c, weights, rest = _images(layers, length_m)
    c, weights = np.append(0.0, c), np.append(1.0, weights)
    h, k = layers.upper_depth_m, layers.reflection_ratio
    m = length_m - h
    zero, once = _potential(0.0, radius_m), _potential(m, radius_m)
    own = 2 * (once - zero) - k * (_potential(2 * m, radius_m) - 2 * once + zero)
    pair = _potential(2 * length_m + c, radius_m) - 2 * _potential(length_m + h + c, radius_m)
    pair = pair + _potential(2 * h + c, radius_m)
    return float(own + (1 - k * k) * (weights @ pair + rest * m * m / (2 * h)))


def _surface_v_per_a(at_m: Floats, layers: SoilLayers, length_m: float) -> Floats:
    """Return the potential of the surface for 1 A through the rod [V/A]."""
    upper_m, lower_m = _parts_m(layers, length_m)
    share1, share2 = _densities(layers, length_m)
    c, weights, rest = _images(layers, float(at_m.max()) + length_m)
    r, h = at_m[:, None], layers.upper_depth_m
    pairs = np.arcsinh((c + upper_m) / r) - np.arcsinh((c - upper_m) / r)
    volts = share1 * (np.arcsinh(upper_m / at_m) + pairs @ weights + rest * upper_m / h)
    if lower_m > 0:
        own = np.arcsinh(length_m / at_m) - np.arcsinh(h / at_m)
        below = np.arcsinh((length_m + c) / r) - np.arcsinh((h + c) / r)
        volts += (
            share2
            * (1 + layers.reflection_ratio)
            * (own + below @ weights + rest * lower_m / (2 * h))
        )
    found: Floats = layers.upper_ohm_m / (2.0 * math.pi) * volts
    return found
