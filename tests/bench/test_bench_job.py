"""Start-up and one whole job, as ratios against a peer in the same run."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
RUNS = 7

pytestmark = pytest.mark.bench


def seconds(arguments):
    """Return the median wall time of a command."""
    took = []
    # An installed package has its bytecode; a checkout gets it on the first run.
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    command = [sys.executable, *arguments]
    subprocess.run(command, check=True, capture_output=True, cwd=ROOT, env=env)
    for _ in range(RUNS):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, cwd=ROOT, env=env)
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def ratio(benchmark, ours, peer, name):
    """Measure both in one run and report the ratio."""
    benchmark.pedantic(seconds, args=(ours,), rounds=1)
    value = seconds(ours) / seconds(peer)
    benchmark.extra_info[name] = value
    print(f"\n{name}: {value:.2f}")
    return value


def test_help_against_a_bare_interpreter(benchmark):
    assert ratio(benchmark, ["-m", "gridground", "--help"], ["-c", "pass"], "help / bare") <= 4


def test_a_whole_job_against_importing_its_libraries(benchmark, tmp_path):
    job = [
        "-m",
        "gridground",
        "plan",
        "sample_data/territory",
        "sample_data/jobs/04-t-junction.toml",
    ]
    job += ["-o", str(tmp_path), "--force"]
    peer = ["-c", "import geopandas, folium"]
    assert ratio(benchmark, job, peer, "job / import") <= 1.5
