"""The primary of the IEEE 9500-node feeder against an OpenDSS-type engine, from files to currents.

Both start from the files of `tests/networks/ieee9500`. The engine is given wires, places on the
pole and lengths, and works out line constants and neutral reduction itself; switches stand as
recorded; each source is built from its stated fault figures. So the reading, the line constants,
the network and the currents are all done twice.

Differences of modelling: this program takes the first terms of Carson's series, in which height
does not enter, and no charging. The engine is asked four ways:

- its short series, and its own line matrices put back without charging: the same model; left are
  4e-8 of a line's impedance (digits of its constants);
- the same with the charging it works out from the places of the wires: up to 2e-4;
- its full series, with charging: height counts, up to 1e-3 of a phase-to-ground current;
- its default (Deri): it takes the resistance of a wire from that for direct current, which it
  assumes to be 1/1.02 of the stated one, and adds skin effect: resistances are lower by 1.7 %,
  and three-phase currents at the far ends higher by up to 1.1 %. These are the only figures more
  than 1 % apart, and the difference is one of data, not of method.

Cables and links are line matrices from the stated sequence figures on both sides. No loads, no
regulators' taps.
"""

from __future__ import annotations

import csv
import importlib.util
import json
import os
from collections import deque
from math import atan, sqrt
from pathlib import Path

import numpy as np
import pytest

import gridground as gg
from gridground.electrical.faults import fault_columns
from gridground.territory.network import Network
from tests.check_table import record, record_many

if importlib.util.find_spec("opendssdirect") is None and "CI" not in os.environ:
    pytest.skip("opendssdirect.py is not installed", allow_module_level=True)

from tests.cross import dss_feeder as dss

FOLDER = Path(__file__).parent.parent / "networks" / "ieee9500"
# name: engine's model of earth return, charging, largest deviation, least share within 1 %, 0.1 %
WAYS = {
    "short series, no charging": ("Carson", False, 1e-7, 1.0, 1.0),
    "short series": ("Carson", True, 3e-4, 1.0, 1.0),
    "full series": ("FullCarson", True, 1e-3, 1.0, 1.0),
    "default": ("Deri", True, 0.011, 0.97, 0.2),
}


def features(layer):
    """Return the properties of a layer's features."""
    found = json.loads((FOLDER / f"{layer}.geojson").read_text())["features"]
    return [feature["properties"] for feature in found]


def table(name):
    """Return the rows of one of the territory's tables."""
    with (FOLDER / name).open(newline="") as file:
        return list(csv.DictReader(file))


def live_spans():
    """Return the spans with the letters that are closed, as far as a source reaches them."""
    shut = {span["span_id"]: set(span["phases"]) for span in features("spans")}
    for device in features("devices"):
        if device["state"] == "open":
            shut[device["span_id"]] -= set(device["phases"])
    spans = features("spans")
    reached = {}
    for letter in "ABC":
        beside = {}
        for span in spans:
            if letter in shut[span["span_id"]]:
                beside.setdefault(span["from_pole"], []).append(span["to_pole"])
                beside.setdefault(span["to_pole"], []).append(span["from_pole"])
        queue = deque(circuit["source_pole"] for circuit in features("circuits"))
        seen = set(queue)
        while queue:
            for pole in beside.get(queue.popleft(), []):
                if pole not in seen:
                    seen.add(pole)
                    queue.append(pole)
        reached[letter] = seen
    for span in spans:
        closed = [
            p
            for p in span["phases"]
            if p in shut[span["span_id"]] and span["from_pole"] in reached[p]
        ]
        if closed:
            yield span, "".join(closed)


def build(earth, *, charging):
    """Hand the whole territory to the engine; return the bus of each pole."""
    bus = {pole["pole_id"]: f"b{k}" for k, pole in enumerate(features("poles"))}
    sources = stated_sources(bus)
    dss.start(sources)
    dss.say(f"set earthmodel={earth}")
    add_lines(bus)
    dss.solve()
    if not charging:
        rows = dss.line_matrices()
        dss.start(sources)
        dss.lines(rows)
        dss.solve()
    return bus


def stated_sources(bus):
    """Return the sources that give the stated fault figures."""
    sources = []
    for c in features("circuits"):
        volts = c["nominal_kv"] * 1000 / sqrt(3) * c["prefault_voltage_ratio"]
        z1 = volts / c["fault_3ph_a"] * np.exp(1j * atan(c["x_over_r_3ph"]))
        one = 3 * volts / c["fault_1ph_a"] * np.exp(1j * atan(c["x_over_r_1ph"]))
        sources.append((bus[c["source_pole"]], volts, 0.0, z1, one - 2 * z1))
    return sources


def add_lines(bus):
    """Hand wires, pole-tops and spans to the engine."""
    wires = {}
    for k, row in enumerate(table("conductors.csv")):
        wires[row["name"]] = f"w{k}"
        dss.say(
            f"new wiredata.w{k} rac={row['resistance_ohm_per_km']} runits=km "
            f"gmrac={row['gmr_m']} gmrunits=m diam={row['diameter_m']} radunits=m normamps=100"
        )
    places = {(row["name"], row["position"]): row for row in table("constructions.csv")}
    geometries = {}
    for k, (span, letters) in enumerate(live_spans()):
        ends = [bus[span[f"{end}_pole"]] for end in ("from", "to")]
        dots = "".join(f".{'ABC'.index(p) + 1}" for p in letters)
        head = f"new line.l{k} bus1={ends[0]}{dots} bus2={ends[1]}{dots} "
        if span["kind"] == "overhead":
            case = (span["construction"], letters, span["conductor"], span["neutral_conductor"])
            if case not in geometries:
                assert letters == span["phases"]  # no overhead span is open in part
                geometries[case] = f"g{len(geometries)}"
                dss.say(geometry(geometries[case], case, wires, places))
            dss.say(f"{head} geometry={geometries[case]} length={span['length_m']} units=m rho=100")
        else:
            dss.say(head + matrices(span, len(letters)))


def geometry(name, case, wires, places):
    """Return the command for a pole-top; the neutral is reduced by the engine."""
    construction, letters, phase, neutral = case
    rows = [(phase, places[construction, str(k + 1)]) for k in range(len(letters))]
    if neutral is not None:
        rows.append((neutral, places[construction, "N"]))
    parts = [
        f"cond={k} wire={wires[wire]} x={place['x_m']} h={place['y_m']} units=m"
        for k, (wire, place) in enumerate(rows, 1)
    ]
    count = f"nconds={len(rows)} nphases={len(letters)}"
    return f"new linegeometry.{name} {count} {' '.join(parts)} reduce=yes"


def matrices(span, n):
    """Return the line matrices of a cable or link from its sequence impedances."""
    z1, z0 = (complex(span[f"r{s}_ohm_per_km"], span[f"x{s}_ohm_per_km"]) for s in (1, 0))
    ohm = np.full((n, n), (z0 - z1) / 3) + z1 * np.eye(n)
    ohm *= span["length_m"] / 1000
    return (
        f"phases={n} rmatrix={dss.lower(ohm.real)} xmatrix={dss.lower(ohm.imag)} "
        f"cmatrix={dss.lower(np.zeros((n, n)))} length=1 units=none"
    )


@pytest.fixture(scope="module")
def ours():
    territory = gg.read_territory(FOLDER)
    return fault_columns(territory, Network.build(territory))


@pytest.mark.parametrize("way", WAYS)
def test_currents_of_the_whole_feeder(ours, way):
    earth, charging, worst, share_1, share_01 = WAYS[way]
    bus = build(earth, charging=charging)
    rows = len(ours["pole_id"])
    single, three = np.full((3, rows), np.nan), np.full(rows, np.nan)
    between = np.full(rows, np.nan)
    seen = {}
    for row, pole in enumerate(ours["pole_id"]):
        if pole not in seen:
            seen[pole] = dss.seen(bus[pole])
        phases, ohm, volt, study_a = seen[pole]
        assert "".join("ABC"[p] for p in phases) == ours["phases"][row], pole
        single[list(phases), row] = np.abs(volt / np.diag(ohm))
        if len(phases) == 3:
            three[row] = study_a.max()
            between[row] = max(
                abs((volt[i] - volt[j]) / (ohm[i, i] + ohm[j, j] - ohm[i, j] - ohm[j, i]))
                for i, j in dss.PAIRS
            )
    full = ~np.isnan(three)
    source = f"computed: {dss.engine_name()}, line constants its own ({earth})"
    mine = np.stack([ours[f"phase_ground_{p}_a"] for p in "abc"])
    columns = {
        "phase to ground, every node and phase": (mine, single),
        "three-phase": (ours["three_phase_a"][full], three[full]),
        "phase to phase": (ours["phase_phase_a"][full], between[full]),
    }
    for what, (a, b) in columns.items():
        assert (np.isnan(a) == np.isnan(b)).all(), what
        there = ~np.isnan(b)
        assert there.sum() > 700
        ratio = np.abs(a[there] / b[there] - 1)
        group = "IEEE 9500-node primary, OpenDSS engine"
        record_many(group, f"{what} ({way})", a[there], b[there], source)
        within = [float((ratio <= limit).mean()) for limit in (0.01, 0.001)]
        for limit, share in zip(("1 %", "0.1 %"), within, strict=True):
            shares = f"{group}: share of figures (theirs: all)"
            record(shares, f"{what} ({way}): within {limit}", share, 1.0, source)
        assert within[0] >= share_1, what
        assert within[1] >= share_01, what
        assert ratio.max() <= worst, what
        print(f"{way}, {what}: {there.sum()} figures, within 1 % {within[0]:.4f}, "
              f"0.1 % {within[1]:.4f}, worst {ratio.max():.2e}")  # fmt: skip
