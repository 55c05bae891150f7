"""What an entry of a field record may tell: rods, leads, detectors, and how each is read."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from gridground.jobvalues import as_number
from gridground.territory.text import text_fault
from gridground.units import area_mm2, parse_length_m

if TYPE_CHECKING:
    from collections.abc import Callable

ROD_KEYS = (
    *("rod_ohm", "soil_ohm_m", "rod_lon", "rod_lat", "rod_accuracy_m"),
    *("rod_taped_m", "rod_bearing_deg"),
)
VEHICLE_KEY = "vehicle_rod_taped_m"
LEAD_KEYS = ("lead_number", "size", "length_m")
# Sizes of copper that anybody could clamp on a line, our judgement [mm²].
_LEAST_MM2, _MOST_MM2 = 4.0, 500.0


def as_words(most: int) -> Callable[[object], str]:
    """Return a reader of text that is not empty.

    Parameters
    ----------
    most : int
        Signs that it may have.
    """

    def read(value: object) -> str:
        if not isinstance(value, str) or not value.strip():
            raise ValueError(f"write text, 1 to {most} characters")
        if (fault := text_fault(value, limit=most)) is not None:
            raise ValueError(f"write plain text: it is or holds what it must not ({fault})")
        return value

    return read


def _size(value: object) -> str:
    """Read the size of a lead that was used, whether large enough or not."""
    remedy = 'write a size as text, e.g. "2/0", "4" (AWG) or "70 mm2"'
    if not isinstance(value, str) or len(value) > 16:
        raise ValueError(remedy)
    try:
        area = area_mm2(value)
    except ValueError:
        raise ValueError(remedy) from None
    if not _LEAST_MM2 <= area <= _MOST_MM2:
        raise ValueError(f"{remedy}, {_LEAST_MM2:g} to {_MOST_MM2:g} mm²")
    return value


def _length_m(value: object) -> float:
    """Read the length of a lead [m]."""
    remedy = "write metres as a number, 0.1 to 100"
    if isinstance(value, str) and len(value) <= 64:
        with contextlib.suppress(ValueError):
            remedy += f": {value.strip()} are {parse_length_m(value):.6g}"
        raise ValueError(remedy)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.1 <= value <= 100:
        raise ValueError(remedy)
    return float(value)


READERS: dict[str, Callable[[object], Any]] = {
    "rod_ohm": as_number(0.01, 1e6),
    "soil_ohm_m": as_number(0.1, 1e6),
    "rod_lon": as_number(-180, 180),
    "rod_lat": as_number(-90, 90),
    "rod_accuracy_m": as_number(0, 10_000),
    "rod_taped_m": as_number(0.01, 150),
    "rod_bearing_deg": as_number(0, 360),
    VEHICLE_KEY: as_number(0.01, 150),
    "lead_number": as_words(64),
    "size": _size,
    "length_m": _length_m,
    "detector": as_words(200),
    "typed": as_words(200),
}
