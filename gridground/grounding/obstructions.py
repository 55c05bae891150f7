"""What takes rod places away: which feature or pole forbids which share of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.grounding.candidates import MARGIN_M, TOUCH_M, Rays, Site
from gridground.grounding.places import CELL_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.grounding.neighbourhood import Neighbourhood

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Obstruction:
    """What takes places away: a feature, or another pole by its setback.

    Attributes
    ----------
    share_ratio : float
        Share of all candidate places that it forbids.
    alone_ratio : float
        Share that nothing else forbids: what moving this one would free.
    """

    where: str
    kind: str
    name: str | None
    share_ratio: float
    alone_ratio: float


def obstructions(site: Site, near: Neighbourhood) -> tuple[Obstruction, ...]:
    """Count over one grid which places each feature and each other pole forbids.

    Parameters
    ----------
    site : Site
    near : Neighbourhood
        Of the site.

    Returns
    -------
    tuple of Obstruction
        The largest share first; empty where the reach ends inside the setback.
    """
    if site.reach_m < site.setback_m:
        return ()
    cell_m = max(CELL_M, site.reach_m / 60.0)
    steps = max(1, math.ceil((site.reach_m - site.setback_m) / cell_m))
    along_m = np.linspace(site.setback_m, site.reach_m, steps + 1)
    count = max(72, math.ceil(2.0 * math.pi * site.reach_m / cell_m))
    azimuth_deg: Floats = site.north_deg + np.arange(count, dtype=float) * (360.0 / count)
    rays = Rays(site, azimuth_deg, np.tile(along_m, (count, 1)))
    features, poles = len(site.rows), len(site.poles)
    forbids = np.zeros((features + poles, count, steps + 1), dtype=bool)
    feature, candidate, over_m = rays.near(MARGIN_M)
    close = over_m < MARGIN_M
    forbids[feature[close], candidate[close] // (steps + 1), candidate[close] % (steps + 1)] = True
    feature, ray, contact_m = rays.contacts(site.blocking)
    forbids[feature, ray] |= along_m >= contact_m[:, None] - TOUCH_M
    for row, xy in enumerate(site.poles_xy, start=features):
        apart_m = np.hypot(*(rays.xy - xy).T).reshape(count, steps + 1)
        forbids[row] = apart_m < site.setback_m - TOUCH_M
    share = forbids.mean(axis=(1, 2))
    alone = (forbids & (forbids.sum(axis=0) == 1)).mean(axis=(1, 2))
    ids = np.concatenate([near.obstacles.ids[site.rows], near.pole_ids[site.poles]])
    kinds = np.concatenate([site.kinds, np.full(poles, "pole")])
    names = np.concatenate([near.obstacles.names[site.rows], np.full(poles, None)])
    found = [
        Obstruction(
            str(ids[row]), str(kinds[row]), names[row], float(share[row]), float(alone[row])
        )
        for row in np.flatnonzero(share > 0.0)
    ]
    return tuple(sorted(found, key=lambda o: (-o.share_ratio, o.where, o.kind)))
