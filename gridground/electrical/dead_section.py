"""The dead section of a job: its pieces, its stretches, and the figures of one neighbour on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.induction import loop_a
from gridground.electrical.neighbours import (
    PIECE_M,
    Parts,
    dead_spans,
    job_frame,
    paths_m,
    span_parts,
)
from gridground.electrical.stretches import Stretch, find_stretches
from gridground.territory.network import Network

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.coupling import Coupling
    from gridground.territory.frame import Frame
    from gridground.territory.ways import Zone


@dataclass(frozen=True)
class InductionCase:
    """What is asked of one placement of grounds.

    Attributes
    ----------
    grounds : mapping
        ``pole_id -> resistance to earth of the ground there [ohm]``: rod, pole or neutral; None
        where it is not known (0 is taken: errs to more current).
    opened : tuple of str
        Devices opened for the job.
    resistivity_ohm_m : float
        [ohm·m].
    circuit_faults : mapping
        Circuits that stay energized: ``circuit_id -> (phase-to-ground fault beside the
        worksite [A], clearing time [s])``; None where not known.
    worker_limit : str or float
        Rule of the worker's limit during a fault.
    standing_rule : str
        Rule of what may stand for as long as somebody may touch it.
    body_ohm : float
        [ohm].
    """

    grounds: Mapping[str, float | None]
    opened: tuple[str, ...]
    resistivity_ohm_m: float
    circuit_faults: Mapping[str, tuple[float | None, float | None]]
    worker_limit: str | float
    standing_rule: str
    body_ohm: float


@dataclass(frozen=True)
class DeadSection:
    """The dead section of a job, in pieces, with its stretches.

    Attributes
    ----------
    zone : Zone
        The worksite.
    case : InductionCase
        What is asked.
    network : Network
        With the job's devices open.
    dead : ndarray of bool, shape (n_spans,)
        The spans that hang together with the worksite.
    frame : Frame
        The plane.
    pieces : Parts
        Its overhead spans, cut to 10 m.
    stretches : list of Stretch
        Between every two grounds.
    grounds : dict
        Pole row -> resistance to earth [ohm], None where not known.
    """

    zone: Zone
    case: InductionCase
    network: Network
    dead: NDArray[np.bool_]
    frame: Frame
    pieces: Parts
    stretches: list[Stretch]
    grounds: dict[int, float | None]

    @property
    def length_m(self) -> float:
        """Overhead length of the dead section [m]."""
        return float(self.pieces.length_m.sum())

    @property
    def frequency_hz(self) -> float:
        """Frequency of the worked circuits [Hz]."""
        circuits = self.network.territory.circuits
        return float(circuits["frequency_hz"][circuits.index()[min(self.zone.circuit_ids)]])

    @property
    def looped(self) -> NDArray[np.bool_]:
        """Pieces that lie between two grounds; all of them where there is one ground only."""
        if not self.stretches:
            return np.ones(len(self.pieces), bool)
        spans = np.concatenate([s.spans for s in self.stretches])
        return np.isin(self.pieces.owner, spans)

    @property
    def stretch_m(self) -> float:
        """The longest stretch [m]."""
        return max((s.length_m for s in self.stretches), default=self.length_m)


def dead_section(zone: Zone, case: InductionCase) -> DeadSection:
    """Return the dead section of a worksite in the state of the job."""
    network = zone.network
    if case.opened:
        network = Network.build(network.territory, opened=case.opened)
    dead = dead_spans(zone, network)
    rows = np.flatnonzero(dead)
    kind = network.territory.spans["kind"][rows]
    rows = rows[(kind != "cable") & (kind != "link")]
    frame = job_frame(zone)
    grounds = {network.pole_row[p]: ohm for p, ohm in case.grounds.items()}
    stretches = find_stretches(network, dead, grounds, resistivity_ohm_m=case.resistivity_ohm_m)
    pieces = span_parts(frame, network, rows, longest_m=PIECE_M)
    return DeadSection(zone, case, network, dead, frame, pieces, stretches, grounds)


def figures(section: DeadSection, c: Coupling) -> dict[str, float | None]:
    """Return the figures of one neighbour in one arrangement, the magnetic ones for 1 A."""
    pieces = section.pieces
    volts = np.zeros(len(pieces))
    np.maximum.at(volts, c.piece, c.floating_v)
    amps = np.zeros(len(pieces))
    np.maximum.at(amps, c.piece, c.discharge_a)
    emf = [_open_emf(section, c, kind) for kind in ("steady", "fault")]
    loops = [_loops(c, stretch) for stretch in section.stretches]
    return {
        "floating_v": float((volts * pieces.length_m).sum() / section.length_m),
        "floating_local_v": float(volts.max()),
        "discharge_a": float(amps.sum()),
        "emf_steady_v": emf[0],
        "emf_fault_v": emf[1],
        "circulating_steady_a": most_of([a for a, _ in loops]),
        "circulating_fault_a": most_of([b for _, b in loops]),
    }


def _open_emf(section: DeadSection, c: Coupling, kind: str) -> float:
    """Return the voltage across the open gap for 1 A: between grounds, else at the open end."""
    volts = np.abs(c.steady[:, :3] if kind == "steady" else c.fault[:, :3])
    volts = volts.reshape(len(c.span), -1)
    sums = [volts[np.isin(c.span, s.spans)].sum(axis=0).max() for s in section.stretches]
    looped = {pole for s in section.stretches for pole in (s.start, s.end)}
    loose = section.grounds.keys() - looped
    if loose:
        largest = volts.max(axis=1)
        weights = np.bincount(c.span, weights=largest, minlength=len(section.dead)).astype(float)
    for ground in loose:
        reached, _ = paths_m(section.network, section.dead, ground, weights)
        sums.append(reached[np.isfinite(reached)].max())
    return float(max(sums, default=0.0))


def _loops(c: Coupling, stretch: Stretch) -> tuple[float | None, float | None]:
    """Return the largest current for 1 A of load and of fault in a loop of two grounds."""
    if stretch.impedance_ohm is None:
        return None, None
    here = np.isin(c.span, stretch.spans)
    labels = list(stretch.labels)
    emf = np.concatenate([c.steady[here][:, labels, None], c.fault[here][:, labels]], axis=2)
    most = np.zeros(4)
    for end_ohm in stretch.end_ohm:
        currents = loop_a(emf.transpose(0, 2, 1), stretch.impedance_ohm, end_ohm)
        single = np.abs(currents).sum(axis=0).max(axis=1)
        ground = np.abs(currents.sum(axis=2)).sum(axis=0)
        most = np.maximum(most, np.maximum(single, ground))
    return float(most[0]), float(most[1:].max())


def most_of(values: Sequence[float | None]) -> float | None:
    """Return the largest known value; None where none is known."""
    return max((v for v in values if v is not None), default=None)
