"""Speed of a rod place against judging its candidates one pair at a time, in the same run."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
import shapely
from rod_sites import at_metres, limits, neighbourhood

from gridground.grounding.rods import place_rod
from gridground.job import Position, Vehicle

REACH = {"reach_m": 12.0, "zone_radius_m": 3.048}
CANDIDATES = 7200


def surroundings(count):
    rng = np.random.default_rng(11)
    kinds = ["building", "tree", "buried_gas", "buried_water", "road", "sidewalk", "fence", "paved"]
    rows = []
    for k in range(count):
        x, y = rng.uniform(-16, 16, 2)
        kind = kinds[k % len(kinds)]
        shape = shapely.box(x, y, x + 1.5, y + 1.5)
        if kind.startswith("buried") or kind == "fence":
            angle = rng.uniform(0, math.pi)
            shape = shapely.LineString(
                [(x, y), (x + 25 * math.cos(angle), y + 25 * math.sin(angle))]
            )
        rows.append((f"F{k}", kind, shape))
    return rows


def best_of(work, rounds):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


@pytest.mark.bench
def test_a_place_costs_less_than_the_distances_of_its_candidates():
    """The peer only measures: every candidate and every lead to each of 50 features."""
    near = neighbourhood(surroundings(50))
    angle = np.linspace(0, 2 * math.pi, 120, endpoint=False)
    away_m = np.linspace(4.572, 12.0, CANDIDATES // 120)
    xy = np.stack([np.outer(np.sin(angle), away_m), np.outer(np.cos(angle), away_m)], axis=-1)
    xy = xy.reshape(-1, 2)
    leads = shapely.linestrings(np.stack([np.zeros_like(xy), xy], axis=1))
    points = shapely.points(xy)

    def peer():
        for geometry in near.obstacles.geometry:
            shapely.distance(points, geometry)
            shapely.distance(leads, geometry)

    mine = best_of(lambda: place_rod("P0", near, limits(), **REACH), 5)
    theirs = best_of(peer, 3)
    print(f"\nrod place {mine * 1e3:.0f} ms, plain measuring {theirs * 1e3:.0f} ms")
    assert mine < theirs


@pytest.mark.bench
def test_a_place_with_everything_costs_at_most_twice_the_bare_clearances():
    """The floor is one vectorised call: 7,200 points against 50 features, nothing else."""
    vehicle = Vehicle(Position(*at_metres(9, 9)), Position(*at_metres(-9, 9)))
    line = shapely.LineString([(-60, 9), (60, 7)])
    spans = [("S1", "P0", "P0"), ("S9", "Q1", "Q2", line, "overhead", "F2")]
    near = neighbourhood(surroundings(50), vehicle=vehicle, spans=spans)
    angle = np.linspace(0, 2 * math.pi, 120, endpoint=False)
    away_m = np.linspace(4.572, 12.0, CANDIDATES // 120)
    xy = np.stack([np.outer(np.sin(angle), away_m), np.outer(np.cos(angle), away_m)], axis=-1)
    points = shapely.points(xy.reshape(-1, 2))
    rows = near.obstacles

    def floor():
        spare_m = shapely.distance(points[:, None], rows.geometry[None, :]) - rows.clearance_m
        return spare_m.min(axis=1)

    found = place_rod("P0", near, limits(), **REACH)
    assert len(points) == CANDIDATES
    assert len(found.alternatives) == 3
    mine = best_of(lambda: place_rod("P0", near, limits(), **REACH), 5)
    theirs = best_of(floor, 3)
    print(f"\nrod place with others {mine * 1e3:.0f} ms, bare clearances {theirs * 1e3:.0f} ms")
    assert mine <= 2.0 * theirs


@pytest.mark.bench
def test_cost_grows_no_faster_than_the_surroundings():
    near = {count: neighbourhood(surroundings(count)) for count in (50, 200)}
    times = {
        count: best_of(lambda n=n: place_rod("P0", n, limits(), **REACH), 5)
        for count, n in near.items()
    }
    assert times[200] < 8 * times[50]
