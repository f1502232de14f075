"""The ranking page, its tables and its folder say what was found, and names from files do no harm there."""

from __future__ import annotations

import datetime
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.table import QTable
from pages import read_page
from ranked import HOSTILE, UNSERVED, nothing, ranking, simply_drawn

from planner.output import ranking_folder
from planner.output.ranking_folder import write_ranking_folder
from planner.output.ranking_json import ranking_told
from planner.output.ranking_method import method
from planner.output.ranking_page import left_out, render_ranking, request_rows, seat_rows
from planner.output.ranking_tables import ranking_table
from planner.output.ranking_words import (
    gives_up_told,
    in_the_way,
    moves_of,
    order_told,
    planned_among_told,
    runner_up_sentences,
    safety_told,
    spread_told,
    staying_sentences,
    verdict,
    way_told,
    worth_sentences,
)
from planner.ranking.answers import Seat, Truth
from planner.terminal import tell_ranking

NUMBERS = (
    "true score", "bound", "estimate", "value in reach", "usable hours", "requests", "with fringes",
    "longest, m", "resolution, mas", "moves",
)  # fmt: skip


def page_of(found):
    return ranking_folder.render_ranking(
        found, {name: drawn.svg for name, drawn in simply_drawn(found).items()}
    )


@pytest.fixture(autouse=True)
def quick_figures(monkeypatch):
    monkeypatch.setattr(ranking_folder, "ranking_figures", simply_drawn)


@pytest.fixture(scope="module")
def found():
    return ranking(nights=3)


@pytest.fixture(scope="module")
def text(found):
    return page_of(found)


@pytest.fixture(scope="module", params=HOSTILE, ids=["markup", "mathematics", "quotes", "scripts"])
def hostile(request):
    return request.param, ranking(f" {request.param}")


def everyone_of(found):
    return (*found.top, *found.front, found.current)


def rows_of(page, name):
    return page.all("table", id=name)[0].all("tbody")[0].all("tr")


def cell(row, label):
    return row.all("td", data_label=label)[0].text()


def with_worth(one, score, bound):
    """The same subarray, whose plan of one night is worth this much."""
    date = one.truth.nights[0][0]
    return replace(one, truth=Truth(((date, score, bound, 9),)))


def test_the_verdict_names_winner_worth_bound_and_moves():
    # By hand: scores 300, 302, 304 and bounds four above them; two telescopes are not where they stand.
    told = "Combine K1–K3–M8–M9: worth 302 of at most 306, mean over the 3 nights; 2 telescopes to move."
    assert verdict(ranking(nights=3)) == told
    assert verdict(nothing()) == "No subarray of 4 telescopes can be used by any request."


def test_the_winner_stands_on_its_stations_with_telescopes_and_lines(found, text):
    (table,) = read_page(text).all("table", class_="rows seats")
    best = found.top[0]
    rows = table.all("tbody")[0].all("tr")
    assert [row.all("th")[0].text() for row in rows] == list(best.stations)
    assert [row.all("td")[0].text() for row in rows] == list(best.telescopes)
    assert [row.all("td")[2].text() for row in rows] == list(best.lines)
    assert [row.all("td")[3].text() for row in rows] == [
        "– stays", "– stays", "→ moves from M2", "→ moves from M6"
    ]  # fmt: skip


def test_what_has_to_move_is_what_does_not_stand_there_yet(found):
    placed = found.scenario.array.placed(found.scenario.night.configuration)
    for one in (*found.top, found.current):
        moves = moves_of(found, one)
        assert len(moves) == one.score.moves
        for move in moves:
            assert placed[move.telescope] == move.start != move.end
        assert sum(row.move == "stays" for row in seat_rows(found, one)) == found.size - len(moves)


def test_a_telescope_that_stands_in_the_way_is_told():
    found = ranking()
    one = replace(found.top[0], telescopes=("T1", "T3", "U1", "U2"))
    seats = (*one.seats[:2], Seat("M6", "one metre", None), one.seats[3])
    # U1 goes to M6, where U2 stands now; U2 is used elsewhere, so nobody is in the way.
    assert in_the_way(found, replace(one, seats=seats)) == ()
    alone = replace(one, seats=seats[:3], telescopes=("T1", "T3", "U1"))
    assert way_told(found, alone) == "Has to make room, with a place still to be found: U2 on M6."


def test_every_number_of_the_ranking_equals_the_data_in_the_order_of_the_data(found, text):
    rows = rows_of(read_page(text), "top")
    everybody = [*found.top, found.current]
    assert len(rows) == len(everybody)
    for place, (row, one) in enumerate(zip(rows, everybody, strict=True), start=1):
        score = one.score
        assert row.all("th")[0].text() == ("now" if one is found.current else str(place))
        assert row.all("b")[0].text() == one.name
        told = [float(cell(row, label).replace(",", "")) for label in NUMBERS]
        data = [
            one.truth.score, one.truth.bound, score.estimate, score.value, score.hours, score.requests,
            score.chained, score.longest_m, score.resolution_mas, score.moves,
        ]  # fmt: skip
        # Scores, hours and metres to a tenth, the resolution to three figures, the others whole.
        assert np.abs(np.subtract(told, data)).max() <= 0.0501
        assert cell(row, "resolution, mas") == f"{score.resolution_mas:.3g}"
        assert ("on the front" in row.text()) == one.on_front


def test_the_front_says_what_each_is_best_in(found, text):
    rows = rows_of(read_page(text), "pareto")
    assert [row.all("b")[0].text() for row in rows] == [one.name for one in found.front]
    best = {
        "estimate": max(found.front, key=lambda one: one.score.estimate),
        "value in reach": max(found.front, key=lambda one: one.score.value),
        "resolution": min(found.front, key=lambda one: one.score.resolution_mas),
    }
    for row, one in zip(rows, found.front, strict=True):
        told = cell(row, "best in").split(", ")
        for words, first in best.items():
            assert (words in told) == (first is one)
        fewest = min(other.score.moves for other in found.front)
        assert ("fewest moves" in told) == (one.score.moves == fewest)


def test_requests_of_the_winner_add_up_and_are_compared_with_the_runner_up(found, text):
    rows = rows_of(read_page(text), "by-request")
    best, second = found.top[:2]
    gains = best.truth_by_request - second.truth_by_request
    names = [found.scenario.requests[k].name for k in found.requests]
    assert [cell(row, "target") for row in rows[:-1]] == [names[k] for k in np.argsort(-gains, kind="stable")]
    for row in rows[:-1]:
        k = names.index(cell(row, "target"))
        for one, who in ((best, "winner"), (second, "runner-up"), (found.current, "staying")):
            cells, value = cell(row, f"cells, {who}"), cell(row, f"value, {who}")
            assert int(cells.replace("–", "0")) == one.cells[k]
            assert float(value.replace("–", "0")) == pytest.approx(one.truth_by_request[k], abs=0.0501)
        told = cell(row, "against runner-up")
        sign = "gained" if gains[k] > 0.05 else "lost" if gains[k] < -0.05 else "same"
        if not best.truth_by_request[k] and not second.truth_by_request[k]:
            sign = "neither"
        assert told.endswith(sign)
        assert float(told.split()[0].replace("−", "-")) == pytest.approx(gains[k], abs=0.0501)
    assert cell(rows[-1], "value, winner") == f"{best.truth.score:g}"
    assert cell(rows[-1], "against runner-up") == f"+{best.truth.score - second.truth.score:g}"


def test_requests_that_nobody_serves_are_named(found, text):
    (told,) = read_page(text).all("div", class_="no")
    assert f"No choice serves: {found.scenario.requests[UNSERVED].name}." in told.text()
    for row in request_rows(found):
        if row.name == found.scenario.requests[UNSERVED].name:
            assert set(row.cells) == set(row.hours) == set(row.planned) == {"–"}


def test_what_the_winner_does_not_reach_is_told_with_who_does(found):
    second = replace(found, top=found.top[1::-1])  # what came second now wins; it reaches less
    told = dict(left_out(second))
    names = [found.scenario.requests[k].name for k in found.requests]
    assert set(told) == {names[k] for k in range(6) if not found.top[1].cells[k] and k != UNSERVED} != set()
    for name, other in told.items():
        known = {one.name: one.cells[names.index(name)] for one in everyone_of(second)}
        assert known[other] == max(known.values())
    only = replace(second, front=(), current=None, top=second.top[:1])
    assert set(dict(left_out(only)).values()) == {""}


def test_staying_costs_what_lies_between_the_two_scores(found):
    # By hand: 302 for the winner, 223 for the best as it stands, whose bound is 228.
    told = staying_sentences(found)
    assert told[0] == "Staying loses 79, 26.2 %."
    assert "K1–K2–M2–M6, worth 223 of at most 228" in told[1]
    assert told[2] == "Proven: no plan considered for it is worth more than 228."


def test_staying_is_told_in_every_case(found):
    best = found.top[0]
    alike = replace(found, current=best)
    assert staying_sentences(alike)[0].endswith("already holds the best subarray: nothing is lost.")
    assert "100.0 %" in staying_sentences(replace(found, current=None))[0]
    better = replace(found, current=with_worth(found.current, 305, 310))
    assert staying_sentences(better)[1].startswith("Moving gains nothing: staying is worth 3 more")


def test_the_best_as_it_stands_has_one_row_even_among_the_top(found):
    alike = replace(found, current=found.top[2])
    rows = rows_of(read_page(page_of(alike)), "top")
    assert [row.all("th")[0].text() for row in rows] == ["1", "2", "3, now", "4", "5", "6", "7"]


def test_plans_of_a_few_nights_are_not_told_as_those_of_all():
    found = ranking(nights=3)
    more = replace(found, nights=tuple(found.nights[0] + datetime.timedelta(days=k) for k in range(12)))
    assert "worth 302 of at most 306, planned for 3 of the 12 nights;" in verdict(more)
    told = dict(method(more))["true score"]
    assert told.endswith("Plans were made for 11 March 2027, 12 March 2027 and 13 March 2027.")
    assert "Plans were made" not in dict(method(found))["true score"]


def test_many_nights_are_told_by_the_worst_and_the_best():
    told = " ".join(worth_sentences(ranking(nights=8)))
    assert "From 300 on 11 March 2027 to 314 on 18 March 2027." in told


def test_a_seat_without_a_delay_line_is_told_with_a_dash(found):
    bare = replace(found, top=(replace(found.top[0], lines=("D1", "", "", "D2")), *found.top[1:]))
    assert [row.line for row in seat_rows(bare, bare.top[0])] == ["D1", "–", "–", "D2"]
    none = replace(found, top=(replace(found.top[0], lines=("", "", "", "")), *found.top[1:]))
    assert (
        rows_of(read_page(page_of(none)), "top")[0].all("span", class_="with")[0].text() == "T1, T3, U1, U2"
    )


def test_only_a_bound_below_the_winner_proves_the_order(found):
    best, second = with_worth(found.top[0], 300, 304), found.top[1]
    for score, bound, proven in ((290, 300, True), (290, 301, False)):
        told = runner_up_sentences(replace(found, top=(best, with_worth(second, score, bound))))
        assert told[0].endswith("10 (3.3 %) less.")
        assert told[2].startswith("Proven" if proven else "Not proven")
    others = (with_worth(found.top[2], 280, 300), with_worth(found.top[3], 280, 340))
    told = order_told(replace(found, top=(best, *others)))
    assert told == "1 of the other 2 of the table has a bound above the winner's score: not proven worse."


def test_a_winner_is_the_best_of_those_with_a_plan_and_the_page_says_so(found, text):
    assert planned_among_told(found) == ""
    some = replace(found, judged=30 * found.judged[:1], unplanned=(288.25, 120.0))
    assert planned_among_told(some) == (
        "Plans were made for 30 of the 471 subarrays that some request can use; "
        "the highest estimate of the others is 288.2."
    )
    assert planned_among_told(replace(some, unplanned=())) == ""
    shown = staying_sentences(replace(some, current=found.top[0]))[0]
    assert shown.endswith("already holds the best subarray of those planned: nothing is lost.")
    assert "Plans were made for 30 of the 471" in read_page(render_ranking(some, {})).text()


def test_what_the_winner_gives_up_is_told_by_request(found):
    # By hand: against staying the winner loses 40 on the second request, 3 on the first, and nothing else.
    best, current = found.top[0], found.current
    mine = np.array([10.0, 0.0, *[20.0] * (len(found.requests) - 2)])
    theirs = np.array([13.0, 40.0, *[5.0] * (len(found.requests) - 2)])
    case = replace(
        found,
        top=(replace(best, truth_by_request=mine), *found.top[1:]),
        current=replace(current, truth_by_request=theirs),
    )
    first, second = (found.scenario.requests[found.requests[k]] for k in (0, 1))
    assert gives_up_told(case) == (
        f"Gives less than staying to {second.name} (priority {second.priority}: 0 for 40) "
        f"and {first.name} (priority {first.priority}: 10 for 13)."
    )
    assert gives_up_told(replace(case, current=replace(current, truth_by_request=mine))) == ""
    second_best = replace(found.top[1], truth_by_request=theirs)
    ahead = replace(case, current=case.top[0], top=(case.top[0], second_best))
    assert gives_up_told(ahead).startswith(f"Gives less than the runner-up to {second.name} ")
    assert gives_up_told(replace(case, top=case.top[:1], current=None)) == ""


def test_at_least_is_never_rounded_up(found):
    # By hand: 2996 / 3000 = 99.8667 %.
    alone = replace(found, top=(with_worth(found.top[0], 2996, 3000),))
    assert "at least 99.8 % of the best possible" in worth_sentences(alone)[0]


def test_the_correlation_comes_with_its_sample(found, text):
    told = dict(method(found))
    assert told["rank correlation"].endswith(
        "0.912 over 8 subarrays spread over all of use, with plans made; "
        "1 is the same order throughout, 0 no relation."
    )
    assert told["considered"].startswith("495 subarrays of 4 telescopes")
    assert "leave 471 that some request can use" in told["considered"]
    errors = [100 * (one.score.estimate / one.truth.score - 1) for one in (*found.top, found.current)]
    assert f"lie {np.mean(np.abs(errors)):.1f} % from the true score" in told["estimate against truth"]
    shown = read_page(text).all("section", id="method")[0].text()
    assert all(word in shown and meaning in shown for word, meaning in told.items())
    assert "Too few" in dict(method(replace(found, spearman=None)))["rank correlation"]


def judged_at(found, factors, unplanned):
    """The same ranking, judged by plans worth so many times their estimate of 100, and others without one."""
    judged = tuple((f"subarray {k}", 100.0, 100.0 * own) for k, own in enumerate(factors))
    return replace(found, judged=judged, unplanned=unplanned)


def test_a_place_is_safe_when_no_estimate_could_be_lifted_above_it(found):
    # By hand: true scores were at most 1.1 times their estimate, and the winner is worth 302: 275 times 1.1
    # is 302.5, 274 times 1.1 is 301.4.
    factors = (0.9, 1.0, 1.1, 0.8, 1.0)
    safe = judged_at(found, factors, (274.0, 200.0))
    assert safety_told(safe) == (
        "The first place is safe by what was seen, though not proven: no true score was more than 1.100 "
        "times its estimate, and the highest estimate without a plan is 274."
    )
    rivalled = judged_at(found, factors, (276.0, 275.0, 200.0))
    assert rivalled.rivals(found.top[0]) == 2
    assert safety_told(rivalled) == (
        "The first place is not safe: 2 subarrays without a plan could still be better. True scores were "
        "up to 1.100 times their estimate, and the highest estimate without a plan is 276. "
        "--top 2 plans them all."
    )
    rows = rows_of(read_page(page_of(rivalled)), "top")
    assert [cell(row, "could be better") for row in rows[:2]] == ["2", str(rivalled.rivals(found.top[1]))]
    assert safety_told(rivalled) in read_page(page_of(rivalled)).text()
    assert ranking_told(rivalled)["top"][0]["unplanned_that_could_be_better"] == 2
    assert ranking_table(rivalled)["could_be_better"][0] == 2
    # Four plans say nothing of a spread; what was estimated at nothing and is worth something says too much.
    assert "cannot be said" in safety_told(judged_at(found, factors[:4], (276.0,)))
    surprise = replace(safe, judged=(*safe.judged, ("none", 0.0, 7.0)))
    assert "any without a plan could be better" in safety_told(surprise)
    assert ranking_told(surprise)["true_of_estimate_max"] is None
    assert safety_told(judged_at(found, factors, ())) == ""


def test_how_far_estimates_lie_off_is_told_over_all_plans(found):
    # By hand: 100 for 125 is 20 % too little, 100 for 80 is 25 % too much; of nothing there is no per cent.
    case = judged_at(found, (1.25, 0.8, 0.0), ())
    assert spread_told(case) == (
        "Over all 3 subarrays with plans made estimates lie 22.5 % from the true score on the mean, "
        "from −20.0 % to +25.0 %. 1 plan worth nothing was estimated at more."
    )
    spread = ranking_told(case)["estimate_error_percent"]
    assert spread == {"plans": 2, "mean_absolute": 22.5, "least": -20.0, "most": 25.0}


def test_a_ranking_that_was_stopped_says_so_everywhere(found, capsys):
    case = replace(found, stopped="Ctrl-C", wanted=20)
    told = "Incomplete: stopped by Ctrl-C when 8 of the 20 plans were made."
    assert verdict(case).endswith(told)
    assert told in read_page(page_of(case)).text()
    assert (ranking_told(case)["stopped"], ranking_told(case)["wanted"]) == ("Ctrl-C", 20)
    assert ranking_table(case).meta["stopped"] == "Ctrl-C"
    tell_ranking(case, Path("page"), as_json=False)
    assert told in capsys.readouterr().out
    assert "Incomplete" not in verdict(found)


def test_without_plans_the_page_speaks_of_estimates_only():
    found = ranking(planned=False)
    page = read_page(page_of(found))
    best = found.top[0]
    assert (
        page.all("p", class_="verdict")[0]
        .text()
        .startswith(f"Combine {best.name}: estimated {best.score.estimate:.1f};")
    )
    assert page.all("section", class_="worth")[0].all("h2")[0].text().startswith("Estimate")
    for row in rows_of(page, "top"):
        assert cell(row, "true score") == cell(row, "bound") == "–"
    assert "nothing is proven" in page.text()


@pytest.mark.parametrize("tops", [0, 1, 2])
def test_a_page_with_few_subarrays_or_none_is_whole(tops):
    found = nothing() if tops == 0 else replace(ranking(), top=ranking().top[:tops], front=(), current=None)
    page = read_page(page_of(found))
    assert len(page.all("table", id="top")) == (tops > 0)
    assert "Before anything moves" in page.text()
    assert "None" not in page.text()


def test_the_page_allows_itself_nothing_from_outside(text):
    page = read_page(text)
    (policy,) = page.all("meta", http_equiv="Content-Security-Policy")
    assert policy.attributes["content"] == "default-src 'none'; style-src 'unsafe-inline'"
    assert not [element for element in page.all() if element.name in {"script", "link", "img"}]
    assert not re.search(r"(?:src|href)=\"(?!#)", text)
    assert not re.search(r"url\((?!['\"]?#)", text)


def test_hostile_names_stay_text(hostile, tmp_path):
    name, found = hostile
    file = write_ranking_folder(found, tmp_path / "ranking")
    page = read_page(file.read_text(encoding="utf-8"))
    assert not page.all("script")
    assert all(not key.startswith("on") for element in page.all() for key in element.attributes)
    for wish in found.scenario.requests:
        assert re.sub(r"\s+", " ", wish.name) in page.text()
    table = QTable.read(tmp_path / "ranking" / "by_request.ecsv")
    assert set(table["target"]) == {wish.name for wish in found.scenario.requests}
    assert all(name in station for station in table["stations"])
    json.dumps(ranking_told(found))


def test_on_a_telephone_each_cell_of_the_winner_carries_its_heading(found, text):
    # There the head of the table is hidden, and each cell writes its own heading above itself.
    page = read_page(text)
    (table,) = page.all("table", class_="rows seats")
    heads = [head.text() for head in table.all("thead")[0].all("th")]
    assert heads == ["station", "telescope", "class", "delay line", "by day"]
    for row in table.all("tbody")[0].all("tr"):
        cells = [*row.all("th"), *row.all("td")]
        assert [own.attributes["data-label"] for own in cells] == heads
    narrow = text.partition("@media screen and (max-width: 720px)")[2]
    assert ".rows.seats tr > [data-label]::before { content: attr(data-label);" in narrow
