"""What the score of one place is made of, in words and figures, and what limits the place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.grounding import candidates
from gridground.grounding.candidates import Measures, Rays, Site, floor_mm
from gridground.units import feet_text, room_text

if TYPE_CHECKING:
    from gridground.grounding.neighbourhood import Neighbourhood

_EVEN_M = 0.02  # what the plane and seven decimals move a place


@dataclass(frozen=True)
class Part:
    """One term of a score: what it is for, and what it costs in metres of lead."""

    key: str  # which term, whatever features it names
    what: str
    cost: float

    @property
    def row(self) -> dict[str, Any]:
        """The row of ``score_parts``."""
        return {"what": self.what, "cost": round(self.cost, 3)}


def said(parts: tuple[Part, ...]) -> tuple[str, ...]:
    """Return a score term by term in words; the first is the lead itself."""
    lead, *rest = parts
    return (lead.what, *(f"+{part.cost:.1f}: {part.what}" for part in rest))


def parts_of(site: Site, near: Neighbourhood, ray: Rays, found: Measures) -> tuple[Part, ...]:
    """Return term by term how the score of one place comes about; the sum is the score.

    Parameters
    ----------
    site : Site
    near : Neighbourhood
        Of the site.
    ray : Rays
        One ray with one distance.
    found : Measures
        Of it.
    """
    lead_m = float(ray.distance_m[0, 0])
    parts = [Part("lead", f"lead on the ground {feet_text(lead_m)}", lead_m)]
    ids = near.obstacles.ids[site.rows]
    feature, _, over_m = ray.near(candidates.TIGHT_M)
    if over_m.size and over_m.min() < candidates.TIGHT_M:
        row = feature[np.lexsort((ids[feature].astype(str), over_m))[0]]
        spare_m = float(over_m.min())
        parts.append(
            Part(
                "spare",
                f"{room_text(floor_mm(spare_m))} to spare beyond the clearance of "
                f"{thing_text(site.kinds[row], ids[row])}",
                candidates.TIGHT_COST_PER_M * (candidates.TIGHT_M - spare_m),
            )
        )
    apart_m = np.hypot(*(site.poles_xy - ray.xy[0]).T) - site.setback_m
    nearest = int(np.argmin(apart_m))
    if apart_m[nearest] < candidates.POLE_TIGHT_M:
        spare_m = float(apart_m[nearest])
        parts.append(
            Part(
                "setback",
                f"{room_text(max(floor_mm(spare_m), 0.0))} to spare beyond the setback of pole "
                f"{near.pole_ids[site.poles[nearest]]}",
                candidates.TIGHT_COST_PER_M * (candidates.POLE_TIGHT_M - spare_m),
            )
        )
    return (*parts, *_zone(site, ids, ray), *_walks(site, ids, ray), *_overhead(site, ray, found))


def _zone(site: Site, ids: Any, ray: Rays) -> list[Part]:  # noqa: ANN401  an array of ids
    """Return what the zone meets."""
    parts = []
    for kind, cost_m in candidates.ZONE_COST_M.items():
        near = shapely.distance(site.geometry, ray.lines[0]) <= site.zone_radius_m
        met = np.flatnonzero((site.kinds == kind) & near)
        if met.size:
            parts.append(
                Part(
                    f"zone {kind}",
                    f"the zone meets {kind} {_listed(ids[met])}: {_care(kind)}",
                    cost_m,
                )
            )
    return parts


def _walks(site: Site, ids: Any, ray: Rays) -> list[Part]:  # noqa: ANN401  an array of ids
    """Return what the lead lies across."""
    parts = []
    for kind, cost_m in candidates.WALK_COST_M.items():
        rows, _, _ = ray.contacts(site.kinds == kind)
        if rows.size:
            parts.append(
                Part(f"walk {kind}", f"the lead lies across {kind} {_listed(ids[rows])}", cost_m)
            )
    return parts


def _overhead(site: Site, ray: Rays, found: Measures) -> list[Part]:
    """Return what hangs overhead."""
    parts = []
    if found.line_deg[0] < candidates.UNDER_LINE_DEG:
        parts.append(
            Part(
                "line",
                f"within {candidates.UNDER_LINE_DEG:.0f}° of the line's direction, where wire and "
                "truck come",
                candidates.UNDER_LINE_COST_M,
            )
        )
    if found.live_m[0, 0] < 0.0:
        under = shapely.distance(site.live, ray.points[0]) < site.live_half_m
        parts.append(
            Part(
                "live",
                f"under {_listed(site.live_names[under])}, which stays energized: rod, boom and "
                "auger keep the approach distance",
                candidates.LIVE_COST_M,
            )
        )
    return parts


def limited_by(site: Site, near: Neighbourhood, ray: Rays) -> tuple[dict[str, Any], ...]:
    """Return what keeps a place from being elsewhere, the tightest first.

    Returns
    -------
    tuple of dict
        ``{"where", "kind", "spare_m", "clearance_m"}`` of each feature with less than a metre to
        spare beyond its clearance, and of each pole with no more than the foot that is asked for.
    """
    rows = []
    feature, _, over_m = ray.near(candidates.TIGHT_M)
    for row, spare_m in zip(feature.tolist(), over_m.tolist(), strict=True):
        if spare_m < candidates.TIGHT_M:
            where, kind = str(near.obstacles.ids[site.rows[row]]), str(site.kinds[row])
            rows.append((where, kind, spare_m, float(site.clearance_m[row])))
    apart_m = np.hypot(*(site.poles_xy - ray.xy[0]).T) - site.setback_m
    for row in np.flatnonzero(apart_m < candidates.POLE_TIGHT_M + _EVEN_M):
        pole_id = str(near.pole_ids[site.poles[row]])
        rows.append((pole_id, "pole", float(apart_m[row]), site.setback_m))
    rows.sort(key=lambda r: (round(r[2], 6), r[0], r[1]))
    return tuple(
        {
            "where": where,
            "kind": kind,
            "spare_m": max(floor_mm(spare_m), 0.0),
            "clearance_m": round(clearance_m, 6),
        }
        for where, kind, spare_m, clearance_m in rows
    )


def why_not(other: tuple[Part, ...], chosen: tuple[Part, ...]) -> str:
    """Say why a place lost against the one chosen."""
    more_m = sum(p.cost for p in other) - sum(p.cost for p in chosen)
    if more_m < 0.0051:
        return "as good to the centimetre; of equals the smallest bearing from north is taken"
    longer_m = other[0].cost - chosen[0].cost
    had = {part.key: part.cost for part in chosen}
    causes = [f"the lead is {feet_text(longer_m)} longer"] if longer_m >= 0.05 else []
    causes += [
        f"+{part.cost:.1f}: {part.what}"
        for part in other[1:]
        if part.cost > had.get(part.key, 0.0) + 0.005
    ]
    return f"{more_m:.2f} more: " + ("; ".join(causes) or "a slightly longer lead")


def thing_text(kind: str, name: str) -> str:
    """Return an obstacle as people say it: its kind and its id."""
    said = {
        "vehicle": "the truck",
        "vehicle_rod": "the truck's rod",
        "steep": f"steep ground at {name}",
        "low_line": f"the low energized line {name}",
    }
    return said.get(kind, f"{kind} {name}")


def _care(kind: str) -> str:
    """Say what a kind of place in the zone asks for."""
    if kind in {"road", "driveway"}:
        return "traffic control or an attendant"
    return "an attendant" if kind != "unknown" else "what it is must be settled"


def _listed(ids: Any) -> str:  # noqa: ANN401  an array of ids
    """Name a few ids in order."""
    names = sorted({str(name) for name in ids})
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
