"""Cases of where energy comes from: circuits beside, lines across, ties, equipment, openings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cases_network import LEFT, LOWER, ONE, RIGHT, SPAN_M, THREE, UPPER, Sketch, line, names

if TYPE_CHECKING:
    from collections.abc import Callable

    from cases_network import Row

    Draw = Callable[[], tuple[Sketch, Row]]

DUAL: Row = {"method": "dual-point"}
SOURCES: dict[str, Draw] = {}


def case(draw: Draw) -> Draw:
    """Take a drawing as the case of its name."""
    SOURCES[draw.__name__.replace("_", "-")] = draw
    return draw


# --- circuits on the same poles ----------------------------------------------------------------


def double(first: Row, second: Row) -> Sketch:
    """Return the plain line with a second circuit F2, breaker BK-F2, on its poles."""
    sketch = line(**first)
    sketch.arms = True
    sketch.run("X", names("P", 0, 7), circuit="F2", **second)
    sketch.circuit("F2", "P0")
    sketch.device("BK-F2", "breaker", "P0", "X1")
    return sketch


def sharing() -> Sketch:
    """Return two circuits on one neutral wire."""
    return double(LEFT | {"shares_neutral_with": "F2"}, RIGHT | {"shares_neutral_with": "F1"})


BOTH: Row = {"circuit_ids": ["F1", "F2"], "sources_opened": ["BK-F1", "BK-F2"]}


@case
def double_both_worked() -> tuple[Sketch, Row]:
    return double(UPPER, LOWER), DUAL | BOTH


@case
def double_one_energized() -> tuple[Sketch, Row]:
    return double(UPPER, LOWER), DUAL


@case
def double_one_energized_auto() -> tuple[Sketch, Row]:
    return double(UPPER, LOWER), {}


@case
def shared_neutral_one_worked() -> tuple[Sketch, Row]:
    return sharing(), DUAL


@case
def shared_neutral_both_worked() -> tuple[Sketch, Row]:
    return sharing(), DUAL | BOTH


# --- lines across and beside -------------------------------------------------------------------

ACROSS = [(4.5 * SPAN_M, -60.0), (4.5 * SPAN_M, 60.0)]  # over the middle of S5


@case
def line_crossing() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.other_line("L34", ACROSS)
    return sketch, DUAL


@case
def line_crossing_auto() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.other_line("L34", ACROSS)
    return sketch, {}


@case
def line_crossing_switched_out() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.other_line("L34", ACROSS, state="dead")
    return sketch, DUAL


@case
def line_crossing_outside() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.other_line("L34", [(6.5 * SPAN_M, -60.0), (6.5 * SPAN_M, 60.0)])
    return sketch, DUAL


@case
def line_beside() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.other_line("L34", [(-50.0, 40.0), (450.0, 40.0)])
    return sketch, DUAL


@case
def circuit_crossing() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.run("X", names("X", 0, 3), at=(4.5 * SPAN_M, -1.5 * SPAN_M), to="N", circuit="F2")
    sketch.circuit("F2", "X0")
    return sketch, DUAL


# --- ties --------------------------------------------------------------------------------------


def tied(state: str = "open") -> Sketch:
    """Return F1 up to P6, and F2 from the north to the same pole; TIE1 there ends F1."""
    sketch = line(6)
    sketch.run("X", names("X", 0, 3), at=(6 * SPAN_M, 4 * SPAN_M), to="S", circuit="F2")
    sketch.span("X4", "X3", "P6", circuit="F2")
    sketch.circuit("F2", "X0")
    sketch.device("BK-F2", "breaker", "X0", "X1")
    sketch.device("TIE1", "switch", "P6", "S6", state)
    return sketch


@case
def tie_open_tagged() -> tuple[Sketch, Row]:
    asked = {"sources_opened": ["BK-F1", "TIE1"]}
    return tied(), DUAL | asked


@case
def tie_open_not_tagged() -> tuple[Sketch, Row]:
    return tied(), DUAL


@case
def other_source_connected() -> tuple[Sketch, Row]:
    return tied("closed"), {}


@case
def own_source_connected() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.device("GS1", "switch", "P5", "S6")
    return sketch, DUAL | {"sources_opened": ["GS1"]}


@case
def ring_open_inside() -> tuple[Sketch, Row]:
    """The far end comes back to the source pole; NO1 in the ring is open."""
    sketch = line()
    sketch.run("R", ["P7", "R1", "R2"], to="N")
    sketch.run("Q", ["P0", "Q1", "Q2"], to="N")
    sketch.span("R3", "Q2", "R2")
    sketch.device("NO1", "switch", "R1", "R2", "open")
    sketch.device("GS1", "switch", "P2", "S3")
    return sketch, DUAL | {"sources_opened": ["GS1", "NO1"]}


@case
def ring_open_not_tagged() -> tuple[Sketch, Row]:
    sketch, _ = ring_open_inside()
    return sketch, DUAL | {"sources_opened": ["GS1"]}


# --- equipment ---------------------------------------------------------------------------------


def tapped() -> Sketch:
    """Return the plain line with a generator at the end of a tap from P6."""
    sketch = line()
    sketch.run("T", ["P6", "Q1", "Q2"], to="N", **THREE)
    sketch.equip("GEN1", "generator", "Q2")
    return sketch


@case
def generator_isolated() -> tuple[Sketch, Row]:
    return tapped(), DUAL | {"isolated_equipment": ["GEN1"]}


@case
def generator_not_isolated() -> tuple[Sketch, Row]:
    return tapped(), DUAL


def equipped(kind: str, pole: str = "P4", phases: str = "B") -> Sketch:
    """Return the plain line with one piece of equipment."""
    sketch = line()
    sketch.equip("EQ1", kind, pole, phases)
    return sketch


@case
def transformer_isolated() -> tuple[Sketch, Row]:
    return equipped("transformer"), DUAL | {"isolated_equipment": ["EQ1"]}


@case
def transformer_not_isolated() -> tuple[Sketch, Row]:
    return equipped("transformer"), DUAL


@case
def transformer_at_bracket_pole() -> tuple[Sketch, Row]:
    return equipped("transformer", "P5"), DUAL


@case
def service_not_isolated() -> tuple[Sketch, Row]:
    return equipped("service"), DUAL


@case
def generator_at_worksite() -> tuple[Sketch, Row]:
    return equipped("generator", phases="ABC"), DUAL


@case
def capacitor() -> tuple[Sketch, Row]:
    sketch = equipped("capacitor", phases="ABC")
    sketch.equip("EQ2", "capacitor", "P6")
    return sketch, DUAL


# --- missing data ------------------------------------------------------------------------------


@case
def phases_unknown_on_the_way() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.layers["spans"][4][0].pop("phases")
    return sketch, {}


@case
def phases_unknown_beyond() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.run("T", ["P6", "Q1", "Q2"], to="N", **ONE)
    sketch.layers["spans"][-1][0].pop("phases")
    return sketch, {}


@case
def phases_unknown_at_bracket_pole() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.run("T", ["P5", "Q1", "Q2"], to="N", **ONE)
    sketch.layers["spans"][-2][0].pop("phases")
    return sketch, {}


@case
def phases_unknown_before_generator() -> tuple[Sketch, Row]:
    sketch = tapped()
    sketch.layers["spans"][-2][0].pop("phases")
    return sketch, DUAL


@case
def phases_unknown_behind_tie() -> tuple[Sketch, Row]:
    sketch = tied("closed")
    sketch.layers["spans"][-1][0].pop("phases")
    return sketch, {}


@case
def neutral_unknown_on_the_way() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.layers["spans"][4][0].pop("neutral_conductor")
    return sketch, {}


# --- openings that do not isolate --------------------------------------------------------------


@case
def opened_in_one_phase() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.device("CO1", "cutout", "P1", "S2", phases="B")
    return sketch, DUAL | {"sources_opened": ["CO1"]}


@case
def opened_inside_the_brackets() -> tuple[Sketch, Row]:
    sketch = line()
    sketch.device("GS1", "switch", "P4", "S4")
    return sketch, DUAL | {"sources_opened": ["GS1"]}


@case
def tie_at_worksite() -> tuple[Sketch, Row]:
    asked = {"sources_opened": ["BK-F1", "TIE1"]}
    return tied(), {"worksite_poles": ["P6"]} | asked


# --- another circuit's pole --------------------------------------------------------------------


def passing(pole: str) -> Sketch:
    """Return the plain line with circuit F2 passing over one of its poles from south to north."""
    sketch = line()
    x, _ = sketch.at[pole]
    sketch.run("X", ["X0", "X1", pole, "X3", "X4"], at=(x, -2 * SPAN_M), to="N", circuit="F2")
    sketch.circuit("F2", "X0")
    return sketch


@case
def circuit_over_worksite_pole() -> tuple[Sketch, Row]:
    return passing("P4"), DUAL


@case
def circuit_over_bracket_pole() -> tuple[Sketch, Row]:
    return passing("P5"), DUAL


@case
def generator_behind_open_device() -> tuple[Sketch, Row]:
    sketch = tapped()
    sketch.device("CO1", "cutout", "P6", "T1", "open")
    return sketch, DUAL


@case
def crossing_circuits_both_worked() -> tuple[Sketch, Row]:
    sketch = passing("P4")
    sketch.device("BK-F2", "breaker", "X0", "X1")
    return sketch, DUAL | BOTH


@case
def mid_span_double_both_worked() -> tuple[Sketch, Row]:
    asked = {"worksite_poles": None, "worksite_span": "S4", "work_position": "aerial lift"}
    return double(UPPER, LOWER), asked | BOTH


@case
def ring_closed() -> tuple[Sketch, Row]:
    sketch, asked = ring_open_inside()
    for row, _ in sketch.layers["devices"]:
        row["state"] = "closed"
    return sketch, asked


@case
def tie_pole_both_worked() -> tuple[Sketch, Row]:
    opened = {"sources_opened": ["BK-F1", "BK-F2", "TIE1"]}
    return tied(), {"worksite_poles": ["P6"]} | DUAL | BOTH | opened
