"""Fault currents of a whole territory as one table: CSV, or Parquet."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from gridground.electrical.faults import fault_columns
from gridground.electrical.generators import generator_sources
from gridground.errors import InputError, Problem
from gridground.export import cell
from gridground.territory.network import Network

if TYPE_CHECKING:
    from gridground.territory.layers import Territory

COLUMNS = (
    "pole_id", "circuit_id", "phases", "three_phase_a", "phase_phase_a", "two_phase_ground_a",
    "phase_ground_a", "phase_ground_a_a", "phase_ground_b_a", "phase_ground_c_a", "governing",
    "x_over_r", "clearing_s", "asymmetry_ratio", "minimum_a", "primary", "primary_s", "backup",
    "backup_s", "longest_s",
)  # fmt: skip


@dataclass(frozen=True)
class FaultFile:
    """A table of faults as a file.

    Attributes
    ----------
    content : bytes
        Of the file.
    rows : int
        How many poles and circuits it has.
    generators : tuple of str
        Those that the table leaves out.
    """

    content: bytes
    rows: int
    generators: tuple[str, ...]


def fault_file(territory: Territory, *, circuit_id: str | None, suffix: str) -> FaultFile:
    """Return the fault currents at every pole.

    Parameters
    ----------
    territory : Territory
        As read.
    circuit_id : str or None
        One circuit only; None: every one.
    suffix : str
        ``".csv"``, or ``".parquet"``, which needs the extra ``scale``.

    Raises
    ------
    InputError
        For a circuit that is not there and for another suffix: both at once.
    """
    problems = []
    if circuit_id is not None and circuit_id not in territory.circuits.index():
        known = f"Name one of: {', '.join(map(str, territory.circuits.ids))}."
        found = "is not in the territory"
        problems.append(Problem("reject", "call", (circuit_id,), "--circuit", found, known))
    if suffix not in {".csv", ".parquet"}:
        remedy = "Name .csv or .parquet."
        problems.append(Problem("reject", "call", (), "--output", f"ends in {suffix!r}", remedy))
    if problems:
        raise InputError(problems)
    network = Network.build(territory)
    columns = fault_columns(territory, network, circuit_id=circuit_id)
    table = pd.DataFrame({name: columns[name] for name in COLUMNS})
    content = _parquet(table) if suffix == ".parquet" else _csv(table)
    left_out = generator_sources(territory, network, isolated=())
    return FaultFile(content, len(table), tuple(one.source.circuit_id for one in left_out))


def _csv(table: pd.DataFrame) -> bytes:
    """Return a table as CSV."""
    for name in ("pole_id", "circuit_id", "phases", "primary", "backup"):
        table[name] = table[name].map(cell)
    return bytes(table.to_csv(index=False, float_format="%.6g").encode("utf-8"))


def _parquet(table: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    buffer = io.BytesIO()
    try:
        table.to_parquet(buffer, index=False)
    except ImportError as error:
        found, remedy = "Parquet needs pyarrow", "pip install gridground[scale]"
        raise InputError([Problem("reject", "call", (), "--output", found, remedy)]) from error
    return buffer.getvalue()
