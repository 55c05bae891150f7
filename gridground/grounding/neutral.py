"""Whether a neutral is small: what the wire carries, by its own material."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.electrical.asymmetry import decrement_ratio
from gridground.errors import InputError, Problem
from gridground.grounding.heating import materials, ultimate_a
from gridground.grounding.rating import FUSING_SHARE, Basis, refuse_unknown

if TYPE_CHECKING:
    from gridground.tables.wires import Conductor

_WIRE_MATERIAL = {
    "ACSR": "aluminium, EC",  # the area of a row is that of its aluminium
    "AAC": "aluminium, EC",
    "AAAC": "aluminium, 6201",
    "copper": "copper, hard drawn",
    "steel": "zinc-coated steel",  # line wire is galvanised: the zinc goes first
    "aluminium-clad steel": "aluminium-clad steel wire",
}


def neutral_carries(
    conductor: Conductor,
    current_a: float,
    duration_s: float,
    x_over_r: float,
    *,
    basis: Basis,
    frequency_hz: float,
) -> bool:
    """Return whether a neutral carries a fault by the same basis as the leads.

    Parameters
    ----------
    conductor : Conductor
        The neutral; its area is that of the metal that carries (the aluminium of ACSR).
    current_a : float
        Largest phase-to-ground fault at the pole, growth included [A].
    duration_s, x_over_r : float
        Time to clear [s] and X/R [ratio].
    basis : "withstand" or "ultimate"
        70 % or 100 % of the fusing current.
    frequency_hz : float
        System frequency [Hz].

    Returns
    -------
    bool
        False for a small neutral.

    Raises
    ------
    InputError
        For a material without constants.
    NoPlanError
        For a current, time or X/R that is not known.
    TableError
        For a time outside 0.01 s to 10 s.

    Notes
    -----
    ``A >= I Df Kf sqrt(t)/share``, from 40 °C. The steel of ACSR is left out and a neutral under
    load is warmer than 40 °C; the first errs to the side of a small neutral, the second does not.

    References
    ----------
    .. [1] IEEE Std 80-2013, clause 11.3.1.2 and Table 2 (from memory).
    """
    refuse_unknown(current_a, duration_s, x_over_r, (conductor.name,))
    material = _WIRE_MATERIAL.get(conductor.material)
    if material is None:
        found = f"{conductor.material!r} has no heating constants"
        remedy = f"Name one of: {', '.join(_WIRE_MATERIAL)}."
        where = (conductor.name,)
        raise InputError([Problem("reject", "conductors", where, "material", found, remedy)])
    fusing_a = ultimate_a(materials()[material], conductor.area_mm2, duration_s)
    offset = float(decrement_ratio(x_over_r, duration_s, frequency_hz=frequency_hz))
    return bool(FUSING_SHARE[basis] * fusing_a / offset >= current_a)
