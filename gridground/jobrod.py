"""The ``[rod]`` table of a job file: the rod itself, the soil round it, and what was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.job import RodSpec
from gridground.jobvalues import as_length_m, as_number, by_id

if TYPE_CHECKING:
    from gridground.jobvalues import Section

# Stated by few jobs; the plan prints them as assumptions.
_ROD = {
    "length": ("6 ft", "common practice of the trade (a screw rod), no public source"),
    "diameter": ("0.625 in", "common practice of the trade, no public source"),
}


def read_rod(section: Section, assumed: dict[str, tuple[str, str]]) -> RodSpec | None:
    """Read the rod; soil that is not stated stays unknown."""
    values: dict[str, float | None] = {}
    before = len(section.problems)
    section.know(_ROD)
    for key, read in (("length", as_length_m(0.3, 30)), ("diameter", as_length_m(0.005, 0.2))):
        if key in section.table:
            values[key] = section.take(key, read)
        else:
            values[key] = read(_ROD[key][0])
            assumed[f"rod.{key}"] = _ROD[key]
    resistivity = section.take("resistivity_ohm_m", as_number(0.1, 1e6))
    measured = section.take("measured_ohm", by_id(as_number(0.01, 1e6), of="pole"))
    layers = {
        "upper_ohm_m": section.take("upper_ohm_m", as_number(0.1, 1e6)),
        "lower_ohm_m": section.take("lower_ohm_m", as_number(0.1, 1e6)),
        "upper_depth_m": section.take("upper_depth", as_length_m(0.05, 100)),
    }
    spread = {
        "surface_ohm_m": section.take("surface_ohm_m", as_number(1, 20_000)),
        "surface_depth_m": section.take("surface_depth", as_length_m(0.03, 0.3)),
    }
    _all_or_none(section, ("upper_ohm_m", "lower_ohm_m", "upper_depth"))
    _all_or_none(section, ("surface_ohm_m", "surface_depth"))
    length, diameter = values["length"], values["diameter"]
    if len(section.problems) > before or length is None or diameter is None:
        return None
    stated: dict[str, Any] = {**layers, **spread, "measured_ohm": measured or {}}
    return RodSpec(length, diameter, resistivity, **stated)


def _all_or_none(section: Section, keys: tuple[str, ...]) -> None:
    """Reject a part of what only means something together."""
    if 0 < len(set(keys) & section.table.keys()) < len(keys):
        for key in keys:
            if key not in section.table:
                section.add(key, "missing", f"state {', '.join(keys)} together, or none of them")
