"""The leads of one location on the side view: each a curve between its ends, with its number."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap.drawing import cut_label, number
from gridground.jobmap.notes import half_size, lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.jobmap.drawing import Drawing, Point
    from gridground.jobmap.sideview import Side

SIZE = 14.0
_LETTERS = 5
_TAG_HALF = 9.0
_BESIDE_POLE = 10.0
_STEPS = 10
Box = tuple[float, float, float, float]


def draw_leads(side: Side) -> None:
    """Draw every lead with a clamp at each end, then the numbers where they fit."""
    drawing = side.drawing
    paths = [_path(side, lead) for lead in side.leads]
    for lead, (d, points) in zip(side.leads, paths, strict=True):
        css = "bd-electrode" if lead.get("role") == "electrode" else "bd-lead"
        drawing.add('<path class="{css}" d="{d}"/>', css=css, d=d)
        for x, y in (points[0], points[-1]):
            drawing.take((x - 5, y - 5, x + 5, y + 5))
    # clamps as dots: lines without length, with round ends
    dots = " ".join(f"M{_two(point)}h0" for _, points in paths for point in (points[0], points[-1]))
    drawing.add('<path class="sv-clamp" d="{d}"/>', d=dots)
    curves = [[(x - 4, y - 4, x + 4, y + 4) for x, y in points] for _, points in paths]
    for count, (lead, (_, points)) in enumerate(zip(side.leads, paths, strict=True)):
        others = [box for place, curve in enumerate(curves) if place != count for box in curve]
        # the number of a lead on the ground stands above it
        low = [(x, y - 11.0) for x, y in points[: _STEPS + 2]]
        along = low if lead["from"] == "rod" else points
        _tag(drawing, cut_label(lead["lead_id"], _LETTERS), along, others)
    for curve in curves:
        for box in curve:
            drawing.take(box)


def _path(side: Side, lead: dict[str, Any]) -> tuple[str, list[Point]]:
    """Return a lead's path, and points along it from end to end."""
    start, end = side.end(lead["from"]), side.end(lead["to"])
    if lead["from"] == "rod":
        x = side.axis[0] + (_BESIDE_POLE if side.rod_right else -_BESIDE_POLE)
        ground = side.axis[1] - 3.0
        d = f"M{_two(start)} V{number(ground)} H{number(x)} V{number(end[1])} L{_two(end)}"
        corners = [start, (start[0], ground), (x, ground), (x, end[1]), end]
        steps = [
            (a[0] + (b[0] - a[0]) * k / _STEPS, a[1] + (b[1] - a[1]) * k / _STEPS)
            for a, b in itertools.pairwise(corners[1:-1])
            for k in range(_STEPS + 1)
        ]
        return d, [start, *steps, end]
    bend = _bend(side, start, end, _far(side, lead))
    curve = [_on_curve(start, bend, end, k / _STEPS) for k in range(_STEPS + 1)]
    return f"M{_two(start)} Q{_two(bend)} {_two(end)}", curve


def _two(point: Point) -> str:
    """Write a point of a path."""
    return f"{number(point[0])} {number(point[1])}"


def _far(side: Side, lead: dict[str, Any]) -> bool:
    """Return whether a lead is on the far side of a device."""
    ratios = {row["end"]: row.get("apart_ratio", 0.0) for row in side.top["ends"]}
    return bool(ratios[lead["from"]] + ratios[lead["to"]] > 0.0)


def _bend(side: Side, start: Point, end: Point, far: bool) -> Point:
    """Return where the curve of a lead is drawn towards.

    A lead across hangs down, one upright stands off the pole; on the far side of a device it is
    the other way, so that the two sides can be told apart.
    """
    across, down = end[0] - start[0], end[1] - start[1]
    size = math.hypot(across, down) or 1.0
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    normal = (-down / size, across / size)
    if abs(across) >= 1.7 * abs(down):
        sign = 1.0 if normal[1] > 0 else -1.0
        reach = 0.35 * size + 10.0
    else:
        off = middle[0] - side.axis[0]
        away = off if abs(off) > _BESIDE_POLE else (-1.0 if side.rod_right else 1.0)
        sign = 1.0 if normal[0] * away > 0 else -1.0
        reach = 0.35 * size + 16.0
    reach *= -sign if far else sign
    return middle[0] + normal[0] * reach, middle[1] + normal[1] * reach


def _on_curve(start: Point, bend: Point, end: Point, t: float) -> Point:
    """Return a point of the curve."""
    a, b, c = (1 - t) ** 2, 2 * t * (1 - t), t**2
    x, y = (a * p + b * q + c * r for p, q, r in zip(start, bend, end, strict=True))
    return x, y


def _tag(drawing: Drawing, text: str, points: Sequence[Point], others: Sequence[Box]) -> None:
    """Write a lead's number in a box on it, or beside it where that is taken."""
    half_w, half_h = half_size([text], SIZE)[0] + 1.0, _TAG_HALF
    inner = points[1:-1]
    order = sorted(range(len(inner)), key=lambda k: (abs(k - (len(inner) - 1) / 2), k))
    offsets = [(0.0, 0.0), (0.0, 16.0), (0.0, -16.0), (22.0, 0.0), (-22.0, 0.0)]
    offsets += [(0.0, 30.0), (0.0, -30.0), (36.0, 8.0), (-36.0, 8.0), (36.0, -8.0), (-36.0, -8.0)]
    spots = [(inner[k], shift) for shift in offsets for k in order]
    boxes = [
        (x + a - half_w, y + b - half_h, x + a + half_w, y + b + half_h) for (x, y), (a, b) in spots
    ]

    def cost(place: int) -> tuple[float, int]:
        """Return how much is taken, other leads counting for less than marks."""
        box = boxes[place]
        view = drawing.view
        outside = box[0] < 2 or box[1] < 2 or box[2] > view.width - 2
        crossed = sum(_common(box, other) for other in others)
        return round(drawing.overlap(box) + 0.5 * crossed + 1e4 * outside, 1), place

    best = min(range(len(boxes)), key=cost)
    (px, py), (a, b) = spots[best]
    if (a, b) != (0.0, 0.0):
        drawing.add(
            '<path class="nt-line" d="M{p} L{q}"/>', p=_two((px, py)), q=_two((px + a, py + b))
        )
    box = boxes[best]
    drawing.take(box)
    drawing.labels.append(
        Markup('<rect class="sv-tag" x="{}" y="{}" width="{}" height="{}"/>').format(
            number(box[0]), number(box[1]), number(2 * half_w), number(2 * half_h)
        )
    )
    lines(drawing, "sv-tag-text", (px + a, py + b - SIZE * 0.58), [text], size=SIZE)


def _common(one: Box, other: Box) -> float:
    """Return the area two boxes share."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    return max(0.0, width) * max(0.0, min(one[3], other[3]) - max(one[1], other[1]))
