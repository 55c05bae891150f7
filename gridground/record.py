"""What is answered: the parts of a plan as frozen records, and the plan itself."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    pass

FORMAT = "gridground-plan/1"
Role = Literal["electrode", "fault", "personal", "bypass"]


@dataclass(frozen=True)
class OpenItem:
    """Something a person must settle before the plan may be called ready."""

    code: str
    where: tuple[str, ...]
    what: str
    why: str
    who: str
    settles: str


@dataclass(frozen=True)
class Check:
    """One figure held against one named limit."""

    code: str
    where: tuple[str, ...]
    value: float | None
    limit: float | None
    unit: str
    passed: bool
    source: str


@dataclass(frozen=True)
class Note:
    """An assumption or a caution, with its source."""

    text: str
    source: str


@dataclass(frozen=True)
class Direction:
    """One way out of the worksite by which energy can come."""

    pole_id: str  # worksite (or zone) pole at which the way leaves
    span_id: str
    towards: str  # "source" "load" "lateral" "tie" "cable"
    sources: tuple[str, ...]
    bracket_pole_id: str | None


@dataclass(frozen=True)
class LeadEdge:
    """A lead as the connection of two ends, ground end first.

    Attributes
    ----------
    pole_id : str or None
        None for the location of mid-span work.
    start, end : str
        ``rod  bar  pole ground  pole  neutral  A B C``, with ``F2:`` in front where more than one
        circuit is worked and ``@S7`` behind where the pole has more than one side.
    role : str
        ``"electrode"`` (rod or pole ground), ``"fault"`` (in the fault path), ``"personal"``,
        ``"bypass"``.
    """

    pole_id: str | None
    span_id: str | None
    start: str
    end: str
    role: Role


@dataclass(frozen=True)
class FaultAt:
    """Fault currents at one pole: largest phase current of each kind, symmetrical [A].

    ``None`` where the fault cannot exist. `x_over_r`, `clearing_s`, `asymmetry_ratio` and the
    devices belong to `governing`, the kind that heats most (I²t).

    Attributes
    ----------
    longest_s : float
        Longest time that counts over every fault that can exist at the pole, kind by kind and
        phase by phase, 0.03 s at least: what the worker's limit is taken for [s].
    minimum_a : float
        Smallest bolted fault at the pole over kinds and phases, without growth: what a device
        must see to operate for every one of them [A].
    times_on : int
        How often the current begins within `clearing_s`: 1, or the shots of a device whose
        reclosing is not blocked. `asymmetry_ratio` is that of one shot.
    primary, backup : str or None
        Device (or circuit: its source-end device) nearest the pole that operates, and the next;
        ids of devices on single phases are joined by ``+``. A `backup` of None with a `backup_s`
        is the stated backup time, behind the source-end device.
    primary_s, backup_s : float or None
        Their times, one operation, before any choice between them [s].
    rod_fault_a, rod_fault_s : float or None
        Smallest current of one phase to earth through the location's electrode alone, and after
        what time a device has opened it (None: nothing stated operates); None until asked.
    """

    three_phase_a: float | None
    phase_phase_a: float | None
    two_phase_ground_a: float | None
    phase_ground_a: float | None
    governing: str
    x_over_r: float
    clearing_s: float
    asymmetry_ratio: float
    longest_s: float
    minimum_a: float
    times_on: int = 1
    primary: str | None = None
    primary_s: float | None = None
    backup: str | None = None
    backup_s: float | None = None
    rod_fault_a: float | None = None
    rod_fault_s: float | None = None

    @property
    def heating_x_over_r(self) -> float:
        """X/R that gives one shot's decrement factor for the whole of `clearing_s`.

        Each of several shots has its own offset; the factor depends on time over X/R only.
        """
        return self.x_over_r * self.times_on

    @property
    def largest_a(self) -> float:
        """The largest of the four [A]."""
        kinds = (
            self.three_phase_a,
            self.phase_phase_a,
            self.two_phase_ground_a,
            self.phase_ground_a,
        )
        return max(current for current in kinds if current is not None)


@dataclass(frozen=True)
class Piece:
    """One piece of a lead's way: what it is, and how long [m]."""

    what: str
    length_m: float


@dataclass(frozen=True)
class LeadRow:
    """One row of the lead table: one connection, `parallel` equal cables together.

    Size, count and length are those of the leads that hang on the line: out of the truck where
    `kit_lead_ids` names any, as planned elsewhere.

    Currents, ratings and peaks are those of the row, symmetrical where nothing else is said. What
    belongs to the choice of the size (`next_size` to `sensitive_ratio`) is None for a lead to a
    rod or pole ground: it has the size of its location. Its current, peak and temperature are NaN
    until the network is solved.
    """

    lead_id: str
    edge: LeadEdge
    parallel: int
    size: str
    length_m: float
    clamp_from: str
    clamp_to: str
    grade: str
    cold_ohm: float  # of the row, new cables and ends at 20 °C
    in_service_ohm: float  # of the row, the worst set still in service, at 20 °C
    resistance_ohm: float  # of the row, the worst set still in service at the end of the fault
    reactance_ohm: float  # of the row, loop reactance
    current_a: float
    time_s: float
    rating_a: float
    margin_ratio: float
    source: str
    x_over_r: float
    times_on: int  # how often the current begins within `time_s`
    frequency_hz: float
    withstand_a: float  # fit for use afterwards
    ultimate_a: float  # only just not melted
    end_temperature_c: float | None  # of the copper when the fault is cleared; None: it melts
    peak_a: float  # first peak, fully offset
    peak_limit_a: float  # first peak the row has been tested for
    next_size: str | None  # "4/0", "2 x 2/0"; None: nothing in stock carries more
    next_size_at_a: float | None  # the largest current this row carries, same time and X/R
    next_size_at_s: float | None  # the longest time, same current; None: beyond 10 s
    next_size_at_x_over_r: float | None  # the largest X/R, same current; None: any
    sensitive_to: Literal["current", "time", "offset"] | None
    sensitive_ratio: float | None  # by how much that may grow
    path: tuple[Piece, ...] = ()  # the way of the lead; the pieces add up to what is needed
    kit_lead_ids: tuple[str, ...] = ()  # leads of the truck; fewer than `parallel`: some are short
    told: bool = False  # put on as a field record tells
    planned: tuple[str, int, float] | None = None  # size, count, length [m] before the truck

    @property
    def needed_m(self) -> float:
        """Length the way of the lead needs [m]."""
        return sum(piece.length_m for piece in self.path)


@dataclass(frozen=True)
class WorkerCase:
    """One energizing event and one contact.

    Attributes
    ----------
    event, origin : str
        Phases energized, and from where.
    contact : str
        The two things touched: ``A-bar@P20``.
    neutral : str
        ``"intact"`` or ``"broken"``; of several breaks the worst.
    voltage_v, body_a : float
        Across and through the body, the largest over the states of the leads [V], [A].
    limit_v : float
        Tolerable voltage [V].
    passed : bool
        The voltage is determined and within the limit.
    whose : str
        ``"worker"``: inside the bonded zone. ``"ground person"``: on the ground, at a pole or a
        rod lead; what keeps people off there is the cone zone, not the bonds, so such a case is
        shown with its figure and decides nothing about the worker.
    lead_state : str
        State of the leads that gave the largest voltage: ``"cold"`` (new, 20 °C), ``"in
        service"`` (the worst set still in service, 20 °C), ``"hot"`` (that set at the end of the
        fault).
    time_s : float or None
        After what time the devices open the event, by the current the source gives in it [s];
        None where that is not worked out, or nothing stated opens it.
    stays_on : bool
        Nothing stated opens it: the limit is what may stand for long.
    """

    event: str
    origin: str  # written as "from"
    contact: str
    neutral: Literal["intact", "broken"]
    voltage_v: float
    body_a: float
    limit_v: float
    passed: bool
    whose: Literal["worker", "ground person"] = "worker"
    lead_state: str = "hot"
    time_s: float | None = None
    stays_on: bool = False


@dataclass(frozen=True)
class Plan:
    """A plan: the document in the contract's form, and nothing else.

    Attributes
    ----------
    document : dict
        Every key of the plan file. Treat as read-only.
    """

    document: dict[str, Any]

    def __getitem__(self, key: str) -> Any:  # noqa: ANN401  a JSON document
        return self.document[key]

    @property
    def ready(self) -> bool:
        """True only if there are no open items and every check passed."""
        return is_ready(self.document)

    def to_bytes(self) -> bytes:
        """Return the plan file: canonical JSON, UTF-8, one line."""
        return canonical_bytes(self.document) + b"\n"


def is_ready(document: dict[str, Any]) -> bool:
    """Compute readiness from the open items and the checks, never from a stored word.

    A plan without checks of its leads and of the worker's voltage is not ready either.
    """
    checks = document["checks"]
    worked_out = {"lead_rating", "worker_voltage"} <= {check["code"] for check in checks}
    return worked_out and not document["open_items"] and all(check["passed"] for check in checks)


def canonical_bytes(document: dict[str, Any]) -> bytes:
    """Return canonical JSON: keys sorted, no blanks, UTF-8, finite numbers only.

    Raises
    ------
    ValueError
        For NaN or infinity anywhere in the document.
    """
    text = json.dumps(
        document, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )
    return text.encode("utf-8")


def plan_hash(document: dict[str, Any]) -> str:
    """Return the SHA-256 of the canonical document without `made_at` and `plan_hash`."""
    rest = {key: value for key, value in document.items() if key not in {"made_at", "plan_hash"}}
    return hashlib.sha256(canonical_bytes(rest)).hexdigest()
