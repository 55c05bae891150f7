"""What is known of the clamps of a lead of the truck, and whether they fit two ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gridground.grounding.clamps import Clamp, clamps
from gridground.jobkit import clamp_names

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import KitLead

    End = tuple[str, float | None]  # what an end lands on, and its diameter [m]

_BOTH = " / "


@dataclass(frozen=True)
class LeadClamps:
    """What is known of the clamps of a lead of the truck.

    Attributes
    ----------
    named : tuple of Clamp
        Two: one for each end. One: at the ends it is made for, the other end is not told; with
        `one_end` it must land on one of the two. None: nothing is told.
    """

    named: tuple[Clamp, ...]
    one_end: bool = False  # one is named, and for one end only

    def fit(self, ends: Sequence[End], size: str) -> tuple[str | None, ...] | None:
        """Return the clamp at each end, None where it is not told; None where they do not fit."""
        if not all(clamp.takes(size) for clamp in self.named):
            return None
        if len(self.named) == 2:
            for order in (self.named, self.named[::-1]):
                if all(_lands(clamp, end) for clamp, end in zip(order, ends, strict=True)):
                    return tuple(clamp.name for clamp in order)
            return None
        found: list[str | None] = [None] * len(ends)
        for clamp in self.named:
            there = [number for number, end in enumerate(ends) if end[0] == clamp.lands_on]
            closes = [number for number in there if clamp.closes_on(ends[number][1])]
            if (self.one_end and not closes) or (not self.one_end and closes != there):
                return None
            for number in closes[:1] if self.one_end else closes:
                found[number] = clamp.name
        return tuple(found)


def _lands(clamp: Clamp, end: End) -> bool:
    """Say whether a clamp is made for what an end lands on, and closes on it."""
    return clamp.lands_on == end[0] and clamp.closes_on(end[1])


def clamps_of(lead: KitLead) -> LeadClamps:
    """Return what is known of a lead's clamps: its two ends, else its text."""
    table = {clamp.name: clamp for clamp in clamps()}
    ends = [name for name in (lead.clamp_a, lead.clamp_b) if name is not None]
    names = ends or clamp_words(lead.clamps)
    return LeadClamps(tuple(table[name] for name in names if name in table), len(ends) == 1)


def clamp_words(text: str) -> list[str]:
    """Return the names in a lead's text about its clamps: one, or one for each end."""
    parts = [part.strip() for part in text.split(_BOTH)]
    return parts if len(parts) <= 2 and all(parts) else [text] if text else []


def unknown_clamps(lead: KitLead) -> list[str]:
    """Return the words about a lead's clamps that are no name of the clamp table."""
    if lead.clamp_a is not None or lead.clamp_b is not None:
        return []
    return [word for word in clamp_words(lead.clamps) if word not in clamp_names()]


def clamps_fit(lead: KitLead, ends: Sequence[object]) -> bool:
    """Say whether nothing known of a lead's clamps keeps it off two ends.

    Parameters
    ----------
    lead : KitLead
        Of the truck.
    ends : sequence
        What the two ends land on, as `landing` returns it.
    """
    return clamps_of(lead).fit(ends, lead.size) is not None  # type: ignore[arg-type]
