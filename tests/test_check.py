"""The tables of columns and bands, and rules that a broken file cannot show alone."""

import json
import re
from pathlib import Path

import pytest

from gridground.territory.columns import GEOMETRY, LAYERS, REQUIRED_LAYERS, bands
from gridground.territory.layers import ID_COLUMN
from gridground.territory.mapping import UNITS
from gridground.territory.read import judge_territory

SMALL = Path(__file__).parent / "networks" / "small"
UNIT_ENDINGS = {
    "_m": "m", "_ohm": "ohm", "_a": "A", "_s": "s", "_kv": "kV", "_hz": "Hz", "_ratio": "ratio",
    "_ohm_per_km": "ohm/km", "_ohm_m": "ohm·m", "_mph": "mph", "lanes_each_way": "lanes",
}  # fmt: skip


def test_every_layer_begins_with_its_id():
    assert set(LAYERS) == set(ID_COLUMN) == set(GEOMETRY)
    assert set(REQUIRED_LAYERS) == {"poles", "spans", "circuits"}
    for layer, columns in LAYERS.items():
        assert (columns[0].name, columns[0].kind) == (ID_COLUMN[layer], "id")
        assert len({column.name for column in columns}) == len(columns)


def test_numbers_carry_the_unit_of_their_name():
    for columns in LAYERS.values():
        for column in columns:
            if column.kind == "number" and not column.name.startswith("x_over_r"):
                ending = max((e for e in UNIT_ENDINGS if column.name.endswith(e)), key=len)
                assert column.unit == UNIT_ENDINGS[ending]
                assert UNITS[column.unit]


def test_what_is_asked_for_says_why():
    for columns in LAYERS.values():
        for column in columns:
            if column.missing is not None or column.null is not None:
                assert column.needed, column.name
            if column.missing == "open item" and column.null is None:
                assert column.null_means, column.name


CONTRACT = {  # bands that the data contract names to begin with
    ("circuits", "nominal_kv"): (0.4, 46),
    ("circuits", "fault_3ph_a"): (50, 63_000),
    ("circuits", "fault_1ph_a"): (50, 63_000),
    ("circuits", "x_over_r_3ph"): (0.1, 60),
    ("circuits", "x_over_r_1ph"): (0.1, 60),
    ("circuits", "clearing_s"): (0.01, 10),
    ("circuits", "backup_clearing_s"): (0.01, 10),
    ("spans", "length_m"): (2, 1000),
    ("drawing", "recorded_over_drawn"): (0.75, 1.25),
}


def test_bands_are_the_contract_s_and_each_has_a_reason():
    for key, (low, high) in CONTRACT.items():
        assert (bands()[key].low, bands()[key].high) == (low, high)
    for (layer, column), band in bands().items():
        assert band.low < band.high
        assert band.reason
        assert band.source
        if layer in LAYERS:
            (one,) = [c for c in LAYERS[layer] if c.name == column]
            assert band.unit == one.unit
            assert one.low is None or band.low >= one.low
            assert one.high is None or band.high <= one.high


EDGES = [
    (key, edge, sign)
    for key, band in bands().items()
    if key[0] in LAYERS and key != ("surroundings", "clearance_m")
    for edge, sign in ((band.low, -1), (band.high, 1))
    if not (band.low == 0 and sign == -1)
]
OF_THIRD_PARTY = {"fault_3ph_a", "fault_1ph_a"}  # judged against each other as well


def row_of(layer, column):
    return 5 if column.endswith("per_km") else 0


def level_of(tmp_path, layer, column, value):
    for file in SMALL.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    path = tmp_path / f"{layer}.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["features"][row_of(layer, column)]["properties"][column] = value
    path.write_text(json.dumps(document), encoding="utf-8")
    found = judge_territory(tmp_path).problems
    return {p.level for p in found if p.field == column and "hardly" in p.found}


@pytest.mark.parametrize(("key", "edge", "sign"), EDGES, ids=str)
def test_band_edges_are_inside(tmp_path, key, edge, sign):
    layer, column = key
    assert level_of(tmp_path, layer, column, edge) == set()
    beyond = edge + sign * 1e-3 * max(abs(edge), 1e-3)
    assert level_of(tmp_path, layer, column, beyond) == {"open item"}


def test_no_message_claims_too_much():
    """Words that the output of this program never uses, in every text of the reading rules."""
    never = re.compile(
        r"\b(compliant|approved|certified|safe|protected|will trip)\b", re.IGNORECASE
    )
    package = Path(__file__).parent.parent / "gridground"
    for path in [*(package / "territory").glob("*.py"), package / "jobfile.py"]:
        for text in re.findall(r'f?"([^"\n]*)"', path.read_text(encoding="utf-8")):
            assert not never.search(text), (path.name, text)
    for band in bands().values():
        assert not never.search(band.reason)


def test_reordering_features_changes_only_the_order_of_ids(tmp_path):
    """A law: what is found does not hang on the order of the features."""
    broken = tmp_path / "a"
    turned = tmp_path / "b"
    for folder, order in ((broken, 1), (turned, -1)):
        folder.mkdir()
        for file in SMALL.iterdir():
            (folder / file.name).write_bytes(file.read_bytes())
        for layer in ("poles", "spans"):
            path = folder / f"{layer}.geojson"
            document = json.loads(path.read_text(encoding="utf-8"))
            for row, one in enumerate(document["features"]):
                if row in {1, 4}:
                    one["properties"]["height_m" if layer == "poles" else "length_m"] = 133.0
            document["features"] = document["features"][::order]
            path.write_text(json.dumps(document), encoding="utf-8")
    one, two = judge_territory(broken), judge_territory(turned)
    assert len(one.problems) == len(two.problems) > 0
    for p, q in zip(one.problems, two.problems, strict=True):
        assert (p.level, p.layer, p.field, p.found) == (q.level, q.layer, q.field, q.found)
        assert p.feature_ids == q.feature_ids[::-1]
    assert {p.feature_ids for p in one.problems if p.layer == "spans"} == {("S2", "S5")}
