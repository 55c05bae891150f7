"""Generators on the lines as sources of the network-wide faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.electrical.feeds import Extra
from gridground.electrical.source import equipment_source
from gridground.errors import NoPlanError
from gridground.territory.network import phase_mask
from gridground.territory.ways import equipment_nodes

if TYPE_CHECKING:
    from collections.abc import Collection

    from gridground.territory.layers import Territory
    from gridground.territory.network import Network


def generator_sources(
    territory: Territory, network: Network, *, isolated: Collection[str]
) -> list[Extra]:
    """Return every generator that is not isolated and states its fault current.

    Parameters
    ----------
    territory, network
        As read, and its graph.
    isolated : collection of str
        Equipment made safe for the job.

    Returns
    -------
    list of Extra
        By id. A generator whose fault current is not stated, or whose circuit does not end at its
        pole, is left out: that it is not isolated is an open item of its own.
    """
    table = territory.layer("equipment")
    if table is None or len(table) == 0:
        return []
    found = []
    nodes = equipment_nodes(network)
    for row in sorted(table.rows_by("kind").get("generator", []), key=lambda r: str(table.ids[r])):
        node = nodes[row]
        if node < 0 or table.ids[row] in isolated:
            continue
        try:
            source = equipment_source(territory, row)
        except NoPlanError:
            continue
        time_s = float(table["clearing_s"][row])
        phases = phase_mask(table["phases"][row]) or 7
        found.append(Extra(int(node), source, time_s, phases))
    return found
