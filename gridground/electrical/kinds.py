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
_FLAT_RATIO = 1e-6  # of a determinant to the product of its columns' lengths
_LARGEST_RATIO = 1e6  # of X/R: finite, so that it can be stored; the offset does not decay
# Every fault there is: its kind (row of `KINDS`) and its phases (bit mask).
FAULT_KIND = np.array([0, 1, 1, 1, 2, 2, 2, 3, 3, 3], np.intp)
FAULT_PHASES = np.array([7, 3, 6, 5, 3, 6, 5, 1, 2, 4], np.uint8)


@dataclass(frozen=True)
class Each:
    """Every single fault at n points, rows in the order of `FAULT_KIND` and `FAULT_PHASES`.

    Attributes
    ----------
    phase_a : ndarray, shape (10, 3, n)
        Current of phase A, B, C; zero in phases without the fault, NaN where the fault cannot
        exist or an input is unknown [A].
    ground_a : ndarray, shape (10, n)
        Current to ground, 3 I0 [A].
    x_over_r : ndarray, shape (10, n)
        [ratio].
    exists : ndarray of bool, shape (10, n)
        Whether the phases at the point and the source allow the fault at all.
    """

    phase_a: NDArray[np.float64]
    ground_a: NDArray[np.float64]
    x_over_r: NDArray[np.float64]
    exists: NDArray[np.bool_]

    @classmethod
    def none(cls, n: int) -> Each:
        """Return n points at which no fault exists."""
        unknown = np.full((10, n), np.nan)
        phase_a = np.full((10, 3, n), np.nan)
        return cls(phase_a, unknown.copy(), unknown.copy(), np.zeros((10, n), bool))

    @property
    def largest_a(self) -> NDArray[np.float64]:
        """Largest phase current of every fault, shape (10, n) [A]."""
        return np.asarray(self.phase_a.max(axis=1))


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
    each : Each
        Every fault by its phases.
    """

    current_a: NDArray[np.float64]
    ground_a: NDArray[np.float64]
    x_over_r: NDArray[np.float64]
    phase_ground_a: NDArray[np.float64]
    exists: NDArray[np.bool_]
    each: Each


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
    each = Each.none(len(phases))
    point = (impedance_ohm, voltage_v)
    several = ~single_phase
    with np.errstate(invalid="ignore"):  # NaN is an unknown impedance and stays NaN
        for phase, bit in enumerate(_BITS):
            at = np.flatnonzero((phases & bit > 0) & grounded & (several | (phases == bit)))
            _phase_ground(each, at, phase, point)
        for number, pair in enumerate(_PAIRS):
            both = _BITS[pair[0]] | _BITS[pair[1]]
            at = np.flatnonzero(((phases & both) == both) & several)
            _phase_phase(each, at, number, point)
            _two_phase_ground(each, at[grounded[at]], number, point)
        _three_phase(each, np.flatnonzero((phases == 7) & several), point)
    each.ground_a[0, ~grounded & each.exists[0]] = 0.0
    return _by_kind(each)


_Point = tuple["NDArray[np.complex128]", "NDArray[np.complex128]"]


def _by_kind(each: Each) -> Kinds:
    """Return the fault with the largest current of each kind."""
    n = each.exists.shape[1]
    largest = each.largest_a
    ranked = np.where(np.isnan(largest), -1.0, largest)
    current, ground, ratio = (np.empty((4, n)) for _ in range(3))
    exists = np.empty((4, n), bool)
    column = np.arange(n)
    for kind in range(4):
        rows = np.flatnonzero(kind == FAULT_KIND)
        row = rows[ranked[rows].argmax(axis=0)]
        current[kind], ground[kind] = largest[row, column], each.ground_a[row, column]
        ratio[kind] = each.x_over_r[row, column]
        exists[kind] = each.exists[rows].any(axis=0)
    one = each.phase_a[[7, 8, 9], [0, 1, 2]]
    return Kinds(current, ground, ratio, one, exists, each)


def _keep(
    each: Each, row: int, at: NDArray[np.intp], figures: tuple[NDArray[np.float64], ...]
) -> None:
    """Keep the currents of phases A, B, C, the ground current and X/R of one fault."""
    each.exists[row, at] = True
    each.phase_a[row, :, at], each.ground_a[row, at], each.x_over_r[row, at] = figures


def _phase_ground(each: Each, at: NDArray[np.intp], phase: int, point: _Point) -> None:
    """Faults from one phase to ground."""
    own = point[0][at, phase, phase]
    phase_a = np.zeros((len(at), 3))
    phase_a[:, phase] = np.abs(point[1][at, phase] / own)
    _keep(each, 7 + phase, at, (phase_a, phase_a[:, phase], _ratio(own.imag, own.real)))


def _phase_phase(each: Each, at: NDArray[np.intp], number: int, point: _Point) -> None:
    """Faults between two phases."""
    i, j = _PAIRS[number]
    ohm, volt = point
    loop = ohm[at, i, i] + ohm[at, j, j] - ohm[at, i, j] - ohm[at, j, i]
    current = np.abs((volt[at, i] - volt[at, j]) / loop)
    phase_a = np.zeros((len(at), 3))
    phase_a[:, i] = phase_a[:, j] = current
    ground = np.where(np.isnan(current), np.nan, 0.0)
    _keep(each, 1 + number, at, (phase_a, ground, _ratio(loop.imag, loop.real)))


def _two_phase_ground(each: Each, at: NDArray[np.intp], number: int, point: _Point) -> None:
    """Faults of two phases to ground."""
    chosen = list(_PAIRS[number])
    block = point[0][at][:, chosen][:, :, chosen]
    current = _solve(block, point[1][at][:, chosen])
    phase_a = np.zeros((len(at), 3))
    phase_a[:, chosen] = np.abs(current)
    _keep(each, 4 + number, at, (phase_a, np.abs(current.sum(axis=1)), _slowest_ratio(block)))


def _three_phase(each: Each, at: NDArray[np.intp], point: _Point) -> None:
    """Faults of all three phases, to ground."""
    volt = point[1][at]
    current = _solve(point[0][at], volt)
    power = (volt * current.conj()).sum(axis=1)
    ground = np.abs(current.sum(axis=1))
    _keep(each, 0, at, (np.abs(current), ground, _ratio(power.imag, power.real)))


def phase_currents_a(
    impedance_ohm: NDArray[np.complex128], voltage_v: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Return the current of each phase in a three-phase fault, shape (n, 3) [A]."""
    return np.asarray(np.abs(_solve(impedance_ohm, voltage_v)))


def _solve(block: NDArray[np.complex128], volt: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Solve each block of two or three phases for its currents, NaN where an entry is unknown.

    By determinants: a library's solver costs ten times as much on blocks this small. Where those
    lose digits (an ungrounded source, whose zero-sequence impedance is a million times the other)
    the library solves.
    """
    if volt.shape[1] == 2:
        whole = _cross(block[:, :, 0], block[:, :, 1])
        parts = [_cross(volt, block[:, :, 1]), _cross(block[:, :, 0], volt)]
    else:
        one, two, three = (block[:, :, k] for k in range(3))
        normal = [np.cross(two, three), np.cross(three, one), np.cross(one, two)]
        whole = (one * normal[0]).sum(axis=1)
        parts = [(volt * vector).sum(axis=1) for vector in normal]
    size = np.prod(np.linalg.norm(block, axis=1), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        current = np.stack(parts, axis=1) / whole[:, None]
        flat = np.flatnonzero(np.abs(whole) < _FLAT_RATIO * size)
    if len(flat):
        current[flat] = np.linalg.solve(block[flat], volt[flat][..., None])[..., 0]
    return np.asarray(current)


def _cross(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return the determinant of two columns of two."""
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


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
