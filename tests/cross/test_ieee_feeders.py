"""Whole feeders against published fault currents and another engine's.

The feeders are given as line matrices, so that this is a test of the network solution: sources,
phases, path sums and the three-phase and one-phase faults. Differences of modelling: regulators
and closed switches are links without impedance here, a millionth of an ohm to a few milliohm
there; line charging and loads are left out here.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from gridground.electrical.kinds import fault_kinds, phase_currents_a
from gridground.electrical.lines import abc_from_sequence
from gridground.electrical.thevenin import Feed, thevenin
from tests.check_table import record_many

DATA = Path(__file__).parent.parent / "published" / "data"
HEAD = {"34": ("800", True), "37": ("799r", False), "123": ("150", True)}  # node, grounded
OFF = {"34": {"sourcebus", "888", "890"}, "37": {"sourcebus", "775"}, "123": {"sourcebus", "610"}}


def source(case):
    """Return impedance and voltage behind the substation transformer, at its low side."""
    data, transformer = case["source"], case["transformers"][0]
    high, low = transformer["windings"]
    base_ohm = low["kv"] ** 2 * 1000 / low["kva"]
    percent = high["r_percent"] + low["r_percent"] + 1j * transformer["xhl_percent"]
    own = percent / 100 * base_ohm
    before = complex(data["R1"], data["X1"]) * (low["kv"] / high["kv"]) ** 2
    grounded = not low["delta"]
    zero = own if grounded else 1e6 * abs(own) * 1j  # a delta lets no zero sequence through
    volts = data["pu"] * low["kv"] * 1000 / np.sqrt(3) * np.exp(-2j * np.pi / 3 * np.arange(3))
    return abc_from_sequence(before + own, zero), volts


def spans(case):
    """Return (from, to, mask, ohm) of lines, and of regulators as links."""
    for line in case["lines"]:
        letters = ["ABC".index(phase) for phase in line["phases"]]
        block = np.array(line["r_per_unit_length"]) + 1j * np.array(line["x_per_unit_length"])
        ohm = np.zeros((3, 3), complex)
        ohm[np.ix_(letters, letters)] = block * line["length"]
        yield line["from"], line["to"], sum(1 << k for k in letters), ohm
    for transformer in case["transformers"]:
        if transformer["name"].startswith("reg"):
            start, end = (winding["bus"].split(".") for winding in transformer["windings"])
            mask = 7 if len(start) == 1 else 1 << int(start[1]) - 1
            yield start[0], end[0], mask, np.zeros((3, 3), complex)


def solve(name):
    case = json.loads((DATA / f"ieee{name}_network.json").read_text())
    rows = list(spans(case))
    nodes = sorted({end for row in rows for end in row[:2]})
    number = {node: k for k, node in enumerate(nodes)}
    ohm, volts = source(case)
    feed = Feed(
        n_nodes=len(nodes),
        node_from=np.array([number[row[0]] for row in rows]),
        node_to=np.array([number[row[1]] for row in rows]),
        closed=np.array([row[2] for row in rows], np.uint8),
        span_ohm=np.array([row[3] for row in rows]),
        source_node=np.array([number[HEAD[name][0]]]),
        source_phases=np.array([7], np.uint8),
        source_ohm=ohm[None],
        source_v=volts[None],
    )
    return number, thevenin(feed)


def rows_of(name, column):
    with (DATA / f"ieee{name}_faults.csv").open(newline="") as file:
        return [r for r in csv.DictReader(file) if r["node"] not in OFF[name] and r[column]]


@pytest.mark.parametrize("name", HEAD)
def test_three_phase_currents_as_published(name):
    number, seen = solve(name)
    rows = [r for r in rows_of(name, "published_a") if r["phases"] == "ABC"]
    assert len(rows) >= 20
    at = np.array([number[row["node"]] for row in rows])
    assert (seen.phases[at] == 7).all()
    found = phase_currents_a(seen.impedance_ohm[at], seen.voltage_v[at])
    expected = np.array([[float(row[f"published_{p}"]) for p in "abc"] for row in rows])
    source = "published three-phase fault currents of the IEEE test feeders"
    record_many("IEEE test feeders", f"{name} nodes, three-phase", found, expected, source)
    assert np.abs(found / expected - 1).max() < 0.011


@pytest.mark.parametrize("name", HEAD)
def test_phases_and_currents_as_the_other_engine(name):
    number, seen = solve(name)
    rows = rows_of(name, "phases")
    at = np.array([number[row["node"]] for row in rows])
    letters = np.array([sum(1 << "ABC".index(p) for p in row["phases"]) for row in rows])
    assert (seen.phases[at] == letters).all()
    full = letters == 7
    found = phase_currents_a(seen.impedance_ohm[at[full]], seen.voltage_v[at[full]])
    expected = [[float(row[f"iallg_{p}"]) for p in "abc"] for row in rows if row["phases"] == "ABC"]
    source = "another engine's fault study of the same feeder, stored figures"
    record_many("IEEE test feeders", f"{name} nodes, all phases", found, expected, source)
    assert np.abs(found / np.array(expected) - 1).max() < 0.005


@pytest.mark.parametrize("name", ["34", "123"])
def test_one_phase_currents_as_the_other_engine(name):
    number, seen = solve(name)
    rows = rows_of(name, "phases")
    at = np.array([number[row["node"]] for row in rows])
    found = fault_kinds(
        seen.impedance_ohm[at],
        seen.voltage_v[at],
        seen.phases[at],
        grounded=np.ones(len(at), bool),
        single_phase=np.zeros(len(at), bool),
    ).phase_ground_a.T
    expected = np.array([[float(row[f"islg_{p}"] or "nan") for p in "abc"] for row in rows])
    known = ~np.isnan(found)
    assert known.sum() > 60
    source = "another engine's fault study of the same feeder, stored figures"
    figures = (found[known], expected[known])
    record_many("IEEE test feeders", f"{name} nodes, phase to ground", *figures, source)
    assert np.abs(found[known] / expected[known] - 1).max() < 0.005
