"""The words beside a pole seen from the side: how high everything is, and what each lead is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap.drawing import cut_label, number
from gridground.jobmap.notes import LINE_RATIO, lines, stacked
from gridground.jobmap.words import end_text, short_feet_text
from gridground.units import feet_text, room_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from gridground.jobmap.sideview import Side

SIZE = 14.0
LEADS_COLUMN = 160.0
HEIGHTS_COLUMN = 104.0
LETTERS = 19  # of a line in the column of leads
HEIGHT_LETTERS = 12  # of one in the column of heights
GAP = 6.0
_FOOT = 30.0  # above the ground: the lead that lies on it, and the pole's number


def lead_words(lead: dict[str, Any], *, full: bool) -> list[str]:
    """Return the lines about one lead: number, size and length, its two ends; metres where full."""
    many = f"{lead['parallel']} × " if lead["parallel"] > 1 else "size "
    first = f"{lead['lead_id']}: {many}{lead['size']}"
    start, end = end_text(lead, "from"), end_text(lead, "to")
    ends = f"{start} → {end}"
    shown = [ends] if len(ends) <= LETTERS else [f"{start} →", end]
    if full:
        shown += [feet_text(lead["length_m"])]
    else:
        first += f", {short_feet_text(lead['length_m'])}"
    return [cut_label(first, LETTERS), *(cut_label(text, LETTERS) for text in shown)]


def words_tall(texts: Iterable[Sequence[str]]) -> float:
    """Return the height of several texts below each other."""
    return sum(_tall(words) + GAP for words in texts)


def _tall(words: Sequence[str]) -> float:
    """Return the height of some lines."""
    return len(words) * SIZE * LINE_RATIO


def height_words(top: dict[str, Any]) -> list[tuple[float, list[str]]]:
    """Return what is told of which height [m], from the top down.

    What leads must reach is rounded up, the lowest place of what stays energized down.
    """
    worked: dict[float, list[str]] = {}
    live: dict[str, float] = {}
    for row in top["conductors"]:
        if row["worked"]:
            worked.setdefault(row["y_m"], []).append(row["conductor"])
        else:
            circuit = row["circuit_id"]
            live[circuit] = min(row["y_m"], live.get(circuit, row["y_m"]))
    marks = [
        (y_m, [", ".join(sorted(set(names))), *_two_lines(feet_text(y_m))])
        for y_m, names in worked.items()
    ]
    marks += [
        (y_m, [circuit, "energized", "from", *_two_lines(room_text(y_m))])
        for circuit, y_m in live.items()
    ]
    for row in top["ends"]:
        if row["end"] in {"bar", "pole"}:
            name = "bar" if row["end"] == "bar" else "clean stud"
            marks.append((row["y_m"], [name, *_two_lines(feet_text(row["y_m"]))]))
    if top["height_m"] is not None:
        marks.append((top["height_m"], ["pole top", *_two_lines(feet_text(top["height_m"]))]))
    marks.sort(key=lambda mark: (-mark[0], mark[1]))
    return [(y_m, [cut_label(word, HEIGHT_LETTERS) for word in words]) for y_m, words in marks]


def _two_lines(length: str) -> list[str]:
    """Split a length into feet and metres."""
    feet, _, metres = length.partition(" (")
    return [feet, f"({metres}"]


def write_heights(side: Side) -> None:
    """Write how high everything is, each with a line to it, and the pole's number."""
    drawing = side.drawing
    marks = height_words(side.top)
    _, foot = side.axis
    wishes = [(drawing.view.at(0.0, y_m)[1], _tall(words)) for y_m, words in marks]
    tops = stacked(wishes, top=4.0, bottom=foot - _FOOT, gap=GAP)
    x, anchor = (4.0, "start") if side.rod_right else (drawing.view.width - 4.0, "end")
    for (y_m, words), y in zip(marks, tops, strict=True):
        _line_to(side, y_m, y + SIZE * 0.6)
        lines(drawing, "nt nt-pole", (x, y), words[:1], size=SIZE, anchor=anchor)
        below = (x, y + SIZE * LINE_RATIO)
        lines(drawing, "nt", below, words[1:], size=SIZE, anchor=anchor)
    name = cut_label(side.top["pole_id"], HEIGHT_LETTERS)
    lines(drawing, "nt nt-pole", (x, foot - 26.0), [name], size=18.0, anchor=anchor)


def _line_to(side: Side, y_m: float, text_y: float) -> None:
    """Draw a line from a text in the column of heights to what hangs there."""
    drawing = side.drawing
    sign = -1.0 if side.rod_right else 1.0
    xs = [row["x_m"] for row in side.top["conductors"] if row["y_m"] == y_m] or [0.0]
    outer = max(xs, key=lambda x_m: sign * x_m)
    x, y = drawing.view.at(outer, y_m)
    column = HEIGHTS_COLUMN if side.rod_right else drawing.view.width - HEIGHTS_COLUMN
    d = f"M{number(column + sign * 6)} {number(text_y)} L{number(x + sign * 10)} {number(y)}"
    # below everything else: it may pass behind an arm or a letter
    drawing.parts.insert(0, Markup('<path class="nt-line" d="{}"/>').format(d))


def write_leads(side: Side) -> None:
    """Write the leads in their column, the first to go on lowest, as on the pole."""
    drawing = side.drawing
    _, foot = side.axis
    order = list(reversed(side.leads))
    room = foot - _FOOT - 4.0
    full = words_tall(lead_words(lead, full=True) for lead in order) <= room
    texts = [lead_words(lead, full=full) for lead in order]
    middles = [(side.end(lead["from"])[1] + side.end(lead["to"])[1]) / 2 for lead in order]
    wishes = [(y, _tall(words)) for y, words in zip(middles, texts, strict=True)]
    tops = stacked(wishes, top=4.0, bottom=foot - _FOOT, gap=GAP)
    x, anchor = (drawing.view.width - 4.0, "end") if side.rod_right else (4.0, "start")
    for words, y in zip(texts, tops, strict=True):
        lines(drawing, "nt nt-pole", (x, y), words[:1], size=SIZE, anchor=anchor)
        below = (x, y + SIZE * LINE_RATIO)
        lines(drawing, "nt", below, words[1:], size=SIZE, anchor=anchor)
