"""What the steps say of the truck: placed and grounded before it serves, cleared last of all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gridground.grounding.vehicle_bond import is_grounded
from gridground.jobplaces import position_text
from gridground.units import feet_text

if TYPE_CHECKING:
    from gridground.job import Job
    from gridground.record import LeadRow


@dataclass(frozen=True)
class VehicleWords:
    """What the steps say of the truck.

    Attributes
    ----------
    cones : str
        Which numbers its cones have, and with what they share their line.
    before, after : tuple of str
        What roads, walks and the like ask for before its rod, and after its cones are down.
    radius_m : float or None
        Of its zone [m]; None where none is drawn.
    bond : LeadRow or None
        The lead from its rod to its frame.
    """

    cones: str = ""
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    radius_m: float | None = None
    bond: LeadRow | None = None


NO_VEHICLE = VehicleWords()
TAPED = "vehicle_rod_taped_m"


def vehicle_prepare(job: Job, words: VehicleWords) -> list[dict[str, Any]]:
    """Ground the truck before it is used at any pole.

    Parameters
    ----------
    job : Job
        With the truck, where it states one, and the employer's distance of its rod.
    words : VehicleWords
        Its cones and bond, and what its zone alone asks of roads, walks and the like.
    """
    stated = None if job.vehicle is None else job.vehicle.rod
    if not is_grounded(job):
        return []
    where = "" if stated is None else f" at {position_text(stated)}"
    wide = "" if words.radius_m is None else f" at {feet_text(words.radius_m)}"
    cones = f"put up its own cones{wide}{words.cones}"
    counted = (
        "It is not among the leads, rods and cones counted here."
        if stated is None
        else "Its rod is listed by itself; the lead of its bond is not among the leads counted."
    )
    least = feet_text(job.limits.vehicle_rod_distance_m)
    measured = (
        " Measure with a tape from it to the nearest of these, and write the distance down."
        if stated is None
        else ""
    )
    asks = {"asks": [TAPED], "least_m": job.limits.vehicle_rod_distance_m} if not stated else {}
    return [
        *(_step(f"At the truck: {text[0].lower()}{text[1:]}") for text in words.before),
        _step(_place_text(job)),
        _step(
            f"Vehicle: drive its own rod{where}, with its own label, at least {least} from the "
            f"grounds of every pole: from pole, rod and lead on the ground.{measured} Then {cones} "
            f"(MIL-HDBK-1025/10 table 27). {counted}",
            **asks,
        ),
        _step(
            f"Bond of the truck{_bond_text(words.bond)}: first to its rod, then to the frame of "
            "the truck. From here on nobody on the ground touches the truck or comes within its "
            "cones while the boom is up. Moved to another pole, it is grounded anew in the same "
            "order before it is used."
        ),
    ]


def vehicle_release(job: Job, words: VehicleWords) -> list[dict[str, Any]]:
    """Take the truck's bond, cones and rod up; then what its zone asked of roads and walks."""
    if not is_grounded(job):
        return []
    return [
        _step(
            f"Bond of the truck{_bond_text(words.bond)}: when everybody is down and the boom is "
            "stowed, first off the frame of the truck, then off its rod."
        ),
        _step(
            f"Vehicle: take up its own cones{words.cones.partition(';')[0]}; draw its rod, and "
            "only then move the truck."
        ),
        *(_step(f"At the truck: {text[0].lower()}{text[1:]}") for text in words.after),
    ]


def _place_text(job: Job) -> str:
    """Say where the truck is placed, or what to keep to where no plan says it."""
    if job.vehicle is not None:
        return (
            f"Place the truck at {position_text(job.vehicle.place)}, its boom stowed until its "
            "bond is on."
        )
    return (
        "Place the truck, its boom stowed until its bond is on. Where it stands is not planned: "
        "outside the cones of every rod and lead on the ground, at least "
        f"{feet_text(job.limits.vehicle_clearance_m)} from every ground rod. Say to the person in "
        "charge where it stands before anything is mounted."
    )


def _bond_text(bond: LeadRow | None) -> str:
    """Name the lead of the bond in a sentence."""
    if bond is None:
        return ""
    length = f", {feet_text(bond.length_m)}" if bond.path else ", as long as it needs"
    own = f", from the truck's kit {' and '.join(bond.kit_lead_ids)}" if bond.kit_lead_ids else ""
    return f", lead {bond.lead_id}, size {bond.size}{length}{own}"


def _step(text: str, **more: object) -> dict[str, Any]:
    """Return one step; the truck stands at no pole."""
    return {"pole_id": None, "text": text, **more}
