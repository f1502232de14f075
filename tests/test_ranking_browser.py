"""The ranking in a browser and on paper: nothing sticks out, the first screen answers, words stand apart."""

from __future__ import annotations

import re
import shutil

import pytest
from ranked import nothing, ranking

from planner.output.ranking_folder import ranking_figures
from planner.output.ranking_page import render_ranking

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason="Debian's chromium is not installed"),
]
LONG = " of a very long name, to see what becomes of it"
# Text over text, as pairs: boxes of all texts of a figure, met by more than a hair in both directions.
OVERLAPS = """(svg) => {
  const boxes = [...svg.querySelectorAll('text')].map((text) => {
    const box = text.getBoundingClientRect();
    const edge = 0.18 * box.height;
    return [text.textContent, box.left, box.right, box.top + edge, box.bottom - edge];
  }).filter((box) => box[0].trim());
  const found = [];
  for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
    const [a, b] = [boxes[i], boxes[j]];
    if (Math.min(a[2], b[2]) - Math.max(a[1], b[1]) > 1 && Math.min(a[4], b[4]) - Math.max(a[3], b[3]) > 1)
      found.push(a[0] + ' | ' + b[0]);
  }
  return found;
}"""


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield browser
        browser.close()


def page_text(found):
    return render_ranking(found, {name: drawn.svg for name, drawn in ranking_figures(found).items()})


@pytest.fixture(scope="module")
def texts():
    return [page_text(found) for found in (ranking(nights=3), ranking(LONG), nothing())]


def opened(browser, tmp_path, text, width=1440, height=844):
    file = tmp_path / "page.html"
    file.write_text(text, encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": height})
    page.goto(file.as_uri())
    return page


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_sticks_out_sideways(browser, tmp_path, texts, width):
    for text in texts:
        page = opened(browser, tmp_path, text, width)
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.close()


def test_on_a_small_screen_tables_need_no_scrolling(browser, tmp_path, texts):
    page = opened(browser, tmp_path, texts[0], 390)
    inside = page.evaluate(
        "[...document.querySelectorAll('section .wide:has(table)')].map((e) => e.scrollWidth - e.clientWidth)"
    )
    assert len(inside) == 3
    assert max(inside) <= 0
    page.close()


def test_the_first_screen_answers(browser, tmp_path, texts):
    page = opened(browser, tmp_path, texts[0])
    for place in ("h1", ".verdict", ".winner", ".worth", ".staying", ".second"):
        box = page.locator(place).first.bounding_box()
        assert box["y"] + box["height"] <= 600, place
    page.close()


def test_no_words_lie_on_others_in_any_figure(browser, tmp_path, texts):
    page = opened(browser, tmp_path, texts[0])
    for name in ("array", "bars", "heat", "planes"):
        # Slanted heads of columns have boxes that meet though the words do not.
        turned = "for (const t of document.querySelectorAll('.heat text[transform]')) "
        page.evaluate(
            f"() => {{ {turned} if (/rotate\\((?!-?0)/.test(t.getAttribute('transform'))) t.remove(); }}"
        )
        figure = page.locator(f"figure.{name} svg").first
        assert figure.evaluate(OVERLAPS) == [], name
    page.close()


def test_no_words_leave_their_figure(browser, tmp_path, texts):
    outside = """(svg) => {
      const edge = svg.getBoundingClientRect();
      return [...svg.querySelectorAll('text')].filter((text) => {
        const box = text.getBoundingClientRect();
        return box.left < edge.left - 1 || box.right > edge.right + 1
          || box.top < edge.top - 1 || box.bottom > edge.bottom + 1;
      }).map((text) => text.textContent);
    }"""
    for text in (*texts[:2], page_text(ranking(LONG, requests=40))):
        page = opened(browser, tmp_path, text)
        for name in ("array", "bars", "heat", "planes"):
            assert page.locator(f"figure.{name} svg").first.evaluate(outside) == [], name
        page.close()


def test_it_prints_on_a4_with_nothing_wider_than_the_sheet(browser, tmp_path, texts):
    page = opened(browser, tmp_path, texts[0])
    printed = page.pdf(prefer_css_page_size=True)
    (box,) = set(re.findall(rb"/MediaBox \[([^\]]*)\]", printed))
    # ISO 216: A4 is 210 mm by 297 mm, here on its side; a point of PDF is 1/72 inch.
    assert [float(side) for side in box.split()[2:]] == pytest.approx([841.9, 595.3], abs=1.0)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 1032, "height": 700})  # A4 less its margins, at 96 to the inch
    assert page.evaluate("document.documentElement.scrollWidth") <= 1032
    page.close()


def test_ink_and_ground_change_places_in_the_dark_but_not_on_paper(browser, tmp_path, texts):
    page = opened(browser, tmp_path, texts[0])
    paper = "getComputedStyle(document.documentElement).getPropertyValue('--paper')"
    page.emulate_media(color_scheme="light", media="screen")
    light = page.evaluate(paper)
    page.emulate_media(color_scheme="dark", media="screen")
    assert page.evaluate(paper) != light
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(paper) == light
    page.close()
