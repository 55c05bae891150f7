"""The sample data: made again byte for byte, readable, and each job the situation it claims."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import shapely

from gridground.errors import NoPlanError
from gridground.grounding.poletop import read_pole_top
from gridground.jobfile import check_job, read_job
from gridground.territory.frame import Frame
from gridground.territory.network import Network
from gridground.territory.read import judge_territory
from gridground.territory.ways import find_zone

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_data"
JOBS = sorted((SAMPLE / "jobs").glob("*.toml"))
# Independent: counted on the drawing, poles at the far end of each way out.
WAYS = {
    "straight-01": "Q212 Q214",
    "one-phase-02": "L106 L108",
    "two-phase-03": "L205 L207",
    "t-junction-04": "D201 P135 P137",
    "four-way-05": "P123 P125 V41 V51",
    "dead-end-06": "V57",
    "four-poles-07": "Q236 Q241",
    "gang-switch-08": "P149 P151",
    "double-circuit-09": "P104 P106",
    "no-rod-place-10": "P112 P114",
    "steel-11": "Q223 Q225",
    "delta-12": "W106 W108",
    "open-items-13": "P160 P162",
    "refused-14": "L303 L305",
    "mid-span-15": "Q228 Q229",
    "small-neutral-16": "V62 V64",
    "riser-17": "P126 P128 U301",
    "crossing-18": "D202 D204",
    "employer-rules-19": "P138 P140",
    "cut-20": "P153 P155",
}


@pytest.fixture(scope="module")
def judged():
    return judge_territory(SAMPLE / "territory")


@pytest.fixture(scope="module")
def network(judged):
    return Network.build(judged.territory)


def features(layer):
    text = (SAMPLE / "territory" / f"{layer}.geojson").read_text(encoding="utf-8")
    return json.loads(text)["features"]


def plane(around, kinds):
    """Surroundings of some kinds in metres round a pole."""
    poles = {f["properties"]["pole_id"]: f["geometry"]["coordinates"] for f in features("poles")}
    frame = Frame(*poles[around])
    chosen = [f for f in features("surroundings") if f["properties"]["kind"] in kinds]
    shapes = [shapely.geometry.shape(f["geometry"]) for f in chosen]
    near = [s for s in shapes if s.distance(shapely.Point(poles[around])) < 0.001]
    return shapely.union_all([frame.to_xy(s) for s in near]), frame


def test_made_again_byte_for_byte(tmp_path):
    maker = ROOT / "tests" / "sample_data_maker.py"
    subprocess.run([sys.executable, str(maker), "--to", str(tmp_path)], check=True, timeout=120)
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(SAMPLE): p.read_bytes() for p in SAMPLE.rglob("*") if p.is_file()}
    assert sorted(made) == sorted(kept)
    changed = [str(name) for name in made if made[name] != kept[name]]
    assert changed == []
    assert sum(map(len, kept.values())) < 1_000_000


def test_only_the_intended_findings(judged):
    assert judged.ok
    found = [(p.level, p.layer, p.field) for p in judged.problems]
    assert found == [("open item", "spans", "neutral_conductor"), ("note", "devices", "state")]
    assert set(judged.problems[0].feature_ids) == {f"WB2-L30{n}" for n in range(1, 9)}
    assert judged.problems[1].feature_ids == ("TIE1",)
    assert 250 <= judged.rows["poles"] <= 400


def test_spans_end_on_their_poles():
    at = {f["properties"]["pole_id"]: f["geometry"]["coordinates"] for f in features("poles")}
    for span in features("spans"):
        row, line = span["properties"], span["geometry"]["coordinates"]
        assert list(line[0]) == at[row["from_pole"]]
        assert list(line[-1]) == at[row["to_pole"]]


def test_no_pole_on_a_road_or_in_a_building():
    poles = [shapely.geometry.shape(f["geometry"]) for f in features("poles")]
    kinds = {"road", "building", "water", "sidewalk", "driveway", "rock", "no_entry"}
    for feature in features("surroundings"):
        if feature["properties"]["kind"] in kinds:
            shape = shapely.geometry.shape(feature["geometry"])
            assert not shapely.intersects(shape, poles).any(), feature["properties"]


@pytest.mark.parametrize("path", JOBS, ids=lambda path: path.stem)
def test_job_is_complete_and_names_what_is_there(path, judged):
    job = read_job(path)
    assert check_job(job, judged.territory) == ()
    assert job.assumed == {}
    number, _, words = path.stem.partition("-")
    assert job.job_id == f"{words}-{number}"
    stated = set(tomllib.loads(path.read_text(encoding="utf-8")))
    left_out = {"locate_ticket", "sources_opened"} - stated
    assert left_out == ({"locate_ticket", "sources_opened"} if number == "13" else set())


@pytest.mark.parametrize("path", JOBS, ids=lambda path: path.stem)
def test_ways_out_are_those_of_the_drawing(path, network):
    job = read_job(path)
    zone = find_zone(network, job)
    assert sorted(zone.pole_id(way.far) for way in zone.ways) == WAYS[job.job_id].split()


def test_every_job_has_its_ways_listed():
    assert {read_job(path).job_id for path in JOBS} == set(WAYS)


def test_lateral_of_unknown_neutral_is_refused(network):
    pole = network.pole_row["L304"]
    spans = network.spans_at(pole)
    with pytest.raises(NoPlanError, match="whether span WB2-L304 has a neutral"):
        read_pole_top(network, pole, spans, split=True, worked=spans)


def test_no_ground_to_drive_a_rod_in_reach_of_p114():
    """P114 stands in paving that ends at its fence and, without a gap, in the road."""
    paved, frame = plane("P114", {"paved"})
    assert paved.area > 0
    fences = [f for f in features("surroundings") if f["properties"]["name"] == "grain store fence"]
    roads = [f for f in features("surroundings") if f["properties"]["name"] == "Ridge Road"]
    fence = frame.to_xy(shapely.geometry.shape(fences[0]["geometry"]))
    road = frame.to_xy(shapely.geometry.shape(roads[0]["geometry"]))
    walls = shapely.union(shapely.buffer(fence, 1.5), road)
    reach = shapely.difference(shapely.buffer(shapely.Point(0, 0), 60), walls)
    around = [part for part in shapely.get_parts(reach) if part.contains(shapely.Point(0, 0))]
    assert len(around) == 1
    assert paved.covers(around[0])


def test_territory_holds_every_kind_of_situation():
    poles = {f["properties"]["material"] for f in features("poles")}
    assert poles == {"wood", "steel", "concrete", "composite", "pad"}
    kinds = {f["properties"]["kind"] for f in features("spans")}
    assert kinds == {"overhead", "cable", "link"}
    phases = {"".join(sorted(f["properties"]["phases"])) for f in features("spans")}
    assert {"ABC", "AC", "AB", "A", "B", "C"} <= phases
    devices = {f["properties"]["kind"] for f in features("devices")}
    assert len(devices) == 7
    equipment = {f["properties"]["kind"] for f in features("equipment")}
    assert len(equipment) == 8
    surroundings = {f["properties"]["kind"] for f in features("surroundings")}
    assert len(surroundings) == 16
