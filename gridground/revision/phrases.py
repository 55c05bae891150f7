"""Figures and places of a plan as people read them in a list of changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.figures import allowed_text, needed_text
from gridground.revision.leaves import ABSENT, Path
from gridground.territory.text import FORBIDDEN
from gridground.units import bearing_text, feet_text, room_text

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

LONGEST = 300
# Words for keys of the plan that a reader would not guess, without their unit.
_WORDS = {
    "lead_id": "number of the lead",
    "step_id": "number of the step",
    "location_id": "number of the place",
    "zone_id": "letter of the zone",
    "pole_id": "pole",
    "span_id": "span",
    "bracket_pole_id": "pole of the bracket",
    "device_id": "device",
    "kit_lead_ids": "leads of the truck",
    "current": "current it was chosen for",
    "solved": "current as solved",
    "worst": "largest voltage",
    "worst_worker": "largest voltage on the worker",
    "tightest": "voltage nearest its limit",
    "tightest_limit": "limit of the voltage nearest to it",
    "by_state": "with leads",
    "rod_rise": "rise of the rod",
    "step_v_at_zone": "step voltage at the cones",
    "touch": "touch voltage",
    "radius": "radius",
    "perimeter": "way round",
    "x_over_r": "X/R",
    "asymmetry_ratio": "asymmetry",
    "lon": "longitude",
    "lat": "latitude",
    "times_on": "number of shots",
    "margin_ratio": "margin",
    "towards": "way",
    "off": "part switched off",
    "rod_fault": "current through the rod alone",
}
_UNITS = {
    "_ohm_m": "ohm·m",
    "_ohm": "ohm",
    "_v": "V",
    "_kv": "kV",
    "_a": "A",
    "_s": "s",
    "_deg": "°",
    "_c": "°C",
    "_hz": "Hz",
}
# Whose name does not end in its unit.
_OTHER_UNITS = {"step_v_at_zone": "V", "area_m2": "m²", "worker_limit": "V"}
# Rounded as on the page: what must be carried or borne up, what is allowed or there down.
_NEEDED = frozenset(
    {
        *("voltage_v", "worst_v", "tightest_v", "worst_worker_v", "worst_ground_v", "touch_v"),
        *("without_personal_v", "step_v_at_zone", "touch_at_reach_v", "rod_rise_v"),
        *("current_a", "solved_a", "peak_a", "body_a"),
    }
)
_ALLOWED = frozenset(
    {
        *("limit_v", "tightest_limit_v", "touch_limit_v", "limit_fault_v", "limit_steady_v"),
        *("rating_a", "withstand_a", "ultimate_a", "peak_limit_a", "margin_ratio"),
    }
)
_THERE = frozenset({"excess_m", "spare_m", "separation_m"})
_LISTED = 6
_LONGEST_M = 1e9
WHOLE_FROM, _EXACT_TO = 1000, 1e15
_LON_LAT = ("lon", "lat")


def value_text(value: Any, key: str = "") -> str:  # noqa: ANN401, PLR0911  one return a kind
    """Return a value as people read it.

    Parameters
    ----------
    value : JSON value
        What stands there, or `ABSENT`.
    key : str
        Its name, whose end is the unit.

    Examples
    --------
    >>> value_text(4.572, "distance_m"), value_text(None), value_text(True)
    ('15 ft (4.57 m)', 'not stated', 'yes')
    """
    if value is ABSENT or value is None:
        return "none" if value is ABSENT else "not stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(value, key)
    if isinstance(value, list):
        if len(value) > _LISTED or any(isinstance(one, list | dict) for one in value):
            return f"a list of {len(value)}"
        return ", ".join(value_text(one) for one in value) or "none"
    if isinstance(value, dict):
        return f"{len(value)} values"
    return cut(str(value))


def _number(value: float, key: str) -> str:
    """Return a number with the unit that its name ends in, rounded by what it means."""
    if is_length(key):
        return room_text(value) if key in _THERE and value >= 0 else length_text(value)
    if key.endswith("bearing_deg"):
        return bearing_text(value)
    unit = unit_of(key)
    if key in _ALLOWED:
        return allowed_text(value, unit)
    if key in _NEEDED:
        return needed_text(value, unit)
    if key.endswith(_LON_LAT):
        text = f"{value:.9g}"
    elif isinstance(value, int) or abs(value) >= WHOLE_FROM:
        text = f"{value:,.0f}" if abs(value) < _EXACT_TO else f"{value:.6g}"
    else:
        text = f"{value:.4g}"
    return _with(text, unit)


def is_length(key: str) -> bool:
    """Say whether a key names a length in metres."""
    return key.endswith("_m") and not key.endswith("_ohm_m")


def unit_of(key: str) -> str:
    """Return the unit that the name of a figure tells, empty where it has none.

    Examples
    --------
    >>> unit_of("worst_v"), unit_of("step_v_at_zone"), unit_of("lon"), unit_of("margin_ratio")
    ('V', 'V', '°', '')
    """
    if key.endswith(_LON_LAT):
        return "°"
    return _OTHER_UNITS.get(key) or next((u for end, u in _UNITS.items() if key.endswith(end)), "")


def unit_key(path: Path) -> str:
    """Return the name in a path that tells the unit: the last one, or one that it stands under.

    Examples
    --------
    >>> unit_key(("job", "limits_exact", "clearance_m", "tree")), unit_key(("a", "b"))
    ('clearance_m', 'b')
    """
    last = str(path[-1])
    above = str(path[-2]) if len(path) > 1 else ""
    if unit_of(last) or is_length(last) or not (unit_of(above) or is_length(above)):
        return last
    return above


def _with(text: str, unit: str) -> str:
    """Put a unit behind a figure."""
    return f"{text}{'' if unit in {'', '°'} else ' '}{unit}"


def length_text(length_m: float) -> str:
    """Return a length in feet and metres; what no line is long, in metres alone."""
    return feet_text(length_m) if 0 <= length_m < _LONGEST_M else f"{length_m:g} m"


def pair(before: Any, after: Any, key: str = "") -> tuple[str, str]:  # noqa: ANN401
    """Return two values as people read them, exact where they would read the same."""
    one, other = value_text(before, key), value_text(after, key)
    if one == other:
        one, other = _exact(before, key), _exact(after, key)
    return (one, other) if one != other else (f"{one} (one of two)", f"{other} (another)")


def _exact(value: Any, key: str) -> str:  # noqa: ANN401  JSON value
    """Return a value with every digit, a figure with its unit."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return cut(repr(value))
    return _with(repr(value), "m" if is_length(key) else unit_of(key))


def cut(text: str, longest: int = LONGEST) -> str:
    """Return text short enough for a list, its hidden characters made visible."""
    flat = FORBIDDEN.sub("�", text)
    return flat if len(flat) <= longest else flat[: longest - 1] + "…"


def path_text(path: Path) -> str:
    """Name a place in a plan in words.

    Examples
    --------
    >>> path_text(("locations", ("P19", None), "rod", "lon"))
    'P19 rod longitude'
    >>> path_text(("rod_zone", ("P19",), "rod_rise_v"))
    'P19 rise of the rod'
    """
    words = []
    path = tuple(part if isinstance(part, tuple) else _bare(str(part)) for part in path)
    for part in path[1:] if len(path) > 1 else path:
        if isinstance(part, tuple):
            names = [row_text(one) for one in part if one is not None and one != ()]
            if path[0] == "checks" and names:  # the first is the check's own code
                names[0] = names[0].replace("_", " ")
            words.append(" ".join(names))
        else:
            words.append(_WORDS.get(str(part), str(part).replace("_", " ")))
    return cut(" ".join(word for word in words if word), 120)


def row_text(value: Any) -> str:  # noqa: ANN401  part of a row's name
    """Return part of a row's name as text."""
    return ", ".join(map(row_text, value)) if isinstance(value, tuple) else str(value)


def _bare(key: str) -> str:
    """Return a key without the unit that its figures carry."""
    for end in ("_ohm_m", *_UNITS, "_m"):
        if key.endswith(end) and len(key) > len(end):
            return key.removesuffix(end)
    return key


def ids_of(path: Path, known: Collection[str]) -> list[str]:
    """Return the ids among those known that a row of the plan is named by.

    Examples
    --------
    >>> ids_of(("worker", "cases", ("A", "F1", "A-bar@P20"), "voltage_v"), {"P20", "F1"})
    ['F1', 'P20']
    """
    found = []
    for part in path:
        for name in _flat(part) if isinstance(part, tuple) else [str(part)]:
            found += [one for one in (name, name.rpartition("@")[2]) if one in known]
    return list(dict.fromkeys(found))


def _flat(part: tuple[Any, ...]) -> Iterator[str]:
    """Yield the texts of a row's name."""
    for one in part:
        if isinstance(one, tuple):
            yield from _flat(one)
        elif isinstance(one, str):
            yield one
