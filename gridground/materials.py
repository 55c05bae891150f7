"""What to load on the truck."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job
    from gridground.record import LeadRow


def materials_of(job: Job, rows: Sequence[LeadRow], totals: dict[str, int]) -> list[dict[str, Any]]:
    """Return what to load: leads by size and length, out of the kit where one is stated.

    A larger or longer lead stands in; what is short counts only where the kit says what there is.
    """
    wanted: Counter[tuple[str, float]] = Counter()
    for row in rows:
        wanted[row.size, row.length_m] += row.parallel
    left = sorted(job.kit.leads if job.kit else (), key=lambda lead: (lead.length_m, lead.lead_id))
    materials = []
    for (size, length), count in sorted(wanted.items(), key=lambda item: (-item[0][1], item[0][0])):
        taken = [
            lead
            for lead in left
            if area_mm2(lead.size) >= area_mm2(size) - 1e-6 and lead.length_m >= length - 1e-6
        ][:count]
        left = [lead for lead in left if lead not in taken]
        materials.append(
            _material("lead", size, length, count)
            | {
                "from_kit": [f"{t.lead_id} ({t.size}, {feet_text(t.length_m)})" for t in taken],
                "short": count - len(taken) if job.kit else 0,
            }
        )
    kit = job.kit
    for item, size, count, have in (
        ("ground rod", "", totals["rods"], kit.rods if kit else None),
        ("cluster bar", "", totals["cluster_bars"], kit.cluster_bars if kit else None),
        ("cone", "", totals["cones"], None),
    ):
        short = 0 if have is None else max(count - have, 0)
        materials.append(_material(item, size, None, count) | {"from_kit": [], "short": short})
    clamps: Counter[str] = Counter()
    for row in rows:
        clamps[row.clamp_from] += row.parallel
        clamps[row.clamp_to] += row.parallel
    for name, count in sorted(clamps.items()):
        materials.append(_material(name, "", None, count) | {"from_kit": [], "short": 0})
    return materials


def _material(item: str, size: str, length_m: float | None, count: int) -> dict[str, Any]:
    """Return one row of the materials."""
    return {"item": item, "size": size, "length_m": length_m, "count": count}
