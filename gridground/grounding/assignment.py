"""The leads of the truck assigned to the leads of a plan as a whole: an exact optimum.

In this order the least of: cables without a lead, rows filled by another size or number, copper
those carry too much, length too much, and the square of it (long leads to long ways).
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.errors import NoPlanError, Reason
from gridground.units import area_mm2

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from gridground.job import KitLead

_SAME_M = 1e-6
_REACHED = 0.5  # every objective is a whole number


@dataclass(frozen=True)
class Want:
    """What one row of the lead table asks of the truck.

    Attributes
    ----------
    size : str
        Planned size.
    parallel : int
        Planned number of equal cables.
    needed_m : float
        Length of the way, slack included [m].
    cables : tuple of (str, int)
        By size how many cables of it carry the row's duty: as many as planned of the same or a
        larger size, more of a smaller one. A size that is not there does not do.
    ends : tuple
        What the two ends land on; rows that ask the same have equal ends.
    """

    size: str
    parallel: int
    needed_m: float
    cables: tuple[tuple[str, int], ...]
    ends: tuple[object, ...] = ()


@dataclass(frozen=True)
class Filling:
    """What a row gets: leads of one size and length.

    Attributes
    ----------
    leads : tuple of KitLead
        All of one size and length.
    parallel : int
        Cables the row then has; more than there are leads where some of these are short.
    """

    leads: tuple[KitLead, ...]
    parallel: int

    @property
    def short(self) -> int:
        """Cables of this size and length that the truck lacks."""
        return self.parallel - len(self.leads)


def natural_key(text: str) -> tuple[tuple[int, int | str], ...]:
    """Return a key that sorts ``T2`` before ``T10``."""
    parts = re.split(r"(\d+)", text, flags=re.ASCII)
    return tuple(
        (0, int(part)) if part.isascii() and part.isdigit() else (1, part) for part in parts if part
    )


def objective(
    wants: Sequence[Want], fillings: Sequence[Filling | None]
) -> tuple[int, int, int, int, int]:
    """Return what an assignment is judged by, the first figure first; less is better.

    Parameters
    ----------
    wants : sequence of Want
        The rows.
    fillings : sequence of Filling or None
        What each gets.

    Returns
    -------
    tuple of int
        Cables without a lead; rows filled by another size or number; copper too much in those
        [0.01 mm²]; length too much [mm]; the sum of its squares [dm²].
    """
    short = substituted = copper = 0
    excess, square = 0, 0
    for want, filling in zip(wants, fillings, strict=True):
        if filling is None:
            short += want.parallel
            continue
        short += filling.short
        lead = filling.leads[0]
        if lead.size != want.size:
            substituted += 1
            copper += _copper(want, lead.size, filling.parallel)
        excess += len(filling.leads) * _excess_mm(want, lead.length_m)
        square += len(filling.leads) * _square_dm2(want, lead.length_m)
    return short, substituted, copper, excess, square


def _copper(want: Want, size: str, cables: int) -> int:
    """Return the copper a row has more than planned [0.01 mm²]."""
    return round(100 * (area_mm2(size) * cables - area_mm2(want.size) * want.parallel))


def _excess_mm(want: Want, length_m: float) -> int:
    """Return by how much one lead is too long [mm]."""
    return round(1000 * (length_m - want.needed_m))


def _square_dm2(want: Want, length_m: float) -> int:
    """Return the square of what one lead is too long [dm²]."""
    return round(100 * (length_m - want.needed_m) ** 2)


@dataclass(frozen=True)
class _Fill:
    """One way to fill the rows of a class: with how many leads of one kind."""

    group: int  # of equal rows
    kind: tuple[str, float]  # size, length [m]
    leads: int  # taken from the truck
    parallel: int  # cables the row then has
    filled: int  # planned cables that are no longer without a lead

    def costs(self, want: Want) -> tuple[int, int, int, int, int]:
        """Return what one row so filled adds to the objectives, over an empty one."""
        size, length_m = self.kind
        other = size != want.size
        return (
            -self.filled,
            int(other),
            _copper(want, size, self.parallel) if other else 0,
            self.leads * _excess_mm(want, length_m),
            self.leads * _square_dm2(want, length_m),
        )


def assign_kit(
    wants: Sequence[Want], leads: Sequence[KitLead], *, fits: Callable[[Want, KitLead], bool]
) -> list[Filling | None]:
    """Assign the leads of the truck to the rows of a plan, each lead once.

    Parameters
    ----------
    wants : sequence of Want
        The rows.
    leads : sequence of KitLead
        The leads that may be used.
    fits : callable
        Whether the clamps of a lead fit the ends of a row.

    Returns
    -------
    list of Filling or None
        One per row; None where no lead is left for it.

    Raises
    ------
    NoPlanError
        Code ``kit_not_assigned`` where the optimum is not found.

    Notes
    -----
    A row takes leads of one size and one length, at least as long as its way. Rows that ask the
    same are one class, leads of one size, length and clamps one type: whole numbers ``y`` (rows of
    a class filled in one way) and ``z`` (leads of a type for a class) under
    ``sum y <= rows``, ``sum_types z = sum leads y`` and ``sum_classes z <= stock``, solved once
    for each objective with those before it held at their optimum.
    """
    groups: dict[Want, list[int]] = defaultdict(list)
    for number, want in enumerate(wants):
        groups[want].append(number)
    stock: dict[tuple[object, ...], list[KitLead]] = defaultdict(list)
    for lead in sorted(leads, key=lambda lead: natural_key(lead.lead_id)):
        stock[_type(lead)].append(lead)
    model = _Model(list(groups), [len(rows) for rows in groups.values()], stock, fits)
    answer: list[Filling | None] = [None] * len(wants)
    if not model.fills:
        return answer
    taken = model.solve()
    for rows, fillings in zip(groups.values(), taken, strict=True):
        for number, filling in zip(rows, fillings, strict=False):
            answer[number] = filling
    return answer


def _type(lead: KitLead) -> tuple[object, ...]:
    """Return what two leads must share to be alike."""
    ends = (lead.clamps, lead.clamp_a or "", lead.clamp_b or "")
    return (lead.size, round(lead.length_m, 6), *ends)


class _Model:
    """The assignment as a problem in whole numbers."""

    def __init__(
        self,
        wants: list[Want],
        rows: list[int],
        stock: dict[tuple[object, ...], list[KitLead]],
        fits: Callable[[Want, KitLead], bool],
    ) -> None:
        self.wants, self.rows = wants, rows
        self.types = [stock[name] for name in sorted(stock, key=str)]
        self.uses = [
            (group, number)
            for group, want in enumerate(wants)
            for number, alike in enumerate(self.types)
            if _long_enough(want, alike[0]) and fits(want, alike[0])
        ]
        self.fills = self._fills()
        filled = {(fill.group, fill.kind) for fill in self.fills}
        self.uses = [use for use in self.uses if (use[0], self._kind(use[1])) in filled]

    def _kind(self, number: int) -> tuple[str, float]:
        """Return size and length of a type."""
        lead = self.types[number][0]
        return lead.size, round(lead.length_m, 6)

    def _fills(self) -> list[_Fill]:
        """Return every way to fill a row of every class that the stock has leads for."""
        there: dict[tuple[int, tuple[str, float]], int] = defaultdict(int)
        for group, number in self.uses:
            there[group, self._kind(number)] += len(self.types[number])
        fills = []
        for (group, kind), count in there.items():
            want = self.wants[group]
            cables = dict(want.cables)[kind[0]]
            if cables > want.parallel:  # a smaller size stands in whole or not at all
                least, filled = cables, want.parallel
                fills += [_Fill(group, kind, cables, cables, filled)] if count >= least else []
            else:
                most = min(cables, count)
                fills += [_Fill(group, kind, n, cables, n) for n in range(1, most + 1)]
        return fills

    def solve(self) -> list[list[Filling]]:
        """Return the fillings of every class."""
        from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415  start-up time

        matrix, low, high = self._constraints()
        columns = len(self.fills) + len(self.uses)
        upper = [float(self.rows[fill.group]) for fill in self.fills]
        upper += [float(len(self.types[number])) for _, number in self.uses]
        costs = np.zeros((5, columns))
        for column, fill in enumerate(self.fills):
            costs[:, column] = fill.costs(self.wants[fill.group])
        held = [LinearConstraint(matrix, low, high)]
        found = np.zeros(columns)
        for cost in costs:
            if not cost.any():
                continue
            result = milp(
                cost,
                integrality=np.ones(columns),
                bounds=Bounds(np.zeros(columns), upper),
                constraints=held,
                options={"mip_rel_gap": 0.0},
            )
            if result.x is None or result.status != 0:
                raise NoPlanError([_not_found()])
            found = np.rint(result.x)
            held.append(LinearConstraint(cost[None, :], -np.inf, float(cost @ found) + _REACHED))
        return self._taken(found.astype(int))

    def _constraints(self) -> tuple[object, NDArray[np.float64], NDArray[np.float64]]:
        """Return rows at most those of a class, leads as the fillings take, stock at most."""
        from scipy.sparse import coo_array  # noqa: PLC0415  start-up time

        pairs = sorted({(fill.group, fill.kind) for fill in self.fills})
        pair_row = {pair: len(self.wants) + k for k, pair in enumerate(pairs)}
        first_type = len(self.wants) + len(pairs)
        entries: list[tuple[int, int, float]] = []
        for column, fill in enumerate(self.fills):
            entries.append((fill.group, column, 1.0))
            entries.append((pair_row[fill.group, fill.kind], column, -float(fill.leads)))
        for column, (group, number) in enumerate(self.uses, len(self.fills)):
            entries.append((pair_row[group, self._kind(number)], column, 1.0))
            entries.append((first_type + number, column, 1.0))
        at, columns, values = zip(*entries, strict=True)
        shape = (first_type + len(self.types), len(self.fills) + len(self.uses))
        matrix = coo_array((values, (at, columns)), shape=shape).tocsr()
        high = [float(rows) for rows in self.rows] + [0.0] * len(pairs)
        high += [float(len(alike)) for alike in self.types]
        low = np.full(shape[0], -np.inf)
        low[len(self.wants) : first_type] = 0.0
        return matrix, low, np.array(high)

    def _taken(self, found: NDArray[np.int_]) -> list[list[Filling]]:
        """Hand the leads out by their ids."""
        left = [list(alike) for alike in self.types]
        hands: dict[tuple[int, tuple[str, float]], list[KitLead]] = defaultdict(list)
        for (group, number), count in zip(self.uses, found[len(self.fills) :], strict=True):
            hand = hands[group, self._kind(number)]
            hand += left[number][:count]
            del left[number][:count]
        taken: list[list[Filling]] = [[] for _ in self.wants]
        for fill, count in zip(self.fills, found[: len(self.fills)], strict=True):
            hand = hands[fill.group, fill.kind]
            for _ in range(count):
                taken[fill.group].append(Filling(tuple(hand[: fill.leads]), fill.parallel))
                del hand[: fill.leads]
        for fillings in taken:
            fillings.sort(key=lambda one: (one.short, natural_key(one.leads[0].lead_id)))
        return taken


def _long_enough(want: Want, lead: KitLead) -> bool:
    """Say whether a lead has a size that does and reaches."""
    return lead.size in dict(want.cables) and lead.length_m >= want.needed_m - _SAME_M


def _not_found() -> Reason:
    """Say that no best assignment was found."""
    return Reason(
        "kit_not_assigned",
        (),
        "no assignment of the truck's leads was found.",
        "State fewer leads in the kit, or leave the kit out.",
    )
