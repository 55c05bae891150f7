"""What the plan says about the truck: what goes where, what is out of test, what is not told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.grounding.assignment import natural_key
from gridground.grounding.lead_clamps import clamps_of, unknown_clamps
from gridground.grounding.lengths import (
    REMARK_SOURCE,
    TIE_OVER_M,
    force_n_per_m,
    lead_remark,
)
from gridground.grounding.truck import why_out_of_test
from gridground.jobkit import clamp_names
from gridground.record import OpenItem
from gridground.territory.text import near_remedy, shown
from gridground.units import M_PER_FT, feet_text, round_up

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.job import Job, KitLead
    from gridground.record import LeadRow

APART_M = 1 * M_PER_FT
_N_PER_LBF = 4.4482216152605
FEW_NAMED = 12


def kit_block(
    job: Job, rows: Sequence[LeadRow], *, bond: LeadRow | None = None
) -> dict[str, Any] | None:
    """Return ``kit``: what the truck's leads were judged by, and what is left of them.

    Parameters
    ----------
    job : Job
        Kit, interval of the tests, day of the work.
    rows : sequence of LeadRow
        The lead table.
    bond : LeadRow or None
        The bond of the truck.
    """
    rows = [*rows, *([] if bond is None else [bond])]
    if job.kit is None:
        return None
    out = out_of_test(job)
    used = {lead_id for row in rows for lead_id in row.kit_lead_ids}
    left = [lead for lead in _sorted(job) if lead.lead_id not in {*used, *out}]
    return {
        "work_day": job.work_day,
        "lead_test_interval": job.limits.lead_test_interval,
        "assigned": {
            lead_id: row.lead_id
            for row in rows
            for lead_id in sorted(row.kit_lead_ids, key=natural_key)
        },
        "leads": [
            {"lead_id": lead.lead_id, "size": lead.size, "length_m": lead.length_m}
            for lead in _sorted(job)
        ],
        "left": [lead.lead_id for lead in left],
        "out_of_test": [{"lead_id": lead_id, "why": why} for lead_id, why in out.items()],
    }


def out_of_test(job: Job) -> dict[str, str]:
    """Return the leads of the truck that are out of test on the day of the work, with why."""
    told = ((lead.lead_id, why_out_of_test(job, lead)) for lead in _sorted(job))
    return {lead_id: why for lead_id, why in told if why is not None}


def _sorted(job: Job) -> list[KitLead]:
    """Return the leads of the truck by their ids."""
    leads = job.kit.leads if job.kit is not None else ()
    return sorted(leads, key=lambda lead: natural_key(lead.lead_id))


def kit_items(job: Job) -> list[OpenItem]:
    """Ask for what keeps the truck's leads from being judged."""
    if job.kit is None or not job.kit.leads:
        return []
    items = [
        OpenItem(
            "kit_clamps_unknown",
            (lead.lead_id,),
            f"the clamps of lead {lead.lead_id}, {' and '.join(map(shown, words))}, are no name of "
            "the clamp table",
            "whether its clamps fit is not known",
            "the crew's foreman",
            near_remedy(words, clamp_names(), f"name one of: {'; '.join(clamp_names())}"),
        )
        for lead in _sorted(job)
        if (words := unknown_clamps(lead))
    ]
    if job.limits.lead_test_interval is not None and job.work_day is None:
        items.append(
            OpenItem(
                "work_day_not_stated",
                (job.job_id,),
                "lead_test_interval is stated and the day of the work is not",
                "whether the truck's leads are in test on that day is not judged",
                "the clearance holder",
                "state work_date in the job, or work_start of the clearance",
            )
        )
    return items


def kit_assumptions(job: Job) -> list[dict[str, str]]:
    """Return what is taken for granted about leads and truck."""
    limits = job.limits
    rows = [
        _row(
            "Length of a lead: the straight way between its two ends by the construction, on the "
            "ground and up the pole to a rod; level ground where no rise is stated.",
            "our judgement",
        )
    ]
    if limits.lead_lengths_m:
        text = "Stocked lengths are those of lead_lengths; lead_length_step does not count."
        rows.append(_row(text, "employer's setting"))
    if job.kit is None:
        return rows
    counts = {"ground rods": job.kit.rods, "cluster bars": job.kit.cluster_bars}
    if unsaid := [name for name, count in counts.items() if count is None]:
        text = f"How many {' and '.join(unsaid)} are on the truck is not stated: none is missed."
        rows.append(_row(text, "not stated in the job"))
    if not job.kit.leads:
        return rows
    rows.append(
        _row(
            "All grounds of the plan are up at once: each lead of the truck is assigned once. The "
            "job states no order in which a lead could come off before another place needs it.",
            "not stated in the job",
        )
    )
    if limits.lead_test_interval is None:
        text = "Test dates of the truck's leads are not judged: lead_test_interval is not stated."
        rows.append(_row(text, "not stated in the job"))
    return rows + _clamp_assumptions(job)


def _clamp_assumptions(job: Job) -> list[dict[str, str]]:
    """Say of which leads one clamp, or none, is told."""
    told: dict[int, list[str]] = {0: [], 1: [], 2: []}
    for lead in _sorted(job):
        if not unknown_clamps(lead):
            told[len(clamps_of(lead).named)].append(lead.lead_id)
    rows = []
    if told[1]:
        text = (
            f"One clamp is stated of {_some(told[1])}: held against the ends it is made for. On "
            "other ends the lead table names the clamp that is needed, not one that is known."
        )
        rows.append(_row(text, "not stated in the job"))
    if told[0]:
        text = f"No clamps are stated of {_some(told[0])}: looked at on site."
        rows.append(_row(text, "not stated in the job"))
    return rows


def kit_cautions(
    job: Job, rows: Sequence[LeadRow], *, bond: LeadRow | None = None
) -> list[dict[str, str]]:
    """Return the cautions about leads that are long, and about the truck."""
    own = [] if bond is None else [bond]
    return [
        *_long_leads(rows),
        *_clamp_cautions(job, [*rows, *own]),
        *_test_cautions(job, [*rows, *own]),
        *_bond_cautions(job, rows, own),
    ]


def _clamp_cautions(job: Job, rows: Sequence[LeadRow]) -> list[dict[str, str]]:
    """Say where a lead hangs on an end that the one clamp stated of it is not made for.

    The lead table names the clamp that such an end needs; what is on the lead is not known.
    """
    there = {lead.lead_id: lead for lead in (job.kit.leads if job.kit is not None else ())}
    groups: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        for lead_id in (one for one in row.kit_lead_ids if one in there):
            named = clamps_of(there[lead_id]).named
            needed = {row.clamp_from, row.clamp_to} - {clamp.name for clamp in named}
            if len(named) == 1 and needed:
                key = (named[0].name, " and ".join(sorted(needed)))
                groups.setdefault(key, []).append(f"{lead_id} ({row.lead_id})")
    return [
        _row(
            f"Clamps of {_some(names)}: the kit states {stated}; where the lead goes on, {needed} "
            f"{'is' if ' and ' not in needed else 'are'} needed too. Look at both ends before the "
            "truck leaves.",
            "the kit of the job, and the clamp table",
        )
        for (stated, needed), names in sorted(groups.items())
    ]


def _long_leads(rows: Sequence[LeadRow]) -> list[dict[str, str]]:
    """Say which leads are tied, and what pushes them."""
    long = [row.lead_id for row in rows if lead_remark(row) is not None]
    if not long:
        return []
    peak_a = max((row.peak_a for row in rows if row.peak_a == row.peak_a), default=0.0)  # no NaN
    force = round_up(force_n_per_m(peak_a, APART_M), 1)
    text = (
        f"Leads {_some(long)}: more than {feet_text(TIE_OVER_M)} hang free, or they are much too "
        "long; the lead table says what to do. "
        f"Two leads {feet_text(APART_M)} apart push or pull each other with about {force:,.0f} "
        f"N/m ({force * M_PER_FT / _N_PER_LBF:,.1f} lbf per foot) at a first peak of "
        f"{peak_a:,.0f} A."
    )
    return [_row(text, f"{REMARK_SOURCE}; force by Ampère's law of two parallel currents")]


def _test_cautions(job: Job, rows: Sequence[LeadRow]) -> list[dict[str, str]]:
    """Name the leads of the truck that are out of test; those that hang are open items."""
    hangs = {lead_id for row in rows for lead_id in row.kit_lead_ids}
    out = {lead_id: why for lead_id, why in out_of_test(job).items() if lead_id not in hangs}
    if not out:
        return []
    named = "; ".join(f"{lead_id}: {why}" for lead_id, why in list(out.items())[:FEW_NAMED])
    more = f"; and {len(out) - FEW_NAMED} more" if len(out) > FEW_NAMED else ""
    text = f"Leads of the truck out of test, not assigned: {named}{more}."
    return [_row(text, "the employer's lead_test_interval and the dates stated in the job")]


def _bond_cautions(
    job: Job, rows: Sequence[LeadRow], bonds: Sequence[LeadRow]
) -> list[dict[str, str]]:
    """Say which lead is the bond of the vehicle, or what is left for it."""
    if not bonds or job.kit is None:
        return []
    (bond,) = bonds
    text = (
        "The vehicle's bond is one more lead, and its rod one more rod: no lead assigned to the "
        "line serves for it. "
    )
    if bond.kit_lead_ids:
        text += f"From the truck: {', '.join(bond.kit_lead_ids)}."
    else:
        left = (kit_block(job, rows) or {})["left"]
        text += f"Left on the truck: {_some(left) if left else 'no lead'}."
    return [_row(text, "common practice, no source")]


def _some(names: Sequence[str]) -> str:
    """Name the first few of many."""
    rest = len(names) - FEW_NAMED
    return ", ".join(names[:FEW_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _row(text: str, source: str) -> dict[str, str]:
    """Return one row."""
    return {"text": text, "source": source}
