"""Minimum approach distances by the formula of 29 CFR 1910.269(l)(3), Table R-3."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import TableError
from gridground.territory.frame import within
from gridground.units import round_up

if TYPE_CHECKING:
    from gridground.territory.layers import Territory
    from gridground.territory.ways import Zone

SOURCE = "29 CFR 1910.269(l)(3) Tables R-3, R-4, R-5 (2014), second hand"
REACH_M = 100.0
# Table R-4: upper end of the band [kV], electrical component phase-ground and phase-phase [m].
_R4 = ((15.0, 0.04, 0.07), (36.0, 0.16, 0.28), (46.0, 0.23, 0.37), (72.5, 0.39, 0.59))
# Table R-5: altitude up to [m], factor.
_R5 = (
    (900, 1.00), (1200, 1.02), (1500, 1.05), (1800, 1.08), (2100, 1.11), (2400, 1.14),
    (2700, 1.17), (3000, 1.20), (3600, 1.25), (4200, 1.30), (4800, 1.35), (5400, 1.39),
    (6000, 1.44),
)  # fmt: skip
_AIR, _TOOL = 0.01, 0.011


def altitude_ratio(altitude_m: float) -> float:
    """Return the altitude correction factor of Table R-5.

    Raises
    ------
    TableError
        Above 6,000 m.
    """
    for upper, ratio in _R5:
        if altitude_m <= upper:
            return ratio
    raise TableError("altitude", f"{altitude_m:,.0f} m", "6,000 m", SOURCE)


def approach_m(nominal_kv: float, *, phase_to_phase: bool, altitude_m: float) -> float | None:
    """Return the minimum approach distance, rounded up to 0.01 m.

    Parameters
    ----------
    nominal_kv : float
        Phase to phase [kV]; a single-wire circuit: to ground.
    phase_to_phase : bool
        Exposure; otherwise phase to ground.
    altitude_m : float
        Above sea level [m].

    Returns
    -------
    float or None
        [m]; None up to 0.3 kV: avoid contact.

    Raises
    ------
    TableError
        Above 800 kV or 6,000 m.

    Examples
    --------
    >>> approach_m(12.47, phase_to_phase=False, altitude_m=0), approach_m(
    ...     115, phase_to_phase=False, altitude_m=0)
    (0.65, 1.13)
    """
    if nominal_kv <= 0.3:
        return None
    if nominal_kv <= 0.75:
        return 0.33
    if nominal_kv <= 5.0:
        return 0.63
    ratio = altitude_ratio(altitude_m)
    for upper, ground, phase in _R4:
        if nominal_kv <= upper:
            return round_up(0.61 + ratio * (phase if phase_to_phase else ground), 0.01)
    if nominal_kv > 800:
        raise TableError("voltage", f"{nominal_kv:g} kV", "800 kV", SOURCE)
    return round_up(_high_voltage_m(nominal_kv, phase_to_phase, ratio), 0.01)


def _high_voltage_m(nominal_kv: float, phase_to_phase: bool, ratio: float) -> float:
    """Return D = 0.3048 (C + a) V_LG T A + M above 72.5 kV, with the rule's default overvoltage."""
    overvoltage = 3.5 if nominal_kv <= 420 else 3.0 if nominal_kv <= 550 else 2.5
    line_kv = nominal_kv / math.sqrt(3)
    factor = 1.35 * overvoltage + 0.45 if phase_to_phase else overvoltage
    peak_kv = factor * line_kv * math.sqrt(2)
    bands: tuple[tuple[float, float, float], ...]
    if phase_to_phase:
        bands = (
            (630, 0, math.inf), (848, 630, 155000), (1131, 633.6, 152207), (1485, 628, 153846),
            (math.inf, 350.5, 203666),
        )  # fmt: skip
        constant = _AIR
    else:
        bands = (
            (635, 0, math.inf), (915, 635, 140000), (1050, 645, 135000), (math.inf, 675, 125000),
        )  # fmt: skip
        constant = _TOOL
    offset, slope = next((o, s) for upper, o, s in bands if peak_kv <= upper)
    saturation = max(peak_kv - offset, 0.0) / slope
    return 0.3048 * (constant + saturation) * line_kv * factor * ratio + 0.31


def approach_rows(territory: Territory, zone: Zone) -> list[dict[str, Any]]:
    """Return the distances to the worked circuits and to every other line within 100 m.

    Parameters
    ----------
    territory : Territory
        As read.
    zone : Zone
        The worksite.
    """
    import shapely  # noqa: PLC0415  start-up time

    span_rows = {way.span for way in zone.ways}
    if zone.span is not None:
        span_rows.add(zone.span)
    drawn = shapely.union_all([territory.spans.geometry[s] for s in sorted(span_rows)])
    altitude = _altitude_m(territory, zone)
    near = within(territory.spans.geometry, drawn, REACH_M)
    circuits = sorted({*zone.circuit_ids, *map(str, territory.spans["circuit_id"][near])})
    row = territory.circuits.index()
    rows = [_circuit_row(territory, name, row[name], altitude) for name in circuits]
    lines = territory.layer("other_lines")
    if lines is not None:
        found = np.flatnonzero(within(lines.geometry, drawn, REACH_M))
        rows += [
            _row("line_id", str(lines.ids[k]), float(lines["nominal_kv"][k]), altitude)
            for k in found
        ]
    return rows


def _altitude_m(territory: Territory, zone: Zone) -> float:
    """Return the largest altitude stated at the zone's poles; 0 where none is (up to 900 m)."""
    poles = sorted(zone.poles | {way.far for way in zone.ways})
    stated = territory.poles["altitude_m"][poles].astype(float)
    return float(np.nanmax(stated)) if np.isfinite(stated).any() else 0.0


def _circuit_row(territory: Territory, name: str, row: int, altitude_m: float) -> dict[str, Any]:
    """Return a circuit's row; a single-wire circuit states its voltage to ground."""
    circuits = territory.circuits
    nominal_kv = float(circuits["nominal_kv"][row])
    single = bool(circuits.stated["fault_3ph_a"][row]) and math.isnan(circuits["fault_3ph_a"][row])
    if not single:
        return _row("circuit_id", name, nominal_kv, altitude_m)
    found = _row("circuit_id", name, nominal_kv * math.sqrt(3), altitude_m)
    return found | {"nominal_kv": nominal_kv, "phase_phase_m": None}


def _row(key: str, name: str, nominal_kv: float, altitude_m: float) -> dict[str, Any]:
    """Return one row of ``approach``; distances are null where the voltage is not known."""
    if math.isnan(nominal_kv):
        unknown = {"nominal_kv": None, "phase_ground_m": None, "phase_phase_m": None}
        return {key: name, **unknown, "altitude_m": altitude_m, "source": "voltage not stated"}
    return {
        key: name,
        "nominal_kv": nominal_kv,
        "phase_ground_m": approach_m(nominal_kv, phase_to_phase=False, altitude_m=altitude_m),
        "phase_phase_m": approach_m(nominal_kv, phase_to_phase=True, altitude_m=altitude_m),
        "altitude_m": altitude_m,
        "source": SOURCE,
    }
