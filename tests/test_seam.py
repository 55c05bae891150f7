"""Over the meridian of 180 degrees: nothing crosses that does not, and nothing is missed."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

import gridground as gg
from gridground.job import Position, Vehicle
from gridground.territory.frame import wrap_deg
from gridground.territory.layers import Layer
from gridground.territory.seam import all_round, eastward, joined, over_seam, westward

SAMPLE = Path(__file__).parent.parent / "sample_data"


def line(*points):
    return shapely.LineString([(float(wrap_deg(x)), y) for x, y in points])


def layer(*shapes):
    ids = np.array([f"L{k}" for k in range(len(shapes))], object)
    columns = {"line_id": ids}
    stated = {"line_id": np.ones(len(shapes), bool)}
    return Layer("other_lines", columns, stated, np.array(shapes, object))


def test_there_and_back():
    shape = line((179.9, 1), (180.1, 2))
    assert over_seam(shape)
    assert shapely.bounds(eastward(shape)).tolist() == pytest.approx([179.9, 1, 180.1, 2])
    assert westward(eastward(shape)).equals_exact(shape, 1e-9)
    assert not over_seam(line((-0.1, 1), (0.1, 2)))
    assert not over_seam(np.array([None, line((-60, 1), (60, 2))], object))
    assert not over_seam(np.array([], object))
    assert not over_seam(np.array([None], object))
    assert layer().meeting(shape).tolist() == []
    assert all_round(shapely.box(-180, 0, 180, 1))


@pytest.mark.parametrize("x", [0.0, 179.9999, 180.0, -179.9999])
def test_what_crosses_is_a_matter_of_the_ground(x):
    """The same drawing round any meridian: one line crosses, one is beside, one far round."""
    span = [line((x - 0.001, 1), (x, 1)), line((x, 1), (x + 0.001, 1))]
    others = layer(
        line((x + 0.0004, 0.9), (x + 0.0005, 1.1)),
        line((x - 0.0004, 1.1), (x - 0.0005, 0.9)),
        line((x + 0.002, 0.9), (x + 0.002, 1.1)),
        line((x + 0.0009, 1.001), (x - 0.0009, 1.001)),
    )
    assert others.meeting(joined(span)).tolist() == [0, 1]
    assert others.meeting(joined(span), "crosses").tolist() == [0, 1]


@pytest.fixture(scope="module")
def ground():
    return gg.read_territory(SAMPLE / "territory")


def moved(ground, tmp_path, pole_id, to_deg):
    """Return the sample territory turned round the globe until a pole stands at a longitude."""
    point = ground.poles.geometry[ground.poles.index()[pole_id]]
    turn = to_deg - point.x

    def turned(part):
        if isinstance(part[0], int | float):
            return [round(float(wrap_deg(part[0] + turn)), 9), *part[1:]]
        return [turned(one) for one in part]

    there = tmp_path / "territory"
    shutil.copytree(SAMPLE / "territory", there)
    for file in there.glob("*.geojson"):
        document = json.loads(file.read_text(encoding="utf-8"))
        for feature in document["features"]:
            if feature["geometry"]:
                shape = feature["geometry"]
                shape["coordinates"] = turned(shape["coordinates"])
        file.write_text(json.dumps(document), encoding="utf-8")
    return gg.read_territory(there)


@pytest.mark.parametrize(("name", "pole_id"), [("17-riser", "P127"), ("18-crossing", "D203")])
def test_a_whole_plan_is_the_same_over_the_meridian(ground, tmp_path, name, pole_id):
    """Areas and lines lie over it, the worksite on it, the truck beside."""
    job = gg.read_job(SAMPLE / "jobs" / f"{name}.toml")
    place, rod = (Position(pole_id=pole_id, bearing_deg=200.0, distance_m=m) for m in (12.0, 18.0))
    job = replace(job, vehicle=Vehicle(place, rod))

    def told(territory):
        plan = gg.plan_job(territory, job).document
        rods = [row for row in plan["locations"] if row["rod"]]
        return {
            "method": plan["method"],
            "totals": plan["totals"],
            "open": sorted((i["code"], tuple(i["where"])) for i in plan["open_items"]),
            "rods": [(r["pole_id"], round(r["rod"]["distance_m"], 1)) for r in rods],
            "meets": [[m["feature_id"] for m in r["rod"]["meets"]] for r in rods],
            "leads": [(row["size"], row["length_m"]) for row in plan["leads"]],
            "traffic": sorted((r["feature_id"], r["measure"]) for r in plan["traffic"]),
            "approach": [(r.get("circuit_id"), r.get("line_id")) for r in plan["approach"]],
            "worst_v": pytest.approx(plan["worker"]["worst_v"], rel=1e-3),
            "zone_m": pytest.approx(plan["vehicle"]["zone"]["radius_m"], rel=1e-3),
        }

    assert told(moved(ground, tmp_path, pole_id, 180.0)) == told(ground)
