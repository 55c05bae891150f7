"""What the command line says of a plan: readiness first, then what a person must do about it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gridground.errors import Problem
    from gridground.sharing import Share
    from gridground.territory.read import Judgement

WIDTH = 79  # a terminal of 80 columns
INDENT = "  "
MOST_PROBLEMS = 12
NO_LAYERS = frozenset({"job", "record", "call", "environment", "territory", "columns"})
MOST_IDS = 6
# Open items by what they are about, the most important first: the isolation; what else can
# energize the line; faults, times and limits. Then all others; what truck and papers lack last.
FIRST = (
    ("leads_hang_under_earlier_plan", "removal_with_people_on", "released_with_people_on"),
    ("released_with_leads_on", "on_before_tested", "rod_place_unlawful"),
    ("detector_reading_told", "still_connected", "end_not_joined", "tie_not_tagged"),
    ("sources_not_stated", "generation_not_isolated", "equipment_not_isolated", "cable_far_end"),
    ("same_job_id", "another_clearance", "other_plan_unreadable", "work_day_outside_clearance"),
    ("live_circuit_fault", "crossing_fault", "event_not_solved", "event_unknown"),
    ("event_time_unknown", "joined_sources", "neutral_stops"),
    ("reclosing_not_stated", "reclosing_not_blocked"),
    ("limit_unusual", "which_cut", "cut_not_there"),
)
LAST = ("kit_short", "kit_clamps_unknown", "work_day_not_stated", "no_locate_ticket")
_RANK = {code: place for place, codes in enumerate(FIRST) for code in codes}
_RANK |= dict.fromkeys(LAST, len(FIRST) + 1)


def problem_lines(problems: Sequence[Problem], territory: str | None) -> list[str]:
    """Return why an input was rejected, one line a problem.

    Parameters
    ----------
    problems : sequence of Problem
        Everything found.
    territory : str or None
        Folder of the data, where the call names one: of many problems of its layers the first
        few are shown, and `gridground check` shows the rest. Others are shown all.
    """
    of_data = [problem for problem in problems if problem.layer not in NO_LAYERS]
    hidden = of_data[MOST_PROBLEMS:] if territory is not None else []
    lines = [f"{one.level}: {one.sentence()}" for one in problems if one not in hidden]
    if hidden and territory is not None:
        lines.append(f"and {len(hidden)} more of the data; gridground check {territory} lists them")
    return lines


def judged_lines(judged: Judgement) -> list[str]:
    """Return what `gridground check` says: the state, what was read, then one line a finding.

    Parameters
    ----------
    judged : Judgement
        A territory as judged.
    """
    levels = ("reject", "open item", "note")
    counts = [sum(one.level == level for one in judged.problems) for level in levels]
    words = ("rejection", "open item", "note")
    told = [counted(n, word) for n, word in zip(counts, words, strict=True) if n]
    state = "usable" if judged.ok else "rejected"
    rows = ", ".join(f"{layer} {n:,}" for layer, n in judged.rows.items())
    lines = [f"{state}: {', '.join(told) or 'nothing found to mend'}"]
    lines += wrapped(f"rows read: {rows or 'none'}", first=INDENT, rest=2 * INDENT)
    return lines + [
        f"{one.level}: {one.sentence()}"
        for level in levels
        for one in judged.problems
        if one.level == level
    ]


def wrapped(text: str, *, first: str = "", rest: str = INDENT) -> list[str]:
    """Return a text in lines that a terminal of 80 columns shows whole; ids stay unbroken."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def command_lines(words: Sequence[str], *, indent: str) -> list[str]:
    """Return a command over several lines, each but the last with a backslash, to be copied.

    Parameters
    ----------
    words : sequence of str
        The command; quoted here where the shell asks for it.
    indent : str
        Before the first line.
    """
    import shlex  # noqa: PLC0415  start-up time

    lines, line = [], indent
    for word in map(shlex.quote, words):
        if line.strip() and len(line) + len(word) + 3 > WIDTH:
            lines.append(f"{line} \\")
            line = f"{indent}    {word}"
        else:
            line = f"{line} {word}" if line.strip() else f"{line}{word}"
    return [*lines, line]


def in_order(items: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return open items with the most important first, else in the order of the plan."""
    return sorted(items, key=lambda item: _RANK.get(item["code"], len(FIRST)))


def state_line(document: Mapping[str, Any], shares: Sequence[Share] = ()) -> str:
    """Return the first line: ready, or how much is open; and that other jobs share something.

    Examples
    --------
    >>> state_line({"job_id": "J", "ready": False, "open_items": [{}], "checks": []})
    'J: 1 open item'
    """
    others = f"; shared with {counted(len(shares), 'other job')}" if shares else ""
    failed = [check for check in document["checks"] if not check["passed"]]
    open_items = document["open_items"]
    told = [counted(len(failed), "check") + " failed"] if failed else []
    told += [counted(len(open_items), "open item")] if open_items else []
    state = "ready" if document["ready"] and not told else ", ".join(told) or "NOT ready"
    return f"{document['job_id']}: {state}{others}"


def counted(number: int, word: str) -> str:
    """Return a number with its word."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def plan_lines(
    document: Mapping[str, Any], shares: Sequence[Share], files: Sequence[str]
) -> list[str]:
    """Return everything the command line says of a plan just made.

    Parameters
    ----------
    document : mapping
        The plan.
    shares : sequence of Share
        Other jobs that share something with it.
    files : sequence of str
        What is said of the files: where they are, what they replaced.

    Returns
    -------
    list of str
        Lines of at most 79 characters, unless an id or a path is longer.
    """
    from gridground.revising import change_lines  # noqa: PLC0415  a rejection needs none of it

    return [
        state_line(document, shares),
        *_what(document),
        *_failed(document),
        *_items(document),
        *_shared(shares),
        *(line for text in change_lines(document.get("changes", [])) for line in wrapped(text)),
        *(line for text in files for line in wrapped(text)),
    ]


def _what(document: Mapping[str, Any]) -> list[str]:
    """Say method, poles and counts."""
    totals = document["totals"]
    places = [
        f"{row['pole_id'] or 'span ' + str(row['span_id'])} ({row['role']})"
        for row in document["locations"]
    ]
    counts = (
        f"{totals['locations']} locations, {totals['leads']} leads, {totals['rods']} rods, "
        f"{totals['cones']} cones"
    )
    return [
        *wrapped(f"{document['method']} at {', '.join(places)}", first=INDENT, rest=2 * INDENT),
        f"{INDENT}{counts}",
        *wrapped(document["method_reason"], first=f"{INDENT}why: ", rest=2 * INDENT),
    ]


def _failed(document: Mapping[str, Any]) -> list[str]:
    """Say which checks failed, and what would mend them."""
    from gridground.figures import check_limit_text, check_value_text  # noqa: PLC0415  start

    lines = []
    for check in document["checks"]:
        if check["passed"]:
            continue
        text = (
            f"{check['code']} ({_ids(check['where'])}): {check_value_text(check)}, limit "
            f"{check_limit_text(check)}; mended by {check['mends']}"
        )
        lines += wrapped(text, first="check failed: ")
    return lines


def _items(document: Mapping[str, Any]) -> list[str]:
    """Say what is open and who settles it."""
    lines = []
    for item in in_order(document["open_items"]):
        head = f"{item['code']} ({_ids(item['where'])}): {item['what']}"
        lines += wrapped(head, first="open item: ")
        settled = f"{item['who']}: {item['settles']}"
        lines += wrapped(settled, first=f"{INDENT}settled by ", rest=2 * INDENT)
    return lines


def _ids(where: Sequence[str]) -> str:
    """Name some ids, the first few of many."""
    rest = len(where) - MOST_IDS
    return ", ".join(where[:MOST_IDS]) + (f" and {rest} more" if rest > 0 else "")


def _shared(shares: Sequence[Share]) -> list[str]:
    """Say what is shared with other jobs, and how their plans learn of it."""
    lines = []
    for share in shares:
        lines += wrapped(share.text(), first="shared with ")
        if told := share.told():
            lines += wrapped(told, first=INDENT, rest=INDENT)
        if share.command is not None:
            lines += command_lines(share.command, indent=2 * INDENT)
    return lines


def refusal_lines(job_id: str, reasons: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what the command line says of a job without a plan.

    Parameters
    ----------
    job_id : str
        Of the job.
    reasons : sequence of mapping
        ``code  where  what  remedy`` each.
    """
    lines = [f"{job_id}: refused, no plan possible, {counted(len(reasons), 'reason')}"]
    for reason in reasons:
        text = f"{reason['code']} ({_ids(reason['where'])}): {reason['what']}"
        lines += wrapped(text, first="no plan: ")
        lines += wrapped(reason["remedy"], first=INDENT)
    return lines


def files_line(folder: str, names: Sequence[str], pdfs: Sequence[str]) -> str:
    """Say where the files are, the page and the plan by name.

    Examples
    --------
    >>> files_line("out", ["j.plan.json", "j.html", "j.gpx"], [])
    'files in out: j.html, j.plan.json and 1 more'
    """
    ends = (".html", ".plan.json", ".refused.json")
    shown = sorted(name for name in names if name.endswith(ends))
    shown = [name for name in shown if ".rev" not in name]
    rest = len(names) - len(shown)
    sheets = f", {counted(len(pdfs), 'PDF')}" if pdfs else ""
    return f"files in {folder}: {', '.join(shown)}{sheets}" + (f" and {rest} more" if rest else "")
