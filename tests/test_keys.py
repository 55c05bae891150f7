"""Unknown keys of a job: the nearest key of that table, or where that key belongs."""

from __future__ import annotations

import json

import pytest

from gridground.errors import InputError
from gridground.jobfile import read_job
from gridground.keys import WHERE_STATED
from gridground.revision.fieldrecord import KEYS, READERS, parse_record
from gridground.territory.text import unknown_key_remedy

LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n'


def remedies(tmp_path, text):
    file = tmp_path / "job.toml"
    file.write_text(LEAST + text)
    with pytest.raises(InputError) as error:
        read_job(file)
    return {problem.field: problem.remedy for problem in error.value.problems}


@pytest.mark.parametrize(
    ("text", "field", "remedy"),
    [
        ('[vehicle]\npole_id = "P3"\nbearing = 40\ndistance = 3\n', "vehicle.bearing",
         "'bearing': did you mean 'bearing_deg'?"),
        ('[limits]\nwork_date = "2026-01-01"\n', "limits.work_date",
         "'work_date' stands beside job_id: write it there"),
        ('rod_setback = "15 ft"\n', "rod_setback",
         "'rod_setback' stands in [limits]: write it there"),
        ('[rod]\nholder = "x"\n', "rod.holder", "'holder' stands in [clearance]: write it there"),
        ("[limits]\nrod_set_back = 4\n", "limits.rod_set_back",
         "'rod_set_back': did you mean 'rod_setback'?"),
        ("[limits]\nrod_setback_m = 4\n", "limits.rod_setback_m",
         "'rod_setback_m': did you mean 'rod_setback'?"),
        ("[limits]\nfault_growth = 2\n", "limits.fault_growth",
         "'fault_growth': did you mean 'fault_growth_ratio'?"),
        ('workdate = "2026-01-01"\n', "workdate", "'workdate': did you mean 'work_date'?"),
        ('[limits]\nworkdate = "2026-01-01"\n', "limits.workdate",
         "'workdate': did you mean 'work_date'? It stands beside job_id"),
        ('[kit]\nleads = [{ lead_id = "T1", size = "2", length = 3, tested = "2026-01-01" }]\n',
         "kit.leads[1].tested", "'tested': did you mean 'tested_on'?"),
        ('lead_id = "T1"\n', "lead_id", "'lead_id' stands in [kit.leads]: write it there"),
        ('bearing_deg = 4\n', "bearing_deg", "'bearing_deg' stands in [vehicle]: write it there"),
        ("[clearance]\nqqqqqq = 4\n", "clearance.qqqqqq",
         "leave it out; known here: authority, holder, number, work_end, work_start"),
        ("qqqqqq = 4\n", "qqqqqq", "leave it out"),
    ],
)  # fmt: skip
def test_remedy(tmp_path, text, field, remedy):
    assert remedies(tmp_path, text)[field] == remedy


def test_a_huge_key_is_answered_and_not_searched_for(tmp_path):
    (remedy,) = remedies(tmp_path, f'"{"ab" * 50_000}" = 1\n').values()
    assert remedy == "leave it out"


def test_tables_only_read_where_they_stand_are_listed_as_they_are(tmp_path):
    """`WHERE_STATED` against the readers: a table with all its keys and one more names that one."""
    for table, stated in WHERE_STATED.items():
        rows = "\n".join(f"{key} = {'{}' if key == 'rod' else '[]'}" for key in sorted(stated))
        head = f"[[{table}]]" if table == "kit.leads" else f"[{table}]"
        found = remedies(tmp_path, f"{head}\n{rows}\nqqqqqq = 1\n")
        unknown = [field for field, remedy in found.items() if "known here" in remedy]
        assert [field.rsplit(".", 1)[1] for field in unknown] == ["qqqqqq"]
        listed = found[unknown[0]].removeprefix("leave it out; known here: ").split(", ")
        assert set(listed) == stated


@pytest.mark.parametrize(
    ("key", "known", "remedy"),
    [
        ("pickup", ("pickup_a", "curve"), "'pickup': did you mean 'pickup_a'?"),
        ("values ", ("column", "values"), "'values ': did you mean 'values'?"),
        ("qq", ("column", "unit"), "leave it out; known here: column, unit"),
    ],
)
def test_keys_of_a_territory(key, known, remedy):
    assert unknown_key_remedy(key, known) == remedy


# --- the field record -----------------------------------------------------------------------------

HEAD = {
    "format": "gridground-record/1", "job_id": "J", "plan_hash": "0" * 64, "revision": 1,
    "exported_at": "2026-04-14T23:30:00Z",
}  # fmt: skip
ENTRY = {"seq": 1, "kind": "tick", "who": "A", "at": "2026-04-14T07:01:00-06:00", "step_id": "P1"}
VALUES = {
    "rod_ohm": 38.5, "soil_ohm_m": 120, "rod_lon": -106.5, "rod_lat": 47.1, "rod_accuracy_m": 3,
    "rod_taped_m": 4.9, "rod_bearing_deg": 40,
    "vehicle_rod_taped_m": 3.81, "lead_number": "T1", "size": "2/0",
    "length_m": 4.5, "detector": "no reading",
}  # fmt: skip


def record(entry):
    return parse_record(json.dumps(HEAD | {"entries": [entry]}).encode(), name="record.json")


@pytest.mark.parametrize(
    ("entry", "field", "remedy"),
    [
        (ENTRY | {"values": {"rod_ohms": 3}}, "entries[1].values.rod_ohms",
         "did you mean 'rod_ohm'?"),
        (ENTRY | {"vals": {}}, "entries[1].vals", "did you mean 'values'?"),
        (ENTRY | {"pole_id": "P1"}, "entries[1].pole_id", "an entry of kind measured"),
        (ENTRY | {"kind": "measured", "pole_id": "P1", "values": {"size": "2"}},
         "entries[1].values.size", "lead used (in its values)"),
        (ENTRY | {"kind": "ticked"}, "entries[1].kind", "use one of: tick, undo"),
        (ENTRY | {"values": {"length_m": "15 ft"}}, "entries[1].values.length_m",
         "15 ft are 4.572"),
        (ENTRY | {"who": ""}, "entries[1].who", "1 to 200 characters"),
        (ENTRY | {"at": "7:01"}, "entries[1].at", "e.g. 2026-04-14T07:30:00-06:00"),
    ],
)  # fmt: skip
def test_errors_of_a_record_name_key_found_and_remedy(entry, field, remedy):
    with pytest.raises(InputError) as error:
        record(entry)
    found = {problem.field: problem for problem in error.value.problems}
    assert field in found
    assert remedy in found[field].remedy
    assert found[field].found
    assert "kit.leads" not in found[field].remedy


@pytest.mark.parametrize("kind", [kind for kind in KEYS if kind != "undo"])
def test_the_listed_keys_of_every_kind_are_those_that_are_read(kind):
    """The list of keys against the reader: all of them pass, any other kind's does not."""
    base = {key: ENTRY[key] for key in ("seq", "who", "at")} | {"kind": kind}
    values = {
        "measured": {k: v for k, v in VALUES.items() if k.startswith(("rod", "soil"))},
        "lead used": {k: VALUES[k] for k in ("lead_number", "size", "length_m")},
        "tick": VALUES,
        "refused": {"detector": "B reads 7 kV", "typed": "rod 2000000 ohm"},
    }.get(kind, {})
    all_keys = {"step_id": "P1", "pole_id": "P1", "lead_id": "G1", "values": values}
    all_keys |= {"why": "a reading is no tick"}
    own = {key: all_keys[key] for key in KEYS[kind]}
    assert record(base | own).entries[0].values.keys() == values.keys()
    for key in all_keys.keys() - own.keys():
        with pytest.raises(InputError):
            record(base | own | {key: all_keys[key] or {"rod_ohm": 1}})


def test_every_value_is_known_to_the_readers():
    assert {*VALUES, "typed"} == READERS.keys()  # what was typed and refused is no measurement
