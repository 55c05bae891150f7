"""The kinds of fault at a point: currents and X/R from the impedance and voltage seen there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

KINDS = ("three_phase", "phase_phase", "two_phase_ground", "phase_ground")
_PAIRS = ((0, 1), (1, 2), (0, 2))
_BITS = (1, 2, 4)
_LARGEST_RATIO = 1e6  # of X/R: finite, so that it can be stored; the offset does not decay


@dataclass(frozen=True)
class Kinds:
    """Fault currents of n points, symmetrical, rows in the order of `KINDS`.

    Attributes
    ----------
    current_a : ndarray, shape (4, n)
        Largest phase current; NaN where the fault cannot exist or an input is unknown [A].
    ground_a : ndarray, shape (4, n)
        Current to ground, 3 I0, of the same fault [A].
    x_over_r : ndarray, shape (4, n)
        [ratio].
    phase_ground_a : ndarray, shape (3, n)
        Fault from phase A, B, C to ground [A].
    exists : ndarray of bool, shape (4, n)
        Whether the phases at the point and the source allow the fault at all.
    """

    current_a: NDArray[np.float64]
    ground_a: NDArray[np.float64]
    x_over_r: NDArray[np.float64]
    phase_ground_a: NDArray[np.float64]
    exists: NDArray[np.bool_]


def fault_kinds(
    impedance_ohm: NDArray[np.complex128],
    voltage_v: NDArray[np.complex128],
    phases: NDArray[np.uint8],
    *,
    grounded: NDArray[np.bool_],
    single_phase: NDArray[np.bool_],
) -> Kinds:
    """Return the currents of bolted faults of every kind.

    Parameters
    ----------
    impedance_ohm : ndarray of complex, shape (n, 3, 3)
        Driving-point impedance, A, B, C frame [ohm].
    voltage_v : ndarray of complex, shape (n, 3)
        Voltage before the fault [V].
    phases : ndarray of uint8, shape (n,)
        Phases at the point, bit mask.
    grounded, single_phase : ndarray of bool, shape (n,)
        Whether the source is grounded; whether it is a single-phase source, of which only the
        fault to ground of a one-phase point is known.

    Returns
    -------
    Kinds

    Notes
    -----
    In the phase domain, for any unbalance: ``I = Z⁻¹ E`` over all phases (three-phase fault, to
    ground where the source is grounded), ``(E_i - E_j)/(Z_ii + Z_jj - 2 Z_ij)``, ``I = Z_ij⁻¹
    E_ij`` over two phases to ground, ``E_i/Z_ii``.

    X/R is the reactive over the active power behind the fault, which is the tangent of the angle
    between voltage and current where there is one current only. A two-phase fault to ground has
    two time constants; its X/R is the larger of the two, which errs to the high side.
    """
    n = len(phases)
    result = Kinds(
        current_a=np.full((4, n), np.nan),
        ground_a=np.full((4, n), np.nan),
        x_over_r=np.full((4, n), np.nan),
        phase_ground_a=np.full((3, n), np.nan),
        exists=np.zeros((4, n), bool),
    )
    point = (impedance_ohm, voltage_v)
    several = ~single_phase
    with np.errstate(invalid="ignore"):  # NaN is an unknown impedance and stays NaN
        for phase, bit in enumerate(_BITS):
            at = np.flatnonzero((phases & bit > 0) & grounded & (several | (phases == bit)))
            _phase_ground(result, at, phase, point)
        for pair in _PAIRS:
            both = _BITS[pair[0]] | _BITS[pair[1]]
            at = np.flatnonzero(((phases & both) == both) & several)
            _phase_phase(result, at, pair, point)
            _two_phase_ground(result, at[grounded[at]], pair, point)
        _three_phase(result, np.flatnonzero((phases == 7) & several), point)
    result.ground_a[0, ~grounded & result.exists[0]] = 0.0
    return result


_Point = tuple["NDArray[np.complex128]", "NDArray[np.complex128]"]


def _keep(
    result: Kinds,
    kind: int,
    at: NDArray[np.intp],
    figures: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
) -> None:
    """Keep current, ground current and X/R where the current is the largest so far."""
    current, ground, x_over_r = figures
    result.exists[kind, at] = True
    before = result.current_a[kind, at]
    larger = np.isnan(before) | (current > before)
    rows = at[larger]
    result.current_a[kind, rows] = current[larger]
    result.ground_a[kind, rows] = ground[larger]
    result.x_over_r[kind, rows] = x_over_r[larger]


def _phase_ground(result: Kinds, at: NDArray[np.intp], phase: int, point: _Point) -> None:
    """Faults from one phase to ground."""
    own = point[0][at, phase, phase]
    current = np.abs(point[1][at, phase] / own)
    result.phase_ground_a[phase, at] = current
    _keep(result, 3, at, (current, current, _ratio(own.imag, own.real)))


def _phase_phase(result: Kinds, at: NDArray[np.intp], pair: tuple[int, int], point: _Point) -> None:
    """Faults between two phases."""
    i, j = pair
    ohm, volt = point
    loop = ohm[at, i, i] + ohm[at, j, j] - ohm[at, i, j] - ohm[at, j, i]
    current = np.abs((volt[at, i] - volt[at, j]) / loop)
    _keep(
        result,
        1,
        at,
        (current, np.where(np.isnan(current), np.nan, 0.0), _ratio(loop.imag, loop.real)),
    )


def _two_phase_ground(
    result: Kinds, at: NDArray[np.intp], pair: tuple[int, int], point: _Point
) -> None:
    """Faults of two phases to ground."""
    chosen = list(pair)
    block = point[0][at][:, chosen][:, :, chosen]
    current = _solve(block, point[1][at][:, chosen])
    largest = np.abs(current).max(axis=1)
    ground = np.abs(current.sum(axis=1))
    _keep(result, 2, at, (largest, ground, _slowest_ratio(block)))


def _three_phase(result: Kinds, at: NDArray[np.intp], point: _Point) -> None:
    """Faults of all three phases, to ground."""
    volt = point[1][at]
    current = _solve(point[0][at], volt)
    power = (volt * current.conj()).sum(axis=1)
    largest = np.abs(current).max(axis=1)
    ground = np.abs(current.sum(axis=1))
    _keep(result, 0, at, (largest, ground, _ratio(power.imag, power.real)))


def phase_currents_a(
    impedance_ohm: NDArray[np.complex128], voltage_v: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Return the current of each phase in a three-phase fault, shape (n, 3) [A]."""
    return np.asarray(np.abs(_solve(impedance_ohm, voltage_v)))


def _solve(block: NDArray[np.complex128], volt: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Solve each block for its currents, NaN where an entry is unknown."""
    known = np.isfinite(block).all(axis=(1, 2)) & np.isfinite(volt).all(axis=1)
    current = np.full(volt.shape, np.nan, complex)
    current[known] = np.linalg.solve(block[known], volt[known][..., None])[..., 0]
    return current


def _slowest_ratio(block: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Return the larger X/R of the two modes of a 2 x 2 impedance (eigenvalues of R⁻¹ X)."""
    r, x = block.real, block.imag
    det_r = r[:, 0, 0] * r[:, 1, 1] - r[:, 0, 1] * r[:, 1, 0]
    det_x = x[:, 0, 0] * x[:, 1, 1] - x[:, 0, 1] * x[:, 1, 0]
    # half the trace of R⁻¹ X, times det R
    half = (
        r[:, 1, 1] * x[:, 0, 0] + r[:, 0, 0] * x[:, 1, 1]
        - r[:, 0, 1] * x[:, 1, 0] - r[:, 1, 0] * x[:, 0, 1]
    ) / 2.0  # fmt: skip
    root = np.sqrt(np.maximum(half**2 - det_r * det_x, 0.0))
    return _ratio(half + root, det_r)


def _ratio(x: NDArray[np.float64], r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return X/R between 0 and a million, the latter where no resistance damps the offset."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(r > 0, np.clip(x / r, 0.0, _LARGEST_RATIO), _LARGEST_RATIO)
    return np.where(np.isnan(x) | np.isnan(r), np.nan, ratio)
