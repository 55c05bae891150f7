"""Reading spans strictly against the usual reader on the same file in the same run.

Run with ``pytest tests/bench --benchmark-only``; the ratio is asserted, never an absolute time.
"""

import json
import statistics
import time

import pytest

from gridground.territory.check import check_columns
from gridground.territory.features import read_features
from gridground.territory.front import without_collector
from gridground.territory.mapping import LayerMap
from gridground.territory.shapes import build

COUNT = 100_000
LARGEST_RATIO = 0.8
ROUNDS = 7

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def spans_file(tmp_path_factory):
    def place(n):
        return [round(-100 + (n % 1000) * 4e-4, 7), round(40 + n // 1000 * 4e-4, 7)]

    features = [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": [place(n), place(n + 1)]},
            "properties": {
                "span_id": f"S{n}", "circuit_id": f"F{n // 5000}", "from_pole": f"P{n}",
                "to_pole": f"P{n + 1}", "phases": "ABC", "kind": "overhead",
                "conductor": "#4 ACSR 6/1", "neutral_conductor": "#4 ACSR 6/1",
                "construction": "IEEE 500", "length_m": round(37 + n % 7 * 0.1, 1),
            },
        }
        for n in range(COUNT)
    ]  # fmt: skip
    path = tmp_path_factory.mktemp("bench") / "spans.geojson"
    text = json.dumps({"type": "FeatureCollection", "features": features}, separators=(",", ":"))
    path.write_text(text, encoding="utf-8")
    return path


def read_strictly(path):
    """Bytes, JSON, structure, columns with their rules, geometry: one layer as it is read."""
    with without_collector():
        read = read_features(path, "spans")
        judged = check_columns(read, LayerMap(path.name, {}))
        geometry, problems = build(read, read.namer("span_id"))
        assert not problems
        assert not judged.problems
    return judged.columns, geometry


def test_reading_spans_against_the_usual_reader(benchmark, spans_file):
    import geopandas

    columns, geometry = read_strictly(spans_file)
    frame = geopandas.read_file(spans_file)  # both warm
    assert list(columns["span_id"]) == list(frame["span_id"])
    assert all(a.equals(b) for a, b in zip(geometry[:100], frame.geometry[:100], strict=True))
    del frame, columns, geometry
    ours, theirs = [], []
    for _ in range(ROUNDS):  # in turns, so that a busy machine slows both
        start = time.perf_counter()
        read_strictly(spans_file)
        ours.append(time.perf_counter() - start)
        start = time.perf_counter()
        geopandas.read_file(spans_file)
        theirs.append(time.perf_counter() - start)
    ratio = statistics.median(ours) / statistics.median(theirs)
    benchmark.extra_info["ratio"] = round(ratio, 3)
    benchmark.extra_info["best_ratio"] = round(min(ours) / min(theirs), 3)
    benchmark.pedantic(read_strictly, args=(spans_file,), rounds=1)
    assert min(ours) / min(theirs) <= LARGEST_RATIO, benchmark.extra_info
