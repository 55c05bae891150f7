"""Lists of a job file: the message names every entry that cannot be used, by number and value."""

from __future__ import annotations

import pytest

import gridground as gg
from gridground.errors import InputError
from gridground.units import MM2_PER_KCMIL, area_mm2

LEAST = 'job_id = "J"\ncircuit_ids = ["F1"]\nworksite_poles = ["P3"]\n'
WRONG = [
    ('[limits]\nlead_lengths = ["10 ft", "-3 ft", "x"]', "limits.lead_lengths",
     ("entry 2, '-3 ft'", "entry 3, 'x'")),
    ('[limits]\nlead_lengths = ["10 ft", "6 ft", 3.048]', "limits.lead_lengths",
     ("entry 3 repeats entry 1",)),
    ('[limits]\nlead_sizes = ["2/0", "9/0", 4]', "limits.lead_sizes",
     ("entry 2, '9/0'", "entry 3, 4")),
    ('[limits]\nlead_sizes = ["2/0", "1", "2/0"]', "limits.lead_sizes",
     ("entry 3 repeats entry 1, '2/0'",)),
    ('sources_opened = ["D1", " D2", "D3", true]', "sources_opened",
     ("entry 2, ' D2'", "entry 4, true")),
    ('isolated_equipment = ["E1", "E2", "E2"]', "isolated_equipment",
     ("entry 3 repeats entry 2, 'E2'",)),
    ('reclosing_blocked = ["F1", 1.5]', "reclosing_blocked", ("entry 2, 1.5",)),
    ('open_conductor = ["A", "D", "B@S1", "N@"]', "open_conductor",
     ("entry 2, 'D'", "entry 4, 'N@'")),
    ("[rod]\nmeasured_ohm = { P1 = 25, P2 = 0, P3 = true }", "rod.measured_ohm",
     ("'P2', 0:", "'P3', true:")),
    ('[limits]\napproach = { F1 = "4 ft", F2 = "no", F3 = -1 }', "limits.approach",
     ("'F2', 'no':", "'F3', -1:")),
    ('[traffic]\nspeed = { R1 = "35 mph", R2 = 35 }', "traffic.speed", ("'R2', 35:",)),
    ('kit = { leads = [{ lead_id = "T1", size = "2", length = "9 ft" }, { lead_id = "T2", size = '
     '"2", length = "9 ft" }, { lead_id = "T1", size = "2", length = 3 }] }', "kit.leads",
     ("lead 'T1' stands twice: entries 1, 3",)),
    ('kit = { leads = [{ lead_id = "T1", size = "2", length = "9 ft" }, { lead_id = "T2", size = '
     '"2", length = "-9 ft" }] }', "kit.leads[2].length", ("'-9 ft' cannot be used", "T2")),
    ('settled = [{ about = "A", step = "R1", at = "noon", by = "x", on = "2026-04-15", found = "y"'
     ' }]', "settled[1].at", ("'noon' cannot be used",)),
    ('[rod]\nplace = { P1 = { lon = 200, lat = 4 } }', "rod.place.P1.lon", ("200 cannot",)),
]  # fmt: skip


def problems(tmp_path, text):
    file = tmp_path / "job.toml"
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        gg.read_job(file)
    return caught.value.problems


@pytest.mark.parametrize(("text", "field", "named"), WRONG)
def test_the_message_names_the_entries_that_are_wrong(tmp_path, text, field, named):
    (problem,) = problems(tmp_path, LEAST + text)
    assert problem.field == field
    sentence = problem.sentence()
    for words in named:
        assert words in sentence
    assert not any(f"entry {n}," in sentence for n in range(1, 9) if not _named(n, named))


def _named(number, named):
    return any(f"entry {number}" in words for words in named)


def test_of_many_wrong_entries_the_first_are_told_and_the_rest_counted(tmp_path):
    listed = ", ".join(f'"{n} lights"' for n in range(9))
    (problem,) = problems(tmp_path, f"{LEAST}[limits]\nlead_lengths = [{listed}]")
    assert "entry 6, '5 lights'" in problem.remedy
    assert "entry 7" not in problem.remedy
    assert problem.remedy.endswith("; and 3 more")


@pytest.mark.parametrize(("size", "kcmil"), [("6", 26.24), ("4", 41.74)])
def test_a_size_below_awg_2_is_refused_with_the_sizes_that_can_be_stated(tmp_path, size, kcmil):
    """Published: AWG 4 41,740 and AWG 6 26,240 circular mils, ASTM B258 (second hand)."""
    assert area_mm2(size) == pytest.approx(kcmil * MM2_PER_KCMIL)
    lead = f'[kit]\nleads = [{{ lead_id = "T1", size = "{size}", length = "9 ft" }}]'
    (problem,) = problems(tmp_path, LEAST + lead)
    assert (problem.field, problem.feature_ids) == ("kit.leads[1].size", ("T1",))
    for words in (
        "no lead smaller than AWG 2 copper (29 CFR 1910.269(n)(4)(ii))",
        f"{size} has {area_mm2(size):.1f} mm², AWG 2 33.6 mm²",
        "2, 1, 1/0, 2/0, 3/0, 4/0, 250, 350, or metric from 35 mm2",
        "is told in the field record",
    ):
        assert words in problem.remedy
    lead = lead.replace(f'"{size}"', f'"#{size}"')
    (problem,) = problems(tmp_path, LEAST + lead)
    assert "write AWG and kcmil as the bare number" in problem.remedy
