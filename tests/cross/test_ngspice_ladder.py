"""The worker study against a circuit simulator (ngspice, AC analysis), on many layouts.

Independent: the circuits of `layouts` name every conductor by hand from the figures, line constants
by the form in feet and miles, the body is a resistor. Every event from every origin, with the
neutral intact and broken in all the ways that are looked at: every contact the study lists, in
three events; over all events the largest current of every lead row and electrode and the largest
rise. Differences of modelling: the two forms of Carson's constants (in feet the earth's return
stands at a constant of 7.6786, in metres 658.5 makes it 7.6781); the simulator ties every node to
earth by 1 teraohm; the study rounds to a microvolt. Agreement asked for: 0.02 %.
"""

from __future__ import annotations

import os
import shutil

import pytest

from tests.check_table import record
from tests.cross import layouts, netlists
from tests.cross.comparison import compare, counter_example
from tests.cross.worksites import words

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None and "CI" not in os.environ, reason="ngspice is not installed"
)
RATIO = 2e-4
COUNTER_EXAMPLES = [
    layouts.dual_point_unequal_spans,
    layouts.three_wire_grounded_source,
    layouts.one_phase_source,
    layouts.mid_span,
]
SOURCE = "computed: netlist written from figures, tests/cross"


@pytest.fixture
def solve(tmp_path):
    return lambda *circuit: netlists.simulate(*circuit, tmp_path)


@pytest.mark.parametrize("build", layouts.LAYOUTS, ids=words)
def test_worker_voltage_and_currents(build, solve):
    found = compare(build(), solve, form="feet", few=True)
    assert found.largest_a > 100.0  # it does simulate a fault
    found.check(leads=RATIO, others=RATIO)
    found.record(netlists.version(), words(build), SOURCE)


@pytest.mark.parametrize("build", COUNTER_EXAMPLES, ids=words)
def test_counter_example(build, solve):
    """Without leads at the worksite: tens of volts to kilovolts, in the simulator too."""
    ours, theirs = counter_example(build(), solve, form="feet")
    assert theirs > 10.0
    assert ours == pytest.approx(theirs, rel=RATIO)
    group = f"worker's voltage without a bond at the worksite, {netlists.version()}"
    record(group, words(build), ours, theirs, SOURCE)


def test_a_divider_by_hand(solve):
    """The netlist's own check: V R / |R + Z| with a body, a coupled pair out and back."""
    one, mutual = 0.5 + 1.0j, 0.1 + 0.4j
    net = netlists.Wiring(60.0, 100.0, "feet")
    net.block(["a", "0"], ["c", "b"], [[one, mutual], [mutual, one]])
    net.tie("load", "c", "b", 2.0 - 0.0j)  # back through the second conductor
    net.drives.append(("a", "0", 100.0 + 0.0j, 0.25 + 0.25j))
    found = solve(net, [("c", "b")], 10.0)
    loop = 2 * one - 2 * mutual + 0.25 + 0.25j
    assert found.current_a["load"] == pytest.approx(100.0 / abs(loop + 2.0), rel=1e-9)
    beside = 2.0 * 10.0 / 12.0
    assert found.contact_v == [pytest.approx(100.0 * beside / abs(loop + beside), rel=1e-9)]
