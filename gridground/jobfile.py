"""Read a job file (TOML or JSON) into a `Job`, strictly, and hold it against a territory.

Every problem is reported at once. A limit that the job does not state takes the value of
``tables/limits.csv`` or ``tables/clearances.csv`` and is written into `Job.assumed` with its
source; nothing else is filled in.
"""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from gridground.errors import InputError, Problem
from gridground.job import Job, Limits
from gridground.jobclearance import read_clearance
from gridground.jobkit import as_id_text, as_interval, read_kit
from gridground.jobplaces import read_vehicle, vehicle_poles, with_places
from gridground.jobrod import read_rod
from gridground.jobsettled import read_settled
from gridground.jobsizes import as_lead_size, as_lead_sizes, as_stock_lengths_m
from gridground.jobtraffic import EVERY, read_traffic
from gridground.jobvalues import (
    Section,
    as_count,
    as_cuts,
    as_date,
    as_distance_m,
    as_ids,
    as_length_m,
    as_number,
    as_text,
    as_worker_limit,
    by_id,
    cut_parts,
    one_of,
)
from gridground.tables import read_table
from gridground.territory.front import parse_json, read_bytes
from gridground.territory.text import near_remedy, plain, shown
from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from gridground.territory.layers import Territory

T = TypeVar("T")
JOB_BYTES = 1_000_000
_JOB_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_DEVICE = re.compile(r"con|prn|aux|nul|com\d|lpt\d", re.IGNORECASE)
_METHODS = ("auto", "dual-point", "single-point")
_POSITIONS = ("pole", "aerial lift")

# What each limit is read with; the key of the record is the key of the file, with its unit.
_LIMITS: dict[str, tuple[str, Callable[[object], Any]]] = {
    "rod_setback": ("rod_setback_m", as_length_m(0, 300)),
    "cone_radius": ("cone_radius_m", as_length_m(0, 100)),
    "cone_spacing": ("cone_spacing_m", as_length_m(0, 100)),
    "bracket_max_spans": ("bracket_max_spans", as_count(1, 20)),
    "bracket_max_distance": ("bracket_max_distance_m", as_length_m(0, 20_000)),
    "fault_growth_ratio": ("fault_growth_ratio", as_number(1, 10)),
    "clearing": ("clearing", one_of("backup", "primary")),
    "body_ohm": ("body_ohm", as_number(200, 10_000)),
    "worker_limit": ("worker_limit", as_worker_limit),
    "lead_minimum": ("lead_minimum", as_lead_size),
    "lead_sizes": ("lead_sizes", as_lead_sizes),
    "lead_basis": ("lead_basis", one_of("withstand", "ultimate")),
    "parallel_max": ("parallel_max", as_count(1, 6)),
    "lead_slack_ratio": ("lead_slack_ratio", as_number(1, 5)),
    "lead_length_step": ("lead_length_step_m", as_length_m(0, 30)),
    "bar_below": ("bar_below_m", as_length_m(0, 30)),
    "locate_tolerance": ("locate_tolerance_m", as_length_m(0, 10, zero=True)),
    "vehicle_clearance": ("vehicle_clearance_m", as_length_m(0, 30)),
    "vehicle_rod_distance": ("vehicle_rod_distance_m", as_length_m(0, 30)),
    "ground_slope_max_ratio": ("ground_slope_max_ratio", as_number(0.02, 2)),
}
_TABLE_COUNTS = frozenset({"bracket_max_spans", "parallel_max"})
_TABLE_NUMBERS = frozenset(
    {"fault_growth_ratio", "body_ohm", "lead_slack_ratio", "ground_slope_max_ratio"}
)


def read_job(path: str | os.PathLike[str]) -> Job:
    """Read a job file.

    Parameters
    ----------
    path : str or path
        A ``.toml`` or ``.json`` file.

    Returns
    -------
    Job
        In SI; limits that the file does not state are in `assumed`, with their source.

    Raises
    ------
    InputError
        With every problem at once, layer ``"job"``.
    """
    file = Path(path)
    document, sha256 = _document(file)
    problems: list[Problem] = []
    section = Section("", document, problems)
    job = _read(section, sha256)
    section.refuse_unknown()
    if problems or job is None:
        raise InputError(problems)
    return job


def _document(file: Path) -> tuple[dict[str, Any], str]:
    """Return the job file as a dict, and its hash."""
    kind = file.suffix.lower()
    if kind not in {".toml", ".json"}:
        found = "is neither .toml nor .json"
        raise InputError([Problem("reject", "job", (), plain(file.name), found, "name it so")])
    try:
        data = read_bytes(file, "job", limit=JOB_BYTES)
    except (OSError, ValueError) as error:  # a name too long, a zero byte
        found = "is not a usable path"
        problem = Problem("reject", "job", (), shown(str(file)), found, "give the file")
        raise InputError([problem]) from error
    sha256 = hashlib.sha256(data).hexdigest()
    data = data.removeprefix(b"\xef\xbb\xbf")
    document: object
    if kind == ".json":
        document = parse_json(data, "job", name=plain(file.name))
    else:
        try:
            document = tomllib.loads(data.decode("utf-8"))
        except (ValueError, RecursionError) as error:
            reason = "is not UTF-8" if isinstance(error, UnicodeDecodeError) else str(error)
            found = f"broken TOML: {reason or 'nested too deep'}"
            problem = Problem("reject", "job", (), plain(file.name), found, "mend the file")
            raise InputError([problem]) from error
    if not isinstance(document, dict):
        found = "is not an object with the keys of a job"
        raise InputError(
            [Problem("reject", "job", (), plain(file.name), found, "write job_id = …")]
        )
    return document, sha256


def _read(section: Section, sha256: str) -> Job | None:
    """Read all keys; None only where a problem has been added."""
    assumed: dict[str, tuple[str, str]] = {}
    section.know(("method", "work_position"))
    job_id = section.take("job_id", _job_id, required=True)
    title = section.take("title", as_text)
    circuit_ids = section.take("circuit_ids", as_ids(least=1), required=True)
    poles, span = _worksite(section)
    method = _or_assume(section, "method", one_of(*_METHODS), assumed)
    position = _or_assume(section, "work_position", one_of(*_POSITIONS), assumed)
    open_conductor = section.take("open_conductor", as_cuts)
    locate_ticket = section.take("locate_ticket", as_text)
    sources_opened = section.take("sources_opened", as_ids())
    isolated = section.take("isolated_equipment", as_ids())
    reclosing_blocked = section.take("reclosing_blocked", as_ids())
    limits = _limits(section.sub("limits"), assumed)
    rod_section = section.sub("rod")
    rod = with_places(rod_section, read_rod(rod_section, assumed))
    vehicle = read_vehicle(section)
    kit = read_kit(section)
    work_date = section.take("work_date", as_date)
    clearance = read_clearance(section.sub("clearance"))
    traffic = read_traffic(section.sub("traffic"))
    settled = read_settled(section)
    if section.problems or limits is None or rod is None or job_id is None:
        return None
    return Job(
        job_id=job_id,
        title=title or job_id,
        circuit_ids=circuit_ids or (),
        worksite_poles=poles,
        worksite_span=span,
        method=method,
        work_position=position,
        open_conductor=open_conductor or (),
        locate_ticket=locate_ticket,
        sources_opened=sources_opened,
        isolated_equipment=isolated or (),
        reclosing_blocked=reclosing_blocked,
        clearance=clearance,
        traffic=traffic,
        vehicle=vehicle,
        settled=settled,
        limits=limits,
        rod=rod,
        kit=kit,
        work_date=work_date,
        assumed=assumed,
        input={"layer": "job", "sha256": sha256, "rows": 1, "date": None},
    )


def _job_id(value: object) -> str:
    """Read the job id: it names files."""
    if not isinstance(value, str) or _JOB_ID.fullmatch(value) is None:
        raise ValueError("use 1 to 64 letters, digits, _ and -, the first a letter or digit")
    if _DEVICE.fullmatch(value):
        raise ValueError("use another name: Windows keeps this one for a device")
    return value


def _worksite(section: Section) -> tuple[tuple[str, ...], str | None]:
    """Read the worksite: poles, or one span for mid-span work."""
    poles = section.take("worksite_poles", as_ids(least=1))
    span = section.take("worksite_span", as_id_text)
    both = {"worksite_poles", "worksite_span"} & section.table.keys()
    if not both:
        section.add("worksite_poles", "missing", "name the worksite's poles, or worksite_span")
    elif len(both) == 2:
        section.add("worksite_span", "stands beside worksite_poles", "state one of the two")
    return poles or (), span


_ASSUMED_CHOICES = {
    "method": ("auto", "both methods are worked out and compared; default is our judgement"),
    "work_position": ("pole", "default is our judgement, no source"),
}


def _or_assume(
    section: Section,
    key: str,
    read: Callable[[object], T],
    assumed: dict[str, tuple[str, str]],
) -> Any:  # noqa: ANN401  one of the allowed words
    """Read a choice, or take the default and record it."""
    if key not in section.table:
        assumed[key] = _ASSUMED_CHOICES[key]
        return _ASSUMED_CHOICES[key][0]
    return section.take(key, read)


def _table_value(key: str, text: str) -> object:
    """Return a value of the table as a job file would state it."""
    if key in _TABLE_COUNTS:
        return int(text)
    if key in _TABLE_NUMBERS:
        return float(text)
    return text.split(";") if key == "lead_sizes" else text


def _limits(section: Section, assumed: dict[str, tuple[str, str]]) -> Limits | None:
    """Read the employer's limits; absent ones come from the table and are recorded."""
    defaults = {row["key"]: row for row in read_table("limits")}
    values: dict[str, Any] = {}
    section.know(_LIMITS)
    for key, (name, read) in _LIMITS.items():
        if key in section.table:
            values[name] = section.take(key, read)
        else:
            row = defaults[key]
            values[name] = read(_table_value(key, row["default"]))
            assumed[key] = (row["default"].replace(";", ", "), row["source"])
    values["clearance_m"] = _clearances(section.sub("clearance"), assumed)
    values["lead_lengths_m"] = section.take("lead_lengths", as_stock_lengths_m) or ()
    values["lead_test_interval"] = section.take("lead_test_interval", as_interval)
    approach = by_id(as_distance_m(0.3, 30), of="circuit or line")
    values["approach_m"] = section.take("approach", approach) or {}
    if section.problems:
        return None
    sizes = tuple(sorted(values["lead_sizes"], key=area_mm2))
    least = area_mm2(values["lead_minimum"])
    if all(area_mm2(size) < least for size in sizes):
        found = f"every size is smaller than lead_minimum ({values['lead_minimum']})"
        section.add("lead_sizes", found, "state a size that is stocked and large enough")
        return None
    return Limits(**{**values, "lead_sizes": sizes})


def _clearances(section: Section, assumed: dict[str, tuple[str, str]]) -> dict[str, float]:
    """Read the clearances from rod to feature; absent ones come from the table."""
    read = as_length_m(0, 300, zero=True)
    result: dict[str, float] = {}
    rows = read_table("clearances")
    section.know(row["kind"] for row in rows)
    for row in rows:
        kind = row["kind"]
        if kind in section.table:
            value = section.take(kind, read)
            if value is not None:
                result[kind] = value
        else:
            result[kind] = float(row["clearance_m"])
            assumed[f"clearance.{kind}"] = (feet_text(float(row["clearance_m"])), row["source"])
    return result


def check_job(job: Job, territory: Territory) -> tuple[Problem, ...]:
    """Hold a job against a territory: what it names must be there.

    Parameters
    ----------
    job : Job
        As read.
    territory : Territory
        As read.

    Returns
    -------
    tuple of Problem
        Rejections, layer ``"job"``, with near matches as remedy; empty when all is there.
    """
    problems: list[Problem] = []

    def look(field: str, named: Iterable[str], layer_name: str) -> None:
        layer = territory.layer(layer_name)
        there = {} if layer is None else layer.index()
        if absent := tuple(one for one in named if one not in there):
            none = f"the territory has no {layer_name}"
            remedy = near_remedy(absent, there, "correct the id" if there else none)
            found = f"not in {layer_name} of the territory"
            problems.append(Problem("reject", "job", absent, field, found, remedy))

    look("circuit_ids", job.circuit_ids, "circuits")
    look("worksite_poles", job.worksite_poles, "poles")
    look("worksite_span", [job.worksite_span] if job.worksite_span else [], "spans")
    look("sources_opened", job.sources_opened or (), "devices")
    cuts = [parts for one in job.open_conductor if (parts := cut_parts(one)) is not None]
    look("open_conductor", [circuit for circuit, _, _ in cuts if circuit], "circuits")
    look("open_conductor", [place for _, _, place in cuts if place], "spans")
    look("isolated_equipment", job.isolated_equipment, "equipment")
    problems += _no_such_breaker(job, territory)
    look("rod.measured_ohm", job.rod.measured_ohm, "poles")
    look("rod.place", job.rod.place, "poles")
    look("vehicle", vehicle_poles(job.vehicle), "poles")
    for key in ("speed_m_per_s", "road_type", "lanes_each_way"):
        roads = [one for one in getattr(job.traffic, key) if one != EVERY]
        look(f"traffic.{key.removesuffix('_m_per_s')}", roads, "surroundings")
    problems += _no_such_line(job, territory)
    if not problems:
        problems += _off_circuit(job, territory)
    return tuple(problems)


def _no_such_breaker(job: Job, territory: Territory) -> list[Problem]:
    """Reject a blocked reclosing of what is neither a device nor a circuit."""
    devices = territory.layer("devices")
    there = {*territory.circuits.ids, *(() if devices is None else devices.ids)}
    absent = tuple(one for one in job.reclosing_blocked or () if one not in there)
    if not absent:
        return []
    found = "neither a device nor a circuit of the territory"
    remedy = near_remedy(absent, there, "correct the id")
    return [Problem("reject", "job", absent, "reclosing_blocked", found, remedy)]


def _no_such_line(job: Job, territory: Territory) -> list[Problem]:
    """Reject an approach distance for what is neither a circuit nor another line."""
    lines = territory.layer("other_lines")
    there = {*territory.circuits.ids, *(() if lines is None else lines.ids)}
    absent = tuple(one for one in job.limits.approach_m if one not in there)
    if not absent:
        return []
    found = "neither a circuit nor another line of the territory"
    remedy = near_remedy(absent, there, "correct the id")
    return [Problem("reject", "job", absent, "limits.approach", found, remedy)]


def _off_circuit(job: Job, territory: Territory) -> list[Problem]:
    """Reject a worksite that no worked circuit reaches."""
    from gridground.territory.fixed import spans_by_pole  # noqa: PLC0415  start-up time

    spans, circuit = territory.spans, territory.spans["circuit_id"]
    if job.worksite_span is not None:
        own = circuit[spans.index()[job.worksite_span]] in job.circuit_ids
        off: tuple[str, ...] = () if own else (job.worksite_span,)
        field, found = "worksite_span", "belongs to none of the circuits worked on"
    else:
        ends, row = territory.once("spans by pole", spans_by_pole), territory.poles.index()
        there = {
            one: ends.order[ends.start[row[one]] : ends.start[row[one] + 1]] % len(spans)
            for one in job.worksite_poles
        }
        off = tuple(
            one for one, rows in there.items() if not {*circuit[rows].tolist()} & {*job.circuit_ids}
        )
        field, found = "worksite_poles", "no span of the circuits worked on ends there"
    if not off:
        return []
    return [Problem("reject", "job", off, field, found, "correct the worksite or circuit_ids")]
