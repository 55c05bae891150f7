"""Positions a job may state: where the truck stands, its rod, a person's own places for rods."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from gridground.job import Position, Vehicle
from gridground.jobvalues import as_ids, as_length_m, as_number
from gridground.territory.text import id_fault
from gridground.units import feet_text

if TYPE_CHECKING:
    from gridground.job import RodSpec
    from gridground.jobvalues import Section

_COORDINATES = ("lon", "lat")
_FROM_POLE = ("pole_id", "bearing_deg", "distance")
_PLACES_LARGEST = 200


def with_places(section: Section, rod: RodSpec | None) -> RodSpec | None:
    """Return the rod with a person's own positions, ``place = { "P12" = { … } }``.

    Parameters
    ----------
    section : Section
        The table ``[rod]``.
    rod : RodSpec or None
        As read; None where a problem has been added.
    """
    section.know(("place",))
    if "place" not in section.table:
        return rod
    inner = section.sub("place")
    if len(inner.table) > _PLACES_LARGEST:
        section.add("place", f"more than {_PLACES_LARGEST} positions", "state those of this job")
        return None
    places = {}
    for pole_id in inner.table:
        if (fault := id_fault(pole_id)) is not None:
            inner.add(pole_id, fault, "name the pole by its id")
        found = read_position(inner.sub(pole_id), pole_id=pole_id)
        if found is not None:
            places[pole_id] = found
    return None if rod is None else dataclasses.replace(rod, place=places)


def read_vehicle(section: Section) -> Vehicle | None:
    """Read ``[vehicle]``; None where the job does not state it, or a problem has been added."""
    section.know(("vehicle",))
    if "vehicle" not in section.table:
        return None
    vehicle = section.sub("vehicle")
    vehicle.know(("rod",))
    place = read_position(vehicle, pole_id=None)
    rod = read_position(vehicle.sub("rod"), pole_id=None) if "rod" in vehicle.table else None
    return None if place is None else Vehicle(place, rod)


def read_position(section: Section, *, pole_id: str | None) -> Position | None:
    """Read one position: `lon` and `lat`, or a bearing and a distance from a pole.

    Parameters
    ----------
    section : Section
        Its table.
    pole_id : str or None
        The pole that bearing and distance count from; None: the table names it.
    """
    from_pole = _FROM_POLE if pole_id is None else _FROM_POLE[1:]
    section.know((*_COORDINATES, *from_pole))
    stated = section.table.keys()
    by_numbers, by_pole = stated & set(_COORDINATES), stated & set(from_pole)
    if bool(by_numbers) == bool(by_pole):
        found = "two ways of stating one position" if by_numbers else "states no position"
        remedy = f"state lon and lat, or {', '.join(from_pole)}"
        section.add("lon" if by_numbers else "", found, remedy)
        return None
    before = len(section.problems)
    if by_numbers:
        lon = section.take("lon", as_number(-180, 180), required=True)
        lat = section.take("lat", as_number(-90, 90), required=True)
        return Position(lon=lon, lat=lat) if len(section.problems) == before else None
    name = pole_id or section.take("pole_id", _one_id, required=True)
    bearing_deg = section.take("bearing_deg", as_number(0, 360), required=True)
    distance_m = section.take("distance", as_length_m(0, 300, zero=pole_id is None), required=True)
    if len(section.problems) > before:
        return None
    return Position(pole_id=name, bearing_deg=bearing_deg, distance_m=distance_m)


def position_text(position: Position) -> str:
    """Return a stated position as people read it."""
    if position.lon is not None and position.lat is not None:
        return f"{position.lat:.7f}, {position.lon:.7f}"
    away = feet_text(float(position.distance_m or 0.0))
    return f"{away} from pole {position.pole_id}, bearing {position.bearing_deg:g}°"


def vehicle_poles(vehicle: Vehicle | None) -> tuple[str, ...]:
    """Return the poles that the truck's positions count from."""
    return tuple(dict.fromkeys(_named(vehicle)))


def _named(vehicle: Vehicle | None) -> Iterator[str]:
    """Yield the poles named."""
    for one in () if vehicle is None else (vehicle.place, vehicle.rod):
        if one is not None and one.pole_id is not None:
            yield one.pole_id


def _one_id(value: Any) -> str:  # noqa: ANN401  as the file holds it
    """Read one id."""
    (one,) = as_ids(least=1)([value])
    return one
