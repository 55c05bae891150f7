"""The job briefing and the sheets without a browser: what stands in them, and what must not."""

from __future__ import annotations

import re

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.jobmap.briefing import briefing, order_of_poles, tools_named
from gridground.jobmap.marks import marks_of
from gridground.jobmap.page import page_html
from gridground.jobmap.sheet import environment, sheet_context
from gridground.jobmap.sheets import SHEETS, sheet_papers
from tests.plan_example import example_document, finished, hostile_document, settled_document
from tests.test_jobmap import NEVER_SAID, Parsed, squeezed

# Published: 29 CFR 1910.269(c), the subjects a job briefing covers, in the rule's order.
SUBJECTS = [
    "Hazards",
    "Work procedures",
    "Special precautions",
    "Energy-source control",
    "Personal protective equipment requirements",
]


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


@pytest.fixture(scope="module")
def switched(territory):
    """A plan with a clearance, open devices, neighbours that induce, equipment that can feed."""
    return gg.plan_job(
        territory, gg.read_job(ROOT / "sample_data" / "jobs" / "08-gang-switch.toml")
    )


def said(document):
    return {row["title"]: [line["text"] for line in row["lines"]] for row in briefing(document)}


def papers(document):
    made = sheet_papers(environment(), sheet_context(finished(document).document))
    return {row["key"]: row for row in made}


def texts(document):
    return {key: Parsed(row["html"]).text for key, row in papers(document).items()}


def test_the_five_subjects_in_the_order_of_the_rule():
    found = briefing(example_document())
    assert [row["title"] for row in found] == SUBJECTS
    assert all(row["lines"] for row in found)
    assert found[-1]["blanks"]


def test_hazards_name_sources_neighbours_voltages_and_what_is_buried(switched):
    lines = " ".join(said(example_document())["Hazards"])
    assert "2 open items: not settled" in lines
    assert "Circuit F1, 12.47 kV: energized until isolated, tagged, tested and grounded." in lines
    assert "D1: energy can come in at P20 from F1." in lines
    assert "X-69, 69 kV, is within reach." in lines
    assert "Buried gas gas-1: 6 ft 3 in (1.90 m) off the rod, P19." in lines
    induced = " ".join(said(switched.document)["Hazards"])
    assert "T115 induces across a lifted ground" in induced
    assert "all together" not in induced


def test_procedures_count_the_leads_in_the_order_they_go_on():
    document = example_document()
    assert order_of_poles(document) == [("P19", 5), ("P21", 5), ("P20", 1)]
    lines = said(document)["Work procedures"]
    assert "Leads on in this order: P19 (5), P21 (5), P20 (1). Off: exactly backwards." in lines
    document["steps"]["apply"].reverse()
    assert [place for place, _ in order_of_poles(document)] == ["P20", "P21", "P19"]


def test_precautions_hold_zones_traffic_triggers_and_every_caution():
    document = example_document()
    lines = said(document)["Special precautions"]
    assert "P19: the zone meets sidewalk Elm Street walk: traffic control or an attendant." in lines
    assert "P19: 18 cones, 10 ft 1 in (3.05 m) round rod and lead. Nobody inside." in lines
    for trigger in document["triggers"]:
        assert trigger in " ".join(lines)
    assert {note["text"] for note in document["cautions"]} <= set(lines)


def test_energy_control_lists_devices_in_order(switched):
    lines = said(switched.document)["Energy-source control"]
    devices = [line for line in lines if re.match(r"\d+\. ", line)]
    block = switched["clearance"]["open"]
    assert devices == [f"{row['number']}. {row['text']}" for row in block]
    assert len(devices) >= 3
    assert "Stated as isolated: GEN-DAIRY." in lines
    assert any(line.startswith("Not stated as isolated") and "33 trans" in line for line in lines)


def test_energy_control_without_a_clearance_says_so():
    lines = said(example_document())["Energy-source control"]
    assert lines == ["Opened and tagged: not stated. This plan holds no request for a clearance."]


def test_the_plan_names_no_equipment_to_wear():
    lines = said(example_document())["Personal protective equipment requirements"]
    assert lines[0] == "The employer's rules and the person in charge name it; this plan does not."
    assert any(line.startswith("F1, 12.47 kV: approach distance") for line in lines)


def test_a_hand_is_no_tool():
    document = example_document()
    document["steps"]["apply"][0]["tool"] = "hand, before a line end is attached"
    document["steps"]["apply"][1]["tool"] = "hand line"
    assert "hand, before a line end is attached" not in tools_named(document)


def test_a_mid_span_place_is_named_by_its_span():
    document = example_document()
    document["leads"][-1].update(pole_id=None, span_id="S19")
    assert order_of_poles(document)[-1] == ("span S19", 1)


def test_crew_sheet_holds_steps_leads_rods_and_triggers():
    document = example_document()
    text = texts(document)["crew"]
    for rows in document["steps"].values():
        for step in rows:
            assert squeezed(step["text"]) in text
    for lead in document["leads"]:
        assert lead["lead_id"] in text
        assert f"{lead['from']} → {lead['to']}" in text
    for trigger in document["triggers"]:
        assert trigger in text
    assert "Do not start: 2 open, 0 failed" in text


def test_crew_sheet_takes_the_poles_in_the_order_of_work():
    document = example_document()
    html = papers(document)["crew"]["html"]
    cards = re.findall(r'<p class="where-pole">(\w+)</p>', html)
    assert cards == ["P19", "P21", "P20"]
    assert re.findall(r"(Bracket|Worksite), on (\w+)<", html) == [
        ("Bracket", "1st"),
        ("Bracket", "2nd"),
        ("Worksite", "3rd"),
    ]


def test_one_box_for_each_step_and_each_material():
    document = example_document()
    found = papers(document)
    steps = sum(len(rows) for rows in document["steps"].values())
    assert found["crew"]["html"].count('class="box"') == steps
    rows = len(document["materials"]) + len(tools_named(document))
    assert found["truck"]["html"].count('class="box"') == 2 * rows


def test_dispatcher_sheet_holds_devices_in_order_counts_and_equipment(switched):
    text = texts(switched.document)["dispatcher"]
    places = []
    for row in switched["clearance"]["open"]:
        assert row["device_id"] in text
        assert row["stated"]
        shown = row["text"] if row["recorded"] == "open" else row["steps"][0]["text"]
        places.append(text.index(squeezed(shown)))
    assert places == sorted(places)
    assert "The job states as isolated: GEN-DAIRY at D220." in text
    for row in switched["clearance"]["equipment"]:
        if row["kind"] == "transformer":
            assert f"{row['equipment_id']} at {row['pole_id']}" in text
    assert switched["clearance"]["holder"] in text
    assert "issues none" in text


def test_truck_list_says_what_is_missing():
    assert "7 SHORT" in texts(example_document())["truck"]
    assert "SHORT" not in texts(settled_without_shortage())["truck"]


def settled_without_shortage():
    document = settled_document()
    for row in document["materials"]:
        row["short"] = 0
    return document


def test_sheets_never_say_ready_nor_what_is_never_said(switched):
    for document in (example_document(), settled_document(), switched.document):
        for text in texts(document).values():
            plain = text.lower().replace("test dead", "")
            for word in (*NEVER_SAID, "ready"):
                assert not re.search(rf"\b{word}\b", plain), word


def test_revision_is_printed_where_the_plan_has_one():
    document = example_document()
    assert "revision" not in texts(document)["crew"]
    document["revision"] = 3
    for text in texts(document).values():
        assert "revision 3" in text
    assert 'content: "Job elm-street-p20\\A revision 3  plan ' in page_html(finished(document))


def test_margins_say_not_ready_of_a_plan_that_is_not():
    html = page_html(finished(example_document()))
    assert '@top-right { content: "NOT READY";' in html
    html = page_html(finished(settled_document()))
    assert '@top-right { content: "NOT FOR USE until complete";' in html


def test_hostile_text_stays_text_on_every_sheet():
    ours = papers(example_document())
    for key, row in papers(hostile_document()).items():
        tags = {tag for tag, _ in Parsed(row["html"]).tags}
        assert tags <= {tag for tag, _ in Parsed(ours[key]["html"]).tags} | {"span"}
        assert "1337" not in row["html"]
        assert "\u202e" not in row["html"]
        assert all(not name.startswith("on") for _, at in Parsed(row["html"]).tags for name in at)


def test_long_lists_end_with_how_many_more(switched):
    document = switched.document
    old = document["clearance"]["off"]
    many = [f"N{number}" for number in range(500)]
    changed = {**document["clearance"], "off": {**old, "pole_ids": many, "count": 500}}
    text = texts({**document, "clearance": changed})["dispatcher"]
    assert "and 350 more, on the page" in text


def test_marks_notice_every_change_but_blanks():
    html = '<td class="a">P19 <b>x &lt; y</b></td>'
    assert marks_of(html) == marks_of('<td class="a">P19\n  <b>x &#60; y</b>\n</td>')
    for other in (
        '<td class="b">P19 <b>x &lt; y</b></td>',
        '<td class="a">P18 <b>x &lt; y</b></td>',
        '<td class="a">P19 <i>x &lt; y</i></td>',
        '<td class="a">P19 <b>x &gt; y</b></td>',
        '<td class="a" lang="x">P19 <b>x &lt; y</b></td>',
        '<td class="a">P19 <b>x &lt; </b>y</td>',
    ):
        assert marks_of(other) != marks_of(html)


def test_marks_leave_out_what_scripts_write_into():
    made = '<html class="page"><p data-live>{}</p><br><p>kept</p><i data-marks="{}"></i></html>'
    assert marks_of(made.format("<b>x</b><br>", "1")) == marks_of(made.format("", "2"))
    assert marks_of(made.format("", "").replace("kept", "kapt")) != marks_of(made.format("", ""))


def test_every_sheet_is_in_the_page_and_the_page_carries_its_marks():
    html = page_html(finished(example_document()))
    assert re.findall(r'<section class="sheet sheet-(\w+)"', html) == list(SHEETS)
    for row in papers(example_document()).values():
        assert row["html"] in html
    found = re.findall(r' data-marks="([0-9a-f]*)"', html)
    assert found == [marks_of(html)]
