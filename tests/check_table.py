"""The table of checks: what was compared with what, collected while the tests run.

A test calls `record` for one figure, `record_many` for a column of figures. At the end of a run
that held every checking module the table is written to ``tests/checks.md``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

TABLE = Path(__file__).parent / "checks.md"
DUST = 1e-9
MOST_ROWS = 400

HEAD = """# Checks against figures from outside

Written by the test run (`python -m pytest`): what this program finds beside what others print or
compute. *Deviation* is relative where the other figure is not zero. Rows of status "from memory"
are figures of a standard nobody has yet read again in the source; "computed" means computed by
another route than this program's.

"""


@dataclass
class Group:
    """The comparisons of one kind."""

    rows: list[tuple[str, str, str, float, str]] = field(default_factory=list)
    figures: int = 0
    worst_ratio: float = 0.0


GROUPS: dict[str, Group] = {}


def record(group: str, what: str, ours: object, theirs: object, source: str) -> None:
    """Keep one comparison; arrays of one row count as one figure each."""
    a, b = np.asarray(ours, complex).ravel(), np.asarray(theirs, complex).ravel()
    deviation = _deviation(a, b)
    _keep(group, (what, _text(a), _text(b), deviation, source), len(a))


def record_many(group: str, what: str, ours: object, theirs: object, source: str) -> None:
    """Keep a column of comparisons as one row: how many, and the one that differs most."""
    a, b = np.asarray(ours, float).ravel(), np.asarray(theirs, float).ravel()
    ratio = np.abs(a - b) / np.where(b == 0, 1.0, np.abs(b))
    at = int(ratio.argmax())
    shown = (f"{a[at]:.6g} (worst of {len(a)})", f"{b[at]:.6g}")
    _keep(group, (what, *shown, float(ratio[at]), source), len(a))


def _keep(group: str, row: tuple[str, str, str, float, str], figures: int) -> None:
    found = GROUPS.setdefault(group, Group())
    found.rows.append(row)
    found.figures += figures
    found.worst_ratio = max(found.worst_ratio, row[3])


def plain() -> dict[str, tuple[list[tuple[str, str, str, float, str]], int, float]]:
    """Return everything kept as plain values, for another process."""
    return {name: (g.rows, g.figures, g.worst_ratio) for name, g in GROUPS.items()}


def add(kept: dict[str, tuple[list[tuple[str, str, str, float, str]], int, float]]) -> None:
    """Add what another process kept."""
    for name, (rows, figures, worst_ratio) in kept.items():
        found = GROUPS.setdefault(name, Group())
        found.rows += [tuple(row) for row in rows]
        found.figures += figures
        found.worst_ratio = max(found.worst_ratio, worst_ratio)


def _deviation(a: np.ndarray, b: np.ndarray) -> float:
    scale = np.abs(b).max(initial=0.0)
    return float(np.abs(a - b).max(initial=0.0) / (scale or 1.0))


def _text(values: np.ndarray) -> str:
    shown = [f"{v.real:.6g}" if v.imag == 0 else f"{v.real:.5g}{v.imag:+.5g}j" for v in values]
    return ", ".join(shown[:4]) + (f" … ({len(shown)})" if len(shown) > 4 else "")


def _percent(ratio: float) -> str:
    return "< 1e-9" if ratio < DUST else f"{ratio:.1e}"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def page() -> str:
    """Return the table as Markdown."""
    lines = [HEAD, "| group | rows | figures | largest deviation |", "|---|---|---|---|"]
    lines += [
        f"| {_cell(name)} | {len(g.rows)} | {g.figures} | {_percent(g.worst_ratio)} |"
        for name, g in sorted(GROUPS.items())
    ]
    for name, group in sorted(GROUPS.items()):
        lines += ["", f"## {name}", "", "| what | ours | theirs | deviation | source |"]
        lines.append("|---|---|---|---|---|")
        lines += [
            f"| {_cell(what)} | {_cell(a)} | {_cell(b)} | {_percent(d)} | {_cell(source)} |"
            for what, a, b, d, source in sorted(group.rows)[:MOST_ROWS]
        ]
    return "\n".join(lines) + "\n"
