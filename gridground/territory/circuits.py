"""What circuits state about their source: do the fault figures and the protection go together."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import Level
from gridground.territory.columns import bands
from gridground.territory.connection import Ends, masks
from gridground.territory.findings import Findings
from gridground.territory.text import plain, shown, unknown_key_remedy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Layer

CURVES = (
    "IEEE MI", "IEEE VI", "IEEE EI", "IEC SI", "IEC VI", "IEC EI", "IEC LTI", "IEC STI",
)  # fmt: skip
_RELAY_NUMBERS = ("pickup_a", "time_dial", "instantaneous_a", "breaker_s", "ground_pickup_a")
_RELAY = ("kind", "curve", *_RELAY_NUMBERS, "reclose_shots")
_FUSE = ("kind", "clearing_points", "reclose_shots")
_MOST_SHOTS = 4
# Kinds of device that do not open a fault current by themselves.
_NOT_CLEARING = ("switch", "sectionalizer", "jumper")
_POINTS = 200
# Rounded figures give a source whose zero-sequence resistance is slightly negative.
_ROUNDING = 0.02


def check_circuits(circuits: Layer, findings: Findings) -> None:
    """Judge fault figures and clearing times of the circuits.

    Parameters
    ----------
    circuits : Layer
        The circuits.
    findings : Findings
        Of the circuits.
    """
    _check_figures(circuits, findings)
    _check_times(circuits, findings)


def check_equipment(equipment: Layer, findings: Findings) -> None:
    """Judge what equipment states about the fault current it can drive, as for circuits.

    Parameters
    ----------
    equipment : Layer
        The equipment.
    findings : Findings
        Of the equipment.
    """
    _check_figures(equipment, findings)
    for current, key in (("fault_3ph_a", "x_over_r_3ph"), ("fault_1ph_a", "x_over_r_1ph")):
        silent = np.isfinite(_column(equipment, current)) & ~equipment.stated[key]
        found = f"missing, although {current} is stated"
        remedy = "state it; without it the source is not solved"
        findings.add("open item", np.flatnonzero(silent), key, found, remedy)


def _check_figures(circuits: Layer, findings: Findings) -> None:
    """Judge the fault figures of sources, whatever they stand in."""
    three, one = _column(circuits, "fault_3ph_a"), _column(circuits, "fault_1ph_a")
    band = bands()["source", "one_over_three_phase"]
    ratio = one / three
    over = np.flatnonzero(ratio > band.high)
    found = f"more than {band.high:g} times fault_3ph_a, which no source gives"
    findings.add("reject", over, "fault_1ph_a", found, "correct one of the two (kA, feet?)")
    low = np.flatnonzero(ratio < band.low)
    found = f"less than {band.low:g} times fault_3ph_a: not an effectively grounded source"
    findings.add("open item", low, "fault_1ph_a", found, "confirm it or correct one of the two")
    for current, key in ((three, "x_over_r_3ph"), (one, "x_over_r_1ph")):
        stated_null = circuits.stated[key] & np.isnan(_column(circuits, key)) & ~np.isnan(current)
        found = "null, although the fault current is stated"
        remedy = "state it; it decides the asymmetry of the fault current"
        findings.add("open item", np.flatnonzero(stated_null), key, found, remedy)
    stated = circuits.stated["fault_3ph_a"] & circuits.stated["fault_1ph_a"]
    none = np.flatnonzero(stated & np.isnan(three) & np.isnan(one))
    found = "null like fault_3ph_a: no fault current at all"
    findings.add("open item", none, "fault_1ph_a", found, "state the one that the source gives")
    _check_zero_sequence(circuits, findings)


def _column(layer: Layer, name: str) -> NDArray[np.float64]:
    """Return a number column."""
    return np.asarray(layer[name], dtype=float)


def _check_zero_sequence(circuits: Layer, findings: Findings) -> None:
    """Report figures that ask for a negative zero-sequence impedance.

    With the voltage as 1: ``Z1 = 1/I3`` and ``(2 Z1 + Z0)/3 = 1/I1``, so ``Z0 = 3/I1 - 2/I3``,
    each at the angle of its X/R.
    """
    three, one = _column(circuits, "fault_3ph_a"), _column(circuits, "fault_1ph_a")
    angle3 = np.arctan(_column(circuits, "x_over_r_3ph"))
    angle1 = np.arctan(_column(circuits, "x_over_r_1ph"))
    total = 3 / one * np.exp(1j * angle1)
    z0 = total - 2 / three * np.exp(1j * angle3)
    slack = _ROUNDING * np.abs(total)
    possible = one / three <= bands()["source", "one_over_three_phase"].high
    bad = np.flatnonzero(possible & ((z0.real < -slack) | (z0.imag < -slack)))
    found = "together with the other fault figures asks for a negative zero-sequence impedance"
    remedy = "the ratio is that of (2 Z1 + Z0)/3; confirm or correct the four figures"
    findings.add("open item", bad, "x_over_r_1ph", found, remedy)


def _check_times(circuits: Layer, findings: Findings) -> None:
    """Report a backup faster than the first device, and circuits with no time at all."""
    without = np.array([one is None for one in circuits["protection"]], dtype=bool)
    fixed, backup = _column(circuits, "clearing_s"), _column(circuits, "backup_clearing_s")
    wrong = np.flatnonzero(without & (backup < fixed))
    found = "shorter than clearing_s, although it is the total time when the first device fails"
    findings.add("reject", wrong, "backup_clearing_s", found, "correct one of the two")
    none = np.flatnonzero(without & np.isnan(fixed))
    found = "missing, and there is no protection either"
    remedy = "state one of the two; they decide how long a fault lasts"
    findings.add("open item", none, "clearing_s", found, remedy)


def check_source_phases(circuits: Layer, spans: Layer, ends: Ends, findings: Findings) -> None:
    """Report circuits with three phases at their source but no three-phase fault."""
    phases = masks(spans["phases"])
    rows = np.flatnonzero(ends.circuit >= 0)
    source = ends.source_pole[ends.circuit[rows]]
    at_source = (source >= 0) & ((ends.start[rows] == source) | (ends.end[rows] == source))
    leaving = np.zeros(len(circuits), dtype=np.uint8)
    np.bitwise_or.at(leaving, ends.circuit[rows[at_source]], phases[rows[at_source]])
    several = np.isin(leaving, [3, 5, 6, 7])
    null = circuits.stated["fault_3ph_a"] & np.isnan(_column(circuits, "fault_3ph_a"))
    found = "null says a single-phase source, but spans with several phases leave its pole"
    remedy = "state the three-phase fault or correct the phases"
    findings.add("open item", np.flatnonzero(several & null), "fault_3ph_a", found, remedy)


def check_protection(layer: Layer, findings: Findings) -> None:
    """Judge the protection objects of circuits or devices.

    Parameters
    ----------
    layer : Layer
        Circuits or devices; unusable objects are rejected, unlikely settings are open items.
    findings : Findings
        Of that layer.
    """
    smallest = np.full(len(layer), np.nan)
    if layer.name == "circuits":
        smallest = np.fmin(_column(layer, "fault_3ph_a"), _column(layer, "fault_1ph_a"))
    rows_of: dict[tuple[Level, str, str, str], list[int]] = {}
    for row, settings in enumerate(layer["protection"]):
        if settings is not None:
            for what in _judge_settings(settings, float(smallest[row])):
                rows_of.setdefault(what, []).append(row)
    for (level, column, found, remedy), rows in rows_of.items():
        findings.add(level, rows, column, found, remedy)
    if layer.name == "devices":
        stated = zip(layer["kind"], layer["protection"], strict=True)
        idle = [row for row, (kind, one) in enumerate(stated) if one and kind in _NOT_CLEARING]
        found = "stated, but its kind does not open a fault current: not counted"
        findings.add("open item", idle, "protection", found, "correct the kind, or leave it out")


_What = tuple[Level, str, str, str]


def _judge_settings(settings: dict[str, Any], smallest_a: float) -> list[_What]:
    """Return (level, field, found, remedy) of everything wrong with one object."""
    kind = settings.get("kind")
    if kind not in ("relay", "fuse"):
        found = f"unknown kind {shown(kind)}"
        return [("reject", "protection.kind", found, "use relay or fuse")]
    known = _RELAY if kind == "relay" else _FUSE
    result: list[_What] = []
    for key in settings.keys() - set(known):
        remedy = unknown_key_remedy(key, known)
        result.append(
            ("open item", f"protection.{plain(key)}", "unknown setting, not used", remedy)
        )
    shots = settings.get("reclose_shots")
    whole = isinstance(shots, int) and not isinstance(shots, bool) and 0 <= shots <= _MOST_SHOTS
    if shots is not None and not whole:
        found = f"{shown(shots)} is not a whole number from 0 to {_MOST_SHOTS}"
        remedy = "write how often it recloses by itself after the first trip"
        result.append(("reject", "protection.reclose_shots", found, remedy))
    judge = _judge_relay if kind == "relay" else _judge_fuse
    return sorted(result) + judge(settings, smallest_a)


def _is_number(value: object) -> bool:
    """Say whether a value is a finite number above zero."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return 0 < value < 1e9 and math.isfinite(value)


def _judge_relay(settings: dict[str, Any], smallest_a: float) -> list[_What]:
    """Judge the settings of a relay."""
    result: list[_What] = []

    def add(level: Level, key: str, found: str, remedy: str) -> None:
        result.append((level, f"protection.{key}", found, remedy))

    curve = settings.get("curve")
    if curve not in CURVES:
        add("reject", "curve", f"unknown curve {shown(curve)}", f"use one of: {', '.join(CURVES)}")
    for key in _RELAY_NUMBERS:
        value = settings.get(key)
        if value is None:
            if key in {"pickup_a", "time_dial", "breaker_s"}:
                add("reject", key, "missing", "state it; without it there is no clearing time")
            continue
        if not _is_number(value):
            add("reject", key, f"{shown(value)} is not a number above zero", "write the setting")
            continue
        band = bands()["protection", key]
        if not band.low <= value <= band.high:
            found = f"{value:,g} is hardly possible (usual: {band.text})"
            add("open item", key, found, f"confirm or correct it: {band.reason}")
    pickup = settings.get("pickup_a")
    if _is_number(pickup) and pickup >= smallest_a:  # type: ignore[operator]
        found = f"{pickup:,g} A is not below the smallest fault at the source ({smallest_a:,g} A)"
        add("open item", "pickup_a", found, "the device would not operate: confirm or correct it")
    return result


def _judge_fuse(settings: dict[str, Any], _smallest_a: float) -> list[_What]:
    """Judge the points of a fuse: currents rise, times fall."""
    points = settings.get("clearing_points")

    def wrong(found: str, remedy: str) -> list[_What]:
        return [("reject", "protection.clearing_points", found, remedy)]

    if not isinstance(points, list) or not 2 <= len(points) <= _POINTS:
        return wrong(f"is not a list of 2 to {_POINTS} points", "write [[amp, second], …]")
    for point in points:
        if not isinstance(point, list) or len(point) != 2 or not all(map(_is_number, point)):
            found = "a point is not a current and a time, both above zero"
            return wrong(found, "write [[amp, second], …]")
    for (amp, second), (next_amp, next_second) in itertools.pairwise(points):
        if next_amp <= amp:
            return wrong(f"{next_amp:g} A does not rise after {amp:g} A", "sort by current")
        if next_second > second:
            found = f"the time rises from {second:g} s to {next_second:g} s as the current rises"
            return wrong(found, "read the points off the curve again")
    return []
