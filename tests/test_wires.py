"""The user's own conductors and pole tops, and the built-in rows by the same rules."""

import csv
import io
import math

import pytest

from gridground.tables import read_table
from gridground.tables.wires import builtin_conductors, builtin_constructions
from gridground.territory.wires import read_wires

HEAD = ("name", "material", "area_mm2", "diameter_m", "gmr_m", "resistance_ohm_per_km",
        "ampacity_a", "source")  # fmt: skip
FT, MILE = 0.3048, 1.609344


def row(name="own", **changes):
    """A conductor of the built-in table under another name, with one thing changed."""
    wire = vars(builtin_conductors()["336.4 ACSR 26/7"]) | {"source": "test"}
    return wire | {"name": name} | changes


def read(tmp_path, rows):
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, HEAD)
    writer.writeheader()
    writer.writerows([{key: one[key] for key in HEAD} for one in rows])
    (tmp_path / "conductors.csv").write_text(text.getvalue(), encoding="utf-8")
    return read_wires(tmp_path)


def found(tmp_path, **changes):
    return [(p.level, p.field, p.feature_ids) for p in read(tmp_path, [row(**changes)]).problems]


def test_a_plausible_row_is_taken_without_a_word(tmp_path):
    wires = read(tmp_path, [row()])
    assert wires.problems == []
    assert wires.conductors["own"].gmr_m == builtin_conductors()["336.4 ACSR 26/7"].gmr_m
    assert wires.inputs[0]["rows"] == 1


def test_every_built_in_conductor_passes_the_rules_for_the_users_rows(tmp_path):
    rows = [vars(wire) | {"name": f"own {name}"} for name, wire in builtin_conductors().items()]
    problems = read(tmp_path, rows).problems
    assert [p for p in problems if p.level != "note"] == []
    assert [p.feature_ids for p in problems] == []


@pytest.mark.parametrize(
    "name", ["336.4 ACSR 26/7", "1/0 ACSR 6/1", "4/0 AAC", "4/0 copper", "123.3 AAAC"]
)
@pytest.mark.parametrize(
    ("field", "factor"),
    [
        ("resistance_ohm_per_km", MILE),  # ohm per mile read as ohm/km
        ("resistance_ohm_per_km", FT),  # ohm per thousand feet
        ("resistance_ohm_per_km", 1000),
        ("resistance_ohm_per_km", 0.001),
        ("ampacity_a", 1 / 1000),  # kA
        ("ampacity_a", 1000),
        ("ampacity_a", 10),
        ("ampacity_a", 0.1),
        ("gmr_m", 1 / FT),  # feet read as metres
        ("gmr_m", 1000),
        ("diameter_m", 1 / 0.0254),  # inches
        ("diameter_m", 2),  # the radius of another row
        ("area_mm2", 1 / 0.5067),  # kcmil
        ("area_mm2", 0.5067),
    ],
)
def test_a_wrong_unit_is_an_open_item(tmp_path, name, field, factor):
    wire = vars(builtin_conductors()[name]) | {"name": "own", "source": "test"}
    problems = read(tmp_path, [wire | {field: wire[field] * factor}]).problems
    assert any(p.level == "open item" for p in problems), [p.sentence() for p in problems]
    assert all(p.feature_ids == ("own",) and p.remedy for p in problems)


def test_ampacity_against_diameter(tmp_path):
    # independent: I²R/(pi d) by hand: 5300² x 0.19 mohm/m over 57.5 mm = 92.8 kW/m²
    (problem,) = read(tmp_path, [row(ampacity_a=5300)]).problems
    assert (problem.level, problem.field) == ("open item", "ampacity_a")
    assert "heat at the ampacity over the surface is 9.28e+04 (usual: 200" in problem.found
    assert found(tmp_path, ampacity_a=53) == [("open item", "ampacity_a", ("own",))]


def test_steel_cored_wire_with_the_gmr_in_feet(tmp_path):
    wire = vars(builtin_conductors()["1/0 ACSR 6/1"]) | {"name": "own", "gmr_m": 0.00446}
    (problem,) = read(tmp_path, [wire]).problems
    assert (problem.level, problem.field) == ("open item", "gmr_m")
    assert "GMR over radius is 0.882" in problem.found


def test_alloy_wire_with_the_gmr_of_another_stranding_is_remarked(tmp_path):
    wire = vars(builtin_conductors()["123.3 AAAC"]) | {"name": "own"}
    (problem,) = read(tmp_path, [wire | {"gmr_m": 0.64 * wire["diameter_m"] / 2}]).problems
    assert (problem.level, problem.field) == ("note", "gmr_m")


def test_several_bad_rows_are_named_each(tmp_path):
    rows = [row("one", gmr_m=0.5), row("two"), row("three", ampacity_a=1)]
    problems = read(tmp_path, rows).problems
    assert [p.feature_ids for p in problems] == [("one",), ("three",)]


# --- the built-in tables -------------------------------------------------------------------


def test_the_conductor_table_has_every_kind():
    wires = builtin_conductors().values()
    count = {kind: sum(wire.material == kind for wire in wires) for kind in ("ACSR", "AAC", "AAAC")}
    assert count["ACSR"] >= 16
    assert count["AAC"] >= 11
    assert count["AAAC"] >= 8
    assert sum("mm2" in wire.name for wire in wires) >= 7
    assert len(wires) >= 50
    assert all(wire.source.strip() for wire in wires)


@pytest.mark.parametrize(
    ("name", "dc_ohm_per_km"),
    # independent: 28.264 ohm mm2/km over the aluminium area, 2 % lay (EN 50182 prints the same)
    [("70/12 mm2 ACSR 26/7", 0.413), ("95/15 mm2 ACSR 26/7", 0.306),
     ("120/20 mm2 ACSR 26/7", 0.237), ("240/40 mm2 ACSR 26/7", 0.119)],
)  # fmt: skip
def test_metric_steel_cored_rows_follow_from_their_area(name, dc_ohm_per_km):
    wire = builtin_conductors()[name]
    assert 28.264 * 1.02 / wire.area_mm2 == pytest.approx(dc_ohm_per_km, rel=0.01)
    assert wire.resistance_ohm_per_km == pytest.approx(dc_ohm_per_km * 1.121, rel=0.01)
    # 26 aluminium wires over 7 of steel: the diameter is 7.74 times that of an aluminium wire,
    # as steel wires are 0.778 of it
    aluminium_mm = math.sqrt(wire.area_mm2 / 26 * 4 / math.pi)
    assert wire.diameter_m * 1000 == pytest.approx(aluminium_mm * (4 + 3 * 0.778), rel=0.01)


@pytest.mark.parametrize(
    ("word", "phases"),
    [
        ("crossarm", 3), ("armless", 3), ("vertical", 3), ("triangular", 3), ("two-phase", 2),
        ("one-phase", 1), ("double circuit left", 3), ("double circuit right", 3),
        ("underbuilt", 3),
    ],
)  # fmt: skip
def test_the_construction_table_has_every_kind(word, phases):
    tops = [top for top in builtin_constructions().values() if word in top.name]
    assert any(len(top.positions.keys() - {"N"}) == phases for top in tops)
    assert len(builtin_constructions()) >= 12


def test_every_row_of_the_tables_has_a_source():
    for table in ("conductors", "constructions", "grades", "clamps", "leads", "materials"):
        assert all(row["source"].strip() for row in read_table(table)), table


def test_the_two_sides_of_a_double_circuit_hang_apart():
    left, right = (
        builtin_constructions()[f"double circuit {side} side (45-ft pole)"].positions
        for side in ("left", "right")
    )
    assert left["N"] == right["N"]
    apart = [math.dist(left[a], right[b]) for a in "123" for b in "123"]
    assert min(apart) > 1.5
