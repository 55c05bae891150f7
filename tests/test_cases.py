"""Whole jobs, one situation each: what the plan must answer, worked by hand in each README.

``tests/cases/<name>/`` holds the territory, the job, ``expected.json`` and the README with the
reasons. Every expected value is independent: counted by the rules on the drawing, never taken from
what the code gave. Where code and trade differ, ``known_difference`` names the aspects and why;
such a test fails again as soon as the difference is gone.
"""

from __future__ import annotations

import csv
import io
import json
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from cases_maker import HERE, made

import gridground as gg
from gridground.cli import main
from gridground.errors import InputError, NoPlanError
from gridground.export import plan_files, read_plan
from gridground.jobmap.page import page_html

CASES = sorted(path.name for path in HERE.iterdir() if path.is_dir())
KEYS = {
    "state", "codes", "codes_absent", "failed_checks", "method", "options", "reasons", "brackets",
    "towards", "sources", "between", "leads", "electrodes", "cluster_bars", "says", "asks_about",
    "known_difference",
}  # fmt: skip
PLANNED = {"ready", "open"}
PARTS = ("prepare", "apply", "work", "remove", "release")


@cache
def expected(name):
    return json.loads((HERE / name / "expected.json").read_text(encoding="utf-8"))


@cache
def answer(name):
    """Return the plan or None, why there is none, and its reasons as (code, ids)."""
    try:
        territory = gg.read_territory(HERE / name / "territory")
        return gg.plan_job(territory, gg.read_job(HERE / name / "job.toml")), "", ()
    except NoPlanError as error:
        return None, "refused", tuple((reason.code, reason.where) for reason in error.reasons)
    except InputError as error:
        found = [(problem.field, problem.feature_ids) for problem in error.problems]
        return None, "rejected", tuple(found)


def parametrized(*, planned):
    """One test per case and aspect, or one per case that must give a plan; differences marked."""
    rows = []
    for name in CASES:
        wanted = expected(name)
        known = wanted.get("known_difference", {"aspects": [], "text": ""})
        if planned:
            if not PLANNED & set(wanted["state"].split(" or ")):
                continue
            marks = _marks("outputs" in known["aspects"], known["text"])
            rows.append(pytest.param(name, id=name, marks=marks))
            continue
        for aspect in wanted.keys() - {"known_difference"}:
            marks = _marks(aspect in known["aspects"], known["text"])
            rows.append(pytest.param(name, aspect, id=f"{name}: {aspect}", marks=marks))
    return sorted(rows, key=lambda row: str(row.id))


def _marks(known, text):
    return [pytest.mark.xfail(strict=True, reason=text)] if known else []


@pytest.mark.parametrize(("name", "aspect"), parametrized(planned=False))
def test_case(name, aspect):
    plan, why, told = answer(name)
    wanted = expected(name)
    states = wanted["state"].split(" or ")
    if plan is not None:
        told = tuple((row["code"], tuple(row["where"])) for row in plan["open_items"])
    if aspect == "state":
        state = why if plan is None else "ready" if plan.ready else "open"
        failed = [] if plan is None else [r["code"] for r in plan["checks"] if not r["passed"]]
        assert state in states, (told, failed)
    elif aspect in _TOLD:
        if plan is not None or states == ["refused"] or aspect == "asks_about":
            _TOLD[aspect](told, wanted[aspect])
        else:  # refused where that is as good: under which code is not laid down
            assert why in states
    elif plan is None:
        assert why == "refused", (why, told)
        assert why in states, told
    else:
        _LOOK[aspect](plan, wanted[aspect])


def _codes(told, wanted):
    """Open items, or reasons of a refusal, that must be there."""
    assert set(wanted) <= {code for code, _ in told}


def _codes_absent(told, wanted):
    assert not set(wanted) & {code for code, _ in told}


def _asks_about(told, wanted):
    """Ids that open items or reasons must name; of a list in the list one is enough."""
    named = {one for _, where in told for one in where}
    for one in wanted:
        assert named & set([one] if isinstance(one, str) else one), one


_TOLD = {"codes": _codes, "codes_absent": _codes_absent, "asks_about": _asks_about}


def _failed_checks(plan, wanted):
    assert {row["code"] for row in plan["checks"] if not row["passed"]} == set(wanted)


def _method(plan, wanted):
    assert plan["method"] == wanted
    assert plan["method_reason"]


def _options(plan, wanted):
    """Locations, leads and rods of both methods; null where it cannot be drawn."""
    found = {}
    for row in plan["options"]:
        totals = row["totals"]
        found[row["method"]] = totals and [totals[key] for key in ("locations", "leads", "rods")]
        assert row["feasible"] is (totals is not None)
    if None in wanted.values():  # what cannot be drawn has no name of its own
        assert list(found.values()) == list(wanted.values())
    else:
        assert found == wanted


def _reasons(plan, wanted):
    """Say why a method cannot be drawn; the one with brackets stands first."""
    rows = dict(zip(("dual-point", "single-point"), plan["options"], strict=True))
    for method, code in wanted.items():
        assert rows[method]["reasons"][0].startswith(f"{code}: ")


def _brackets(plan, wanted):
    """Every way out by its span, each with its bracket poles, and no other."""
    found = {}
    for row in plan["directions"]:
        found.setdefault(row["span_id"], set()).add(row["bracket_pole_id"])
    as_sets = {k: set(v) if isinstance(v, list) else {v} for k, v in wanted.items()}
    assert found == as_sets
    grounds = {row["pole_id"] for row in plan["locations"] if row["role"] == "bracket"}
    assert grounds == set().union(*as_sets.values()) - {None}


def _towards(plan, wanted):
    assert {row["span_id"]: row["towards"] for row in plan["directions"]} == wanted


def _sources(plan, wanted):
    """Names in a direction: exactly these, over the rows of a span."""
    found = {}
    for row in plan["directions"]:
        found.setdefault(row["span_id"], set()).update(row["sources"])
    assert {span: found.get(span) for span in wanted} == {k: set(v) for k, v in wanted.items()}


def _between(plan, wanted):
    """What can get in between the brackets, named where the methods are weighed."""
    told = [text.rpartition(": ")[2] for text in plan["options"][0]["reasons"] if "between" in text]
    assert set(wanted) <= set(told)
    assert bool(told) is bool(wanted)


def _place(row):
    return row["pole_id"] or row["span_id"]


def _leads(plan, wanted):
    """Which two conductors each lead joins, at every location; order is free."""
    assert {_place(row) for row in plan["locations"]} == set(wanted)
    found = {place: [] for place in wanted}
    for row in plan["leads"]:
        found[_place(row)].append(sorted((row["from"], row["to"])))
    for place, pairs in wanted.items():
        assert sorted(found[place]) == sorted(sorted(pair) for pair in pairs), place


def _electrodes(plan, wanted):
    found = {_place(row): row["electrode"] for row in plan["locations"]}
    assert {place: found[place] for place in wanted} == wanted
    for row in plan["locations"]:
        assert (row["rod"] is not None) is (row["electrode"] == "rod")


def _cluster_bars(plan, wanted):
    assert plan["totals"]["cluster_bars"] == wanted


def _says(plan, wanted):
    """Words that must stand in the steps or the cautions."""
    steps = [row for part in plan["steps"].values() for row in part]
    texts = [text for row in steps for text in (row["text"], *row.get("remarks", []))]
    told = " ".join([*texts, *(row["text"] for row in plan["cautions"])])
    assert [words for words in wanted if words not in told] == []


_LOOK = {
    "failed_checks": _failed_checks, "method": _method, "options": _options,
    "reasons": _reasons, "brackets": _brackets,
    "towards": _towards, "sources": _sources, "between": _between, "leads": _leads,
    "electrodes": _electrodes, "cluster_bars": _cluster_bars, "says": _says,
}  # fmt: skip


# --- one count in every output -----------------------------------------------------------------


class Page(HTMLParser):
    """The page as a reader without script sees it: its words, and the rows of the lead table."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.words, self.leads, self.steps = [], [], []
        self._inside, self._word, self._step = "", "", False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self._inside = tag if tag in {"script", "style"} else self._inside
        if tag == "tr" and "data-lead" in given:
            self.leads.append({})
        self._word = given.get("data-word", self._word) if tag in {"b", "span"} else self._word
        if "data-step" in given:
            self._step = True
            self.steps.append("")

    def handle_endtag(self, tag):
        self._inside = "" if tag == self._inside else self._inside
        if tag in {"b", "span"}:
            self._word, self._step = "", False

    def handle_data(self, data):
        if self._inside:
            return
        self.words.append(data)
        if self._word and self.leads:
            self.leads[-1][self._word] = self.leads[-1].get(self._word, "") + data
        if self._step:
            self.steps[-1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def table(files, name):
    return list(csv.DictReader(io.StringIO(files[name].decode("utf-8"))))


@pytest.mark.parametrize("name", parametrized(planned=True))
def test_same_count_in_every_output(name, tmp_path):
    """Plan, saved plan, page, steps and tables: one set of leads, one number."""
    plan, why, told = answer(name)
    if plan is None and why in expected(name)["state"].split(" or "):
        return  # refused where that is as good
    assert plan is not None, f"{why}: {told}"
    files = plan_files(plan, page_html(plan))
    (tmp_path / "saved.json").write_bytes(files[f"{name}.plan.json"])
    saved = read_plan(tmp_path / "saved.json")
    assert saved.document == plan.document
    ends = [(row["lead_id"], row["from"], row["to"]) for row in saved["leads"]]
    cables, totals = sum(row["parallel"] for row in saved["leads"]), saved["totals"]
    assert len({lead_id for lead_id, *_ in ends}) == len(ends)
    assert totals["leads"] == cables
    assert totals["clamps"] == 2 * cables
    assert totals["locations"] == len(saved["locations"])
    assert totals["rods"] == sum(row["rod"] is not None for row in saved["locations"])
    chosen = next(row for row in saved["options"] if row["method"] == saved["method"])
    assert chosen["totals"] == totals
    _same_in_tables(files, name, ends, totals)
    _same_on_page(files[f"{name}.html"].decode("utf-8"), saved, ends)


def _same_in_tables(files, name, ends, totals):
    """Leads, materials and steps as CSV."""
    leads = table(files, f"{name}.leads.csv")
    assert [(row["lead_id"], row["from"], row["to"]) for row in leads] == ends
    assert sum(int(row["parallel"]) for row in leads) == totals["leads"]
    items = table(files, f"{name}.materials.csv")
    of = {
        item: sum(int(row["count"]) for row in items if row["item"] == item)
        for item in ("lead", "ground rod", "cluster bar", "cone")
    }
    counted = [totals[key] for key in ("leads", "rods", "cluster_bars", "cones")]
    assert list(of.values()) == counted
    line = [row for row in items if not row["item"].startswith("vehicle ")]  # counted nowhere
    clamps = sum(int(row["count"]) for row in line) - sum(counted)
    assert clamps == totals["clamps"]
    steps = table(files, f"{name}.steps.csv")
    on = [row for row in steps if row["part"] == "apply"]
    off = [row for row in steps if row["part"] == "remove"]
    assert [row["lead_id"] for row in on] == [lead_id for lead_id, *_ in ends]
    assert [row["lead_id"] for row in off] == [row["lead_id"] for row in on][::-1]
    assert [row["ends"] for row in on] == [f"{one}; {other}" for _, one, other in ends]
    assert [row["ends"] for row in off] == [f"{other}; {one}" for _, one, other in ends[::-1]]
    for rows, word in ((on, "on"), (off, "off")):
        told = [re.search(rf"Count (\d+) {word}\.", row["text"]) for row in rows]
        assert sum(int(found[1]) for found in told) == totals["leads"]
    [last] = [row["text"] for row in steps if "Leads off must equal leads on" in row["text"]]
    assert f"Leads off must equal leads on: {totals['leads']}." in last


def _same_on_page(html, plan, ends):
    """The page without script."""
    page, totals = Page(html), plan["totals"]
    assert [(row["lead_id"], row["from"], row["to"]) for row in page.leads] == ends
    assert f"Leads: {totals['leads']}, with {totals['clamps']} clamps" in page.text
    for key, word in (("leads", "lead"), ("rods", "rod"), ("locations", "location")):
        assert re.search(rf"\b{totals[key]} {word}s?\b", page.text)
    steps = [row["text"] for part in PARTS for row in plan["steps"][part]]
    # The first steps stand on top once more.
    assert page.steps[len(page.steps) - len(steps) :] == steps
    for row in plan["open_items"]:
        assert " ".join(row["what"].split()) in page.text


@pytest.mark.parametrize(
    ("name", "code"),
    [("straight-three-phase", 0), ("tie-open-not-tagged", 1), ("other-source-connected", 3)],
)
def test_exit_code_and_files(name, code, tmp_path):
    folder = HERE / name
    arguments = ["plan", str(folder / "territory"), str(folder / "job.toml"), "-o", str(tmp_path)]
    assert main(arguments) == code
    there = {path.name for path in tmp_path.iterdir()}
    assert (f"{name}.refused.json" in there) is (code == 3)
    assert (f"{name}.plan.json" in there) is (code != 3)


# --- the folders -------------------------------------------------------------------------------


def test_territories_and_jobs_are_those_of_the_maker():
    kept = {
        name: {
            str(path.relative_to(HERE / name)): path.read_bytes()
            for path in (HERE / name).rglob("*")
            if path.is_file() and path.name not in {"expected.json", "README.md"}
        }
        for name in CASES
    }
    fresh = {
        name: {file: text.encode("utf-8") for file, text in files.items()}
        for name, files in made().items()
    }
    assert sorted(kept) == sorted(fresh), "run python tests/cases_maker.py"
    stale = [name for name in fresh if kept[name] != fresh[name]]
    assert stale == [], "run python tests/cases_maker.py"


@pytest.mark.parametrize("name", CASES)
def test_every_case_says_what_and_why(name):
    lines = Path(HERE / name / "README.md").read_text(encoding="utf-8").splitlines()
    assert 5 <= len(lines) <= 12
    assert lines[0].startswith("# ")
    wanted = expected(name)
    assert wanted.keys() <= KEYS
    if wanted["state"] == "refused":
        assert wanted["codes"]
    else:
        assert {"method", "options", "brackets", "between"} <= wanted.keys()
    known = wanted.get("known_difference")
    if known is not None:
        assert set(known["aspects"]) <= wanted.keys() | {"outputs"}
        assert known["text"]


def test_there_are_enough_situations():
    assert len(CASES) >= 34
