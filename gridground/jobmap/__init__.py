"""The job map: a plan as one self-contained page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.jobmap.page import page_html

if TYPE_CHECKING:
    from gridground.record import Plan

__all__ = ["job_map", "page_html"]


def job_map(plan: Plan) -> Any:  # noqa: ANN401  a folium.Map; folium is imported when it is drawn
    """Return the job map as a ``folium.Map``."""
    from gridground.jobmap.map import job_map as draw  # noqa: PLC0415

    return draw(plan)
