"""What one neighbour does to every piece of the dead section that faces it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.hung import hung
from gridground.electrical.induction import (
    balanced,
    discharge_a_per_km,
    floating_v,
    mutual_ohm_per_km,
    potential_per_f_m,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.electrical.hung import Hung
    from gridground.electrical.live_lines import LiveLine
    from gridground.electrical.neighbours import Exposure, Parts
    from gridground.territory.layers import Territory

# Conductors of two circuits are never nearer than this: two circuits drawn on the same spot of
# the pole top, or a crossing at the same height. Our judgement.
LEAST_M = 0.5


@dataclass(frozen=True)
class Coupling:
    """Per pair of a piece and a facing part of one neighbour.

    Attributes
    ----------
    span : ndarray of int, shape (n,)
        Span row of the piece.
    piece : ndarray of int, shape (n,)
        Row of the piece.
    steady : ndarray of complex, shape (n, 4)
        Voltage along A, B, C, neutral for a balanced load of 1 A [V/A].
    fault : ndarray of complex, shape (n, 4, 3)
        The same for 1 A to ground in each phase of the neighbour [V/A].
    floating_v : ndarray, shape (n,)
        Largest voltage to ground of a floating phase here [V].
    discharge_a : ndarray, shape (n,)
        Current of the piece through one ground, all phases together [A].
    touching : bool
        Somewhere conductors are drawn nearer to each other than `LEAST_M`.
    """

    span: NDArray[np.intp]
    piece: NDArray[np.intp]
    steady: NDArray[np.complex128]
    fault: NDArray[np.complex128]
    floating_v: NDArray[np.float64]
    discharge_a: NDArray[np.float64]
    touching: bool


def couplings(
    territory: Territory,
    line: LiveLine,
    pairs: tuple[Exposure, Parts, Parts],
    *,
    frequency_hz: float,
    resistivity_ohm_m: float,
) -> list[Coupling]:
    """Return what a neighbour does, once for every arrangement its phases may have.

    Parameters
    ----------
    territory : Territory
        As read.
    line : LiveLine
        The neighbour.
    pairs : tuple of (Exposure, Parts, Parts)
        Its exposure, the pieces of the dead section, and the parts of the neighbours.
    frequency_hz, resistivity_ohm_m : float
        [Hz], [ohm·m].
    """
    exposure, pieces, parts = pairs
    span = pieces.owner[exposure.piece]
    dead = hung(territory, span)
    weight = np.abs(exposure.cosine) * pieces.length_m[exposure.piece] / 1000.0
    found = []
    for x, y, radius in _live(territory, line, exposure, parts):
        side = dead.x_m[:, :, None] - x[:, None, :]
        drawn = np.hypot(side, dead.y_m[:, :, None] - y[:, None, :])
        distance = np.maximum(drawn, LEAST_M)
        mutual = mutual_ohm_per_km(
            distance, frequency_hz=frequency_hz, resistivity_ohm_m=resistivity_ohm_m
        )
        fault = np.asarray(np.where(np.isnan(distance), 0, mutual) * weight[:, None, None], complex)
        steady = np.asarray(fault @ balanced(1.0), complex)
        volts, amps = _electric((x, y, radius), dead, line, frequency_hz)
        length = pieces.length_m[exposure.piece] / 1000.0
        near = bool((drawn[:, :3] < LEAST_M).any())
        found.append(Coupling(span, exposure.piece, steady, fault, volts, amps * length, near))
    return found


def _live(
    territory: Territory, line: LiveLine, exposure: Exposure, parts: Parts
) -> list[tuple[NDArray[np.float64], ...]]:
    """Return place and radius of the neighbour's A, B, C in the cross-section of each piece."""
    turn = np.where(exposure.cosine < 0, -1.0, 1.0)[:, None]
    offset = exposure.offset_m[:, None]
    if line.key == "circuit_id":
        own = hung(territory, parts.owner[exposure.part])
        x = offset + turn * own.x_m[:, :3]
        return [(x, own.y_m[:, :3], own.radius_m[:, :3])]
    n = len(exposure)
    radius = np.full((n, 3), line.radius_m)
    return [
        (offset + turn * x, np.broadcast_to(y, (n, 3)), radius) for x, y in map(tuple, line.places)
    ]


def _electric(
    live: tuple[NDArray[np.float64], ...], dead: Hung, line: LiveLine, frequency_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the largest floating voltage [V] and the current to ground [A/km] of every pair."""
    columns = [
        np.concatenate([mine, other[:, :3]], axis=1)
        for mine, other in zip(live, (dead.x_m, dead.y_m, dead.radius_m), strict=True)
    ]
    there = np.isfinite(columns[0])
    pattern = there @ (1 << np.arange(6))
    volts, amps = np.zeros(len(there)), np.zeros(len(there))
    source = line.voltage_v()
    for code in np.unique(pattern):  # which phases there are, not pairs
        rows = np.flatnonzero(pattern == code)
        chosen = np.flatnonzero(there[rows[0]])
        feeding = source[chosen[chosen < 3]]
        if len(feeding) in {0, len(chosen)}:
            continue
        x, y, radius = (column[np.ix_(rows, chosen)] for column in columns)
        matrix = potential_per_f_m(x, y, radius, least_m=LEAST_M)
        volts[rows] = np.abs(floating_v(matrix, feeding)).max(axis=1)
        current = discharge_a_per_km(matrix, feeding, frequency_hz=frequency_hz)
        amps[rows] = np.abs(current).sum(axis=1)
    return volts, amps
