"""What the job map draws besides the plan itself: the job's neighbourhood, nothing farther."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from gridground.territory.frame import Frame

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from gridground.scene import Scene
    from gridground.territory.layers import Layer

MARGIN_M = 60.0


def picture_of(scene: Scene, points: list[tuple[float, float]]) -> dict[str, Any]:
    """Cut the territory to the surroundings of a job.

    Parameters
    ----------
    scene : Scene
        For the territory and the circuits worked on.
    points : list of (longitude, latitude)
        Locations and rods; everything within 60 m of their box is drawn.

    Returns
    -------
    dict
        ``poles spans surroundings other_lines equipment devices``.
    """
    territory = scene.territory
    box = _box(points)
    poles = territory.poles
    spans, row_of = territory.spans, poles.index()
    near = spans.meeting(box)
    shown = set(poles.meeting(box).tolist())
    shown |= {row_of[spans[end][row]] for row in near for end in ("from_pole", "to_pole")}
    pole_ids = {str(poles.ids[row]) for row in shown}
    return {
        "poles": [
            {"pole_id": str(poles.ids[row]), **_lonlat(poles.geometry[row])}
            for row in sorted(shown)
        ],
        "spans": [
            {
                "span_id": str(spans.ids[row]),
                "circuit_id": str(spans["circuit_id"][row]),
                "phases": spans["phases"][row],
                "worked": bool(scene.zone.worked[row]),
                "kind": spans["kind"][row],
                "line": _line(spans.geometry[row]),
            }
            for row in near.tolist()
        ],
        "surroundings": _features(territory.layer("surroundings"), box),
        "other_lines": _other_lines(territory.layer("other_lines"), box),
        "equipment": _at_poles(
            territory.layer("equipment"),
            pole_ids,
            ("equipment_id", "kind", "pole_id", "circuit_id"),
        ),
        "devices": _at_poles(
            territory.layer("devices"),
            pole_ids,
            ("device_id", "kind", "pole_id", "span_id", "state"),
        ),
    }


def _box(points: list[tuple[float, float]]) -> shapely.Polygon:
    """Return the box round some positions with the margin, in longitude and latitude."""
    lon, lat = np.array(points).T
    frame = Frame(float(lon.mean()), float(lat.mean()))
    x_m, y_m = frame.to_xy(lon, lat)
    plane = shapely.box(
        float(x_m.min() - MARGIN_M),
        float(y_m.min() - MARGIN_M),
        float(x_m.max() + MARGIN_M),
        float(y_m.max() + MARGIN_M),
    )
    box: shapely.Polygon = shapely.box(*frame.to_lonlat(plane).bounds)
    return box


def _lonlat(point: Any) -> dict[str, float]:  # noqa: ANN401  shapely geometry
    """Return a position with seven decimals."""
    return {"lon": round(float(point.x), 7), "lat": round(float(point.y), 7)}


def _line(line: Any) -> list[list[float]]:  # noqa: ANN401  shapely geometry
    """Return the coordinates of a line with seven decimals."""
    points: NDArray[np.float64] = shapely.get_coordinates(line)
    return [[round(float(x), 7), round(float(y), 7)] for x, y in points]


def _features(layer: Layer | None, box: shapely.Polygon) -> list[dict[str, Any]]:
    """Return the surroundings within the box, cut to it."""
    if layer is None:
        return []
    rows = []
    # what is drawn invalid is mended first: it may take in more
    for row in np.sort(layer.tree.query(box)).tolist():
        cut = shapely.intersection(shapely.make_valid(layer.geometry[row]), box)
        cut = shapely.set_precision(cut, 1e-7)
        if not cut.is_empty:
            rows.append(
                {
                    "feature_id": str(layer.ids[row]),
                    "kind": layer["kind"][row],
                    "name": layer["name"][row],
                    "geometry": shapely.geometry.mapping(cut),
                }
            )
    return rows


def _other_lines(layer: Layer | None, box: shapely.Polygon) -> list[dict[str, Any]]:
    """Return the other lines within the box, cut to it."""
    if layer is None:
        return []
    rows = []
    for row in layer.meeting(box).tolist():
        cut = shapely.intersection(layer.geometry[row], box)
        parts = [part for part in shapely.get_parts(cut) if part.geom_type == "LineString"]
        rows += [
            {
                "line_id": str(layer.ids[row]),
                "nominal_kv": _known(layer["nominal_kv"][row]),
                "state": layer["state"][row] or "not known",
                "line": _line(part),
            }
            for part in parts
        ]
    return rows


def _known(value: float) -> float | None:
    """Return a number, or None where it is not known."""
    return None if np.isnan(value) else float(value)


def _at_poles(
    layer: Layer | None, pole_ids: set[str], columns: tuple[str, ...]
) -> list[dict[str, Any]]:
    """Return what stands on the poles shown."""
    if layer is None:
        return []
    at = layer.rows_by("pole_id")
    rows = sorted(row for pole_id in pole_ids for row in at.get(pole_id, []))
    return [{column: layer[column][row] for column in columns} for row in rows]
