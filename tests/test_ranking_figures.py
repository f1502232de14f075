"""The figures of a ranking show places to scale, scores, shares and reach as they were given."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from dense import between, dense_codes, filled_codes
from foreseen import SVG, boxes, parsed, told, words
from ranked import HOSTILE, PADS, UNSERVED, nothing, ranking

from planner.constraints.tonight import night_limits
from planner.geometry.baselines import baseline_vectors_m, pairs
from planner.output import figure_heat, figure_ranking
from planner.output.figure_array import array_figure
from planner.output.figure_heat import depth, heat_columns, heat_figure, reach_shares
from planner.output.figure_planes import demanding_request, plane_of, planes_figure
from planner.output.figure_ranking import bars_figure, named_requests, rows_of
from planner.output.figures import CALIBRATOR, DARK, FILLED, PALETTE, SCIENCE
from planner.output.map_ground import baselines, ground_of, standing
from planner.output.map_labels import Room, box_around, near
from planner.output.svg import inlined
from planner.ranking.answers import Seat
from planner.scenario.array import Configuration
from planner.science.coverage import cells_of
from planner.sky.earth import offline_earth
from planner.sky.night import night_sky

DRAW = (array_figure, bars_figure, heat_figure, planes_figure)


@pytest.fixture(scope="module")
def found():
    return ranking()


@pytest.fixture(scope="module")
def array(found):
    return array_figure(found, "array").svg


@pytest.fixture(scope="module")
def bars(found):
    return bars_figure(found, "bars").svg


@pytest.fixture(scope="module")
def heat(found):
    return heat_figure(found, "heat").svg


def marks(svg):
    """Places of all markers, (mark, 2)."""
    return np.array([(float(use.get("x")), float(use.get("y"))) for use in parsed(svg).iter(f"{SVG}use")])


def has(places, x, y):
    return bool((np.hypot(places[:, 0] - x, places[:, 1] - y) < 0.02).any())


def lines_of(svg, colour):
    """Ends of every straight line of a colour: (x, y), (x, y)."""
    ends = []
    for path in parsed(svg).iter(f"{SVG}path"):
        found = re.fullmatch(r"M (\S+) (\S+) L (\S+) (\S+)", (path.get("d") or "").strip())
        if found and f"stroke: {colour}" in (path.get("style") or ""):
            x1, y1, x2, y2 = map(float, found.groups())
            ends.append(((x1, y1), (x2, y2)))
    return ends


def test_pads_stand_to_scale_north_up(found, array):
    # The scale bar says how many pixels a metre has; places follow from the coordinates, north upwards.
    (metres,) = {int(text.split()[0]) for text in words(array) if re.fullmatch(r"\d+ m", text)}
    level = [abs(a[0] - b[0]) for a, b in lines_of(array, PALETTE["ink"]) if a[1] == b[1]]
    scale = max(level) / metres
    places = marks(array)
    _, east, north = PADS[0]
    # The westernmost pad is the leftmost mark above the legend, the first of all pads drawn.
    whole = places[places[:, 1] < places[:, 1].max() - 30.0]
    west = min(PADS, key=lambda pad: pad[1])
    x, y = whole[np.argmin(whole[:, 0])]
    for _, east, north in PADS:
        assert has(places, x + scale * (east - west[1]), y - scale * (north - west[2]))
    assert ground_of(found).scale == pytest.approx(scale, rel=1e-4)


def test_enclosures_are_drawn_to_scale_where_telescopes_will_stand(found, array):
    ground, best = ground_of(found), found.top[0]
    circles = []
    for path in parsed(array).iter(f"{SVG}path"):
        d = path.get("d") or ""
        if "C" in d and f"fill: {FILLED}" in (path.get("style") or ""):
            numbers = np.array(re.findall(r"-?[\d.]+", d), dtype=float).reshape(-1, 2)
            circles.append((numbers.min(axis=0), numbers.max(axis=0)))
    assert len(circles) == len(best.seats)
    for low, high in circles:
        assert high - low == pytest.approx(2.0 * 2.0 * ground.scale, abs=0.05)  # a radius of 2 m
    stations = map(found.scenario.array.station, best.stations)
    wanted = sorted(ground.at(own.east_m, own.north_m) for own in stations)
    assert np.allclose(sorted(tuple((low + high) / 2) for low, high in circles), wanted, atol=0.02)


def test_each_baseline_is_a_line_with_its_length_and_azimuth(found, array):
    # By hand: K1 (-60, -20) to K3 (70, -10) is sqrt(130^2 + 10^2) = 130.4 m at atan2(130, 10) = 85.6 deg.
    told_ones = {name: (length, azimuth) for name, length, azimuth in baselines(found, found.top[0])}
    assert told_ones["K1–K3"] == pytest.approx((130.384, 85.601), abs=1e-3)
    shown = words(array)
    for name, (length, azimuth) in told_ones.items():
        assert name in shown
        assert f"{length:.1f}" in shown
        assert f"{azimuth:.1f}" in shown
    ground = ground_of(found)
    drawn = {frozenset((a, b)) for a, b in lines_of(array, SCIENCE)}
    ends = [
        tuple(round(value, 2) for value in ground.at(own.east_m, own.north_m))
        for own in map(found.scenario.array.station, found.top[0].stations)
    ]
    for a, b in itertools.combinations(ends, 2):
        assert any({a, b} == {tuple(end) for end in line} for line in drawn)


def test_what_moves_has_an_arrow_and_what_stays_has_none(found, array):
    shown = words(array)
    assert {"U1 leaves", "U2 leaves", "from M2", "from M6"} <= set(shown)
    still = words(array_figure(replace(found, top=(found.current,)), "array").svg)
    assert not [text for text in still if "leaves" in text or "has to move" in text]
    heads = re.findall(rf'<path d="M [^"]* z" style="fill: {CALIBRATOR}', array)
    assert len(heads) == 3  # two arrows and the one that explains them
    assert "U1 goes from M2 to M8; U2 goes from M6 to M9" in told(array)[1]


def test_every_pad_has_its_name_and_the_winner_its_telescopes(array):
    shown = words(array)
    assert {name for name, _, _ in PADS} <= set(shown)
    assert {"T1", "T2", "T3", "U1", "U2"} <= set(shown)


def test_a_telescope_that_is_in_the_way_is_not_drawn_on_a_pad_it_has_left(found):
    seats = (*found.top[0].seats[:2], Seat("M6", "one metre", None))
    alone = replace(found.top[0], seats=seats, telescopes=("T1", "T3", "U1"), lines=("D1", "D2", "D3"))
    there = standing(found, alone)
    assert there["M6"] == "U1"
    assert "U2" not in there.values()
    assert there["K2"] == "T2"


def test_words_find_a_free_place_or_none():
    room = Room((0.0, 100.0, 0.0, 100.0))
    first = near((50.0, 50.0), (10.0, 5.0), room, 4.0, must=False)
    second = near((50.0, 50.0), (10.0, 5.0), room, 4.0, must=False)
    assert first != second
    assert abs(first[0] - second[0]) >= 20.0 or abs(first[1] - second[1]) >= 10.0
    room.take((50.0, 50.0), (60.0, 60.0))
    assert not room.free(box_around((20.0, 20.0), (3.0, 3.0)))
    assert near((50.0, 50.0), (10.0, 5.0), room, 4.0, must=False) is None
    assert near((50.0, 50.0), (10.0, 5.0), room, 4.0, must=True) is not None


def test_parts_of_the_bars_are_as_wide_as_what_requests_bring(found, bars):
    rows = rows_of(found)
    named = named_requests(rows)
    total = np.sum([row.one.truth_by_request for row in rows], axis=0)
    assert list(named) == sorted(np.flatnonzero(total), key=lambda k: -total[k])[: figure_ranking.NAMED]
    most = max(row.one.truth.bound for row in rows)
    scale = figure_ranking.PLOT / (1.02 * most)
    for number, k in enumerate(named):
        wide = sorted(box[1] - box[0] for box in boxes(bars, figure_ranking.TONES[number]))
        values = [row.one.truth_by_request[k] * scale for row in rows if row.one.truth_by_request[k] > 0]
        assert np.allclose(wide, sorted([*values, 16.0]), atol=0.05)  # 16 px is the key above the bars


def test_bars_say_score_bound_estimate_and_moves(found, bars):
    shown = words(bars)
    for row in rows_of(found):
        one = row.one
        assert one.name in shown
        assert f"{round(one.truth.score, 1):g}" in shown
        assert f"of at most {round(one.truth.bound, 1):g}" in shown
        assert f"estimate {round(one.score.estimate, 1):g}" in shown
    assert shown.count("2 to move") == sum(row.one.score.moves == 2 for row in rows_of(found))
    places = marks(bars)
    scale = figure_ranking.PLOT / (1.02 * max(row.one.truth.bound for row in rows_of(found)))
    for row in rows_of(found):
        x = figure_ranking.LEFT + row.one.score.estimate * scale
        assert (np.abs(places[:, 0] - x) < 0.02).any()
    assert rows_of(found)[-1].place == "now"


def test_without_plans_the_bars_are_estimates():
    found = ranking(planned=False)
    shown = words(bars_figure(found, "bars").svg)
    for one in found.top:
        assert f"estimate {round(one.score.estimate, 1):g}, no plan" in shown
    assert not [text for text in shown if text.startswith("of at most")]


def test_tones_of_the_heat_map_follow_the_numbers(found, heat):
    share = reach_shares(found, rows_of(found))
    most = np.max([one.cells for one in (*found.top, found.current)], axis=0)
    assert np.allclose(share * most, [row.one.cells for row in rows_of(found)])
    tones = []
    for path in parsed(heat).iter(f"{SVG}path"):
        style = path.get("style") or ""
        opacity = re.search(r"(?<![-\w])opacity: ([\d.]+)", style)
        if f"fill: {SCIENCE}" in style and opacity:
            tones.append(float(opacity[1]))
    cells = tones[5:]  # row by row, after the five of the key
    assert np.allclose(cells, [depth(value) for value in share[share > 0]], atol=1e-6)
    order = np.argsort(share[share > 0], kind="stable")
    assert (np.diff(np.array(cells)[order]) >= 0).all()
    shown = words(heat)
    for value in share[share > 0]:
        assert f"{100 * value:.0f}" in shown


def test_what_nobody_serves_is_said_and_has_no_cell(found, heat):
    assert words(heat).count("nobody serves it") == len(found.unserved) == 1
    everybody = replace(found, unserved=())
    assert "nobody serves it" not in words(heat_figure(everybody, "heat").svg)


def test_many_requests_leave_the_largest_and_say_so():
    found = ranking(requests=40)
    columns = heat_columns(found)
    assert len(columns) == figure_heat.COLUMNS_MAX
    weight = np.max([one.cells for one in (*found.top, *found.front)], axis=0)
    weight = weight * np.array([wish.priority for wish in found.scenario.requests])
    assert min(weight[list(columns)]) >= max(np.delete(weight, columns))
    shown = words(heat_figure(found, "heat").svg)
    assert "14 smaller requests are not shown" in shown


def test_the_most_demanding_request_has_the_largest_priority_times_cells(found):
    k = demanding_request(found)
    asked = [
        max(one.cells[j] for one in found.top[:3]) * found.scenario.requests[j].priority
        for j in range(len(found.requests))
    ]
    assert asked[k] == max(asked)
    assert k != UNSERVED
    assert demanding_request(nothing()) is None
    assert planes_figure(nothing(), "planes") is None


@pytest.mark.parametrize("k", [0, 1, 2])
def test_reach_is_what_the_limits_of_the_scheduler_allow(found, k):
    # All lines have 400 m of stroke, so no delay is out of range: what remains are the limits of telescopes.
    one, wish = found.top[0], found.scenario.requests[k]
    placement = {"U1": "M8", "U2": "M9"}
    array = found.scenario.array.model_copy(
        update={"configurations": (Configuration(name="as built", placement=placement),)}
    )
    scenario = found.scenario.model_copy(update={"array": array, "requests": (wish,), "calibrators": ()})
    combiner = array.combiner(wish.combiner)
    with offline_earth():
        plane = plane_of(found, one, k, found.nights[0])
        sky = night_sky(scenario, found.nights[0], [wish.star])
        limits = night_limits(scenario, sky, "as built")
    ends = limits.placement.vectors_m[limits.placement.index(one.telescopes)]
    baselines = baseline_vectors_m(ends)
    first_s, last_s = (sky.tick_s * float(sky.slots[end]) for end in (0, -1))
    seconds, codes = dense_codes(scenario, sky, 0, baselines, (first_s, last_s))
    used = np.zeros((len(sky.slots), 6), dtype=bool)
    every = pairs(4).tolist()
    for chosen in itertools.combinations(range(4), combiner.beams):
        index = limits.placement.index(tuple(one.telescopes[seat] for seat in chosen))
        usable = limits.allowed(wish, 0, index, science=True)[sky.slots]
        for pair in itertools.combinations(chosen, 2):
            used[:, every.index(list(pair))] |= usable
    recorded = np.stack([between(pair, seconds - first_s, scenario.night.slot_s) for pair in used.T], axis=-1)
    wanted = set(cells_of(filled_codes(codes[recorded])))
    assert len(wanted) > 10
    assert wanted == set(plane.cells)
    assert np.array_equal(np.isfinite(plane.uv_m[..., 0]), used)


def test_both_conjugates_are_drawn_on_one_scale(found):
    figure = planes_figure(found, "planes")
    tracks = []
    for path in parsed(figure.svg).iter(f"{SVG}path"):
        if f"stroke: {SCIENCE}" in (path.get("style") or "") and path.get("clip-path"):
            numbers = np.array(re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", path.get("d")), dtype=float)
            if len(numbers) > 2:  # the key is a straight line
                tracks.append((path.get("clip-path"), numbers))
    planes = list(dict.fromkeys(clip for clip, _ in tracks))
    assert len(planes) == 3
    with offline_earth():
        reach = [plane_of(found, one, demanding_request(found), found.nights[0]) for one in found.top[:3]]
    scales = []
    for plane in planes:
        own = np.concatenate([numbers for clip, numbers in tracks if clip == plane])
        middle = (own.min(axis=0) + own.max(axis=0)) / 2.0
        turned = 2.0 * middle - own
        wide, tall = np.nanmax(np.abs(reach[len(scales)].uv_m), axis=(0, 1))
        scales.append((own.max(axis=0) - own.min(axis=0)) / (2.0 * wide, 2.0 * tall))
        assert all(np.hypot(*(own - point).T).min() < 0.05 for point in turned[::7])
    # Pixels to a metre: the same across and up, and in all three planes; curves are thinned by a pixel.
    assert np.allclose(scales, scales[0][0], rtol=0.01)


@pytest.mark.parametrize("paint", DRAW, ids=lambda paint: paint.__name__)
def test_two_drawings_are_the_same_to_the_byte(found, paint):
    first, second = (paint(found, "figure") for _ in range(2))
    assert (first.svg, first.pdf) == (second.svg, second.pdf)
    assert first.pdf.startswith(b"%PDF")


@pytest.mark.parametrize("name", HOSTILE, ids=["markup", "mathematics", "quotes", "scripts"])
def test_hostile_names_stay_text(name):
    found = ranking(f" {name}")
    for paint in DRAW:
        svg = paint(found, "figure").svg
        root = parsed(svg)
        assert not [node for node in root.iter() if node.tag == f"{SVG}script"]
        assert not [key for node in root.iter() for key in node.attrib if key.startswith("on")]
    assert any(name in text for text in words(array_figure(found, "figure").svg))


@pytest.mark.parametrize("paint", DRAW, ids=lambda paint: paint.__name__)
def test_colours_follow_the_page(found, paint):
    page = inlined(paint(found, "figure").svg, PALETTE, linked=False)
    assert not [colour for colour in (*PALETTE.values(), *DARK.values()) if colour in page]
    assert not re.search(r"(?:fill|stroke): #", page)
