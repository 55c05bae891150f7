"""The search for the best rod place of a site: coarse to fine, with a bound.

Of every cell of the polar grid it is known how good a place in it could be at best (a distance
changes by no more than one moves), and cells that could still beat the best place found are cut
into smaller ones. Last, the positions that can be written with seven decimals are judged.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.grounding.candidates import POLE_TIGHT_M, Measures, Rays, Site, score_m
from gridground.territory.frame import wrap_deg

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.territory.frame import Frame

    Floats = NDArray[np.float64]

CELL_M = 0.35  # a disc of half a metre holds a candidate
BAND_M = 10.0
_SPLIT = 5
_ROUNDS = 4
_CELLS_AT_ONCE = 60
_LATTICE_DEG = 1e-7  # what seven decimals can say


@dataclass
class Cells:
    """Cells of polar grids: centre, width, what the centre costs, what a place in it may cost.

    Attributes
    ----------
    azimuth_deg, distance_m : ndarray, shape (c,)
        Centres: direction in the plane and distance from the pole.
    width_deg, depth_m : ndarray, shape (c,)
        Size across and along.
    score, at_best : ndarray, shape (c,)
        Cost of the centre; what a place in the cell costs at the least [m of lead].
    """

    azimuth_deg: Floats
    distance_m: Floats
    width_deg: Floats
    depth_m: Floats
    score: Floats
    at_best: Floats

    @classmethod
    def joined(cls, parts: list[Cells]) -> Cells:
        """Put cells of several grids together."""
        fields = [field.name for field in dataclasses.fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in fields))

    def taken(self, rows: Any) -> Cells:  # noqa: ANN401  any numpy index
        """Return some of the cells."""
        return Cells(*(getattr(self, f.name)[rows] for f in dataclasses.fields(self)))

    def order(self, north_deg: float = 0.0) -> NDArray[np.intp]:
        """Return the rows, the best first; of equals to the centimetre the smallest bearing."""
        bearing_deg = np.round((self.azimuth_deg - north_deg) % 360.0, 6)
        return np.lexsort((self.distance_m, bearing_deg, self.score.round(2)))


@dataclass(frozen=True)
class Found:
    """Cells judged, and how far out the first grid went [m]."""

    cells: Cells
    outer_m: float


def search(site: Site) -> Found | None:
    """Judge the cells of a site until none of them can be better than the best found.

    Parameters
    ----------
    site : Site

    Returns
    -------
    Found or None
        The cells judged, and how far out; None where the reach ends inside the setback.
    """
    found = _coarse(site)
    if found is None:
        return None
    cells = found.cells
    for _ in range(_ROUNDS):
        best = float(cells.score.min())
        threshold = best - max(0.01 * best, 0.02) if math.isfinite(best) else math.inf
        promising = np.flatnonzero(cells.at_best < threshold)
        if not promising.size:
            break
        order = np.lexsort((promising, cells.at_best[promising]))
        chosen = promising[order][:_CELLS_AT_ONCE]
        finer = _cut(site, cells.taken(chosen))
        cells.at_best[chosen] = math.inf
        cells = Cells.joined([cells, finer])
    return Found(cells, found.outer_m)


def search_farther(site: Site, found: Found) -> Found | None:
    """Judge the next ring outwards as well; None where the reach ends."""
    if found.outer_m >= site.reach_m:
        return None
    outer_m = min(found.outer_m + BAND_M, site.reach_m)
    return Found(Cells.joined([found.cells, _band(site, found.outer_m, outer_m)]), outer_m)


def search_finer(site: Site, cells: Cells, *, rounds: int) -> Cells:
    """Cut some cells into smaller ones round by round, the best of them last."""
    for _ in range(rounds):
        cells = _cut(site, cells)
        cells = cells.taken(cells.order(site.north_deg)[:1])
    return cells


def _coarse(site: Site) -> Found | None:
    """Judge the first grid, ring by ring outwards until nothing farther out can be better."""
    inner_m = site.setback_m
    bands: list[Cells] = []
    outer_m = min(inner_m + BAND_M / 2, site.reach_m)
    while outer_m >= inner_m:
        bands.append(_band(site, inner_m, outer_m))
        if outer_m >= site.reach_m or min(band.score.min() for band in bands) <= outer_m:
            break
        inner_m, outer_m = outer_m, min(outer_m + BAND_M, site.reach_m)
    return Found(Cells.joined(bands), outer_m) if bands else None


def _band(site: Site, inner_m: float, outer_m: float) -> Cells:
    """Judge one ring of the first grid."""
    steps = max(1, math.ceil((outer_m - inner_m) / CELL_M))
    along_m = np.linspace(inner_m, outer_m, steps + 1)
    even_m = site.setback_m + POLE_TIGHT_M  # what open ground takes
    if inner_m < even_m < outer_m:
        along_m = np.append(along_m, even_m)
    along_m = np.unique(along_m)
    count = 4 * math.ceil(max(72, 2 * math.pi * outer_m / CELL_M) / 4)
    azimuth_deg: Floats = site.north_deg + np.arange(count, dtype=float) * (360.0 / count)
    depth_m = (outer_m - inner_m) / steps
    distance_m = np.tile(along_m, (count, 1))
    return _judged(site, azimuth_deg, distance_m, np.full(count, 360.0 / count), depth_m)


def _cut(site: Site, cells: Cells) -> Cells:
    """Cut cells into smaller ones and judge their centres."""
    offsets = (np.arange(_SPLIT) - _SPLIT // 2) / _SPLIT
    azimuth_deg = (cells.azimuth_deg[:, None] + offsets * cells.width_deg[:, None]).ravel()
    along_m = cells.distance_m[:, None] + offsets * cells.depth_m[:, None]
    along_m = np.clip(along_m, site.setback_m, site.reach_m)
    return _judged(
        site,
        azimuth_deg,
        np.repeat(along_m, _SPLIT, axis=0),
        np.repeat(cells.width_deg / _SPLIT, _SPLIT),
        np.repeat(cells.depth_m / _SPLIT, _SPLIT),
        group=_SPLIT,
    )


def _judged(
    site: Site,
    azimuth_deg: Floats,
    distance_m: Floats,
    width_deg: Floats,
    depth_m: Floats | float,
    *,
    group: int | None = None,
) -> Cells:
    """Judge cells by their centres, and by how good a place in them may be at best.

    `group` rays side by side form a fan; without it they close to a ring.
    """
    depth_m = np.broadcast_to(np.asarray(depth_m, dtype=float), azimuth_deg.shape)
    slack_m = np.hypot(distance_m[:, -1] * np.radians(width_deg), depth_m) / 2
    found, smaller = Rays(site, azimuth_deg, distance_m).measure(slack_m)
    loose = Measures(
        spare_m=found.spare_m + slack_m[:, None],
        pole_spare_m=found.pole_spare_m + slack_m[:, None],
        block_m=_beside(found.block_m, group) + slack_m,
        walk_m=np.stack([_beside(walk_m, group) + slack_m for walk_m in found.walk_m]),
        zone_from=smaller.zone_from,
        line_deg=found.line_deg + width_deg / 2,
        live_m=found.live_m + slack_m[:, None],
    )
    score = score_m(distance_m, found)
    # The lead may be shorter by the depth of the cell, but never shorter than the setback.
    shorter_m = distance_m - np.maximum(distance_m - depth_m[:, None] / 2, site.setback_m)
    at_best = score_m(distance_m, loose) - np.clip(shorter_m, 0.0, None)
    shape = distance_m.shape
    return Cells(
        azimuth_deg=np.repeat(azimuth_deg, shape[1]),
        distance_m=distance_m.ravel(),
        width_deg=np.repeat(width_deg, shape[1]),
        depth_m=np.repeat(depth_m, shape[1]),
        score=score.ravel(),
        at_best=at_best.ravel(),
    )


def _beside(first_m: Floats, group: int | None) -> Floats:
    """Return the largest of each ray's figure and its neighbours'."""
    if group is None:
        return np.asarray(np.maximum.reduce([np.roll(first_m, shift) for shift in (-1, 0, 1)]))
    fans = np.pad(first_m.reshape(-1, group), ((0, 0), (1, 1)), mode="edge")
    widest = np.maximum.reduce([fans[:, :-2], fans[:, 1:-1], fans[:, 2:]])
    return np.asarray(widest).ravel()


def written(site: Site, frame: Frame, cells: Cells) -> list[tuple[float, float]]:
    """Return lawful positions as they can be written round the best cells, the best first.

    Parameters
    ----------
    site : Site
    frame : Frame
        The plane of the site.
    cells : Cells

    Returns
    -------
    list of (lon, lat)
        Seven decimals. Lawful in the plane: the setback is still to be held against the geodesic.
        Empty where there is none.
    """
    lawful = np.flatnonzero(np.isfinite(cells.score))
    if not lawful.size:
        return []
    kept = cells.taken(lawful)
    seeds = kept.taken(kept.order(site.north_deg)[:6])
    angle = np.radians(seeds.azimuth_deg)
    x_m = site.pole_xy[0] + seeds.distance_m * np.sin(angle)
    y_m = site.pole_xy[1] + seeds.distance_m * np.cos(angle)
    lon, lat = frame.to_lonlat(x_m, y_m)
    offsets = np.arange(-2, 3) * _LATTICE_DEG
    east, north = (part.ravel() for part in np.meshgrid(offsets, offsets))
    lon = np.round(wrap_deg(lon.round(7)[:, None] + east), 7).ravel()
    lat = np.round(lat.round(7)[:, None] + north, 7).ravel()
    apart = np.column_stack(frame.to_xy(lon, lat)) - site.pole_xy
    azimuth_deg = np.degrees(np.arctan2(*apart.T))
    distance_m = np.hypot(*apart.T)[:, None]
    found, _ = Rays(site, azimuth_deg, distance_m).measure(np.zeros(len(lon)))
    score = score_m(distance_m, found)[:, 0]
    bearing_deg = np.round((azimuth_deg - site.north_deg) % 360.0, 6)
    order = np.lexsort((lat, lon, bearing_deg, score.round(2)))
    return [(float(lon[row]), float(lat[row])) for row in order if math.isfinite(score[row])]
