"""Whether a document has the shape of a plan, so that drawing it cannot stumble half way."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from gridground.errors import InputError, Problem

Test = Callable[[object], bool]


def _number(value: object) -> bool:
    """Return whether `value` is a number and not a truth value."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _texts(value: object) -> bool:
    """Return whether `value` is a list of texts."""
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _position(value: object) -> bool:
    """Return whether `value` begins with a longitude and a latitude."""
    return (
        isinstance(value, list)
        and len(value) >= 2
        and all(_number(part) for part in value)
        and abs(value[0]) <= 360
        and abs(value[1]) <= 90
    )


def _line(value: object) -> bool:
    """Return whether `value` is a list of positions."""
    return isinstance(value, list) and all(_position(item) for item in value)


def _lines(value: object) -> bool:
    """Return whether `value` is a list of lines."""
    return isinstance(value, list) and all(_line(item) for item in value)


_COORDINATES: dict[str, Test] = {
    "Point": _position,
    "LineString": _line,
    "MultiPoint": _line,
    "Polygon": _lines,
    "MultiLineString": _lines,
    "MultiPolygon": lambda value: isinstance(value, list) and all(map(_lines, value)),
}


def _geometry(value: object) -> bool:
    """Return whether `value` is a GeoJSON geometry of a kind that can be drawn."""
    kind = value.get("type") if isinstance(value, dict) else None
    if not isinstance(value, dict) or not isinstance(kind, str) or kind not in _COORDINATES:
        return False
    return _COORDINATES[kind](value.get("coordinates"))


# One letter per kind of value; a question mark behind it also allows null, a star in front of a
# name allows the key to be absent (of a list: a plan made before it was thought of).
_TESTS: dict[str, Test] = {
    "t": lambda value: isinstance(value, str),
    "n": _number,
    "i": lambda value: isinstance(value, int) and not isinstance(value, bool),
    "b": lambda value: isinstance(value, bool),
    "T": _texts,
    "L": lambda value: isinstance(value, list),
    "o": lambda value: isinstance(value, dict),
    "P": _line,
    "G": _geometry,
}
_NAMES = {
    "t": "text",
    "n": "a number",
    "i": "a whole number",
    "b": "true or false",
    "T": "a list of texts",
    "L": "a list",
    "o": "an object",
    "P": "a list of positions",
    "G": "a GeoJSON geometry",
}

_TOP = (
    "format:t job_id:t title:t made_at:t tool_version:t plan_hash:t ready:b inputs:L open_items:L "
    "checks:L method:t method_reason:t options:L directions:L locations:L leads:L totals:o "
    "faults:o worker:o rod_zone:L approach:L steps:o materials:L assumptions:L cautions:L job:o "
    "circuits:L picture:o triggers:T *revision:i *revises:t? *measured:L *changes:L "
    "*occurrences:L *vehicle_bond:o?"
)
_ROWS = {
    "*measured": "what:t *pole_id:t? *lead_id:t *unit:t? who:t at:t *refused:t *found:t",
    "*occurrences": "code:t step_id:t at:t who:t revision:i text:t settled:o?",
    "*changes": "what:t where:T before:t? after:t? text:t",
    "inputs": "layer:t *sha256:t? *rows:n? *date:t?",
    "open_items": "code:t where:T what:t why:t who:t settles:t",
    "checks": "code:t where:T value:n? limit:n? unit:t passed:b source:t *mends:t",
    "options": "method:t feasible:b reasons:T totals:o? worst_worker_v:n? *kit_lacks:T?",
    "directions": "pole_id:t span_id:t towards:t sources:T bracket_pole_id:t?",
    "locations": "location_id:t *title:t pole_id:t? *span_id:t? role:t circuit_ids:T lon:n lat:n "
    "electrode:t? rod:o? zone:o?",
    "leads": "lead_id:t pole_id:t? *span_id:t? from:t to:t *role:t parallel:i size:t length_m:n "
    "clamp_from:t clamp_to:t grade:t resistance_ohm:n reactance_ohm:n current_a:n time_s:n "
    "rating_a:n margin_ratio:n source:t *solved_a:n? *peak_a:n? *peak_limit_a:n "
    "*end_temperature_c:n? *withstand_a:n *ultimate_a:n *next_size:t? *next_size_at_a:n? "
    "*next_size_at_s:n? *needed_m:n *excess_m:n *path:L *remark:t? *kit_lead_ids:T *planned:o? "
    "*from_said:t *to_said:t",
    "rod_zone": "pole_id:t rod_rise_v:n step_v_at_zone:n touch_v:n limit_v:n radius_needed_m:n "
    "passed:b *rod_a:n? *touch_limit_v:n? *standing_rise_v:n *standing_radius_m:n?",
    "*zones": "zone_id:t parts:T perimeter_m:n area_m2:n cones:i geometry:G",
    "*cones": "number:i zone_id:t part:t pole_id:t? lon:n lat:n bearing_deg:n distance_m:n",
    "*traffic": "zone_ids:T feature_id:t kind:t name:t? pole_ids:T measure:t text:t source:t "
    "tapers:L signs:L drawn:P",
    "approach": "*circuit_id:t? *line_id:t? nominal_kv:n? phase_ground_m:n? phase_phase_m:n? "
    "source:t",
    "materials": "item:t *size:t? *length_m:n? count:n *from_kit:T *short:n? *substitutes:T "
    "*out_of_test:T",
    "*kit.out_of_test": "lead_id:t why:t",
    "*kit.leads": "lead_id:t size:t length_m:n",
    "assumptions": "text:t source:t",
    "cautions": "text:t source:t",
    "circuits": "circuit_id:t nominal_kv:n frequency_hz:n source_pole:t fault_data_source:t? "
    "fault_data_date:t?",
    "worker.cases": "event:t from:t contact:t neutral:t voltage_v:n *body_a:n? limit_v:n passed:b "
    "*whose:t *lead_state:t *time_s:n? *stays_on:b",
    "*worker.origins": "from:t kind:t pole_id:t? limit_v:n worst_v:n",
    "*worker.by_state": "state:t worst_v:n",
    "*worker.limits": "rule:t limit_v:n?",
    "*induction": "*line_id:t? *circuit_id:t? kind:t length_m:n floating_v:n? emf_steady_v:n? "
    "circulating_steady_a:n? emf_fault_v:n? *per_100_a:b",
    "*clearance.limits": "device_ids:T kind:t? pole_id:t span_id:t phases:t recorded:t? stated:b "
    "holds_off:T generators_beyond:T",
    "*clearance.open": "number:i device_id:t kind:t pole_id:t span_id:t phases:t recorded:t "
    "stated:b bounds:b text:t steps:L *lon:n *lat:n",
    "*clearance.equipment": "equipment_id:t kind:t pole_id:t phases:t? isolated:b",
    "*clearance.ways": "pole_id:t span_id:t towards:t sources:T bracket_pole_id:t?",
    "*clearance.grounds": "pole_id:t? span_id:t? role:t leads:i rods:i electrode:t?",
    "*clearance.others": "job_id:t title:t holder:t? work_start:t? work_end:t? made_at:t apart:t? "
    "shared_devices:T shared_poles:T shared_circuits:T *same_id:t",
    "picture.poles": "pole_id:t lon:n lat:n",
    "picture.spans": "span_id:t circuit_id:t phases:t? worked:b kind:t line:P",
    "picture.surroundings": "feature_id:t kind:t name:t? geometry:G",
    "picture.other_lines": "line_id:t nominal_kv:n? state:t line:P",
    "picture.equipment": "equipment_id:t kind:t pole_id:t *circuit_id:t?",
    "*picture.tops": "location_id:t pole_id:t material:t height_m:n? bar_height_m:n base:t "
    "rod_length_m:n? seen_from:t? seen_towards:t? seen_bearing_deg:n ends:L conductors:L sides:L",
    "picture.devices": "device_id:t kind:t pole_id:t span_id:t? state:t",
    **{
        f"steps.{part}": "step_id:t pole_id:t? *lead_id:t? text:t *tool:t? *ends:T *asks:T "
        "*phases:T *remarks:T *least_m:n? *cuts:t *joins:t"
        for part in ("prepare", "apply", "work", "remove", "release")
    },
}
_FAULT = (
    "three_phase_a:n? phase_phase_a:n? two_phase_ground_a:n? phase_ground_a:n? governing:t "
    "x_over_r:n clearing_s:n asymmetry_ratio:n *longest_s:n *minimum_a:n? *times_on:i *primary:t? "
    "*primary_s:n? *backup:t? *backup_s:n? *rod_fault_text:t?"
)
_OBJECTS = {
    "*clearance": "holder:t? authority:t? number:t? work_start:t? work_end:t? limits:L open:L "
    "order:o unparted:T off:o equipment:L done:o ways:L grounds:L reclosing_blocked:T? "
    "others:L tag:o decides:t",
    "*clearance.order": "text:t source:t",
    "*clearance.off": "text:t count:i pole_ids:T once_open:T still_fed:T",
    "*clearance.tag": "terms:t workStartTime:t? workEndTime:t? authorityName:t? groundReqFlag:b "
    "phaseCheckReqFlag:b *deenergizeReqFlag:b *workDescription:t",
    "*vehicle.zone": "touched:t rod_rise_v:n radius_m:n radius_needed_m:n step_v_at_zone:n "
    "limit_v:n standing_radius_m:n? message:t",
    "*vehicle_bond": "lead_id:t from:t to:t parallel:i size:t length_m:n? needed_m:n? path:L "
    "clamp_from:t clamp_to:t current_a:n? time_s:n rating_a:n kit_lead_ids:T source:t",
    "*kit": "work_day:t? lead_test_interval:t? assigned:o left:T out_of_test:L *leads:L",
    "totals": "locations:n leads:n rods:n cluster_bars:n clamps:n cones:n",
    "worker": "body_ohm:n? limit_v:n? limit_rule:t worst_v:n? cases:L *duration_s:n "
    "*without_personal_v:n? *worst_ground_v:n? *worst_ground_case:t *tightest_v:n? "
    "*tightest_limit_v:n? *tightest_case:t",
    "job": "circuit_ids:T worksite_poles:T worksite_span:t? work_position:t requested_method:t "
    "locate_ticket:t? sources_opened:T? isolated_equipment:T open_conductor:T limits:o",
}
_SEEN = "what:t kind:t feature_id:t lon:n lat:n bearing_deg:n distance_m:n crossing_deg:n?"
_IN_TOPS = {
    "ends": "end:t x_m:n y_m:n *apart_ratio:n",
    "conductors": "circuit_id:t conductor:t x_m:n y_m:n worked:b",
    "sides": "span_id:t apart_ratio:n *toward:t",
}
_ROD = (
    "lon:n lat:n bearing_deg:n distance_m:n resistance_ohm:n? *score:n? *score_parts:L "
    "*limited_by:L *alternatives:L *stated:b *search:o? *slope_ratio:n? *rise_m:n?"
)
_VEHICLE = "lon:n lat:n rod:o? clearance_m:n rod_distance_m:n *zone:o?"
_ZONE = "radius_m:n perimeter_m:n cones:n geometry:G *cone_points:P *cone_numbers:L *zone_id:t"
_HEX = re.compile(r"[0-9a-f]{64}")


def check_shape(document: object) -> None:
    """Raise where `document` lacks what the page needs to show.

    Parameters
    ----------
    document : object
        What a plan file holds.

    Raises
    ------
    InputError
        Naming every key that is missing or holds another kind of value.
    """
    problems = [
        Problem("reject", "plan", (), where, found, "Draw the plan that `gridground plan` wrote.")
        for where, found in _faults(document)
    ]
    if problems:
        raise InputError(problems[:20])


def _faults(document: object) -> Iterator[tuple[str, str]]:
    """Yield every place that has another shape than a plan's."""
    if not isinstance(document, dict):
        yield "", "not an object"
        return
    top = list(_keys("", document, _TOP))
    yield from top
    if top:
        return
    if not _HEX.fullmatch(document["plan_hash"]):
        yield "plan_hash", "not 64 hexadecimal digits"
    for name, spec in _ROWS.items():
        rows = _inside(document, name.removeprefix("*"))
        if rows is not None or not name.startswith("*"):
            yield from _rows(name.removeprefix("*"), rows, spec)
    for name, spec in _OBJECTS.items():
        row = _inside(document, name.removeprefix("*"))
        if row is not None or not name.startswith("*"):
            yield from _keys(name.removeprefix("*"), row, spec)
    yield from _inside_clearance(document)
    if document.get("vehicle") is not None:
        yield from _keys("vehicle", document["vehicle"], _VEHICLE)
    for pole_id, row in document["faults"].items():
        yield from _keys(f"faults.{pole_id}", row, _FAULT)
    yield from _parts_of_locations(document["locations"])
    yield from _inside_tops(_inside(document, "picture.tops"))


def _parts_of_locations(locations: list[Any]) -> Iterator[tuple[str, str]]:
    """Yield what is wrong in rods and zones."""
    for number, location in enumerate(locations):
        if not isinstance(location, dict):
            continue
        for part, spec in (("rod", _ROD), ("zone", _ZONE)):
            if isinstance(location.get(part), dict):
                yield from _keys(f"locations[{number}].{part}", location[part], spec)
        rod = location.get("rod")
        if isinstance(rod, dict) and "seen_from" in rod:
            yield from _rows(f"locations[{number}].rod.seen_from", rod["seen_from"], _SEEN)


def _inside_tops(tops: object) -> Iterator[tuple[str, str]]:
    """Yield what is wrong in the ends, conductors and sides of the pole tops."""
    for number, top in enumerate(tops if isinstance(tops, list) else []):
        for part, spec in _IN_TOPS.items():
            if isinstance(top, dict):
                yield from _rows(f"picture.tops[{number}].{part}", top.get(part), spec)


def _inside_clearance(document: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what is wrong in the steps of devices to open, and in what is done about equipment."""
    done = _inside(document, "clearance.done")
    for kind, row in (done if isinstance(done, dict) else {}).items():
        yield from _keys(f"clearance.done.{kind}", row, "text:t source:t")
    rows = _inside(document, "clearance.open")
    for number, row in enumerate(rows if isinstance(rows, list) else []):
        if isinstance(row, dict):
            yield from _rows(f"clearance.open[{number}].steps", row.get("steps"), "do:t text:t")


def _inside(document: dict[str, Any], name: str) -> object:
    """Return what stands at a dotted name, None where there is nothing."""
    value: Any = document
    for part in name.split("."):
        value = value.get(part) if isinstance(value, dict) else None
    return value


def _rows(name: str, rows: object, spec: str) -> Iterator[tuple[str, str]]:
    """Yield what is wrong in a list of objects."""
    if not isinstance(rows, list):
        yield name, "not a list"
        return
    for number, row in enumerate(rows):
        yield from _keys(f"{name}[{number}]", row, spec)


def _keys(where: str, row: object, spec: str) -> Iterator[tuple[str, str]]:
    """Yield what is wrong in one object."""
    if not isinstance(row, dict):
        yield where, "not an object"
        return
    for item in spec.split():
        name, _, kind = item.partition(":")
        key = name.removeprefix("*")
        place = f"{where}.{key}" if where else key
        if key not in row:
            if name == key:
                yield place, "missing"
            continue
        if row[key] is None and kind.endswith("?"):
            continue
        if not _TESTS[kind[0]](row[key]):
            yield place, f"not {_NAMES[kind[0]]}"
