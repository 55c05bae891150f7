"""What a worker would see: every way of energizing the line, solved with the leads in place.

One reduction per origin and state of the neutral; every event and every contact is then answered
on the small port network. The body is in the circuit: for a linear network the voltage between two
points with the body across them is V = Voc R_b / (R_b + Z_th), exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.energizing import Origin, Setting, events, models
from gridground.electrical.ladder import EARTH
from gridground.electrical.places import ELECTRODES, Branch, Layout, Place
from gridground.errors import NotReachedError
from gridground.record import WorkerCase
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.energizing import Event, Model
    from gridground.electrical.places import Located
    from gridground.territory.layers import Territory

__all__ = [
    "Branch",
    "Layout",
    "Origin",
    "Place",
    "PlaceRise",
    "Setting",
    "Study",
    "counter_example_v",
    "study",
]

Contact = tuple[str, int, int]  # its name and the two nodes
# Below a microvolt or a microampere there is only rounding dust, which differs between machines.
_DUST_DIGITS = 6


@dataclass(frozen=True)
class PlaceRise:
    """The largest rise of a place's electrode over earth [V] and its current [A]."""

    pole_id: str | None
    span_id: str | None
    rise_v: float
    electrode_a: float


@dataclass(frozen=True)
class Study:
    """The answer.

    Attributes
    ----------
    cases : tuple of WorkerCase
        Every event and contact.
    lead_current_a : ndarray, shape (n_rows,)
        Largest current of each lead row over all events [A]; NaN for rows no branch speaks of.
    rises : tuple of PlaceRise
        Places with an electrode.
    residual : float
        Largest violation of the current law, on the port network and on the whole network carried
        back from it, relative to the current injected.
    notes : tuple of str
        What was assumed or left out.
    """

    cases: tuple[WorkerCase, ...]
    lead_current_a: NDArray[np.float64]
    rises: tuple[PlaceRise, ...]
    residual: float
    notes: tuple[str, ...]

    @property
    def worst(self) -> WorkerCase | None:
        """The case with the largest voltage; a contact whose voltage is not determined leads."""
        loose = [c for c in self.cases if not c.passed and c.voltage_v <= c.limit_v]
        return max(loose or self.cases, key=lambda c: c.voltage_v, default=None)


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
        does not hold). Contacts at a worksite: every side of every phase and the neutral against
        the bar (or the steel pole), the sides of a split phase against each other, and of all
        other pairs within reach the worst. Where no lead ends on a bar or a pole the worker is
        taken to stand at earth potential (``A-ground@P20``).

    Raises
    ------
    NetworkError
        Where a circuit's own source does not reach the places (a device closed again that does
        not is named in `notes`), or a lead ends on something that is not there.

    Notes
    -----
    Source: its voltages stand behind the matrix of Z1 and Z0, restricted to the phases that are
    energized, between the phases and the source's neutral point. That point is the neutral at the
    source pole, which `source_ground_ohm` ties to earth; so a bolted fault from a phase to the
    neutral at the source pole draws `fault_1ph_a`. An ungrounded source has a neutral point tied
    to nothing; where nothing else ties its phases to earth, the point stands at earth potential.

    Broken neutral: interrupted in the span by which the shortest way from the source enters the
    first ground or worksite pole. Other circuits are laid as far as they hang between the same
    poles as the circuits worked on or fed; their neutrals beyond are left out.

    Lead and electrode currents are solved without the body, which takes less than a thousandth.
    """
    notes: list[str] = []
    cases: list[WorkerCase] = []
    n_rows = max((b.row for p in layout.places for b in p.branches), default=-1) + 1
    current = np.full(n_rows, np.nan)
    rise = np.zeros((len(layout.places), 2))
    residual = 0.0
    for origin in origins:
        try:
            reduced = list(models(territory, layout, origin, setting, notes))
        except NotReachedError:
            if origin.name == origin.circuit_id:
                raise
            notes.append(f"{origin.name} closed again does not reach the grounds: no case of it")
            continue
        for model in reduced:
            for event in events(model, setting):
                residual = max(residual, event.residual)
                _collect_currents(model, event, current, rise)
                cases += _cases(model, event, setting)
    if origins and np.isnan(current).all() and n_rows:
        raise NotReachedError("no source reaches the places with grounds")
    loose = sorted({c.contact for c in cases if not c.passed and c.voltage_v <= c.limit_v})
    if loose:
        notes.append(f"not bonded, the voltage is not determined: {', '.join(loose)}")
    rises = tuple(
        PlaceRise(p.pole_id, p.span_id, significant(float(v)), significant(float(a)))
        for p, (v, a) in zip(layout.places, rise, strict=True)
        if not p.ends.isdisjoint(ELECTRODES)
    )
    current = np.round(current, _DUST_DIGITS)
    return Study(tuple(cases), current, rises, residual, tuple(dict.fromkeys(notes)))


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
    return max((case.voltage_v for case in bare.cases), default=0.0)


def _collect_currents(
    model: Model, event: Event, current: NDArray[np.float64], rise: NDArray[np.float64]
) -> None:
    """Raise the largest currents of lead rows, and the rise and current of electrodes, in place."""
    rows = model.reduction.row_of()
    for number, located in enumerate(model.places):
        leads = located.leads
        one = np.array([rows[int(n)] for n in leads.start.ravel()], np.intp)
        other = np.array([rows[int(n)] for n in leads.end.ravel()], np.intp)
        drop = np.abs(event.voltage_v[one] - event.voltage_v[other])
        amps = drop / np.abs(leads.impedance_ohm.ravel())
        row = np.array([b.row for b in located.place.branches], np.intp)
        np.fmax.at(current, row, amps)
        for electrode in located.electrodes:
            volts = abs(event.voltage_v[rows[electrode.node]])
            new = (volts, volts / electrode.resistance_ohm)
            rise[number] = np.maximum(rise[number], new)


def _contacts(located: Located) -> tuple[list[Contact], list[Contact]]:
    """Return named pairs of nodes at a worksite: those always listed, and all others."""
    where = located.place.name
    fittings = located.fittings
    grounds: dict[str, int] = {n: fittings[n] for n in ("bar", "pole") if n in fittings}
    grounds = grounds or {"ground": EARTH}
    listed = [
        (f"{c.name}-{name}@{where}", c.node, node)
        for c in located.conductors
        for name, node in grounds.items()
    ]
    others: list[Contact] = []
    for one, other in combinations(located.conductors, 2):
        if one.node == other.node:
            continue
        pair = (f"{one.name}-{other.name}@{where}", one.node, other.node)
        same = one.name.partition("@")[0] == other.name.partition("@")[0]
        (listed if same else others).append(pair)
    return listed, others


def _cases(model: Model, event: Event, setting: Setting) -> Iterator[WorkerCase]:
    """Return the worker's cases of one event."""
    rows = model.reduction.row_of()
    for located in model.places:
        if not located.place.worksite:
            continue
        listed, others = _contacts(located)
        found = [_case(model, event, setting, (n, rows[a], rows[b])) for n, a, b in listed]
        more = [_case(model, event, setting, (n, rows[a], rows[b])) for n, a, b in others]
        yield from found
        if more:
            yield max(more, key=lambda case: (not case.passed, case.voltage_v))


def _case(model: Model, event: Event, setting: Setting, contact: Contact) -> WorkerCase:
    """Return the voltage across a body between two nodes."""
    name, one, other = contact
    z = event.impedance_ohm
    source_ohm = z[one, one] + z[other, other] - z[one, other] - z[other, one]
    open_v = event.voltage_v[one] - event.voltage_v[other]
    volts = float(abs(open_v * setting.body_ohm / (setting.body_ohm + source_ohm)))
    shown_v = significant(round(volts, _DUST_DIGITS))
    tied = event.part[one] == event.part[other] == event.part[-1]
    return WorkerCase(
        event=event.phases,
        origin=model.origin.name,
        contact=name,
        neutral=model.neutral,
        voltage_v=shown_v,
        body_a=significant(shown_v / setting.body_ohm),
        limit_v=setting.limit_v,
        passed=bool(tied and volts <= setting.limit_v),
    )
