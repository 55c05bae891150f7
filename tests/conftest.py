"""Writes the table of checks after a run that held every checking module."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

import gridground as gg
from tests import check_table

_HERE = Path(__file__).parent
_SAMPLE = _HERE.parent / "sample_data"
_FROM_WORKERS: list[dict] = []
# Hundreds of plans are made in a run; what prints asks for it.
os.environ["GRIDGROUND_PDF"] = "off"


def pytest_configure(config):
    """Where the run is shared out among processes, take what each of them compared."""
    if config.pluginmanager.hasplugin("dsession"):
        config.pluginmanager.register(_Gatherer())


class _Gatherer:
    """Listens to the processes among which the tests are shared out."""

    def pytest_testnodedown(self, node, error):
        """Keep what a process has compared; a process that died has compared nothing."""
        _FROM_WORKERS.append({} if error else getattr(node, "workeroutput", {}))


def pytest_sessionfinish(session, exitstatus):
    """Write ``tests/checks.md`` where nothing failed and nothing that checks was left out."""
    wanted = {p.name for d in ("published", "cross") for p in (_HERE / d).glob("test_*.py")}
    option = session.config.option
    whole = not (option.keyword or option.collectonly) and option.markexpr in {"", "not alone"}
    whole = whole and wanted <= {item.path.name for item in session.items}
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput |= {"whole": whole, "checks": check_table.plain()}
        return
    if _FROM_WORKERS:
        whole = all(found.get("whole") for found in _FROM_WORKERS)
        for found in _FROM_WORKERS:
            check_table.add(found.get("checks", {}))
    if exitstatus == 0 and whole:
        check_table.TABLE.write_text(check_table.page(), encoding="utf-8")
        sys.stderr.write(f"\nwritten: {check_table.TABLE.name}\n")


@pytest.fixture(scope="session")
def ground():
    """The sample territory."""
    return gg.read_territory(_SAMPLE / "territory")


@pytest.fixture(scope="session")
def straight():
    """Its first job."""
    return gg.read_job(_SAMPLE / "jobs" / "01-straight.toml")
