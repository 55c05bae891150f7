"""Feet, AWG, kcmil, kA and cycles at the edges; metres, amperes and seconds inside.

Numbers are rounded to the safe side by their meaning: what is needed goes up, what is allowed
goes down.
"""

from __future__ import annotations

import math
import re

M_PER_FT = 0.3048
M_PER_IN = 0.0254
M_PER_MILE = 1609.344
M_PER_S_PER_MPH = 0.44704  # exactly, 1609.344 m in 3600 s
COMPASS = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)
_SAME_M = 1e-4  # a length stated in feet, through metres and back
MM2_PER_KCMIL = 0.5067074790974977  # (0.0254/1000)^2 * pi/4 * 1e6 * 1000

_LENGTH_M = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "km": 1000.0,
    "ft": M_PER_FT,
    "feet": M_PER_FT,
    "foot": M_PER_FT,
    "in": M_PER_IN,
    "inch": M_PER_IN,
    "inches": M_PER_IN,
    "yd": 0.9144,
    "mi": M_PER_MILE,
}
_VOLTAGE_V = {"v": 1.0, "kv": 1000.0}
_SPEED_M_PER_S = {"mph": M_PER_S_PER_MPH, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "m/s": 1.0}
_SPEED = re.compile(r"\s*(\d{1,3}(?:\.\d{1,3})?)\s*([A-Za-z/]{3,4})\s*")
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)\s*")

# Conductor areas of the American Wire Gauge as printed (kcmil), ASTM B258 rounding; the table of
# leads states its own source row by row.
LEAD_KCMIL = {
    "2": 66.36,
    "1": 83.69,
    "1/0": 105.6,
    "2/0": 133.1,
    "3/0": 167.8,
    "4/0": 211.6,
    "250": 250.0,
    "350": 350.0,
}
# AWG smaller than any lead may be: only to be told, of one that hangs. ASTM B258, by its formula.
SMALLER_KCMIL = {"3": 52.62, "4": 41.74, "5": 33.09, "6": 26.24}


def _quantity(value: object, units: dict[str, float], kind: str) -> float:
    """Read a bare number (unit of its name) or text with a unit."""
    if isinstance(value, bool):
        raise ValueError(f"{value!r} is not a {kind}")  # noqa: TRY004  one error for callers
    if isinstance(value, int | float):
        number = float(value)
    else:
        match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
        unit = match.group(2).lower() if match else ""
        if match is None or unit not in units:
            raise ValueError(
                f"{value!r} is not a {kind} (a number with one of: {', '.join(units)})"
            )
        number = float(match.group(1)) * units[unit]
    if not math.isfinite(number):
        raise ValueError(f"{value!r} is not finite")
    return number


def parse_length_m(value: object) -> float:
    """Read a length: a bare number is metres, text carries its unit.

    Examples
    --------
    >>> round(parse_length_m("15 ft"), 3), parse_length_m(4.5)
    (4.572, 4.5)
    """
    return _quantity(value, _LENGTH_M, "length")


def parse_time_s(value: object, *, frequency_hz: float) -> float:
    """Read a duration: a bare number is seconds, ``"30 cycles"`` depends on the frequency.

    Examples
    --------
    >>> parse_time_s("30 cycles", frequency_hz=60), parse_time_s("250 ms", frequency_hz=50)
    (0.5, 0.25)
    """
    cycle_s = 1.0 / frequency_hz
    units = {"s": 1.0, "ms": 0.001, "cycles": cycle_s, "cycle": cycle_s, "cyc": cycle_s}
    return _quantity(value, units, "time")


def parse_voltage_v(value: object) -> float:
    """Read a voltage: a bare number is volts.

    Examples
    --------
    >>> parse_voltage_v("75 V")
    75.0
    """
    return _quantity(value, _VOLTAGE_V, "voltage")


def parse_speed_m_per_s(value: object) -> float:
    """Read a speed: text with its unit, never a bare number.

    Examples
    --------
    >>> round(parse_speed_m_per_s("35 mph"), 4), parse_speed_m_per_s("54 km/h")
    (15.6464, 15.0)
    """
    match = _SPEED.fullmatch(value) if isinstance(value, str) and len(value) <= 64 else None
    factor = _SPEED_M_PER_S.get(match.group(2).lower()) if match else None
    if match is None or factor is None:
        raise ValueError(f"{value!r} is not a speed (e.g. '35 mph' or '56 km/h')")
    return float(match.group(1)) * factor


def area_mm2(size: str) -> float:
    """Return the copper area of a lead size [mm²].

    Parameters
    ----------
    size : str
        AWG (``"2"``, ``"2/0"``), kcmil (``"250"``) or metric (``"70 mm2"``). AWG 3 to 6 have an
        area too: whoever asks for a size that may be used looks at how small it is.

    Raises
    ------
    ValueError
        For a size that is not in the table.

    Examples
    --------
    >>> round(area_mm2("2/0"), 2), area_mm2("70 mm2")
    (67.44, 70.0)
    """
    kcmil = LEAD_KCMIL.get(size) or SMALLER_KCMIL.get(size)
    if kcmil is not None:
        return kcmil * MM2_PER_KCMIL
    match = re.fullmatch(r"(\d+(?:\.\d+)?) ?mm2", size)
    if match is None or float(match.group(1)) <= 0:
        raise ValueError(f"{size!r} is not a lead size ({', '.join(LEAD_KCMIL)} or e.g. '70 mm2')")
    return float(match.group(1))


def round_up(value: float, step: float) -> float:
    """Round up to a multiple of `step`, forgiving one part in 10⁹ of floating-point dust.

    Examples
    --------
    >>> round_up(1.01, 0.5), round_up(1.5, 0.5)
    (1.5, 1.5)
    """
    return round(math.ceil(value / step - 1e-9) * step, 9)


def round_down(value: float, step: float) -> float:
    """Round down to a multiple of `step`.

    Examples
    --------
    >>> round_down(1.49, 0.5)
    1.0
    """
    return round(math.floor(value / step + 1e-9) * step, 9)


def feet_text(length_m: float) -> str:
    """Return a length that is needed or must be kept: feet and inches rounded up, metres beside.

    Parameters
    ----------
    length_m : float
        [m].

    Notes
    -----
    The one way in which lengths are worded. Metres are rounded up to the centimetre too; a whole
    number of inches keeps the metres nearest to it, as a rule in feet has one figure in metres
    everywhere: 15 ft is 4.57 m, 2 mm less than it is exactly. The feet decide.

    Examples
    --------
    >>> feet_text(4.572), feet_text(4.5721), feet_text(4.575)
    ('15 ft (4.57 m)', '15 ft 1 in (4.58 m)', '15 ft 1 in (4.58 m)')
    """
    inches = math.ceil(length_m / M_PER_IN - 1e-6)
    whole = abs(length_m - inches * M_PER_IN) < _SAME_M
    metres = length_m if whole else round_up(length_m, 0.01)
    return f"{_feet(inches)} ({metres:.2f} m)"


def room_text(length_m: float, *, digits: int = 2) -> str:
    """Return a length that is there, or allowed: feet and metres rounded down.

    Parameters
    ----------
    length_m : float
        [m].
    digits : int
        Of the metres; 3 where millimetres decide.

    Examples
    --------
    >>> room_text(4.572), room_text(6.438), room_text(4.5713, digits=3)
    ('15 ft (4.57 m)', '21 ft 1 in (6.43 m)', '14 ft 11 in (4.571 m)')
    """
    inches = math.floor(length_m / M_PER_IN + 1e-6)
    return f"{_feet(inches)} ({round_down(length_m, 10.0**-digits):.{digits}f} m)"


def way_text(length_m: float) -> str:
    """Return how far something runs, neither needed nor allowed: the nearest foot and metre.

    Examples
    --------
    >>> way_text(2247.3), way_text(106.7)
    ('7,373 ft (2,247 m)', '350 ft (107 m)')
    """
    return f"{length_m / M_PER_FT:,.0f} ft ({length_m:,.0f} m)"


def _feet(inches: int) -> str:
    """Return whole inches as feet and inches."""
    feet, inch = divmod(inches, 12)
    return f"{feet} ft" + (f" {inch} in" if inch else "")


def compass_text(bearing_deg: float) -> str:
    """Return the nearest of 16 compass points.

    Examples
    --------
    >>> compass_text(0), compass_text(200), compass_text(359)
    ('N', 'SSW', 'N')
    """
    return COMPASS[math.floor(bearing_deg / 22.5 + 0.5) % 16]


def bearing_text(bearing_deg: float) -> str:
    """Return a bearing clockwise from true north: whole degrees, and the compass point.

    The one way in which bearings are worded.

    Examples
    --------
    >>> bearing_text(40), bearing_text(200.4), bearing_text(359.7)
    ('40° (NE)', '200° (SSW)', '0° (N)')
    """
    return f"{math.floor(bearing_deg + 0.5) % 360}° ({compass_text(bearing_deg)})"


def significant(value: float, digits: int = 6) -> float:
    """Round to `digits` significant figures, so that stored numbers do not carry dust.

    Examples
    --------
    >>> significant(1234.56789, 6)
    1234.57
    """
    return float(f"{value:.{digits}g}")
