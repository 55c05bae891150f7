"""Random worksites on the IEEE 9500-node feeder, planned one after the other; a table of answers.

``python -m tests.cross.worksites_9500 500`` plans 500 of them and prints the table. Worksites are
drawn from a seed: one pole, two neighbouring poles or mid-span, on overhead spans. Of two jobs one
states what is opened: the nearest device on the way from the source that stands outside the
brackets, found with networkx from the ids; the other leaves it out.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import networkx as nx

import gridground as gg
from gridground.errors import GridgroundError, InputError, NoPlanError
from gridground.record import Plan
from tests.cross.ways_by_ids import Wiring

FOLDER = Path(__file__).parent.parent / "networks" / "ieee9500"
JOB = {
    "job_id": "J",
    "circuit_ids": ["F1"],
    "worksite_poles": ["-"],
    "locate_ticket": "invented",
    "rod": {"length": "6 ft", "diameter": "0.625 in", "resistivity_ohm_m": 100},
}


@dataclass(frozen=True)
class Answer:
    """One worksite and what came of it: a plan, or an error of the program's own."""

    job: gg.job.Job
    kind: str  # "pole" "two poles" "mid-span"
    plan: Plan | None
    error: GridgroundError | None
    seconds: float

    @property
    def outcome(self):
        """The answer in a word or, where there is no plan, the codes of the reasons."""
        if self.plan is not None:
            return "ready" if self.plan.ready else "open items or failed checks"
        if isinstance(self.error, NoPlanError):
            return "refused: " + ", ".join(sorted({r.code for r in self.error.reasons}))
        return f"rejected: {type(self.error).__name__}"


def base_job():
    """Return a job with the default limits, read as a person's file would be."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "j.json"
        path.write_text(json.dumps(JOB))
        return gg.read_job(path)


class Worksites:
    """A seeded series of worksites on the feeder."""

    def __init__(self, territory, seed=9500):
        self.wiring = Wiring(territory)
        self.random = random.Random(seed)  # noqa: S311  a series to repeat, no secret
        self.base = base_job()
        self.overhead = sorted(n for n, r in self.wiring.spans.items() if r["kind"] == "overhead")
        opened = {str(d["span_id"]) for d in self.wiring.devices if d["state"] == "open"}
        self.closed = nx.Graph(
            (*self.wiring.ends(name), {"span": name})
            for name in self.wiring.spans
            if name not in opened
        )
        self.devices_on = {}
        for row in self.wiring.devices:
            self.devices_on.setdefault(str(row["span_id"]), []).append(str(row["device_id"]))

    def draw(self):
        """Return the next (kind, job)."""
        span = self.random.choice(self.overhead)
        row = self.wiring.spans[span]
        ends = [str(row["from_pole"]), str(row["to_pole"])]
        self.random.shuffle(ends)
        kind = self.random.choices(["pole", "two poles", "mid-span"], [6, 3, 2])[0]
        poles = () if kind == "mid-span" else tuple(ends[: 1 if kind == "pole" else 2])
        circuit = str(row["circuit_id"])
        stated = self.random.random() < 0.5
        opened = self.opened(circuit, poles or tuple(ends)) if stated else None
        job = replace(
            self.base,
            circuit_ids=(circuit,),
            worksite_poles=poles,
            worksite_span=span if kind == "mid-span" else None,
            sources_opened=opened,
        )
        return kind, job

    def opened(self, circuit, poles):
        """Return the nearest devices on the source side of the brackets, and every open tie."""
        source = self.wiring.source[circuit]
        near = min((nx.shortest_path(self.closed, source, (p, circuit)) for p in poles), key=len)
        found = [d["device_id"] for d in self.wiring.devices if d["state"] == "open"]
        outside = [n for n in near if n[0] not in self.bracket_poles(poles)]
        for one, other in reversed(list(pairwise(outside))):
            spans = list(self.wiring.graph[one][other])
            if all(span in self.devices_on for span in spans):
                return (*sorted({d for s in spans for d in self.devices_on[s]} | set(found)),)
        return tuple(found)

    def bracket_poles(self, poles):
        """Return the worksite's poles and their neighbours, links not counted."""
        graph = self.wiring.graph
        found = set()
        for pole in poles:
            for node in [n for n in graph if n[0] == pole]:
                for far in graph[node]:
                    found |= {far[0]}
                    links = [
                        k
                        for k in graph[node][far]
                        if self.wiring.spans.get(k, {"kind": "link"})["kind"] == "link"
                    ]
                    found |= {n[0] for n in graph[far]} if links else set()
        return found | set(poles)


def run(territory, count, seed=9500):
    """Plan some worksites; yield an `Answer` for each."""
    worksites = Worksites(territory, seed)
    for _ in range(count):
        kind, job = worksites.draw()
        start = time.perf_counter()
        plan, error = None, None
        try:
            plan = gg.plan_job(territory, job)
        except (NoPlanError, InputError) as found:
            error = found
        yield Answer(job, kind, plan, error, time.perf_counter() - start)


def table(answers):
    """Return the lines of a table: outcomes, methods, reasons, open items, time."""
    n = len(answers)
    plans = [a.plan for a in answers if a.plan is not None]
    counted = {
        "worksite": Counter(a.kind for a in answers),
        "outcome": Counter(a.outcome for a in answers),
        "method chosen": Counter(p["method"] for p in plans),
        "can be drawn": Counter(o["method"] for p in plans for o in p["options"] if o["feasible"]),
        "why not": Counter(
            f"{o['method']}: {reason.split(':')[0]}"
            for p in plans
            for o in p["options"]
            if not o["feasible"]
            for reason in dict.fromkeys(r.split(":")[0] for r in o["reasons"])
        ),
        "failed check": Counter(
            code for p in plans for code in {c["code"] for c in p["checks"] if not c["passed"]}
        ),
        "open item": Counter(code for p in plans for code in {i["code"] for i in p["open_items"]}),
        "way out": Counter(d["towards"] for p in plans for d in p["directions"]),
        "ways of a worksite": Counter(len(p["directions"]) for p in plans),
    }
    lines = [f"| {'what':20} | {'which':58} | number | share |", "|---|---|---|---|"]
    for what, rows in counted.items():
        for name, number in sorted(rows.items(), key=lambda r: (-r[1], str(r[0]))):
            lines.append(f"| {what:20} | {name!s:58} | {number:6} | {100 * number / n:5.1f} % |")
    seconds = sorted(a.seconds for a in answers)
    lines.append(
        f"\n{n} worksites in {sum(seconds):.0f} s: median {seconds[n // 2]:.2f} s, longest "
        f"{seconds[-1]:.2f} s"
    )
    return lines


def main(count):
    """Plan `count` worksites and print the table."""
    territory = gg.read_territory(FOLDER)
    answers = list(run(territory, count))
    sys.stdout.write("\n".join(table(answers)) + "\n")
    return answers


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
