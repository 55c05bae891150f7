"""What the kit lacks for either method: said of both, and it decides where protection does not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import gridground as gg
from gridground.jobmap.shape import check_shape

SAMPLE = Path(__file__).parent.parent / "sample_data"


@pytest.fixture(scope="module")
def first(ground, straight):
    return gg.plan_job(ground, straight).document


def options(plan):
    return {row["method"]: row for row in plan["options"]}


def codes(plan):
    return [item["code"] for item in plan["open_items"]]


def leads_of(ground, straight, method):
    """Return the leads of the truck that one method takes."""
    made = gg.plan_job(ground, replace(straight, method=method)).document
    used = {name for row in made["leads"] for name in row["kit_lead_ids"]}
    return tuple(one for one in straight.kit.leads if one.lead_id in used)


def test_both_methods_say_what_the_kit_lacks(first):
    assert {m: row["kit_lacks"] for m, row in options(first).items()} == {
        "dual-point": [],
        "single-point": [],
    }
    assert all("the kit equips it" in row["reasons"] for row in first["options"])


def test_without_a_kit_nothing_is_said(ground, straight):
    made = gg.plan_job(ground, replace(straight, kit=None)).document
    assert [row["kit_lacks"] for row in made["options"]] == [None, None]
    check_shape(made)


def test_the_kit_decides_between_methods_that_hold_alike(ground, straight, first):
    """A truck with a set for one pole: brackets want eleven leads, the whole set five."""
    assert first["method"] == "dual-point"
    few = replace(straight.kit, leads=leads_of(ground, straight, "single-point"))
    made = gg.plan_job(ground, replace(straight, kit=few)).document
    assert made["method"] == "single-point"
    assert "the kit equips it; for dual-point it lacks 6 leads" in made["method_reason"]
    assert options(made)["dual-point"]["kit_lacks"] == ["6 leads"]
    assert not {"kit_short", "kit_equips_other_method"} & set(codes(made))


@pytest.mark.parametrize(("key", "n", "lacks"), [("rods", 1, "1 ground rod"),
                                                 ("cluster_bars", 2, "1 cluster bar")])  # fmt: skip
def test_rods_and_bars_count_too(ground, straight, key, n, lacks):
    few = replace(straight.kit, **{key: n})
    made = gg.plan_job(ground, replace(straight, kit=few)).document
    assert options(made)["dual-point"]["kit_lacks"] == [lacks]
    assert made["method"] == "single-point"


def test_a_forced_method_names_the_other_that_is_equipped(ground, straight):
    few = replace(straight.kit, leads=leads_of(ground, straight, "single-point"))
    asked = replace(straight, kit=few, method="dual-point")
    made = gg.plan_job(ground, asked).document
    assert made["method"] == "dual-point"
    (item,) = [i for i in made["open_items"] if i["code"] == "kit_equips_other_method"]
    assert "lacks 6 leads for dual-point, and equips single-point" in item["what"]
    assert 'method = "single-point"' in item["settles"]
    assert "kit_short" in codes(made)


def test_a_kit_that_equips_neither_decides_nothing(ground, straight, first):
    few = replace(straight.kit, leads=straight.kit.leads[:1])
    made = gg.plan_job(ground, replace(straight, kit=few)).document
    assert made["method"] == first["method"]
    assert "kit_equips_other_method" not in codes(made)


def test_the_kit_never_outweighs_the_limit_of_the_worker(ground, straight):
    """A limit between the voltages of the two: the one that holds is planned, short or not."""
    made = gg.plan_job(ground, straight).document
    volts = {m: row["worst_worker_v"] for m, row in options(made).items()}
    best = min(volts, key=volts.get)
    limit = sum(volts.values()) / 2
    other = next(m for m in volts if m != best)
    few = replace(straight.kit, leads=leads_of(ground, straight, other))
    limits = replace(straight.limits, worker_limit=limit)
    tight = gg.plan_job(ground, replace(straight, kit=few, limits=limits)).document
    if best == "dual-point":
        assert options(tight)["dual-point"]["kit_lacks"]
    assert tight["method"] == best
    assert "kit_equips_other_method" not in codes(tight)
