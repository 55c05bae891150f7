"""The employer's own approach distances: none below the rule's, none of a superseded table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gridground.errors import Problem
from gridground.tables import read_table
from gridground.units import feet_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_SAME_M = 0.012  # the superseded table in feet and inches is up to half an inch off its metres
_DUST_M = 1e-9


def superseded_source(distance_m: float, nominal_kv: float) -> str | None:
    """Return the source of the superseded table that a distance comes from, None for none.

    Parameters
    ----------
    distance_m : float
        A distance somebody states [m].
    nominal_kv : float
        Phase to phase [kV].

    Examples
    --------
    >>> superseded_source(0.64, 12.47) is None, superseded_source(0.65, 400.0) is None
    (False, True)
    """
    for row in read_table("approach_superseded"):
        if nominal_kv <= float(row["up_to_kv"]):
            columns = ("phase_ground_m", "phase_phase_m")
            same = any(abs(distance_m - float(row[column])) <= _SAME_M for column in columns)
            return row["source"] if same else None
    return None


def check_own(rows: Sequence[Mapping[str, Any]], own_m: Mapping[str, float]) -> tuple[Problem, ...]:
    """Hold the employer's own distances against those of the rule.

    Parameters
    ----------
    rows : list of dict
        Rows of ``approach`` with the rule's distances [m].
    own_m : dict of float
        The employer's, by circuit or line id [m].

    Returns
    -------
    tuple of Problem
        A rejection per distance that is smaller than the larger of the rule's two, layer
        ``"job"``, field ``limits.approach``.
    """
    problems = []
    for row in rows:
        name = str(row.get("circuit_id") or row.get("line_id"))
        if name not in own_m:
            continue
        rule = [row[key] for key in ("phase_ground_m", "phase_phase_m") if row[key] is not None]
        least_m = max(rule, default=0.0)
        if own_m[name] >= least_m - _DUST_M:
            continue
        found = f"{feet_text(own_m[name])} is less than the rule's distance"
        if (source := superseded_source(own_m[name], _phase_kv(row))) is not None:
            found += f"; it stands in a superseded table ({source})"
        remedy = f"state at least {feet_text(least_m)}, or leave {name} out: the rule's stands"
        problems.append(Problem("reject", "job", (name,), "limits.approach", found, remedy))
    return tuple(problems)


def _phase_kv(row: Mapping[str, Any]) -> float:
    """Return the voltage the band is looked up with."""
    single = row["phase_phase_m"] is None
    return float(row["nominal_kv"] or 0.0) * (3**0.5 if single else 1.0)


def own_source(row: Mapping[str, Any]) -> str:
    """Return what a row says about the employer's own distance."""
    if row["nominal_kv"] is None:
        return "the employer's own distance (limits.approach); voltage not stated"
    return f"the employer's own distance (limits.approach), not less than {row['source']}"
