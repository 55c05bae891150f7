"""The sides of a pole as a crew finds them: by the next pole, whose number can be read."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.territory.network import Network


def next_poles(network: Network, pole: int, spans: Sequence[int]) -> dict[str, str]:
    """Return by span id the pole at the other end, in words.

    Parameters
    ----------
    network : Network
        As built.
    pole : int
        Pole row.
    spans : sequence of int
        Span rows that end there.

    Returns
    -------
    dict
        Two spans of one circuit to the same pole are told apart by their ids: ``P13 by S12``.
    """
    territory = network.territory
    ids, circuit = territory.spans.ids, territory.spans["circuit_id"]
    far = {s: str(territory.poles.ids[network.other_end(s, pole)]) for s in spans}

    def alike(span: int) -> int:
        return sum(circuit[o] == circuit[span] and far[o] == far[span] for o in far)

    return {str(ids[s]): far[s] if alike(s) == 1 else f"{far[s]} by {ids[s]}" for s in far}
