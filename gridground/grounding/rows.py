"""The lead table of a plan: size, length, clamps and impedance of every connection."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gridground.grounding.bonds import end_hang, lead_length_m
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.lead_impedance import (
    TEST_C,
    lead_resistance_ohm,
    loop_reactance_ohm,
    new_lead_resistance_ohm,
)
from gridground.grounding.rating import lead_rating_a
from gridground.grounding.sizing import choose_lead
from gridground.record import LeadRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.sizing import LeadChoice
    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import FaultAt, LeadEdge

# Distance from a lead to the line of the worker's body: our judgement, printed as an assumption.
BODY_SEPARATION_M = 1.0
START_C = 40.0
# AWG 4 solid copper down the pole: common practice, no source; looked at on site.
POLE_GROUND_WIRE_M = 0.0052


@dataclass(frozen=True)
class Duty:
    """What the leads of one location must carry.

    Attributes
    ----------
    fault : FaultAt
        At the location; for mid-span work the larger of the two ends.
    frequency_hz : float
        System frequency [Hz].
    """

    fault: FaultAt
    frequency_hz: float


def lead_rows(job: Job, spots: Sequence[Spot], duties: Sequence[Duty]) -> list[LeadRow]:
    """Size every lead of a plan.

    Parameters
    ----------
    job : Job
        Limits, growth and rod.
    spots : sequence of Spot
        Locations in the order of applying.
    duties : sequence of Duty
        One per location.

    Returns
    -------
    list of LeadRow
        In the order of applying. Leads to a rod or pole ground carry the solved current, which is
        not known yet: their current is NaN until `with_solved_currents`.

    Raises
    ------
    NoPlanError
        Where no lead carries the fault, or no clamp fits.
    """
    rows: list[LeadRow] = []
    mark = _mark(job)
    for spot, duty in zip(spots, duties, strict=True):
        current = duty.fault.largest_a * job.limits.fault_growth_ratio
        choice = choose_lead(
            current,
            duty.fault.clearing_s,
            duty.fault.x_over_r,
            job.limits,
            frequency_hz=duty.frequency_hz,
            where=(str(spot.top.pole_id or spot.top.span_id),),
        )
        for edge in spot.edges:
            row = _row(job, spot, duty, (edge, choice))
            rows.append(replace(row, lead_id=f"{mark}{len(rows) + 1}"))
    return rows


def _mark(job: Job) -> str:
    """Return the letter of the plan's leads: one that no lead on the truck is named by."""
    taken = {lead.lead_id[:1] for lead in job.kit.leads} if job.kit else set()
    return next(letter for letter in "GNKQVXYZ" if letter not in taken or letter == "Z")


def _row(job: Job, spot: Spot, duty: Duty, chosen: tuple[LeadEdge, LeadChoice]) -> LeadRow:
    """Return one row; an electrode lead is a single cable of the location's size."""
    edge, choice = chosen
    electrode = edge.role == "electrode"
    parallel = 1 if electrode else choice.parallel
    distance = None if spot.rod is None else spot.rod.distance_m
    length = lead_length_m(edge, spot.top, distance, job.limits)
    current = float("nan")
    if not electrode:
        current = duty.fault.largest_a * job.limits.fault_growth_ratio
    rating = lead_rating_a(
        choice.size,
        duty.fault.clearing_s,
        duty.fault.x_over_r,
        basis=job.limits.lead_basis,
        parallel=parallel,
        frequency_hz=duty.frequency_hz,
    )
    temperature = START_C if electrode else choice.end_temperature_c
    return LeadRow(
        lead_id="",
        edge=edge,
        parallel=parallel,
        size=choice.size,
        length_m=length,
        clamp_from=_clamp(edge.start, spot, choice.size, job),
        clamp_to=_clamp(edge.end, spot, choice.size, job),
        grade=choice.grade,
        cold_ohm=new_lead_resistance_ohm(choice.size, length, parallel=parallel),
        in_service_ohm=lead_resistance_ohm(
            choice.size, length, temperature_c=TEST_C, parallel=parallel
        ),
        resistance_ohm=lead_resistance_ohm(
            choice.size, length, temperature_c=temperature, parallel=parallel
        ),
        reactance_ohm=loop_reactance_ohm(
            choice.size,
            length,
            separation_m=BODY_SEPARATION_M,
            frequency_hz=duty.frequency_hz,
            parallel=parallel,
        ),
        current_a=current,
        time_s=duty.fault.clearing_s,
        rating_a=float(rating),
        margin_ratio=float(rating) / current,
        source=choice.source,
    )


def with_solved_currents(rows: Sequence[LeadRow], solved_a: Sequence[float]) -> list[LeadRow]:
    """Return the rows with the solved current in the leads to a rod or pole ground.

    Parameters
    ----------
    rows : sequence of LeadRow
        As `lead_rows` returns.
    solved_a : sequence of float, one per row
        Largest current of each row over all events [A].
    """
    done = []
    for row, current in zip(rows, solved_a, strict=True):
        if row.edge.role != "electrode":
            done.append(row)
            continue
        ratio = row.rating_a / current if current > 0 else float("inf")
        done.append(replace(row, current_a=float(current), margin_ratio=ratio))
    return done


def _clamp(end: str, spot: Spot, size: str, job: Job) -> str:
    """Choose the clamp of one end."""
    where = (str(spot.top.pole_id or spot.top.span_id),)
    hang = end_hang(end, spot.top)
    if hang is not None:
        return choose_clamp("conductor", hang.conductor.diameter_m, size, where=where)
    kinds = {"rod": "rod", "bar": "bar", "pole": "steel", "pole ground": "pole ground wire"}
    diameter = {"rod": job.rod.diameter_m, "pole ground": POLE_GROUND_WIRE_M}.get(end)
    return choose_clamp(kinds[end], diameter, size, where=where)
