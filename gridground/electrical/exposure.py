"""What a worker would see: every way of energizing the line, solved with the leads in place.

One reduction per origin; breaks of the neutral, states of the leads, events and contacts are then
answered on the small port network. The body is in the circuit: for a linear network the voltage
between two points with the body across them is V = Voc R_b / (R_b + Z_th), exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.contacts import DUST_DIGITS, Lasting, contacts_of, worst_cases
from gridground.electrical.driving import Asked, answers, lead_states
from gridground.electrical.energizing import Injection, Origin, Setting, build_model
from gridground.electrical.places import ELECTRODES, Branch, Layout, Place
from gridground.errors import NetworkError, NotReachedError
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from gridground.electrical.contacts import Contact
    from gridground.electrical.driving import Answer
    from gridground.electrical.energizing import Model
    from gridground.record import WorkerCase
    from gridground.territory.layers import Territory

__all__ = [
    "Branch",
    "Injection",
    "Layout",
    "Origin",
    "Place",
    "PlaceRise",
    "Setting",
    "SolvedOrigin",
    "Study",
    "counter_example_v",
    "study",
]


@dataclass(frozen=True)
class PlaceRise:
    """The largest rise of a place's electrode over earth [V] and its current [A].

    `standing_rise_v` is the largest of the events that nothing stated opens, 0 where there is none.
    """

    pole_id: str | None
    span_id: str | None
    rise_v: float
    electrode_a: float
    standing_rise_v: float = 0.0


@dataclass(frozen=True)
class SolvedOrigin:
    """One origin of the study: what it is and the worst it does to the worker.

    Attributes
    ----------
    name, kind : str
        Id, and ``"own source"``, ``"device closed again"``, ``"other circuit falls on"``,
        ``"equipment"`` or ``"line falls on"``.
    pole_id : str or None
        Pole at which it comes in; None for sources that feed the line along its own spans.
    limit_v : float
        Tolerable voltage of its cases [V].
    worst_v : float
        Largest voltage on the worker [V].
    clearing_s : float or None
        Clearing time stated for this origin alone [s].
    x_over_r : float or None
        Of its source [ratio]; None where it feeds from a circuit's own source, or is not known.
    lead_a : tuple of float
        Largest current of each lead row over its events and states [A].
    """

    name: str
    kind: str
    pole_id: str | None
    limit_v: float
    worst_v: float
    clearing_s: float | None
    x_over_r: float | None
    lead_a: tuple[float, ...]


@dataclass(frozen=True)
class Study:
    """The answer.

    Attributes
    ----------
    cases : tuple of WorkerCase
        Every event and contact, those of people on the ground (`WorkerCase.whose`) too.
    lead_current_a : ndarray, shape (n_rows,)
        Largest current of each lead row over all events and states [A]; NaN for rows no branch
        speaks of.
    rises : tuple of PlaceRise
        Places with an electrode.
    residual : float
        Largest violation of the current law over all nodes of the network, carried back from its
        ports, relative to the current injected.
    notes : tuple of str
        What was assumed or left out.
    origins : tuple of SolvedOrigin
        Where energy was let in from.
    by_state : dict
        State of the leads -> largest determined voltage on the worker [V].
    """

    cases: tuple[WorkerCase, ...]
    lead_current_a: NDArray[np.float64]
    rises: tuple[PlaceRise, ...]
    residual: float
    notes: tuple[str, ...]
    origins: tuple[SolvedOrigin, ...]
    by_state: dict[str, float]

    @property
    def worker_cases(self) -> tuple[WorkerCase, ...]:
        """The cases inside the bonded zone, the only ones that the bonds answer for."""
        return tuple(case for case in self.cases if case.whose == "worker")

    @property
    def ground_cases(self) -> tuple[WorkerCase, ...]:
        """The cases of people on the ground, whom the cone zone keeps off."""
        return tuple(case for case in self.cases if case.whose == "ground person")

    @property
    def worst(self) -> WorkerCase | None:
        """The worker's case with the largest voltage; one that is not determined leads."""
        return _worst(self.worker_cases)

    @property
    def worst_ground(self) -> WorkerCase | None:
        """The largest voltage of a person on the ground; it decides nothing about the worker."""
        return _worst(self.ground_cases)

    @property
    def tightest(self) -> WorkerCase | None:
        """The worker's case nearest to, or farthest over, its own limit."""
        return max(
            self.worker_cases, key=lambda c: (_loose(c), c.voltage_v / c.limit_v), default=None
        )

    @property
    def rod_a(self) -> dict[str, float]:
        """Largest current of the electrode of each place, by the id of the pole or span [A]."""
        return {str(rise.pole_id or rise.span_id): rise.electrode_a for rise in self.rises}


def _loose(case: WorkerCase) -> bool:
    """Say whether the voltage of a case is not determined."""
    return not case.passed and case.voltage_v <= case.limit_v


def _worst(cases: Sequence[WorkerCase]) -> WorkerCase | None:
    """Return the case with the largest voltage; those whose voltage is not determined lead."""
    return max(cases, key=lambda case: (_loose(case), case.voltage_v), default=None)


def study(
    territory: Territory, layout: Layout, *, origins: Sequence[Origin], setting: Setting
) -> Study:
    """Solve every event from every origin, with the neutral intact and broken.

    Parameters
    ----------
    territory : Territory
        As read.
    layout : Layout
        Places, their leads, and where conductors are split.
    origins : sequence of Origin
        Where energy can come from.
    setting : Setting
        Body, limit, growth, soil.

    Returns
    -------
    Study
        Events are all combinations of the phases that reach the places (an ungrounded source: of
        two phases or more; what a single phase of it drives is a charging current that this model
        does not hold); of what falls on the line each conductor it touches, and all of them.
        Contacts as `contacts_of` lists them.

    Raises
    ------
    NetworkError
        Where no origin reaches the places (one that does not is named in `notes`), or a lead ends
        on something that is not there.

    Notes
    -----
    Source: its voltages stand behind the matrix of Z1 and Z0, restricted to the phases that are
    energized, between the phases and the source's neutral point. That point is the neutral at the
    source pole, which `source_ground_ohm` ties to earth; so a bolted fault from a phase to the
    neutral at the source pole draws `fault_1ph_a`. An ungrounded source has a neutral point tied
    to nothing; where nothing else ties its phases to earth, the point stands at earth potential.
    Of the sources only the one that is the origin is switched on.

    Devices at places with grounds and between worksites split conductors into sides that only
    leads bond. Where such a device is closed in an event, energy passes it: the event is solved
    with the sides joined and apart, and a case keeps the worst.

    Broken neutral: every state of `neutral_breaks`; a case keeps the worst of them. Circuits that
    are neither worked on nor the origin are laid as far as they hang between the same poles as
    those; their neutrals beyond are left out.

    Leads: every state that the branches give (`STATES`); a case keeps the largest voltage and
    says in which state, currents and rises are the largest over the states.

    Lead and electrode currents are solved without the body, which takes less than a thousandth.
    """
    tally = _Tally.of(layout)
    missed: list[NotReachedError] = []
    for origin in origins:
        try:
            model = build_model(territory, layout, origin, setting, tally.notes)
        except NotReachedError as error:
            missed.append(error)
            again = " closed again" if origin.kind == "device closed again" else ""
            tally.notes.append(f"{origin.name}{again} does not reach the grounds: no case of it")
            continue
        tally.solve(model, setting)
    if missed and len(missed) == len(origins):
        raise missed[0]
    return tally.study()


@dataclass
class _Tally:
    """What is collected over all origins."""

    layout: Layout
    current_a: NDArray[np.float64]
    rise: NDArray[np.float64]  # of each place's electrode: volts, amperes, volts that stay
    notes: list[str] = field(default_factory=list)
    cases: list[WorkerCase] = field(default_factory=list)
    origins: list[SolvedOrigin] = field(default_factory=list)
    by_state: dict[str, float] = field(default_factory=dict)
    residual: float = 0.0

    @classmethod
    def of(cls, layout: Layout) -> _Tally:
        """Return an empty one."""
        n_rows = max((b.row for p in layout.places for b in p.branches), default=-1) + 1
        return cls(layout, np.full(n_rows, np.nan), np.zeros((len(layout.places), 3)))

    def solve(self, model: Model, setting: Setting) -> None:
        """Solve every event of one origin in every state."""
        contacts = contacts_of(model.places)
        electrodes = [(k, e) for k, p in enumerate(model.places) for e in p.electrodes]
        asked = Asked(
            np.array([(c.one, c.other) for c in contacts], np.intp).reshape(-1, 2),
            np.array([e.node for _, e in electrodes], np.intp),
        )
        ohm = np.array([e.resistance_ohm for _, e in electrodes])
        solved, residual = answers(model, asked, setting)
        if not np.isfinite(residual):
            raise NetworkError(f"from {model.origin.name}: the solution is no number")
        self.residual = max(self.residual, residual)
        row = np.array([b.row for p in self.layout.places for b in p.branches], np.intp)
        most_a = np.array([a.lead_a.max(axis=0) for _, a in solved]).max(axis=0)
        lead_a = np.full(len(self.current_a), np.nan)
        np.fmax.at(lead_a, row, most_a)
        self.current_a = np.fmax(self.current_a, lead_a)
        most_v = np.array([a.node_v.max(axis=0) for _, a in solved]).max(axis=0)
        lasting = Lasting.of(model, [answer for _, answer in solved], setting)
        node_v = np.array([a.node_v for _, a in solved])  # (answers, states, electrodes)
        standing_v = np.where(lasting.stays_on[:, :, None], node_v, 0.0).max(axis=(0, 1))
        place = np.array([k for k, _ in electrodes], np.intp)
        np.maximum.at(self.rise, place, np.column_stack([most_v, most_v / ohm, standing_v]))
        self._collect_states(model, contacts, [answer for _, answer in solved])
        cases = list(worst_cases(model, contacts, solved, setting, lasting))
        self.cases += cases
        self._collect_origin(model, cases, setting, lead_a)

    def _collect_states(
        self, model: Model, contacts: Sequence[Contact], solved: Sequence[Answer]
    ) -> None:
        """Raise the largest determined voltage on the worker in each state of the leads."""
        worker = np.array([c.whose == "worker" for c in contacts], bool)
        tied = np.array([a.tied for a in solved])[:, None] & worker
        volts = np.array([a.body_v for a in solved])  # (answers, states, contacts)
        most_v = np.where(tied, volts, 0.0).max(axis=(0, 2), initial=0.0)
        for state, volt in zip(lead_states(model), most_v.tolist(), strict=True):
            shown_v = significant(round(volt, DUST_DIGITS))
            self.by_state[state] = max(shown_v, self.by_state.get(state, 0.0))

    def _collect_origin(
        self,
        model: Model,
        cases: Sequence[WorkerCase],
        setting: Setting,
        lead_a: NDArray[np.float64],
    ) -> None:
        """Note what an origin is and does."""
        origin = model.origin
        limit_v = setting.limit_v if origin.limit_v is None else origin.limit_v
        worst = _worst([case for case in cases if case.whose == "worker"])
        worst_v = 0.0 if worst is None else worst.voltage_v
        self.origins.append(
            SolvedOrigin(
                origin.name,
                origin.kind,
                origin.pole_id,
                limit_v,
                worst_v,
                origin.clearing_s,
                origin.x_over_r,
                tuple(float(a) for a in np.round(lead_a, DUST_DIGITS)),
            )
        )

    def study(self) -> Study:
        """Return the answer."""
        loose = sorted({c.contact for c in self.cases if c.whose == "worker" and _loose(c)})
        if loose:
            self.notes.append(f"not bonded, the voltage is not determined: {', '.join(loose)}")
        rises = tuple(
            PlaceRise(p.pole_id, p.span_id, *(significant(float(figure)) for figure in figures))
            for p, figures in zip(self.layout.places, self.rise, strict=True)
            if not p.ends.isdisjoint(ELECTRODES)
        )
        return Study(
            tuple(self.cases),
            np.round(self.current_a, DUST_DIGITS),
            rises,
            self.residual,
            tuple(dict.fromkeys(self.notes)),
            tuple(self.origins),
            self.by_state,
        )


def counter_example_v(
    territory: Territory, layout: Layout, *, origins: Sequence[Origin], setting: Setting
) -> float:
    """Return the worst voltage at the worksites if they had no leads of their own [V].

    The brackets stay as they are; the worker touches a conductor and is at earth potential
    otherwise (feet on a pole or a platform at the potential of remote earth). At a single-point
    worksite nothing is left, and the answer is the voltage of the line.
    """
    places = tuple(
        replace(p, branches=(), electrode_ohm=None) if p.worksite else p for p in layout.places
    )
    bare = study(territory, replace(layout, places=places), origins=origins, setting=setting)
    return max((case.voltage_v for case in bare.worker_cases), default=0.0)
