"""The electrode of a location: its resistance to earth, and what is not known about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gridground.grounding.earth import rod_resistance_ohm
from gridground.record import OpenItem

if TYPE_CHECKING:
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.grounding.where import Spot
    from gridground.job import Job

# Figures that stand in, never in silence: each comes with an open item.
STAND_IN_OHM_M = 100.0
# A slim footing errs to the high side: more resistance, steeper voltage beside it.
FOOTING_LENGTH_M, FOOTING_DIAMETER_M = 1.8, 0.18


@dataclass(frozen=True)
class Electrode:
    """What a location is earthed by.

    Attributes
    ----------
    resistance_ohm : float or None
        Of the electrode to remote earth; None where the location has none.
    network_ohm : float or None
        What the phasor network hangs on the lead's end; None where the data's own pole ground is
        already on the neutral.
    resistivity_ohm_m : float
        Soil there [ohm·m].
    soil : str
        Where the resistivity comes from.
    items : tuple of OpenItem
        What is not known.
    """

    resistance_ohm: float | None
    network_ohm: float | None
    resistivity_ohm_m: float
    soil: str
    items: tuple[OpenItem, ...]


def electrode_of(job: Job, near: Neighbourhood, spot: Spot) -> Electrode:
    """Return the electrode of a location.

    Parameters
    ----------
    job : Job
        Rod and, where no soil polygon covers it, resistivity.
    near : Neighbourhood
        For the soil at the rod.
    spot : Spot
        The location.
    """
    resistivity, soil, known = _soil(job, near, spot)
    items: list[OpenItem] = []
    if not known and spot.electrode is not None:
        items.append(_unknown_soil(spot))
    if spot.electrode == "rod":
        ohm = float(rod_resistance_ohm(resistivity, job.rod.length_m, job.rod.diameter_m))
        return Electrode(ohm, ohm, resistivity, soil, tuple(items))
    if spot.electrode == "pole ground":
        ohm_known = spot.top.ground_ohm
        used = any(edge.start == "pole ground" for edge in spot.edges)
        on_neutral = spot.top.neutral is not None
        return Electrode(
            ohm_known,
            ohm_known if used and not on_neutral else None,
            resistivity,
            soil,
            tuple(items),
        )
    if spot.electrode == "pole":
        footing = spot.top.ground_ohm
        if footing is None:
            footing = float(rod_resistance_ohm(resistivity, FOOTING_LENGTH_M, FOOTING_DIAMETER_M))
            items.append(_unknown_footing(spot, footing))
        return Electrode(footing, footing, resistivity, soil, tuple(items))
    return Electrode(None, None, resistivity, soil, ())


def _soil(job: Job, near: Neighbourhood, spot: Spot) -> tuple[float, str, bool]:
    """Return (resistivity, where it comes from, known)."""
    found = None
    if spot.rod is not None:
        found = near.soil_at_lonlat(spot.rod.lon, spot.rod.lat)
    elif spot.top.pole_id is not None:
        found = near.soil_at_pole(spot.top.pole_id)
    if found is not None and found.resistivity_ohm_m is not None:
        return found.resistivity_ohm_m, f"soil {found.soil_id}: {found.source or 'no source'}", True
    if found is not None:
        said = f"soil {found.soil_id} states no resistivity; {STAND_IN_OHM_M:g} ohm·m stands in"
        return STAND_IN_OHM_M, said, False
    if job.rod.resistivity_ohm_m is not None:
        return job.rod.resistivity_ohm_m, "the job's rod.resistivity_ohm_m", True
    return STAND_IN_OHM_M, "not known; 100 ohm·m stands in", False


def _unknown_soil(spot: Spot) -> OpenItem:
    """Return the open item of soil that nobody states."""
    where = str(spot.top.pole_id)
    return OpenItem(
        "soil_unknown",
        (where,),
        f"no resistivity is stated for the soil at {where}, by a polygon that covers it or by the "
        f"job where none does; {STAND_IN_OHM_M:g} ohm·m stands in",
        "the rod's resistance, its rise and the voltage round it",
        "the planner",
        "state rod.resistivity_ohm_m, or measure the rod when it is driven",
    )


def _unknown_footing(spot: Spot, footing_ohm: float) -> OpenItem:
    """Return the open item of a steel pole whose footing resistance is not known."""
    where = str(spot.top.pole_id)
    return OpenItem(
        "footing_unknown",
        (where,),
        f"the footing resistance of steel pole {where} is not known; {footing_ohm:.0f} ohm stands "
        "in, from a buried length of 1.8 m",
        "the rise of the pole and the voltage round it",
        "the planner",
        "enter ground_ohm of the pole, as measured",
    )
