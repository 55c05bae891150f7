"""Writes the table of checks after a run that held every checking module."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from tests import check_table

_HERE = Path(__file__).parent
# Hundreds of plans are made in a run; what prints asks for it.
os.environ["GRIDGROUND_PDF"] = "off"


def pytest_sessionfinish(session, exitstatus):
    """Write ``tests/checks.md`` where nothing failed and nothing that checks was left out."""
    wanted = {p.name for d in ("published", "cross") for p in (_HERE / d).glob("test_*.py")}
    ran = {item.path.name for item in session.items}
    option = session.config.option
    whole = not (option.keyword or option.markexpr or option.collectonly)
    if exitstatus == 0 and whole and wanted <= ran:
        check_table.TABLE.write_text(check_table.page(), encoding="utf-8")
        sys.stderr.write(f"\nwritten: {check_table.TABLE.name}\n")
