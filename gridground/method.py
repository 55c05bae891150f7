"""One method worked out: faults, leads, the voltage on the worker, rods, zones and checks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from gridground.electrical.event_times import EventLimits
from gridground.electrical.exposure import (
    Branch,
    Layout,
    Origin,
    Place,
    Setting,
    Study,
    counter_example_v,
    study,
)
from gridground.electrical.injection import Injections, find_injections
from gridground.electrical.source import source_of
from gridground.electrical.tolerable import limit_v
from gridground.electrical.whereabouts import Between
from gridground.errors import NetworkError, NoPlanError, Reason, TableError
from gridground.grounding.electrodes import Electrode, electrode_of
from gridground.grounding.events import heated_rows
from gridground.grounding.poletop import sides_of
from gridground.grounding.rows import Duty, lead_rows, with_solved_currents
from gridground.grounding.truck import with_kit
from gridground.grounding.used_leads import used_rows
from gridground.grounding.vehicle_bond import bond_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.grounding.poletop import PoleTop
    from gridground.grounding.where import Placement, Spot
    from gridground.record import LeadRow
    from gridground.scene import Scene


@dataclass(frozen=True)
class Outcome:
    """One method worked out.

    Attributes
    ----------
    placement : Placement
        Where the grounds go.
    rows : tuple of LeadRow
        The lead table.
    duties : tuple of Duty
        One per location.
    electrodes : tuple of Electrode
        One per location.
    study : Study or None
        The worker's voltages; None where the method cannot be drawn.
    limit_v, limit_rule
        The tolerable voltage and its rule.
    duration_s : float
        The longest time that counts over every fault at the locations [s].
    body_ohm : float
        Body resistance the job states [ohm].
    infeasible : tuple of Reason
        Why it cannot be drawn.
    layout, setting
        What the study was made of; None where there is none.
    without_personal_v : float or None
        What the worker would see from the circuit's own source without any lead at the worksite:
        brackets alone, or, of a single-point plan, the voltage of the line to ground [V]. None
        until `with_counter_example` has worked it out.
    bond : LeadRow or None
        The bond of the truck; not among `rows`, counted nowhere.
    let_in : Injections
        What can energize the line from outside, solved or not.
    """

    placement: Placement
    rows: tuple[LeadRow, ...] = ()
    duties: tuple[Duty, ...] = ()
    electrodes: tuple[Electrode, ...] = ()
    study: Study | None = None
    limit_v: float = float("nan")
    limit_rule: str = ""
    duration_s: float = float("nan")
    body_ohm: float = float("nan")
    infeasible: tuple[Reason, ...] = ()
    layout: Layout | None = None
    setting: Setting | None = None
    without_personal_v: float | None = None
    bond: LeadRow | None = None
    let_in: Injections = field(default_factory=lambda: Injections((), (), ()))

    @property
    def worst_v(self) -> float | None:
        """The largest voltage on the worker [V]; people on the ground do not count."""
        worst = self.study.worst if self.study is not None else None
        return None if worst is None else worst.voltage_v

    @property
    def solved_from(self) -> frozenset[str]:
        """Names of the origins that the study solved."""
        return frozenset(() if self.study is None else (o.name for o in self.study.origins))

    @property
    def bonded(self) -> bool:
        """Say whether every contact of the worker is bonded, so that its voltage is determined."""
        if self.study is None:
            return False
        cases = self.study.worker_cases
        return all(case.passed or case.voltage_v > case.limit_v for case in cases)

    @property
    def passes(self) -> bool:
        """Say whether every voltage on the worker stays within its limit.

        People on the ground are kept off by the cone zone; their cases have their own flag.
        """
        return self.study is not None and all(case.passed for case in self.study.worker_cases)


def work_out(scene: Scene, placement: Placement) -> Outcome:
    """Size the leads of a placement and solve what the worker would see.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    placement : Placement
        Where the grounds of this method go.
    """
    if placement.infeasible:
        return Outcome(placement, infeasible=placement.infeasible)
    try:
        return _solve(scene, placement)
    except NoPlanError as error:
        return Outcome(placement, infeasible=error.reasons)
    except (TableError, NetworkError) as error:
        code = "beyond_table" if isinstance(error, TableError) else "not_solved"
        reason = Reason(code, scene.job.circuit_ids, f"{error}.", "Correct the figure it names.")
        return Outcome(placement, infeasible=(reason,))


def _solve(scene: Scene, placement: Placement) -> Outcome:
    """Work out a placement that can be drawn."""
    duties = [scene.duty(spot) for spot in placement.spots]
    planned = lead_rows(scene.job, placement.spots, duties)
    bond = bond_row(scene.job, scene.territory, planned)
    hung = with_kit(scene.job, placement.spots, planned, bond=bond)
    rows = used_rows(scene.job, placement.spots, hung[: len(planned)])
    electrodes = [electrode_of(scene.job, scene.neighbourhood, s) for s in placement.spots]
    duration = max(max(d.fault.longest_s, d.fault.clearing_s) for d in duties)
    limit = limit_v(
        scene.job.limits.worker_limit, duration_s=duration, body_ohm=scene.job.limits.body_ohm
    )
    setting = Setting(
        body_ohm=scene.job.limits.body_ohm,
        limit_v=limit.volts,
        growth_ratio=scene.job.limits.fault_growth_ratio,
        resistivity_ohm_m=max(e.resistivity_ohm_m for e in electrodes),
    )
    layout = layout_of(scene, placement.spots, rows, electrodes)
    let_in = find_injections(
        scene.network,
        layout,
        between=Between(placement.inner_spans, placement.inner_poles),
        opened=scene.job.sources_opened or (),
        isolated=scene.job.isolated_equipment,
    )
    timed = [_with_own_limit(scene, origin) for origin in let_in.origins]
    notes = (*let_in.notes, *(note for _, note in timed if note))
    origins = [
        _with_event_limits(scene, placement, origin, duration)
        for origin in (*scene.origins, *(origin for origin, _ in timed))
    ]
    answer = study(scene.territory, layout, origins=origins, setting=setting)
    hotter = heated_rows(rows, answer.origins, basis=scene.job.limits.lead_basis)
    if hotter != rows:
        rows = hotter
        layout = layout_of(scene, placement.spots, rows, electrodes)
        answer = study(scene.territory, layout, origins=origins, setting=setting)
    answer = replace(answer, notes=tuple(dict.fromkeys((*answer.notes, *notes))))
    current_a = np.full(len(rows), np.nan)
    current_a[: len(answer.lead_current_a)] = answer.lead_current_a
    solved = with_solved_currents(rows, [float(a) for a in current_a])
    return Outcome(
        placement,
        tuple(solved),
        tuple(duties),
        tuple(electrodes),
        answer,
        limit.volts,
        limit.rule,
        duration,
        scene.job.limits.body_ohm,
        layout=layout,
        setting=setting,
        bond=hung[-1] if bond is not None else None,
        let_in=replace(let_in, origins=tuple(origin for origin, _ in timed)),
    )


def _with_own_limit(scene: Scene, origin: Origin) -> tuple[Origin, str]:
    """Return an origin with the limit of its own clearing time, and what is assumed about it."""
    clearing_s = origin.clearing_s
    if origin.kind == "other circuit falls on":
        clearing_s = scene.contact_s(origin)
    if clearing_s is None:
        return origin, (
            f"{origin.name} ({origin.kind}): its clearing time is not known, the worked circuit's "
            "stands in"
        )
    limits = scene.job.limits
    try:
        own = limit_v(limits.worker_limit, duration_s=clearing_s, body_ohm=limits.body_ohm)
    except TableError as error:
        what = f"clearing_s of {origin.name} ({origin.kind}): {error}."
        remedy = f"Correct clearing_s of {origin.name}, or have it switched out."
        raise NoPlanError([Reason("beyond_table", (origin.name,), what, remedy)]) from error
    return replace(origin, limit_v=own.volts, clearing_s=clearing_s), ""


def _with_event_limits(
    scene: Scene, placement: Placement, origin: Origin, duration_s: float
) -> Origin:
    """Return an origin whose events are each held against the limit of their own time."""
    times = scene.event_times(origin, placement.spots)
    if times is None:
        return origin
    limits = scene.job.limits
    own_s = duration_s if origin.clearing_s is None else origin.clearing_s
    return replace(
        origin,
        limits=EventLimits(
            times, limits.worker_limit, limits.body_ohm, own_s, limits.fault_growth_ratio
        ),
    )


def with_counter_example(scene: Scene, outcome: Outcome) -> Outcome:
    """Return an outcome with the worker's voltage were there no lead at the worksite.

    Parameters
    ----------
    scene : Scene
        What both methods share.
    outcome : Outcome
        The method chosen.
    """
    layout, setting = outcome.layout, outcome.setting
    if layout is None or setting is None:
        return outcome
    if outcome.placement.method == "single-point":
        circuits = scene.territory.circuits
        rows = [circuits.index()[circuit_id] for circuit_id in scene.job.circuit_ids]
        volts = max(source_of(scene.territory, row).prefault_v for row in rows)
        return replace(outcome, without_personal_v=volts)
    own = [origin for origin in scene.origins if origin.kind == "own source"]
    volts = counter_example_v(
        scene.territory, layout, origins=own or scene.origins[:1], setting=setting
    )
    return replace(outcome, without_personal_v=volts)


def layout_of(
    scene: Scene,
    spots: Sequence[Spot],
    rows: Sequence[LeadRow],
    electrodes: Sequence[Electrode],
) -> Layout:
    """Translate locations and lead rows to the places of the phasor network."""
    places = []
    number = 0
    splits: dict[str, dict[str, list[tuple[str, ...]]]] = {}
    for spot, electrode in zip(spots, electrodes, strict=True):
        branches = []
        for _ in spot.edges:
            row = rows[number]
            branches.append(
                Branch(
                    row.edge.start,
                    row.edge.end,
                    row.resistance_ohm,
                    row.reactance_ohm,
                    number,
                    cold_ohm=row.cold_ohm,
                    in_service_ohm=row.in_service_ohm,
                )
            )
            number += 1
        top = spot.top
        circuits = tuple(circuit.circuit_id for circuit in top.circuits)
        places.append(
            Place(
                top.pole_id,
                top.span_id,
                circuits,
                electrode.network_ohm,
                tuple(branches),
                spot.role == "worksite",
                _cut_in_span(top),
            )
        )
        if top.pole_id is not None and (found := _splits(scene, spot)):
            splits[top.pole_id] = found
    for pole in sorted(scene.zone.poles):
        # A device between worksite poles is not counted on for continuity either.
        pole_id = scene.zone.pole_id(pole)
        if pole_id not in {place.pole_id for place in places} and (
            found := _device_splits(scene, pole, {c.circuit_id for c in spots[0].top.circuits})
        ):
            splits[pole_id] = found
    return Layout(tuple(places), splits)


def _cut_in_span(top: PoleTop) -> tuple[str, ...]:
    """Return the conductors cut in mid-span, named as the leads name them."""
    if top.pole_id is not None:
        return ()
    several = len(top.circuits) > 1
    return tuple(
        f"{c.circuit_id}:{name}" if several else name for c in top.circuits for name in c.cuts
    )


def _device_splits(
    scene: Scene, pole: int, circuit_ids: set[str]
) -> dict[str, list[tuple[str, ...]]]:
    """Return the sides that devices make of the conductors of a pole without grounds."""
    spans, zone = scene.territory.spans, scene.zone
    found: dict[str, list[tuple[str, ...]]] = {}
    for circuit_id in sorted(circuit_ids):
        prefix = f"{circuit_id}:" if len(circuit_ids) > 1 else ""
        own = [s for s in zone.worked_spans_at(pole) if spans["circuit_id"][s] == circuit_id]
        letters = sorted({letter for s in own for letter in spans["phases"][s] or ""})
        for letter in letters:
            groups = sides_of(scene.network, pole, own, letter)
            if len(groups) > 1:
                found[prefix + letter] = [tuple(zone.span_id(s) for s in g) for g in groups]
    return found


def _splits(scene: Scene, spot: Spot) -> dict[str, list[tuple[str, ...]]]:
    """Return the sides of every conductor that is split at a pole."""
    network, zone = scene.network, scene.zone
    pole = network.pole_row[str(spot.top.pole_id)]
    spans = network.territory.spans
    found: dict[str, list[tuple[str, ...]]] = {}
    for circuit in spot.top.circuits:
        prefix = f"{circuit.circuit_id}:" if len(spot.top.circuits) > 1 else ""
        own = [
            s for s in zone.worked_spans_at(pole) if spans["circuit_id"][s] == circuit.circuit_id
        ]
        for letter in circuit.phases:
            groups = [
                tuple(zone.span_id(s) for s in g) for g in sides_of(network, pole, own, letter)
            ]
            if len(groups) > 1:
                found[prefix + letter] = groups
        for name, (first, _) in circuit.cuts.items():
            carrying = [
                zone.span_id(s)
                for s in own
                if (name == "neutral" and spans["neutral_conductor"][s] is not None)
                or name in (spans["phases"][s] or "")
            ]
            found[prefix + name] = [(first,), tuple(s for s in carrying if s != first)]
    return found
