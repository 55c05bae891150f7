"""The page of one job as text; whoever writes it to disk writes it whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gridground.record import Plan


def page_html(plan: Plan) -> str:
    """Return the job map as one HTML file that needs nothing else.

    Parameters
    ----------
    plan : Plan
        A plan, made now or read from a file.

    Returns
    -------
    str
        HTML; encode as UTF-8. The same plan gives the same text.

    Raises
    ------
    InputError
        Where the document has another shape than a plan's.
    """
    from gridground.jobmap.map import job_map  # noqa: PLC0415  folium takes most of a second

    return str(job_map(plan).get_root().render())
