"""What would help: every kind of single change is tried, and only what opens a whole visit is offered.

Windows are over every assignment of delay lines and every common offset
already, so those two cost nothing and are never left to the user.
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from planner.constraints.phase import PHASE
from planner.constraints.two_stars import FIELD
from planner.constraints.windows import RESERVED
from planner.feasibility.answers import OPEN, Remedy, TargetNight, longest_open
from planner.feasibility.changes import (
    Change,
    longer_path,
    on_extras,
    on_night,
    on_recording,
    on_request,
    served_too,
)
from planner.feasibility.columns import AIR, DELAY, DIFFERENTIAL, PUPIL, RATE, RESOLVED, TRACKER
from planner.feasibility.exclusion import CALIBRATORS, LINES, ROOM, STEP, TELESCOPES
from planner.feasibility.light_remedies import light_remedies
from planner.feasibility.nights import Night, followed_star, visit_s
from planner.feasibility.relaxed import other_calibrators, relaxed_limits
from planner.feasibility.season import binding_of, room_for_science, season_sky
from planner.feasibility.spans import longest_s
from planner.feasibility.tries import Search, focused, least_path_m, opened, rounded_up, tried
from planner.scenario.night import FIRST_DATE, LAST_DATE
from planner.scheduling.routes import line_kinds
from planner.sky.year import YearSky

AHEAD_DAYS = 366
HIGHER_DEG = 1.0  # more than precession since the epoch and proper motion lift a star
NIGHTS_TRIED = 6
PATH_STEP_M = 0.1
PATHS_TRIED_M = (
    0.0,
    1.0,
    3.0,
    8.0,
)  # beyond the shortest that gives the science step room: calibrators want some


def with_remedies(
    whole: Night, answer: TargetNight, only: Sequence[str] = (), year: YearSky | None = None
) -> TargetNight:
    """Return the answer with the changes that help, cheapest first; unchanged when a visit is possible.

    Parameters
    ----------
    whole : Night
        The night that was answered.
    answer : TargetNight
    only : sequence of str
        Telescopes of the only subarray asked for.
    year : YearSky, optional
        The nights ahead, when they have been computed already.
    """
    exclusion = answer.exclusion
    if exclusion is None:
        return answer
    blamed = frozenset((*exclusion.alone, *exclusion.together))
    search = Search(focused(whole, answer.request), whole, tuple(only), blamed, exclusion.alone, year)
    found: list[Remedy] = []
    # Where no calibrator lies within the bracket distance, only others can help, whatever else is changed.
    alone = exclusion.alone == (CALIBRATORS,) and not answer.calibrators
    for offers in (other_calibrators,) if alone else _every_kind():
        found += offers(search)
    found.sort(key=lambda remedy: (remedy.cost, -remedy.opens_h, remedy.sentence))
    return replace(answer, remedies=tuple(found), remedies_tried=tuple(dict.fromkeys(search.tries)))


def _every_kind() -> tuple[Callable[[Search], Iterator[Remedy]], ...]:
    """Every kind of change, in the order in which they are tried."""
    return (
        _subarray,
        _combiner,
        _date,
        _step,
        relaxed_limits,
        other_calibrators,
        light_remedies,
        _line,
        _configuration,
        _path,
    )


def nights_ahead(date: datetime.date) -> list[datetime.date]:
    """Return the nights after a date in which another date is looked for."""
    ahead = min(AHEAD_DAYS, (LAST_DATE - date).days)
    return [date + datetime.timedelta(days=day) for day in range(1, ahead + 1)]


def _subarray(search: Search) -> Iterator[Remedy]:
    wish = search.night.scenario.requests[0]
    if search.only:
        search.tries.append("another subarray")
        found = opened(search.night, followed_star(search.night, 0))
        if found:
            names = "-".join(found.telescopes)
            change = Change("subarray", 0.0, f"Use the subarray {names} instead", lambda scenario: scenario)
            yield search.remedy(change, found)
    elif wish.extras.telescopes:
        search.tries.append("another subarray")
        edit = on_extras(wish, telescopes=())
        found = tried(search.night, edit)
        if found:
            sentence = f"Let {wish.name} use other telescopes than it asks for: {'-'.join(found.telescopes)}"
            yield search.remedy(Change("subarray", 0.5, sentence, edit), found)


def _combiner(search: Search) -> Iterator[Remedy]:
    scenario = search.night.scenario
    wish = scenario.requests[0]
    for own in scenario.array.combiners:
        if own.name == wish.combiner or own.band not in wish.star.mag:
            continue
        search.tries.append("another combiner")
        extras = wish.extras.model_copy(update={"spectral_setup": None})
        edit = on_request(wish.name, combiner=own.name, extras=extras)
        same = own.beams == scenario.combiner_of(wish).beams
        found = tried(search.night, edit, search.only if same else ())
        if found:
            sentence = (
                f"Record {wish.name} with {own.name} ({own.beams} beams) on {'-'.join(found.telescopes)}"
            )
            yield search.remedy(Change("combiner", 0.0 if same else 0.5, sentence, edit), found)


def _date(search: Search) -> Iterator[Remedy]:
    scenario = search.night.scenario
    if not search.only_blames(_SKY_LIMITS):
        return
    start = scenario.night.date
    nights = nights_ahead(start)
    if not nights:
        nights = [start]
    search.tries.append("another date")
    star, array = scenario.requests[0].star, scenario.array
    lowest = min(own.altitude_min_deg for own in array.telescope_classes)
    if 90.0 - abs(array.site.latitude_deg - star.dec_deg) < lowest - HIGHER_DEG:
        return  # it culminates too low, whatever the date
    sky = search.year or season_sky(scenario, nights)
    nights = list(sky.nights)
    binding = binding_of(scenario, sky, [0], [scenario.night.configuration], search.only)
    hours = (binding[0, 0] == OPEN).sum(axis=-1) * (sky.step_s / 3600.0)
    roomy = room_for_science(scenario, [0], binding)[0, 0] & (hours > 0)
    feasible = np.flatnonzero(roomy)
    # A visit may fit where its science step does; it mostly does where the target is open for as long.
    long_enough = roomy & (
        longest_open(binding[0, 0]) * sky.step_s >= visit_s(scenario, scenario.requests[0])
    )
    hopeful = sorted(
        {*feasible[:NIGHTS_TRIED].tolist(), *np.flatnonzero(long_enough)[:NIGHTS_TRIED].tolist()}
    )
    months = list(dict.fromkeys((night.year, night.month) for night in nights))
    of_night = np.array([months.index((night.year, night.month)) for night in nights])
    by_month = np.bincount(of_night, np.where(roomy, hours, 0.0), len(months))
    year, month = months[int(np.argmax(by_month))]
    in_month = [k for k in feasible if of_night[k] == int(np.argmax(by_month))]
    best = max(in_month, key=lambda k: hours[k], default=None)
    told = f"{calendar.month_name[month]} {year}"
    for k in hopeful:
        days = (nights[k] - start).days
        sentence = f"Observe on {nights[k]}, {days} {'night' if days == 1 else 'nights'} later"
        remedy = search.try_(Change("date", days / AHEAD_DAYS, sentence, on_night(date=nights[k])))
        if remedy:
            yield remedy
            break
    for date in _window_nights(search):
        if date not in (start, *(nights[k] for k in hopeful)):
            sentence = f"Observe on {date}, in the night of its absolute window"
            remedy = search.try_(Change("date", 1.0, sentence, on_night(date=date)))
            if remedy:
                yield remedy
    if best is not None:
        days = (nights[best] - start).days
        sentence = (
            f"Observe in {told}, the month with most hours ({by_month.max():.0f} h): best on {nights[best]}"
        )
        remedy = search.try_(Change("date", days / AHEAD_DAYS, sentence, on_night(date=nights[best])))
        if remedy:
            yield remedy


def _window_nights(search: Search) -> list[datetime.date]:
    """Evenings of the nights in which the request's absolute windows lie."""
    scenario = search.night.scenario
    east = datetime.timedelta(hours=scenario.array.site.ahead_h - 12.0)
    starts = [(window.start_utc + east).date() for window in scenario.requests[0].extras.windows]
    return sorted({date for date in starts if FIRST_DATE <= date <= LAST_DATE})


# What another date can change: everything that depends on where the star stands in the dark hours, and on
# the hour; not how bright it is.
_SKY_LIMITS = (
    "altitude, lower limit",
    "altitude, upper limit",
    "absolute window",
    "Moon lit fraction",
    "Moon separation",
    "airmass",
    "hour angle",
    PHASE,
    "azimuth tracking rate",
    "skyline",
    "shadowing",
    RESERVED,
    FIELD,
    RATE,
    DELAY,
    PUPIL,
    DIFFERENTIAL,
    AIR,
    RESOLVED,
    TRACKER,
    STEP,
    CALIBRATORS,
    ROOM,
)


def _step(search: Search) -> Iterator[Remedy]:
    """Find the longest science step that opens a visit, in ticks."""
    if search.alone and not set(search.alone) & {STEP, ROOM, *_SKY_LIMITS}:
        return
    scenario = search.night.scenario
    combiner = scenario.combiner_of(scenario.requests[0])
    search.tries.append("a shorter science step")
    tick = scenario.night.tick_s
    usable = search.followed.usable.values()
    if not any(longest_s(spans) >= tick for many in usable for spans in many):
        return  # not even for the shortest step
    low, high = 1, int(combiner.science_recording_s // tick)
    best: Remedy | None = None

    def offered(ticks: int) -> Remedy | None:
        seconds = float(ticks * tick)
        sentence = (
            f"Record for {seconds:g} s instead of {combiner.science_recording_s:g} s with {combiner.name}"
        )
        edit = on_recording(scenario.requests[0], seconds)
        return search.try_(Change("step", 1.0 - seconds / combiner.science_recording_s, sentence, edit))

    if high <= low or (best := offered(max(low, high // 4))) is None:
        return
    low = max(low, high // 4)
    while high - low > 1:
        middle = (low + high) // 2
        found = offered(middle)
        low, high, best = (middle, high, found) if found else (low, middle, best)
    yield best


def _line(search: Search) -> Iterator[Remedy]:
    """Let lines serve stations that they do not serve."""
    array, placement = search.night.scenario.array, search.night.limits.placement
    if not search.only_blames((DELAY, RATE, LINES, STEP, ROOM, CALIBRATORS)):
        return
    limited = [kind for kind in line_kinds(array) if array.delay_lines[kind[0]].stations]
    names = [tuple(array.delay_lines[i].name for i in kind) for kind in limited]
    if limited:
        search.tries.append("another delay line")
    if not limited or not tried(
        search.night, served_too(sum(names, ()), tuple(placement.stations)), search.only
    ):
        return
    for kind, own in zip(limited, names, strict=True):
        for station in placement.stations:
            if station not in array.delay_lines[kind[0]].stations:
                which = f"delay line {own[0]}" if len(own) == 1 else f"delay lines {', '.join(own)}"
                change = Change(
                    "line", 0.0, f"Let {which} serve station {station}", served_too(own, (station,))
                )
                remedy = search.try_(change)
                if remedy:
                    yield remedy


def _configuration(search: Search) -> Iterator[Remedy]:
    scenario = search.night.scenario
    now = scenario.array.placed(scenario.night.configuration)
    for other in scenario.array.configurations:
        if other.name == scenario.night.configuration:
            continue
        search.tries.append("another configuration")
        placed = scenario.array.placed(other.name)
        moved = sum(now.get(name) != station for name, station in placed.items())
        found = tried(search.night, on_night(configuration=other.name))
        if found:
            many = f"{moved} {'telescope' if moved == 1 else 'telescopes'} to move"
            sentence = f"Use configuration {other.name} ({many}) with {'-'.join(found.telescopes)}"
            change = Change("configuration", moved / 20.0, sentence, on_night(configuration=other.name))
            yield search.remedy(change, found)


def _path(search: Search) -> Iterator[Remedy]:
    """Find the telescope whose beam needs the shortest segment."""
    if search.alone and not set(search.alone) <= {DELAY, STEP}:
        return
    if not search.blamed & {DELAY, STEP, TELESCOPES, ROOM}:
        return
    search.tries.append("a fixed path segment")
    followed = search.followed
    placement = search.night.limits.placement
    wanted = []
    for telescope in range(len(placement.telescopes)):
        found = least_path_m(followed, telescope)
        if found and abs(found[0]) > 0:
            wanted.append((abs(found[0]), telescope, found))
    for _, telescope, (nearest, far) in sorted(wanted)[:2]:
        for more in PATHS_TRIED_M:
            size = rounded_up(abs(nearest), PATH_STEP_M) + more
            if size > max(abs(far), rounded_up(abs(nearest), PATH_STEP_M)):
                break
            by = round(size if nearest > 0 else -size, 6)
            words = "Add" if by > 0 else "Take"
            where = f"{'to' if by > 0 else 'from'} the fixed path of station {placement.stations[telescope]}"
            change = Change(
                "path",
                size / 100.0,
                f"{words} {abs(by):g} m of light {where}",
                longer_path(placement.stations[telescope], by),
            )
            remedy = search.try_(change)
            if remedy:
                yield remedy
                break
