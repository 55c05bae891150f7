"""What is asked: the job, the employer's limits, the rod and the kit, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Method = Literal["auto", "dual-point", "single-point"]


@dataclass(frozen=True)
class Limits:
    """The employer's rules of one job, in SI.

    Every field is filled from the job file or, with an entry in the plan's assumptions, from
    ``tables/limits.csv``; none has a default here.
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


@dataclass(frozen=True)
class RodSpec:
    """The ground rod: length and diameter [m], soil where no polygon covers it [ohm·m]."""

    length_m: float
    diameter_m: float
    resistivity_ohm_m: float | None  # None: absent, an open item where no soil polygon covers


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
class Job:
    """One job.

    Attributes
    ----------
    sources_opened, locate_ticket
        None where the job file does not say: unknown, an open item.
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
    assumed: dict[str, tuple[str, str]] = field(default_factory=dict)
    input: dict[str, Any] = field(default_factory=dict)
