"""What a field record tells is looked at before it counts: rods, soil, leads, remarks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.errors import InputError
from gridground.job import KitLead, Position, Settled
from gridground.revision.account import hold_record
from gridground.revision.measured import revision_of
from gridground.revision.told_items import detector_items
from tests.field_example import Book, anew, refused


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


@pytest.fixture(scope="module")
def job():
    return gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")


@pytest.fixture(scope="module")
def first(territory, job):
    return gg.plan_job(territory, job).document


def items(plan, code):
    """Return the open items of one code."""
    return [item for item in plan["open_items"] if item["code"] == code]


def rods(plan):
    return {row["pole_id"]: row["rod"] for row in plan["locations"] if row["rod"]}


@pytest.mark.parametrize(("soil_ohm_m", "asked"), [(4.9, True), (5, False), (10_001, True)])
def test_soil_told_outside_its_band_is_asked_about(territory, job, first, soil_ohm_m, asked):
    book = Book(first)
    pole_id = next(iter(rods(first)))
    book.add("measured", pole_id=pole_id, values={"soil_ohm_m": soil_ohm_m})
    made = anew(territory, job, first, book)
    assert [i["where"] for i in items(made, "soil_unusual")] == [[pole_id]] * asked
    assert not (asked and made["ready"])


def test_soil_of_the_job_outside_its_band_is_asked_about(territory, job):
    bare = replace(
        territory, layers={k: v for k, v in territory.layers.items() if k != "soil"}, extra={}
    )
    for stated in (
        {"resistivity_ohm_m": 1e6},
        {"upper_ohm_m": 100.0, "lower_ohm_m": 2e4, "upper_depth_m": 2.0},
    ):
        made = gg.plan_job(bare, replace(job, rod=replace(job.rod, **stated))).document
        assert [i["where"] for i in items(made, "soil_unusual")] == [[job.job_id]]


@pytest.mark.parametrize(
    ("accuracy_m", "asked"),
    [(0.0, False), (0.25, False), (0.4, True), (3.0, True), (10_000, True), (None, True)],
)
def test_a_position_coarser_than_its_spare_is_asked_about(territory, job, first, accuracy_m, asked):
    """The planned rod stands a foot beyond the setback: so much it has to spare."""
    pole_id, rod = next(iter(rods(first).items()))
    values = {"rod_lon": rod["lon"], "rod_lat": rod["lat"], "rod_accuracy_m": accuracy_m}
    book = Book(first)
    book.add("measured", pole_id=pole_id, values={k: v for k, v in values.items() if v is not None})
    made = anew(territory, job, first, book)
    assert [i["where"] for i in items(made, "rod_position_coarse")] == [[pole_id]] * asked


def test_a_rod_driven_elsewhere_frees_the_plan_of_a_stated_place(territory, job, first):
    """A place on the pole itself is refused; not where the rod stands elsewhere."""
    pole_id, rod = next(iter(rods(first).items()))
    place = {pole_id: Position(pole_id=pole_id, bearing_deg=0.0, distance_m=1.0)}
    stated = replace(job, rod=replace(job.rod, place=place))
    with pytest.raises(InputError):
        gg.plan_job(territory, stated)
    book = Book(first)
    values = {"rod_lon": rod["lon"], "rod_lat": rod["lat"], "rod_accuracy_m": 0}
    book.add("measured", pole_id=pole_id, values=values)
    made = anew(territory, stated, first, book)
    assert rods(made)[pole_id]["lon"] == rod["lon"]


@pytest.fixture(scope="module")
def dated(job):
    """Return the job with an interval of tests, and a small old lead on the truck."""
    old = KitLead("OLD", "2", 15.24, "", "2019-01-01", "rod clamp", "bar clamp")
    kit = replace(job.kit, leads=(*job.kit.leads, old))
    return replace(job, kit=kit, limits=replace(job.limits, lead_test_interval="12 months"))


@pytest.fixture(scope="module")
def planned(territory, dated):
    return gg.plan_job(territory, dated).document


def ticked(plan, **numbers):
    """Return a record whose steps on name leads by their own numbers."""
    book = Book(plan)
    for step in plan["steps"]["apply"]:
        if step["lead_id"] in numbers:
            book.tick(step["step_id"], lead_number=numbers[step["lead_id"]])
    return book


def row_of(plan, lead_id):
    return next(row for row in plan["leads"] if row["lead_id"] == lead_id)


def test_a_number_at_a_step_is_the_lead_of_the_kit(territory, dated, planned):
    """Independent: the kit's own row, and the same plan where everything was told by hand."""
    own = next(lead for lead in dated.kit.leads if lead.lead_id == "OLD")
    row = planned["leads"][-1]
    made = anew(territory, dated, planned, ticked(planned, **{row["lead_id"]: "OLD"}))
    hangs = row_of(made, row["lead_id"])
    assert (hangs["size"], hangs["length_m"]) == (own.size, own.length_m)
    assert hangs["kit_lead_ids"] == ["OLD"] != row["kit_lead_ids"]
    assert hangs["rating_a"] < row["rating_a"]
    assert [i["where"] for i in items(made, "lead_out_of_test")] == [[row["lead_id"], "OLD"]]
    assert [i["where"] for i in items(made, "lead_clamps_differ")] == [[row["lead_id"], "OLD"]]
    assert "OLD" not in made["kit"]["left"]
    book = Book(planned)
    values = {"lead_number": "OLD", "size": own.size, "length_m": own.length_m}
    book.add("lead used", lead_id=row["lead_id"], values=values)
    whole = anew(territory, dated, planned, book)
    assert whole["worker"] == made["worker"]
    asked = {i["code"] for i in made["open_items"]}
    assert asked - {i["code"] for i in whole["open_items"]} == {
        *("on_before_tested", "leads_hang_under_earlier_plan"),  # ticked alone
    }


def test_a_number_that_the_kit_does_not_have_is_asked_about(territory, job, first):
    lead_id = first["leads"][0]["lead_id"]
    made = anew(territory, job, first, ticked(first, **{lead_id: "T99"}))
    assert [i["where"] for i in items(made, "lead_not_known")] == [[lead_id, "T99"]]
    assert not made["ready"]


def test_the_lead_that_was_planned_changes_nothing_but_its_word(territory, job, first):
    row = first["leads"][2]
    (own,) = row["kit_lead_ids"]
    book = Book(first)
    values = {"lead_number": own, "size": row["size"], "length_m": row["length_m"]}
    book.add("lead used", lead_id=row["lead_id"], values=values)
    made = anew(territory, job, first, book)
    assert made["open_items"] == first["open_items"]
    assert row_of(made, row["lead_id"])["kit_lead_ids"] == [own]
    assert made["kit"]["assigned"][own] == row["lead_id"]
    assert own not in made["kit"]["left"]
    assert sum(m["short"] or 0 for m in made["materials"]) == 0
    assert made["worker"]["worst_v"] == first["worker"]["worst_v"]


def test_a_lead_that_hangs_is_planned_nowhere_else(territory, job, first):
    row = first["leads"][2]
    other = next(r for r in first["leads"] if r["pole_id"] != row["pole_id"] and r["from"] == "rod")
    (own,) = other["kit_lead_ids"]
    made = anew(territory, job, first, ticked(first, **{row["lead_id"]: own}))
    assert [r["lead_id"] for r in made["leads"] if own in r["kit_lead_ids"]] == [row["lead_id"]]


def test_a_lead_that_left_the_kit_is_not_replaced_on_paper(territory, job, first):
    row = first["leads"][0]
    (own,) = row["kit_lead_ids"]
    left = tuple(lead for lead in job.kit.leads if lead.lead_id != own)
    sold = replace(job, kit=replace(job.kit, leads=left))
    made = anew(territory, sold, first, ticked(first, **{row["lead_id"]: own}))
    assert [i["where"] for i in items(made, "lead_not_known")] == [[row["lead_id"], own]]
    assert row_of(made, row["lead_id"])["kit_lead_ids"] == []


def test_one_lead_at_two_places_is_asked_about(territory, job, first):
    two = [row["lead_id"] for row in first["leads"][:2]]
    made = anew(territory, job, first, ticked(first, **dict.fromkeys(two, "T1")))
    assert [i["where"] for i in items(made, "lead_told_twice")] == [["T1"]]


def test_as_many_cables_count_as_were_told(territory, job):
    """Independent: the rating of one cable, from the plan before; its current by the new one."""
    limits = replace(job.limits, lead_sizes=("2",), worker_limit=200.0)
    bare = replace(job, kit=None, limits=limits)
    first = gg.plan_job(territory, bare).document
    row = first["leads"][-1]
    assert row["parallel"] == 1
    grown = row["rating_a"] / row["current_a"] * limits.fault_growth_ratio * 1.2
    more = replace(bare, limits=replace(limits, fault_growth_ratio=grown))
    assert gg.plan_job(territory, more).document["leads"][-1]["parallel"] == 2
    book = Book(first)
    book.add("lead used", lead_id=row["lead_id"], values={"lead_number": "X1", "size": "2"})
    made = anew(territory, more, first, book)
    hangs = row_of(made, row["lead_id"])
    assert (hangs["parallel"], hangs["rating_a"]) == (1, row["rating_a"])
    assert [i["where"] for i in items(made, "lead_count_differs")] == [[row["lead_id"]]]
    failed = [c["code"] for c in made["checks"] if not c["passed"]]
    assert "lead_rating" in failed
    again = Book(made)  # the second one is hung and told
    for number in ("X1", "X2"):
        values = {"lead_number": number, "size": "2"}
        again.add("lead used", lead_id=row["lead_id"], values=values)
    whole = anew(territory, more, made, again)
    assert row_of(whole, row["lead_id"])["parallel"] == 2
    assert items(whole, "lead_count_differs") == []


AT = "2026-04-14T08:00:00Z"


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("no reading on 12kV-1:A, 12kV-2:A, 4.8kV:B", False),
        ("480 V on 12kV-1:A", True),
        ("no reading on READING-1:A", False),
        ("B reads 7 kV", True),
        ("READING pressed first on A; then no reading on A, B, C", True),
        ("proved before and after; no reading on A, B, C", False),
        ("0 V on A, B, C", False),
    ],
)
def test_a_detector_that_read_something_is_asked_about(text, asked):
    row = {"what": "detector", "value": text, "pole_id": "P1", "step_id": "P3", "who": "x"}
    found = [item.where for item in detector_items([row | {"at": AT}], ())]
    assert found == [("P1", "P3")] * asked


def test_a_reading_is_answered_in_the_job_by_what_was_found():
    row = {"what": "detector", "value": "B reads 7 kV", "pole_id": "P1", "step_id": "P3"}
    rows = [row | {"who": "x", "at": AT}]
    (asked,) = detector_items(rows, ())
    assert f'at = "{AT}"' in asked.settles
    answer = Settled("detector_reading_told", "P3", AT, "holder", "2026-04-15", "induction")
    assert not list(detector_items(rows, (answer,)))
    assert list(detector_items(rows, (replace(answer, step_id="P4"),)))


def test_a_refused_reading_is_asked_about_until_the_step_is_told_anew(territory, job, first):
    test = next(s for s in first["steps"]["prepare"] if "detector" in s.get("asks", []))
    book = Book(first)
    seq = refused(book, test["step_id"], "A reading on B: STOP.")
    account = hold_record(book.read(), first)
    assert account.ticked == 0
    (remark,) = account.remarks
    assert (remark.code, remark.seq) == ("reading_refused", seq)
    assert "READING on B" in remark.text
    made = anew(territory, job, first, book)
    (item,) = items(made, "detector_reading_told")
    assert item["where"] == [test["pole_id"], test["step_id"]]
    for words in ("READING on B", "refused: A reading on B: STOP.", "J. R."):
        assert words in item["what"]
    assert made["ready"] is False
    (row,) = [row for row in made["measured"] if row["what"] == "detector"]
    assert row["refused"] == "A reading on B: STOP."
    # another revision without a record forgets nothing
    later = gg.plan_job(territory, job, revision=revision_of(made, None)).document
    assert items(later, "detector_reading_told") == [item]
    # tested again without a word about what was found: the reading stands
    clear = {"detector": "proved before and after; no reading on A, B, C"}
    book.tick(test["step_id"], **clear)
    unexplained = anew(territory, job, first, book)
    assert items(unexplained, "detector_reading_told") == [item]
    assert unexplained["ready"] is False
    # tested again, and told what was found: the item goes, the record goes on telling it
    book.add("tick", step_id=test["step_id"], values=clear, found="induction of line T115")
    assert items(anew(territory, job, first, book), "detector_reading_told") == []
    assert "reading_refused" in [one.code for one in hold_record(book.read(), first).remarks]


def test_a_refused_reading_of_another_plan_is_no_record(first):
    book = Book(first)
    refused(book, "P999")
    with pytest.raises(InputError) as error:
        hold_record(book.read(), first)
    assert "P999" in str(error.value)


def test_leads_off_while_people_were_on_the_line_are_asked_about(territory, job, first):
    book = Book(first)
    for step in first["steps"]["apply"]:
        book.tick(step["step_id"])
    book.add("on the line", who="A. B.")
    step_id = first["steps"]["remove"][0]["step_id"]
    seq = book.tick(step_id)
    test = next(s for s in first["steps"]["prepare"] if "detector" in s.get("asks", []))
    book.tick(test["step_id"], detector="B reads 7 kV")
    made = anew(territory, job, first, book)
    (item,) = items(made, "removal_with_people_on")
    assert item["where"] == [step_id]
    assert f"entry {seq} " in item["what"]
    assert len(items(made, "detector_reading_told")) == 1
    assert not made["ready"]
    kept = gg.plan_job(territory, job, revision=revision_of(made, None)).document
    assert items(kept, "removal_with_people_on") == items(made, "removal_with_people_on")
    quiet = Book(kept)  # another record, of another day
    quiet.tick(kept["steps"]["prepare"][0]["step_id"])
    later = anew(territory, job, kept, quiet)
    (again,) = items(later, "removal_with_people_on")
    assert again == item
    (row,) = [r for r in later["occurrences"] if r["code"] == "removal_with_people_on"]
    assert (row["step_id"], row["revision"], row["settled"]) == (step_id, 1, None)
    found = Settled(
        "removal_with_people_on",
        step_id,
        row["at"],
        "K. L.",
        "2026-04-15",
        "A. B. was on the ground",
    )
    wrongs = ({"step_id": "R99"}, {"at": "2026-04-14T07:00:00-06:00"}, {"about": "x"})
    for other in (replace(found, **given) for given in wrongs):
        wrong = replace(job, settled=(other,))
        made = gg.plan_job(territory, wrong, revision=revision_of(later, None)).document
        assert items(made, "removal_with_people_on") == [item]
        assert any("settles " in note["text"] for note in made["cautions"])
    asked = replace(job, settled=(found,))
    settled = gg.plan_job(territory, asked, revision=revision_of(later, None)).document
    assert items(settled, "removal_with_people_on") == []
    assert "K. L." in {r["settled"]["by"] for r in settled["occurrences"] if r["settled"]}
    assert any("Settled by K. L. on 2026-04-15" in note["text"] for note in settled["cautions"])
    assert any(change["what"] == "open item" for change in settled["changes"])
    back = gg.plan_job(territory, job, revision=revision_of(settled, None)).document
    assert items(back, "removal_with_people_on") == [item]  # the job no longer says so


def test_an_entry_taken_back_leaves_nothing_open(territory, job, first):
    book = Book(first)
    book.add("on the line", who="A. B.")
    book.add("undo", undoes=book.tick(first["steps"]["remove"][0]["step_id"]))
    made = anew(territory, job, first, book)
    assert items(made, "removal_with_people_on") == []
    assert {row["code"] for row in made["occurrences"]} == {"leads_hang_under_earlier_plan"}
    assert "Marked on the line: A. B." in items(made, "leads_hang_under_earlier_plan")[0]["what"]


@pytest.mark.parametrize(
    "wrong", [{"code": "x"}, {"at": "yesterday"}, {"step_id": 3}, {"who": None}]
)
def test_occurrences_of_an_earlier_plan_that_cannot_be_used_are_refused(first, wrong):
    row = {"code": "removal_with_people_on", "step_id": "R1", "at": "2026-04-14T07:00:00-06:00"}
    row |= {"who": "A", "revision": 1, "text": "t"}
    assert revision_of(first | {"occurrences": [row]}, None).occurrences == (row,)
    with pytest.raises(InputError, match="occurrences"):
        revision_of(first | {"occurrences": [row | wrong]}, None)


@pytest.mark.parametrize(
    ("also", "asked"),
    [({}, True), ({"size": "2/0"}, True), ({"size": "2/0", "length_m": 9.0}, False)],
)
def test_a_number_without_a_kit_is_asked_about(territory, job, also, asked):
    """Nothing tells what hangs: neither a kit nor the person."""
    bare = replace(job, kit=None)
    before = gg.plan_job(territory, bare).document
    row = before["leads"][-1]
    book = Book(before)
    book.add("lead used", lead_id=row["lead_id"], values={"lead_number": "X7", **also})
    made = anew(territory, bare, before, book)
    found = items(made, "lead_not_known")
    assert [i["where"] for i in found] == [[row["lead_id"], "X7"]] * asked
    assert all("no kit" in i["what"] for i in found)


def test_leads_on_under_the_plan_before_stay_asked_about(territory, job, first):
    """Three revisions: nobody told that they came off, so nothing but a finding settles it."""
    book = Book(first)
    test = next(s for s in first["steps"]["prepare"] if "detector" in s.get("asks", []))
    book.tick(test["step_id"])
    for step in first["steps"]["apply"]:
        book.tick(step["step_id"])
    second = anew(territory, job, first, book)
    (item,) = items(second, "leads_hang_under_earlier_plan")
    assert not second["ready"]
    quiet = Book(second)
    quiet.tick(second["steps"]["prepare"][0]["step_id"])
    third = anew(territory, job, second, quiet)
    assert items(third, "leads_hang_under_earlier_plan") == [item]
    row = next(r for r in third["occurrences"] if r["code"] == item["code"])
    found = Settled(item["code"], row["step_id"], row["at"], "K. L.", "2026-04-15", "all are off")
    asked = replace(job, settled=(found,))
    last = gg.plan_job(territory, asked, revision=revision_of(third, None)).document
    assert items(last, "leads_hang_under_earlier_plan") == []
    assert any("Settled by K. L." in note["text"] for note in last["cautions"])


def test_a_detector_told_in_mid_span_counts_in_every_later_revision(territory):
    """A step at the lift has no pole; its row stands by the step."""
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "15-mid-span.toml")
    first = gg.plan_job(territory, job).document
    step = next(
        row
        for row in first["steps"]["prepare"]
        if row["pole_id"] is None and "detector" in row.get("asks", ())
    )
    book = Book(first)
    book.tick(step["step_id"], detector="B reads 3 kV")
    made = anew(territory, job, first, book)
    again = anew(territory, job, made, Book(made))
    for plan in (made, again):
        assert "detector_reading_told" in [item["code"] for item in plan["open_items"]]
