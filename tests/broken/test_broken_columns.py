"""One column, one mistake: level, layer, field, ids and words."""

import pytest

R, O, N = "reject", "open item", "note"  # noqa: E741
HUGE = 10**80

VALUES = [  # layer, row, column, value, level, ids, words
    # ids
    ("poles", 5, "pole_id", None, R, ["feature 6"], "null"),
    ("soil", 0, "soil_id", "", R, ["feature 1"], "empty"),
    ("soil", 0, "soil_id", " L1", R, ["feature 1"], "blank at an end"),
    ("soil", 0, "soil_id", "L1\u00a0", R, ["feature 1"], "blank at an end"),
    ("soil", 0, "soil_id", "L" * 65, R, ["feature 1"], "longer than 64 characters"),
    ("soil", 0, "soil_id", "L\n1", R, ["feature 1"], "control"),
    ("soil", 0, "soil_id", "\u200b", R, ["feature 1"], "nothing visible"),
    ("soil", 0, "soil_id", True, R, ["feature 1"], "true is not text"),
    ("soil", 0, "soil_id", 1.5, R, ["feature 1"], "is not a usable id"),
    ("soil", 0, "soil_id", HUGE, R, ["feature 1"], "is not a usable id"),
    ("soil", 0, "soil_id", ["L1"], R, ["feature 1"], "a list is not text"),
    ("soil", 0, "soil_id", None, R, ["feature 1"], "null"),
    # words
    ("poles", 1, "material", "wod", R, ["P2"], "use one of: wood, steel"),
    ("poles", 1, "material", "Wood", R, ["P2"], "unknown 'Wood'"),
    ("poles", 1, "material", 3, R, ["P2"], "3 is not text"),
    ("poles", 1, "material", None, O, ["P2"], "null. state it; it decides"),
    ("spans", 0, "kind", "aerial", R, ["S1"], "use one of: overhead, cable, link"),
    ("spans", 0, "kind", None, O, ["S1"], "where grounds may be placed"),
    ("devices", 0, "kind", "isolator", R, ["D1"], "unknown 'isolator'"),
    ("devices", 0, "kind", None, R, ["D1"], "null"),
    ("devices", 0, "state", "unknown", R, ["D1"], "use one of: open, closed"),
    ("devices", 0, "state", None, R, ["D1"], "null"),
    ("equipment", 0, "kind", "motor", R, ["E1"], "unknown 'motor'"),
    ("other_lines", 0, "state", None, O, ["T1"], "induction and contact"),
    ("surroundings", 0, "kind", "house", R, ["B1"], "unknown 'house'"),
    ("surroundings", 0, "kind", None, R, ["B1"], "null"),
    # phases
    ("spans", 0, "phases", "ABD", R, ["S1"], "letters out of ABC"),
    ("spans", 0, "phases", "ABB", R, ["S1"], "name each phase once"),
    ("spans", 0, "phases", "abc", R, ["S1"], "use capital letters: 'ABC'"),
    ("spans", 0, "phases", "ABCN", R, ["S1"], "the neutral is named in neutral_conductor"),
    ("spans", 0, "phases", "", R, ["S1"], "letters out of ABC"),
    ("spans", 0, "phases", 3, R, ["S1"], "3 is not letters"),
    ("spans", 0, "phases", None, O, ["S1"], "bonds, leads and fault currents"),
    ("devices", 0, "phases", None, O, ["D1"], "null"),
    ("equipment", 0, "phases", None, O, ["E1"], "which conductors it can energize"),
    # numbers
    ("poles", 1, "height_m", "40 ft", R, ["P2"], "without quotes (40 ft = 12.192)"),
    ("poles", 1, "height_m", "12", R, ["P2"], "text in a number column: '12'"),
    ("poles", 1, "height_m", True, R, ["P2"], "true is not a number"),
    ("poles", 1, "height_m", [12], R, ["P2"], "a list is not a number"),
    ("poles", 1, "height_m", {"m": 12}, R, ["P2"], "an object is not a number"),
    ("poles", 1, "height_m", -12, R, ["P2"], "-12 m is negative"),
    ("poles", 1, "height_m", 3.9, R, ["P2"], "3.9 m is no pole"),
    ("poles", 1, "height_m", 0, R, ["P2"], "m is no pole"),
    ("poles", 1, "height_m", 60.1, R, ["P2"], "60.1 m cannot be"),
    ("poles", 1, "height_m", 40, O, ["P2"], "feet written as metres?"),
    ("poles", 6, "height_m", 11, R, ["P7"], "a pad is at ground level"),
    ("poles", 1, "height_m", None, O, ["P2"], "lead lengths"),
    ("poles", 1, "ground_ohm", 0, R, ["P2"], "0 ohm must be above zero"),
    ("poles", 1, "ground_ohm", -25, R, ["P2"], "-25 ohm is negative"),
    ("poles", 1, "ground_ohm", 25000, O, ["P2"], "milliohm written as ohm?"),
    ("poles", 1, "altitude_m", 9500, R, ["P2"], "cannot be"),
    ("poles", 1, "altitude_m", 5000, O, ["P2"], "hardly possible"),
    ("spans", 0, "length_m", 0, R, ["S1"], "must be above zero"),
    ("spans", 0, "length_m", -40.2, R, ["S1"], "is negative"),
    ("spans", 5, "r1_ohm_per_km", -1, R, ["S6"], "is negative"),
    ("spans", 5, "r1_ohm_per_km", None, O, ["S6"], "fault currents beyond this span"),
    ("spans", 5, "x0_ohm_per_km", None, O, ["S6"], "fault currents beyond this span"),
    ("spans", 5, "x1_ohm_per_km", 200, O, ["S6"], "usual: 0.02 to 2 ohm/km"),
    ("circuits", 0, "nominal_kv", 0, R, ["F1"], "must be above zero"),
    ("circuits", 0, "nominal_kv", 12470, R, ["F1"], "12,470 kV cannot be"),
    ("circuits", 0, "nominal_kv", 115, O, ["F1"], "usual: 0.4 to 46 kV"),
    ("circuits", 0, "nominal_kv", None, R, ["F1"], "null"),
    ("circuits", 0, "frequency_hz", 16.7, R, ["F1"], "is not 50 or 60"),
    ("circuits", 0, "frequency_hz", None, R, ["F1"], "every reactance"),
    ("circuits", 0, "x_over_r_3ph", 0, R, ["F1"], "must be above zero"),
    ("circuits", 0, "x_over_r_3ph", None, O, ["F1"], "although the fault current is stated"),
    ("circuits", 0, "x_over_r_1ph", None, O, ["F1"], "although the fault current is stated"),
    ("circuits", 0, "prefault_voltage_ratio", 0, R, ["F1"], "cannot be"),
    ("circuits", 0, "prefault_voltage_ratio", 1.2, O, ["F1"], "within 10 % of nominal"),
    ("circuits", 0, "source_ground_ohm", -1, R, ["F1"], "is negative"),
    ("circuits", 0, "source_ground_ohm", 50, O, ["F1"], "hardly possible"),
    ("circuits", 0, "backup_clearing_s", 36, O, ["F1"], "cycles written as seconds?"),
    ("circuits", 0, "backup_clearing_s", None, O, ["F1"], "when the first device fails"),
    ("circuits", 0, "fault_data_source", None, O, ["F1"], "where the fault figures come from"),
    ("circuits", 0, "fault_data_source", 3, R, ["F1"], "3 is not text"),
    ("circuits", 0, "fault_data_source", "a\nb", R, ["F1"], "control"),
    ("circuits", 0, "fault_data_date", "31.3.2025", R, ["F1"], "is not a date"),
    ("circuits", 0, "fault_data_date", "2025-02-30", R, ["F1"], "is not a date"),
    ("circuits", 0, "fault_data_date", None, O, ["F1"], "how old the fault figures are"),
    ("circuits", 0, "protection", "fuse", R, ["F1"], "is not a protection object"),
    ("other_lines", 0, "nominal_kv", None, O, ["T1"], "approach distance"),
    ("other_lines", 0, "load_a", None, O, ["T1"], "the induced current"),
    ("other_lines", 0, "load_a", -1, R, ["T1"], "is negative"),
    ("other_lines", 0, "height_m", None, O, ["T1"], "approach distance"),
    ("other_lines", 0, "fault_a", None, O, ["T1"], "falls on the worked line"),
    ("other_lines", 0, "clearing_s", 0, R, ["T1"], "must be above zero"),
    ("other_lines", 0, "clearing_s", 30, O, ["T1"], "30 is usually cycles"),
    ("other_lines", 0, "spacing_m", -4, R, ["T1"], "is negative"),
    ("other_lines", 0, "spacing_m", "13 ft", R, ["T1"], "without quotes"),
    ("other_lines", 0, "spacing_m", 40, O, ["T1"], "40 is usually feet"),
    ("other_lines", 0, "arrangement", "delta", R, ["T1"], "use one of: flat, upright, triangle"),
    ("circuits", 0, "load_a", -1, R, ["F1"], "is negative"),
    ("circuits", 0, "load_a", 20000, O, ["F1"], "some hundred ampere"),
    ("surroundings", 0, "clearance_m", -1, R, ["B1"], "is negative"),
    ("surroundings", 0, "clearance_m", 31, O, ["B1"], "hardly possible"),
    ("surroundings", 0, "name", 7, R, ["B1"], "7 is not text"),
    ("soil", 0, "resistivity_ohm_m", 0, R, ["L1"], "must be above zero"),
    ("soil", 0, "resistivity_ohm_m", 0.5, O, ["L1"], "hardly possible"),
    ("soil", 0, "resistivity_ohm_m", None, O, ["L1"], "rod resistance"),
    ("soil", 0, "source", None, O, ["L1"], "where the figure comes from"),
]


@pytest.mark.parametrize("case", VALUES, ids=lambda c: f"{c[0]}.{c[2]}={str(c[3])[:12]!r}")
def test_value(copy, case):
    layer, row, column, value, level, ids, words = case
    copy.put(layer, row, **{column: value})
    if column == "protection":
        copy.put(layer, row, clearing_s=0.3)
    if (layer, column) == ("poles", "pole_id"):  # its spans lose their pole as well
        found = [p for p in copy.judge().problems if p.field == "pole_id"]
        assert [(p.level, p.layer, list(p.feature_ids)) for p in found] == [(level, layer, ids)]
        return
    copy.expect(level, layer, column, ids, words)


MISSING = [  # layer, row, column, level, ids
    ("poles", 1, "material", O, ["P2"]),
    ("poles", 1, "height_m", O, ["P2"]),
    ("poles", 1, "ground_ohm", O, ["P2"]),
    ("spans", 0, "circuit_id", R, ["S1"]),
    ("spans", 0, "from_pole", R, ["S1"]),
    ("spans", 3, "to_pole", R, ["S4"]),
    ("spans", 0, "phases", O, ["S1"]),
    ("spans", 0, "conductor", O, ["S1"]),
    ("spans", 0, "neutral_conductor", O, ["S1"]),
    ("spans", 0, "construction", O, ["S1"]),
    ("spans", 5, "neutral_conductor", O, ["S6"]),
    ("spans", 5, "r0_ohm_per_km", O, ["S6"]),
    ("circuits", 0, "nominal_kv", R, ["F1"]),
    ("circuits", 0, "frequency_hz", R, ["F1"]),
    ("circuits", 0, "source_pole", R, ["F1"]),
    ("circuits", 0, "fault_3ph_a", O, ["F1"]),
    ("circuits", 0, "x_over_r_3ph", O, ["F1"]),
    ("circuits", 0, "fault_1ph_a", O, ["F1"]),
    ("circuits", 0, "x_over_r_1ph", O, ["F1"]),
    ("circuits", 0, "backup_clearing_s", O, ["F1"]),
    ("circuits", 0, "fault_data_source", O, ["F1"]),
    ("circuits", 0, "fault_data_date", O, ["F1"]),
    ("devices", 0, "pole_id", R, ["D1"]),
    ("devices", 0, "span_id", R, ["D1"]),
    ("devices", 0, "state", R, ["D1"]),
    ("devices", 0, "kind", R, ["D1"]),
    ("devices", 0, "phases", O, ["D1"]),
    ("equipment", 0, "pole_id", R, ["E1"]),
    ("equipment", 0, "circuit_id", R, ["E1"]),
    ("equipment", 0, "kind", R, ["E1"]),
    ("equipment", 0, "phases", O, ["E1"]),
    ("other_lines", 0, "state", O, ["T1"]),
    ("surroundings", 0, "kind", R, ["B1"]),
    ("soil", 0, "resistivity_ohm_m", O, ["L1"]),
]


@pytest.mark.parametrize("case", MISSING, ids=lambda c: f"{c[0]}.{c[2]}")
def test_missing_key(copy, case):
    layer, row, column, level, ids = case
    copy.drop(layer, row, column)
    problems = [p for p in copy.judge().problems if p.field == column]
    assert [(p.level, p.layer, list(p.feature_ids)) for p in problems] == [(level, layer, ids)]
    assert problems[0].found == "missing"
    assert problems[0].remedy.startswith("state it")


NOT_SAID = [  # optional keys, and nulls that say something
    ("poles", 1, "altitude_m"),
    ("spans", 0, "length_m"),
    ("spans", 0, "kind"),
    ("circuits", 0, "prefault_voltage_ratio"),
    ("circuits", 0, "source_ground_ohm"),
    ("equipment", 1, "phases"),
    ("equipment", 0, "note"),
    ("surroundings", 0, "name"),
    ("surroundings", 0, "clearance_m"),
]


@pytest.mark.parametrize(("layer", "row", "column"), NOT_SAID)
def test_optional_key_is_not_asked_for(copy, layer, row, column):
    copy.features(layer, lambda features: features[row]["properties"].pop(column, None))
    assert copy.judge().problems == ()


def test_same_finding_of_many_features_is_one_problem(copy):
    copy.features("poles", lambda f: [one["properties"].update(material="wod") for one in f[:5]])
    copy.expect("reject", "poles", "material", ["P1", "P2", "P3", "P4", "P5"], "unknown 'wod'")


def test_all_rejections_come_at_once(copy):
    copy.put("poles", 0, height_m="40 ft")
    copy.put("spans", 0, phases="XYZ")
    copy.put("circuits", 0, frequency_hz=25)
    copy.write("soil.geojson", "{")
    fields = {(p.layer, p.field) for p in copy.judge().problems if p.level == "reject"}
    assert fields == {
        ("poles", "height_m"),
        ("spans", "phases"),
        ("circuits", "frequency_hz"),
        ("soil", "soil.geojson"),
    }


def test_whole_number_ids_are_text(copy):
    for layer in ("poles", "spans", "devices", "equipment"):
        text = copy.text(f"{layer}.geojson")
        for n in range(1, 8):
            text = text.replace(f'"P{n}"', f"{n}" if layer == "poles" else f"{n}.0")
        copy.write(f"{layer}.geojson", text)
    copy.put("circuits", 0, source_pole="1")
    judgement = copy.judge()
    assert judgement.problems == ()
    assert list(judgement.territory.poles.ids) == list("1234567")
    assert list(judgement.territory.spans["from_pole"]) == list("123436")


@pytest.mark.parametrize("name", ["<b>", "'; --", "Mast 7 ÄÖ", "杆12", "a\u200db", "=1+1", "../x"])
def test_any_other_character_is_legal_in_an_id(copy, name):
    copy.put("soil", 0, soil_id=name)
    judgement = copy.judge()
    assert judgement.problems == ()
    assert list(judgement.territory.layer("soil").ids) == [name]
