"""Small random territories with a job, for laws: plain rows that can be changed and written.

A feeder F1 with laterals, loops, cables, links and devices in any state; beside it, or on the same
poles, a second circuit F2 with a source of its own, joined by a tie or not. Everything that a plan
needs is stated, so that what is refused is refused for its topology.
"""

from __future__ import annotations

import copy
import csv
import json
import math
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from hypothesis import strategies as st

import gridground as gg

ID = {
    "poles": "pole_id", "spans": "span_id", "circuits": "circuit_id", "devices": "device_id",
    "equipment": "equipment_id", "surroundings": "feature_id", "soil": "soil_id",
}  # fmt: skip
# Columns that name a feature of another layer.
REFERENCES = {
    "spans": {"circuit_id": "circuits", "from_pole": "poles", "to_pole": "poles",
              "shares_neutral_with": "circuits"},
    "circuits": {"source_pole": "poles"},
    "devices": {"pole_id": "poles", "span_id": "spans"},
    "equipment": {"pole_id": "poles", "circuit_id": "circuits"},
}  # fmt: skip
IN_JOB = {
    "circuit_ids": "circuits", "worksite_poles": "poles", "sources_opened": "devices",
    "isolated_equipment": "equipment",
}  # fmt: skip
# Invented pole tops: sideways from the axis and above ground [m].
TOPS = {
    "three": {"1": (-1.1, 10.2), "2": (-0.3, 10.2), "3": (1.1, 10.2), "N": (0.1, 8.8)},
    "two": {"1": (-1.1, 10.2), "2": (1.1, 10.2), "N": (0.1, 8.8)},
    "one": {"1": (-0.1, 10.6), "N": (0.1, 8.8)},
    "upper three": {"1": (-1.2, 11.9), "2": (0.2, 12.4), "3": (1.2, 11.9), "N": (0.1, 8.8)},
    "upper one": {"1": (0.2, 12.4), "N": (0.1, 8.8)},
}
TOP_OF = {3: "three", 2: "two", 1: "one"}
CABLE = {"r1_ohm_per_km": 0.2, "x1_ohm_per_km": 0.15, "r0_ohm_per_km": 0.8, "x0_ohm_per_km": 0.4}


@dataclass
class World:
    """Rows of every layer, pole tops and the job's keys."""

    layers: dict[str, list[dict]]
    job: dict
    tops: dict[str, dict] = field(default_factory=lambda: copy.deepcopy(TOPS))

    def copy(self):
        """Return a copy that can be changed."""
        return copy.deepcopy(self)

    def rows(self, layer):
        """Return the rows of a layer by id."""
        return {row[ID[layer]]: row for row in self.layers.get(layer, [])}

    def at(self, pole, circuits):
        """Return the spans of some circuits that end at a pole, by id."""
        return {
            row["span_id"]: row
            for row in self.layers["spans"]
            if row["circuit_id"] in circuits and pole in {row["from_pole"], row["to_pole"]}
        }

    def read(self):
        """Write the territory and the job to a folder and read them as anybody's data."""
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for layer, rows in self.layers.items():
                (folder / f"{layer}.geojson").write_text(json.dumps(_collection(rows)))
            with (folder / "constructions.csv").open("w", newline="") as file:
                table = csv.writer(file)
                table.writerow(["name", "position", "x_m", "y_m", "source"])
                for top, places in self.tops.items():
                    table.writerows([top, k, x, y, "invented"] for k, (x, y) in places.items())
            job = folder / "job.json"
            job.write_text(json.dumps(self.job))
            return gg.read_territory(folder), gg.read_job(job)


def _collection(rows):
    """Return a GeoJSON feature collection."""
    features = []
    for row in rows:
        kind = "Point"
        if isinstance(row["at"][0], list):
            kind = "LineString" if "from_pole" in row else "Polygon"
        shape = {"type": kind, "coordinates": [row["at"]] if kind == "Polygon" else row["at"]}
        properties = {key: value for key, value in row.items() if key != "at"}
        features.append({"type": "Feature", "properties": properties, "geometry": shape})
    return {"type": "FeatureCollection", "features": features}


def degrees(x_m, y_m):
    """Return longitude and latitude of a place in metres."""
    return [10.0 + x_m / (111_320.0 * math.cos(math.radians(47.0))), 47.0 + y_m / 111_174.0]


def square(x_m, y_m, half_m):
    """Return a square ring round a place."""
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    return [degrees(x_m + half_m * dx, y_m + half_m * dy) for dx, dy in corners]


class Builder:
    """Puts a world together from draws."""

    def __init__(self, draw):
        self.draw = draw
        self.place = {}
        self.layers = {"poles": [], "spans": [], "circuits": [], "devices": [], "equipment": []}
        self.steel = self.chance(6)
        self.grounded = self.number(0, 3)
        self.neutral = None if self.chance(5) else "4/0 ACSR 6/1"

    def number(self, low, high):
        """Draw a whole number."""
        return self.draw(st.integers(low, high))

    def one_of(self, *words):
        """Draw one word."""
        return self.draw(st.sampled_from(words))

    def chance(self, of):
        """Draw yes once in so many."""
        return self.number(0, of - 1) == of - 1

    def pole(self, name, x_m, y_m, **given):
        """Add a pole."""
        grounded = self.grounded and len(self.place) % self.grounded == 0
        self.place[name] = (x_m, y_m)
        row = {"pole_id": name, "material": "steel" if self.steel else "wood", "height_m": 12.0,
               "ground_ohm": 20.0 if grounded else None, "at": degrees(x_m, y_m)}  # fmt: skip
        self.layers["poles"].append(row | given)

    def span(self, name, start, end, **given):
        """Add a span; its pole top follows from its phases."""
        kind, phases = given.get("kind", "overhead"), given.get("phases", "ABC")
        row = {"span_id": name, "circuit_id": "F1", "from_pole": start, "to_pole": end,
               "phases": phases, "kind": kind, "conductor": "336.4 ACSR 26/7",
               "neutral_conductor": self.neutral, "construction": TOP_OF[len(phases)],
               "at": [degrees(*self.place[start]), degrees(*self.place[end])]}  # fmt: skip
        if kind != "overhead":
            row |= CABLE | {"conductor": None, "construction": None}
        self.layers["spans"].append(row | given)

    def circuit(self, name, source_pole):
        """Add a circuit with its source."""
        row = {"circuit_id": name, "nominal_kv": 12.47, "frequency_hz": 60,
               "source_pole": source_pole, "fault_3ph_a": 6000.0, "x_over_r_3ph": 8.0,
               "fault_1ph_a": 5000.0, "x_over_r_1ph": 6.0, "source_ground_ohm": 0.5,
               "clearing_s": 0.2, "backup_clearing_s": 0.5, "fault_data_source": "invented",
               "fault_data_date": "2026-01-01",
               "at": degrees(*self.place[source_pole])}  # fmt: skip
        self.layers["circuits"].append(row)

    def device(self, pole, span, **given):
        """Add a device at one end of a span, for all of its phases or one of them."""
        spans = {row["span_id"]: row for row in self.layers["spans"]}
        phases = spans[span]["phases"]
        if self.chance(4):
            phases = self.one_of(*phases)
        row = {"device_id": f"D{len(self.layers['devices'])}", "pole_id": pole, "span_id": span,
               "kind": self.one_of("switch", "cutout", "recloser", "jumper"),
               "state": self.one_of("closed", "closed", "open"), "phases": phases,
               "at": degrees(*self.place[pole])}  # fmt: skip
        self.layers["devices"].append(row | given)

    def between(self):
        """Draw the kind of a span: seldom a cable or a link."""
        return self.one_of(*["overhead"] * 12, "cable", "link")

    def trunk(self):
        """Draw the main line of F1."""
        n = self.number(4, 7)
        phases = self.one_of("ABC", "ABC", "BAC", "AC", "B")
        for k in range(n + 1):
            self.pole(f"P{k}", 50.0 * k, 3.0 * (k % 2))
        for k in range(1, n + 1):
            self.span(f"S{k}", f"P{k - 1}", f"P{k}", phases=phases, kind=self.between())
        self.circuit("F1", f"P{self.one_of(0, 0, 0, 1, n // 2)}")
        return n, phases

    def laterals(self, n, phases):
        """Draw laterals; return the last pole of each."""
        ends = []
        for j in range(self.number(0, 3)):
            k, count = self.number(0, n), self.number(1, 2)
            width = self.number(1, len(phases))
            carried = phases if width == len(phases) else self.one_of(*phases)
            before = f"P{k}"
            for i in range(1, count + 1):
                name, away = f"Q{j}{i}", 45.0 * i * (1 if j % 2 else -1)
                kind = self.between()
                pad = kind == "cable" and i == count and self.chance(2)
                more = {"material": "pad", "height_m": 0.0} if pad else {}
                self.pole(name, 50.0 * k + 6.0 * j, away, **more)
                self.span(f"T{j}{i}", before, name, phases=carried, kind=kind)
                before = name
            ends.append((before, carried))
        return ends

    def loop(self, n, ends):
        """Draw a span that closes a loop."""
        if not ends or not self.chance(3):
            return
        end, phases = ends[0]
        pad = {row["pole_id"] for row in self.layers["poles"] if row["material"] == "pad"}
        goal = ends[1][0] if len(ends) > 1 and self.chance(2) else f"P{self.number(0, n)}"
        if goal != end and not pad & {goal, end}:
            carried = "".join(p for p in phases if goal[0] == "P" or p in ends[1][1])
            if carried:
                self.span("L1", end, goal, phases=carried, kind=self.between())
                if self.chance(2):
                    self.device(self.one_of(end, goal), "L1", state="open")

    def second(self, n, phases):
        """Draw another circuit: none, beyond a tie, or on the same poles."""
        what = self.one_of("none", "none", "tie", "link", "same poles")
        if what in {"tie", "link"}:
            for k in range(3):
                self.pole(f"R{k}", 50.0 * (n + 1 + k), -2.0)
            for k in (1, 2):
                self.span(f"X{k}", f"R{k - 1}", f"R{k}", circuit_id="F2", phases=phases)
            self.circuit("F2", "R2")
            kind = "link" if what == "link" else "overhead"
            at = f"P{n}"
            self.span("Y1", at, "R0", phases=phases, kind=kind)
            self.device(self.one_of("R0", at) if what == "link" else "R0", "Y1",
                        state=self.one_of("open", "open", "closed"))  # fmt: skip
        if what == "same poles":
            low = self.number(0, n - 1)
            high = self.number(low + 1, n)
            self.pole("R0", 50.0 * low, 70.0)
            upper = {3: "upper three", 1: "upper one"}
            carried = self.one_of("ABC", "C")
            shared = {"shares_neutral_with": "F1"} if self.neutral and self.chance(2) else {}
            more = {"circuit_id": "F2", "phases": carried, "construction": upper[len(carried)]}
            self.span("X0", "R0", f"P{low}", **more)
            kinds = {row["span_id"]: row["kind"] for row in self.layers["spans"]}
            for k in range(low + 1, high + 1):
                own = shared if kinds[f"S{k}"] == "overhead" else {}
                self.span(f"X{k}", f"P{k - 1}", f"P{k}", **more, **own)
            self.circuit("F2", "R0")
        return what

    def fittings(self):
        """Draw devices and equipment on F1."""
        spans = [row for row in self.layers["spans"] if row["circuit_id"] == "F1"]
        taken = {row["span_id"] for row in self.layers["devices"]}
        for _ in range(self.number(0, 4)):
            row = self.draw(st.sampled_from(spans))
            if row["span_id"] not in taken:
                taken.add(row["span_id"])
                self.device(row[self.one_of("from_pole", "to_pole")], row["span_id"])
        for k in range(self.number(0, 2)):
            row = self.draw(st.sampled_from(spans))
            pole = row[self.one_of("from_pole", "to_pole")]
            kind = self.one_of("transformer", "generator", "service", "capacitor", "riser", "guy")
            given = {"equipment_id": f"E{k}", "pole_id": pole, "circuit_id": "F1", "kind": kind,
                     "phases": row["phases"], "note": "",
                     "at": degrees(*self.place[pole])}  # fmt: skip
            if kind == "generator" and self.chance(2):
                three = 400.0 if len(row["phases"]) == 3 else None
                given |= {"fault_3ph_a": three, "x_over_r_3ph": three and 10.0,
                          "fault_1ph_a": 300.0, "x_over_r_1ph": 8.0, "clearing_s": 1.0}  # fmt: skip
            self.layers["equipment"].append(given)

    def surroundings(self):
        """Draw what stands round the poles: squares that leave no place for a rod, or nothing."""
        if self.chance(4):
            return
        rows = self.layers["surroundings"] = []
        for k in range(self.number(0, 2)):
            x_m, y_m = self.place[self.draw(st.sampled_from(sorted(self.place)))]
            kind, half = self.one_of(("no_entry", 24.0), ("paved", 24.0), ("building", 3.0))
            away = 8.0 if kind == "building" else 0.0
            rows.append({"feature_id": f"N{k}", "kind": kind, "name": "",
                         "at": square(x_m, y_m - away, half)})  # fmt: skip

    def job(self, what):
        """Draw the worksite and what the job states."""
        circuits = ["F1", "F2"] if what == "same poles" and self.chance(2) else ["F1"]
        overhead = [r for r in self.layers["spans"]
                    if r["kind"] == "overhead" and r["circuit_id"] == "F1"]  # fmt: skip
        job = {"job_id": "J", "circuit_ids": circuits, "locate_ticket": "T",
               "isolated_equipment": [], "limits": {"bracket_max_spans": self.number(1, 2)},
               "rod": {"length": "6 ft", "diameter": "0.625 in",
                       "resistivity_ohm_m": 100}}  # fmt: skip
        start = self.draw(st.sampled_from(overhead)) if overhead else self.layers["spans"][0]
        if self.chance(6):
            job["worksite_span"] = start["span_id"]
        else:
            job["worksite_poles"] = self.walk(start[self.one_of("from_pole", "to_pole")], overhead)
        devices = [row["device_id"] for row in self.layers["devices"]]
        opened = self.one_of("all", "all", "some", "unknown")
        if opened != "unknown":
            kept = devices if opened == "all" else [d for d in devices if self.chance(2)]
            job["sources_opened"] = kept
        if not self.chance(3):
            job["isolated_equipment"] = [r["equipment_id"] for r in self.layers["equipment"]]
        if self.chance(5):
            job["open_conductor"] = [self.one_of("A", "B", "C")]
        return job

    def walk(self, pole, overhead):
        """Draw neighbouring poles."""
        poles = [pole]
        for _ in range(self.one_of(0, 0, 1, 3)):
            near = [(r["from_pole"], r["to_pole"]) for r in overhead]
            near = [b if a == poles[-1] else a for a, b in near if poles[-1] in {a, b}]
            if not (fresh := [name for name in near if name not in poles]):
                break
            poles.append(self.draw(st.sampled_from(fresh)))
        return poles


@st.composite
def worlds(draw):
    """Draw a territory with a job."""
    build = Builder(draw)
    n, phases = build.trunk()
    ends = build.laterals(n, phases)
    build.loop(n, ends)
    what = build.second(n, phases)
    build.fittings()
    build.surroundings()
    job = build.job(what)
    layers = {name: rows for name, rows in build.layers.items() if rows or name == "surroundings"}
    return World(layers, job)


def renamed(world, rename):
    """Return a world whose ids are changed by ``rename(layer, id)``."""
    new = world.copy()
    for layer, rows in new.layers.items():
        for row in rows:
            row[ID[layer]] = rename(layer, row[ID[layer]])
            for column, target in REFERENCES.get(layer, {}).items():
                if row.get(column) is not None:
                    row[column] = rename(target, row[column])
    for key, layer in IN_JOB.items():
        if key in new.job:
            new.job[key] = [rename(layer, one) for one in new.job[key]]
    if "worksite_span" in new.job:
        new.job["worksite_span"] = rename("spans", new.job["worksite_span"])
    return new


def turned(world, spans):
    """Return a world with some spans drawn from their other end, pole tops mirrored."""
    new = world.copy()
    for top, places in TOPS.items():
        new.tops[f"{top}, turned"] = {k: (-x, y) for k, (x, y) in places.items()}
    for row in new.layers["spans"]:
        if row["span_id"] in spans:
            row["from_pole"], row["to_pole"] = row["to_pole"], row["from_pole"]
            row["at"] = row["at"][::-1]
            if row["construction"] is not None:
                row["construction"] += ", turned"
    return new


def moved(at, degrees_east):
    """Return coordinates farther east."""
    if isinstance(at[0], list):
        return [moved(one, degrees_east) for one in at]
    return [at[0] + degrees_east, at[1]]


def with_far_feeder(world, degrees_east):
    """Return a world with a second copy of itself far to the east, under other ids."""
    far = renamed(world, lambda _layer, name: f"far {name}")
    new = world.copy()
    for layer, rows in far.layers.items():
        new.layers[layer] += [row | {"at": moved(row["at"], degrees_east)} for row in rows]
    return new
