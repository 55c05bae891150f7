"""Job files: what is read, what is assumed, what is refused, and a job against a territory."""

import csv
import dataclasses
import hashlib
import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gridground.errors import InputError
from gridground.jobfile import check_job, read_job
from gridground.territory.read import read_territory

SMALL = Path(__file__).parent / "networks" / "small"
TABLES = Path(__file__).parent.parent / "gridground" / "tables"

FULL = """
job_id = "J-7"
title = "Replace pole P3"
circuit_ids = ["F1"]
worksite_poles = ["P3", 4]
method = "single-point"
work_position = "aerial lift"
open_conductor = ["A", "C"]
locate_ticket = "T 12"
sources_opened = ["D1"]
isolated_equipment = ["E1"]

[limits]
rod_setback = "15 ft"
cone_radius = 3
cone_spacing = "72 in"
bracket_max_spans = 2
bracket_max_distance = "0.1 mi"
fault_growth_ratio = 1.1
clearing = "primary"
body_ohm = 500
worker_limit = "75 V"
lead_minimum = "1/0"
lead_sizes = ["4/0", "1/0", "70 mm2"]
lead_basis = "ultimate"
parallel_max = 1
lead_slack_ratio = 1.25
lead_length_step = "1 m"
bar_below = "1.5 m"
locate_tolerance = "18 in"
vehicle_clearance = "25 ft"
vehicle_rod_distance = 4
ground_slope_max_ratio = 0.4
clearance = { buried_gas = "3 ft", tree = 0 }

[rod]
length = "8 ft"
diameter = "0.75 in"
resistivity_ohm_m = 250

[kit]
leads = [
  { lead_id = "L1", size = "2/0", length = "15 ft", clamps = "C-type", tested_on = 2025-02-28 },
  { lead_id = 2, size = "4/0", length = 4.5 },
]
rods = 2
cluster_bars = 0
"""
LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n'


def table(name):
    text = (TABLES / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def write(tmp_path, text, name="job.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(path):
    with pytest.raises(InputError) as error:
        read_job(path)
    assert {(p.level, p.layer) for p in error.value.problems} == {("reject", "job")}
    assert all(p.remedy for p in error.value.problems)
    return error.value.problems


def test_a_full_job_is_read_in_si(tmp_path):
    """Expected: arithmetic, 1 ft = 0.3048 m, 1 in = 0.0254 m, 1 mi = 1609.344 m exactly."""
    path = write(tmp_path, FULL)
    job = read_job(path)
    assert (job.job_id, job.title, job.method) == ("J-7", "Replace pole P3", "single-point")
    assert (job.circuit_ids, job.worksite_poles, job.worksite_span) == (("F1",), ("P3", "4"), None)
    assert (job.work_position, job.open_conductor) == ("aerial lift", ("A", "C"))
    assert (job.locate_ticket, job.sources_opened) == ("T 12", ("D1",))
    assert job.isolated_equipment == ("E1",)
    limits = dataclasses.asdict(job.limits)
    clearance_m = limits.pop("clearance_m")
    assert limits.pop("approach_m") == {}
    assert (limits.pop("lead_lengths_m"), limits.pop("lead_test_interval")) == ((), None)
    assert limits == {
        "rod_setback_m": pytest.approx(4.572),
        "cone_radius_m": 3.0,
        "cone_spacing_m": pytest.approx(1.8288),
        "bracket_max_spans": 2,
        "bracket_max_distance_m": pytest.approx(160.9344),
        "fault_growth_ratio": 1.1,
        "clearing": "primary",
        "body_ohm": 500.0,
        "worker_limit": 75.0,
        "lead_minimum": "1/0",
        "lead_sizes": ("1/0", "70 mm2", "4/0"),  # by area: 53.5, 70 and 107 mm²
        "lead_basis": "ultimate",
        "parallel_max": 1,
        "lead_slack_ratio": 1.25,
        "lead_length_step_m": 1.0,
        "bar_below_m": 1.5,
        "locate_tolerance_m": pytest.approx(0.4572),
        "vehicle_clearance_m": pytest.approx(7.62),
        "vehicle_rod_distance_m": 4.0,
        "ground_slope_max_ratio": 0.4,
    }
    assert clearance_m["buried_gas"] == pytest.approx(0.9144)
    assert clearance_m["tree"] == 0
    assert (job.rod.length_m, job.rod.diameter_m) == (pytest.approx(2.4384), pytest.approx(0.01905))
    assert job.rod.resistivity_ohm_m == 250
    assert [dataclasses.astuple(lead) for lead in job.kit.leads] == [
        ("L1", "2/0", pytest.approx(4.572), "C-type", "2025-02-28", None, None),
        ("2", "4/0", 4.5, "", None, None, None),
    ]
    assert (job.kit.rods, job.kit.cluster_bars) == (2, 0)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    assert job.input == {"layer": "job", "sha256": sha256, "rows": 1, "date": None}
    stated = {"buried_gas", "tree"}
    assert set(job.assumed) == {f"clearance.{kind}" for kind in clearance_m if kind not in stated}


def test_what_is_not_stated_comes_from_the_tables_with_its_source(tmp_path):
    job = read_job(write(tmp_path, LEAST))
    rows = table("limits")
    clearances = table("clearances")
    for row in rows:
        printed, source = job.assumed[row["key"]]
        assert source == row["source"]
        assert printed.replace(", ", ";") == row["default"]
    for row in clearances:
        assert job.assumed[f"clearance.{row['kind']}"][1] == row["source"]
        assert job.limits.clearance_m[row["kind"]] == float(row["clearance_m"])
    others = {"method", "work_position", "rod.length", "rod.diameter"}
    assert len(job.assumed) == len(rows) + len(clearances) + len(others)
    assert others <= set(job.assumed)
    assert all(source for _, source in job.assumed.values())
    assert job.limits.rod_setback_m == pytest.approx(15 * 0.3048)
    assert job.limits.lead_sizes == ("2", "1/0", "2/0", "4/0")


def test_what_is_unknown_stays_unknown(tmp_path):
    job = read_job(write(tmp_path, LEAST))
    assert (job.sources_opened, job.locate_ticket, job.kit) == (None, None, None)
    assert job.rod.resistivity_ohm_m is None
    assert (job.open_conductor, job.isolated_equipment) == ((), ())
    job = read_job(write(tmp_path, LEAST + "sources_opened = []\n"))
    assert job.sources_opened == ()


def test_json_says_the_same_as_toml(tmp_path):
    import tomllib

    document = tomllib.loads(FULL)
    document["kit"]["leads"][0]["tested_on"] = "2025-02-28"
    one = read_job(write(tmp_path, FULL))
    two = read_job(write(tmp_path, json.dumps(document), "job.json"))
    assert dataclasses.replace(one, input={}) == dataclasses.replace(two, input={})


def test_worksite_span(tmp_path):
    text = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_span = "S2"\n'
    job = read_job(write(tmp_path, text))
    assert (job.worksite_poles, job.worksite_span) == ((), "S2")


BAD = [  # what is added to the least job, field, words
    ('methd = "auto"', "methd", "did you mean 'method'?"),
    ('method = "both"', "method", "use one of: auto, dual-point, single-point"),
    ("method = true", "method", "use one of"),
    ('work_position = "ladder"', "work_position", "aerial lift"),
    ('worksite_span = "S1"', "worksite_span", "state one of the two"),
    ('open_conductor = ["D"]', "open_conductor", "list of conductors"),
    ('open_conductor = ["A", "A"]', "open_conductor", "name each conductor once"),
    ('open_conductor = "A"', "open_conductor", "write a list"),
    ('locate_ticket = ""', "locate_ticket", "write text"),
    ("locate_ticket = 12", "locate_ticket", "write text"),
    ('title = "a\\u202eb"', "title", "direction-changing"),
    (f'title = "{"a" * 2001}"', "title", "longer than 2,000"),
    ('sources_opened = "D1"', "sources_opened", "write a list of ids"),
    ('sources_opened = ["D1", "D1"]', "sources_opened", "name each id once"),
    ('sources_opened = [" D1"]', "sources_opened", "blank at an end"),
    ("sources_opened = [1.5]", "sources_opened", "entry 1, 1.5: is no id"),
    ("sources_opened = [true]", "sources_opened", "entry 1, true: is no id"),
    ("limits = 3", "limits", "write [limits] and its keys"),
    ("kit = []", "kit", "write [kit] and its keys"),
    ("[limits]\nrod_setback = 0", "limits.rod_setback", "above 0"),
    ("[limits]\nrod_setback = -3", "limits.rod_setback", "above 0"),
    ("[limits]\nrod_setback = nan", "limits.rod_setback", "write metres"),
    ("[limits]\nrod_setback = inf", "limits.rod_setback", "write metres"),
    ("[limits]\nrod_setback = true", "limits.rod_setback", "write metres"),
    ('[limits]\nrod_setback = "15"', "limits.rod_setback", "a unit such as"),
    ('[limits]\nrod_setback = "15 furlongs"', "limits.rod_setback", "a unit such as"),
    ('[limits]\nrod_setback = "-15 ft"', "limits.rod_setback", "above 0"),
    ('[limits]\nrod_setback = "1e999 ft"', "limits.rod_setback", "a unit such as"),
    (f"[limits]\nrod_setback = 1{'0' * 400}", "limits.rod_setback", "write metres"),
    ('[limits]\nrod_setbak = "15 ft"', "limits.rod_setbak", "did you mean 'rod_setback'?"),
    ("[limits]\nbracket_max_spans = 0", "limits.bracket_max_spans", "whole number"),
    ("[limits]\nbracket_max_spans = 1.5", "limits.bracket_max_spans", "whole number"),
    ("[limits]\nbracket_max_spans = true", "limits.bracket_max_spans", "whole number"),
    ("[limits]\nfault_growth_ratio = 0.9", "limits.fault_growth_ratio", "1 to 10"),
    ('[limits]\nclearing = "fast"', "limits.clearing", "use one of: backup, primary"),
    ("[limits]\nbody_ohm = 0", "limits.body_ohm", "200 to 10,000"),
    ('[limits]\nbody_ohm = "1000"', "limits.body_ohm", "write a number"),
    ('[limits]\nworker_limit = "OSHA"', "limits.worker_limit", "DOE-HDBK-1092"),
    ("[limits]\nworker_limit = 0", "limits.worker_limit", "or a voltage"),
    ("[limits]\nworker_limit = -75", "limits.worker_limit", "or a voltage"),
    ("[limits]\nworker_limit = true", "limits.worker_limit", "or a voltage"),
    ("[limits]\nworker_limit = [75]", "limits.worker_limit", "or a voltage"),
    ('[limits]\nlead_minimum = "4"', "limits.lead_minimum", "4 has 21.1 mm², AWG 2 33.6 mm²"),
    ('[limits]\nlead_minimum = "#2"', "limits.lead_minimum", "as the bare number"),
    ('[limits]\nlead_minimum = "25 mm2"', "limits.lead_minimum", "AWG 2 copper (29 CFR"),
    ("[limits]\nlead_minimum = 2", "limits.lead_minimum", "write a size as text"),
    ('[limits]\nlead_sizes = ["9/0"]', "limits.lead_sizes", "'9/0' is not a lead size"),
    ("[limits]\nlead_sizes = []", "limits.lead_sizes", "write a list of sizes"),
    ('[limits]\nlead_sizes = "2/0"', "limits.lead_sizes", "write a list of sizes"),
    ('[limits]\nlead_sizes = ["2", "2"]', "limits.lead_sizes", "name each size once"),
    ('[limits]\nlead_sizes = ["2"]\nlead_minimum = "2/0"', "limits.lead_sizes", "large enough"),
    ('[limits]\nlead_basis = "best"', "limits.lead_basis", "withstand, ultimate"),
    ("[limits]\nparallel_max = 0", "limits.parallel_max", "whole number, 1 to"),
    ("[limits]\nlead_slack_ratio = 0.5", "limits.lead_slack_ratio", "1 to 5"),
    ("[limits]\nclearance = 3", "limits.clearance", "write [clearance]"),
    ("[limits]\nclearance = { buried_gaz = 1 }", "limits.clearance.buried_gaz", "'buried_gas'"),
    ("[limits]\nclearance = { tree = -1 }", "limits.clearance.tree", "from 0 to"),
    ("[rod]\nlength = 0", "rod.length", "from 0.3 to 30 m"),
    ("[rod]\ndiameter = 16", "rod.diameter", "from 0.005 to 0.2 m"),
    ("[rod]\nresistivity_ohm_m = 0", "rod.resistivity_ohm_m", "write a number"),
    ('[rod]\nresistivity_ohm_m = "wet"', "rod.resistivity_ohm_m", "write a number"),
    ("[rod]\nlenght = 2", "rod.lenght", "did you mean 'length'?"),
    ("[kit]\nrods = -1", "kit.rods", "whole number"),
    ("[kit]\nrods = 1.0", "kit.rods", "whole number"),
    ("[kit]\nleads = 3", "kit.leads", "write one"),
    ("[kit]\nleads = [3]", "kit.leads[1]", "write {"),
    ('[kit]\nleads = [{ size = "2", length = 3 }]', "kit.leads[1].lead_id", "state it"),
    ('[kit]\nleads = [{ lead_id = "a", length = 3 }]', "kit.leads[1].size", "state it"),
    ('[kit]\nleads = [{ lead_id = "a", size = "2" }]', "kit.leads[1].length", "state it"),
    (
        '[kit]\nleads = [{ lead_id = "a", size = "2", length = 3, tested_on = "May" }]',
        "kit.leads[1].tested_on",
        "write a date",
    ),
    (
        '[kit]\nleads = [{ lead_id = "a", size = "2", length = 3, colour = "red" }]',
        "kit.leads[1].colour",
        "leave it out",
    ),
    (
        '[kit]\nleads = [{ lead_id = "a", size = "2", length = 3 },'
        ' { lead_id = "a", size = "2", length = 3 }]',
        "kit.leads",
        "give each lead its own id",
    ),
]


@pytest.mark.parametrize("case", BAD, ids=lambda c: c[0][:40])
def test_bad_value(tmp_path, case):
    text, field, words = case
    (problem,) = refused(write(tmp_path, LEAST + text))
    assert problem.field == field
    assert words in f"{problem.found}. {problem.remedy}"


@pytest.mark.parametrize("key", ["job_id", "circuit_ids", "worksite_poles"])
def test_required_key(tmp_path, key):
    text = "\n".join(line for line in LEAST.splitlines() if not line.startswith(key))
    (problem,) = refused(write(tmp_path, text))
    assert (problem.field, problem.found) == (key, "missing")


@pytest.mark.parametrize(
    "job_id", ["", "a b", "-a", "ä", "a/b", "../a", "a" * 65, 7, "CON", "lpt1"]
)
def test_job_id_rule(tmp_path, job_id):
    text = LEAST.replace('"J"', json.dumps(job_id), 1)
    (problem,) = refused(write(tmp_path, text))
    assert problem.field == "job_id"


def test_all_problems_come_at_once(tmp_path):
    text = 'job_id = "a b"\nfoo = 1\n[limits]\nbody_ohm = -1\n[kit]\nrods = "two"\n'
    fields = [problem.field for problem in refused(write(tmp_path, text))]
    assert sorted(fields) == sorted(
        ["job_id", "circuit_ids", "worksite_poles", "limits.body_ohm", "kit.rods", "foo"]
    )


BROKEN = [
    ("job.toml", "job_id = ", "broken TOML"),
    ("job.toml", 'job_id = "a"\njob_id = "b"\n', "broken TOML"),
    ("job.toml", "x = " + "[" * 5000, "broken TOML"),
    ("job.json", '{"job_id": "a", "job_id": "b"}', "stands twice in one object"),
    ("job.json", '{"limits": {"body_ohm": NaN}}', "broken JSON"),
    ("job.json", "[]", "is not an object"),
    ("job.json", "[" * 5000, "nested deeper"),
    ("job.yaml", "job_id: a", "is neither .toml nor .json"),
]


@pytest.mark.parametrize(("name", "text", "words"), BROKEN)
def test_broken_file(tmp_path, name, text, words):
    (problem,) = refused(write(tmp_path, text, name))
    assert words in problem.found


def test_files_that_cannot_be_read(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path / "\0.toml", tmp_path / ("x" * 5000 + ".toml")):
        refused(path)
    (tmp_path / "bad.toml").write_bytes(b'job_id = "\xff"')
    assert "is not UTF-8" in refused(tmp_path / "bad.toml")[0].found
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    assert refused(tmp_path / "big.toml")[0].found == "larger than 1 MB"


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
KEYS = ["job_id", "title", "circuit_ids", "worksite_poles", "method", "limits", "rod", "kit",
        "open_conductor", "sources_opened"]  # fmt: skip


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.sampled_from(KEYS), JUNK)
def test_junk_is_read_or_refused(tmp_path, key, junk):
    document = {"job_id": "J", "circuit_ids": ["F1"], "worksite_poles": ["P3"], key: junk}
    path = tmp_path / "job.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    try:
        read_job(path)
    except InputError as error:
        for problem in error.problems:
            assert problem.sentence().isprintable()


# ------------------------------------------------------------------ against a territory


@pytest.fixture(scope="module")
def territory():
    return read_territory(SMALL)


@pytest.fixture
def job(tmp_path):
    return read_job(write(tmp_path, LEAST))


def test_reclosing_blocked_is_a_list_of_ids_or_unknown(tmp_path, job):
    assert job.reclosing_blocked is None
    for text, blocked in (("[]", ()), ('["F1", "D1"]', ("F1", "D1"))):
        found = read_job(write(tmp_path, f"reclosing_blocked = {text}\n{LEAST}"))
        assert found.reclosing_blocked == blocked
    for text in ('"D1"', '["D1", "D1"]', "[true]"):
        with pytest.raises(InputError, match="reclosing_blocked"):
            read_job(write(tmp_path, f"reclosing_blocked = {text}\n{LEAST}"))


def test_a_job_that_names_what_is_there(job, territory):
    job = dataclasses.replace(job, reclosing_blocked=("D1", "F1"))
    job = dataclasses.replace(job, sources_opened=("D1",), isolated_equipment=("E1", "E2"))
    assert check_job(job, territory) == ()


ABSENT = [
    ({"circuit_ids": ("f1",)}, "circuit_ids", ("f1",), "did you mean 'F1'?"),
    ({"worksite_poles": ("P3", "P33")}, "worksite_poles", ("P33",), "did you mean"),
    ({"worksite_poles": ("zzz", "yyy")}, "worksite_poles", ("zzz", "yyy"), "correct the id"),
    ({"worksite_poles": (), "worksite_span": "s2"}, "worksite_span", ("s2",), "'S2'"),
    ({"sources_opened": ("D1 ", "D1")}, "sources_opened", ("D1 ",), "did you mean 'D1'?"),
    ({"isolated_equipment": ("e1",)}, "isolated_equipment", ("e1",), "did you mean 'E1'?"),
    ({"reclosing_blocked": ("F1", "d1")}, "reclosing_blocked", ("d1",), "did you mean 'D1'?"),
]


@pytest.mark.parametrize("case", ABSENT, ids=lambda c: c[1])
def test_a_job_that_names_what_is_not_there(job, territory, case):
    change, field, ids, words = case
    (problem,) = check_job(dataclasses.replace(job, **change), territory)
    assert (problem.level, problem.layer, problem.field) == ("reject", "job", field)
    assert problem.feature_ids == ids
    assert words in problem.remedy


def test_a_layer_that_the_territory_does_not_have(job, territory):
    layers = {name: layer for name, layer in territory.layers.items() if name != "devices"}
    bare = dataclasses.replace(territory, layers=layers)
    (problem,) = check_job(dataclasses.replace(job, sources_opened=("D1",)), bare)
    assert problem.remedy == "the territory has no devices"


def test_a_worksite_off_the_circuit(job, territory):
    spans = territory.spans
    columns = {**spans.columns, "circuit_id": spans["circuit_id"].copy()}
    columns["circuit_id"][:] = ["F1", "F1", "F1", "F2", "F1", "F1"]
    layers = {**territory.layers, "spans": dataclasses.replace(spans, columns=columns)}
    changed = dataclasses.replace(territory, layers=layers)
    (problem,) = check_job(dataclasses.replace(job, worksite_poles=("P3", "P5")), changed)
    assert (problem.field, problem.feature_ids) == ("worksite_poles", ("P5",))
    one = dataclasses.replace(job, worksite_poles=(), worksite_span="S4")
    (problem,) = check_job(one, changed)
    assert (problem.field, problem.feature_ids) == ("worksite_span", ("S4",))
