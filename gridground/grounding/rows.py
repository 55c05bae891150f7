"""The lead table of a plan: size, length, clamps and impedance of every connection."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gridground.grounding.bonds import end_hang
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.hanging import end_temperature_c, ratings_a, with_impedance
from gridground.grounding.lengths import lead_path, stock_length_m
from gridground.grounding.peak import first_peak_a, peak_limit_a
from gridground.grounding.sizing import choose_lead
from gridground.record import LeadRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.sizing import LeadChoice
    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.record import FaultAt, LeadEdge

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
            times_on=duty.fault.times_on,
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
    path = lead_path(edge, spot.top, spot.rod, job.limits)
    needed_m = sum(piece.length_m for piece in path)
    where = (str(spot.top.pole_id or spot.top.span_id),)
    length = stock_length_m(needed_m, job.limits, where)
    current = float("nan") if electrode else duty.fault.largest_a * job.limits.fault_growth_ratio
    fault, hz = duty.fault, duty.frequency_hz
    rated = ratings_a(choice.size, parallel, fault.clearing_s, fault.heating_x_over_r, hz)
    rating = rated[job.limits.lead_basis]
    margin = None if electrode else choice.margin
    row = LeadRow(
        lead_id="",
        edge=edge,
        parallel=parallel,
        size=choice.size,
        length_m=length,
        clamp_from=choose_clamp(*landing(edge.start, spot, job), choice.size, where=where),
        clamp_to=choose_clamp(*landing(edge.end, spot, job), choice.size, where=where),
        grade=choice.grade,
        cold_ohm=float("nan"),
        in_service_ohm=float("nan"),
        resistance_ohm=float("nan"),
        reactance_ohm=float("nan"),
        current_a=current,
        time_s=duty.fault.clearing_s,
        rating_a=rating,
        margin_ratio=rating / current,
        source=choice.source,
        x_over_r=duty.fault.x_over_r,
        times_on=duty.fault.times_on,
        frequency_hz=duty.frequency_hz,
        withstand_a=rated["withstand"],
        ultimate_a=rated["ultimate"],
        end_temperature_c=float("nan") if electrode else choice.end_temperature_c,
        peak_a=float("nan") if electrode else choice.peak_a,
        peak_limit_a=peak_limit_a(choice.size, parallel=parallel, frequency_hz=duty.frequency_hz),
        next_size=margin.next_size if margin else None,
        next_size_at_a=margin.at_a if margin else None,
        next_size_at_s=margin.at_s if margin else None,
        next_size_at_x_over_r=margin.at_x_over_r if margin else None,
        sensitive_to=margin.sensitive_to if margin else None,
        sensitive_ratio=margin.sensitive_ratio if margin else None,
        path=path,
    )
    return with_impedance(row)


def with_solved_currents(rows: Sequence[LeadRow], solved_a: Sequence[float]) -> list[LeadRow]:
    """Return the rows with the solved current in the leads to a rod or pole ground.

    Parameters
    ----------
    rows : sequence of LeadRow
        As `lead_rows` returns.
    solved_a : sequence of float, one per row
        Largest current of each row over all events [A].

    Returns
    -------
    list of LeadRow
        With current, margin, first peak and temperature of those leads; the temperature is None
        where the copper would melt. Their resistance stays that of copper at 40 °C: it stands in
        line with the earth of the rod.
    """
    done = []
    for row, current in zip(rows, solved_a, strict=True):
        if row.edge.role != "electrode":
            done.append(row)
            continue
        ratio = row.rating_a / current if current > 0 else float("inf")
        done.append(
            replace(
                row,
                current_a=float(current),
                margin_ratio=ratio,
                peak_a=first_peak_a(float(current), row.x_over_r),
                end_temperature_c=end_temperature_c(row, float(current)),
            )
        )
    return done


def spot_of_rows(spots: Sequence[Spot]) -> list[Spot]:
    """Return the location of every row."""
    return [spot for spot in spots for _ in spot.edges]


def landing(end: str, spot: Spot, job: Job) -> tuple[str, float | None]:
    """Return what an end of a lead lands on, and its diameter where a clamp closes on it [m].

    Parameters
    ----------
    end : str
        An end of a lead of the location.
    spot : Spot
        The location.
    job : Job
        For the rod.
    """
    hang = end_hang(end, spot.top)
    if hang is not None:
        return "conductor", hang.conductor.diameter_m
    kinds = {"rod": "rod", "bar": "bar", "pole": "steel", "pole ground": "pole ground wire"}
    diameter = {"rod": job.rod.diameter_m, "pole ground": POLE_GROUND_WIRE_M}.get(end)
    return kinds[end], diameter
