"""Where things stand on the ground: rods, zones, cones and the lines round them, as records."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shapely import Polygon


@dataclass(frozen=True)
class RodPlace:
    """A place for a rod and what it was judged by.

    Attributes
    ----------
    rise_m : float or None
        Height of the ground at the rod above the foot of the pole [m]; None where it is not known:
        the lead is then measured on level ground.
    """

    pole_id: str
    lon: float
    lat: float
    bearing_deg: float  # from the pole, clockwise from true north
    distance_m: float
    score: float
    reasons: tuple[str, ...]  # how the score comes about, in words
    nearest: tuple[
        dict[str, Any], ...
    ]  # nearest features: feature_id, kind, distance_m, clearance_m
    meets: tuple[dict[str, Any], ...]  # features the zone touches: feature_id, kind, name
    parts: tuple[dict[str, Any], ...] = ()  # what the score is made of: what, cost
    alternatives: tuple[dict[str, Any], ...] = ()  # the best others, with why they lost
    limited_by: tuple[dict[str, Any], ...] = ()  # where, kind, spare_m, clearance_m
    slope_ratio: float | None = None  # rise over run of the ground there; None: not known
    rise_m: float | None = None  # of the ground from the pole to the rod; None: not known
    stated: bool = False  # a person's own position
    search: dict[str, Any] | None = None  # what the search would have chosen instead

    @property
    def ground_m(self) -> float:
        """The lead on the ground along its slope; level where the slope is not known [m]."""
        return math.hypot(self.distance_m, self.rise_m or 0.0)


@dataclass(frozen=True)
class Zone:
    """The cone zone: everything within `radius_m` of the rod and the lead on the ground.

    Where zones of a job overlap they share one outline: radius, perimeter and polygon stay the
    location's own, `cones` and `cone_points` are those of the outline that stand on its edge.
    """

    radius_m: float
    perimeter_m: float
    cones: int
    polygon: Polygon  # longitude, latitude
    cone_points: tuple[tuple[float, float], ...]  # longitude, latitude
    cone_numbers: tuple[int, ...] = ()  # of the job, in the order of `cone_points`
    zone_id: str = ""  # of the outline


@dataclass(frozen=True)
class Cone:
    """One cone: its number in the job, and where to set it from the foot of a pole.

    Attributes
    ----------
    part : str
        What it belongs to: the name of a location, or of something else with a zone.
    bearing_deg : float
        From that pole, clockwise from true north.
    """

    number: int
    part: str
    lon: float
    lat: float
    bearing_deg: float
    distance_m: float


@dataclass(frozen=True)
class Outline:
    """One outline round a zone, or round several that overlap or touch.

    Attributes
    ----------
    zone_id : str
        ``Z1``, ``Z2`` in the order of the locations.
    parts : tuple of str
        What lies inside.
    perimeter_m, area_m2 : float
        Of the outer line; what it encloses without covering counts as inside.
    polygon : Polygon
        Longitude, latitude.
    cones : tuple of Cone
        Clockwise along the outline.
    """

    zone_id: str
    parts: tuple[str, ...]
    perimeter_m: float
    area_m2: float
    polygon: Polygon
    cones: tuple[Cone, ...]
