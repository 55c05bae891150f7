"""The sheets for paper: crew, dispatcher, job briefing, truck; each in its own template."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap import words
from gridground.jobmap.briefing import RULE, briefing, order_of_poles, tools_named

if TYPE_CHECKING:
    from jinja2 import Environment

SHEETS = {
    "crew": "Crew sheet",
    "dispatcher": "Dispatcher sheet",
    "briefing": "Job briefing",
    "truck": "Truck list",
}
# Drawings of a location that the page holds and the crew sheet shows again.
DRAWINGS = ("inset", "side", "bonding")
SHOWN_POLES = 150
SHOWN_EQUIPMENT = 60
SIGNED_LINES = 10
CHANGE_LINES = 4
_DRAWING = re.compile(r"<svg ([^>]*)>")
_SIZE = re.compile(r'viewBox="0 0 ([0-9.]+) ([0-9.]+)"')
_VIEW = re.compile(r'viewBox="[^"]*"')


def ordinal_text(number: int) -> str:
    """Return a number as a place in an order.

    Examples
    --------
    >>> [ordinal_text(number) for number in (1, 2, 3, 4, 11, 22)]
    ['1st', '2nd', '3rd', '4th', '11th', '22nd']
    """
    ends = {1: "st", 2: "nd", 3: "rd"}
    return f"{number}{'th' if number % 100 in {11, 12, 13} else ends.get(number % 10, 'th')}"


def revision_text(document: dict[str, Any]) -> str:
    """Return the revision in words, empty where the plan has none."""
    revision = document.get("revision")
    return f"revision {revision}" if isinstance(revision, int) else ""


def sheet_papers(templates: Environment, context: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the four sheets as HTML.

    Parameters
    ----------
    templates : jinja2.Environment
        Holds ``paper-<key>.html`` for each sheet; escapes what is put into them.
    context : dict
        What the page's own templates read.

    Returns
    -------
    list of dict
        ``key``, ``title`` and ``html``.
    """
    document = context["plan"]
    found = context | {
        "order": {place: number for number, (place, _) in enumerate(order_of_poles(document), 1)},
        "revision": revision_text(document),
        "briefing": briefing(document),
        "rule": RULE,
        "tools": tools_named(document),
        "poles_off": _poles_off(document),
        "possible": _possible(document),
        "lines": {"signed": SIGNED_LINES, "changes": CHANGE_LINES},
    }
    found["places"] = _places(found)
    found["sketch_again"] = seen_again(context["sketch"], "sketch-1")
    found["tall"] = is_tall(context["sketch"])
    papers = []
    for key, title in SHEETS.items():
        html = templates.get_template(f"paper-{key}.html").render(found, sheet_title=title)
        papers.append({"key": key, "title": title, "html": Markup(html)})  # noqa: S704  escaped in it
    return papers


def _places(context: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the locations in the order of work, with drawings that show the page's own again."""
    last = len(context["locations"]) + 1
    rows = [
        row
        | {
            "letter": "B" if row["role"] == "bracket" else "W",
            "nth": ordinal_text(context["order"].get(row["place"], last)),
            "again": [
                seen_again(row[name], f"{name}-{number}") for name in DRAWINGS if row.get(name)
            ],
            "turn": context["order"].get(row["place"], last),
        }
        for number, row in enumerate(context["locations"], 1)
    ]
    return sorted(rows, key=lambda row: int(row["turn"]))


def name_drawings(locations: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the locations with each drawing under a name by which it can be shown again."""
    for number, row in enumerate(locations, 1):
        row.update({k: named_drawing(row[k], f"{k}-{number}") for k in DRAWINGS if row.get(k)})
    return locations


def named_drawing(drawing: Markup, name: str) -> Markup:
    """Return a drawing under a name, so that `seen_again` can show it a second time."""
    return Markup(str(drawing).replace("<svg ", f'<svg id="{name}" ', 1))  # noqa: S704  was markup


def is_tall(drawing: Markup) -> bool:
    """Say whether a drawing is taller than flat ones are, so that it stands beside other things."""
    width, height = (float(part) for part in _SIZE.findall(str(drawing))[0])
    return height > 0.56 * width


def seen_again(drawing: Markup, name: str) -> Markup:
    """Return a drawing that shows the one of that name, without carrying it twice."""
    head = _DRAWING.search(str(drawing))
    view = _VIEW.search(head.group(1)) if head else None
    box = view.group(0) if view else ""
    return Markup(f'<svg class="again" {box} aria-hidden="true"><use href="#{name}"/></svg>')  # noqa: S704  two names of our own and figures


def _poles_off(document: dict[str, Any]) -> dict[str, Any]:
    """Return the poles of the parted-off part, as many as a sheet bears."""
    names = (document.get("clearance") or {}).get("off", {}).get("pole_ids", [])
    return {"shown": names[:SHOWN_POLES], "more": max(0, len(names) - SHOWN_POLES)}


def _possible(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the equipment that may feed back, by kind: what is done, and where each stands."""
    block = document.get("clearance") or {}
    kinds: dict[str, dict[str, list[str]]] = {}
    for row in block.get("equipment", []):
        if row["kind"] not in {"arrester", "guy"}:
            group = kinds.setdefault(row["kind"], {"isolated": [], "silent": []})
            place = f"{row['equipment_id']} at {row['pole_id']}"
            group["isolated" if row["isolated"] else "silent"].append(place)
    done = block.get("done", {})
    return [
        {
            "kind": words.kind_text(kind),
            "text": done[kind]["text"] if kind in done else words.NOT_STATED,
            "isolated": group["isolated"],
            "silent": group["silent"][:SHOWN_EQUIPMENT],
            "more": max(0, len(group["silent"]) - SHOWN_EQUIPMENT),
        }
        for kind, group in kinds.items()
    ]
