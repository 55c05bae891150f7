"""The worker study beside a simulator: the same events, the same contacts, the same maxima."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from gridground.electrical.exposure import counter_example_v, study
from tests.check_table import record_many
from tests.cross.netlists import EARTH

# the study rounds to a microvolt and a microampere, rises and worker's voltages to six digits
DUST = 1e-6
# smaller figures are compared, but not shown in the table: there rounding is all that differs
SHOWN_V, SHOWN_A = 1e-2, 1e-3
NAMES = ("worker's voltage", "lead currents", "electrode currents", "electrode rises")


@dataclass(frozen=True)
class Columns:
    """Ours and theirs, as pairs of columns."""

    voltage_v: np.ndarray
    lead_a: np.ndarray
    electrode_a: np.ndarray
    rise_v: np.ndarray
    largest_a: float  # of the simulator's lead currents

    def check(self, *, leads, others):
        """Ask for agreements."""
        ratios = (others, leads, others, others)
        for name, (ours, theirs, _), ratio in zip(NAMES, self._pairs(), ratios, strict=True):
            over = np.abs(ours - theirs) / (ratio * theirs + DUST)
            worst = over.argmax()
            assert over[worst] <= 1.0, f"{name}: {ours[worst]} here, {theirs[worst]} there"

    def record(self, engine, what, source):
        """Keep them in the table of checks; figures too small to matter are left out."""
        for name, (ours, theirs, least) in zip(NAMES, self._pairs(), strict=True):
            kept = theirs >= least
            if kept.any():
                record_many(f"{name}, {engine}", what, ours[kept], theirs[kept], source)

    def _pairs(self):
        return (
            (*self.voltage_v, SHOWN_V),
            (*self.lead_a, SHOWN_A),
            (*self.electrode_a, SHOWN_A),
            (*self.rise_v, SHOWN_V),
        )


def compare(site, solve, *, form, few=False):
    """Study a worksite and simulate every event of it in every state.

    `solve` takes a circuit, contacts (pairs of nodes) and the body's resistance. `few` simulates a
    body in three events of each origin only; currents are those of all events.
    """
    answer = study(site.data, site.layout, origins=site.origins, setting=site.setting)
    cases = defaultdict(list)
    for case in answer.cases:
        cases[case.origin, case.neutral, case.event].append(case)
    states = site.states()
    assert set(cases) == set(states)
    volts, current, start_v = [], defaultdict(float), defaultdict(float)
    for (origin, neutral, event), breaks in states.items():
        listed = cases[origin, neutral, event]
        assert site.bar_contacts() <= {case.contact for case in listed}
        if few and event not in _first_middle_last(site.feeds[origin].events()):
            listed = []
        pairs = [(k, pair) for k, case in enumerate(listed) for pair in site.contact(case.contact)]
        worst = [0.0] * len(listed)
        for opened, state in product(breaks, site.lead_states()):
            net = site.wiring(origin, opened, event, form=form, state=state)
            found = solve(net, [pair for _, pair in pairs], site.setting.body_ohm)
            for (k, _), volt in zip(pairs, found.contact_v, strict=True):
                worst[k] = max(worst[k], volt)
            for name, ampere in found.current_a.items():
                current[name] = max(current[name], ampere)
                start_v[name] = max(start_v[name], found.start_v[name])
        volts += [(case.voltage_v, volt) for case, volt in zip(listed, worst, strict=True)]
    leads = [(a, current[f"lead {row}"]) for row, a in enumerate(answer.lead_current_a)]
    rise, amps = _electrodes(site, answer, current, start_v)
    columns = [np.array(pairs).reshape(-1, 2).T for pairs in (volts, leads, amps, rise)]
    return Columns(*columns, max(a for _, a in leads))


def _first_middle_last(events):
    """Return all phases, one event in between, one of the fewest phases."""
    return {events[0], events[len(events) // 2], events[-1]}


def _electrodes(site, answer, current, start_v):
    """Return ours and theirs of rises and currents; of a place's electrodes the largest."""
    names = defaultdict(list)
    for name, (place, _) in site.electrodes.items():
        names[place].append(name)
    for name, place in site.held.items():
        names[place].append(name)
    ours = {r.pole_id or r.span_id: r for r in answer.rises}
    assert set(ours) == set(names)
    rise = [(ours[p].rise_v, max(start_v[n] for n in names[p])) for p in names]
    amps = [(ours[p].electrode_a, max(current[n] for n in names[p])) for p in names]
    return rise, amps


def counter_example(site, solve, *, form):
    """Return the worst voltage without leads at the worksites, ours and the simulator's [V].

    Every pair of conductors and every conductor against earth is touched.
    """
    ours = counter_example_v(site.data, site.layout, origins=site.origins, setting=site.setting)
    bare = [replace(p, branches=()) if p.worksite else p for p in site.layout.places]
    gone = {p.name for p in bare if p.worksite}
    kept = {name: at for name, at in site.electrodes.items() if at[0] not in gone}
    site = replace(site, layout=replace(site.layout, places=tuple(bare)), electrodes=kept)
    contacts = []
    for place, labels in site.touch.items():
        nodes = [f"{place}.{label}" for label in labels]
        contacts += [(node, EARTH) for node in nodes] + list(combinations(nodes, 2))
    worst = 0.0
    for (origin, _, event), breaks in site.states().items():
        for opened in breaks:
            net = site.wiring(origin, opened, event, form=form)
            worst = max(worst, *solve(net, contacts, site.setting.body_ohm).contact_v)
    return ours, worst
