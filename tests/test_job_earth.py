"""Keys of a job about the earth and approach distances: read, refused, held against a territory."""

import dataclasses
from pathlib import Path

import pytest

from gridground.errors import InputError
from gridground.jobfile import check_job, read_job
from gridground.territory.read import read_territory

SMALL = Path(__file__).parent / "networks" / "small"
LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n'
FULL = """
[limits]
worker_limit = "strictest"
approach = { F1 = "2 ft 10 in", T1 = 1.5 }

[rod]
upper_ohm_m = 300
lower_ohm_m = 50
upper_depth = "3 ft"
surface_ohm_m = 3000
surface_depth = "4 in"
measured_ohm = { P2 = 38.0, P4 = 120 }
"""


def read(tmp_path, text):
    path = tmp_path / "job.toml"
    path.write_text(LEAST + text, encoding="utf-8")
    return read_job(path)


def test_the_keys_are_read_in_si(tmp_path):
    """Expected: arithmetic, 1 ft = 0.3048 m, 1 in = 0.0254 m exactly."""
    job = read(tmp_path, FULL)
    assert job.limits.approach_m == {"F1": pytest.approx(34 * 0.0254), "T1": 1.5}
    rod = job.rod
    assert (rod.upper_ohm_m, rod.lower_ohm_m) == (300, 50)
    assert rod.upper_depth_m == pytest.approx(0.9144)
    assert (rod.surface_ohm_m, rod.surface_depth_m) == (3000, pytest.approx(0.1016))
    assert rod.measured_ohm == {"P2": 38.0, "P4": 120.0}
    assert rod.resistivity_ohm_m is None
    assert job.limits.worker_limit == "strictest"


def test_absent_keys_ask_for_nothing(tmp_path):
    job = read(tmp_path, "")
    assert job.limits.approach_m == job.rod.measured_ohm == {}
    layers = (job.rod.upper_ohm_m, job.rod.lower_ohm_m, job.rod.upper_depth_m)
    assert (*layers, job.rod.surface_ohm_m, job.rod.surface_depth_m) == (None,) * 5
    assert job.assumed["worker_limit"][0] == "strictest"


@pytest.mark.parametrize(
    ("text", "feet", "inches"),
    [("2 ft 10 in", 2, 10), ("2ft 0 in", 2, 0), ("3 ft 1.5 in", 3, 1.5), ("3 ft", 3, 0)],
)
def test_feet_and_inches(tmp_path, text, feet, inches):
    job = read(tmp_path, f'[limits]\napproach = {{ F1 = "{text}" }}\n')
    assert job.limits.approach_m["F1"] == pytest.approx((12 * feet + inches) * 0.0254)


BAD = [
    ("[rod]\nmeasured_ohm = 38", "rod.measured_ohm", "id of the pole"),
    ("[rod]\nmeasured_ohm = { P2 = 0 }", "rod.measured_ohm", "'P2', 0: write a number, 0.01 to"),
    ("[rod]\nmeasured_ohm = { P2 = -38 }", "rod.measured_ohm", "write a number"),
    ('[rod]\nmeasured_ohm = { P2 = "38" }', "rod.measured_ohm", "write a number"),
    ("[rod]\nmeasured_ohm = { P2 = nan }", "rod.measured_ohm", "write a number"),
    ("[rod]\nmeasured_ohm = { P2 = true }", "rod.measured_ohm", "write a number"),
    ('[rod]\nmeasured_ohm = { " P2" = 38 }', "rod.measured_ohm", "name the pole by its id"),
    ("[rod]\nmeasured_om = { P2 = 38 }", "rod.measured_om", "did you mean 'measured_ohm'?"),
    ("[rod]\nsurface_ohm_m = 3000", "rod.surface_depth", "together, or none"),
    ("[rod]\nsurface_depth = 0.1", "rod.surface_ohm_m", "together, or none"),
    ("[rod]\nsurface_ohm_m = 0\nsurface_depth = 0.1", "rod.surface_ohm_m", "write a number, 1 to"),
    ("[rod]\nsurface_ohm_m = 9\nsurface_depth = 4", "rod.surface_depth", "from 0.03 to 0.3 m"),
    (
        "[rod]\nupper_ohm_m = 1\nlower_ohm_m = 0\nupper_depth = 1",
        "rod.lower_ohm_m",
        "write a number",
    ),
    ("[rod]\nupper_ohm_m = 1\nlower_ohm_m = 1\nupper_depth = 0", "rod.upper_depth", "from 0.05"),
    ("[limits]\napproach = 3", "limits.approach", "id of the circuit or line"),
    ("[limits]\napproach = { F1 = 0 }", "limits.approach", "'F1', 0: write metres"),
    ("[limits]\napproach = { F1 = -1 }", "limits.approach", "write metres"),
    ('[limits]\napproach = { F1 = "2 ft 12 in" }', "limits.approach", "fewer than 12 inches"),
    ('[limits]\napproach = { F1 = "10 in 2 ft" }', "limits.approach", "write metres"),
    ('[limits]\napproach = { F1 = "99 ft 0 in" }', "limits.approach", "from 0.3 to 30 m"),
    ('[limits]\nworker_limit = "strict"', "limits.worker_limit", "strictest; or a voltage"),
]


@pytest.mark.parametrize("case", BAD, ids=lambda c: c[0][:40])
def test_what_cannot_be_is_refused(tmp_path, case):
    text, field, words = case
    with pytest.raises(InputError) as refused:
        read(tmp_path, text)
    (problem,) = refused.value.problems
    assert (problem.level, problem.layer, problem.field) == ("reject", "job", field)
    assert words in problem.remedy


def test_a_part_of_the_layers_names_what_is_missing(tmp_path):
    with pytest.raises(InputError) as refused:
        read(tmp_path, "[rod]\nupper_ohm_m = 100")
    fields = [problem.field for problem in refused.value.problems]
    assert fields == ["rod.lower_ohm_m", "rod.upper_depth"]


@pytest.fixture(scope="module")
def territory():
    return read_territory(SMALL)


def test_ids_are_held_against_the_territory(tmp_path, territory):
    assert check_job(read(tmp_path, FULL), territory) == ()
    wrong = FULL.replace("P4 = 120", "P44 = 120").replace("T1 = 1.5", "T2 = 1.5, P3 = 2")
    by_field = {p.field: p for p in check_job(read(tmp_path, wrong), territory)}
    assert set(by_field) == {"rod.measured_ohm", "limits.approach"}
    assert by_field["rod.measured_ohm"].feature_ids == ("P44",)
    assert "did you mean" in by_field["rod.measured_ohm"].remedy
    assert by_field["limits.approach"].feature_ids == ("T2", "P3")
    assert all(problem.level == "reject" for problem in by_field.values())


def test_a_territory_without_other_lines(tmp_path, territory):
    layers = {name: layer for name, layer in territory.layers.items() if name != "other_lines"}
    bare = dataclasses.replace(territory, layers=layers)
    (problem,) = check_job(read(tmp_path, FULL), bare)
    assert (problem.field, problem.feature_ids) == ("limits.approach", ("T1",))
