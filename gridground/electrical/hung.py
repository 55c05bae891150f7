"""Where the conductors of spans hang: sideways place, height and radius of A, B, C and neutral."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import LABELS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.layers import Territory

# Where a pole top or a conductor is not in the tables, our judgement: low for an energized
# distribution line, 20 mm across.
UNKNOWN_HEIGHT_M, UNKNOWN_RADIUS_M, UNKNOWN_SPACING_M = 8.0, 0.010, 1.4


@dataclass(frozen=True)
class Hung:
    """Conductors of spans, columns A, B, C, neutral; NaN where a span has none.

    Attributes
    ----------
    x_m, y_m, radius_m : ndarray, shape (n, 4)
        Sideways from the pole axis, positive on the right of the span's direction; above ground;
        half the diameter [m].
    guessed : ndarray of bool, shape (n,)
        The place or the conductor is not known and a usual one is taken.
    """

    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    radius_m: NDArray[np.float64]
    guessed: NDArray[np.bool_]


def hung(territory: Territory, rows: NDArray[np.intp]) -> Hung:
    """Return where the conductors of spans hang, worked out once per distinct kind of span."""
    spans = territory.spans
    names = ("construction", "phases", "conductor", "neutral_conductor")
    key = list(zip(*(spans[name][rows] for name in names), strict=True))
    kinds = list(dict.fromkeys(key))
    number = {kind: k for k, kind in enumerate(kinds)}
    place = np.full((len(kinds), 3, 4), np.nan)
    guessed = np.zeros(len(kinds), bool)
    for k, kind in enumerate(kinds):  # distinct kinds, not spans
        place[k], guessed[k] = _kind(territory, *kind)
    at = np.array([number[one] for one in key], np.intp)
    found = place[at]
    return Hung(found[:, 0], found[:, 1], found[:, 2], guessed[at])


def _kind(
    territory: Territory,
    construction: str | None,
    phases: str | None,
    conductor: str | None,
    neutral: str | None,
) -> tuple[NDArray[np.float64], bool]:
    """Return x, y and radius by label of one kind of span, and whether any of it is guessed."""
    found = np.full((3, 4), np.nan)
    guessed = not phases
    top = territory.constructions.get(construction or "")
    places = top.positions if top else {}
    # unknown phases: three are taken
    wires = [(letter, str(k + 1), conductor) for k, letter in enumerate(phases or "ABC")]
    if neutral is not None:
        wires.append(("neutral", "N", neutral))
    for k, (label, position, name) in enumerate(wires):
        usual = ((k - 1) * UNKNOWN_SPACING_M, UNKNOWN_HEIGHT_M)
        wire = territory.conductors.get(name or "")
        radius = wire.diameter_m / 2 if wire else UNKNOWN_RADIUS_M
        guessed |= position not in places or wire is None
        found[:, LABELS.index(label)] = (*places.get(position, usual), radius)
    return found, guessed
