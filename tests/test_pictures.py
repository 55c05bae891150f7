"""The pictures of each ground pole: true to scale, every lead once, no two texts on each other."""

from __future__ import annotations

import copy
import itertools
import json
import math
import re
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

import gridground as gg
from gridground.errors import InputError
from gridground.ground import RodPlace
from gridground.jobmap.notes import stacked
from gridground.jobmap.page import page_html
from gridground.jobmap.planview import plan_view_svg
from gridground.jobmap.shape import check_shape
from gridground.jobmap.sheet import leads_at, sheet_context
from gridground.jobmap.sideview import APART, side_view_svg
from gridground.jobmap.sketch import Scene
from gridground.record import Plan
from gridground.sightings import seen_from
from gridground.territory.frame import Frame
from gridground.units import bearing_text, feet_text, room_text
from tests.plan_example import HOSTILE, example_document, finished, hostile_document

SAMPLES = Path(__file__).parent.parent / "sample_data"
JOBS = (
    *("01-straight", "04-t-junction", "08-gang-switch", "09-double-circuit", "10-no-rod-place"),
    *("11-steel", "15-mid-span", "17-riser", "18-crossing", "20-cut"),
)
WGS84 = Geod(ellps="WGS84")
LETTER = 0.58  # of the font size: what the drawings reckon with
SMALLEST = 13.0  # font size; 11 px where 400 units are 340 px wide


@cache
def territory():
    return gg.read_territory(SAMPLES / "territory")


@cache
def plan_of(name):
    return gg.plan_job(territory(), gg.read_job(SAMPLES / "jobs" / f"{name}.toml")).document


def example():
    return json.loads(json.dumps(example_document()))


def top_of(document, location):
    tops = document["picture"]["tops"]
    return next((t for t in tops if t["location_id"] == location["location_id"]), None)


def side_of(document, location):
    return str(side_view_svg(top_of(document, location), leads_at(document, location), "side"))


def numbers(text):
    return [float(part) for part in re.findall(r"-?\d+(?:\.\d+)?", text)]


def texts(svg):
    """Return (text, west, north, east, south) of every text, its width estimated."""
    found = []
    for group in re.finditer(
        r'<g class="[^"]*" font-size="([\d.]+)" text-anchor="(\w+)">(.*?)</g>', svg
    ):
        for x, y, words in re.findall(
            r'<text x="([\d.-]+)" y="([\d.-]+)">(.*?)</text>', group.group(3)
        ):
            found.append((words, float(x), float(y), float(group.group(1)), group.group(2)))
    for x, y, size, words in re.findall(
        r'<text class="sk-(?:buried-)?name" x="([\d.-]+)" y="([\d.-]+)" '
        r'font-size="([\d.]+)">(.*?)<',
        svg,
    ):
        found.append((words, float(x), float(y), float(size), "middle"))
    boxes = []
    for words, x, y, size, anchor in found:
        plain = re.sub(r"&\w+;|&#\d+;", "x", words)
        wide = len(plain) * size * LETTER
        west = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
        boxes.append((words, west, y - 0.78 * size, west + wide, y + 0.1 * size, size))
    return boxes


def pictures(document):
    scene = Scene.of(document)
    for location in document["locations"]:
        yield location, str(plan_view_svg(scene, location)), side_of(document, location)


@pytest.mark.parametrize("name", JOBS)
def test_no_two_texts_stand_on_each_other(name):
    for location, *drawn in pictures(plan_of(name)):
        for svg in filter(None, drawn):
            boxes = texts(svg)
            assert boxes
            for one, other in itertools.combinations(boxes, 2):
                across = min(one[3], other[3]) - max(one[1], other[1])
                down = min(one[4], other[4]) - max(one[2], other[2])
                assert min(across, down) < 1.0, (location["location_id"], one[0], other[0])


@pytest.mark.parametrize("name", JOBS)
def test_texts_are_large_enough_and_inside(name):
    for _, *drawn in pictures(plan_of(name)):
        for svg in filter(None, drawn):
            width, height = numbers(re.search(r'viewBox="0 0 ([^"]*)"', svg).group(1))
            for words, west, north, east, south, size in texts(svg):
                assert size * 340.0 / width >= 11.0, words
                assert west >= -1.0, words
                assert east <= width + 1.0, words
                assert north >= -1.0, words
                assert south <= height + 1.0, words


@pytest.mark.parametrize("name", JOBS)
def test_side_view_is_to_scale_and_draws_every_lead_once(name):
    """Independent: against the drawing's own bar of 10 ft and the plan's places in metres."""
    document = plan_of(name)
    seen = 0
    for location in document["locations"]:
        svg, leads = side_of(document, location), leads_at(document, location)
        if not location["pole_id"]:
            assert svg == ""
            continue
        top = top_of(document, location)
        bar = numbers(re.search(r'class="sv-dim sv-scale" d="([^"]*)"', svg).group(1))
        per_m = (bar[3] - bar[0]) / 3.048
        pole = r'class="sv-pole" x="(.*?)" y="(.*?)" width="(.*?)" height="(.*?)"'
        x, y, wide, tall = map(float, re.search(pole, svg).groups())
        assert tall / per_m == pytest.approx(top["height_m"], abs=0.02)
        axis, ground = x + wide / 2, y + tall
        ends = {row["end"]: row for row in top["ends"]}

        def place(end, ends=ends, axis=axis, ground=ground, per_m=per_m):
            row = ends[end]
            apart = row.get("apart_ratio", 0.0)
            return (
                axis + row["x_m"] * per_m + APART[0] * apart,
                ground - row["y_m"] * per_m + APART[1] * apart,
            )

        drawn = re.findall(r'class="bd-(?:lead|electrode)" d="([^"]*)"', svg)
        dots = re.search(r'class="sv-clamp" d="([^"]*)"', svg).group(1)
        clamps = re.findall(r"M(\S+) ([^h]+)h0", dots)
        assert len(drawn) == len(leads)
        assert len(clamps) == 2 * len(leads)
        for lead, path, (start, end) in zip(
            leads, drawn, zip(clamps[::2], clamps[1::2], strict=True), strict=True
        ):
            found = numbers(path)
            for which, clamp, on_path in (
                ("from", start, found[:2]),
                ("to", end, found[-2:]),
            ):
                wanted = pytest.approx(place(lead[which]), abs=0.2)
                assert tuple(map(float, clamp)) == wanted, (lead["lead_id"], which)
                assert tuple(on_path) == wanted, (lead["lead_id"], which)
            seen += 1
        tags = [
            words
            for group in re.findall(r'<g class="sv-tag-text"[^>]*>(.*?)</g>', svg)
            for words in re.findall(r"<text[^>]*>(.*?)</text>", group)
        ]
        assert sorted(tags) == sorted(lead["lead_id"] for lead in leads)
        if location["rod"]:
            depth = numbers(re.search(r'class="sv-rod" d="([^"]*)"', svg).group(1))
            assert (depth[2] - depth[1]) / per_m == pytest.approx(1.8288, abs=0.02)
            assert abs(depth[0] - axis) / per_m == pytest.approx(
                location["rod"]["distance_m"], abs=0.02
            )
    assert seen == len([row for row in document["leads"] if row["pole_id"]])


def test_ends_hang_where_the_constructions_say():
    """Independent: positions of the built-in crossarm on a 35-ft pole, read off its table."""
    document = plan_of("01-straight")
    spans = {row["span_id"] for row in document["picture"]["spans"] if row["worked"]}
    layer = territory().spans
    names = {layer["construction"][layer.index()[span]] for span in spans}
    assert len(names) == 1
    built = territory().constructions[names.pop()].positions
    top = document["picture"]["tops"][0]
    ends = {row["end"]: (row["x_m"], row["y_m"]) for row in top["ends"]}
    for letter, position in zip(("A", "B", "C", "neutral"), "123N", strict=True):
        assert ends[letter] == pytest.approx(built[position])
    # the bar hangs below the neutral by the employer's setting, 6 ft here
    assert ends["neutral"][1] - ends["bar"][1] == pytest.approx(6 * 0.3048)
    assert ends["rod"] == (-4.86, 0.0)  # north of a line seen eastwards: left


def test_what_stays_energized_is_drawn_as_a_diamond():
    document = plan_of("09-double-circuit")
    location = document["locations"][0]
    live = [c for c in top_of(document, location)["conductors"] if not c["worked"]]
    assert {c["circuit_id"] for c in live} == {"WB2"}
    assert {c["conductor"] for c in live} == {"A", "B", "C"}  # the neutral is shared
    svg = side_of(document, location)
    assert svg.count('class="sv-live"') == 3
    assert ">energized</text>" in svg


def test_sides_of_a_switch_are_drawn_apart():
    document = plan_of("08-gang-switch")
    top = top_of(document, document["locations"][0])
    apart = {row["end"]: row.get("apart_ratio") for row in top["ends"]}
    assert {apart[end] for end in apart if end.endswith("WB1-P150")} == {-1.0}
    assert {apart[end] for end in apart if end.endswith("WB1-P151")} == {1.0}
    assert [row["span_id"] for row in top["sides"]] == ["WB1-P150", "WB1-P151"]


@pytest.mark.parametrize("name", JOBS)
def test_marks_are_where_they_are_said_to_be(name):
    """Independent: pyproj.Geod from mark to rod, within a centimetre and a tenth of a degree."""
    document = plan_of(name)
    rods = [row for row in document["locations"] if row["rod"]]
    for location in rods:
        rod = location["rod"]
        own, *others = rod["seen_from"]
        assert own["feature_id"] == location["pole_id"]
        assert len(others) <= 1
        for mark in rod["seen_from"]:
            turn, _, away_m = WGS84.inv(mark["lon"], mark["lat"], rod["lon"], rod["lat"])
            assert mark["distance_m"] == pytest.approx(away_m, abs=0.015)  # seven decimals
            slack = 0.1 + math.degrees(0.02 / away_m)
            assert abs((mark["bearing_deg"] - turn + 180.0) % 360.0 - 180.0) <= slack
        for mark in others:
            to_own = WGS84.inv(rod["lon"], rod["lat"], own["lon"], own["lat"])[0]
            to_mark = WGS84.inv(rod["lon"], rod["lat"], mark["lon"], mark["lat"])[0]
            crossing = abs((to_own - to_mark + 180.0) % 360.0 - 180.0)
            assert mark["crossing_deg"] == pytest.approx(crossing, abs=1.0)
            assert 30.0 <= mark["crossing_deg"] <= 150.0


def place(x_m, y_m):
    lon, lat = Frame(-93.265, 44.977).to_lonlat(x_m, y_m)
    return float(lon), float(lat)


class Layer(SimpleNamespace):
    """As much of a layer as is asked for."""

    def __getitem__(self, column):
        return self.columns[column]

    def near(self, centre, reach_m):
        frame = Frame(centre.x, centre.y)
        away = shapely.distance(frame.to_xy(self.geometry), shapely.Point(0, 0))
        return np.flatnonzero(away <= reach_m)

    def index(self):
        return {name: row for row, name in enumerate(self.ids)}


def ground(poles, features):
    """Return a territory of poles {id: (x, y)} and features [(id, kind, geometry in metres)]."""
    frame = Frame(-93.265, 44.977)
    pole_layer = Layer(
        ids=np.array(list(poles), dtype=object),
        geometry=np.array([shapely.Point(place(*xy)) for xy in poles.values()], dtype=object),
        columns={"material": np.array(["wood"] * len(poles), dtype=object)},
    )
    shapes = [frame.to_lonlat(shape) for _, _, shape in features]
    layer = Layer(
        ids=np.array([row[0] for row in features], dtype=object),
        geometry=np.array(shapes, dtype=object),
        columns={
            "kind": np.array([row[1] for row in features], dtype=object),
            "name": np.array([None] * len(features), dtype=object),
        },
    )
    return SimpleNamespace(poles=pole_layer, layer=lambda _: layer if features else None)


def rod_at(x_m, y_m):
    lon, lat = place(x_m, y_m)
    away = math.hypot(x_m, y_m)
    return RodPlace("P1", lon, lat, 0.0, away, 0.0, (), (), ())


def second(poles, features, rod=(0.0, 5.0)):
    found = seen_from(ground({"P1": (0.0, 0.0), **poles}, features), rod_at(*rod))
    return found[1]["what"] if len(found) > 1 else None


def test_second_mark_crosses_well_is_near_and_in_sight():
    house = ("H1", "building", shapely.box(10, 4, 18, 12))
    wall = ("W1", "building", shapely.box(5, -20, 6, 40))
    assert second({}, []) is None
    assert second({"P2": (0.0, 40.0)}, []) is None  # straight behind the rod: no crossing
    assert second({"P2": (40.0, 0.0)}, []) == "pole P2"
    assert second({"P2": (40.0, 0.0)}, [house]) == "southwest corner of building H1"
    assert second({"P2": (8.0, 0.0)}, [house]) == "pole P2"
    assert second({"P2": (40.0, 0.0)}, [wall]) != "pole P2"  # the wall hides it
    assert second({"P2": (160.0, 0.0)}, []) is None


def test_edges_are_measured_square_to():
    road = ("R1", "road", shapely.box(8, -100, 16, 100))
    territory_ = ground({"P1": (0.0, 0.0)}, [road])
    mark = seen_from(territory_, rod_at(0.0, 5.0))[1]
    assert mark["what"] == "edge of road R1"
    assert mark["distance_m"] == pytest.approx(8.0, abs=0.01)
    assert mark["bearing_deg"] == pytest.approx(270.0, abs=0.2)
    assert mark["crossing_deg"] == pytest.approx(90.0, abs=0.2)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=1, max_size=6),
    st.randoms(use_true_random=False),
)
def test_order_of_the_data_changes_no_mark(spots, random):
    poles = {f"P{k}": xy for k, xy in enumerate(spots, 2) if math.hypot(*xy) > 1.0}
    shuffled = list(poles.items())
    random.shuffle(shuffled)
    assert second(poles, []) == second(dict(shuffled), [])


def test_every_cone_has_its_number():
    document = plan_of("01-straight")
    scene = Scene.of(document)
    for location in document["locations"]:
        if not location["zone"]:
            continue
        svg = str(plan_view_svg(scene, location))
        found = [
            row
            for group in re.findall(r'<g class="nt nt-cone"[^>]*>(.*?)</g>', svg)
            for row in re.findall(r'<text x="(.*?)" y="(.*?)">(\d+)<', group)
        ]
        numbers = location["zone"]["cone_numbers"]
        assert [int(row[2]) for row in found] == numbers
        cones = re.findall(r"M([\d.]+) ([\d.]+) ", re.search(r'sk-cone" d="([^"]*)"', svg)[1])
        for x, y, number in found:
            cx, cy = map(float, cones[numbers.index(int(number))])
            near = min(cones, key=lambda c: math.dist(map(float, c), (float(x), float(y) - 4.5)))
            assert math.dist((cx, cy + 7), (float(x), float(y) - 4.5)) < 60.0
            if math.dist((cx, cy + 7), (float(x), float(y) - 4.5)) < 20.0:
                assert near == cones[numbers.index(int(number))]


def test_room_is_rounded_down_and_reach_up():
    for length_m in (4.572, 4.5721, 1.0, 0.999, 12.3456):
        up, down = feet_text(length_m), room_text(length_m)
        for text, sign in ((up, 1), (down, -1)):
            feet, inch = re.match(r"(\d+) ft(?: (\d+) in)?", text).groups()
            in_m = int(feet) * 0.3048 + int(inch or 0) * 0.0254
            assert sign * (in_m - length_m) >= -1e-6
            metres = float(re.search(r"\((.*) m\)", text).group(1))
            if sign == 1 and abs(in_m - length_m) < 1e-6:  # a rule in whole inches: the feet decide
                assert metres == pytest.approx(length_m, abs=0.005)
            else:
                assert sign * (metres - length_m) >= -1e-9


@pytest.mark.parametrize("bearing", range(0, 360, 7))
def test_bearing_read_off_a_card_says_the_same(bearing):
    degrees, point = re.fullmatch(r"(\d+)° \(([NESW]+)\)", bearing_text(bearing)).groups()
    assert int(degrees) == bearing
    # Independent: a point of the card is the mean of the letters' directions, the first halved in.
    turn = {"N": 0, "E": 90, "S": 180, "W": 270}
    half = [turn[letter] for letter in point[-2:]]
    if len(half) == 2 and set(point[-2:]) == {"N", "W"}:
        half = [360 if one == 0 else one for one in half]
    middle = sum(half) / len(half)
    if len(point) == 3:
        first = turn[point[0]] + (360 if point[0] == "N" and middle > 180 else 0)
        middle = (first + middle) / 2
    assert min(abs(middle - bearing), 360 - abs(middle - bearing)) <= 11.25


def test_hostile_text_shows_as_text_in_both_pictures():
    document = finished(hostile_document("<b>&\"'")).document
    context = sheet_context(json.loads(json.dumps(document)))
    for location in context["locations"]:
        for svg in (str(location["inset"]), str(location["side"])):
            assert svg.startswith("<svg ")
            assert "<b>" not in svg
            assert "&lt;b" in svg
    assert "<img" not in page_html(finished(hostile_document(HOSTILE))).split("plan-data")[0]


def test_a_plan_without_tops_shows_which_lead_joins_what():
    document = example()
    del document["picture"]["tops"]
    for location in document["locations"]:
        if location["rod"]:
            del location["rod"]["seen_from"]
    context = sheet_context(finished(document).document)
    assert all(location["bonding"] for location in context["locations"])
    assert not any(location["side"] for location in context["locations"])
    assert "ROD 15 ft 8 in" in str(context["locations"][0]["inset"])


def test_lead_whose_end_is_not_in_the_picture_is_not_drawn_wrong():
    document = example()
    document["picture"]["tops"][0]["ends"] = document["picture"]["tops"][0]["ends"][1:]
    context = sheet_context(finished(document).document)
    assert not context["locations"][0]["side"]
    assert context["locations"][0]["bonding"]


def test_faulty_tops_and_marks_are_refused_by_name():
    document = finished(example()).document
    check_shape(document)
    wrong = copy.deepcopy(document)
    wrong["picture"]["tops"][0]["ends"][0]["x_m"] = "left"
    wrong["locations"][0]["rod"]["seen_from"][0]["distance_m"] = None
    with pytest.raises(InputError) as caught:
        check_shape(wrong)
    fields = [problem.field for problem in caught.value.problems]
    assert "picture.tops[0].ends[0].x_m" in fields
    assert "locations[0].rod.seen_from[0].distance_m" in fields


@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(5, 60)), min_size=1, max_size=8).map(sorted),
)
def test_stacked_texts_keep_order_and_room(rows):
    tops = stacked(rows, top=4.0, bottom=600.0, gap=6.0)
    assert len(tops) == len(rows)
    assert tops[0] >= 4.0
    for (y, (_, height)), after in zip(zip(tops, rows, strict=True), tops[1:], strict=False):
        assert y + height + 6.0 <= after + 1e-6
    if sum(height + 6.0 for _, height in rows) < 590.0:
        assert tops[-1] + rows[-1][1] <= 600.0 + 1e-6


@pytest.mark.parametrize("name", JOBS)
def test_page_of_a_sample_job_keeps_within_its_budget(name):
    page = page_html(Plan(plan_of(name)))
    assert len(page.encode()) <= 1_000_000
