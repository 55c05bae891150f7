"""Sides of a pole in the words of a crew: by the next pole; the span's id stays in the data."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.gis.layers import lead_text
from gridground.grounding.bonds import end_text, ends_told
from gridground.grounding.poletop import CircuitTop, PoleTop
from gridground.grounding.sides import next_poles
from gridground.jobmap import page_html
from gridground.record import LeadEdge
from gridground.territory.network import Network
from tests.feeder import circuit, pole, span, territory

SAMPLE = ROOT / "sample_data"
SPANS = {
    row["properties"]["span_id"]: row["properties"]
    for row in json.loads((SAMPLE / "territory" / "spans.geojson").read_text())["features"]
}


@pytest.fixture(scope="module", params=["08-gang-switch", "20-cut"])
def plan(request):
    job = gg.read_job(SAMPLE / "jobs" / f"{request.param}.toml")
    return gg.plan_job(gg.read_territory(SAMPLE / "territory"), job)


def test_steps_name_the_next_pole_and_no_span(plan):
    """Independent: the pole at the other end is looked up in the layer of spans."""
    seen = 0
    for part in ("apply", "remove"):
        for step in plan["steps"][part]:
            assert "@" not in step["text"]
            for end in step["ends"]:
                if "@" not in end:
                    continue
                letter, span_id = end.split("@")
                ends = {SPANS[span_id]["from_pole"], SPANS[span_id]["to_pole"]}
                (far,) = ends - {step["pole_id"]}
                assert f"{letter} toward {far}" in step["text"]
                seen += 1
    assert seen


def test_the_page_shows_both_and_the_data_keep_the_span(plan):
    page = re.sub(r"<script.*?</script>", "", page_html(plan), flags=re.DOTALL)
    for lead in plan["leads"]:
        sided = "@" in lead["from"] + lead["to"]
        assert ("from_said" in lead) is ("to_said" in lead) is sided
        if sided:
            assert f"<b>{lead['from_said']} → {lead['to_said']}</b>" in page
            assert f'<span data-word="to">{lead["to"]}</span>' in page
            assert lead["to_said"] in lead_text(lead)
            assert "@" not in lead["path"][0]["what"]


def test_the_side_view_names_its_two_sides_by_poles(plan):
    page = page_html(plan)
    for top in plan["picture"]["tops"]:
        if len(top["sides"]) > 1:
            first, last = (top["sides"][k]["toward"] for k in (0, -1))
            assert f"in front toward {first}, behind toward {last}" in page
            assert {first, last} <= {row["pole_id"] for row in plan["picture"]["poles"]}


def test_two_spans_to_one_pole_are_told_apart():
    area = territory(
        [pole("P0"), pole("P1"), pole("P2")],
        [span("S1", "P0", "P1"), span("S2", "P1", "P0"), span("S3", "P1", "P2")],
        [circuit()],
    )
    network = Network.build(area)
    row = area.poles.index()["P1"]
    assert next_poles(network, row, [0, 1, 2]) == {
        "S1": "P0 by S1", "S2": "P0 by S2", "S3": "P2",
    }  # fmt: skip


def test_an_end_of_several_circuits_keeps_its_circuit():
    tops = tuple(CircuitTop(name, {}, None, False, {}) for name in ("F1", "F:2"))
    top = PoleTop("P1", None, "wood", 12.0, None, tops, several=True, toward={"S@7": "P2"})
    assert end_text("F:2:A@S@7", top) == "F:2:A toward P2"
    assert end_text("F1:A", top) == "F1:A"
    assert end_text("rod", top) == "rod"
    assert end_text("F1:neutral@S9", top) == "F1:neutral toward S9"
    edge = LeadEdge("P1", None, "bar", "F:2:A@S@7", "fault")
    assert ends_told(edge, [replace(top, pole_id="P9"), top]) == ("bar", "F:2:A toward P2")
    assert ends_told(replace(edge, pole_id=None), [top]) == ("bar", "F:2:A@S@7")


def test_an_earlier_plan_without_the_words_still_draws(plan):
    document = json.loads(plan.to_bytes())
    for lead in document["leads"]:
        lead.pop("from_said", None)
        lead.pop("to_said", None)
    document["plan_hash"] = gg.record.plan_hash(document)
    sided = next(lead for lead in document["leads"] if "@" in lead["to"])
    assert sided["to"] in page_html(type(plan)(document))


# --- clamps ---------------------------------------------------------------------------------------


def test_a_lead_on_ends_its_stated_clamp_is_not_made_for_is_said(plan):
    """The sample's kit states conductor clamps; its rod leads need others."""
    said = [row["text"] for row in plan["cautions"] if row["text"].startswith("Clamps of ")]
    by_number = {lead["lead_id"]: lead for lead in plan["leads"]}
    assert any("the kit states conductor clamp, medium" in text for text in said)
    told = {name for text in said for name in re.findall(r"\((G\d+)\)", text.split(": ")[0])}
    expected = {
        number
        for number, lead in by_number.items()
        if {lead["clamp_from"], lead["clamp_to"]} != {"conductor clamp, medium"}
    }
    assert told == expected
    (rod,) = [text for text in said if "(G1)" in text]
    assert "bar clamp and rod clamp are needed too" in rod


def test_clamps_stated_for_both_ends_leave_nothing_to_say():
    job = gg.read_job(SAMPLE / "jobs" / "01-straight.toml")
    leads = tuple(
        replace(one, clamps="", clamp_a=a, clamp_b=b)
        for k, one in enumerate(job.kit.leads)
        for a, b in [
            ("rod clamp", "bar clamp") if k < 4 else
            ("bar clamp", "conductor clamp, medium") if k < 9 else
            ("conductor clamp, medium", "conductor clamp, medium")
        ]
    )  # fmt: skip
    job = replace(job, kit=replace(job.kit, leads=leads))
    found = gg.plan_job(gg.read_territory(SAMPLE / "territory"), job)
    assert not [row for row in found["cautions"] if row["text"].startswith("Clamps of ")]
