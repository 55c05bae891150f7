"""Grades of leads: tabulated currents of the assembly standard, and times between its columns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from gridground.tables import read_table
from gridground.units import area_mm2

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHORTEST_RATED_S = 0.25  # 15 cycles of 60 Hz, the first column of the table


@dataclass(frozen=True)
class Grade:
    """The tabulated currents of one lead size.

    Attributes
    ----------
    name : str
        Grade as people call it.
    size : str
        AWG or kcmil size.
    times_s, currents_a : dict of tuple of float
        By basis (``"withstand"``, ``"ultimate"``): times [s] and currents [A], shortest first.
    sources : dict of tuple of str
        By basis, one source for each.
    continuous_a : float
        Continuous current [A].
    """

    name: str
    size: str
    times_s: dict[str, tuple[float, ...]]
    currents_a: dict[str, tuple[float, ...]]
    sources: dict[str, tuple[str, ...]]
    continuous_a: float

    def rating_a(
        self, duration_s: NDArray[np.float64], basis: Literal["withstand", "ultimate"]
    ) -> NDArray[np.float64]:
        """Return the symmetrical current for a duration.

        Parameters
        ----------
        duration_s : ndarray
            Duration [s].
        basis : "withstand" or "ultimate"
            Columns of the table to use.

        Returns
        -------
        ndarray
            Current [A]: log-log between columns, ``1/sqrt(t)`` of the last column beyond it, the
            first column before it.
        """
        times, currents = self.times_s[basis], self.currents_a[basis]
        inside = np.exp(np.interp(np.log(duration_s), np.log(times), np.log(currents)))
        beyond = np.sqrt(times[-1] / np.maximum(duration_s, times[-1]))
        return np.asarray(inside * beyond)

    def source(self, duration_s: float, basis: Literal["withstand", "ultimate"]) -> str:
        """Return where the current for a duration comes from, without repeating a source."""
        times = self.times_s[basis]
        after = next((k for k, time in enumerate(times) if time >= duration_s), len(times) - 1)
        before = after if times[after] <= duration_s else max(after - 1, 0)
        used = dict.fromkeys(self.sources[basis][k] for k in (before, after))
        return f"{self.name} for {duration_s:.3g} s, " + " and ".join(used)


@cache
def grades() -> dict[str, Grade]:
    """Return the grades by lead size."""
    sizes = dict.fromkeys(row["size"] for row in read_table("grades"))
    return {size: _grade(size) for size in sizes}


def grade_of(size: str) -> Grade | None:
    """Return the grade of a lead size, None where the table has none."""
    return grades().get(size)


def ceiling_of(size: str) -> Grade | None:
    """Return the grade no lead of a size is rated above: its own, or that of the next larger.

    The table is rounded to whole kA, so that without it a metric size could be rated above a
    larger graded one. None above the largest size of the table.
    """
    larger = [name for name in grades() if area_mm2(name) >= area_mm2(size)]
    return grades()[min(larger, key=area_mm2)] if larger else None


def _grade(size: str) -> Grade:
    """Gather the rows of one size."""
    rows = [row for row in read_table("grades") if row["size"] == size]
    timed = {
        basis: [row for row in rows if row["basis"] == basis] for basis in ("withstand", "ultimate")
    }
    (continuous,) = (row for row in rows if row["basis"] == "continuous")
    return Grade(
        name=f"grade {rows[0]['grade']}",
        size=size,
        times_s={b: tuple(float(r["time_s"]) for r in of) for b, of in timed.items()},
        currents_a={b: tuple(float(r["current_ka"]) * 1e3 for r in of) for b, of in timed.items()},
        sources={b: tuple(r["source"] for r in of) for b, of in timed.items()},
        continuous_a=float(continuous["current_ka"]) * 1e3,
    )
