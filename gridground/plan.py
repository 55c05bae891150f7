"""From a territory and a job to a plan: the whole story, no formula."""

from __future__ import annotations

import datetime as dt
import json
import os
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from gridground import __version__
from gridground.beside import induction_rows
from gridground.cautions import caution_rows
from gridground.checks import check_rows, checks_of
from gridground.choice import choose_method
from gridground.clearance import before_texts, clearance_block
from gridground.crews import crew_cautions, crew_items, held_texts, read_crews
from gridground.document import fault_rows, lead_table, location_rows, totals_of
from gridground.electrical.approach import approach_rows
from gridground.electrical.induced_words import induction_open_items
from gridground.errors import (
    InputError,
    NetworkError,
    NoPlanError,
    Problem,
    Reason,
    TableError,
)
from gridground.grounding.between import sources_between
from gridground.grounding.brackets import Ground
from gridground.grounding.candidates import radius_needed_m
from gridground.grounding.neighbourhood import Neighbourhood
from gridground.grounding.rods import REACH_LARGEST_M, NoRodPlace, place_rod
from gridground.grounding.steps import steps_of
from gridground.grounding.usual import TRIGGERS
from gridground.grounding.where import place_dual, place_single
from gridground.hangs import tops_of
from gridground.jobfile import check_job
from gridground.materials import materials_of
from gridground.method import with_counter_example, work_out
from gridground.outside import outside_items
from gridground.picture import picture_of
from gridground.record import FORMAT, Plan, canonical_bytes, is_ready, plan_hash
from gridground.scene import Scene
from gridground.settle import (
    measured_items,
    open_items,
    short_items,
    still_energized,
)
from gridground.territory.network import Network
from gridground.territory.ways import find_zone
from gridground.units import M_PER_FT, round_down, round_up
from gridground.words import assumption_rows, circuit_rows, job_block
from gridground.worker import worker_block
from gridground.zoning import met_by, zones_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.crews import Crew
    from gridground.job import Job
    from gridground.method import Outcome
    from gridground.record import OpenItem, RodPlace
    from gridground.territory.layers import Territory
    from gridground.territory.ways import Zone

# How far beyond the setback a rod is looked for: the longest lead worth carrying, our judgement.
ROD_REACH_M = 30 * M_PER_FT


def plan_job(
    territory: Territory,
    job: Job,
    *,
    others: Sequence[Plan] = (),
    unread: Sequence[Problem] = (),
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
    try:
        crews, altered = read_crews(others, job_id=job.job_id)
        return _plan(territory, job, Beside(tuple(crews), (*unread, *altered)))
    except (TableError, NetworkError) as error:
        code = "beyond_table" if isinstance(error, TableError) else "not_solved"
        where = (*job.circuit_ids, *job.worksite_poles)
        reason = Reason(code, where, f"{error}.", "Correct the figure it names.")
        raise NoPlanError([reason]) from error


@dataclass(frozen=True)
class Beside:
    """What the plans of other jobs say, and which could not be read."""

    crews: tuple[Crew, ...]
    unread: tuple[Problem, ...]


def _plan(territory: Territory, job: Job, beside: Beside) -> Plan:
    """Plan a job that names only what is there."""
    scene = _look(territory, job)
    ground = Ground(
        find_rod=lambda pole_id: _find_rod(scene, pole_id),
        small=scene.small,
        between=lambda poles, spans: sources_between(scene.zone, job, poles, spans),
    )
    placements = (place_dual(scene.zone, job, ground), place_single(scene.zone, job, ground))
    outcomes = [_held(scene, work_out(scene, placement)) for placement in placements]
    if all(outcome.infeasible for outcome in outcomes):
        raise NoPlanError(list(dict.fromkeys(r for o in outcomes for r in o.infeasible)))
    chosen, reason = choose_method(job, outcomes)
    chosen = with_counter_example(scene, chosen)
    return Plan(_document(scene, outcomes, (chosen, reason), beside))


def _held(scene: Scene, outcome: Outcome) -> Outcome:
    """Return a method, or why it cannot be carried out with the openings stated."""
    reasons = () if outcome.infeasible else still_energized(scene, outcome.placement)
    return replace(outcome, infeasible=tuple(reasons)) if reasons else outcome


def _find_rod(scene: Scene, pole_id: str) -> RodPlace | Reason:
    """Return the rod place of a pole, or what keeps every place from being lawful."""
    limits = scene.job.limits
    if limits.rod_setback_m + ROD_REACH_M > REACH_LARGEST_M:
        what = f"a setback of {limits.rod_setback_m:g} m is more than a lead on the ground bridges."
        return Reason("no_rod_place", (pole_id,), what, "Correct rod_setback.")
    found = place_rod(
        pole_id,
        scene.neighbourhood,
        limits,
        reach_m=limits.rod_setback_m + ROD_REACH_M,
        zone_radius_m=limits.cone_radius_m,
    )
    if not isinstance(found, NoRodPlace):
        return found
    names = [f"{o.kind} {o.where}" for o in found.reasons[:4]]
    return Reason(
        "no_rod_place",
        (pole_id,),
        f"no lawful place for a rod at pole {pole_id}: limited by {', '.join(names) or 'nothing'}.",
        " ".join(found.alternatives) or "Use another electrode or another pole.",
    )


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
        reach_m=job.limits.rod_setback_m + ROD_REACH_M,
        zone_radius_m=job.limits.cone_radius_m,
    )
    return Scene(territory, job, network, zone, Neighbourhood.build(territory, job, near, radius))


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
    scene: Scene, outcomes: list[Outcome], choice: tuple[Outcome, str], beside: Beside
) -> dict[str, Any]:
    """Put the plan together."""
    chosen, reason = choice
    job, placement = scene.job, chosen.placement
    zones, rod_zone = zones_of(scene, chosen)
    locations = location_rows(scene, chosen, zones)
    totals = totals_of(placement, chosen.rows, zones)
    items = [*open_items(scene, placement), *placement.open_items]
    items += [item for electrode in chosen.electrodes for item in electrode.items]
    items += [*scene.fault_items(placement.spots), *scene.reclosing_items(placement.spots)]
    approach = approach_rows(scene.territory, scene.zone, own_m=job.limits.approach_m)
    induction = induction_rows(scene, chosen)
    faults = fault_rows(scene, chosen)
    items += [*induction_open_items(induction), *measured_items(job, placement.spots)]
    items += outside_items(scene, chosen)
    clearance = clearance_block(scene, chosen, beside.crews)
    items += crew_items(clearance["others"], beside.unread)
    materials = materials_of(job, chosen.rows, totals)
    items += short_items(job, materials)
    document: dict[str, Any] = {
        "format": FORMAT,
        "job_id": job.job_id,
        "title": job.title,
        "tool_version": __version__,
        "inputs": [
            dict(row)
            for row in (*scene.territory.inputs, job.input, *(crew.input for crew in beside.crews))
        ],
        "job": job_block(job),
        "circuits": circuit_rows(scene.territory, job.circuit_ids),
        "open_items": [_item(item) for item in dict.fromkeys(items)],
        "checks": check_rows(checks_of(job, chosen, rod_zone)),
        "method": placement.method,
        "method_reason": reason,
        "options": [_option(scene, outcome) for outcome in outcomes],
        "clearance": clearance,
        "directions": [asdict(d) | {"sources": list(d.sources)} for d in placement.directions],
        "locations": locations,
        "leads": lead_table(chosen),
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
            meets=[met_by(scene, s, z) for s, z in zip(placement.spots, zones, strict=True)],
            before=before_texts(clearance),
            held=held_texts(clearance["others"]),
        ),
        "materials": materials,
        "assumptions": assumption_rows(scene, chosen, approach, induction),
        "cautions": [
            *caution_rows(scene, chosen, rod_zone, induction, faults),
            *crew_cautions(clearance["others"]),
        ],
        "triggers": list(TRIGGERS),
        "picture": picture_of(scene, _points(locations))
        | {"tops": tops_of(scene, placement.spots)},
    }
    # Through JSON once: what is hashed, saved and drawn is the same plain data.
    document = json.loads(canonical_bytes(document))
    document["ready"] = is_ready(document)
    document["plan_hash"] = plan_hash(document)
    document["made_at"] = _made_at()
    return document


def _item(item: OpenItem) -> dict[str, Any]:
    """Return the row of an open item."""
    return asdict(item) | {"where": list(item.where)}


def _option(scene: Scene, outcome: Outcome) -> dict[str, Any]:
    """Return the row of one method."""
    totals = None
    if not outcome.infeasible:
        zones, _ = zones_of(scene, outcome)
        totals = totals_of(outcome.placement, outcome.rows, zones)
    reasons = [f"{r.code}: {r.what}" for r in outcome.infeasible]
    return {
        "method": outcome.placement.method,
        "feasible": not outcome.infeasible,
        "reasons": reasons or [*outcome.placement.remarks, *_figures(outcome)],
        "open_items": [item.code for item in outcome.placement.open_items],
        "totals": totals,
        "worst_worker_v": outcome.worst_v,
    }


def _figures(outcome: Outcome) -> list[str]:
    """Say how the method's voltage stands to the limit."""
    tight = None if outcome.study is None else outcome.study.tightest
    if tight is None:
        return []
    volts, limit_v = round_up(tight.voltage_v, 0.1), round_down(tight.limit_v, 0.1)
    return [f"voltage on the worker nearest its limit {volts:g} V, limit {limit_v:g} V"]


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
