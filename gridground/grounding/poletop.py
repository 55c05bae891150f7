"""The pole top at a ground pole: which conductor hangs where, and which sides it has."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from gridground.errors import NoPlanError, Reason
from gridground.grounding.sides import next_poles

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.tables.wires import Conductor
    from gridground.territory.network import Network

# Devices that split the conductors of a pole into sides whatever their state; a jumper only open.
SPLITTING = ("switch", "cutout", "recloser", "breaker", "fuse", "sectionalizer")

# Conductors of two circuits nearer than this cannot both be there: our judgement.
SAME_PLACE_M = 0.1
_ONE_PLACE_M = 0.001


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
    several: bool = False  # more than one circuit is worked: ends are named with theirs
    seen_along: str | None = None  # span along which, as drawn, sideways places are seen
    toward: dict[str, str] = field(default_factory=dict)  # span id -> the next pole, as told

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
    reference: int | None = None
    for circuit_id in _in_order(network, spans):
        own = [s for s in spans if network.territory.spans["circuit_id"][s] == circuit_id]
        here = [s for s in worked if network.territory.spans["circuit_id"][s] == circuit_id]
        # circuits on one pole are seen in one direction, that of the first one's widest span
        reference = _widest(network, own) if not circuits else reference
        circuits.append(_circuit_top(network, pole, own, (here, split, circuits, reference)))
    material, height = poles["material"][pole], float(poles["height_m"][pole])
    pole_id = str(poles.ids[pole])
    circuits = [top for top in circuits if top.phases]
    if not circuits:
        what = f"no overhead conductor of the worked circuits hangs at pole {pole_id}."
        raise NoPlanError([Reason("no_overhead", (pole_id,), what, "Name another worksite pole.")])
    if material is None:
        raise _unknown("material", (pole_id,), f"the material of ground pole {pole_id}")
    ground = float(poles["ground_ohm"][pole])
    ohm = None if math.isnan(ground) else ground
    along = None if reference is None else str(network.territory.spans.ids[reference])
    top = PoleTop(pole_id, None, material, height, ohm, tuple(circuits), seen_along=along)
    return replace(top, toward=next_poles(network, pole, worked))


def mid_span_top(network: Network, worked: Sequence[int]) -> PoleTop:
    """Read the conductors in the middle of a span, for work from a lift or mat.

    Parameters
    ----------
    network : Network
        As built.
    worked : sequence of int
        The worksite's span row, and those of other worked circuits beside it.

    Raises
    ------
    NoPlanError
        As `read_pole_top`.
    """
    spans = network.territory.spans
    tops: list[CircuitTop] = []
    for span in sorted(worked, key=lambda s: str(spans["circuit_id"][s])):
        letters, neutral = _hangs(network, [span], worked[0])
        sides: dict[str, tuple[str, ...]] = dict.fromkeys(letters, ("",))
        hung = neutral is not None and any(
            top.circuit_id == spans["shares_neutral_with"][span] for top in tops
        )
        tops.append(
            CircuitTop(
                str(spans["circuit_id"][span]),
                letters,
                None if hung else neutral,
                shares_neutral=hung,
                sides=sides,
            )
        )
    span_id = str(spans.ids[worked[0]])
    return PoleTop(None, span_id, "mid-span", 0.0, None, tuple(tops), several=len(tops) > 1)


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
    context: tuple[list[int], bool, list[CircuitTop], int | None],
) -> CircuitTop:
    """Read one circuit's conductors and sides."""
    here, split, earlier, reference = context
    spans = network.territory.spans
    phases, neutral = _hangs(network, own, reference)
    _refuse_one_place(network, pole, own, phases)
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


def claimed_twice(network: Network, pole: int) -> list[tuple[str, str]]:
    """Return pairs of conductors of two circuits that hang at one place of a pole by the data.

    Parameters
    ----------
    network : Network
        As built.
    pole : int
        Pole row.

    Returns
    -------
    list of (str, str)
        Named ``F1:A``. Neutrals that are one wire are none; what is not known is left out.
    """
    spans, territory = network.territory.spans, network.territory
    here = [s for s in network.spans_at(pole) if spans["kind"][s] == "overhead"]
    hung: dict[str, tuple[str, float, float]] = {}
    reference = _widest(network, here)
    for s in here:
        top = territory.constructions.get(spans["construction"][s])
        if top is None:
            continue
        turn = _sense(network, s, reference)
        places = {letter: str(k + 1) for k, letter in enumerate(spans["phases"][s] or "")}
        if spans["neutral_conductor"][s] is not None and not spans["shares_neutral_with"][s]:
            places["neutral"] = "N"
        circuit = str(spans["circuit_id"][s])
        for name, place in places.items():
            if place in top.positions:
                x_m, y_m = top.positions[place]
                hung.setdefault(f"{circuit}:{name}", (circuit, turn * x_m, y_m))
    found = []
    for one, other in itertools.combinations(sorted(hung), 2):
        (a, ax, ay), (b, bx, by) = hung[one], hung[other]
        neutrals = one.endswith(":neutral") and other.endswith(":neutral")
        if a != b and not neutrals and math.dist((ax, ay), (bx, by)) < SAME_PLACE_M:
            found.append((one, other))
    return found


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
    spans_of, ids = network.territory.spans, network.territory.spans.ids

    # by what hangs there and the lie of the land before ids: names decide neither which side is
    # bonded first nor which span a side is named by, the same for all phases that share one
    def order(span: int) -> tuple[int, float, str]:
        return -len(spans_of["phases"][span]), _bearing_deg(network, pole, span), str(ids[span])

    groups = [[span] for span in apart] + ([sorted(rest, key=order)] if rest else [])
    return sorted(
        groups,
        key=lambda group: (
            -len(group),
            min(_bearing_deg(network, pole, span) for span in group),
            str(ids[group[0]]),
        ),
    )


def _bearing_deg(network: Network, pole: int, span: int) -> float:
    """Return the direction in which a span leaves a pole, clockwise from north [deg], whole."""
    geometry = network.territory.poles.geometry
    here, far = geometry[pole], geometry[network.other_end(span, pole)]
    east = (far.x - here.x) * math.cos(math.radians(here.y))
    return round(math.degrees(math.atan2(east, far.y - here.y))) % 360.0


def _refuse_one_place(network: Network, pole: int, own: list[int], phases: dict[str, Hang]) -> None:
    """Refuse a pole at which two phases of one circuit hang at one place by the data."""
    for one, other in itertools.combinations(sorted(phases), 2):
        a, b = phases[one], phases[other]
        if math.dist((a.x_m, a.y_m), (b.x_m, b.y_m)) < _ONE_PLACE_M:
            ids = network.territory
            where = (str(ids.poles.ids[pole]), *(str(ids.spans.ids[s]) for s in own))
            raise NoPlanError(
                [
                    Reason(
                        "one_place",
                        where,
                        f"by the data {one} and {other} hang at one place at {where[0]}: its spans "
                        "carry different phases on the same position of the pole top.",
                        "Correct phases or construction of these spans, seen on site.",
                    )
                ]
            )


def _widest(network: Network, own: Sequence[int]) -> int | None:
    """Return the overhead span with the most phases, which shows the pole top; None for none."""
    spans = network.territory.spans
    overhead = [s for s in own if spans["kind"][s] == "overhead"]
    return min(
        overhead, key=lambda s: (-len(spans["phases"][s] or ""), str(spans.ids[s])), default=None
    )


def _sense(network: Network, span: int, reference: int | None) -> float:
    """Return 1 where a span is drawn in the direction of another one, -1 where against it."""
    if reference is None or span == reference:
        return 1.0
    geometry = network.territory.poles.geometry

    def direction(row: int) -> tuple[float, float]:
        start, end = geometry[network.span_from[row]], geometry[network.span_to[row]]
        return (end.x - start.x) * math.cos(math.radians(start.y)), end.y - start.y

    one, other = direction(span), direction(reference)
    return -1.0 if one[0] * other[0] + one[1] * other[1] < 0 else 1.0


def _hangs(
    network: Network, own: list[int], reference: int | None
) -> tuple[dict[str, Hang], Hang | None]:
    """Return where each phase and the neutral of one circuit hang, seen along a reference span."""
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
        turn = _sense(network, s, reference)
        for k, letter in enumerate(spans["phases"][s]):
            if letter not in phases:
                x_m, y_m = construction.positions[str(k + 1)]
                phases[letter] = Hang(turn * x_m, y_m, wire)
        name = spans["neutral_conductor"][s]
        if neutral is None and name is not None:
            x_m, y_m = construction.positions["N"]
            neutral = Hang(turn * x_m, y_m, territory.conductors[name])
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
