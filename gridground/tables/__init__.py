"""Tables from standards and practice: CSV files, one source per row, and their loader."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

_FOLDER = Path(__file__).parent


@cache
def read_table(name: str) -> tuple[dict[str, str], ...]:
    """Read a built-in table.

    Parameters
    ----------
    name : str
        File name without ``.csv``.

    Returns
    -------
    tuple of dict
        One dict per row, values as text in the unit of the source.

    Raises
    ------
    ValueError
        For a row without a source.
    """
    with (_FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = tuple(csv.DictReader(file))
    for row in rows:
        if not row.get("source"):
            raise ValueError(f"table {name}: a row without source: {row}")
    return rows
