"""The page in a second engine, WebKit as Debian packs it: is it whole, drawn, ticked, at night."""

from __future__ import annotations

import os
import shutil
import subprocess
import warnings

import pytest

from gridground.jobmap.page import page_html
from tests.plan_example import example_document, finished, settled_document

pytestmark = pytest.mark.browser

SHOWN = "return document.getElementById('status').innerText"


@pytest.fixture(scope="module")
def webkit(tmp_path_factory):
    """WebKit's small browser on a screen that nobody sees."""
    webdriver = pytest.importorskip("selenium.webdriver")
    driver, screen = shutil.which("WebKitWebDriver"), shutil.which("Xvfb")
    if not driver or not screen:
        pytest.skip("no WebKitWebDriver or no Xvfb")
    read, write = os.pipe()
    shown = subprocess.Popen(
        [screen, "-displayfd", str(write), "-screen", "0", "1180x820x24", "-nolisten", "tcp"],
        pass_fds=[write],
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as told:
        number = told.readline().strip()
    home = tmp_path_factory.mktemp("webkit")
    own = {**os.environ, "DISPLAY": f":{number}", "HOME": str(home), "GDK_BACKEND": "x11"}
    own |= {"WEBKIT_DISABLE_COMPOSITING_MODE": "1", "LIBGL_ALWAYS_SOFTWARE": "1"}
    own |= {"WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1"}  # a container grants no name spaces
    service = webdriver.WebKitGTKService(driver, env=own)
    options = webdriver.WebKitGTKOptions()
    made = None
    try:
        with warnings.catch_warnings():  # selenium's own class calls itself in an old way
            warnings.simplefilter("ignore", DeprecationWarning)
            made = webdriver.WebKitGTK(options=options, service=service)
        yield made
    finally:
        if made:
            made.quit()
        shown.terminate()
        shown.wait(10)


def test_webkit_agrees_on_ready_not_ready_and_altered(webkit, tmp_path):
    ready = page_html(finished(settled_document()))
    pages = {
        "READY per plan": ready,
        "NOT READY: 2 open items": page_html(finished(example_document())),
        "NOT FOR USE": ready.replace("must be P19. </b>", "must be P18. </b>", 1),
    }
    for number, (word, html) in enumerate(pages.items()):
        path = tmp_path / f"{number}.html"
        path.write_text(html, encoding="utf-8")
        webkit.get(path.as_uri())
        assert webkit.execute_script(SHOWN).startswith(word)
        assert webkit.execute_script("return gridground.drawn.length") == 6
        assert webkit.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    webkit.get((tmp_path / "0.html").as_uri())
    webkit.execute_script("document.querySelector('#shades [data-shade=night]').click()")
    webkit.execute_script("document.getElementById('task-open').click()")
    back = webkit.execute_script(
        "return getComputedStyle(document.body.parentNode).backgroundColor"
    )
    assert back == "rgb(16, 16, 16)"
    webkit.execute_script("document.getElementById('tick-who').value = 'J. R.'")
    webkit.execute_script(
        "document.getElementById('tick-who').dispatchEvent(new Event('input'));"
        "document.querySelector('.task button.tick').click()"
    )
    said = webkit.execute_script("return document.getElementById('task-say').textContent")
    done = webkit.execute_script("return document.getElementById('task-done').textContent")
    assert "ticked by J. R." in said + done
