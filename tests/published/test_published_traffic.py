"""Tapers, devices, signs and cones of the MUTCD against rows printed in public documents."""

import csv
import json
from pathlib import Path

import pytest

from gridground.grounding import traffic
from gridground.units import M_PER_FT, M_PER_IN, M_PER_S_PER_MPH
from tests.check_table import record

STATUS = {"published", "rule published, product computed"}
with (Path(__file__).parent / "traffic.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file))


def taper_ft(kind, offset_ft, speed_mph):
    found = traffic.taper(kind, offset_ft * M_PER_FT, speed_mph * M_PER_S_PER_MPH)
    return found.length_m / M_PER_FT


def sign_gap_ft(road_type, gap):
    distances_m = (0.0, *traffic.sign_distances_m(road_type))
    at = "ABC".index(gap)
    return (distances_m[at + 1] - distances_m[at]) / M_PER_FT


def spacing_ft(speed_mph, in_taper):
    speed = speed_mph * M_PER_S_PER_MPH
    return traffic.device_spacing_m(speed, in_taper=in_taper) / M_PER_FT


def cone_in(speed_mph, road_type, dark):
    return traffic.cone_height_m(speed_mph * M_PER_S_PER_MPH, road_type, dark=dark) / M_PER_IN


@pytest.mark.parametrize(
    "row", ROWS, ids=[f"{number}-{row['function']}" for number, row in enumerate(ROWS, 2)]
)
def test_agrees_with_its_source(row):
    assert row["source"]
    assert row["status"] in STATUS
    expected = float(row["expected"])
    found = float(globals()[row["function"]](**json.loads(row["inputs"])))
    group = f"published: {row['function']}"
    record(group, row["inputs"], found, expected, f"{row['source']} [{row['status']}]")
    assert expected - float(row["below"]) <= found <= expected + float(row["above"]), row["source"]


def test_every_row_of_the_tables_says_what_it_is():
    from gridground.tables import read_table

    for name in ("traffic", "traffic_signs"):
        for row in read_table(name):
            assert row["status"] in {"seen", "from memory", "our judgement"}, row
            assert ("from memory" in row["source"]) or row["status"] != "from memory", row
            assert "MUTCD" in row["source"] or row["status"] == "our judgement", row
