"""What comes in from outside keeps a plan from being ready: current, time, and what is not known.

The sample territory with one thing changed. Each of these plans came out ready before its gate was
there.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import gridground as gg
from gridground.electrical.tolerable import limit_v
from gridground.errors import NoPlanError
from gridground.grounding.rating import lead_rating_a

SAMPLE = Path(__file__).parent.parent / "sample_data"
M_PER_DEG = 111_320.0


def plan(folder, name, **changes):
    """Plan a sample job, some of its fields changed."""
    job = gg.read_job(SAMPLE / "jobs" / f"{name}.toml")
    return gg.plan_job(gg.read_territory(folder), replace(job, **changes))


@pytest.fixture
def edit(tmp_path):
    """Return a function that edits a copy of the territory."""
    folder = tmp_path / "territory"
    shutil.copytree(SAMPLE / "territory", folder)

    def apply(layer, change):
        file = folder / f"{layer}.geojson"
        data = json.loads(file.read_text(encoding="utf-8"))
        change(data["features"])
        file.write_text(json.dumps(data), encoding="utf-8")
        return folder

    return apply


def setting(key, name, **values):
    """Return a change of one feature; a value of `...` takes the key away."""

    def change(features):
        for feature in features:
            if feature["properties"][key] == name:
                for column, value in values.items():
                    if value is ...:
                        feature["properties"].pop(column, None)
                    else:
                        feature["properties"][column] = value

    return change


def beside(fault_a, clearing_s):
    """Return a change that adds a line 12 m beside Q212-Q214."""
    poles = json.loads((SAMPLE / "territory" / "poles.geojson").read_text(encoding="utf-8"))
    at = {f["properties"]["pole_id"]: f["geometry"]["coordinates"] for f in poles["features"]}
    line = [[at[p][0], at[p][1] + 12.0 / M_PER_DEG] for p in ("Q212", "Q214")]
    row = {"line_id": "X1", "nominal_kv": 115, "state": "energized", "load_a": 300, "height_m": 12}
    row |= {"fault_a": fault_a, "clearing_s": clearing_s}
    geometry = {"type": "LineString", "coordinates": line}
    feature = {"type": "Feature", "geometry": geometry, "properties": row}
    return lambda features: features.append(feature)


def failed(found, code):
    return [check for check in found["checks"] if check["code"] == code and not check["passed"]]


def codes(found):
    return {item["code"] for item in found["open_items"]}


def test_a_falling_line_that_melts_a_lead_is_no_ready_plan(edit):
    found = plan(edit("other_lines", beside(25_000, 0.5)), "01-straight")
    assert not found.ready
    over = failed(found, "lead_event")
    assert any("X1" in check["where"] for check in over)
    solved = {lead["lead_id"]: lead["solved_a"] for lead in found["leads"]}
    assert max(solved.values()) > 15_000
    assert max(check["value"] for check in over) == pytest.approx(max(solved.values()))


def test_a_small_falling_line_leaves_the_plan_ready(edit):
    found = plan(edit("other_lines", beside(1_000, 0.5)), "01-straight")
    assert not failed(found, "lead_event")
    assert found.ready


def test_the_time_of_the_line_counts_for_the_heat(edit):
    short = plan(edit("other_lines", beside(5_000, 0.5)), "01-straight", kit=None)
    assert not failed(short, "lead_event")
    edit("other_lines", lambda features: features.pop())
    found = plan(edit("other_lines", beside(5_000, 9.0)), "01-straight", kit=None)
    over = failed(found, "lead_event")
    carried = lead_rating_a("2", 9.0, 30.0, basis="withstand", parallel=1, frequency_hz=60)
    assert over
    assert over[0]["limit"] == pytest.approx(carried, rel=1e-5)


def test_a_hot_lead_is_studied_hot(edit):
    cold = plan(SAMPLE / "territory", "01-straight", kit=None)
    hot = plan(edit("other_lines", beside(10_000, 0.5)), "01-straight", kit=None)
    before = {lead["lead_id"]: lead["resistance_ohm"] for lead in cold["leads"]}
    after = {lead["lead_id"]: lead["resistance_ohm"] for lead in hot["leads"]}
    assert any(after[k] > 1.1 * before[k] for k in before)


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"fault_a": 1400, "nominal_kv": None}, "event_unknown"),
        ({"fault_a": 1400, "clearing_s": ...}, "event_time_unknown"),
        ({"fault_a": 30}, "data_other_lines"),
        ({"fault_a": 1400, "clearing_s": 0.001}, "data_other_lines"),
    ],
)
def test_what_is_not_known_or_doubtful_of_a_crossing_line_is_open(edit, values, code):
    found = plan(edit("other_lines", setting("line_id", "T115", **values)), "18-crossing")
    assert code in codes(found)
    assert not found.ready


def test_a_time_beyond_the_rule_names_its_line(edit):
    folder = edit("other_lines", setting("line_id", "T115", clearing_s=3600))
    with pytest.raises(NoPlanError, match="clearing_s of T115"):
        plan(folder, "18-crossing", method="single-point")


def test_a_job_that_names_blocked_reclosing_names_all_of_it(edit):
    protection = {"kind": "relay", "curve": "IEEE VI", "pickup_a": 400, "time_dial": 0.3,
                  "breaker_s": 0.083}  # fmt: skip
    folder = edit("circuits", setting("circuit_id", "WB1", protection=protection))
    assert plan(folder, "05-four-way").ready
    found = plan(folder, "05-four-way", reclosing_blocked=("RC-WD1",))
    items = [item for item in found["open_items"] if item["code"] == "reclosing_not_stated"]
    assert ["WB1"] in [item["where"] for item in items]


def test_a_second_source_does_not_hide_a_recloser(edit):
    fixed = {"protection": None, "clearing_s": 0.4, "backup_clearing_s": 0.5}
    for name in ("WB1", "WB2"):
        edit("circuits", setting("circuit_id", name, **fixed))
    folder = edit("devices", setting("device_id", "TIE1", state="closed"))
    found = plan(folder, "18-crossing", worksite_poles=("D209",), reclosing_blocked=("WB1",))
    [item] = [i for i in found["open_items"] if i["code"] == "joined_sources"][:1]
    assert "RC-D" in item["what"]


@pytest.mark.parametrize("body_ohm", [200.0, 300.0, 500.0, 1000.0])
def test_the_strictest_limit_never_rises_with_time(body_ohm):
    volts = [
        limit_v("strictest", duration_s=float(t), body_ohm=body_ohm).volts
        for t in np.geomspace(0.01, 10.0, 400)
    ]
    assert (np.diff(volts) <= 1e-9).all()


def test_a_limit_above_every_rule_is_open():
    job = gg.read_job(SAMPLE / "jobs" / "01-straight.toml")
    limits = replace(job.limits, worker_limit=1000.0)
    found = plan(SAMPLE / "territory", "01-straight", limits=limits)
    assert "limit_unusual" in codes(found)
