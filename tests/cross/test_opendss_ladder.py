"""The worker study against a distribution engine of the OpenDSS kind, on the same layouts.

A third route beside the program and the circuit simulator: every run of conductors is a `Line` of
as many conductors with its own impedance matrix, leads, rods and the body are `Reactor` elements,
a source is a current source with its impedance beside it (Norton), since the engine's voltage
sources want sequence impedances and cannot stand for some phases of a station only. The engine
builds and factorises its own admittance matrix. The line constants are those in metres with the
earth's return at 658.5 sqrt(rho/f), the program's formula written again, so that what is left is
the network itself. What limits the agreement: the study's voltages and rises have six digits (5e-6)
and are rounded to a microvolt; lead currents, only rounded to a microampere, agree to 1e-7.

The line constants are also asked of the engine itself, by geometry.
"""

from __future__ import annotations

import cmath
import math
import os
from importlib.util import find_spec

import numpy as np
import pytest

from gridground.electrical.lines import primitive_ohm_per_km
from tests.check_table import record, record_many
from tests.cross.comparison import compare, counter_example
from tests.cross.layouts import COUNTER_EXAMPLES, LAYOUTS, two_circuits_one_neutral
from tests.cross.netlists import EARTH, Answer
from tests.cross.worksites import hang, words

pytestmark = pytest.mark.skipif(
    find_spec("opendssdirect") is None and "CI" not in os.environ,
    reason="opendssdirect is not installed",
)
SOURCE = "computed: multi-conductor lines and reactors, tests/cross"


class Engine:
    """One circuit in the engine; a bus for each pole, its conductors numbered as they come."""

    def __init__(self, wiring):
        import opendssdirect as dss

        self.dss = dss
        self.terminals = {}
        hertz = f"{wiring.hertz:.15g}"
        self("clear", f"set defaultbasefrequency={hertz}")
        self(f"new circuit.feeder bus1=aside basekv=1 phases=1 frequency={hertz}")
        for k, block in enumerate(wiring.blocks):
            self.line(f"run{k}", *block)
        for k, (start, end, ohm) in enumerate(wiring.ties.values()):
            self.reactor(f"tie{k}", start, end, ohm)
        for k, node in enumerate(sorted(wiring.floating)):
            self.reactor(f"hold{k}", wiring.node(node), EARTH, 1.0 + 0.0j)
        for k, (start, end, volts, ohm) in enumerate(wiring.drives):
            self.reactor(f"inside{k}", start, end, ohm)
            size, turn = cmath.polar(volts / ohm)
            ends = f"bus1={self.at([start])} bus2={self.at([end])}"
            driven = f"amps={size:.15g} angle={math.degrees(turn):.15g} frequency={hertz}"
            self(f"new isource.drive{k} phases=1 {ends} {driven}")

    def __call__(self, *commands):
        """Run commands; the engine raises what it does not understand."""
        for command in commands:
            self.dss.Text.Command(command)

    def at(self, nodes):
        """Return the bus and terminals of nodes that stand on one pole, as "P6.1.2.3.0"."""
        bus = next((n.partition(".")[0] for n in nodes if n != EARTH), "earth")
        numbers = []
        for node in nodes:
            assert node == EARTH or node.partition(".")[0] == bus, nodes
            known = self.terminals.setdefault(bus, {EARTH: 0})
            numbers.append(str(known.setdefault(node, len(known))))
        return ".".join([bus, *numbers])

    def line(self, name, starts, ends, ohm):
        """Add conductors that run together."""
        rows = {
            key: " | ".join(" ".join(f"{v:.15g}" for v in row) for row in part)
            for key, part in (
                ("rmatrix", ohm.real),
                ("xmatrix", ohm.imag),
                ("cmatrix", 0 * ohm.real),
            )
        }
        matrices = " ".join(f"{key}=[{text}]" for key, text in rows.items())
        where = f"phases={len(starts)} bus1={self.at(starts)} bus2={self.at(ends)}"
        self(f"new line.{name} {where} {matrices} length=1 units=none")

    def reactor(self, name, start, end, ohm):
        """Add a single impedance."""
        where = f"bus1={self.at([start])} bus2={self.at([end])}"
        self(f"new reactor.{name} phases=1 {where} r={ohm.real:.15g} x={ohm.imag:.15g}")

    def solve(self):
        """Solve the circuit as it stands."""
        self.dss.Solution.Solve()
        assert self.dss.Solution.Converged()

    def volts_and_amps(self, name):
        """Return the voltages at both ends of a single impedance and the current through it."""
        self.dss.Circuit.SetActiveElement(f"reactor.{name}")
        volts = np.array(self.dss.CktElement.Voltages()).view(complex)
        amps = np.array(self.dss.CktElement.Currents()).view(complex)
        return volts[0], volts[1], amps[0]


def simulate(wiring, contacts, body_ohm):
    """Solve without a body, then with the body across each contact in turn."""
    engine = Engine(wiring)
    for k, ends in enumerate(contacts):
        engine.reactor(f"body{k}", *(wiring.node(n) for n in ends), complex(body_ohm))
        engine(f"disable reactor.body{k}")
    engine.solve()
    current, start_v, contact_v = {}, {}, []
    for k, name in enumerate(wiring.ties):
        volts, _, amps = engine.volts_and_amps(f"tie{k}")
        current[name], start_v[name] = abs(amps), abs(volts)
    for k in range(len(contacts)):
        engine(f"enable reactor.body{k}")
        engine.solve()
        one, other, _ = engine.volts_and_amps(f"body{k}")
        contact_v.append(abs(one - other))
        engine(f"disable reactor.body{k}")
    return Answer(current, start_v, contact_v)


def name_of_engine():
    """Return the engine's name and version."""
    import opendssdirect

    return f"opendssdirect.py {opendssdirect.__version__}"


@pytest.mark.parametrize("build", LAYOUTS, ids=words)
def test_worker_voltage_and_currents(build):
    found = compare(build(), simulate, form="metres")
    assert found.largest_a > 100.0  # it does simulate a fault
    found.check(leads=1e-7, others=1e-5)
    found.record(name_of_engine(), words(build), SOURCE)


@pytest.mark.parametrize("build", [*COUNTER_EXAMPLES, two_circuits_one_neutral], ids=words)
def test_counter_example(build):
    ours, theirs = counter_example(build(), simulate, form="metres")
    assert theirs > 10.0
    assert ours == pytest.approx(theirs, rel=1e-5)
    group = f"worker's voltage without a bond at the worksite, {name_of_engine()}"
    record(group, words(build), ours, theirs, SOURCE)


TOPS = {
    "three phases and neutral": hang("ABC"),
    "one phase and neutral": hang("B", top="IEEE 510"),
    "two circuits on one neutral": hang("ABC", top="left of two", prefix="F1:")
    | hang("CAB", top="right of two", conductor="556.5 ACSR 26/7", neutral=None, prefix="F2:"),
}


@pytest.mark.parametrize(("hertz", "rho_ohm_m"), [(60.0, 100.0), (50.0, 1000.0)])
@pytest.mark.parametrize("name", TOPS)
def test_line_constants_from_the_engine_s_geometry(name, hertz, rho_ohm_m):
    """Independent: the engine's own earth return (first terms of Carson's series)."""
    wires = list(TOPS[name].values())
    theirs = constants_from_geometry(wires, hertz, rho_ohm_m)
    ours = primitive_ohm_per_km(
        [w.ohm_per_mile / 1.609344 for w in wires],
        [w.gmr_ft * 0.3048 for w in wires],
        [w.x_ft * 0.3048 for w in wires],
        [w.y_ft * 0.3048 for w in wires],
        frequency_hz=hertz,
        resistivity_ohm_m=rho_ohm_m,
    )
    assert ours == pytest.approx(theirs, rel=1e-6)
    group = f"line constants with explicit neutral, {name_of_engine()}"
    what = f"{name}, {hertz:g} Hz, {rho_ohm_m:g} ohm·m"
    record_many(group, what + ", R", ours.real, theirs.real, "computed: geometry in the engine")
    record_many(group, what + ", X", ours.imag, theirs.imag, "computed: geometry in the engine")


def constants_from_geometry(wires, hertz, rho_ohm_m):
    """Return the engine's primitive matrix [ohm/km]."""
    import opendssdirect as dss

    command = dss.Text.Command
    command("clear")
    command(f"set defaultbasefrequency={hertz:.15g}")
    command(f"new circuit.feeder bus1=aside basekv=1 phases=1 frequency={hertz:.15g}")
    command("set earthmodel=carson")
    for k, w in enumerate(wires):
        figures = f"rac={w.ohm_per_mile:.15g} runits=mi gmrac={w.gmr_ft:.15g} gmrunits=ft"
        command(f"new wiredata.w{k} {figures} diam=0.5 radunits=in normamps=100")
    command(f"new linegeometry.top nconds={len(wires)} nphases={len(wires)} reduce=no")
    for k, w in enumerate(wires):
        place = f"x={w.x_ft:.15g} h={w.y_ft:.15g} units=ft"
        command(f"linegeometry.top.cond={k + 1} wire=w{k} {place}")
    terminals = "".join(f".{k + 1}" for k in range(len(wires)))
    ends = f"bus1=p{terminals} bus2=q{terminals}"
    command(f"new line.run geometry=top {ends} length=1 units=km rho={rho_ohm_m:.15g}")
    dss.Solution.Solve()
    command("set earthmodel=deri")  # the engine's own choice; the setting outlives the circuit
    dss.Lines.Name("run")
    shape = (len(wires), len(wires))
    parts = (np.array(m, float).reshape(shape) for m in (dss.Lines.RMatrix(), dss.Lines.XMatrix()))
    resistance, reactance = parts
    return resistance + 1j * reactance
