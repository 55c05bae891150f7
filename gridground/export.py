"""Writing: a plan's file, map, tables and files for other programs, each whole or not at all."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.gis.about import about, legal
from gridground.record import FORMAT, Plan, is_ready, plan_hash
from gridground.territory.text import plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# A spreadsheet takes a cell that begins so for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
# What shows as nothing in front of a cell; some readers leave it out.
_FRONT = re.compile(r"[\s\u00ad\u180e\u200b-\u200f\u2060-\u2064\ufeff]+")
# Behind the columns of every table: which plan a row is of, and how ready that is.
ABOUT = ("job_id", "revision", "plan_hash", "readiness", "note")
CLEARANCE_FORMAT = "gridground-clearance/1"
OTHER_BYTES = 64_000_000
# An earlier revision kept beside the plan that took its place.
_EARLIER = re.compile(r"\.rev\d+(-[0-9a-f]{8})?\.plan\.json$")
PLAN_ENDS = (
    *("plan.json", "html", "geojson", "gpkg", "gpx", "kml", "steps.csv"),
    *("locations.csv", "leads.csv", "materials.csv", "cones.csv", "open_items.csv"),
    *("clearance.json", "clearance.csv"),
)
ROD = ("lon", "lat", "bearing_deg", "distance_m", "resistance_ohm")
ZONE = ("radius_m", "perimeter_m", "cones")
TABLES = {
    "leads": (
        "lead_id", "pole_id", "span_id", "from", "to", "role", "parallel", "size", "length_m",
        "clamp_from", "clamp_to", "current_a", "time_s", "rating_a", "margin_ratio",
        "needed_m", "excess_m", "kit_lead_ids", "remark",
    ),
    "materials": (
        *("item", "size", "length_m", "count", "from_kit", "short"),
        *("substitutes", "out_of_test"),
    ),
    "cones": (
        "number", "zone_id", "part", "pole_id", "bearing_deg", "distance_m", "lon", "lat",
    ),
    "open_items": ("code", "where", "what", "why", "who", "settles"),
}  # fmt: skip


def cell(value: object) -> object:
    r"""Return a cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> cell("=1+1"), cell(3.5), cell(["P1", "P2"]), cell("\u200b@A1") == "'\u200b@A1"
    ("'=1+1", 3.5, 'P1; P2', True)
    """
    if isinstance(value, list | tuple):
        value = "; ".join(str(part) for part in value)
    if not isinstance(value, str):
        return value
    # A lone carriage return would end the row for some readers.
    value = legal(value).replace("\r\n", "\n").replace("\r", "\n")
    front = _FRONT.match(value)
    begins = value[front.end() :] if front else value
    return "'" + value if begins.startswith(_FORMULA) or value[:1] in {"\t", "\n"} else value


def csv_bytes(columns: Sequence[str], rows: Iterable[dict[str, Any]]) -> bytes:
    """Return a table as CSV, UTF-8, with escaped cells."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(row.get(column)) for column in columns] for row in rows)
    return text.getvalue().encode("utf-8")


def plan_table(plan: Plan, columns: Sequence[str], rows: Iterable[dict[str, Any]]) -> bytes:
    """Return a table of a plan as CSV; every row says which plan it is of, and how ready."""
    said = {key: value for key, value in about(plan.document).items() if key in ABOUT}
    return csv_bytes((*columns, *said), (row | said for row in rows))


def steps_csv(plan: Plan) -> bytes:
    """Return every step in order as CSV."""
    rows = [
        {"part": part} | step
        for part in ("prepare", "apply", "work", "remove", "release")
        for step in plan["steps"][part]
    ]
    columns = ("part", "step_id", "pole_id", "lead_id", "text", "remarks", "tool", "ends")
    return plan_table(plan, columns, rows)


def locations_csv(plan: Plan) -> bytes:
    """Return every location with its rod and its zone as CSV, one row each."""
    rows = []
    for row in plan["locations"]:
        rod, zone = row["rod"] or {}, row["zone"] or {}
        parts = {f"rod_{key}": rod.get(key) for key in ROD}
        rows.append(row | parts | {f"zone_{key}": zone.get(key) for key in ZONE})
    columns = ("location_id", "pole_id", "span_id", "role", "title", "circuit_ids", "lon", "lat")
    more = (*(f"rod_{key}" for key in ROD), *(f"zone_{key}" for key in ZONE))
    return plan_table(plan, (*columns, "electrode", *more), rows)


def clearance_json(plan: Plan) -> bytes:
    """Return the clearance that a plan asks for, in the terms of a ClearanceTag, as JSON."""
    block = dict(plan["clearance"])
    named = {key: plan[key] for key in ("job_id", "title", "made_at", "plan_hash")}
    said = about(plan.document)
    named |= {key: said[key] for key in ("revision", "readiness", "note") if key in said}
    document = {"format": CLEARANCE_FORMAT, **named, "ClearanceTag": block.pop("tag"), **block}
    return (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def clearance_csv(plan: Plan) -> bytes:
    """Return the devices to open, to look at and to tag in order as CSV, one row per step."""
    block = plan["clearance"]
    steps = [row | step for row in block["open"] for step in row["steps"]]
    rows = [
        row | {"step": number, "tag_number": "", "time": "", "by": "", "decides": block["decides"]}
        for number, row in enumerate(steps, 1)
    ]
    columns = ("step", "do", "device_id", "kind", "pole_id", "span_id", "phases", "recorded")
    more = ("stated", "bounds", "text", "tag_number", "time", "by", "decides")
    return plan_table(plan, (*columns, *more), rows)


def plan_files(plan: Plan, page: str) -> dict[str, bytes]:
    """Return every file of a plan by name: plan, page, files for other programs and tables."""
    # Here, for the start of a command that writes none of them.
    from gridground.gis.geojson import geojson_bytes  # noqa: PLC0415
    from gridground.gis.geopackage import geopackage_bytes  # noqa: PLC0415
    from gridground.gis.gpx import gpx_bytes  # noqa: PLC0415
    from gridground.gis.kml import kml_bytes  # noqa: PLC0415

    job_id = plan["job_id"]
    files = {
        f"{job_id}.html": page.encode("utf-8"),
        f"{job_id}.geojson": geojson_bytes(plan),
        f"{job_id}.gpkg": geopackage_bytes(plan),
        f"{job_id}.gpx": gpx_bytes(plan),
        f"{job_id}.kml": kml_bytes(plan),
        f"{job_id}.locations.csv": locations_csv(plan),
        f"{job_id}.steps.csv": steps_csv(plan),
        f"{job_id}.clearance.json": clearance_json(plan),
        f"{job_id}.clearance.csv": clearance_csv(plan),
    }
    for name, columns in TABLES.items():
        files[f"{job_id}.{name}.csv"] = plan_table(plan, columns, plan[name])
    files[f"{job_id}.plan.json"] = plan.to_bytes()
    return files


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Read a saved plan and refuse one that was altered.

    Raises
    ------
    InputError
        Where the file is missing, is no plan, or does not match its own hash.
    """
    file = Path(path)
    try:
        document = json.loads(file.read_text(encoding="utf-8"), parse_constant=_refuse_constant)
    except OSError as error:
        raise _rejected(file, f"cannot be read ({error.strerror})", "Name a saved plan.") from error
    except (ValueError, RecursionError) as error:
        raise _rejected(file, "is not JSON", "Name a saved plan, <job_id>.plan.json.") from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise _rejected(file, f"is not a plan of format {FORMAT}", "Make the plan again.")
    try:
        whole = plan_hash(document) == document.get("plan_hash")
        whole = whole and document.get("ready") is is_ready(document)
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise _rejected(file, "lacks parts of a plan", "Make the plan again.") from error
    if not whole:
        raise _rejected(file, "was altered after it was made", "Make the plan again.")
    return Plan(document)


def read_others(
    folders: Sequence[Path], *, job_id: str
) -> tuple[tuple[Plan, ...], tuple[Problem, ...]]:
    """Read the plans of other jobs in some folders.

    Parameters
    ----------
    folders : sequence of Path
        Those that do not exist hold none. The first is the one the job is planned into.
    job_id : str
        The job planned now: its own plan in the first folder is left out, it is written anew; as
        are earlier revisions of any job.

    Returns
    -------
    plans : tuple of Plan
        Whole and unaltered ones.
    problems : tuple of Problem
        Files that are none; `layer` is the file's name.
    """
    plans: list[Plan] = []
    problems: list[Problem] = []
    found = {file.resolve(): file for folder in folders for file in folder.glob("*.plan.json")}
    own = (folders[0] / f"{job_id}.plan.json").resolve() if folders else None
    for place, file in sorted(found.items(), key=lambda one: (one[1].name, str(one[1]))):
        if place == own or _EARLIER.search(file.name):
            continue
        try:
            plans.append(_other(file))
        except InputError as error:
            problems += error.problems
    return tuple(plans), tuple(problems)


def usual_file(file: Path) -> bool:
    """Say whether something is a usual file of a plan's size, not a pipe that is waited for."""
    try:
        return file.is_file() and file.stat().st_size <= OTHER_BYTES
    except OSError:
        return False


def _other(file: Path) -> Plan:
    """Read the plan of another job; only a usual file of a plan's size is opened at all."""
    if not usual_file(file):
        raise _rejected(file, "is not the file of a plan", "Make that job's plan again.")
    return read_plan(file)


def _refuse_constant(word: str) -> float:
    """Refuse NaN and Infinity."""
    raise ValueError(f"{word} is not JSON")


def _rejected(file: Path, found: str, remedy: str) -> InputError:
    """Return the rejection of a file."""
    return InputError([Problem("reject", plain(file.name), (), "", f"the file {found}", remedy)])


def write_files(
    folder: Path, files: dict[str, bytes], *, force: bool, instead_of: Sequence[str] = ()
) -> None:
    """Write files whole: all are prepared beside their place before the first is put there.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    files : dict of bytes
        By name; the last one is put there last.
    force : bool
        Whether existing files may be written over.
    instead_of : sequence of str
        Names that must not stand beside these files: an old plan beside a refusal, say. They
        count as existing and go when `force` is true.

    Raises
    ------
    InputError
        Where a file exists and `force` is false, or the folder cannot be written.
    """
    there = [name for name in (*files, *instead_of) if (folder / name).exists()]
    if there and not force:
        problem = Problem(
            "reject",
            str(folder),
            (),
            ", ".join(there),
            "exists already",
            "Use --force to write over it, or name another folder.",
        )
        raise InputError([problem])
    prepared: list[tuple[str, Path]] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            prepared.append((_prepare(folder, name, content), folder / name))
        for temporary, place in prepared:
            Path(temporary).replace(place)
        for name in instead_of:
            (folder / name).unlink(missing_ok=True)
        _sync_folder(folder)
    except OSError as error:
        for temporary, _ in prepared:
            Path(temporary).unlink(missing_ok=True)
        problem = Problem(
            "reject",
            str(folder),
            (),
            "",
            f"cannot be written ({error.strerror or error})",
            "Check the path, its permissions and the free space. Files not put in place yet "
            "stay as they were; the plan is put in place last.",
        )
        raise InputError([problem]) from error


def _prepare(folder: Path, name: str, content: bytes) -> str:
    """Write a temporary file in the folder and see it on the disk."""
    handle, temporary = tempfile.mkstemp(prefix=f".{name}.", dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(0o644)
    except OSError:
        Path(temporary).unlink(missing_ok=True)
        raise
    return temporary


def _sync_folder(folder: Path) -> None:
    """See the folder's entries on the disk, where the system lets folders be opened."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
