"""The plan's text packed for the page: every text comes back, and what repeats costs little."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from maps_maker import ROOT

import gridground as gg
from gridground.jobmap.packed import packed, packed_json
from gridground.jobmap.page import page_html
from gridground.record import canonical_bytes
from tests.plan_example import HOSTILE, example_document, hostile_document
from tests.test_jobmap import unpacked

PIECES = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=40)


@given(st.lists(PIECES, max_size=8), st.integers(1, 5))
def test_every_text_comes_back(pieces, times):
    """Independent: another reader, written from the description of the form."""
    text = "".join(pieces * times)
    assert unpacked(json.loads(packed_json(text))) == text
    assert packed_json(text) == packed_json(text)


@pytest.mark.parametrize("text", ["", "~", "~~;1,2;" * 9, "😀~'\"" * 40, HOSTILE * 3, "a" * 5000])
def test_signs_of_the_form_itself_come_back(text):
    assert unpacked(json.loads(packed_json(text))) == text


@pytest.mark.parametrize("make", [example_document, hostile_document])
def test_a_plan_takes_less_than_half(make):
    text = canonical_bytes(make()).decode()
    assert unpacked(json.loads(packed_json(text))) == text
    assert len(packed_json(text)) < 0.6 * len(text)


def test_pointers_point_back_and_never_cost_more_than_the_text():
    chance = random.Random(7)  # noqa: S311  a test
    text = "".join(chance.choice(["pole P1,", "lead G2;", "x", "é"]) for _ in range(3000))
    pieces = packed(text)
    numbers = [piece for piece in pieces if isinstance(piece, int)]
    assert len(numbers) % 2 == 0
    assert min(numbers[0::2]) > 0
    assert len(packed_json(text)) < len(text)


def test_a_normal_job_takes_half_a_megabyte():
    """Pinned: what a page of three ground poles may take, with a little to spare."""
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    for job, most in (("01-straight", 516_000), ("10-no-rod-place", 470_000)):
        plan = gg.plan_job(territory, gg.read_job(ROOT / "sample_data" / "jobs" / f"{job}.toml"))
        page = page_html(plan)
        assert len(page.encode()) <= most, job
        assert page == page_html(plan)
