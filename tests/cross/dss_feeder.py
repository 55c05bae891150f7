"""Feeders handed to an OpenDSS-type engine, and what that engine sees at every bus.

Only the data go across: line matrices, sources, which phases are closed. The engine builds its own
admittances and finds impedances by unit currents into its factorized matrix.

Differences of modelling, and what is done about them:

- A source without zero sequence has a neutral point tied to ten megohm, so that the matrix can be
  factorized.
- A fault element has a resistance; the comparison gives this program's fault the same one.
- Line charging is set to zero; there are no loads.
- The engine's square root of three has ten digits: voltages agree to 3e-10 and no better.
"""

from __future__ import annotations

import numpy as np
import opendssdirect as engine

PAIRS = ((0, 1), (1, 2), (0, 2))
NAME = "OpenDSS engine (opendssdirect.py {}, {})"


def engine_name():
    """Return the engine's name and versions, for the table of checks."""
    return NAME.format(engine.__version__, engine.Basic.Version().split(" revision")[0])


def say(*commands):
    """Send commands to the engine."""
    for command in commands:
        engine.Text.Command(command)


def lower(matrix):
    """Return the lower triangle of a matrix as the engine wants it."""
    rows = [" ".join(f"{v:.17g}" for v in row[: k + 1]) for k, row in enumerate(matrix)]
    return "[" + " | ".join(rows) + "]"


def letters(mask):
    """Return the phase numbers of a mask as dotted text: 5 -> ``.1.3``."""
    return "".join(f".{k + 1}" for k in range(3) if mask >> k & 1)


def start(sources, *, frequency_hz=60.0):
    """Clear the engine and set up sources: (bus, line-to-ground volts, degrees, z1, z0).

    A source without zero-sequence impedance (None) has a neutral point tied to nothing but ten
    megohm.
    """
    say("clear", f"set DefaultBaseFrequency={frequency_hz}")
    for k, (bus, volts, degrees, z1, z0) in enumerate(sources):
        what = "circuit.feeder" if k == 0 else f"vsource.s{k}"
        zero = z1 if z0 is None else z0
        star = f" bus2={bus}.4.4.4" if z0 is None else ""
        say(
            f"new {what} bus1={bus}.1.2.3{star} basekv={volts * np.sqrt(3) / 1000:.17g} pu=1 "
            f"angle={degrees:.17g} phases=3 Z1=[{z1.real:.17g}, {z1.imag:.17g}] "
            f"Z0=[{zero.real:.17g}, {zero.imag:.17g}]"
        )
        if z0 is None:
            say(f"new reactor.star{k} bus1={bus}.4 phases=1 R=1e7 X=0")


def lines(rows):
    """Add lines: (from bus, to bus, mask, 3 x 3 impedance in ohm)."""
    for k, (one, other, mask, ohm) in enumerate(rows):
        on = [p for p in range(3) if mask >> p & 1]
        block = ohm[np.ix_(on, on)]
        zero = lower(np.zeros_like(block.real))
        say(
            f"new line.l{k} bus1={one}{letters(mask)} bus2={other}{letters(mask)} "
            f"phases={len(on)} rmatrix={lower(block.real)} xmatrix={lower(block.imag)} "
            f"cmatrix={zero} length=1 units=none"
        )


def line_matrices():
    """Return (from bus, to bus, mask, ohm) of every line as the engine worked it out."""
    rows = []
    for name in engine.Lines.AllNames():
        engine.Lines.Name(name)
        (one, *dots), (other, *_) = (
            end.split(".") for end in (engine.Lines.Bus1(), engine.Lines.Bus2())
        )
        on = [int(d) - 1 for d in dots]
        n = len(on)
        per = np.reshape(engine.Lines.RMatrix(), (n, n)) + 1j * np.reshape(
            engine.Lines.XMatrix(), (n, n)
        )
        ohm = np.zeros((3, 3), complex)
        ohm[np.ix_(on, on)] = per * engine.Lines.Length()
        rows.append((one, other, sum(1 << p for p in on), ohm))
    return rows


def solve():
    """Solve, then inject unit currents at every bus."""
    say("set controlmode=off", "solve mode=snapshot", "set mode=faultstudy", "solve")
    assert engine.Solution.Converged()


def seen(bus):
    """Return (phases as a tuple of 0, 1, 2; impedance [ohm]; voltage [V]; three-phase amps)."""
    engine.Circuit.SetActiveBus(bus)
    nodes = [n - 1 for n in engine.Bus.Nodes()]
    n = len(nodes)
    ohm = complexes(engine.Bus.ZscMatrix()).reshape(n, n)
    volt, amps = complexes(engine.Bus.Voc()), complexes(engine.Bus.Isc())
    keep = sorted(range(n), key=lambda k: nodes[k])
    keep = [k for k in keep if nodes[k] < 3]  # a floating neutral point is no phase
    chosen = tuple(nodes[k] for k in keep)
    return chosen, ohm[np.ix_(keep, keep)], volt[keep], np.abs(amps[keep])


def complexes(values):
    """Return pairs of real and imaginary parts as complex numbers."""
    flat = np.asarray(values, float).ravel()
    return flat[0::2] + 1j * flat[1::2]


def fault_amps(branches, *, fault_ohm):
    """Return currents of fault branches, [(bus, phase, bus or None, phase)], all at once.

    A branch runs from a phase to another, or to ground (None), through `fault_ohm`.
    """
    for k, (bus, phase, other, far) in enumerate(branches):
        end = f"{bus}.0" if other is None else f"{other}.{far + 1}"
        if engine.Circuit.SetActiveElement(f"fault.f{k}") < 0:
            say(f"new fault.f{k} phases=1")
        say(f"edit fault.f{k} bus1={bus}.{phase + 1} bus2={end} r={fault_ohm:.17g} enabled=yes")
    say("solve mode=snapshot")
    found = []
    for k in range(len(branches)):
        engine.Circuit.SetActiveElement(f"fault.f{k}")
        found.append(complexes(engine.CktElement.Currents())[0])
    say(*(f"edit fault.f{k} enabled=no" for k in range(len(branches))))
    return np.array(found)
