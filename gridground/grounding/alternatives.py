"""The best other places of a site: well apart from the chosen one and from each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from gridground.grounding.places import Found, search_farther, search_finer, written
from gridground.territory.frame import geodesic_m, wrap_deg

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from gridground.grounding.candidates import Site
    from gridground.territory.frame import Frame

    Place = tuple[float, float]

# Another place differs from every better one by one of these. Our judgement.
APART_DEG = 20.0
APART_M = 2.0
COUNT = 3
_FINER = 2
_TRIED = 12


def other_places(
    site: Site,
    frame: Frame,
    found: Found,
    *,
    chosen: Place,
    lawful: Callable[[Place], bool],
) -> list[Place]:
    """Return up to three other places, each the best that is well apart from those before.

    Parameters
    ----------
    site : Site
    frame : Frame
        The plane of the site.
    found : Found
        What the search has judged; it is led farther out where that may hold a better one.
    chosen : (lon, lat)
        The place that was chosen.
    lawful : callable
        (lon, lat) -> whether the position stands the judgement of a single position.

    Returns
    -------
    list of (lon, lat)
        The best first, seven decimals; fewer than three where there is no other lawful ground.
    """
    taken = [_polar(site, chosen)]
    places: list[Place] = []
    while len(places) < COUNT and len(taken) < _TRIED:
        free = _free(site, found, taken)
        best = float(found.cells.score[free].min(initial=np.inf))
        if best > found.outer_m and (more := search_farther(site, found)) is not None:
            found = more
            continue
        if not np.isfinite(best):
            break
        cells = found.cells.taken(free)
        seed = cells.taken(cells.order(site.north_deg)[:1])
        finer = search_finer(site, seed, rounds=_FINER)
        tried = [*written(site, frame, finer), *written(site, frame, seed)]
        place = next((p for p in tried if lawful(p) and _apart(*_polar(site, p), taken)), None)
        if place is not None:
            places.append(place)
        # Where nothing of the cell can be written it is passed over like a place taken.
        angle, away_m = float(seed.azimuth_deg[0] - site.north_deg), float(seed.distance_m[0])
        taken.append((angle % 360.0, away_m) if place is None else _polar(site, place))
    return places


def _polar(site: Site, place: Place) -> tuple[float, float]:
    """Return bearing and distance of a position from the pole."""
    distance_m, bearing_deg = geodesic_m(*site.pole_lonlat, *place)
    return float(bearing_deg), float(distance_m)


def _free(site: Site, found: Found, taken: list[tuple[float, float]]) -> NDArray[np.intp]:
    """Return the lawful cells that are well apart from some places."""
    cells = found.cells
    bearing_deg = (cells.azimuth_deg - site.north_deg) % 360.0
    free = np.isfinite(cells.score)
    for bearing, distance_m in taken:
        free &= (np.abs(wrap_deg(bearing_deg - bearing)) >= APART_DEG) | (
            np.abs(cells.distance_m - distance_m) >= APART_M
        )
    return np.flatnonzero(free)


def _apart(bearing: float, distance_m: float, taken: list[tuple[float, float]]) -> bool:
    """Say whether a place is well apart from some, to half a degree."""
    return all(
        abs(float(wrap_deg(bearing - b))) >= APART_DEG - 0.5 or abs(distance_m - d) >= APART_M - 0.1
        for b, d in taken
    )
