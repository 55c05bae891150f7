"""`gridground diff` for a person: the most important first, by pole, in few lines."""

from __future__ import annotations

import copy
import json
import re

import pytest
from maps_maker import ROOT

from gridground.cli import main
from gridground.differences import MOST_LINES, difference_lines
from gridground.figures import allowed_text, check_limit_text, check_value_text, needed_text
from gridground.revision.changes import changes_between, find_changes
from gridground.revision.comparison import Change
from gridground.revision.phrases import pair as pair_of

TERRITORY = str(ROOT / "sample_data" / "territory")
JOB = ROOT / "sample_data" / "jobs" / "01-straight.toml"


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Return the files of two plans: the sample's, and one moved with larger growth and zone."""
    folder = tmp_path_factory.mktemp("pair")
    text = JOB.read_text()
    for old, new in (
        ('"Q213"]', '"Q215"]'),
        ("fault_growth_ratio = 1.0", "fault_growth_ratio = 2.0"),
        ('cone_radius = "10 ft"', 'cone_radius = "12 ft"'),
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / "moved.toml").write_text(text)
    files = []
    for name, job in (("a", str(JOB)), ("b", str(folder / "moved.toml"))):
        main(["plan", TERRITORY, job, "-o", str(folder / name), "--no-pdf"])
        files.append(folder / name / "straight-01.plan.json")
    return files


def shown(capsys, *call):
    capsys.readouterr()
    assert main(["diff", *map(str, call)]) == 0
    return capsys.readouterr().out.splitlines()


def test_forty_lines_with_every_pole_and_the_rest_counted(pair, capsys):
    lines = shown(capsys, *pair)
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= 79
    titles = [line for line in lines if line and not line.startswith((" ", "and", "str"))]
    assert titles[:2] == ["THE PLAN", "TO SETTLE"]
    assert titles[2:6] == ["AT Q212", "AT Q213", "AT Q215", "AT Q216"]
    text = "\n".join(lines)
    assert "The plan was ready before; it is not ready now." in text
    assert "5 leads not there any more: A → B, B → C, bar → neutral" in text
    assert "--all shows them" in text


def test_what_is_shown_and_what_is_counted_is_everything(pair, capsys):
    lines = shown(capsys, *pair)
    before, after = (json.loads(file.read_text()) for file in pair)
    changes = find_changes(before, after)
    (more,) = re.findall(r"and (\d+) more, --all", "\n".join(lines))
    # Independent count: what is told by itself, and the numbers of leads and steps told together.
    text = " ".join(line.strip() for line in lines)
    told = sum(int(n) for n in re.findall(r"(\d+) leads? (?:new|not there)", text))
    told += sum(int(n) for n in re.findall(r"(\d+) (?:new|gone|read otherwise)", text))
    single = [c for c in changes if c.text.partition(" Now: ")[0] in text]
    single = [c for c in single if c.what != "caution"]
    assert told + len(single) + int(more) == len(changes)


def test_all_shows_every_change_and_json_stays_whole(pair, capsys):
    lines = shown(capsys, *pair, "--all")
    found = json.loads("\n".join(shown(capsys, *pair, "--json")))
    assert len(lines) > 150
    text = "\n".join(lines)
    for row in found["changes"]:
        assert row["text"] in text
    before, after = (json.loads(file.read_text()) for file in pair)
    assert [row["text"] for row in found["changes"]] == [
        change.text for change in find_changes(before, after)
    ]


def test_no_internal_key_where_there_is_a_word(pair, capsys):
    text = "\n".join([*shown(capsys, *pair, "--all"), *shown(capsys, *pair)])
    for internal in ("lead id", "step id", "pole id", "location id", "step v at zone", "e+0", "_"):
        assert internal not in text, internal


def test_no_difference(pair, capsys):
    lines = shown(capsys, pair[0], pair[0])
    assert lines[-1] == "no difference"
    assert len(lines) == 3


NAMED = [{"job_id": "J", "revision": n, "plan_hash": "0" * 64, "made_at": "t"} for n in (1, 2)]


def change(what, where, before, after, text):
    return Change(what, where, before, after, text)


def test_open_items_come_before_poles_and_new_cautions_after():
    lines = difference_lines(
        NAMED,
        [
            change("caution", (), None, "x", "Caution, new: keep off."),
            change("rod", ("P1",), "a", "b", "Rod of pole P1 moved."),
            change("open item", ("P1",), None, "x", "New open item: soil."),
        ],
    )
    assert [line.strip() for line in lines if line][2:] == [
        "TO SETTLE", "New open item: soil.", "AT P1", "Rod of pole P1 moved.",
        "NEW CAUTIONS", "keep off.",
    ]  # fmt: skip


def test_a_thousand_changes_stay_forty_lines():
    changes = [
        change("open item", (f"P{n}",), None, "x", f"New open item: number {n}.")
        for n in range(1000)
    ]
    lines = difference_lines(NAMED, changes)
    assert len(lines) <= MOST_LINES
    listed = sum("number" in line for line in lines)
    assert f"and {1000 - listed} more, --all shows them: {1000 - listed} open items" in lines[-1]


# --- figures in words -----------------------------------------------------------------------------


def test_a_figure_is_rounded_as_on_the_page_and_has_its_unit(pair, capsys):
    """Pinned: 14.2068 V carried is 14.3 V, 57.3546 V allowed is 57.3 V, wherever they are said."""
    documents = [json.loads(file.read_text()) for file in pair]
    text = " ".join(" ".join(shown(capsys, *pair, "--all")).split())
    for document in documents:
        worker = document["worker"]
        volts, limit = (
            needed_text(worker["tightest_v"], "V"),
            allowed_text(worker["tightest_limit_v"], "V"),
        )
        assert f"{volts} of {limit}" in text
        assert f"{document['method']} {volts} of {limit} (" in document["method_reason"]
        (check,) = (row for row in document["checks"] if row["code"] == "worker_voltage")
        assert check_value_text(check) == volts
        assert check_limit_text(check) == limit


@pytest.mark.parametrize(
    ("before", "after", "key", "said"),
    [
        (14.2068, 14.2391, "voltage_v", ("14.2068 V", "14.2391 V")),
        (14.2068, 15.0, "voltage_v", ("14.3 V", "15 V")),
        (57.3546, 50.0, "limit_v", ("57.3 V", "50 V")),
        (19387.0, 20000.0, "rating_a", ("19,300 A", "20,000 A")),
        (2.001, 2.0012, "length_m", ("2.001 m", "2.0012 m")),
        (2.001, 3.0, "excess_m", ("6 ft 6 in (2.00 m)", "9 ft 10 in (3.00 m)")),
        (2.001, 3.0, "needed_m", ("6 ft 7 in (2.01 m)", "9 ft 11 in (3.00 m)")),
        (149.12, 138.2, "step_v_at_zone", ("150 V", "139 V")),
        (39.96, 40.04, "bearing_deg", ("39.96°", "40.04°")),
        (39.0, 220.4, "bearing_deg", ("39° (NE)", "220° (SW)")),
        (1.0, 1.00001, "area_m2", ("1.0 m²", "1.00001 m²")),
    ],
)
def test_two_figures_are_told_apart_with_their_unit(before, after, key, said):
    """Expected: up where it must be borne, down where it is allowed or there; exact where alike."""
    assert pair_of(before, after, key) == said
    assert pair_of(after, before, key) == said[::-1]


@pytest.mark.parametrize(
    ("unit", "value", "said"), [("V", 14.2068, "14.2068 V"), ("A", 7.5, "7.5 A")]
)
def test_a_checks_figure_has_the_unit_of_its_row(pair, unit, value, said):
    before = json.loads(pair[0].read_text())
    row = next(r for r in before["checks"] if r["unit"] == unit and r["value"] is not None)
    row["value"] = value
    after = copy.deepcopy(before)
    next(r for r in after["checks"] if r["code"] == row["code"] and r["where"] == row["where"])[
        "value"
    ] = value * (1 + 1e-6)
    (change,) = changes_between(before, after)
    assert said in change["before"]
    assert change["after"].endswith(f" {unit}")


def test_clearances_by_kind_have_feet_and_metres(pair):
    before = json.loads(pair[0].read_text())
    after = copy.deepcopy(before)
    after["job"]["limits_exact"]["clearance_m"]["tree"] += 0.5
    (change,) = changes_between(before, after)
    said = "Limit clearance: tree 3 ft 4 in (1.00 m) before, tree 5 ft (1.50 m) now."
    assert change["text"] == said


@pytest.mark.parametrize(
    ("value", "said"), [(7.6422e-13, "7.65e-13"), (1e-6, "1.00e-06"), (9.999e-10, "1.00e-09")]
)
def test_a_residual_is_never_rounded_to_zero(value, said):
    assert needed_text(value, "") == said
