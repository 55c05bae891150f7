"""Make the pages of ``maps/`` from the sample data: ``python tests/maps_maker.py``.

The time of making is fixed, so that the same code and data give the same bytes.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
JOBS = (
    "01-straight",
    "04-t-junction",
    "05-four-way",
    "08-gang-switch",
    "10-no-rod-place",
    "11-steel",
    "13-open-items",
)
MADE = "1767225600"  # 2026-01-01


def pages():
    """Return the pages by file name."""
    import gridground as gg
    from gridground.jobmap import page_html

    os.environ["SOURCE_DATE_EPOCH"] = MADE
    territory = gg.read_territory(ROOT / "sample_data" / "territory")
    made = {}
    for name in JOBS:
        job = gg.read_job(ROOT / "sample_data" / "jobs" / f"{name}.toml")
        plan = gg.plan_job(territory, job)
        made[f"{plan['job_id']}.html"] = page_html(plan)
    return made


def main():
    """Write the pages."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, default=ROOT / "maps")
    folder = parser.parse_args().to
    folder.mkdir(exist_ok=True)
    for name, page in pages().items():
        (folder / name).write_text(page, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
