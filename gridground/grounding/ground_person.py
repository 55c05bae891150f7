"""The person on the ground near a rod: step and touch voltage, their limits, and the radius."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gridground.electrical.body import LONGEST_S, TESTED_FROM_S, tolerable_body_a
from gridground.electrical.standing import standing_limit_a
from gridground.electrical.tolerable import (
    STRICTEST,
    step_limit_v,
    surface_ratio,
    touch_limit_v,
)
from gridground.errors import TableError
from gridground.grounding.earth import radius_for_step_m, step_v, touch_v
from gridground.grounding.soil_layers import (
    SoilLayers,
    two_layer_radius_for_step_m,
    two_layer_surface_ratio,
)
from gridground.units import feet_text

if TYPE_CHECKING:
    from gridground.job import RodSpec

REACH_M = 1.0  # from a hand on the lead or the rod to the feet
_TESTED_TO_S = 3.0
_MET = 1.0 + 1e-9


@dataclass(frozen=True)
class GroundLimits:
    """Tolerable step and touch voltage of a person on the ground [V], and where they come from."""

    step_v: float
    touch_v: float
    source: str


@dataclass(frozen=True)
class Electric:
    """The shape by which an electrode spreads its potential: length, diameter [m], the soil.

    `layers` is None for soil of one kind.
    """

    length_m: float
    diameter_m: float
    layers: SoilLayers | None


@dataclass(frozen=True)
class GroundPerson:
    """What a person near the rod is exposed to, beside the limits.

    Attributes
    ----------
    rise_v : float
        Rise of the rod over remote earth [V].
    radius_needed_m, radius_m : float
        Outside which no step passes its limit; of the zone: the larger of that and the employer's
        [m].
    step_v : float
        Largest step at and beyond the edge of the zone [V].
    touch_reach_v, touch_zone_v : float
        A hand on the lead or the rod, feet 1 m from the rod, and feet at the edge of the zone [V].
    limits : GroundLimits
        What they are held against.
    step_passed, touch_passed : bool
        Whether step and touch (the larger of the two) stay within their limits.
    """

    rise_v: float
    radius_needed_m: float
    radius_m: float
    step_v: float
    touch_reach_v: float
    touch_zone_v: float
    limits: GroundLimits

    @property
    def touch_v(self) -> float:
        """The larger of the two touch voltages [V]."""
        return max(self.touch_reach_v, self.touch_zone_v)

    @property
    def step_passed(self) -> bool:
        """Whether the step at the edge stays within its limit."""
        return self.step_v <= self.limits.step_v * _MET

    @property
    def touch_passed(self) -> bool:
        """Whether touching the lead or the rod stays within its limit."""
        return self.touch_v <= self.limits.touch_v * _MET

    @property
    def message(self) -> str:
        """What the crew is told."""
        seen = f"a hand on the lead sees up to {math.ceil(self.touch_v):,} V"
        held = f"limit {math.floor(self.limits.touch_v):,} V"
        if self.touch_passed:
            told = "still nobody inside the ring, nobody touches lead or rod"
        else:
            told = "nobody inside the ring, nobody touches lead or rod"
        return f"{seen} ({held}): {told} while the line may be energized"


def ground_limits(
    duration_s: float, *, body_ohm: float, soil_ohm_m: float, rod: RodSpec
) -> GroundLimits:
    """Return the tolerable step and touch voltage of a person of 50 kg on the ground.

    Parameters
    ----------
    duration_s : float
        Duration of the fault, 0.01 s to 10 s [s].
    body_ohm : float
        Body resistance [ohm].
    soil_ohm_m : float
        Resistivity of the soil under the feet; of two layers the smaller [ohm·m].
    rod : RodSpec
        For the surface layer spread round the rod; where the job states none the feet stand on
        the bare soil, which is the stricter.

    Returns
    -------
    GroundLimits
        The limits [V] and their source.

    Raises
    ------
    TableError
        For a duration outside 0.01 s to 10 s.

    Notes
    -----
    ``(R_B + 6 Cs rho_s) k/sqrt(t)`` and ``(R_B + 1.5 Cs rho_s) k/sqrt(t)``. A layer that conducts
    better than the soil counts as the soil's own value at most.

    References
    ----------
    .. [1] IEEE Std 80-2013, clauses 7.4 and 8.3, equations 27, 29 and 32 (from memory).

    Examples
    --------
    >>> from gridground.job import RodSpec
    >>> found = ground_limits(0.5, body_ohm=1000, soil_ohm_m=100, rod=RodSpec(1.83, 0.016, 100))
    >>> round(found.step_v), round(found.touch_v)
    (262, 189)
    """
    if math.isnan(duration_s):
        reach = f"up to {LONGEST_S:g} s"
        raise TableError("duration of the body current", "unknown", reach, "IEEE Std 80-2013")
    under_ohm_m, ratio, told = soil_ohm_m, 1.0, f"bare soil of {soil_ohm_m:g} ohm·m"
    if rod.surface_ohm_m is not None and rod.surface_depth_m is not None:
        under_ohm_m, depth_m = rod.surface_ohm_m, rod.surface_depth_m
        ratio = float(surface_ratio(soil_ohm_m, surface_ohm_m=under_ohm_m, depth_m=depth_m))
        told = (
            f"{feet_text(depth_m)} of {under_ohm_m:g} ohm·m on {soil_ohm_m:g} ohm·m, Cs {ratio:.2f}"
        )
        ratio = min(ratio, max(soil_ohm_m / under_ohm_m, 1.0))
    step = step_limit_v(
        duration_s,
        weight="50 kg",
        body_ohm=body_ohm,
        surface_ohm_m=under_ohm_m,
        layer_ratio=ratio,
    )
    touch = touch_limit_v(
        duration_s,
        weight="50 kg",
        body_ohm=body_ohm,
        surface_ohm_m=under_ohm_m,
        layer_ratio=ratio,
    )
    source = f"IEEE Std 80-2013 eq. 29 and 32 (50 kg, {told}, from memory)"
    return GroundLimits(float(step), float(touch), source + _beyond(duration_s))


def _beyond(duration_s: float) -> str:
    """Say what is done outside the range in which the body current was tested."""
    if duration_s < TESTED_FROM_S:
        return f"; {duration_s:g} s counts as {TESTED_FROM_S:g} s"
    if duration_s > _TESTED_TO_S:
        return f"; beyond {_TESTED_TO_S:g} s carried on as 1/sqrt(t), our judgement"
    return ""


def standing_radius_m(
    rise_v: float, *, limits: GroundLimits, duration_s: float, electrode: Electric
) -> float:
    """Return the radius outside which no step passes what may stand for long.

    Parameters
    ----------
    rise_v : float
        Rise of the electrode in an event that nothing opens [V].
    limits : GroundLimits
        Of the plan's own duration.
    duration_s : float
        That duration [s].
    electrode : Electric
        The rod (or what stands for it) and the soil.

    Returns
    -------
    float
        [m]

    Raises
    ------
    TableError
        In soil of two layers, for a radius beyond 200 m.

    Notes
    -----
    The step limit in the ratio of the strictest current that may flow for long (letting go) to the
    body current of the duration: the same way through feet and body.

    Examples
    --------
    >>> limits = GroundLimits(262.5, 188.7, "IEEE Std 80")
    >>> rod = Electric(1.8288, 0.015875, None)
    >>> round(standing_radius_m(1000.0, limits=limits, duration_s=0.5, electrode=rod), 1)
    4.8
    """
    body_a = float(tolerable_body_a(duration_s, weight="50 kg"))
    step_limit_v = limits.step_v * standing_limit_a(STRICTEST) / body_a
    rod = {"length_m": electrode.length_m, "diameter_m": electrode.diameter_m}
    needed_m = float(radius_for_step_m(rise_v, step_limit_v, **rod))
    if electrode.layers is not None:
        layered_m = two_layer_radius_for_step_m(rise_v, step_limit_v, electrode.layers, **rod)
        needed_m = max(needed_m, layered_m)
    return needed_m


def ground_person(
    rise_v: float, *, limits: GroundLimits, electrode: Electric, zone_radius_m: float
) -> GroundPerson:
    """Return what a person near the rod is exposed to.

    Parameters
    ----------
    rise_v : float
        Rise of the rod over remote earth [V].
    limits : GroundLimits
        As :func:`ground_limits` gives them.
    electrode : Electric
        The rod (or what stands for it) and the soil.
    zone_radius_m : float
        Radius of the zone the employer asks for; the needed one counts where it is larger [m].

    Returns
    -------
    GroundPerson
        Voltages, radius and limits. The step decides the radius; the touch voltage is told
        because no ring cures it.

    Raises
    ------
    ValueError
        For a negative rise or radius, a limit not above zero, a rod that cannot be.
    TableError
        In soil of two layers, for a radius beyond 200 m.

    Notes
    -----
    In soil of two layers the uniform profile and the layered one are both worked out, and the
    larger radius, step and touch voltage count. Touch grows towards the whole rise along a lead
    that runs away from the rod.

    Examples
    --------
    >>> found = ground_person(
    ...     7200.0, limits=GroundLimits(262.5, 188.7, "IEEE Std 80"),
    ...     electrode=Electric(1.8288, 0.015875, None), zone_radius_m=3.048)
    >>> round(found.radius_needed_m, 2), round(found.step_v), round(found.touch_zone_v, -2)
    (2.2, 162, 6500.0)
    >>> found.message
    'a hand on the lead sees up to 6,498 V (limit 188 V): nobody inside the ring, nobody touches \
lead or rod while the line may be energized'
    """
    rod = {"length_m": electrode.length_m, "diameter_m": electrode.diameter_m}
    needed_m = float(radius_for_step_m(rise_v, limits.step_v, **rod))
    layers = electrode.layers
    if layers is not None:
        layered_m = two_layer_radius_for_step_m(rise_v, limits.step_v, layers, **rod)
        needed_m = max(needed_m, layered_m)
    radius_m = max(needed_m, zone_radius_m)
    step = float(step_v(radius_m, rise_v=rise_v, **rod))
    reach = float(touch_v(REACH_M, rise_v=rise_v, **rod))
    zone = float(touch_v(radius_m, rise_v=rise_v, **rod))
    if layers is not None:
        inner, outer, near = (
            rise_v * float(two_layer_surface_ratio(at, layers, **rod))
            for at in (radius_m, radius_m + 1.0, REACH_M)
        )
        step = max(step, inner - outer)
        reach, zone = max(reach, rise_v - near), max(zone, rise_v - inner)
    return GroundPerson(rise_v, needed_m, radius_m, step, reach, zone, limits)
