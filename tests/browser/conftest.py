"""Headless Chromium for the pages, offline and with a fresh profile."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


def _binary(variable: str, *names: str) -> str | None:
    """Return a program named by the environment or found on the path."""
    return os.environ.get(variable) or next(filter(None, map(shutil.which, names)), None)


class Browser:
    """One browser window and what the tests ask of it."""

    def __init__(self, driver, folder: Path) -> None:
        self.driver = driver
        self.folder = folder
        self.count = 0

    def command(self, name: str, **values):
        return self.driver.execute_cdp_cmd(name, values)

    def size(self, width: int, height: int) -> None:
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def open(self, html: str | bytes) -> str:
        """Write a page to disk, open it from there, return its address."""
        self.count += 1
        path = self.folder / f"page-{self.count}.html"
        path.write_bytes(html.encode() if isinstance(html, str) else html)
        self.driver.get_log("performance")
        self.driver.get_log("browser")
        self.driver.get(path.as_uri())
        return path.as_uri()

    def run(self, script: str, *values):
        return self.driver.execute_script(script, *values)

    def status(self) -> str:
        return self.run("var s = document.getElementById('status'); return s ? s.innerText : '';")

    def requests(self) -> list[str]:
        """Return every address that was asked for since the page was opened."""
        messages = (
            json.loads(row["message"])["message"] for row in self.driver.get_log("performance")
        )
        return [
            message["params"]["request"]["url"]
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        return [row["message"] for row in self.driver.get_log("browser")]


@pytest.fixture(scope="session")
def chromium(tmp_path_factory):
    """A browser for the whole session."""
    webdriver = pytest.importorskip("selenium.webdriver")
    service = pytest.importorskip("selenium.webdriver.chrome.service")
    binary = _binary("CHROMIUM", "chromium", "chromium-browser", "google-chrome")
    chromedriver = _binary("CHROMEDRIVER", "chromedriver")
    if not binary or not chromedriver:
        pytest.skip("no Chromium or no chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for flag in FLAGS:
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=service.Service(chromedriver))
    made = Browser(driver, tmp_path_factory.mktemp("pages"))
    made.command("Network.enable")
    made.command(
        "Network.emulateNetworkConditions",
        offline=True,
        latency=0,
        downloadThroughput=-1,
        uploadThroughput=-1,
    )
    yield made
    driver.quit()


@pytest.fixture
def browser(chromium):
    """The browser at desktop size."""
    chromium.command("Emulation.setScriptExecutionDisabled", value=False)
    chromium.command("Emulation.setCPUThrottlingRate", rate=1)
    chromium.command("Emulation.setEmulatedMedia", media="")
    chromium.size(1440, 900)
    return chromium


@pytest.fixture
def scriptless(browser):
    """The same browser with script refused."""
    browser.command("Emulation.setScriptExecutionDisabled", value=True)
    yield browser
    browser.command("Emulation.setScriptExecutionDisabled", value=False)
