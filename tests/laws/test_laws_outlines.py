"""Laws of outlines: never more area than the zones, never less than each, cones never too far."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rod_sites import AT, lonlat

from gridground.grounding.outlines import Part, outlines_of
from gridground.territory.frame import Frame

FRAME = Frame(*AT)
SPOT = st.tuples(st.floats(-25, 25), st.floats(-25, 25))
ZONE = st.tuples(SPOT, st.none() | st.tuples(st.floats(-8, 8), st.floats(-8, 8)),
                 st.floats(0.5, 9))  # fmt: skip
ZONES = st.lists(ZONE, min_size=1, max_size=6)
SPACING = st.floats(0.4, 5)


def parts_of(rows):
    parts = []
    for number, ((x, y), rod, radius_m) in enumerate(rows, 1):
        there = [(x, y)] if rod is None else [(x, y), (x + rod[0], y + rod[1])]
        out = shapely.get_coordinates(lonlat(shapely.MultiPoint(there))).tolist()
        ends = [tuple(spot) for spot in out]
        parts.append(Part(f"L{number}", ends[0], None if rod is None else ends[1], radius_m))
    return parts


def axis(part):
    ends = np.column_stack(FRAME.to_xy(*np.array([part.foot, part.rod or part.foot]).T))
    return shapely.LineString(ends) if (ends[0] != ends[1]).any() else shapely.Point(ends[0])


@given(ZONES, SPACING)
@settings(max_examples=80, deadline=None)
def test_area_never_more_than_the_sum_and_each_zone_inside(rows, spacing_m):
    parts = parts_of(rows)
    exact = {p.name: axis(p).buffer(p.radius_m, quad_segs=256) for p in parts}
    for outline in outlines_of(FRAME, parts, spacing_m=spacing_m):
        drawn = FRAME.to_xy(outline.polygon)
        inside = [exact[name] for name in outline.parts]
        # what they enclose without covering is inside by choice, and no part of the sum
        gaps = [shapely.Polygon(r) for g in [shapely.union_all(inside)]
                for r in getattr(g, "interiors", [])]  # fmt: skip
        enclosed_m2 = sum(gap.area for gap in gaps)
        total_m2 = sum(zone.area for zone in inside)
        assert drawn.area - enclosed_m2 <= total_m2 * 1.003 + 0.01
        for zone in inside:
            assert zone.difference(drawn.buffer(0.0025)).is_empty


@given(ZONES, SPACING)
@settings(max_examples=80, deadline=None)
def test_every_point_of_rod_and_lead_is_the_radius_inside(rows, spacing_m):
    parts = {part.name: part for part in parts_of(rows)}
    for outline in outlines_of(FRAME, list(parts.values()), spacing_m=spacing_m):
        edge = FRAME.to_xy(outline.polygon).exterior
        for name in outline.parts:
            assert edge.distance(axis(parts[name])) >= parts[name].radius_m - 0.0025


@given(ZONES, SPACING)
@settings(max_examples=80, deadline=None)
def test_cones_are_never_farther_apart_than_their_spacing_along_the_outline(rows, spacing_m):
    parts = parts_of(rows)
    numbers = []
    for outline in outlines_of(FRAME, parts, spacing_m=spacing_m):
        ring = FRAME.to_xy(outline.polygon).exterior
        spots = shapely.points(
            np.column_stack(FRAME.to_xy(*np.array([(c.lon, c.lat) for c in outline.cones]).T))
        )
        assert shapely.distance(spots, ring).max() < 0.003
        along_m = np.sort(shapely.line_locate_point(ring, spots))
        gaps = np.diff(np.append(along_m, along_m[0] + ring.length))
        assert gaps.max() <= spacing_m + 0.01
        assert len(spots) == 1 or (len(spots) - 1) * spacing_m < ring.length + 0.02
        numbers += [cone.number for cone in outline.cones]
    assert numbers == list(range(1, len(numbers) + 1))


@given(ZONES, SPACING)
@settings(max_examples=40, deadline=None)
def test_every_zone_is_in_one_outline_and_outlines_keep_apart(rows, spacing_m):
    parts = parts_of(rows)
    outlines = outlines_of(FRAME, parts, spacing_m=spacing_m)
    assert sorted(n for o in outlines for n in o.parts) == sorted(p.name for p in parts)
    shapes = [FRAME.to_xy(o.polygon) for o in outlines]
    for row, shape in enumerate(shapes):
        for other in shapes[row + 1 :]:
            apart = shape.exterior.distance(other.exterior)
            assert apart > 0 or shape.contains(other) or other.contains(shape)
