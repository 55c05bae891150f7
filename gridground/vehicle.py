"""The truck of a plan: where it and its own rod stand, and what speaks against it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.errors import InputError, Problem
from gridground.grounding.hazards import VEHICLE, VEHICLE_ROD, lonlat_of
from gridground.record import OpenItem
from gridground.territory.frame import geodesic_m, wrap_deg
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Spot
    from gridground.job import Job
    from gridground.scene import Scene
    from gridground.territory.layers import Territory

    Lonlat = tuple[float, float]

# A truck farther from every pole with grounds than this was hardly meant so. Our judgement.
FAR_M = 150.0
# The lead from a truck to its own rod lies on the ground: no longer than this. Our judgement.
ROD_FAR_M = 30.0
# Half the width of a truck: nearer than this its middle stands in the pole. Our judgement.
AT_POLE_M = 1.5
_NEVER_IN = ("building", "water", "no_entry")
_MOVE = "the crew's foreman"


def places_of(territory: Territory, job: Job, poles: Sequence[str]) -> tuple[Lonlat, ...]:
    """Return where the truck stands, where its rod is and the middle between; none without one.

    Parameters
    ----------
    territory : Territory
    job : Job
    poles : sequence of str
        Every pole that may get grounds.

    Raises
    ------
    InputError
        For a truck that is far from all of them, and for a rod far from the truck: nothing is
        drawn round such a place.
    """
    if job.vehicle is None:
        return ()
    place = lonlat_of(job.vehicle.place, territory)
    row_of = territory.poles.index()
    at = territory.poles.geometry[[row_of[name] for name in poles]]
    away_m = geodesic_m(shapely.get_x(at), shapely.get_y(at), *place)[0]
    problems = []
    if not float(np.min(away_m)) <= FAR_M:
        found = f"{feet_text(float(np.min(away_m)))} from the nearest pole that may get grounds"
        remedy = f"correct it: the truck stands within {feet_text(FAR_M)} of such a pole"
        problems.append(Problem("reject", "job", (), "vehicle", found, remedy))
    if job.vehicle.rod is None:
        return _whole([place], problems)
    rod = lonlat_of(job.vehicle.rod, territory)
    lead_m = float(geodesic_m(*place, *rod)[0])
    if not lead_m <= ROD_FAR_M:
        found = f"{feet_text(lead_m)} from the truck"
        remedy = f"correct it: the lead to the truck's own rod reaches {feet_text(ROD_FAR_M)}"
        problems.append(Problem("reject", "job", (), "vehicle.rod", found, remedy))
    half_deg = (float(wrap_deg(rod[0] - place[0])) / 2, (rod[1] - place[1]) / 2)
    middle = (float(wrap_deg(place[0] + half_deg[0])), place[1] + half_deg[1])
    return _whole([place, middle, rod], problems)


def _whole(places: list[Lonlat], problems: list[Problem]) -> tuple[Lonlat, ...]:
    """Return the places, or refuse them."""
    if problems:
        raise InputError(problems)
    return tuple(places)


def vehicle_items(scene: Scene, spots: Sequence[Spot]) -> list[OpenItem]:
    """Return what speaks against the places of the truck and of its rod.

    The ground rods keep clear of both by the search; here the poles, the leads on the ground and
    the surroundings are held against the truck's own places.
    """
    stated = scene.job.vehicle
    if stated is None:
        return []
    place = _point(scene, VEHICLE)
    items = [*_far(scene, spots, place), *_at_pole(scene, place), *_stands_in(scene, place)]
    if stated.rod is not None:
        rod = _point(scene, VEHICLE_ROD)
        items += [*_near_grounds(scene, spots, rod), *_rod_place(scene, rod)]
    return items


def _point(scene: Scene, kind: str) -> Any:  # noqa: ANN401  a geometry
    """Return the place of the truck or of its rod in the plane."""
    rows = scene.neighbourhood.obstacles
    return rows.geometry[int(np.flatnonzero(rows.kinds == kind)[0])]


def _grounds(scene: Scene, spot: Spot) -> Any:  # noqa: ANN401  a geometry
    """Return a location's pole, with rod and lead where it has one, in the plane."""
    near = scene.neighbourhood
    pole_xy = near.pole_xy[near.pole_index[str(spot.top.pole_id)]]
    if spot.rod is None:
        return shapely.points(pole_xy)
    rod_xy = [float(part) for part in near.frame.to_xy(spot.rod.lon, spot.rod.lat)]
    return shapely.linestrings([pole_xy, rod_xy])


def _far(scene: Scene, spots: Sequence[Spot], place: Any) -> list[OpenItem]:  # noqa: ANN401  a geometry
    """Ask about a truck that stands far from everything."""
    at = [_grounds(scene, spot) for spot in spots if spot.top.pole_id is not None]
    from_m = float(shapely.distance(np.array(at, object), place).min(initial=np.inf))
    if not at or from_m <= FAR_M:
        return []
    return [
        OpenItem(
            "vehicle_far",
            ("vehicle",),
            f"the truck stands {feet_text(from_m)} from the nearest pole with grounds",
            "nothing is known of the ground there, and its own rod would serve nobody",
            _MOVE,
            "correct [vehicle] in the job",
        )
    ]


def _at_pole(scene: Scene, place: Any) -> list[OpenItem]:  # noqa: ANN401  a geometry
    """Ask about a truck drawn into a pole."""
    near = scene.neighbourhood
    away_m = np.asarray(shapely.distance(shapely.points(near.pole_xy), place))
    return [
        OpenItem(
            "vehicle_at_pole",
            ("vehicle", str(near.pole_ids[row])),
            f"the middle of the truck lies {feet_text(float(away_m[row]))} from pole "
            f"{near.pole_ids[row]}; half a truck is {feet_text(AT_POLE_M)} wide",
            "it cannot stand there",
            _MOVE,
            "correct [vehicle] in the job",
        )
        for row in np.flatnonzero(away_m < AT_POLE_M)
    ]


def _stands_in(scene: Scene, place: Any) -> list[OpenItem]:  # noqa: ANN401  a geometry
    """Ask about a truck drawn where none can stand."""
    rows = scene.neighbourhood.obstacles
    inside = np.isin(rows.kinds.astype(str), _NEVER_IN) & (
        shapely.distance(rows.geometry, place) <= 0
    )
    return [
        OpenItem(
            "vehicle_place",
            ("vehicle", str(rows.ids[row])),
            f"the truck's place lies in {rows.kinds[row]} {rows.ids[row]}",
            "it cannot stand there",
            _MOVE,
            "correct [vehicle] in the job",
        )
        for row in np.flatnonzero(inside)
    ]


def _near_grounds(scene: Scene, spots: Sequence[Spot], rod: Any) -> list[OpenItem]:  # noqa: ANN401  a geometry
    """Ask about a vehicle rod too near the grounds of a pole: its rod, its lead or the pole."""
    needed_m = scene.job.limits.vehicle_rod_distance_m
    items = []
    for spot in spots:
        if spot.top.pole_id is None:
            continue
        from_m = float(shapely.distance(_grounds(scene, spot), rod))
        if from_m >= needed_m:
            continue
        items.append(
            OpenItem(
                "vehicle_rod_near",
                ("vehicle", spot.top.pole_id),
                f"the truck's rod stands {feet_text(from_m)} from the grounds of pole "
                f"{spot.top.pole_id}; {feet_text(needed_m)} are asked for",
                "a fault raises both, and whoever stands between them bridges it",
                _MOVE,
                f"move it {feet_text(needed_m - from_m)} farther off",
            )
        )
    return items


def _rod_place(scene: Scene, rod: Any) -> list[OpenItem]:  # noqa: ANN401  a geometry
    """Ask about a vehicle rod that does not keep the clearances of a ground rod."""
    rows = scene.neighbourhood.obstacles
    own = np.isin(rows.kinds.astype(str), (VEHICLE, VEHICLE_ROD))
    from_m = np.asarray(shapely.distance(rows.geometry, rod))
    short = ~own & ((from_m <= 0) | (from_m < rows.clearance_m))
    return [
        OpenItem(
            "vehicle_rod_place",
            ("vehicle", str(rows.ids[row])),
            (
                f"the truck's rod stands in or on {rows.kinds[row]} {rows.ids[row]}"
                if from_m[row] <= 0
                else f"the truck's rod stands {feet_text(float(from_m[row]))} from "
                f"{rows.kinds[row]} {rows.ids[row]}; {feet_text(float(rows.clearance_m[row]))} "
                "are asked for"
            ),
            "it is driven into the same ground as any rod",
            _MOVE,
            "correct [vehicle] rod in the job",
        )
        for row in np.flatnonzero(short)
    ]
