"""A field record for the example plan, entry by entry, for tests."""

from __future__ import annotations

import json

import gridground as gg
from gridground.revision.account import hold_record
from gridground.revision.fieldrecord import parse_record
from gridground.revision.measured import revision_of


class Book:
    """A record being written: entries number themselves, a minute apart."""

    def __init__(self, plan):
        self.plan, self.entries = plan, []

    def add(self, kind, *, who="J. R.", **more):
        """Add an entry and return its number."""
        seq = len(self.entries) + 1
        at = f"2026-04-14T{7 + seq // 60:02d}:{seq % 60:02d}:00-06:00"
        self.entries.append({"seq": seq, "kind": kind, "who": who, "at": at, **more})
        return seq

    def tick(self, step_id, **values):
        return self.add("tick", step_id=step_id, values=values)

    def document(self):
        return {
            "format": "gridground-record/1",
            "job_id": self.plan["job_id"],
            "plan_hash": self.plan["plan_hash"],
            "revision": self.plan.get("revision", 1),
            "exported_at": "2026-04-14T23:30:00Z",
            "entries": self.entries,
        }

    def data(self):
        return json.dumps(self.document()).encode()

    def read(self):
        return parse_record(self.data(), name="record.json")


def anew(territory, job, before, book):
    """Return the plan made anew with what a record holds."""
    record = book.read()
    hold_record(record, before)
    return gg.plan_job(territory, job, revision=revision_of(before, record)).document


def every_kind(plan):
    """Return a record with every kind of entry and every value, in order of work."""
    book = Book(plan)
    prepare, apply = plan["steps"]["prepare"], plan["steps"]["apply"]
    at_pole = next(step for step in prepare if step["pole_id"] is not None)
    place = next(row for row in plan["locations"] if row["rod"])
    book.tick(at_pole["step_id"], detector="no reading on A, B, C")
    book.add(
        "measured",
        pole_id=place["pole_id"],
        values={
            "rod_ohm": 38.5,
            "soil_ohm_m": 120,
            "rod_lon": place["rod"]["lon"],
            "rod_lat": place["rod"]["lat"],
            "rod_accuracy_m": 3.0,
        },
    )
    for step in apply:
        book.tick(step["step_id"])
    book.add(
        "lead used",
        lead_id=plan["leads"][1]["lead_id"],
        values={"lead_number": "T12", "size": "4/0", "length_m": 6.1},
    )
    book.add("on the line", who="A. B.")
    book.add("undo", undoes=book.tick(plan["steps"]["remove"][0]["step_id"]))
    book.add("off the line", who="A. B.")
    for step in plan["steps"]["remove"][:3]:
        book.tick(step["step_id"])
    refused(book, at_pole["step_id"])
    return book


def refused(book, step_id, why="A reading on B: STOP. This step is not ticked."):
    """Add a detector reading that the tablet refused; return its number."""
    values = {"detector": "READING on B; no reading on A, C"}
    return book.add("refused", step_id=step_id, values=values, why=why)
