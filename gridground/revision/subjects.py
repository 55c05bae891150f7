"""What changed, subject by subject, in words that a foreman reads."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from gridground.revision.leaves import lead_name
from gridground.revision.phrases import ids_of, length_text, pair, value_text
from gridground.revision.rows import (
    NOTHING,
    Row,
    capital,
    check_text,
    count_at,
    id_of,
    input_text,
    lead_text,
    lead_title,
    limit_name,
    location_text,
    note_text,
    or_none,
    place_text,
    rod_text,
    role_text,
    several,
)
from gridground.territory.frame import geodesic_m

if TYPE_CHECKING:
    from collections.abc import Callable

    from gridground.revision.comparison import Comparison
    from gridground.revision.leaves import Path

STEP_PARTS = ("prepare", "apply", "work", "remove", "release")
_ROD_PLACE = ("lon", "lat", "bearing_deg", "distance_m", "score", "reasons", "nearest", "meets")
_LEAD_MAKE = ("size", "length_m", "parallel", "clamp_from", "clamp_to")


def job_and_readiness(two: Comparison) -> None:
    """Say that the jobs, or the readiness, differ."""
    if two.take(("job_id",)):
        ids = (two.before["job_id"], two.after["job_id"])
        text = f"These are plans of different jobs: {ids[0]} and {ids[1]}."
        two.say("job", sorted(ids), ids, text, at=("job_id",))
    words = {True: "ready", False: "not ready"}
    if two.take(("ready",)):
        one, other = (words[side["ready"] is True] for side in (two.before, two.after))
        text = f"The plan was {one} before; it is {other} now."
        two.say("ready", (), (one, other), text, at=("ready",))


def method(two: Comparison) -> None:
    """Say which method, and why."""
    if two.differs(("method",)):
        two.take(("method",), ("method_reason",))
        one, other = two.before["method"], two.after["method"]
        reason = two.after["method_reason"]
        text = f"Method: {one} before, {other} now. {reason}"
        two.say("method", (), (one, other), text, at=("method",))
    elif two.take(("method_reason",)):
        values = (two.before["method_reason"], two.after["method_reason"])
        text = f"Method as before, for this reason: {values[1]}"
        two.say("option", (), values, text, at=("method_reason",))


def locations(two: Comparison) -> None:
    """Say which locations came, went or are earthed otherwise; their rods and zones."""
    for name, one, other in two.rows(("locations",)):
        at: Path = ("locations", name)
        if one is None or other is None:
            two.take(at)
            values = (location_text(one), location_text(other))
            text = f"Grounds at {place_text(one or other)}: {values[0]} before, {values[1]} now."
            two.say("location", [id_of(one or other)], or_none(values), text, at=at)
            continue
        if two.differs((*at, "role"), (*at, "electrode")):
            two.take((*at, "role"), (*at, "electrode"), (*at, "title"))
            values = (role_text(one), role_text(other))
            text = f"Grounds at {place_text(one)}: {values[0]} before, {values[1]} now."
            two.say("location", [id_of(one)], values, text, at=(*at, "role"))
        _rod(two, at, one, other)
        _zone(two, at, one, other)


def _rod(two: Comparison, at: Path, one: Row, other: Row) -> None:
    """Say how a rod moved, came, went, or what it is measured at."""
    rods = (one["rod"], other["rod"])
    where, at = [id_of(one)], (*at, "rod")
    if (rods[0] is None) != (rods[1] is None):
        two.take(at)
        values = (rod_text(rods[0]), rod_text(rods[1]))
        text = f"Rod of {place_text(one)}: {values[0]} before, {values[1]} now."
        two.say("rod", where, or_none(values), text, at=at)
        return
    if rods[0] is None or rods[1] is None:
        return
    if two.differs((*at, "lon"), (*at, "lat")):
        two.take(*((*at, key) for key in _ROD_PLACE))
        spots = [(rod["lon"], rod["lat"]) for rod in rods]
        moved_m = float(geodesic_m(*spots[0], *spots[1])[0])
        by = f" by {length_text(moved_m)}" if math.isfinite(moved_m) else ""
        values = (rod_text(rods[0]), rod_text(rods[1]))
        text = f"Rod of {place_text(one)} moved{by}: {values[0]} before, {values[1]} now."
        two.say("rod", where, values, text, at=(*at, "moved"))
    for key, what in (("resistance_ohm", "resistance"), ("resistivity_ohm_m", "soil")):
        if two.differs((*at, key)):
            two.take((*at, key), (*at, "soil"))
            values = pair(rods[0].get(key), rods[1].get(key), key)
            text = f"Rod of {place_text(one)}, {what}: {values[0]} before, {values[1]} now."
            two.say("rod", where, values, text, at=(*at, key))


def _zone(two: Comparison, at: Path, one: Row, other: Row) -> None:
    """Say how large a zone is and how many cones it takes."""
    at = (*at, "zone")
    if two.differs((*at, "radius_m"), (*at, "cones")) or (one["zone"] is None) != (
        other["zone"] is None
    ):
        two.take(at)
        values = tuple(
            NOTHING
            if zone is None
            else f"{zone['cones']} cones at {length_text(zone['radius_m'])}, "
            f"{length_text(zone['perimeter_m'])} round"
            for zone in (one["zone"], other["zone"])
        )
        if values[0] == values[1]:
            values = pair(one["zone"]["radius_m"], other["zone"]["radius_m"])
        text = f"Cone zone of {place_text(one)}: {values[0]} before, {values[1]} now."
        two.say("zone", [id_of(one)], or_none(values), text, at=at)
    elif two.differs(at):
        two.take(at)
        text = f"Cone zone of {place_text(one)}: drawn otherwise on the ground."
        two.say("zone", [id_of(one)], (None, None), text, at=at)


def leads(two: Comparison) -> None:
    """Say which leads came, went, are of another size or length, or have another number."""
    numbers = []
    for name, one, other in two.rows(("leads",)):
        at: Path = ("leads", name)
        where = [id_of(one or other)]
        title = f"Lead at {lead_title(one, other)}"
        if one is None or other is None:
            two.take(at)
            values = (lead_text(one), lead_text(other))
            text = f"{title}: {values[0]} before, {values[1]} now."
            two.say("lead", where, or_none(values), text, at=at)
            continue
        if two.take((*at, "lead_id")):
            numbers.append((one["lead_id"], other["lead_id"], lead_title(one, other), where[0]))
        if two.differs(*((*at, key) for key in _LEAD_MAKE)):
            two.take(at)  # its other figures follow from these
            values = (lead_text(one), lead_text(other))
            if values[0] == values[1]:
                clamps = ("clamp_from", "clamp_to", "length_m")
                values = pair([one[k] for k in clamps], [other[k] for k in clamps])
            text = f"{title}: {values[0]} before, {values[1]} now."
            two.say("lead", where, values, text, at=(*at, "size"))
    if numbers:
        told = [f"{name} was {old}, is {new}" for old, new, name, _ in numbers]
        values = (", ".join(n[0] for n in numbers), ", ".join(n[1] for n in numbers))
        text = f"Leads have other numbers: {'; '.join(told)}."
        two.say("lead", [n[3] for n in numbers], values, text, at=("leads", "numbers"))


def counts(two: Comparison) -> None:
    """Say what is counted."""
    names = sorted(path[1] for path in two.left if path[0] == "totals" and len(path) > 1)
    if names:
        two.take(("totals",))
        sides = [side["totals"] for side in (two.before, two.after)]
        told = [
            f"{n.replace('_', ' ')} {count_at(sides[0], n)} → {count_at(sides[1], n)}"
            for n in names
        ]
        values = tuple(
            ", ".join(f"{n.replace('_', ' ')} {count_at(side, n)}" for n in names) for side in sides
        )
        two.say("count", (), (values[0], values[1]), f"Counts: {', '.join(told)}.", at=("totals",))


def worker(two: Comparison) -> None:
    """Say what the worker would see, and the limit."""
    for key, title in (
        ("worst_v", "Largest voltage on the worker"),
        ("tightest_v", "Voltage nearest its limit"),
        ("limit_v", "Limit of the voltage on the worker"),
    ):
        if two.differs(("worker", key)):
            case = {"worst_v": "worst_case", "tightest_v": "tightest_case"}.get(key)
            two.take(("worker", key), *([("worker", case)] if case else []))
            sides = [side["worker"] for side in (two.before, two.after)]
            values = pair(sides[0].get(key), sides[1].get(key), key)
            if key == "tightest_v":
                two.take(("worker", "tightest_limit_v"))
                values = _of_limit(values[0], sides[0]), _of_limit(values[1], sides[1])
            text = f"{title}: {values[0]} before, {values[1]} now."
            if case:
                text += f" Now: {value_text(sides[1].get(case))}."
            what = "limit" if key == "limit_v" else "worker"
            two.say(what, (), values, text, at=("0", key != "worst_v", key))

    _cases(two)


def _of_limit(told: str, side: Row) -> str:
    """Put the limit of a voltage behind it: limits are of unlike cases."""
    limit_v = side.get("tightest_limit_v")
    return told if limit_v is None else f"{told} of {value_text(limit_v, 'tightest_limit_v')}"


def _cases(two: Comparison) -> None:
    """Say in one sentence how the single cases changed."""
    at: Path = ("worker", "cases")
    rows = [row for row in two.rows(at) if two.differs((*at, row[0], "voltage_v"))]
    both = [(name, one, now) for name, one, now in rows if one is not None and now is not None]
    if not both:
        return
    two.take(at)

    def weight(row: tuple[Any, Row, Row]) -> tuple[bool, float, str]:
        name, one, now = row
        moved_v = abs(one["voltage_v"] - now["voltage_v"])
        return now.get("whose", "worker") == "worker", moved_v, str(name)

    name, one, now = max(both, key=weight)
    case = f"{now['contact']}, {now['event']} from {now['from']}, neutral {now['neutral']}"
    values = pair(one["voltage_v"], now["voltage_v"], "voltage_v")
    failed = [
        sum(not row["passed"] and row.get("whose", "worker") == "worker" for row in side)
        for side in (two.before["worker"]["cases"], two.after["worker"]["cases"])
    ]
    text = (
        f"Voltages one by one: {len(rows)} cases are other than before, most of all {case}: "
        f"{values[0]} before, {values[1]} now. Of the worker {failed[0]} cases were over the limit "
        f"before, {failed[1]} are now."
    )
    two.say("worker", ids_of((name,), two.known), values, text, at=at)


def limits(two: Comparison) -> None:
    """Say which of the employer's rules changed."""
    shown = {path[2] for path in two.left if path[:2] == ("job", "limits") and len(path) > 2}
    exact = {path[2] for path in two.left if path[:2] == ("job", "limits_exact") and len(path) > 2}
    for key in sorted(shown | {limit_name(str(key)) for key in exact}):
        at: Path = ("job", "limits", key)
        own = [("job", "limits_exact", one) for one in exact if limit_name(str(one)) == key]
        taken = two.take(at, *own)
        value = taken.get(at)
        values = pair(*value) if value is not None else several(taken)
        text = f"Limit {key}: {values[0]} before, {values[1]} now."
        two.say("limit", (), values, text, at=at)


def open_items(two: Comparison) -> None:
    """Say what is new to settle, and what is not listed any more."""

    def told(row: Row | None) -> str:
        return NOTHING if row is None else str(row["what"])

    for name, one, other in two.rows(("open_items",)):
        if one is not None and other is not None:
            continue
        two.take(("open_items", name))
        row: Row = one or other or {}
        place = f" ({', '.join(map(str, row['where'][:6]))})" if row["where"] else ""
        lead = "New open item" if one is None else "Open item not listed any more"
        text = f"{lead}: {row['code']}{place}: {row['what']}"
        two.say("open item", row["where"], or_none((told(one), told(other))), text, at=name)


def checks(two: Comparison) -> None:
    """Say which checks came, went, or pass or fail otherwise."""
    for name, one, other in two.rows(("checks",)):
        at: Path = ("checks", name)
        if one is not None and other is not None and not two.differs((*at, "passed")):
            continue
        two.take(at)
        values = (check_text(one), check_text(other))
        row: Row = one or other or {}
        where = ", ".join(map(str, row["where"]))
        title = str(row["code"]).replace("_", " ")
        text = f"Check {title} ({where}): {values[0]} before, {values[1]} now."
        two.say("check", row["where"], or_none(values), text, at=at)


def steps(two: Comparison) -> None:
    """Say which steps came, went or read otherwise."""
    for part in STEP_PARTS:
        at: Path = ("steps", part)
        for name, one, other in two.rows(at):
            here = (*at, name)
            if one is not None and other is not None:
                _remarks(two, here, one, other)
                if not two.differs((*here, "text")):
                    continue
            two.take((*here, "text")) if one and other else two.take(here)
            values = (
                None if one is None else one["text"],
                None if other is None else other["text"],
            )
            row: Row = one or other or {}
            if one is None or other is None:
                lead = "new" if one is None else "not there any more"
                text = f"Step ({part}), {lead}: {row['text']}"
            else:
                text = f"Step ({part}) reads now: {other['text']}"
            two.say("step", [row["pole_id"]], values, text, at=here)


def _remarks(two: Comparison, here: Path, one: Row, other: Row) -> None:
    """Say what is to be read at a step, where it was another thing before."""
    at = (*here, "remarks")
    if two.differs(at):
        two.take(at)
        values = tuple(" ".join(row.get("remarks") or []) or None for row in (one, other))
        text = f"At the step “{other['text']}” is to be read now: {values[1] or 'nothing'}"
        two.say("step", [other["pole_id"]], (values[0], values[1]), text, at=at)


def measured(two: Comparison) -> None:
    """Say what was measured in the field."""

    def told(row: Row | None) -> str:
        if row is None:
            return NOTHING
        return f"{value_text(row['value'], row['what'])}, by {row['who']} at {row['at']}"

    for name, one, other in two.rows(("measured",)):
        if not two.differs(("measured", name)):
            continue
        two.take(("measured", name))
        row: Row = one or other or {}
        place = lead_name(row) if "lead_id" in row else f"pole {row.get('pole_id')}"
        title = str(row["what"]).removesuffix("_ohm_m").removesuffix("_m").replace("_", " ")
        values = (told(one), told(other))
        if values[0] == values[1]:
            values = pair(one, other)
        text = f"Measured at {place}, {title}: {values[0]} before, {values[1]} now."
        two.say("measured", [row.get("pole_id")], or_none(values), text, at=("measured", name))


def inputs(two: Comparison) -> None:
    """Say which data the plans rest on changed."""
    for name, one, other in two.rows(("inputs",)):
        at: Path = ("inputs", name)
        if not two.differs(at):
            continue
        two.take(at)
        values = (input_text(one), input_text(other))
        if values[0] == values[1]:
            values = pair(repr(one), repr(other))
        row: Row = one or other or {}
        text = f"Data {row['layer']}: {values[0]} before, {values[1]} now."
        two.say("input", (), or_none(values), text, at=at)


def texts(two: Comparison) -> None:
    """Say which cautions and assumptions came, went or read otherwise."""
    for key, what in (("cautions", "caution"), ("assumptions", "assumption")):
        for name, one, other in two.rows((key,)):
            at: Path = (key, name)
            if not two.differs(at):
                continue
            two.take(at)
            values = (note_text(one), note_text(other))
            text = f"{capital(what)} reads now: {values[1]}"
            if one is None or other is None:
                lead = "new" if one is None else "not there any more"
                text = f"{capital(what)}, {lead}: {note_text(one or other)}"
            two.say(what, (), or_none(values), text, at=at)


EVERY: tuple[Callable[[Comparison], None], ...] = (
    job_and_readiness, method, locations, leads, counts, worker, limits, open_items, checks,
    steps, measured, inputs, texts,
)  # fmt: skip
