"""Traffic past a cone zone: tapers, devices and signs by the formulas of the MUTCD (US).

Figures stand in ``tables/traffic.csv`` and ``traffic_signs.csv`` with edition, number and status
row by row. Speeds come in metres per second; the formulas are in feet and miles per hour, as
printed, and are converted here once. Lengths and counts are rounded up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

from gridground.errors import TableError
from gridground.tables import read_table
from gridground.territory.columns import FASTEST_MPH
from gridground.units import M_PER_FT, M_PER_IN, M_PER_S_PER_MPH

TaperKind = Literal["merging", "shifting", "shoulder", "one-lane two-way", "downstream"]
_SHORT = {"one-lane two-way": "taper_one_lane", "downstream": "taper_downstream"}
_OF_L = {"merging": "taper_merging", "shifting": "taper_shifting", "shoulder": "taper_shoulder"}


@dataclass(frozen=True)
class Taper:
    """One row of devices that leads traffic over.

    Attributes
    ----------
    kind : str
        ``"merging"``, ``"shifting"``, ``"shoulder"``, ``"one-lane two-way"``, ``"downstream"``.
    length_m, offset_m : float
        Along the road, and across it [m].
    spacing_m : float
        Largest distance from device to device [m].
    devices : int
        With one at either end.
    source : str
        Where length and spacing come from.
    """

    kind: TaperKind
    length_m: float
    offset_m: float
    spacing_m: float
    devices: int
    source: str


@cache
def _rows() -> dict[str, tuple[float, str]]:
    """Return value and source by item."""
    return {row["item"]: (float(row["value"]), row["source"]) for row in read_table("traffic")}


def rule_source(item: str) -> str:
    """Return where an item of ``tables/traffic.csv`` comes from."""
    return _rows()[item][1]


def taper_length_m(offset_m: float, speed_m_per_s: float) -> float:
    """Return the length L of a merging taper.

    Parameters
    ----------
    offset_m : float
        By how much traffic moves over, W [m].
    speed_m_per_s : float
        Posted, usual or expected speed, S [m/s].

    Returns
    -------
    float
        L = W S² / 60 for 40 mph or less, else L = W S (feet and mph) [m]. Between 40 and 45 mph,
        where no formula is printed, the second, which is longer, counts.

    Raises
    ------
    TableError
        For a speed of zero or less, or above 85 mph.

    References
    ----------
    MUTCD 2009, section 6C.08, Table 6C-4; 11th edition (2023), section 6B.08, Table 6B-4.

    Examples
    --------
    >>> round(taper_length_m(12 * 0.3048, 35 * 0.44704) / 0.3048, 6)
    245.0
    """
    speed_mph = _mph(speed_m_per_s)
    offset_ft = offset_m / M_PER_FT
    if speed_mph <= _rows()["taper_square_up_to"][0]:
        length_ft = offset_ft * speed_mph**2 / _rows()["taper_square_divisor"][0]
    else:
        length_ft = offset_ft * speed_mph
    return length_ft * M_PER_FT


def taper(kind: TaperKind, offset_m: float, speed_m_per_s: float) -> Taper:
    """Return a taper: length, spacing and number of its devices.

    Parameters
    ----------
    kind : str
        Of the five kinds of Table 6C-3 (11th edition: 6B-3).
    offset_m : float
        Width that is taken from traffic [m].
    speed_m_per_s : float
        Speed of the road [m/s].

    Raises
    ------
    TableError
        For a speed beyond the formulas.

    Examples
    --------
    >>> found = taper("shoulder", 8 * 0.3048, 55 * 0.44704)
    >>> round(found.length_m / 0.3048, 3), round(found.spacing_m / 0.3048, 3), found.devices
    (146.667, 55.0, 4)
    """
    if kind in _SHORT:
        length_ft, source = _rows()[_SHORT[kind]]
        spacing_ft, spaced = _rows()["spacing_short_taper"]
        _mph(speed_m_per_s)
        length_m, spacing_m = length_ft * M_PER_FT, spacing_ft * M_PER_FT
    else:
        ratio, source = _rows()[_OF_L[kind]]
        spaced = rule_source("spacing_taper")
        length_m = ratio * taper_length_m(offset_m, speed_m_per_s)
        spacing_m = device_spacing_m(speed_m_per_s, in_taper=True)
    devices = math.ceil(length_m / spacing_m - 1e-9) + 1
    return Taper(kind, length_m, offset_m, spacing_m, devices, f"{source}; {spaced}")


def device_spacing_m(speed_m_per_s: float, *, in_taper: bool) -> float:
    """Return the largest distance from device to device [m].

    S feet in a taper and 2 S feet along a closed lane or shoulder, S in mph (MUTCD 2009 section
    6F.63; 11th edition section 6K.01).

    Examples
    --------
    >>> round(device_spacing_m(35 * 0.44704, in_taper=False) / 0.3048, 6)
    70.0
    """
    feet_per_mph = _rows()["spacing_taper" if in_taper else "spacing_along"][0]
    return feet_per_mph * _mph(speed_m_per_s) * M_PER_FT


def devices_along(length_m: float, speed_m_per_s: float) -> int:
    """Return the devices between two tapers that stand a length apart."""
    spacing_m = device_spacing_m(speed_m_per_s, in_taper=False)
    return max(0, math.ceil(length_m / spacing_m - 1e-9) - 1)


def sign_distances_m(road_type: str) -> tuple[float, float, float]:
    """Return how far before the taper the three advance warning signs stand, the nearest first.

    Parameters
    ----------
    road_type : str
        Of `gridground.territory.columns.ROAD_TYPES`.

    Returns
    -------
    tuple of float
        A, A + B and A + B + C of MUTCD 2009 Table 6C-1 (11th edition: Table 6B-1) [m].

    Raises
    ------
    TableError
        For another kind of road.
    """
    row = _sign_row(road_type)
    a_ft, b_ft, c_ft = (float(row[key]) for key in ("a_ft", "b_ft", "c_ft"))
    return a_ft * M_PER_FT, (a_ft + b_ft) * M_PER_FT, (a_ft + b_ft + c_ft) * M_PER_FT


def sign_source(road_type: str) -> str:
    """Return where the sign distances of a kind of road come from."""
    return _sign_row(road_type)["source"]


def _sign_row(road_type: str) -> dict[str, str]:
    """Return the row of one kind of road."""
    for row in read_table("traffic_signs"):
        if row["road_type"] == road_type:
            return row
    known = ", ".join(row["road_type"] for row in read_table("traffic_signs"))
    raise TableError("kind of road", repr(road_type), known, "MUTCD 2009 Table 6C-1")


def cone_height_m(speed_m_per_s: float, road_type: str, *, dark: bool) -> float:
    """Return the least height of a cone in traffic [m].

    Parameters
    ----------
    speed_m_per_s : float
        Speed of the road [m/s].
    road_type : str
        Of `gridground.territory.columns.ROAD_TYPES`.
    dark : bool
        Whether work may go on in the dark, or nobody says that it does not.

    References
    ----------
    MUTCD 2009, section 6F.64; 11th edition (2023), section 6K.04 (number from memory).

    Examples
    --------
    >>> round(cone_height_m(35 * 0.44704, "urban low speed", dark=False) / 0.0254, 6)
    18.0
    """
    fast = _mph(speed_m_per_s) > _rows()["cone_low_up_to"][0]
    high = dark or fast or road_type == "freeway"
    return _rows()["cone_high" if high else "cone_low"][0] * M_PER_IN


def widest_lane_m() -> float:
    """Return the lane width that counts where none is stated [m]."""
    return _rows()["lane_width"][0] * M_PER_FT


def lane_left_m() -> float:
    """Return what must stay of a lane for it to stay open [m]."""
    return _rows()["lane_left"][0] * M_PER_FT


def _mph(speed_m_per_s: float) -> float:
    """Return a speed as the formulas take it, without the dust of its conversion."""
    speed_mph = round(speed_m_per_s / M_PER_S_PER_MPH, 6)
    if not 0.0 < speed_mph <= FASTEST_MPH:
        largest = f"above 0 to {FASTEST_MPH:g} mph"
        raise TableError("speed of a road", f"{speed_mph:g} mph", largest, "MUTCD 2009 Table 6C-4")
    return speed_mph
