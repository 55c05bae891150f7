"""Energized lines overhead: where a boom or an auger comes near one, and where a rod would.

A rod is set upright before it goes down, and what sets it reaches higher than a person. Under a
line that stays energized that costs, as a place; where the line's stated height leaves less than
the approach distance above an upright rod, the place is not lawful.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.approach import approach_m
from gridground.electrical.live_lines import usual_row
from gridground.units import feet_text, room_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.job import Job
    from gridground.territory.layers import Territory

# What stands above an upright rod while it is set: a driver, or hands. Our judgement.
ABOVE_ROD_M = 1.0
# Of the height at the poles, what sag leaves. Our judgement, errs to the lower side.
SAG_RATIO = 0.9


@dataclass(frozen=True)
class LiveOverhead:
    """Lines near that stay energized; row by row, in the plane.

    Attributes
    ----------
    ids, names : ndarray, shape (n,)
        Id of the span or line, and how it is told ("F2 (span S9)").
    geometry : ndarray, shape (n,)
        As drawn.
    half_m : ndarray, shape (n,)
        To each side of what is drawn: outermost conductor and approach distance [m].
    approach_m : ndarray, shape (n,)
        Approach distance, phase to ground [m].
    height_m : ndarray, shape (n,)
        Lowest conductor above ground, sag taken off; NaN where not known [m].
    nominal_kv : ndarray, shape (n,)
        Voltage between phases; NaN where not known [kV].
    layers : ndarray, shape (n,)
        ``"spans"`` or ``"other_lines"``.
    """

    ids: NDArray[np.object_]
    names: NDArray[np.object_]
    geometry: NDArray[np.object_]
    half_m: NDArray[np.float64]
    approach_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    nominal_kv: NDArray[np.float64]
    layers: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.ids)


def live_overhead(near: Neighbourhood, territory: Territory, job: Job) -> LiveOverhead:
    """Collect the lines near that stay energized while rods are driven.

    Parameters
    ----------
    near : Neighbourhood
        Its overhead spans and other lines.
    territory : Territory
        Voltages, constructions, heights.
    job : Job
        `circuit_ids` are worked on; `limits.approach_m` holds the employer's own distances.

    Returns
    -------
    LiveOverhead
        Spans of circuits that are not worked on, and other lines that are not stated to be dead.

    Raises
    ------
    TableError
        Above 800 kV.
    """
    rows = [*_spans(near, territory, job), *_lines(near, territory, job)]
    keys = ("ids", "names", "geometry", "layers")
    columns = {k: np.array([*[row[k] for row in rows], None], dtype=object)[:-1] for k in keys}
    numbers = {
        k: np.array([row[k] for row in rows], dtype=float)
        for k in ("half_m", "approach_m", "height_m", "nominal_kv")
    }
    return LiveOverhead(**columns, **numbers)


def low_lines(live: LiveOverhead, *, rod_length_m: float) -> list[dict[str, Any]]:
    """Return the lines under which no upright rod keeps the approach distance, as obstacles.

    Parameters
    ----------
    live : LiveOverhead
    rod_length_m : float
        [m].
    """
    room_m = live.height_m - rod_length_m - ABOVE_ROD_M
    return [
        {
            "ids": live.ids[row],
            "kinds": "low_line",
            "names": (
                f"{live.names[row]}: {room_text(max(room_m[row], 0.0))} above an upright rod, "
                f"{feet_text(live.approach_m[row])} needed"
            ),
            "layers": live.layers[row],
            "geometry": live.geometry[row],
            "clearance_m": live.half_m[row],
        }
        for row in np.flatnonzero(room_m < live.approach_m)
    ]


def _spans(near: Neighbourhood, territory: Territory, job: Job) -> list[dict[str, Any]]:
    """Return the spans of circuits that are not worked on."""
    spans, circuits = territory.spans, territory.circuits
    row_of, circuit_row = spans.index(), circuits.index()
    altitude_m = _altitude_m(near, territory)
    rows = []
    for span_id, line in zip(near.span_ids, near.spans, strict=True):
        at = row_of[span_id]
        circuit_id = str(spans["circuit_id"][at])
        if circuit_id in job.circuit_ids or circuit_id not in circuit_row:
            continue
        c = circuit_row[circuit_id]
        kv = float(circuits["nominal_kv"][c])
        if bool(circuits.stated["fault_3ph_a"][c]) and math.isnan(circuits["fault_3ph_a"][c]):
            kv *= math.sqrt(3)  # a single-wire circuit states its voltage to ground
        top = territory.constructions.get(spans["construction"][at])
        hung = [xy for name, xy in top.positions.items() if name != "N"] if top else []
        needed_m = _needed_m(kv, job.limits.approach_m.get(circuit_id), altitude_m)
        sideways_m = max((abs(x) for x, _ in hung), default=_usual_m(kv))
        rows.append(
            {
                "ids": span_id,
                "names": f"{circuit_id} (span {span_id})",
                "geometry": line,
                "layers": "spans",
                "nominal_kv": kv,
                "approach_m": needed_m,
                "half_m": needed_m + sideways_m,
                "height_m": SAG_RATIO * min((y for _, y in hung), default=math.nan),
            }
        )
    return rows


def _lines(near: Neighbourhood, territory: Territory, job: Job) -> list[dict[str, Any]]:
    """Return the other lines that are not stated to be dead; their height is that of a phase."""
    layer = territory.layer("other_lines")
    if layer is None:
        return []
    row_of, rows = layer.index(), []
    altitude_m = _altitude_m(near, territory)
    for line_id, line in zip(near.line_ids, near.lines, strict=True):
        at = row_of[line_id]
        if layer["state"][at] == "dead":
            continue
        kv, spacing_m = float(layer["nominal_kv"][at]), float(layer["spacing_m"][at])
        needed_m = _needed_m(kv, job.limits.approach_m.get(str(line_id)), altitude_m)
        rows.append(
            {
                "ids": line_id,
                "names": f"line {line_id}",
                "geometry": line,
                "layers": "other_lines",
                "nominal_kv": kv,
                "approach_m": needed_m,
                "half_m": needed_m + (_usual_m(kv) if math.isnan(spacing_m) else spacing_m),
                "height_m": float(layer["height_m"][at]),
            }
        )
    return rows


def _altitude_m(near: Neighbourhood, territory: Territory) -> float:
    """Return the highest altitude stated of the poles near; 0 where none is, as in the rule [m]."""
    if "altitude_m" not in territory.poles.columns:
        return 0.0
    row_of = territory.poles.index()
    here_m = territory.poles["altitude_m"][[row_of[name] for name in near.pole_ids]].astype(float)
    stated_m = here_m[np.isfinite(here_m)]
    return float(stated_m.max(initial=0.0))


def _needed_m(nominal_kv: float, own_m: float | None, altitude_m: float) -> float:
    """Return the approach distance; of an unknown voltage that of 46 kV, our judgement [m]."""
    if own_m is not None:
        return own_m
    kv = 46.0 if math.isnan(nominal_kv) else nominal_kv
    return approach_m(kv, phase_to_phase=False, altitude_m=altitude_m) or 0.0


def _usual_m(nominal_kv: float) -> float:
    """Return the usual spacing of a voltage [m]."""
    return float(usual_row(46.0 if math.isnan(nominal_kv) else nominal_kv)["spacing_m"])
