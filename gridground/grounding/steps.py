"""The work in order: prepare, apply, work, remove (exactly backwards), release."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gridground.grounding.bonds import bar_height_m, ends_told
from gridground.grounding.step_rows import JobWords, step_row, where_text
from gridground.grounding.vehicle_steps import NO_VEHICLE, vehicle_prepare, vehicle_release
from gridground.grounding.work_steps import work_steps
from gridground.units import bearing_text, feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.ground import Zone
    from gridground.grounding.vehicle_steps import VehicleWords
    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import LeadRow

STICK = "live-line tool"
HAND_ON = "hand, before a line end is attached at this pole"
HAND_OFF = "hand, after every line end at this pole is off"
CLEAN = "wire brush on a live-line tool"
NO_WORDS = JobWords()


@dataclass(frozen=True)
class ZoneWords:
    """What the steps say of one location's zone besides its size.

    Attributes
    ----------
    cones : str
        Which numbers its cones have, and with what it shares its line.
    before, after : tuple of str
        What roads, walks and the like ask for before the rod, and after the last cone.
    """

    cones: str = ""
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


def steps_of(
    job: Job,
    spots: Sequence[Spot],
    zones: Sequence[Zone | None],
    rows: Sequence[LeadRow],
    *,
    words: Sequence[ZoneWords],
    vehicle: VehicleWords = NO_VEHICLE,
    job_words: JobWords = NO_WORDS,
) -> dict[str, list[dict[str, Any]]]:
    """Return every step of the job.

    Parameters
    ----------
    job : Job
        As asked.
    spots, zones : sequences, one entry per location
        In the order of applying.
    rows : sequence of LeadRow
        In the order of applying.
    words : sequence of ZoneWords, one entry per location
        Numbers of the cones, and what roads, walks and the like ask for.
    vehicle : VehicleWords
        The same for the zone of the truck's own rod, and its bond; empty where there is neither.
    job_words : JobWords
        What is done on the part that is parted off before anybody tests it, what stays open for
        another job, and how far from the phases everybody stays until the grounds are on.

    Returns
    -------
    dict
        ``prepare apply work remove release`` -> rows of ``step_id, pole_id, text`` and, where they
        apply, ``lead_id, tool, ends``, ``asks`` (what is written down: ``rod_ohm``, ``detector``,
        ``lead_number``), ``phases`` (what the detector is held to, one by one) and ``remarks``
        (what holds at this step and is no action of its own: it is read, not ticked).
    """
    told = {id(row): ends_told(row.edge, [spot.top for spot in spots]) for row in rows}
    applied = [_apply(row, told[id(row)], first=row is first_line_end(rows, row)) for row in rows]
    removed = [_remove(row, told[id(row)]) for row in reversed(rows)]
    parts = {
        "prepare": [
            *_first(job, job_words.before),
            *vehicle_prepare(job, vehicle),  # before anything is done from it
            *_prepare(job, spots, zones, words, job_words),
        ],
        "apply": applied,
        "work": work_steps(job, spots, rows),
        "remove": removed,
        "release": [
            *_cones_down(spots, zones),
            *_let_by(spots, words),
            *vehicle_release(job, vehicle),
            *_release(sum(row.parallel for row in rows), job_words.held),
        ],
    }
    mark = {"prepare": "P", "apply": "A", "work": "W", "remove": "R", "release": "C"}
    for part, steps in parts.items():
        for number, step in enumerate(steps, 1):
            step["step_id"] = f"{mark[part]}{number}"
    return parts


def _first(job: Job, before: Sequence[str]) -> list[dict[str, Any]]:
    """Clearance and briefing."""
    opened = "NOT STATED" if job.sources_opened is None else ", ".join(job.sources_opened) or "none"
    isolated = ", ".join(job.isolated_equipment) or "none stated"
    named = job.reclosing_blocked
    blocked = "NOT STATED" if named is None else ", ".join(named) or "none"
    return [
        step_row(
            None,
            f"Get the clearance before anything else. See each opening and read its tag back. "
            f"To be seen open and tagged: {opened}. Equipment isolated: {isolated}. Reclosing "
            f"blocked and tagged: {blocked}.",
        ),
        *(step_row(None, text) for text in before),
        step_row(
            None,
            "Job briefing: hazards, procedures, special precautions, energy-source control, "
            "protective equipment (29 CFR 1910.269(c)).",
        ),
    ]


def _prepare(
    job: Job,
    spots: Sequence[Spot],
    zones: Sequence[Zone | None],
    words: Sequence[ZoneWords],
    job_words: JobWords,
) -> list[dict[str, Any]]:
    """Rods and cones from the ground; the test for no voltage; then bars and cleaning."""
    steps: list[dict[str, Any]] = []
    for spot, zone, said in zip(spots, zones, words, strict=True):
        told = job.measured.rod_said(str(spot.top.pole_id))
        steps += _prepare_location(spot, zone, said, told=told)
    steps += [_test_dead(spot) for spot in spots]
    # Nobody goes up to the bar or the stud of a line that was not tested.
    for spot in spots:
        steps += [*_stud(spot, job_words), *_bar(job, spot, job_words)]
    steps += [
        step_row(
            spot.top.pole_id,
            f"At {where_text(spot.top.pole_id, spot.top.span_id)}: inspect leads and clamps; clean "
            "the conductors where clamps land, treating them as energized.",
            tool=CLEAN,
        )
        for spot in spots
    ]
    return steps


def _at(spot: Spot, text: str) -> str:
    """Begin a sentence with its location."""
    here = where_text(spot.top.pole_id, spot.top.span_id)
    return f"At {here}: {text[0].lower()}{text[1:]}"


def _has_bar(spot: Spot) -> bool:
    """Say whether leads of a location meet at a bar on the pole."""
    return any("bar" in {edge.start, edge.end} for edge in spot.edges)


def _stud(spot: Spot, job_words: JobWords) -> list[dict[str, Any]]:
    """Clean the place on a steel pole where leads begin."""
    if spot.electrode != "pole":
        return []
    here = where_text(spot.top.pole_id, spot.top.span_id)
    text = f"At {here}: clean a stud on the steel below the worker's feet. {job_words.energized}."
    return [step_row(spot.top.pole_id, text)]


def _bar(job: Job, spot: Spot, job_words: JobWords) -> list[dict[str, Any]]:
    """Mount the cluster bar."""
    if not _has_bar(spot):
        return []
    here = where_text(spot.top.pole_id, spot.top.span_id)
    if spot.top.pole_id is None:
        text = f"At {here}: have the bar at the lift or mat, where the personal lead ends."
    else:
        height_m = bar_height_m(spot.top, job.limits)
        text = (
            f"At {here}: mount the cluster bar about {feet_text(height_m)} above ground, below the "
            f"worker's feet and below the neutral. {job_words.energized}."
        )
    return [step_row(spot.top.pole_id, text)]


def _prepare_location(
    spot: Spot, zone: Zone | None, words: ZoneWords, *, told: str | None
) -> list[dict[str, Any]]:
    """Read the pole number, see to the traffic, drive the rod or look at the one told, cones."""
    pole_id = spot.top.pole_id
    here = where_text(pole_id, spot.top.span_id)
    steps = []
    if pole_id is not None:
        steps.append(
            step_row(pole_id, f"Read the number on the pole: it must be {pole_id}. If not, stop.")
        )
    steps += [step_row(pole_id, _at(spot, text)) for text in words.before]
    if spot.rod is not None and told is not None:
        steps.append(
            step_row(
                pole_id,
                f"At {here}: the rod is told by {told} at {feet_text(spot.rod.distance_m)} from "
                f"the pole, bearing {bearing_text(spot.rod.bearing_deg)} from true north. See that "
                "it stands there, driven to its full depth. Measure and write down its resistance.",
            )
        )
    elif spot.rod is not None:
        steps.append(
            step_row(
                pole_id,
                f"At {here}: drive the rod to its full depth at {feet_text(spot.rod.distance_m)} "
                f"from the pole, bearing {bearing_text(spot.rod.bearing_deg)} from true north. "
                "Measure and write down its resistance.",
                asks=["rod_ohm"],
            )
        )
    elif spot.electrode == "pole ground":
        steps.append(
            step_row(pole_id, f"At {here}: find the permanent pole ground whole and connected.")
        )
    if zone is not None:
        steps.append(
            step_row(
                pole_id,
                f"At {here}: put up {zone.cones} cones at {feet_text(zone.radius_m)} round the "
                f"electrode and the lead on the ground{words.cones}. After the first clamp nobody "
                "stands on the ground inside.",
            )
        )
    return steps


def _test_dead(spot: Spot) -> dict[str, Any]:
    """Test for no voltage, the detector proved before and after."""
    phases = [
        (f"{top.circuit_id}:" if len(spot.top.circuits) > 1 else "") + letter
        for top in spot.top.circuits
        for letter in sorted(top.phases)
    ]
    return step_row(
        spot.top.pole_id,
        f"At {where_text(spot.top.pole_id, spot.top.span_id)}: test for no voltage. Prove the "
        f"detector, test {', '.join(phases)} on every side, prove the detector again. Any "
        "reading: stop.",
        tool="voltage detector of the right range on a live-line tool",
        asks=["detector"],
        phases=phases,
    )


def first_line_end(rows: Sequence[LeadRow], row: LeadRow) -> LeadRow | None:
    """Return the first row at the same location that goes to a conductor."""
    place = (row.edge.pole_id, row.edge.span_id)
    return next(
        (
            other
            for other in rows
            if (other.edge.pole_id, other.edge.span_id) == place and other.edge.role != "electrode"
        ),
        None,
    )


def _several(row: LeadRow) -> str:
    """Say how many cables a row has."""
    if row.parallel == 1:
        return f"lead {row.lead_id}"
    return f"lead {row.lead_id} ({row.parallel} equal cables)"


def _taken(row: LeadRow) -> str:
    """Say which leads of the truck a row is."""
    if not row.kit_lead_ids:
        return ""
    short = row.parallel - len(row.kit_lead_ids)
    text = f", from the truck {' and '.join(row.kit_lead_ids)}"
    return text + (f" and {short} more alike" if short else "")


def _apply(row: LeadRow, told: tuple[str, str], *, first: bool) -> dict[str, Any]:
    """Put one lead on, ground end first."""
    edge = row.edge
    again = "Test again for no voltage, then " if first else ""
    return step_row(
        edge.pole_id,
        f"At {where_text(edge.pole_id, edge.span_id)}: {again}{_several(row)}, size {row.size}, "
        f"{feet_text(row.length_m)}{_taken(row)}: first to {told[0]}, then to {told[1]}. "
        f"Count {row.parallel} on.",
        lead_id=row.lead_id,
        tool=HAND_ON if edge.role == "electrode" else STICK,
        ends=[edge.start, edge.end],
        asks=["detector", "lead_number"] if first else ["lead_number"],
    )


def _remove(row: LeadRow, told: tuple[str, str]) -> dict[str, Any]:
    """Take one lead off, line end first."""
    edge = row.edge
    return step_row(
        edge.pole_id,
        f"At {where_text(edge.pole_id, edge.span_id)}: {_several(row)}: first off {told[1]}, "
        f"then off {told[0]}. Count {row.parallel} off.",
        lead_id=row.lead_id,
        tool=HAND_OFF if edge.role == "electrode" else STICK,
        ends=[edge.end, edge.start],
    )


def _cones_down(spots: Sequence[Spot], zones: Sequence[Zone | None]) -> list[dict[str, Any]]:
    """Cones down, rods out, bars down."""
    steps = []
    for spot, zone in zip(spots, zones, strict=True):
        acts = ["take the cones down"] if zone is not None else []
        acts += ["draw the rod"] if zone is not None and spot.rod is not None else []
        acts += ["take the bar down"] if _has_bar(spot) else []
        if acts:
            steps.append(
                step_row(
                    spot.top.pole_id,
                    f"At {where_text(spot.top.pole_id, spot.top.span_id)}: after the last clamp is "
                    f"off, {'; '.join(acts)}.",
                )
            )
    return steps


def _let_by(spots: Sequence[Spot], words: Sequence[ZoneWords]) -> list[dict[str, Any]]:
    """Let the traffic by again at every location."""
    return [
        step_row(spot.top.pole_id, _at(spot, text))
        for spot, said in zip(spots, words, strict=True)
        for text in said.after
    ]


def _release(leads: int, held: Sequence[str]) -> list[dict[str, Any]]:
    """Count, say what stays open for others, and give the clearance back."""
    return [
        step_row(
            None,
            f"Leads off must equal leads on: {leads}. While the counts differ the clearance is not "
            "given back.",
        ),
        *(step_row(None, text) for text in held),
        step_row(None, "The holder reports: all clear, all grounds off."),
    ]
