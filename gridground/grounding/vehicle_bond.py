"""The bond of the truck: one lead more, from its own rod to the vehicle."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError
from gridground.grounding.clamps import choose_clamp
from gridground.grounding.hanging import Hanging, hung_row
from gridground.grounding.hazards import lonlat_of
from gridground.grounding.lengths import stock_length_m
from gridground.record import LeadEdge, Piece
from gridground.territory.frame import geodesic_m
from gridground.units import area_mm2

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.lead_clamps import End
    from gridground.job import Job
    from gridground.record import LeadRow
    from gridground.territory.layers import Territory

BOND_ID = "V1"
# From the ground up to a clean place on the frame of a truck, and from its middle, which a
# position states, to either end of it. Our judgement.
FRAME_M, HALF_TRUCK_M = 1.0, 4.0
_SAME_M = 1e-6
SIZE_SOURCE = (
    "size of the largest lead of the plan, one cable: our judgement; no source gives a size for "
    "the bond of a truck beyond AWG 2 copper, 29 CFR 1910.269(n)(4)(ii)"
)


def is_grounded(job: Job) -> bool:
    """Say whether the truck has a rod of its own."""
    stated = job.vehicle is not None and job.vehicle.rod is not None
    return stated or job.work_position == "aerial lift"


def bond_ends(job: Job) -> tuple[End, End]:
    """Return what the two ends of the bond land on: the truck's rod and its frame."""
    return ("rod", job.rod.diameter_m), ("steel", None)


def bond_row(job: Job, territory: Territory, rows: Sequence[LeadRow]) -> LeadRow | None:
    """Return the bond of the truck as a row, None where the truck needs none.

    Parameters
    ----------
    job : Job
        Where the truck and its rod stand, limits.
    territory : Territory
        For positions that count from a pole.
    rows : sequence of LeadRow
        As planned, of all locations: the bond has the size of the largest.

    Returns
    -------
    LeadRow or None
        Without a path, and of a length that is NaN, where the job does not state where truck and
        rod stand. Its current is NaN: see `vehicle_zone`. Where no stocked length reaches it is as
        long as it must be, see `too_long`.
    """
    if not is_grounded(job) or not rows:
        return None
    like = max(rows, key=lambda row: (area_mm2(row.size), row.time_s))
    ends = bond_ends(job)
    path = _path(job, territory)
    needed_m = sum(piece.length_m for piece in path)
    length_m = _stocked_m(needed_m, job) if path else math.nan
    bare = replace(
        like,
        lead_id=_free_id(rows),
        edge=LeadEdge(None, None, "rod", "vehicle", "electrode"),
        clamp_from=choose_clamp(*ends[0], like.size),
        clamp_to=choose_clamp(*ends[1], like.size),
        current_a=math.nan,
        margin_ratio=math.nan,
        peak_a=math.nan,
        end_temperature_c=math.nan,
        next_size=None,
        next_size_at_a=None,
        next_size_at_s=None,
        next_size_at_x_over_r=None,
        sensitive_to=None,
        sensitive_ratio=None,
        path=path,
        kit_lead_ids=(),
        planned=None,
        parallel=0,  # so that one cable is another count, and every figure is its own
    )
    some_m = length_m if path else 1.0
    row = hung_row(bare, Hanging(like.size, 1, some_m), ends, job.limits)
    return replace(row, length_m=length_m)


def _stocked_m(needed_m: float, job: Job) -> float:
    """Return the shortest stocked length that reaches, else what is needed [m]."""
    try:
        return stock_length_m(needed_m, job.limits, ("vehicle",))
    except NoPlanError:
        return needed_m


def too_long(job: Job, bond: LeadRow) -> bool:
    """Say whether no stocked length reaches as far as the bond must."""
    return bool(bond.path and job.limits.lead_lengths_m) and (
        bond.needed_m > job.limits.lead_lengths_m[-1] + _SAME_M
    )


def _free_id(rows: Sequence[LeadRow]) -> str:
    """Return an id that no lead of the line has."""
    taken = {row.lead_id for row in rows}
    return BOND_ID if BOND_ID not in taken else f"{BOND_ID}-vehicle"


def _path(job: Job, territory: Territory) -> tuple[Piece, ...]:
    """Return the way of the bond piece by piece; empty where a position is not stated."""
    if job.vehicle is None or job.vehicle.rod is None:
        return ()
    place, rod = (lonlat_of(one, territory) for one in (job.vehicle.place, job.vehicle.rod))
    ground_m = float(geodesic_m(*place, *rod)[0])
    ratio = job.limits.lead_slack_ratio
    pieces = [
        Piece("along the ground from the truck's rod to the middle of the truck", ground_m),
        Piece("to the end of the truck that lies farther off, at most", HALF_TRUCK_M),
        Piece("up to a clean place on the frame", FRAME_M),
    ]
    if ratio > 1:
        straight_m = sum(piece.length_m for piece in pieces)
        slack = f"slack for the bow, the corners and the clamps (ratio {ratio:g})"
        pieces.append(Piece(slack, straight_m * (ratio - 1)))
    return tuple(pieces)
