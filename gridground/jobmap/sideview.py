"""One ground pole from the side, to scale: every lead between its two ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap.drawing import Drawing, View, number
from gridground.jobmap.notes import half_size, lines
from gridground.jobmap.sidewords import (
    HEIGHTS_COLUMN,
    LEADS_COLUMN,
    SIZE,
    height_words,
    lead_words,
    words_tall,
    write_heights,
    write_leads,
)
from gridground.jobmap.strands import draw_leads
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.jobmap.drawing import Point

WIDTH = 420.0
TALLEST = 600.0  # of pole and rod, in drawing units
LARGEST_SCALE, SMALLEST_SCALE = 48.0, 4.0  # drawing units per metre
LETTER_SPACE = 24.0  # beside an arm, for the letter of its last conductor
ABOVE, BELOW = 40.0, 64.0  # of the pole top; of the rod's end
APART = (10.0, -8.0)  # how the far side of a device is drawn off the near one, in drawing units
SAME_ARM_M = 0.12
_POLE_HALF = 5.0


@dataclass(frozen=True)
class Side:
    """One pole top with its leads, and where it lies on the drawing.

    Attributes
    ----------
    top : dict
        A row of ``picture.tops``.
    leads : sequence of dict
        The location's rows of the lead table.
    drawing : Drawing
        In metres sideways from the pole axis and above ground.
    rod_right : bool
        The rod stands right of the pole; the words about the leads stand over it.
    """

    top: dict[str, Any]
    leads: Sequence[dict[str, Any]]
    drawing: Drawing
    rod_right: bool

    def end(self, name: str) -> Point:
        """Return the place of an end in drawing units."""
        row = next(row for row in self.top["ends"] if row["end"] == name)
        return self.apart((row["x_m"], row["y_m"]), row.get("apart_ratio", 0.0))

    def apart(self, place_m: Point, ratio: float) -> Point:
        """Return a place in drawing units, moved to its side of a device."""
        x, y = self.drawing.view.at(*place_m)
        return x + APART[0] * ratio, y + APART[1] * ratio

    @property
    def axis(self) -> Point:
        """The foot of the pole in drawing units."""
        return self.drawing.view.at(0.0, 0.0)

    def row(self, *names: str) -> dict[str, Any] | None:
        """Return the first end of one of these names."""
        return next((row for row in self.top["ends"] if row["end"] in names), None)


def side_view_svg(
    top: dict[str, Any] | None, leads: Sequence[dict[str, Any]], title: str
) -> Markup:
    """Return one location from the side.

    Parameters
    ----------
    top : dict or None
        The location's row of ``picture.tops``; None where there is no pole, or in an older plan.
    leads : sequence of dict
        Its rows of the lead table.
    title : str
        What the drawing is of.

    Returns
    -------
    Markup
        SVG; empty where there is nothing to draw, or where a lead's end is not in `top`.
    """
    named = {row["end"] for row in top["ends"]} if top else set()
    if top is None or not leads or {e for row in leads for e in (row["from"], row["to"])} - named:
        return Markup("")
    side = _laid_out(top, leads)
    _ground(side)
    _pole(side)
    _rod(side)
    _conductors(side)
    draw_leads(side)
    _letters(side)
    write_heights(side)
    write_leads(side)
    _scale_bar(side.drawing)
    return side.drawing.svg("sideview", title)


def _laid_out(top: dict[str, Any], leads: Sequence[dict[str, Any]]) -> Side:
    """Choose the scale, the height and the place of the pole."""
    everything = (*top["ends"], *top["conductors"])
    arm_m = max(0.4, *(abs(row["x_m"]) for row in everything if row.get("end") != "rod"))
    rod = next((row for row in top["ends"] if row["end"] == "rod"), None)
    rod_m = 0.0 if rod is None else abs(rod["x_m"])
    deep_m = float(top["rod_length_m"] or 0.0) if rod else 0.0
    high_m = max(_pole_top_m(top), *(row["y_m"] for row in everything))
    apart = APART[0] if any(row.get("apart_ratio", 0.0) for row in top["ends"]) else 0.0

    def halves(scale: float) -> Point:
        """Return the width on the rod's side of the axis, and on the other."""
        arm = arm_m * scale + apart + LETTER_SPACE
        return max(rod_m * scale + 12.0, arm + LEADS_COLUMN), arm + HEIGHTS_COLUMN

    scale = LARGEST_SCALE
    while scale > SMALLEST_SCALE and (
        sum(halves(scale)) > WIDTH or (high_m + deep_m) * scale > TALLEST
    ):
        scale -= 0.5
    rod_right = rod is not None and rod["x_m"] > 0
    other = halves(scale)[1]
    axis = other if rod_right else WIDTH - other
    wanted = min(words_tall(lead_words(lead, full=False) for lead in leads), 2.0 * TALLEST)
    heights = words_tall(words for _, words in height_words(top))
    above = max(ABOVE, wanted + 40.0 - high_m * scale, heights + 60.0 - high_m * scale)
    below = BELOW + deep_m * scale
    view = View(
        -axis / scale,
        -below / scale,
        (WIDTH - axis) / scale,
        high_m + above / scale,
        WIDTH,
    )
    return Side(top, leads, Drawing(view), rod_right)


def _pole_top_m(top: dict[str, Any]) -> float:
    """Return the height of the pole; where it is not known, that of its highest conductor [m]."""
    highest_m = max((row["y_m"] for row in top["conductors"]), default=0.0)
    return float(highest_m if top["height_m"] is None else top["height_m"])


def _ground(side: Side) -> None:
    """Draw the ground line with hatches below it."""
    drawing, (_, y) = side.drawing, side.axis
    hatches = " ".join(f"M{x} {number(y)} l-7 8" for x in range(10, int(WIDTH), 24))
    drawing.add('<path class="sv-hatch" d="{d}"/>', d=hatches)
    drawing.add('<path class="sv-ground" d="M0 {y} H{w}"/>', y=number(y), w=number(WIDTH))


def _pole(side: Side) -> None:
    """Draw the pole, the arms, the bar, and the wire of a pole ground."""
    drawing, top = side.drawing, side.top
    x, foot = side.axis
    head_m = _pole_top_m(top)
    _, head = drawing.view.at(0.0, head_m)
    drawing.add(
        '<rect class="sv-pole" x="{x}" y="{y}" width="{w}" height="{h}"/>',
        x=number(x - _POLE_HALF),
        y=number(head),
        w=number(2 * _POLE_HALF),
        h=number(foot - head),
    )
    for y_m, xs in _arms(top["conductors"]):
        if y_m > head_m:
            drawing.path("sv-arm", [(0.0, head_m), (0.0, y_m)])
        if max(0.0, *xs) - min(0.0, *xs) > SAME_ARM_M:
            drawing.path("sv-arm", [(min(0.0, *xs), y_m), (max(0.0, *xs), y_m)])
    if wire := side.row("pole ground"):
        _, y = drawing.view.at(0.0, wire["y_m"])
        drawing.add(
            '<path class="sv-wire" d="M{x} {y} V{z}"/>',
            x=number(x),
            y=number(y),
            z=number(foot + 16),
        )
    if bar := side.row("bar", "pole"):
        _, y = drawing.view.at(0.0, bar["y_m"])
        drawing.add(
            '<rect class="sv-bar" x="{x}" y="{y}" width="24" height="10"/>',
            x=number(x - 12),
            y=number(y - 5),
        )
        drawing.take((x - 12, y - 5, x + 12, y + 5))


def _arms(conductors: Sequence[dict[str, Any]]) -> list[tuple[float, list[float]]]:
    """Group conductors by height: what hangs at one height is drawn on one arm."""
    arms: list[tuple[float, list[float]]] = []
    for row in sorted(conductors, key=lambda row: (-row["y_m"], row["x_m"])):
        if arms and arms[-1][0] - row["y_m"] <= SAME_ARM_M:
            arms[-1][1].append(row["x_m"])
        else:
            arms.append((row["y_m"], [row["x_m"]]))
    return [(y_m, [xs[0], *xs]) for y_m, xs in arms]


def _rod(side: Side) -> None:
    """Draw the rod in the ground, its length, and its distance from the pole."""
    drawing, rod = side.drawing, side.row("rod")
    axis, foot = side.axis
    if rod is None:
        return
    long_m = float(side.top["rod_length_m"] or 0.0)
    x, deep = drawing.view.at(rod["x_m"], -long_m)
    drawing.add(
        '<path class="sv-rod" d="M{x} {y} V{z}"/>', x=number(x), y=number(foot), z=number(deep)
    )
    low = foot + 26.0
    drawing.add(
        '<path class="sv-dim" d="M{x} {y} H{a} M{a} {up} V{down}"/>',
        x=number(x),
        y=number(low),
        a=number(axis),
        up=number(foot + 12),
        down=number(low + 7),
    )
    away = [feet_text(abs(rod["x_m"]))]
    lines(drawing, "nt nt-pole", ((x + axis) / 2, low + 5), away, size=SIZE)
    length = [f"rod {feet_text(long_m)}"]
    half_w, _ = half_size(length, SIZE)
    at = min(max(x, half_w), WIDTH - half_w)
    lines(drawing, "nt nt-pole", (at, max(deep, low + 22.0) + 4), length, size=SIZE)


def _ratios(side: Side, conductor: dict[str, Any]) -> list[float]:
    """Return how the ends on one conductor are drawn apart; 0 where it is one."""
    worked = {row["circuit_id"] for row in side.top["conductors"] if row["worked"]}
    mark = f"{conductor['circuit_id']}:"
    names = {conductor["conductor"]} if len(worked) == 1 else set()
    names |= {mark + conductor["conductor"]}
    found = {
        row.get("apart_ratio", 0.0)
        for row in side.top["ends"]
        if row["end"].partition("@")[0] in names
    }
    return sorted(found) or [0.0]


def _conductors(side: Side) -> None:
    """Draw every conductor: a black dot where it is worked on, a white diamond where it is not."""
    drawing = side.drawing
    for row in side.top["conductors"]:
        place = (row["x_m"], row["y_m"])
        x, y = drawing.view.at(*place)
        if not row["worked"]:
            d = f"M{number(x)} {number(y - 7)} l7 7 l-7 7 l-7 -7 Z"
            drawing.add('<path class="sv-live" d="{d}"/>', d=d)
            drawing.take((x - 7, y - 7, x + 7, y + 7))
            continue
        spots = [side.apart(place, ratio) for ratio in _ratios(side, row)]
        if len(spots) > 1:
            d = "M" + " L".join(f"{number(a)} {number(b)}" for a, b in spots)
            drawing.add('<path class="sv-apart" d="{d}"/>', d=d)
        for a, b in spots:
            drawing.add(
                '<circle class="sv-wire-end" cx="{x}" cy="{y}" r="5"/>', x=number(a), y=number(b)
            )
            drawing.take((a - 5, b - 5, a + 5, b + 5))


def _letters(side: Side) -> None:
    """Write each conductor's letter beside it, where nothing else stands."""
    drawing = side.drawing
    for row in side.top["conductors"]:
        ratios = _ratios(side, row) if row["worked"] else [0.0]
        x, y = side.apart((row["x_m"], row["y_m"]), max(ratios))
        text = "N" if row["conductor"] == "neutral" else row["conductor"][:2]
        half_w, half_h = half_size([text], SIZE)
        around = [(0.0, -15.0), (half_w + 8, 0.0), (-half_w - 8, 0.0), (0.0, 16.0)]
        around += [(a * (half_w + 7), b * 14.0) for a in (1, -1) for b in (-1, 1)]
        around += [(0.0, -24.0), (half_w + 18, 0.0), (-half_w - 18, 0.0), (0.0, 26.0)]
        boxes = [
            (x + a - half_w, y + b - half_h, x + a + half_w, y + b + half_h) for a, b in around
        ]
        best = min(range(len(boxes)), key=lambda k: (round(drawing.overlap(boxes[k]), 2), k))
        box = boxes[best]
        drawing.take(box)
        lines(drawing, "nt nt-pole", ((box[0] + box[2]) / 2, box[1]), [text], size=SIZE)


def _scale_bar(drawing: Drawing) -> None:
    """Draw a bar of 10 ft with its metres below everything."""
    length = 3.048 * drawing.view.scale
    y = drawing.view.height - 8.0
    drawing.add(
        '<path class="sv-dim sv-scale" d="M8 {up} V{y} H{end} V{up}"/>',
        up=number(y - 8),
        y=number(y),
        end=number(8 + length),
    )
    lines(drawing, "nt", (16 + length, y - SIZE), ["10 ft (3.05 m)"], size=SIZE, anchor="start")
