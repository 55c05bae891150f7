"""The leads that a field record tells: which of the truck they are, and what hangs in all."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground.job import KitLead, UsedLead
from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.job import Kit

KEYS = ("lead_number", "size", "length_m")
NOT_NAMED = "not named"
# Within this a length told is the one stated: half a foot, our judgement.
_SAME_M, _SAME_MM2 = 0.15, 1e-6


@dataclass(frozen=True)
class Told:
    """One cable of a connection as far as a record and the kit tell it.

    Attributes
    ----------
    number : str or None
        The lead's own number.
    size, length_m
        As told, else as the kit states them; None: neither does.
    own : KitLead or None
        The lead of the kit with that number.
    """

    number: str | None
    size: str | None
    length_m: float | None
    own: KitLead | None

    @property
    def lead(self) -> KitLead | None:
        """The lead that hangs, with clamps and test of the kit; None where it is not known."""
        if self.size is None or self.length_m is None:
            return None
        if self.own is not None:
            return replace(self.own, size=self.size, length_m=self.length_m)
        return KitLead(self.number or NOT_NAMED, self.size, self.length_m, "", None)


def edge_of(row: dict[str, Any]) -> tuple[Any, ...]:
    """Return the connection that a row about a lead means."""
    return tuple(row.get(key) for key in ("pole_id", "span_id", "from", "to"))


def used_leads(rows: Sequence[dict[str, Any]], kit: Kit | None) -> Iterator[UsedLead]:
    """Yield the leads that were put on, by connection.

    Parameters
    ----------
    rows : sequence of dict
        Rows of a plan's ``measured``.
    kit : Kit or None
        What the job states to be on the truck: a number that is told is looked up there.

    Notes
    -----
    Of several in parallel the smallest and the longest count; how many there are is what the
    plan of the latest row had.
    """
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        if row["what"] in KEYS:
            groups.setdefault(edge_of(row), []).append(row)
    for edge, group in groups.items():
        cables = _cables(group, kit)
        sizes = [one.size for one in cables if one.size is not None]
        lengths = [one.length_m for one in cables if one.length_m is not None]
        said = dict.fromkeys(f"{row['who']} at {row['at']}" for row in group)
        latest = max(group, key=lambda row: dt.datetime.fromisoformat(row["at"]))
        pole_id, span_id, start, end = edge
        yield UsedLead(
            pole_id,
            span_id,
            start,
            end,
            size=min(sizes, key=area_mm2) if sizes else None,
            length_m=max(lengths) if lengths else None,
            said=", ".join(said),
            count=int(latest["parallel"]),
            numbers=tuple(one.number for one in cables if one.number is not None),
            cables=tuple(lead for one in cables if (lead := one.lead) is not None),
            not_known=tuple(
                str(one.number) for one in cables if one.number is not None and one.lead is None
            ),
        )


def _cables(group: Sequence[dict[str, Any]], kit: Kit | None) -> list[Told]:
    """Return the cables of one connection, by their own numbers."""
    stated = {} if kit is None else {lead.lead_id: lead for lead in kit.leads}
    told: dict[str | None, dict[str, Any]] = {}
    several = any(row["parallel"] > 1 for row in group)
    for row in group:
        number = row["value"] if row["what"] == "lead_number" else row.get("number")
        told.setdefault(number if several else None, {})[row["what"]] = row["value"]
    found = []
    for key, one in told.items():
        number = one.get("lead_number", key)
        own = stated.get(str(number))
        size = one.get("size", None if own is None else own.size)
        length_m = one.get("length_m", None if own is None else own.length_m)
        found.append(Told(number, size, length_m, own))
    return found


def with_used(kit: Kit | None, used: Sequence[UsedLead]) -> Kit | None:
    """Return the kit with the leads that were put on: they were there, as they were told."""
    fresh = {lead.lead_id: lead for lead in _named(used)}
    if kit is None or not fresh:
        return kit
    others = (lead for lead in kit.leads if lead.lead_id not in fresh)
    return replace(kit, leads=(*others, *fresh.values()))


def not_as_kit(kit: Kit | None, used: Sequence[UsedLead]) -> dict[str, tuple[str, str]]:
    """Return the leads that were told otherwise than the kit states them."""
    stated = {} if kit is None else {lead.lead_id: lead for lead in kit.leads}
    found = {}
    for lead in _named(used):
        own = stated.get(lead.lead_id)
        if own is None:
            continue
        apart_m = abs(own.length_m - lead.length_m)
        if abs(area_mm2(own.size) - area_mm2(lead.size)) > _SAME_MM2 or apart_m > _SAME_M:
            found[lead.lead_id] = (
                f"{lead.size}, {feet_text(lead.length_m)}",
                f"{own.size}, {feet_text(own.length_m)}",
            )
    return found


def _named(used: Sequence[UsedLead]) -> list[KitLead]:
    """Return the leads whose own number, size and length are known."""
    return [lead for one in used for lead in one.cables if lead.lead_id in one.numbers]
