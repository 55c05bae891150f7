"""What to load on the truck."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any

from gridground.grounding.assignment import natural_key
from gridground.kit import out_of_test
from gridground.shortage import lacking
from gridground.units import area_mm2, feet_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job
    from gridground.record import LeadRow


def materials_of(
    job: Job,
    rows: Sequence[LeadRow],
    totals: dict[str, int],
    *,
    bond: LeadRow | None = None,
) -> list[dict[str, Any]]:
    """Return what to load: leads by size and length, out of the kit where one is stated.

    Parameters
    ----------
    job : Job
        With the kit, where one is stated.
    rows : sequence of LeadRow
        The lead table, with the truck's leads assigned.
    totals : dict
        Counts of rods, bars and cones.
    bond : LeadRow or None
        The bond of the truck: a ``vehicle bond``, with its two clamps on it.

    Returns
    -------
    list of dict
        ``item size length_m count from_kit short``; leads have ``substitutes`` (what stands in for
        another size or number) and ``out_of_test`` (leads that would do and are out of test).
        What is short counts only where the kit says what there is. The truck's own rod is a
        ``vehicle ground rod``, out of the same rods of the kit; the counts of rods leave it out.
    """
    by_kind: dict[tuple[str, float], list[LeadRow]] = defaultdict(list)
    for row in rows:
        by_kind[row.size, row.length_m].append(row)
    kinds = sorted(by_kind, key=lambda kind: (-kind[1], area_mm2(kind[0]), kind[0]))
    materials = [_lead(job, kind, by_kind[kind]) for kind in kinds]
    bonds = [] if bond is None else [bond]
    materials += [_bond(job, rows, one) for one in bonds]
    kit = job.kit
    own = int(job.vehicle is not None and job.vehicle.rod is not None)
    have = kit.rods if kit else None
    left = None if have is None else max(have - totals["rods"], 0)  # the line's rods come first
    for item, size, count, there in (
        ("ground rod", "", totals["rods"], have),
        *((("vehicle ground rod", "", own, left),) if own else ()),
        ("cluster bar", "", totals["cluster_bars"], kit.cluster_bars if kit else None),
        ("cone", "", totals["cones"], None),
    ):
        short = 0 if there is None else max(count - there, 0)
        materials.append(_material(item, size, None, count) | {"from_kit": [], "short": short})
    clamps: Counter[str] = Counter()
    for row in rows:
        clamps[row.clamp_from] += row.parallel
        clamps[row.clamp_to] += row.parallel
    for name, count in sorted(clamps.items()):
        materials.append(_material(name, "", None, count) | {"from_kit": [], "short": 0})
    return materials


def _lead(job: Job, kind: tuple[str, float], rows: Sequence[LeadRow]) -> dict[str, Any]:
    """Return the row of all leads of one size and length."""
    size, length_m = kind
    count = sum(row.parallel for row in rows)
    taken = sorted((name for row in rows for name in row.kit_lead_ids), key=natural_key)
    return _material("lead", size, length_m, count) | {
        "from_kit": [f"{name} ({size}, {feet_text(length_m)})" for name in taken],
        "short": sum(lacking(row) for row in rows) if job.kit else 0,
        "substitutes": substitute_texts(rows),
        "out_of_test": _out_of_test(job, rows),
    }


def _bond(job: Job, rows: Sequence[LeadRow], bond: LeadRow) -> dict[str, Any]:
    """Return the row of the truck's bond; of unknown length it lacks only where no lead is left."""
    length_m = bond.length_m if bond.path else None
    short = 0
    if job.kit is not None:
        taken = {name for row in rows for name in row.kit_lead_ids} | set(out_of_test(job))
        left = any(lead.lead_id not in taken for lead in job.kit.leads)
        short = int(not bond.kit_lead_ids) if bond.path else int(not left)
    return _material("vehicle bond", bond.size, length_m, bond.parallel) | {
        "from_kit": [
            f"{name} ({bond.size}, {feet_text(bond.length_m)})" for name in bond.kit_lead_ids
        ],
        "short": short,
        "substitutes": substitute_texts([bond]),
        "out_of_test": _out_of_test(job, [bond]) if bond.path and short else [],
    }


def substitute_texts(rows: Sequence[LeadRow]) -> list[str]:
    """Say what stands in for the planned size or number of some rows, by what stands for what."""
    found: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        if row.planned is not None and (row.size, row.parallel) != row.planned[:2]:
            size, parallel, _ = row.planned
            what = f"{_many(row.parallel)}{row.size} in place of {_many(parallel)}{size}"
            found[what].append(" + ".join(row.kit_lead_ids))
    return [f"{what}: {', '.join(sorted(ids, key=natural_key))}" for what, ids in found.items()]


def _many(parallel: int) -> str:
    """Write a number of cables before their size."""
    return f"{parallel} x " if parallel > 1 else ""


def _out_of_test(job: Job, rows: Sequence[LeadRow]) -> list[str]:
    """Return leads out of test that are large and long enough for one of some rows."""
    why = out_of_test(job)
    least = [(area_mm2((row.planned or (row.size,))[0]), row.needed_m) for row in rows]
    return [
        f"{lead.lead_id}: {why[lead.lead_id]}"
        for lead in (job.kit.leads if job.kit else ())
        if lead.lead_id in why
        and any(
            area_mm2(lead.size) >= area - 1e-6 and lead.length_m >= needed_m - 1e-6
            for area, needed_m in least
        )
    ]


def _material(item: str, size: str, length_m: float | None, count: int) -> dict[str, Any]:
    """Return one row of the materials."""
    return {"item": item, "size": size, "length_m": length_m, "count": count}
