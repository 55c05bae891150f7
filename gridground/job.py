"""What is asked: the job, the employer's limits, the rod and the kit, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Method = Literal["auto", "dual-point", "single-point"]


@dataclass(frozen=True)
class Limits:
    """The employer's rules of one job, in SI.

    Every field is filled from the job file or, with an entry in the plan's assumptions, from
    ``tables/limits.csv``; none has a default here but `approach_m`, whose absence asks for nothing.

    Attributes
    ----------
    approach_m : dict
        The employer's own approach distances by circuit or line id [m], none smaller than the
        rule's; where an id is absent the rule's stand.
    """

    rod_setback_m: float
    cone_radius_m: float
    cone_spacing_m: float
    bracket_max_spans: int
    bracket_max_distance_m: float
    fault_growth_ratio: float
    clearing: Literal["backup", "primary"]
    body_ohm: float
    worker_limit: str | float  # a named rule, or volts
    lead_minimum: str
    lead_sizes: tuple[str, ...]
    lead_basis: Literal["withstand", "ultimate"]
    parallel_max: int
    lead_slack_ratio: float
    lead_length_step_m: float
    bar_below_m: float
    clearance_m: dict[str, float]
    locate_tolerance_m: float
    vehicle_clearance_m: float
    vehicle_rod_distance_m: float
    ground_slope_max_ratio: float
    approach_m: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Position:
    """A position a person states: by coordinates, or by bearing and distance from a pole.

    Attributes
    ----------
    lon, lat : float or None
        [degrees]; both None where the other three are stated.
    pole_id : str or None
    bearing_deg : float or None
        Clockwise from true north [degrees].
    distance_m : float or None
        [m].
    """

    lon: float | None = None
    lat: float | None = None
    pole_id: str | None = None
    bearing_deg: float | None = None
    distance_m: float | None = None


@dataclass(frozen=True)
class Vehicle:
    """The truck: its middle, and its own rod; None where the rod's place is not stated."""

    place: Position
    rod: Position | None


@dataclass(frozen=True)
class RodSpec:
    """The ground rod: length and diameter [m], soil where no polygon covers it [ohm·m].

    Attributes
    ----------
    resistivity_ohm_m : float or None
        None: absent, an open item where nothing else tells the soil.
    upper_ohm_m, lower_ohm_m, upper_depth_m : float or None
        Soil of two layers [ohm·m, m], all three or none; they take the place of
        `resistivity_ohm_m`.
    surface_ohm_m, surface_depth_m : float or None
        Layer spread round the rod for people's feet [ohm·m, m], both or none; None is bare soil.
    measured_ohm : dict
        Resistance of a rod as measured, by pole id [ohm].
    place : dict
        A person's own position for a rod, by pole id.
    """

    length_m: float
    diameter_m: float
    resistivity_ohm_m: float | None
    upper_ohm_m: float | None = None
    lower_ohm_m: float | None = None
    upper_depth_m: float | None = None
    surface_ohm_m: float | None = None
    surface_depth_m: float | None = None
    measured_ohm: dict[str, float] = field(default_factory=dict)
    place: dict[str, Position] = field(default_factory=dict)


@dataclass(frozen=True)
class KitLead:
    """One lead on the truck."""

    lead_id: str
    size: str
    length_m: float
    clamps: str
    tested_on: str | None


@dataclass(frozen=True)
class Kit:
    """What is on the truck."""

    leads: tuple[KitLead, ...]
    rods: int | None
    cluster_bars: int | None


@dataclass(frozen=True)
class ClearanceAsked:
    """Who holds the clearance, from whom and when; None where the job file does not say.

    Attributes
    ----------
    holder, authority, number : str or None
        Who holds it, who grants it, and its number there.
    work_start, work_end : str or None
        ISO 8601 with the offset from UTC, start before end.
    """

    holder: str | None = None
    authority: str | None = None
    number: str | None = None
    work_start: str | None = None
    work_end: str | None = None


@dataclass(frozen=True)
class Job:
    """One job.

    Attributes
    ----------
    sources_opened, locate_ticket
        None where the job file does not say: unknown, an open item.
    reclosing_blocked : tuple of str or None
        Devices and circuits at which automatic reclosing is blocked and tagged for the job; None
        where the job file does not say: every stated reclosing then counts.
    vehicle : Vehicle or None
        None where the job file does not say where the truck stands.
    assumed : dict
        Limits the job does not state: ``{key: (value as printed, source)}``.
    input : dict
        ``{"layer": "job", "sha256", "rows", "date"}`` of the file.
    """

    job_id: str
    title: str
    circuit_ids: tuple[str, ...]
    worksite_poles: tuple[str, ...]
    worksite_span: str | None
    method: Method
    work_position: Literal["pole", "aerial lift"]
    open_conductor: tuple[str, ...]
    locate_ticket: str | None
    sources_opened: tuple[str, ...] | None
    isolated_equipment: tuple[str, ...]
    limits: Limits
    rod: RodSpec
    kit: Kit | None
    reclosing_blocked: tuple[str, ...] | None = None
    clearance: ClearanceAsked = field(default_factory=ClearanceAsked)
    vehicle: Vehicle | None = None
    assumed: dict[str, tuple[str, str]] = field(default_factory=dict)
    input: dict[str, Any] = field(default_factory=dict)
