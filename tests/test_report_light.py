"""The report, the tables and the terminal tell the whole light path, and nothing where there is none.

The nights are those of ``scenarios/steps`` and ``scenarios/twostars``, with some of their requests and
little effort.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.table import QTable
from invented import random_scenario
from nights import planned
from pages import read_page

from planner import terminal
from planner.output.figure_delay import delay_figure
from planner.output.html import night_figures, render_report
from planner.output.light_sheet import Optics, change_told
from planner.output.reserved_sheet import pause_rows
from planner.output.run_sheet import night_sums
from planner.output.tables import plan_table, table_text
from planner.output.tracks import delay_m, twilight, visit_tracks
from planner.scenario.reading import read_scenario
from planner.scheduling.plan import NightPlan, moment

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
COLUMNS_OF_LIGHT = {"routing_mode", "spectral_setup", "path_segment", "tracking", "tracked", "chain"}


def told(night, plan):
    figures = night_figures(night.limits, night.offers, plan)
    page = render_report(night.limits, night.offers, plan, figures)
    return SimpleNamespace(night=night, plan=plan, figures=figures, page=page)


def of(name, targets):
    scenario = read_scenario(SCENARIOS / name)
    effort = scenario.effort.model_copy(update={"deterministic": 1.0})
    requests = tuple(request for request in scenario.requests if request.name in targets)
    return told(*planned(scenario.model_copy(update={"effort": effort, "requests": requests})))


@pytest.fixture(scope="module")
def steps():
    return of("steps", ("alf Aql", "alf Cep", "eps Cyg", "bet Ari", "del Cas"))


@pytest.fixture(scope="module")
def twostars():
    return of("twostars", ("bet Lib", "del Oph", "kap2 Lup", "xi1 Lup", "sig Sgr faint"))


@pytest.fixture(scope="module", params=["steps", "twostars"])
def either(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def plain():
    """An array without any such part."""
    return told(*planned(random_scenario(3, requests=3, telescopes=3, beams=2)))


def article(report, visit):
    return read_page(report.page).all("article", id=f"visit-{visit.id}")[0]


def light_of(report, visit):
    """The list of a visit's light path, {what: words}."""
    found = article(report, visit).all("dl")
    if not found:
        return {}
    texts = [[element.text() for element in found[0].all(name)] for name in ("dt", "dd")]
    return dict(zip(*texts, strict=True))


@pytest.mark.slow
def test_the_curves_of_the_carriages_meet_the_delays_of_the_plan(either):
    limits, plan = either.night.limits, either.plan
    for track in visit_tracks(limits, plan):
        for step in track.steps:
            drawn = delay_m(limits, track, step, np.array([step.first, step.last]))
            beams = sorted(step.step.beams, key=lambda beam: beam.combiner_input)
            planned_m = [[beam.delay_start_m for beam in beams], [beam.delay_end_m for beam in beams]]
            np.testing.assert_allclose(drawn, planned_m, rtol=0, atol=1e-3)


def test_the_run_sheet_names_line_segment_and_input_of_every_beam(either):
    for visit in either.plan.visits:
        rows = article(either, visit).all("tbody")[0].all("tr")
        said = {row.all("th")[0].text(): row.all("td")[0].text() for row in rows}
        for beam in visit.steps[1].beams:
            line = f"{beam.delay_line} with {beam.path_segment}" if beam.path_segment else beam.delay_line
            assert said[line] == f"{beam.telescope} on {beam.station}, input {beam.combiner_input}"


def test_the_run_sheet_names_mode_setup_and_tracking_of_every_visit(either):
    assert any(visit.tracking for visit in either.plan.visits)
    for visit in either.plan.visits:
        light = light_of(either, visit)
        for name in filter(None, (visit.routing_mode, visit.spectral_setup)):
            assert name in light["Routing"]
        if visit.tracking is None:
            continue
        assert light["Fringes"].startswith(f"{visit.tracking} tracking of ")
        for pair in {pair for step in visit.steps for pair in step.chain}:
            assert "–".join(pair) in light["Fringes"]
        least = min(step.tracking_margin_mag for step in visit.steps)
        assert f"{least:.2f} mag" in light["Fringes"]


def test_contrast_is_told_by_name_on_every_baseline_with_an_untracked_beam(twostars):
    loose = 0
    for visit in twostars.plan.visits:
        words = light_of(twostars, visit).get("Contrast", "")
        for own in visit.contrasts:
            untracked = not set(own.telescopes) <= set(visit.tracked)
            loose += untracked
            assert (f"{'–'.join(own.telescopes)} {own.contrast:.2f}" in words) == untracked
    assert loose


def test_air_is_told_where_lines_stand_in_air_and_nowhere_else(steps, twostars):
    for visit in steps.plan.visits:
        least = min(step.air_contrast for step in visit.steps)
        words = light_of(steps, visit)["Air"]
        assert f"contrast left {least:.2f}" in words
        most = max(step.air_offset_um for step in visit.steps)
        assert (f"up to {most:.1f} µm" in words) == (most > 0)
    assert not any("Air" in light_of(twostars, visit) for visit in twostars.plan.visits)


def test_a_guide_star_off_axis_is_told_by_its_distance(twostars):
    seen = set()
    for visit in twostars.plan.visits:
        request = next(r for r in twostars.plan.scenario.requests if r.name == visit.target)
        guide, words = request.extras.guide_star, light_of(twostars, visit)["Guide star"]
        seen.add(guide is None)
        if guide is None:
            assert words == "the target itself"
        else:  # in the plane: a minute of arc is small
            east = (guide.ra_deg - request.star.ra_deg) * math.cos(math.radians(guide.dec_deg))
            apart = 3600.0 * math.hypot(east, guide.dec_deg - request.star.dec_deg)
            assert float(re.search(r"([\d.]+) arcsec", words)[1]) == pytest.approx(apart, abs=0.06)
    assert seen == {True, False}


def test_two_stars_are_told_with_their_differential_delays_and_their_swap(twostars):
    dual = [visit for visit in twostars.plan.visits if visit.dual_feed is not None]
    assert any(visit.steps[1].swap_start_utc for visit in dual)
    for visit in dual:
        light = light_of(twostars, visit)
        assert visit.dual_feed.second_star in light["Two stars"]
        assert f"{visit.dual_feed.separation_arcsec:.2f} arcsec" in light["Two stars"]
        assert f"position angle {visit.dual_feed.position_angle_deg:.1f} deg" in light["Two stars"]
        for beam in visit.steps[1].beams:
            start, end = (1e3 * m for m in (beam.differential_start_m, beam.differential_end_m))
            words = f"{beam.telescope} {start:+.2f} → {end:+.2f} mm".replace("-", "−")
            assert words in light["Differential delay"]
        swap = visit.steps[1].swap_start_utc
        assert ("change places" in light["Two stars"]) == (swap is not None)
        if swap is not None:
            assert f"from {swap[11:16]} to " in light["Two stars"]


def test_a_wanted_angle_is_told_as_a_path_by_hand(twostars):
    # xi1 Lup wants 50 microarcseconds on Shaft, Adit, Mill and Tip: baseline times angle.
    visit = next(visit for visit in twostars.plan.visits if visit.target == "xi1 Lup")
    array = twostars.plan.scenario.array
    ends = [
        (pad.east_m, pad.north_m, pad.up_m + array.class_of(beam.telescope).pupil_height_m)
        for beam in visit.steps[1].beams
        for pad in [array.station(beam.station)]
    ]
    longest = max(math.dist(a, b) for a, b in itertools.combinations(ends, 2))
    nanometres = 1e9 * longest * 50e-6 * math.pi / 180 / 3600
    told = re.search(r"wants the path to ([\d.]+) nm", light_of(twostars, visit)["Two stars"])
    # The star sees the baseline foreshortened, at altitudes above 30 deg by no more than half.
    assert 0.5 * nanometres < float(told[1]) <= nanometres
    assert float(told[1]) == pytest.approx(visit.dual_feed.path_error_nm, abs=0.05)


def test_a_visit_after_itself_changes_nothing(either):
    array = either.plan.scenario.array
    for visit in either.plan.visits:
        optics = Optics()
        assert change_told(array, visit, optics) != "Nothing to change."
        assert change_told(array, visit, optics) == "Nothing to change."


def test_the_change_names_exactly_the_segments_that_are_switched(steps):
    last = {}
    for visit in steps.plan.visits:
        words = article(steps, visit).all("p", class_="change")[0].text()
        for beam in visit.steps[0].beams:
            named = re.search(rf"{beam.telescope}( into \w+)? with {beam.path_segment}\b", words)
            assert bool(named) == (last.get(beam.telescope) != beam.path_segment), (visit.id, words)
            last[beam.telescope] = beam.path_segment


def test_the_change_names_the_routing_mode_only_when_it_changes(twostars):
    before = None
    for visit in twostars.plan.visits:
        words = article(twostars, visit).all("p", class_="change")[0].text()
        assert (f"routing mode {visit.routing_mode}" in words) == (visit.routing_mode != before)
        before = visit.routing_mode


def test_time_that_is_not_for_stars_stands_in_the_order_of_the_night(either):
    page = read_page(either.page)
    body = page.all("section", id="visits")[0].all("tbody")[0]
    rows = [[cell.text() for cell in row.children if not isinstance(cell, str)] for row in body.all("tr")]
    placed = [own for own in either.plan.reserved if own.start_utc is not None]
    assert len(rows) == len(either.plan.visits) + len(placed) > len(either.plan.visits)
    starts = [(own.start_utc, own.name) for own in placed]
    starts += [(visit.steps[0].start_utc, visit.id) for visit in either.plan.visits]
    for cells, (start, name) in zip(rows, sorted(starts), strict=True):
        assert cells[2] == start[11:19].removesuffix(":00")
        assert cells[0] == name or cells[6].startswith(name)
    blocks = [block.text() for block in page.all("div", class_="pause-row")]
    assert len(blocks) == len(placed)
    for own in placed:
        assert any(own.name in text and own.kind in text for text in blocks)
        assert own.name in either.figures["night"]


def test_the_dark_hours_are_shared_out_without_a_rest(either):
    sums = night_sums(either.plan)
    parts = sums.science + sums.calibrators + sums.setup + sums.reserved + sums.spare
    assert parts == pytest.approx(sums.dark)
    whole = [own for own in either.plan.reserved if own.start_utc and not own.telescopes]
    dark = either.plan.night.start_utc, either.plan.night.end_utc
    inside = [own for own in whole if dark[0] <= own.start_utc and own.end_utc <= dark[1]]
    minutes = sum((moment(own.end_utc) - moment(own.start_utc)).total_seconds() / 60.0 for own in inside)
    assert minutes > 0
    assert sums.reserved == pytest.approx(minutes)


def test_what_fits_nowhere_is_said_on_the_first_screen(twostars):
    assert not read_page(twostars.page).all("p", class_="unplaced")
    lost = tuple(
        own.model_copy(update={"start_utc": None, "end_utc": None, "ready_utc": None})
        if own.name.startswith("Alignment")
        else own
        for own in twostars.plan.reserved
    )
    plan = twostars.plan.model_copy(update={"reserved": lost})
    first = read_page(told(twostars.night, plan).page).all("header", class_="first")[0].text()
    assert "Alignment of the differential delay lines (reserved) fits nowhere" in first
    assert len([row for rows in pause_rows(plan) for row in rows]) == len(lost) - 1
    lines = terminal._night_lines(plan)
    assert lines[-1] == "fits nowhere: Alignment of the differential delay lines (reserved)"
    assert "Alignment of the differential delay lines" not in plan_table(plan)["object"]


def test_the_terminal_lists_visits_and_reserved_time_in_order(twostars):
    lines = terminal._night_lines(twostars.plan)
    assert len(lines) == len(twostars.plan.visits) + len(twostars.plan.reserved)
    starts = [re.match(r"\S+  (\d\d):(\d\d)-", line) for line in lines]
    hours = [(int(found[1]) * 60 + int(found[2]) + 720) % 1440 for found in starts]
    assert hours == sorted(hours)
    assert any(
        line.startswith("---") and line.endswith("Mirror of Hornet washed (reserved)  Hornet")
        for line in lines
    )


def test_changes_of_a_path_segment_are_named_in_the_figure_of_the_carriages(steps, twostars):
    used = {b.path_segment for v in steps.plan.visits for s in v.steps for b in s.beams}
    assert len(used) > 1
    for name in used:
        assert name in steps.figures["delay"]
    assert "path segment" not in twostars.figures["delay"]


def test_the_part_of_the_stroke_that_keeps_the_pupil_is_marked_only_if_a_combiner_needs_it(twostars):
    limits = twostars.night.limits
    array = limits.scenario.array
    loose = tuple(own.model_copy(update={"pupil_relay": False}) for own in array.combiners)
    free = array.model_copy(update={"combiners": loose})
    other = dataclasses.replace(limits, scenario=limits.scenario.model_copy(update={"array": free}))
    sky = twilight(limits, twostars.plan)
    drawn = [delay_figure(own, visit_tracks(own, twostars.plan), sky, {}).svg for own in (limits, other)]
    assert ["the pupil does not stay in place" in svg for svg in drawn] == [True, False]
    lines = {beam.delay_line for v in twostars.plan.visits for beam in v.steps[0].beams}
    ends = [svg.count("stroke-dasharray: 5.6,1.6,0.8,1.6") for svg in drawn]  # 7 2 1 2, 0.8 px wide
    assert ends[0] == 2 * len(lines) + 1  # both ends of each line, and the legend
    assert ends[1] == 0


def test_the_table_tells_the_light_path_and_comes_back_as_it_was(either):
    table = plan_table(either.plan)
    back = QTable.read(table_text(table), format="ascii.ecsv")
    assert back.colnames == table.colnames
    beams = [(v, s, b) for v in either.plan.visits for s in v.steps for b in s.beams]
    stars = back[np.isin(np.array(back["role"], dtype=str), ["science", "calibrator"])]
    assert len(stars) == len(beams)
    rows = zip(sorted(beams, key=lambda one: one[1].start_utc), stars, strict=True)
    for (visit, step, beam), row in rows:
        assert (row["visit"], row["object"], row["telescope"]) == (visit.id, step.object, beam.telescope)
        assert row["combiner_input"] == beam.combiner_input
        assert row["delay_start"].to_value("m") == beam.delay_start_m
        for key, value in (
            ("routing_mode", visit.routing_mode),
            ("spectral_setup", visit.spectral_setup),
            ("path_segment", beam.path_segment),
            ("tracking", visit.tracking),
            ("chain", "; ".join("-".join(pair) for pair in step.chain)),
        ):
            if value:
                assert row[key] == value
        if visit.tracking:
            assert row["tracked"] == ("yes" if beam.telescope in visit.tracked else "no")
        if beam.differential_start_m is not None:
            assert row["differential_start"].to_value("m") == beam.differential_start_m


def test_the_table_has_rows_for_time_that_is_not_for_stars(either):
    table = plan_table(either.plan)
    for own in either.plan.reserved:
        rows = table[table["object"] == own.name]
        assert [row["telescope"] for row in rows] == list(own.telescopes or ("",))
        assert set(rows["role"]) == {own.kind}
        assert all(rows["delay_start"].mask)
        assert rows["start_utc"][0].isot == own.start_utc.replace("Z", ".000")


def test_an_array_without_such_parts_is_told_as_before(plain):
    page = read_page(plain.page)
    for name, classes in (("p", "change"), ("div", "pause-row"), ("tr", "pause")):
        assert not page.all(name, class_=classes)
    # What the target should show has nothing to do with them.
    told = [term.text() for block in page.all("dl", class_="light") for term in block.all("dt")]
    assert set(told) == {"Expected V²"}
    assert "not for stars" not in plain.page
    assert not COLUMNS_OF_LIGHT & set(plan_table(plain.plan).colnames)
    assert "hatched: not for stars" not in plain.figures["night"]
    assert "the pupil" not in plain.figures["delay"]


def test_names_of_the_light_path_do_no_harm(steps):
    """Path segments, the fringe tracker and reserved time carry the name, in plan and scenario."""
    name = r'<script>alert(1)</script> & "q" onload=x $\frac{ 星'
    text = steps.plan.model_dump_json(by_alias=True)
    for own in ("Far loop", "Short loop", "Long loop", "Survey of the beam gallery", "Bower"):
        hostile = json.dumps(f"{name} {own}")
        text = re.sub(rf'"{own}"(?!:)', lambda found, hostile=hostile: hostile, text)
    plan = NightPlan.model_validate_json(text)
    limits = dataclasses.replace(steps.night.limits, scenario=plan.scenario)
    report = told(dataclasses.replace(steps.night, limits=limits), plan)
    page = read_page(report.page)
    assert len(page.all("script")) == 1
    assert not [element for element in page.all() if "onload" in element.attributes]
    assert f"{name} Survey of the beam gallery" in page.text()
    assert any(f"with {name} Far loop" in cell.text() for cell in page.all("th"))


@pytest.mark.skipif(shutil.which(CHROMIUM) is None, reason="Debian's chromium is not installed")
def test_a_telephone_need_not_scroll_sideways(either, tmp_path):
    from playwright.sync_api import sync_playwright

    file = tmp_path / "report.html"
    file.write_text(either.page, encoding="utf-8")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        browser.close()
