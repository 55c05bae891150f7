"""Clamps: which one fits what the end of a lead lands on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from gridground.errors import NoPlanError, Reason
from gridground.tables import read_table
from gridground.units import area_mm2

_SAME_M = 1e-6  # 12.7 mm and 0.5 in are one size, however they were written


@dataclass(frozen=True)
class Clamp:
    """One kind of clamp.

    Attributes
    ----------
    name, lands_on : str
        Name, and what it is put on: ``conductor bar rod steel`` or ``pole ground wire``.
    smallest_m, largest_m : float or None
        Outside diameters it closes on [m]; None where it lands on a stud or a flat.
    largest_lead : str
        Largest lead size it takes and is rated for.
    source : str
        Where the row comes from.
    """

    name: str
    lands_on: str
    smallest_m: float | None
    largest_m: float | None
    largest_lead: str
    source: str

    def closes_on(self, diameter_m: float | None) -> bool:
        """Return whether the jaws hold the diameter; a stud or flat has none."""
        if self.smallest_m is None or self.largest_m is None:
            return True
        if diameter_m is None:
            return False
        return self.smallest_m - _SAME_M <= diameter_m <= self.largest_m + _SAME_M

    def takes(self, size: str) -> bool:
        """Return whether the clamp is rated for a lead size."""
        return area_mm2(size) <= area_mm2(self.largest_lead)


@cache
def clamps() -> tuple[Clamp, ...]:
    """Return the built-in clamps, the smaller of a kind first."""
    return tuple(
        Clamp(
            name=row["name"],
            lands_on=row["lands_on"],
            smallest_m=_metres(row["smallest_mm"]),
            largest_m=_metres(row["largest_mm"]),
            largest_lead=row["largest_lead"],
            source=row["source"],
        )
        for row in read_table("clamps")
    )


def choose_clamp(
    lands_on: str, diameter_m: float | None, size: str, *, where: tuple[str, ...] = ()
) -> str:
    """Choose the smallest clamp that fits what a lead lands on and is rated as the lead.

    Parameters
    ----------
    lands_on : str
        ``"conductor"``, ``"bar"``, ``"rod"``, ``"steel"`` or ``"pole ground wire"``.
    diameter_m : float or None
        Outside diameter [m]; not looked at for a bar or a steel pole.
    size : str
        Lead size.
    where : tuple of str
        Ids of the features concerned, for the reason of a refusal.

    Returns
    -------
    str
        Name of the clamp.

    Raises
    ------
    NoPlanError
        Code ``clamp_does_not_fit`` where no clamp of the table fits.
    ValueError
        For something no clamp lands on, or a size that is not one.

    Notes
    -----
    Ranges are common practice, not those of a maker: the clamp at hand is looked at on site.

    Examples
    --------
    >>> choose_clamp("conductor", 0.0101, "2/0"), choose_clamp("bar", None, "4/0")
    ('conductor clamp, small', 'bar clamp')
    """
    of_kind = [clamp for clamp in clamps() if clamp.lands_on == lands_on]
    if not of_kind:
        kinds = ", ".join(dict.fromkeys(clamp.lands_on for clamp in clamps()))
        raise ValueError(f"no clamp lands on {lands_on!r} ({kinds})")
    for clamp in of_kind:
        if clamp.closes_on(diameter_m) and clamp.takes(size):
            return clamp.name
    raise NoPlanError([_does_not_fit(of_kind, diameter_m, size, where)])


def _does_not_fit(
    of_kind: list[Clamp], diameter_m: float | None, size: str, where: tuple[str, ...]
) -> Reason:
    """Say what the clamps of one kind take, and what was asked of them."""
    asked = "unknown diameter" if diameter_m is None else f"{diameter_m * 1000:.1f} mm"
    ranges = "; ".join(f"{clamp.name}: {_range(clamp)}" for clamp in of_kind)
    return Reason(
        code="clamp_does_not_fit",
        where=where,
        what=f"No clamp for a {of_kind[0].lands_on} of {asked} with a {size} lead ({ranges}).",
        remedy="Correct the diameter, or ground where a clamp of the table fits.",
    )


def _range(clamp: Clamp) -> str:
    """Return what a clamp takes, in words."""
    lead = f"leads up to {clamp.largest_lead}"
    if clamp.smallest_m is None or clamp.largest_m is None:
        return lead
    return f"{clamp.smallest_m * 1000:g} to {clamp.largest_m * 1000:g} mm, {lead}"


def _metres(text: str) -> float | None:
    """Read millimetres of the table; empty means that the clamp closes on no diameter."""
    return float(text) / 1000.0 if text else None
