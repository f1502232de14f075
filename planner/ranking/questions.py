"""From a question to a ranking: every subarray scored quickly, the best planned in truth."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import spearmanr

from planner.constraints.tonight import night_limits
from planner.errors import NoNight
from planner.geometry.baselines import baseline_vectors_m, lengths_m
from planner.geometry.placement import Placement
from planner.progress import PartDone
from planner.ranking.answers import Ranked, Ranking, Score, Seat
from planner.ranking.moments import Moments, moments_of
from planner.ranking.seats import moves_of, seating, seats_of, subarrays_of, telescopes_for
from planner.ranking.truth import NAME, skies, truth_of, with_subarray
from planner.ranking.worth import Worth, worth_of
from planner.scenario.targets import Scenario
from planner.scheduling.stopping import Stop, Why, stopping
from planner.scheduling.subarrays import assign_lines
from planner.sky.night import NightSky
from planner.units import RAD_PER_MAS

Tell = Callable[[str], None]
NIGHTS_MAX = 31  # of a longer range so many are taken, evenly spread
TRUE_NIGHTS_MAX = 3  # nights for which true plans are made
SAMPLE_LEAST = 5
FRONT_MAX = 40


@dataclass(frozen=True)
class RankQuestion:
    """What is asked.

    Attributes
    ----------
    scenario : Scenario
        Its configuration is where the telescopes stand now.
    nights : tuple of date
    size : int
    listed_only : bool
    top : int
        Subarrays for which true plans are made: the best by the estimate.
    check : int
        Subarrays, evenly spread over the whole ranking, over which estimate and plan are compared;
        those among the top count.
    """

    scenario: Scenario
    nights: tuple[datetime.date, ...]
    size: int
    listed_only: bool
    top: int
    check: int


@dataclass(frozen=True)
class _Field:
    """Every subarray of a question with what it is worth."""

    question: RankQuestion
    seats: tuple[Seat, ...]
    placement: Placement
    asked: tuple[int, ...]
    worth: Worth
    moves: np.ndarray
    longest_m: np.ndarray
    front: np.ndarray

    @property
    def estimate(self) -> np.ndarray:
        """Of each subarray."""
        return self.worth.estimates.sum(axis=1)

    @property
    def value(self) -> np.ndarray:
        """Priority-weighted cells of each subarray."""
        priority = np.array([self.question.scenario.requests[row].priority for row in self.asked])
        return self.worth.cells @ priority


def nights_between(first: datetime.date, last: datetime.date) -> tuple[datetime.date, ...]:
    """Return the nights of a range; of a long one, ``NIGHTS_MAX`` evenly spread, first and last included."""
    count = (last - first).days + 1
    chosen = np.unique(np.round(np.linspace(0, count - 1, min(count, NIGHTS_MAX))).astype(int))
    return tuple(first + datetime.timedelta(days=int(day)) for day in chosen)


def ranking_of(question: RankQuestion, tell: Tell) -> Ranking:
    """Work a ranking out.

    Raises
    ------
    NoNight
        When the Sun goes below the limit in none of the nights.
    """
    scenario = question.scenario
    asked = tuple(
        row for row, wish in enumerate(scenario.requests) if scenario.combiner_of(wish).beams <= question.size
    )
    seats = seats_of(scenario.array)
    placement = seating(scenario.array, seats)
    members = subarrays_of(scenario.array, seats, question.size, question.listed_only)
    nights = _nights(question, seats, placement, asked, tell)
    tell(f"Scoring {len(members):,} subarrays in {len(nights)} {'night' if len(nights) == 1 else 'nights'}")
    worth = worth_of(scenario, seats, members, [night[1] for night in nights], asked, question.listed_only)
    field = _field(question, seats, placement, asked, worth)
    return _told(field, tuple(night[0] for night in nights), tell)


def _nights(
    question: RankQuestion,
    seats: Sequence[Seat],
    placement: Placement,
    asked: Sequence[int],
    tell: Tell,
) -> list[tuple[datetime.date, Moments]]:
    found = []
    refused: NoNight | None = None
    for number, date in enumerate(question.nights):
        tell(PartDone(f"Computing the night of {date}", number, len(question.nights)))
        try:
            found.append((date, moments_of(question.scenario, date, seats, placement, asked)))
        except NoNight as error:
            refused = refused or error
    if not found and refused:
        raise refused
    return found


def _field(
    question: RankQuestion,
    seats: tuple[Seat, ...],
    placement: Placement,
    asked: tuple[int, ...],
    worth: Worth,
) -> _Field:
    moves = moves_of(question.scenario.array, seats, worth.members, question.scenario.night.configuration)
    longest = np.array(
        [lengths_m(baseline_vectors_m(placement.vectors_m[chosen])).max() for chosen in worth.members]
    ).reshape(len(worth.members))
    front = pareto(
        np.stack(
            [
                worth.estimates.sum(axis=1),
                worth.cells @ np.array([question.scenario.requests[row].priority for row in asked]),
                worth.served.sum(axis=1),
                longest,
                -moves,
            ],
            axis=1,
        )
    )
    return _Field(question, seats, placement, asked, worth, moves, longest, front)


def pareto(values: np.ndarray) -> np.ndarray:
    """Return which rows no other row matches in every column and beats in one, (row,).

    Parameters
    ----------
    values : ndarray (row, column)
        Larger is better.
    """
    kept: np.ndarray = np.ones(len(values), dtype=bool)
    # The best of a sum cannot be beaten, so later rows are struck out early.
    for row in np.argsort(-values.sum(axis=1), kind="stable"):
        if kept[row]:
            matched = np.all(values <= values[row], axis=1)
            kept = kept & ~(matched & np.any(values < values[row], axis=1))
    return kept


def _told(field: _Field, nights: tuple[datetime.date, ...], tell: Tell) -> Ranking:
    question, scenario = field.question, field.question.scenario
    useful = np.asarray(field.worth.open.any(axis=1))
    order = np.lexsort((field.moves, -field.value, -field.estimate))
    order = order[useful[order]]
    top = order[: question.top]
    standing = order[_stands(field)[order]]
    count = min(question.check, len(order))
    spread = order[np.unique(np.linspace(0, len(order) - 1, count).astype(int))]
    # The best of those that stand comes second, so that a ranking that is stopped knows what staying costs.
    first = [*top[:1].tolist(), *standing[:1].tolist()]
    wanted = list(dict.fromkeys([*first, *top.tolist(), *spread.tolist()]))
    true_nights = _true_nights(scenario, nights, field.asked)
    planned, stopped = _plans(field, wanted, true_nights, tell)
    # Whoever has a plan competes, also those that were planned for another reason.
    known = planned or {row: _ranked(field, row, true_nights) for row in top.tolist()}
    ranked = sorted(known.values(), key=_rank)[: question.top]
    stands = [planned[row] for row in standing.tolist() if row in planned]
    stands = stands or [known.get(row) or _ranked(field, row, true_nights) for row in standing[:1].tolist()]
    current = min(stands, key=_rank, default=None)
    front = order[field.front[order]][:FRONT_MAX].tolist()
    sample = [planned[row] for row in spread.tolist() if row in planned]
    return Ranking(
        scenario=scenario,
        nights=nights,
        size=question.size,
        listed_only=question.listed_only,
        considered=len(field.worth.members),
        feasible=int(np.count_nonzero(useful)),
        requests=field.asked,
        top=tuple(ranked),
        front=tuple(known.get(row) or _ranked(field, row, true_nights) for row in front),
        current=current,
        unserved=tuple(int(k) for k in np.flatnonzero(~field.worth.open.any(axis=0))),
        sample=tuple(_judged(one) for one in sample),
        spearman=_correlation(sample),
        judged=tuple(_judged(one) for one in planned.values()),
        unplanned=tuple(float(field.estimate[row]) for row in order.tolist() if row not in planned),
        wanted=len(wanted),
        stopped=stopped,
    )


def _plans(
    field: _Field, wanted: Sequence[int], nights: list[tuple[datetime.date, NightSky]], tell: Tell
) -> tuple[dict[int, Ranked], Why | None]:
    """Plan with each subarray in turn; Ctrl-C ends it, and says so, with what is planned by then."""
    planned: dict[int, Ranked] = {}
    with stopping() as stop:
        for number, row in enumerate(wanted):
            tell(PartDone(f"Planning with subarray {number + 1} of {len(wanted)}", number, len(wanted)))
            one = _planned(field, row, nights, stop)
            # A plan that was cut short would be compared with whole ones.
            if stop():
                return planned, stop()
            planned[row] = one
    return planned, None


def _judged(one: Ranked) -> tuple[str, float, float]:
    return one.name, one.score.estimate, _score(one)


def _rank(one: Ranked) -> tuple[float, int, float, tuple[str, ...]]:
    return -_score(one), one.score.moves, -one.score.estimate, one.stations


def _score(one: Ranked) -> float:
    return one.score.estimate if one.truth is None else one.truth.score


def _correlation(sample: Sequence[Ranked]) -> float | None:
    """Rank correlation of estimate and plan; None for too few, or where all are worth the same."""
    estimates, scores = [one.score.estimate for one in sample], [_score(one) for one in sample]
    if len(sample) < SAMPLE_LEAST or len(set(estimates)) < 2 or len(set(scores)) < 2:
        return None
    return float(spearmanr(estimates, scores).statistic)


def _true_nights(
    scenario: Scenario, nights: tuple[datetime.date, ...], asked: Sequence[int]
) -> list[tuple[datetime.date, NightSky]]:
    """The nights for which plans are made: the first, the middle and the last."""
    chosen = np.unique(np.linspace(0, len(nights) - 1, min(len(nights), TRUE_NIGHTS_MAX)).astype(int))
    dates = [nights[k] for k in chosen]
    return list(zip(dates, skies(scenario, dates, asked), strict=True))


def _stands(field: _Field) -> np.ndarray:
    """Which subarrays stand already, (subarray,)."""
    array = field.question.scenario.array
    placed = array.placed(field.question.scenario.night.configuration)
    there = {(station, array.class_of(name).name) for name, station in placed.items()}
    own = np.array([(seat.station, seat.telescope_class) in there for seat in field.seats], dtype=bool)
    return np.asarray(own[field.worth.members].all(axis=1))


def _planned(field: _Field, row: int, nights: list[tuple[datetime.date, NightSky]], stop: Stop) -> Ranked:
    one = _ranked(field, row, nights)
    truth, by_request = truth_of(field.question.scenario, one.seats, field.asked, nights, stop)
    return replace(one, truth=truth, truth_by_request=by_request)


def _ranked(field: _Field, row: int, nights: list[tuple[datetime.date, NightSky]]) -> Ranked:
    scenario, worth = field.question.scenario, field.worth
    chosen = tuple(field.seats[k] for k in worth.members[row])
    standing = [scenario.array.placed(own.name) for own in scenario.array.configurations]
    listed = tuple(
        own.name
        for own, placed in zip(scenario.array.configurations, standing, strict=True)
        if all(
            any(
                station == seat.station and scenario.array.class_of(name).name == seat.telescope_class
                for name, station in placed.items()
            )
            for seat in chosen
        )
    )
    combiners = [scenario.combiner_of(scenario.requests[k]) for k in field.asked]
    shortest = min((min(own.wavelengths_um) for own in combiners), default=np.inf)
    longest = float(field.longest_m[row])
    return Ranked(
        seats=chosen,
        telescopes=telescopes_for(scenario.array, chosen, scenario.night.configuration),
        lines=_lines(field, chosen, nights),
        configurations=listed,
        score=Score(
            estimate=float(field.estimate[row]),
            value=float(field.value[row]),
            hours=float(worth.hours[row].sum()),
            requests=int(worth.served[row].sum()),
            chained=int(worth.chained[row].sum()),
            longest_m=longest,
            resolution_mas=shortest * 1e-6 / (2.0 * max(longest, 1e-9)) / RAD_PER_MAS,
            moves=int(field.moves[row]),
        ),
        on_front=bool(field.front[row]),
        cells=worth.cells[row],
        hours=worth.hours[row],
        estimates=worth.estimates[row],
        truth=None,
        truth_by_request=None,
    )


def _lines(
    field: _Field, chosen: Sequence[Seat], nights: list[tuple[datetime.date, NightSky]]
) -> tuple[str, ...]:
    """The delay lines that serve most of what the subarray can do in the first night, by the scheduler."""
    restricted = with_subarray(field.question.scenario, chosen, field.asked)
    array = restricted.array
    alike: dict[tuple[str, str | None, bool], list[int]] = {}
    for k, wish in enumerate(restricted.requests):
        if array.combiner(wish.combiner).beams == len(chosen):
            dual = wish.extras.second_star is not None
            alike.setdefault((wish.combiner, wish.extras.spectral_setup, dual), []).append(k)
    limits = night_limits(restricted, nights[0][1], NAME)
    names = telescopes_for(field.question.scenario.array, chosen, field.question.scenario.night.configuration)
    telescopes = tuple(sorted(limits.placement.telescopes.index(name) for name in names))
    lines: dict[int, int] = {}
    for (combiner, setup, _), rows in alike.items():
        served = assign_lines(limits, array.combiner(combiner, setup), telescopes, rows)
        if served:
            best = max(served, key=lambda row: (restricted.requests[row].priority, -row))
            lines = dict(zip(served[best].telescopes, served[best].lines, strict=True))
            break
    places = [limits.placement.telescopes.index(name) for name in names]
    return tuple(array.delay_lines[lines[k]].name if k in lines else "" for k in places)
