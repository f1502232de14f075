"""The report in a browser: it lights up, prints, fits a telephone, and asks nobody for anything."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest
from invented import random_scenario
from nights import planned
from test_calmer import document
from test_calmer_rules import sharing

from planner.output.html import night_figures, render_report
from planner.output.tracks import clock

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
LIT = "[...document.querySelectorAll('[data-visit]')].filter((e) => e.classList.contains('on'))"

# A4 landscape within the margins of the page's own style sheet, in CSS pixels (96 to the inch).
PAPER_PX = {"width": round((297 - 24) / 25.4 * 96), "height": round((210 - 24) / 25.4 * 96)}
# Each run of words that can be seen: its colour, and the nearest ground that is painted behind it.
CONTRASTS = """() => {
  const seen = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const light = (colour) => seen(colour).slice(0, 3).map((part) => part / 255)
    .map((c) => c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if ((seen(colour)[3] ?? 1) > 0.99) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const star = getComputedStyle(document.documentElement).getPropertyValue("--star").trim();
  const probe = document.body.appendChild(document.createElement("i"));
  probe.style.color = star;
  const onNight = getComputedStyle(probe).color;
  probe.remove();
  while (walker.nextNode()) {
    const node = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || ["SCRIPT", "STYLE", "title"].includes(node.tagName)) continue;
    if (!node.getClientRects().length) continue;
    const drawn = node instanceof SVGElement;
    const ink = drawn ? getComputedStyle(node).fill : getComputedStyle(node).color;
    if (drawn && ink === onNight) continue;  // on the strip of the night, which the palette's test judges
    const behind = ground(drawn ? node.closest("svg").parentElement : node);
    const [high, low] = [light(ink), light(behind)].sort((a, b) => b - a);
    found.push([(high + 0.05) / (low + 0.05), walker.currentNode.data.trim().slice(0, 40)]);
  }
  return found;
}"""

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


@pytest.fixture
def handing_on(browser, tmp_path_factory):
    """A night in which visits hand a calibrator on."""
    night = sharing()
    plan = document(night)
    figures = night_figures(night.limits, night.offers, plan)
    file = tmp_path_factory.mktemp("sharing") / "report.html"
    file.write_text(render_report(night.limits, night.offers, plan, figures), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(file.as_uri())
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
    assert page.evaluate("document.activeElement.id") == "visit-V02"
    assert set(lit(page)) == {"V02"}


def test_from_a_visit_the_keyboard_leads_to_its_neighbours_and_back_to_the_list(page, report):
    last = f"V{len(report[0].visits):02d}"
    page.locator("#row-V01").focus()
    page.keyboard.press("Enter")
    seen = []
    for key in ("ArrowRight", "ArrowRight", "ArrowLeft", "ArrowLeft", "ArrowLeft"):
        page.keyboard.press(key)
        seen.append(page.evaluate("document.activeElement.id"))
        assert {f"visit-{key}" for key in lit(page)} == {seen[-1]}
    assert seen == ["visit-V02", "visit-V03", "visit-V02", "visit-V01", "visit-V01"]
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")  # the first link of a visit without one before it leads to the list
    assert page.evaluate("document.activeElement.id") == "row-V01"
    page.locator(f"#visit-{last} .steer a").first.click()
    assert page.evaluate("document.activeElement.id") == f"visit-V{len(report[0].visits) - 1:02d}"


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


def test_on_a_small_screen_the_visits_are_read_without_scrolling(page, report):
    page.set_viewport_size({"width": 390, "height": 844})
    table = page.locator("#visits .wide")
    assert table.evaluate("(e) => e.scrollWidth <= e.clientWidth")
    told = table.inner_text()
    for visit in report[0].visits:
        assert visit.steps[0].start_utc[11:16] in told
        assert visit.target in told
        assert visit.subarray[-1] in told


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


def test_a_plan_that_nobody_checked_says_so_on_paper_too(page):
    # Printers leave grounds out unless the page asks for them, and the warning is written in white.
    page.emulate_media(media="print")
    stamp = "getComputedStyle(document.querySelector('.stamp.missing'))"
    assert page.evaluate(f"{stamp}.printColorAdjust") == "exact"
    assert page.evaluate(f"{stamp}.backgroundColor") != "rgba(0, 0, 0, 0)"


def test_an_exposure_that_two_visits_share_lights_both_up(handing_on):
    page = handing_on
    page.locator("#night-V01-V02 path").nth(1).hover(force=True)
    found = set(lit(page))
    assert {"V01", "V02", "V01 V02"} <= found
    assert not found & {"V03", "V04", "V03 V04"}
    page.locator("h1").hover()
    page.locator("#visits a[href='#visit-V02']").focus()
    assert set(lit(page)) == {"V02", "V01 V02", "V02 V03"}


def test_nothing_moves_for_those_who_asked_for_that(page):
    lasting = "getComputedStyle(document.querySelector('svg .visit')).transitionDuration"
    assert page.evaluate(lasting) != "0s"
    page.emulate_media(reduced_motion="reduce")
    assert page.evaluate(lasting) == "0s"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_can_be_read_on_the_ground_they_stand_on(page, scheme):
    # W3C, Web Content Accessibility Guidelines 2.1, 1.4.3: a contrast of 4.5 for text.
    page.emulate_media(color_scheme=scheme)
    found = page.evaluate(CONTRASTS)
    assert len(found) > 300
    assert [one for one in found if one[0] < 4.5] == []
    page.locator("#visits tr[data-visit] a").first.focus()
    assert [one for one in page.evaluate(CONTRASTS) if one[0] < 4.5] == []


def test_every_figure_is_told_to_those_who_do_not_see_it(page):
    told = page.evaluate(
        "[...document.querySelectorAll('svg')].map((e) => [e.role, e.getAttribute('aria-label')])"
    )
    assert len(told) >= 6
    for role, words in told:
        assert role in ("img", "group")
        assert re.search(r"the tables? (of .+ )?(says?|gives?) ", words)


def test_boxes_to_tick_are_on_paper_only_and_one_for_each_step(page, report):
    boxes = page.locator(".ticks i")
    assert boxes.count() == sum(len(visit.steps) for visit in report[0].visits)
    assert not boxes.first.is_visible()
    page.set_viewport_size(PAPER_PX)
    page.emulate_media(media="print")
    for place in range(boxes.count()):
        box = boxes.nth(place).bounding_box()
        assert box["width"] == pytest.approx(box["height"], abs=0.1)
        assert box["width"] > 3.0 / 25.4 * 96.0  # 3 mm, enough for a pencil
    line = page.locator(".ticks .note u").first.bounding_box()
    assert line["width"] > 30.0 / 25.4 * 96.0
    in_table = "getComputedStyle(document.querySelector('#visits tbody th'), '::before').borderTopStyle"
    assert page.evaluate(in_table) == "solid"
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER_PX["width"]


def test_on_a_telephone_the_list_of_visits_has_end_latest_start_and_combiner(page, report):
    page.set_viewport_size({"width": 390, "height": 844})
    for visit in report[0].visits:
        row = page.locator(f"#visits tr[data-visit={visit.id}]")
        text = row.inner_text()
        for told in (visit.id, clock(visit.steps[0].start_utc), clock(visit.latest_start_utc)):
            assert told in text
        assert clock(visit.steps[-1].end_utc) in text
        assert visit.combiner in text
        box = row.bounding_box()
        assert box["x"] + box["width"] <= 390
    assert page.evaluate("document.querySelector('#visits .wide').scrollWidth") <= 390


def test_no_page_break_cuts_a_visit_or_a_target(page):
    page.set_viewport_size(PAPER_PX)
    page.emulate_media(media="print")
    found = page.evaluate(
        "[...document.querySelectorAll('article')]"
        ".map((e) => [getComputedStyle(e).breakInside, e.offsetHeight])"
    )
    assert found
    for rule, height in found:
        assert rule == "avoid"
        assert height <= PAPER_PX["height"]
    heads = "[...document.querySelectorAll('thead')].map((e) => getComputedStyle(e).display)"
    assert set(page.evaluate(heads)) == {"table-header-group"}  # repeated where a table goes on


def test_the_printed_sheet_has_few_pages_and_each_says_whose_night_it_is(page, report, tmp_path):
    plan, file = report[0], tmp_path / "sheet.pdf"
    page.pdf(path=str(file), prefer_css_page_size=True)
    served = sum(request.visits_planned > 0 for request in plan.requests)
    # First screen, visits, run sheet (three visits or more a page), carriages, sky, targets (two or three a
    # page), requests, what it rests on (the audit's table may need three), safety.
    most = 1 + 1 + -(-len(plan.visits) // 3) + 1 + 2 + -(-served // 2) + 1 + 3 + 1
    sheets = len(re.findall(rb"/Type\s*/Page\b", file.read_bytes()))
    assert 7 <= sheets <= most
    if shutil.which("pdftotext") is None:
        return
    done = subprocess.run(["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True)
    texts = done.stdout.split("\f")[:-1]
    assert len(texts) == sheets
    assert all(plan.scenario.title in text for text in texts)
    run = [text for text in texts if "done, started" in text]
    assert sum(text.count("done, started") for text in run) == sum(len(visit.steps) for visit in plan.visits)
    whole = [text.count("If it fails?") for text in run]
    assert sum(whole) == len(plan.visits)
    for text, count in zip(run, whole, strict=True):
        assert len(re.findall(r"^ *V\d\d target", text, re.MULTILINE)) == text.count("note") == count
