"""The stretches of the dead section that make loops: between two grounds, or ground to open end."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.ends import LABELS
from gridground.electrical.lines import span_primitive_ohm_per_km
from gridground.electrical.neighbours import paths_m
from gridground.errors import NoPlanError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from gridground.territory.network import Network

# What a ground of unknown resistance is tried with, from none to not there at all [ohm].
ANY_OHM = (0.0, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 1000.0, 1e6)


@dataclass(frozen=True)
class Stretch:
    """The way between two grounds.

    Attributes
    ----------
    start, end : int
        Pole rows.
    spans : ndarray of int
        Span rows on the way.
    length_m : float
        [m].
    end_ohm : tuple of float
        Resistance to earth of both ends together [ohm]; several to try where it is not known.
    labels : tuple of int
        Conductors (0 A, 1 B, 2 C, 3 neutral) that run the whole way.
    impedance_ohm : ndarray of complex, shape (n, n), or None
        Their series impedance with earth return [ohm]; None where no span's conductors are known.
    """

    start: int
    end: int
    spans: NDArray[np.intp]
    length_m: float
    end_ohm: tuple[float, ...]
    labels: tuple[int, ...]
    impedance_ohm: NDArray[np.complex128] | None


def find_stretches(
    network: Network,
    dead: NDArray[np.bool_],
    grounds: Mapping[int, float | None],
    *,
    resistivity_ohm_m: float,
) -> list[Stretch]:
    """Return the way between every two grounds that the dead section connects.

    Parameters
    ----------
    network : Network
        The graph.
    dead : ndarray of bool, shape (n_spans,)
        The dead section.
    grounds : mapping
        Pole row -> resistance to earth of the ground there [ohm], None where not known.
    resistivity_ohm_m : float
        [ohm·m].
    """
    found = []
    for one, other in combinations(sorted(grounds), 2):
        distance, came_by = paths_m(network, dead, one, network.length_m)
        if not np.isfinite(distance[other]):
            continue
        spans, pole = [], other
        while pole != one:
            span = int(came_by[pole])
            spans.append(span)
            pole = network.other_end(span, pole)
        rows = np.array(spans, np.intp)
        labels, matrix = _series(network, rows, resistivity_ohm_m)
        known = [grounds[p] for p in (one, other)]
        stated = sum(ohm for ohm in known if ohm is not None)
        # the largest current of a conductor need not be at 0: currents of two loops add as phasors
        ends = tuple(stated + ohm for ohm in (ANY_OHM if None in known else (0.0,)))
        length = float(network.length_m[rows].sum())
        found.append(Stretch(one, other, rows, length, ends, labels, matrix))
    return found


def _series(
    network: Network, spans: NDArray[np.intp], resistivity_ohm_m: float
) -> tuple[tuple[int, ...], NDArray[np.complex128] | None]:
    """Return the conductors that run the whole way and their impedance [ohm].

    Cables, links and spans of unknown conductors count as no impedance: errs to more current.
    """
    total = np.zeros((4, 4), complex)
    common = np.ones(4, bool)
    known = False
    for span in spans.tolist():
        if network.territory.spans["kind"][span] in {"cable", "link"}:
            continue
        try:
            labels, matrix = span_primitive_ohm_per_km(
                network.territory, span, resistivity_ohm_m=resistivity_ohm_m
            )
        except NoPlanError:
            continue
        at = [LABELS.index("neutral" if label == "N" else label) for label in labels]
        total[np.ix_(at, at)] += matrix * network.length_m[span] / 1000.0
        here = np.zeros(4, bool)
        here[at] = True
        common &= here
        known = True
    chosen = np.flatnonzero(common)
    if not known or len(chosen) == 0:
        return (), None
    return tuple(chosen.tolist()), total[np.ix_(chosen, chosen)]
