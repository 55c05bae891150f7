"""What neighbouring lines and circuits induce in the worked line, for one placement of grounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from gridground.electrical.dead_section import InductionCase
from gridground.electrical.induced import induced
from gridground.electrical.tolerable import STRICTEST

if TYPE_CHECKING:
    from gridground.method import Outcome
    from gridground.scene import Scene


def induction_rows(scene: Scene, outcome: Outcome) -> list[dict[str, Any]]:
    """Return ``induction``: a row for every neighbour, and one for all together.

    Parameters
    ----------
    scene : Scene
        The worksite and what lies round it.
    outcome : Outcome
        The method worked out: its grounds close the loop.

    Returns
    -------
    list of dict
        Empty where nothing runs near.
    """
    job, placement = scene.job, outcome.placement
    role = "worksite" if placement.method == "single-point" else "bracket"
    grounds = {
        str(spot.top.pole_id): electrode.resistance_ohm
        for spot, electrode in zip(placement.spots, outcome.electrodes, strict=True)
        if spot.role == role and spot.top.pole_id is not None
    }
    case = InductionCase(
        grounds=grounds,
        opened=job.sources_opened or (),
        resistivity_ohm_m=max(e.resistivity_ohm_m for e in outcome.electrodes),
        circuit_faults=_circuit_faults(scene),
        worker_limit=job.limits.worker_limit,
        standing_rule=STRICTEST,
        body_ohm=job.limits.body_ohm,
    )
    return induced(scene.zone, case)


def _circuit_faults(scene: Scene) -> dict[str, tuple[float | None, float | None]]:
    """Return current and time of a phase-to-ground fault on every circuit that stays energized.

    At the circuit's pole nearest the worksite; one that has none near is left out.
    """
    near, network = scene.neighbourhood, scene.network
    centre = near.pole_xy[[near.pole_index[p] for p in near.centre_poles]].mean(axis=0)
    order = np.argsort(np.hypot(*(near.pole_xy - centre).T), kind="stable")
    circuits = scene.territory.spans["circuit_id"]
    found: dict[str, tuple[float | None, float | None]] = {}
    for pole_id in near.pole_ids[order]:
        for span in network.spans_at(network.pole_row[pole_id]):
            name = str(circuits[span])
            if name in found or name in scene.job.circuit_ids:
                continue
            fault = scene.live_fault(str(pole_id), name)
            found[name] = (None, None) if fault is None else (fault.phase_ground_a, fault.longest_s)
    return found
