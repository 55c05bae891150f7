"""What every way in asks of the leads: the solved current of each held against them.

Leads are sized for the bolted faults of the worked circuits and of circuits live on the same
poles. What falls on the line or feeds back into it may drive more current through a lead, or for
longer; and with every conductor solved, a lead may carry a little more than the bolted fault.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gridground.errors import TableError
from gridground.grounding.heating import SHORTEST_S, materials
from gridground.grounding.lead_impedance import lead_resistance_ohm
from gridground.grounding.margin import carried_a
from gridground.grounding.rating import lead_end_temperature_c

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gridground.electrical.exposure import SolvedOrigin
    from gridground.grounding.rating import Basis
    from gridground.record import LeadRow

OWN = ("own source", "device closed again")  # what the leads are sized for
# X/R of what states none: that of the tests for high offset in ASTM F855 (second hand); as the
# value of an unknown source our judgement.
UNKNOWN_X_OVER_R = 30.0


@dataclass(frozen=True)
class EventDuty:
    """What one way in asks of one lead row.

    Attributes
    ----------
    origin : SolvedOrigin
        The way in.
    current_a : float
        Largest solved current of the row, symmetrical [A].
    time_s, x_over_r : float
        For how long, and with what offset [s], [ratio]; of several shots the ratio that gives the
        offset of each.
    carried_a : float
        What the row carries for that time and offset, by heat and first peak [A].
    """

    origin: SolvedOrigin
    current_a: float
    time_s: float
    x_over_r: float
    carried_a: float

    @property
    def passed(self) -> bool:
        """Whether the row carries it."""
        return self.current_a <= self.carried_a

    @property
    def source(self) -> str:
        """Where the figures come from, in words."""
        own = self.origin.kind in OWN
        stated = own or self.origin.clearing_s is not None
        time = f"{self.time_s:g} s" + ("" if stated else " (the worked circuit's, none stated)")
        mend = "" if own else ", or have it switched out"
        return (
            f"solved current of {self.origin.name} ({self.origin.kind}) for {time} at X/R "
            f"{self.x_over_r:.3g}, against heat and first peak as for lead_rating and lead_peak; "
            f"a larger lead_minimum mends it{mend}"
        )


def event_duties(
    row: LeadRow, number: int, origins: Sequence[SolvedOrigin], *, basis: Basis
) -> list[EventDuty]:
    """Return what every way in asks of a lead row.

    Parameters
    ----------
    row : LeadRow
        The row.
    number : int
        Its number in the lead table.
    origins : sequence of SolvedOrigin
        As solved, with the currents of all rows.
    basis : "withstand" or "ultimate"
        Of the job.

    Raises
    ------
    TableError
        For a clearing time above 10 s; a shorter one than the ratings reach counts as that.
    """
    found = []
    for origin in origins:
        if not origin.lead_a[number] > 0:
            continue
        rows_own = origin.kind in OWN or origin.clearing_s is None
        time_s = row.time_s if rows_own else max(origin.clearing_s or 0.0, SHORTEST_S)
        times_on = row.times_on if rows_own else 1
        ratio = row.x_over_r
        if origin.kind not in OWN:
            ratio = max(ratio, UNKNOWN_X_OVER_R if origin.x_over_r is None else origin.x_over_r)
        carried = carried_a(
            row.size,
            time_s,
            ratio,
            basis=basis,
            parallel=row.parallel,
            frequency_hz=row.frequency_hz,
            times_on=times_on,
        )
        duty = EventDuty(origin, origin.lead_a[number], time_s, ratio * times_on, float(carried))
        found.append(duty)
    return found


def heated_rows(
    rows: Sequence[LeadRow], origins: Sequence[SolvedOrigin], *, basis: Basis
) -> list[LeadRow]:
    """Return the rows as hot as the worst way in leaves them.

    Parameters
    ----------
    rows, origins, basis
        As for `event_duties`.

    Notes
    -----
    Leads to a rod or pole ground stay as they are: they stand in line with the earth of the rod.
    Copper that melts counts at its fusing point; such a row fails its check.
    """
    done = []
    for number, row in enumerate(rows):
        before_c = row.end_temperature_c
        if row.edge.role == "electrode" or before_c is None:
            done.append(row)
            continue
        duties = event_duties(row, number, origins, basis=basis)
        hottest_c = max((_end_c(row, duty) for duty in duties), default=before_c)
        if hottest_c <= before_c:
            done.append(row)
            continue
        ohm = lead_resistance_ohm(
            row.size, row.length_m, temperature_c=hottest_c, parallel=row.parallel
        )
        melts = hottest_c >= _fusing_c()
        done.append(
            replace(row, resistance_ohm=ohm, end_temperature_c=None if melts else hottest_c)
        )
    return done


def _fusing_c() -> float:
    """Return the fusing temperature of copper [°C]."""
    return materials()["copper, annealed"].fusing_c


def _end_c(row: LeadRow, duty: EventDuty) -> float:
    """Return the temperature a way in leaves a row at, the fusing point where it melts [°C]."""
    try:
        return lead_end_temperature_c(
            row.size,
            duty.current_a,
            duty.time_s,
            duty.x_over_r,
            parallel=row.parallel,
            frequency_hz=row.frequency_hz,
        )
    except TableError:
        return _fusing_c()
