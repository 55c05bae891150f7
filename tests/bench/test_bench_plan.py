"""A whole plan without its map against the geometry it rests on, in the same run."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import pytest
import shapely

import gridground as gg
from gridground import plan as planning
from gridground.grounding.outlines import Part, outlines_of
from gridground.grounding.zones import cone_zone
from gridground.rodfinding import rod_keys

ROOT = Path(__file__).resolve().parents[2]
ROUNDS = 5
CANDIDATES, BEARINGS = 7200, 120

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def territory():
    return gg.read_territory(ROOT / "sample_data" / "territory")


def seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def searched(territory, job, monkeypatch):
    """Return the scene of a job and the poles at which it looks for a rod, in either method."""
    poles, real = [], planning.find_rod

    def spy(scene, pole_id, stated):
        poles.append(pole_id)
        return real(scene, pole_id, stated)

    with monkeypatch.context() as patched:
        patched.setattr(planning, "find_rod", spy)
        plan = gg.plan_job(territory, job).document
    return planning._look(territory, job), list(dict.fromkeys(poles)), plan


def zones(scene, plan):
    """Draw the zones of a plan, and the line round those that overlap."""
    spacing_m = scene.job.limits.cone_spacing_m
    parts = [
        Part(f"L{n}", (row["lon"], row["lat"]), (row["rod"]["lon"], row["rod"]["lat"]),
             row["zone"]["radius_m"])
        for n, row in enumerate(plan["locations"], 1) if row["rod"] and row["zone"]
    ]  # fmt: skip
    frame = scene.neighbourhood.frame
    for part in parts:
        cone_zone(frame, part.foot, part.rod, radius_m=part.radius_m, spacing_m=spacing_m)
    outlines_of(frame, parts, spacing_m=spacing_m)


def plain_measuring(scene, poles):
    """Measure 7,200 places and leads round each pole to every feature and pole, vectorised."""
    near, limits = scene.neighbourhood, scene.job.limits
    angle = np.linspace(0, 2 * math.pi, BEARINGS, endpoint=False)
    away_m = np.linspace(
        limits.rod_setback_m, rod_keys(scene.job)["reach_m"], CANDIDATES // BEARINGS
    )
    grid = np.stack([np.outer(np.sin(angle), away_m), np.outer(np.cos(angle), away_m)], axis=-1)
    rows = near.obstacles
    for pole_id in poles:
        foot = near.pole_xy[near.pole_index[pole_id]]
        xy = grid.reshape(-1, 2) + foot
        ends = np.stack([np.broadcast_to(foot, xy.shape), xy], axis=1)
        points, leads = shapely.points(xy), shapely.linestrings(ends)
        (shapely.distance(points[:, None], rows.geometry[None, :]) - rows.clearance_m).min(axis=1)
        shapely.distance(leads[:, None], rows.geometry[None, :]).min(axis=1)
        np.hypot(*(xy[:, None] - near.pole_xy[None]).transpose(2, 0, 1)).min(axis=1)


@pytest.mark.parametrize(
    "name", ["04-t-junction", "10-no-rod-place", "16-small-neutral", "17-riser"]
)
def test_a_whole_plan_costs_at_most_ten_times_its_geometry(territory, name, monkeypatch):
    """The geometry is the smaller of two: our own search, and plain measuring in shapely."""
    job = gg.read_job(ROOT / "sample_data" / "jobs" / f"{name}.toml")
    scene, poles, plan = searched(territory, job, monkeypatch)
    assert poles
    took = {"plan": [], "search": [], "measuring": []}
    for _ in range(ROUNDS):  # in turn, so that a busy machine slows all three
        took["plan"].append(seconds(lambda: gg.plan_job(territory, job)))
        drawn = seconds(lambda: zones(scene, plan))
        found = seconds(lambda: [planning.find_rod(scene, pole_id, {}) for pole_id in poles])
        took["search"].append(found + drawn)
        took["measuring"].append(seconds(lambda: plain_measuring(scene, poles)) + drawn)
    best = {key: min(values) for key, values in took.items()}
    core = min(best["search"], best["measuring"])
    told = ", ".join(f"{key} {value * 1e3:.0f} ms" for key, value in best.items())
    print(f"\n{name}: {len(poles)} poles, {told}: {best['plan'] / core:.1f}")
    assert best["plan"] <= 10.0 * core
