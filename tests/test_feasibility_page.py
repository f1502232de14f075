"""The page and the sheets of feasibility say what was found, and names from files do no harm there."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace

import numpy as np
import pytest
from answered import HOSTILE, REMEDIES, TRIED, answered, calibrators, simply_drawn, with_season
from astropy.time import Time
from invented import star
from pages import read_page

from planner.feasibility.answers import Exclusion, Feasibility
from planner.output import feasibility_folder
from planner.output.feasibility_folder import (
    write_feasibility_folder,
)
from planner.output.feasibility_months import season_months
from planner.output.feasibility_page import render_feasibility, render_sheet, verdict
from planner.output.feasibility_sheet import SUBARRAYS_MAX, target_sheets
from planner.output.feasibility_words import paragraph
from planner.output.star_told import places_told
from planner.sky.earth import offline_earth


@pytest.fixture(scope="module")
def found():
    return with_season(answered())


@pytest.fixture(autouse=True)
def quick_figures(monkeypatch):
    monkeypatch.setattr(feasibility_folder, "feasibility_figures", simply_drawn)


@pytest.fixture(scope="module")
def figures(found):
    return {name: drawn.svg for name, drawn in simply_drawn(found).items()}


@pytest.fixture(scope="module")
def text(found, figures):
    return render_feasibility(found, figures)


@pytest.fixture(scope="module", params=HOSTILE, ids=["markup", "mathematics", "quotes", "scripts"])
def hostile(request):
    found = with_season(answered(f" {request.param}", decs=(-40.0, 70.0)))
    return request.param, found, {name: drawn.svg for name, drawn in simply_drawn(found).items()}


def rows_of(table):
    return table.all("tbody")[0].all("tr")


def test_there_are_targets_of_both_kinds(found):
    assert [bool(night.serving) for night in found.nights] == [True, False, True, False]


def test_a_row_says_feasible_exactly_when_some_subarray_allows_a_whole_visit(found, text):
    page = read_page(text)
    rows = rows_of(page.all("table", id="asks")[0])
    assert len(rows) == len(found.nights)
    for number, (row, night) in enumerate(zip(rows, found.nights, strict=True)):
        (cell,) = row.all("td", class_="sign")
        assert cell.text() == ("✓ yes" if night.serving else "✕ no")
        assert row.all("th")[0].text() == f"R{number + 1:02d}"
        assert night.name in row.text()
    serving = [night for night in found.nights if night.serving]
    for row, night in zip(rows_of(page.all("table", id="night")[0]), serving, strict=True):
        best = night.subarrays[0]
        assert night.name in row.text()
        assert "–".join(best.telescopes) in row.text()
        assert row.all("td", data_label="starts of a visit")[0].text() == str(len(best.visit_starts_s))


def test_the_verdict_counts_the_feasible_targets(found, text):
    told = read_page(text).all("p", class_="verdict")[0].text()
    assert told == "2 of 4 targets are feasible on the night of 11 March 2027."


@pytest.mark.parametrize(
    ("decs", "told"),
    [
        ((-40.0,), "star 0 is feasible on the night of 11 March 2027."),
        ((70.0,), "star 0 is not feasible on the night of 11 March 2027."),
        ((-40.0, -20.0), "Both targets are feasible on the night of 11 March 2027."),
        ((70.0, 75.0), "None of the 2 targets is feasible on the night of 11 March 2027."),
        ((-40.0, -30.0, -20.0), "All of the 3 targets are feasible on the night of 11 March 2027."),
        ((-40.0, 75.0, 70.0), "1 of 3 targets is feasible on the night of 11 March 2027."),
    ],
)
def test_the_verdict_minds_its_grammar(decs, told):
    found = answered(decs=decs)
    assert verdict(found, target_sheets(found)) == told


def test_every_remedy_stands_on_the_page_cheapest_first_and_where_none_helps_what_was_tried(found, text):
    page = read_page(text)
    for number, night in enumerate(found.nights):
        section = page.all("section", id=f"R{number + 1:02d}")[0]
        tables = section.all("table", class_="rows remedies")
        assert len(tables) == bool(night.remedies)
        if night.remedies:
            for row, remedy in zip(rows_of(tables[0]), night.remedies, strict=True):
                assert remedy.sentence in row.text()
                assert "–".join(remedy.telescopes) in row.text()
                assert row.text().endswith(f"min {remedy.visits}")
        elif not night.serving:
            assert f"Nothing that was tried helps. Tried: {', '.join(TRIED)}." in section.text()
        else:
            assert "tried" not in section.text()


def test_edges_are_told_to_the_nearest_second(found, text):
    page = read_page(text)
    for number, night in enumerate(found.nights):
        best = night.subarrays[0]
        if not night.serving:
            continue
        region = page.all("section", id=f"R{number + 1:02d}")[0].all(
            "div", aria_label=f"Openings of R{number + 1:02d}"
        )[0]
        rows = rows_of(region)
        assert len(rows) == len(best.openings)
        for row, span in zip(rows, best.spans, strict=True):
            told = re.findall(r"\d\d:\d\d:\d\d", row.text())
            with offline_earth():
                edges = [night.curve.times(np.array([edge]))[0] for edge in span]
                told = [
                    min(
                        (Time(f"{day}T{clock}", scale="utc") for day in ("2027-03-11", "2027-03-12")),
                        key=lambda time: abs((time - edge).sec),
                    )
                    for clock, edge in zip(told, edges, strict=True)
                ]
                assert all(abs((clock - edge).sec) < 0.501 for clock, edge in zip(told, edges, strict=True))


def test_what_is_blocked_and_what_is_open_share_their_edges(found):
    for sheet in target_sheets(found):
        night = sheet.night
        edges = [(row.start, row.end) for row in (*night.openings, *night.blocked)]
        starts, ends = {start for start, _ in edges}, {end for _, end in edges}
        inside = {night.dusk[11:19]} | ends
        assert starts <= inside
        assert ends <= starts | {night.dawn[11:19]}


def test_all_subarrays_up_to_a_dozen_are_listed_and_the_rest_is_counted(found, text):
    page = read_page(text)
    for number, night in enumerate(found.nights):
        section = page.all("section", id=f"R{number + 1:02d}")[0]
        regions = section.all("div", aria_label=f"Subarrays of R{number + 1:02d}")
        assert len(regions) == bool(night.serving)
        if night.serving:
            assert len(rows_of(regions[0])) == min(len(night.serving), SUBARRAYS_MAX)
            more = len(night.serving) - SUBARRAYS_MAX
            assert (f"And {more} more in windows.ecsv." in section.text()) == (more > 0)
    assert any(len(night.serving) > SUBARRAYS_MAX for night in found.nights)


def test_a_calibrator_is_of_use_only_with_light_size_and_time(text):
    section = read_page(text).all("section", id="R01")[0]
    rows = rows_of(section.all("div", aria_label="Calibrators of R01")[0])
    told = [row.all("td")[0].text() for row in rows]
    assert told == ["✓ yes", "✕ no", "✕ no", "✓ yes", "✓ yes", "✓ yes", "✕ no"]


def test_the_table_of_months_adds_up_and_its_best_month_is_bold(found, text):
    rows = rows_of(read_page(text).all("table", id="season")[0])
    months = season_months(found.season)
    for row, night in zip(rows, found.nights, strict=True):
        own = months[night.request][0]
        cells = row.all("td", class_="n month")
        assert len(cells) == len(own.months) == 13
        bold = [k for k, cell in enumerate(cells) if cell.all("b")]
        assert bold == ([int(np.argmax(own.hours))] if own.feasible_nights else [])
        assert f"{own.feasible_nights} of 365" in row.text()
        dates = re.findall(r"\d{4}-\d\d-\d\d", row.text())
        assert dates == [day.isoformat() for day in (own.first, own.last) if day]


def test_hours_of_the_months_are_those_of_the_nights(found):
    own, months = found.season, season_months(found.season)
    hours = np.where(own.feasible(), own.usable_h(), 0.0)
    for target, request_ in enumerate(own.requests):
        for configuration in range(len(own.configurations)):
            one = months[request_][configuration]
            assert one.total_h == pytest.approx(hours[configuration, target].sum())
            assert one.feasible_nights == own.feasible()[configuration, target].sum()
            assert sum(share for _, share in one.closed_by) <= 1.0


def test_first_and_last_are_nights_with_a_whole_visit(found):
    visits = np.zeros_like(found.season.whole_visits)
    visits[0, 0, [23, 86]] = True
    months = season_months(replace(found.season, whole_visits=visits))
    assert (months[0][0].first, months[0][0].last) == (datetime.date(2027, 4, 3), datetime.date(2027, 6, 5))
    assert months[0][0].feasible_nights == 2
    assert months[1][0].first is None


def test_a_season_without_a_night_is_told_too(found, figures):
    only = Feasibility(found.scenario, (), found.season)
    page = read_page(render_feasibility(only, {k: v for k, v in figures.items() if "season" in k}))
    assert "3 of 4 targets are feasible on some night from 2027-03-11 to 2028-03-09." in page.text()
    assert not page.all("table", id="night")
    signs = [cell.text() for cell in page.all("table", id="season")[0].all("td", class_="sign")]
    assert signs == ["✓ feasible", "✕ not feasible", "✓ feasible", "✓ feasible"]


def test_a_range_of_nights_shows_the_best_night_of_each_target(found, figures):
    asked = found.scenario.night.model_copy(update={"date": found.season.nights[5]})
    ranged = replace(found, scenario=found.scenario.model_copy(update={"night": asked}))
    page = read_page(render_feasibility(ranged, figures))
    assert (
        page.all("p", class_="verdict")[0]
        .text()
        .startswith("2 of 4 targets are feasible on some night from ")
    )
    assert not page.all("table", id="night")
    signs = [row.all("td", class_="sign")[0].text() for row in rows_of(page.all("table", id="season")[0])]
    assert [sign == "✓ feasible" for sign in signs] == [bool(night.serving) for night in found.nights]
    for section in page.all("section", class_="aim"):
        assert "What follows is the night of 11 March 2027" in section.text()


@pytest.mark.parametrize(
    ("subarrays", "words"), [(1, "on its only subarray"), (2, "on both subarrays"), (3, "on all 3 subarrays")]
)
def test_the_paragraph_counts_subarrays_in_plain_words(found, subarrays, words):
    night = found.nights[0]
    few = replace(night, subarrays=night.serving[:subarrays])
    assert words in paragraph(few, None)


def test_the_paragraph_says_both_where_two_calibrators_serve_and_all_where_three_do(found):
    night = found.nights[0]
    for near, words in (
        (night.calibrators[:1], "1 calibrator lies within 10 deg of it and can be used together with it: "),
        (
            night.calibrators[3:5],
            "2 calibrators lie within 10 deg of it and both can be used together with it; ",
        ),
        (
            night.calibrators[3:6],
            "3 calibrators lie within 10 deg of it and all can be used together with it; ",
        ),
    ):
        assert words in paragraph(replace(night, calibrators=near), None)


def test_a_season_whose_limits_are_kept_but_that_has_no_whole_visit_says_so(found):
    season = replace(found.season, whole_visits=np.zeros_like(found.season.whole_visits))
    months = season_months(season)[0][0]
    told = paragraph(None, months)
    share = (season.binding[0, 0] == 0).sum() / (season.binding[0, 0] >= 0).sum()
    assert "is not feasible on any night" in told
    assert f"its limits are kept in {100 * share:.0f} % of the dark hours, but they leave no room for" in told
    assert "most of the dark hours are closed by" not in told


def test_the_paragraph_of_the_science_alone_is_a_sentence(found):
    scenario = found.nights[0].scenario.model_copy(update={"calibrators": ()})
    told = paragraph(replace(found.nights[0], scenario=scenario), None)
    assert "the science step, without calibrators, which takes " in told
    assert ",," not in told


def test_the_paragraph_holds_the_numbers_of_the_target(found):
    night = found.nights[0]
    told = paragraph(night, season_months(found.season)[0][0])
    assert told.startswith(
        "From nowhere in configuration as built, star 0 can be observed with combiner of 3 on "
    )
    for words in (
        "on the night of 11 March 2027",
        "Projected baselines from 11.5 to 98.2 m reach a resolution of 1.23 mas (λ/2B at 2.05 µm)",
        "321 independent cells",
        "7 calibrators lie within 10 deg of it, of which 4 can be used together with it",
        "the nearest of these is near 0 at 1.5 deg",
        "the best month is ",
    ):
        assert words in told
    assert "  " not in told
    assert ".." not in told


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (0, "No calibrator of the list lies within 10 deg of it."),
        (1, "1 calibrator lies within 10 deg of it and can be used together with it: near 0 at 1.5 deg."),
    ],
)
def test_the_paragraph_counts_calibrators_in_plain_words(found, count, words):
    assert words in paragraph(replace(found.nights[0], calibrators=calibrators()[:count]), None)


def test_a_single_feasible_night_is_named_once(found):
    visits = np.zeros_like(found.season.whole_visits)
    visits[0, 0, 23] = True
    months = season_months(replace(found.season, whole_visits=visits))[0][0]
    assert paragraph(None, months).endswith(" to 9 March 2028, that of 3 April 2027.")


def test_the_paragraph_of_an_infeasible_target_says_why_and_what_helps(found):
    told = paragraph(found.nights[1], None)
    assert (
        "star 1 cannot be observed for a whole visit with combiner of 3 on the night of 11 March 2027."
        in told
    )
    assert found.nights[1].exclusion.sentence in told
    assert f"{REMEDIES[0][1]}; it opens 1 h 15 min and 4 starts of a whole visit." in told
    assert "Nothing that was tried helps." in paragraph(found.nights[3], None)


def test_a_target_without_a_single_subarray_is_told_too(found):
    why = Exclusion(("number of telescopes",), (), "number of telescopes: the combiner wants 9")
    bare = replace(found.nights[1], subarrays=(), any_spans=(), curves=(), exclusion=why, remedies=())
    one = replace(found, nights=(bare,), season=None)
    page = read_page(render_feasibility(one, {}))
    assert "Number of telescopes: the combiner wants 9." in page.all("table", id="asks")[0].text()
    assert "not feasible" in read_page(render_sheet(one, target_sheets(one)[0], {})).text()


def test_places_are_sexagesimal_and_never_read_sixty():
    # By hand: 185 deg / 15 = 12 h 20 min; 59.9999999 deg rounds to 60 deg, not to 59:59:60.
    assert places_told(star("a", 185.0, -0.5)) == ("12:20:00.00", "−00:30:00.0")
    assert places_told(star("a", 14.99999999, 59.9999999)) == ("01:00:00.00", "+60:00:00.0")


def test_the_pages_ask_for_nothing_from_outside_and_run_nothing(found, figures, text):
    for page_text in (text, *(render_sheet(found, sheet, figures) for sheet in target_sheets(found))):
        bare = page_text
        for namespace in ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"):
            bare = bare.replace(f'"{namespace}"', '""')
        assert "http" not in bare.replace("http-equiv", "")
        page = read_page(page_text)
        assert not [e for e in page.all() if e.name in ("script", "link", "img", "iframe", "object")]
        assert not [e for e in page.all() if "src" in e.attributes or "srcset" in e.attributes]
        assert "@import" not in page_text
        assert not re.search(r"url\((?!#)", page_text)
        (policy,) = page.all("meta", http_equiv="Content-Security-Policy")
        assert policy.attributes["content"] == "default-src 'none'; style-src 'unsafe-inline'"


def test_no_id_stands_twice_and_every_link_leads_somewhere(tmp_path, found, text):
    page = read_page(text)
    ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
    assert len(ids) == len(set(ids))
    links = {a.attributes["href"] for a in page.all("a")}
    inside = {link.removeprefix("#") for link in links if link.startswith("#")}
    inside |= {found_[1:] for found_ in re.findall(r"url\((#[^)]+)\)", text)}
    assert inside <= set(ids)
    written = write_feasibility_folder(found, tmp_path / "answer")
    others = {link for link in links if not link.startswith("#")}
    assert others == {f"sheets/R{k + 1:02d}-star-{k}.html" for k in range(len(found.nights))}
    assert all((written.parent / link).is_file() for link in others)


def test_names_from_files_stay_text(hostile):
    name, found, figures = hostile
    seen = re.sub(r"\s+", " ", name)
    sheets = [render_sheet(found, sheet, figures) for sheet in target_sheets(found)]
    for page_text in (render_feasibility(found, figures), *sheets):
        page = read_page(page_text)
        assert not page.all("script")
        assert not [key for e in page.all() for key in e.attributes if key.startswith("on")]
        assert seen in page.all("h1")[0].text()
        assert seen in page.all("p", class_="told")[0].text()


def test_one_table_says_what_to_ask_for_and_why_not(found, text):
    rows = rows_of(read_page(text).all("table", id="asks")[0])
    for row, night in zip(rows, found.nights, strict=True):
        wish = night.scenario.requests[night.request]
        assert row.all("td", data_label="visits")[0].text() == str(wish.visits)
        assert row.all("td", data_label="months")[0].text()
        reason, remedy = (row.all("td", data_label=name)[0].text() for name in ("reason", "smallest remedy"))
        if night.serving:
            assert (reason, remedy) == ("–", "–")
        else:
            assert reason.lower().startswith(night.exclusion.sentence.lower())
            assert remedy.startswith(
                night.remedies[0].sentence if night.remedies else "nothing that was tried"
            )
