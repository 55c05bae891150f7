"""Other crews: what the plans of other jobs hold open or ground, and what this job shares with it.

Another plan is text that came from outside: whatever stands in it is looked at before it is used.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground.errors import Problem
from gridground.record import OpenItem, plan_hash
from gridground.territory.text import TEXT_CHARACTERS, plain, text_fault

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from gridground.job import Job
    from gridground.record import Plan

_JOB_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_ALTERED = "was altered after it was made, or is no whole plan"
MOST_NAMED = 8
NOT_STATED = "holder not stated"


@dataclass(frozen=True)
class Extent:
    """What a job holds.

    Attributes
    ----------
    circuits : frozenset of str
        Circuits worked on.
    devices : frozenset of str
        Devices that it needs open.
    poles : frozenset of str
        Worksite, poles with grounds, and poles parted off.
    bounds : frozenset of str or None
        Devices that bound its part; None where that is not known, or a source still feeds it.
    """

    circuits: frozenset[str]
    devices: frozenset[str]
    poles: frozenset[str]
    bounds: frozenset[str] | None


@dataclass(frozen=True)
class Crew:
    """Another job, as its plan says."""

    job_id: str
    title: str
    holder: str | None
    work_start: str | None
    work_end: str | None
    made_at: str
    plan_hash: str
    extent: Extent
    worksite: str = ""  # in words
    same_id: bool = False  # another job that has the id of the job planned

    @property
    def input(self) -> dict[str, Any]:
        """The row of `inputs`."""
        rows, layer = 1, f"plan:{self.job_id}"
        return {"layer": layer, "sha256": self.plan_hash, "rows": rows, "date": self.made_at}


def read_crews(
    plans: Sequence[Plan], *, job_id: str, job: Job | None = None
) -> tuple[list[Crew], list[Problem]]:
    """Read the plans of other jobs.

    Parameters
    ----------
    plans : sequence of Plan
        As saved or made; those of the job itself are left out.
    job_id : str
        The job planned now.
    job : Job, optional
        The same: a plan under its id with another worksite or other circuits is another job's.
        Without it every plan under that id is taken as the job's own.

    Returns
    -------
    list of Crew
        By job id and hash, each plan once.
    list of Problem
        Plans that do not match their own hash or are no plans.
    """
    crews: dict[tuple[str, str], Crew] = {}
    problems = []
    for number, plan in enumerate(plans, 1):
        document = plan.document if isinstance(plan.document, dict) else {}
        same_id = document.get("job_id") == job_id
        if same_id and (job is None or _place(document) == _place_of(job)):
            continue
        crew = _crew(document)
        if crew is None:
            stated = document.get("job_id")
            name = plain(stated) if isinstance(stated, str) and stated else f"plan {number}"
            remedy = "Make that job's plan again."
            problems.append(Problem("open item", name, (), "", f"the plan {_ALTERED}", remedy))
        else:
            crews[crew.job_id, crew.plan_hash] = replace(crew, same_id=same_id)
    return [crews[key] for key in sorted(crews)], problems


def _place_of(job: Job) -> tuple[frozenset[str], ...]:
    """Return what makes a job itself: its circuits and its worksite."""
    span = job.worksite_span
    circuits, poles = frozenset(job.circuit_ids), frozenset(job.worksite_poles)
    return circuits, poles, frozenset(() if span is None else (span,))


def _place(document: dict[str, Any]) -> tuple[frozenset[str], ...]:
    """Return the circuits and the worksite of a plan."""
    keys = ("circuit_ids", "worksite_poles", "worksite_span")
    return tuple(frozenset(_texts(document, "job", key)) for key in keys)


def _worksite(document: dict[str, Any]) -> str:
    """Say where a plan's job works."""
    circuits, poles, span = (sorted(names) for names in _place(document))
    where = f"pole{'s' if len(poles) > 1 else ''} {_named(poles)}" if poles else ""
    if span:
        where = f"span {_named(span)}"
    return f"{where or 'no worksite stated'} of {_named(circuits)}"


def _crew(document: dict[str, Any]) -> Crew | None:
    """Read one plan; None where it cannot be relied on."""
    try:
        whole = plan_hash(document) == document.get("plan_hash")
    except (TypeError, ValueError, RecursionError):
        return None
    job_id, title, made_at = (document.get(key) for key in ("job_id", "title", "made_at"))
    block = document.get("clearance")
    block = block if isinstance(block, dict) else {}
    extent = extent_of(document)
    holder, start, end = (block.get(key) for key in ("holder", "work_start", "work_end"))
    texts = [title, made_at, *(word for word in (holder, start, end) if word is not None)]
    if not whole or extent is None or not isinstance(job_id, str):
        return None
    if _JOB_ID.fullmatch(job_id) is None or not all(map(_is_text, texts)):
        return None
    made, hash_ = str(made_at), str(document["plan_hash"])
    worksite = plain(_worksite(document))
    return Crew(job_id, str(title), holder, start, end, made, hash_, extent, worksite)


def _is_text(value: object) -> bool:
    """Say whether a value is text that may be shown."""
    return isinstance(value, str) and len(value) <= TEXT_CHARACTERS and text_fault(value) is None


def extent_of(document: Mapping[str, Any]) -> Extent | None:
    """Return what a plan's job holds; None where the plan does not say.

    Parameters
    ----------
    document : mapping
        A plan, of this version or an earlier one; ``clearance`` may be absent.
    """
    job, block = document.get("job"), document.get("clearance")
    circuits = frozenset(_texts(document, "job", "circuit_ids"))
    grounds = frozenset(_texts(document, "locations", "pole_id"))
    if not isinstance(job, dict) or not circuits or not isinstance(document.get("locations"), list):
        return None
    bounds = frozenset(_texts(document, "clearance", "limits", "device_ids"))
    opened = frozenset(_texts(document, "clearance", "open", "device_id"))
    off = frozenset(_texts(document, "clearance", "off", "pole_ids"))
    worksite = frozenset(_texts(document, "job", "worksite_poles"))
    stated = frozenset(_texts(document, "job", "sources_opened"))
    return Extent(
        circuits,
        opened | stated | bounds,
        grounds | worksite | off,
        bounds if isinstance(block, dict) and off and bounds else None,
    )


def _texts(value: object, *path: str) -> Iterator[str]:
    """Yield the texts at a path of keys, through lists; whatever else stands there is passed by."""
    for item in value if isinstance(value, list) else [value]:
        if path and isinstance(item, dict):
            yield from _texts(item.get(path[0]), *path[1:])
        elif not path and isinstance(item, str):
            yield item


def crew_rows(job: Job, block: dict[str, Any], crews: Sequence[Crew]) -> list[dict[str, Any]]:
    """Return ``clearance.others``: a row for every other job that shares something with this one.

    Parameters
    ----------
    job : Job
        The job planned.
    block : dict
        Its ``clearance``, without `others`.
    crews : sequence of Crew
        The other jobs.

    Returns
    -------
    list of dict
        `apart` says why the two jobs do not touch: ``"same holder"``; ``"other open points"``
        where nothing but the circuit is shared and other devices bound each part; or that it is
        not known whether they do: ``"holder not stated"``. None: two holders, and they do.
        `same_id` stands only in the row of another job under this job's id: its worksite.
    """
    ours = extent_of(
        {
            "job": {
                "circuit_ids": list(job.circuit_ids),
                "worksite_poles": list(job.worksite_poles),
                "sources_opened": list(job.sources_opened or ()),
            },
            "locations": block["grounds"],
            "clearance": block,
        }
    )
    rows = []
    for crew in crews:
        theirs = crew.extent
        if ours is None:
            continue
        shared = {
            "shared_devices": sorted(ours.devices & theirs.devices),
            "shared_poles": sorted(ours.poles & theirs.poles),
            "shared_circuits": sorted(ours.circuits & theirs.circuits),
        }
        if any(shared.values()) or crew.same_id:
            rows.append(
                {
                    "job_id": crew.job_id,
                    "title": crew.title,
                    "holder": crew.holder,
                    "work_start": crew.work_start,
                    "work_end": crew.work_end,
                    "made_at": crew.made_at,
                    "apart": None if crew.same_id else _apart(job, crew, ours, shared),
                    **shared,
                    **({"same_id": crew.worksite} if crew.same_id else {}),
                }
            )
    return rows


def _apart(job: Job, crew: Crew, ours: Extent, shared: Mapping[str, list[str]]) -> str | None:
    """Say why two jobs that share something do not touch; None where they do."""
    if crew.holder is not None and crew.holder == job.clearance.holder:
        return "same holder"
    touching = shared["shared_devices"] or shared["shared_poles"]
    known = ours.bounds is not None and crew.extent.bounds is not None
    if known and not touching:
        return "other open points"
    return NOT_STATED if crew.holder is None or job.clearance.holder is None else None


def crew_items(rows: Sequence[Mapping[str, Any]], unread: Sequence[Problem]) -> list[OpenItem]:
    """Ask about every other job that touches this one, and every plan that could not be read.

    Parameters
    ----------
    rows : sequence of mapping
        ``clearance.others``.
    unread : sequence of Problem
        Plans that could not be read; `layer` names the file.
    """
    items = [
        OpenItem(
            "other_plan_unreadable",
            (plain(problem.layer),),
            f"{plain(problem.layer)}: {problem.found}",
            "whether another crew needs the same devices open, or works on the same part, is not "
            "known",
            "the planner of that job",
            f"{problem.remedy} Then make this one again",
        )
        for problem in unread
    ]
    return items + [
        _same_id(row) if "same_id" in row else _item(row) for row in rows if row["apart"] is None
    ]


def crew_cautions(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return a caution for every other job that touches this one and of which no holder is known.

    Parameters
    ----------
    rows : sequence of mapping
        ``clearance.others``.
    """
    return [
        {
            "text": f"Job {row['job_id']} ({row['title']}) shares {_shared(row)} with this one, "
            "and who holds the two clearances is not stated for both: agree with that crew and the "
            "dispatcher before a device is closed or a ground comes off.",
            "source": "the plan of that job",
        }
        for row in rows
        if row["apart"] == NOT_STATED
    ]


def _shared(row: Mapping[str, Any]) -> str:
    """Say what another job shares with this one."""
    parts = [
        f"{word}{'' if len(names) == 1 else 's'} {_named(names)}"
        for word in ("device", "pole", "circuit")
        if (names := row[f"shared_{word}s"])
    ]
    return "; ".join(parts)


def _same_id(row: Mapping[str, Any]) -> OpenItem:
    """Name another job that has the id of this one."""
    shared = _shared(row)
    return OpenItem(
        "same_job_id",
        (row["job_id"], *row["shared_devices"], *row["shared_circuits"]),
        f"another plan has the id {row['job_id']} too: {row['title']}, {row['same_id']}, made "
        f"{row['made_at']}; "
        + (
            f"it shares {shared} with this one"
            if shared
            else "it shares no device, pole or circuit with this one"
        ),
        "two jobs under one id: counts, records and releases of one can be taken for the other's",
        "the planner",
        "give one of the two jobs another job_id and plan it again; where that plan is an old one "
        "of this job, take it out of the folder",
    )


def _item(row: Mapping[str, Any]) -> OpenItem:
    """Ask about one other job."""
    named = (*row["shared_devices"], *row["shared_circuits"], *row["shared_poles"][:MOST_NAMED])
    return OpenItem(
        "another_clearance",
        (row["job_id"], *named),
        f"job {row['job_id']} ({row['title']}; holder {row['holder']}) shares {_shared(row)} with "
        "this one",
        "a device closed or a ground taken off for one crew is what keeps energy from the other",
        "the dispatcher with both holders",
        "name one holder of both in [clearance], part the two jobs by devices of their own, or, "
        "once the other is released, take its plan out of the folder; then make both plans again",
    )


def _named(names: Sequence[str]) -> str:
    """Return some names in a row, the first few of many."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def held_texts(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say what stays open after this job because another needs it: a step each, before the release.

    Parameters
    ----------
    rows : sequence of mapping
        ``clearance.others``.
    """
    return [
        "The holder tells the dispatcher, who reads it back: not to be closed until "
        f"{'the other job' if 'same_id' in row else 'job'} {row['job_id']}"
        + (f" (holder {row['holder']})" if row["holder"] is not None else "")
        + f" is released too: {', '.join(row['shared_devices'])}. That job needs "
        + ("it" if len(row["shared_devices"]) == 1 else "them")
        + " open."
        for row in rows
        if row["shared_devices"]
    ]
