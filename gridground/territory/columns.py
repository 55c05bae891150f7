"""The table of layers and columns: what each holds, in which unit, and what null means in it.

`missing` and `null` say what it is when a feature lacks the key, and when it holds null:
``"reject"``, ``"open item"`` or None (nothing to say). A column whose `null_means` is not empty
uses null for something that is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from gridground.errors import Level
from gridground.tables import read_table

Kind = Literal["id", "ref", "word", "phases", "number", "text", "date", "protection"]


@dataclass(frozen=True)
class Column:
    """One column of one layer.

    Attributes
    ----------
    name : str
        Column name; the unit is its ending.
    kind : str
        ``id`` unique in the layer, ``ref`` an id of another layer or a table, ``word`` one of
        `values`, ``phases`` letters, ``number``, ``text``, ``date`` (ISO), ``protection``.
    missing, null : "reject", "open item" or None
        What it is when the key is absent, or null.
    unit : str
        Unit as a person writes it.
    values : tuple of str
        Allowed words.
    low, high : float or None
        What can be at all; beyond them the value is rejected.
    above : bool
        The value must be above `low`, not equal to it.
    only : tuple of str
        Kinds of the layer's `kind` column to which `missing` and `null` apply; empty: all.
    null_means : str
        What null says, where it is known to be absent.
    needed : str
        What depends on it.
    """

    name: str
    kind: Kind
    missing: Level | None = None
    null: Level | None = None
    unit: str = ""
    values: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: bool = False
    only: tuple[str, ...] = ()
    null_means: str = ""
    needed: str = ""


MATERIALS = ("wood", "steel", "concrete", "composite", "pad")
SPAN_KINDS = ("overhead", "cable", "link")
DEVICE_KINDS = ("switch", "cutout", "recloser", "breaker", "fuse", "sectionalizer", "jumper")
EQUIPMENT_KINDS = (
    "transformer", "regulator", "capacitor", "generator", "riser", "service", "arrester", "guy",
)  # fmt: skip
SURROUNDINGS_KINDS = (
    "building", "road", "sidewalk", "driveway", "water", "fence", "paved", "rock", "tree",
    "public_place", "buried_power", "buried_gas", "buried_water", "buried_telecom",
    "buried_sewer", "no_entry",
)  # fmt: skip
# Kinds of road of MUTCD 2009 Table 6C-1 (11th edition: 6B-1); an expressway is a freeway here.
ROAD_TYPES = ("urban low speed", "urban high speed", "rural", "freeway")
FASTEST_MPH = 85.0  # the highest posted limit in the US
# How the three phases of another line hang: side by side, one over the other, or two and one.
ARRANGEMENTS = ("flat", "upright", "triangle")
_WITH_PHASES = ("transformer", "regulator", "capacitor", "generator", "riser", "service")
_SERIES = ("cable", "link")


def _key(name: str) -> Column:
    """Return the id column of a layer."""
    return Column(name, "id", "reject", "reject", needed="every finding and every step names it")


def _ref(name: str, needed: str) -> Column:
    """Return a column that must name a feature of another layer."""
    return Column(name, "ref", "reject", "reject", needed=needed)


def _word(name: str, values: tuple[str, ...], level: Level, needed: str) -> Column:
    """Return a column of words out of a list."""
    return Column(name, "word", level, level, values=values, needed=needed)


def _positive(name: str, unit: str, high: float, needed: str, level: Level = "open item") -> Column:
    """Return a required number above zero."""
    return Column(name, "number", level, level, unit, low=0, high=high, above=True, needed=needed)


def _impedance(name: str) -> Column:
    """Return one of the four sequence impedances of a span."""
    return Column(
        name, "number", "open item", "open item", "ohm/km", low=0, high=1000, only=_SERIES,
        needed="fault currents beyond this span",
    )  # fmt: skip


_PHASES = Column(
    "phases", "phases", "open item", "open item", needed="bonds, leads and fault currents"
)
_PROTECTION = Column("protection", "protection")
# What equipment drives into a fault at its own pole, on the side of the circuit.
_OWN_FAULT = (
    Column("fault_3ph_a", "number", unit="A", low=0, high=1e6, above=True,
           null_means="single-phase source"),
    Column("x_over_r_3ph", "number", unit="ratio", low=0, high=1000, above=True,
           null_means="single-phase source"),
    Column("fault_1ph_a", "number", unit="A", low=0, high=1e6, above=True,
           null_means="ungrounded source"),
    Column("x_over_r_1ph", "number", unit="ratio", low=0, high=1000, above=True,
           null_means="ungrounded source"),
)  # fmt: skip

LAYERS: dict[str, tuple[Column, ...]] = {
    "poles": (
        _key("pole_id"),
        _word("material", MATERIALS, "open item", "where the cluster bar sits and what is earth"),
        Column("height_m", "number", "open item", "open item", "m", low=0, high=60,
               needed="lead lengths"),
        Column("ground_ohm", "number", "open item", None, "ohm", low=0, high=1e6, above=True,
               null_means="no permanent pole ground", needed="the worker's voltage"),
        Column("altitude_m", "number", unit="m", low=-500, high=9000),
    ),
    "spans": (
        _key("span_id"),
        _ref("circuit_id", "which spans are worked on"),
        _ref("from_pole", "the connection of the network"),
        _ref("to_pole", "the connection of the network"),
        _PHASES,
        Column("kind", "word", None, "open item", values=SPAN_KINDS,
               needed="where grounds may be placed"),
        Column("conductor", "ref", "open item", "open item", only=("overhead",),
               needed="impedance, lead capacity and clamps"),
        Column("neutral_conductor", "ref", "open item", None, null_means="no neutral",
               needed="the bond to the neutral and the number of leads"),
        Column("construction", "ref", "open item", "open item", only=("overhead",),
               needed="impedance and lead lengths"),
        _impedance("r1_ohm_per_km"),
        _impedance("x1_ohm_per_km"),
        _impedance("r0_ohm_per_km"),
        _impedance("x0_ohm_per_km"),
        Column("length_m", "number", unit="m", low=0, high=1e6, above=True),
        Column("shares_neutral_with", "ref"),
    ),
    "circuits": (
        _key("circuit_id"),
        _positive("nominal_kv", "kV", 1200, "every current and approach distance", "reject"),
        _positive("frequency_hz", "Hz", 60, "every reactance", "reject"),
        _ref("source_pole", "where the energy comes from"),
        Column("fault_3ph_a", "number", "open item", None, "A", low=0, high=1e6, above=True,
               null_means="single-phase source", needed="fault currents"),
        Column("x_over_r_3ph", "number", "open item", None, "ratio", low=0, high=1000, above=True,
               null_means="single-phase source", needed="asymmetry of the fault current"),
        Column("fault_1ph_a", "number", "open item", None, "A", low=0, high=1e6, above=True,
               null_means="ungrounded source", needed="fault currents"),
        Column("x_over_r_1ph", "number", "open item", None, "ratio", low=0, high=1000, above=True,
               null_means="ungrounded source", needed="asymmetry of the fault current"),
        Column("prefault_voltage_ratio", "number", unit="ratio", low=0.5, high=1.5),
        Column("source_ground_ohm", "number", unit="ohm", low=0, high=1e4),
        Column("load_a", "number", unit="A", low=0, high=1e5),
        _PROTECTION,
        Column("clearing_s", "number", unit="s", low=0, high=3600, above=True),
        Column("backup_clearing_s", "number", "open item", "open item", "s", low=0, high=3600,
               above=True, needed="how long a fault lasts when the first device fails"),
        Column("fault_data_source", "text", "open item", "open item",
               needed="the plan prints where the fault figures come from"),
        Column("fault_data_date", "date", "open item", "open item",
               needed="the plan prints how old the fault figures are"),
    ),
    "devices": (
        _key("device_id"),
        _ref("pole_id", "where the line can be open"),
        _ref("span_id", "which side of the pole it opens"),
        _word("kind", DEVICE_KINDS, "reject", "what opens the line"),
        _word("state", ("open", "closed"), "reject", "the ways by which energy can come"),
        _PHASES,
        _PROTECTION,
        Column("joins_circuit", "text"),
    ),
    "equipment": (
        _key("equipment_id"),
        _ref("pole_id", "what stands inside the brackets"),
        _ref("circuit_id", "whose source it can be"),
        _word("kind", EQUIPMENT_KINDS, "reject", "whether it can be a source"),
        Column("phases", "phases", "open item", "open item", only=_WITH_PHASES,
               needed="which conductors it can energize"),
        *_OWN_FAULT,
        Column("clearing_s", "number", unit="s", low=0, high=3600, above=True),
        Column("note", "text"),
    ),
    "other_lines": (
        _key("line_id"),
        _positive("nominal_kv", "kV", 1500, "approach distance and induction"),
        _word("state", ("energized", "dead"), "open item", "induction and contact"),
        Column("load_a", "number", "open item", "open item", "A", low=0, high=1e5,
               needed="the induced current"),
        _positive("height_m", "m", 400, "approach distance and induction"),
        _positive("fault_a", "A", 1e6, "the current when it falls on the worked line"),
        Column("clearing_s", "number", unit="s", low=0, high=3600, above=True),
        Column("spacing_m", "number", unit="m", low=0, high=50, above=True),
        Column("arrangement", "word", values=ARRANGEMENTS),
    ),
    "surroundings": (
        _key("feature_id"),
        _word("kind", SURROUNDINGS_KINDS, "reject", "how far a rod stays away"),
        Column("name", "text"),
        Column("clearance_m", "number", unit="m", low=0, high=1000),
        # of a road, for traffic past a cone zone; the posted speed as it stands on the sign
        Column("speed_mph", "number", unit="mph", low=0, high=FASTEST_MPH, above=True),
        Column("road_type", "word", values=ROAD_TYPES),
        Column("lanes_each_way", "number", unit="lanes", low=1, high=8),
        Column("lane_width_m", "number", unit="m", low=0, high=10, above=True),
        Column("shoulder_m", "number", unit="m", low=0, high=20),
        Column("located", "word", values=("map", "marked")),
    ),
    "soil": (
        _key("soil_id"),
        _positive("resistivity_ohm_m", "ohm·m", 1e7, "rod resistance and step voltage"),
        Column("source", "text", "open item", "open item", needed="where the figure comes from"),
    ),
    "elevation": (
        _key("elevation_id"),
        Column("elevation_m", "number", "open item", "open item", "m", low=-500, high=9000,
               needed="slope of the ground where a rod goes"),
    ),
}  # fmt: skip

REQUIRED_LAYERS = ("poles", "spans", "circuits")
GEOMETRY: dict[str, tuple[str, ...]] = {
    "poles": ("Point",),
    "spans": ("LineString",),
    "circuits": ("Point",),
    "devices": ("Point",),
    "equipment": ("Point",),
    "other_lines": ("LineString", "MultiLineString"),
    "surroundings": (
        "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon",
        "GeometryCollection",
    ),
    "soil": ("Polygon", "MultiPolygon"),
    "elevation": ("Point",),
}  # fmt: skip
NULL_GEOMETRY = frozenset({"circuits"})


@dataclass(frozen=True)
class Band:
    """What a value hardly ever leaves; beyond it the value is an open item.

    Attributes
    ----------
    low, high : float
        Ends of the band, in `unit`.
    only : tuple of str
        Kinds of the layer to which it applies; empty: all.
    reason, source : str
        Why, and from where.
    """

    low: float
    high: float
    unit: str
    only: tuple[str, ...]
    reason: str
    source: str

    @property
    def text(self) -> str:
        """The band as a person writes it."""
        return f"{self.low:,g} to {self.high:,g} {self.unit}"


@cache
def bands() -> dict[tuple[str, str], Band]:
    """Return the plausibility bands of ``tables/bands.csv`` by (layer, column)."""
    return {
        (row["layer"], row["column"]): Band(
            float(row["low"]),
            float(row["high"]),
            row["unit"],
            tuple(filter(None, row["only"].split(";"))),
            row["reason"],
            row["source"],
        )
        for row in read_table("bands")
    }
