"""The worker study against a circuit simulator (ngspice, AC analysis).

Independent: the netlist is written here from the feeder's figures, the line constants by the form in
feet and miles (Kersting, Distribution System Modeling and Analysis, chapter 4), mutual inductance
by coupled inductors and mutual resistance by controlled sources; the body is a resistor. Differences
of modelling: the two forms of Carson's constants agree to five digits; the simulator adds 1 pS to
every node. Agreement asked for: 0.1 %.
"""  # noqa: E501

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess

import numpy as np
import pytest

from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting, study
from gridground.territory.network import Network
from tests.feeder import straight

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None and "CI" not in os.environ, reason="ngspice is not installed"
)
OMEGA = 2 * math.pi * 60.0
LEAD = (0.0018, 0.0012)
SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
N_SPANS, ROD_OHM, GROUND_OHM = 8, 50.0, 25.0
FULL = [("rod", "bar"), ("bar", "neutral"), ("neutral", "A"), ("A", "B"), ("B", "C")]
SMALL = [("rod", "bar"), ("bar", "neutral"), ("bar", "A"), ("A", "B"), ("B", "C")]
# pole -> leads; the worksite is always P6; contact held against the bar there
LAYOUTS = {
    "single-point": {6: FULL},
    "dual-point": {5: FULL, 7: FULL, 6: [("bar", "A")]},
    "small neutral": {5: SMALL, 7: SMALL, 6: [("bar", "A")]},
}


def carson(length_m):
    """Return the primitive matrix of the IEEE 500 spacing, 336.4 and 4/0 ACSR, in ohm."""
    x, y = [-4.0, -1.5, 3.0, 0.0], [28.0, 28.0, 28.0, 24.0]
    r, gmr = [0.306, 0.306, 0.306, 0.592], [0.0244, 0.0244, 0.0244, 0.00814]
    z = np.zeros((4, 4), complex)
    for i in range(4):
        for j in range(4):
            d = gmr[i] if i == j else math.hypot(x[i] - x[j], y[i] - y[j])
            reach = math.log(1 / d) + 7.6786 + 0.5 * math.log(100.0 / 60.0)
            z[i, j] = 0.00158836 * 60 + 0.00202237j * 60 * reach + (r[i] if i == j else 0.0)
    return z * length_m / 1609.344


class Netlist:
    """Lines of a netlist."""

    def __init__(self):
        self.lines = ["* feeder"]
        self.count = 0

    def series(self, start, end, ohm):
        """Add an uncoupled impedance."""
        self.count += 1
        k = self.count
        self.lines.append(f"Rs{k} {start} m{k} {ohm.real:.12g}")
        inductance = ohm.imag / OMEGA
        self.lines.append(
            f"Ls{k} m{k} {end} {inductance:.12g}" if inductance else f"Vs{k} m{k} {end} 0"
        )

    def coupled(self, starts, ends, z):
        """Add conductors that run together; a start of None leaves that conductor out."""
        self.count += 1
        k = self.count
        live = [i for i, s in enumerate(starts) if s is not None]
        for i in live:
            inside = [f"c{k}x{i}y{n}" for n in range(len(live) + 2)]
            self.lines.append(f"Vc{k}x{i} {starts[i]} {inside[0]} 0")
            self.lines.append(f"Rc{k}x{i} {inside[0]} {inside[1]} {z[i, i].real:.12g}")
            at = 1
            for j in live:
                if j != i:
                    line = f"{inside[at]} {inside[at + 1]} Vc{k}x{j} {z[i, j].real:.12g}"
                    self.lines.append(f"Hc{k}x{i}x{j} {line}")
                    at += 1
            self.lines.append(f"Lc{k}x{i} {inside[at]} {ends[i]} {z[i, i].imag / OMEGA:.12g}")
            for j in live:
                if j > i:
                    ratio = z[i, j].imag / math.sqrt(z[i, i].imag * z[j, j].imag)
                    self.lines.append(f"Kc{k}x{i}x{j} Lc{k}x{i} Lc{k}x{j} {ratio:.12g}")


def netlist(leads, event, contact, *, broken):
    """Write the feeder with its source, leads, grounds and the body."""
    net = Netlist()
    volt = 12470 / math.sqrt(3)
    z1 = volt / 8000 * np.exp(1j * math.atan(8.0))
    zs = volt / 7000 * np.exp(1j * math.atan(6.0))
    mutual = complex(zs - z1)  # what the phases of the source have in common, in the return
    for k, phase in enumerate("ABC"):
        if phase in event:
            net.lines.append(f"Ve{phase} e{phase} star AC {volt:.12g} {-120 * k}")
            net.series(f"e{phase}", f"P0{phase}", z1)
    net.series("star", "0", mutual)
    for s in range(N_SPANS):
        near = [f"P{s}{c}" for c in "ABC"] + ["0" if s == 0 else f"P{s}N"]
        if broken and s + 1 == min(leads):
            near[3] = None
        net.coupled(near, [f"P{s + 1}{c}" for c in "ABCN"], carson(50.0))
    for k in range(2, N_SPANS + 1, 2):
        net.series(f"P{k}N", "0", complex(GROUND_OHM))
    for k, pairs in leads.items():
        names = {"rod": f"rod{k}", "bar": f"bar{k}", "neutral": f"P{k}N"}
        for one, other in pairs:
            net.series(
                names.get(one, f"P{k}{one}"), names.get(other, f"P{k}{other}"), complex(*LEAD)
            )
        if any("rod" in pair for pair in pairs):
            net.series(f"rod{k}", "0", complex(ROD_OHM))
    touched = "P6N" if contact == "neutral" else f"P6{contact}"
    net.lines.append(f"Rbody {touched} bar6 1000")
    net.lines += [".options reltol=1e-9", ".ac lin 1 60 60", ".control", "run"]
    phase = "ABC".index(event[-1])
    net.lines += [
        f"print mag(v({touched})-v(bar6))",
        f"print mag(i(Vc{first_run(net)}x{phase}))",
    ]
    net.lines += [".endc", ".end"]
    return "\n".join(net.lines) + "\n"


def first_run(net):
    """Return the number of the first coupled run in a netlist."""
    return next(int(m.group(1)) for m in map(re.compile(r"Vc(\d+)x0").match, net.lines) if m)


def simulate(text, folder):
    """Run the simulator and return the printed magnitudes."""
    path = folder / "feeder.cir"
    path.write_text(text)
    done = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    found = re.findall(r"^mag\(.*\) = ([0-9.eE+-]+)", done.stdout, re.MULTILINE)
    assert len(found) == 2, done.stdout + done.stderr
    return [float(value) for value in found]


@pytest.mark.parametrize("event", ["ABC", "BC", "A"])
@pytest.mark.parametrize("neutral", ["intact", "broken"])
@pytest.mark.parametrize("name", LAYOUTS)
def test_worker_voltage(name, neutral, event, tmp_path):
    data = straight(N_SPANS, ground_every=2, ground_ohm=GROUND_OHM)
    data.poles["ground_ohm"][0] = np.nan
    places, row = [], 0
    for k, pairs in LAYOUTS[name].items():
        branches = tuple(Branch(a, b, *LEAD, row + i) for i, (a, b) in enumerate(pairs))
        row += len(pairs)
        rod = ROD_OHM if any("rod" in pair for pair in pairs) else None
        places.append(Place(f"P{k}", None, ("F1",), rod, branches, k == 6))
    origin = Origin("F1", "F1", Network.build(data))
    answer = study(data, Layout(tuple(places), {}), origins=[origin], setting=SETTING)
    for contact in ("B", "C", "neutral"):
        [ours] = [
            c.voltage_v
            for c in answer.cases
            if (c.event, c.neutral, c.contact) == (event, neutral, f"{contact}-bar@P6")
        ]
        text = netlist(LAYOUTS[name], event, contact, broken=neutral == "broken")
        theirs, source_a = simulate(text, tmp_path)
        assert source_a > 100.0  # it does simulate a fault
        assert ours == pytest.approx(theirs, rel=1e-3, abs=1e-4)
