"""What a rod keeps away from beyond what is drawn: the truck and its rod, live lines, steep ground.

The obstacles of these kinds stand among those of the surroundings and are judged alike.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding.obstacles import Obstacles
from gridground.grounding.overhead import live_overhead, low_lines
from gridground.grounding.slope import steep_ground
from gridground.territory.frame import destination, wrap_deg

if TYPE_CHECKING:
    from gridground.grounding.neighbourhood import Neighbourhood
    from gridground.job import Job, Position
    from gridground.territory.layers import Territory

VEHICLE, VEHICLE_ROD = "vehicle", "vehicle_rod"


def with_hazards(
    near: Neighbourhood, territory: Territory, job: Job, *, reach_m: float
) -> Neighbourhood:
    """Return a neighbourhood with what a rod keeps away from beyond what is drawn.

    Parameters
    ----------
    near : Neighbourhood
        As built from the layers.
    territory, job
        As for `Neighbourhood.build`.
    reach_m : float
        How far from the centre poles rods are looked for [m].
    """
    live = live_overhead(near, territory, job)
    rows = _vehicle(near, territory, job) + low_lines(live, rod_length_m=job.rod.length_m)
    centres = near.pole_xy[[near.pole_index[name] for name in near.centre_poles]]
    rods = [row["geometry"] for row in rows if row["kinds"] == VEHICLE_ROD]
    centres = np.vstack([centres, shapely.get_coordinates(rods)])
    rows += steep_ground(
        near.heights, centres, reach_m=reach_m, limit_ratio=job.limits.ground_slope_max_ratio
    )
    return dataclasses.replace(
        near, live=live, obstacles=near.obstacles.with_more(Obstacles.of(rows))
    )


def lonlat_of(position: Position, territory: Territory) -> tuple[float, float]:
    """Return the longitude and latitude of a position that a person states, seven decimals."""
    if position.lon is not None and position.lat is not None:
        return round(float(wrap_deg(position.lon)), 7), round(position.lat, 7)
    pole = territory.poles.geometry[territory.poles.index()[str(position.pole_id)]]
    lon, lat = destination(
        pole.x, pole.y, float(position.bearing_deg or 0.0), float(position.distance_m or 0.0)
    )
    return round(float(wrap_deg(lon)), 7), round(lat, 7)


def _vehicle(near: Neighbourhood, territory: Territory, job: Job) -> list[dict[str, Any]]:
    """Return the truck and its rod, where the job states them, as obstacles."""
    if job.vehicle is None:
        return []
    stated = [
        (job.vehicle.place, VEHICLE, "the truck", job.limits.vehicle_clearance_m),
        (job.vehicle.rod, VEHICLE_ROD, "the truck's rod", job.limits.vehicle_rod_distance_m),
    ]
    rows = []
    for position, kind, name, clearance_m in stated:
        if position is None:
            continue
        lon, lat = lonlat_of(position, territory)
        xy = [float(part) for part in near.frame.to_xy(lon, lat)]
        rows.append(
            {
                "ids": kind.replace("_", " "),
                "kinds": kind,
                "names": name,
                "layers": "job",
                "geometry": shapely.points(xy),
                "clearance_m": clearance_m,
            }
        )
    return rows
