"""The electrode of a location: its resistance to earth, and what is not known about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from gridground.grounding.earth import rod_resistance_ohm
from gridground.grounding.soil_layers import SoilLayers, two_layer_rod_resistance_ohm
from gridground.record import OpenItem
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.neighbourhood import Neighbourhood, Soil
    from gridground.grounding.where import Spot
    from gridground.job import Job

# Figures that stand in, never in silence: each comes with an open item.
STAND_IN_OHM_M = 100.0
# One rod in ordinary soil gives some ohm to some thousand ohm; outside, a slip of unit or a bad
# contact is likelier (our judgement).
MEASURED_LEAST_OHM, MEASURED_MOST_OHM = 0.5, 10_000.0
# Soil in which lines are built; outside, a slip of unit or of a zero is likelier (our judgement).
SOIL_LEAST_OHM_M, SOIL_MOST_OHM_M = 5.0, 10_000.0
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
        Soil there, under people's feet; of two layers the smaller [ohm·m].
    soil : str
        Where the resistivity comes from, "measured" where the resistance is.
    items : tuple of OpenItem
        What is not known.
    layers : SoilLayers or None
        Soil of two layers; None where it is of one kind.
    """

    resistance_ohm: float | None
    network_ohm: float | None
    resistivity_ohm_m: float
    soil: str
    items: tuple[OpenItem, ...]
    layers: SoilLayers | None


@dataclass(frozen=True)
class _Ground:
    """The soil at a location as far as it is told."""

    resistivity_ohm_m: float
    told: str
    known: bool
    layers: SoilLayers | None
    where: str = ""  # what states it: a pole's record, a soil polygon, the job

    def rod_ohm(self, length_m: float, diameter_m: float) -> float:
        """Return the resistance of a rod in it."""
        if self.layers is None:
            return float(rod_resistance_ohm(self.resistivity_ohm_m, length_m, diameter_m))
        soil = self.layers
        return two_layer_rod_resistance_ohm(
            soil.upper_ohm_m, soil.lower_ohm_m, soil.upper_depth_m, length_m, diameter_m
        )


def electrode_of(job: Job, near: Neighbourhood, spot: Spot) -> Electrode:
    """Return the electrode of a location.

    Parameters
    ----------
    job : Job
        Rod, what was measured and, where no soil polygon covers it, the soil.
    near : Neighbourhood
        For the soil at the rod.
    spot : Spot
        The location.

    Notes
    -----
    A rod's resistance as measured stands before a computed one. Where no soil is stated it tells
    the soil too, by Dwight's formula turned round, but no more than the usual stand-in: a bad
    contact must not raise what people's feet may bear.
    """
    ground = _ground(job, near, spot)
    measured = _measured_ohm(job, spot) if spot.electrode == "rod" else None
    if measured is not None:
        return _measured(job, spot, ground, measured)
    items = list(_unusual_soil(ground))
    if not ground.known and spot.electrode is not None:
        items.append(_unknown_soil(spot))
    resistance: float | None = None
    network: float | None = None
    if spot.electrode == "rod":
        resistance = network = ground.rod_ohm(job.rod.length_m, job.rod.diameter_m)
    elif spot.electrode == "pole ground":
        resistance = spot.top.ground_ohm
        used = any(edge.start == "pole ground" for edge in spot.edges)
        network = resistance if used and spot.top.neutral is None else None
    elif spot.electrode == "pole":
        resistance = spot.top.ground_ohm
        if resistance is None:
            resistance = ground.rod_ohm(FOOTING_LENGTH_M, FOOTING_DIAMETER_M)
            items.append(_unknown_footing(spot, resistance))
        network = resistance
    return Electrode(
        resistance, network, ground.resistivity_ohm_m, ground.told, tuple(items), ground.layers
    )


def _measured_ohm(job: Job, spot: Spot) -> tuple[float, str] | None:
    """Return what a rod was measured at and who says so; the field stands before the job."""
    pole_id = str(spot.top.pole_id)
    if pole_id in job.measured.rod_ohm:
        told = job.measured.said.get(("rod_ohm", pole_id), "nobody named")
        return job.measured.rod_ohm[pole_id], f"field record, {told}"
    if pole_id in job.rod.measured_ohm:
        return job.rod.measured_ohm[pole_id], "the job's rod.measured_ohm"
    return None


def _measured(job: Job, spot: Spot, ground: _Ground, measured: tuple[float, str]) -> Electrode:
    """Return the electrode of a rod whose resistance was measured."""
    ohm, by = measured
    items = list(_unusual_soil(ground))
    if not MEASURED_LEAST_OHM <= ohm <= MEASURED_MOST_OHM:
        items.append(_unusual(spot, ohm))
    resistivity, soil = ground.resistivity_ohm_m, ground.told
    if not ground.known:
        one = float(rod_resistance_ohm(1.0, job.rod.length_m, job.rod.diameter_m))
        resistivity = min(ohm / one, STAND_IN_OHM_M)
        soil = (
            "the resistivity that it tells by Dwight's formula turned round, at most "
            f"{STAND_IN_OHM_M:g} ohm·m"
        )
    told = f"measured: {ohm:g} ohm ({by}); {soil}"
    return Electrode(ohm, ohm, resistivity, told, tuple(items), ground.layers)


def electrode_at(job: Job, near: Neighbourhood, place: tuple[float, float]) -> Electrode:
    """Return a rod of the job at a place that belongs to no location: the truck's own.

    Parameters
    ----------
    job : Job
        Rod and, where no soil polygon covers the place, the soil.
    near : Neighbourhood
        For the soil there.
    place : tuple of float
        Longitude and latitude [degrees].
    """
    ground = _stated_soil(job, near.soil_at_lonlat(*place))
    ohm = ground.rod_ohm(job.rod.length_m, job.rod.diameter_m)
    return Electrode(ohm, ohm, ground.resistivity_ohm_m, ground.told, (), ground.layers)


def _ground(job: Job, near: Neighbourhood, spot: Spot) -> _Ground:
    """Return the soil at a location: measured, else as stated."""
    found = None
    pole_id = str(spot.top.pole_id)
    if spot.electrode is not None and pole_id in job.measured.soil_ohm_m:
        told = job.measured.said.get(("soil_ohm_m", pole_id), "nobody named")
        said = f"measured at the rod (field record, {told})"
        return _Ground(job.measured.soil_ohm_m[pole_id], said, True, None, pole_id)
    if spot.rod is not None:
        found = near.soil_at_lonlat(spot.rod.lon, spot.rod.lat)
    elif spot.top.pole_id is not None:
        found = near.soil_at_pole(spot.top.pole_id)
    return _stated_soil(job, found)


def _stated_soil(job: Job, found: Soil | None) -> _Ground:
    """Return the soil of the polygon that covers a place, else the job's."""
    if found is not None and found.resistivity_ohm_m is not None:
        said = f"soil {found.soil_id}: {found.source or 'no source'}"
        return _Ground(found.resistivity_ohm_m, said, True, None, found.soil_id)
    if found is not None:
        said = f"soil {found.soil_id} states no resistivity; {STAND_IN_OHM_M:g} ohm·m stands in"
        return _Ground(STAND_IN_OHM_M, said, False, None)
    rod = job.rod
    if rod.upper_ohm_m and rod.lower_ohm_m and rod.upper_depth_m:
        layers = SoilLayers(rod.upper_ohm_m, rod.lower_ohm_m, rod.upper_depth_m)
        least = min(layers.upper_ohm_m, layers.lower_ohm_m)
        return _Ground(least, _layers_told(layers), True, layers, job.job_id)
    if rod.resistivity_ohm_m is not None:
        said = "the job's rod.resistivity_ohm_m"
        return _Ground(rod.resistivity_ohm_m, said, True, None, job.job_id)
    return _Ground(STAND_IN_OHM_M, "not known; 100 ohm·m stands in", False, None)


def _layers_told(layers: SoilLayers) -> str:
    """Say what the two layers are and what counts where."""
    return (
        f"the job's two layers: {feet_text(layers.upper_depth_m)} of {layers.upper_ohm_m:g} ohm·m "
        f"on {layers.lower_ohm_m:g} ohm·m; under the feet the smaller counts"
    )


def measured_elsewhere(job: Job, spots: Sequence[Spot]) -> tuple[str, ...]:
    """Return the poles of `rod.measured_ohm` at which the plan drives no rod.

    Parameters
    ----------
    job : Job
        As read.
    spots : sequence of Spot
        The locations of the plan.

    Returns
    -------
    tuple of str
        Pole ids, in the order of the job; their figures are in nothing.
    """
    driven = {str(spot.top.pole_id) for spot in spots if spot.electrode == "rod"}
    return tuple(pole_id for pole_id in job.rod.measured_ohm if pole_id not in driven)


def _unusual(spot: Spot, ohm: float) -> OpenItem:
    """Return the open item of a measured resistance that can be but hardly is."""
    where = str(spot.top.pole_id)
    return OpenItem(
        "rod_measured_unusual",
        (where,),
        f"the rod at {where} is said to have {ohm:g} ohm; usual is {MEASURED_LEAST_OHM:g} to "
        f"{MEASURED_MOST_OHM:,g} ohm",
        "the rod's rise and the voltage round it",
        "the planner",
        "measure again, or correct rod.measured_ohm",
    )


def _unusual_soil(ground: _Ground) -> Iterator[OpenItem]:
    """Ask about a stated resistivity that can be but hardly is."""
    soil = ground.layers
    stated = [ground.resistivity_ohm_m] if soil is None else [soil.upper_ohm_m, soil.lower_ohm_m]
    for ohm_m in stated:
        if ground.known and not SOIL_LEAST_OHM_M <= ohm_m <= SOIL_MOST_OHM_M:
            yield OpenItem(
                "soil_unusual",
                (ground.where,),
                f"soil of {ohm_m:,g} ohm·m is stated by {ground.where} ({ground.told}); usual is "
                f"{SOIL_LEAST_OHM_M:g} to {SOIL_MOST_OHM_M:,g} ohm·m (our judgement)",
                "the rod's resistance, and what people's feet near it may bear",
                "the planner",
                "measure the soil again, or correct the figure",
            )


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
