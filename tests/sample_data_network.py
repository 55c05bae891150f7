"""The network of the sample territory: poles, spans, circuits, devices and equipment.

Everything is laid out in metres (x east, y north) round an invented substation and is projected
only when it is written. Ridge Road is the x axis; circuit WB1 runs along it, WB2 shares its first
poles and then follows Creek Road, Section Road and East Road back to it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import shapely

XY = tuple[float, float]

MAIN_WIRES = ("336.4 ACSR 26/7", "4/0 ACSR 6/1")
SECOND_WIRES = ("336.4 ACSR 26/7", "1/0 ACSR 6/1")
HEIGHT_M = {"35": 8.8, "40": 10.4, "45": 11.7}
FAULT_DATA = "invented for the demonstration"
FAULT_DATE = "2026-03-02"
BRANCH_ROWS = ("V1", "V2", "V3", "V4", "V5", "V6", "V7")


@dataclass(frozen=True)
class Top:
    """What hangs on a run of spans: phases, wires, pole top and the class of its poles."""

    phases: str
    conductor: str
    neutral: str | None
    construction: str
    pole: str = "40"
    neutral_known: bool = True


@dataclass
class Net:
    """Rows of the network layers, in metres."""

    poles: dict[str, dict[str, Any]] = field(default_factory=dict)
    at: dict[str, XY] = field(default_factory=dict)
    spans: list[dict[str, Any]] = field(default_factory=list)
    lines: dict[str, list[XY]] = field(default_factory=dict)
    circuits: list[dict[str, Any]] = field(default_factory=list)
    devices: list[dict[str, Any]] = field(default_factory=list)
    equipment: list[dict[str, Any]] = field(default_factory=list)
    other_lines: list[dict[str, Any]] = field(default_factory=list)
    chance: random.Random = field(default_factory=lambda: random.Random(20260302))  # noqa: S311

    def pole(self, pole_id: str, at: XY, pole: str = "40", material: str = "wood") -> None:
        """Stand a pole."""
        x, y = at
        self.at[pole_id] = at
        self.poles[pole_id] = {
            "pole_id": pole_id,
            "material": material,
            "height_m": 0.0 if material == "pad" else HEIGHT_M[pole],
            "ground_ohm": None,
            "altitude_m": round(812.0 - 0.006 * x + 0.01 * abs(y - 8.0), 1),
        }

    def span(self, circuit: str, ends: tuple[str, str], top: Top, **more: Any) -> None:
        """String a span; its id is the circuit and the pole at which it arrives."""
        start, end = ends
        span_id = f"{circuit}-{end}"
        kind = more.pop("kind", "overhead")
        line = [self.at[start], *more.pop("via", []), self.at[end]]
        row: dict[str, Any] = {
            "span_id": span_id,
            "circuit_id": circuit,
            "from_pole": start,
            "to_pole": end,
            "phases": top.phases,
            "kind": kind,
        }
        if kind == "overhead":
            row |= {"conductor": top.conductor, "construction": top.construction}
        if top.neutral_known:
            row["neutral_conductor"] = top.neutral
        length_m = float(shapely.length(shapely.LineString(line)))
        self.spans.append(row | {"length_m": round(length_m, 1)} | more)
        self.lines[span_id] = line

    def run(
        self, circuit: str, start: str, names: list[str], *, to: XY, top: Top, **more: Any
    ) -> str:
        """Stand poles evenly from a pole to a point, with the unevenness of a real line."""
        x0, y0 = self.at[start]
        step = ((to[0] - x0) / len(names), (to[1] - y0) / len(names))
        along_m = (step[0] ** 2 + step[1] ** 2) ** 0.5
        before = start
        for k, name in enumerate(names, 1):
            shift = 0.0 if k == len(names) else self.chance.uniform(-1.5, 1.5) / along_m
            if name not in self.at:
                self.pole(name, (x0 + step[0] * (k + shift), y0 + step[1] * (k + shift)), top.pole)
            self.span(circuit, (before, name), top, **more)
            before = name
        return before

    def device(self, name: str, kind: str, pole_id: str, span_id: str, **more: Any) -> None:
        """Add a device at one end of a span."""
        phases = next(s["phases"] for s in self.spans if s["span_id"] == span_id)
        row = {"device_id": name, "pole_id": pole_id, "span_id": span_id, "kind": kind}
        self.devices.append(row | {"state": "closed", "phases": phases} | more)

    def equip(self, name: str, kind: str, place: tuple[str, str], phases: str, note: str) -> None:
        """Add equipment of a circuit at a pole."""
        row = {"equipment_id": name, "pole_id": place[0], "circuit_id": place[1], "kind": kind}
        self.equipment.append(row | {"phases": phases, "note": note})


def names(prefix: str, first: int, last: int) -> list[str]:
    """Return pole numbers from first to last."""
    return [f"{prefix}{number}" for number in range(first, last + 1)]


def build_network() -> Net:
    """Build every layer of the network."""
    net = Net()
    net.pole("S1", (-10.0, 24.0), "45")
    net.pole("S2", (-10.0, 12.0), "45")
    net.pole("S3", (-88.0, 22.0), "35")
    net.pole("P101", (20.0, 8.0), "45")
    _main_one(net)
    _main_two(net)
    _delta(net)
    _village(net)
    _country(net)
    _cables(net)
    _circuits(net)
    _devices(net)
    _equipment(net)
    _materials(net)
    _grounds(net)
    net.other_lines.append(
        {
            "line_id": "T115",
            "nominal_kv": 115,
            "state": "energized",
            "load_a": 310,
            "height_m": 16.5,
            "fault_a": 7200,
            "clearing_s": 0.12,
            "spacing_m": 4.2,
            "arrangement": "flat",
            "line": [(4700, 42), (2100, 42), (1480, 700), (-42, 700), (-45, 66)],
        }
    )
    return net


def _main_one(net: Net) -> None:
    """WB1: eight spans of double circuit, the village, a regulator, the country, the tie."""
    left = Top("ABC", MAIN_WIRES[0], MAIN_WIRES[1], "double circuit left side (45-ft pole)", "45")
    net.span("WB1", ("S1", "P101"), left)
    shared = names("P", 102, 109)
    net.run("WB1", "P101", shared, to=(580, 8), top=left, shares_neutral_with="WB2")
    first = Top("ABC", *MAIN_WIRES, "crossarm 8 ft and pole-top pin (45-ft pole)")
    net.run("WB1", "P109", ["P110"], to=(625, 8), top=first)
    street = Top("ABC", *MAIN_WIRES, "crossarm 8 ft and pole-top pin (40-ft pole)")
    net.run("WB1", "P110", names("P", 111, 133), to=(1660, 8), top=street)
    open_land = Top("ABC", *MAIN_WIRES, "crossarm 8 ft (40-ft pole)")
    net.run("WB1", "P133", names("P", 134, 142), to=(2335, 8), top=open_land)
    net.pole("P143", (2343, 8))
    z = {"r1_ohm_per_km": 0.3, "x1_ohm_per_km": 0.6, "r0_ohm_per_km": 0.3, "x0_ohm_per_km": 0.6}
    net.span("WB1", ("P142", "P143"), open_land, kind="link", **z)
    net.run("WB1", "P143", names("P", 144, 165), to=(3990, 8), top=open_land)


def _main_two(net: Net) -> None:
    """WB2: on the poles of WB1, then south, east and north to the tie pole, and on to the end."""
    right = Top(
        "ABC", SECOND_WIRES[0], MAIN_WIRES[1], "double circuit right side (45-ft pole)", "45"
    )
    net.span("WB2", ("S2", "P101"), right)
    shared = names("P", 102, 109)
    net.run("WB2", "P101", shared, to=(580, 8), top=right, shares_neutral_with="WB1")
    arm = "crossarm 10 ft ({}-ft pole)"
    net.run("WB2", "P109", ["Q201"], to=(580, -68), top=Top("ABC", *SECOND_WIRES, arm.format(45)))
    land = Top("ABC", *SECOND_WIRES, arm.format(40))
    net.run("WB2", "Q201", names("Q", 202, 208), to=(580, -600), top=land)
    net.pole("Q254", (4060, -600))
    steel = Top("ABC", *SECOND_WIRES, "armless delta (45-ft pole)", "45")
    net.run("WB2", "Q208", names("Q", 209, 220), to=(1488, -600), top=land)
    net.run("WB2", "Q220", names("Q", 221, 227), to=(2018, -600), top=steel)
    net.run("WB2", "Q227", names("Q", 228, 254), to=(4060, -600), top=land)
    tall = Top("ABC", *SECOND_WIRES, arm.format(45), "45")
    net.run("WB2", "Q254", names("Q", 255, 261), to=(4060, -68), top=land)
    net.run("WB2", "Q261", ["Q262"], to=(4060, 8), top=tall)
    net.run("WB2", "Q262", names("Q", 263, 266), to=(4360, 8), top=land)
    under = Top("ABC", *MAIN_WIRES, "underbuilt crossarm 8 ft (45-ft pole)")
    net.span("WB1", ("P165", "Q262"), under)


def _delta(net: Net) -> None:
    """WD1: an old three-wire circuit westwards without a neutral, on the user's own rows."""
    top = Top("ABC", "#3 copper solid", None, "three-wire crossarm (35-ft pole)", "35")
    net.run("WD1", "S3", ["W101"], to=(-112, 8), top=top)
    net.run("WD1", "W101", names("W", 102, 116), to=(-1282, 8), top=top)
    net.run("WD1", "W116", names("W", 117, 130), to=(-1282, 1030), top=top)
    pair = Top("AB", "#3 copper solid", None, "three-wire crossarm (35-ft pole)", "35")
    net.run("WD1", "W110", names("W", 201, 206), to=(net.at["W110"][0], 458), top=pair)


def _village(net: Net) -> None:
    """WB1's laterals in the village, northwards and southwards from Ridge Road."""
    four = "#4 ACSR 6/1"
    one, two = "one-phase (40-ft pole)", "two-phase crossarm (40-ft pole)"
    three = Top("BAC", "1/0 ACSR 6/1", "1/0 ACSR 6/1", "crossarm 8 ft (40-ft pole)")
    north = {
        "V1": ("P112", 7, Top("A", four, four, one)),
        "V4": ("P124", 8, three),
        "V6": ("P128", 7, Top("C", four, "#6 ACSR 6/1", one)),
    }
    south = {
        "V3": ("P120", 6, Top("B", four, four, one)),
        "V5": ("P124", 8, three),
        "V7": ("P131", 6, Top("A", "#2 ACSR 6/1", four, one)),
    }
    for row, (start, count, top) in north.items():
        to = (net.at[start][0], 8 + 45 * count)
        net.run(
            "WB1",
            start,
            names(
                row,
                1,
                count,
            ),
            to=to,
            top=top,
        )
    for row, (start, count, top) in south.items():
        to = (net.at[start][0], 8 - 45 * count)
        net.run("WB1", start, names(row, 1, count), to=to, top=top)
    pair = Top("AC", "#2 ACSR 6/1", four, two)
    x = net.at["P116"][0]
    net.run("WB1", "P116", names("V2", 1, 5), to=(x, 233), top=pair)
    net.run("WB1", "V25", names("V2", 6, 9), to=(x + 180, 233), top=pair)


def _country(net: Net) -> None:
    """Laterals in the country: the dairy, one-phase, two-phase, and one of unknown neutral."""
    four, two = "#4 ACSR 6/1", "#2 ACSR 6/1"
    dairy = Top("CBA", "1/0 ACSR 6/1", "1/0 ACSR 6/1", "armless delta (40-ft pole)")
    net.run("WB1", "P136", names("D", 201, 220), to=(net.at["P136"][0], 1508), top=dairy)
    one = "one-phase (40-ft pole)"
    runs = (
        ("WB2", "Q218", names("L", 101, 114), 70, Top("B", four, four, one)),
        (
            "WB2",
            "Q232",
            names("L", 201, 212),
            72,
            Top("AC", two, four, "two-phase armless (40-ft pole)"),
        ),
        ("WB2", "Q246", names("L", 301, 308), 70, Top("C", four, None, one, neutral_known=False)),
        ("WB1", "P146", names("L", 401, 406), 74, Top("A", four, four, one)),
    )
    for circuit, start, numbers, step_m, top in runs:
        x, y = net.at[start]
        net.run(circuit, start, numbers, to=(x, y - step_m * len(numbers)), top=top)


def _cables(net: Net) -> None:
    """Two risers with cables to ground-level cabinets."""
    cable = Top("ABC", "", "#2 copper", "")
    z = {"r1_ohm_per_km": 0.65, "x1_ohm_per_km": 0.15, "r0_ohm_per_km": 1.55, "x0_ohm_per_km": 0.42}
    x, _ = net.at["P127"]
    net.pole("U301", (x + 12, -116), material="pad")
    net.span("WB1", ("P127", "U301"), cable, kind="cable", via=[(x, -12), (x + 12, -14)], **z)
    x, y = net.at["V36"]
    net.pole("U302", (x + 30, y - 40), material="pad")
    z = {"r1_ohm_per_km": 0.95, "x1_ohm_per_km": 0.26, "r0_ohm_per_km": 0.95, "x0_ohm_per_km": 0.26}
    one = Top("B", "", "#2 copper", "")
    net.span("WB1", ("V36", "U302"), one, kind="cable", via=[(x + 1, y - 38)], **z)


def _circuits(net: Net) -> None:
    """The three sources."""
    common = {
        "frequency_hz": 60,
        "prefault_voltage_ratio": 1.0,
        "source_ground_ohm": 0.6,
        "fault_data_source": FAULT_DATA,
        "fault_data_date": FAULT_DATE,
    }
    relay = {
        "kind": "relay",
        "curve": "IEEE VI",
        "pickup_a": 400,
        "time_dial": 0.3,
        "instantaneous_a": 2400,
        "breaker_s": 0.083,
        "ground_pickup_a": 120,
        "reclose_shots": 2,
    }
    wye = {"nominal_kv": 12.47, "fault_3ph_a": 5200, "x_over_r_3ph": 8.5}
    wye |= {"fault_1ph_a": 5450, "x_over_r_1ph": 9.2}
    one = {"circuit_id": "WB1", "source_pole": "S1"} | wye | {"protection": relay}
    two = {"circuit_id": "WB2", "source_pole": "S2"} | wye | {"clearing_s": 0.2}
    delta = {
        "circuit_id": "WD1",
        "source_pole": "S3",
        "nominal_kv": 4.8,
        "fault_3ph_a": 2150,
        "x_over_r_3ph": 6.0,
        "fault_1ph_a": None,
        "x_over_r_1ph": None,
        "clearing_s": 0.25,
    }
    for row, backup_s, load_a in ((one, 0.5, 210), (two, 0.45, 160), (delta, 0.5, 90)):
        net.circuits.append(row | common | {"backup_clearing_s": backup_s, "load_a": load_a})


def _devices(net: Net) -> None:
    """What opens the line, from the substation outwards."""
    fuse = {"kind": "fuse"}
    fuse["clearing_points"] = [[130, 100], [200, 6], [400, 0.9], [1000, 0.14], [8000, 0.013]]
    add = net.device
    add("BK-WB1", "breaker", "S1", "WB1-P101")
    add("BK-WB2", "breaker", "S2", "WB2-P101")
    add("RC-WD1", "recloser", "S3", "WD1-W101")
    add("GS1", "switch", "P150", "WB1-P151")
    add("GS2", "switch", "Q250", "WB2-Q251")
    add("SEC1", "sectionalizer", "P134", "WB1-P135")
    add("JP1", "jumper", "P144", "WB1-P145")
    recloser = {"kind": "relay", "curve": "IEEE EI", "pickup_a": 200, "time_dial": 1.2}
    recloser |= {"breaker_s": 0.05, "ground_pickup_a": 70, "reclose_shots": 3}
    add("RC-D", "recloser", "D206", "WB1-D207", protection=recloser)
    add("TIE1", "switch", "Q262", "WB1-Q262", state="open")
    for start, end in (
        ("P112", "V11"), ("P116", "V21"), ("P120", "V31"), ("V42", "V43"), ("V52", "V53"),
        ("P128", "V61"), ("P131", "V71"), ("P146", "L401"), ("P127", "U301"), ("V36", "U302"),
    ):  # fmt: skip
        add(f"CO-{end}", "cutout", start, f"WB1-{end}")
    for start, end in (("Q218", "L101"), ("Q246", "L301")):
        add(f"CO-{end}", "cutout", start, f"WB2-{end}")
    add("FU-L201", "fuse", "Q232", "WB2-L201", protection=fuse)
    add("CO-W201", "cutout", "W110", "WD1-W201")


def _equipment(net: Net) -> None:
    """Transformers on every second village pole, services beside them, and the large pieces."""
    note = "invented"
    keep_off = {"P112", "P113", "P114", "P115", "P116", "P124", "P127", "P128", "P131"}
    for number, pole_id in enumerate(names("P", 111, 133)):
        if pole_id not in keep_off and number % 2:
            net.equip(f"TX-{pole_id}", "transformer", (pole_id, "WB1"), "ABC"[number % 3], note)
        elif pole_id not in keep_off:
            net.equip(f"SV-{pole_id}", "service", (pole_id, "WB1"), "ABC"[number % 3], note)
    laterals = {s["to_pole"]: s for s in net.spans if s["to_pole"][:2] in BRANCH_ROWS}
    for pole_id, span in laterals.items():
        if int(pole_id[2:]) % 2 == 0:
            tap = span["phases"][0]
            net.equip(f"TX-{pole_id}", "transformer", (pole_id, "WB1"), tap, note)
    for pole_id in ("L104", "L108", "L114", "L203", "L212", "L304", "L308"):
        tap = "B" if pole_id < "L2" else "A" if pole_id < "L3" else "C"
        net.equip(f"TX-{pole_id}", "transformer", (pole_id, "WB2"), tap, note)
    net.equip("TX-L406", "transformer", ("L406", "WB1"), "A", note)
    for pole_id in ("W113", "W206", "W122", "W130"):
        net.equip(f"TX-{pole_id}", "transformer", (pole_id, "WD1"), "AB", note)
    net.equip("TX-Q266", "transformer", ("Q266", "WB2"), "ABC", "pump, three-phase; " + note)
    net.equip("SV-V65", "service", ("V65", "WB1"), "C", "roof solar 8 kW; " + note)
    net.equip("GEN-DAIRY", "generator", ("D220", "WB1"), "ABC", "dairy digester 300 kW; " + note)
    net.equip("REG1", "regulator", ("P142", "WB1"), "ABC", "bypassed by hand only; " + note)
    net.equip("CAP1", "capacitor", ("P131", "WB1"), "ABC", "600 kvar; " + note)
    net.equip("RIS-P127", "riser", ("P127", "WB1"), "ABC", "to cabinet U301, school; " + note)
    net.equip("RIS-V36", "riser", ("V36", "WB1"), "B", "to cabinet U302; " + note)
    net.equip("TX-U301", "transformer", ("U301", "WB1"), "ABC", "school; " + note)
    net.equip("TX-U302", "transformer", ("U302", "WB1"), "B", note)
    for pole_id, circuit in (("Q208", "WB2"), ("Q254", "WB2"), ("W116", "WD1"), ("V25", "WB1")):
        net.equip(f"GUY-{pole_id}", "guy", (pole_id, circuit), "ABC", "corner pole; " + note)
    net.equip("LA-Q250", "arrester", ("Q250", "WB2"), "ABC", note)


def _materials(net: Net) -> None:
    """Steel poles along the pond, one of concrete and one of composite."""
    for pole_id in names("Q", 221, 227):
        net.poles[pole_id]["material"] = "steel"
    net.poles["Q230"]["material"] = "concrete"
    net.poles["P140"]["material"] = "composite"


def _grounds(net: Net) -> None:
    """Permanent grounds at transformers and every fourth pole of circuits with a neutral."""
    without = {s["to_pole"] for s in net.spans if s.get("neutral_conductor") is None}
    with_unit = {row["pole_id"] for row in net.equipment if row["kind"] != "guy"}
    for pole_id, row in net.poles.items():
        steel = row["material"] == "steel"
        every = pole_id[-1:] in "048" and pole_id not in without
        ohm = round(net.chance.uniform(9, 16) if steel else net.chance.uniform(14, 62), 1)
        if (steel or every or pole_id in with_unit) and pole_id not in {
            "P114",
            "L304",
            "S1",
            "S2",
            "S3",
        }:
            row["ground_ohm"] = ohm
