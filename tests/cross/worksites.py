"""Worksites on small feeders, each told twice: as rows for the program, as plain elements.

The elements name every conductor's ends by hand from the figures; they know nothing of the
program's network. `P6.A` is phase A at pole P6, `P6.A@S6` its side on span S6, `P6.rod` the rod.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from gridground.electrical.exposure import Branch, Layout, Origin, Place, Setting
from gridground.tables.wires import Construction
from gridground.territory.network import Network
from tests.cross.netlists import EARTH, Wire, Wiring
from tests.feeder import layer, straight

GROUND_OHM, ROD_OHM = 25.0, 50.0
JOINED = "joined"  # among the breaks: the closed device joins the sides of the cuts
FULL = ["rod bar", "bar neutral", "neutral A", "A B", "B C"]
SMALL = ["rod bar", "bar neutral", "bar A", "A B", "B C"]  # no fault current over the neutral
DELTA = ["rod bar", "bar A", "A B", "B C"]
# ohm/mile and GMR in ft as the book's tables print them
FIGURES = {
    "336.4 ACSR 26/7": (0.306, 0.0244),
    "556.5 ACSR 26/7": (0.1859, 0.0313),
    "4/0 ACSR 6/1": (0.592, 0.00814),
    "1/0 ACSR 6/1": (1.12, 0.00446),
    "#2 ACSR 6/1": (1.69, 0.00418),
}
BIG, NEUTRAL = "336.4 ACSR 26/7", "4/0 ACSR 6/1"
# sideways and above ground, ft
TOPS = {
    "IEEE 500": {"1": (-4.0, 28.0), "2": (-1.5, 28.0), "3": (3.0, 28.0), "N": (0.0, 24.0)},
    "IEEE 505": {"1": (-4.0, 28.0), "2": (3.0, 28.0), "N": (0.0, 24.0)},
    "IEEE 510": {"1": (-0.5, 29.0), "N": (0.0, 24.0)},
    "left of two": {"1": (-5.0, 36.0), "2": (-4.2, 33.0), "3": (-5.5, 30.0), "N": (0.5, 26.0)},
    "right of two": {"1": (4.0, 36.5), "2": (3.0, 32.5), "3": (5.0, 29.0), "N": (0.5, 26.0)},
    "under it": {"1": (-3.0, 21.0), "2": (1.0, 21.0), "3": (3.5, 21.0), "N": (0.7, 18.0)},
}


def wire(conductor, top, position):
    """Return one conductor on a pole top."""
    return Wire(*TOPS[top][position], *FIGURES[conductor])


def hang(phases, *, top="IEEE 500", conductor=BIG, neutral=NEUTRAL, prefix=""):
    """Return label -> wire of one circuit; `phases` in the order of the positions."""
    found = {prefix + p: wire(conductor, top, str(k + 1)) for k, p in enumerate(phases)}
    if neutral:
        found["neutral"] = wire(neutral, top, "N")
    return found


def stretch(net, poles, spans, wires, lengths_m, *, broken=(), cuts=()):
    """Hang wires from pole to pole; `cuts` are (pole, label) with a node on each span's side.

    The neutral is missing in the `broken` spans.
    """

    def node(pole_id, label, span_id):
        return f"{pole_id}.{label}" + (f"@{span_id}" if (pole_id, label) in cuts else "")

    if JOINED in broken:
        for pole_id, label in sorted(cuts):
            one, other = (node(pole_id, label, name) for name in _at(pole_id))
            net.alias[other] = one
    for k, name in enumerate(spans):
        kept = [w for w in wires if not (name in broken and w == "neutral")]
        length = lengths_m
        if isinstance(lengths_m, list):  # one for each span
            length = lengths_m[k]
        elif isinstance(lengths_m, dict):  # one for each wire
            length = [lengths_m[label] for label in kept]
        net.run(
            [node(poles[k], label, name) for label in kept],
            [node(poles[k + 1], label, name) for label in kept],
            [wires[label] for label in kept],
            length,
        )


def _at(pole_id):
    """Return the two spans at a pole of the straight feeder."""
    k = POLES.index(pole_id)
    return SPANS[k - 1 : k + 1]


def grounds(net, poles, ohm=GROUND_OHM):
    """Tie the neutral to earth at some poles."""
    for name in poles:
        net.tie(f"ground {name}", f"{name}.neutral", EARTH, ohm)


@dataclass(frozen=True)
class Feed:
    """A source: phase-to-ground volts, what one phase has alone and what all have in common."""

    volts: float
    own_ohm: complex
    common_ohm: complex | None  # None: no neutral point on earth
    terminals: str = "P0."
    star: str = "P0.neutral"
    single: bool = False
    phases: str = "ABC"  # that reach the place

    def events(self):
        """Return what can be energized."""
        least = 2 if self.common_ohm is None else 1
        sizes = [1] if self.single else range(len(self.phases), least - 1, -1)
        return ["".join(c) for n in sizes for c in combinations(self.phases, n)]

    def drive(self, net, event):
        """Put the source of some phases into a circuit."""
        star = self.star
        if self.common_ohm is None:
            star = "star"
        elif self.common_ohm:
            star = "star"
            net.tie("common", star, self.star, self.common_ohm)
        for phase in event:
            turn = 0.0 if self.single else -2 * math.pi / 3 * "ABC".index(phase)
            emf = cmath.rect(self.volts, turn)
            net.drives.append((net.node(self.terminals + phase), net.node(star), emf, self.own_ohm))


def angle(ohm, x_over_r):
    """Return an impedance by its magnitude and X/R."""
    return cmath.rect(ohm, math.atan(x_over_r))


def station(*, kv=12.47, three=(8000.0, 8.0), one=(7000.0, 6.0), growth=1.0, ratio=1.0, **given):
    """Return a source by its fault currents and X/R."""
    volts = kv * 1000 / math.sqrt(3) * ratio
    own = angle(volts / three[0], three[1]) / growth
    common = None if one is None else angle(volts / one[0], one[1]) / growth - own
    return Feed(volts, own, common, **given)


@dataclass(frozen=True)
class Worksite:
    """One layout in both tellings.

    `lay` hangs the conductors and pole grounds into a circuit, given the origin and the spans whose
    neutral is broken. `electrodes` are name -> (place, ohm) of what is not a pole ground on the
    neutral; `held` places whose lead ends on one that is.
    """

    data: object
    layout: Layout
    origins: tuple
    setting: Setting
    feeds: dict
    touch: dict  # worksite -> conductors within reach
    lay: Callable
    broken: dict = field(default_factory=dict)  # origin -> breaks, each some spans without neutral
    electrodes: dict = field(default_factory=dict)
    held: dict = field(default_factory=dict)  # name of the tie -> place
    alias: dict = field(default_factory=dict)
    stand: str = "bar"  # what the worker holds on to besides
    joined: frozenset = frozenset()  # origins in which closed devices join the sides, too

    def hertz(self):
        return float(self.data.circuits["frequency_hz"][0])

    def wiring(self, origin, opened, event, *, form, state="hot"):
        """Return the circuit of one event with the neutral opened in some spans."""
        net = Wiring(self.hertz(), self.setting.resistivity_ohm_m, form, alias=dict(self.alias))
        self.lay(net, origin, opened)
        for place in self.layout.places:
            for b in place.branches:
                resistance = {"cold": b.cold_ohm, "in service": b.in_service_ohm}.get(state)
                ohm = complex(resistance or b.resistance_ohm, b.reactance_ohm)
                net.tie(f"lead {b.row}", f"{place.name}.{b.start}", f"{place.name}.{b.end}", ohm)
        for name, (place, ohm) in self.electrodes.items():
            net.tie(name, f"{place}.{name.removesuffix(' at ' + place)}", EARTH, ohm)
        self.feeds[origin].drive(net, event)
        return net

    def states(self):
        """Return (origin, neutral, event) -> breaks that the state stands for."""
        return {
            (origin, neutral, event): (
                *breaks,
                *((*one, JOINED) for one in breaks if origin in self.joined),
            )
            for origin, feed in self.feeds.items()
            for neutral, breaks in (("intact", ((),)), ("broken", self.broken.get(origin, ())))
            for event in feed.events()
            if breaks
        }

    def lead_states(self):
        """Return the states of the leads that are told apart."""
        branches = [b for p in self.layout.places for b in p.branches]
        several = any(b.cold_ohm is not None for b in branches)
        return ("cold", "in service", "hot") if several else ("hot",)

    def contact(self, text):
        """Return the pairs of nodes of a contact as the program names it; the worst counts."""
        pair, _, where = text.rpartition("@")
        if pair == "ground-pole":
            return [(node, EARTH) for node in self._foot(where)]
        ends = pair.split("-")
        assert len(ends) == 2, text
        return [tuple(EARTH if end == "ground" else f"{where}.{end}" for end in ends)]

    def _foot(self, where):
        """Return what can be touched from the ground: bar or pole, and the down-conductor."""
        ends = next(p.ends for p in self.layout.places if p.name == where)
        found = [f"{where}.{end}" for end in ("bar", "pole", "pole ground") if end in ends]
        row = list(self.data.poles.ids).index(where)
        grounded = np.isfinite(self.data.poles["ground_ohm"][row])
        if grounded and any("neutral" in labels for labels in self.touch.values()):
            found.append(f"{where}.neutral")
        return found

    def bar_contacts(self):
        """Return the contacts that must be among the cases, whatever else is."""
        return {
            f"{label}-{self.stand}@{place}"
            for place, labels in self.touch.items()
            for label in labels
        }


# --- parts of the layouts ----------------------------------------------------------------------

SETTING = Setting(body_ohm=1000.0, limit_v=75.0, growth_ratio=1.0, resistivity_ohm_m=100.0)
POLES, SPANS = [f"P{k}" for k in range(9)], [f"S{k}" for k in range(1, 9)]
EVEN = ["P2", "P4", "P6", "P8"]
FOUR = {"P6": ["A", "B", "C", "neutral"]}
# Breaks looked at: where the way from the source enters the grounds, where it enters the worksite,
# the other sides, all sides.
ROUND_P5_P7 = (("S5",), ("S6",), ("S8",), ("S5", "S8"))
ROUND_P6 = (("S6",), ("S7",), ("S6", "S7"))
SOLID = {"P0.neutral": EARTH}  # the source's neutral stands on earth without resistance


def places(*rows, mid_span=(), circuit_ids=("F1",), worn=False):
    """Return places and electrodes from (name, leads, electrode ohm, worksite).

    Every lead has an impedance of its own, so that none can stand for another; `worn` ones have
    three, the worst set in service not in one ratio to the new one.
    """
    found, electrodes, row = [], {}, 0
    for name, leads, ohm, worksite in rows:
        pairs = [text.replace("pole ground", "pole_ground").split() for text in leads]
        pairs = [[end.replace("_", " ") for end in pair] for pair in pairs]
        branches = []
        for one, other in pairs:
            hot = 0.0009 + 0.00037 * (row % 5)
            others = (0.7 * hot, (0.8 + 0.1 * (row % 3)) * hot) if worn else (None, None)
            branches.append(Branch(one, other, hot, 0.0007 + 0.00029 * (row % 4), row, *others))
            row += 1
        where = (None, name) if name in mid_span else (name, None)
        found.append(Place(*where, circuit_ids, ohm, tuple(branches), worksite))
        kind = next((k for k in ("rod", "pole") if any(k in pair for pair in pairs)), None)
        if kind:
            electrodes[f"{kind} at {name}"] = (name, ohm)
    return tuple(found), electrodes


def brackets(*poles, leads=FULL):
    """Return bracket grounds with a rod, each of another resistance."""
    return [(name, leads, ROD_OHM + 7.0 * k, False) for k, name in enumerate(poles)]


def from_circuits(data, *names):
    """Return the origins of circuits' own sources."""
    return tuple(Origin(name, name, Network.build(data)) for name in names)


def add_tops(data):
    """Give a territory the pole tops of two circuits; each also as seen from the far pole."""
    for name, top in TOPS.items():
        for turned, sign in (("", 1.0), (" seen back", -1.0)):
            metres = {k: (sign * x * 0.3048, y * 0.3048) for k, (x, y) in top.items()}
            if name + turned not in data.constructions:
                data.constructions[name + turned] = Construction(name + turned, metres, "test")
    return data


def simple(
    rows, *, wires=None, lengths_m=50.0, data=None, cuts=(), splits=None, worn=False, **given
):
    """Return a worksite on a straight grounded feeder; `given` changes fields of Worksite."""
    data = straight(8, ground_every=2, ground_ohm=GROUND_OHM) if data is None else data
    found, electrodes = places(*rows, worn=worn)
    wires = hang("ABC") if wires is None else wires

    def lay(net, origin, broken):
        stretch(net, POLES, SPANS, wires, lengths_m, broken=broken, cuts=cuts)
        grounds(net, EVEN)

    fields = {
        "data": data,
        "layout": Layout(found, splits or {}),
        "origins": from_circuits(data, "F1"),
        "setting": SETTING,
        "feeds": {"F1": station()},
        "touch": FOUR,
        "lay": lay,
        "broken": {"F1": ROUND_P5_P7},
        "electrodes": electrodes,
        "alias": dict(SOLID),
    }
    return Worksite(**(fields | given))


def words(build):
    """Return a layout's name."""
    return build.__name__.replace("_", " ")


def with_devices(data, rows):
    """Return the same feeder with devices."""
    rows = [{"at": data.poles.geometry[0]} | row for row in rows]
    return replace(data, layers=dict(data.layers) | {"devices": layer("devices", rows)})
