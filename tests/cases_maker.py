"""Make the territories and jobs of ``tests/cases``, byte for byte the same.

``python tests/cases_maker.py`` rewrites them; ``--to FOLDER`` writes elsewhere. What is expected of
each case (``expected.json``) and why (``README.md``) is written by hand and never made here.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cases_lines import LINES
from cases_sources import SOURCES

if TYPE_CHECKING:
    from cases_network import Row, Sketch

HERE = Path(__file__).parent / "cases"
CASES = {**LINES, **SOURCES}


@dataclass(frozen=True)
class Made:
    """Files of one case: file name below the case's folder -> text."""

    name: str
    sketch: Sketch
    asked: Row = field(default_factory=dict)

    def files(self) -> dict[str, str]:
        """Return the territory's layers and the job."""
        circuits = [row["circuit_id"] for row, _ in self.sketch.layers["circuits"]]
        layers = {f"territory/{name}": text for name, text in self.sketch.files().items()}
        return layers | {
            "job.toml": job_text(self.name, {"reclosing_blocked": circuits} | self.asked)
        }


def job_text(name: str, asked: Row) -> str:
    """Return a job: everything stated that a plain plan needs, changed by what is asked.

    A key that is asked as None is left out; `limits` are the employer's rules.
    """
    keys: Row = {
        "job_id": name,
        "title": f"Work at {name.replace('-', ' ')}",
        "circuit_ids": ["F1"],
        "worksite_poles": ["P4"],
        "method": "auto",
        "work_position": "pole",
        "locate_ticket": "CASE-2026-1",
        "sources_opened": ["BK-F1"],
        "isolated_equipment": [],
    } | asked
    limits = keys.pop("limits", {})
    rows = [f"{key} = {toml(value)}" for key, value in keys.items() if value is not None]
    if limits:
        rows += ["", "[limits]", *(f"{key} = {toml(value)}" for key, value in limits.items())]
    rows += ["", "[rod]", 'length = "6 ft"', 'diameter = "0.625 in"', "resistivity_ohm_m = 250"]
    return "\n".join(rows) + "\n"


def toml(value: Any) -> str:
    """Return a text or a list of texts as TOML."""
    return json.dumps(value, ensure_ascii=False)


def made() -> dict[str, dict[str, str]]:
    """Return every case's files."""
    found = {}
    for name, draw in CASES.items():
        sketch, asked = draw()
        found[name] = Made(name, sketch, asked).files()
    return found


def write(folder: Path) -> None:
    """Write every case's territory and job into a folder."""
    for name, files in made().items():
        for file, text in files.items():
            path = folder / name / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")


def main() -> None:
    """Write the cases."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, default=HERE, help="folder to write to")
    write(parser.parse_args().to)


if __name__ == "__main__":
    main()
