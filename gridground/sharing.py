"""Plans of other jobs that share something with a new one: whether they know, and how they learn.

A plan made first knows nothing of a job planned after it. The new plan names what both share; the
earlier one says nothing until it is made again, and only its own planner does that.
"""

from __future__ import annotations

import json
import shlex
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gridground.crews import NOT_STATED
from gridground.export import usual_file

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SHARED = ("shared_devices", "shared_poles", "shared_circuits")
JOB_BYTES = 4_000_000
_APART = {
    "same holder": "One holder of both: what both need open stays open until both are released.",
    "other open points": "Devices of their own part the two jobs.",
    NOT_STATED: "Who holds the two clearances is not stated for both: agree with that crew and "
    "the dispatcher before a device is closed or a ground comes off.",
    None: "Nothing keeps the two apart: see the open item.",
}


@dataclass(frozen=True)
class Call:
    """What the call that made the new plan names: paths as given.

    Attributes
    ----------
    territory, job, output : str
        Paths.
    beside : tuple of str
        Further folders with plans.
    paper : tuple of str
        Options about PDFs, as given.
    """

    territory: str
    job: str
    output: str
    beside: tuple[str, ...]
    paper: tuple[str, ...]

    @property
    def folders(self) -> tuple[str, ...]:
        """Every folder whose plans were looked at."""
        return tuple(dict.fromkeys((self.output, *self.beside)))


@dataclass(frozen=True)
class Share:
    """Another job that shares something with the one planned.

    Attributes
    ----------
    row : mapping
        Of ``clearance.others``.
    knows : bool
        Whether its plan names this job with the same shared devices, poles and circuits.
    command : tuple of str or None
        What plans it again; None where it knows already.
    found_job : bool
        Whether the file of that job was found; else the command names a placeholder.
    """

    row: Mapping[str, Any]
    knows: bool
    command: tuple[str, ...] | None
    found_job: bool

    def data(self) -> dict[str, Any]:
        """Return the share as plain data."""
        keys = ("job_id", "title", "holder", "apart", *SHARED)
        return {key: self.row[key] for key in keys} | {
            "knows": self.knows,
            "command": None if self.command is None else shlex.join(self.command),
        }

    def text(self) -> str:
        """Say what is shared and what keeps the two apart."""
        row = self.row
        parts = []
        for word, key in zip(("device", "circuit"), (SHARED[0], SHARED[2]), strict=True):
            if row[key]:
                parts.append(f"{word}{'s' if len(row[key]) > 1 else ''} {', '.join(row[key])}")
        if poles := row["shared_poles"]:
            parts.append(f"{len(poles)} poles" if len(poles) > 3 else f"poles {', '.join(poles)}")
        if "same_id" in row:
            return f"another job under this id, {row['same_id']}: see the open item"
        return f"{row['job_id']} ({row['title']}): {'; '.join(parts)}. {_APART[row['apart']]}"

    def told(self) -> str:
        """Say whether its plan knows of this job."""
        if "same_id" in self.row:
            return ""
        if self.knows:
            return "Its plan knows of this job."
        where = "" if self.found_job else " (its job file was not found beside this one)"
        made = self.row["made_at"]
        return f"Its plan, made {made}, does not know of this job. Plan it again{where}:"


def find_shares(document: Mapping[str, Any], call: Call) -> list[Share]:
    """Return the jobs that share something with a plan just made.

    Parameters
    ----------
    document : mapping
        The plan.
    call : Call
        Paths and options of the call that made it.
    """
    rows = document["clearance"]["others"]
    found = _plans(call.folders) if rows else {}
    shares = []
    for row in rows:
        sha = _hash_of(document, row)
        folder, other = found.get(sha, (call.output, {}))
        knows = _knows(other, document, row)
        if knows or "same_id" in row:
            shares.append(Share(row, knows, None, found_job=True))
            continue
        job = _job_file(other, call)
        shares.append(Share(row, knows, _command((folder, other, job), row, call), job is not None))
    return shares


def _hash_of(document: Mapping[str, Any], row: Mapping[str, Any]) -> str:
    """Return the hash by which another plan is an input."""
    layer = f"plan:{row['job_id']}"
    same = (
        one["sha256"]
        for one in document["inputs"]
        if one["layer"] == layer and one["date"] == row["made_at"]
    )
    return str(next(same, ""))


def _plans(folders: Sequence[str]) -> dict[str, tuple[str, dict[str, Any]]]:
    """Return folder and document of every plan file by hash; they were verified when read."""
    found: dict[str, tuple[str, dict[str, Any]]] = {}
    for folder in folders:
        for file in filter(usual_file, sorted(Path(folder).glob("*.plan.json"))):
            try:
                document = json.loads(file.read_bytes())
            except (OSError, ValueError, RecursionError):
                continue
            if isinstance(document, dict) and isinstance(document.get("plan_hash"), str):
                found.setdefault(document["plan_hash"], (folder, document))
    return found


def _knows(other: Mapping[str, Any], document: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    """Say whether the other plan names this job, with all that is shared."""
    block = other.get("clearance")
    rows = block.get("others") if isinstance(block, dict) else None
    holder = document["clearance"]["holder"]
    return any(
        isinstance(one, dict)
        and one.get("job_id") == document["job_id"]
        and one.get("holder") == holder
        and all(one.get(key) == row[key] for key in SHARED)
        for one in (rows if isinstance(rows, list) else [])
    )


def _job_file(other: Mapping[str, Any], call: Call) -> str | None:
    """Return the file that the other plan was made of, where it stands beside this job's file."""
    inputs = other.get("inputs")
    wanted = {
        row.get("sha256")
        for row in (inputs if isinstance(inputs, list) else [])
        if isinstance(row, dict) and row.get("layer") == "job"
    }
    folder = Path(call.job).parent
    files = (file for end in ("toml", "json") for file in sorted(folder.glob(f"*.{end}")))
    for file in files:
        try:
            usual = file.is_file() and file.stat().st_size <= JOB_BYTES
            if usual and sha256(file.read_bytes()).hexdigest() in wanted:
                return str(file)
        except OSError:
            continue
    return None


def _command(
    other: tuple[str, Mapping[str, Any], str | None], row: Mapping[str, Any], call: Call
) -> tuple[str, ...]:
    """Return the words of the call that plans another job again."""
    folder, document, job = other
    file = job or f"JOB-FILE-OF-{row['job_id']}"
    words = ["gridground", "plan", call.territory, file, "-o", folder]
    for beside in call.folders:
        if Path(beside).resolve() != Path(folder).resolve():
            words += ["--beside", beside]
    revision = document.get("revision", 1)
    if isinstance(revision, int) and revision > 1:
        words += ["--previous", str(Path(folder) / f"{row['job_id']}.plan.json")]
    return (*words, *call.paper, "--force")
