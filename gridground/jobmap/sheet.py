"""What the page says without script: every word of the plan as plain HTML."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from gridground.jobmap import words
from gridground.jobmap.bonding import bonding_svg
from gridground.jobmap.changed import changed_parts
from gridground.jobmap.planview import plan_view_svg
from gridground.jobmap.sheets import SHEETS, name_drawings, named_drawing, sheet_papers
from gridground.jobmap.sideview import side_view_svg
from gridground.jobmap.sketch import Scene, line_state_text, sketch_svg
from gridground.jobmap.sources import figure_notes
from gridground.units import bearing_text, feet_text, room_text, way_text

if TYPE_CHECKING:
    from jinja2 import Environment

STEP_PARTS = (
    ("prepare", "Prepare", "before the first clamp"),
    ("apply", "Apply", "ground end first, line end with the stick; count in"),
    ("work", "Work", ""),
    ("remove", "Remove", "the same leads backwards; count out"),
    ("release", "Release", "only when count out equals count in"),
)
SHOWN_CASES = 12
NEAREST_SHOWN = 3
FOLD_AFTER = 30  # ids of a list; the rest is folded away
LONGEST_WORD = 20  # letters; what a table column bears without breaking


@cache
def environment() -> Environment:
    """Return the templates: whatever is put into them is escaped."""
    from jinja2 import DictLoader, Environment  # noqa: PLC0415

    assets = files("gridground.jobmap") / "assets"
    names = [
        "sheet",
        "clearance",
        "steps",
        "cautions",
        "zones",
        "figures",
        "duty",
        "changes",
        "sources",
    ]
    names += ["sheets", "paper-parts", *(f"paper-{key}" for key in SHEETS)]
    made = Environment(
        loader=DictLoader(
            {f"{name}.html": (assets / f"{name}.html").read_text("utf-8") for name in names}
        ),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    made.filters.update(
        needed=words.needed_text,
        allowed=words.allowed_text,
        plain=words.plain_text,
        way=way_text,
        value=words.check_value_text,
        limit=words.check_limit_text,
        feet=words.length_text,
        reach=feet_text,
        room=room_text,
        bearing=bearing_text,
        kind=words.kind_text,
        line_state=line_state_text,
        stated=_stated,
    )
    return made


def _finalize(value: Any) -> Any:  # noqa: ANN401  whatever a template prints
    """Make controls visible; what is null or absent prints as words, never as a blank.

    Text with a word too long for a column may break anywhere; a pole's number never does. The
    templates put no text of a plan into attributes.
    """
    if value is None or type(value).__name__ == "Undefined":
        return words.NOT_STATED
    if isinstance(value, Markup):
        return Markup(words.printable(value))  # noqa: S704  was markup before, loses controls only
    if not isinstance(value, str):
        return value
    text = words.printable(value)
    if max(map(len, text.split()), default=0) <= LONGEST_WORD:
        return text
    return Markup('<span class="long">{}</span>').format(text)


def _stated(items: list[str] | None, *, empty: str = "none") -> str:
    """Return texts with commas; null is not stated, an empty list is `empty`."""
    if items is None:
        return words.NOT_STATED
    return ", ".join(items) or empty


def sheet_parts(document: dict[str, Any]) -> tuple[str, str]:
    """Return the page's HTML before and after the place of the map.

    Parameters
    ----------
    document : dict
        A plan in the shape that `gridground.jobmap.shape.check_shape` accepts.

    Returns
    -------
    before, after : str
        Everything between ``<body>`` and ``</body>`` but the map; no script, no style attribute.
    """
    context = sheet_context(document)
    context["papers"] = sheet_papers(environment(), context)
    html = environment().get_template("sheet.html").render(context)
    # The mark is our own template's line; text of the plan cannot hold it unescaped.
    before, after = html.split("<!--map-->")
    return before, after


def sheet_context(document: dict[str, Any]) -> dict[str, Any]:
    """Return what the templates read."""
    scene = Scene.of(document)
    return {
        "plan": document,
        "short_hash": document["plan_hash"][:12],
        "made_at": re.sub(r"T(\d\d:\d\d)(?::\d\d)?Z$", r" \1 UTC", document["made_at"]),
        "first": _first(document),
        "failed": [check for check in document["checks"] if not check["passed"]],
        "sketch": named_drawing(sketch_svg(scene), "sketch-1"),
        "locations": name_drawings(
            [_location(scene, location) for location in document["locations"]]
        ),
        "title_of": _titles(document),
        "parts": [
            {"key": key, "title": title, "note": note, "steps": document["steps"][key]}
            for key, title, note in STEP_PARTS
        ],
        **_clearance(document),
        **changed_parts(document),
        "faults": _faults(document),
        "fault_kinds": words.FAULT_KINDS,
        **_cases(document),
        **figure_notes(document),
        "cones_of": _cones(document),
        "traffic": document.get("traffic", []),
        "check_sources": list(dict.fromkeys(row["source"] for row in document["checks"])),
        "buried": [
            (letter, words.class_of(kind, words.KINDS), words.kind_text(kind))
            for kind, letter in words.BURIED_LETTERS.items()
        ],
    }


def _clearance(document: dict[str, Any]) -> dict[str, Any]:
    """Return what the clearance shows: every step by number, and the equipment by kind."""
    block = document.get("clearance")
    if not block:
        return {"openings": [], "kinds": []}
    openings = [(row, step) for row in block["open"] for step in row["steps"]]
    kinds: dict[str, list[dict[str, Any]]] = {}
    for row in block["equipment"]:
        place = {"at_pole": f"{row['equipment_id']} at {row['pole_id']}"}
        kinds.setdefault(row["kind"], []).append(row | place)
    looked_at = sum(row["layer"].startswith("plan:") for row in document["inputs"])
    silent = {"text": words.NOT_STATED, "source": words.NOT_STATED}
    done = [(kind, block["done"].get(kind, silent), rows) for kind, rows in kinds.items()]
    found = {"openings": openings, "kinds": done, "looked_at": looked_at}
    return found | {"fold_after": FOLD_AFTER, "idle": ("arrester", "guy")}


def _first(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the first step, and the first one at a pole where that is another."""
    steps = [step for key, _, _ in STEP_PARTS for step in document["steps"][key]]
    at_pole = next((step for step in steps if step["pole_id"]), None)
    found = [*steps[:1], at_pole]
    return [step for place, step in enumerate(found) if step and step not in found[:place]]


def _titles(document: dict[str, Any]) -> dict[str, str]:
    """Return the location's number for each pole with grounds."""
    return {row["pole_id"]: row["location_id"] for row in document["locations"] if row["pole_id"]}


def _cones(document: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the cones by the location or the vehicle they belong to."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in document.get("cones", []):
        found.setdefault(row["part"], []).append(row)
    return found


def leads_at(document: dict[str, Any], location: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of the lead table at one location."""
    pole_id, span_id = location["pole_id"], location.get("span_id")
    return [
        lead
        for lead in document["leads"]
        if lead["pole_id"] == pole_id and (pole_id is not None or lead.get("span_id") == span_id)
    ]


def _location(scene: Scene, location: dict[str, Any]) -> dict[str, Any]:
    """Return one location with its drawings."""
    leads = leads_at(scene.document, location)
    place = location["pole_id"] or f"span {location.get('span_id') or words.NOT_STATED}"
    title = location.get("title") or f"{location['role']} at {place}"
    return {
        **location,
        "title": title,
        "place": place,
        "rod": _rod(location["rod"]),
        "leads": leads,
        "count": sum(lead["parallel"] for lead in leads),
        "inset": plan_view_svg(scene, location),
        **_side(scene.document, location, leads, place),
    }


def _side(
    document: dict[str, Any], location: dict[str, Any], leads: list[dict[str, Any]], place: str
) -> dict[str, Any]:
    """Return the pole from the side; where that cannot be drawn, which lead joins what."""
    tops = document["picture"].get("tops", [])
    top = next((row for row in tops if row["location_id"] == location["location_id"]), None)
    drawn = side_view_svg(top, leads, f"{place} from the side")
    bonding = Markup("") if drawn else bonding_svg(leads, f"Leads at {place}")
    return {"side": drawn, "top": top if drawn else None, "bonding": bonding}


def _rod(rod: dict[str, Any] | None) -> dict[str, Any] | None:
    """Return a rod with the few features that come nearest."""
    if not rod:
        return None
    near = sorted(rod.get("nearest", []), key=lambda row: row["distance_m"])
    empty: dict[str, Any] = {"reasons": [], "meets": [], "alternatives": [], "seen_from": []}
    return {**empty, **rod, "nearest": near[:NEAREST_SHOWN]}


def _faults(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the fault table: poles with grounds first, in their order."""
    order = list(_titles(document))
    rest = [pole_id for pole_id in document["faults"] if pole_id not in order]
    return [
        {
            "pole_id": pole_id,
            "governs": words.FAULT_KINDS.get(f"{row['governing'].removesuffix('_a')}_a")
            or row["governing"],
            **row,
        }
        for pole_id in [*order, *rest]
        if (row := document["faults"].get(pole_id))
    ]


def _cases(document: dict[str, Any]) -> dict[str, Any]:
    """Return the worker's cases, failed ones first, then by how near the limit they come."""
    cases = sorted(
        [c for c in document["worker"]["cases"] if c.get("whose", "worker") == "worker"],
        key=lambda case: (case["passed"], -case["voltage_v"] / max(case["limit_v"], 1e-9)),
    )
    failed = sum(not case["passed"] for case in cases)
    shown = max(SHOWN_CASES, failed)
    return {"cases": cases[:shown], "cases_left": max(0, len(cases) - shown)}
