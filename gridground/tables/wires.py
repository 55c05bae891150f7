"""Conductors and pole-top constructions: the records and their built-in tables."""

from __future__ import annotations

from dataclasses import dataclass

from gridground.tables import read_table


@dataclass(frozen=True)
class Conductor:
    """One conductor.

    Attributes
    ----------
    name, material : str
        Material is one of ``ACSR AAC AAAC copper steel aluminium-clad steel``.
    area_mm2 : float
        Current-carrying area [mm²].
    diameter_m, gmr_m : float
        Outside diameter and geometric mean radius [m].
    resistance_ohm_per_km : float
        At the temperature the source states [ohm/km].
    ampacity_a : float
        [A].
    source : str
        Where the row comes from.
    """

    name: str
    material: str
    area_mm2: float
    diameter_m: float
    gmr_m: float
    resistance_ohm_per_km: float
    ampacity_a: float
    source: str


@dataclass(frozen=True)
class Construction:
    """A pole top: where each conductor sits.

    Attributes
    ----------
    name : str
        Name in the table.
    positions : dict
        ``"1" "2" "3" "N"`` -> ``(x_m, y_m)``: sideways from the pole axis (positive to the
        right, looking from the span's `from_pole` to its `to_pole`) and height above ground [m].
    source : str
        Where the rows come from.
    """

    name: str
    positions: dict[str, tuple[float, float]]
    source: str


def builtin_conductors() -> dict[str, Conductor]:
    """Return the built-in conductors by name."""
    return {
        row["name"]: Conductor(
            name=row["name"],
            material=row["material"],
            area_mm2=float(row["area_mm2"]),
            diameter_m=float(row["diameter_m"]),
            gmr_m=float(row["gmr_m"]),
            resistance_ohm_per_km=float(row["resistance_ohm_per_km"]),
            ampacity_a=float(row["ampacity_a"]),
            source=row["source"],
        )
        for row in read_table("conductors")
    }


def builtin_constructions() -> dict[str, Construction]:
    """Return the built-in pole tops by name."""
    positions: dict[str, dict[str, tuple[float, float]]] = {}
    sources: dict[str, str] = {}
    for row in read_table("constructions"):
        place = (float(row["x_m"]), float(row["y_m"]))
        positions.setdefault(row["name"], {})[row["position"]] = place
        sources.setdefault(row["name"], row["source"])
    return {name: Construction(name, where, sources[name]) for name, where in positions.items()}
