"""Two plans side by side: what differs and is not said yet, and what has been said."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from gridground.revision.leaves import ABSENT, Leaves, Path, differences, reordered, sort_key
from gridground.revision.phrases import cut

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

# What changes are about, the most important first.
SUBJECTS = (
    "job", "ready", "method", "location", "rod", "zone", "lead", "count", "worker", "limit",
    "open item", "check", "step", "place details", "lead figures", "worker figures",
    "check figures", "measured", "direction", "clearance", "fault", "ground",
    "approach", "induction", "option", "material", "caution", "assumption", "circuit", "input",
    "map", "record", "other",
)  # fmt: skip
# Which subject a key of the plan belongs to, where no sentence of its own was made.
_OF_KEY = {
    "job_id": "job", "title": "job", "job": "job", "ready": "ready", "method": "method",
    "method_reason": "method", "locations": "location", "leads": "lead", "totals": "count",
    "vehicle_bond": "lead",
    "worker": "worker", "open_items": "open item", "checks": "check", "steps": "step",
    "measured": "measured", "occurrences": "measured", "directions": "direction",
    "clearance": "clearance",
    "faults": "fault", "rod_zone": "ground", "approach": "approach", "induction": "induction",
    "options": "option", "materials": "material", "cautions": "caution", "triggers": "caution",
    "assumptions": "assumption", "circuits": "circuit", "inputs": "input", "picture": "map",
    "revision": "record", "revises": "record", "changes": "record",
}  # fmt: skip


def subject_of(path: Path) -> str:
    """Return what a place of the plan is about."""
    return _OF_KEY.get(str(path[0]), "other") if path else "other"


@dataclass(frozen=True)
class Change:
    """One difference between two plans.

    Attributes
    ----------
    what : str
        One of `SUBJECTS`.
    where : tuple of str
        Ids concerned.
    before, after : str or None
        What stood there, what stands there; None for nothing.
    text : str
        One sentence.
    """

    what: str
    where: tuple[str, ...]
    before: str | None
    after: str | None
    text: str

    def row(self) -> dict[str, Any]:
        """Return the change as plain data."""
        return {
            "what": self.what,
            "where": list(self.where),
            "before": self.before,
            "after": self.after,
            "text": self.text,
        }


@dataclass
class Comparison:
    """Two documents of plans and what differs between them.

    Attributes
    ----------
    before, after : dict
        The documents.
    left : dict
        Path -> both values, of what no change has said yet.
    order : list of Path
        Lists whose common rows stand in another order.
    """

    before: dict[str, Any]
    after: dict[str, Any]
    one: Leaves
    other: Leaves
    left: dict[Path, tuple[Any, Any]]
    order: list[Path]
    found: list[tuple[tuple[int, tuple[str, ...]], Change]] = field(default_factory=list)

    @property
    def known(self) -> frozenset[str]:
        """Ids of poles and spans of either plan."""
        return frozenset(
            str(row[key])
            for side in (self.before, self.after)
            for part, key in (("poles", "pole_id"), ("spans", "span_id"))
            for row in side["picture"][part]
        )

    @classmethod
    def of(cls, before: dict[str, Any], after: dict[str, Any]) -> Comparison:
        """Set two documents beside each other."""
        one, other = Leaves.of(before), Leaves.of(after)
        left = differences(one, other)
        return cls(before, after, one, other, left, list(reordered(one, other)))

    def values(self, path: Path) -> tuple[Any, Any]:
        """Return what stands at a place on either side."""
        return self.one.values.get(path, ABSENT), self.other.values.get(path, ABSENT)

    def __post_init__(self) -> None:
        """Note for every place what differs below it."""
        self.under: dict[Path, dict[Path, None]] = {}
        for path in self.left:
            for end in range(len(path) + 1):
                self.under.setdefault(path[:end], {})[path] = None

    def take(self, *prefixes: Path) -> dict[Path, tuple[Any, Any]]:
        """Return what differs below some places; whoever takes it says it."""
        taken = {}
        for prefix in prefixes:
            for path in list(self.under.get(prefix, ())):
                taken[path] = self.left.pop(path)
                for end in range(len(path) + 1):
                    del self.under[path[:end]][path]
        return taken

    def differs(self, *prefixes: Path) -> bool:
        """Say whether anything below some places differs and is not said yet."""
        return any(self.under.get(prefix) for prefix in prefixes)

    def rows(
        self, path: Path
    ) -> Iterator[tuple[Any, dict[str, Any] | None, dict[str, Any] | None]]:
        """Yield the rows of a list by name, with what stands on either side."""
        sides = []
        for leaves, document in ((self.one, self.before), (self.other, self.after)):
            value: Any = document
            for part in path:
                value = value.get(part, []) if isinstance(value, dict) else []
            names = leaves.orders.get(path, ())
            sides.append(dict(zip(names, value, strict=True)) if names else {})
        for name in sorted({*sides[0], *sides[1]}, key=str):
            yield name, sides[0].get(name), sides[1].get(name)

    def say(
        self,
        what: str,
        where: Iterable[Any],
        values: tuple[str | None, str | None],
        text: str,
        *,
        at: Path,
    ) -> None:
        """Add a change; `at` puts changes of one subject in order, the same both ways."""
        ids = tuple(dict.fromkeys(str(one) for one in where if one is not None))
        before, after = (None if value is None else cut(value) for value in values)
        change = Change(what, ids, before, after, cut(text, 700))
        self.found.append(((SUBJECTS.index(what), sort_key(at)), change))

    def changes(self) -> list[Change]:
        """Return what was said, the most important first."""
        return [change for _, change in sorted(self.found, key=lambda entry: entry[0])]
