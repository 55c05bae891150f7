"""What can put energy in between the brackets: kinds of equipment, cables, circuits, crossings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from maps_maker import ROOT

import gridground as gg
from gridground.grounding.between import sources_between
from gridground.territory.network import Network
from gridground.territory.ways import find_zone


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def between(territory, name, **change):
    job = replace(gg.read_job(ROOT / "sample_data" / "jobs" / f"{name}.toml"), **change)
    zone = find_zone(Network.build(territory), job)
    spans = frozenset(way.span for way in zone.ways)
    return sources_between(zone, job, frozenset(zone.poles), spans)


def with_equipment(territory, kind, pole_id, circuit_id):
    layer = territory.layers["equipment"]
    row = {"equipment_id": "NEW", "pole_id": pole_id, "circuit_id": circuit_id, "kind": kind}
    columns = {
        name: np.append(values, np.array([row.get(name), None], object)[:1])
        for name, values in layer.columns.items()
    }
    stated = {name: np.append(mask, True) for name, mask in layer.stated.items()}
    geometry = np.append(layer.geometry, np.array([shapely.Point(0, 0), None], object)[:1])
    layers = territory.layers | {
        "equipment": replace(layer, columns=columns, stated=stated, geometry=geometry)
    }
    return replace(territory, layers=layers)


def test_a_bare_pole_has_none(territory):
    assert between(territory, "01-straight") == ()


@pytest.mark.parametrize("kind", ["transformer", "generator", "service", "riser"])
def test_equipment_counts_until_it_is_isolated(territory, kind):
    changed = with_equipment(territory, kind, "Q213", "WB2")
    assert between(changed, "01-straight") == ("NEW",)
    assert between(changed, "01-straight", isolated_equipment=("NEW",)) == ()


@pytest.mark.parametrize("kind", ["arrester", "guy", "regulator", "capacitor"])
def test_other_equipment_is_no_source_between(territory, kind):
    assert between(with_equipment(territory, kind, "Q213", "WB2"), "01-straight") == ()


def test_equipment_at_a_bracket_pole_is_not_inside(territory):
    assert between(with_equipment(territory, "transformer", "Q212", "WB2"), "01-straight") == ()


def test_live_circuit_on_the_same_poles(territory):
    assert between(territory, "09-double-circuit") == ("WB2",)
    assert between(territory, "09-double-circuit", circuit_ids=("WB1", "WB2")) == ()


def test_crossing_line_counts_until_it_is_out(territory):
    assert between(territory, "18-crossing") == ("T115",)
    lines = territory.layers["other_lines"]
    states = lines.columns | {"state": np.array(["dead"], object)}
    layers = territory.layers | {"other_lines": replace(lines, columns=states)}
    assert between(replace(territory, layers=layers), "18-crossing") == ()
