"""What the page shows of a revision: its changes, and what was told from the field."""

from __future__ import annotations

from typing import Any

from gridground.revision.phrases import value_text

# Subjects that a crew must see at once; the rest is folded away.
FIRST = frozenset(
    {"job", "ready", "method", "location", "rod", "zone", "lead", "count", "worker", "limit"}
    | {"open item", "check"}
)
_NAMES = {
    "rod_ohm": "resistance of the rod",
    "soil_ohm_m": "soil at the rod",
    "rod_lon": "longitude of the rod",
    "rod_lat": "latitude of the rod",
    "rod_accuracy_m": "position good to",
    "rod_taped_m": "distance of the rod by tape",
    "vehicle_rod_taped_m": "distance of the truck's rod from the nearest grounds by tape",
    "rod_bearing_deg": "bearing of the rod",
    "length_m": "length",
    "size": "size",
    "lead_number": "number on the lead",
    "detector": "detector",
}


def changed_parts(document: dict[str, Any]) -> dict[str, Any]:
    """Return what the template of changes reads.

    Parameters
    ----------
    document : dict
        A plan; one without ``changes`` and ``measured`` shows neither.
    """
    changes = document.get("changes", [])
    return {
        "changes_first": [row for row in changes if row["what"] in FIRST],
        "changes_rest": [row for row in changes if row["what"] not in FIRST],
        "measured_rows": [_measured(row) for row in document.get("measured", [])],
    }


def _measured(row: dict[str, Any]) -> dict[str, Any]:
    """Return one row of what was told, in words."""
    place = row.get("pole_id") or row.get("span_id") or row.get("step_id")
    if row.get("lead_id") is not None:
        place = f"{row['lead_id']}: {row.get('from')} → {row.get('to')}, {place}"
    text = value_text(row.get("value"), row["what"])
    text += " (refused, not ticked)" if row.get("refused") else ""
    text += f" (found before: {row['found']})" if row.get("found") else ""
    return row | {"place": place, "name": _NAMES.get(row["what"], row["what"]), "text": text}
