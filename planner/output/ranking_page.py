"""The ranking page: which subarray, what it is worth, what it takes, and why; for screen and paper.

Every name from a file is escaped by jinja2; the page allows itself no resource
from outside and no script at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from planner import __version__
from planner.output.feasibility_words import hours_told, number_told
from planner.output.figure_uv import number_of
from planner.output.figures import DARK, PALETTE
from planner.output.html import page_environment
from planner.output.ranking_method import method
from planner.output.ranking_words import (
    GIVEN_UP_MAX,
    best_in,
    difference,
    gives_up_told,
    lines_told,
    move_told,
    moves_of,
    nights_told,
    order_told,
    planned_among_told,
    rivals_told,
    runner_up_sentences,
    safety_told,
    score_told,
    shares,
    signed_told,
    staying_sentences,
    uncounted_names,
    unserved_names,
    verdict,
    way_told,
    worth_sentences,
)
from planner.output.sentences import counted, joined
from planner.output.svg import inlined
from planner.ranking.answers import Ranked, Ranking

UNBROKEN_MAX = 14  # letters of a name that stays on one line


@dataclass(frozen=True)
class SeatRow:
    """One telescope of the winner: where, what, on which line, and what has to be done."""

    station: str
    telescope: str
    telescope_class: str
    line: str
    move: str


@dataclass(frozen=True)
class RankRow:
    """One subarray in a table; numbers as they are shown."""

    place: str
    stations: str
    telescopes: str
    lines: str
    configurations: str
    truth: str
    bound: str
    rivals: str
    estimate: str
    value: str
    hours: str
    requests: str
    chained: str
    longest: str
    resolution: str
    moves: str
    moved: str
    on_front: bool
    best_in: str


@dataclass(frozen=True)
class RequestRow:
    """One request with the winner, with the runner-up and with what stands now.

    Attributes
    ----------
    cells, hours, planned : tuple of str
        Of winner, runner-up and staying, as far as there are any.
    sign : str
        ``gained``, ``lost``, ``same`` or ``neither`` (none of the two serves it), of the winner against the
        runner-up.
    difference : str
    """

    number: str
    name: str
    combiner: str
    priority: int
    cells: tuple[str, ...]
    hours: tuple[str, ...]
    planned: tuple[str, ...]
    sign: str
    difference: str


def render_ranking(ranking: Ranking, figures: Mapping[str, str]) -> str:
    """Return the ranking as one HTML page.

    Parameters
    ----------
    ranking : Ranking
    figures : mapping
        {name: SVG text}, from :func:`~planner.output.ranking_folder.ranking_figures`.
    """
    best = ranking.top[0] if ranking.top else None
    template = page_environment().get_template("ranking.html.j2")
    return template.render(
        ranking=ranking,
        scenario=ranking.scenario,
        site=ranking.scenario.array.site,
        nights=nights_told(ranking.nights),
        verdict=verdict(ranking),
        best=best,
        score=None
        if best is None
        else score_told(best.score.estimate if not best.truth else best.truth.score),
        seats=() if best is None else seat_rows(ranking, best),
        way="" if best is None else way_told(ranking, best),
        order=order_told(ranking),
        among=planned_among_told(ranking),
        safety=safety_told(ranking),
        gives_up=gives_up_told(ranking) if best else "",
        unreached=unreached_told(ranking),
        worth=worth_sentences(ranking) if best else (),
        staying=staying_sentences(ranking) if best else (),
        runner_up=runner_up_sentences(ranking) if best else (),
        rows=[rank_row(ranking, one, place_of_row(ranking, one)) for one in ranking.top],
        current=_apart(ranking),
        front=[rank_row(ranking, one, place_of_row(ranking, one)) for one in ranking.front],
        requests=request_rows(ranking),
        compared=_compared(ranking),
        totals=_totals(ranking),
        unserved=unserved_names(ranking),
        uncounted=uncounted_names(ranking),
        left_out=left_out(ranking),
        method=method(ranking),
        figures={name: Markup(inlined(svg, PALETTE, linked=False)) for name, svg in figures.items()},
        version=__version__,
        counted=counted,
        light=PALETTE,
        dark=DARK,
    )


def seat_rows(ranking: Ranking, one: Ranked) -> tuple[SeatRow, ...]:
    """Return the telescopes of a subarray, one row each."""
    moves = {move.telescope: move for move in moves_of(ranking, one)}

    def done(telescope: str) -> str:
        move = moves.get(telescope)
        return "stays" if move is None else f"moves from {move.start}" if move.start else "to be set up"

    return tuple(
        SeatRow(seat.station, telescope, seat.telescope_class, line or "–", done(telescope))
        for seat, telescope, line in zip(one.seats, one.telescopes, one.lines, strict=True)
    )


def place_of_row(ranking: Ranking, one: Ranked) -> str:
    """Return the place of a subarray in the ranking, with ``now`` for the best as it stands, else a dash."""
    told = [str(place + 1) for place, other in enumerate(ranking.top) if other.seats == one.seats]
    if ranking.current is not None and ranking.current.seats == one.seats:
        told.append("now")
    return ", ".join(told) or "–"


def _apart(ranking: Ranking) -> RankRow | None:
    """The row of the best as it stands, where it is not among the top."""
    current = ranking.current
    if current is None or any(one.seats == current.seats for one in ranking.top):
        return None
    return rank_row(ranking, current, "now")


def _listed(names: Sequence[str]) -> str:
    """Join names in a list that is not broken inside a short one."""
    return ", ".join(name.replace(" ", "\u00a0") if len(name) <= UNBROKEN_MAX else name for name in names)


def rank_row(ranking: Ranking, one: Ranked, place: str) -> RankRow:
    """Return one subarray as a row."""
    score = one.score
    best = best_in(one, ranking.front) if ranking.front and one.on_front else ()
    return RankRow(
        place=place,
        stations=one.name,
        telescopes=_listed(one.telescopes),
        lines=_listed(lines_told(one)),
        configurations=", ".join(one.configurations) or "none",
        truth="–" if one.truth is None else score_told(one.truth.score),
        bound="–" if one.truth is None else score_told(one.truth.bound),
        rivals=rivals_told(ranking, one),
        estimate=score_told(score.estimate),
        value=f"{score.value:,.0f}",
        hours=f"{score.hours:,.1f}",
        requests=str(score.requests),
        chained=str(score.chained),
        longest=f"{score.longest_m:.1f}",
        resolution=number_told(score.resolution_mas),
        moves=str(score.moves),
        moved="; ".join(move_told(move) for move in moves_of(ranking, one)) or "nothing moves",
        on_front=one.on_front,
        best_in=", ".join(best) or "nothing alone: a compromise",
    )


def compared_with(ranking: Ranking) -> tuple[Ranked, ...]:
    """Return winner, runner-up and the best as it stands, as far as there are any and they differ."""
    chosen = list(ranking.top[:2])
    if ranking.current is not None and all(one.seats != ranking.current.seats for one in chosen):
        chosen.append(ranking.current)
    return tuple(chosen)


def _compared(ranking: Ranking) -> tuple[tuple[str, str], ...]:
    """Who is compared: what it is to the ranking, and its name."""
    told = []
    for place, one in enumerate(compared_with(ranking)):
        staying = ranking.current is not None and one.seats == ranking.current.seats
        word = "winner" if place == 0 else "staying" if place == 2 else "runner-up"
        told.append((f"{word} (as it stands)" if staying and place < 2 else word, one.name))
    return tuple(told)


def request_rows(ranking: Ranking) -> tuple[RequestRow, ...]:
    """Return every request, what the winner gains most first and what it loses most last."""
    compared = compared_with(ranking)
    if not compared:
        return ()
    planned = _planned(compared)
    gains = planned[0] - planned[1] if len(ranking.top) > 1 else planned[0]
    rows = []
    for k in sorted(range(len(ranking.requests)), key=lambda k: (-gains[k], k)):
        wish, gain = ranking.scenario.requests[ranking.requests[k]], float(gains[k])
        told = signed_told(gain)
        rows.append(
            RequestRow(
                number=number_of(ranking.requests[k]),
                name=wish.name,
                combiner=wish.combiner,
                priority=wish.priority,
                cells=tuple(f"{int(one.cells[k]):,}" if one.cells[k] else "–" for one in compared),
                hours=tuple(hours_told(float(one.hours[k])) for one in compared),
                planned=tuple(score_told(float(own[k])) if own[k] > 0 else "–" for own in planned),
                sign=_sign(told, gain, [float(own[k]) for own in planned[:2]]),
                difference=told,
            )
        )
    return tuple(rows)


def _sign(told: str, gain: float, values: Sequence[float]) -> str:
    if told != "0":
        return "gained" if gain > 0 else "lost"
    return "same" if any(values) else "neither"


def _planned(compared: Sequence[Ranked]) -> list[np.ndarray]:
    """What each request brings: planned for all of them, or estimated for all of them."""
    if all(one.truth_by_request is not None for one in compared):
        return [shares(one) for one in compared]
    return [one.estimates for one in compared]


def _totals(ranking: Ranking) -> dict[str, object] | None:
    compared = compared_with(ranking)
    if not compared:
        return None
    gain = difference(compared[0], compared[1]) if len(ranking.top) > 1 else 0.0
    made = all(one.truth_by_request is not None for one in compared)
    return {
        "kind": "planned" if made else "estimated",
        "cells": tuple(f"{int(one.cells.sum()):,}" for one in compared),
        "hours": tuple(hours_told(float(one.hours.sum())) for one in compared),
        "planned": tuple(score_told(float(own.sum())) for own in _planned(compared)),
        "difference": signed_told(gain),
        "several": len(ranking.top) > 1,
    }


def unreached_told(ranking: Ranking) -> str:
    """Say which requests the winner does not reach though other subarrays do, the weightiest first."""
    names = {name for name, _ in left_out(ranking)}
    wishes = [ranking.scenario.requests[k] for k in ranking.requests]
    missed = sorted((wish for wish in wishes if wish.name in names), key=lambda wish: -wish.priority)
    if not missed:
        return ""
    told = [f"{wish.name} (priority {wish.priority})" for wish in missed[:GIVEN_UP_MAX]]
    if len(missed) > GIVEN_UP_MAX:
        told.append(counted(len(missed) - GIVEN_UP_MAX, "other"))
    return f"Does not reach {joined(told)}, as other subarrays do."


def left_out(ranking: Ranking) -> tuple[tuple[str, str], ...]:
    """Return requests that the winner does not reach though others do: (target, who reaches most).

    That is nobody (an empty name) where only subarrays do that are not told.
    """
    if not ranking.top:
        return ()
    best = ranking.top[0]
    known = [*ranking.top, *ranking.front, *([ranking.current] if ranking.current is not None else [])]
    found = []
    for k, request in enumerate(ranking.requests):
        other = max(known, key=lambda one: one.cells[k])
        if best.cells[k] == 0 and k not in ranking.unserved:
            name = other.name if other.cells[k] > 0 else ""
            found.append((ranking.scenario.requests[request].name, name))
    return tuple(found)
