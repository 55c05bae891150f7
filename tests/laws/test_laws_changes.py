"""Laws of the difference between two plans: none for none, one for every leaf, mirrored."""

from __future__ import annotations

import copy
import json
import random

import pytest
from maps_maker import ROOT
from plan_example import example_document, finished

import gridground as gg
from gridground.errors import InputError
from gridground.jobmap.shape import check_shape
from gridground.record import is_ready, plan_hash
from gridground.revision.changes import changes_between, find_changes
from gridground.revision.measured import revision_of
from tests.field_example import every_kind

# Not of a plan's content: when it was made, and the hash that follows from all the rest.
APART = {"made_at", "plan_hash"}


@pytest.fixture(scope="module")
def plans():
    """Return the example, a plan of the sample valley, and its revision with everything told."""
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    job = gg.read_job(ROOT / "sample_data" / "jobs" / "01-straight.toml")
    first = gg.plan_job(territory, job).document
    record = every_kind(first).read()
    second = gg.plan_job(territory, job, revision=revision_of(first, record)).document
    return {"example": finished(example_document()).document, "first": first, "second": second}


def leaves(value, path=()):
    """Yield the path of every value that holds no other."""
    inner = value.items() if isinstance(value, dict) else ()
    inner = enumerate(value) if isinstance(value, list) else inner
    found = False
    for key, one in inner:
        found = True
        yield from leaves(one, (*path, key))
    if not found:
        yield path


def others(value):
    """Return values of the same kind that are other ones."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int | float):
        return [value + 1, value - 1]
    if isinstance(value, str):
        return [f"{value} x", "0" * 64]
    if value is None:
        return ["x", 1.5, 7]
    return [["x"], [1.0]] if isinstance(value, list) else [{"x": "y"}, {"x": 1.0}]


def changed(document, path):
    """Return the document with one leaf changed so that it still has the shape of a plan."""
    for key in path[:-1]:
        document = document[key]
    return [(document, path[-1], other) for other in others(document[path[-1]])]


def shaped(document):
    try:
        check_shape(document)
    except InputError:
        return False
    return True


@pytest.mark.parametrize("name", ["example", "first", "second"])
def test_a_plan_does_not_differ_from_itself(plans, name):
    assert find_changes(plans[name], copy.deepcopy(plans[name])) == []
    later = plans[name] | {"made_at": "2030-01-01T00:00:00Z", "plan_hash": "0" * 64}
    assert find_changes(plans[name], later) == []
    again = json.loads(json.dumps(plans[name], sort_keys=True))
    assert find_changes(plans[name], again) == []


@pytest.mark.parametrize(("name", "most"), [("example", 400), ("first", 100), ("second", 100)])
def test_every_leaf_that_differs_is_in_some_change(plans, name, most):
    """One leaf of the plan is changed at a time: some change must be said, and mirrored."""
    document = copy.deepcopy(plans[name])
    paths = [path for path in leaves(document) if path[0] not in APART]
    tried = 0
    chance = random.Random(1)  # noqa: S311  no secret
    for path in chance.sample(paths, min(most, len(paths))):
        for holder, key, other in changed(document, path):
            before = holder[key]
            holder[key] = other
            if shaped(document):
                tried += 1
                found = find_changes(plans[name], document)
                assert found, path
                assert mirror(found) == plain(find_changes(document, plans[name])), path
                holder[key] = before
                break
            holder[key] = before
    assert tried > 0.95 * min(most, len(paths))


@pytest.mark.parametrize("name", ["example", "second"])
def test_every_row_that_comes_goes_or_moves_is_in_some_change(plans, name):
    plan = plans[name]
    for key, rows in plan.items():
        if not isinstance(rows, list) or not rows:
            continue
        shorter = plan | {key: rows[1:]}
        assert find_changes(plan, shorter), key
        assert plain(find_changes(shorter, plan)) == mirror(find_changes(plan, shorter)), key
        if len(rows) > 1 and rows[0] != rows[-1]:
            assert find_changes(plan, plan | {key: rows[::-1]}), key
    for part, steps in plan["steps"].items():
        other = plan | {"steps": plan["steps"] | {part: steps[::-1]}}
        assert find_changes(plan, other), part


def plain(found):
    return sorted((c.what, c.where, c.before or "", c.after or "", c.before is None) for c in found)


def mirror(found):
    return sorted((c.what, c.where, c.after or "", c.before or "", c.after is None) for c in found)


def test_the_other_way_round_before_and_after_change_places(plans):
    for one, other in (("first", "second"), ("example", "first")):
        there = find_changes(plans[one], plans[other])
        back = find_changes(plans[other], plans[one])
        assert plain(back) == mirror(there)
        assert [(c.what, c.where) for c in back] == [(c.what, c.where) for c in there]
        assert all(c.text for c in there)


def test_the_most_important_comes_first(plans):
    """Readiness, method and places before leads, leads before figures, data last."""
    order = [c.what for c in find_changes(plans["first"], plans["second"])]
    subjects = ["ready", "rod", "lead", "worker", "check", "step", "measured", "input"]
    first = [order.index(what) for what in subjects if what in order]
    assert len(first) >= 6
    assert first == sorted(first)


def test_plans_of_different_jobs_are_said_to_be(plans):
    found = find_changes(plans["example"], plans["first"])
    assert found[0].what == "job"
    assert "different jobs" in found[0].text


def test_a_plan_without_the_newer_keys_is_compared_too(plans):
    old = {k: v for k, v in plans["first"].items() if k not in {"revision", "revises", "measured"}}
    assert {c.what for c in find_changes(old, plans["first"])} <= {"record", "measured"}
    assert changes_between(old, plans["first"] | {"measured": []}) == [
        c.row() for c in find_changes(old, plans["first"]) if c.what == "measured"
    ]


def test_what_is_said_of_a_revision_is_in_it(plans):
    second = plans["second"]
    assert second["changes"] == changes_between(plans["first"], second)
    assert second["plan_hash"] == plan_hash(second)
    assert second["ready"] is is_ready(second)
    assert {"lead", "measured", "input"} <= {row["what"] for row in second["changes"]}


def test_figures_that_read_alike_are_told_apart(plans):
    document = copy.deepcopy(plans["first"])
    document["leads"][0]["length_m"] += 1e-6
    (found,) = (c for c in find_changes(plans["first"], document) if c.what == "lead")
    assert found.before != found.after
