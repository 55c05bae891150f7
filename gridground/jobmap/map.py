"""The folium map of one job, inside a page that needs nothing from outside."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import folium
from branca.element import Element, Figure, MacroElement
from jinja2 import Template

from gridground.jobmap.marks import marks_of
from gridground.jobmap.packed import packed_json
from gridground.jobmap.shape import check_shape
from gridground.jobmap.sheet import sheet_parts
from gridground.jobmap.sheets import SHEETS, revision_text
from gridground.jobmap.slim import slim_script, slim_style
from gridground.jobmap.words import printable
from gridground.record import canonical_bytes

if TYPE_CHECKING:
    from gridground.record import Plan

MAP_ID = "job"
NEAREST_ZOOM = 23
# Drawn in this order; every name is a function of page.js.
LAYERS = ("surroundings", "wires", "zones", "ways", "poles", "controls")
# Our own scripts in the order in which they build on each other.
SCRIPTS = (
    *(
        "page",
        "marks",
        "labels",
        "first",
        "figures",
        "shade",
        "here",
        "rules",
        "asked",
        "record",
        "qr",
        "form",
        "truck",
        "written",
        "handover",
        "task",
    ),
    *("print", "whole"),
)
STYLES = ("page.css", "task.css", "sheets.css")
_RULE = re.compile(r"([^{}]+)\{[^{}]*\}")
_UNUSED = r"-popup|-tooltip|-control-layers|-control-attribution|lvml|-shadow|div-icon|-retina"
_VIEWPORT = re.compile(r",\s*maximum-scale=[\d.]+,\s*user-scalable=no")
_INLINE = re.compile(r"<(script|style)>(.*?)</\1>", re.DOTALL)
_ESCAPES = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}


@cache
def asset(name: str) -> str:
    """Return a text file of the page."""
    return (files("gridground.jobmap") / "assets" / name).read_text("utf-8")


@cache
def own_asset(name: str) -> str:
    """Return a script or style of our own without comments and without blanks nobody needs."""
    return (slim_style if name.endswith(".css") else slim_script)(asset(name))


@cache
def leaflet_js() -> str:
    """Return Leaflet with its licence in front, without its pointers to places on the web.

    The source map, and the link in a label of the map that the page switches off.
    """
    licence = asset("LEAFLET-LICENSE.txt").replace("*/", "* /")
    code = re.sub(r"\n//# sourceMappingURL=\S*\s*$", "\n", asset("leaflet.js"))
    code = re.sub(r'href="https?://[^"]*"', 'href=""', code)
    return f"/* {licence}*/\n{code}"


@cache
def leaflet_css() -> str:
    """Return Leaflet's style without images, popups and the like, which the page does not use."""
    style = slim_style(re.sub(r"[\w-]+:\s*url\([^)]*\);", "", asset("leaflet.css")))
    return _RULE.sub(lambda rule: "" if _never_shown(rule[1]) else rule[0], style)


def _never_shown(selectors: str) -> bool:
    """Say whether every selector of a rule is about something that the page does not have."""
    return all(re.search(_UNUSED, one) for one in selectors.split(","))


class Script(Element):
    """A script of the page, inlined; its text is never read as a template."""

    _template = Template("<script>{{ this.code }}</script>")

    def __init__(self, code: str) -> None:
        super().__init__()
        self._name = "Script"
        self.code = code


class Style(Element):
    """A style sheet of the page, inlined."""

    _template = Template("<style>{{ this.code }}</style>")

    def __init__(self, code: str) -> None:
        super().__init__()
        self._name = "Style"
        self.code = code


class PlanLayer(MacroElement):
    """One layer of the job, drawn by page.js from the page's JSON block."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "gridground.{{ this.kind }}({{ this._parent.get_name() }});"
        "{% endmacro %}"
    )

    def __init__(self, kind: str) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name = "PlanLayer"
        self._id = kind
        self.kind = kind


class Page(Figure):
    """The whole page: head, sheet, map, data, scripts, and a last element that marks its end."""

    _template = Template(
        '<!DOCTYPE html>\n<html lang="en" class="page" translate="no">\n<head>\n'
        '<meta charset="utf-8">\n'
        '<meta name="format-detection" content="telephone=no, date=no, address=no, email=no">\n'
        '<meta http-equiv="Content-Security-Policy" content="{{ policy }}">\n'
        '<meta name="referrer" content="no-referrer">\n'
        "<title>{{ this.title|e }}</title>\n{{ header }}\n</head>\n<body>\n"
        "{{ this.before }}{{ html }}{{ this.after }}\n"
        '<script type="application/json" id="plan-data">{{ this.data }}</script>\n'
        "<script>{{ script }}</script>\n"
        '<div id="page-end" data-plan-hash="{{ this.plan_hash|e }}" data-marks="{{ marks }}"></div>'
        "\n</body>\n</html>\n"
    )

    def __init__(self, document: dict[str, Any]) -> None:
        super().__init__(title=printable(f"{document['job_id']}: {document['title']}"))
        # The charset stands first in this page's own template.
        self.header._children.clear()
        self.before, self.after = sheet_parts(document)
        self.data = data_block(document)
        self.plan_hash = document["plan_hash"]

    def render(self, **kwargs: Any) -> str:  # noqa: ANN401  as in the class above it
        """Return the page as HTML."""
        for child in self._children.values():
            child.render(**kwargs)
        header = _VIEWPORT.sub("", self.header.render(**kwargs))
        html = self.html.render(**kwargs)
        script = self.script.render(**kwargs)
        policy = content_policy(header, script)
        parts = {"header": header, "html": html, "script": script, "policy": policy}
        marks = marks_of(self._template.render(this=self, **parts, marks=""))
        return str(self._template.render(this=self, **parts, marks=marks))


def content_policy(header: str, script: str) -> str:
    """Return the page's content security policy.

    Only what stands in the head and in the map's script is let through, and no text of a plan
    stands there: markup that slipped into the body would not run.

    Parameters
    ----------
    header : str
        HTML of the head, with inline scripts and styles.
    script : str
        Text of the script behind the body.
    """
    found: dict[str, list[str]] = {"script": [_hash(script)], "style": []}
    for kind, code in _INLINE.findall(header):
        found[kind].append(_hash(code))
    return (
        "default-src 'none'; "
        f"script-src {' '.join(dict.fromkeys(found['script']))}; "
        f"style-src {' '.join(dict.fromkeys(found['style']))}; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(code: str) -> str:
    """Return the source expression of one inline script or style."""
    # Parsers turn carriage returns into line feeds before the browser hashes.
    digest = hashlib.sha256(code.replace("\r\n", "\n").replace("\r", "\n").encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def data_block(document: dict[str, Any]) -> str:
    """Return the one JSON block of the page.

    It holds the pieces of the very text that the plan's hash is taken of, so that the page can
    check itself. Signs that HTML or JavaScript could stumble over are escaped.

    Parameters
    ----------
    document : dict
        A plan.
    """
    rest = {key: value for key, value in document.items() if key not in {"made_at", "plan_hash"}}
    # Such signs stand in texts only, where JSON reads the escape as the sign.
    return packed_json(canonical_bytes(rest).decode()).translate(_ESCAPES)


def page_style(document: dict[str, Any]) -> str:
    """Return the margins of the printed page: sheet, job, readiness, plan hash, page n of m.

    A plan that is not ready says so on every page; that one is ready only the page's script says,
    once it has found the page whole.
    """
    # All of it is put into a style sheet, which has no escaping of its own worth trusting.
    job_id = re.sub(r"[^A-Za-z0-9_-]", "?", document["job_id"])[:64]
    plan_hash = re.sub(r"[^0-9a-f]", "?", document["plan_hash"])
    plan = "  ".join(filter(None, (revision_text(document), f"plan {plan_hash}")))
    state = "NOT FOR USE until complete" if document["ready"] is True else "NOT READY"
    plain = "white-space: pre; font-variant-ligatures: none;"
    font = f'font: 7.5pt "Liberation Sans", Arial, sans-serif; {plain}'
    large = f'font: bold 9pt "Liberation Sans", Arial, sans-serif; {plain}'
    named = "".join(
        f'@page {key} {{ @top-left {{ content: "{title}"; }} }}\n' for key, title in SHEETS.items()
    )
    return (
        "@page { margin: 14mm 11mm 15mm; "
        f'@top-left {{ content: "Whole plan"; {large} }} '
        f'@top-right {{ content: "{state}"; {large} }} '
        f'@bottom-left {{ content: "Job {job_id}\\A {plan}"; {font} }} '
        f'@bottom-right {{ content: "page " counter(page) " of " counter(pages); {font} }} }}\n'
        f"{named}"
        # a copy saved with what the script wrote
        "@media (scripting: none) "
        f'{{ @page {{ @top-right {{ content: "{state}" !important; }} }} }}\n'
    )


def job_map(plan: Plan) -> folium.Map:
    """Return the map of a plan as a folium map in a self-contained page.

    ``job_map(plan).get_root().render()`` is the whole page; the same plan gives the same text.

    Parameters
    ----------
    plan : Plan
        A plan, made now or read from a file.

    Returns
    -------
    folium.Map
        Without tiles and without any link: no file, script, style or picture is fetched.

    Raises
    ------
    InputError
        Where the document has another shape than a plan's.
    """
    document = plan.document
    check_shape(document)
    place = (document["locations"] or document["picture"]["poles"] or [{"lon": 0.0, "lat": 0.0}])[0]
    drawn = folium.Map(
        location=[place["lat"], place["lon"]],
        tiles=None,
        zoom_start=18,
        max_zoom=NEAREST_ZOOM,
        control_scale=True,
        attribution_control=False,
        zoom_snap=0.5,
    )
    drawn._id = MAP_ID
    drawn.default_js = []
    drawn.default_css = []
    # folium keeps the nearest zoom for a tile layer only; without tiles the map itself needs it.
    drawn.options["max_zoom"] = NEAREST_ZOOM
    page = Page(document)
    page.header.add_child(Style(leaflet_css()), name="leaflet_css")
    page.header.add_child(
        Style(page_style(document) + "".join(map(own_asset, STYLES))), name="page_css"
    )
    page.header.add_child(Script(leaflet_js()), name="leaflet_js")
    names, layers = list(SCRIPTS), list(LAYERS)
    if "changes" in document:
        names.insert(names.index("figures"), "changes")
        layers.insert(-1, "changes")
    for name in names:
        page.header.add_child(Script(own_asset(f"{name}.js")), name=f"{name}_js")
    page.add_child(drawn)
    for kind in layers:
        drawn.add_child(PlanLayer(kind))
    return drawn
