"""Sources that feed a fault together: in which event, and what of it the job itself leaves open."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from gridground.electrical.fault_items import OPEN_TIE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gridground.electrical.energizing import Origin
    from gridground.job import Job
    from gridground.record import OpenItem

CODE = "joined_sources"


def in_their_events(found: Iterable[tuple[OpenItem, Origin]], job: Job) -> list[OpenItem]:
    """Return open items of fault studies, those about sources that feed together with their events.

    Parameters
    ----------
    found : iterable of (OpenItem, Origin)
        What a study asks, and where energy comes in there; other items stay as they are.
    job : Job
        Whether it states what is opened.

    Returns
    -------
    list of OpenItem
        Each once, in their order, however many events it is of. Of devices that are recorded open
        and studied as closed again nobody is told to open the tie. Where the job does not state
        what is opened that comes first: nothing is held open in the study, and with the openings
        most such pairs are one source alone.
    """
    events: dict[OpenItem, list[Origin]] = {}
    for item, origin in found:
        events.setdefault(item, []).append(origin)
    return [
        _told(item, origins, job) if item.code == CODE else item for item, origins in events.items()
    ]


def _told(item: OpenItem, origins: list[Origin], job: Job) -> OpenItem:
    """Return one item with its events."""
    what, settles = item.what, item.settles
    if all(origin.kind == "device closed again" for origin in origins):
        names = " or ".join(dict.fromkeys(origin.name for origin in origins))
        what = f"With {names} closed again by mistake (an event that is studied): {what}"
        settles = settles.removeprefix(OPEN_TIE)
    if job.sources_opened is None:
        what += (
            " The job does not state what is opened, so no source is taken as held off: two may "
            "be counted where one feeds."
        )
        settles = f"State sources_opened in the job first. Where the item stays: {settles}"
    return replace(item, what=what, settles=settles[:1].upper() + settles[1:])
