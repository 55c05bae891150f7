"""Which lead joins which two ends at one location, as a diagram (not to scale)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap.drawing import cut_label, number
from gridground.jobmap.words import end_text, printable, short_feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

_ROW = 62.0
_BOX = 150.0
_BOX_HEIGHT = 34.0
_LANE = 26.0
_END_LETTERS = 13
_CONDUCTOR_LETTERS = 4
_WIDTH = 420.0


def bonding_svg(leads: Sequence[dict[str, Any]], title: str) -> Markup:
    """Return the leads of one location as boxes joined by numbered lines, ground end at the foot.

    Parameters
    ----------
    leads : sequence of dict
        Rows of the plan's lead table at this location.
    title : str
        What the diagram is of.

    Returns
    -------
    Markup
        SVG; empty where there is no lead.
    """
    ends = _order(leads)
    if not ends:
        return Markup("")
    lanes = _lanes(leads, ends)
    height = len(ends) * _ROW
    parts = []
    # Conductors are up and the rod is down, as on the pole.
    y_of = {end: height - _ROW / 2 - _ROW * row for row, end in enumerate(ends)}
    middle = 16.0 + _BOX / 2
    for lead, lane in zip(leads, lanes, strict=True):
        low, high = sorted((y_of[lead["from"]], y_of[lead["to"]]))
        x = middle if lane == 0 else 16.0 + _BOX + _LANE * lane
        css = "bd-electrode" if lead.get("role") == "electrode" else "bd-lead"
        path = (
            f"M{number(x)} {number(low)} V{number(high)}"
            if lane == 0
            else f"M{number(16 + _BOX)} {number(low)} H{number(x)} V{number(high)} "
            f"H{number(16 + _BOX)}"
        )
        parts.append(Markup('<path class="{}" d="{}"/>').format(css, path))
        parts.append(_lead_words(lead, x + 8, (low + high) / 2))
    said = {lead[way]: end_text(lead, way) for lead in leads for way in ("from", "to")}
    short = _labels([said[end] for end in ends])
    labels = {end: short[said[end]] for end in ends}
    parts += [_box(labels[end], y_of[end]) for end in ends]
    return Markup(
        '<svg class="bonding" viewBox="0 0 {w} {h}" role="img" aria-label="{title}">{parts}</svg>'
    ).format(
        w=number(_WIDTH), h=number(height), title=printable(title), parts=Markup("").join(parts)
    )


def _order(leads: Sequence[dict[str, Any]]) -> list[str]:
    """Return the ends in the order in which the leads reach them."""
    ends: dict[str, None] = {}
    for lead in leads:
        ends.setdefault(lead["from"])
        ends.setdefault(lead["to"])
    return list(ends)


def _lanes(leads: Sequence[dict[str, Any]], ends: list[str]) -> list[int]:
    """Return 0 for the first lead between neighbours in the column, else a lane of its own."""
    lanes, used, straight = [], 0, set()
    for lead in leads:
        rows = sorted((ends.index(lead["from"]), ends.index(lead["to"])))
        if rows[1] - rows[0] == 1 and rows[0] not in straight:
            straight.add(rows[0])
            lanes.append(0)
        else:
            used += 1
            lanes.append(used)
    return lanes


def _lead_words(lead: dict[str, Any], x: float, y: float) -> Markup:
    """Return the number, size and length beside a lead."""
    many = f"{lead['parallel']} × " if lead["parallel"] > 1 else ""
    words = f"{cut_label(lead['lead_id'], 14)}: {many}{cut_label(lead['size'], 8)}, "
    words += short_feet_text(lead["length_m"])
    return Markup('<text class="bd-words" x="{}" y="{}" font-size="16">{}</text>').format(
        number(x), number(y + 5.5), words
    )


def _box(label: str, y: float) -> Markup:
    """Return one end as a box with its name."""
    return Markup(
        '<rect class="bd-box" x="16" y="{}" width="{}" height="{}"/>'
        '<text class="bd-end" x="{}" y="{}" font-size="18">{}</text>'
    ).format(
        number(y - _BOX_HEIGHT / 2),
        number(_BOX),
        number(_BOX_HEIGHT),
        number(16 + _BOX / 2),
        number(y + 6),
        label,
    )


def _labels(ends: Sequence[str]) -> dict[str, str]:
    """Return names of ends short enough for their boxes, all different.

    The conductor comes first, then as much of the end of the name as tells them apart.

    Examples
    --------
    >>> _labels(["neutral", "B@WB1-P150"])
    {'neutral': 'neutral', 'B@WB1-P150': 'B@WB1-P150'}
    >>> _labels(["A toward P149", "A toward P14900"])
    {'A toward P149': 'A toward P149', 'A toward P14900': 'A → P14900'}
    >>> list(_labels(["F-2:A@F-2-SPAN-1234", "F-2:B@F-2-SPAN-1234"]).values())
    ['A…PAN-1234', 'B…PAN-1234']
    """
    found: dict[str, str] = {}
    for end in ends:
        flat = " ".join(printable(end).split())
        if len(flat) > _END_LETTERS:
            flat = flat.replace(" toward ", " → ")
        conductor = flat.partition("@")[0].rpartition(":")[2][:_CONDUCTOR_LETTERS]
        shorter = [
            f"{conductor}…{flat[-kept:]}" for kept in range(8, _END_LETTERS - len(conductor))
        ]
        choices = [flat] if len(flat) <= _END_LETTERS else shorter or [flat[:_END_LETTERS]]
        taken = set(found.values())
        number = f"{conductor}… ({len(found) + 1})"
        found[end] = next((text for text in choices if text not in taken), number)
    return found
