"""What the column rules share: the task of judging one column, and the findings they collect."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.errors import Level, Problem
from gridground.territory.columns import Column
from gridground.territory.features import MISSING, Names, Seen
from gridground.territory.mapping import Origin
from gridground.territory.text import shown

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SHOWN = 3


@dataclass
class Judged:
    """The columns of one layer after the column rules."""

    columns: dict[str, NDArray[Any]] = field(default_factory=dict)
    stated: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    _kinds: dict[tuple[str, ...], NDArray[np.bool_]] = field(default_factory=dict)

    def of_kinds(self, only: tuple[str, ...]) -> NDArray[np.bool_] | np.bool_:
        """Return where the layer's `kind` is one of `only`; true where there is no choice."""
        if not only:
            return np.True_
        if only not in self._kinds:
            self._kinds[only] = np.array([one in only for one in self.columns["kind"]], bool)
        return self._kinds[only]


class Findings:
    """Collects problems of one layer."""

    def __init__(self, layer: str, names: Names) -> None:
        self.layer, self.names = layer, names
        self.problems: list[Problem] = []

    def add(
        self, level: Level, rows: Iterable[int], column: str, found: str, remedy: str = ""
    ) -> None:
        """Add a problem about features, if there are any."""
        ids = self.names([int(row) for row in rows])
        if ids:
            self.problems.append(Problem(level, self.layer, ids, column, found, remedy))


@dataclass(frozen=True)
class Task:
    """One column to judge."""

    column: Column
    values: list[Any]
    seen: Seen
    origin: Origin
    findings: Findings

    @property
    def types(self) -> frozenset[type]:
        """Types that occur in the column."""
        return self.seen.types

    def reject(self, rows: Iterable[int], found: str, remedy: str) -> None:
        """Reject the value of some features."""
        self.findings.add("reject", rows, self.column.name, found, remedy)

    def rows(self, bad: Callable[[Any], bool]) -> list[int]:
        """Return the rows whose value is bad."""
        return [row for row, value in enumerate(self.values) if bad(value)]

    def array(self) -> NDArray[np.object_]:
        """Return the values as an object array, None where there is none."""
        array = np.full(len(self.values), None, dtype=object)
        if self.types == {type(MISSING)}:
            return array
        if type(MISSING) in self.types:
            array[:] = [None if value is MISSING else value for value in self.values]
        else:
            array[:] = self.values
        return array


def some(values: Sequence[Any]) -> str:
    """Return the first few distinct values for a message."""
    distinct = list(dict.fromkeys(map(shown, values)))
    more = f" and {len(distinct) - _SHOWN} more" if len(distinct) > _SHOWN else ""
    return ", ".join(distinct[:_SHOWN]) + more
