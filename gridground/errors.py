"""What can go wrong, as a tree, and how a problem in the data is described.

GridgroundError
├── InputError     the data or the call is rejected; carries every Problem at once
├── NetworkError   the network cannot be followed (a loop treated as radial, say)
│   └── NotReachedError   a source does not reach the places with grounds
├── NoPlanError    a normal answer: no plan is possible, with the reasons
└── TableError     a value lies beyond a published table; never extrapolated
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Level = Literal["reject", "open item", "note"]


@dataclass(frozen=True)
class Problem:
    """One finding about one column, in the words of the user's own data.

    Attributes
    ----------
    level : "reject", "open item" or "note"
        Whether the territory is refused, usable with something to settle, or merely remarked.
    layer : str
        Layer, file or job section in which it was found.
    feature_ids : tuple of str
        Ids of the user's data (never row numbers); for features without an id, ``"feature 7"``.
    field : str
        Column or key.
    found : str
        What stands there.
    remedy : str
        What to do about it.
    """

    level: Level
    layer: str
    feature_ids: tuple[str, ...]
    field: str
    found: str
    remedy: str

    def sentence(self, *, shown: int = 6) -> str:
        """Return the problem as one line, naming at most `shown` ids."""
        ids = ", ".join(self.feature_ids[:shown])
        if len(self.feature_ids) > shown:
            ids += f" and {len(self.feature_ids) - shown} more"
        where = f"{self.layer}: {ids}: " if ids else f"{self.layer}: "
        field = f"{self.field}: " if self.field else ""
        said = [_closed(f"{where}{field}{self.found}"), _closed(_opened(self.remedy))]
        return " ".join(filter(None, said))


def _closed(text: str) -> str:
    """Return a sentence with a mark at its end, and only one."""
    return text if not text or text.endswith((".", "?", "!", "…", ":")) else f"{text}."


def _opened(text: str) -> str:
    """Return a sentence with a capital, where it begins with a plain word and not with a name."""
    first = text.split(" ", 1)[0]
    return text[:1].upper() + text[1:] if first.isascii() and first.isalpha() else text


@dataclass(frozen=True)
class Reason:
    """One reason why no plan is possible.

    Attributes
    ----------
    code : str
        Short name of the requirement that is not met.
    where : tuple of str
        Ids of the features concerned.
    what : str
        What is missing or exceeded, and by how much.
    remedy : str
        What would mend it.
    """

    code: str
    where: tuple[str, ...]
    what: str
    remedy: str


class GridgroundError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(GridgroundError):
    """The input is rejected; `problems` holds everything found, not only the first."""

    def __init__(self, problems: list[Problem] | tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(p.sentence() for p in self.problems))


def refuse_if(problems: Sequence[Problem]) -> None:
    """Raise what was found, all of it at once; nothing where nothing was."""
    if problems:
        raise InputError(list(problems))


def gathered(*reads: Callable[[], Any]) -> list[Any]:
    """Return what several reads give, or raise everything that they reject at once.

    Parameters
    ----------
    reads : callables without arguments
        None needs what another gives.

    Raises
    ------
    InputError
        With the problems of all of them, each once.
    """
    found: list[Any] = []
    problems: list[Problem] = []
    for read in reads:
        try:
            found.append(read())
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(list(dict.fromkeys(problems)))
    return found


class NetworkError(GridgroundError):
    """The network cannot be followed in the way a calculation needs."""


class NotReachedError(NetworkError):
    """No phase of a source reaches the places with grounds."""


class NoPlanError(GridgroundError):
    """No plan is possible; `reasons` says which requirement fails, where and by how much."""

    def __init__(self, reasons: list[Reason] | tuple[Reason, ...]) -> None:
        self.reasons = tuple(reasons)
        super().__init__("\n".join(f"{r.code}: {r.what} {r.remedy}" for r in self.reasons))


class TableError(GridgroundError):
    """A value lies beyond a published table.

    Parameters
    ----------
    what : str
        The quantity asked for.
    value, largest : str
        What was asked and the largest (or smallest) entry, each with its unit.
    source : str
        The table.
    """

    def __init__(self, what: str, value: str, largest: str, source: str) -> None:
        self.what, self.value, self.largest, self.source = what, value, largest, source
        super().__init__(f"{what}: {value} is beyond the table ({largest}; {source})")
