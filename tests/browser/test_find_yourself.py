"""Where am I: dot, ring, distance and bearing; refused, absent, moved."""

from __future__ import annotations

import re

import pytest
from pyproj import Geod

from gridground.jobmap.page import page_html
from gridground.units import bearing_text
from tests.plan_example import FRAME, POLES, finished, settled_document

pytestmark = pytest.mark.browser

SIZES = [(390, 844), (768, 1024), (1180, 820)]
SPOT_M = (-20.0, 12.0)  # from P20, the middle of the example


@pytest.fixture(scope="module")
def plan():
    return finished(settled_document())


@pytest.fixture(scope="module")
def page(plan):
    return page_html(plan)


@pytest.fixture
def finder(browser):
    """A browser that is allowed to tell its position."""
    browser.command("Browser.setPermission", permission={"name": "geolocation"}, setting="granted")
    yield browser
    browser.command("Emulation.clearGeolocationOverride")
    browser.command("Browser.setPermission", permission={"name": "geolocation"}, setting="denied")
    browser.open("<!DOCTYPE html><title>empty</title>")
    browser.run("localStorage.clear()")


def stand(browser, spot_m, accuracy_m=4.0):
    lon, lat = FRAME.to_lonlat(*spot_m)
    browser.command(
        "Emulation.setGeolocationOverride",
        latitude=float(lat),
        longitude=float(lon),
        accuracy=accuracy_m,
    )
    return float(lon), float(lat)


def ask(browser):
    browser.run(
        "[...document.querySelectorAll('#buttons button')]"
        ".find(b => b.textContent === 'Where am I').click()"
    )


def panel(browser, word):
    from selenium.webdriver.support.ui import WebDriverWait

    read = "return document.getElementById('panel').innerText"
    WebDriverWait(browser.driver, 10).until(lambda _: word in browser.run(read))
    return browser.run(read)


def test_ways_agree_with_geodesics(browser, page):
    """Independent: pyproj's geodesics on WGS 84, within a thousandth and a tenth of a degree."""
    browser.open(page)
    geod = Geod(ellps="WGS84")
    pairs = [
        ((lon, lat), (lon + east, lat + north))
        for lon, lat in ((-93.265, 44.977), (179.999, -33.0), (10.0, 68.0), (0.0, 0.0))
        for east, north in ((0.0002, 0), (-0.0003, 0.0001), (0.01, -0.02), (0.0, 0.1), (-0.1, 0.05))
    ]
    for start, end in pairs:
        turned = (end[0] + 180) % 360 - 180
        found = browser.run(
            "return gridground.between({lon: arguments[0], lat: arguments[1]},"
            " {lon: arguments[2], lat: arguments[3]})",
            *start,
            turned,
            end[1],
        )
        bearing_deg, _, distance_m = geod.inv(*start, *end)
        assert found["distance_m"] == pytest.approx(distance_m, rel=1e-3)
        off_deg = (found["bearing_deg"] - bearing_deg + 180) % 360 - 180
        assert abs(off_deg) < 0.1, (start, end)


def test_nearest_pole_big_and_the_way_to_it(finder, page, plan):
    finder.open(page)
    lon, lat = stand(finder, SPOT_M)
    ask(finder)
    text = panel(finder, "Nearest ground location")
    assert finder.run("return document.querySelector('.herepole').textContent") == "P20"
    size = finder.run(
        "return parseFloat(getComputedStyle(document.querySelector('.herepole')).fontSize)"
    )
    assert size >= 40
    target = next(row for row in plan["locations"] if row["pole_id"] == "P20")
    bearing_deg, _, distance_m = Geod(ellps="WGS84").inv(lon, lat, target["lon"], target["lat"])
    wanted = (
        f"To pole P20: {distance_m / 0.3048:.0f} ft ({distance_m:.1f} m), "
        f"bearing {bearing_text(bearing_deg % 360)}"
    )
    assert wanted in text
    assert "Position good to about 13 ft (4.0 m)" in text
    assert "Read the number on the pole" in text
    inside = finder.run(
        "return gridground.map.getBounds().contains([arguments[0], arguments[1]])", lat, lon
    )
    assert inside
    assert finder.run("return document.querySelectorAll('.mk-here').length") == 1
    assert "L1 P19" in text
    assert "L2 P21" in text


def test_the_chosen_rod_is_found(finder, page, plan):
    finder.open(page)
    lon, lat = stand(finder, (-52.0, -4.0))
    finder.run("document.querySelectorAll('#buttons button')[1].click()")
    ask(finder)
    text = panel(finder, "To its rod place")
    rod = plan["locations"][0]["rod"]
    bearing_deg, _, distance_m = Geod(ellps="WGS84").inv(lon, lat, rod["lon"], rod["lat"])
    feet = f"{distance_m / 0.3048:.0f} ft ({distance_m:.1f} m)"
    feet += f", bearing {bearing_text(bearing_deg % 360)}"
    assert f"To its rod place: {feet}" in text
    assert "within that of the pole" in text


def test_a_pole_without_ground_is_named(finder, page):
    finder.open(page)
    stand(finder, (POLES["P22"][0], POLES["P22"][1]))
    ask(finder)
    text = panel(finder, "Nearest pole on the map: P22")
    assert "The plan sets no ground there" in text
    assert finder.run("return document.querySelector('.herepole').textContent") == "P21"


def test_the_dot_follows_and_stops(finder, page):
    finder.open(page)
    stand(finder, SPOT_M)
    ask(finder)
    panel(finder, "To pole P20: 77 ft")
    stand(finder, (-55.0, 10.0))
    panel(finder, "To pole P19: 46 ft")
    assert finder.run("return document.querySelectorAll('.mk-here').length") == 1
    finder.run("document.querySelector('#panel button').click()")
    assert not finder.driver.find_element("id", "panel").is_displayed()


def test_work_mode_says_the_way_to_the_step(finder, page):
    finder.open(page)
    stand(finder, SPOT_M)
    finder.run("document.getElementById('task-open').click()")
    finder.run("document.querySelector('.whereto button').click()")
    from selenium.webdriver.support.ui import WebDriverWait

    read = "return document.querySelector('.whereto .here').innerText"
    WebDriverWait(finder.driver, 10).until(lambda _: "To pole P19" in finder.run(read))
    assert "To its rod place" in finder.run(read)


def test_without_a_device_for_it_nothing_is_blocked(browser, page):
    made = browser.command(
        "Page.addScriptToEvaluateOnNewDocument",
        source="Object.defineProperty(Navigator.prototype, 'geolocation', { value: undefined });",
    )
    try:
        browser.open(page)
        ask(browser)
        assert "refused or is not available" in panel(browser, "position")
        browser.run("document.getElementById('task-open').click()")
        browser.run("document.querySelector('.whereto button').click()")
        said = browser.run("return document.querySelector('.whereto .here').innerText")
        assert "Read the number on the pole" in said
        assert browser.run("return !!document.querySelector('button.tick')")
    finally:
        browser.command("Page.removeScriptToEvaluateOnNewDocument", identifier=made["identifier"])


@pytest.mark.parametrize("size", SIZES)
def test_found_fits_every_screen(finder, page, size):
    finder.size(*size)
    address = finder.open(page)
    stand(finder, SPOT_M, 60.0)
    ask(finder)
    panel(finder, "Nearest ground location")
    assert finder.run("return document.documentElement.scrollWidth") <= size[0]
    assert re.match("READY", finder.status())
    assert finder.requests() == [address]
    assert finder.complaints() == []
