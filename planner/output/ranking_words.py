"""What the ranking page says in words: worth, moves, what staying costs, what is proven, how it was found."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.output.feasibility_words import date_told, number_told
from planner.output.sentences import counted, joined, thousands
from planner.ranking.answers import Ranked, Ranking, Truth

GIVEN_UP_MAX = 3
NIGHTS_MAX = 5  # more of them are told by the worst and the best
TOP_MAX = 100  # plans that --top can ask for
SMALLEST = 0.05  # a difference of scores below it is told as none


@dataclass(frozen=True)
class Move:
    """A telescope that has to move; ``start`` is None where it stands nowhere yet."""

    telescope: str
    start: str | None
    end: str


def moves_of(ranking: Ranking, one: Ranked) -> tuple[Move, ...]:
    """Return what has to move for a subarray, in the order of its seats."""
    scenario = ranking.scenario
    placed = scenario.array.placed(scenario.night.configuration)
    return tuple(
        Move(telescope, placed.get(telescope), station)
        for telescope, station in zip(one.telescopes, one.stations, strict=True)
        if placed.get(telescope) != station
    )


def in_the_way(ranking: Ranking, one: Ranked) -> tuple[Move, ...]:
    """Return telescopes outside a subarray that stand on its stations now; where they go is left open."""
    scenario = ranking.scenario
    placed = scenario.array.placed(scenario.night.configuration)
    return tuple(
        Move(telescope, station, "")
        for telescope, station in placed.items()
        if station in one.stations and telescope not in one.telescopes
    )


def move_told(move: Move) -> str:
    """Return one move in words."""
    return f"{move.telescope} {f'from {move.start} ' if move.start else ''}to {move.end}"


def worth(one: Ranked) -> float:
    """Return the true score where plans were made, else the estimate."""
    return one.score.estimate if one.truth is None else one.truth.score


def shares(one: Ranked) -> np.ndarray:
    """Return what each request brings to :func:`worth`, (request,)."""
    return one.estimates if one.truth_by_request is None else one.truth_by_request


def difference(one: Ranked, other: Ranked) -> float:
    """Return by how much one is worth more than the other: true scores, or both estimates."""
    if one.truth is None or other.truth is None:
        return one.score.estimate - other.score.estimate
    return one.truth.score - other.truth.score


def same_subarray(one: Ranked, other: Ranked) -> bool:
    """Whether two rows are the same classes on the same stations, in whatever order."""
    return sorted((s.station, s.telescope_class) for s in one.seats) == sorted(
        (s.station, s.telescope_class) for s in other.seats
    )


def score_told(value: float) -> str:
    """Return a score, with one decimal where it is no whole number.

    Examples
    --------
    >>> score_told(509.0), score_told(1234.56)
    ('509', '1,234.6')
    """
    return f"{value:,.1f}".removesuffix(".0")


def signed_told(value: float) -> str:
    """Return a difference of scores with its sign; ``0`` for less than can be told.

    Examples
    --------
    >>> signed_told(3.14), signed_told(-2.0), signed_told(0.01)
    ('+3.1', '−2', '0')
    """
    return "0" if abs(value) < SMALLEST else f"{'+' if value > 0 else '−'}{score_told(abs(value))}"


def percent_told(part: float, whole: float) -> str:
    """Return a part in per cent of the whole; ``–`` where the whole is nothing.

    Examples
    --------
    >>> percent_told(1.0, 3.0), percent_told(1.0, 0.0)
    ('33.3 %', '–')
    """
    return f"{100.0 * part / whole:.1f} %" if whole > 0 else "–"


def worth_told(one: Ranked) -> str:
    """Return what a subarray is worth in a few words, with what is proven of it."""
    if one.truth is None:
        return f"estimated {score_told(one.score.estimate)}"
    return f"worth {score_told(one.truth.score)} of at most {score_told(one.truth.bound)}"


def nights_told(nights: Sequence[datetime.date]) -> str:
    """Return the nights in words.

    Examples
    --------
    >>> nights_told([datetime.date(2027, 3, 11)])
    'night of 11 March 2027'
    >>> nights_told([datetime.date(2027, 3, 11), datetime.date(2027, 3, 18)])
    '2 nights from 11 March 2027 to 18 March 2027'
    """
    if len(nights) == 1:
        return f"night of {date_told(nights[0])}"
    return f"{len(nights)} nights from {date_told(min(nights))} to {date_told(max(nights))}"


def mean_told(ranking: Ranking) -> str:
    """Say over which nights the worth of the best is a mean; nothing for one night."""
    best = ranking.top[0] if ranking.top else None
    whole = len(ranking.nights)
    count = whole if best is None or best.truth is None else len(best.truth.nights)
    if count < whole:
        return f"planned for {count} of the {whole} nights"
    return "" if whole == 1 else f"mean over the {whole} nights"


def verdict(ranking: Ranking) -> str:
    """Say which subarray, what it is worth, and what it takes."""
    if not ranking.top:
        return f"No subarray of {ranking.size} telescopes can be used by any request."
    best = ranking.top[0]
    moves = best.score.moves
    takes = f"{counted(moves, 'telescope')} to move" if moves else "nothing has to move"
    mean = ", ".join(filter(None, (worth_told(best), mean_told(ranking))))
    among = ""
    if best.truth is not None and ranking.unplanned_estimate is not None:
        among = f", the best of {thousands(ranking.planned)} planned"
    whole = f"Combine {best.name}{among}: {mean}; {takes}."
    return " ".join(filter(None, (whole, incomplete_told(ranking))))


def planned_told(truth: Truth) -> str:
    """Say over which nights plans were made, where there are several."""
    if len(truth.nights) == 1:
        return ""
    if len(truth.nights) > NIGHTS_MAX:
        worst, best = (pick(truth.nights, key=lambda night: night[1]) for pick in (min, max))
        return (
            f"From {thousands(worst[1])} on {date_told(worst[0])} to {thousands(best[1])} "
            f"on {date_told(best[0])}."
        )
    told = [f"{date_told(date)} {thousands(score)}" for date, score, _, _ in truth.nights]
    return f"Planned night by night: {joined(told)}."


def worth_sentences(ranking: Ranking) -> tuple[str, ...]:
    """Say what the winner is worth, and what is proven about it."""
    best = ranking.top[0]
    score = best.score
    if best.truth is None:
        first = "No plan was made: this is the quick estimate, and nothing is proven about it."
    else:
        truth = best.truth
        kept = (
            f"{np.floor(1000.0 * truth.score / truth.bound) / 10.0:.1f} %" if truth.bound > 0 else "100.0 %"
        )
        over = (
            "of the night's plan with these telescopes alone"
            if len(truth.nights) == 1
            else f"over the plans of {len(truth.nights)} nights with these telescopes alone"
        )
        first = (
            f"{'Score' if len(truth.nights) == 1 else 'Mean score'} {over}; no plan of the visits considered "
            f"exceeds {score_told(truth.bound)}: at least {kept} of the best possible with this subarray "
            "and these visits."
        )
        first += (
            f" The quick estimate, which is neither a plan nor a bound, was {score_told(score.estimate)}."
        )
    served = (
        f"Can serve {score.requests} of {counted(len(ranking.requests), 'request')}, {score.chained} of them "
        f"with enough fringe contrast to join all telescopes; {score.hours:.1f} usable hours, each request "
        "for itself."
    )
    sharp = f"Longest baseline {score.longest_m:.1f} m, resolution {number_told(score.resolution_mas)} mas."
    nightly = "" if best.truth is None else planned_told(best.truth)
    return tuple(filter(None, (first, nightly, served, sharp)))


def _proven(better: Ranked, other: Ranked, who: str) -> str:
    """Say whether the bound of the other settles it."""
    if better.truth is None or other.truth is None:
        return "Both are estimates: nothing is proven about the difference."
    if other.truth.bound <= better.truth.score:
        return f"Proven: no plan considered for {who} is worth more than {score_told(other.truth.bound)}."
    return (
        f"Not proven: a plan for {who} could be worth up to {score_told(other.truth.bound)}, "
        f"and {score_told(better.truth.score)} was found for this one."
    )


def staying_sentences(ranking: Ranking) -> tuple[str, ...]:
    """Say what it costs to leave the telescopes where they are."""
    best, current = ranking.top[0], ranking.current
    configuration = ranking.scenario.night.configuration
    if current is None:
        return (
            f"No subarray of the configuration {configuration!r} can be used by any request: "
            f"staying is worth nothing, and loses {score_told(worth(best))}, 100.0 %.",
        )
    if same_subarray(best, current):
        among = " of those planned" if ranking.unplanned_estimate is not None and best.truth else ""
        return (
            f"The configuration {configuration!r} already holds the best subarray{among}: nothing is lost.",
        )
    lost = difference(best, current)
    whole = worth(best) if best.truth is not None and current.truth is not None else best.score.estimate
    stays = (
        f"Best as it stands, in the configuration {configuration!r}: {current.name}, {worth_told(current)}."
    )
    if lost <= 0:
        return (
            stays,
            f"Moving gains nothing: staying is worth {score_told(-lost)} more, so leave it as it is.",
        )
    return (
        f"Staying loses {score_told(lost)}, {percent_told(lost, whole)}.",
        stays,
        _proven(best, current, "it"),
    )


def runner_up_sentences(ranking: Ranking) -> tuple[str, ...]:
    """Say what comes second, and how sure the order is."""
    if len(ranking.top) < 2:
        return ("There is no other subarray to compare with.",)
    best, second = ranking.top[:2]
    moves = moves_of(ranking, second)
    behind = difference(best, second)
    whole = worth(best) if best.truth is not None and second.truth is not None else best.score.estimate
    if abs(behind) < SMALLEST:
        how = "worth the same"
    else:
        less = "less" if behind > 0 else "more"
        how = f"{score_told(abs(behind))} ({percent_told(abs(behind), whole)}) {less}"
    takes = (
        f"It takes {counted(len(moves), 'move')}: {joined([move_told(m) for m in moves])}."
        if moves
        else ("Nothing has to move for it.")
    )
    return f"{second.name}, {worth_told(second)}: {how}.", takes, _proven(best, second, "the runner-up")


def best_in(one: Ranked, front: Sequence[Ranked]) -> tuple[str, ...]:
    """Return what no other of the front is better in."""
    aims = (
        ("estimate", one.score.estimate, max(o.score.estimate for o in front)),
        ("value in reach", one.score.value, max(o.score.value for o in front)),
        ("requests", one.score.requests, max(o.score.requests for o in front)),
        ("resolution", one.score.resolution_mas, min(o.score.resolution_mas for o in front)),
        ("fewest moves", one.score.moves, min(o.score.moves for o in front)),
    )
    return tuple(words for words, own, best in aims if own == best)


def order_told(ranking: Ranking) -> str:
    """Say how many of the others could still turn out better than the winner, by their bounds."""
    made = [one.truth for one in ranking.top if one.truth is not None]
    if len(made) < 2 or ranking.top[0].truth is None:
        return ""
    open_ones = sum(truth.bound > made[0].score for truth in made[1:])
    if not open_ones:
        return f"No plan considered for the other {len(made) - 1} of the table is worth more: proven."
    has = "has a bound" if open_ones == 1 else "have bounds"
    others = f"the other {len(made) - 1} of the table"
    return f"{open_ones} of {others} {has} above the winner's score: not proven worse."


def planned_among_told(ranking: Ranking) -> str:
    """Say of how many subarrays the winner is the best in truth, and what the others were estimated at."""
    if not ranking.planned or ranking.unplanned_estimate is None:
        return ""
    return (
        f"Plans were made for {thousands(ranking.planned)} of the {thousands(ranking.feasible)} subarrays "
        f"that some request can use; the highest estimate of the others is "
        f"{score_told(ranking.unplanned_estimate)}."
    )


def incomplete_told(ranking: Ranking) -> str:
    """Say that the planning was stopped, and how far it had come; nothing where it was not."""
    if ranking.stopped is None:
        return ""
    return (
        f"Incomplete: stopped by {ranking.stopped} when {thousands(ranking.planned)} of the "
        f"{thousands(ranking.wanted)} plans were made."
    )


def spread_told(ranking: Ranking) -> str:
    """Say how far estimates lie from true scores, over every subarray that was planned."""
    errors = ranking.error_percent
    if not len(errors):
        return "No plan was made that is worth anything." if ranking.planned else "No plan was made."
    told = (
        f"Over all {counted(ranking.planned, 'subarray')} with plans made estimates lie "
        f"{np.mean(np.abs(errors)):.1f} % from the true score on the mean, from {errors.min():+.1f} % to "
        f"{errors.max():+.1f} %."
    ).replace("-", "−")
    empty = sum(true <= 0 and guess > 0 for _, guess, true in ranking.judged)
    if not empty:
        return told
    was = "was" if empty == 1 else "were"
    return f"{told} {counted(empty, 'plan')} worth nothing {was} estimated at more."


def rivals_told(ranking: Ranking, one: Ranked) -> str:
    """Say in a word how many subarrays without a plan could be better; a dash where nobody knows."""
    rivals = ranking.rivals(one)
    return "–" if rivals is None else "none" if rivals == 0 else f"{rivals:,}"


def safety_told(ranking: Ranking) -> str:
    """Say whether a subarray without a plan could still take the first place, by estimate and spread."""
    best = ranking.top[0] if ranking.top else None
    if best is None or best.truth is None or not ranking.unplanned:
        return ""
    most, rivals = ranking.raise_most, ranking.rivals(best)
    if most is None or rivals is None:
        return (
            f"Whether one of the {thousands(len(ranking.unplanned))} subarrays without a plan could be "
            "better cannot be said: too few plans were made to know how far estimates lie off."
        )
    if not np.isfinite(most):
        return (
            "The first place is not safe: a subarray that was estimated at nothing was worth something, so "
            "any without a plan could be better."
        )
    seen = (
        f"no true score was more than {most:.3f} times its estimate, and the highest estimate without a plan "
        f"is {score_told(max(ranking.unplanned))}"
    )
    if not rivals:
        return f"The first place is safe by what was seen, though not proven: {seen}."
    reach = rivals + sum(guess * most > best.truth.score for _, guess, _ in ranking.judged)
    more = f" --top {reach} plans them all." if reach <= TOP_MAX else ""
    which = f"{counted(rivals, 'subarray')} without a plan could still be better"
    return (
        f"The first place is not safe: {which}. True scores were up to {most:.3f} times their estimate, and "
        f"the highest estimate without a plan is {score_told(max(ranking.unplanned))}.{more}"
    )


def gives_up_told(ranking: Ranking) -> str:
    """Say for which requests the winner plans less than the subarray it would replace, the weightiest first.

    That is the best as it stands, or where that wins the runner-up.
    """
    best, current = ranking.top[0], ranking.current
    staying = current is not None and not same_subarray(best, current)
    other = current if staying else ranking.top[1] if len(ranking.top) > 1 else None
    if other is None or best.truth_by_request is None or other.truth_by_request is None:
        return ""
    mine, other_ones = best.truth_by_request, other.truth_by_request
    lost = other_ones - mine
    rows = [int(k) for k in np.argsort(-lost, kind="stable") if lost[k] >= SMALLEST]
    if not rows:
        return ""
    told = []
    for k in rows[:GIVEN_UP_MAX]:
        wish = ranking.scenario.requests[ranking.requests[k]]
        own, theirs = (score_told(float(values[k])) for values in (mine, other_ones))
        told.append(f"{wish.name} (priority {wish.priority}: {own} for {theirs})")
    if len(rows) > GIVEN_UP_MAX:
        told.append(counted(len(rows) - GIVEN_UP_MAX, "other"))
    return f"Gives less than {'staying' if staying else 'the runner-up'} to {joined(told)}."


def way_told(ranking: Ranking, one: Ranked) -> str:
    """Say which telescopes outside a subarray stand in its way; nothing where none does."""
    found = [f"{move.telescope} on {move.start}" for move in in_the_way(ranking, one)]
    return f"Has to make room, with a place still to be found: {joined(found)}." if found else ""


def unserved_names(ranking: Ranking) -> tuple[str, ...]:
    """Return the targets of requests that no subarray considered serves."""
    return tuple(ranking.scenario.requests[ranking.requests[k]].name for k in ranking.unserved)


def uncounted_names(ranking: Ranking) -> tuple[str, ...]:
    """Return the targets of requests whose combiner takes more telescopes than a subarray has."""
    counted_ones = set(ranking.requests)
    return tuple(r.name for k, r in enumerate(ranking.scenario.requests) if k not in counted_ones)


def lines_told(one: Ranked) -> tuple[str, ...]:
    """Return the delay lines of a subarray, a dash for a seat without one; nothing where none has one."""
    return tuple(line or "–" for line in one.lines) if any(one.lines) else ()
