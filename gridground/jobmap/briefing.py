"""The job briefing: the five subjects of 29 CFR 1910.269(c), filled in from the plan.

The rule names the subjects and gives no text for them. What stands here comes from the plan; the
person in charge strikes out, adds and decides.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from gridground.jobmap import words

RULE = "29 CFR 1910.269(c)"
HEAT_RULE = "29 CFR 1910.269(l)(8), from memory"
# What a person may have to put on; the plan knows none of it, so each gets a line to write on.
TO_WEAR = (
    "Head, eyes, face",
    "Hands: gloves and their class, sleeves",
    "Clothing against the heat of an arc",
    "Against a fall",
    "To be seen beside traffic",
)
FEW = 6
PARTS = ("prepare", "apply", "work", "remove", "release")
FAULT_KEYS = tuple(words.FAULT_KINDS)

Lines = Iterator[tuple[str, str]]


def briefing(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the five subjects of a job briefing with what the plan says of each.

    Parameters
    ----------
    document : dict
        A plan in the shape that `gridground.jobmap.shape.check_shape` accepts.

    Returns
    -------
    list of dict
        In the rule's order: ``title``, ``lines`` (each with ``text`` and ``source``, which may be
        empty where the line is the plan's own) and ``blanks``, names of lines left to write on.
    """
    subjects = (
        ("Hazards", _hazards(document), ()),
        ("Work procedures", _procedures(document), ()),
        ("Special precautions", _precautions(document), ()),
        ("Energy-source control", _control(document), ()),
        ("Personal protective equipment requirements", _equipment(document), TO_WEAR),
    )
    return [
        {
            "title": title,
            "lines": [{"text": text, "source": source} for text, source in lines],
            "blanks": list(blanks),
        }
        for title, lines, blanks in subjects
    ]


def order_of_poles(document: dict[str, Any]) -> list[tuple[str, int]]:
    """Return each place in the order in which it gets its first lead, with its count of leads."""
    order: dict[str, int] = {}
    for lead in _leads_in_order(document):
        place = _place(lead)
        order[place] = order.get(place, 0) + lead["parallel"]
    return list(order.items())


def _place(row: dict[str, Any]) -> str:
    """Return the pole of a row, or its span where it has none."""
    return str(row["pole_id"] or f"span {row.get('span_id') or words.NOT_STATED}")


def _leads_in_order(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the leads in the order of the steps; those without a step stand last."""
    steps = [step.get("lead_id") for step in document["steps"]["apply"]]
    place = {lead_id: number for number, lead_id in reversed(list(enumerate(steps)))}
    return sorted(document["leads"], key=lambda lead: place.get(lead["lead_id"], len(steps)))


def few(names: list[str], *, shown: int = FEW) -> str:
    """Return the first names and how many more there are."""
    more = len(names) - shown
    return ", ".join(names[:shown]) + (f" and {more} more" if more > 0 else "")


def _counted(count: int, word: str) -> str:
    """Return a count with its word."""
    return f"{count} {word}{'' if count == 1 else 's'}"


def _hazards(document: dict[str, Any]) -> Lines:
    """Yield what can hurt: sources, neighbours, voltages, what lies in the ground."""
    if document["open_items"]:
        yield f"{_counted(len(document['open_items']), 'open item')}: not settled, not known.", ""
    for row in document["circuits"]:
        kv = words.plain_text(row["nominal_kv"], "kV")
        text = f"Circuit {row['circuit_id']}, {kv}: energized until isolated, tagged, tested and "
        yield text + "grounded.", "29 CFR 1910.269(m) and (n)"
    for number, way in enumerate(document["directions"], 1):
        sources = few(way["sources"], shown=3) or "no source known"
        yield f"D{number}: energy can come in at {way['pole_id']} from {sources}.", ""
    yield from _neighbours(document)
    yield from _voltages(document)
    yield from _underground(document)


def _neighbours(document: dict[str, Any]) -> Lines:
    """Yield the circuits and lines beside the work that are not worked on."""
    worked = set(document["job"]["circuit_ids"])
    for row in document["approach"]:
        name = row.get("circuit_id") or row.get("line_id")
        if name and name not in worked:
            yield f"{name}, {words.plain_text(row['nominal_kv'], 'kV')}, is within reach.", ""
    for row in document.get("induction") or []:
        name = row.get("line_id") or row.get("circuit_id")
        steady, fault = row["emf_steady_v"], row["emf_fault_v"]
        if name and (steady or fault):
            yield (
                f"{name} induces across a lifted ground: {words.needed_text(steady, 'V')} steady"
                f"{' per 100 A' if row.get('per_100_a') else ''}, "
                f"{words.needed_text(fault, 'V')} in a fault on it.",
                "estimate",
            )


def _voltages(document: dict[str, Any]) -> Lines:
    """Yield the voltages on the worker and round the rods, as estimates."""
    worker = document["worker"]
    if worker.get("without_personal_v") is not None:
        volts = words.needed_text(worker["without_personal_v"], "V")
        yield f"Without the leads at the worksite: up to {volts} on the worker.", "estimate"
    for row in document["rod_zone"]:
        yield (
            f"{row['pole_id']}: the rod may rise to {words.needed_text(row['rod_rise_v'], 'V')}; a "
            f"hand on rod or lead sees up to {words.needed_text(row['touch_v'], 'V')}, a step at "
            f"the cones {words.needed_text(row['step_v_at_zone'], 'V')}.",
            "estimate",
        )


def _underground(document: dict[str, Any]) -> Lines:
    """Yield what lies buried nearest to each rod."""
    for location in document["locations"]:
        for near in (location["rod"] or {}).get("nearest", []):
            if near["kind"].startswith("buried_"):
                kind, place = words.kind_text(near["kind"]), _place(location)
                metres = words.length_text(near["distance_m"])
                yield (
                    f"{kind.capitalize()} {near['feature_id']}: {metres} off the rod, {place}.",
                    "",
                )


def _procedures(document: dict[str, Any]) -> Lines:
    """Yield how the job is done: method, order, counts."""
    job, steps, totals = document["job"], document["steps"], document["totals"]
    site = job["worksite_span"] and f"span {job['worksite_span']}"
    site = site or ", ".join(job["worksite_poles"]) or words.NOT_STATED
    yield f"Worksite {site}, worked from: {job['work_position']}.", ""
    yield f"Method: {document['method']}. {document['method_reason']}", ""
    if job["open_conductor"]:
        yield f"Cut or opened: {', '.join(job['open_conductor'])}.", ""
    yield "Read the number on each pole aloud.", "common practice, no source"
    yield "Test every phase for no voltage before the first lead.", "29 CFR 1910.269(n)(5)"
    order = [f"{place} ({count})" for place, count in order_of_poles(document)]
    yield f"Leads on in this order: {', '.join(order) or 'none'}. Off: exactly backwards.", ""
    yield (
        "Ground end on first, line end last with a live-line tool; line end off first.",
        "29 CFR 1910.269(n)(6)",
    )
    parts = ", ".join(f"{len(steps[part])} {part}" for part in PARTS)
    yield f"Steps on the crew sheet: {parts}.", ""
    count = _counted(totals["leads"], "lead")
    yield f"Counted on and counted off: {count}, {_counted(totals['rods'], 'rod')}.", ""


def _precautions(document: dict[str, Any]) -> Lines:
    """Yield what is watched: zones, traffic, stops, cautions."""
    for location in document["locations"]:
        zone, place = location["zone"], _place(location)
        if zone:
            cones, radius = zone["cones"], words.length_text(zone["radius_m"])
            yield f"{place}: {cones} cones, {radius} round rod and lead. Nobody inside.", ""
        for met in (location["rod"] or {}).get("meets", []):
            name = f"{words.kind_text(met['kind'])} {met.get('name') or met['feature_id']}"
            yield f"{place}: the zone meets {name}: traffic control or an attendant.", ""
    if document["triggers"]:
        yield f"Stop and replan when: {' '.join(document['triggers'])}", ""
    for note in document["cautions"]:
        yield note["text"], ""


def _control(document: dict[str, Any]) -> Lines:
    """Yield who holds the clearance and what is opened, tagged and isolated."""
    job, asked = document["job"], document.get("clearance")
    if not asked:
        opened = job["sources_opened"]
        names = words.NOT_STATED if opened is None else ", ".join(opened) or "none"
        yield f"Opened and tagged: {names}. This plan holds no request for a clearance.", ""
        return
    holder, authority = (asked[key] or words.NOT_STATED for key in ("holder", "authority"))
    yield f"Clearance holder: {holder}. Granted by: {authority}.", ""
    for row in asked["open"]:
        said = "" if row["stated"] else " Not stated in the job."
        yield f"{row['number']}. {row['text']}{said}", ""
    if asked["unparted"]:
        yield f"No device stands between the grounds and {', '.join(asked['unparted'])}.", ""
    yield asked["off"]["text"], ""
    yield from _isolated(asked)
    blocked = asked["reclosing_blocked"]
    names = words.NOT_STATED if blocked is None else ", ".join(blocked) or "none"
    yield f"Reclosing blocked and tagged: {names}.", ""
    for row in asked["others"]:
        apart = row["apart"] or "NOTHING KEEPS THE TWO APART"
        if "same_id" in row:
            apart = f"ONE ID FOR TWO JOBS, the other at {row['same_id']}"
        yield (
            f"Other crew, job {row['job_id']}, holder {row['holder'] or 'not stated'}: {apart}",
            "",
        )
    yield asked["decides"], ""


def _isolated(asked: dict[str, Any]) -> Lines:
    """Yield the equipment on the parted-off part, stated as isolated or not."""
    named = [row["equipment_id"] for row in asked["equipment"] if row["isolated"]]
    if named:
        yield f"Stated as isolated: {few(named)}.", ""
    silent: dict[str, int] = {}
    for row in asked["equipment"]:
        if not row["isolated"] and row["kind"] not in {"arrester", "guy"}:
            silent[row["kind"]] = silent.get(row["kind"], 0) + 1
    if silent:
        kinds = ", ".join(_counted(count, words.kind_text(kind)) for kind, count in silent.items())
        yield f"Not stated as isolated, can feed back: {kinds}.", "dispatcher sheet lists them"


def _equipment(document: dict[str, Any]) -> Lines:
    """Yield what the choice of equipment hangs on; the choice is not the plan's."""
    yield "The employer's rules and the person in charge name it; this plan does not.", RULE
    for row in document["approach"]:
        name = row.get("circuit_id") or row.get("line_id") or words.NOT_STATED
        kv = words.plain_text(row["nominal_kv"], "kV")
        reach = words.length_text(row["phase_ground_m"])
        yield f"{name}, {kv}: approach distance to ground {reach}.", row["source"]
    worst = [(largest_fault_a(row), row["clearing_s"]) for row in document["faults"].values()]
    if any(amp for amp, _ in worst):
        amp, _ = max(worst)
        seconds = max(second for _, second in worst)
        yield (
            f"For the employer's estimate of arc heat: up to {words.needed_text(amp, 'A')}, "
            f"cleared in up to {words.needed_text(seconds, 's')} by the plan.",
            HEAT_RULE,
        )
    if tools := tools_named(document):
        yield f"Tools the steps name: {'; '.join(tools)}.", ""


def largest_fault_a(row: dict[str, Any]) -> float:
    """Return the largest current of one row of faults [A]; 0 where none can exist."""
    return max((row[key] for key in FAULT_KEYS if row[key] is not None), default=0.0)


def tools_named(document: dict[str, Any]) -> list[str]:
    """Return the tools that the steps name, each once, in their order; a bare hand is none."""
    tools = [step.get("tool") or "" for part in PARTS for step in document["steps"][part]]
    return [tool for tool in dict.fromkeys(tools) if tool and not re.match(r"hand\b", tool)]
