"""Minimum approach distances by the formula of 29 CFR 1910.269(l)(3), Table R-3."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from gridground.electrical.approach_own import check_own, own_source
from gridground.errors import InputError, TableError
from gridground.tables import read_table
from gridground.units import feet_text, round_up

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gridground.territory.layers import Territory
    from gridground.territory.ways import Zone

SOURCE = "29 CFR 1910.269(l)(3) Tables R-3, R-4, R-5 (2014), second hand"
REACH_M = 100.0
_AIR_ONLY = "phase to phase only where nothing but air is in the gap"
_TABLE_R4_UP_TO_KV = 72.5
# C of Table R-3: phase to phase with nothing in the gap but air; 0.011 in every other case.
_AIR, _TOOL = 0.01, 0.011
Exposure = Literal["phase-ground", "phase-phase"]


def altitude_ratio(altitude_m: float) -> float:
    """Return the altitude correction factor of Table R-5.

    Parameters
    ----------
    altitude_m : float
        Above sea level [m].

    Raises
    ------
    TableError
        Above 6,000 m, or where the altitude is NaN.

    Examples
    --------
    >>> altitude_ratio(900), altitude_ratio(901)
    (1.0, 1.02)
    """
    rows = read_table("approach_altitude")
    for row in rows:
        if altitude_m <= float(row["up_to_m"]):
            return float(row["ratio"])
    highest = f"{float(rows[-1]['up_to_m']):,.0f} m"
    raise TableError("altitude", f"{altitude_m:,.0f} m", highest, rows[-1]["source"])


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

    Notes
    -----
    ``D = M + A D_e``: M for inadvertent movement, A for altitude, D_e 0.02 m up to 5 kV, Table R-4
    up to 72.5 kV, ``0.3048 (C + a) V_LG T`` above, with the overvoltage T that stands where the
    employer has determined none. Up to 5 kV the rule asks for no A; taking it is our judgement
    and errs to the longer side. A voltage between two bands belongs to the upper one. The phase
    to phase distance above 72.5 kV holds for a gap of air only: no tool across it, no large
    conductive object in it.

    References
    ----------
    .. [1] 29 CFR 1910.269(l)(3), Tables R-3, R-4 and R-5 (2014), second hand.

    Examples
    --------
    >>> approach_m(12.47, phase_to_phase=False, altitude_m=0)
    0.65
    >>> approach_m(121, phase_to_phase=False, altitude_m=0)
    1.13
    """
    rows = read_table("approach_formula")
    row = next((r for r in rows if nominal_kv <= float(r["up_to_kv"])), None)
    if row is None:
        largest = f"{rows[-1]['up_to_kv']} kV"
        raise TableError("voltage", f"{nominal_kv:g} kV", largest, rows[-1]["source"])
    if row["electrical"] == "avoid contact":
        return None
    exposure: Exposure = "phase-phase" if phase_to_phase else "phase-ground"
    if row["electrical"] == "fixed":
        electrical_m = float(row["air_m"])
    elif row["electrical"] == "table":
        electrical_m = _table_r4_m(nominal_kv, exposure)
    else:
        electrical_m = _overvoltage_m(nominal_kv, exposure)
    return round_up(float(row["movement_m"]) + altitude_ratio(altitude_m) * electrical_m, 0.01)


def _table_r4_m(nominal_kv: float, exposure: Exposure) -> float:
    """Return the electrical component of Table R-4."""
    row = next(r for r in read_table("approach_electrical") if nominal_kv <= float(r["up_to_kv"]))
    return float(row[exposure.replace("-", "_") + "_m"])


def _overvoltage_m(nominal_kv: float, exposure: Exposure) -> float:
    """Return ``0.3048 (C + a) V_LG T`` above 72.5 kV."""
    rows = read_table("approach_overvoltage")
    row = next(r for r in rows if nominal_kv <= float(r["up_to_kv"]))
    overvoltage = float(row["overvoltage_ratio"])
    line_kv = nominal_kv / math.sqrt(3)
    factor = 1.35 * overvoltage + 0.45 if exposure == "phase-phase" else overvoltage
    peak_kv = factor * line_kv * math.sqrt(2)
    band = next(
        r
        for r in read_table("approach_saturation")
        if r["exposure"] == exposure and peak_kv <= float(r["up_to_peak_kv"])
    )
    saturation = max(peak_kv - float(band["offset_kv"]), 0.0) / float(band["slope_kv"])
    constant = _AIR if exposure == "phase-phase" else _TOOL
    return 0.3048 * (constant + saturation) * line_kv * factor


def approach_rows(
    territory: Territory, zone: Zone, *, own_m: Mapping[str, float] | None = None
) -> list[dict[str, Any]]:
    """Return the distances to the worked circuits and to every other line within 100 m.

    Parameters
    ----------
    territory : Territory
        As read.
    zone : Zone
        The worksite.
    own_m : dict of float or None
        The employer's own distances by circuit or line id (`limits.approach`) [m]; None and an
        empty one: none stated, the rule's distances stand.

    Returns
    -------
    list of dict
        Rows of ``approach``. Where the employer states a distance both distances are that one and
        the row's `rule_phase_ground_m` and `rule_phase_phase_m` hold the rule's. `altitude_m` is
        the highest stated within 100 m of the work; `altitude_stated` is False where none is and
        0 m (up to 900 m) stands in.

    Raises
    ------
    InputError
        For own distances that are smaller than the rule's: all of them at once.
    TableError
        Above 800 kV or 6,000 m.
    """
    import shapely  # noqa: PLC0415  start-up time

    span_rows = {way.span for way in zone.ways}
    if zone.span is not None:
        span_rows.add(zone.span)
    drawn = shapely.union_all([territory.spans.geometry[s] for s in sorted(span_rows)])
    altitude = _altitude_m(territory, zone, drawn)
    near = territory.spans.near(drawn, REACH_M)
    circuits = sorted({*zone.circuit_ids, *map(str, territory.spans["circuit_id"][near])})
    row = territory.circuits.index()
    rows = [_circuit_row(territory, name, row[name], altitude) for name in circuits]
    lines = territory.layer("other_lines")
    if lines is not None:
        found = lines.near(drawn, REACH_M)
        rows += [
            _row("line_id", str(lines.ids[k]), float(lines["nominal_kv"][k]), altitude)
            for k in found
        ]
    stated = {} if own_m is None else own_m
    if problems := check_own(rows, stated):
        raise InputError(list(problems))
    return [_with_own(row, stated) for row in rows]


def _with_own(row: dict[str, Any], own_m: Mapping[str, float]) -> dict[str, Any]:
    """Return a row with the employer's distance, which is not smaller than the rule's."""
    name = str(row.get("circuit_id") or row.get("line_id"))
    if name not in own_m:
        return row
    both = ("phase_ground_m", "phase_phase_m")
    own = round_up(own_m[name], 0.01)
    single = row["phase_phase_m"] is None and row["phase_ground_m"] is not None
    return row | {
        **{f"rule_{key}": row[key] for key in both},
        "phase_ground_m": own,
        "phase_phase_m": None if single else own,
        "source": own_source(row),
    }


def _altitude_m(territory: Territory, zone: Zone, drawn: Any) -> float | None:  # noqa: ANN401  a geometry
    """Return the largest altitude stated at the zone's poles and within reach; None for none."""
    poles = sorted(zone.poles | {way.far for way in zone.ways})
    near = territory.poles.near(drawn, REACH_M)
    stated = territory.poles["altitude_m"][[*poles, *near]].astype(float)
    return float(np.nanmax(stated)) if np.isfinite(stated).any() else None


def _circuit_row(
    territory: Territory, name: str, row: int, altitude_m: float | None
) -> dict[str, Any]:
    """Return a circuit's row; a single-wire circuit states its voltage to ground."""
    circuits = territory.circuits
    nominal_kv = float(circuits["nominal_kv"][row])
    single = bool(circuits.stated["fault_3ph_a"][row]) and math.isnan(circuits["fault_3ph_a"][row])
    if not single:
        return _row("circuit_id", name, nominal_kv, altitude_m)
    found = _row("circuit_id", name, nominal_kv * math.sqrt(3), altitude_m)
    return found | {"nominal_kv": nominal_kv, "phase_phase_m": None}


def _row(key: str, name: str, nominal_kv: float, altitude_m: float | None) -> dict[str, Any]:
    """Return one row of ``approach``; distances are null where the voltage is not known."""
    height_m = 0.0 if altitude_m is None else altitude_m
    where = {"altitude_m": height_m, "altitude_stated": altitude_m is not None}
    if math.isnan(nominal_kv):
        unknown = {"nominal_kv": None, "phase_ground_m": None, "phase_phase_m": None}
        return {key: name, **unknown, **where, "source": "voltage not stated"}
    return {
        key: name,
        "nominal_kv": nominal_kv,
        "phase_ground_m": approach_m(nominal_kv, phase_to_phase=False, altitude_m=height_m),
        "phase_phase_m": approach_m(nominal_kv, phase_to_phase=True, altitude_m=height_m),
        **where,
        "source": SOURCE if nominal_kv <= _TABLE_R4_UP_TO_KV else f"{SOURCE}; {_AIR_ONLY}",
    }


def apart_text(rows: Sequence[Mapping[str, Any]], circuit_ids: Sequence[str]) -> str:
    """Return how far from a phase of the worked circuits everybody stays; empty where not known.

    Parameters
    ----------
    rows : sequence of mapping
        ``approach``, as `approach_rows` returns.
    circuit_ids : sequence of str
        The circuits worked on; the largest of their distances counts.
    """
    own = [row for row in rows if row.get("circuit_id") in circuit_ids]
    known = [row["phase_ground_m"] for row in own]
    return feet_text(max(known)) if known and None not in known else ""
