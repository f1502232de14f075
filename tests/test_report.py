"""The report says what the plan says, in words, tables and figures, and names from files do no harm in it."""

from __future__ import annotations

import base64
import hashlib
import re
import xml.etree.ElementTree as ElementTree

import matplotlib
import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st
from invented import random_scenario
from nights import planned
from pages import read_page

from planner.output.figures import DARK, PALETTE
from planner.output.html import night_figures, render_report
from planner.output.run_sheet import night_sums
from planner.output.sentences import at_least_percent, audit_told, score_told
from planner.output.tracks import delay_m, sidereal_time_h, visit_tracks
from planner.scheduling.plan import AuditCheck, AuditReport, SolverReport

SVG = "{http://www.w3.org/2000/svg}"
NAMESPACES = ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink")
HOSTILE = ("<script>alert(1)</script>", r"$\frac{", '& "quotes" onload=x', "naïve 星 $x$")


def of_night(scenario):
    night, plan = planned(scenario)
    figures = night_figures(night.limits, night.offers, plan)
    return night, plan, figures, render_report(night.limits, night.offers, plan, figures)


@pytest.fixture(scope="module")
def reported():
    return of_night(random_scenario(3, requests=4, telescopes=4, beams=3))


def named(scenario, name):
    """The scenario with this name in every star, telescope, station, line, combiner, site and title."""
    text = scenario.model_dump_json()
    raw = type(scenario).model_validate_json(text).model_dump()
    for request in raw["requests"]:
        request["star"]["name"] += f" {name}"
        request["extras"]["target"] = request["star"]["name"]
    for star in raw["calibrators"]:
        star["name"] += f" {name}"
    for key in ("telescopes", "delay_lines", "stations"):
        for part in raw["array"][key]:
            part["name"] += f" {name}"
    for telescope in raw["array"]["telescopes"]:
        telescope["station"] += f" {name}"
    raw["array"]["site"]["name"] = name
    raw["title"] = name
    raw["array"]["combiners"][0]["name"] = name
    for request in raw["requests"]:
        request["combiner"] = name
    return type(scenario).model_validate(raw)


@pytest.fixture(scope="module", params=HOSTILE, ids=["markup", "mathematics", "quotes", "scripts"])
def hostile(request):
    return request.param, of_night(
        named(random_scenario(3, requests=2, telescopes=3, beams=2), request.param)
    )


def test_there_is_something_to_report(reported):
    _, plan, _, _ = reported
    assert len(plan.visits) >= 3


def test_every_figure_is_drawn_titled_and_named_by_numbers(reported):
    _, plan, figures, _ = reported
    numbers = [f"R{i + 1:02d}" for i, outcome in enumerate(plan.requests) if outcome.visits_planned]
    expected = {"night", "delay", "altitude", "sky"}
    expected |= {f"{kind}-{number}" for number in numbers for kind in ("uv", "vis")}
    assert set(figures) == expected
    for svg in figures.values():
        root = ElementTree.fromstring(svg)
        assert root.tag == f"{SVG}svg"
        assert root.find(f"{SVG}title").text
        assert root.find(f"{SVG}desc").text


def test_each_visit_is_marked_once_in_every_figure_that_it_belongs_to(reported):
    _, plan, figures, _ = reported
    targets = [outcome.target for outcome in plan.requests]
    for number, visit in enumerate(plan.visits):
        key = f"V{number + 1:02d}"
        request = f"R{targets.index(visit.target) + 1:02d}"
        for name, svg in figures.items():
            groups = [
                group
                for group in ElementTree.fromstring(svg).iter(f"{SVG}g")
                if group.get("data-visit") == key
            ]
            belongs = "-" not in name or name.endswith(request)
            assert len(groups) == belongs, f"{key} in {name}"
            if belongs:
                assert groups[0].get("id") == f"{name}-{key}"
                assert len(groups[0]) > 1
                assert groups[0].find(f"{SVG}title").text.startswith(key)


def test_a_page_has_no_id_twice_and_no_link_into_nothing(reported):
    page = read_page(reported[3])
    ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
    assert len(ids) == len(set(ids))
    targets = [
        element.attributes[name]
        for element in page.all()
        for name in ("href", "xlink:href")
        if name in element.attributes
    ]
    targets += re.findall(r"url\((#[^)]+)\)", reported[3])
    assert targets
    assert {target.removeprefix("#") for target in targets} <= set(ids)


def test_the_first_picture_leads_to_every_visit(reported):
    _, plan, _, text = reported
    links = [a.attributes["href"] for a in read_page(text).all("svg")[0].all("a")]
    assert sorted(links) == [f"#visit-{visit.id}" for visit in plan.visits]


def test_the_table_of_visits_says_what_the_plan_says(reported):
    _, plan, _, text = reported
    rows = read_page(text).all("section", id="visits")[0].all("tr")[1:]
    assert len(rows) == len(plan.visits)
    for row, visit in zip(rows, plan.visits, strict=True):
        cells = [cell.text() for cell in row.children if not isinstance(cell, str)]
        first, last = visit.steps[0], visit.steps[-1]
        times = (first.setup_start_utc, first.start_utc, visit.latest_start_utc, last.end_utc)
        assert cells[0] == visit.id
        for cell, time in zip(cells[1:3] + cells[4:6], times, strict=True):
            assert cell == time[11:19].removesuffix(":00")
        assert cells[6:9] == [visit.target, visit.combiner, "–".join(visit.subarray)]
        assert cells[9:11] == [str(len(visit.new_cells)), str(visit.value)]


def test_the_run_sheet_says_where_every_carriage_stands(reported):
    _, plan, _, text = reported
    page = read_page(text)
    for visit in plan.visits:
        article = page.all("article", id=f"visit-{visit.id}")[0]
        rows = article.all("tbody")[0].all("tr")
        assert len(rows) == len(visit.subarray)
        for row, number in zip(rows, range(len(visit.subarray)), strict=True):
            told = row.text()
            for step in visit.steps:
                beam = step.beams[number]
                assert beam.telescope in told
                assert beam.delay_line in told
                assert f"{beam.delay_start_m:.2f} → {beam.delay_end_m:.2f}" in told


def test_the_curves_of_the_carriages_end_where_the_plan_says(reported):
    night, plan, _, _ = reported
    for track in visit_tracks(night.limits, plan):
        for step in track.steps:
            drawn = delay_m(night.limits, track, step, np.array([step.first, step.last]))
            said = [(beam.delay_start_m, beam.delay_end_m) for beam in step.step.beams]
            assert np.abs(drawn.T - said).max() < 2e-6  # the plan rounds to micrometres


def test_score_bound_and_left_out_requests_are_told(reported):
    _, plan, _, text = reported
    page = read_page(text)
    verdict = page.all("p", class_="verdict")[0].text()
    assert f"{plan.solver.score:,}" in verdict
    assert "proven optimal" in verdict if plan.solver.status == "optimal" else "at least" in verdict
    requests = page.all("section", id="requests")[0].all("tr")[1:]
    for row, outcome in zip(requests, plan.requests, strict=True):
        cells = [cell.text() for cell in row.children if not isinstance(cell, str)]
        assert cells[1:3] == [outcome.target, outcome.combiner]
        numbers = outcome.priority, outcome.visits_wanted, outcome.visits_planned
        more = outcome.cells_filled, outcome.cells_reachable, outcome.feasible_starts
        assert cells[3:9] == [str(number) for number in (*numbers, *more)]
        assert cells[9] == (outcome.reason or "")


def test_the_dark_hours_are_spent_without_remainder(reported):
    _, plan, _, _ = reported
    sums = night_sums(plan)
    assert sums.science + sums.calibrators + sums.setup + sums.spare == pytest.approx(sums.dark)
    assert min(sums.science, sums.calibrators, sums.setup) > 0
    assert sums.spare >= 0


def test_the_page_asks_for_nothing_from_outside(reported):
    text = reported[3]
    for namespace in NAMESPACES:
        text = text.replace(f'"{namespace}"', '""')
    assert "http" not in text.replace("http-equiv", "")
    page = read_page(text)
    assert not page.all("link") + page.all("img") + page.all("iframe") + page.all("object")
    assert not [e for e in page.all() if "src" in e.attributes or "srcset" in e.attributes]
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)


def test_the_page_runs_its_own_script_only(reported):
    page = read_page(reported[3])
    (script,) = page.all("script")
    (source,) = script.children
    digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
    (policy,) = page.all("meta", http_equiv="Content-Security-Policy")
    assert f"script-src 'sha256-{digest}'" in policy.attributes["content"]
    assert policy.attributes["content"].startswith("default-src 'none'")


def test_names_from_files_do_no_harm_in_the_page(hostile):
    name, (_, plan, _, text) = hostile
    page = read_page(text)
    assert len(page.all("script")) == 1
    assert not [key for e in page.all() for key in e.attributes if key.startswith("on")]
    assert plan.visits
    seen = re.sub(r"\s+", " ", name)
    assert seen in page.all("h1")[0].text()
    assert seen in page.all("section", id="visits")[0].text()
    assert "alert(1)" not in page.all("script")[0].text()


def test_names_from_files_do_no_harm_in_figures(hostile):
    _, (_, plan, figures, _) = hostile
    for svg in figures.values():
        root = ElementTree.fromstring(svg)
        assert not list(root.iter(f"{SVG}script"))
        for element in root.iter():
            assert not [key for key in element.attrib if key.startswith("on")]
            assert re.fullmatch(r"[A-Za-z0-9-]*", element.get("id", ""))
    words = [text.text for text in ElementTree.fromstring(figures["night"]).iter(f"{SVG}text")]
    target = plan.visits[0].target
    shown = [word for word in words if word.startswith(target[:8])]
    assert shown, "the name stands in the picture as it is, cut to its length"
    for word in shown:
        assert target.startswith(word.rstrip("…"))


def test_no_figure_on_the_page_keeps_a_colour_of_its_own(reported):
    for svg in read_page(reported[3]).all("svg"):
        for element in svg.all():
            for name in ("style", "fill", "stroke"):
                assert not re.search(r"#[0-9a-f]{6}", element.attributes.get(name, ""))


def luminance(colour):
    """Relative luminance of WCAG 2.1."""
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


@pytest.mark.parametrize("palette", [PALETTE, DARK], ids=["light", "dark"])
def test_words_and_marks_stand_out_from_their_ground(palette):
    # W3C, Web Content Accessibility Guidelines 2.1, 1.4.3 and 1.4.11: 4.5 for text, 3 for marks.
    assert set(palette) == set(PALETTE)

    def contrast(one, other):
        high, low = sorted((luminance(palette[one]), luminance(palette[other])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for ground in ("paper", "panel"):
        assert min(contrast("ink", ground), contrast("soft", ground)) >= 4.5
        assert min(contrast("science", ground), contrast("calibrator", ground)) >= 3.0
    assert contrast("star", "night") >= 4.5
    assert min(contrast("ink", name) for name in ("civil", "nautical", "astronomical")) >= 4.5


def test_the_same_night_is_drawn_the_same_twice_whatever_the_user_has_set(reported):
    night, plan, figures, _ = reported
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red", "svg.hashsalt": "mine"}):
        before = dict(matplotlib.rcParams)
        again = night_figures(night.limits, night.offers, plan)
        assert dict(matplotlib.rcParams) == before
    assert again == figures


def test_a_night_without_a_visit_is_reported_too():
    scenario = random_scenario(3, requests=2, telescopes=3, beams=2)
    sunk = [
        request.model_copy(update={"star": request.star.model_copy(update={"dec_deg": 80.0})})
        for request in scenario.requests
    ]
    _, plan, figures, text = of_night(scenario.model_copy(update={"requests": tuple(sunk)}))
    assert plan.visits == ()
    assert set(figures) == {"night"}
    page = read_page(text)
    assert "Nothing can be planned tonight." in page.all("p", class_="verdict")[0].text()
    told = page.all("section", class_="left-out")[0].text()
    for outcome in plan.requests:
        assert outcome.reason in told
    assert "The planner moves nothing" in page.text()


def solver(score, bound, made_by="cp-sat", status="feasible"):
    gap = (bound - score) / bound if bound else 0.0
    return SolverReport(
        made_by=made_by,
        status=status,
        score=score,
        bound=bound,
        gap=gap,
        effort=1.0,
        candidates=5810,
        solver="s",
    )


def test_the_score_is_said_with_its_bound_and_never_rounded_up():
    told = score_told(solver(701, 706))
    assert told.headline.startswith("This plan is worth 701 of at most 706: at least 99.2 %")
    assert "5,810 candidate visits" in told.detail


def test_an_optimal_plan_is_called_so_and_a_greedy_one_too():
    assert "proven optimal" in score_told(solver(706, 706, status="optimal")).headline
    assert "proven optimal" in score_told(solver(706, 706, "greedy", "optimal")).headline
    told = score_told(solver(600, 706, "greedy"))
    assert "greedy" in told.headline
    assert "unproven" in told.headline
    assert "706" in told.detail


@given(st.integers(0, 10**6), st.integers(1, 10**6))
def test_at_least_is_never_more_than_it_is(score, more):
    bound = score + more
    assert 0 <= float(at_least_percent(score, bound)) * bound <= 100.0 * score + 1e-6 * bound


def test_an_audit_that_fails_or_is_missing_cannot_be_overlooked(reported):
    night, plan, figures, text = reported
    checks = (
        AuditCheck(name="stroke", passed=False, checked=12, worst="V01 is 0.3 m outside"),
        AuditCheck(name="altitude", passed=True, checked=8, worst="V02, 3 deg"),
    )
    failed = plan.model_copy(update={"audit": AuditReport(passed=False, checks=checks)})
    page = read_page(render_report(night.limits, night.offers, failed, figures))
    (alarm,) = page.all("p", role="alert")
    assert alarm.text().startswith("AUDIT FAILED")
    assert "V01 is 0.3 m outside" in alarm.text()
    assert "NOT AUDITED" in read_page(text).all("p", role="alert")[0].text()
    passed = AuditReport(passed=True, checks=checks[1:])
    good = read_page(
        render_report(night.limits, night.offers, plan.model_copy(update={"audit": passed}), figures)
    )
    assert not good.all("p", role="alert")
    assert good.all("p", role="status")[0].text().startswith(audit_told(passed).headline)


def test_sidereal_time_is_that_of_the_almanac():
    # Greenwich mean sidereal time at 2000-01-01 12:00 UT1 is 18 h 41 min 50.548 s (Astronomical Almanac;
    # from memory). UT1-UTC was 0.36 s and the equation of the equinoxes -0.85 s.
    noon = Time("2000-01-01T12:00:00", scale="utc")
    almanac = 18.0 + 41.0 / 60.0 + (50.548 + 0.36 - 0.85) / 3600.0
    assert sidereal_time_h(noon, 0.0) == pytest.approx(almanac, abs=0.05 / 3600.0)
    assert sidereal_time_h(noon, 30.0) == pytest.approx(almanac + 2.0, abs=0.05 / 3600.0)
