"""What is asked: the job, the employer's limits, the rod and the kit, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Method = Literal["auto", "dual-point", "single-point"]


@dataclass(frozen=True)
class Limits:
    """The employer's rules of one job, in SI.

    Every field is filled from the job file or, with an entry in the plan's assumptions, from
    ``tables/limits.csv``; none has a default here but those whose absence asks for nothing.

    Attributes
    ----------
    approach_m : dict
        The employer's own approach distances by circuit or line id [m], none smaller than the
        rule's; where an id is absent the rule's stand.
    lead_lengths_m : tuple of float
        The lengths that are stocked, shortest first [m]; empty: every multiple of
        `lead_length_step_m`.
    lead_test_interval : str or None
        How long a test of a lead counts, ``"12 months"``; None: test dates are not judged.
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
    lead_lengths_m: tuple[float, ...] = ()
    lead_test_interval: str | None = None


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
    """One lead on the truck.

    Attributes
    ----------
    lead_id, size : str
        Its name, and its size.
    length_m : float
        Between its clamps [m].
    clamps : str
        What is written about its clamps: one name of the clamp table, two with ``" / "`` between
        them (one for each end), or other text, which tells nothing; empty where nothing is.
    tested_on : str or None
        ISO date of its last test.
    clamp_a, clamp_b : str or None
        Names of the clamp table for its two ends, in either order; they stand before `clamps`.
    """

    lead_id: str
    size: str
    length_m: float
    clamps: str
    tested_on: str | None
    clamp_a: str | None = None
    clamp_b: str | None = None


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
class TrafficAsked:
    """What the job file says of roads; by feature id, the empty text stands for every road.

    Attributes
    ----------
    plan : str or None
        Number of a traffic control plan on file.
    night : bool or None
        Whether work goes on in the dark; None where the job file does not say.
    """

    plan: str | None = None
    night: bool | None = None
    speed_m_per_s: dict[str, float] = field(default_factory=dict)
    road_type: dict[str, str] = field(default_factory=dict)
    lanes_each_way: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class UsedLead:
    """A lead that was put on in the place of a planned one, of which it has the two ends.

    Attributes
    ----------
    pole_id, span_id, start, end : str
        The connection, as the plan's lead table names it.
    size : str or None
        Size of one cable; None: as planned.
    length_m : float or None
        Length of one cable; None: as planned.
    said : str
        Who told it, and when.
    count : int or None
        Cables that hang, as the plan had them when it was told; None: as planned.
    numbers : tuple of str
        Own numbers of the cables that were told.
    cables : tuple of KitLead
        The cables whose size and length are known, as told or else as the kit states them.
    not_known : tuple of str
        Own numbers that the kit does not have, and whose size or length was not told.
    """

    pole_id: str | None
    span_id: str | None
    start: str
    end: str
    size: str | None
    length_m: float | None
    said: str
    count: int | None = None
    numbers: tuple[str, ...] = ()
    cables: tuple[KitLead, ...] = ()
    not_known: tuple[str, ...] = ()


@dataclass(frozen=True)
class Measured:
    """What was measured in the field; it stands before what the plan would compute.

    Attributes
    ----------
    rod_ohm, soil_ohm_m : dict
        Resistance of the rod [ohm], soil at it [ohm·m], by pole id.
    rod_at : dict
        Where the rod stands, longitude and latitude by pole id [degrees].
    rod_accuracy_m : dict
        How exact the device says that position is, by pole id [m].
    rod_taped_m, rod_bearing_deg : dict
        Distance of the rod from its pole by a tape [m] and its bearing from true north as a person
        measured it [degrees], by pole id.
    leads : tuple of UsedLead
        Leads put on in the place of planned ones.
    said : dict
        Who told it and when, by name of the value and pole id.
    not_as_kit : dict
        Leads of the kit that were told with another size or length: what was told, what the kit
        states, by the lead's own number.
    """

    rod_ohm: dict[str, float] = field(default_factory=dict)
    soil_ohm_m: dict[str, float] = field(default_factory=dict)
    rod_at: dict[str, tuple[float, float]] = field(default_factory=dict)
    rod_accuracy_m: dict[str, float] = field(default_factory=dict)
    rod_taped_m: dict[str, float] = field(default_factory=dict)
    rod_bearing_deg: dict[str, float] = field(default_factory=dict)
    leads: tuple[UsedLead, ...] = ()
    said: dict[tuple[str, str], str] = field(default_factory=dict)
    not_as_kit: dict[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def poles(self) -> tuple[str, ...]:
        """Poles at which something about the rod was measured, in order of their ids."""
        return tuple(sorted({*self.rod_ohm, *self.soil_ohm_m, *self.stands}))

    def rod_said(self, pole_id: str) -> str | None:
        """Return who told where the rod of a pole stands, and when; None where nobody did."""
        by_tape = self.said.get(("rod_taped_m", pole_id))
        return self.said.get(("rod_lon", pole_id), by_tape) if pole_id in self.stands else None

    @property
    def stands(self) -> frozenset[str]:
        """Poles whose rod is told where it stands: by a position, or by tape and bearing."""
        return frozenset({*self.rod_at, *(self.rod_taped_m.keys() & self.rod_bearing_deg.keys())})


@dataclass(frozen=True)
class Settled:
    """What a person found out about an entry of a field record that asks.

    Attributes
    ----------
    about : str
        Code of the open item that it answers: one entry may have several.
    step_id, at : str
        The step that was ticked, and when, ISO 8601 with the offset from UTC: they name the entry.
    by, on : str
        Who settled it, and the ISO date.
    found : str
        What was found.
    """

    about: str
    step_id: str
    at: str
    by: str
    on: str
    found: str


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
    work_date : str or None
        ISO date of the work, where it stands by itself; see `work_day`.
    vehicle : Vehicle or None
        None where the job file does not say where the truck stands.
    assumed : dict
        Limits the job does not state: ``{key: (value as printed, source)}``.
    settled : tuple of Settled
        What was found out about entries of field records.
    measured : Measured
        What was measured in the field; empty before anybody was there.
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
    work_date: str | None = None
    traffic: TrafficAsked = field(default_factory=TrafficAsked)
    vehicle: Vehicle | None = None
    settled: tuple[Settled, ...] = ()
    assumed: dict[str, tuple[str, str]] = field(default_factory=dict)
    input: dict[str, Any] = field(default_factory=dict)
    measured: Measured = field(default_factory=Measured)

    @property
    def work_day(self) -> str | None:
        """ISO date of the (last) day of the work: `work_date`, else that of the clearance."""
        if self.work_date is not None:
            return self.work_date
        moment = self.clearance.work_end or self.clearance.work_start
        return None if moment is None else moment[:10]
