"""What the page asked and somebody pressed over, as the planner reads it back."""

from __future__ import annotations

from pathlib import Path

import pytest

import gridground as gg
from gridground.errors import InputError
from gridground.jobmap.shape import check_shape
from gridground.revising import account_lines
from gridground.revision.account import hold_record
from tests.field_example import Book, anew

SAMPLE = Path(__file__).resolve().parents[1] / "sample_data"
QUESTION = "Nobody is marked on the line."


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(SAMPLE / "territory")


@pytest.fixture(scope="module")
def job():
    return gg.read_job(SAMPLE / "jobs" / "01-straight.toml")


@pytest.fixture(scope="module")
def first(territory, job):
    return gg.plan_job(territory, job).document


def remarks(book, plan):
    """Return codes and entries, but for the order of steps, which these records leave out."""
    found = hold_record(book.read(), plan).remarks
    return [(one.code, one.seq) for one in found if one.code != "out_of_order"]


def voltage_test(first):
    return next(s for s in first["steps"]["prepare"] if "detector" in s.get("asks", []))


def in_time(book):
    """Put every entry within the time of the clearance, 07:30 to 15:00."""
    for entry in book.entries:
        entry["at"] = f"2026-04-14T08:{entry['seq']:02d}:00-06:00"
    return book


def test_what_was_pressed_over_is_read_and_named(first):
    book = Book(first)
    step, lead = first["steps"]["work"][1]["step_id"], first["leads"][0]["lead_id"]
    book.add("tick", step_id=step, values={}, asked=[QUESTION, "And another."])
    values = {"lead_number": "ZZ9"}
    book.add("lead used", lead_id=lead, values=values, asked=["Not in the kit."])
    in_time(book)
    assert book.read().entries[0].asked == (QUESTION, "And another.")
    account = hold_record(book.read(), first)
    named = [one.text for one in account.remarks if one.code == "pressed_over"]
    assert named == [
        f"step {step} ticked by J. R. at 2026-04-14T08:01:00-06:00 by a second press. "
        f"Asked before it: {QUESTION} And another.",
        f"lead {lead} written down by J. R. at 2026-04-14T08:02:00-06:00 by a second press. "
        "Asked before it: Not in the kit.",
    ]
    assert any(f"look at entry 1: {named[0]}" in line for line in account_lines(account))


@pytest.mark.parametrize(
    ("kind", "more", "field"),
    [
        ("tick", {"asked": []}, "entries[1].asked"),
        ("tick", {"asked": "yes"}, "entries[1].asked"),
        ("tick", {"asked": ["x"] * 13}, "entries[1].asked"),
        ("tick", {"asked": ["x" * 401]}, "entries[1].asked"),
        ("tick", {"asked": [3]}, "entries[1].asked"),
        ("tick", {"asked": ["a\u202eb"]}, "entries[1].asked"),
        ("tick", {"found": ""}, "entries[1].found"),
        ("tick", {"found": "x" * 201}, "entries[1].found"),
        ("lead used", {"found": "x"}, "entries[1].found"),
        ("measured", {"asked": ["x"]}, "entries[1].asked"),
        ("refused", {"asked": ["x"]}, "entries[1].asked"),
    ],
)
def test_what_is_no_question_is_refused_by_name(first, kind, more, field):
    book = Book(first)
    kinds = {
        "tick": {"step_id": "P1", "values": {}},
        "lead used": {"lead_id": "G1", "values": {"lead_number": "T1"}},
        "measured": {"pole_id": "Q212", "values": {"rod_ohm": 3}},
        "refused": {"step_id": "P1", "values": {"detector": "x"}, "why": "w"},
    }
    book.add(kind, **kinds[kind], **more)
    with pytest.raises(InputError) as error:
        book.read()
    assert [problem.field for problem in error.value.problems] == [field]


def test_a_tick_after_a_reading_says_what_was_found(territory, job, first):
    book, step = Book(first), voltage_test(first)
    name = step["step_id"]
    values = {"detector": "READING on B (480 V)"}
    book.add("refused", who="Ann", step_id=name, values=values, why="STOP.")
    words = "READING pressed first on B; then proved before and after; no reading on A, B, C"
    book.add("tick", step_id=name, values={"detector": words}, found="a generator, opened")
    in_time(book)
    assert remarks(book, first) == [("reading_refused", 1), ("ticked_after_reading", 2)]
    made = anew(territory, job, first, book)
    check_shape(made)
    (row,) = [row for row in made["measured"] if row["what"] == "detector"]
    assert row["found"] == "a generator, opened"
    assert "detector_reading_told" not in {item["code"] for item in made["open_items"]}
    said = [row["text"] for row in made["cautions"] if "a generator, opened" in row["text"]]
    assert len(said) == 1
    assert f"Step {name}: a detector reading was told before it was ticked by J. R." in said[0]
    later = anew(territory, job, made, Book(made))
    assert [row["text"] for row in later["cautions"] if "a generator" in row["text"]] == said


def test_a_tick_after_a_reading_without_what_was_found_is_named(territory, job, first):
    book, step = Book(first), voltage_test(first)
    name = step["step_id"]
    book.add("refused", step_id=name, values={"detector": "READING on B"}, why="STOP.")
    words = "READING pressed first on B; then proved before and after; no reading on A, B, C"
    book.tick(name, detector=words)
    in_time(book)
    assert remarks(book, first) == [("reading_refused", 1), ("reading_not_explained", 2)]
    made = anew(territory, job, first, book)
    assert "detector_reading_told" in {item["code"] for item in made["open_items"]}


def test_what_was_found_settles_no_reading_of_the_test_itself(territory, job, first):
    book, step = Book(first), voltage_test(first)
    book.add(
        "tick",
        step_id=step["step_id"],
        values={"detector": "READING pressed first on B; then B reads 7 kV"},
        found="nothing",
    )
    made = anew(territory, job, first, book)
    assert "detector_reading_told" in {item["code"] for item in made["open_items"]}


def test_an_undo_of_a_refusal_counts_nothing(territory, job, first):
    book, step = Book(first), voltage_test(first)
    values = {"detector": "READING on B"}
    seq = book.add("refused", step_id=step["step_id"], values=values, why="STOP.")
    book.add("undo", undoes=seq)
    in_time(book)
    assert remarks(book, first) == [("reading_refused", 1)]
    assert "An undo of it counts nothing." in hold_record(book.read(), first).remarks[0].text
    made = anew(territory, job, first, book)
    assert "detector_reading_told" in {item["code"] for item in made["open_items"]}


def test_a_figure_that_was_refused_is_named_and_measures_nothing(territory, job, first):
    book = Book(first)
    values = {"typed": "rod 2000000 ohm"}
    book.add("refused", step_id=voltage_test(first)["step_id"], values=values, why="No such rod.")
    in_time(book)
    (one,) = hold_record(book.read(), first).remarks
    assert one.code == "value_refused"
    assert "typed 'rod 2000000 ohm'. No such rod." in one.text
    made = anew(territory, job, first, book)
    assert made["measured"] == []
    assert made["open_items"] == first["open_items"]


def test_ticks_outside_the_clearance_are_named_together(first):
    """Expected: by hand; the clearance runs from 07:30 to 15:00 at -06:00."""
    book = Book(first)
    steps = [step["step_id"] for step in first["steps"]["prepare"]]
    times = ["07:29:59-06:00", "13:30:00Z", "15:00:00-06:00", "21:00:01Z", "16:00:00-06:00"]
    for step, time in zip(steps, times, strict=False):
        book.tick(step)
        book.entries[-1]["at"] = f"2026-04-14T{time}"
    found = [
        (one.seq, one.text)
        for one in hold_record(book.read(), first).remarks
        if one.code == "outside_clearance"
    ]
    assert found == [
        (1, f"{steps[0]} is ticked before 2026-04-14T07:30:00-06:00, the clearance's time"),
        (4, f"{steps[3]}, {steps[4]} are ticked after 2026-04-14T15:00:00-06:00, "
            "the clearance's time"),
    ]  # fmt: skip
    without = first | {"clearance": first["clearance"] | {"work_start": None, "work_end": None}}
    assert "outside_clearance" not in {code for code, _ in remarks(book, without)}


def test_a_plan_carries_the_leads_of_the_truck(first, job):
    """Independent: the kit of the job, row by row."""
    stated = {lead.lead_id: (lead.size, lead.length_m) for lead in job.kit.leads}
    carried = {r["lead_id"]: (r["size"], r["length_m"]) for r in first["kit"]["leads"]}
    assert carried == stated
    assert len(carried) == 22
