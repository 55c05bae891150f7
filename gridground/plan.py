"""From a territory and a job to a plan: the whole story, no formula."""

from __future__ import annotations

import datetime as dt
import json
import os
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground import __version__, vehicle_zone
from gridground.beside import induction_rows
from gridground.cautions import caution_rows
from gridground.checks import check_rows, checks_of
from gridground.choice import choose_method, kept_method
from gridground.clearance import before_texts, clearance_block, day_items
from gridground.crews import crew_cautions, crew_items, held_texts, read_crews
from gridground.document import (
    cone_rows,
    fault_rows,
    lead_table,
    location_rows,
    outline_rows,
    totals_of,
)
from gridground.electrical.approach import apart_text, approach_rows
from gridground.electrical.induced_words import induction_open_items
from gridground.errors import (
    InputError,
    NetworkError,
    NoPlanError,
    Problem,
    Reason,
    TableError,
    gathered,
)
from gridground.fieldwork import check_measured, field_items
from gridground.grounding.between import sources_between
from gridground.grounding.brackets import Ground
from gridground.grounding.candidates import radius_needed_m
from gridground.grounding.hazards import with_hazards
from gridground.grounding.neighbourhood import Neighbourhood
from gridground.grounding.step_rows import JobWords
from gridground.grounding.steps import steps_of
from gridground.grounding.usual import TRIGGERS
from gridground.grounding.where import place_dual, place_single
from gridground.hangs import tops_of
from gridground.jobfile import check_job
from gridground.kit import kit_block, kit_cautions, kit_items
from gridground.materials import materials_of
from gridground.method import with_counter_example, work_out
from gridground.options import option_rows, other_method_items
from gridground.outside import outside_items
from gridground.picture import picture_of
from gridground.record import FORMAT, Plan, canonical_bytes, is_ready, plan_hash
from gridground.revision.changes import changes_between
from gridground.revision.measured import FIRST, with_measured
from gridground.revision.occurrences import occurrence_items, occurrence_notes, occurrence_rows
from gridground.revision.told_items import detector_items, told_readings, vehicle_rod_items
from gridground.roads import mets_of
from gridground.rodfinding import ROD_REACH_M, find_rod, stated_rods
from gridground.rodtold import farthest_rod_m, rod_notes
from gridground.scene import Scene
from gridground.settle import (
    measured_items,
    open_items,
    short_items,
    stated_items,
    still_energized,
)
from gridground.territory.network import Network
from gridground.territory.ways import find_zone
from gridground.vehicle import places_of, vehicle_items
from gridground.vehicle_zone import vehicle_parts
from gridground.wayside import (
    traffic_assumptions,
    traffic_items,
    traffic_materials,
    traffic_rows,
    vehicle_words,
    zone_words,
)
from gridground.words import assumption_rows, circuit_rows, job_block
from gridground.worker import worker_block
from gridground.zoning import farthest_zone_m, zones_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.crews import Crew
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.record import OpenItem
    from gridground.revision.measured import Revision
    from gridground.territory.layers import Territory
    from gridground.territory.ways import Zone
    from gridground.zoning import Zoned


def plan_job(
    territory: Territory,
    job: Job,
    *,
    others: Sequence[Plan] = (),
    unread: Sequence[Problem] = (),
    revision: Revision = FIRST,
) -> Plan:
    """Plan the temporary grounds of one job.

    Parameters
    ----------
    territory : Territory
        As `read_territory` returns.
    job : Job
        As `read_job` returns.
    others : sequence of Plan
        Plans of other jobs: what they share with this one is named in ``clearance.others``, and
        is an open item where nothing keeps the two apart. They count as inputs.
    unread : sequence of Problem
        Plans of other jobs that could not be read: an open item each.
    revision : Revision
        The plan that this one revises and what was measured since; a first plan without it.

    Returns
    -------
    Plan
        With its open items; `Plan.ready` says whether none is left and every check passed.

    Raises
    ------
    InputError
        Where the job names what is not in the territory.
    NoPlanError
        Where no plan is possible, with the reasons.
    """
    if problems := check_job(job, territory):
        raise InputError(problems)
    job = with_measured(job, revision.rows)
    check_measured(territory, job)
    try:
        crews, altered = read_crews(others, job_id=job.job_id, job=job)
        return _plan(territory, job, Beside(tuple(crews), (*unread, *altered), revision))
    except (TableError, NetworkError) as error:
        code = "beyond_table" if isinstance(error, TableError) else "not_solved"
        where = (*job.circuit_ids, *job.worksite_poles)
        reason = Reason(code, where, f"{error}.", "Correct the figure it names.")
        raise NoPlanError([reason]) from error


@dataclass(frozen=True)
class Beside:
    """What the plans of other jobs say, which could not be read, and the plan before this one."""

    crews: tuple[Crew, ...]
    unread: tuple[Problem, ...]
    revision: Revision


def _plan(territory: Territory, job: Job, beside: Beside) -> Plan:
    """Plan a job that names only what is there."""
    scene = _look(territory, job)
    stated, approach = gathered(
        lambda: stated_rods(scene),
        lambda: approach_rows(territory, scene.zone, own_m=job.limits.approach_m),
    )
    ground = Ground(
        find_rod=lambda pole_id: find_rod(scene, pole_id, stated),
        small=scene.small,
        between=lambda poles, spans: sources_between(scene.zone, job, poles, spans),
    )
    placements = (place_dual(scene.zone, job, ground), place_single(scene.zone, job, ground))
    outcomes = [_held(scene, work_out(scene, placement)) for placement in placements]
    if all(outcome.infeasible for outcome in outcomes):
        raise NoPlanError(list(dict.fromkeys(r for o in outcomes for r in o.infeasible)))
    before = beside.revision.previous
    choice = choose_method(job, outcomes)
    if job.method == "auto" and before is not None:
        choice = kept_method(choice, outcomes, before["method"])
    chosen, reason = choice
    chosen = with_counter_example(scene, chosen)
    return Plan(_document(scene, outcomes, (chosen, reason), approach, beside))


def _held(scene: Scene, outcome: Outcome) -> Outcome:
    """Return a method, or why it cannot be carried out with the openings stated."""
    reasons = () if outcome.infeasible else still_energized(scene, outcome.placement)
    return replace(outcome, infeasible=tuple(reasons)) if reasons else outcome


def _look(territory: Territory, job: Job) -> Scene:
    """Find the worksite, the ways out and what lies round them."""
    network = Network.build(territory)
    zone = find_zone(network, job)
    edge = {pole for way in zone.ways for pole in (way.pole, way.far)} | zone.poles
    for _ in range(job.limits.bracket_max_spans + 1):
        edge = _ring(zone, edge, job.limits.rod_setback_m)
    near = sorted(zone.pole_id(pole) for pole in edge)
    radius = radius_needed_m(
        job.limits,
        reach_m=max(job.limits.rod_setback_m + ROD_REACH_M, farthest_rod_m(territory, job) + 1.0),
        zone_radius_m=job.limits.cone_radius_m,
    )
    also = places_of(territory, job, near)
    return Scene(territory, job, network, zone, _found(territory, job, near, radius, also))


def _found(
    territory: Territory,
    job: Job,
    near: Sequence[str],
    radius_m: float,
    also: Sequence[tuple[float, float]],
) -> Neighbourhood:
    """Return what lies round some poles and places."""
    found = Neighbourhood.build(territory, job, near, radius_m, also=also)
    return with_hazards(found, territory, job, reach_m=job.limits.rod_setback_m + ROD_REACH_M)


def _wide_enough(scene: Scene, zoned: Zoned) -> Scene:
    """Return the scene with its surroundings known as far as the zones reach, as finally drawn."""
    reach_m = farthest_zone_m(zoned)
    near = scene.neighbourhood
    if reach_m <= near.radius_m:
        return scene
    poles = near.centre_poles
    also = places_of(scene.territory, scene.job, poles)
    found = _found(scene.territory, scene.job, poles, reach_m, also)
    return replace(scene, neighbourhood=found)


def _ring(zone: Zone, edge: set[int], free_m: float) -> set[int]:
    """Return some poles and those one span farther out; links and short spans count as none."""
    network = zone.network
    kinds = network.territory.spans["kind"]
    found, fresh = set(edge), set(edge)
    while fresh:
        steps = [(s, network.other_end(s, p)) for p in fresh for s in zone.worked_spans_at(p)]
        free = {far for s, far in steps if kinds[s] == "link" or network.length_m[s] < free_m}
        fresh = free - found
        found |= free
    return found | {network.other_end(s, p) for p in found for s in zone.worked_spans_at(p)}


def _document(
    scene: Scene,
    outcomes: list[Outcome],
    choice: tuple[Outcome, str],
    approach: list[dict[str, Any]],
    beside: Beside,
) -> dict[str, Any]:
    """Put the plan together."""
    chosen, reason = choice
    job, placement = scene.job, chosen.placement
    zoned = zones_of(scene, chosen, extras=vehicle_parts(scene, chosen))
    zones, rod_zone = zoned.zones, zoned.rows
    seen = _wide_enough(scene, zoned)
    locations = location_rows(seen, chosen, zones)
    totals = totals_of(placement, chosen.rows, zoned.outlines)
    items = [*open_items(scene, placement), *placement.open_items]
    items += [item for electrode in chosen.electrodes for item in electrode.items]
    items += [*scene.fault_items(placement.spots), *scene.reclosing_items(placement.spots)]
    induction = induction_rows(scene, chosen)
    faults = fault_rows(scene, chosen)
    items += [*induction_open_items(induction), *measured_items(job, placement.spots)]
    far_m = job.limits.vehicle_rod_distance_m
    items += vehicle_rod_items(beside.revision.rows, least_m=far_m)
    items += [*vehicle_items(scene, placement.spots), *stated_items(job, placement.spots)]
    items += outside_items(scene, chosen)
    happened = beside.revision.occurrences
    settled = occurrence_notes(job, [*happened, *told_readings(beside.revision.rows)])
    items += [*detector_items(beside.revision.rows, job.settled)]
    items += occurrence_items(job, happened)
    items += field_items(scene, chosen, reach_m=job.limits.rod_setback_m + ROD_REACH_M)
    clearance = clearance_block(scene, chosen, beside.crews)
    items += [*day_items(job), *crew_items(clearance["others"], beside.unread)]
    materials = materials_of(job, chosen.rows, totals, bond=chosen.bond)
    items += [*short_items(job, materials), *kit_items(job)]
    items += other_method_items(job, outcomes, chosen)
    items += vehicle_zone.bond_items(scene, chosen)
    pole_of = {row["location_id"]: row["pole_id"] for row in locations if row["pole_id"]}
    traffic = traffic_rows(seen, mets_of(seen, zoned, pole_of))
    items += traffic_items(scene, traffic)
    materials += traffic_materials(traffic)
    document: dict[str, Any] = {
        "format": FORMAT,
        "job_id": job.job_id,
        "title": job.title,
        "tool_version": __version__,
        "revision": beside.revision.number,
        "revises": beside.revision.revises,
        "measured": list(beside.revision.rows),
        "occurrences": occurrence_rows(job, happened),
        "inputs": [
            dict(row)
            for row in (
                *scene.territory.inputs,
                job.input,
                *(crew.input for crew in beside.crews),
                *beside.revision.inputs,
            )
        ],
        "job": job_block(job),
        "circuits": circuit_rows(scene.territory, job.circuit_ids),
        "open_items": [_item(item) for item in dict.fromkeys(items)],
        "checks": check_rows(
            [*checks_of(job, chosen, rod_zone), *vehicle_zone.bond_checks(scene, chosen)]
        ),
        "method": placement.method,
        "method_reason": reason,
        "options": option_rows(scene, outcomes),
        "clearance": clearance,
        "directions": [asdict(d) | {"sources": list(d.sources)} for d in placement.directions],
        "locations": locations,
        "zones": outline_rows(zoned.outlines),
        "cones": cone_rows(locations, zoned.outlines),
        "leads": lead_table(chosen),
        "vehicle_bond": vehicle_zone.bond_block(scene, chosen),
        "totals": totals,
        "faults": faults,
        "worker": worker_block(job, chosen),
        "rod_zone": rod_zone,
        "approach": approach,
        "induction": induction,
        "steps": steps_of(
            job,
            placement.spots,
            zones,
            chosen.rows,
            words=zone_words(locations, zoned.outlines, traffic),
            vehicle=vehicle_words(locations, zoned, traffic, bond=chosen.bond),
            job_words=JobWords(
                before=tuple(before_texts(clearance)),
                held=tuple(held_texts(clearance["others"])),
                apart=apart_text(approach, job.circuit_ids),
            ),
        ),
        "materials": materials,
        "kit": kit_block(job, chosen.rows, bond=chosen.bond),
        "traffic": traffic,
        "assumptions": [
            *assumption_rows(scene, chosen, approach, induction),
            *traffic_assumptions(scene, traffic),
            *vehicle_zone.bond_assumptions(scene, chosen),
        ],
        "cautions": [
            *(asdict(note) for note in beside.revision.notes),
            *caution_rows(scene, chosen, rod_zone, induction, faults),
            *crew_cautions(clearance["others"]),
            *kit_cautions(job, chosen.rows, bond=chosen.bond),
            *vehicle_zone.bond_cautions(scene, chosen),
            *(asdict(n) for n in (*rod_notes(job), *settled)),
        ],
        "triggers": list(TRIGGERS),
        "vehicle": vehicle_zone.vehicle_block(scene, chosen),
        "picture": picture_of(scene, _points(locations))
        | {"tops": tops_of(scene, placement.spots)},
    }
    # Through JSON once: what is hashed, saved and drawn is the same plain data.
    document = json.loads(canonical_bytes(document))
    document["ready"] = is_ready(document)
    if (before := beside.revision.previous) is not None:
        document["changes"] = changes_between(before, document)
    document["plan_hash"] = plan_hash(document)
    document["made_at"] = _made_at()
    return document


def _item(item: OpenItem) -> dict[str, Any]:
    """Return the row of an open item."""
    return asdict(item) | {"where": list(item.where)}


def _points(locations: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """Return the positions of locations and rods."""
    points = [(row["lon"], row["lat"]) for row in locations]
    return points + [(r["rod"]["lon"], r["rod"]["lat"]) for r in locations if r["rod"]]


def _made_at() -> str:
    """Return the time of making; ``SOURCE_DATE_EPOCH`` fixes it."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    try:
        now = dt.datetime.fromtimestamp(int(epoch), dt.UTC) if epoch else dt.datetime.now(dt.UTC)
    except (ValueError, OverflowError, OSError) as error:
        found = f"{epoch!r} is no number of seconds"
        remedy = "Unset it, or set whole seconds since 1970."
        problem = Problem("reject", "environment", (), "SOURCE_DATE_EPOCH", found, remedy)
        raise InputError([problem]) from error
    return now.strftime("%Y-%m-%dT%H:%M:%SZ")
