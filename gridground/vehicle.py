"""The truck of a plan: where it and its own rod stand, and what speaks against it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding.hazards import VEHICLE, VEHICLE_ROD, lonlat_of
from gridground.grounding.outlines import Part
from gridground.record import OpenItem
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.where import Spot
    from gridground.scene import Scene

# A truck farther from every pole with grounds than this was hardly meant so. Our judgement.
FAR_M = 150.0
_NEVER_IN = ("building", "water", "no_entry")
_MOVE = "the crew's foreman"


def vehicle_block(scene: Scene) -> dict[str, Any] | None:
    """Return ``vehicle``: the truck and its rod as positions; None where the job states none."""
    stated = scene.job.vehicle
    if stated is None:
        return None
    lon, lat = lonlat_of(stated.place, scene.territory)
    rod = None
    if stated.rod is not None:
        rod = dict(zip(("lon", "lat"), lonlat_of(stated.rod, scene.territory), strict=True))
    limits = scene.job.limits
    return {
        "lon": lon,
        "lat": lat,
        "rod": rod,
        "clearance_m": limits.vehicle_clearance_m,
        "rod_distance_m": limits.vehicle_rod_distance_m,
    }


def vehicle_parts(scene: Scene) -> list[Part]:
    """Return the zone of the truck's own rod and of the lead to it; none without such a rod."""
    stated = scene.job.vehicle
    if stated is None or stated.rod is None:
        return []
    foot, rod = (lonlat_of(one, scene.territory) for one in (stated.place, stated.rod))
    return [Part("vehicle", foot, rod, scene.job.limits.cone_radius_m)]


def vehicle_items(scene: Scene, spots: Sequence[Spot]) -> list[OpenItem]:
    """Return what speaks against the places of the truck and of its rod.

    The ground rods keep clear of both by the search; here the poles, the leads on the ground and
    the surroundings are held against the truck's own places.
    """
    stated = scene.job.vehicle
    if stated is None:
        return []
    place = _point(scene, VEHICLE)
    items = [*_far(scene, spots, place), *_stands_in(scene, place)]
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
