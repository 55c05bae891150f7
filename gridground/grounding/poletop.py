"""The pole top at a ground pole: which conductor hangs where, and which sides it has."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError, Reason

if TYPE_CHECKING:
    from gridground.tables.wires import Conductor
    from gridground.territory.network import Network

# Devices that split the conductors of a pole into sides whatever their state; a jumper only open.
SPLITTING = ("switch", "cutout", "recloser", "breaker", "fuse", "sectionalizer")


@dataclass(frozen=True)
class Hang:
    """Where one conductor hangs: sideways and above ground [m], and what it is."""

    x_m: float
    y_m: float
    conductor: Conductor


@dataclass(frozen=True)
class CircuitTop:
    """One circuit's conductors at a pole.

    Attributes
    ----------
    circuit_id : str
        The circuit.
    phases : dict
        Letter -> Hang.
    neutral : Hang or None
        None: known to have none, or hung on an earlier circuit's neutral.
    sides : dict
        Letter -> names of its sides (span ids); ``("",)`` where the phase is not split.
    cuts : dict
        Letter (or ``neutral``) that will be cut here -> names of the two sides of the cut.
    """

    circuit_id: str
    phases: dict[str, Hang]
    neutral: Hang | None
    shares_neutral: bool
    sides: dict[str, tuple[str, ...]]
    cuts: dict[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class PoleTop:
    """Everything the leads of one location are cut for."""

    pole_id: str | None
    span_id: str | None
    material: str
    height_m: float
    ground_ohm: float | None
    circuits: tuple[CircuitTop, ...]

    @property
    def neutral(self) -> Hang | None:
        """The first circuit's neutral, or None."""
        return next((top.neutral for top in self.circuits if top.neutral is not None), None)

    @property
    def lowest_m(self) -> float:
        """Height of the lowest conductor [m]."""
        hangs = [h for top in self.circuits for h in top.phases.values()]
        hangs += [top.neutral for top in self.circuits if top.neutral is not None]
        return min(hang.y_m for hang in hangs)


def read_pole_top(
    network: Network, pole: int, spans: list[int], *, split: bool, worked: list[int]
) -> PoleTop:
    """Read the conductors of a pole.

    Parameters
    ----------
    network : Network
        As built.
    pole : int
        Pole row.
    spans : list of int
        Span rows whose conductors are bonded.
    split : bool
        True at the worksite: every side gets its own bond. False at a bracket: only the side of
        `spans` is bonded, and named where the pole has more than one.
    worked : list of int
        All worked span rows at the pole.

    Raises
    ------
    NoPlanError
        Where phases, neutral, conductor or construction of these spans are unknown.
    """
    poles = network.territory.poles
    circuits: list[CircuitTop] = []
    for circuit_id in _in_order(network, spans):
        own = [s for s in spans if network.territory.spans["circuit_id"][s] == circuit_id]
        here = [s for s in worked if network.territory.spans["circuit_id"][s] == circuit_id]
        circuits.append(_circuit_top(network, pole, own, (here, split, circuits)))
    material, height = poles["material"][pole], float(poles["height_m"][pole])
    pole_id = str(poles.ids[pole])
    circuits = [top for top in circuits if top.phases]
    if not circuits:
        what = f"no overhead conductor of the worked circuits hangs at pole {pole_id}."
        raise NoPlanError([Reason("no_overhead", (pole_id,), what, "Name another worksite pole.")])
    if material is None:
        raise _unknown("material", (pole_id,), f"the material of ground pole {pole_id}")
    ground = float(poles["ground_ohm"][pole])
    return PoleTop(
        pole_id, None, material, height, None if math.isnan(ground) else ground, tuple(circuits)
    )


def mid_span_top(network: Network, span: int) -> PoleTop:
    """Read the conductors in the middle of a span, for work from a lift or mat.

    Raises
    ------
    NoPlanError
        As `read_pole_top`.
    """
    spans = network.territory.spans
    letters, neutral = _hangs(network, [span])
    circuit_id = str(spans["circuit_id"][span])
    sides: dict[str, tuple[str, ...]] = dict.fromkeys(letters, ("",))
    top = CircuitTop(circuit_id, letters, neutral, shares_neutral=False, sides=sides)
    return PoleTop(None, str(spans.ids[span]), "mid-span", 0.0, None, (top,))


def _unknown(code: str, where: tuple[str, ...], what: str) -> NoPlanError:
    """Return the refusal for something that must be known at a ground pole."""
    return NoPlanError(
        [
            Reason(
                f"unknown_{code}",
                where,
                f"{what} is not known.",
                "Enter what hangs there, seen on site or from the records.",
            )
        ]
    )


def _in_order(network: Network, spans: list[int]) -> list[str]:
    """Return the circuits of some spans, by id."""
    return sorted({str(network.territory.spans["circuit_id"][s]) for s in spans})


def _circuit_top(
    network: Network,
    pole: int,
    own: list[int],
    context: tuple[list[int], bool, list[CircuitTop]],
) -> CircuitTop:
    """Read one circuit's conductors and sides."""
    here, split, earlier = context
    spans = network.territory.spans
    phases, neutral = _hangs(network, own)
    shared = {spans["shares_neutral_with"][s] for s in own} - {None}
    hung = neutral is not None and any(t.circuit_id in shared for t in earlier)
    sides: dict[str, tuple[str, ...]] = {}
    for letter in phases:
        groups = sides_of(network, pole, here, letter)
        if not split and len(groups) > 1:
            groups = [g for g in groups if set(g) & set(own)]
        elif not split:
            groups = groups[:1]
        names = tuple(str(spans.ids[group[0]]) for group in groups)
        whole = len(sides_of(network, pole, here, letter)) == 1
        sides[letter] = ("",) if whole else names
    circuit_id = str(spans["circuit_id"][own[0]])
    return CircuitTop(circuit_id, phases, None if hung else neutral, hung, sides)


def sides_of(network: Network, pole: int, spans: list[int], letter: str) -> list[list[int]]:
    """Group the spans of one circuit at a pole into sides of a phase, the widest side first.

    A device splits its span's end from the rest of the pole, open or closed: continuity through a
    device is never counted on. Solid jumpers do not split.
    """
    devices = network.territory.layer("devices")
    carrying = [s for s in spans if letter in (network.territory.spans["phases"][s] or "")]
    apart: list[int] = []
    rest: list[int] = []
    for span in carrying:
        rows = network.devices_by_end.get((pole, span), [])
        splits = devices is not None and any(
            letter in (devices["phases"][row] or "ABC")
            and (devices["kind"][row] in SPLITTING or devices["state"][row] == "open")
            for row in rows
        )
        (apart if splits else rest).append(span)
    groups = [[span] for span in apart] + ([rest] if rest else [])
    ids = network.territory.spans.ids
    return sorted(groups, key=lambda group: (-len(group), str(ids[group[0]])))


def _hangs(network: Network, own: list[int]) -> tuple[dict[str, Hang], Hang | None]:
    """Return where each phase and the neutral of one circuit hang."""
    territory = network.territory
    spans = territory.spans
    overhead = [s for s in own if spans["kind"][s] == "overhead"]
    for s in own:
        _require_known(network, s)
    # The span with the most phases shows the pole top; others add letters it lacks.
    ranked = sorted(overhead, key=lambda s: (-len(spans["phases"][s]), str(spans.ids[s])))
    phases: dict[str, Hang] = {}
    neutral: Hang | None = None
    for s in ranked:
        construction = territory.constructions[spans["construction"][s]]
        wire = territory.conductors[spans["conductor"][s]]
        for k, letter in enumerate(spans["phases"][s]):
            if letter not in phases:
                phases[letter] = Hang(*construction.positions[str(k + 1)], wire)
        name = spans["neutral_conductor"][s]
        if neutral is None and name is not None:
            neutral = Hang(*construction.positions["N"], territory.conductors[name])
    return phases, neutral


def _require_known(network: Network, s: int) -> None:
    """Refuse a span at a ground pole of which phases, neutral, wire or pole top are unknown."""
    territory = network.territory
    spans = territory.spans
    span_id = (str(spans.ids[s]),)
    if spans["phases"][s] is None:
        raise _unknown("phases", span_id, f"which phases span {span_id[0]} carries")
    if spans["kind"][s] != "overhead":
        return
    if not spans.stated["neutral_conductor"][s]:
        raise _unknown("neutral", span_id, f"whether span {span_id[0]} has a neutral")
    if spans["conductor"][s] is None:
        raise _unknown("conductor", span_id, f"the phase conductor of span {span_id[0]}")
    if spans["construction"][s] is None:
        raise _unknown("construction", span_id, f"the pole top of span {span_id[0]}")
    wanted = [str(k + 1) for k in range(len(spans["phases"][s]))]
    if spans["neutral_conductor"][s] is not None:
        wanted.append("N")
    name = spans["construction"][s]
    lacking = [p for p in wanted if p not in territory.constructions[name].positions]
    if lacking:
        what = f"where position {', '.join(lacking)} of pole top {name} (span {span_id[0]}) sits"
        raise _unknown("construction", span_id, what)
