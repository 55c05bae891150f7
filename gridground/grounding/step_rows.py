"""One step of a plan as a row, and how its place is named."""

from __future__ import annotations

from typing import Any


def where_text(pole_id: str | None, span_id: str | None) -> str:
    """Name a location in a sentence."""
    return f"pole {pole_id}" if pole_id is not None else f"span {span_id}, at the lift or mat"


def step_row(pole_id: str | None, text: str, **more: object) -> dict[str, Any]:
    """Return one step."""
    return {"pole_id": pole_id, "text": text, **more}


def add_remark(step: dict[str, Any], text: str) -> None:
    """Put what is no action of its own with the step that it belongs to."""
    step.setdefault("remarks", []).append(text)
