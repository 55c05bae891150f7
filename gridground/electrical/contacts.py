"""What a body can bridge at the places of a plan, and the worst case of each contact.

The worker stands inside the bonded zone: conductors against the bar, sides of a split against each
other, conductors against conductors. People on the ground are outside it. What keeps them off is
the cone zone, not the bonds, so their contacts are shown and decide nothing about the worker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from gridground.electrical.driving import lead_states
from gridground.electrical.ladder import EARTH
from gridground.record import WorkerCase
from gridground.units import significant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from gridground.electrical.driving import Answer
    from gridground.electrical.energizing import Model, Neutral, Setting
    from gridground.electrical.places import Located

Whose = Literal["worker", "ground person"]
# Below a microvolt or a microampere there is only rounding dust, which differs between machines.
DUST_DIGITS = 6


@dataclass(frozen=True)
class Contact:
    """Two nodes a body can bridge.

    Attributes
    ----------
    name : str
        As the plan writes it: ``A-bar@P20``.
    one, other : int
        The nodes.
    group : str
        Contacts of one group are answered by the worst of them.
    whose : str
        ``"worker"`` or ``"ground person"``.
    """

    name: str
    one: int
    other: int
    group: str
    whose: Whose = "worker"


def contacts_of(places: Sequence[Located]) -> list[Contact]:
    """List every contact at some places.

    Parameters
    ----------
    places : sequence of Located
        Brackets and worksites.

    Returns
    -------
    list of Contact
        At worksites, the worker's: every side of every phase and the neutral against the bar (or
        the steel pole; remote earth where there is neither, ``A-ground@P20``); the sides of a
        conductor that a cut or a device splits against each other; of all other pairs the worst.
        At every pole with grounds, of people on the ground: ``ground-pole@P20``, bar, steel pole
        or the pole's down-conductor against remote earth, and ``rod-ground@P20``, the rod lead
        against remote earth.

    Notes
    -----
    The earth under somebody at the foot of the pole is itself raised; against remote earth the
    voltage comes out too high, never too low.
    """
    found: list[Contact] = []
    for located in places:
        if located.place.worksite:
            found += _worker(located)
        found += _ground_person(located)
    return found


def _worker(located: Located) -> Iterator[Contact]:
    """Contacts inside the bonded zone."""
    where, fittings = located.place.name, located.fittings
    grounds: dict[str, int] = {n: fittings[n] for n in ("bar", "pole") if n in fittings}
    grounds = grounds or {"ground": EARTH}
    for conductor in located.conductors:
        for name, node in grounds.items():
            text = f"{conductor.name}-{name}@{where}"
            yield Contact(text, conductor.node, node, text)
    for one, other in combinations(located.conductors, 2):
        if one.node == other.node:
            continue
        text = f"{one.name}-{other.name}@{where}"
        same = one.name.partition("@")[0] == other.name.partition("@")[0]
        yield Contact(text, one.node, other.node, text if same else f"others@{where}")


def _ground_person(located: Located) -> Iterator[Contact]:
    """Contacts of somebody on the ground."""
    where = located.place.name
    for node in located.foot:
        name = f"ground-pole@{where}"
        yield Contact(name, node, EARTH, name, "ground person")
    if "rod" in located.fittings:
        name = f"rod-ground@{where}"
        yield Contact(name, located.fittings["rod"], EARTH, name, "ground person")


@dataclass(frozen=True)
class Lasting:
    """How long every answer of a model lasts, by answer and state of the leads.

    Attributes
    ----------
    limit_v : ndarray, shape (n, s)
        Tolerable voltage [V].
    time_s : ndarray, shape (n, s)
        [s]; NaN where it is not worked out or stays on.
    stays_on : ndarray of bool, shape (n, s)
        Nothing stated opens it.
    """

    limit_v: NDArray[np.float64]
    time_s: NDArray[np.float64]
    stays_on: NDArray[np.bool_]

    @classmethod
    def of(cls, model: Model, found: Sequence[Answer], setting: Setting) -> Lasting:
        """Ask the devices on the way of a model's origin about every answer."""
        shape = (len(found), len(lead_states(model)))
        base_v = setting.limit_v if model.origin.limit_v is None else model.origin.limit_v
        limits = model.origin.limits
        if limits is None:
            nothing = np.full(shape, np.nan)
            return cls(np.full(shape, base_v), nothing, np.zeros(shape, bool))
        limit_v, time_s = limits.of(np.concatenate([a.source_a for a in found]), base_v)
        time_s = time_s.reshape(shape)
        return cls(limit_v.reshape(shape), time_s, np.isnan(time_s))


def worst_cases(
    model: Model,
    contacts: Sequence[Contact],
    solved: Sequence[tuple[Neutral, Answer]],
    setting: Setting,
    lasting: Lasting,
) -> Iterator[WorkerCase]:
    """Return the worst case of every event, state of the neutral and group of contacts.

    Parameters
    ----------
    model : Model
        Whose answers they are.
    contacts : sequence of Contact
        In the order of the answers' pairs.
    solved : sequence of (str, Answer)
        State of the neutral and answer; several of one event and state are variants of it (breaks
        in different spans, different conductors touched).
    setting : Setting
        Body and limit.
    lasting : Lasting
        How long each of `solved` lasts. What stays on is a case of its own, beside the worst of
        those that are opened: it has another limit.
    """
    variants: dict[tuple[str, Neutral], list[int]] = {}
    for number, (neutral, answer) in enumerate(solved):
        variants.setdefault((answer.phases, neutral), []).append(number)
    groups: dict[str, list[int]] = {}
    for number, contact in enumerate(contacts):
        groups.setdefault(contact.group, []).append(number)
    states, members = lead_states(model), [*groups.values()]
    volts = np.array([answer.body_v for _, answer in solved])  # (answers, states, contacts)
    tied = np.array([answer.tied for _, answer in solved])
    passed = tied[:, None] & (volts <= lasting.limit_v[:, :, None])
    rank = _rank(volts, lasting.limit_v, passed)
    stays, events, picked = lasting.stays_on, [], []
    for (phases, neutral), found in variants.items():
        for kept in (~stays[found], stays[found]):
            variant, state = kept.nonzero()
            which = np.array(found, np.intp)[variant]
            row, column = _worst(rank[which, state], members)
            events += [(phases, model.origin.name, neutral)] * len(row)
            picked.append(np.array([which[row], state[row], column]))
    which, state, column = np.concatenate(picked, axis=1)
    figures = zip(
        volts[which, state, column].tolist(),
        lasting.limit_v[which, state].tolist(),
        lasting.time_s[which, state].tolist(),
        stays[which, state].tolist(),
        passed[which, state, column].tolist(),
        strict=True,
    )
    rows = zip(events, column.tolist(), state.tolist(), figures, strict=True)
    for event, contact, of_leads, case in rows:
        yield _case(event, contacts[contact], states[of_leads], _Figures(*case), setting.body_ohm)


class _Figures(NamedTuple):
    """What was solved of one case; the time is NaN where it is not worked out."""

    volts: float
    limit_v: float
    time_s: float
    stays_on: bool
    passed: bool


def _rank(
    volts: NDArray[np.float64], limit_v: NDArray[np.float64], passed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return what says which case is worse: 0 or more where it failed, -2 to -1 where it passed.

    Rounding dust is taken off, so that of equals the first leads on every machine; what is no
    number is the worst of its kind.
    """
    ratio = np.round(volts, DUST_DIGITS) / limit_v[:, :, None]
    inside = np.nan_to_num(ratio - 2.0, nan=-1.0)
    return np.where(passed, inside, np.nan_to_num(ratio, nan=np.inf))


def _worst(
    rank: NDArray[np.float64], groups: list[list[int]]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return row and column of the highest rank in every group of columns."""
    if not len(rank):
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    rows = rank.argmax(axis=0)
    # groups are of one to a few columns: plain lists are quicker to go through than arrays
    best = rank[rows, np.arange(len(rows))].tolist()
    number = np.array([max(group, key=best.__getitem__) for group in groups], np.intp)
    return rows[number], number


def _case(
    event: tuple[str, str, Neutral],
    contact: Contact,
    state: str,
    figures: _Figures,
    body_ohm: float,
) -> WorkerCase:
    """Return the record of one case."""
    shown_v = significant(round(figures.volts, DUST_DIGITS))
    return WorkerCase(
        event=event[0],
        origin=event[1],
        contact=contact.name,
        neutral=event[2],
        voltage_v=shown_v,
        body_a=significant(shown_v / body_ohm),
        limit_v=figures.limit_v,
        passed=figures.passed,
        whose=contact.whose,
        lead_state=state,
        time_s=None if math.isnan(figures.time_s) else significant(figures.time_s),
        stays_on=figures.stays_on,
    )
