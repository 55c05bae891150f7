"""Line constants: modified Carson, neutral reduction, and the impedance of every span."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import NoPlanError, Reason

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from gridground.tables.wires import Conductor
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network

# Where no soil polygon covers a span, network-wide fault currents take this resistivity.
NETWORK_RESISTIVITY_OHM_M = 100.0
_SEQUENCE = ("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km")
_PHASES = "ABC"


def primitive_ohm_per_km(
    resistance_ohm_per_km: ArrayLike,
    gmr_m: ArrayLike,
    x_m: ArrayLike,
    y_m: ArrayLike,
    *,
    frequency_hz: ArrayLike,
    resistivity_ohm_m: ArrayLike,
) -> NDArray[np.complex128]:
    """Return self and mutual impedances of overhead conductors with earth return.

    Parameters
    ----------
    resistance_ohm_per_km, gmr_m : array_like, shape (..., n)
        Resistance [ohm/km] and geometric mean radius [m] of each conductor.
    x_m, y_m : array_like, shape (..., n)
        Sideways position and height [m].
    frequency_hz, resistivity_ohm_m : array_like, shape (...)
        [Hz], [ohm·m].

    Returns
    -------
    ndarray of complex, shape (..., n, n)
        [ohm/km]; NaN where an input is NaN.

    Raises
    ------
    ValueError
        For a GMR, frequency or resistivity that is not above zero.

    Notes
    -----
    ``z_ii = r_i + pi² f 1e-4 + j 4 pi f 1e-4 ln(De/GMR_i)``,
    ``z_ij = pi² f 1e-4 + j 4 pi f 1e-4 ln(De/D_ij)``, ``De = 658.5 sqrt(rho/f)`` m: the first
    terms of Carson's series, for any number of conductors; heights do not enter. Against the whole
    integral, wires up to 13 m high at 60 Hz: own impedances within 0.3 % and mutual ones within
    0.6 % over 100 ohm·m (0.1 and 0.2 % over 1000, 0.9 and 2.2 % over 10), the earth's resistance
    too high (3 % of it over 100 ohm·m, 9 % over 10), the reactance too low by less than the rest.

    References
    ----------
    .. [1] J. R. Carson, Wave propagation in overhead wires with ground return, Bell System
       Technical Journal 5 (1926), 539-554.
    .. [2] W. H. Kersting, Distribution System Modeling and Analysis, chapter 4.
    """
    radius, x, y = (np.asarray(a, float) for a in (gmr_m, x_m, y_m))
    frequency = np.asarray(frequency_hz, float)
    earth_rho = np.asarray(resistivity_ohm_m, float)
    distance = np.hypot(x[..., :, None] - x[..., None, :], y[..., :, None] - y[..., None, :])
    # NaN is unknown and stays NaN
    if np.any(radius <= 0) or np.any(frequency <= 0) or np.any(earth_rho <= 0):
        raise ValueError("GMR, frequency and resistivity must be above zero")
    own = np.arange(radius.shape[-1])
    distance[..., own, own] = radius
    earth_m = np.asarray(return_depth_m(frequency, earth_rho))
    matrix = (
        (np.pi**2 * frequency * 1e-4)[..., None, None]
        + 4j * np.pi * frequency[..., None, None] * 1e-4
        * np.log(earth_m[..., None, None] / distance)
    )  # fmt: skip
    matrix[..., own, own] += np.asarray(resistance_ohm_per_km, float)
    return np.asarray(matrix, complex)


def return_depth_m(
    frequency_hz: ArrayLike, resistivity_ohm_m: ArrayLike
) -> NDArray[np.float64] | Any:  # noqa: ANN401  scalar in, scalar out
    """Return the depth at which the first terms of Carson's series put the return in the earth.

    Parameters
    ----------
    frequency_hz, resistivity_ohm_m : float or array_like
        [Hz], [ohm·m].

    Returns
    -------
    float or ndarray
        ``De = 658.5 sqrt(rho/f)`` [m].

    Examples
    --------
    >>> round(return_depth_m(60, 100)), round(return_depth_m(50, 100))
    (850, 931)
    """
    return (658.5 * np.sqrt(np.asarray(resistivity_ohm_m, float) / frequency_hz))[()]


def reduce_neutral(primitive: NDArray[np.complex128], n_phases: int) -> NDArray[np.complex128]:
    """Reduce conductors grounded along their way out of a matrix (Kron), all of them at once.

    Parameters
    ----------
    primitive : ndarray of complex, shape (..., n, n)
        Phases first, grounded conductors (neutrals, earth wires) behind, however many.
    n_phases : int
        How many stay.

    Returns
    -------
    ndarray of complex, shape (..., n_phases, n_phases)
        ``Z_pp - Z_pn Z_nn⁻¹ Z_np``.
    """
    phase = primitive[..., :n_phases, :n_phases]
    if primitive.shape[-1] == n_phases:
        return phase
    across = primitive[..., :n_phases, n_phases:]
    back = primitive[..., n_phases:, :n_phases]
    return phase - across @ np.linalg.solve(primitive[..., n_phases:, n_phases:], back)


def sequence_from_abc(
    abc: NDArray[np.complex128],
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return positive- and zero-sequence impedance of a line as if it were transposed.

    Parameters
    ----------
    abc : ndarray of complex, shape (..., n, n)
        Impedances of the phases that are there: one, two or three, absent ones left out.

    Returns
    -------
    z1, z0 : ndarray of complex, shape (...)
        ``z_s - z_m`` and ``z_s + 2 z_m`` with the means of the own and the mutual impedances: the
        diagonal of ``A⁻¹ Z A`` of three phases. Of two phases they are the values from which
        `abc_from_sequence` gives back the same two; of one phase both are its own impedance.

    Raises
    ------
    ValueError
        For no phase, or more than three.

    Examples
    --------
    >>> z1, z0 = sequence_from_abc(np.array([[1 + 2j, 0.2j], [0.2j, 1 + 2j]]))
    >>> np.round([z1, z0], 6).tolist()
    [(1+1.8j), (1+2.4j)]
    """
    n = abc.shape[-1]
    if not 1 <= n <= len(_PHASES):
        raise ValueError(f"a line has one, two or three phases, not {n}")
    own = np.trace(abc, axis1=-2, axis2=-1)
    mutual = (abc.sum(axis=(-2, -1)) - own) / max(n * (n - 1), 1)
    return own / n - mutual, own / n + 2.0 * mutual


def abc_from_sequence(z1: ArrayLike, z0: ArrayLike) -> NDArray[np.complex128]:
    """Return the phase impedances of a transposed line, shape (..., 3, 3)."""
    one, zero = np.asarray(z1, complex), np.asarray(z0, complex)
    mutual = ((zero - one) / 3.0)[..., None, None]
    return np.asarray(mutual + one[..., None, None] * np.eye(3), complex)


def span_primitive_ohm_per_km(
    territory: Territory, span_row: int, *, resistivity_ohm_m: float
) -> tuple[tuple[str, ...], NDArray[np.complex128]]:
    """Return the explicit conductors of an overhead span and their impedance matrix.

    Parameters
    ----------
    territory : Territory
        As read.
    span_row : int
        Row of the span.
    resistivity_ohm_m : float
        [ohm·m].

    Returns
    -------
    labels : tuple of str
        ``"A" "B" "C"`` in the order of the span's `phases`, and ``"N"`` last if it has a neutral.
    impedance : ndarray of complex, shape (n, n)
        [ohm/km].

    Raises
    ------
    NoPlanError
        With code ``unknown_conductors`` where a conductor, its place or its kind is unknown.
    """
    labels, conductors, places = span_wires(territory, span_row)
    circuits = territory.circuits
    row = circuits.index()[territory.spans["circuit_id"][span_row]]
    matrix = primitive_ohm_per_km(
        [c.resistance_ohm_per_km for c in conductors],
        [c.gmr_m for c in conductors],
        [p[0] for p in places],
        [p[1] for p in places],
        frequency_hz=float(circuits["frequency_hz"][row]),
        resistivity_ohm_m=resistivity_ohm_m,
    )
    return labels, matrix


def span_impedance_ohm(
    territory: Territory,
    network: Network,
    *,
    rows: NDArray[np.intp] | None = None,
    neutral: bool = True,
) -> NDArray[np.complex128]:
    """Return the impedance of every span in the A, B, C frame.

    Parameters
    ----------
    territory : Territory
        As read.
    network : Network
        Its graph.
    rows : ndarray of int, optional
        Only these span rows; all of them where not given.
    neutral : bool
        Whether the neutral carries its share. Without it an overhead span has the impedance of
        its phase conductors and the earth alone, by its geometry even where sequence figures are
        stated; a cable, a link and a span without known geometry keep what is stated.

    Returns
    -------
    ndarray of complex, shape (n, 3, 3)
        [ohm], absent phases zero, NaN where an input is unknown. The neutral is taken as grounded
        along its way; 100 ohm·m unless a soil polygon covers the middle of the span.
    """
    spans = territory.spans
    chosen = np.arange(len(spans)) if rows is None else np.asarray(rows, np.intp)
    present = (network.phases[chosen, None] & np.array([1, 2, 4], np.uint8)) > 0
    per_km = np.full((len(chosen), 3, 3), np.nan, complex)
    sequence = np.stack([np.asarray(spans[c], float)[chosen] for c in _SEQUENCE])
    stated = np.isfinite(sequence).all(axis=0)
    r1, x1, r0, x0 = sequence[:, stated]
    per_km[stated] = abc_from_sequence(r1 + 1j * x1, r0 + 1j * x0)
    kind = spans["kind"][chosen]
    drawn = ~(stated & neutral) & (kind != "cable") & (kind != "link")
    by_geometry = _from_geometry(territory, chosen[drawn], neutral=neutral)
    kept = stated[drawn] & np.isnan(by_geometry).any(axis=(1, 2))
    per_km[drawn] = np.where(kept[:, None, None], per_km[drawn], by_geometry)
    per_km *= (network.length_m[chosen] / 1000.0)[:, None, None]
    known = network.phases[chosen] > 0  # unknown phases: the whole block stays NaN
    absent = ~(present[:, :, None] & present[:, None, :]) & known[:, None, None]
    per_km[absent] = 0.0
    per_km[~known] = np.nan
    return per_km


def span_wires(
    territory: Territory, span_row: int
) -> tuple[tuple[str, ...], list[Conductor], list[tuple[float, float]]]:
    """Return labels, conductors and places of an overhead span's wires, neutral last.

    Raises
    ------
    NoPlanError
        With code ``unknown_conductors`` where one of them is unknown.
    """
    spans = territory.spans
    phases = spans["phases"][span_row]
    pole_top = territory.constructions.get(spans["construction"][span_row])
    neutral = spans["neutral_conductor"][span_row]
    names = [spans["conductor"][span_row]] * len(phases or "")
    positions = [str(k + 1) for k in range(len(names))]
    if neutral is not None:
        names.append(neutral)
        positions.append("N")
    conductors = [territory.conductors[n] for n in names if n in territory.conductors]
    places = (
        [pole_top.positions[p] for p in positions if p in pole_top.positions] if pole_top else []
    )
    gaps = {
        "phases": not phases,
        "neutral_conductor": neutral is None and not spans.stated["neutral_conductor"][span_row],
        "conductor or neutral_conductor": len(conductors) < len(names),
        "construction": len(places) < len(names) or len(set(places)) < len(places),
    }
    if any(gaps.values()):
        name = str(spans.ids[span_row])
        what = ", ".join(field for field, missing in gaps.items() if missing)
        raise NoPlanError(
            [
                Reason(
                    code="unknown_conductors",
                    where=(name,),
                    what=f"Span {name}: {what} unknown, or not in the tables.",
                    remedy="State it, or add the row to conductors.csv or constructions.csv.",
                )
            ]
        )
    return tuple(phases) + (("N",) if neutral is not None else ()), conductors, places


def _from_geometry(
    territory: Territory, rows: NDArray[np.intp], *, neutral: bool
) -> NDArray[np.complex128]:
    """Return impedances of overhead spans [ohm/km], one computation per distinct case."""
    if len(rows) == 0:
        return np.empty((0, 3, 3), complex)
    resistivity = _resistivity_ohm_m(territory, rows)
    case, first = _distinct(territory, rows, resistivity)
    matrices = np.full((len(first), 3, 3), np.nan, complex)
    for number, position in enumerate(first):  # distinct cases, not spans
        try:
            labels, primitive = span_primitive_ohm_per_km(
                territory, int(rows[position]), resistivity_ohm_m=float(resistivity[position])
            )
        except NoPlanError:
            continue  # stays NaN: unknown
        phases = [_PHASES.index(label) for label in labels if label != "N"]
        reduced = np.zeros((3, 3), complex)
        n = len(phases)
        kept = reduce_neutral(primitive, n) if neutral else primitive[:n, :n]
        reduced[np.ix_(phases, phases)] = kept
        matrices[number] = reduced
    return matrices[case]


def _distinct(
    territory: Territory, rows: NDArray[np.intp], resistivity: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the distinct cases: (case of each row, first row of each case)."""
    import pandas as pd  # noqa: PLC0415

    spans, circuit_row = territory.spans, territory.circuits.index()
    code, names = pd.factorize(spans["circuit_id"][rows])
    frequency = np.array([territory.circuits["frequency_hz"][circuit_row[n]] for n in names], float)
    columns: list[NDArray[Any]] = [frequency[code], resistivity]
    columns += [
        spans[c][rows] for c in ("construction", "phases", "conductor", "neutral_conductor")
    ]
    columns.append(spans.stated["neutral_conductor"][rows])
    key = np.zeros(len(rows), np.int64)
    for column in columns:
        codes, values = pd.factorize(column)  # None becomes -1
        key = key * (len(values) + 1) + codes + 1
        key = pd.factorize(key)[0].astype(np.int64)  # kept small, so that it cannot overflow
    _, first, case = np.unique(key, return_index=True, return_inverse=True)
    return case, first


def _resistivity_ohm_m(territory: Territory, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the soil resistivity at the middle of each span.

    Where polygons overlap the lowest value counts: it gives the larger fault current.
    """
    found = np.full(len(rows), np.inf)
    soil = territory.layer("soil")
    if soil is not None and len(soil):
        import shapely  # noqa: PLC0415

        value = np.asarray(soil["resistivity_ohm_m"], float)
        known = np.flatnonzero(np.isfinite(value) & (value > 0))
        lines = territory.spans.geometry[rows]
        middle = shapely.line_interpolate_point(lines, 0.5, normalized=True)
        tree = shapely.STRtree(soil.geometry[known])
        span, polygon = tree.query(middle, predicate="covered_by")
        np.minimum.at(found, span, value[known][polygon])
    return np.where(np.isinf(found), NETWORK_RESISTIVITY_OHM_M, found)
