"""A flat drawing in metres that becomes SVG: north up, labels that keep off each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import shapely
from markupsafe import Markup

from gridground.jobmap.words import printable
from gridground.units import M_PER_FT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Point = tuple[float, float]
LETTER_WIDTH_RATIO = 0.58  # of the font size, for a bold sans-serif
LONGEST_LABEL = 30
_SCALE_FEET = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


@dataclass(frozen=True)
class View:
    """What part of the plane is drawn, and how large.

    Attributes
    ----------
    west, south, east, north : float
        Edges in the plane [m].
    width : float
        Width of the drawing in its own units; the height follows.
    """

    west: float
    south: float
    east: float
    north: float
    width: float

    @property
    def scale(self) -> float:
        """Drawing units per metre."""
        return self.width / (self.east - self.west)

    @property
    def height(self) -> float:
        """Height in drawing units."""
        return (self.north - self.south) * self.scale

    def at(self, x_m: float, y_m: float) -> Point:
        """Return a point of the plane in drawing units, north up."""
        return (x_m - self.west) * self.scale, (self.north - y_m) * self.scale

    def holds(self, point: Point) -> bool:
        """Say whether a point of the plane is seen."""
        return self.west <= point[0] <= self.east and self.south <= point[1] <= self.north

    @property
    def box(self) -> shapely.Polygon:
        """The part of the plane that is drawn, with a little more for outlines."""
        more = 0.03 * (self.east - self.west)
        return shapely.box(self.west - more, self.south - more, self.east + more, self.north + more)


def view_of(
    points: Sequence[Point], *, width: float, ratios: tuple[float, float], least_m: float
) -> View:
    """Return a view that holds all points with a margin.

    Parameters
    ----------
    points : sequence of (x, y)
        What must be seen [m].
    width : float
        Width in drawing units.
    ratios : (float, float)
        Least and largest height over width; a flat job gets a flat drawing.
    least_m : float
        Least width [m].
    """
    xs, ys = zip(*points, strict=True)
    x_mid, y_mid = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    ratio = (max(ys) - min(ys)) / max(max(xs) - min(xs), 1e-6)
    ratio = min(max(ratio, ratios[0]), ratios[1])
    half = max((max(xs) - min(xs)) * 0.62, (max(ys) - min(ys)) * 0.62 / ratio, least_m / 2)
    return View(x_mid - half, y_mid - half * ratio, x_mid + half, y_mid + half * ratio, width)


def number(value: float) -> str:
    """Return a coordinate with one decimal and no trailing zero.

    Examples
    --------
    >>> number(3.04), number(-0.01)
    ('3', '0')
    """
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def cut_label(text: str, longest: int = LONGEST_LABEL) -> str:
    """Return a label short enough for a drawing; the full text stands in the tables.

    Examples
    --------
    >>> cut_label("P 19\\n"), cut_label("P123456789", 6)
    ('P 19', 'P1234…')
    """  # noqa: D301
    flat = " ".join(printable(text).split())
    return flat if len(flat) <= longest else flat[: longest - 1] + "…"


@dataclass
class Drawing:
    """SVG parts in drawing order, the places that labels have taken, and lighter ones.

    A light place, such as a wire's, may be written over where nothing better is near.
    """

    view: View
    parts: list[Markup] = field(default_factory=list)
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)
    labels: list[Markup] = field(default_factory=list)
    top: list[Markup] = field(default_factory=list)
    light: list[tuple[float, float, float, float]] = field(default_factory=list)

    def add(self, template: str, **values: object) -> None:
        """Add a part; every value is escaped."""
        self.parts.append(Markup(template).format(**values))  # noqa: S704  template is our own

    def path(self, css: str, points: Iterable[Point], *, closed: bool = False) -> None:
        """Add a line through points of the plane [m]."""
        spots = [self.view.at(*point) for point in points]
        steps = " L".join(f"{number(x)} {number(y)}" for x, y in spots)
        self.add('<path class="{css}" d="M{d}"/>', css=css, d=steps + (" Z" if closed else ""))

    def shape(self, css: str, geometry: Any) -> None:  # noqa: ANN401  shapely geometry
        """Add a geometry of the plane [m], clipped to the view."""
        for part in shapely.get_parts(shapely.intersection(geometry, self.view.box)):
            if part.is_empty:
                continue
            if part.geom_type == "Point":
                self.dot(css, (part.x, part.y), 5.0)
            elif part.geom_type == "Polygon":
                rings = [part.exterior, *part.interiors]
                rule = ' fill-rule="evenodd"' if part.interiors else ""
                self.add(
                    f'<path class="{{css}}"{rule} d="{{d}}"/>',
                    css=css,
                    d=" ".join(self._ring(ring) for ring in rings),
                )
            elif part.geom_type in {"LineString", "LinearRing"}:
                self.path(css, list(part.coords))

    def _ring(self, ring: Any) -> str:  # noqa: ANN401  shapely ring
        """Return the path of one ring."""
        spots = [self.view.at(x, y) for x, y in list(ring.coords)[:-1]]
        return "M" + " L".join(f"{number(x)} {number(y)}" for x, y in spots) + " Z"

    def dot(self, css: str, point: Point, radius: float) -> None:
        """Add a circle of `radius` drawing units at a point of the plane."""
        x, y = self.view.at(*point)
        self.add(
            '<circle class="{css}" cx="{x}" cy="{y}" r="{r}"/>',
            css=css,
            x=number(x),
            y=number(y),
            r=number(radius),
        )
        self.take((x - radius, y - radius, x + radius, y + radius))

    def take(self, box: tuple[float, float, float, float]) -> None:
        """Keep a box (west, north, east, south, in drawing units) free of labels."""
        self.taken.append(box)

    def square(self, css: str, point: Point, half: float, letter: str) -> None:
        """Add a letter in a square at a point of the plane."""
        x, y = self.view.at(*point)
        self.add(
            '<rect class="{css}" x="{x}" y="{y}" width="{w}" height="{w}"/>'
            '<text class="{css}-letter" x="{tx}" y="{ty}" font-size="{size}">{letter}</text>',
            css=css,
            x=number(x - half),
            y=number(y - half),
            w=number(2 * half),
            tx=number(x),
            ty=number(y + half * 0.56),
            size=number(half * 1.6),
            letter=letter,
        )
        self.taken.append((x - half, y - half, x + half, y + half))

    def cones(self, points: Sequence[Point], size: float) -> None:
        """Add small triangles as one path."""
        side = f"l{number(size * 0.8)} {number(size * 1.6)} h{number(-size * 1.6)} Z"
        steps = []
        for x, y in (self.view.at(*point) for point in points):
            steps.append(f"M{number(x)} {number(y - size)} {side}")
            self.take((x - size, y - size, x + size, y + size))
        if steps:
            self.add('<path class="sk-cone" d="{d}"/>', d=" ".join(steps))

    def device(self, point: Point, size: float) -> None:
        """Add a traffic device, an orange square: no cone of a zone."""
        x, y = self.view.at(*point)
        self.add(
            '<rect class="sk-device" x="{x}" y="{y}" width="{w}" height="{w}"/>',
            x=number(x - size),
            y=number(y - size),
            w=number(2 * size),
        )
        self.taken.append((x - size, y - size, x + size, y + size))

    def earth(self, point: Point, size: float) -> None:
        """Add the earth symbol (after IEC 60417-5017) in a circle."""
        x, y = self.view.at(*point)
        strokes = [(0, -0.65, 0, 0.0), (-0.6, 0.0, 0.6, 0.0)]
        strokes += [(-0.38, 0.28, 0.38, 0.28), (-0.16, 0.56, 0.16, 0.56)]
        d = " ".join(
            f"M{number(x + a * size)} {number(y + b * size)} "
            f"L{number(x + c * size)} {number(y + e * size)}"
            for a, b, c, e in strokes
        )
        self.dot("sk-rod", point, size)
        self.add('<path class="sk-earth" d="{d}"/>', d=d)

    def arrow(self, css: str, start: Point, heading: Point, length: float) -> Point:
        """Add an arrow of `length` drawing units from a point along a heading of the plane.

        Returns its tip in the plane [m].
        """
        size = math.hypot(*heading) or 1.0
        step = length / self.view.scale / size
        tip = (start[0] + heading[0] * step, start[1] + heading[1] * step)
        self.path(css, [start, tip])
        x, y = self.view.at(*tip)
        dx, dy = heading[0] / size, -heading[1] / size
        wings = [(x + dx * 12, y + dy * 12), (x - dy * 9, y + dx * 9), (x + dy * 9, y - dx * 9)]
        d = "M" + " L".join(f"{number(a)} {number(b)}" for a, b in wings) + " Z"
        self.add('<path class="{css}-head" d="{d}"/>', css=css, d=d)
        self.taken.append((x - 12, y - 12, x + 12, y + 12))
        return tip

    def label(self, css: str, point: Point, text: str, *, size: float, must: bool = False) -> bool:
        """Write a label near a point of the plane, where no other label or mark stands.

        Parameters
        ----------
        css : str
            Class of the text.
        point : (x, y)
            In the plane [m].
        text : str
            Cut to a length that a drawing bears.
        size : float
            Font size in drawing units.
        must : bool
            Written even where it overlaps.

        Returns
        -------
        bool
            Whether it was written.
        """
        text = cut_label(text)
        x, y = self.view.at(*point)
        half = len(text) * size * LETTER_WIDTH_RATIO / 2
        spots = [
            (x + across * (half + away), y + down * (size * 0.6 + away))
            for away in (size * k for k in (0.6, 1.4, 2.4, 3.6, 5.0))
            for across, down in _AROUND
        ]
        inside = [self._kept_inside(spot, half, size) for spot in spots]
        boxes = [(a - half, b - size * 0.6, a + half, b + size * 0.6) for a, b in inside]
        overlaps = [self.overlap(box) for box in boxes]
        best = min(range(len(boxes)), key=lambda spot: (overlaps[spot], spot))
        if overlaps[best] > 0 and not must:
            return False
        self.taken.append(boxes[best])
        a, b = inside[best]
        self.labels.append(
            Markup('<text class="{css}" x="{x}" y="{y}" font-size="{size}">{text}</text>').format(
                css=css, x=number(a), y=number(b + size * 0.35), size=number(size), text=text
            )
        )
        return True

    def _kept_inside(self, spot: Point, half: float, size: float) -> Point:
        """Return a label's middle moved so that the whole label is inside the drawing."""
        half = 1.15 * half + 4  # letters of a wide type stay inside too
        x = min(max(spot[0], half), max(self.view.width - half, half))
        return x, min(max(spot[1], size), self.view.height - size)

    def overlap(self, box: tuple[float, float, float, float]) -> float:
        """Return how much of a box is taken already."""
        west, north, east, south = box
        return sum(
            max(0.0, min(east, e) - max(west, w)) * max(0.0, min(south, s) - max(north, n))
            for w, n, e, s in self.taken
        )

    def frame(self) -> None:
        """Keep room for the north arrow and a scale bar in feet and metres, above all else."""
        self.taken.append((0, 0, 44, 76))
        north = Markup(
            '<g class="sk-north"><path d="M22 10 L32 44 L22 36 L12 44 Z"/>'
            '<text x="22" y="64" font-size="20">N</text></g>'
        )
        metres = (self.view.east - self.view.west) * 0.3
        feet = max((f for f in _SCALE_FEET if f * M_PER_FT <= metres), default=_SCALE_FEET[0])
        length = feet * M_PER_FT * self.view.scale
        y = self.view.height - 12
        words = f"{feet} ft ({feet * M_PER_FT:.3g} m)"
        width = max(length, len(words) * 16 * LETTER_WIDTH_RATIO) + 24
        self.taken.append((0, y - 40, width, y + 12))
        bar = Markup(
            '<g class="sk-scale"><rect x="4" y="{top}" width="{width}" height="42"/>'
            '<path d="M12 {up} V{y} H{end} V{up}"/>'
            '<text x="12" y="{text}" font-size="16">{words}</text></g>'
        ).format(
            top=number(y - 34),
            width=number(width),
            up=number(y - 10),
            y=number(y),
            end=number(12 + length),
            text=number(y - 15),
            words=words,
        )
        self.top += [north, bar]

    def svg(self, css: str, title: str) -> Markup:
        """Return the drawing."""
        return Markup(
            '<svg class="{css}" viewBox="0 0 {w} {h}" role="img" aria-label="{title}">'
            "{parts}{labels}{top}</svg>"
        ).format(
            css=css,
            w=number(self.view.width),
            h=number(self.view.height),
            title=printable(title),
            parts=Markup("").join(self.parts),
            labels=Markup("").join(_gathered(self.labels)),
            top=Markup("").join(self.top),
        )


def _gathered(labels: list[Markup]) -> list[Markup]:
    """Return labels, those of one line that look alike and follow each other in one group."""
    found: list[Markup] = []
    last = None
    for label in labels:
        head, _, rest = str(label).partition("><")
        alone = head.startswith("<g ") and rest.count("<text ") <= 1
        if alone and head == last:
            found[-1] = Markup(str(found[-1]).removesuffix("</g>") + "<" + rest)  # noqa: S704  markup of ours
        else:
            found.append(label)
        last = head if alone else None
    return found


_AROUND = ((0, -1), (1, 0), (0, 1), (-1, 0), (0.8, -1), (0.8, 1), (-0.8, -1), (-0.8, 1))
