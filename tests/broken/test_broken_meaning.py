"""Ids, connection, drawing, source figures, wires: each rule on a copy with one mistake."""

import json

import pytest

R, O, N = "reject", "open item", "note"  # noqa: E741
RELAY = {"kind": "relay", "curve": "IEEE VI", "pickup_a": 600, "time_dial": 3, "breaker_s": 0.083}
POINTS = [[100, 10], [500, 0.5], [5000, 0.02]]


def again(layer, row, **values):
    """Return a change that adds a feature once more, with other values."""

    def change(features):
        one = json.loads(json.dumps(features[row]))
        one["properties"].update(values)
        features.append(one)

    return change


def put(row, **values):
    return lambda features: features[row]["properties"].update(values)


def move(row, lon, lat):
    """Return a change that shifts a feature, in degrees."""

    def shift(c):
        return [c[0] + lon, c[1] + lat] if isinstance(c[0], float | int) else [shift(x) for x in c]

    def change(features):
        geometry = features[row]["geometry"]
        geometry["coordinates"] = shift(geometry["coordinates"])

    return change


def turn(row):
    return lambda features: features[row]["geometry"]["coordinates"].reverse()


CASES = [  # layer changed, change, level, field, ids, words
    # ids
    ("soil", again("soil", 0), R, "soil_id", ["L1"], "stands more than once"),
    ("soil", again("soil", 0, soil_id="l 1"), N, "soil_id", ["L1", "l 1"], "differ only in"),
    ("devices", again("devices", 0), R, "device_id", ["D1"], "give each feature its own id"),
    ("soil", again("soil", 0, soil_id="L\u200b1"), O, "soil_id", ["L1", "L\u200b1"], "read the"),
    ("devices", again("devices", 0, device_id="D\u20601"), O, "device_id", ["D1", "D\u20601"],
     "read the same on screen"),
    # references
    ("spans", put(0, circuit_id="F2"), R, "circuit_id", ["S1"], "names 'F2', not in circuits"),
    ("spans", put(1, to_pole="p3"), R, "to_pole", ["S2"], "did you mean 'P3'?"),
    ("circuits", put(0, source_pole="X"), R, "source_pole", ["F1"], "add it to poles"),
    ("devices", put(0, pole_id="P 2"), R, "pole_id", ["D1"], "did you mean 'P2'?"),
    ("devices", put(0, span_id="S9"), R, "span_id", ["D1"], "names 'S9', not in spans"),
    ("equipment", put(0, pole_id="Q"), R, "pole_id", ["E1"], "not in poles"),
    ("equipment", put(0, circuit_id="F"), R, "circuit_id", ["E1"], "not in circuits"),
    ("spans", put(0, shares_neutral_with="F9"), R, "shares_neutral_with", ["S1"], "not in"),
    ("spans", put(0, shares_neutral_with="F1"), R, "shares_neutral_with", ["S1"], "its own"),
    # devices and equipment
    ("devices", put(0, span_id="S4"), R, "span_id", ["D1"], "does not end at its pole"),
    ("devices", put(1, phases="A"), R, "phases", ["D2"], "has a phase that its span lacks"),
    ("devices", put(0, state="open"), N, "state", ["D1"], "never counted on"),
    ("devices", move(0, 0.001, 0), N, "geometry", ["D1"], "more than 30 m away from its pole"),
    # connection
    ("spans", put(3, phases="AC"), None, "", [], ""),
    ("spans", put(2, phases="AB"), O, "phases", ["S4"], "a phase that the span before it lacks"),
    ("spans", put(3, neutral_conductor=None), N, "neutral_conductor", ["S4"], "stops here"),
    ("spans", put(5, kind="overhead", conductor="1/0 test", construction="TOP3"), O, "kind",
     ["S6"], "a pad at ground level"),
    # drawing
    ("spans", turn(0), N, "geometry", ["S1"], "drawn from to_pole to from_pole"),
    ("spans", move(0, 0, 0.0001), O, "geometry", ["S1"], "up to 11.1 m away from its pole"),
    ("spans", put(0, length_m=132), O, "length_m", ["S1"], "feet written as metres?"),
    ("spans", put(0, length_m=12.2), O, "length_m", ["S1"], "near 0.3048"),
    ("spans", put(0, length_m=51), O, "length_m", ["S1"], "usual: within 25 %"),
    ("spans", put(0, length_m=29), O, "length_m", ["S1"], "counts for impedance"),
    ("circuits", move(0, 0.001, 0), N, "geometry", ["F1"], "more than 30 m away from its pole"),
    # source figures
    ("circuits", put(0, fault_1ph_a=9001), R, "fault_1ph_a", ["F1"], "more than 1.5 times"),
    ("circuits", put(0, fault_1ph_a=3500), O, "fault_1ph_a", ["F1"], "effectively grounded"),
    ("circuits", put(0, x_over_r_3ph=0.5), O, "x_over_r_1ph", ["F1"], "negative zero-sequence"),
    ("circuits", put(0, fault_1ph_a=None, x_over_r_1ph=None), None, "", [], ""),
    ("circuits", put(0, fault_3ph_a=None, x_over_r_3ph=None), O, "fault_3ph_a", ["F1"],
     "spans with several phases leave its pole"),
    ("circuits", put(0, protection=None), O, "clearing_s", ["F1"], "no protection either"),
    ("circuits", put(0, protection=None, clearing_s=0.7), R, "backup_clearing_s", ["F1"],
     "shorter than clearing_s"),
    # spans' own figures
    ("spans", put(0, r1_ohm_per_km=0.3), O, "r1_ohm_per_km", ["S1"], "only some of r1"),
    ("spans", put(5, r1_ohm_per_km=1.5), O, "r0_ohm_per_km", ["S6"], "less than r1_ohm_per_km"),
    # wires
    ("spans", put(0, conductor="336 tset"), R, "conductor", ["S1"], "did you mean '336 test'?"),
    ("spans", put(0, neutral_conductor="zz"), R, "neutral_conductor", ["S1"], "conductors.csv"),
    ("spans", put(5, neutral_conductor="zz"), R, "neutral_conductor", ["S6"], "in no table"),
    ("spans", put(0, construction="TOP4"), R, "construction", ["S1"], "did you mean 'TOP3'?"),
    ("spans", put(5, conductor="XLPE"), N, "conductor", ["S6"], "the impedance is stated"),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]}-{c[3]}-{c[5][:20]}")
def test_case(copy, case):
    layer, change, level, field, ids, words = case
    copy.features(layer, change)
    if level is None:
        assert copy.judge().problems == ()
    else:
        copy.expect(level, layer, field, ids, words)


def test_self_loop_is_rejected(copy):
    copy.features("spans", put(3, to_pole="P4"))
    found = [(p.field, p.feature_ids, p.found) for p in copy.judge().problems if p.level == R]
    assert found == [("to_pole", ("S4",), "the same pole as from_pole")]


def test_span_drawn_with_no_length(copy):
    def change(features):
        line = features[3]["geometry"]["coordinates"]
        line[1] = line[0]

    copy.features("spans", change)
    found = [(p.field, p.feature_ids, p.found) for p in copy.judge().problems if p.level == R]
    assert found == [("geometry", ("S4",), "is drawn with no length")]


def test_neutral_that_stops_and_begins_again(copy):
    copy.features("spans", put(2, neutral_conductor=None))
    found = [(p.level, p.field, p.feature_ids, p.found[-12:]) for p in copy.judge().problems]
    assert found == [
        (N, "neutral_conductor", ("S3",), "l stops here"),
        (N, "neutral_conductor", ("S4",), " begins here"),
    ]


def test_circuit_without_span_at_its_source(copy):
    copy.features("circuits", put(0, source_pole="P8"))
    copy.features("circuits", move(0, 0, 0.01))
    pole = {"pole_id": "P8", "material": "wood", "height_m": 11.3, "ground_ohm": None}
    geometry = {"type": "Point", "coordinates": [-100, 40.01]}
    feature = {"type": "Feature", "geometry": geometry, "properties": pole}
    copy.features("poles", lambda features: features.append(feature))
    found = {(p.level, p.layer, p.field, p.feature_ids) for p in copy.judge().problems}
    assert found == {
        (O, "circuits", "source_pole", ("F1",)),
        (N, "spans", "circuit_id", ("S1", "S2", "S3", "S4", "S5", "S6")),
        (N, "poles", "pole_id", ("P8",)),
    }


def test_island_names_what_is_cut_off(copy):
    copy.features("spans", lambda features: features.pop(1))
    copy.features("devices", lambda features: features.pop(0))
    copy.expect(N, "spans", "circuit_id", ["S3", "S4", "S5", "S6"], "not reached from the source")


def test_pole_without_span_and_twin_pole(copy):
    def change(features):
        twin = json.loads(json.dumps(features[1]))
        twin["properties"]["pole_id"] = "T2"
        twin["geometry"]["coordinates"][1] += 0.000004  # 0.44 m
        features.append(twin)

    copy.features("poles", change)
    found = {(p.level, p.field, p.feature_ids) for p in copy.judge().problems}
    assert found == {(N, "pole_id", ("T2",)), (N, "geometry", ("P2", "T2"))}


def test_crossing_without_a_pole(copy):
    def change(features):
        new = json.loads(json.dumps(features[4]))
        new["properties"].update(span_id="S7", from_pole="P6", to_pole="P1", phases="B")
        new["properties"].pop("length_m")
        p1, p6 = (
            features[0]["geometry"]["coordinates"][0],
            features[4]["geometry"]["coordinates"][1],
        )
        below = [p1[0] + 0.0007, p1[1] - 0.0001]  # the line dips under S2 on its way
        new["geometry"]["coordinates"] = [p6, below, p1]
        features.append(new)

    copy.features("spans", change)
    found = {(p.level, p.layer, p.field, p.feature_ids) for p in copy.judge().problems}
    assert (N, "spans", "geometry", ("S2", "S7")) in found
    assert {layer for _, layer, field, _ in found if field in {"to_pole", "circuit_id"}} == {
        "spans",
        "circuits",
    }  # it closes a loop as well


def test_loop_names_circuit_and_span(copy):
    def change(features):
        new = json.loads(json.dumps(features[4]))
        new["properties"].update(span_id="S7", from_pole="P6", to_pole="P4")
        new["properties"].pop("length_m")
        p6 = features[4]["geometry"]["coordinates"][1]
        new["geometry"]["coordinates"] = [p6, features[2]["geometry"]["coordinates"][1]]
        features.append(new)

    copy.features("spans", change)
    problems = copy.judge().problems
    assert {(p.level, p.layer, p.field) for p in problems} == {
        (N, "circuits", "circuit_id"),
        (N, "spans", "to_pole"),
    }
    closing = next(p for p in problems if p.layer == "spans")
    assert len(closing.feature_ids) == 1
    assert closing.feature_ids[0] in {"S3", "S5", "S7"}


def test_same_phase_twice_between_two_poles(copy):
    copy.features("spans", again("spans", 3, span_id="S4b", phases="A"))
    copy.expect(O, "spans", "from_pole", ["S4", "S4b"], "the same phase between the same poles")


def test_phases_drawn_as_spans_of_their_own_are_no_loop(copy):
    copy.features("spans", put(3, phases="AC"))
    copy.features("spans", again("spans", 3, span_id="S4b", phases="B"))
    assert copy.judge().problems == ()


def test_equipment_at_a_pole_of_another_circuit(copy):
    other = {"circuit_id": "F2"}
    copy.features("circuits", again("circuits", 0, **other))
    copy.features("equipment", put(0, circuit_id="F2"))
    found = {(p.level, p.layer, p.field, p.feature_ids) for p in copy.judge().problems}
    assert (O, "equipment", "circuit_id", ("E1",)) in found


def test_shared_neutral_must_be_named_by_both(copy):
    copy.features("circuits", again("circuits", 0, circuit_id="F2"))
    for row in range(4):
        copy.features("spans", again("spans", row, span_id=f"T{row}", circuit_id="F2"))
    copy.features("spans", put(0, shares_neutral_with="F2"))
    assert copy.judge().problems == ()
    copy.features("spans", put(6, neutral_conductor="336 test"))
    copy.expect(O, "spans", "shares_neutral_with", ["S1"], "do not both name that neutral")


PROTECTION = [  # protection of F1, level, field, words
    ({"kind": "switch"}, R, "protection.kind", "use relay or fuse"),
    ({}, R, "protection.kind", "unknown kind null"),
    ({"kind": ["relay"]}, R, "protection.kind", "unknown kind a list"),
    ({**RELAY, "curve": {}}, R, "protection.curve", "unknown curve an object"),
    ({**RELAY, "curve": "IEEE ZI"}, R, "protection.curve", "use one of: IEEE MI"),
    ({**RELAY, "curve": None}, R, "protection.curve", "unknown curve null"),
    ({k: v for k, v in RELAY.items() if k != "pickup_a"}, R, "protection.pickup_a", "missing"),
    ({k: v for k, v in RELAY.items() if k != "time_dial"}, R, "protection.time_dial", "missing"),
    ({k: v for k, v in RELAY.items() if k != "breaker_s"}, R, "protection.breaker_s", "missing"),
    ({**RELAY, "pickup_a": "600"}, R, "protection.pickup_a", "not a number above zero"),
    ({**RELAY, "pickup_a": True}, R, "protection.pickup_a", "not a number above zero"),
    ({**RELAY, "pickup_a": -600}, R, "protection.pickup_a", "not a number above zero"),
    ({**RELAY, "time_dial": 0}, R, "protection.time_dial", "not a number above zero"),
    ({**RELAY, "breaker_s": 5}, O, "protection.breaker_s", "usual: 0.01 to 0.5 s"),
    ({**RELAY, "pickup_a": 5000}, None, "", ""),
    ({**RELAY, "instantaneous_a": 4}, O, "protection.instantaneous_a", "hardly possible"),
    ({**RELAY, "instantanous_a": 4000}, O, "protection.instantanous_a", "did you mean"),
    ({"kind": "fuse"}, R, "protection.clearing_points", "is not a list of 2"),
    ({"kind": "fuse", "clearing_points": POINTS[:1]}, R, "protection.clearing_points", "2 to"),
    ({"kind": "fuse", "clearing_points": [[1, 2, 3], [4, 5]]}, R, "protection.clearing_points",
     "a current and a time"),
    ({"kind": "fuse", "clearing_points": [[0, 2], [4, 1]]}, R, "protection.clearing_points",
     "above zero"),
    ({"kind": "fuse", "clearing_points": POINTS[::-1]}, R, "protection.clearing_points",
     "500 A does not rise after 5000 A"),
    ({"kind": "fuse", "clearing_points": [[100, 1], [500, 2]]}, R, "protection.clearing_points",
     "the time rises from 1 s to 2 s"),
    ({"kind": "fuse", "clearing_points": POINTS}, None, "", ""),
    ({**RELAY, "reclose_shots": 3}, None, "", ""),
    ({**RELAY, "reclose_shots": 5}, R, "protection.reclose_shots", "a whole number from 0 to 4"),
    ({**RELAY, "reclose_shots": 1.5}, R, "protection.reclose_shots", "a whole number"),
    ({**RELAY, "reclose_shots": True}, R, "protection.reclose_shots", "a whole number"),
    ({"kind": "fuse", "clearing_points": POINTS, "reclose_shots": "2"}, R,
     "protection.reclose_shots", "a whole number"),
]  # fmt: skip


@pytest.mark.parametrize(("protection", "level", "field", "words"), PROTECTION)
def test_protection(copy, protection, level, field, words):
    copy.features("circuits", put(0, protection=protection))
    if level is None:
        assert copy.judge().problems == ()
    else:
        copy.expect(level, "circuits", field, ["F1"], words)


@pytest.mark.parametrize("kind", ["switch", "sectionalizer", "jumper"])
def test_protection_of_what_opens_no_fault(copy, kind):
    copy.features("devices", put(0, kind=kind, protection=RELAY))
    copy.expect(O, "devices", "protection", ["D1"], "does not open a fault current")


def test_pickup_above_the_smallest_fault(copy):
    copy.features("circuits", put(0, protection={**RELAY, "pickup_a": 5600}))
    found = [p.found for p in copy.judge().problems]
    assert "5,600 A is not below the smallest fault at the source (5,500 A)" in found


WIRES = [  # file, old, new, level, field, ids, words
    ("conductors.csv", "ACSR,170.5", "ACRS,170.5", R, "material", "336 test", "use one of: ACSR"),
    ("conductors.csv", "0.01831", "0.01831 m", R, "diameter_m", "336 test", "above zero"),
    ("conductors.csv", "0.01831", "nan", R, "diameter_m", "336 test", "above zero"),
    ("conductors.csv", "0.01831", "-1", R, "diameter_m", "336 test", "above zero"),
    ("conductors.csv", ",0.190,", ",,", R, "resistance_ohm_per_km", "336 test", "above zero"),
    ("conductors.csv", "0.00744", "0.0244", O, "gmr_m", "336 test", "GMR over radius is 2.67"),
    ("conductors.csv", "0.190", "0.58", O, "resistance_ohm_per_km", "336 test", "times area"),
    ("conductors.csv", "170.5", "270", O, "area_mm2", "336 test", "area over the circle"),
    ("conductors.csv", "530,example figures of this test", "530,", O, "source", "336 test",
     "state where the row comes from"),
    ("conductors.csv", "1/0 test", "336 test", R, "name", "336 test", "stands twice"),
    ("conductors.csv", "1/0 test", "1/0\u202e", R, "name", None, "direction-changing"),
    ("conductors.csv", "gmr_m", "gmr", R, "conductors.csv", None, "has no column gmr_m"),
    ("conductors.csv", ",530,", ",530,1,", R, "conductors.csv", None, "row 2 has not 8 values"),
    ("constructions.csv", "TOP3,2", "TOP3,4", R, "position", "TOP3", "use 1, 2, 3 or N"),
    ("constructions.csv", "TOP3,2", "TOP3,1", R, "position", "TOP3", "1 stands twice"),
    ("constructions.csv", "10.4", "34 ft", R, "y_m", "TOP3", "is no height"),
    ("constructions.csv", "-1.1", "-30", R, "x_m", "TOP3", "is no place"),
    ("constructions.csv", "0.1,10.4", "-1.1,9.8", R, "x_m", "TOP3", "two conductors at one place"),
]  # fmt: skip


@pytest.mark.parametrize("case", WIRES, ids=lambda c: f"{c[4]}-{c[6][:16]}")
def test_wires(copy, case):
    file, old, new, level, field, name, words = case
    text = copy.text(file)
    assert old in text
    copy.write(file, text.replace(old, new, 1))
    table = file.removesuffix(".csv")
    found = [p for p in copy.judge().problems if p.layer == table]
    assert [(p.level, p.field) for p in found] == [(level, field)]
    assert found[0].feature_ids == (() if name is None else (name,))
    assert words in f"{found[0].found}. {found[0].remedy}"


def test_wires_that_are_not_utf8(copy):
    copy.write("conductors.csv", copy.text("conductors.csv").encode("utf-16"))
    found = [p.found for p in copy.judge().problems if p.layer == "conductors"]
    assert found == ["is not UTF-8"]


def test_positions_leave_a_gap(copy):
    text = copy.text("constructions.csv").replace(
        "TOP3,2,0.1,10.4,example figures of this test\n", ""
    )
    copy.write("constructions.csv", text)
    found = [p for p in copy.judge().problems if p.layer == "constructions"]
    assert [(p.level, p.field, p.found) for p in found] == [
        (R, "position", "positions leave a gap")
    ]


def test_more_phases_than_places(copy):
    text = copy.text("constructions.csv") + "ONE,1,0,10,x\n"
    copy.write("constructions.csv", text)
    copy.features("spans", put(0, construction="ONE"))
    problems = copy.judge().problems
    assert [(p.level, p.field, p.feature_ids) for p in problems] == [
        (R, "construction", ("S1",)),
        (R, "construction", ("S1",)),
    ]
    assert problems[0].found == "3 phases, but 'ONE' has places 1"
    assert problems[1].found == "a neutral, but 'ONE' has no place N"


def test_own_row_in_place_of_a_built_in_one(copy):
    text = copy.text("conductors.csv")
    row = "#4 ACSR 6/1,ACSR,21.15,0.00635,0.00133,1.597,140,our own measurement\n"
    copy.write("conductors.csv", text + row)
    copy.expect(N, "conductors", "name", ["#4 ACSR 6/1"], "in place of the built-in one")
    wire = copy.judge().territory.conductors["#4 ACSR 6/1"]
    assert (wire.source, wire.area_mm2) == ("our own measurement", 21.15)


def test_all_aluminium_row_with_the_gmr_of_another_wire_is_remarked(copy):
    row = "odd,AAC,53.5,0.01011,0.0045,0.60,230,x\n"  # ratio 0.890; 7 strands have 0.7256
    copy.write("conductors.csv", copy.text("conductors.csv") + row)
    copy.expect(N, "conductors", "gmr_m", ["odd"], "GMR over radius is 0.890")
