"""A lead as an impedance: resistance hot and in service, reactance of the loop it forms."""

from __future__ import annotations

import math

import numpy as np

from gridground.grounding.heating import copper_hot_ratio
from gridground.tables import read_table
from gridground.units import M_PER_FT, area_mm2

ENDS_OHM = 0.32e-3  # both ends of one cable, ASTM F2249
IN_SERVICE_RATIO = 1.05  # cable of a set still in service over its nominal, ASTM F2249
TEST_C = 20.0
_COPPER_OHM_M = 1.7241e-8  # annealed copper of 100 % IACS at 20 °C; 10.371 ohm·cmil/ft
_FLEXIBLE_RATIO = 1.28  # diameter of rope-lay strand over a solid round; see tables/leads.csv
_GMR_RATIO = math.exp(-0.25)
_MU0_OVER_2PI = 2e-7


def lead_diameter_m(size: str) -> float:
    """Return the diameter of the bare flexible copper of a lead.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.

    Returns
    -------
    float
        Diameter [m].

    Raises
    ------
    ValueError
        For a size that is not one.

    Examples
    --------
    >>> round(lead_diameter_m("2/0"), 5)
    0.01186
    """
    for row in read_table("leads"):
        if row["size"] == size:
            return float(row["diameter_mm"]) / 1000.0
    return _FLEXIBLE_RATIO * math.sqrt(4.0 / math.pi * area_mm2(size)) / 1000.0


def cable_resistance_ohm(size: str, length_m: float) -> float:
    """Return the direct-current resistance of one cable at 20 °C, without its ends.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    length_m : float
        Length, above zero [m].

    Returns
    -------
    float
        Resistance [ohm].

    Raises
    ------
    ValueError
        For a size that is not one, or a length not above zero.

    Notes
    -----
    Sizes of the table take its resistance per foot, metric sizes that of pure annealed copper.
    The lay of flexible strand adds up to some per cent, which the in-service form of
    :func:`lead_resistance_ohm` holds in its 5 %.

    Examples
    --------
    >>> round(cable_resistance_ohm("2/0", 3.048) * 1000, 3)
    0.779
    """
    if not length_m > 0:
        raise ValueError(f"length of a lead must be above zero, not {length_m!r}")
    for row in read_table("leads"):
        if row["size"] == size:
            return float(row["resistance_mohm_per_ft"]) / 1000.0 / M_PER_FT * length_m
    return _COPPER_OHM_M * length_m / (area_mm2(size) * 1e-6)


def lead_resistance_ohm(
    size: str, length_m: float, *, temperature_c: float, parallel: int
) -> float:
    """Return the resistance of one lead row as the worst set still in service, ends included.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    length_m : float
        Length of each cable [m].
    temperature_c : float
        Temperature of the copper, 20 °C for a test, the end of the fault for a worker [°C].
    parallel : int
        Equal cables together.

    Returns
    -------
    float
        Resistance of the row [ohm].

    Raises
    ------
    ValueError
        For a size that is not one, a length not above zero, no cable.
    TableError
        For a temperature at which there is no solid copper.

    Notes
    -----
    ``(1.05 R20 (234 + T)/254 + 0.32 mohm)/n``: the limit of resistance of a set in service, the
    cable hot. The ends are taken as cold. A new set has less.

    References
    ----------
    .. [1] ASTM F2249, limit of the direct-current method, ``1.05 R_L + 0.32`` mohm.

    Examples
    --------
    >>> round(lead_resistance_ohm("2/0", 3.048, temperature_c=20, parallel=1) * 1000, 2)
    1.14
    """
    _check_parallel(parallel)
    cable_ohm = IN_SERVICE_RATIO * cable_resistance_ohm(size, length_m)
    return (cable_ohm * copper_hot_ratio(float(temperature_c)) + ENDS_OHM) / parallel


def new_lead_resistance_ohm(size: str, length_m: float, *, parallel: int) -> float:
    """Return the resistance of one lead row of new cables at 20 °C, ends included.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    length_m : float
        Length of each cable [m].
    parallel : int
        Equal cables together.

    Returns
    -------
    float
        ``(R20 + 0.32 mohm)/n`` [ohm].

    Raises
    ------
    ValueError
        For a size that is not one, a length not above zero, no cable.

    Examples
    --------
    >>> round(new_lead_resistance_ohm("2/0", 3.048, parallel=1) * 1000, 2)
    1.1
    """
    _check_parallel(parallel)
    return (cable_resistance_ohm(size, length_m) + ENDS_OHM) / parallel


def f2249_limit_ohm(size: str, length_m: float, *, reactance_ohm: float) -> float:
    """Return the limit of impedance of one lead in a test at 20 °C.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    length_m : float
        Length of the cable [m].
    reactance_ohm : float
        Reactance of the loop in an alternating-current test, 0 for direct current [ohm].

    Returns
    -------
    float
        ``sqrt((1.05 R_L + 0.32 mohm)^2 + X^2)`` [ohm].

    References
    ----------
    .. [1] ASTM F2249, limits of the direct- and the alternating-current method.

    Examples
    --------
    >>> round(f2249_limit_ohm("4/0", 6.096, reactance_ohm=0.0) * 1000, 2)
    1.35
    """
    resistance_ohm = lead_resistance_ohm(size, length_m, temperature_c=TEST_C, parallel=1)
    return math.hypot(resistance_ohm, reactance_ohm)


def loop_reactance_ohm(
    size: str, length_m: float, *, separation_m: float, frequency_hz: float, parallel: int
) -> float:
    """Return the reactance of the loop between a lead row and the worker beside it.

    Parameters
    ----------
    size : str
        AWG, kcmil or metric size.
    length_m : float
        Length of each cable [m].
    separation_m : float
        Distance from the lead to the line of the worker's body, at least the diameter of the
        cable [m].
    frequency_hz : float
        System frequency [Hz].
    parallel : int
        Equal cables together.

    Returns
    -------
    float
        Reactance of the row [ohm].

    Raises
    ------
    ValueError
        For a size that is not one, a length or frequency not above zero, no cable, a separation
        below the diameter of the cable.

    Notes
    -----
    ``X = 2 pi f ((L + (n - 1) M(d))/n - M(D))`` with the Neumann integrals of straight parallel
    wires ``L = (mu0 l/2pi)(ln(2l/GMR) - 1)`` and
    ``M(D) = (mu0 l/2pi)(asinh(l/D) - sqrt(1 + (D/l)^2) + D/l)``. Parallel cables share one
    magnetic field: they are taken as touching, copper on copper (d their diameter), so that two
    cables have about 0.9 and not 0.5 of the reactance of one. Cables apart have less: it errs to
    the high side. The body is a straight line beside the whole lead; a lead in a wide bow has
    more than a straight one of the same separation.

    References
    ----------
    .. [1] F. E. Neumann's mutual inductance of parallel straight wires, as in F. W. Grover,
       Inductance Calculations (1946), chapter 5 (from memory).

    Examples
    --------
    >>> x_ohm = loop_reactance_ohm("2/0", 3.048, separation_m=1.0, frequency_hz=60, parallel=1)
    >>> round(x_ohm * 1000, 2)
    1.17
    """
    _check_parallel(parallel)
    diameter_m = lead_diameter_m(size)
    if not (length_m > 0 and frequency_hz > 0):
        raise ValueError(f"length {length_m!r} and frequency {frequency_hz!r} must be above zero")
    if not separation_m >= diameter_m:
        raise ValueError(
            f"separation {separation_m!r} m is below the diameter of the cable, {diameter_m:.4f} m"
        )
    per_m = _MU0_OVER_2PI * length_m
    own = per_m * (math.log(2.0 * length_m / (_GMR_RATIO * diameter_m / 2.0)) - 1.0)
    beside = _mutual_h(length_m, diameter_m)
    bundle = (own + (parallel - 1) * beside) / parallel
    return 2.0 * math.pi * frequency_hz * (bundle - _mutual_h(length_m, separation_m))


def _mutual_h(length_m: float, distance_m: float) -> float:
    """Return Neumann's mutual inductance of two parallel straight wires of equal length [H]."""
    ratio = distance_m / length_m
    shape = math.asinh(1.0 / ratio) - math.hypot(1.0, ratio) + ratio
    return _MU0_OVER_2PI * length_m * shape


def _check_parallel(parallel: int) -> None:
    """Refuse a row of no cable."""
    if isinstance(parallel, bool) or not isinstance(parallel, int | np.integer) or parallel < 1:
        raise ValueError(f"a lead row has one cable or more, not {parallel!r}")
