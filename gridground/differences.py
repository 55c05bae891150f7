"""Two plans compared, for a person: the most important first, pole by pole, in about 40 lines."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from gridground.summary import INDENT, counted, wrapped

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from gridground.revision.comparison import Change

MOST_LINES = 40
LAST_LINES = 4  # a blank one, and how much is left out
MOST_KINDS = 4  # named among what is left out
# Of the whole plan, in this order.
_PLAN = ("job", "ready", "method", "count", "worker", "limit")
# What says where grounds stand, and what stands there.
_PLACE = ("location", "rod", "zone", "lead", "measured")
# Said by their number only: what follows from the rest, and what a crew does not act on.
_NAMES = {
    "step": "step",
    "check": "check",
    "caution": "caution",
    "assumption": "assumption",
    "open item": "open item",
    "lead figures": "figure of leads",
    "worker figures": "figure of the worker study",
    "check figures": "figure of checks",
    "place details": "detail of a place",
    "fault": "fault current",
    "ground": "figure of the rod zones",
    "direction": "way out",
    "clearance": "detail of the clearance",
    "material": "material",
    "map": "thing on the map",
    "measured": "measured value",
    "worker": "voltage of the worker",
}
_PASSED, _FAILED = "passed", "failed"


def difference_lines(
    named: Sequence[Mapping[str, Any]], changes: Sequence[Change], *, most: int = MOST_LINES
) -> list[str]:
    """Return the difference of two plans in few lines.

    Parameters
    ----------
    named : sequence of mapping
        ``job_id  revision  plan_hash  made_at`` of both plans.
    changes : sequence of Change
        As `find_changes` returns.
    most : int
        Lines at most, the last of them the number of what is left out.

    Returns
    -------
    list of str
    """
    lines = [
        f"{side['job_id']}, revision {side['revision']}, plan {side['plan_hash'][:12]}, made "
        f"{side['made_at']}"
        for side in named
    ]
    if not changes:
        return [*lines, "no difference"]
    room, left_out = most - len(lines) - LAST_LINES, 0
    rest = Counter(change.what for change in changes)
    for title, blocks in _groups(changes):
        fit: list[str] = []
        for what, number, block in blocks:
            needed = len(block) + (2 if not fit else 0)
            if left_out or needed > room:
                left_out += number
                continue
            fit += block if fit else ["", title, *block]
            room -= needed
            rest[what] -= number
        lines += fit
    return [*lines, *_left(rest)]


Block = tuple[str, int, list[str]]


def _groups(changes: Sequence[Change]) -> list[tuple[str, list[Block]]]:
    """Return the groups in order: title, and of each change its subject, how many, its lines."""
    whole = [c for what in _PLAN for c in changes if c.what == what and not _is_list(c)]
    groups = [("THE PLAN", [_block(change) for change in whole])]
    groups.append(("TO SETTLE", [_block(c) for c in changes if _to_settle(c)]))
    groups += [(f"AT {pole}", _at_pole(pole, changes)) for pole in _poles(changes)]
    elsewhere = [c for c in changes if c.what in _PLACE and not _one_place(c)]
    groups.append(("AT SEVERAL POLES", [_block(change) for change in elsewhere]))
    cautions = [c for c in changes if c.what == "caution" and c.before is None]
    groups.append(("NEW CAUTIONS", [_block(change) for change in cautions]))
    return [(title, blocks) for title, blocks in groups if blocks]


def _is_list(change: Change) -> bool:
    """Say whether a change sums up many figures."""
    return change.text.startswith("Voltages one by one")


def _to_settle(change: Change) -> bool:
    """Say whether a change is one of readiness: an open item, a check that fails or failed."""
    if change.what == "open item":
        return True
    sides = (change.before or "", change.after or "")
    return change.what == "check" and any(side.startswith(_FAILED) for side in sides)


def _one_place(change: Change) -> bool:
    """Say whether a change is of one pole or span."""
    return len(change.where) == 1


def _poles(changes: Sequence[Change]) -> list[str]:
    """Return the places where grounds, rods, zones or leads differ, those that came or went first.

    A place that came or went stands before one that only differs.
    """
    there = [c for c in changes if c.what in _PLACE and _one_place(c)]
    first = [c.where[0] for c in there if c.what == "location"]
    return list(dict.fromkeys([*first, *(c.where[0] for c in there)]))


def _at_pole(pole: str, changes: Sequence[Change]) -> list[Block]:
    """Return what differs at one pole: each place, the leads and the steps in short."""
    own = [c for c in changes if _one_place(c) and c.where[0] == pole]
    blocks = [_block(c) for c in own if c.what in _PLACE and c.what != "lead"]
    leads = [c for c in own if c.what == "lead"]
    came = [c for c in leads if c.before is None]
    went = [c for c in leads if c.after is None]
    for word, several in (("new", came), ("not there any more", went)):
        if several:
            text = f"{counted(len(several), 'lead')} {word}: {_lead_names(several)}"
            blocks.append(("lead", len(several), wrapped(text, first=INDENT, rest=2 * INDENT)))
    blocks += [_block(c) for c in leads if c not in came and c not in went]
    steps = [c for c in own if c.what == "step"]
    if steps:
        told = _counted_steps(steps)
        blocks.append(("step", len(steps), [f"{INDENT}steps: {told}"]))
    return blocks


def _lead_names(leads: Sequence[Change]) -> str:
    """Return the two ends of leads as their sentences name them, alike ones after one size."""
    groups: dict[str, list[str]] = {}
    for change in leads:
        made = change.after or change.before or ""
        name = change.text.removeprefix("Lead at ").split(f": {change.before or 'none'} before, ")
        ends = name[0].removeprefix(f"{change.where[0]}: ")
        groups.setdefault(made, []).append(ends)
    return "; ".join(f"{', '.join(ends)} ({made})" for made, ends in groups.items())


def _counted_steps(steps: Iterable[Change]) -> str:
    """Say how many steps came, went and read otherwise."""
    counts = Counter(
        "new" if c.before is None else "gone" if c.after is None else "read otherwise"
        for c in steps
    )
    return ", ".join(f"{counts[word]} {word}" for word in ("new", "gone", "read otherwise")
                     if counts[word])  # fmt: skip


def _block(change: Change) -> Block:
    """Return one change by itself."""
    text = change.text
    if change.what == "caution":  # its source stands in the page
        text = text.removeprefix("Caution, new: ")
    if change.what == "worker":  # the case in full stands in --all
        text = text.partition(" Now: ")[0]
    if change.what in {"method", "option"}:  # the voltages have a sentence of their own
        text = text.partition(" Voltage on the worker nearest its limit: ")[0]
    return change.what, 1, wrapped(text, first=INDENT, rest=2 * INDENT)


def _left(rest: Counter[str]) -> list[str]:
    """Say how many changes are not shown, of what most are, and how to see them."""
    left = Counter({what: number for what, number in rest.items() if number > 0})
    if not left:
        return []
    more = sum(left.values())
    first = [(what, n) for what, n in left.most_common() if what in _NAMES][:MOST_KINDS]
    told = [counted(n, _NAMES[what]) for what, n in first]
    others = more - sum(n for _, n in first)
    told += [counted(others, "other change")] if others else []
    return ["", *wrapped(f"and {more} more, --all shows them: {', '.join(told)}")]
