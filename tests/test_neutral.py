import math

import pytest

from gridground.errors import InputError, NoPlanError, TableError
from gridground.grounding.neutral import neutral_carries
from gridground.tables.wires import Conductor, builtin_conductors


def wire(material, area_mm2=53.5):
    return Conductor("wire", material, area_mm2, 0.01, 0.003, 0.6, 200, "test")


def carries(conductor, current_a, duration_s=0.5, x_over_r=0, *, basis="withstand", hertz=60):
    return neutral_carries(
        conductor, current_a, duration_s, x_over_r, basis=basis, frequency_hz=hertz
    )


@pytest.mark.parametrize(
    ("material", "kf"),
    [
        ("ACSR", 12.12),
        ("AAC", 12.12),
        ("AAAC", 12.47),
        ("copper", 7.06),
        ("steel", 28.96),
        ("aluminium-clad steel", 17.20),
    ],
)
@pytest.mark.parametrize(("basis", "share"), [("withstand", 0.7), ("ultimate", 1.0)])
def test_by_its_own_material(material, kf, basis, share):
    # independent: kcmil/Kf/sqrt(t) by hand (Kf from memory)
    limit_a = share * 1000 * 53.5 / 0.5067074790975 / kf / math.sqrt(0.5)
    assert carries(wire(material), 0.9999 * limit_a, basis=basis)
    assert not carries(wire(material), 1.0001 * limit_a, basis=basis)


def test_offset_is_taken_in():
    limit_a = 0.7 * 1000 * 53.5 / 0.5067074790975 / 7.06 / math.sqrt(0.5)
    copper = wire("copper")
    assert carries(copper, limit_a / 1.06, x_over_r=20)  # decrement factor 1.052 at 60 Hz
    assert not carries(copper, limit_a / 1.045, x_over_r=20)
    assert not carries(copper, limit_a / 1.06, x_over_r=20, hertz=50)  # 1.063 at 50 Hz


def test_a_short_time_is_not_counted_longer():
    limit_a = 0.7 * 1000 * 53.5 / 0.5067074790975 / 7.06 / math.sqrt(0.1)
    assert carries(wire("copper"), 0.999 * limit_a, duration_s=0.1)


def test_every_built_in_conductor_has_constants():
    for conductor in builtin_conductors().values():
        assert carries(conductor, 1.0)


def test_a_heavier_neutral_carries_where_a_light_one_does_not():
    table = builtin_conductors()
    light, heavy = table["#4 ACSR 6/1"], table["#2 ACSR 6/1"]
    assert not carries(light, 4_000)  # independent: 3.41 kA and 5.42 kA by hand
    assert carries(heavy, 4_000)


def test_an_unknown_material_is_rejected():
    with pytest.raises(InputError) as rejected:
        carries(wire("bronze"), 1_000)
    (problem,) = rejected.value.problems
    assert (problem.layer, problem.field) == ("conductors", "material")
    assert problem.feature_ids == ("wire",)
    assert "'bronze' has no heating constants" in problem.found
    assert "aluminium-clad steel" in problem.remedy


def test_what_is_not_known_and_beyond_the_table():
    with pytest.raises(NoPlanError, match="not known"):
        carries(wire("copper"), math.nan)
    with pytest.raises(TableError, match="20 s"):
        carries(wire("copper"), 1_000, duration_s=20)
