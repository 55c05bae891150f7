"""Figures and places of a plan as people read them in a list of changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.revision.leaves import ABSENT, Path
from gridground.territory.text import FORBIDDEN
from gridground.units import feet_text

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
    """Return a number with the unit that its name ends in."""
    if key.endswith("_m") and not key.endswith("_ohm_m"):
        return length_text(value)
    ends = _UNITS.items()
    unit = "°" if key.endswith(_LON_LAT) else next((u for end, u in ends if key.endswith(end)), "")
    gap = "" if unit in {"", "°"} else " "
    if key.endswith(_LON_LAT):
        text = f"{value:.9g}"
    elif isinstance(value, int) or abs(value) >= WHOLE_FROM:
        text = f"{value:,.0f}" if abs(value) < _EXACT_TO else f"{value:.6g}"
    else:
        text = f"{value:.4g}"
    return f"{text}{gap}{unit}"


def length_text(length_m: float) -> str:
    """Return a length in feet and metres; what no line is long, in metres alone."""
    return feet_text(length_m) if 0 <= length_m < _LONGEST_M else f"{length_m:g} m"


def pair(before: Any, after: Any, key: str = "") -> tuple[str, str]:  # noqa: ANN401
    """Return two values as people read them, exact where they would read the same."""
    one, other = value_text(before, key), value_text(after, key)
    if one == other:
        one, other = cut(repr(before)), cut(repr(after))
    return (one, other) if one != other else (f"{one} (one of two)", f"{other} (another)")


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
