"""One step of a plan as a row, and how its place is named."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class JobWords:
    """What the steps say of the job as a whole.

    Attributes
    ----------
    before : tuple of str
        What is done on the part that is parted off before anybody tests it; a step each.
    held : tuple of str
        What the holder tells the dispatcher before the release: devices that stay open because
        another job needs them; a step each.
    apart : str
        How far from a phase everybody stays until the grounds are on, ``"2 ft 2 in (0.66 m)"``;
        empty where the plan has no distance.
    """

    before: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
    apart: str = ""

    @property
    def energized(self) -> str:
        """Say what holds for whoever goes up before the grounds are on."""
        off = self.apart or "the approach distance of the employer's rules"
        return f"Treat the line as energized until the grounds are on: {off} or more to every phase"


def where_text(pole_id: str | None, span_id: str | None) -> str:
    """Name a location in a sentence."""
    return f"pole {pole_id}" if pole_id is not None else f"span {span_id}, at the lift or mat"


def step_row(pole_id: str | None, text: str, **more: object) -> dict[str, Any]:
    """Return one step."""
    return {"pole_id": pole_id, "text": text, **more}


def add_remark(step: dict[str, Any], text: str) -> None:
    """Put what is no action of its own with the step that it belongs to."""
    step.setdefault("remarks", []).append(text)
