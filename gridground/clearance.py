"""What the dispatcher needs of a plan: limits, devices in order, what is parted off, and who else.

Everything is read off the data. A plan asks for a clearance and never issues one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.crews import crew_rows
from gridground.grounding.bonded import bonded_ends
from gridground.parted import Part
from gridground.record import OpenItem

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gridground.crews import Crew
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.scene import Scene

DECIDES = "Listed from the data. The dispatcher and the person in charge decide."
PRACTICE = "common practice, no source"
TERMS = "ClearanceTag of the Common Information Model, IEC 61970 and IEC 61968"
ORDER = (
    "The job's own order for the devices it states; then the nearest that it does not state: "
    "closed breakers and reclosers before switches, cutouts and fuses, devices recorded open last."
)
# What is done about equipment on the part, by kind; sources of energy first.
# Kinds that feed nothing.
IDLE = ("arrester", "guy")
DONE = {
    "generator": "Open it visibly and tag it.",
    "transformer": "Open its cutouts, or isolate its secondary: all phases of the bank.",
    "service": "Isolate it: generation or a second feed behind it can feed back.",
    "riser": "Far end of the cable: opened, tested, grounded.",
    "capacitor": "Open it, wait five minutes, then short and ground it.",
    "regulator": "Its control off; neutral position or bypassed, as the employer's rules say.",
    "arrester": "Nothing.",
    "guy": "Nothing.",
}
LOOK = "Not known what it is: look."


def clearance_block(scene: Scene, outcome: Outcome, crews: Sequence[Crew] = ()) -> dict[str, Any]:
    """Return ``clearance``: what the dispatcher needs, as plain JSON.

    Parameters
    ----------
    scene : Scene
        Territory, job and worksite.
    outcome : Outcome
        The method chosen: its grounds are what no source may reach.
    crews : sequence of Crew
        What the plans of other jobs say, as `gridground.crews.read_crews` returns.

    Returns
    -------
    dict
        ``holder authority number work_start work_end limits open order unparted off equipment done
        ways grounds reclosing_blocked tag decides others``; `done` says by kind what is done about
        the equipment. Where the openings that the job states
        do not part the grounds from every source, `limits`, `off` and `equipment` are those that
        hold once the devices in ``off.once_open`` are open too.
    """
    job = scene.job
    part = Part.of(scene, bonded_ends(scene.zone, outcome.placement))
    asked, equipment = job.clearance, equipment_rows(part)
    block: dict[str, Any] = {
        "holder": asked.holder,
        "authority": asked.authority,
        "number": asked.number,
        "work_start": asked.work_start,
        "work_end": asked.work_end,
        "limits": part.limits,
        "open": part.open_rows(),
        "order": {"text": ORDER + part.order_remark(), "source": PRACTICE},
        "unparted": [name for name in part.unparted if name in part.still_fed],
        "off": part.off(),
        "equipment": equipment,
        "done": {
            kind: {"text": DONE.get(kind, LOOK), "source": PRACTICE}
            for kind in dict.fromkeys(row["kind"] for row in equipment)
        },
        "ways": [
            {
                "pole_id": way.pole_id,
                "span_id": way.span_id,
                "towards": way.towards,
                "sources": list(way.sources),
                "bracket_pole_id": way.bracket_pole_id,
            }
            for way in outcome.placement.directions
        ],
        "grounds": _grounds(outcome),
        "reclosing_blocked": None if job.reclosing_blocked is None else list(job.reclosing_blocked),
        "tag": _tag(job),
        "decides": DECIDES,
    }
    return block | {"others": crew_rows(job, block, crews)}


def day_items(job: Job) -> list[OpenItem]:
    """Ask about a day of work on which the clearance asked for does not hold.

    Parameters
    ----------
    job : Job
        With `work_date` and the times of its clearance, where it states them.

    Returns
    -------
    list of OpenItem
        One where the day lies before the clearance begins or after it ends, each as its own clock
        has it; none where either is not stated.
    """
    day, start, end = job.work_date, job.clearance.work_start, job.clearance.work_end
    early = day is not None and start is not None and day < start[:10]
    late = day is not None and end is not None and day > end[:10]
    if not early and not late:
        return []
    held = " ".join(
        f"{word} {moment}" for word, moment in (("from", start), ("to", end)) if moment is not None
    )
    return [
        OpenItem(
            "work_day_outside_clearance",
            (job.job_id,),
            f"the work is planned for {day}; the clearance is asked for {held}",
            "on that day nothing says that the line is switched out for this job",
            "the clearance holder with the dispatcher",
            "correct work_date, or work_start and work_end of the clearance",
        )
    ]


def before_texts(block: Mapping[str, Any]) -> list[str]:
    """Return what is done about equipment on the part before anybody tests; steps to prepare.

    Parameters
    ----------
    block : mapping
        As `clearance_block` returns.
    """
    count: dict[str, int] = {}
    for row in block["equipment"]:
        if not row["isolated"] and row["kind"] not in IDLE:
            count[row["kind"]] = count.get(row["kind"], 0) + 1
    if not count:
        return []
    named = ", ".join(f"{n} {kind}{'' if n == 1 else 's'}" for kind, n in count.items())
    return [
        f"On the part that is parted off, not stated as isolated: {named}. Make sure of each as "
        "listed under Clearance, or that it cannot feed back, before anybody tests."
    ]


def equipment_rows(part: Part) -> list[dict[str, Any]]:
    """Return every piece of equipment on the part.

    Parameters
    ----------
    part : Part
        The part with the grounds.

    Returns
    -------
    list of dict
        By kind in the order of `DONE`, then by pole and id. `isolated` says whether the job states
        it in ``isolated_equipment``.
    """
    equipment = part.scene.territory.layer("equipment")
    if equipment is None:
        return []
    stated, order = set(part.scene.job.isolated_equipment), list(DONE)
    rows = [
        {
            "equipment_id": str(equipment.ids[at]),
            "kind": str(equipment["kind"][at]),
            "pole_id": str(equipment["pole_id"][at]),
            "phases": equipment["phases"][at],
            "isolated": str(equipment.ids[at]) in stated,
        }
        for at in part.equipment_rows()
    ]
    rank = {kind: place for place, kind in enumerate(order)}
    return sorted(
        rows,
        key=lambda row: (rank.get(row["kind"], len(order)), row["pole_id"], row["equipment_id"]),
    )


def _tag(job: Job) -> dict[str, Any]:
    """Return what is asked for in the terms of a ClearanceTag; a plan never issues one."""
    return {
        "terms": TERMS,
        "workDescription": job.title,
        "workStartTime": job.clearance.work_start,
        "workEndTime": job.clearance.work_end,
        "authorityName": job.clearance.authority,
        "deenergizeReqFlag": True,
        "groundReqFlag": True,
        "phaseCheckReqFlag": True,
        "tagIssueTime": None,
    }


def _grounds(outcome: Outcome) -> list[dict[str, Any]]:
    """Count leads and rods of each location: what is reported as put on and as taken off."""
    rows = []
    for spot in outcome.placement.spots:
        place = (spot.top.pole_id, spot.top.span_id)
        here = [row for row in outcome.rows if (row.edge.pole_id, row.edge.span_id) == place]
        rows.append(
            {
                "pole_id": spot.top.pole_id,
                "span_id": spot.top.span_id,
                "role": spot.role,
                "leads": sum(row.parallel for row in here),
                "rods": int(spot.rod is not None),
                "electrode": spot.electrode,
            }
        )
    return rows
