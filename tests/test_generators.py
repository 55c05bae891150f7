"""Generators as sources of the network-wide faults: which ones count, and how."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from gridground.electrical.faults import faults_at
from gridground.electrical.generators import generator_sources
from gridground.territory.network import Network
from gridground.territory.read import read_territory

SMALL = Path(__file__).parent / "networks" / "small"
STATED = {"fault_3ph_a": 400, "x_over_r_3ph": 8, "fault_1ph_a": 500, "x_over_r_1ph": 6,
          "clearing_s": 2.0}  # fmt: skip


@pytest.fixture
def with_generator(tmp_path):
    """Return a reader of the small territory whose first equipment is changed."""
    folder = tmp_path / "small"
    shutil.copytree(SMALL, folder)

    def read(**given):
        path = folder / "equipment.geojson"
        document = json.loads(path.read_text(encoding="utf-8"))
        row = document["features"][0]["properties"]
        row |= {"kind": "generator", "phases": "ABC"} | given
        path.write_text(json.dumps(document), encoding="utf-8")
        t = read_territory(folder)
        return t, Network.build(t), row["equipment_id"], row["pole_id"], row["circuit_id"]

    return read


def test_a_stated_generator_is_a_source_with_its_own_time(with_generator):
    t, network, name, pole_id, circuit_id = with_generator(**STATED)
    (found,) = generator_sources(t, network, isolated=())
    assert (found.source.circuit_id, found.clearing_s, found.phases) == (name, 2.0, 7)
    alone, both = (
        faults_at(t, network, circuit_id=circuit_id, pole_ids=[pole_id], clearing="backup",
                  extra=extra)[pole_id]
        for extra in ([], [found])
    )  # fmt: skip
    # independent: the two currents stand within the angle between them
    assert alone.three_phase_a < both.three_phase_a <= alone.three_phase_a + 400 * 1.001
    assert both.longest_s == 2.0


@pytest.mark.parametrize("given", [{}, {**STATED, "kind": "transformer"}])
def test_what_is_no_generator_or_states_nothing_is_left_out(with_generator, given):
    t, network, *_ = with_generator(**given)
    assert generator_sources(t, network, isolated=()) == []


def test_an_isolated_generator_is_left_out(with_generator):
    t, network, name, *_ = with_generator(**STATED)
    assert generator_sources(t, network, isolated=(name,)) == []
    assert len(generator_sources(t, network, isolated=("other",))) == 1
