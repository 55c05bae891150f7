"""The house: what may import what, how long a module may be, and what stays out of the words."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "gridground"
MODULES = sorted(PACKAGE.rglob("*.py"))
# From the top of the house down: a module imports only from its own floor or above.
FLOORS = (
    ("errors",),
    ("units", "figures"),
    ("tables",),
    ("job", "ground", "record"),
    ("territory",),
    ("keys",),
    ("jobvalues", "jobsizes", "jobclearance", "jobkit", "jobtraffic"),
    ("jobrod", "jobplaces", "jobsettled", "jobfile"),
    ("revision",),
    ("electrical",),
    ("grounding",),
    ("studies", "joined"),
    ("scene", "method", "shortage", "choice"),
    (
        *("rests", "settle", "outside", "zoning", "roads", "roadwork", "wayside", "beside"),
        *("fieldwork", "rodfinding", "rodtold", "vehicle", "vehicle_zone", "sightings", "hangs"),
        "crossings",
    ),
    (
        "document",
        "worker",
        "checks",
        "kit",
        "materials",
        "picture",
        "words",
        "rodwords",
        "cautions",
        "options",
        "parted",
        "crews",
        "clearance",
    ),
    ("plan",),
    ("jobmap", "gis", "export", "pdf"),
    ("revising", "terminal"),
    ("sharing", "summary", "former", "differences", "folder", "faulttable"),
    ("cli", "__main__"),
)
FLOOR = {name: level for level, names in enumerate(FLOORS) for name in names}


def floor_of(module):
    """Return the floor of a dotted name without the package."""
    return FLOOR[module.split(".")[0]]


def imports_of(file):
    """Return the package's own modules that a file imports, type checking apart."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and id(node) not in for_types:
            assert node.level == 0, f"{file}: relative import"
            if node.module and node.module.startswith("gridground."):
                yield node.module.removeprefix("gridground.")


@pytest.mark.parametrize("file", MODULES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_imports_only_from_above(file):
    name = ".".join(file.relative_to(PACKAGE).with_suffix("").parts)
    if name == "__init__":
        return
    wrong = [m for m in imports_of(file) if floor_of(m) > floor_of(name)]
    assert wrong == []


@pytest.mark.parametrize("file", MODULES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_no_module_is_longer_than_400_lines(file):
    assert len(file.read_text(encoding="utf-8").splitlines()) <= 400


def test_top_level_holds_the_agreed_names_only():
    agreed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    agreed |= {"gridground", "tests", "sample_data", "maps", "build", "out"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert {name for name in found if not name.endswith(".egg-info")} <= agreed


def test_pages_name_no_outside_address():
    for page in (ROOT / "maps").glob("*.html"):
        markup = re.sub(r"<script.*?</script>", "", page.read_text(encoding="utf-8"), flags=re.S)  # noqa: FURB167
        assert re.findall(r'(?:src|href)="https?://', markup) == []
