"""What a job states as settled: a finding with a name and a day, or nothing."""

from __future__ import annotations

import pytest

import gridground as gg
from gridground.errors import InputError
from gridground.job import Settled

HEAD = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P1"]\n'
WHOLE = {
    "about": '"removal_with_people_on"',
    "step": '"R1"',
    "at": '"2026-04-14T07:21:00-06:00"',
    "by": '"K. L."',
    "on": '"2026-04-15"',
    "found": '"was on the ground"',
}


def read(tmp_path, **given):
    rows = ", ".join(f"{key} = {value}" for key, value in given.items())
    file = tmp_path / "j.toml"
    file.write_text(f"{HEAD}settled = [{{ {rows} }}]\n", encoding="utf-8")
    return gg.read_job(file)


def test_a_whole_one_is_read(tmp_path):
    expected = Settled(
        "removal_with_people_on",
        "R1",
        "2026-04-14T07:21:00-06:00",
        "K. L.",
        "2026-04-15",
        "was on the ground",
    )
    assert read(tmp_path, **WHOLE).settled == (expected,)


@pytest.mark.parametrize("absent", sorted(WHOLE))
def test_nothing_is_settled_without_finding_name_and_day(tmp_path, absent):
    with pytest.raises(InputError) as caught:
        read(tmp_path, **{key: value for key, value in WHOLE.items() if key != absent})
    assert [p.field for p in caught.value.problems] == [f"settled[1].{absent}"]


def test_unknown_keys_are_refused(tmp_path):
    with pytest.raises(InputError):
        read(tmp_path, **WHOLE, all="true")
