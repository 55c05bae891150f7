"""Where every figure of the page comes from: notes in the plan's own words, each said once."""

from __future__ import annotations

from typing import Any

from gridground.jobmap import words

Part = tuple[str, str]
STUDY = "Solved as a network of every conductor, ground and lead, for every way in."
NETWORK = ("poles", "spans", "circuits", "devices", "conductors", "constructions")
UNDER = "what stands under Assumptions"


class Notes:
    """The notes of one page by number, from 1; the same words get the same number."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[str, tuple[Part, ...]], int] = {}

    def number(self, title: str, *parts: Part) -> int:
        """Return the number of a note: its title, then names and texts; empty texts left out."""
        known = tuple((name, text) for name, text in parts if text)
        key = (title, known or (("Source", words.NOT_STATED),))
        return self._numbers.setdefault(key, len(self._numbers) + 1)

    def rows(self) -> list[dict[str, Any]]:
        """Return the notes in order."""
        return [{"title": title, "parts": parts} for title, parts in self._numbers]


def figure_notes(document: dict[str, Any]) -> dict[str, Any]:
    """Return the number of the note of each figure, and the notes.

    Parameters
    ----------
    document : dict
        A plan in the shape that `gridground.jobmap.shape.check_shape` accepts.

    Returns
    -------
    dict
        ``why``: numbers by table, of a table whose rows differ one per row or by id; ``notes``:
        what stands under each number, as `Notes.rows` returns.
    """
    notes = Notes()
    limits = limits_text(document)
    why = {
        "lead": [_lead(notes, document, lead) for lead in document["leads"]],
        "location": [_location(notes, document, row) for row in document["locations"]],
        "fault": _faults(notes, document),
        "clearing": _clearing(notes, document),
        "worker": _worker(notes, document),
        "rod_zone": [_rod_zone(notes, document, row) for row in document["rod_zone"]],
        "approach": [_approach(notes, row) for row in document["approach"]],
        "induced": [_induced(notes, document, row) for row in document.get("induction") or []],
        "check": [_check(notes, row) for row in document["checks"]],
        "limit": notes.number("A limit of this job", ("Set by", limits), _files(document, "job")),
    }
    return {"why": why, "notes": notes.rows()}


def limits_text(document: dict[str, Any]) -> str:
    """Return who sets the limits, in the words of the plan's own check where it has one."""
    found = (row["source"] for row in document["checks"] if row["code"] == "rod_setback")
    return next(found, "the employer's rules, or their stated default")


def _files(document: dict[str, Any], *layers: str) -> Part:
    """Return the part that says from which files, of what date; their hashes stand on the page."""
    dates: dict[str, list[str]] = {}
    for row in document["inputs"]:
        if row["layer"] in layers:
            dates.setdefault(row.get("date") or "date not stated", []).append(row["layer"])
    return "Read from", "; ".join(f"{', '.join(names)} ({date})" for date, names in dates.items())


def _data(document: dict[str, Any]) -> Part:
    """Return the part that says where the fault data of the circuits come from."""
    return "Fault data", "; ".join(
        f"{row['circuit_id']}: {row['fault_data_source'] or 'source not stated'}, "
        f"{row['fault_data_date'] or 'date not stated'}"
        for row in document["circuits"]
    )


def _limit(document: dict[str, Any], *names: str) -> str:
    """Return limits of the job by name; keys with a blank or a line under."""
    limits = {key.replace("_", " "): value for key, value in document["job"]["limits"].items()}
    return "; ".join(f"{name} {limits[name]}" for name in names if name in limits)


def _lead(notes: Notes, document: dict[str, Any], lead: dict[str, Any]) -> dict[str, int]:
    """Return the notes of one row of the lead table."""
    network = _files(document, *NETWORK)
    solved = "the solved current of this lead, which goes to an electrode"
    largest = "the largest fault at this pole, growth included"
    time = (
        "Time",
        f"{words.needed_text(lead['time_s'], 's')}; {_limit(document, 'clearing')}; see What "
        "clears the fault",
    )
    what = solved if lead.get("role") == "electrode" else largest
    growth = ("Growth", _limit(document, "fault growth ratio"))
    rule = ("Rules", _limit(document, "lead basis", "lead minimum", "lead sizes", "parallel max"))
    length = ("Rules", _limit(document, "lead slack ratio", "lead length step"))
    return {
        "length": notes.number(
            "Length of a lead",
            (
                "How",
                "way from end to end with slack, rounded up to a stocked length or the truck's",
            ),
            length,
            ("Set by", limits_text(document)),
        ),
        "current": notes.number(
            "Current of a lead", ("What", what), growth, _data(document), network
        ),
        "rating": notes.number("Rating of a lead", ("Source", lead["source"]), time, rule),
        "margin": notes.number("Margin of a lead", ("How", "its rating over its current")),
        "duty": notes.number(
            "What a lead bears",
            ("Heat", "as for its rating, by what stands in its row of the lead table"),
            ("First peak", _source(document, "lead_peak", lead["lead_id"])),
            ("Solved current", _source(document, "lead_event", lead["lead_id"])),
        ),
    }


def _source(document: dict[str, Any], code: str, name: str | None = None) -> str:
    """Return the source of the first check of a kind, of one thing where it is named."""
    for row in document["checks"]:
        if row["code"] == code and (name is None or name in row["where"]):
            return str(row["source"])
    return ""


def _location(notes: Notes, document: dict[str, Any], row: dict[str, Any]) -> dict[str, int]:
    """Return the notes of the rod and zone at one location."""
    rod = row["rod"] or {}
    soil, ohm_m = rod.get("soil"), rod.get("resistivity_ohm_m")
    earth = "" if ohm_m is None else f"{words.plain_text(ohm_m, 'ohm·m')}"
    if soil:
        earth = f"{earth}, {soil}" if earth else soil
    needed = next((z for z in document["rod_zone"] if z["pole_id"] == row["pole_id"]), None)
    worked_out = ""
    if needed:
        worked_out = f"{words.length_text(needed['radius_needed_m'])} needed for the step voltage"
        worked_out += f", {needed['limit_source']}" if needed.get("limit_source") else ""
    setter = ("Set by", limits_text(document))
    found = {}
    if row["rod"]:
        found["rod"] = notes.number(
            "Place of a rod",
            ("Rules", _limit(document, "rod setback", "clearance")),
            setter,
            ("Here", "; ".join(rod.get("reasons", []))),
            _files(document, "poles", "surroundings", "soil", "job"),
        )
        found["ohm"] = notes.number(
            "Resistance of a rod, estimated",
            ("Soil", earth),
            ("Rod", _rod_size(document)),
            _files(document, "soil", "job"),
        )
    if row["zone"]:
        found["zone"] = notes.number(
            "Cone zone",
            ("Rules", _limit(document, "cone radius", "cone spacing")),
            setter,
            ("Worked out", f"{worked_out}; the larger radius counts" if worked_out else ""),
        )
    return found


def _rod_size(document: dict[str, Any]) -> str:
    """Return the length and diameter of the rod where the plan has them."""
    rod = document["job"].get("rod") or {}
    if not rod.get("length_m") or not rod.get("diameter_m"):
        return ""
    thick = words.plain_text(1000 * rod["diameter_m"], "mm")
    return f"{words.length_text(rod['length_m'])} driven, {thick} thick, as the job states"


def _faults(notes: Notes, document: dict[str, Any]) -> int:
    """Return the note of the fault currents."""
    network = _files(document, *NETWORK, "soil")
    what = "largest phase current of each kind over every way in, symmetrical, without growth"
    lines = ("Lines", _assumed(document, "Network-wide fault currents"))
    return notes.number("Fault currents", ("What", what), _data(document), lines, network)


def _assumed(document: dict[str, Any], start: str) -> str:
    """Return the assumption that begins so, with its source."""
    for row in document["assumptions"]:
        if row["text"].startswith(start):
            return f"{row['text']} ({row.get('source') or 'source not stated'})"
    return ""


def _clearing(notes: Notes, document: dict[str, Any]) -> int:
    """Return the note of the clearing times."""
    return notes.number(
        "Clearing times",
        ("Rules", _limit(document, "clearing")),
        ("What", "the devices whose settings are stated, at the current each of them sees"),
        _data(document),
        _files(document, "circuits", "devices", "job"),
    )


def _worker(notes: Notes, document: dict[str, Any]) -> dict[str, int]:
    """Return the notes of the voltages on the worker and of their limit."""
    worker = document["worker"]
    body = words.plain_text(worker["body_ohm"], "ohm")
    return {
        "voltage": notes.number(
            "Voltage on the worker, estimated",
            ("How", STUDY),
            ("Body", f"{body}, {_limit(document, 'body ohm') or 'as the plan states'}"),
            ("Assumed", UNDER),
            _data(document),
            _files(document, "poles", "spans", "circuits", "devices", "equipment", "job"),
        ),
        "limit": notes.number(
            "Limit of a voltage on the worker",
            ("Rule", worker["limit_rule"]),
            ("Asked for", _limit(document, "worker limit")),
            ("For", "the time of each event; what nothing opens is held against what may stand"),
        ),
    }


def _rod_zone(notes: Notes, document: dict[str, Any], row: dict[str, Any]) -> dict[str, int]:
    """Return the notes of what a rod does to the ground round it."""
    earth = (_files(document, "soil", "job"), ("Assumed", UNDER))
    source = row.get("limit_source") or _source(document, "step_voltage")
    return {
        "rise": notes.number("Voltages round a rod, estimated", ("How", STUDY), *earth),
        "limit": notes.number("Limit of step and touch", ("Source", source)),
    }


def _approach(notes: Notes, row: dict[str, Any]) -> int:
    """Return the note of an approach distance."""
    altitude = row.get("altitude_m")
    stated = "stated" if row.get("altitude_stated") else "not stated in the data"
    height = "" if altitude is None else f"{words.length_text(altitude)}, {stated}"
    return notes.number("Approach distance", ("Source", row["source"]), ("Altitude", height))


def _induced(notes: Notes, document: dict[str, Any], row: dict[str, Any]) -> int:
    """Return the note of what a neighbour induces."""
    assumed = row.get("assumed") or []
    return notes.number(
        "Induced by a neighbour, estimated",
        ("Rule", _assumed(document, "Induction:")),
        ("Assumed of it", "; ".join(map(str, assumed))),
        _files(document, "other_lines", "spans", "circuits"),
    )


def _check(notes: Notes, row: dict[str, Any]) -> int:
    """Return the note of a check."""
    return notes.number(f"Check: {words.kind_text(row['code'])}", ("Source", row["source"]))
