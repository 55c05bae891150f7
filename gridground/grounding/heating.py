"""How a conductor heats in a fault: adiabatic current, end temperature, hot resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from gridground.errors import TableError
from gridground.tables import read_table
from gridground.units import MM2_PER_KCMIL

Value = TypeVar("Value", float, NDArray[np.float64])

START_C = 40.0  # ambient of IEEE Std 80 Table 2 and of this project's Onderdonk figures
FUSED_C = 1083.0  # copper melts
COPPER_ZERO_C = -234.0  # resistance of copper extrapolates to zero here
REFERENCE_C = 20.0
SHORTEST_S, LONGEST_S = 0.01, 10.0
# The formulas hold from this time on: a shorter one counts as this, which errs to more heat.
COUNTED_S = 0.03
_ONDERDONK_S = 33.0
_RANGE_SOURCE = "range of the lead ratings, 0.01 s to 10 s"


@dataclass(frozen=True)
class Material:
    """Constants of one conductor material.

    Attributes
    ----------
    name : str
        Name in the table.
    alpha_r_per_c, rho_r_uohm_cm : float
        Temperature coefficient and resistivity at 20 °C [1/°C], [microohm·cm].
    k0_c, fusing_c : float
        Inverse of the coefficient at 0 °C and melting temperature [°C].
    tcap_j_per_cm3_c : float
        Heat capacity by volume [J/(cm³·°C)].
    kf : float
        Constant of the short form in kcmil, as printed.
    source : str
        Where the row comes from.
    """

    name: str
    alpha_r_per_c: float
    rho_r_uohm_cm: float
    k0_c: float
    fusing_c: float
    tcap_j_per_cm3_c: float
    kf: float
    source: str


@cache
def materials() -> dict[str, Material]:
    """Return the built-in conductor materials by name."""
    return {
        row["material"]: Material(
            name=row["material"],
            alpha_r_per_c=float(row["alpha_r_per_c"]),
            rho_r_uohm_cm=float(row["rho_r_uohm_cm"]),
            k0_c=float(row["k0_c"]),
            fusing_c=float(row["fusing_c"]),
            tcap_j_per_cm3_c=float(row["tcap_j_per_cm3_c"]),
            kf=float(row["kf"]),
            source=row["source"],
        )
        for row in read_table("materials")
    }


def check_duration(duration_s: float | NDArray[np.float64]) -> None:
    """Refuse a duration outside 0.01 s to 10 s (NaN included).

    Raises
    ------
    TableError
        Naming the first such duration.
    """
    times = np.atleast_1d(np.asarray(duration_s, dtype=float))
    outside = ~((times >= SHORTEST_S) & (times <= LONGEST_S))
    if outside.any():
        raise TableError(
            "duration of the fault",
            f"{times[outside][0]:g} s",
            f"{SHORTEST_S:g} s to {LONGEST_S:g} s",
            _RANGE_SOURCE,
        )


def ultimate_a(material: Material, area_mm2: float, duration_s: Value) -> Value:
    """Return the symmetrical current that brings a conductor from 40 °C to melting.

    Parameters
    ----------
    material : Material
        Row of the material table.
    area_mm2 : float
        Current-carrying area [mm²].
    duration_s : float or ndarray
        Duration [s].

    Returns
    -------
    float or ndarray
        Current [A].

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.

    Notes
    -----
    ``I = A / (Kf sqrt(t))``, A in kcmil, I in kA. Below 0.03 s t counts as 0.03 s. No heat
    leaves the conductor: above some seconds the current found is too small, which errs to the
    side of a larger conductor. A dc offset is not in it: divide by the decrement factor.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 11.3.1.2, short form with Kf of Table 2 (from memory).

    Examples
    --------
    >>> round(float(ultimate_a(materials()["copper, annealed"], 67.44, 0.5)))
    26889
    """
    check_duration(duration_s)
    counted_s = np.maximum(duration_s, COUNTED_S)
    result: Value = 1000.0 * area_mm2 / MM2_PER_KCMIL / material.kf / np.sqrt(counted_s)
    return result


def adiabatic_a(
    material: Material, area_mm2: float, duration_s: Value, *, start_c: float, end_c: float
) -> Value:
    """Return the symmetrical current that heats a conductor from one temperature to another.

    Parameters
    ----------
    material : Material
        Row of the material table.
    area_mm2 : float
        Current-carrying area [mm²].
    duration_s : float or ndarray
        Duration [s].
    start_c, end_c : float
        Temperatures before and after [°C].

    Returns
    -------
    float or ndarray
        Current [A].

    Raises
    ------
    TableError
        For an end above melting, or not above the start.

    Notes
    -----
    ``I = A sqrt(TCAP 1e-4/(t alpha_r rho_r) ln((K0 + Tm)/(K0 + Ta)))``, I in kA, A in mm²
    (Sverak). The same law as :func:`ultimate_a` in its long form.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 11.3.1.1, equation 37 (from memory).

    Examples
    --------
    >>> copper = materials()["copper, annealed"]
    >>> round(float(adiabatic_a(copper, 67.44, 0.5, start_c=40, end_c=1083)), -2)
    26900.0
    """
    if not start_c < end_c <= material.fusing_c:
        raise TableError(
            "end temperature", f"{end_c:g} °C", f"{material.fusing_c:g} °C", material.source
        )
    heat = math.log((material.k0_c + end_c) / (material.k0_c + start_c))
    per_mm2 = material.tcap_j_per_cm3_c * 1e-4 / (material.alpha_r_per_c * material.rho_r_uohm_cm)
    counted_s = np.maximum(duration_s, COUNTED_S)
    result: Value = 1000.0 * area_mm2 * math.sqrt(per_mm2 * heat) / np.sqrt(counted_s)
    return result


def copper_end_c(heating_a: Value, area_mm2: float, duration_s: float) -> Value:
    """Return the temperature of copper after a fault, from 40 °C.

    Parameters
    ----------
    heating_a : float or ndarray
        Current that heats: symmetrical current times decrement factor [A].
    area_mm2 : float
        Area [mm²].
    duration_s : float
        Duration [s].

    Returns
    -------
    float or ndarray
        Temperature [°C].

    Raises
    ------
    TableError
        Where the copper would melt.

    Notes
    -----
    Onderdonk turned round: ``T = (234 + Ta) 10^(33 t I^2/A^2) - 234``, A in circular mils. No heat
    leaves the conductor: the temperature errs to the high side.

    References
    ----------
    .. [1] I. M. Onderdonk's equation, the basis of ASTM F855 Table 1; constants from memory.

    Examples
    --------
    >>> round(copper_end_c(18_800.0, 67.44, 0.5))
    351
    """
    circular_mils = area_mm2 / MM2_PER_KCMIL * 1000.0
    decades: Any = (
        _ONDERDONK_S * max(duration_s, COUNTED_S) * (np.asarray(heating_a) / circular_mils) ** 2
    )
    most = math.log10((FUSED_C - COPPER_ZERO_C) / (START_C - COPPER_ZERO_C))
    if not np.all(decades <= most):
        raise TableError(
            "end temperature of the lead",
            f"{np.max(heating_a):.6g} A for {duration_s:g} s",
            f"copper melts at {FUSED_C:g} °C",
            "Onderdonk's equation",
        )
    result: Value = (START_C - COPPER_ZERO_C) * 10.0**decades + COPPER_ZERO_C
    return result


def copper_hot_ratio(temperature_c: Value) -> Value:
    """Return the resistance of copper over that at 20 °C.

    Parameters
    ----------
    temperature_c : float or ndarray
        Temperature, up to melting [°C].

    Returns
    -------
    float or ndarray
        ``R(T)/R20 = (234 + T)/254`` [ratio].

    Raises
    ------
    TableError
        Below -40 °C or above melting.

    Notes
    -----
    The straight line of Onderdonk's law, of which it is part; near melting copper has somewhat
    more, so that the ratio errs to the low side above some hundred degrees.

    Examples
    --------
    >>> round(copper_hot_ratio(357.0), 2)
    2.33
    """
    if not np.all((np.asarray(temperature_c) >= -40.0) & (np.asarray(temperature_c) <= FUSED_C)):
        raise TableError(
            "temperature of the lead",
            f"{np.max(temperature_c):g} °C",
            f"-40 °C to {FUSED_C:g} °C",
            "resistance of solid copper",
        )
    result: Value = (temperature_c - COPPER_ZERO_C) / (REFERENCE_C - COPPER_ZERO_C)
    return result
