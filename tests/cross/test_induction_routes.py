"""Induction by other routes: the field itself, Carson's integral, complex depth, another engine.

Differences of modelling: this program keeps the first terms of Carson's series; the integral and
the complex depth keep the heights. OpenDSS ships the modified Carson, the full Carson and the
complex-depth (Deri) formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from gridground.electrical.induction import (
    EPSILON_0,
    balanced,
    discharge_a_per_km,
    floating_v,
    loop_a,
    mutual_ohm_per_km,
    potential_per_f_m,
)
from gridground.electrical.lines import primitive_ohm_per_km
from tests.check_table import record, record_many

F_HZ, RHO_OHM_M = 60.0, 100.0
OMEGA, MU0 = 2 * np.pi * F_HZ, 4e-7 * np.pi
SOIL = {"frequency_hz": F_HZ, "resistivity_ohm_m": RHO_OHM_M}
LIVE_X, LIVE_Y = np.array([-4.0, 0.0, 4.0]), np.array([15.0, 15.0, 15.0])
RADIUS_M = 0.012


def carson_integral(side_m, low_m, high_m):
    """Return the mutual impedance by Carson's integral [ohm/km], independent of the series."""
    gamma = 1j * OMEGA * MU0 / RHO_OHM_M

    def kernel(u):
        return np.exp(-(low_m + high_m) * u) * np.cos(u * side_m) / (u + np.sqrt(u * u + gamma))

    parts = [quad(lambda u, p=p: getattr(kernel(u), p), 0, 2, limit=2000)[0]
             for p in ("real", "imag")]  # fmt: skip
    direct, image = np.hypot(side_m, high_m - low_m), np.hypot(side_m, high_m + low_m)
    z = 1j * OMEGA * MU0 / (2 * np.pi) * np.log(image / direct)
    return 1000 * (z + 1j * OMEGA * MU0 / np.pi * complex(*parts))


def complex_depth(side_m, low_m, high_m):
    """Return the mutual impedance by images at complex depth (Dubanton, Deri) [ohm/km]."""
    depth = np.sqrt(RHO_OHM_M / (1j * OMEGA * MU0))
    image = np.sqrt(side_m**2 + (low_m + high_m + 2 * depth) ** 2)
    direct = np.hypot(side_m, high_m - low_m)
    return 1000j * OMEGA * MU0 / (2 * np.pi) * np.log(image / direct)


@pytest.mark.parametrize(("side_m", "within"), [(1, 0.01), (10, 0.01), (30, 0.01), (100, 0.01),
                                                (300, 0.01), (500, 0.09)])  # fmt: skip
def test_mutual_against_carsons_integral(side_m, within):
    ours = abs(mutual_ohm_per_km(np.hypot(side_m, 5.0), **SOIL))
    theirs = abs(carson_integral(side_m, 10.0, 15.0))
    record("induction", f"mutual impedance at {side_m} m [ohm/km]", ours, theirs,
           "Carson's integral by quadrature (computed)")  # fmt: skip
    assert ours == pytest.approx(theirs, rel=within)
    if side_m >= 300:
        assert ours > theirs  # errs high where the series' first terms end


@pytest.mark.parametrize("side_m", [1, 10, 30, 100, 300])
def test_mutual_against_complex_depth(side_m):
    ours = abs(mutual_ohm_per_km(np.hypot(side_m, 5.0), **SOIL))
    theirs = abs(complex_depth(side_m, 10.0, 15.0))
    record("induction", f"mutual impedance at {side_m} m [ohm/km]", ours, theirs,
           "images at complex depth (computed); differs by up to 4 %")  # fmt: skip
    assert ours == pytest.approx(theirs, rel=0.04)


def test_loop_against_the_whole_primitive_matrix():
    """All seven conductors in one matrix, the worked ones held at the voltage of their ends."""
    x = np.array([-4.0, 0.0, 4.0, 20.0, 21.0, 22.0, 21.0])
    y = np.array([15.0, 15.0, 15.0, 10.0, 10.0, 10.0, 8.5])
    radius = np.array([0.01] * 3 + [0.007] * 4)
    length_km, ends_ohm, load = 0.3, 7.5, balanced(600.0)
    whole = primitive_ohm_per_km([0.1] * 3 + [0.3] * 4, radius, x, y, **SOIL) * length_km
    z, emf = whole[3:, 3:], whole[3:, :3] @ load
    ours = loop_a(emf, z, ends_ohm)
    # other route: unknown currents and the voltage between the ends, one equation per conductor
    system = np.zeros((5, 5), complex)
    system[:4, :4], system[:4, 4], system[4, :4], system[4, 4] = z, 1.0, ends_ohm, -1.0
    theirs = np.linalg.solve(system, np.concatenate([emf, [0.0]]))[:4]
    record("induction", "currents of a loop of two grounds [A]", ours, theirs,
           "seven conductors in one matrix, mesh equations (computed)")  # fmt: skip
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("offset_m", [6.0, 20.0, 60.0])
def test_floating_voltage_against_the_field_itself(offset_m):
    """Charges of the three wires, then the field integrated from the ground up."""
    x, y = np.append(LIVE_X, offset_m), np.append(LIVE_Y, 10.0)
    matrix = potential_per_f_m(x, y, np.full(4, RADIUS_M), least_m=0.5)
    live = balanced(115e3 / np.sqrt(3))
    ours = abs(floating_v(matrix, live)[0])
    charge = np.linalg.solve(matrix[:3, :3], live)

    def upward(height):
        direct = (height - LIVE_Y) / ((offset_m - LIVE_X) ** 2 + (height - LIVE_Y) ** 2)
        image = (height + LIVE_Y) / ((offset_m - LIVE_X) ** 2 + (height + LIVE_Y) ** 2)
        return (charge * (direct - image)).sum() / (2 * np.pi * EPSILON_0)

    parts = [quad(lambda h, p=p: getattr(upward(h), p), 0, 10.0)[0] for p in ("real", "imag")]
    theirs = abs(complex(*parts))
    record("induction", f"floating voltage at {offset_m:g} m [V]", ours, theirs,
           "field integrated from the ground up (computed)")  # fmt: skip
    assert ours == pytest.approx(theirs, rel=1e-6)


@pytest.fixture
def engine():
    """Return the matrices of three energized and one dead wire out of OpenDSS, per earth model."""
    dss = pytest.importorskip("opendssdirect")

    def matrices(model, offset_m):
        dss.Text.Command("clear")
        dss.Text.Command("set defaultbasefrequency=60")  # what another test set stays otherwise
        dss.Text.Command("new circuit.c basekv=115 phases=3")
        dss.Text.Command(f"set earthmodel={model}")
        dss.Text.Command("new wiredata.w rac=0.1 runits=km gmrac=0.0095 gmrunits=m "
                         f"radius={RADIUS_M} radunits=m")  # fmt: skip
        dss.Text.Command("new linegeometry.g nconds=4 nphases=4")
        for k, (x, y) in enumerate(zip([*LIVE_X, offset_m], [*LIVE_Y, 10.0], strict=True), 1):
            dss.Text.Command(f"edit linegeometry.g cond={k} wire=w x={x} h={y} units=m")
        dss.Text.Command("new line.l bus1=a.1.2.3.4 bus2=b.1.2.3.4 geometry=g length=1 units=km "
                         f"rho={RHO_OHM_M}")  # fmt: skip
        dss.Text.Command("solve")
        dss.Lines.Name("l")
        z = np.array(dss.Lines.RMatrix()) + 1j * np.array(dss.Lines.XMatrix())
        return z.reshape(4, 4), np.array(dss.Lines.CMatrix()).reshape(4, 4) * 1e-9

    return matrices


@pytest.mark.parametrize("offset_m", [10.0, 30.0, 100.0])
def test_mutual_against_another_engine(engine, offset_m):
    ours = np.abs(mutual_ohm_per_km(np.hypot(LIVE_X - offset_m, 5.0), **SOIL))
    for model, within in (("Carson", 1e-3), ("FullCarson", 0.01), ("Deri", 0.04)):
        theirs = np.abs(engine(model, offset_m)[0][3, :3])
        record_many("induction", f"mutual impedances at {offset_m:g} m, {model} [ohm/km]",
                    ours, theirs, "OpenDSS (opendssdirect)")  # fmt: skip
        assert ours == pytest.approx(theirs, rel=within)


@pytest.mark.parametrize("offset_m", [10.0, 30.0, 100.0])
def test_electric_field_against_another_engine(engine, offset_m):
    capacitance = engine("Carson", offset_m)[1]
    live = balanced(115e3 / np.sqrt(3))
    matrix = potential_per_f_m([*LIVE_X, offset_m], [*LIVE_Y, 10.0], [RADIUS_M] * 4, least_m=0.5)
    ours = [abs(floating_v(matrix, live)[0]),
            1000 * abs(discharge_a_per_km(matrix, live, frequency_hz=F_HZ)[0])]  # fmt: skip
    coupled = capacitance[3, :3] @ live
    theirs = [abs(coupled / capacitance[3, 3]), 1000 * OMEGA * abs(coupled)]
    for name, mine, other in zip(("floating [V]", "grounded [mA/km]"), ours, theirs, strict=True):
        record("induction", f"{name} at {offset_m:g} m", mine, other, "OpenDSS (opendssdirect)")
    assert ours == pytest.approx(theirs, rel=2e-3)
