"""Make the sample territory and its jobs: an invented valley, written byte for byte the same.

``python tests/sample_data_maker.py`` rewrites ``sample_data/``; ``--to FOLDER`` writes elsewhere.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer
from sample_data_ground import build_soil, build_surroundings
from sample_data_jobs import job_files
from sample_data_network import Net, build_network
from shapely.geometry import LineString, Point

LON, LAT = -106.62, 47.13  # thinly peopled grassland; nothing of what is drawn stands there
STEP_M = 150.0
LICENSE = """\
Everything in this folder is invented: the valley, the village, its names, the lines, the figures
and the jobs. No real place, operator, customer or measurement stands behind them.

It is dedicated to the public domain under CC0 1.0 Universal
(https://creativecommons.org/publicdomain/zero/1.0/): copy, change and use it without asking.
"""
CONDUCTORS = """\
name,material,area_mm2,diameter_m,gmr_m,resistance_ohm_per_km,ampacity_a,source
#3 copper solid,copper,26.67,0.005827,0.002269,0.748,195,"invented row of the demonstration: \
area and diameter of AWG 3, GMR 0.7788 r, 1.793e-8 ohm.m with 11 % for 50 C"
Willowbeck guy strand,steel,36.9,0.00953,0.0018,5.0,60,\
"invented row of the demonstration, used nowhere"
"""
CONSTRUCTIONS = """\
name,position,x_m,y_m,source
three-wire crossarm (35-ft pole),1,-1.07,8.69,invented row of the demonstration
three-wire crossarm (35-ft pole),2,-0.36,8.69,invented row of the demonstration
three-wire crossarm (35-ft pole),3,1.07,8.69,invented row of the demonstration
"""


def main() -> None:
    """Write the sample data."""
    parser = argparse.ArgumentParser(description=__doc__)
    default = Path(__file__).parent.parent / "sample_data"
    parser.add_argument("--to", type=Path, default=default, help="folder to write to")
    write(parser.parse_args().to)


def write(folder: Path) -> None:
    """Write territory, jobs and licence into a folder."""
    territory, jobs = folder / "territory", folder / "jobs"
    for place in (territory, jobs):
        place.mkdir(parents=True, exist_ok=True)
    for layer, features in layers().items():
        _text(territory / f"{layer}.geojson", geojson(features))
    _text(territory / "conductors.csv", CONDUCTORS)
    _text(territory / "constructions.csv", CONSTRUCTIONS)
    _text(folder / "LICENSE.txt", LICENSE)
    for name, text in job_files().items():
        _text(jobs / name, text)


def _text(path: Path, text: str) -> None:
    """Write text with the same line ends everywhere."""
    path.write_text(text, encoding="utf-8", newline="\n")


def layers() -> dict[str, list[tuple[dict[str, Any], Any]]]:
    """Return every layer as (properties, geometry in metres)."""
    net = build_network()
    at = {pole_id: Point(xy) for pole_id, xy in net.at.items()}
    return {
        "poles": [(row, at[name]) for name, row in net.poles.items()],
        "spans": [(row, LineString(net.lines[row["span_id"]])) for row in net.spans],
        "circuits": [(row, at[row["source_pole"]]) for row in net.circuits],
        "devices": [(row, at[row["pole_id"]]) for row in net.devices],
        "equipment": [(row, at[row["pole_id"]]) for row in net.equipment],
        "other_lines": _other_lines(net),
        "surroundings": _shapes(build_surroundings(net)),
        "soil": _shapes(build_soil()),
    }


def _other_lines(net: Net) -> list[tuple[dict[str, Any], Any]]:
    """Take the line out of each row."""
    return [
        ({k: v for k, v in row.items() if k != "line"}, LineString(row["line"]))
        for row in net.other_lines
    ]


def _shapes(rows: list[dict[str, Any]]) -> list[tuple[dict[str, Any], Any]]:
    """Take the shape out of each row."""
    return [({k: v for k, v in row.items() if k != "shape"}, row["shape"]) for row in rows]


def geojson(features: list[tuple[dict[str, Any], Any]]) -> str:
    """Return a layer as GeoJSON, one feature a line, positions of seven decimals."""
    rows = [
        _json({"type": "Feature", "properties": row, "geometry": _geometry(shape)})
        for row, shape in features
    ]
    head = '{"type": "FeatureCollection", "features": [\n'
    return head + ",\n".join(rows) + "\n]}\n"


def _json(value: dict[str, Any]) -> str:
    """Return JSON on one line."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _geometry(shape: Any) -> dict[str, Any]:
    """Project a shape; outer rings run against the clock, as RFC 7946 asks."""
    if shape.geom_type == "Polygon":
        shape = shapely.geometry.polygon.orient(shape, 1.0)
    # A straight line of the plane bends in degrees: 0.8 m on 6 km here, nothing on STEP_M.
    lonlat = shapely.transform(shapely.segmentize(shape, STEP_M), _project)
    return dict(shapely.geometry.mapping(lonlat))


_TO_LONLAT = Transformer.from_crs(
    CRS.from_proj4(f"+proj=aeqd +lat_0={LAT} +lon_0={LON} +datum=WGS84 +units=m"),
    "EPSG:4326",
    always_xy=True,
)


def _project(xy: np.ndarray) -> np.ndarray:
    """Bring metres to longitude and latitude of seven decimals."""
    return np.round(np.column_stack(_TO_LONLAT.transform(xy[:, 0], xy[:, 1])), 7)


if __name__ == "__main__":
    main()
