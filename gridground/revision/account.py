"""A field record held against the plan it was made with: what counts, and what is out of order."""

from __future__ import annotations

import datetime as dt
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.revision.asked import asked_remarks
from gridground.revision.remark import Remark
from gridground.revision.tellings import LEAD_KEYS, ROD_KEYS, VEHICLE_KEY
from gridground.territory.frame import geodesic_m
from gridground.territory.text import near_remedy, shown
from gridground.units import way_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from gridground.revision.fieldrecord import Entry, FieldRecord

PARTS = ("prepare", "apply", "work", "remove", "release")
# Farther from its pole no lead on the ground reaches: a slip of the finger or another pole.
ROD_FARTHEST_M = 150.0


@dataclass(frozen=True)
class Account:
    """What a record says about the steps of its plan.

    Attributes
    ----------
    steps, ticked : int
        Steps of the plan, and those with a tick that stands.
    exported_at, check : str
        When the record was handed over, and its four words to compare over the radio.
    counted_on, counted_off : int
        Cables of the leads whose step on, or off, is ticked. A tick says who made it and when.
    difference : int
        Cables of the leads counted on and not off, lead by lead: one counted off that was not
        counted on makes up for no other.
    on_the_line : tuple of str
        People marked on the line and not off it.
    undone : tuple of Entry
        Entries taken back; they count nowhere.
    remarks : tuple of Remark
        What is out of order.
    """

    steps: int
    ticked: int
    exported_at: str
    check: str
    counted_on: int
    counted_off: int
    difference: int
    on_the_line: tuple[str, ...]
    undone: tuple[Entry, ...]
    remarks: tuple[Remark, ...]

    def row(self) -> dict[str, Any]:
        """Return the account as plain data."""
        return {
            "steps": self.steps,
            "ticked": self.ticked,
            "exported_at": self.exported_at,
            "check": self.check,
            "counted_on": self.counted_on,
            "counted_off": self.counted_off,
            "difference": self.difference,
            "on_the_line": list(self.on_the_line),
            "undone": [one.seq for one in self.undone],
            "remarks": [vars(remark) for remark in self.remarks],
        }


@dataclass(frozen=True)
class StepAt:
    """A step of a plan: its part, its place in it, and what it is about."""

    part: str
    place: int
    pole_id: str | None
    lead_id: str | None
    tests: bool = False  # asks what the detector showed
    vehicle: bool = False  # asks how far the truck's own rod stands off
    cuts: str | None = None  # the bypass lead of what is cut, and of what is joined again
    joins: str | None = None


def steps_by_id(plan: dict[str, Any]) -> dict[str, StepAt]:
    """Return every step of a plan by its id."""
    return {
        step["step_id"]: StepAt(
            part,
            place,
            step["pole_id"],
            step.get("lead_id"),
            tests="detector" in step.get("asks", ()),
            vehicle=VEHICLE_KEY in step.get("asks", ()),
            cuts=step.get("cuts"),
            joins=step.get("joins"),
        )
        for part in PARTS
        for place, step in enumerate(plan["steps"][part])
    }


def hold_record(record: FieldRecord, plan: dict[str, Any]) -> Account:
    """Hold a record against the plan it was made with.

    Parameters
    ----------
    record : FieldRecord
        As read.
    plan : dict
        Document of the plan, whole and unaltered.

    Returns
    -------
    Account
        What is ticked and counted, and what is out of order.

    Raises
    ------
    InputError
        With every problem at once: another job, another plan, steps, leads and poles that are not
        in it, a rod that no lead reaches.
    """
    steps = steps_by_id(plan)
    problems = [*_another_plan(record, plan)]
    if not problems:
        problems += _not_in_plan(record, plan, steps)
    if problems:
        raise InputError(problems)
    cables = {lead["lead_id"]: lead["parallel"] for lead in plan["leads"]}
    ticks = [one for one in record.standing if one.kind == "tick"]
    parts = {str(one.about): steps[str(one.about)] for one in ticks}
    on, off = (
        {s.lead_id for s in parts.values() if s.part == part and s.lead_id in cables}
        for part in ("apply", "remove")
    )
    there, remarks = walk(record, steps)
    return Account(
        steps=len(steps),
        ticked=len(parts),
        exported_at=record.exported_at,
        check=record.check,
        counted_on=sum(cables[str(lead)] for lead in on),
        counted_off=sum(cables[str(lead)] for lead in off),
        difference=sum(cables[str(lead)] for lead in on - off),
        on_the_line=tuple(there),
        undone=tuple(one for one in record.entries if one.seq in record.undone),
        remarks=tuple(
            sorted(
                [
                    *remarks,
                    *_times(record),
                    *_one_lead_twice(record, plan),
                    *asked_remarks(record, plan),
                ],
                key=lambda r: (r.seq, r.code),
            )
        ),
    )


def _another_plan(record: FieldRecord, plan: dict[str, Any]) -> Iterator[Problem]:
    """Refuse a record of another job, plan or revision."""
    revision = plan.get("revision", 1)
    remedy = "Name the plan that the record was made with, by --previous."
    for key, found, wanted in (
        ("job_id", record.job_id, plan["job_id"]),
        ("plan_hash", record.plan_hash, plan["plan_hash"]),
        ("revision", record.revision, revision),
    ):
        if found != wanted:
            yield Problem(
                "reject", "record", (), key, f"is {found}; the plan's is {wanted}", remedy
            )


def _not_in_plan(
    record: FieldRecord, plan: dict[str, Any], steps: dict[str, StepAt]
) -> Iterator[Problem]:
    """Refuse what names things that the plan does not have."""
    poles = {row["pole_id"]: row for row in plan["picture"]["poles"]}
    poles |= {row["pole_id"]: row for row in plan["locations"] if row["pole_id"] is not None}
    there = {
        "tick": ("step_id", steps),
        "refused": ("step_id", steps),
        "measured": ("pole_id", poles),
        "lead used": ("lead_id", {lead["lead_id"] for lead in plan["leads"]}),
    }
    for one in record.entries:
        if one.kind not in there:
            continue
        key, known = there[one.kind]
        place = f"entries[{one.seq}]"
        if one.about not in known:
            remedy = near_remedy([str(one.about)], known, "Correct the id.")
            found = f"{one.about!r} is not in the plan"
            yield Problem("reject", "record", (), f"{place}.{key}", found, remedy)
            continue
        step = steps[str(one.about)] if key == "step_id" else None
        yield from _misplaced(one, step, place)
        pole = poles.get(str(one.about if step is None else step.pole_id))
        yield from _too_far(one, pole, place)


def _misplaced(one: Entry, step: StepAt | None, place: str) -> Iterator[Problem]:
    """Refuse values of a rod on a step at no pole, and of a lead on a step with no lead."""
    if step is None:
        return
    if VEHICLE_KEY in one.values and not step.vehicle:
        found = f"{VEHICLE_KEY}: step {one.about} is not that of the truck's own rod"
        remedy = "Write it at the step that asks for it."
        yield Problem("reject", "record", (), f"{place}.values", found, remedy)
    for keys, missing, what in (
        (ROD_KEYS, step.pole_id, "pole"),
        (LEAD_KEYS, step.lead_id, "lead"),
    ):
        if missing is None and (wrong := [key for key in keys if key in one.values]):
            found = f"{', '.join(wrong)}: step {one.about} names no {what}"
            remedy = f"Write an entry that names the {what}."
            yield Problem("reject", "record", (), f"{place}.values", found, remedy)


def _too_far(one: Entry, pole: dict[str, Any] | None, place: str) -> Iterator[Problem]:
    """Refuse a rod that stands where no lead reaches."""
    if pole is None or "rod_lon" not in one.values or "rod_lat" not in one.values:
        return
    spot = (one.values["rod_lon"], one.values["rod_lat"])
    away_m = float(geodesic_m(pole["lon"], pole["lat"], *spot)[0])
    if away_m > ROD_FARTHEST_M:
        found = (
            f"{way_text(away_m)} from pole {pole['pole_id']}; no lead on the ground reaches that"
        )
        remedy = "Correct the position (longitude and latitude swapped?) or the pole."
        yield Problem("reject", "record", (), f"{place}.values.rod_lon", found, remedy)


def walk(record: FieldRecord, steps: dict[str, StepAt]) -> tuple[list[str], list[Remark]]:
    """Walk the entries that stand and name what is out of order."""
    there: list[str] = []
    done: dict[str, Entry] = {}
    remarks: list[Remark] = []
    for one in record.standing:
        if one.kind == "on the line":
            remarks += _goes_up(one, there, steps, done)
            there += [] if _is_there(there, one.who) else [one.who]
        elif one.kind == "off the line":
            if not _is_there(there, one.who):
                text = f"{one.said} is marked off the line and was not marked on it"
                remarks.append(Remark("off_not_on", one.seq, text))
            there = [who for who in there if not _is_there([who], one.who)]
        elif one.kind == "refused":
            text = f"step {one.about} was refused to {one.said}: {told(one)}"
            text += " An undo of it counts nothing." if one.seq in record.undone else ""
            code = "value_refused" if "typed" in one.values else "reading_refused"
            remarks.append(Remark(code, one.seq, text))
        elif one.kind == "tick":
            remarks += _ticked(one, there, steps, done)
            done[str(one.about)] = one
    return there, remarks


def _is_there(people: list[str], who: str) -> bool:
    """Return whether a name is among others, as the page has it: capitals make no other person."""
    names = (
        " ".join(unicodedata.normalize("NFC", name).lower().split()) for name in (who, *people)
    )
    return next(names) in names


def told(one: Entry) -> str:
    """Return what was told about the detector, or typed, and why the step was not ticked."""
    what, key = ("typed", "typed") if "typed" in one.values else ("the detector", "detector")
    return f"{what} {shown(one.values.get(key), limit=200)}. {one.why}"


def _goes_up(
    one: Entry, there: list[str], steps: dict[str, StepAt], done: dict[str, Entry]
) -> Iterator[Remark]:
    """Name somebody marked on the line before every lead is ticked on, or after one is off."""
    if _is_there(there, one.who):
        yield Remark("on_twice", one.seq, f"{one.said} is marked on the line twice")
    missing = [k for k, step in steps.items() if step.part == "apply" and k not in done]
    if missing:
        text = f"{one.said} is marked on the line while {len(missing)} steps on are not ticked: "
        yield Remark("on_before_grounds", one.seq, text + ", ".join(missing[:6]))
    off = [k for k, step in steps.items() if step.part == "remove" and k in done]
    if off:
        text = f"{one.said} is marked on the line after {', '.join(off[:6])} was ticked off"
        yield Remark("on_after_removal", one.seq, text)


def _ticked(
    one: Entry, there: list[str], steps: dict[str, StepAt], done: dict[str, Entry]
) -> Iterator[Remark]:
    """Name a tick that is out of order."""
    name, step = str(one.about), steps[str(one.about)]
    said = f"step {name} ticked by {one.said}"
    if name in done:
        yield Remark("ticked_twice", one.seq, f"{said}: it was ticked before")
    earlier = [k for k in _wanted_before(step, steps, done) if k not in done]
    if earlier:
        text = f"{said} before {', '.join(earlier[:6])}"
        yield Remark("out_of_order", one.seq, text)
    on, off = (
        {s.lead_id for k, s in steps.items() if s.part == part and k in done and s.lead_id}
        for part in ("apply", "remove")
    )
    if step.part == "release":
        yield from _released(one, there, sorted(on - off), said)
    if step.part == "apply" and not on:
        tests = [k for k, s in steps.items() if s.part == "prepare" and s.tests and k not in done]
        if tests:
            text = f"{said} while no test for no voltage is ticked at {', '.join(tests[:6])}"
            yield Remark("on_before_tested", one.seq, text)
    if step.part == "apply" and off:
        yield Remark("on_after_off", one.seq, f"{said} after lead {min(off)} was ticked off")
    if step.part != "remove":
        return
    if there:
        text = f"{said} while {', '.join(there)} was marked on the line"
        yield Remark("removal_with_people_on", one.seq, text)
    if step.lead_id is not None and step.lead_id not in on:
        yield Remark("off_before_on", one.seq, f"{said}: lead {step.lead_id} was not ticked on")


def _released(one: Entry, there: list[str], hang: list[str], said: str) -> Iterator[Remark]:
    """Name a release before the difference was zero, or with people on the line."""
    if hang:
        text = f"{said} while {', '.join(hang[:6])} was ticked on and not off"
        yield Remark("released_with_leads_on", one.seq, text)
    if there:
        text = f"{said} while {', '.join(there)} was marked on the line"
        yield Remark("released_with_people_on", one.seq, text)


def _wanted_before(step: StepAt, steps: dict[str, StepAt], done: dict[str, Entry]) -> list[str]:
    """Return the steps of the same part that come before one.

    Leads go on in one order and come off in one; else each pole has its own order, and what
    belongs to no pole comes before all that follows it. At the release it also comes last.
    """
    before = {k: s for k, s in steps.items() if s.part == step.part and s.place < step.place}
    if step.part == "apply" or (step.part == "release" and step.pole_id is None):
        return list(before)
    if step.part == "remove":  # a lead that never went on is not waited for
        on = {s.lead_id for k, s in steps.items() if s.part == "apply" and k in done}
        cut = {s.cuts for k, s in steps.items() if s.cuts is not None and k in done}
        joints = [k for k, s in steps.items() if s.joins in cut and s.joins == step.lead_id]
        return [*joints, *(k for k, s in before.items() if s.lead_id in on)]
    return [k for k, s in before.items() if s.pole_id in {None, step.pole_id}]


def _one_lead_twice(record: FieldRecord, plan: dict[str, Any]) -> Iterator[Remark]:
    """Name a lead's own number that is told at two connections: one lead hangs in one place."""
    lead_of = {name: step.lead_id for name, step in steps_by_id(plan).items()}
    last: dict[str, tuple[str, int]] = {}
    for one in record.standing:
        if "lead_number" in one.values:
            lead_id = lead_of.get(str(one.about)) if one.kind == "tick" else one.about
            last[str(lead_id)] = (one.values["lead_number"], one.seq)
    first: dict[str, str] = {}
    for lead_id, (number, seq) in last.items():
        if number in first:
            text = f"lead number {number} is told for {first[number]} and for {lead_id}"
            yield Remark("lead_told_twice", seq, text)
        first.setdefault(number, lead_id)


def _times(record: FieldRecord) -> Iterator[Remark]:
    """Name entries whose time lies before that of the entry before them, or after the export."""
    exported = dt.datetime.fromisoformat(record.exported_at)
    last: dt.datetime | None = None
    for one in record.entries:
        at = dt.datetime.fromisoformat(one.at)
        if last is not None and at < last:
            text = f"entry {one.seq} ({one.said}) has an earlier time than the entry before it"
            yield Remark("time_runs_back", one.seq, text)
        if at > exported:
            text = f"entry {one.seq} ({one.said}) has a later time than the export"
            yield Remark("after_export", one.seq, text)
        last = at
