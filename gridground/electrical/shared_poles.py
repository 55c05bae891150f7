"""Several circuits on the same poles: all their conductors in one impedance matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.lines import primitive_ohm_per_km, span_wires
from gridground.errors import NetworkError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.tables.wires import Conductor
    from gridground.territory.layers import Territory

_NEUTRAL = "N"


def shared_primitive_ohm_per_km(
    territory: Territory, span_rows: Sequence[int], *, resistivity_ohm_m: float
) -> tuple[tuple[str, ...], NDArray[np.complex128]]:
    """Return all conductors of the spans between the same two poles and their impedance matrix.

    Parameters
    ----------
    territory : Territory
        As read.
    span_rows : sequence of int
        Rows of overhead spans, each of another circuit; looked at from the first one's
        `from_pole`.
    resistivity_ohm_m : float
        [ohm·m].

    Returns
    -------
    labels : tuple of str
        ``"F1:A"``: the phases span by span, the neutrals behind them, so that `reduce_neutral`
        takes the matrix as it is. A shared neutral is one wire, of the circuit that comes first.
    impedance : ndarray of complex, shape (n, n)
        [ohm/km].

    Raises
    ------
    NoPlanError
        With code ``unknown_conductors`` as for `span_primitive_ohm_per_km`.
    NetworkError
        For spans that are not between the same poles or not of one frequency, a circuit named
        twice, or two conductors drawn at one place.

    Notes
    -----
    A span drawn the other way round is turned over: its left is the first one's right.
    """
    rows = [int(row) for row in span_rows]
    _check_together(territory, rows)
    laid = _lay(territory, rows)
    _check_apart(laid)
    circuit = territory.circuits.index()[territory.spans["circuit_id"][rows[0]]]
    matrix = primitive_ohm_per_km(
        [wire.resistance_ohm_per_km for _, wire, _ in laid],
        [wire.gmr_m for _, wire, _ in laid],
        [x for _, _, (x, _) in laid],
        [y for _, _, (_, y) in laid],
        frequency_hz=float(territory.circuits["frequency_hz"][circuit]),
        resistivity_ohm_m=resistivity_ohm_m,
    )
    return tuple(label for label, _, _ in laid), matrix


def _lay(territory: Territory, rows: list[int]) -> list[tuple[str, Conductor, tuple[float, float]]]:
    """Return labels, conductors and places of all wires, the neutrals last, a shared one once."""
    spans = territory.spans
    phases: list[tuple[str, Conductor, tuple[float, float]]] = []
    neutrals: list[tuple[str, Conductor, tuple[float, float]]] = []
    partner_of: dict[str, str | None] = {}  # of the circuits whose neutral is laid
    for row in rows:
        circuit, partner = str(spans["circuit_id"][row]), spans["shares_neutral_with"][row]
        turn = 1.0 if spans["from_pole"][row] == spans["from_pole"][rows[0]] else -1.0
        shared = partner in partner_of or circuit in partner_of.values()
        for label, wire, (x_m, y_m) in zip(*span_wires(territory, row), strict=True):
            one = (f"{circuit}:{label}", wire, (turn * x_m, y_m))
            if label != _NEUTRAL:
                phases.append(one)
                continue
            partner_of[circuit] = partner
            if not shared:
                neutrals.append(one)
    return phases + neutrals


def phase_count(labels: Sequence[str]) -> int:
    """Return how many of the labels are phases, for `reduce_neutral`.

    Examples
    --------
    >>> phase_count(("F1:A", "F2:B", "F1:N"))
    2
    """
    return sum(not label.endswith(f":{_NEUTRAL}") for label in labels)


def _check_together(territory: Territory, rows: list[int]) -> None:
    """Refuse spans that do not hang side by side on two poles."""
    spans, circuits = territory.spans, territory.circuits
    names = ", ".join(str(spans.ids[row]) for row in rows)
    if not rows:
        raise NetworkError("no span to lay conductors of")
    if len({frozenset((spans["from_pole"][row], spans["to_pole"][row])) for row in rows}) > 1:
        raise NetworkError(f"spans {names} are not between the same two poles")
    own = [spans["circuit_id"][row] for row in rows]
    if len(set(own)) < len(own):
        raise NetworkError(f"two of the spans {names} are of one circuit")
    row_of = circuits.index()
    if len({float(circuits["frequency_hz"][row_of[name]]) for name in own}) > 1:
        raise NetworkError(f"the circuits of spans {names} have different frequencies")


def _check_apart(laid: list[tuple[str, Conductor, tuple[float, float]]]) -> None:
    """Refuse two conductors at one place: they cannot be coupled by geometry."""
    seen: dict[tuple[float, float], str] = {}
    for label, _, place in laid:
        if place in seen:
            raise NetworkError(f"conductors {seen[place]} and {label} are drawn at one place")
        seen[place] = label
