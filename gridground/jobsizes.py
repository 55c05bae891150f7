"""Sizes and lengths of leads in a job file."""

from __future__ import annotations

from gridground.jobvalues import as_length_m, each_of, each_once
from gridground.units import LEAD_KCMIL, area_mm2, feet_text

LONGEST_M = 100.0
_LISTED = 50
_SMALLEST = "2"  # AWG copper, 29 CFR 1910.269(n)(4)(ii)


def as_lead_size(value: object) -> str:
    """Read a lead size, not smaller than AWG 2 copper (29 CFR 1910.269(n)(4)(ii))."""
    if not isinstance(value, str) or len(value) > 16:
        raise ValueError('write a size as text, e.g. "2/0" or "70 mm2"')
    try:
        area = area_mm2(value)
    except ValueError as error:
        raise ValueError(f"{error}; write AWG and kcmil as the bare number") from None
    if area < area_mm2(_SMALLEST):
        raise ValueError(
            f"no lead smaller than AWG 2 copper (29 CFR 1910.269(n)(4)(ii)): {value} has "
            f"{area:.1f} mm², AWG 2 {area_mm2(_SMALLEST):.1f} mm². Sizes that can be stated: "
            f"{', '.join(LEAD_KCMIL)}, or metric from 35 mm2. One that hangs already is told in "
            "the field record"
        )
    return value


def as_lead_sizes(value: object) -> tuple[str, ...]:
    """Read the sizes that are stocked."""
    remedy = 'write a list of sizes, e.g. ["2", "2/0"]'
    if not isinstance(value, list) or not 1 <= len(value) <= _LISTED:
        raise ValueError(remedy)
    sizes = each_of(value, as_lead_size, remedy)
    each_once(sizes, "size")
    return tuple(sizes)


def as_stock_lengths_m(value: object) -> tuple[float, ...]:
    """Read the lengths of lead an employer stocks, shortest first [m]."""
    remedy = 'write a list of lengths, e.g. ["6 ft", "10 ft", "25 ft"]'
    if not isinstance(value, list) or not 1 <= len(value) <= _LISTED:
        raise ValueError(remedy)
    lengths_m = each_of(value, as_length_m(0, LONGEST_M), remedy)
    each_once([feet_text(round(length_m, 6)) for length_m in lengths_m], "length")
    return tuple(sorted(lengths_m))
