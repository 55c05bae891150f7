"""What is known of every energized neighbour: voltage, load, fault, place of its conductors."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.induction import balanced
from gridground.errors import TableError
from gridground.tables import read_table
from gridground.territory.columns import ARRANGEMENTS
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from numpy.typing import NDArray

    from gridground.electrical.tolerable import TolerableVoltage
    from gridground.territory.layers import Layer, Territory

LEAST_REACH_M, LARGEST_REACH_M = 100.0, 500.0
# What a neighbour out of reach may leave out of the steady voltage: a tenth of 6 V.
LEFT_OUT_V = 0.6
TRANSMISSION_KV = 69.0


@dataclass
class LiveLine:
    """One energized neighbour.

    Attributes
    ----------
    key, name : str
        ``"line_id"`` or ``"circuit_id"``, and the id.
    row : int
        Row of its layer.
    nominal_kv, load_a, fault_a, clearing_s, spacing_m : float
        As stated; NaN where not, `nominal_kv` and `spacing_m` as assumed.
    single : bool
        Single-phase circuit; its voltage is to ground.
    places : list of ndarray, shape (2, 3)
        Sideways places and heights of A, B, C, in both orders, and of every arrangement where it
        is not stated (the worst counts); empty for circuits, whose spans hold them.
    radius_m : float
        Of its conductors; NaN for circuits.
    unknown, assumed : list of str
        What is not stated, and what stands for it.
    """

    key: str
    name: str
    row: int
    nominal_kv: float
    load_a: float
    fault_a: float
    clearing_s: float
    spacing_m: float
    single: bool = False
    places: list[NDArray[np.float64]] = field(default_factory=list)
    radius_m: float = math.nan
    unknown: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)

    def voltage_v(self) -> NDArray[np.complex128]:
        """Return the voltages of A, B, C to ground, nominal [V]."""
        if self.single:
            return np.full(3, self.nominal_kv * 1000.0, complex)
        return balanced(self.nominal_kv * 1000.0 / math.sqrt(3))

    def usual_load_a(self) -> float:
        """Return the load as stated, else the usual largest of the voltage [A]."""
        usual = float(usual_row(self.nominal_kv)["reach_load_a"])
        return usual if math.isnan(self.load_a) else self.load_a

    def reach_m(self, stretch_m: float) -> float:
        """Return how far this neighbour is looked for along a stretch of a length [m].

        A balanced load I on conductors s apart drives about ``4 pi f 1e-4 sqrt(3) I s / d`` V/km
        (60 Hz: ``0.131 I s / d``) at a distance d. The reach is where this, over the stretch, is
        a tenth of 6 V, at least 100 m and at most 500 m; a load not stated counts as the usual
        largest of the voltage. A fault reaches farther, see `induced`.
        """
        distance = 0.131 * self.usual_load_a() * self.spacing_m * stretch_m / 1000.0 / LEFT_OUT_V
        return float(np.clip(distance, LEAST_REACH_M, LARGEST_REACH_M))


@cache
def usual_row(nominal_kv: float) -> dict[str, str]:
    """Return the row of usual spacing, height and conductor of a voltage.

    Raises
    ------
    TableError
        Above 1,500 kV.
    """
    for row in read_table("line_geometry"):
        if nominal_kv <= float(row["up_to_kv"]):
            return row
    raise TableError("voltage", f"{nominal_kv:g} kV", "1,500 kV", "line_geometry")


def places_of(spacing_m: float, height_m: float, arrangement: str) -> NDArray[np.float64]:
    """Return sideways places and heights of three phases, shape (2, 3) [m].

    `height_m` is that of the lowest phase; `spacing_m` that of neighbouring phases.
    """
    s, h = spacing_m, height_m
    if arrangement == "flat":
        return np.array([[-s, 0.0, s], [h, h, h]])
    if arrangement == "upright":
        return np.array([[0.0, 0.0, 0.0], [h, h + s, h + 2 * s]])
    return np.array([[-s / 2, 0.0, s / 2], [h, h + s * math.sqrt(3) / 2, h]])


def other_lines(territory: Territory, *, only: Collection[int] | None = None) -> list[LiveLine]:
    """Return the lines of the layer `other_lines` that are energized or not stated to be dead.

    All of them, or those of some rows.
    """
    layer = territory.layer("other_lines")
    if layer is None:
        return []
    rows = range(len(layer)) if only is None else sorted(only)
    return [_other_line(layer, row) for row in rows if layer["state"][row] != "dead"]


def largest_reach_m(territory: Territory, worked: frozenset[str], stretch_m: float) -> float:
    """Return how far the farthest reaching of all neighbours is looked for [m].

    Parameters
    ----------
    territory : Territory
        As read.
    worked : frozenset of str
        Circuits switched out.
    stretch_m : float
        As for `LiveLine.reach_m` [m].
    """
    lines = territory.once("reach of other lines", lambda t: _farthest(other_lines(t)))
    circuits = territory.once(
        "reach of circuits", lambda t: _farthest(live_circuits(t, frozenset(), {}))
    )
    first = [line for line in circuits if line.name not in worked][:1]
    return max((line.reach_m(stretch_m) for line in [*lines[:1], *first]), default=0.0)


def _farthest(lines: list[LiveLine]) -> list[LiveLine]:
    """Return lines by how far they are looked for, the farthest first."""
    return sorted(lines, key=lambda line: -line.usual_load_a() * line.spacing_m)


def _number(layer: Layer, column: str, row: int) -> float:
    """Return a number, NaN where it is not stated or the layer has no such column."""
    values = layer.columns.get(column)
    return math.nan if values is None else float(values[row])


def _word(layer: Layer, column: str, row: int) -> str | None:
    """Return a word, None where it is not stated or the layer has no such column."""
    values: Any = layer.columns.get(column)
    return None if values is None else values[row]


def _other_line(layer: Layer, row: int) -> LiveLine:
    """Return one line, with usual figures for what is not stated."""
    names = ("nominal_kv", "load_a", "fault_a", "clearing_s", "spacing_m", "height_m")
    kv, load, fault, clearing, spacing, height = (_number(layer, c, row) for c in names)
    line = LiveLine("line_id", str(layer.ids[row]), row, kv, load, fault, clearing, spacing)
    if _word(layer, "state", row) is None:
        line.unknown.append("state")
        line.assumed.append("energized")
    if math.isnan(kv):
        line.unknown.append("nominal_kv")
        line.nominal_kv = 800.0
        line.assumed.append("800 kV, the highest in use")
    usual = usual_row(line.nominal_kv)
    if math.isnan(spacing):
        line.spacing_m = float(usual["spacing_m"])
        line.assumed.append(f"phases {feet_text(line.spacing_m)} apart ({usual['source']})")
    if math.isnan(height):
        line.unknown.append("height_m")
        height = float(usual["height_m"])
        line.assumed.append(f"lowest phase {feet_text(height)} above ground ({usual['source']})")
    line.radius_m = float(usual["diameter_mm"]) / 2000.0
    line.assumed.append(f"conductors {float(usual['diameter_mm']):g} mm across")
    arrangement = _word(layer, "arrangement", row)
    shapes = ARRANGEMENTS if arrangement is None else (arrangement,)
    hanging = [places_of(line.spacing_m, height, shape) for shape in shapes]
    line.places = [order for place in hanging for order in (place, place[:, ::-1])]
    line.assumed.append("order of the phases: the worse of A B C and C B A")
    if arrangement is None:
        line.assumed.append("arrangement of phases: the worst of flat, upright and triangle")
    line.unknown += [c for c, v in (("load_a", load), ("fault_a", fault)) if math.isnan(v)]
    if math.isnan(clearing):
        line.unknown.append("clearing_s")
    return line


def live_circuits(
    territory: Territory,
    worked: frozenset[str],
    faults: Mapping[str, tuple[float | None, float | None]],
    *,
    only: Collection[int] | None = None,
) -> list[LiveLine]:
    """Return the circuits that are not worked on, which stay energized.

    Parameters
    ----------
    territory : Territory
        As read.
    worked : frozenset of str
        Circuits switched out.
    faults : mapping
        ``circuit_id -> (phase-to-ground fault beside the worksite [A], clearing time [s])``.
    only : collection of int, optional
        Circuit rows to look at; without it, all.
    """
    circuits = territory.circuits
    found = []
    for row in range(len(circuits)) if only is None else sorted(only):
        name = str(circuits.ids[row])
        if name in worked:
            continue
        fault, clearing = faults.get(name, (None, None))
        kv = float(circuits["nominal_kv"][row])
        single = bool(circuits.stated["fault_3ph_a"][row]) and math.isnan(
            float(circuits["fault_3ph_a"][row])
        )
        usual = usual_row(kv)
        line = LiveLine(
            "circuit_id", name, row, kv, _number(circuits, "load_a", row),
            math.nan if fault is None else fault, math.nan if clearing is None else clearing,
            float(usual["spacing_m"]), single,
        )  # fmt: skip
        line.unknown += [
            column
            for column in ("load_a", "fault_a", "clearing_s")
            if math.isnan(getattr(line, column))
        ]
        found.append(line)
    return found


def fault_limit(line: LiveLine, rule: str | float, *, body_ohm: float) -> TolerableVoltage | None:
    """Return the worker's limit for the time of a fault on the neighbour; None where unknown."""
    from gridground.electrical.tolerable import limit_v  # noqa: PLC0415  only where a time is known

    if math.isnan(line.clearing_s):
        return None
    try:
        return limit_v(rule, duration_s=line.clearing_s, body_ohm=body_ohm)
    except TableError:
        return None
