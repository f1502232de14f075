"""Time that is not for stars: reserved by the user, or for internal calibrations.

At a given time it takes telescopes away (see ``constraints.windows``); no
visit that uses one of them may overlap it, set-ups included. At a time to be
chosen it takes the whole array: the solver places it like a visit that must be
made. While it lasts telescopes and carriages may move ahead; the next star is
acquired ``ready_s`` after it at the earliest.

Internal calibrations before dusk and after dawn are laid end to end outside
the observations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from astropy.time import Time, TimeDelta

from planner.constraints.tonight import NightLimits
from planner.scenario.light_path import InternalCalibration
from planner.scenario.night import Window
from planner.scenario.targets import Scenario
from planner.scheduling.plan import ReservedTime
from planner.scheduling.setup import ticks_up
from planner.sky.earth import offline_earth
from planner.sky.night import utc_text

Kind = Literal["reserved", "internal calibration"]


@dataclass(frozen=True)
class Block:
    """Time that the solver places.

    Attributes
    ----------
    name : str
    kind : str
    ticks : int
        How long it takes.
    start_tick : ndarray (start,)
        Where it may start, on slots.
    end_tick : ndarray (start,)
        When the next star can be acquired.
    """

    name: str
    kind: Kind
    ticks: int
    start_tick: np.ndarray
    end_tick: np.ndarray


def blocks_of(limits: NightLimits) -> tuple[Block, ...]:
    """Return what the solver has to place in the night."""
    scenario = limits.scenario
    chosen = [
        _block(limits, own.name, "reserved", own.duration_s, own.ready_s, own.windows)
        for own in scenario.reserved
        if own.duration_s is not None
    ]
    asked = {request.combiner for request in scenario.requests}
    return (
        *chosen,
        *(
            _block(limits, own.name, "internal calibration", own.duration_s, 0.0, ())
            for own in scenario.array.internal_calibrations
            if own.when == "in the night" and needed(own, asked)
        ),
    )


def needed(calibration: InternalCalibration, combiners: set[str]) -> bool:
    """Whether a night with these combiners needs an internal calibration."""
    return not calibration.combiners or not combiners.isdisjoint(calibration.combiners)


def _block(
    limits: NightLimits,
    name: str,
    kind: Kind,
    duration_s: float,
    ready_s: float,
    windows: Sequence[Window],
) -> Block:
    sky = limits.sky
    ticks, ready = int(ticks_up(duration_s, sky.tick_s)), int(ticks_up(ready_s, sky.tick_s))
    start = sky.slots[sky.slots + ticks < len(sky.times)]
    if windows:
        inside = np.zeros(len(start), dtype=bool)
        for window in windows:
            first, last = _seconds(sky.times[0], window.start_utc), _seconds(sky.times[0], window.end_utc)
            inside |= (start * sky.tick_s >= first) & ((start + ticks) * sky.tick_s <= last)
        start = start[inside]
    # The laboratory source needs no telescope; other work may need any of them.
    needs = () if kind == "internal calibration" else limits.placement.telescopes
    start = start[clear_of_reserved(limits, needs, start, start + ticks)]
    return Block(name, kind, ticks, start, start + ticks + ready)


def _seconds(origin: Time, moment: object) -> float:
    """Seconds from an origin to a UTC time; UTC days are taken as 86400 s, as the ticks are.

    To the millisecond: an edge that falls on a tick belongs to the window.
    """
    with offline_earth():
        return round(float((Time(moment, scale="utc") - origin).to_value("sec")), 3)


def clear_of_reserved(
    limits: NightLimits, telescopes: Sequence[str], start_tick: np.ndarray, end_tick: np.ndarray
) -> np.ndarray:
    """True for stretches of ticks that no time reserved for one of these telescopes overlaps.

    Parameters
    ----------
    telescopes : sequence of str
    start_tick, end_tick : ndarray (visit,)
        The set-up before the first step included.
    """
    sky = limits.sky
    clear = np.ones(len(start_tick), dtype=bool)
    for own in limits.scenario.reserved:
        if own.start_utc is None or own.end_utc is None:
            continue
        if own.telescopes and set(own.telescopes).isdisjoint(telescopes):
            continue
        first = _seconds(sky.times[0], own.start_utc) / sky.tick_s
        last = (_seconds(sky.times[0], own.end_utc) + own.ready_s) / sky.tick_s
        # A microsecond of overlap is none: times of ticks are exact to less.
        clear &= (end_tick <= first + 1e-6 / sky.tick_s) | (start_tick >= last - 1e-6 / sky.tick_s)
    return clear


def beams_free_from(limits: NightLimits, telescopes: Sequence[str], setup_tick: int, start_tick: int) -> int:
    """Return when the set-up of a step may be told to start: not inside time reserved for its telescopes.

    Parameters
    ----------
    setup_tick : int
        As late as it may start.
    start_tick : int
        When the step starts; reserved times that end before it are looked at.
    """
    sky = limits.sky
    found = setup_tick
    for own in limits.scenario.reserved:
        if own.start_utc is None or own.end_utc is None:
            continue
        if own.telescopes and set(own.telescopes).isdisjoint(telescopes):
            continue
        end = int(ticks_up(_seconds(sky.times[0], own.end_utc), sky.tick_s))
        if _seconds(sky.times[0], own.start_utc) < start_tick * sky.tick_s and found < end <= start_tick:
            found = end
    return found


def reserved_times(
    limits: NightLimits,
    placed: Sequence[tuple[Block, int | None]],
    combiners: set[str],
    ends: tuple[Time, Time],
) -> tuple[ReservedTime, ...]:
    """Return all time that is not for stars, in the order of the night.

    Parameters
    ----------
    limits : NightLimits
    placed : sequence of (Block, tick or None)
        Where the solver placed each block.
    combiners : set of str
        Those that the plan uses.
    ends : (Time, Time)
        When the first set-up starts and the last step ends: internal calibrations stay outside.
    """
    scenario, sky = limits.scenario, limits.sky
    found = _outside(scenario, combiners, ends)
    for own in scenario.reserved:
        if own.start_utc is not None and own.end_utc is not None:
            start, end = Time(own.start_utc, scale="utc"), Time(own.end_utc, scale="utc")
            if end > ends[0] - TimeDelta(0.5, format="jd") and start < ends[1] + TimeDelta(0.5, format="jd"):
                found.append(_told((own.name, "reserved"), start, end, own.telescopes, own.ready_s))
    for block, tick in placed:
        if tick is None:
            found.append(
                ReservedTime(name=block.name, kind=block.kind, start_utc=None, end_utc=None, telescopes=())
            )
            continue
        length = TimeDelta(float(block.ticks * sky.tick_s), format="sec")
        ready_s = float((block.end_tick[0] - block.start_tick[0] - block.ticks) * sky.tick_s)
        start = sky.times[tick]
        found.append(_told((block.name, block.kind), start, start + length, (), ready_s))
    return tuple(sorted(found, key=lambda own: (own.start_utc is None, own.start_utc or "")))


def _outside(scenario: Scenario, combiners: set[str], ends: tuple[Time, Time]) -> list[ReservedTime]:
    """Internal calibrations before dusk (ending with the first set-up) and after dawn, end to end.

    They keep out of time that is reserved for the whole array.
    """
    found = []
    whole = [
        (Time(r.start_utc, scale="utc"), Time(r.end_utc, scale="utc"))
        for r in scenario.reserved
        if r.start_utc is not None and not r.telescopes
    ]
    own = [c for c in scenario.array.internal_calibrations if needed(c, combiners)]
    end = ends[0]
    for calibration in reversed([c for c in own if c.when == "before dusk"]):
        length = _whole_seconds(calibration.duration_s)
        for _ in whole:
            for busy, free in whole:
                end = busy if end - length < free and end > busy else end
        start = end - length
        found.append(_told((calibration.name, "internal calibration"), start, end, (), 0.0))
        end = start
    start = ends[1]
    for calibration in (c for c in own if c.when == "after dawn"):
        length = _whole_seconds(calibration.duration_s)
        for _ in whole:
            for busy, free in whole:
                start = free if start + length > busy and start < free else start
        end = start + length
        found.append(_told((calibration.name, "internal calibration"), start, end, (), 0.0))
        start = end
    return found


def _whole_seconds(duration_s: float) -> TimeDelta:
    """A duration rounded up to the second, to which times in a plan are written."""
    return TimeDelta(float(math.ceil(duration_s)), format="sec")


def _told(
    what: tuple[str, Kind], start: Time, end: Time, telescopes: Sequence[str], ready_s: float
) -> ReservedTime:
    return ReservedTime(
        name=what[0],
        kind=what[1],
        start_utc=utc_text(start),
        end_utc=utc_text(end),
        telescopes=tuple(telescopes),
        ready_utc=utc_text(end + TimeDelta(ready_s, format="sec")),
    )
