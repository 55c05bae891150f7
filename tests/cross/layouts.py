"""The layouts that the worker study is compared on: one function each, in both tellings."""

from __future__ import annotations

import numpy as np

from gridground.electrical.exposure import Layout, Origin, Setting
from gridground.territory.network import Network
from tests.cross.netlists import EARTH
from tests.cross.worksites import (
    BIG,
    DELTA,
    EVEN,
    FOUR,
    FULL,
    GROUND_OHM,
    NEUTRAL,
    POLES,
    ROD_OHM,
    ROUND_P5_P7,
    ROUND_P6,
    SMALL,
    SOLID,
    SPANS,
    Feed,
    add_tops,
    angle,
    brackets,
    from_circuits,
    grounds,
    hang,
    places,
    simple,
    station,
    stretch,
    wire,
    with_devices,
)
from tests.feeder import circuit, pole, span, straight, territory


def single_point():
    return simple([("P6", FULL, ROD_OHM, True)], broken={"F1": ROUND_P6})


def dual_point_unequal_spans():
    lengths = [35.0, 60.0, 48.0, 72.0, 20.0, 90.0, 55.0, 41.0]
    data = straight(8, ground_every=2, ground_ohm=GROUND_OHM)
    data.spans["length_m"][:] = lengths
    rows = [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)]
    return simple(rows, data=data, lengths_m=lengths)


def leads_cold_worn_and_hot():
    return simple([*brackets("P5", "P7"), ("P6", ["bar A"], None, True)], worn=True)


def small_neutral_50_hz_dry_soil():
    data = straight(8, ground_every=2, ground_ohm=GROUND_OHM, neutral_conductor="#2 ACSR 6/1")
    data.circuits["frequency_hz"][0] = 50.0
    rows = [*brackets("P5", "P7", leads=SMALL), ("P6", ["bar A"], None, True)]
    return simple(
        rows,
        data=data,
        wires=hang("ABC", neutral="#2 ACSR 6/1"),
        setting=Setting(body_ohm=500.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=1000.0),
    )


def three_wire(rows, *, grounded, ground_ohm=None, **given):
    """Return a worksite on a line without neutral."""
    data = straight(8, neutral_conductor=None)
    columns = data.circuits.columns
    if grounded:
        columns["source_ground_ohm"][0] = 3.0
    else:
        columns["fault_1ph_a"][0] = columns["x_over_r_1ph"][0] = np.nan
    if ground_ohm is not None:
        data.poles["ground_ohm"][6] = ground_ohm

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC", neutral=None), 50.0)
        if grounded:
            net.tie("source ground", "P0.neutral", EARTH, 3.0)

    feed = station() if grounded else station(one=None)
    fields = {"data": data, "lay": lay, "feeds": {"F1": feed}, "broken": {}, "alias": {}}
    return simple(rows, touch={"P6": ["A", "B", "C"]}, **(fields | given))


def three_wire_ungrounded():
    rows = [*brackets("P5", "P7", leads=DELTA), ("P6", ["bar B"], None, True)]
    return three_wire(rows, grounded=False)


def three_wire_grounded_source():
    rows = [*brackets("P5", "P7", leads=DELTA), ("P6", ["bar A"], None, True)]
    return three_wire(rows, grounded=True)


def pole_ground_beside_the_rod_without_neutral():
    leads = ["rod bar", "pole ground bar", "bar A", "A B", "B C"]
    electrodes = {"rod at P6": ("P6", ROD_OHM), "pole ground at P6": ("P6", 40.0)}
    rows = [("P6", leads, ROD_OHM, True)]
    return three_wire(rows, grounded=True, ground_ohm=40.0, electrodes=electrodes)


def pole_ground_on_a_small_neutral():
    leads = ["pole ground bar", "bar A", "A B", "B C"]
    return simple(
        [("P6", leads, None, True)],
        broken={"F1": ROUND_P6},
        electrodes={},
        held={"ground P6": "P6"},
        alias=SOLID | {"P6.pole ground": "P6.neutral"},
    )


def one_phase_source():
    data = straight(8, ground_every=2, phases="B", construction="IEEE 510")
    figures = {"nominal_kv": 7.2, "fault_3ph_a": np.nan, "x_over_r_3ph": np.nan, "fault_1ph_a": 900}
    for name, value in figures.items():
        data.circuits[name][0] = value
    leads = ["rod bar", "bar neutral", "neutral B"]
    feed = Feed(7200.0, angle(7200.0 / 900.0, 6.0), 0.0, single=True, phases="B")
    return simple(
        [*brackets("P5", "P7", leads=leads), ("P6", ["bar B"], None, True)],
        data=data,
        wires=hang("B", top="IEEE 510"),
        feeds={"F1": feed},
        touch={"P6": ["B", "neutral"]},
    )


def two_phases():
    data = straight(8, ground_every=2, phases="CA", construction="IEEE 505")
    leads = ["rod bar", "bar neutral", "neutral C", "C A"]
    return simple(
        [*brackets("P5", "P7", leads=leads), ("P6", ["bar C"], None, True)],
        data=data,
        wires=hang("CA", top="IEEE 505"),
        feeds={"F1": station(phases="AC")},
        touch={"P6": ["A", "C", "neutral"]},
    )


def lateral_at_the_worksite():
    """Three ways out, the third of one phase: three brackets."""
    grounded = {*EVEN, "L2"}
    names = [*POLES, "L1", "L2", "L3"]
    small = {"phases": "B", "construction": "IEEE 510", "conductor": "1/0 ACSR 6/1"}
    small |= {"neutral_conductor": "#2 ACSR 6/1", "length_m": 42.0}
    way = ["P6", "L1", "L2", "L3"]
    data = territory(
        [pole(n, ground_ohm=GROUND_OHM if n in grounded else None) for n in names],
        [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 9)]
        + [span(f"T{k}", way[k - 1], way[k], **small) for k in (1, 2, 3)],
        [circuit()],
    )
    rows = [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)]
    rows += brackets("L1", leads=["rod bar", "bar neutral", "neutral B"])
    wires = hang("B", top="IEEE 510", conductor="1/0 ACSR 6/1", neutral="#2 ACSR 6/1")

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC"), 50.0, broken=broken)
        stretch(net, way, ["T1", "T2", "T3"], wires, 42.0, broken=broken)
        grounds(net, sorted(grounded))

    breaks = (("S5",), ("S6",), ("S8", "T2"), ("S5", "S8", "T2"))
    return simple(rows, data=data, lay=lay, broken={"F1": breaks})


def steel_pole():
    """The pole is bar and electrode; its ground in the data is the same metal."""
    data = straight(8, ground_every=2, ground_ohm=GROUND_OHM)
    data.poles["material"][6] = "steel"

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC"), 50.0, broken=broken)
        grounds(net, ["P2", "P4", "P8"])

    rows = [("P6", ["pole neutral", "neutral A", "A B", "B C"], 30.0, True)]
    return simple(rows, data=data, lay=lay, broken={"F1": ROUND_P6}, stand="pole")


def three_worksites_in_a_row():
    work = [
        ("P4", ["bar A"], None, True),
        ("P5", ["bar C"], None, True),
        ("P6", ["bar neutral", "neutral B"], None, True),
    ]
    rows = [*brackets("P3", "P7"), *work]
    four = FOUR["P6"]
    return simple(
        rows,
        broken={"F1": (("S3",), ("S4",), ("S8",), ("S3", "S8"))},
        touch={name: four for name, *_ in work},
    )


def two_circuits_one_neutral():
    """Both worked on; the second is drawn from the far end, in another order, a little longer."""
    shared = {"shares_neutral_with": "F2", "construction": "left of two"}
    back = {"circuit_id": "F2", "shares_neutral_with": "F1", "phases": "CAB", "length_m": 52.0}
    back |= {"construction": "right of two seen back", "conductor": "556.5 ACSR 26/7"}
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}", **shared) for k in range(1, 9)]
    spans += [span(f"T{k}", f"P{k}", f"P{k - 1}", **back) for k in range(1, 9)]
    second = circuit("F2", fault_3ph_a=6000.0, fault_1ph_a=5000.0, x_over_r_1ph=5.0)
    poles = [pole(n, ground_ohm=GROUND_OHM if n in EVEN else None) for n in POLES]
    data = add_tops(territory(poles, spans, [circuit(), second]))
    whole = ["rod bar", "bar neutral", "neutral F1:A", "F1:A F1:B", "F1:B F1:C"]
    whole += ["F1:C F2:A", "F2:A F2:B", "F2:B F2:C"]
    rows = [*brackets("P5", "P7", leads=whole), ("P6", ["bar F1:A", "bar F2:C"], None, True)]
    found, electrodes = places(*rows, circuit_ids=("F1", "F2"))
    wires = hang("ABC", top="left of two", prefix="F1:")
    wires |= hang(
        "CAB", top="right of two", conductor="556.5 ACSR 26/7", neutral=None, prefix="F2:"
    )
    lengths = {label: 52.0 if label.startswith("F2") else 50.0 for label in wires}

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, wires, lengths, broken=broken)
        grounds(net, EVEN)

    other = station(three=(6000.0, 8.0), one=(5000.0, 5.0), terminals="P0.F2:")
    return simple(
        rows,
        data=data,
        layout=Layout(found, {}),
        electrodes=electrodes,
        lay=lay,
        origins=from_circuits(data, "F1", "F2"),
        feeds={"F1": station(terminals="P0.F1:"), "F2": other},
        broken={"F1": ROUND_P5_P7, "F2": ROUND_P5_P7},
        touch={"P6": [f"F{k}:{p}" for k in (1, 2) for p in "ABC"] + ["neutral"]},
    )


def live_circuit_beside():
    """A second circuit under it, from the far end, with a neutral bonded at every pole ground."""
    below = {"circuit_id": "F2", "construction": "under it"}
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 9)]
    spans += [span(f"T{k}", f"P{k - 1}", f"P{k}", **below) for k in range(1, 9)]
    poles = [pole(n, ground_ohm=GROUND_OHM if n in EVEN else None) for n in POLES]
    data = add_tops(territory(poles, spans, [circuit(), circuit("F2", "P8")]))
    wires = hang("ABC") | {
        f"F2 {k}": wire(BIG if k in "123" else NEUTRAL, "under it", k) for k in "123N"
    }

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, wires, 50.0, broken=broken)
        grounds(net, ["P2", "P4", "P6"])
        net.floating |= {f"P0.F2 {k}" for k in "123"}

    bonded = {f"{n}.F2 N": f"{n}.neutral" for n in ("P2", "P4", "P6")}
    earthed = {"P8.neutral": EARTH, "P8.F2 N": EARTH}
    rows = [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)]
    return simple(rows, data=data, lay=lay, alias=SOLID | bonded | earthed)


def open_switch_with_bypass():
    """Bonds on both sides and a bypass; once as it stands, once with the switch closed again."""
    line = straight(8, ground_every=2, ground_ohm=GROUND_OHM)
    device = {"device_id": "D2", "pole_id": "P6", "span_id": "S7", "kind": "switch"}
    data = with_devices(line, [device | {"state": "open", "phases": "ABC", "protection": None}])
    leads = ["rod bar", "bar neutral", "neutral A@S6", "A@S6 B@S6", "B@S6 C@S6"]
    leads += ["A@S6 A@S7", "A@S7 B@S7", "B@S7 C@S7"]
    again = Origin("D2", "F1", Network.build(data, closed={"D2"}))
    return simple(
        [("P6", leads, ROD_OHM, True)],
        data=data,
        splits={"P6": dict.fromkeys("ABC", (("S6",), ("S7",)))},
        cuts={("P6", p) for p in "ABC"},
        origins=(*from_circuits(data, "F1"), again),
        feeds={"F1": station(), "D2": station()},
        broken={"F1": ROUND_P6, "D2": ROUND_P6},
        joined=frozenset({"D2"}),
        touch={"P6": [f"{p}@S{k}" for p in "ABC" for k in (6, 7)] + ["neutral"]},
    )


def cut_phase():
    rows = [*brackets("P5", "P7"), ("P6", ["bar A", "bar B@S6", "bar B@S7"], None, True)]
    return simple(
        rows,
        splits={"P6": {"B": (("S6",), ("S7",))}},
        cuts={("P6", "B")},
        touch={"P6": ["A", "B@S6", "B@S7", "C", "neutral"]},
    )


def tie_closed_again():
    """From the circuit's own source, and from a second one through a tie at the far end."""
    way = ["Q0", "Q1", "Q2", "Q3", "P8"]
    other = {"circuit_id": "F2", "conductor": "556.5 ACSR 26/7", "length_m": 65.0}
    grounded = {*EVEN, "Q2"}
    device = {"device_id": "D1", "pole_id": "P8", "span_id": "T4", "kind": "switch"}
    data = territory(
        [pole(n, ground_ohm=GROUND_OHM if n in grounded else None) for n in [*POLES, *way[:-1]]],
        [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 9)]
        + [span(f"T{k}", way[k - 1], way[k], **other) for k in range(1, 5)],
        [circuit(), circuit("F2", "Q0", fault_3ph_a=6000.0, fault_1ph_a=5000.0)],
        [device | {"state": "open", "phases": "ABC", "protection": None}],
    )
    wires = hang("ABC", conductor="556.5 ACSR 26/7")

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC"), 50.0, broken=broken)
        grounds(net, EVEN)
        if origin == "D1":
            stretch(net, way, ["T1", "T2", "T3", "T4"], wires, 65.0)
            grounds(net, ["Q2"])

    far = station(three=(6000.0, 8.0), one=(5000.0, 6.0), terminals="Q0.", star="Q0.neutral")
    return simple(
        [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)],
        data=data,
        lay=lay,
        origins=(
            *from_circuits(data, "F1"),
            Origin("D1", "F2", Network.build(data, closed={"D1"})),
        ),
        feeds={"F1": station(), "D1": far},
        broken={"F1": ROUND_P5_P7, "D1": (("S8",), ("S7",), ("S5",), ("S5", "S8"))},
        alias=SOLID | {"Q0.neutral": EARTH},
    )


def mid_span():
    rows = [*brackets("P5", "P6"), ("S6", ["bar A"], None, True)]
    found, electrodes = places(*rows, mid_span=("S6",))
    poles = [*POLES[:6], "S6", *POLES[6:]]
    spans = ["S1", "S2", "S3", "S4", "S5", "S6", "S6", "S7", "S8"]
    lengths = [50.0] * 5 + [25.0, 25.0] + [50.0] * 2

    def lay(net, origin, broken):
        stretch(net, poles, spans, hang("ABC"), lengths, broken=broken)
        grounds(net, EVEN)

    return simple(
        rows,
        layout=Layout(found, {}),
        electrodes=electrodes,
        lay=lay,
        broken={"F1": (("S5",), ("S7",), ("S5", "S7"))},
        touch={"S6": FOUR["P6"]},
    )


def source_ground_growth_and_voltage():
    data = straight(8, ground_every=2, ground_ohm=GROUND_OHM)
    data.circuits["source_ground_ohm"][0] = 2.0
    data.circuits["prefault_voltage_ratio"][0] = 1.05

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC"), 50.0, broken=broken)
        grounds(net, ["P0", *EVEN])
        net.tie("source ground", "P0.neutral", EARTH, 2.0)

    return simple(
        [*brackets("P5", "P7"), ("P6", ["bar neutral", "neutral A"], None, True)],
        data=data,
        lay=lay,
        alias={},
        feeds={"F1": station(growth=1.25, ratio=1.05)},
        setting=Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.25, resistivity_ohm_m=100.0),
    )


def ring():
    """The far end comes back to P2: the shortest way in is over S8."""
    spans = [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(1, 9)]
    poles = [pole(n, ground_ohm=GROUND_OHM if n in EVEN else None) for n in POLES]
    data = territory(poles, [*spans, span("S9", "P8", "P2", length_m=80.0)], [circuit()])

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, hang("ABC"), 50.0, broken=broken)
        stretch(net, ["P8", "P2"], ["S9"], hang("ABC"), 80.0, broken=broken)
        grounds(net, EVEN)

    rows = [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)]
    return simple(
        rows, data=data, lay=lay, broken={"F1": (("S8",), ("S7",), ("S5",), ("S5", "S8"))}
    )


def cable_and_link_before_the_line():
    """The cable by its sequence impedance, its neutral by itself; a short link is 10 µohm."""
    ohm_per_km = {"r1": 0.2, "x1": 0.12, "r0": 0.6, "x0": 0.3}
    cable = {f"{k}_ohm_per_km": v for k, v in ohm_per_km.items()} | {"kind": "cable"}
    link = {f"{k}_ohm_per_km": 0.0 for k in ohm_per_km} | {"kind": "link", "length_m": 1.0}
    spans = [span("S1", "P0", "P1", **cable, length_m=400.0), span("S2", "P1", "P2", **link)]
    spans += [span(f"S{k}", f"P{k - 1}", f"P{k}") for k in range(3, 9)]
    poles = [pole(n, ground_ohm=GROUND_OHM if n in EVEN else None) for n in POLES]
    data = territory(poles, spans, [circuit()])
    one, zero = 0.4 * complex(0.2, 0.12), 0.4 * complex(0.6, 0.3)

    def lay(net, origin, broken):
        at = [[f"P{k}.{p}" for p in "ABC"] for k in range(3)]
        net.block(at[0], at[1], one * np.eye(3) + (zero - one) / 3.0)
        net.tie("cable's neutral", "P0.neutral", "P1.neutral", one)
        for k, near in enumerate([*at[1], "P1.neutral"]):
            net.tie(f"link {k}", near, [*at[2], "P2.neutral"][k], 1e-5)
        stretch(net, POLES[2:], SPANS[2:], hang("ABC"), 50.0, broken=broken)
        grounds(net, EVEN)

    rows = [*brackets("P5", "P7"), ("P6", ["bar A"], None, True)]
    return simple(rows, data=data, lay=lay)


def phases_change_places():
    """Another order of phases from P4 on, and a span drawn from the far pole."""
    poles = [pole(n, ground_ohm=GROUND_OHM if n in EVEN else None) for n in POLES]
    spans = [
        span(f"S{k}", f"P{k - 1}", f"P{k}", phases="BAC" if k < 5 else "CAB") for k in range(1, 9)
    ]
    spans[5] |= {"from_pole": "P6", "to_pole": "P5"}
    data = territory(poles, spans, [circuit()])

    def lay(net, origin, broken):
        stretch(net, POLES[:5], SPANS[:4], hang("BAC"), 50.0, broken=broken)
        stretch(net, POLES[4:], SPANS[4:], hang("CAB"), 50.0, broken=broken)
        grounds(net, EVEN)

    rows = [*brackets("P5", "P7"), ("P6", ["bar C"], None, True)]
    return simple(rows, data=data, lay=lay)


LAYOUTS = (
    single_point,
    dual_point_unequal_spans,
    leads_cold_worn_and_hot,
    small_neutral_50_hz_dry_soil,
    three_wire_ungrounded,
    three_wire_grounded_source,
    pole_ground_beside_the_rod_without_neutral,
    pole_ground_on_a_small_neutral,
    one_phase_source,
    two_phases,
    lateral_at_the_worksite,
    steel_pole,
    three_worksites_in_a_row,
    two_circuits_one_neutral,
    live_circuit_beside,
    open_switch_with_bypass,
    cut_phase,
    tie_closed_again,
    mid_span,
    source_ground_growth_and_voltage,
    ring,
    cable_and_link_before_the_line,
    phases_change_places,
)

# brackets that stay when the worksite's own leads are taken away, and one where nothing stays
COUNTER_EXAMPLES = (
    single_point,
    dual_point_unequal_spans,
    small_neutral_50_hz_dry_soil,
    three_wire_ungrounded,
    three_wire_grounded_source,
    one_phase_source,
    lateral_at_the_worksite,
    three_worksites_in_a_row,
    cut_phase,
    tie_closed_again,
    mid_span,
)
