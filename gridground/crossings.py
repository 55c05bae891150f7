"""What crosses between the grounds: what the leads were asked for, what those that hang carry."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from gridground.errors import TableError
from gridground.grounding.events import UNKNOWN_X_OVER_R
from gridground.grounding.heating import SHORTEST_S
from gridground.grounding.margin import carried_a
from gridground.record import OpenItem
from gridground.territory.seam import joined
from gridground.units import round_down, round_up

if TYPE_CHECKING:
    from gridground.grounding.where import Placement
    from gridground.method import Outcome
    from gridground.record import FaultAt, LeadRow
    from gridground.scene import Scene

LARGEST_GROWTH = 10.0  # the job file takes no larger fault_growth_ratio
WHY = "it can fall on the worksite; the leads must carry what it then gives"


def crossing_items(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask about energized lines and circuits that cross between the grounds and give more.

    Parameters
    ----------
    scene : Scene
        The job's network and faults.
    outcome : Outcome
        The method chosen, with the leads that hang.

    Returns
    -------
    list of OpenItem
        Code ``crossing_fault``; each says what the leads were asked for, what the weakest of those
        that hang carries and for how long, and who settles it.
    """
    # Without a layer of other lines nothing is asked: what crosses is solved as an event all the
    # same, and every lead held against it.
    if scene.territory.layer("other_lines") is None or not outcome.placement.inner_spans:
        return []
    return [*_crossing_circuits(scene, outcome), *_crossing_lines(scene, outcome)]


def asked_a(outcome: Outcome) -> tuple[float, float]:
    """Return the smallest and the largest current that a lead in the fault path was chosen for [A].

    Each is chosen for the largest fault at its own pole, growth included; 0 where none is.
    """
    found = [row.current_a for row in outcome.rows if row.edge.role != "electrode"]
    found = [current_a for current_a in found if current_a > 0] or [0.0]
    return min(found), max(found)


def _crossing_lines(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask about lines of others."""
    lines = scene.territory.layer("other_lines")
    if lines is None:
        return []
    meets = lines.meeting(_inside(scene, outcome.placement))
    meets = meets[lines["state"][meets] != "dead"]
    most_a, items = asked_a(outcome)[1], []
    for row in meets.tolist():
        fault_a, time_s = float(lines["fault_a"][row]), float(lines["clearing_s"][row])
        if fault_a <= most_a:
            continue
        name = f"line {lines.ids[row]}"
        time = None if math.isnan(time_s) else time_s
        gives = _gives(None if math.isnan(fault_a) else fault_a, time)
        what = (
            f"{name} crosses a span between the grounds{gives}. "
            f"{_told(scene, outcome, fault_a, (time, UNKNOWN_X_OVER_R))}"
        )
        who, settles = _settled_by(
            scene, f"the operator of {name}", fault_a / most_a if most_a else math.inf
        )
        if math.isnan(fault_a):
            stated = "the operator states fault_a and clearing_s for the layer other_lines, or"
            settles = f"{stated} switches the line out and it is recorded as state dead"
        else:
            settles += ", or the operator switches the line out and it is recorded as state dead"
        items.append(OpenItem("crossing_fault", (str(lines.ids[row]),), what, WHY, who, settles))
    return items


def _crossing_circuits(scene: Scene, outcome: Outcome) -> list[OpenItem]:
    """Ask about other circuits whose spans cross between the grounds."""
    spans, network = scene.territory.spans, scene.network
    other = spans.meeting(_inside(scene, outcome.placement), "crosses")
    other = other[(spans["kind"][other] == "overhead") & ~scene.zone.worked[other]]
    found: dict[str, FaultAt | None] = {}
    for row in other.tolist():
        circuit, pole = str(spans["circuit_id"][row]), scene.zone.pole_id(network.span_from[row])
        fault, largest = scene.live_fault(pole, circuit), found.get(circuit)
        if circuit not in found or _larger(fault, largest):
            found[circuit] = fault
    most_a, items = asked_a(outcome)[1], []
    for circuit, fault in sorted(found.items()):
        fault_a = math.nan if fault is None else fault.largest_a
        if fault_a <= most_a:
            continue
        timed = (None, UNKNOWN_X_OVER_R) if fault is None else (fault.clearing_s, fault.x_over_r)
        gives = _gives(None if fault is None else fault_a, timed[0])
        what = (
            f"circuit {circuit} crosses a span between the grounds{gives}. "
            f"{_told(scene, outcome, fault_a, timed)}"
        )
        who, settles = _settled_by(
            scene, "the dispatcher", fault_a / most_a if most_a else math.inf
        )
        if fault is None:
            settles = f"the fault data of {circuit} are completed, or"
            settles += " the dispatcher has it switched out"
        else:
            settles += ", or the dispatcher has it switched out"
        items.append(OpenItem("crossing_fault", (circuit,), what, WHY, who, settles))
    return items


def _larger(one: FaultAt | None, other: FaultAt | None) -> bool:
    """Say whether a fault counts before another: what is not known does, then the larger."""
    if one is None or other is None:
        return one is None and other is not None
    return one.largest_a > other.largest_a


def _inside(scene: Scene, placement: Placement) -> object:
    """Return the spans between the grounds as one shape."""
    geometry = scene.territory.spans.geometry
    return joined([geometry[s] for s in sorted(placement.inner_spans)])


def _gives(fault_a: float | None, time_s: float | None) -> str:
    """Say what falls on the line, and for how long."""
    if fault_a is None:
        return "; its fault current is not stated"
    time = "for a time that is not stated" if time_s is None else f"for {time_s:.3g} s"
    return f" and can give {math.ceil(fault_a - 1e-6):,} A {time}"


def _told(scene: Scene, outcome: Outcome, fault_a: float, timed: tuple[float | None, float]) -> str:
    """Say what the leads were asked for and what those that hang carry."""
    growth = scene.job.limits.fault_growth_ratio
    least, most = (f"{current_a:,.0f}" for current_a in asked_a(outcome))
    told = (
        "Each lead was chosen for the largest fault at its own pole with fault_growth_ratio "
        f"{growth:g}: {least if least == most else f'{least} to {most}'} A"
    )
    weakest = weakest_row(outcome.rows, timed, basis=scene.job.limits.lead_basis)
    if weakest is None:
        return f"{told}; no table says what the leads that hang carry for so long"
    row, carried, time_s = weakest
    several = f"{row.parallel} x " if row.parallel > 1 else ""
    carries = f"the weakest of those that hang, {row.lead_id} ({several}{row.size}), "
    carries += f"carries {int(round_down(carried, 100.0)):,} A for {time_s:.3g} s"
    if math.isnan(fault_a):
        return f"{told}; {carries}"
    return f"{told}; {carries}: {'enough' if carried >= fault_a else 'not enough'} by heat and peak"


def weakest_row(
    rows: tuple[LeadRow, ...], timed: tuple[float | None, float], *, basis: str
) -> tuple[LeadRow, float, float] | None:
    """Return the lead in the fault path that carries least for a time.

    Parameters
    ----------
    rows : tuple of LeadRow
        The lead table, as it hangs.
    timed : tuple
        For how long (None: as long as the row's own fault) [s], and X/R [ratio].
    basis : "withstand" or "ultimate"
        Of the job.

    Returns
    -------
    tuple or None
        Row, what it carries by heat and first peak [A], for how long [s]; None without such a
        row, or beyond the tables of leads.
    """
    found = []
    for row in rows:
        if row.edge.role == "electrode":
            continue
        time_s = row.time_s if timed[0] is None else max(timed[0], SHORTEST_S)
        try:
            carried = carried_a(
                row.size,
                time_s,
                max(row.x_over_r, timed[1]),
                basis=basis,  # type: ignore[arg-type]
                parallel=row.parallel,
                frequency_hz=row.frequency_hz,
                times_on=1 if timed[0] is not None else row.times_on,
            )
        except TableError:
            return None
        found.append((row, float(carried), time_s))
    return min(found, key=lambda one: one[1], default=None)


def _settled_by(scene: Scene, operator: str, more_ratio: float) -> tuple[str, str]:
    """Return who settles it, and the growth with which the leads are chosen for it."""
    if math.isnan(more_ratio):
        return f"the planner, who asks {operator}", ""
    who = f"the planner with {operator}"
    needed = round_up(more_ratio * scene.job.limits.fault_growth_ratio, 0.01)
    if needed > LARGEST_GROWTH:
        return who, "the planner asks for leads and grounds of their own for so much current"
    return who, (
        f"the planner sets [limits] fault_growth_ratio to {needed:g} or more and plans again, so "
        "that the leads and the worker's voltage are worked out for it"
    )
