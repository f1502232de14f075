"""Time that is not for stars, in words: where it lies between the visits, and what fits nowhere."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from planner.output.sentences import counted, duration, joined
from planner.output.tracks import clock, minutes_between
from planner.scheduling.numbering import dropped
from planner.scheduling.plan import NightPlan, ReservedTime, Visit, moment


@dataclass(frozen=True)
class PauseRow:
    """One stretch of time that is not for stars."""

    name: str
    kind: str
    start_utc: str
    start: str
    end: str
    length: str
    whom: str
    ready: str


def placed(reserved: Sequence[ReservedTime]) -> list[tuple[ReservedTime, str, str]]:
    """Return the times that have a place, with start and end, in the order of the night."""
    found = [
        (own, own.start_utc, own.end_utc)
        for own in reserved
        if own.start_utc is not None and own.end_utc is not None
    ]
    return sorted(found, key=lambda one: (moment(one[1]), moment(one[2])))


def told_past(plan: NightPlan, own: ReservedTime) -> bool:
    """Whether this is the part of the night that is over in a plan for the rest of it."""
    return any(
        wish.is_past(moment(plan.night.start_utc)) and wish.name == own.name and wish.end_utc == moment(end)
        for wish in plan.scenario.reserved
        for end in ([own.end_utc] if own.end_utc else [])
    )


def takes(own: ReservedTime, telescopes: Sequence[str]) -> bool:
    """Whether reserved time takes one of these telescopes away."""
    return not own.telescopes or not set(own.telescopes).isdisjoint(telescopes)


def pause_rows(plan: NightPlan) -> tuple[tuple[PauseRow, ...], ...]:
    """Return the pauses before each visit, and after the last one: one tuple more than there are visits."""
    starts = [moment(visit.steps[0].start_utc) for visit in plan.visits]
    rows: list[list[PauseRow]] = [[] for _ in range(len(starts) + 1)]
    for own, start, end in placed(plan.reserved):
        place = sum(first <= moment(start) for first in starts)
        row = _pause_row(own, start, end)
        if told_past(plan, own):
            row = dataclasses.replace(row, name="Already past", kind="", whom=_past(plan))
        rows[place].append(row)
    return tuple(tuple(one) for one in rows)


def _pause_row(own: ReservedTime, start: str, end: str) -> PauseRow:
    ready = own.ready_utc if own.ready_utc is not None and own.ready_utc != own.end_utc else None
    return PauseRow(
        name=own.name,
        kind=own.kind,
        start_utc=start,
        start=clock(start),
        end=clock(end),
        length=duration(minutes_between(start, end)),
        whom=_whom(own),
        ready=f"the next star is acquired from {clock(ready)} on" if ready is not None else "",
    )


def _past(plan: NightPlan) -> str:
    """What became of the visits before a plan for the rest of a night."""
    earlier = plan.earlier.visits if plan.earlier else ()
    made = [visit.id for visit in earlier if visit.became == "made"]
    return f"{joined(made)} {'is' if len(made) == 1 else 'are'} made" if made else "no visit is made yet"


def _whom(own: ReservedTime) -> str:
    """Whom it takes from the stars; an internal calibration needs the laboratory, and no telescope."""
    if own.telescopes:
        return f"takes {joined(own.telescopes)} away"
    if own.kind == "internal calibration":
        return "on the laboratory’s own light, no star meanwhile"
    return "takes the whole array"


def pauses_between(plan: NightPlan, before: Visit, after: Visit) -> list[str]:
    """Return what of the whole array's time lies between two visits, as "NAME at HH:MM"."""
    first, last = moment(before.steps[-1].end_utc), moment(after.steps[0].start_utc)
    return [
        f"{own.name} at {clock(start)}"
        for own, start, end in placed(plan.reserved)
        if not own.telescopes and moment(start) >= first and moment(end) <= last
    ]


def elsewhere_told(plan: NightPlan) -> str:
    """Say which time reserved at a given hour lies outside this night; "" when none does."""
    there = {(own.name, (own.start_utc or "")[:16]) for own in plan.reserved}
    told = [
        f"{wish.name} ({wish.start_utc:%Y-%m-%d %H:%M} to {wish.end_utc:%Y-%m-%d %H:%M} UTC)"
        for wish in plan.scenario.reserved
        if wish.start_utc is not None
        and wish.end_utc is not None
        and (wish.name, f"{wish.start_utc:%Y-%m-%dT%H:%M}") not in there
    ]
    return f"Reserved, but not in this night: {joined(told)}." if told else ""


def earlier_told(plan: NightPlan) -> str:
    """Say what became of the visits of the plans before; "" in a plan for the whole night."""
    if plan.earlier is None:
        return ""
    made = [visit.id for visit in plan.earlier.visits if visit.became == "made"]
    gone = [f"{visit.id} ({visit.target})" for visit in dropped(plan)]
    told = f"The rest of a night that has begun. Made before: {joined(made) or 'nothing'}."
    rest = f" Not planned any more: {joined(gone)}." if gone else ""
    return f"{told}{rest} A visit that is planned again keeps its number."


def unplaced_told(plan: NightPlan) -> str:
    """Say what fits nowhere in the night; "" when everything has its place."""
    lost = [own for own in plan.reserved if own.start_utc is None]
    if not lost:
        return ""
    names = joined([f"{own.name} ({own.kind})" for own in lost])
    return f"{names} {'fits' if len(lost) == 1 else 'fit'} nowhere in this night and had to be left out."


def whole_array_spans(plan: NightPlan) -> list[tuple[str, str]]:
    """Return the stretches of the dark hours that are taken from the whole array, none over another."""
    dark = plan.night.start_utc, plan.night.end_utc
    spans: list[tuple[str, str]] = []
    for own, start, end in placed(plan.reserved):
        first, last = max(start, dark[0], key=moment), min(end, dark[1], key=moment)
        if own.telescopes or moment(first) >= moment(last):
            continue
        if spans and moment(first) <= moment(spans[-1][1]):
            spans[-1] = spans[-1][0], max(spans[-1][1], last, key=moment)
        else:
            spans.append((first, last))
    return spans


def reserved_minutes(plan: NightPlan) -> float:
    """Return minutes of the dark hours that are taken from the whole array, visits not counted.

    A visit that somebody planned over reserved time (the audit refuses it) is not counted twice.
    """
    total = 0.0
    for start, end in whole_array_spans(plan):
        busy = sum(
            max(
                0.0,
                minutes_between(
                    max(step.setup_start_utc, start, key=moment), min(step.end_utc, end, key=moment)
                ),
            )
            for visit in plan.visits
            for step in visit.steps
        )
        total += max(0.0, minutes_between(start, end) - busy)
    return total


def reserved_summary(plan: NightPlan) -> str:
    """Say how much time is not for stars, for the description of a picture; "" when there is none."""
    count = len(placed(plan.reserved))
    return f", {counted(count, 'stretch', 'stretches')} of time that is not for stars" if count else ""
