"""Keys that nobody knows: the nearest one of that table, and the place where a key belongs."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from gridground.territory.text import nearest_key, shown

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST_LISTED = 12
TOP = "beside job_id"
_NUMBER = re.compile(r"\[\d+\]")
# Tables that are only read where they stand.
WHERE_STATED: Mapping[str, frozenset[str]] = {
    "kit.leads": frozenset(
        ("lead_id", "size", "length", "clamps", "clamp_a", "clamp_b", "tested_on")
    ),
    "vehicle": frozenset(("lon", "lat", "pole_id", "bearing_deg", "distance", "rod")),
}


def table_text(name: str) -> str:
    """Say where the keys of a table stand.

    Examples
    --------
    >>> table_text(""), table_text("limits"), table_text("kit.leads")
    ('beside job_id', 'in [limits]', 'in [kit.leads]')
    """
    return f"in [{name}]" if name else TOP


def plain_table(name: str) -> str:
    """Return the name of a table without the numbers of rows.

    Examples
    --------
    >>> plain_table("kit.leads[3]")
    'kit.leads'
    """
    return _NUMBER.sub("", name)


def key_remedy(key: str, here: str, tables: Mapping[str, frozenset[str]]) -> str:
    """Return what to do about an unknown key.

    Parameters
    ----------
    key : str
        As written.
    here : str
        Name of the table in which it stands.
    tables : mapping
        Known keys by name of table; ``""`` is the file itself.

    Returns
    -------
    str
        The place where that very key belongs; else the nearest of this table; else the nearest of
        another; else the keys of this table.

    Examples
    --------
    >>> tables = {"": frozenset({"work_date"}), "vehicle": frozenset({"bearing_deg"})}
    >>> key_remedy("work_date", "limits", tables)
    "'work_date' stands beside job_id: write it there"
    >>> key_remedy("bearing", "vehicle", tables)
    "'bearing': did you mean 'bearing_deg'?"
    """
    own = tables.get(here, frozenset())
    others = {name: keys for name, keys in tables.items() if name != here}
    if at := [table_text(name) for name, keys in sorted(others.items()) if key in keys]:
        return f"{shown(key)} stands {' or '.join(at)}: write it there"
    if (found := nearest_key(key, own)) is not None:
        return f"{shown(key)}: did you mean {shown(found)}?"
    for name, keys in sorted(others.items()):
        if (found := nearest_key(key, keys)) is not None:
            return f"{shown(key)}: did you mean {shown(found)}? It stands {table_text(name)}"
    if 0 < len(own) <= MOST_LISTED:
        return f"leave it out; known here: {', '.join(sorted(own))}"
    return "leave it out"
