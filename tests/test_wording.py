"""One form for lengths and bearings in everything a plan says."""

from __future__ import annotations

import json
import re

import pytest
from maps_maker import ROOT

import gridground as gg
from gridground.jobmap import page_html
from gridground.jobmap.words import check_limit_text, check_value_text
from gridground.units import bearing_text, feet_text, room_text, way_text

SAMPLE = ROOT / "sample_data"
JOBS = ("01-straight", "08-gang-switch", "10-no-rod-place", "18-crossing", "20-cut")
# What is not a length of this plan's ground: names of standards, units of other things.
NO_LENGTH = re.compile(r"ohm·m|N/m|W/m|\bm²|mm|/km|A/m")
METRES = re.compile(r"(?<![\w.])-?[\d,]*\.?\d+ m\b(?!/)")
IN_BRACKETS = re.compile(r"\d ft(?: \d+ in)? \(-?[\d,]+(?:\.\d{1,3})? m\)")


@pytest.fixture(scope="module")
def plans():
    territory = gg.read_territory(SAMPLE / "territory")
    return {
        name: gg.plan_job(territory, gg.read_job(SAMPLE / "jobs" / f"{name}.toml")) for name in JOBS
    }


def texts(value):
    """Yield every text of a plan that people read."""
    if isinstance(value, dict):
        for key, one in value.items():
            if key not in {"inputs", "made_at", "title"}:
                yield from texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from texts(one)
    elif isinstance(value, str):
        yield value


@pytest.mark.parametrize("name", JOBS)
def test_no_length_of_a_plan_stands_in_metres_alone(plans, name):
    bare = set()
    for text in texts(json.loads(plans[name].to_bytes())):
        if not NO_LENGTH.search(text) and METRES.search(IN_BRACKETS.sub("", text)):
            bare.add(text)
    assert not bare


@pytest.mark.parametrize("name", JOBS)
def test_one_style_of_bearings_in_plan_and_page(plans, name):
    page = re.sub(r"<script.*?</script>", "", page_html(plans[name]), flags=re.DOTALL)
    said = [*texts(json.loads(plans[name].to_bytes())), *re.findall(r">([^<]*°[^<]*)<", page)]
    for text in said:
        for degrees, rest in re.findall(r"(\d+(?:\.\d+)?)°(.{0,7})", text):
            if rest.startswith(("C", " of the")):  # a temperature, an angle
                continue
            assert re.match(r" \([NESW]{1,3}\)", rest), text
            assert "." not in degrees
            assert str(int(degrees)) == degrees
    assert "degrees from" not in " ".join(said)


def test_fifteen_feet_are_one_figure_in_metres():
    assert {feet_text(15 * 0.3048), feet_text(4.572), room_text(4.572)} == {"15 ft (4.57 m)"}


@pytest.mark.parametrize("length_m", [0.011, 1.0, 3.0481, 4.5721, 4.579, 7.3011, 30.0, 61.234])
def test_what_is_needed_goes_up_and_what_is_there_goes_down(length_m):
    """Independent: the figures in the text, as a person reads them, against the length."""
    for text, sign in ((feet_text(length_m), 1), (room_text(length_m), -1)):
        feet, inch, metres = re.match(r"(\d+) ft(?: (\d+) in)? \(([\d.]+) m\)", text).groups()
        assert sign * (int(feet) * 0.3048 + int(inch or 0) * 0.0254 - length_m) >= -1e-6
        assert sign * (float(metres) - length_m) >= -1e-9
        assert abs(float(metres) - length_m) <= 0.01


def test_ways_are_whole_and_bearings_close_the_circle():
    assert way_text(0.0) == "0 ft (0 m)"
    assert bearing_text(-0.4) == "0° (N)"
    assert bearing_text(359.5) == "0° (N)"
    assert bearing_text(348.75) == "349° (N)"


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (("rod_setback", 4.5713, 4.572, "m"), ("14 ft 11 in (4.57 m)", "15 ft (4.57 m)")),
        (("lead_reach", 3.0471, 3.0481, "m"), ("9 ft 11 in (3.04 m)", "10 ft 1 in (3.05 m)")),
        (("worker_voltage", 57.31, 57.35, "V"), ("57.4 V", "57.3 V")),
        (("lead_minimum", 33.59, 33.63, "mm²"), ("33.5 mm²", "33.7 mm²")),
    ],
)
def test_a_failed_check_never_reads_as_if_it_passed(check, said):
    """Independent: worked out by hand; what must be at least the limit is rounded down."""
    row = dict(zip(("code", "value", "limit", "unit"), check, strict=True))
    assert (check_value_text(row), check_limit_text(row)) == said
