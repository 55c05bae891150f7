"""A straight worked line with neighbours, anywhere on the earth and turned as wanted."""

from __future__ import annotations

import types

import numpy as np
import shapely

from gridground.electrical.dead_section import InductionCase
from gridground.electrical.induced import induced
from gridground.territory.frame import Frame
from gridground.territory.layers import Layer
from gridground.territory.network import Network
from gridground.territory.ways import find_zone
from tests.feeder import circuit, pole, span, territory

OTHER = ("nominal_kv", "state", "load_a", "height_m", "fault_a", "clearing_s", "spacing_m",
         "arrangement")  # fmt: skip
LINE = {
    "nominal_kv": 115.0, "state": "energized", "load_a": 600.0, "height_m": 15.0,
    "fault_a": 8000.0, "clearing_s": 0.5, "spacing_m": 4.0, "arrangement": "flat",
}  # fmt: skip


class Ground:
    """A plane of metres laid on the earth at a place, turned by an angle."""

    def __init__(self, lon=-100.0, lat=40.0, turn_deg=0.0):
        self.frame = Frame(lon, lat)
        angle = np.radians(turn_deg)
        self.turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def line(self, *points):
        """Return a line through points given in metres."""
        return self.frame.to_lonlat(shapely.LineString(np.array(points, float) @ self.turn))

    def point(self, *place):
        """Return a point given in metres."""
        return self.frame.to_lonlat(shapely.Point(np.array(place, float) @ self.turn))


def other_lines(ground, lines):
    """Return the layer of other lines from ``{line_id: (points, changes)}``."""
    columns, stated = {"line_id": np.array([*lines, None], object)[:-1]}, {}
    for name in OTHER:
        values = [(LINE | changes).get(name) for _, changes in lines.values()]
        words = name in {"state", "arrangement"}
        kind = object if words else float
        blank = None if words else np.nan
        filled = [blank if v is None else v for v in values]
        columns[name] = np.array([*filled, blank], kind)[:-1]
        stated[name] = np.array([v is not None for v in values], bool)
    geometry = np.array([*(ground.line(*points) for points, _ in lines.values()), None], object)
    return Layer("other_lines", columns, stated, geometry[:-1])


def straight(ground, lines=(), *, n=20, span_m=50.0, reverse=(), **given):
    """Return a worked line P0 … Pn along x, with other lines."""
    at = [(k * span_m, 0.0) for k in range(n + 1)]
    poles = [pole(f"P{k}") | {"at": ground.point(*xy)} for k, xy in enumerate(at)]
    spans = []
    for k in range(1, n + 1):
        ends = (f"P{k - 1}", f"P{k}", at[k - 1], at[k])
        one, other, a, b = ends if k not in reverse else (ends[1], ends[0], ends[3], ends[2])
        row = {"length_m": None, "at": ground.line(a, b), "neutral_conductor": None} | given
        spans.append(span(f"S{k}", one, other, **row))
    area = territory(poles, spans, [circuit()])
    if lines:
        area.layers["other_lines"] = other_lines(ground, dict(lines))
    return area


def zone_of(area, *poles):
    """Return the zone of a worksite on circuit F1."""
    job = types.SimpleNamespace(
        isolated_equipment=(),
        circuit_ids=("F1",),
        worksite_poles=poles or ("P10",),
        worksite_span=None,
    )
    return find_zone(Network.build(area), job)


def case(grounds=None, **given):
    """Return a case with two grounds of 25 ohm at P9 and P11, changed by what is given."""
    row = {
        "grounds": {"P9": 25.0, "P11": 25.0} if grounds is None else grounds,
        "opened": (),
        "resistivity_ohm_m": 100.0,
        "circuit_faults": {},
        "worker_limit": "DOE-HDBK-1092",
        "standing_rule": "let-go, women",
        "body_ohm": 1000.0,
    }
    return InductionCase(**(row | given))


def rows_of(area, *poles, **given):
    """Return the rows of induction of a worksite."""
    return induced(zone_of(area, *poles), case(**given))
