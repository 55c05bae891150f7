"""Notes of several lines on a drawing: each finds a place of its own, with a line to its mark."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from gridground.jobmap.drawing import LETTER_WIDTH_RATIO, cut_label, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.jobmap.drawing import Drawing, Point

    Floats = NDArray[np.float64]

Box = tuple[float, float, float, float]
LINE_RATIO = 1.16  # from line to line, of the font size
LONGEST_LINE = 18  # letters; longer lines go on below
MOST_LINES = 7
COVERING_PRICE = 0.8  # for each square unit covered, in units of distance
LIGHT_PRICE = 0.06  # the same, for what may be written over
TURNING_PRICE = 4.0
LINE_FROM = 18.0  # a note farther from its point is joined to it by a line
_STEP = 4.0
_CELL = 2.0
_SPACE = 2.0


@dataclass(frozen=True)
class Note:
    """Lines of text about one point of a drawing.

    Attributes
    ----------
    lines : tuple of str
        Long ones are wrapped.
    size : float
        Font size in drawing units.
    must : bool
        Written even where nothing is free.
    toward : (east, north) or None
        Where from the point it had best stand.
    off : float
        How far from the point it stays, in drawing units.
    """

    lines: tuple[str, ...]
    size: float = 14.0
    must: bool = True
    css: str = "nt"
    toward: Point | None = None
    off: float = 5.0

    @property
    def shown(self) -> tuple[str, ...]:
        """The lines as they are written: wrapped, and what does not fit is cut."""
        return wrapped(self.lines)

    @property
    def half(self) -> Point:
        """Half width and half height in drawing units."""
        return half_size(self.shown, self.size)


def wrapped(texts: Sequence[str], letters: int = LONGEST_LINE) -> tuple[str, ...]:
    """Return lines short enough for a drawing, at most seven.

    Examples
    --------
    >>> wrapped(["from northwest corner of building 7"])
    ('from northwest', 'corner of building', '7')
    """
    done: list[str] = []
    for text in texts:
        flat = cut_label(text, 4 * letters)
        done += textwrap.wrap(flat, letters, break_on_hyphens=False) or [""]
    return (*done[: MOST_LINES - 1], *done[MOST_LINES - 1 :][-1:])


def half_size(lines: Sequence[str], size: float) -> Point:
    """Return half the width and half the height of some lines in drawing units."""
    longest = max(map(len, lines), default=0)
    return longest * size * LETTER_WIDTH_RATIO / 2 + 2.0, len(lines) * size * LINE_RATIO / 2


def along(start: Point, end: Point) -> list[Point]:
    """Return points of a line between two points, ends left out."""
    return [
        (start[0] + (end[0] - start[0]) * k / 8, start[1] + (end[1] - start[1]) * k / 8)
        for k in (4, 5, 3, 6, 2, 7, 1)
    ]


def place_note(drawing: Drawing, points: Sequence[Point], note: Note) -> bool:
    """Write a note near one of some points of the plane [m], off every other note and mark.

    Of all places on the drawing, a few units apart, the one is taken that costs least: its
    distance from the nearest point, and much more for what it covers. Farther away a thin line
    leads to that point.

    Returns
    -------
    bool
        Whether it was written.
    """
    spots = np.array([drawing.view.at(*point) for point in points])
    boxes = _places(drawing, note)
    covered = _covered(drawing, boxes, drawing.taken)
    inside = np.clip(spots[:, None], boxes[None, :, :2], boxes[None, :, 2:])
    apart = np.hypot(*np.moveaxis(inside - spots[:, None], 2, 0))
    nearest = np.argmin(np.round(apart, 3), axis=0)
    at, away = spots[nearest], apart.min(axis=0)
    cost = np.maximum(away, note.off) + COVERING_PRICE * covered
    cost += LIGHT_PRICE * _covered(drawing, boxes, drawing.light)
    cost += 1e3 * (away < note.off * 0.5) + 0.05 * np.hypot(*(_middles(boxes) - at).T)
    if note.toward is not None:
        cost += _turned(_middles(boxes) - at, note.toward)
    best = int(np.argmin(np.round(cost, 3)))
    if covered[best] > 0.0 and not note.must:
        return False
    west, north, east, south = (float(part) for part in boxes[best])
    start = (float(at[best, 0]), float(at[best, 1]))
    _write(drawing, start, note, ((west, north, east, south), bool(away[best] > LINE_FROM)))
    return True


def _places(drawing: Drawing, note: Note) -> Floats:
    """Return every place a note may take, as boxes, shape (n, 4)."""
    half_w, half_h = note.half
    view = drawing.view
    xs = np.arange(half_w + 3.0, max(view.width - half_w - 2.0, half_w + 3.5), _STEP)
    ys = np.arange(half_h + 3.0, max(view.height - half_h - 2.0, half_h + 3.5), _STEP)
    x, y = (part.ravel() for part in np.meshgrid(xs, ys))
    return np.column_stack([x - half_w, y - half_h, x + half_w, y + half_h])


def _middles(boxes: Floats) -> Floats:
    """Return the middles of boxes, shape (n, 2)."""
    return (boxes[:, :2] + boxes[:, 2:]) / 2.0


def _covered(drawing: Drawing, boxes: Floats, taken: Sequence[Box]) -> Floats:
    """Return the area that each box, with a little space round it, would cover.

    Counted in cells that something touches, by sums over rectangles from one corner.
    """
    size = (drawing.view.height, drawing.view.width)
    rows, columns = (math.ceil(part / _CELL) + 2 for part in size)
    cells = np.zeros((rows, columns))
    for west, north, east, south in taken:
        low = max(0, math.floor(north / _CELL)), max(0, math.floor(west / _CELL))
        cells[low[0] : math.ceil(south / _CELL), low[1] : math.ceil(east / _CELL)] = 1.0
    sums = np.zeros((rows + 1, columns + 1))
    sums[1:, 1:] = cells.cumsum(axis=0).cumsum(axis=1)
    start = np.clip(np.floor((boxes[:, :2] - _SPACE) / _CELL).astype(int), 0, None)
    end = np.ceil((boxes[:, 2:] + _SPACE) / _CELL).astype(int)
    end = np.minimum(end, [columns, rows])
    (x1, y1), (x2, y2) = start.T, end.T
    found: Floats = sums[y2, x2] - sums[y1, x2] - sums[y2, x1] + sums[y1, x1]
    return found * _CELL**2


def _turned(ways: Floats, toward: Point) -> Floats:
    """Return what it costs to stand elsewhere than towards a direction of the plane."""
    size = np.hypot(*ways.T) * math.hypot(*toward)
    along = ways[:, 0] * toward[0] - ways[:, 1] * toward[1]
    cost: Floats = TURNING_PRICE * (1.0 - along / np.maximum(size, 1e-9))
    return cost


def _write(drawing: Drawing, at: Point, note: Note, placed: tuple[Box, bool]) -> None:
    """Write a note into its box."""
    box, far = placed
    drawing.take(box)
    if far:
        x = min(max(at[0], box[0]), box[2])
        y = min(max(at[1], box[1]), box[3])
        drawing.add(
            '<path class="nt-line" d="M{a} {b} L{x} {y}"/>',
            a=number(at[0]),
            b=number(at[1]),
            x=number(x),
            y=number(y),
        )
    middle = (box[0] + box[2]) / 2
    lines(drawing, note.css, (middle, box[1]), note.shown, size=note.size)


def lines(
    drawing: Drawing,
    css: str,
    corner: Point,
    texts: Sequence[str],
    *,
    size: float,
    anchor: str = "middle",
) -> None:
    """Write lines below each other, the first one's top at `corner` in drawing units."""
    rows = Markup("").join(
        Markup('<text x="{}" y="{}">{}</text>').format(
            number(corner[0]), number(corner[1] + size * (LINE_RATIO * count + 0.92)), text
        )
        for count, text in enumerate(texts)
    )
    drawing.labels.append(
        Markup('<g class="{}" font-size="{}" text-anchor="{}">{}</g>').format(
            css, number(size), anchor, rows
        )
    )


def keep_free(drawing: Drawing, start: Point, end: Point, half: float = 4.0) -> None:
    """Keep notes off a straight line between two points of the plane [m]."""
    (x1, y1), (x2, y2) = drawing.view.at(*start), drawing.view.at(*end)
    steps = max(1, math.ceil(math.hypot(x2 - x1, y2 - y1) / (2 * half)))
    for k in range(steps + 1):
        x, y = x1 + (x2 - x1) * k / steps, y1 + (y2 - y1) * k / steps
        drawing.take((x - half, y - half, x + half, y + half))


def stacked(
    wanted: Sequence[tuple[float, float]], *, top: float, bottom: float, gap: float
) -> list[float]:
    """Return the tops of boxes below each other, each as near its wish as the others let it.

    Parameters
    ----------
    wanted : sequence of (middle, height)
        In drawing units, in the order from the top down.
    top, bottom : float
        Nothing stands above, and where there is room nothing below.
    gap : float
        Between two boxes.

    Examples
    --------
    >>> stacked([(10, 10), (10, 10)], top=0.0, bottom=99.0, gap=2.0)
    [0.0, 12.0]
    """
    groups: list[tuple[int, float, float]] = []  # first box, wished top of the group, its height
    for count, (middle, height) in enumerate(wanted):
        groups.append((count, max(top, middle - height / 2), height))
        while len(groups) > 1 and groups[-2][1] + groups[-2][2] + gap > groups[-1][1]:
            (_, low, after), (first, high, before) = groups.pop(), groups.pop()
            wish = (high * before + (low - before - gap) * after) / (before + after)
            groups.append((first, max(top, wish), before + gap + after))
    limit = bottom
    for place in reversed(range(len(groups))):
        first, start, height = groups[place]
        groups[place] = (first, max(top, min(start, limit - height)), height)
        limit = groups[place][1] - gap
    tops: list[float] = []
    firsts = [first for first, _, _ in groups[1:]] + [len(wanted)]
    for (first, start, _), after_last in zip(groups, firsts, strict=True):
        y = start
        for _, height in wanted[first:after_last]:
            tops.append(y)
            y += height + gap
    return tops
