"""A copy of the small territory in which one thing is broken."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from gridground.territory.read import judge_territory

SMALL = Path(__file__).parent.parent / "networks" / "small"


class Copy:
    """The copy: change it, judge it, compare."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def features(self, layer, change):
        """Let `change` alter the list of features of a layer."""
        path = self.folder / f"{layer}.geojson"
        document = json.loads(path.read_text(encoding="utf-8"))
        change(document["features"])
        path.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")

    def put(self, layer, row, **values):
        """Set properties of one feature."""
        self.features(layer, lambda features: features[row]["properties"].update(values))

    def drop(self, layer, row, key):
        """Take a property away."""
        self.features(layer, lambda features: features[row]["properties"].pop(key))

    def write(self, name, data):
        """Write a file as bytes or text."""
        path = self.folder / name
        if isinstance(data, bytes):
            path.write_bytes(data)
        else:
            path.write_text(data, encoding="utf-8")

    def text(self, name):
        """Return a file as text."""
        return (self.folder / name).read_text(encoding="utf-8")

    def judge(self):
        """Judge the copy."""
        return judge_territory(self.folder)

    def only(self):
        """Return the single problem of the copy."""
        problems = self.judge().problems
        assert len(problems) == 1, "\n".join(f"{p.level} {p.sentence()}" for p in problems)
        return problems[0]

    def expect(self, level, layer, field, ids, words):
        """Assert that exactly one problem is reported, and what it says."""
        judgement = self.judge()
        told = "\n".join(f"{p.level} {p.sentence()}" for p in judgement.problems)
        assert len(judgement.problems) == 1, told
        problem = judgement.problems[0]
        assert (problem.level, problem.layer, problem.field) == (level, layer, field), told
        assert problem.feature_ids == tuple(ids), told
        assert words in f"{problem.found}. {problem.remedy}", told
        assert problem.remedy, told
        assert judgement.ok is (level != "reject")
        assert (judgement.territory is None) is (level == "reject")


@pytest.fixture
def copy(tmp_path):
    folder = tmp_path / "small"
    shutil.copytree(SMALL, folder)
    return Copy(folder)
