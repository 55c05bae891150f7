"""Tapers, devices, signs and cones of the MUTCD against rows printed in public documents."""

from pathlib import Path

import pytest

from gridground.grounding import traffic
from gridground.units import M_PER_FT, M_PER_IN, M_PER_S_PER_MPH
from tests.published.agreement import check, names_of, rows_of

STATUS = {"published", "rule published, product computed"}
ROWS = rows_of(Path(__file__).parent / "traffic.csv")


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


@pytest.mark.parametrize("row", ROWS, ids=names_of(ROWS))
def test_agrees_with_its_source(row):
    check(row, globals()[row["function"]], STATUS)


def test_every_row_of_the_tables_says_what_it_is():
    from gridground.tables import read_table

    for name in ("traffic", "traffic_signs"):
        for row in read_table(name):
            assert row["status"] in {"seen", "from memory", "our judgement"}, row
            assert ("from memory" in row["source"]) or row["status"] != "from memory", row
            assert "MUTCD" in row["source"] or row["status"] == "our judgement", row
