"""What is answered: the parts of a plan as frozen records, and the plan itself."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from shapely import Polygon

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
class RodPlace:
    """A place for a rod and what it was judged by."""

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


@dataclass(frozen=True)
class Zone:
    """The cone zone: everything within `radius_m` of the rod and the lead on the ground."""

    radius_m: float
    perimeter_m: float
    cones: int
    polygon: Polygon  # longitude, latitude
    cone_points: tuple[tuple[float, float], ...]  # longitude, latitude


@dataclass(frozen=True)
class FaultAt:
    """Fault currents at one pole: largest phase current of each kind, symmetrical [A].

    ``None`` where the fault cannot exist. `x_over_r`, `clearing_s` and `asymmetry_ratio` belong
    to `governing`, the kind that heats most (I²t).
    """

    three_phase_a: float | None
    phase_phase_a: float | None
    two_phase_ground_a: float | None
    phase_ground_a: float | None
    governing: str
    x_over_r: float
    clearing_s: float
    asymmetry_ratio: float

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
class LeadRow:
    """One row of the lead table: one connection, `parallel` equal cables together."""

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


@dataclass(frozen=True)
class WorkerCase:
    """One energizing event and one contact of the worker."""

    event: str
    origin: str  # written as "from"
    contact: str
    neutral: Literal["intact", "broken"]
    voltage_v: float
    body_a: float
    limit_v: float
    passed: bool


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
