"""Cases of the line itself: conductors, junctions, devices, cuts, poles, places for rods."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cases_network import CABLE, ONE, SPAN_M, THREE, TWO, Sketch, line, names

if TYPE_CHECKING:
    from collections.abc import Callable

    from cases_network import Row

    Draw = Callable[[], tuple[Sketch, Row]]

DUAL: Row = {"method": "dual-point"}
SMALL = "#6 ACSR 6/1"
LARGE: Row = {"fault_3ph_a": 4000, "fault_1ph_a": 3600, "backup_clearing_s": 0.5}
UNGROUNDED: Row = {"fault_1ph_a": None, "x_over_r_1ph": None}
WIRE_TO_EARTH: Row = {
    "nominal_kv": 7.2, "fault_3ph_a": None, "x_over_r_3ph": None, "fault_1ph_a": 300,
    "x_over_r_1ph": 1.0,
}  # fmt: skip
GROUNDED = dict.fromkeys(names("P", 0, 7), 25.0)
LINES: dict[str, Draw] = {}


def case(draw: Draw) -> Draw:
    """Take a drawing as the case of its name."""
    LINES[draw.__name__.replace("_", "-")] = draw
    return draw


def plain(name: str, asked: Row | None = None, **drawn: object) -> None:
    """Add a case on the plain line."""
    LINES[name] = lambda: (line(**drawn), asked or {})  # type: ignore[arg-type]


# --- conductors --------------------------------------------------------------------------------

plain("straight-three-phase")
plain("straight-two-phase", **TWO)
plain("straight-one-phase", **ONE)
plain("no-neutral", DUAL, neutral_conductor=None)
plain("small-neutral-three-phase", DUAL, neutral_conductor=SMALL, figures=LARGE)
plain("small-neutral-one-phase", DUAL, neutral_conductor=SMALL, figures=LARGE, **ONE)
plain("delta", DUAL, neutral_conductor=None, figures=UNGROUNDED)
plain("earth-return", DUAL, neutral_conductor=None, figures=WIRE_TO_EARTH, **ONE)
plain("steel-poles", DUAL, material="steel", ohm=GROUNDED)
plain("concrete-poles", material="concrete")
plain("composite-poles", material="composite")
plain("aerial-lift", {"work_position": "aerial lift"})

# --- worksites ---------------------------------------------------------------------------------

plain("four-worksite-poles", {"worksite_poles": ["P3", "P4", "P5", "P6"]}, last=8)
plain("worksite-poles-apart", {"worksite_poles": ["P3", "P5"]})
plain("dead-end", {"worksite_poles": ["P7"]})
plain("dead-end-one-bracket", {"worksite_poles": ["P7"]} | DUAL)
plain("last-span", {"worksite_poles": ["P6"]})
MID_SPAN: Row = {"worksite_poles": None, "worksite_span": "S4", "work_position": "aerial lift"}
plain("mid-span", MID_SPAN)
plain("mid-span-cut", MID_SPAN | {"open_conductor": ["B"]})
plain("cut-one-phase", DUAL | {"open_conductor": ["A"]})
plain("cut-one-phase-single", {"open_conductor": ["A"], "method": "single-point"})
plain("cut-all-phases", DUAL | {"open_conductor": ["A", "B", "C"]})
plain("broken-neutral", DUAL | {"open_conductor": ["N"]})

# --- junctions ---------------------------------------------------------------------------------


def branched(to: str = "N", **more: object) -> Sketch:
    """Return the plain line with a lateral of two spans from P4."""
    sketch = line()
    sketch.run("T", ["P4", "Q1", "Q2"], to=to, **more)  # type: ignore[arg-type]
    return sketch


@case
def t_full_lateral() -> tuple[Sketch, Row]:
    return branched(**THREE), {}


@case
def t_full_lateral_single() -> tuple[Sketch, Row]:
    return branched(**THREE), {"method": "single-point"}


@case
def t_two_phase_lateral() -> tuple[Sketch, Row]:
    return branched(**TWO), {}


@case
def t_one_phase_lateral() -> tuple[Sketch, Row]:
    return branched(**ONE), {}


@case
def four_way() -> tuple[Sketch, Row]:
    sketch = branched(**THREE)
    sketch.run("U", ["P4", "R1", "R2"], to="S", **THREE)
    return sketch, {}


@case
def four_way_brackets() -> tuple[Sketch, Row]:
    sketch, _ = four_way()
    return sketch, DUAL


# --- devices -----------------------------------------------------------------------------------


def with_switch(pole: str, span: str, state: str, **more: object) -> Sketch:
    """Return the plain line with a gang switch."""
    sketch = line()
    sketch.device("GS1", "switch", pole, span, state, **more)  # type: ignore[arg-type]
    return sketch


@case
def gang_switch_open() -> tuple[Sketch, Row]:
    return with_switch("P4", "S5", "open"), DUAL | {"sources_opened": ["BK-F1", "GS1"]}


@case
def gang_switch_closed() -> tuple[Sketch, Row]:
    return with_switch("P4", "S5", "closed"), DUAL


@case
def gang_switch_single_point() -> tuple[Sketch, Row]:
    return with_switch("P4", "S5", "closed"), {"method": "single-point"}


@case
def switch_at_source_bracket() -> tuple[Sketch, Row]:
    return with_switch("P3", "S4", "closed"), DUAL | {"sources_opened": ["BK-F1", "GS1"]}


@case
def switch_at_load_bracket() -> tuple[Sketch, Row]:
    return with_switch("P5", "S6", "closed"), DUAL


@case
def one_blade_open() -> tuple[Sketch, Row]:
    sketch = with_switch("P4", "S5", "open", phases="B")
    return sketch, DUAL | {"sources_opened": ["BK-F1", "GS1"]}


@case
def cutout_open_at_worksite() -> tuple[Sketch, Row]:
    sketch = branched(**ONE)
    sketch.device("CO1", "cutout", "P4", "T1", "open", phases="B")
    return sketch, DUAL | {"sources_opened": ["BK-F1", "CO1"]}


@case
def regulator_next_to_worksite() -> tuple[Sketch, Row]:
    return _regulator(4), DUAL


@case
def regulator_at_bracket_pole() -> tuple[Sketch, Row]:
    return _regulator(5), DUAL


def _regulator(after: int) -> Sketch:
    """Return a line with a regulator as a link of 8 m that leaves pole P<after> eastwards."""
    sketch = Sketch()
    sketch.run("S", names("P", 0, after))
    x = after * SPAN_M + 8.0
    sketch.pole(f"P{after + 1}", (x, 0.0))
    sketch.span("REG", f"P{after}", f"P{after + 1}", kind="link")
    sketch.run("S", names("P", after + 1, 8), first=after + 1)
    sketch.circuit("F1", "P0")
    sketch.device("BK-F1", "breaker", "P0", "S1")
    fence = line().layers["surroundings"]
    sketch.layers["surroundings"] = list(fence)
    return sketch


# --- rods --------------------------------------------------------------------------------------


def closed(*poles: str, ohm: dict[str, float] | None = None, **drawn: object) -> Sketch:
    """Return the plain line with ground closed to everybody round some poles."""
    sketch = line(ohm=ohm, **drawn)  # type: ignore[arg-type]
    for number, pole_id in enumerate(poles, 1):
        sketch.closed_ground(f"yard-{number}", pole_id)
    return sketch


@case
def no_rod_moved_out() -> tuple[Sketch, Row]:
    return closed("P5"), DUAL


@case
def no_rod_auto() -> tuple[Sketch, Row]:
    return closed("P5"), {}


@case
def no_rod_own_ground_near() -> tuple[Sketch, Row]:
    return closed("P5", ohm={"P5": 20.0}), DUAL


@case
def no_rod_twice_own_ground() -> tuple[Sketch, Row]:
    return closed("P5", "P6", ohm={"P5": 20.0}), DUAL


@case
def no_rod_twice_auto() -> tuple[Sketch, Row]:
    return closed("P5", "P6"), {}


@case
def no_rod_anywhere() -> tuple[Sketch, Row]:
    return closed(*names("P", 1, 7)), {}


@case
def no_rod_worksite_ground() -> tuple[Sketch, Row]:
    return closed(*names("P", 1, 7), ohm={"P4": 20.0}), {}


@case
def no_rod_small_neutral() -> tuple[Sketch, Row]:
    drawn = closed("P5", "P6", ohm={"P5": 20.0}, neutral_conductor=SMALL, figures=LARGE)
    return drawn, DUAL


@case
def no_rod_no_neutral() -> tuple[Sketch, Row]:
    return closed("P5", "P6", ohm={"P5": 20.0}, neutral_conductor=None), {}


# --- cables ------------------------------------------------------------------------------------


def riser() -> Sketch:
    """Return the plain line with a cable from P4 down to a cabinet."""
    sketch = line()
    sketch.pole("U1", (4 * SPAN_M, -50.0), material="pad", height_m=0)
    sketch.span("K1", "P4", "U1", **CABLE)
    sketch.equip("RIS1", "riser", "P4")
    return sketch


@case
def riser_isolated() -> tuple[Sketch, Row]:
    return riser(), DUAL | {"isolated_equipment": ["RIS1"]}


@case
def riser_not_isolated() -> tuple[Sketch, Row]:
    return riser(), DUAL


# --- combinations ------------------------------------------------------------------------------


@case
def worksite_and_lateral() -> tuple[Sketch, Row]:
    return branched(**THREE), {"worksite_poles": ["P4", "Q1"]}


@case
def switch_between_worksite_poles() -> tuple[Sketch, Row]:
    return with_switch("P4", "S5", "closed"), DUAL | {"worksite_poles": ["P4", "P5"]}


@case
def no_rod_at_t_bracket() -> tuple[Sketch, Row]:
    sketch = closed("P5")
    sketch.run("T", ["P5", "Q1", "Q2"], to="N", **THREE)
    return sketch, DUAL


@case
def moved_out_over_transformer() -> tuple[Sketch, Row]:
    sketch = closed("P5")
    sketch.equip("TX1", "transformer", "P5", "B")
    return sketch, DUAL


@case
def riser_with_cutouts() -> tuple[Sketch, Row]:
    sketch = riser()
    sketch.device("CO1", "cutout", "P4", "K1")
    opened = {"sources_opened": ["BK-F1", "CO1"], "isolated_equipment": ["RIS1"]}
    return sketch, DUAL | opened


@case
def lateral_behind_cutouts() -> tuple[Sketch, Row]:
    sketch = branched(**THREE)
    sketch.device("CO1", "cutout", "P4", "T1")
    return sketch, DUAL


@case
def lateral_without_neutral() -> tuple[Sketch, Row]:
    return branched(neutral_conductor=None), DUAL


@case
def phases_end_at_worksite() -> tuple[Sketch, Row]:
    sketch = line()
    for row, _ in sketch.layers["spans"][4:]:
        row.update(ONE)
    return sketch, DUAL


@case
def riser_with_cutouts_auto() -> tuple[Sketch, Row]:
    sketch, asked = riser_with_cutouts()
    return sketch, asked | {"method": "auto"}


@case
def lateral_alone() -> tuple[Sketch, Row]:
    """Only the lateral is switched out, by its cutout; the main line stays on."""
    sketch = line()
    sketch.run("T", ["P4", *names("Q", 1, 4)], to="N", **ONE)
    sketch.device("CO1", "cutout", "P4", "T1", phases="B")
    return sketch, {"worksite_poles": ["Q2"], "sources_opened": ["CO1"]}


HEAVY: Row = {"fault_3ph_a": 14000, "fault_1ph_a": 13000, "backup_clearing_s": 0.5}
plain(
    "parallel-leads",
    DUAL | {"limits": {"lead_sizes": ["2"], "parallel_max": 2}},
    figures=HEAVY,
)


@case
def switch_open_at_source_bracket() -> tuple[Sketch, Row]:
    return with_switch("P3", "S4", "open"), DUAL | {"sources_opened": ["BK-F1", "GS1"]}


@case
def gang_switch_open_source_side() -> tuple[Sketch, Row]:
    return with_switch("P4", "S4", "open"), DUAL | {"sources_opened": ["BK-F1", "GS1"]}


@case
def isolated_at_bracket_pole() -> tuple[Sketch, Row]:
    return with_switch("P3", "S4", "closed"), DUAL | {"sources_opened": ["GS1"]}


plain("first-pole", DUAL | {"worksite_poles": ["P1"]})
