"""What changed between two plans: every difference in one list, the most important first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.figures import check_limit_text, check_value_text
from gridground.revision.comparison import Comparison, subject_of
from gridground.revision.leaves import sort_key
from gridground.revision.phrases import ids_of, pair, path_text, unit_key
from gridground.revision.subjects import EVERY

if TYPE_CHECKING:
    from gridground.revision.comparison import Change
    from gridground.revision.leaves import Path

# Not of a plan's content: when it was made, and the hash that follows from all the rest.
_APART = frozenset({"made_at", "plan_hash"})
# What a plan says about being a revision is no news in its own list of changes.
_OF_REVISION = frozenset({"revision", "revises", "changes"})
_NAMED = 3
# What has no sentence of its own weighs less than what has one.
_OF_REST = {
    "location": "place details",
    "lead": "lead figures",
    "worker": "worker figures",
    "check": "check figures",
}
# How exactly the network was solved differs by nothing that matters: named last.
_DUST = frozenset({"residual"})
# Figures of a check, as the page rounds them: toward failing.
_HELD = {"value": check_value_text, "limit": check_limit_text}
_TITLES = {
    "job": "Job",
    "method": "Method",
    "place details": "About the places",
    "lead": "Leads",
    "lead figures": "Figures of the leads",
    "count": "Counts",
    "worker figures": "Figures of the voltage on the worker",
    "worker": "Voltage on the worker",
    "open item": "Open items",
    "check figures": "Figures of the checks",
    "check": "Checks",
    "location": "Locations",
    "step": "Steps",
    "measured": "Measured values",
    "direction": "Ways out",
    "clearance": "Clearance",
    "fault": "Fault currents",
    "ground": "People on the ground",
    "approach": "Approach distances",
    "induction": "Induction",
    "option": "Methods weighed",
    "material": "Materials",
    "caution": "Cautions and reasons to stop",
    "assumption": "Assumptions",
    "circuit": "Circuits",
    "input": "Data",
    "map": "Map",
    "record": "Revision",
    "ready": "Readiness",
    "other": "Other",
}


def find_changes(before: dict[str, Any], after: dict[str, Any]) -> list[Change]:
    """Return every difference between two plans.

    Parameters
    ----------
    before, after : dict
        Documents in the shape of a plan.

    Returns
    -------
    list of Change
        The most important first; empty only where nothing but the time of making differs. Every
        value that differs is in one of them, by itself or among others of its subject. The other
        way round the same changes come, before and after exchanged.
    """
    two = Comparison.of(*({k: v for k, v in d.items() if k not in _APART} for d in (before, after)))
    for subject in EVERY:
        subject(two)
    _orders(two)
    _rest(two)
    return two.changes()


def changes_between(before: dict[str, Any], after: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of a revision's ``changes``.

    Parameters
    ----------
    before, after : dict
        The plan that is revised, and the new one.
    """
    sides = ({k: v for k, v in d.items() if k not in _OF_REVISION} for d in (before, after))
    return [change.row() for change in find_changes(*sides)]


def _orders(two: Comparison) -> None:
    """Say which lists stand in another order."""
    for path in two.order:
        what = subject_of(path)
        name = path_text(path)
        text = f"{_TITLES[what]}: {name} in another order."
        two.say(what, (), (None, None), text, at=(*path, "order"))


def _rest(two: Comparison) -> None:
    """Say what no sentence of its own was made for, one sentence per subject."""
    groups: dict[str, dict[Path, tuple[Any, Any]]] = {}
    for path, values in two.left.items():
        what = subject_of(path)
        groups.setdefault(_OF_REST.get(what, what), {})[path] = values
    known = two.known
    for what, group in groups.items():
        order = sorted(group, key=lambda p: (p[-1] in _DUST, -_share(*group[p]), sort_key(p)))
        told = []
        for path in order[:_NAMED]:
            one, other = _pair(two, path, group[path])
            told.append((path_text(path), one, other))
        more = f"; and {len(order) - _NAMED} more" if len(order) > _NAMED else ""
        text = "; ".join(f"{name}: {one} → {other}" for name, one, other in told)
        where = [name for path in order for name in ids_of(path, known)]
        before, after = ("; ".join(f"{t[0]}: {t[side]}" for t in told) for side in (1, 2))
        two.say(
            what,
            sorted(set(where))[:12],
            (before, after),
            f"{_TITLES[what]}: {text}{more}.",
            at=("~",),
        )
        two.take(*order)


def _pair(two: Comparison, path: Path, values: tuple[Any, Any]) -> tuple[str, str]:
    """Return two values as people read them; the unit of a check's figure stands beside it."""
    if path[0] != "checks" or path[-1] not in _HELD:
        return pair(*values, unit_key(path))
    for name, one, other in two.rows(("checks",)):
        if name == path[1] and one is not None and other is not None and None not in values:
            told = _HELD[str(path[-1])]
            if told(one) != told(other):
                return told(one), told(other)
            return f"{values[0]!r} {one['unit']}", f"{values[1]!r} {other['unit']}"
    return pair(*values)


def _share(one: Any, other: Any) -> float:  # noqa: ANN401  JSON values
    """Return by what part two figures differ; 0 for what are no figures."""
    if isinstance(one, bool) or isinstance(other, bool):
        return 0.0
    if not (isinstance(one, int | float) and isinstance(other, int | float)):
        return 0.0
    most = max(abs(one), abs(other))
    return abs(one - other) / most if most else 0.0
