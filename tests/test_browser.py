"""The report in a browser: it lights up, prints, fits a telephone, and asks nobody for anything."""

from __future__ import annotations

import re
import shutil

import pytest
from invented import random_scenario
from nights import planned

from planner.output.html import night_figures, render_report

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
LIT = "[...document.querySelectorAll('[data-visit]')].filter((e) => e.classList.contains('on'))"

pytestmark = pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason="Debian's chromium is not installed")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    night, plan = planned(random_scenario(3, requests=4, telescopes=4, beams=3))
    figures = night_figures(night.limits, night.offers, plan)
    file = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(render_report(night.limits, night.offers, plan, figures), encoding="utf-8")
    return plan, file


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(browser, report):
    """The report as it is opened from the disk; what it complains of or asks for is kept."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.complaints, page.asked = [], []
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(report[1].as_uri())
    yield page
    page.close()


def lit(page):
    """Keys of all marks that are lit, and how many there are."""
    return page.evaluate(f"{LIT}.map((e) => e.dataset.visit)")


def test_the_report_opens_without_a_complaint_and_asks_for_nothing(page, report):
    assert page.complaints == []
    assert page.asked == [report[1].as_uri()]
    assert report[0].scenario.title in page.title()


@pytest.mark.parametrize("place", ["#visits tr[data-visit]", "svg [data-visit]", "article[data-visit]"])
def test_pointing_at_a_visit_lights_it_up_everywhere(page, place):
    marked = page.locator(place).nth(1)
    key = marked.get_attribute("data-visit")
    everywhere = page.locator(f"[data-visit='{key}']").count()
    figures = page.locator(f"svg [data-visit='{key}']").count()
    assert figures >= 6  # night, carriages, altitude, sky, (u, v), visibilities
    (marked.locator("path").first if place.startswith("svg") else marked).hover(force=True)
    found = lit(page)
    assert set(found) == {key}
    assert len(found) == everywhere
    page.locator("h1").hover()
    assert lit(page) == []


def test_reaching_a_visit_with_the_keyboard_lights_it_up_everywhere(page):
    reached = []
    for _ in range(12):
        page.keyboard.press("Tab")
        found = lit(page)
        if found:
            assert len(set(found)) == 1
            assert len(found) == page.locator(f"[data-visit='{found[0]}']").count()
            reached.append(found[0])
    assert reached[:2] == ["V01", "V02"]


def test_a_link_of_the_first_picture_leads_to_the_run_sheet(page):
    page.locator("#run").wait_for()
    link = page.locator("svg a[href='#visit-V02']")
    link.focus()
    page.keyboard.press("Enter")
    top = page.locator("#visit-V02").bounding_box()["y"]
    assert -1 < top < 900


def test_the_first_screen_holds_the_story(page):
    for place in ("h1", ".verdict", ".picture svg", ".stamp", ".left-out li, .left-out p", ".ledger"):
        box = page.locator(place).first.bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 900, place


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_sticks_out_sideways(page, width):
    page.set_viewport_size({"width": width, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert page.evaluate("document.body.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_ink_and_ground_change_places_in_the_dark(page, scheme):
    page.emulate_media(color_scheme=scheme)
    grey = "getComputedStyle(document.body).{}.match(/\\d+/g).slice(0, 3).reduce((a, b) => a + +b, 0)"
    ground, ink = (page.evaluate(grey.format(name)) for name in ("backgroundColor", "color"))
    assert (ground > ink) == (scheme == "light")
    text = page.evaluate(
        "getComputedStyle(document.querySelector('.picture svg text')).fill.match(/\\d+/g)"
        ".slice(0, 3).reduce((a, b) => a + +b, 0)"
    )
    assert (ground > text) == (scheme == "light")


def test_the_report_prints_on_a4(page, tmp_path):
    printed = page.pdf(path=str(tmp_path / "report.pdf"), prefer_css_page_size=True)
    assert printed.startswith(b"%PDF-")
    sides = [box.split()[2:] for box in re.findall(rb"/MediaBox \[([^\]]*)\]", printed)]
    assert len(sides) > 3
    for width, height in sides:
        # ISO 216: A4 is 210 mm by 297 mm; a point of PDF is 1/72 inch.
        assert float(width) == pytest.approx(297.0 / 25.4 * 72.0, abs=1.0)
        assert float(height) == pytest.approx(210.0 / 25.4 * 72.0, abs=1.0)


def test_paper_is_never_dark(page):
    ground = "getComputedStyle(document.documentElement).getPropertyValue('--paper')"
    page.emulate_media(color_scheme="light", media="screen")
    light = page.evaluate(ground)
    page.emulate_media(color_scheme="dark", media="screen")
    assert page.evaluate(ground) != light
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(ground) == light
