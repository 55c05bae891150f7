"""Feeders with grounds as circuits of plain elements, and the same as netlists of a simulator.

Nothing here comes from the program: the elements are named one by one, line constants are computed
in feet and miles (Kersting, Distribution System Modeling and Analysis, chapter 4) or in metres with
the earth's depth of return written out. In the netlist mutual inductance is a set of coupled
inductors, mutual resistance a set of controlled sources, the body a resistor.
"""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

EARTH = "0"
FAR_OHM = 1e15  # a body that touches nothing


@dataclass(frozen=True)
class Wire:
    """One conductor: its place on the pole top [ft], resistance [ohm/mile], GMR [ft]."""

    x_ft: float
    y_ft: float
    ohm_per_mile: float
    gmr_ft: float


def apart_ft(one, other):
    """Return the distance between two wires, of a wire from itself its GMR."""
    if one is other:
        return one.gmr_ft
    return math.hypot(one.x_ft - other.x_ft, one.y_ft - other.y_ft)


def per_mile_ohm(wires, hertz, rho_ohm_m):
    """Return the primitive matrix [ohm/mile], the form in feet."""
    z = np.zeros((len(wires), len(wires)), complex)
    for i, one in enumerate(wires):
        for j, other in enumerate(wires):
            reach = math.log(1 / apart_ft(one, other)) + 7.6786 + 0.5 * math.log(rho_ohm_m / hertz)
            z[i, j] = 0.00158836 * hertz + 0.00202237j * hertz * reach
        z[i, i] += one.ohm_per_mile
    return z


def per_metre_ohm(wires, hertz, rho_ohm_m):
    """Return the primitive matrix [ohm/m] with the return at 658.5 sqrt(rho/f) metres."""
    omega, mu0 = 2 * math.pi * hertz, 4e-7 * math.pi
    depth_m = 658.5 * math.sqrt(rho_ohm_m / hertz)
    z = np.full((len(wires), len(wires)), omega * mu0 / 8, complex)
    for i, one in enumerate(wires):
        for j, other in enumerate(wires):
            distance_m = 0.3048 * apart_ft(one, other)
            z[i, j] += 1j * omega * mu0 / (2 * math.pi) * math.log(depth_m / distance_m)
        z[i, i] += one.ohm_per_mile / 1609.344
    return z


FORMS = {"feet": lambda *a: per_mile_ohm(*a) / 1609.344, "metres": per_metre_ohm}


@dataclass
class Wiring:
    """A circuit: conductors that run together, single impedances, and what drives them.

    Nodes are texts; ``"0"`` is earth. A watched impedance has a name.
    """

    hertz: float
    rho_ohm_m: float
    form: str
    blocks: list = field(default_factory=list)  # starts, ends, matrix
    ties: dict = field(default_factory=dict)  # name -> start, end, ohm
    drives: list = field(default_factory=list)  # start, end, volts (complex), ohm
    alias: dict = field(default_factory=dict)
    floating: set = field(default_factory=set)  # one node of each part that is tied to nothing

    def node(self, name):
        """Return what a name stands for."""
        return self.alias.get(name, name)

    def run(self, starts, ends, wires, lengths_m):
        """Hang conductors side by side; unequal lengths couple over their geometric mean."""
        z = FORMS[self.form](wires, self.hertz, self.rho_ohm_m)
        root = np.sqrt(np.broadcast_to(np.asarray(lengths_m, float), len(wires)))
        self.block(starts, ends, z * np.outer(root, root))

    def block(self, starts, ends, matrix):
        """Put a matrix of impedances between nodes."""
        starts, ends = [self.node(n) for n in starts], [self.node(n) for n in ends]
        self.blocks.append((starts, ends, np.asarray(matrix, complex)))

    def tie(self, name, start, end, ohm):
        """Put one impedance between two nodes."""
        if name in self.ties:
            raise ValueError(name)
        self.ties[name] = (self.node(start), self.node(end), complex(ohm))

    def nodes(self):
        """Return all nodes but earth."""
        found = {n for starts, ends, _ in self.blocks for n in (*starts, *ends)}
        found |= {n for start, end, _ in self.ties.values() for n in (start, end)}
        found |= {n for start, end, _, _ in self.drives for n in (start, end)}
        return sorted(found - {EARTH})


@dataclass(frozen=True)
class Answer:
    """Amperes of every tie, volts over earth where it starts, volts across every contact."""

    current_a: dict
    start_v: dict
    contact_v: list


# --- the netlist of a circuit simulator --------------------------------------------------------


def netlist(wiring, contacts, body_ohm):
    """Return a circuit as text.

    It is solved once without a body (currents of all ties, volts where they start), then with the
    body across each contact in turn.
    """
    number = {node: f"n{k}" for k, node in enumerate(wiring.nodes())} | {EARTH: EARTH}
    omega = 2 * math.pi * wiring.hertz
    lines = ["* feeder with grounds", ".options rshunt=1e12"]
    for k, block in enumerate(wiring.blocks):
        lines += _coupled(k, block, number, omega)
    for k, (start, end, ohm) in enumerate(wiring.ties.values()):
        lines += _metered(f"t{k}", number[start], number[end], ohm, omega)
    for k, (start, end, volts, ohm) in enumerate(wiring.drives):
        phase = math.degrees(np.angle(volts))
        lines.append(f"Ve{k} e{k} {number[end]} DC 0 AC {abs(volts):.15g} {phase:.15g}")
        lines += _metered(f"d{k}", f"e{k}", number[start], ohm, omega)
    for k, (one, other) in enumerate(contacts):
        lines.append(f"Rb{k} {number[wiring.node(one)]} {number[wiring.node(other)]} {FAR_OHM}")
    sweep = f"ac lin 1 {wiring.hertz:.15g} {wiring.hertz:.15g}"
    # without this it keeps every voltage and current of every run
    kept = [f"i(Vt{k})" for k in range(len(wiring.ties))] + [
        f"v({n})" for n in _looked_at(wiring, contacts, number)
    ]
    lines += [".control", "set numdgt=14", "save " + " ".join(kept), sweep]
    for k, (start, _, _) in enumerate(wiring.ties.values()):
        lines.append(f"print mag(i(Vt{k}))")
        lines.append("print mag(0)" if start == EARTH else f"print mag(v({number[start]}))")
    for k, (one, other) in enumerate(contacts):
        ends = [number[wiring.node(n)] for n in (one, other)]
        between = "-".join(f"v({n})" for n in ends if n != EARTH)
        lines += [f"alter rb{k}={body_ohm:.15g}", sweep, f"print mag({between})"]
        lines.append(f"alter rb{k}={FAR_OHM}")
    return "\n".join([*lines, ".endc", ".end"]) + "\n"


def _looked_at(wiring, contacts, number):
    """Return the nodes whose voltage is wanted."""
    nodes = [start for start, _, _ in wiring.ties.values()]
    nodes += [wiring.node(n) for pair in contacts for n in pair]
    return sorted({number[n] for n in nodes} - {EARTH})


def _metered(name, start, end, ohm, omega):
    """Return a single impedance with a meter (a source of no volts) before it."""
    tail = f"L{name} b{name} {end} {ohm.imag / omega:.15g}"
    return [
        f"V{name} {start} a{name} 0",
        f"R{name} a{name} b{name} {ohm.real:.15g}",
        tail if ohm.imag else f"Vz{name} b{name} {end} 0",
    ]


def _coupled(k, block, number, omega):
    """Return conductors that run together."""
    starts, ends, z = block
    size, lines = len(starts), []
    for i in range(size):
        inside = [f"c{k}x{i}y{n}" for n in range(size + 1)]
        lines.append(f"Vc{k}x{i} {number[starts[i]]} {inside[0]} 0")
        lines.append(f"Rc{k}x{i} {inside[0]} {inside[1]} {z[i, i].real:.15g}")
        for at, j in enumerate((j for j in range(size) if j != i), 1):
            across = f"{inside[at]} {inside[at + 1]} Vc{k}x{j} {z[i, j].real:.15g}"
            lines.append(f"Hc{k}x{i}x{j} {across}")
        lines.append(f"Lc{k}x{i} {inside[-1]} {number[ends[i]]} {z[i, i].imag / omega:.15g}")
    for i, j in combinations(range(size), 2):
        ratio = z[i, j].imag / math.sqrt(z[i, i].imag * z[j, j].imag)
        lines.append(f"Kc{k}x{i}x{j} Lc{k}x{i} Lc{k}x{j} {ratio:.15g}")
    return lines


def simulate(wiring, contacts, body_ohm, folder):
    """Run the simulator."""
    path = folder / "feeder.cir"
    path.write_text(netlist(wiring, contacts, body_ohm))
    done = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    found = re.findall(r"^mag\(.*\) = ([0-9.eE+-]+)", done.stdout, re.MULTILINE)
    n = len(wiring.ties)
    assert len(found) == 2 * n + len(contacts), done.stdout + done.stderr
    values = [float(value) for value in found]
    return Answer(
        dict(zip(wiring.ties, values[0 : 2 * n : 2], strict=True)),
        dict(zip(wiring.ties, values[1 : 2 * n : 2], strict=True)),
        values[2 * n :],
    )


def version():
    """Return the simulator's name and version."""
    text = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=True)
    return "ngspice " + re.search(r"ngspice-(\S+)", text.stdout).group(1)
