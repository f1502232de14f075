"""The pages of feasibility in a browser and on paper: a sheet is one page, nothing sticks out sideways."""

from __future__ import annotations

import re
import shutil

import pytest
from answered import answered, simply_drawn, with_season

from planner.output.feasibility_page import render_feasibility, render_sheet
from planner.output.feasibility_sheet import target_sheets

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason="Debian's chromium is not installed"),
]


@pytest.fixture(scope="module")
def found():
    return with_season(answered())


@pytest.fixture(scope="module")
def figures(found):
    return {name: drawn.svg for name, drawn in simply_drawn(found).items()}


@pytest.fixture(scope="module")
def usual(found, figures):
    return found, figures


@pytest.fixture(scope="module")
def text(found, figures):
    return render_feasibility(found, figures)


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def longest():
    """Names as long as a scenario can hold, many of everything."""
    found = with_season(answered(" of a very long name that goes on and on, to see what becomes of it"), 3)
    return found, {name: drawn.svg for name, drawn in simply_drawn(found, (1180.0, 820.0)).items()}


def opened(browser, tmp_path, text, width=1440):
    file = tmp_path / "page.html"
    file.write_text(text, encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.goto(file.as_uri())
    return page


def sheets_of(found, figures):
    return [render_sheet(found, sheet, figures) for sheet in target_sheets(found)]


def test_a_sheet_is_one_page_of_a4_and_nothing_of_it_is_cut_off(browser, tmp_path, found, figures, longest):
    for number, text in enumerate([*sheets_of(found, figures), *sheets_of(*longest)]):
        page = opened(browser, tmp_path, text)
        printed = page.pdf(prefer_css_page_size=True)
        boxes = [box.split()[2:] for box in re.findall(rb"/MediaBox \[([^\]]*)\]", printed)]
        assert len(boxes) == 1, f"sheet {number}"
        # ISO 216: A4 is 210 mm by 297 mm; a point of PDF is 1/72 inch.
        assert [float(side) for side in boxes[0]] == pytest.approx([595.3, 841.9], abs=1.0)
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 695, "height": 1047})  # A4 less its margins, at 96 to the inch
        inside = page.evaluate(
            "[...document.querySelectorAll('main')].map((e) => e.scrollHeight - e.clientHeight)"
        )
        assert inside == [0]
        heights = page.evaluate("[...document.querySelectorAll('figure svg')].map((e) => e.clientHeight)")
        assert min(heights) > 120
        page.close()


def test_printed_pages_are_filled_also_where_targets_have_long_tables(browser, tmp_path):
    found = answered(decs=(-40.0, -20.0, -35.0, -25.0, -30.0, -28.0))
    drawn = {name: one.svg for name, one in simply_drawn(found, (1180.0, 560.0)).items()}
    page = opened(browser, tmp_path, render_feasibility(found, drawn))
    pages = len(re.findall(rb"/MediaBox ", page.pdf(prefer_css_page_size=True)))
    page.emulate_media(media="print")
    page.set_viewport_size(
        {"width": 703, "height": 1028}
    )  # A4 less the margins of this page, at 96 to the inch
    height = page.evaluate("document.querySelector('main').scrollHeight")
    page.close()
    assert pages * 1028 < 1.25 * height


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_sticks_out_sideways(browser, tmp_path, longest, usual, width):
    for page_text in (
        render_feasibility(*usual),
        render_feasibility(*longest),
        *sheets_of(*usual),
        *sheets_of(*longest),
    ):
        page = opened(browser, tmp_path, page_text, width)
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.close()


def test_the_first_screen_answers(browser, tmp_path, text):
    page = opened(browser, tmp_path, text)
    for place in ("h1", ".verdict", "#night", "#season"):
        box = page.locator(place).first.bounding_box()
        assert box["y"] + box["height"] <= 844, place
    page.close()


def test_ink_and_ground_change_places_in_the_dark_but_not_on_paper(browser, tmp_path, text):
    page = opened(browser, tmp_path, text)
    grey = "getComputedStyle(document.documentElement).getPropertyValue('--paper')"
    page.emulate_media(color_scheme="light", media="screen")
    light = page.evaluate(grey)
    page.emulate_media(color_scheme="dark", media="screen")
    assert page.evaluate(grey) != light
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(grey) == light
    page.close()
