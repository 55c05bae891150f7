"""The field record: read strictly, held against its plan, counted."""

from __future__ import annotations

import copy
import json
import random

import pytest
from plan_example import HOSTILE, example_document, finished

from gridground.errors import InputError
from gridground.revising import account_lines
from gridground.revision.account import hold_record
from gridground.revision.fieldrecord import parse_record, read_record
from tests.field_example import Book, every_kind


@pytest.fixture(scope="module")
def plan():
    return finished(example_document()).document


def told(document):
    return parse_record(json.dumps(document).encode(), name="record.json")


def fields(error):
    return [problem.field for problem in error.value.problems]


def test_every_kind_of_entry_is_read(plan, tmp_path):
    book = every_kind(plan)
    file = tmp_path / "record.json"
    file.write_bytes(b"\xef\xbb\xbf" + book.data())
    record = read_record(file)
    assert [one.seq for one in record.entries] == [*range(1, len(book.entries) + 1)]
    assert {one.kind for one in record.entries} == {
        "tick", "undo", "on the line", "off the line", "measured", "lead used",
        "refused",
    }  # fmt: skip
    assert record.entries[1].values["soil_ohm_m"] == 120
    assert record.input["layer"] == f"record:{record.input['sha256'][:12]}"
    assert record.input["rows"] == len(book.entries)


def test_what_is_ticked_and_counted(plan):
    """Expected: counted by hand; 11 leads on, three off, one tick taken back."""
    account = hold_record(every_kind(plan).read(), plan)
    assert (account.counted_on, account.counted_off, account.difference) == (11, 3, 8)
    assert account.steps == sum(len(part) for part in plan["steps"].values())
    assert account.ticked == 1 + 11 + 3
    assert account.on_the_line == ()
    assert [one.kind for one in account.undone] == ["tick"]
    assert [(one.code, one.seq) for one in account.remarks] == [("reading_refused", 22)]
    assert json.loads(json.dumps(account.row()))["difference"] == 8


def test_parallel_cables_are_counted_each(plan):
    changed = copy.deepcopy(plan)
    changed["leads"][2]["parallel"] = 2
    account = hold_record(every_kind(changed).read(), changed)
    assert (account.counted_on, account.difference) == (12, 12 - 3)


def test_a_lead_ticked_twice_counts_once(plan):
    book = Book(plan)
    for _ in range(2):
        book.tick(plan["steps"]["apply"][0]["step_id"])
    account = hold_record(book.read(), plan)
    assert account.counted_on == 1
    assert [remark.code for remark in account.remarks] == ["ticked_twice"]


def test_removal_while_somebody_is_on_the_line_is_named(plan):
    book = Book(plan)
    for step in plan["steps"]["apply"]:
        book.tick(step["step_id"])
    book.add("on the line", who="A. B.")
    book.add("on the line", who="C. D.")
    book.add("off the line", who="A. B.")
    seq = book.tick(plan["steps"]["remove"][0]["step_id"])
    account = hold_record(book.read(), plan)
    assert [(r.code, r.seq) for r in account.remarks] == [("removal_with_people_on", seq)]
    assert "C. D." in account.remarks[0].text
    assert "A. B." not in account.remarks[0].text
    assert account.on_the_line == ("C. D.",)


def test_an_undone_mark_on_the_line_counts_nowhere(plan):
    book = Book(plan)
    for step in plan["steps"]["apply"]:
        book.tick(step["step_id"])
    book.add("undo", undoes=book.add("on the line", who="A. B."))
    book.tick(plan["steps"]["remove"][0]["step_id"])
    assert hold_record(book.read(), plan).remarks == ()


@pytest.mark.parametrize(
    ("write", "codes"),
    [
        (lambda b, p: b.tick(p["steps"]["apply"][1]["step_id"]), ["out_of_order"]),
        (lambda b, _: b.add("on the line"), ["on_before_grounds"]),
        (lambda b, _: b.add("off the line"), ["off_not_on"]),
        (lambda b, p: b.tick(p["steps"]["remove"][0]["step_id"]), ["off_before_on"]),
    ],
)
def test_what_is_out_of_order_is_named(plan, write, codes):
    book = Book(plan)
    write(book, plan)
    assert [remark.code for remark in hold_record(book.read(), plan).remarks] == codes


def test_poles_are_prepared_in_any_order_and_a_broken_off_job_takes_off_what_is_on(plan):
    """Crews split up; leads that never went on are not waited for when the others come off."""
    book = Book(plan)
    prepare = plan["steps"]["prepare"]
    for step in [s for s in prepare if s["pole_id"] is None]:
        book.tick(step["step_id"])
    for pole_id in ("P21", "P20", "P19"):
        for step in [s for s in prepare if s["pole_id"] == pole_id]:
            book.tick(step["step_id"])
    on = plan["steps"]["apply"][:3]
    for step in on:
        book.tick(step["step_id"])
    off = [s for s in plan["steps"]["remove"] if s["lead_id"] in {x["lead_id"] for x in on}]
    for step in off:
        book.tick(step["step_id"])
    account = hold_record(book.read(), plan)
    assert account.remarks == ()
    assert (account.counted_on, account.difference) == (3, 0)
    late = Book(plan)
    for step in on:
        late.tick(step["step_id"])
    late.tick(off[1]["step_id"])
    (remark,) = hold_record(late.read(), plan).remarks
    assert (remark.code, off[0]["step_id"] in remark.text) == ("out_of_order", True)


def test_times_that_run_back_and_one_lead_in_two_places_are_named(plan):
    book = Book(plan)
    leads = plan["leads"]
    for lead in leads[:2]:
        book.add("lead used", lead_id=lead["lead_id"], values={"lead_number": "T1"})
    book.entries[1]["at"] = "2026-04-13T00:00:00Z"
    book.entries[0]["at"] = "2026-04-15T00:00:00Z"
    codes = [remark.code for remark in hold_record(book.read(), plan).remarks]
    assert codes == ["after_export", "lead_told_twice", "time_runs_back"]


def test_a_record_of_another_plan_is_refused_whole(plan):
    document = Book(plan).document() | {
        "job_id": "other",
        "plan_hash": "0" * 64,
        "revision": 2,
    }
    with pytest.raises(InputError) as error:
        hold_record(told(document), plan)
    assert fields(error) == ["job_id", "plan_hash", "revision"]


def test_what_is_not_in_the_plan_is_named_all_at_once(plan):
    book = Book(plan)
    book.tick("nothing")
    book.add("measured", pole_id="P 19", values={"rod_ohm": 1})
    book.add("lead used", lead_id="L999", values={"size": "2"})
    book.tick(plan["steps"]["work"][0]["step_id"], lead_number="T1")
    book.tick(plan["steps"]["release"][0]["step_id"], rod_ohm=3)
    far = {"rod_lon": 0.0, "rod_lat": 0.0}
    book.add("measured", pole_id="P19", values=far)
    with pytest.raises(InputError) as error:
        hold_record(book.read(), plan)
    assert fields(error) == [
        "entries[1].step_id",
        "entries[2].pole_id",
        "entries[3].lead_id",
        "entries[4].values",
        "entries[5].values",
        "entries[6].values.rod_lon",
    ]
    assert "P19" in error.value.problems[1].remedy


def spoilt(plan, change):
    document = every_kind(plan).document()
    change(document)
    return document


BROKEN = {
    "format": lambda d: d.update(format="gridground-record/2"),
    "job_id": lambda d: d.update(job_id="../x"),
    "plan_hash": lambda d: d.update(plan_hash="A" * 64),
    "revision": lambda d: d.update(revision=True),
    "exported_at": lambda d: d.update(exported_at="2026-04-14T12:00:00"),
    "entries": lambda d: d.update(entries={}),
    "more": lambda d: d.update(more=1),
    "entries[1]": lambda d: d["entries"].__setitem__(0, 5),
    "entries[1].seq": lambda d: d["entries"][0].update(seq=2),
    "entries[1].kind": lambda d: d["entries"][0].update(kind="ticked"),
    "entries[1].who": lambda d: d["entries"][0].update(who=" "),
    "entries[1].at": lambda d: d["entries"][0].update(at="now"),
    "entries[1].step_id": lambda d: d["entries"][0].pop("step_id"),
    "entries[1].lead_id": lambda d: d["entries"][0].update(lead_id="L1"),
    "entries[1].values": lambda d: d["entries"][0].update(values=None),
    "entries[2].values": lambda d: d["entries"][1].update(values={}),
    "entries[2].values.rod_lon": lambda d: d["entries"][1]["values"].pop("rod_lat"),
    "entries[2].values.rod_accuracy_m": lambda d: (
        d["entries"][1]["values"].pop("rod_lat"),
        d["entries"][1]["values"].pop("rod_lon"),
    ),
    "entries[2].values.rod_ohm": lambda d: d["entries"][1]["values"].update(rod_ohm="38.5"),
    "entries[2].values.size": lambda d: d["entries"][1]["values"].update(size="2/0"),
    "entries[14].values.size": lambda d: d["entries"][13]["values"].update(size="big"),
    "entries[14].values.length_m": lambda d: d["entries"][13]["values"].update(length_m=0),
    "entries[15].step_id": lambda d: d["entries"][14].update(step_id="A1"),
    "entries[17].undoes": lambda d: d["entries"][16].update(undoes=40),
    "entries[22].step_id": lambda d: d["entries"][21].pop("step_id"),
    "entries[22].why": lambda d: d["entries"][21].pop("why"),
    "entries[22].values": lambda d: d["entries"][21].update(values={}),
    "entries[22].values.rod_ohm": lambda d: d["entries"][21]["values"].update(rod_ohm=38.5),
    "entries[1].why": lambda d: d["entries"][0].update(why="because"),
}


@pytest.mark.parametrize("field", BROKEN)
def test_every_rule_names_its_place(plan, field):
    with pytest.raises(InputError) as error:
        told(spoilt(plan, BROKEN[field]))
    assert field in fields(error)
    assert {problem.layer for problem in error.value.problems} == {"record"}
    assert all(problem.remedy for problem in error.value.problems)


def test_every_problem_is_said_at_once(plan):
    document = every_kind(plan).document()
    wanted = ["format", "entries[1].who", "entries[2].values.rod_ohm", "more"]
    for field in wanted:
        BROKEN[field](document)
    with pytest.raises(InputError) as error:
        told(document)
    assert sorted(fields(error)) == sorted(wanted)


@pytest.mark.parametrize("undone", ["an undo", "twice"])
def test_an_undo_takes_back_an_entry_once(plan, undone):
    book = Book(plan)
    first = book.tick(plan["steps"]["prepare"][0]["step_id"])
    undo = book.add("undo", undoes=first)
    book.add("undo", undoes=undo if undone == "an undo" else first)
    with pytest.raises(InputError) as error:
        book.read()
    assert fields(error) == ["entries[3].undoes"]


def test_a_file_that_is_none(tmp_path):
    for name, content in {"a": b"", "b": b"[]", "c": b"\xff\xfe", "d": b'{"a":1,"a":2}'}.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError):
            read_record(tmp_path / name)
    for path in (tmp_path / "none", tmp_path, "x" * 5000, "a\0b"):
        with pytest.raises(InputError):
            read_record(path)


def test_hostile_text_stays_text(plan):
    """Markup is text like any other; what turns the reading direction round is refused by name."""
    markup = HOSTILE.partition("\u2028")[0]
    book = Book(plan)
    book.add("on the line", who=markup)
    assert hold_record(book.read(), plan).on_the_line == (markup,)
    book.add("on the line", who=HOSTILE)
    with pytest.raises(InputError) as error:
        book.read()
    assert fields(error) == ["entries[2].who"]


def places(value, path=()):
    """Yield the path of everything in a JSON document."""
    yield path
    inner = value.items() if isinstance(value, dict) else ()
    inner = enumerate(value) if isinstance(value, list) else inner
    for key, one in inner:
        yield from places(one, (*path, key))


OTHERS = (
    None, True, 0, -1, 1.5, 1e308, 10**40, "", "x", "\u202e", "2026-04-14T07:30:00-06:00",
    [], [1], {}, {"a": 1}, "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59",
)  # fmt: skip


def mutated(document, chance):
    """Return a document with one thing in it changed, taken out, doubled or put elsewhere."""
    made = copy.deepcopy(document)
    path = chance.choice([p for p in places(made) if p])
    holder = made
    for key in path[:-1]:
        holder = holder[key]
    how = chance.randrange(4)
    if how == 0:
        del holder[path[-1]]
    elif how == 1 and isinstance(holder, list):
        holder.insert(chance.randrange(len(holder) + 1), copy.deepcopy(holder[path[-1]]))
    elif how == 2 and isinstance(holder, dict):
        holder[chance.choice(["x", "values", "seq", "undoes"])] = holder.pop(path[-1])
    else:
        holder[path[-1]] = chance.choice(OTHERS)
    return made


@pytest.mark.parametrize("seed", range(200))
def test_a_spoilt_record_never_stumbles(plan, seed):
    """A record is read, or refused with a few lines that name the place; never anything else."""
    chance = random.Random(seed)  # noqa: S311  no secret
    document = mutated(every_kind(plan).document(), chance)
    data = json.dumps(document).encode()
    if seed % 4 == 0:  # bytes as well
        at = chance.randrange(len(data))
        data = data[:at] + bytes([chance.randrange(256)]) + data[at + chance.randrange(3) :]
    said = outcome(data, plan)
    assert said
    assert all("\u202e" not in line for line in said)


def outcome(data, plan):
    """Return what reading and holding a record says: its problems, or its account."""
    try:
        account = hold_record(parse_record(data, name="record.json"), plan)
    except InputError as error:
        return [problem.sentence() for problem in error.problems]
    return [str(account.difference), *account_lines(account)]


def test_a_lead_off_that_was_never_on_makes_up_for_no_other(plan):
    """By number 2 on and 2 off; lead by lead one of them still hangs."""
    book = Book(plan)
    apply, remove = plan["steps"]["apply"], plan["steps"]["remove"]
    for step in apply[:2]:
        book.tick(step["step_id"])
    for lead_id in (apply[1]["lead_id"], apply[5]["lead_id"]):
        book.tick(next(s["step_id"] for s in remove if s["lead_id"] == lead_id))
    account = hold_record(book.read(), plan)
    assert (account.counted_on, account.counted_off, account.difference) == (2, 2, 1)
    assert "off_before_on" in {remark.code for remark in account.remarks}


def test_a_release_before_zero_or_with_people_on_is_named(plan):
    book = Book(plan)
    for step in plan["steps"]["apply"]:
        book.tick(step["step_id"])
    book.add("on the line", who="A. B.")
    for step in plan["steps"]["remove"][:-1]:
        book.tick(step["step_id"])
    seq = book.tick(plan["steps"]["release"][0]["step_id"])
    last = plan["steps"]["remove"][-1]["lead_id"]
    codes = {r.code: r.text for r in hold_record(book.read(), plan).remarks if r.seq == seq}
    assert set(codes) == {"released_with_leads_on", "released_with_people_on"}
    assert codes["released_with_leads_on"].endswith(f"while {last} was ticked on and not off")
    assert codes["released_with_people_on"].endswith("while A. B. was marked on the line")


def test_leads_on_before_the_test_for_no_voltage_and_after_the_first_is_off_are_named(plan):
    asking = copy.deepcopy(plan)
    prepare, apply = asking["steps"]["prepare"], asking["steps"]["apply"]
    prepare[-1]["asks"] = ["detector"]
    book = Book(asking)
    first = book.tick(apply[0]["step_id"])
    book.tick(
        next(s for s in asking["steps"]["remove"] if s["lead_id"] == apply[0]["lead_id"])["step_id"]
    )
    again = book.tick(apply[1]["step_id"])
    remarks = {r.code: r for r in hold_record(book.read(), asking).remarks}
    assert remarks["on_before_tested"].seq == first
    assert remarks["on_before_tested"].text.endswith(f"ticked at {prepare[-1]['step_id']}")
    assert remarks["on_after_off"].seq == again
    tested = Book(asking)
    tested.tick(prepare[-1]["step_id"])
    tested.tick(apply[0]["step_id"])
    codes = {r.code for r in hold_record(tested.read(), asking).remarks}
    assert "on_before_tested" not in codes


def test_the_words_to_compare_over_the_radio_change_with_everything_that_counts(plan):
    """A record that was cut, mixed up or edited by hand has other words than were read out."""
    document = every_kind(plan).document()
    words = told(document).check
    assert len(words.split()) == 4
    line = account_lines(hold_record(told(document), plan))[1]
    assert line == (
        f"record: handed over at 2026-04-14T23:30:00+00:00; check words {words}; "
        "other words over the radio, another record"
    )
    found = [words]
    for change in (
        lambda rows: rows.pop(),
        lambda rows: rows[1]["values"].update(rod_ohm=35.8),
        lambda rows: rows[2].update(who="J. B."),
        lambda rows: rows[2].update(at="2026-04-14T08:10:00-06:00"),
    ):
        altered = copy.deepcopy(document)
        change(altered["entries"])
        found.append(told(altered).check)
    assert len(set(found)) == len(found)
    later = copy.deepcopy(document) | {"exported_at": "2026-04-15T23:30:00Z"}
    assert told(later).check == words


def test_capitals_and_blanks_make_no_other_person(plan):
    """As on the page, which refuses a second mark of the same name."""
    book = Book(plan)
    for step in plan["steps"]["apply"]:
        book.tick(step["step_id"])
    book.add("on the line", who="Zoe\u0301 Lee")
    book.add("off the line", who="ZO\u00c9  lee")
    book.tick(plan["steps"]["remove"][0]["step_id"])
    account = hold_record(book.read(), plan)
    assert account.on_the_line == ()
    assert account.remarks == ()
