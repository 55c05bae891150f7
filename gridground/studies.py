"""The fault studies of one job: each circuit, state of devices and set of sources studied once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gridground.electrical.faults import study_poles
from gridground.electrical.feeds import part_of
from gridground.electrical.generators import generator_sources

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.faults import PoleStudy
    from gridground.electrical.feeds import Extra
    from gridground.job import Job
    from gridground.territory.cut import Cut
    from gridground.territory.layers import Territory
    from gridground.territory.network import Network


class Studies:
    """Fault studies made so far, by network and circuit.

    Parameters
    ----------
    territory : Territory
        As read.
    job : Job
        Which clearing time counts, where reclosing is blocked, what is isolated.
    """

    def __init__(self, territory: Territory, job: Job) -> None:
        self.territory, self.job = territory, job
        # networks are kept with their studies, so that no other one takes the place of their id
        self._made: dict[tuple[int, str], tuple[Network, list[PoleStudy]]] = {}

    def of(self, network: Network, circuit_id: str, poles: Sequence[str]) -> list[PoleStudy]:
        """Return the studies of a circuit at some poles.

        Parameters
        ----------
        network : Network
            With the states of devices that count.
        circuit_id : str
            Circuit whose conductors are meant.
        poles : sequence of str
            Poles.

        Returns
        -------
        list of PoleStudy
            The first without generators; where some are not isolated a second with all of them.
            Both count: with a generator the current is larger, without it the relay may take
            longer.

        Raises
        ------
        NoPlanError
            Code ``not_in_network``: a pole that is not on the circuit.
        """
        key = (id(network), circuit_id)
        _, made = self._made.get(key, (network, []))
        known = [*made[0].column] if made else []
        if not made or not set(poles) <= set(known):
            blocked = self.job.reclosing_blocked or ()
            asked = [*dict.fromkeys([*known, *poles])]
            part = part_of(network, circuit_id, asked)
            made = [
                study_poles(
                    part.territory,
                    part.network,
                    circuit_id=circuit_id,
                    pole_ids=asked,
                    clearing=self.job.limits.clearing,
                    reclosing_blocked=blocked,
                    extra=extra,
                )
                for extra in self._sources(network, part)
            ]
            self._made[key] = network, made
        return [study.only(poles) for study in made]

    def _sources(self, network: Network, part: Cut) -> list[list[Extra]]:
        """Return the sources to be added to a part: none, and all generators not isolated.

        Where there are some elsewhere only, there are none to be added.
        """
        isolated = self.job.isolated_equipment
        generators = generator_sources(self.territory, network, isolated=isolated)
        here = [
            one._replace(node=number)
            for one in generators
            if (number := part.number_of(one.node)) is not None
        ]
        return [[], here] if here else [[]]
