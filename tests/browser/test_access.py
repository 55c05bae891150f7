"""The page for everybody: names, targets, contrast, keyboard, day and night, by axe-core and by hand."""

from __future__ import annotations

import json
from importlib.resources import files

import pytest

from gridground.jobmap.page import page_html
from tests.plan_example import example_document, finished, settled_document

pytestmark = pytest.mark.browser

RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, { resultTypes: ['violations'] }).then(
  found => done(found.violations.map(v => [v.impact, v.id, v.nodes.slice(0, 4).map(n => n.html.slice(0, 160))])),
  error => done([['failed', String(error), []]]));
"""  # noqa: E501
SCHEMES = ["light", "dark"]


@pytest.fixture(scope="module")
def axe():
    """The code of axe-core (Deque, MPL-2.0), as a package of the test extra carries it."""
    pytest.importorskip("axe_core_python")
    return (files("axe_core_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture(scope="module")
def settled():
    return page_html(finished(settled_document()))


@pytest.fixture(scope="module")
def opened():
    return page_html(finished(example_document()))


def scheme(browser, name):
    """Let the device ask for light or for dark."""
    features = [{"name": "prefers-color-scheme", "value": name}]
    browser.command("Emulation.setEmulatedMedia", media="", features=features)


def findings(browser, axe):
    """Return what axe-core calls serious or critical, and what it could not do."""
    # A script of the driver is not bound by the page's policy.
    browser.run(axe + "; window.axe = axe;")
    found = browser.driver.execute_async_script(RUN)
    return [row for row in found if row[0] in {"serious", "critical", "failed"}]
