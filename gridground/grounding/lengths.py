"""How long a lead must be: its way piece by piece, the stocked length, what a long one asks for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError, Reason
from gridground.grounding.bonds import bar_height_m, end_hang, end_side, ends_told
from gridground.record import Piece
from gridground.units import M_PER_FT, feet_text, round_up

if TYPE_CHECKING:
    from gridground.ground import RodPlace
    from gridground.grounding.poletop import PoleTop
    from gridground.job import Limits
    from gridground.record import LeadEdge, LeadRow

# Common practice, no source: slack to reach round a cut or from a lift or mat to the conductor.
CUT_REACH_M = 10 * M_PER_FT
LIFT_REACH_M = 10 * M_PER_FT
# From the pole along the line to a clamp on a named side of it: past the switch or the strain
# insulator. Our judgement.
SIDE_REACH_M = 3 * M_PER_FT
# A lead that hangs free over more than this is tied; more too long than this is named.
# Our judgement.
TIE_OVER_M = 15 * M_PER_FT
LONG_EXCESS_M = 5 * M_PER_FT
REMARK_SOURCE = (
    "our judgement: above 15 ft a lead is tied, above 5 ft an excess is named; no coils: common "
    "practice, no source"
)
_SAME_M = 1e-6


def lead_path(
    edge: LeadEdge, top: PoleTop, rod: RodPlace | None, limits: Limits
) -> tuple[Piece, ...]:
    """Return the way of a lead from its ground end to its line end, piece by piece.

    Parameters
    ----------
    edge : LeadEdge
        The two ends.
    top : PoleTop
        Where the conductors of the location hang.
    rod : RodPlace or None
        The rod of the location, with its distance and, where known, the rise of the ground to it.
    limits : Limits
        Height of the bar below the lowest conductor, slack.

    Returns
    -------
    tuple of Piece
        Their lengths add up to what is needed [m].

    Notes
    -----
    A rod's lead lies straight on the ground to the foot of the pole (the slope is taken in where
    it is known) and goes up the pole to the bar. Between two ends at the pole top the lead is the
    straight line in space: sideways and up by the construction, along the line by 3 ft to a side
    that a switch or a cut parts. What it is more than the straight line, so that it hangs in a
    bow, goes round the pole and turns into its clamps, is the slack, a share of the straight
    length. The bar stands on the pole's axis: half a pole's girth is within the slack.
    """
    pieces = _straight(edge, top, rod, limits)
    straight_m = sum(piece.length_m for piece in pieces)
    ratio = limits.lead_slack_ratio
    if ratio > 1:
        slack = f"slack for the bow, the corners and the clamps (ratio {ratio:g})"
        pieces = (*pieces, Piece(slack, straight_m * (ratio - 1)))
    return pieces


def _straight(
    edge: LeadEdge, top: PoleTop, rod: RodPlace | None, limits: Limits
) -> tuple[Piece, ...]:
    """Return the pieces of a lead's way without slack."""
    if edge.role == "bypass":
        return (Piece("reach round the cut", CUT_REACH_M),)
    if top.pole_id is None:
        return (Piece("reach from the lift or mat to the conductor", LIFT_REACH_M),)
    bar_m = bar_height_m(top, limits)
    up = Piece(f"up the pole to the bar, {feet_text(bar_m)} above ground", bar_m)
    if edge.start == "rod":
        return (_on_the_ground(rod), up)
    if edge.start == "pole ground":
        return (Piece("to the pole's ground wire beside the bar", M_PER_FT),)
    (x0, y0), (x1, y1) = _place(edge.start, top, bar_m), _place(edge.end, top, bar_m)
    along_m = _along_m(end_side(edge.start, top), end_side(edge.end, top))
    parts = ((abs(x1 - x0), "sideways"), (abs(y1 - y0), "up or down"), (along_m, "along the line"))
    told = ", ".join(f"{feet_text(part_m)} {word}" for part_m, word in parts if part_m > _SAME_M)
    length_m = math.hypot(x1 - x0, y1 - y0, along_m)
    one, other = ends_told(edge, [top])
    return (Piece(f"straight from {one} to {other} ({told or 'at one place'})", length_m),)


def _on_the_ground(rod: RodPlace | None) -> Piece:
    """Return the piece of a lead that lies on the ground."""
    if rod is None:
        raise ValueError("a lead to a rod needs the place of the rod")
    what = "along the ground from the rod to the foot of the pole"
    rise_m = rod.rise_m or 0.0
    if rise_m:
        what += f", rod {feet_text(abs(rise_m))} {'higher' if rise_m > 0 else 'lower'}"
    return Piece(what, rod.ground_m)


def _place(end: str, top: PoleTop, bar_m: float) -> tuple[float, float]:
    """Return where an end is: sideways and above ground [m]."""
    hang = end_hang(end, top)
    return (hang.x_m, hang.y_m) if hang is not None else (0.0, bar_m)


def _along_m(one: str, other: str) -> float:
    """Return how far apart two ends are along the line [m]: at the pole, or on a side of it."""
    if one == other:
        return 0.0
    return 2 * SIDE_REACH_M if one and other else SIDE_REACH_M


def stock_length_m(needed_m: float, limits: Limits, where: tuple[str, ...]) -> float:
    """Return the shortest stocked length that reaches [m].

    Parameters
    ----------
    needed_m : float
        Length of the way, slack included [m].
    limits : Limits
        Stocked lengths, or the step they are multiples of.
    where : tuple of str
        Ids of the features concerned, for the reason of a refusal.

    Raises
    ------
    NoPlanError
        Code ``no_lead_length`` where every stocked length is too short.
    """
    if not limits.lead_lengths_m:
        return max(round_up(needed_m, limits.lead_length_step_m), limits.lead_length_step_m)
    for length_m in limits.lead_lengths_m:
        if length_m >= needed_m - _SAME_M:
            return length_m
    longest_m = limits.lead_lengths_m[-1]
    what = (
        f"a lead of {feet_text(needed_m)} is needed, the longest in stock has "
        f"{feet_text(longest_m)}."
    )
    remedy = "Stock a longer lead (lead_lengths), or put rod, bar or grounds nearer together."
    raise NoPlanError([Reason("no_lead_length", where, what, remedy)])


def lead_remark(row: LeadRow) -> str | None:
    """Return what a long lead, or one much too long, asks of the crew; None for nothing."""
    hanging_m = row.length_m
    if row.edge.start == "rod":
        hanging_m = sum(p.length_m for p in row.path if p.what.startswith("up the pole"))
    excess_m = row.length_m - row.needed_m
    parts = []
    if hanging_m > TIE_OVER_M + _SAME_M:
        parts.append(
            "tie it to the pole or crossarm along its way so that it cannot whip, with no pull on "
            "a clamp"
        )
    if excess_m > LONG_EXCESS_M + _SAME_M:
        parts.append(
            f"{feet_text(excess_m)} too long: the excess in one open bend, never in a coil"
        )
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] if text else None


def force_n_per_m(peak_a: float, apart_m: float) -> float:
    """Return the force between two long parallel leads that carry one peak there and back.

    Parameters
    ----------
    peak_a : float
        First peak [A].
    apart_m : float
        Distance between the leads [m].

    Returns
    -------
    float
        Force on each metre [N/m].

    Notes
    -----
    ``F/l = mu0 i^2 / (2 pi d)``, Ampère's law of two parallel currents.

    Examples
    --------
    >>> round(force_n_per_m(20_000, 0.3048))
    262
    """
    return 2e-7 * peak_a**2 / apart_m
