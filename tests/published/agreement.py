"""Rows of a table of published figures, and the comparison of one of them with this program."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

from tests.check_table import record

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def rows_of(path: Path) -> list[dict[str, str]]:
    """Return the rows of a table."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def names_of(rows: list[dict[str, str]]) -> list[str]:
    """Return a name for each row: its line in the file and what works it out."""
    return [f"{number}-{row['function']}" for number, row in enumerate(rows, 2)]


def check(row: dict[str, str], function: Callable[..., float], status: set[str]) -> None:
    """Hold what the program finds against a row, and put both into the table of checks.

    `below` and `above` are how far it may stray to either side, by the printed digits or the note.
    """
    assert row["source"]
    assert row["status"] in status
    expected = float(row["expected"])
    found = float(function(**json.loads(row["inputs"])))
    group = f"published: {row['function']}"
    record(group, row["inputs"], found, expected, f"{row['source']} [{row['status']}]")
    assert expected - float(row["below"]) <= found <= expected + float(row["above"]), row["source"]
