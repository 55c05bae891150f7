"""What was measured in the field: out of a record and the plan before it, into the job."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground.errors import InputError, Problem
from gridground.job import Measured
from gridground.jobvalues import as_count
from gridground.revision.account import steps_by_id
from gridground.revision.hanging import hanging_notes
from gridground.revision.occurrences import occurrences_of
from gridground.revision.tellings import LEAD_KEYS, READERS, ROD_KEYS
from gridground.revision.told_items import reading_notes
from gridground.revision.told_leads import edge_of, not_as_kit, used_leads, with_used
from gridground.territory.text import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from gridground.job import Job
    from gridground.record import Note
    from gridground.revision.fieldrecord import Entry, FieldRecord

UNITS = {
    "rod_ohm": "ohm",
    "soil_ohm_m": "ohm·m",
    "rod_lon": "degrees",
    "rod_lat": "degrees",
    "rod_accuracy_m": "m",
    "rod_taped_m": "m",
    "rod_bearing_deg": "degrees",
    "vehicle_rod_taped_m": "m",
    "length_m": "m",
    "size": None,
    "lead_number": None,
    "detector": None,
}
# What stands of a lead only as long as the lead itself: another number, another lead.
_OF_ONE_LEAD = ("size", "length_m")
_OF_ONE_PLACE = ("rod_accuracy_m", "rod_taped_m", "rod_bearing_deg")


@dataclass(frozen=True)
class Revision:
    """What makes a plan a revision of another.

    Attributes
    ----------
    number : int
        1 for a plan without one before.
    previous : dict or None
        Document of the plan before.
    rows : tuple of dict
        Rows of the plan's ``measured``.
    inputs : tuple of dict
        Rows of the records, for the plan's ``inputs``.
    occurrences : tuple of dict
        Rows of the plan's ``occurrences``: what went wrong, up to now.
    notes : tuple of Note
        What the record tells to hang under the plan before.
    """

    number: int
    previous: dict[str, Any] | None
    rows: tuple[dict[str, Any], ...] = ()
    inputs: tuple[dict[str, Any], ...] = ()
    occurrences: tuple[dict[str, Any], ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def revises(self) -> str | None:
        """Hash of the plan before."""
        return None if self.previous is None else str(self.previous["plan_hash"])


FIRST = Revision(1, None)


def revision_of(previous: dict[str, Any] | None, record: FieldRecord | None) -> Revision:
    """Return what a plan made after `previous`, with what `record` holds, is a revision of.

    Parameters
    ----------
    previous : dict or None
        Document of the plan before; what was measured for it goes on counting.
    record : FieldRecord or None
        Held against `previous` already.
    """
    if previous is None:
        return FIRST
    rows = [_whole(row) for row in previous.get("measured", [])]
    inputs = [dict(row) for row in previous["inputs"] if row["layer"].startswith("record:")]
    if record is not None:
        rows = _latest(_while_read([*rows, *_rows(record, previous)]))
        inputs = [row for row in inputs if row["layer"] != record.input["layer"]]
        inputs.append(dict(record.input))
    number = int(previous.get("revision", 1)) + 1
    made = Revision(
        number,
        previous,
        tuple(rows),
        tuple(inputs),
        occurrences_of(previous, record),
    )
    return replace(made, notes=(*hanging_notes(made.occurrences), *reading_notes(rows)))


def _whole(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of an earlier plan, its value read again by the rules of a record."""
    what = row.get("what")
    place = "lead_id" if what in LEAD_KEYS else "pole_id" if what in ROD_KEYS else "step_id"
    try:
        if place == "lead_id":
            as_count(1, 6)(row.get("parallel"))
        if not all(isinstance(row.get(key), str) for key in (place, "who", "at")):
            raise ValueError("names no place, person or time")  # noqa: TRY301  one error below
        UNITS[row["what"]]
        return dict(row) | {"value": READERS[row["what"]](row.get("value"))}
    except (KeyError, ValueError, TypeError) as error:
        found = f"{shown(row.get('what'))}: {shown(row.get('value'))} cannot be used"
        remedy = "Make the earlier plan again."
        raise InputError([Problem("reject", "plan", (), "measured", found, remedy)]) from error


def _rows(record: FieldRecord, plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a row for every value of the entries that stand."""
    steps = steps_by_id(plan)
    leads = {lead["lead_id"]: lead for lead in plan["leads"]}
    for one in record.standing:
        step = steps[str(one.about)] if one.kind in {"tick", "refused"} else None
        pole_id = one.about if step is None else step.pole_id
        lead = leads.get(str(one.about if step is None else step.lead_id))
        for what in UNITS:
            if what not in one.values:
                continue
            if what in LEAD_KEYS:
                if lead is not None:
                    yield _lead_row(one, what, lead)
            elif what in ROD_KEYS:
                yield _row(one, what) | {"pole_id": pole_id}
            else:
                refused = {"refused": one.why} if one.kind == "refused" else {}
                found = {} if one.found is None else {"found": one.found}
                place = {"pole_id": pole_id, "step_id": one.about}
                yield _row(one, what) | place | refused | found


def _row(one: Entry, what: str) -> dict[str, Any]:
    """Return what every row says."""
    return {
        "what": what,
        "value": one.values[what],
        "unit": UNITS[what],
        "who": one.who,
        "at": one.at,
    }


def _lead_row(one: Entry, what: str, lead: dict[str, Any]) -> dict[str, Any]:
    """Return a row about a lead; its two ends hold where its id may change."""
    return _row(one, what) | {
        "lead_id": lead["lead_id"],
        "pole_id": lead["pole_id"],
        "span_id": lead.get("span_id"),
        "from": lead["from"],
        "to": lead["to"],
        "parallel": max(lead["parallel"], int((lead.get("planned") or {}).get("parallel") or 1)),
        "number": one.values.get("lead_number"),
    }


def _while_read(rows: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Leave out later tests that do not tell what was found: the reading before them stands."""
    standing = set()
    for row in rows:
        place = (row.get("pole_id"), row.get("step_id"))
        if row["what"] == "detector":
            if row.get("refused"):
                standing.add(place)
            elif row.get("found"):
                standing.discard(place)
            elif place in standing:
                continue
        yield row


def _latest(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Keep the latest row about each thing, in order of what, pole and lead.

    Of one connection with several cables the rows stand by the leads' own numbers.
    """
    kept: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        place: tuple[Any, ...] = (row.get("pole_id"), row.get("step_id"))
        if "lead_id" in row:
            place = (*place, *edge_of(row))
            number = row.get("number")
            if row["parallel"] > 1:
                place = (*place, number)
            elif row["what"] == "lead_number":
                before = kept.get((row["what"], *place))
                if before is not None and before["value"] != row["value"]:
                    for what in _OF_ONE_LEAD:
                        kept.pop((what, *place), None)
        elif row["what"] == "rod_lon":  # another position: accuracy and tape were of the one before
            for what in _OF_ONE_PLACE:
                kept.pop((what, *place), None)
        elif row["what"] == "rod_bearing_deg":  # by tape alone: an older position does not count
            before = kept.get(("rod_lon", *place))
            if before is not None and (before["who"], before["at"]) != (row["who"], row["at"]):
                for what in ("rod_lon", "rod_lat", "rod_accuracy_m"):
                    kept.pop((what, *place), None)
        elif row["what"] == "rod_taped_m":
            kept.pop(("rod_bearing_deg", *place), None)
        kept[row["what"], *place] = row
    order = list(UNITS)
    return sorted(
        kept.values(),
        key=lambda row: (
            order.index(row["what"]),
            *(str(row.get(key) or "") for key in ("pole_id", "span_id", "from", "to", "number")),
            str(row.get("step_id") or ""),
        ),
    )


def with_measured(job: Job, rows: Sequence[dict[str, Any]]) -> Job:
    """Return a job with what was measured.

    Parameters
    ----------
    job : Job
        As read.
    rows : sequence of dict
        Rows of a plan's ``measured``.
    """
    at_pole: dict[str, dict[str, Any]] = {key: {} for key in ROD_KEYS}
    said: dict[tuple[str, str], str] = {}
    for row in rows:
        if row["what"] in ROD_KEYS:
            at_pole[row["what"]][row["pole_id"]] = row["value"]
            said[row["what"], row["pole_id"]] = f"{row['who']} at {row['at']}"
    lon, lat = at_pole["rod_lon"], at_pole["rod_lat"]
    used = tuple(used_leads(rows, job.kit))
    return replace(
        job,
        kit=with_used(job.kit, used),
        measured=Measured(
            rod_ohm=at_pole["rod_ohm"],
            soil_ohm_m=at_pole["soil_ohm_m"],
            rod_at={pole_id: (lon[pole_id], lat[pole_id]) for pole_id in lon if pole_id in lat},
            rod_accuracy_m=at_pole["rod_accuracy_m"],
            rod_taped_m=at_pole["rod_taped_m"],
            rod_bearing_deg=at_pole["rod_bearing_deg"],
            leads=used,
            said=said,
            not_as_kit=not_as_kit(job.kit, used),
        ),
    )
