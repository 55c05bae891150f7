"""What the plan says of its rod places: assumptions about the truck, the ground and the marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.grounding.overhead import ABOVE_ROD_M, SAG_RATIO
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.ground import RodPlace
    from gridground.grounding.where import Spot
    from gridground.scene import Scene

JUDGED = "our judgement"


def rod_assumptions(scene: Scene, spots: Sequence[Spot]) -> list[dict[str, str]]:
    """Return what the rod places take for granted; nothing where no rod is driven."""
    rods = [spot.rod for spot in spots if spot.rod is not None]
    if not rods:
        return []
    rows = [*_truck(scene), *_marks(scene), *_ground(scene, rods)]
    live = scene.neighbourhood.live
    if live is not None and len(live):
        rows.append(
            _row(
                f"Rods near energized lines overhead: a rod is set upright, "
                f"{feet_text(ABOVE_ROD_M)} of hand or driver above it; of a circuit's height at "
                f"the poles {SAG_RATIO:.0%} is left by sag.",
                JUDGED,
            )
        )
    return rows


def _truck(scene: Scene) -> list[dict[str, str]]:
    """Say what is not known of the truck."""
    vehicle = scene.job.vehicle
    if vehicle is None:
        text = (
            "Where the truck stands is not stated: rod places are found without it. Park it clear "
            "of rods, leads and cones."
        )
        return [_row(text, "not stated in the job")]
    if vehicle.rod is None:
        text = (
            "Where the truck's own rod goes is not stated: keep it "
            f"{feet_text(scene.job.limits.vehicle_rod_distance_m)} from the grounds of every pole."
        )
        return [_row(text, "not stated in the job; MIL-HDBK-1025/10 table 27")]
    return []


def _marks(scene: Scene) -> list[dict[str, str]]:
    """Say how far buried lines are kept off, where a tolerance is stated."""
    tolerance_m = scene.job.limits.locate_tolerance_m
    if tolerance_m == 0:
        return []
    text = (
        f"Buried lines are kept off by their clearance and {feet_text(tolerance_m)} for the "
        "tolerance of the drawing, until the marks are measured (located: marked)."
    )
    return [_row(text, "employer's setting of the job")]


def _ground(scene: Scene, rods: Sequence[RodPlace]) -> list[dict[str, str]]:
    """Say where the lie of the ground is not known."""
    if scene.territory.layer("elevation") is None:
        text = "The territory has no layer elevation: ground is taken as level. Look at it on site."
        return [_row(text, "not stated in the data")]
    level = [rod.pole_id for rod in rods if rod.slope_ratio is None]
    if not level:
        return []
    text = f"No three points of elevation near the rod of {', '.join(level)}: taken as level."
    return [_row(text, "not stated in the data")]


def _row(text: str, source: str) -> dict[str, str]:
    """Return one row."""
    return {"text": text, "source": source}
