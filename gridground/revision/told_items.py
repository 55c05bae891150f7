"""What a field record tells that a person must settle before its plan is worked from."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from gridground.record import Note, OpenItem
from gridground.revision.tellings import VEHICLE_KEY
from gridground.territory.text import shown
from gridground.units import feet_text, room_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.job import Settled

_SAME_M = 1e-3  # a tape is not read finer
# The page's own word, in capitals; and any figure of volts but zero.
# Neither is part of a conductor's name, "12kV-1:A".
_READING = re.compile(r"(?<![\w-])READING(?![\w:-])")
_VOLTS = re.compile(
    r"(?<![\w.,-])(\d+(?:[.,]\d+)?|[.,]\d+)\s*(?:kV|V|volts?|kilovolts?)(?![\w:-])", re.IGNORECASE
)
READING_TOLD = "detector_reading_told"


def told_readings(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the detectors that are told to have read something, in the form of an occurrence.

    Parameters
    ----------
    rows : sequence of dict
        Rows of a plan's ``measured``.
    """
    found = []
    for row in rows:
        refused = row.get("refused")
        if row["what"] != "detector" or not (refused or tells_reading(_last_words(row))):
            continue
        text = (
            f"step {row.get('step_id')}, told by {row['who']} at {row['at']}: the detector "
            f"{shown(row['value'], limit=200)}"
        ) + (f"; the step was refused: {refused}" if refused else "")
        place = {key: row.get(key) for key in ("pole_id", "step_id", "at")}
        found.append({"code": READING_TOLD, **place, "text": text})
    return found


def detector_items(
    rows: Sequence[dict[str, Any]], settled: Sequence[Settled]
) -> Iterator[OpenItem]:
    """Ask about detectors that are told to have read something.

    Parameters
    ----------
    rows : sequence of dict
        Rows of a plan's ``measured``.
    settled : sequence of Settled
        What the job says was found out.
    """
    known = {(one.about, one.step_id, one.at) for one in settled}
    for row in told_readings(rows):
        if (READING_TOLD, row["step_id"], row["at"]) in known:
            continue
        where = (row["pole_id"], row["step_id"])
        yield OpenItem(
            READING_TOLD,
            tuple(str(one) for one in where if one is not None),
            row["text"],
            "the line may be energized, or something near it induces a voltage",
            "the clearance holder",
            "find what was read, then test again: the tick of the step tells what was found; or "
            f'state in the job settled = [{{ about = "{READING_TOLD}", step = '
            f'"{row["step_id"]}", at = "{row["at"]}", by = …, on = …, found = … }}]',
        )


def reading_notes(rows: Sequence[dict[str, Any]]) -> Iterator[Note]:
    """Say which tests were ticked after a reading, and what was found, in the crew's words.

    Parameters
    ----------
    rows : sequence of dict
        Rows of a plan's ``measured``.
    """
    for row in rows:
        if row["what"] == "detector" and row.get("found"):
            yield Note(
                f"Step {row.get('step_id')}: a detector reading was told before it was ticked by "
                f"{row['who']} at {row['at']}: {shown(row['value'], limit=200)}. What was found, "
                f"in the crew's words: {shown(row['found'], limit=200)}.",
                "field record of the plan before",
            )


def _last_words(row: dict[str, Any]) -> str:
    """Return what the detector told last; where what was found is told, what went before is past.

    The page writes a reading that was told earlier in front of the words of the later test.
    """
    value = str(row["value"])
    return value.rsplit("; then ", 1)[-1] if row.get("found") else value


def tells_reading(text: str) -> bool:
    """Say whether words about a detector tell a reading.

    Examples
    --------
    >>> tells_reading("no reading on A, B, C"), tells_reading("B reads 7 kV")
    (False, True)
    """
    volts = (float(found.group(1).replace(",", ".")) for found in _VOLTS.finditer(text))
    return _READING.search(text) is not None or any(value > 0 for value in volts)


def vehicle_rod_items(rows: Sequence[dict[str, Any]], *, least_m: float) -> Iterator[OpenItem]:
    """Ask about a rod of the truck that is told to stand too near the grounds of a pole.

    Parameters
    ----------
    rows : sequence of dict
        Rows of a plan's ``measured``.
    least_m : float
        The employer's distance [m].
    """
    for row in rows:
        if row["what"] == VEHICLE_KEY and row["value"] < least_m - _SAME_M:
            yield OpenItem(
                "vehicle_rod_near",
                ("vehicle", str(row["step_id"])),
                f"the truck's rod is told {room_text(row['value'])} from the nearest grounds of a "
                f"pole, by {row['who']} at {row['at']}; {feet_text(least_m)} are asked for",
                "a fault raises both, and whoever stands between them bridges it",
                "the crew's foreman",
                "drive it farther off, measure again and tell the step anew",
            )
