"""The figures of feasibility show the openings, the margins and the calendar that they were given."""

from __future__ import annotations

import datetime
import re
import zlib
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from foreseen import (
    LIMITS,
    STEP_S,
    SVG,
    area,
    boxes,
    filled,
    parsed,
    renamed,
    roomy,
    scenario_of,
    season,
    short_night,
    target_night,
    told,
    words,
)
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.path import Path

from planner.constraints.verdict import Verdict
from planner.feasibility.answers import DAYLIGHT, OPEN
from planner.output import figure_season, figure_windows
from planner.output.figure_season import look, season_figure
from planner.output.figure_windows import windows_figure
from planner.output.figures import DARK, PALETTE, SCIENCE, outline, region
from planner.output.svg import inlined
from planner.sky.earth import offline_earth

HOSTILE = ("<script>alert(1)</script>", r"$\frac{", '& "quotes" onload=x', "naïve 星 $x$", "]]> --> مرحبا")


@pytest.fixture(scope="module")
def night():
    return target_night(scenario_of())


@pytest.fixture(scope="module")
def drawn(night):
    return windows_figure(night, "R01-night")


@pytest.fixture(scope="module")
def year():
    return season()


@pytest.fixture(scope="module")
def calendar(year):
    return season_figure(year, 0, 0, "R01-season")


def x_of(night, second):
    return figure_windows.LEFT + second / night.curve.length_s * figure_windows.PLOT


def test_outline_of_a_ring_of_cells_has_a_hole():
    # By hand: 3 x 3 cells without the middle one leave an area of 8 between two rings of four corners.
    mask = np.ones((3, 3), dtype=bool)
    mask[1, 1] = False
    rings = outline(mask)
    assert sorted(len(ring) for ring in rings) == [4, 4]
    assert area(rings) == 8.0


def test_two_cells_that_touch_at_a_corner_are_both_outlined():
    # By hand: two cells, area 2; each of their own corners occurs, the shared one twice.
    rings = outline(np.eye(2, dtype=bool))
    corners = sorted(corner for ring in rings for corner in ring)
    assert corners == [(0, 0), (0, 1), (1, 0), (1, 1), (1, 1), (1, 2), (2, 1), (2, 2)]
    assert area(rings) == 2.0


@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.integers(1, 9))
def test_a_region_holds_its_cells_and_no_other(seed, width, height):
    # Against matplotlib's own test of points in a path, one cell at a time.
    mask = np.random.default_rng(seed).random((width, height)) < 0.5
    if not mask.any():
        assert outline(mask) == []
        return
    path = region(mask, (10.0, 20.0), (2.0, 3.0))
    assert area(outline(mask)) == mask.sum()
    rings = [Path(part) for part in path.to_polygons()]
    for x, y in np.ndindex(mask.shape):
        middle = 10.0 + 2.0 * (x + 0.5), 20.0 + 3.0 * (y + 0.5)
        assert (sum(ring.contains_point(middle) for ring in rings) % 2 == 1) == mask[x, y]


def test_every_opening_is_a_bar_at_its_place(night, drawn):
    bars = boxes(drawn.svg, SCIENCE)
    wanted = list(night.any_spans)
    for one in night.subarrays[: figure_windows.ROWS_MAX]:
        wanted += one.spans
    assert len(wanted) > 6
    for start, end in wanted:
        ends = x_of(night, start), x_of(night, end)
        assert any(abs(b[0] - ends[0]) < 0.02 and abs(b[1] - ends[1]) < 0.02 for b in bars)
    key = [bar for bar in bars if bar[2] == max(b[2] for b in bars)]
    assert len(bars) == len(wanted) + len(key)  # nothing else has this colour
    assert len(key) == 1


def test_each_row_says_its_telescopes_and_its_hours(night, drawn):
    shown = words(drawn.svg)
    for one in night.subarrays[: figure_windows.ROWS_MAX]:
        assert "–".join(one.telescopes) in shown
        assert f"{one.usable_h:.1f} h" in shown
    assert f"{night.usable_h:.1f} h" in shown


def test_no_more_than_six_subarrays_are_drawn(night):
    names = {"–".join(one.telescopes) for one in night.subarrays[6:]}
    assert names
    unlike = tuple(
        replace(one, telescopes=tuple(f"{t}{n}" for t in one.telescopes))
        for n, one in enumerate(night.subarrays)
    )
    shown = words(windows_figure(replace(night, subarrays=unlike), "w").svg)
    for number, one in enumerate(unlike):
        assert ("–".join(one.telescopes) in shown) == (number < 6)


def test_sidereal_hours_stand_where_the_sidereal_time_is_whole(night, drawn):
    # Local sidereal time by astropy, mean instead of apparent: nutation moves it by 1.2 s at most.
    placed = {
        float(text.get("x")): text.text
        for text in parsed(drawn.svg).iter(f"{SVG}text")
        if re.fullmatch(r"\d\d", text.text or "") and float(text.get("y")) < figure_windows.SIDEREAL_Y
    }
    assert len(placed) >= 8
    site = night.scenario.array.site
    for x, text in placed.items():
        second = (x - figure_windows.LEFT) / figure_windows.PLOT * night.curve.length_s
        moment = night.curve.times(np.array([second]))[0]
        with offline_earth():
            hour = moment.sidereal_time("mean", f"{site.longitude_deg}d").hour
        # A hundredth of a pixel is half a second.
        assert abs((hour - int(text) + 12.0) % 24.0 - 12.0) < 3.0 / 3600.0


def test_a_limit_with_room_all_night_is_told_in_a_line_and_a_near_one_has_a_strip(night, drawn):
    shown = words(drawn.svg)
    line = " ".join(text for text in shown if "at least +12" in text or "limit set" in text)
    assert "altitude, upper limit" in line
    assert "absolute window (no limit set)" in " ".join(shown)
    strips = {"altitude, lower limit", "skyline", "shadowing", "airmass", "delay range"}
    assert strips <= set(shown)
    assert not {"altitude, upper limit", "limiting magnitude", "absolute window"} & set(shown)


def test_the_smallest_margin_in_the_openings_stands_beside_its_strip(night, drawn):
    best = night.subarrays[0]
    inside = np.zeros(len(night.grid_s), dtype=bool)
    for start, end in best.spans:
        inside |= (night.grid_s >= start) & (night.grid_s <= end)
    altitude = next(v for v in night.curves if v.limit == "altitude, lower limit")
    least = altitude.margin[inside].min()
    assert any(text.startswith(f"at least +{least:.3g} deg") for text in words(drawn.svg))


def test_hatching_marks_exactly_when_a_limit_is_not_kept(night, drawn):
    # By hand: where each margin of the factory is negative, by interpolation between samples.
    wanted = []
    for verdict in night.curves:
        negative = verdict.margin < 0
        edges = np.flatnonzero(np.diff(np.concatenate([[False], negative, [False]]).astype(int)))
        for first, last in edges.reshape(-1, 2):
            ends = []
            for sample in (first, last):
                if sample in (0, len(negative)):
                    ends.append(0.0 if sample == 0 else night.curve.length_s)
                else:
                    pair = slice(sample - 1, sample + 1)
                    order = np.argsort(verdict.margin[pair])
                    ends.append(np.interp(0.0, verdict.margin[pair][order], night.grid_s[pair][order]))
            wanted.append(ends)
    hatched = boxes(drawn.svg, "none")
    assert wanted
    for start, end in wanted:
        ends = x_of(night, start), x_of(night, end)
        assert any(abs(b[0] - ends[0]) < 0.05 and abs(b[1] - ends[1]) < 0.05 for b in hatched)


def test_a_night_without_an_opening_says_so_and_why():
    never = target_night(scenario_of(dec_deg=50.0))
    assert not never.any_spans
    drawn = windows_figure(never, "w")
    shown = words(drawn.svg)
    assert "at no moment of the night" in shown
    assert any(never.exclusion.sentence in text for text in shown)
    assert any(text.startswith("at best −") for text in shown)
    assert told(drawn.svg)[1].startswith("Never usable.")
    assert not boxes(drawn.svg, SCIENCE)


def test_a_night_without_any_subarray_is_drawn_too():
    drawn = windows_figure(target_night(scenario_of(), subarrays=0), "w")
    assert "at no moment of the night" in words(drawn.svg)


def test_a_margin_without_a_number_is_not_kept_and_says_no_number(night):
    none = Verdict("limiting magnitude", "mag", np.full(len(night.grid_s), -np.inf), ("time",))
    closed = tuple(replace(one, openings=()) for one in night.subarrays)
    dark = replace(night, curves=(*night.curves, none), subarrays=closed, any_spans=())
    shown = words(windows_figure(dark, "w").svg)
    assert any("no number mag" in text for text in shown)


def test_a_very_short_night_is_drawn():
    night = target_night(short_night())
    assert night.curve.length_s < 2 * 3600.0
    assert any(text.startswith("dusk ") for text in words(windows_figure(night, "w").svg))


def test_a_narrow_opening_has_its_times_beside_it(night):
    # By hand: ten minutes from the second hour after dusk, 00:05:28 UTC in this night.
    start = 7200.0 - (night.curve.dark.start.utc.mjd % 1.0 * 86400.0) % 3600.0
    narrow = replace(night, any_spans=((start, start + 600.0),))
    assert "02:00–02:10" in words(windows_figure(narrow, "w").svg)


def test_a_limit_that_never_changes_needs_no_strip(night):
    mirror = Verdict("shadowing", "of the pupil", np.zeros(len(night.grid_s)), ("time",))
    still = replace(night, curves=tuple(mirror if v.limit == "shadowing" else v for v in night.curves))
    shown = words(windows_figure(still, "w").svg)
    assert "shadowing" not in shown
    assert any("shadowing 0 of the pupil throughout" in text for text in shown)


def test_the_area_of_each_answer_in_the_calendar_equals_its_count(year, calendar):
    codes = year.binding[0, 0]
    made = figure_season._calendar(year, 0, 0)
    cell = made.night_px * made.column_px
    occurring = [int(code) for code in np.unique(codes) if code > DAYLIGHT]
    assert len(occurring) >= 6
    for code in occurring:
        largest = max(area(rings) for rings in filled(calendar.svg, look(code)["facecolor"]))
        assert largest == pytest.approx((codes == code).sum() * cell, rel=1e-3)


def test_no_two_limits_of_a_season_look_the_same():
    looks = {(look(code)["facecolor"], look(code).get("hatch")) for code in range(DAYLIGHT, 41)}
    assert len(looks) == 42
    # Colour is never the only sign: among the first six limits the hatches alone differ.
    assert len({look(code)["hatch"] for code in range(1, 7)}) == 6


def test_the_key_names_each_limit_that_binds_and_no_other(year, calendar):
    shown = words(calendar.svg)
    hours = {code: (year.binding == code).sum() * STEP_S / 3600.0 for code in range(len(LIMITS) + 1)}
    for code, limit in enumerate(LIMITS, start=1):
        assert any(text.startswith(f"{limit}, ") for text in shown) == (hours[code] > 0)
    assert f"usable, {hours[OPEN]:.0f} h" in shown


def test_the_sums_of_the_months_stand_in_order(year, calendar):
    sums = [f"{h:.0f}" if h >= 9.95 else f"{h:.1f}" if h else "–" for h in year.hours_by_month()[0, 0]]
    row = {}
    for text in parsed(calendar.svg).iter(f"{SVG}text"):
        row.setdefault(text.get("y"), []).append((float(text.get("x") or "nan"), text.text))
    rows = [[text for _, text in sorted(place)] for place in row.values()]
    assert sums in [[text for text in one if text != "sum, h"] for one in rows]


def test_first_and_last_night_are_flagged():
    later = season(first=datetime.date(2027, 9, 1), nights=330)
    feasible = np.flatnonzero(later.feasible()[0, 0])
    shown = words(season_figure(later, 0, 0, "s").svg)
    assert f"first feasible night: {later.nights[feasible[0]]}" in shown
    assert f"last feasible night: {later.nights[feasible[-1]]}" in shown


def test_a_single_feasible_night_is_flagged_once(year):
    binding = np.where(np.arange(365)[:, None] == 30, year.binding, DAYLIGHT)
    only = replace(year, binding=binding, whole_visits=roomy(binding))
    shown = words(season_figure(only, 0, 0, "s").svg)
    assert [text for text in shown if "feasible night" in text] == [f"only feasible night: {year.nights[30]}"]


def test_a_season_without_a_feasible_night_says_so():
    never = season_figure(season(dec_deg=70.0), 0, 0, "s")
    assert "no night allows a whole visit" in words(never.svg)
    assert not filled(never.svg, SCIENCE)


@pytest.mark.parametrize("nights", [1, 7, 40, 71, 800])
def test_ranges_of_any_length_are_drawn_inside_the_picture(nights):
    drawn = season_figure(season(nights=nights), 0, 0, "s")
    right = figure_season.WIDTH - figure_season.RIGHT + 0.01
    for rings in filled(drawn.svg, SCIENCE):
        assert all(figure_season.LEFT - 0.01 <= x <= right for ring in rings for x, _ in ring)
    shown = words(drawn.svg)
    assert ("11" in shown) == (nights <= figure_season.DATED_NIGHTS)


def test_nights_without_any_dark_are_drawn():
    light = season(nights=30)
    binding = np.full_like(light.binding, DAYLIGHT)
    bright = replace(light, binding=binding, whole_visits=roomy(binding))
    assert "no night allows a whole visit" in words(season_figure(bright, 0, 0, "s").svg)


def test_a_year_stays_under_a_quarter_of_a_megabyte(calendar):
    assert len(calendar.svg.encode()) < 250_000
    noisy = season()
    rng = np.random.default_rng(2)
    # Worse than any year: three strips of limits that move by some columns every night.
    binding = noisy.binding.copy()
    for code in (3, 5, 7):
        for n in range(365):
            at = int(rng.integers(40, 60))
            binding[0, 0, n, at : at + 5] = code
    crowded = season_figure(replace(noisy, binding=binding), 0, 0, "s")
    assert len(crowded.svg.encode()) < 250_000
    assert "<image" not in crowded.svg


def test_descriptions_tell_the_story_with_numbers(night, drawn, year, calendar):
    title, story = told(drawn.svg)
    assert night.name in title
    assert f"{night.usable_h:.1f} h usable with some subarray" in story
    assert f"can start at {len(night.subarrays[0].visit_starts_s)} moments" in story
    title, story = told(calendar.svg)
    assert "2027-03-11 to 2028-03-09" in title
    assert f"{int(year.feasible().sum())} of 365 nights" in story
    assert "What binds in the dark: altitude, lower limit 2159 h" in story


@pytest.mark.parametrize("name", HOSTILE, ids=["markup", "mathematics", "quotes", "scripts", "section"])
def test_names_from_files_do_no_harm(name):
    night = renamed(target_night(scenario_of(name=name), subarrays=2), name)
    days = season(nights=20)
    bad = replace(
        days,
        scenario=scenario_of(name=name),
        limits=tuple(f"{limit} {name}" for limit in days.limits),
        configurations=(name,),
    )
    for drawn in (windows_figure(night, "w"), season_figure(bad, 0, 0, "s")):
        root = parsed(drawn.svg)
        assert not list(root.iter(f"{SVG}script"))
        assert name[:3].strip("<") in told(drawn.svg)[0]
        assert parsed(inlined(drawn.svg, PALETTE, linked=False)).tag == f"{SVG}svg"
        assert drawn.pdf.startswith(b"%PDF")


def test_the_pdf_is_one_page_with_its_typeface_inside(drawn, calendar):
    # ISO 32000-1: 7.5.2 header, 7.7.3.3 pages, 9.9 TrueType programs are streams named FontFile2.
    for pdf in (drawn.pdf, calendar.pdf):
        assert pdf.startswith(b"%PDF-")
        assert len(re.findall(rb"/Type /Page\b", pdf)) == 1
        assert re.search(rb"/FontFile2 \d+ 0 R", pdf)
        assert b"/FontFile3" not in pdf
        assert b"/Type3" not in pdf
        assert b"CreationDate" not in pdf
        assert b"/Subtype /Image" not in pdf
        # 8.6.8: "1 g" is white; the ground of the page is the first thing filled.
        content = zlib.decompress(re.search(rb"stream\r?\n(x.*?)\r?\nendstream", pdf, re.DOTALL)[1])
        assert re.search(rb"\b1 g\n0 0 m\n1180 0 l\n", content.split(b"\nf\n")[0])


def test_both_forms_are_drawn_the_same_twice_whatever_the_user_has_set(night, drawn, year, calendar):
    mine = {"font.size": 30, "axes.facecolor": "red", "svg.hashsalt": "mine", "pdf.fonttype": 3}
    with matplotlib.rc_context(mine):
        before = dict(matplotlib.rcParams)
        for again, first in (
            (windows_figure(night, "R01-night"), drawn),
            (season_figure(year, 0, 0, "R01-season"), calendar),
        ):
            assert again.svg == first.svg
            assert again.pdf == first.pdf
        assert dict(matplotlib.rcParams) == before


def test_usable_and_closed_differ_in_lightness_too():
    # Relative luminance and contrast of W3C, Web Content Accessibility Guidelines 2.1.
    def luminance(colour):
        parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
        linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    for palette in (PALETTE, DARK):
        for tone in figure_season.TONES:
            high, low = sorted((luminance(palette["science"]), luminance(palette[tone])), reverse=True)
            assert (high + 0.05) / (low + 0.05) >= 1.5
