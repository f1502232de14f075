"""Is time that is not for stars kept: reserved times and internal calibrations, as the scenario asks.

A time that the plan tells to fit nowhere (without a start) is accepted: that
is said in the plan, and whether another plan had room for it is not judged
here. Times in a plan are written to the second. Margins in seconds.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from planner.scenario.light_path import InternalCalibration
from planner.scenario.night import Reserved
from planner.scheduling.audit_case import Case, holds
from planner.scheduling.audit_clock import clock, instant, moment
from planner.scheduling.audit_times import Stage
from planner.scheduling.plan import NightPlan, ReservedTime

WRITTEN_S = 1.0  # times are written to the second
OVERLAP_S = 1e-3
NEAR = timedelta(hours=6)  # what is reserved farther from the dark hours need not be told

Interval = tuple[datetime, datetime]


@dataclass(frozen=True)
class Span:
    """Time of the plan that is not for stars, with readable times.

    Attributes
    ----------
    told : ReservedTime
    start, end, ready : datetime
        The next star is acquired at ``ready`` at the earliest.
    """

    told: ReservedTime
    start: datetime
    end: datetime
    ready: datetime

    @property
    def title(self) -> str:
        """What it is and when, in words."""
        return f"{self.told.kind} {self.told.name!r} ({clock(self.start)} to {clock(self.end)})"

    def takes(self, telescopes: Sequence[str]) -> bool:
        """Whether it takes one of these telescopes away."""
        return not self.told.telescopes or not set(self.told.telescopes).isdisjoint(telescopes)


def spans(plan: NightPlan) -> tuple[Span, ...]:
    """Return what has a place in the plan; without a ready time the end stands for it."""
    found = []
    for told in plan.reserved:
        start, end = moment(told.start_utc), moment(told.end_utc)
        if start is not None and end is not None and end > start:
            found.append(Span(told, start, end, moment(told.ready_utc) or end))
    return tuple(found)


def reserved_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Reserved times are told as asked for, in their windows, and no visit uses their telescopes then."""
    own = spans(plan)
    for told in plan.reserved:
        empty = told.start_utc is None and told.end_utc is None
        yield holds(
            empty or any(span.told is told for span in own),
            f"{told.kind} {told.name!r} has no readable start and end in order",
        )
    dark = _dark(plan)
    if dark is None:
        yield holds(not plan.reserved, "the dark hours cannot be read, so nothing can be reserved in them")
        return
    left = [told for told in plan.reserved if told.kind == "reserved"]
    for wish in plan.scenario.reserved:
        match = next((told for told in left if told.name == wish.name and _same_hours(told, wish)), None)
        if match is not None:
            left.remove(match)
        needed = wish.duration_s is not None or _near(wish, dark)
        yield holds(
            match is not None or not needed, f"the plan does not tell {wish.name!r} as it is asked for"
        )
        span = next((span for span in own if span.told is match), None)
        if match is not None and span is not None:
            yield from _as_asked(wish, span, plan.scenario.night.tick_s, dark)
    for told in left:
        yield holds(False, f"nobody reserves {told.name!r}, {told.start_utc} to {told.end_utc}")
    for span in own:
        if span.told.kind == "reserved":
            yield from clear_cases(span, found)
    yield from _apart_cases(plan, own)


def _dark(plan: NightPlan) -> Interval | None:
    start, end = moment(plan.night.start_utc), moment(plan.night.end_utc)
    return None if start is None or end is None else (start, end)


def _near(wish: Reserved, dark: Interval) -> bool:
    """Whether a time given falls on the night."""
    if wish.start_utc is None or wish.end_utc is None:
        return False
    return instant(wish.end_utc) > dark[0] - NEAR and instant(wish.start_utc) < dark[1] + NEAR


def _same_hours(told: ReservedTime, wish: Reserved) -> bool:
    """Whether the plan tells the hours and telescopes asked for; a time to be chosen has hours of its own."""
    if tuple(told.telescopes) != tuple(wish.telescopes):
        return False
    if wish.start_utc is None or wish.end_utc is None:
        return True
    start, end = moment(told.start_utc), moment(told.end_utc)
    if start is None or end is None:
        return False
    apart = abs(start - instant(wish.start_utc)), abs(end - instant(wish.end_utc))
    return max(apart).total_seconds() <= WRITTEN_S


def _as_asked(wish: Reserved, span: Span, tick_s: int, dark: Interval) -> Iterator[Case]:
    """Length, window and time after it."""
    yield holds(moment(span.told.ready_utc) is not None, f"{span.title} does not tell when stars can follow")
    after_s = (span.ready - span.end).total_seconds()
    yield Case(
        after_s - wish.ready_s + WRITTEN_S,
        f"{span.title} leaves {after_s:.0f} s before the next star, {wish.ready_s:g} s are asked for",
    )
    yield _ready_case(span, wish.ready_s, tick_s)
    if wish.duration_s is None:
        return
    yield from length_cases(span, wish.duration_s, tick_s)
    windows = [(instant(window.start_utc), instant(window.end_utc)) for window in wish.windows]
    inside = max((_inside_s(span, window) for window in windows), default=_inside_s(span, dark))
    yield Case(inside + OVERLAP_S, f"{span.title} lies {inside:.0f} s inside the hours to choose from")
    inside = _inside_s(span, dark)
    yield Case(inside + WRITTEN_S, f"{span.title} lies {inside:.0f} s inside the dark hours")


def _ready_case(span: Span, asked_s: float, tick_s: float) -> Case:
    """Stars follow as soon as asked, to the next tick."""
    after_s = (span.ready - span.end).total_seconds()
    return Case(
        asked_s + tick_s + OVERLAP_S - after_s,
        f"{span.title} leaves {after_s:.0f} s before the next star, no more than {asked_s:g} s are asked for",
    )


def _inside_s(span: Span, hours: Interval) -> float:
    return min((span.start - hours[0]).total_seconds(), (hours[1] - span.end).total_seconds())


def length_cases(span: Span, asked_s: float, tick_s: float) -> Iterator[Case]:
    """A time that the planner chose lasts as long as asked, whole ticks."""
    length = (span.end - span.start).total_seconds()
    words = f"{span.title} takes {length:.0f} s, {asked_s:g} s are asked for"
    yield Case(length - asked_s + OVERLAP_S, words)
    yield Case(asked_s + tick_s - length + OVERLAP_S, words)


def clear_cases(span: Span, found: tuple[Stage, ...]) -> Iterator[Case]:
    """No visit that uses its telescopes overlaps it, set-ups included; stars follow once it is ready."""
    for _, steps in itertools.groupby(found, key=lambda stage: id(stage.visit)):
        stages = list(steps)
        if not span.takes(stages[0].visit.subarray):
            continue
        first, last = min(stage.setup_start for stage in stages), max(stage.end for stage in stages)
        apart_s = max((span.start - last).total_seconds(), (first - span.end).total_seconds())
        yield Case(
            apart_s + OVERLAP_S,
            f"{span.title} is {apart_s:.0f} s apart from {stages[0].visit.id}, whose set-up starts at "
            f"{clock(first)} and which ends at {clock(last)}",
        )
        if stages[0].start > span.start:
            begun = stages[0].start - timedelta(seconds=stages[0].capture_s)
            after_s = (begun - span.ready).total_seconds()
            yield Case(
                after_s + OVERLAP_S,
                f"{stages[0].title} is acquired from {clock(begun)} on, {after_s:.0f} s after stars can "
                f"follow {span.title}",
            )


def _apart_cases(plan: NightPlan, own: Sequence[Span]) -> Iterator[Case]:
    """What the planner places overlaps nothing that takes a telescope of tonight.

    Two times that the user gave may overlap each other.
    """
    chosen = {wish.name for wish in plan.scenario.reserved if wish.duration_s is not None}
    placed = {
        id(span.told) for span in own if span.told.kind == "internal calibration" or span.told.name in chosen
    }
    for one, other in itertools.combinations(own, 2):
        if not {id(one.told), id(other.told)} & placed:
            continue
        if not (one.takes(list(plan.placement)) and other.takes(list(plan.placement))):
            continue
        kinds = {one.told.kind, other.told.kind}
        if "internal calibration" in kinds and (one.told.telescopes or other.told.telescopes):
            continue  # the laboratory source needs no telescope
        apart_s = max((other.start - one.end).total_seconds(), (one.start - other.end).total_seconds())
        yield Case(apart_s + WRITTEN_S, f"{one.title} and {other.title} are {apart_s:.0f} s apart")


def calibration_cases(plan: NightPlan, found: tuple[Stage, ...]) -> Iterator[Case]:
    """Internal calibrations that the night needs are there once, as long as asked, outside observations."""
    array, dark, own = plan.scenario.array, _dark(plan), spans(plan)
    used = {visit.combiner for visit in plan.visits}
    asked = {request.combiner for request in plan.scenario.requests}
    left = [told for told in plan.reserved if told.kind == "internal calibration"]
    for wish in array.internal_calibrations:
        needed = not wish.combiners or bool(
            set(wish.combiners) & (asked if wish.when == "in the night" else used)
        )
        match = next((told for told in left if told.name == wish.name), None)
        if match is None or not needed:
            yield holds(not needed, f"the night needs the internal calibration {wish.name!r}, {wish.when}")
            continue
        left.remove(match)
        yield holds(not match.telescopes, f"{wish.name!r} takes some telescopes only")
        span = next((span for span in own if span.told is match), None)
        if span is None:
            # In the night there may be no place for it; before and after there always is.
            kept = wish.when == "in the night" and match.start_utc is None
            yield holds(kept, f"the internal calibration {wish.name!r} has no time")
        elif dark is not None:
            yield _ready_case(span, 0.0, plan.scenario.night.tick_s)
            yield from _calibration(wish, span, dark, found, plan.scenario.night.tick_s)
    for told in left:
        yield holds(False, f"nothing in the night needs the internal calibration {told.name!r}")


def _calibration(
    wish: InternalCalibration, span: Span, dark: Interval, found: tuple[Stage, ...], tick_s: int
) -> Iterator[Case]:
    """Its length, and its place in the night."""
    if wish.when == "in the night":
        yield from length_cases(span, wish.duration_s, tick_s)
        inside = _inside_s(span, dark)
        yield Case(inside + WRITTEN_S, f"{span.title} lies {inside:.0f} s inside the dark hours")
        yield from clear_cases(span, found)
        return
    yield from length_cases(span, wish.duration_s - WRITTEN_S, 2.0 * WRITTEN_S)
    if wish.when == "before dusk":
        edge = min([dark[0], *(stage.setup_start for stage in found)])
        early = (edge - span.end).total_seconds()
        yield Case(early + WRITTEN_S, f"{span.title} ends {early:.0f} s before the night begins")
    else:
        edge = max([dark[1], *(stage.end for stage in found)])
        late = (span.start - edge).total_seconds()
        yield Case(late + WRITTEN_S, f"{span.title} starts {late:.0f} s after the night ends")
