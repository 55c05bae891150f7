"""The ``[traffic]`` table of a job file: what the planner knows of the roads that zones reach."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from gridground.job import TrafficAsked
from gridground.jobvalues import as_count, as_text, by_id, one_of
from gridground.territory.columns import FASTEST_MPH, ROAD_TYPES
from gridground.units import M_PER_S_PER_MPH, parse_speed_m_per_s

if TYPE_CHECKING:
    from collections.abc import Callable

    from gridground.jobvalues import Section

T = TypeVar("T")
EVERY = ""  # no id is empty: what holds for every road


def read_traffic(section: Section) -> TrafficAsked:
    """Read what is stated of roads; what is not stated stays unknown.

    Parameters
    ----------
    section : Section
        The table ``[traffic]``; receives the problems. `speed`, `road_type` and
        `lanes_each_way` are one value for every road, or a table by feature id.
    """
    return TrafficAsked(
        plan=section.take("plan", as_text),
        night=section.take("night", _yes_no),
        speed_m_per_s=section.take("speed", _each(as_speed_m_per_s)) or {},
        road_type=section.take("road_type", _each(one_of(*ROAD_TYPES))) or {},
        lanes_each_way=section.take("lanes_each_way", _each(as_count(1, 8))) or {},
    )


def as_speed_m_per_s(value: object) -> float:
    """Read a speed with its unit [m/s]."""
    try:
        speed_m_per_s = parse_speed_m_per_s(value)
    except ValueError:
        speed_m_per_s = 0.0
    if not 0 < speed_m_per_s <= FASTEST_MPH * M_PER_S_PER_MPH + 1e-9:
        raise ValueError(f'write text with its unit, e.g. "35 mph", up to {FASTEST_MPH:g} mph')
    return speed_m_per_s


def _yes_no(value: object) -> bool:
    """Read true or false."""
    if not isinstance(value, bool):
        raise ValueError("write true or false")  # noqa: TRY004  one error for callers
    return value


def _each(read: Callable[[object], T]) -> Callable[[object], dict[str, T]]:
    """Return a reader of one value for every road, or of values by feature id."""
    table: Callable[[object], dict[str, T]] = by_id(read, of="road")

    def read_either(value: Any) -> dict[str, T]:  # noqa: ANN401  whatever a job file holds
        return table(value) if isinstance(value, dict) else {EVERY: read(value)}

    return read_either
