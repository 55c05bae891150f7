"""The job map's page without a browser: what stands in it, and what must not."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import math
import re
import subprocess
import sys
from html.parser import HTMLParser
from importlib.resources import files

import folium
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridground.errors import InputError
from gridground.jobmap.bonding import bonding_svg
from gridground.jobmap.map import data_block, job_map, leaflet_css, leaflet_js, page_style
from gridground.jobmap.page import page_html
from gridground.jobmap.planview import plan_view_svg
from gridground.jobmap.shape import check_shape
from gridground.jobmap.sheet import SHOWN_CASES, sheet_context
from gridground.jobmap.sketch import Scene, sketch_svg
from gridground.jobmap.words import (
    allowed_text,
    length_text,
    needed_text,
    printable,
)
from gridground.record import plan_hash
from gridground.units import bearing_text
from tests.plan_example import (
    HOSTILE,
    crowded_document,
    example_document,
    finished,
    hostile_document,
    settled_document,
)

# SHA-256 of dist/leaflet.js, dist/leaflet.css and LICENSE in the npm package leaflet 1.9.4.
LEAFLET = {
    "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
    "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
    "LEAFLET-LICENSE.txt": "53e8dc25862014e4324741ca18fbe3611e11d42ef69f59f86ea8c5389647d4cb",
}
NEVER_SAID = ("compliant", "approved", "certified", "safe", "protected", "dead", "will trip")


class Parsed(HTMLParser):
    """Tags with attributes, visible text, and the contents of scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.raw: list[tuple[str, dict[str, str | None], str]] = []
        self._inside: tuple[str, dict[str, str | None]] | None = None
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in {"script", "style"}:
            self._inside = (tag, dict(attrs))

    def handle_endtag(self, tag):
        if self._inside and tag == self._inside[0]:
            self._inside = None

    def handle_data(self, data):
        if self._inside:
            self.raw.append((*self._inside, data))
        else:
            self.words.append(data)

    @property
    def text(self) -> str:
        return squeezed(" ".join(self.words))


def squeezed(text: str) -> str:
    """Return text with single blanks, as a reader sees it."""
    return " ".join(text.split())


@pytest.fixture(scope="module")
def plan():
    return finished(example_document())


@pytest.fixture(scope="module")
def page(plan):
    return page_html(plan)


@pytest.fixture(scope="module")
def parsed(page):
    return Parsed(page)


@pytest.mark.parametrize("name", LEAFLET)
def test_leaflet_is_the_published_one(name):
    content = (files("gridground.jobmap") / "assets" / name).read_bytes()
    assert hashlib.sha256(content).hexdigest() == LEAFLET[name]


def test_leaflet_goes_in_with_licence_and_without_links():
    assert "Redistributions of source code must retain" in leaflet_js()
    assert "sourceMappingURL" not in leaflet_js()
    assert "url(" not in leaflet_css()


def test_nothing_in_the_page_points_outside(parsed):
    for tag, attrs in parsed.tags:
        assert tag not in {"link", "img", "iframe", "object", "embed", "base", "form", "audio"}
        for name, value in attrs.items():
            assert name not in {"src", "srcset", "action", "style", "background"}, (tag, name)
            assert not name.startswith("on"), (tag, name)
            if name in {"href", "xlink:href"}:
                assert value is not None
                assert value.startswith("#")
    for tag, _, code in parsed.raw:
        if tag == "style":
            assert "url(" not in code
            assert "@import" not in code


def test_links_inside_the_page_have_a_target(parsed):
    ids = [attrs["id"] for _, attrs in parsed.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    wanted = {attrs["href"] for tag, attrs in parsed.tags if tag == "a"}
    assert wanted
    assert {link.removeprefix("#") for link in wanted} <= set(ids)


def test_policy_names_every_script_and_style_and_nothing_else(parsed):
    policy = next(
        attrs["content"]
        for tag, attrs in parsed.tags
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    wanted = {"script": set(), "style": set()}
    for tag, attrs, code in parsed.raw:
        if attrs.get("type") != "application/json":
            digest = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
            wanted[tag].add(f"'sha256-{digest}'")
    for kind, hashes in wanted.items():
        listed = re.search(rf"{kind}-src ([^;]*)", policy)
        assert listed
        assert set(listed.group(1).split()) == hashes
    policies = [tag for tag, attrs in parsed.tags if attrs.get("http-equiv")]
    assert policies[0] == "meta"


def test_markup_in_the_body_gets_no_hash(monkeypatch, plan):
    """An injected script would stand outside the policy: the second wall is not built of it."""
    from gridground.jobmap import map as module

    def careless(document):
        del document
        return "<script>window.__xss=1</script>", ""

    monkeypatch.setattr(module, "sheet_parts", careless)
    html = page_html(plan)
    digest = base64.b64encode(hashlib.sha256(b"window.__xss=1").digest()).decode()
    assert "<script>window.__xss=1</script>" in html
    assert digest not in html


def test_same_plan_same_bytes(plan, page):
    drawn = job_map(plan)
    assert page_html(plan) == page
    assert drawn.get_root().render() == page
    assert drawn.get_root().render() == page


def test_same_bytes_in_another_process(page):
    code = (
        "import sys; from tests.plan_example import *; from gridground.jobmap.page import page_html;"  # noqa: E501
        "sys.stdout.buffer.write(page_html(finished(example_document())).encode())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, timeout=60)
    assert hashlib.sha256(done.stdout).hexdigest() == hashlib.sha256(page.encode()).hexdigest()


def test_page_module_starts_without_folium():
    code = (
        "import sys, gridground.jobmap.page;"
        "assert not {'folium', 'jinja2', 'shapely'} & set(sys.modules), sys.modules.keys()"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_it_is_a_folium_map_and_folium_itself_is_left_alone(plan):
    drawn = job_map(plan)
    assert isinstance(drawn, folium.Map)
    assert drawn.default_js == []
    assert drawn.default_css == []
    assert folium.Map.default_js
    assert folium.Map.default_css


def test_fingers_may_enlarge(page):
    assert "user-scalable" not in page
    assert "maximum-scale" not in page
    assert "width=device-width" in page


def test_every_fact_is_there_without_script(plan, parsed):
    text = parsed.text
    document = plan.document
    wanted = [
        document["title"],
        document["job_id"],
        document["plan_hash"],
        document["method"],
        document["method_reason"],
        "2026-03-02 06:15 UTC",
    ]
    wanted += [pole["pole_id"] for pole in document["picture"]["poles"]]
    for part in document["steps"].values():
        wanted += [step["text"] for step in part]
    for item in document["open_items"]:
        wanted += [item[key] for key in ("code", "what", "why", "who", "settles")]
    for lead in document["leads"]:
        wanted += [lead["lead_id"], f"{lead['from']} → {lead['to']}", lead["source"]]
        wanted += [lead["clamp_from"], lead["clamp_to"], length_text(lead["length_m"])]
    for circuit in document["circuits"]:
        wanted += [circuit["fault_data_source"], circuit["fault_data_date"]]
    for location in document["locations"]:
        wanted += [location["location_id"], location["title"]]
        if location["rod"]:
            wanted += [
                length_text(location["rod"]["distance_m"]),
                bearing_text(location["rod"]["bearing_deg"]),
            ]
    for case in document["worker"]["cases"]:
        wanted += [case["contact"], needed_text(case["voltage_v"], "V")]
    wanted += [row["text"] for row in document["assumptions"] + document["cautions"]]
    wanted += document["triggers"]
    wanted += [source for way in document["directions"] for source in way["sources"]]
    assert [word for word in wanted if squeezed(word) not in text] == []


def test_lead_rows_hold_their_own_words(page, plan):
    rows = re.findall(r"<tr data-lead>(.*?)</tr>", page, re.DOTALL)
    assert len(rows) == len(plan["leads"]) == 11
    for row, lead in zip(rows, plan["leads"], strict=True):
        text = Parsed(row).text
        for word in (lead["lead_id"], lead["pole_id"], lead["from"], lead["to"], lead["size"]):
            assert word in text
    assert "6,850 A for 0.5 s" in Parsed(rows[1]).text  # 6842.7 A, up
    assert "2.82 ×" in Parsed(rows[1]).text  # 2.82053, down


@pytest.mark.parametrize("make", [example_document, settled_document])
def test_static_text_never_says_ready(make):
    text = Parsed(page_html(finished(make()))).text
    assert "NOT FOR USE until this page is complete" in text
    assert not re.search(r"\bready\b", text, re.IGNORECASE)


def test_words_that_are_never_said(parsed):
    text = parsed.text.lower().replace("test dead", "")
    for word in NEVER_SAID:
        assert not re.search(rf"\b{word}\b", text), word


def test_what_is_always_said(parsed):
    for sentence in (
        "planning aid",
        "the person in charge decide at the pole",
        "energized until isolated, tagged, tested and grounded",
        "Voltages are estimates under the assumptions",
        "State plans and other countries differ",
    ):
        assert sentence in parsed.text


def test_a_line_recorded_dead_is_not_called_so():
    document = example_document()
    document["picture"]["other_lines"][0]["state"] = "dead"
    text = Parsed(page_html(finished(document))).text
    assert "X-69 69 kV, recorded out of service, treat as energized" in text


def test_hostile_text_stays_text(parsed):
    document = hostile_document()
    html = page_html(finished(document))
    hostile = Parsed(html)
    ours = {(tag, tuple(sorted(attrs))) for tag, attrs in parsed.tags}
    ours |= {(tag, tuple(sorted({*attrs} - {"class"}))) for tag, attrs in parsed.tags}
    assert {(tag, tuple(sorted(attrs))) for tag, attrs in hostile.tags} <= ours
    assert [tag for tag, _ in hostile.tags].count("script") == [
        tag for tag, _ in parsed.tags
    ].count("script")
    # Templates in a text are not run; overrides of the reading direction are made visible.
    assert "1337" not in html
    shown = squeezed(printable(HOSTILE))
    assert (
        f"{squeezed(document['steps']['apply'][0]['text'][: -len(HOSTILE)])}{shown}" in hostile.text
    )
    assert "\u202e" not in html.split('id="plan-data"')[0]


def test_hostile_text_reaches_no_style(parsed, plan):
    example = plan.document
    document = finished(hostile_document("</style><script>")).document
    assert not set("<>/") & set(page_style(document))
    assert page_style(document).count("{") == page_style(example).count("{")
    styles = [code for tag, _, code in Parsed(page_html(finished(document))).raw if tag == "style"]
    assert len(styles) == sum(tag == "style" for tag, _ in parsed.tags)


def unpacked(packed):
    """Return the text of a data block, written from its description alone."""
    signs = ""
    for back, length, tilde, sign in re.findall(
        r"~([0-9a-z]+),([0-9a-z]+);|(~;)|([^~])", packed, re.DOTALL
    ):
        for _ in range(int(length or "0", 36)):
            signs += signs[-int(back, 36)]
        signs += "~" if tilde else sign
    return signs.translate(str.maketrans("\"'", "'\""))


@pytest.mark.parametrize("make", [example_document, hostile_document])
def test_data_block_carries_the_hashed_text(make):
    document = finished(make()).document
    block = data_block(document)
    assert not set("<>&\u2028\u2029") & set(block)
    text = unpacked(json.loads(block))
    whole = json.loads(text)
    assert whole == {k: v for k, v in document.items() if k not in {"plan_hash", "made_at"}}
    assert hashlib.sha256(text.encode()).hexdigest() == document["plan_hash"]
    assert document["plan_hash"] == plan_hash(document)


def test_page_budget(page):
    assert len(page.encode()) <= 480_000
    crowded = page_html(finished(crowded_document(poles=60, buildings=500)))
    assert len(crowded.encode()) <= 620_000


def test_inset_puts_the_rod_where_it_is(plan):
    """Independent: bearing and distance against the drawing's own scale bar of 10 ft."""
    scene = Scene.of(plan.document)
    for location in plan["locations"][:2]:
        svg = str(plan_view_svg(scene, location))
        bar = re.search(r'<path d="M12 [\d.]+ V[\d.]+ H([\d.]+) V', svg)
        assert bar
        assert "10 ft" in svg
        per_m = (float(bar.group(1)) - 12) / 3.048
        square = re.search(r'class="sk-ground" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)"', svg)
        rod = re.search(r'class="sk-rod" cx="([\d.]+)" cy="([\d.]+)"', svg)
        assert square
        assert rod
        half = float(square.group(3)) / 2
        east = (float(rod.group(1)) - float(square.group(1)) - half) / per_m
        north = (float(square.group(2)) + half - float(rod.group(2))) / per_m
        angle = math.radians(location["rod"]["bearing_deg"])
        assert east == pytest.approx(4.75 * math.sin(angle), abs=0.02)
        assert north == pytest.approx(4.75 * math.cos(angle), abs=0.02)


def test_sketch_shows_what_the_crew_looks_for(plan):
    svg = str(sketch_svg(Scene.of(plan.document)))
    for word in (
        "P19",
        "P20",
        "P21",
        "D1 source: F1",
        "D2 load: TR-5",
        "F2 energized",
        "G: 4 in gas",
    ):
        assert f">{word}</text>" in svg, word
    assert "rod 15 ft 8 in, 20° (NNE)" in svg
    cones = re.findall(r'class="sk-cone" d="([^"]*)"', svg)
    assert [path.count("M") for path in cones] == [18, 18]
    assert "style=" not in svg


def test_sketch_survives_odd_geometry():
    document = example_document()
    holed = {"type": "Polygon", "coordinates": []}
    features = document["picture"]["surroundings"]
    many = {"type": "MultiPolygon", "coordinates": [features[0]["geometry"]["coordinates"]]}
    bow = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]}
    for geometry in (
        holed,
        many,
        bow,
        {"type": "MultiPoint", "coordinates": [[-93.265, 44.977, 5]]},
    ):
        features.append({"feature_id": "x", "kind": "rock", "name": None, "geometry": geometry})
    document["picture"]["spans"][0]["line"] = []
    assert "rock" in page_html(finished(document))


def test_bonding_has_each_end_once_and_each_lead():
    document = example_document()
    leads = [lead for lead in document["leads"] if lead["pole_id"] == "P19"]
    svg = str(bonding_svg(leads, "P19"))
    assert re.findall(r'class="bd-end"[^>]*>([^<]*)<', svg) == [
        "rod",
        "bar",
        "neutral",
        "A",
        "B",
        "C",
    ]
    assert re.findall(r">(P19-\d): ", svg) == ["P19-1", "P19-2", "P19-3", "P19-4", "P19-5"]
    assert svg.count(" H") == 0  # a plain chain needs no lane


def test_bonding_of_a_small_neutral_goes_round_it():
    document = example_document()
    leads = [lead for lead in document["leads"] if lead["pole_id"] == "P19"]
    leads[2]["from"] = "bar"
    svg = str(bonding_svg(leads, "P19"))
    assert svg.count('class="bd-lead" d="M166') == 1
    assert bonding_svg([], "nothing") == ""


def test_mid_span_location_names_its_span():
    document = example_document()
    location = document["locations"][2]
    location.update(pole_id=None, span_id="S19")
    document["leads"][-1].update(pole_id=None, span_id="S19")
    context = sheet_context(finished(document).document)
    assert context["locations"][2]["place"] == "span S19"
    assert [lead["lead_id"] for lead in context["locations"][2]["leads"]] == ["P20-1"]
    assert "span S19" in Parsed(page_html(finished(document))).text


def test_no_failed_case_is_left_out():
    document = example_document()
    case = document["worker"]["cases"][0]
    document["worker"]["cases"] = [
        {**case, "voltage_v": 1.0 + number, "contact": f"c{number}@P20"} for number in range(100)
    ]
    context = sheet_context(finished(document).document)
    assert len(context["cases"]) == SHOWN_CASES
    assert context["cases"][0]["voltage_v"] == 100.0
    assert context["cases_left"] == 100 - SHOWN_CASES
    for row in document["worker"]["cases"][:40]:
        row["passed"] = False
    context = sheet_context(finished(document).document)
    assert len(context["cases"]) == 40
    assert not any(row["passed"] for row in context["cases"])


def test_nothing_absent_prints_as_a_blank():
    document = example_document()
    document["circuits"][0].update(fault_data_source=None, fault_data_date=None)
    document["worker"].update(worst_v=None, limit_v=None)
    text = Parsed(page_html(finished(document))).text
    assert "not stated, date not stated" in text
    assert "Largest estimate not stated" in text
    assert "None" not in text.replace("None is stated", "")


def _places(value, path=()):
    """Yield the path of every key that the shape of a plan asks for."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield (*path, key)
            yield from _places(item, (*path, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from _places(value[0], (*path, 0))


OPTIONAL = {
    "title", "span_id", "lead_id", "tool", "ends", "body_a", "size", "length_m", "from_kit", "short",  # noqa: E501
    "sha256", "rows", "date", "circuit_id", "line_id", "score", "reasons", "nearest", "meets",
    "cone_points", "role", "worst_case", "residual", "rod_setback", "cone_radius", "name", "zones",
    "cones", "traffic", "seen_from", "tops",
}  # fmt: skip


@pytest.mark.parametrize("value", ["missing", "wrong"])
def test_a_document_without_a_key_is_refused_by_name(value):
    """Every key of the example is deleted, then spoilt, in turn: refused, or drawn all the same."""
    whole = finished(example_document()).document
    refused = 0
    for path in list(_places(whole)):
        if path[0] == "faults" and len(path) == 2:
            continue
        document = copy.deepcopy(whole)
        inner = document
        for step in path[:-1]:
            inner = inner[step]
        if value == "missing":
            del inner[path[-1]]
        else:
            inner[path[-1]] = object()
        try:
            check_shape(document)
        except InputError as error:
            refused += 1
            assert any(str(key) in str(error) for key in path[-2:])  # noqa: PT017
        else:
            inside = {"nearest", "meets", "geometry", "limits", "totals"} & set(path[:-1])
            assert path[-1] in OPTIONAL or inside, path
    assert refused > 100


@pytest.mark.parametrize("document", [None, [], {}, {"format": 1}, "text"])
def test_something_else_is_refused(document):
    with pytest.raises(InputError):
        check_shape(document)


@given(st.floats(min_value=1e-3, max_value=1e6))
def test_needed_goes_up_and_allowed_goes_down(value):
    up, down = (
        float(text(value, "V").split()[0].replace(",", "")) for text in (needed_text, allowed_text)
    )
    assert up >= value * (1 - 1e-8)
    assert down <= value * (1 + 1e-8)
    assert up <= value * 1.011
    assert down >= value * 0.989
