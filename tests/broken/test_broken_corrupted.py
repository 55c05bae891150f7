"""Every safety input deleted, and multiplied by unit mistakes: a refusal, or a new open item.

Where a mistake passes without a word, the reason is written here: `PASSES` is compared with what
passes, so that neither list can grow in silence.
"""

import pytest

FACTORS = (3.28084, 0.3048, 1000, 0.001, 60, -1, 0)
DELETED = [  # layer, row, key
    *[("poles", 1, key) for key in ("pole_id", "material", "height_m", "ground_ohm")],
    *[
        ("spans", 0, key)
        for key in (
            "span_id", "circuit_id", "from_pole", "to_pole", "phases", "conductor",
            "neutral_conductor", "construction",
        )
    ],
    *[
        ("spans", 5, key)
        for key in ("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km")
    ],
    *[
        ("circuits", 0, key)
        for key in (
            "circuit_id", "nominal_kv", "frequency_hz", "source_pole", "fault_3ph_a",
            "x_over_r_3ph", "fault_1ph_a", "x_over_r_1ph", "protection", "backup_clearing_s",
            "fault_data_source", "fault_data_date",
        )
    ],
    *[("devices", 0, k) for k in ("device_id", "pole_id", "span_id", "kind", "state", "phases")],
    *[("equipment", 0, k) for k in ("equipment_id", "pole_id", "circuit_id", "kind", "phases")],
    *[
        ("other_lines", 0, key)
        for key in ("line_id", "nominal_kv", "state", "load_a", "height_m", "fault_a")
    ],
    *[("surroundings", 0, key) for key in ("feature_id", "kind")],
    *[("soil", 0, key) for key in ("soil_id", "resistivity_ohm_m", "source")],
]  # fmt: skip
NUMBERS = {
    ("poles", 1): ("height_m", "ground_ohm"),
    ("spans", 0): ("length_m",),
    ("spans", 5): ("r1_ohm_per_km", "x1_ohm_per_km", "r0_ohm_per_km", "x0_ohm_per_km"),
    ("circuits", 0): (
        "nominal_kv", "frequency_hz", "fault_3ph_a", "x_over_r_3ph", "fault_1ph_a",
        "x_over_r_1ph", "prefault_voltage_ratio", "source_ground_ohm", "backup_clearing_s",
    ),
    ("other_lines", 0): ("nominal_kv", "load_a", "height_m", "fault_a"),
    ("soil", 0): ("resistivity_ohm_m",),
}  # fmt: skip
WIDE = "lies within the range of real values and nothing else in the data speaks against it"
PASSES = {
    # A pole ground of 82 or 7.6 ohm is as usual as one of 25; the plan prints it.
    ("poles", "ground_ohm"): ({3.28084, 0.3048, 60}, WIDE),
    # Cables reach from 0.05 to some ohm per km; the plan prints what it used.
    ("spans", "r1_ohm_per_km"): ({0.3048}, WIDE),
    ("spans", "x1_ohm_per_km"): ({3.28084, 0.3048}, WIDE),
    ("spans", "r0_ohm_per_km"): ({3.28084}, WIDE),
    ("spans", "x0_ohm_per_km"): ({3.28084, 0.3048}, WIDE),
    # 3.8 and 41 kV are distribution voltages.
    ("circuits", "nominal_kv"): ({3.28084, 0.3048}, WIDE),
    # X/R of 18 to 20 stands at stations with large transformers.
    ("circuits", "x_over_r_3ph"): ({3.28084}, WIDE),
    ("circuits", "x_over_r_1ph"): ({0.3048}, WIDE),
    # A ground grid has 0 to some ohm; the value is printed as an assumption where it is absent.
    ("circuits", "source_ground_ohm"): ({3.28084, 0.3048, 0.001, 0}, WIDE),
    # 0.18 to 2 s are backup times; with a relay the first device's time depends on the current.
    ("circuits", "backup_clearing_s"): ({3.28084, 0.3048}, WIDE),
    # Lines of other owners: every voltage, load and height within a factor of three is usual.
    ("other_lines", "nominal_kv"): ({3.28084, 0.3048}, WIDE),
    ("other_lines", "load_a"): ({3.28084, 0.3048, 0.001, 0}, WIDE),
    ("other_lines", "height_m"): ({3.28084, 0.3048}, WIDE),
    ("other_lines", "fault_a"): ({3.28084, 0.3048}, WIDE),
    # Soil from 24 to 4,800 ohm·m is ordinary.
    ("soil", "resistivity_ohm_m"): ({3.28084, 0.3048, 60}, WIDE),
}


def serious(judgement):
    return [p for p in judgement.problems if p.level in {"reject", "open item"}]


@pytest.mark.parametrize("case", DELETED, ids=lambda c: f"{c[0]}.{c[2]}")
def test_a_deleted_safety_input_is_refused_or_an_open_item(copy, case):
    layer, row, key = case
    copy.drop(layer, row, key)
    fields = {p.field for p in serious(copy.judge())}
    assert ("clearing_s" if key == "protection" else key) in fields


@pytest.mark.parametrize("place", NUMBERS, ids=str)
@pytest.mark.parametrize("factor", FACTORS)
def test_a_multiplied_safety_input_is_refused_or_an_open_item(copy, place, factor):
    layer, row = place
    passed = set()
    for key in NUMBERS[place]:
        value = []
        copy.features(
            layer, lambda f, key=key, value=value: value.append(f[row]["properties"][key])
        )
        copy.put(layer, row, **{key: value[0] * factor})
        if not serious(copy.judge()):
            passed.add(key)
        copy.put(layer, row, **{key: value[0]})
    allowed = {key for (name, key), (factors, _) in PASSES.items()
               if name == layer and factor in factors and key in NUMBERS[place]}  # fmt: skip
    assert passed == allowed
