"""What hangs where at each location: the ends of the leads, and every conductor of the pole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from gridground.grounding.bonds import bar_height_m, base_of, end_hang
from gridground.territory.frame import geodesic_m
from gridground.units import M_PER_FT, significant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from gridground.grounding.poletop import PoleTop
    from gridground.grounding.where import Spot
    from gridground.scene import Scene


def tops_of(scene: Scene, spots: Sequence[Spot]) -> list[dict[str, Any]]:
    """Return the rows of ``picture.tops``: one per location at a pole.

    Parameters
    ----------
    scene : Scene
        For the territory and the job.
    spots : sequence of Spot
        Locations in the plan's order.

    Returns
    -------
    list of dict
        ``location_id pole_id material height_m bar_height_m rod_length_m seen_from seen_towards
        seen_bearing_deg ends conductors sides``. Places are sideways from the pole axis,
        positive to the right for who looks along `seen_bearing_deg`, and above ground [m]; a rod
        stands at its distance from the pole, on the side where it is. `apart_ratio`, -1 (towards
        the viewer) to 1, tells the sides of a device or a cut apart; it is no length.
    """
    return [
        _top(scene, f"L{number}", spot)
        for number, spot in enumerate(spots, 1)
        if spot.top.pole_id is not None
    ]


def _top(scene: Scene, location_id: str, spot: Spot) -> dict[str, Any]:
    """Return the row of one location."""
    top = spot.top
    seen = _seen(scene, top)
    bar_m = bar_height_m(top, scene.job.limits)
    ends = {end: None for edge in spot.edges for end in (edge.start, edge.end)}
    sides = _sides(scene, top, [end.partition("@")[2] for end in ends], seen["seen_bearing_deg"])
    return {
        "location_id": location_id,
        "pole_id": top.pole_id,
        "material": top.material,
        "height_m": None if math.isnan(top.height_m) else significant(top.height_m),
        "bar_height_m": significant(bar_m),
        "base": base_of(top),
        "rod_length_m": None if spot.rod is None else significant(scene.job.rod.length_m),
        **seen,
        "ends": [
            _end(spot, end, bar_m, seen["seen_bearing_deg"]) | _apart(end, sides) for end in ends
        ],
        "conductors": [*_worked(top), *_others(scene, top, seen["seen_bearing_deg"])],
        "sides": [
            {"span_id": name, "apart_ratio": apart, "toward": top.toward.get(name, name)}
            for name, apart in sides.items()
        ],
    }


def _seen(scene: Scene, top: PoleTop) -> dict[str, Any]:
    """Return from where and towards where the pole is looked at."""
    if top.seen_along is None:
        return {"seen_from": None, "seen_towards": None, "seen_bearing_deg": 0.0}
    network = scene.network
    row = network.span_row[top.seen_along]
    ends = (int(network.span_from[row]), int(network.span_to[row]))
    return {
        "seen_from": scene.zone.pole_id(ends[0]),
        "seen_towards": scene.zone.pole_id(ends[1]),
        "seen_bearing_deg": round(_bearing_deg(scene, *ends), 1) % 360.0,
    }


def _bearing_deg(scene: Scene, start: int, end: int) -> float:
    """Return the bearing from one pole to another, clockwise from true north [deg]."""
    here, far = scene.territory.poles.geometry[[start, end]]
    return float(geodesic_m(here.x, here.y, far.x, far.y)[1])


def _end(spot: Spot, end: str, bar_m: float, seen_deg: float) -> dict[str, Any]:
    """Return where one end of a lead is."""
    hang = end_hang(end, spot.top)
    if hang is not None:
        x_m, y_m = hang.x_m, hang.y_m
    elif end == "rod" and spot.rod is not None:
        right = math.sin(math.radians(spot.rod.bearing_deg - seen_deg)) >= 0.0
        x_m, y_m = spot.rod.distance_m * (1.0 if right else -1.0), 0.0
    elif end == "pole ground":
        x_m, y_m = 0.0, bar_m - M_PER_FT  # as far below the bar as its lead is taken to reach
    else:
        x_m, y_m = 0.0, bar_m
    return {"end": end, "x_m": significant(x_m), "y_m": significant(y_m)}


def _apart(end: str, sides: dict[str, float]) -> dict[str, float]:
    """Return how far apart an end is drawn, where it is on a side."""
    side = end.partition("@")[2]
    return {"apart_ratio": sides[side]} if side in sides else {}


def _sides(scene: Scene, top: PoleTop, names: list[str], seen_deg: float) -> dict[str, float]:
    """Return how far apart the sides named by ends are drawn, the one nearest the viewer first."""
    network = scene.network
    pole = network.pole_row[str(top.pole_id)]
    ahead = {}
    for name in sorted(set(names) & network.span_row.keys()):
        away = _bearing_deg(scene, pole, network.other_end(network.span_row[name], pole))
        ahead[name] = round(math.cos(math.radians(away - seen_deg)), 3)
    order = sorted(ahead, key=lambda name: (ahead[name], name))
    if len(order) == 1:
        return {order[0]: math.copysign(1.0, ahead[order[0]])}
    return {name: round(2.0 * k / (len(order) - 1) - 1.0, 3) for k, name in enumerate(order)}


def _worked(top: PoleTop) -> Iterator[dict[str, Any]]:
    """Yield the conductors of the worked circuits."""
    for circuit in top.circuits:
        hangs = {**circuit.phases, **({"neutral": circuit.neutral} if circuit.neutral else {})}
        for name, hang in hangs.items():
            yield _conductor(circuit.circuit_id, name, (hang.x_m, hang.y_m), worked=True)


def _others(scene: Scene, top: PoleTop, seen_deg: float) -> Iterator[dict[str, Any]]:
    """Yield the conductors of every other circuit on the pole, each once."""
    network, territory = scene.network, scene.territory
    spans = territory.spans
    pole = network.pole_row[str(top.pole_id)]
    worked = {circuit.circuit_id for circuit in top.circuits}
    done = set()
    for s in sorted(network.spans_at(pole), key=lambda row: str(spans.ids[row])):
        circuit_id = str(spans["circuit_id"][s])
        built = territory.constructions.get(spans["construction"][s])
        if circuit_id in worked or built is None or spans["kind"][s] != "overhead":
            continue
        along = _bearing_deg(scene, int(network.span_from[s]), int(network.span_to[s]))
        turn = -1.0 if math.cos(math.radians(along - seen_deg)) < 0.0 else 1.0
        places = {letter: str(k + 1) for k, letter in enumerate(spans["phases"][s] or "")}
        if spans["neutral_conductor"][s] is not None and not spans["shares_neutral_with"][s]:
            places["neutral"] = "N"
        for name, position in places.items():
            if position in built.positions and (circuit_id, name) not in done:
                done.add((circuit_id, name))
                x_m, y_m = built.positions[position]
                # a circuit that is worked on elsewhere is energized here for all that is known
                yield _conductor(circuit_id, name, (turn * x_m, y_m), worked=False)


def _conductor(
    circuit_id: str, name: str, place_m: tuple[float, float], *, worked: bool
) -> dict[str, Any]:
    """Return one conductor as the plan writes it."""
    x_m, y_m = (significant(part) for part in place_m)
    return {
        "circuit_id": circuit_id,
        "conductor": name,
        "x_m": x_m,
        "y_m": y_m,
        "worked": worked,
    }
