"""Sidereal times, the nearest end stops, the beam, boxes to tick; an exposure that two visits share."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from invented import random_scenario
from pages import read_page
from skyfield.api import load, wgs84
from test_calmer import document
from test_calmer_rules import sharing
from test_report import HOSTILE, SVG, of_night

from planner.output.device_sheet import line_rows
from planner.output.figure_beam import RADIUS_PX, ellipse_px
from planner.output.figure_delay import nearest_to_an_end, uses_of_lines
from planner.output.figures import legend_rows
from planner.output.html import css_text, night_figures, render_report
from planner.output.tracks import visit_tracks
from planner.scheduling.plan import moment
from planner.science.coverage_figures import second_moment_beam
from planner.sky.earth import offline_earth
from planner.units import RAD_PER_MAS

SIDEREAL_TOLERANCE_MIN = 0.5 + 0.02  # the page rounds to the minute; the rest is UT1 of the two libraries


@pytest.fixture(scope="module")
def reported():
    return of_night(random_scenario(3, requests=4, telescopes=4, beams=3))


@pytest.fixture(scope="module")
def shared():
    night = sharing()
    plan = document(night)
    figures = night_figures(night.limits, night.offers, plan)
    return night, plan, figures, render_report(night.limits, night.offers, plan, figures)


# By hand.


def test_a_beam_of_half_the_field_is_half_as_wide_as_its_circle():
    # Samples 100 and -100 million wavelengths away along v, and as many along u: both second moments are
    # (100e6)^2/2, so the widths are sqrt(2 ln 2)/(pi 100e6/sqrt 2) = 5.300e-9 rad = 1.0932 mas both ways.
    beam = second_moment_beam(np.array([[1e8, 0.0], [0.0, 1e8]]))
    assert beam.major_mas == pytest.approx(1.0932, abs=1e-4)
    assert beam.major_mas * RAD_PER_MAS * 1e8 == pytest.approx(0.5300, abs=1e-4)
    outline = ellipse_px(beam, 2.0 * beam.major_mas)
    assert np.hypot(*outline.T) == pytest.approx(RADIUS_PX / 2.0)


def test_a_beam_lies_across_the_longest_baseline():
    # u points left as east does: samples along east make a beam that is narrow to the left and right.
    outline = ellipse_px(second_moment_beam(np.array([[1e8, 0.0], [0.0, 2e7]])), 20.0)
    assert np.ptp(outline[:, 0]) == pytest.approx(np.ptp(outline[:, 1]) / 5.0)


def test_a_name_ends_neither_its_string_nor_the_style_sheet():
    for name in (*HOSTILE, 'x"; } </style>', "back\\slash", "two\nlines"):
        told = str(css_text(name))
        assert re.fullmatch(r'"(?:[A-Za-z0-9 ]|\\[0-9a-f]+ )*"', told)
        read = re.sub(r"\\([0-9a-f]+) ", lambda found: chr(int(found[1], 16)), told[1:-1])
        assert read == name.replace("\n", " ")


# Against the outside.


def test_sidereal_times_of_the_page_are_those_of_skyfield(reported):
    night, plan, _, text = reported
    site = night.limits.scenario.array.site
    scale = load.timescale(builtin=True)
    place = wgs84.latlon(site.latitude_deg, site.longitude_deg)
    page = read_page(text)
    rows = page.all("section", id="visits")[0].all("tr")[1:]
    for row, visit in zip(rows, plan.visits, strict=True):
        told = [cell.text() for cell in row.children if not isinstance(cell, str)][3]
        hours, minutes = (int(part) for part in told.split(":"))
        expected = place.lst_hours_at(scale.from_datetime(moment(visit.steps[0].start_utc))) * 60.0
        assert abs((hours * 60 + minutes - expected + 720.0) % 1440.0 - 720.0) <= SIDEREAL_TOLERANCE_MIN
        assert f"LST {told}" in page.all("article", id=f"visit-{visit.id}")[0].text()


# Laws.


@pytest.mark.parametrize("name", ["night", "delay", "altitude"])
def test_every_figure_with_hours_has_both_kinds(reported, name):
    words = [text.text for text in ElementTree.fromstring(reported[2][name]).iter(f"{SVG}text")]
    assert {"UTC", "sidereal time"} <= set(words)


def test_the_picture_of_the_carriages_and_its_table_agree_on_the_nearest_end(reported):
    night, plan, figures, _ = reported
    tracks = visit_tracks(night.limits, plan)
    words = {text.text for text in ElementTree.fromstring(figures["delay"]).iter(f"{SVG}text")}
    for (line, steps), row in zip(
        uses_of_lines(night.limits, tracks).items(), line_rows(night.limits, tracks), strict=True
    ):
        nearest = nearest_to_an_end(night.limits, line, steps)
        assert f"{abs(nearest.delay_m - nearest.end_m):.2f}" == row.spare
        assert nearest.use.track.key == row.tightest
        assert f"{row.spare} m" in words


def test_every_step_has_its_box_and_a_shared_one_only_once(shared, reported):
    for _, plan, _, text in (shared, reported):
        page = read_page(text)
        for visit in plan.visits:
            ticks = page.all("article", id=f"visit-{visit.id}")[0].all("div", class_="ticks")[0]
            assert len(ticks.all("i")) == sum(not step.shared for step in visit.steps)
            assert len(ticks.all("u")) == len(ticks.all("i")) + 1


def test_an_exposure_that_two_visits_share_is_drawn_once_and_belongs_to_both(shared):
    _, plan, figures, _ = shared
    pairs = [
        f"{before.id} {after.id}"
        for before, after in zip(plan.visits, plan.visits[1:], strict=False)
        if after.steps[0].shared
    ]
    assert len(pairs) >= 3
    for name in ("night", "delay", "altitude", "sky"):
        groups = list(ElementTree.fromstring(figures[name]).iter(f"{SVG}g"))
        found = {group.get("data-visit"): group for group in groups if group.get("data-visit")}
        assert sorted(key for key in found if " " in key) == pairs
        for key in pairs:
            before, after = key.split()
            tip = found[key].find(f"{SVG}title").text
            assert tip == f"One exposure for two visits: it closes {before} and opens {after}"
            assert f"opens {after} as well" in found[before].find(f"{SVG}title").text
            assert "that closes the visit before" in found[after].find(f"{SVG}title").text


def test_no_exposure_is_drawn_twice(shared):
    night, plan, _, _ = shared
    drawn = [
        (step.step.object, step.step.start_utc)
        for track in visit_tracks(night.limits, plan)
        for step, _ in track.drawn
    ]
    made = {(step.object, step.start_utc) for visit in plan.visits for step in visit.steps}
    assert len(drawn) == len(set(drawn)) == len(made)
    assert set(drawn) == made


def test_a_visits_block_says_where_its_stars_are_and_where_the_telescopes_point(reported):
    # Against astropy: sexagesimal places read back, and the star's azimuth and altitude at the step's start.
    plan, page = reported[1], read_page(reported[3])
    site = plan.scenario.array.site
    where = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.height_m)
    stars = {
        star.name: star for star in (*(r.star for r in plan.scenario.requests), *plan.scenario.calibrators)
    }
    blocks = page.all("article", class_="visit-row")
    assert len(blocks) == len(plan.visits)
    for visit, block in zip(plan.visits, blocks, strict=True):
        text = block.text()
        for step in visit.steps:
            star = stars[step.object]
            right, up, epoch = re.search(rf"{star.name} +(\S+) (\S+) \(ICRS, J(\S+)\)", text).groups()
            told = SkyCoord(right, up.replace("−", "-"), unit=(u.hourangle, u.deg))
            assert told.separation(SkyCoord(star.ra_deg * u.deg, star.dec_deg * u.deg)).arcsec < 0.1
            assert float(epoch) == star.epoch_yr
            for band, value in star.mag.items():
                assert f"{band} {value:.2f}".replace("-", "−") in text
            with offline_earth():
                at = Time(step.start_utc.rstrip("Z"), scale="utc")
                seen = told.transform_to(AltAz(obstime=at, location=where))
            # Told to 0.1 deg; 0.03 deg more for a motion since the epoch of the catalogue.
            turns = [float(own) for own in re.findall(r"az\. ([\d.]+), alt\.", text)]
            heights = [float(own) for own in re.findall(r"alt\. ([\d.]+) deg", text)]
            number = visit.steps.index(step)
            turned = (turns[number] - seen.az.deg + 180.0) % 360.0 - 180.0
            assert abs(turned) * np.cos(seen.alt.rad) < 0.08
            assert heights[number] == pytest.approx(seen.alt.deg, abs=0.08)
        assert "latest start" in text
        assert re.search(r"no slack|slack \d", text)


def test_the_legend_of_the_night_breaks_into_lines_that_fit():
    entries = [("x" * 60, None), ("y" * 60, None), ("z" * 20, None)]
    # By hand: 18 px and 4.9 px a letter, 312 for 60 letters and 116 for 20.
    assert [len(row) for row in legend_rows(entries, 700.0)] == [2, 1]
    # 500 px of the first line are taken, so it holds none; of 400 px one is left room for.
    assert [len(row) for row in legend_rows(entries, 700.0, 500.0)] == [0, 2, 1]
    assert [len(row) for row in legend_rows(entries, 730.0, 400.0)] == [1, 2]
