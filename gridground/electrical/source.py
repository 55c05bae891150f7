"""The Thevenin source of a circuit, from the fault currents stated at its source pole."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.lines import abc_from_sequence
from gridground.errors import NoPlanError, Reason
from gridground.record import OpenItem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Layer, Territory

# An ungrounded source is given a zero-sequence impedance a million times its positive-sequence
# one: the phase currents then add up to zero within a millionth, and two-phase faults keep ten
# digits.
_UNGROUNDED_RATIO = 1e6


@dataclass(frozen=True)
class Source:
    """Thevenin equivalent at the source pole.

    Attributes
    ----------
    circuit_id : str
        Circuit it feeds.
    prefault_v : float
        Voltage to ground before the fault [V].
    z1_ohm : complex
        Positive (and negative) sequence impedance; of a single-phase source its self impedance.
    z0_ohm : complex or None
        Zero-sequence impedance; None for an ungrounded source.
    frequency_hz : float
        [Hz].
    single_phase : bool
        Only faults from a phase to ground exist.
    """

    circuit_id: str
    prefault_v: float
    z1_ohm: complex
    z0_ohm: complex | None
    frequency_hz: float
    single_phase: bool

    @property
    def grounded(self) -> bool:
        """Say whether a fault to ground draws current."""
        return self.z0_ohm is not None

    def abc_ohm(self) -> NDArray[np.complex128]:
        """Return the impedance in the A, B, C frame, shape (3, 3) [ohm]."""
        z0 = self.z1_ohm * _UNGROUNDED_RATIO if self.z0_ohm is None else self.z0_ohm
        return np.asarray(abc_from_sequence(self.z1_ohm, z0))

    def emf_v(self) -> NDArray[np.complex128]:
        """Return the voltages behind the impedance, A, B, C, shape (3,) [V]."""
        if self.single_phase:
            return np.full(3, self.prefault_v, complex)
        return np.asarray(self.prefault_v * np.exp(-2j * np.pi / 3 * np.arange(3)), complex)


def source_of(territory: Territory, circuit_row: int) -> Source:
    """Return the source of a circuit so that it reproduces the stated fault currents.

    Parameters
    ----------
    territory : Territory
        As read.
    circuit_row : int
        Row of the circuit.

    Returns
    -------
    Source
        ``Z1 = V/I3`` at ``atan(x_over_r_3ph)``; ``(2 Z1 + Z0)/3 = V/I1`` at
        ``atan(x_over_r_1ph)``; V is the prefault voltage (1.0 times nominal where no ratio is
        stated, which the plan prints as an assumption).

    Raises
    ------
    NoPlanError
        With code ``no_fault_current`` where a figure is unknown.

    Notes
    -----
    A stated null `fault_1ph_a` is an ungrounded source, a stated null `fault_3ph_a` a
    single-phase one, whose `nominal_kv` is to ground. A key that is missing is unknown.
    """
    circuits = territory.circuits
    name = str(circuits.ids[circuit_row])
    single = _null(circuits, circuit_row, "fault_3ph_a")
    figures = _figures(circuits, circuit_row, name, single=single)
    voltage_v, frequency_hz = _voltage(territory, circuit_row)
    return _source(name, voltage_v, frequency_hz, figures)


def equipment_source(territory: Territory, equipment_row: int) -> Source:
    """Return what equipment drives from its pole, from the fault currents stated for it.

    Parameters
    ----------
    territory : Territory
        As read.
    equipment_row : int
        Row of the equipment.

    Returns
    -------
    Source
        As `source_of`, at the voltage of the circuit it hangs on; `circuit_id` is the
        equipment's id. Equipment on one phase needs no `fault_3ph_a`.

    Raises
    ------
    NoPlanError
        With code ``no_fault_current`` where a figure is not stated.
    """
    equipment = territory.layers["equipment"]
    name = str(equipment.ids[equipment_row])
    circuit_row = territory.circuits.index()[equipment["circuit_id"][equipment_row]]
    single = _null(equipment, equipment_row, "fault_3ph_a")
    single |= len(equipment["phases"][equipment_row] or "") == 1
    figures = _figures(equipment, equipment_row, name, single=single)
    voltage_v, frequency_hz = _voltage(territory, circuit_row)
    return _source(name, voltage_v, frequency_hz, figures)


def falling_line_source(line_id: str, *, nominal_kv: float, fault_a: float) -> Source:
    """Return what one phase of another line drives when it falls on the worked line.

    Parameters
    ----------
    line_id : str
        The line.
    nominal_kv : float
        Phase to phase [kV].
    fault_a : float
        What the line drives into a fault from one phase to ground [A].

    Returns
    -------
    Source
        Single-phase, V = nominal_kv/sqrt(3) to ground behind |Z| = V/fault_a.

    Notes
    -----
    Z is taken as a pure reactance, its X/R not being stated: in series with the resistance of
    rods and neutral it gives more current than the same |Z| with a resistance in it. The line's
    neutral is its own, at earth potential, without a resistance of its own.

    Examples
    --------
    >>> source = falling_line_source("T1", nominal_kv=115.0, fault_a=5000.0)
    >>> round(source.prefault_v), round(source.z1_ohm.imag, 2), source.z1_ohm.real
    (66395, 13.28, 0.0)
    """
    voltage_v = nominal_kv * 1000.0 / math.sqrt(3.0)
    z = 1j * voltage_v / fault_a
    return Source(line_id, voltage_v, z, z, math.nan, single_phase=True)


_Figures = tuple[tuple[float, float] | None, tuple[float, float] | None]


def _null(layer: Layer, row: int, column: str) -> bool:
    """Say whether a value is known to be absent."""
    return bool(layer.stated[column][row]) and math.isnan(float(layer[column][row]))


def _figures(layer: Layer, row: int, name: str, *, single: bool) -> _Figures:
    """Return (current, X/R) of the three-phase and of the phase-to-ground fault; None: null."""
    ungrounded = _null(layer, row, "fault_1ph_a")
    if single and ungrounded:
        raise NoPlanError([_unknown(name, ["fault_3ph_a or fault_1ph_a"])])
    pairs = [] if single else [("fault_3ph_a", "x_over_r_3ph")]
    pairs += [] if ungrounded else [("fault_1ph_a", "x_over_r_1ph")]
    found = {key: float(layer[key][row]) for pair in pairs for key in pair}
    missing = [key for key, value in found.items() if not (math.isfinite(value) and value > 0)]
    if missing:
        raise NoPlanError([_unknown(name, missing)])
    three = None if single else (found["fault_3ph_a"], found["x_over_r_3ph"])
    one = None if ungrounded else (found["fault_1ph_a"], found["x_over_r_1ph"])
    return three, one


def _voltage(territory: Territory, circuit_row: int) -> tuple[float, float]:
    """Return a circuit's voltage to ground before the fault and its frequency."""
    circuits = territory.circuits
    name = str(circuits.ids[circuit_row])
    kilovolt, hertz, ratio = (
        float(circuits[key][circuit_row])
        for key in ("nominal_kv", "frequency_hz", "prefault_voltage_ratio")
    )
    known = {"nominal_kv": kilovolt, "frequency_hz": hertz}
    missing = [key for key, value in known.items() if not (math.isfinite(value) and value > 0)]
    if missing:
        raise NoPlanError([_unknown(name, missing)])
    to_ground = 1.0 if _null(circuits, circuit_row, "fault_3ph_a") else math.sqrt(3.0)
    return kilovolt * 1000.0 / to_ground * (1.0 if math.isnan(ratio) else ratio), hertz


def _source(name: str, voltage_v: float, frequency_hz: float, figures: _Figures) -> Source:
    """Return the source that reproduces the figures."""
    three, single = figures
    one = None if single is None else _impedance(voltage_v, *single)
    if three is None and one is not None:
        return Source(name, voltage_v, one, one, frequency_hz, single_phase=True)
    z1 = _impedance(voltage_v, *(three or (math.nan, math.nan)))
    z0 = None if one is None else 3.0 * one - 2.0 * z1
    return Source(name, voltage_v, z1, z0, frequency_hz, single_phase=False)


def source_open_items(source: Source) -> list[OpenItem]:
    """Return an open item where the stated figures contradict one another.

    A zero-sequence impedance with a negative resistance or reactance cannot be built: one of the
    two currents or X/R ratios is wrong.
    """
    z0 = source.z0_ohm
    # relative to Z1, so that rounding of the stated currents does not count
    floor = -0.02 * abs(source.z1_ohm)
    if z0 is None or (z0.real >= floor and z0.imag >= floor):
        return []
    return [
        OpenItem(
            code="source_figures_contradict",
            where=(source.circuit_id,),
            what=f"The fault currents and X/R ratios of {source.circuit_id} give a zero-sequence "
            f"impedance of {z0.real:.4g} {z0.imag:+.4g}j ohm, which cannot be.",
            why="Every fault current to ground and its X/R depend on it.",
            who="protection engineer",
            settles="fault_3ph_a, x_over_r_3ph, fault_1ph_a and x_over_r_1ph of one study",
        )
    ]


def _impedance(voltage_v: float, current_a: float, x_over_r: float) -> complex:
    """Return V/I at the angle whose tangent is X/R."""
    return complex(voltage_v / current_a * np.exp(1j * math.atan(x_over_r)))


def _unknown(circuit_id: str, columns: list[str]) -> Reason:
    """Return the reason for a source that cannot be built."""
    return Reason(
        code="no_fault_current",
        where=(circuit_id,),
        what=f"The fault current at the source of {circuit_id} is unknown: {', '.join(columns)}.",
        remedy="State the figures of the circuit's fault study.",
    )
