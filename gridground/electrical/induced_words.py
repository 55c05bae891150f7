"""What induction means for the crew: cautions with figures, open items, and the method."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.electrical.live_lines import TRANSMISSION_KV
from gridground.record import OpenItem
from gridground.units import feet_text, room_text, way_text

if TYPE_CHECKING:
    from collections.abc import Sequence

# From these on a loop is spoken of, our judgement: a clamp that opens 1 A at tens of volts draws
# an arc that can be seen; 50 V is the usual floor of a voltage test.
LOOP_A, GAP_V = 1.0, 50.0
# Of a neighbour whose load or fault current is not stated, a gap voltage below these is left to the
# table of figures, our judgement: 1 V for every 100 A of load, 50 V for every 1,000 A of fault.
FAINT_STEADY_V = 1.0
_ON = "29 CFR 1910.269(n)(6)(i): line end on with a live-line tool; figures: induction"
_OFF = "29 CFR 1910.269(n)(6)(ii): line end off first with a live-line tool; figures: induction"
_PRACTICE = "common practice, no source; figures: induction"
_FIELD = "electric field, Maxwell potential coefficients"


def induction_cautions(rows: Sequence[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return what the crew must know, with its source.

    Parameters
    ----------
    rows : sequence of dict
        As from `gridground.electrical.induced.induced`.

    Returns
    -------
    list of (text, source)
        Empty where there is no neighbour.
    """
    found: list[tuple[str, str]] = []
    for row in rows[:-1]:
        found.append((_how(row), "the map; figures: induction"))
        found += _steady(row) + _fault(row)
    return found + _floating(rows[-1]) + _order(rows) if rows else []


def induction_open_items(rows: Sequence[dict[str, Any]]) -> list[OpenItem]:
    """Return an open item for every transmission line whose figures are not known.

    A line of 69 kV and more (or of unknown voltage) within reach, of which neither load nor fault
    current is stated, or not the height.
    """
    found = []
    for row in rows:
        name = row.get("line_id")
        high = row.get("nominal_kv") is None or row["nominal_kv"] >= TRANSMISSION_KV
        if name is None or not high:
            continue
        unknown = set(row["unknown"])
        missing = ["load_a", "fault_a"] if {"load_a", "fault_a"} <= unknown else []
        missing += ["height_m"] if "height_m" in unknown else []
        if missing:
            found.append(
                OpenItem(
                    code="induction_unknown",
                    where=(name,),
                    what=f"{', '.join(missing)} of line {name} not stated; it runs within "
                    f"{feet_text(row['separation_m'])} of the worked line.",
                    why="The voltage and current it induces in the worked line and in the leads "
                    "depend on it.",
                    who="owner of the line",
                    settles=" and ".join(missing),
                )
            )
    return found


def induction_assumptions(rows: Sequence[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return what the figures of induction rest on, with its source."""
    if not rows:
        return []
    found = [
        (
            "Induction: shield wires and neutrals of neighbours not counted, the whole fault "
            "current of a neighbour returns through the earth, magnitudes added from place to "
            "place and over the neighbours: errs high. Heights at the poles. Lines farther away "
            f"than {way_text(500)}, and beyond {way_text(100)} where load and voltage are small, "
            "are not looked at.",
            "Carson 1926 modified, Maxwell potential coefficients; reach: our judgement",
        )
    ]
    for row in rows[:-1]:
        name = _name(row)
        found += [(f"{name}: {text}", "not stated in the data") for text in row["assumed"]]
    return found


def induction_method(rows: Sequence[dict[str, Any]]) -> str | None:
    """Return what magnetic induction says about the method; None where it says nothing.

    Magnetic coupling speaks for few grounds and a bond at the worksite: a loop of two grounds
    carries current as long as both are on. Bracket grounds alone never hold the worksite at one
    potential.
    """
    if not rows:
        return None
    total = rows[-1]
    current = total["circulating_steady_a"]
    if current is not None and current >= LOOP_A:
        return (
            f"induced current of about {_n(current)} A circulates through two grounds all day: "
            "single-point has no such loop; with brackets the worksite's own ground stays on "
            "while anybody touches the conductors"
        )
    if current is None and (total["emf_steady_v"] or 0.0) > total["limit_steady_v"]:
        return (
            f"one ground leaves up to {_n(total['emf_steady_v'])} V of induced voltage at the "
            "open end: nobody touches the conductors away from the grounded pole"
        )
    return None


def _name(row: dict[str, Any]) -> str:
    """Return how the crew calls a neighbour."""
    return f"Line {row['line_id']}" if "line_id" in row else f"Circuit {row['circuit_id']}"


def _n(value: float) -> str:
    """Return a figure with two digits."""
    return f"{float(f'{value:.2g}'):,g}"


def _how(row: dict[str, Any]) -> str:
    """Say how a neighbour runs."""
    name = _name(row)
    text = f"{name} is energized"
    if "state" in row["unknown"]:
        text = f"{name} is taken as energized (its state is not stated)"
    if row["kind"] == "same poles":
        text += " on the same poles"
    elif row["crosses"]:
        across = row["kind"] == "crossing"
        text += " and crosses the worked line" if across else " beside the worked line, crossing it"
    else:
        text += f" beside the worked line, least separation {room_text(row['separation_m'])}"
    text += f", {way_text(row['length_whole_m'])} along it"
    if row["length_m"] < 0.5:
        text += ", none of that between the grounds"
    elif row["length_m"] < row["length_whole_m"]:
        text += f", {way_text(row['length_m'])} of that between the grounds"
    return text + "."


def _steady(row: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what the load of a neighbour does to an open gap."""
    if not row["emf_steady_v"]:
        return []
    volts, limit = row["emf_steady_v"], row["limit_steady_v"]
    if row["per_100_a"]:
        if volts < FAINT_STEADY_V and (row["circulating_steady_a"] or 0.0) < LOOP_A:
            return []
        text = (
            f"{_name(row)}: its load is not stated; every 100 A of it put {_n(volts)} V across "
            "the gap of a lifted ground"
        )
        if row["circulating_steady_a"]:
            text += f" and drive {_n(row['circulating_steady_a'])} A through two grounds"
        return [(text + ".", "Carson 1926, modified form")]
    if volts <= limit:
        return []
    text = (
        f"{_name(row)}: {_n(volts)} V stand across the gap of a lifted ground (standing limit "
        f"{limit:g} V): nobody bridges the gap by hand; line end on in one firm motion with a "
        "live-line tool."
    )
    return [(text, _ON)]


def _fault(row: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what a ground fault on a neighbour does to an open gap."""
    if row["emf_fault_v"] is None:
        text = (
            f"{_name(row)}: its fault current is not stated; every 1,000 A to ground put "
            f"{_n(row['emf_fault_per_ka_v'])} V across the gap of a lifted ground."
        )
        loud = (row["emf_fault_per_ka_v"] or 0.0) >= GAP_V
        return [(text, "Carson 1926, modified form")] if loud else []
    if row["passed_fault"] or not row["emf_fault_v"]:
        return []
    limit = row["limit_fault_v"]
    against = "clearing time not stated" if limit is None else f"limit {_n(limit)} V"
    text = (
        f"{_name(row)}: a ground fault on it puts up to {_n(row['emf_fault_v'])} V across the gap "
        f"of a lifted ground ({against}): leads on and off with a live-line tool only, nobody in "
        "the gap; ask its operator to block automatic reclosing."
    )
    return [(text, _PRACTICE)]


def _floating(total: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what stands on the line before the first ground and after the last one."""
    local = total["floating_local_v"]
    if not local or local < GAP_V:
        return []
    text = (
        f"Without any ground the line floats at {_n(total['floating_v'])} V as a whole, a piece "
        f"cut off beside the neighbours at up to {_n(local)} V; the first ground draws "
        f"{_n(1000 * total['discharge_a'])} mA. The detector may show it: a reading stops the "
        "work until it is explained. First ground on and last ground off with a live-line tool."
    )
    return [(text, f"{_FIELD}; {_ON}")]


def _order(rows: Sequence[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return what applying and removing means with a loop of two grounds, or with one ground."""
    total = rows[-1]
    current = _sum(rows[:-1], "circulating_steady_a")
    volts = _sum(rows[:-1], "emf_steady_v") or 0.0
    rest = any(row["per_100_a"] for row in rows[:-1])
    per = " (per 100 A where a load is not stated)" if rest else ""
    if current is None:
        if volts <= total["limit_steady_v"]:
            return []
        text = (
            f"A ground at one place leaves the whole induced voltage, {_n(volts)} V{per}, at the "
            "open end: nobody touches the conductors away from the grounded pole."
        )
        return [(text, "Carson 1926, modified form")]
    if current < LOOP_A and volts < total["limit_steady_v"]:
        return []
    return [
        (
            f"The second ground closes a loop: about {_n(current)} A{per} flow through the leads "
            "as long as both are on. No lead is opened by hand or left loose.",
            _PRACTICE,
        ),
        (
            f"Coming off, the last ground but one opens that loop: {_n(current)} A at "
            f"{_n(volts)} V{per}. One lead at a time, live-line tool, one firm motion, hands and "
            "face away. Once the worksite's own ground is off nobody touches the conductors "
            "there.",
            _OFF,
        ),
    ]


def _sum(rows: Sequence[dict[str, Any]], key: str) -> float | None:
    """Return the sum of the known figures; None where none is known."""
    known = [row[key] for row in rows if row[key] is not None]
    return sum(known) if known else None
