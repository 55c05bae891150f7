"""What every file made from a plan says of itself: which plan, how ready, and who decides."""

from __future__ import annotations

import re
from typing import Any

from gridground.jobmap.words import printable

PLANNING_AID = (
    "Planning aid. The employer's rules, the clearance holder and the person in charge decide at "
    "the pole. The line is energized until isolated, tagged, tested and grounded. Voltages are "
    "estimates under the assumptions the plan names. State plans and other countries differ."
)
NOTHING_OPEN = "No open item, every check passed"
# Two more that XML 1.0 cannot carry (section 2.2, Char); the rest is replaced by `printable`.
_NO_CHARACTER = re.compile("[\ufffe\uffff]")


def legal(text: str) -> str:
    r"""Return text that every sink can carry: a visible replacement for what none can.

    Examples
    --------
    >>> legal("P1\x00 ]]> \uffff")
    'P1� ]]> �'
    """
    return _NO_CHARACTER.sub("\ufffd", printable(text))


def readiness(document: dict[str, Any]) -> str:
    """Return the state of a plan in words, worked out from its open items and checks.

    Of a plan with nothing open it says just that: a file that was cut off must not call itself
    ready.

    Examples
    --------
    >>> readiness({"open_items": [{}], "checks": [{"passed": False}]})
    'NOT READY: 1 open item, 1 failed check'
    """
    counts = (
        (len(document["open_items"]), "open item"),
        (sum(check["passed"] is not True for check in document["checks"]), "failed check"),
    )
    why = [f"{count} {word}{'' if count == 1 else 's'}" for count, word in counts if count]
    return f"NOT READY: {', '.join(why)}" if why else NOTHING_OPEN


def revision_text(document: dict[str, Any]) -> str | None:
    """Return the revision of a plan, None where the plan has none."""
    revision = document.get("revision")
    if isinstance(revision, dict):
        revision = revision.get("number")
    return None if revision is None else legal(str(revision))


def about(document: dict[str, Any]) -> dict[str, str]:
    """Return what a file says of its plan, by name.

    Parameters
    ----------
    document : dict
        A plan.

    Returns
    -------
    dict of str
        ``job_id title revision plan_hash made_at tool_version readiness note``; without
        ``revision`` where the plan has none.
    """
    revision = revision_text(document)
    return {
        "job_id": legal(document["job_id"]),
        "title": legal(document["title"]),
        **({} if revision is None else {"revision": revision}),
        "plan_hash": document["plan_hash"],
        "made_at": legal(document["made_at"]),
        "tool_version": legal(document["tool_version"]),
        "readiness": readiness(document),
        "note": PLANNING_AID,
    }


def headline(document: dict[str, Any]) -> str:
    """Return the same as running text."""
    said = about(document)
    revision = f", revision {said['revision']}" if "revision" in said else ""
    return (
        f"{said['readiness']}. Job {said['job_id']}{revision}, plan {said['plan_hash']}, "
        f"made {said['made_at']}, gridground {said['tool_version']}. {PLANNING_AID}"
    )


def description(document: dict[str, Any]) -> str:
    """Return the headline with the plan's cautions behind it, a line each."""
    cautions = [legal(row["text"]) for row in document["cautions"]]
    return "\n".join([headline(document), *(text for text in cautions if text not in PLANNING_AID)])
