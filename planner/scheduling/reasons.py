"""Why a request got fewer visits than it wants, in a sentence with a number and a time.

The first limit that is never kept answers; where each limit alone is kept at
some time but never all together, the hours of each are told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.brightness import BRIGHT_LIMITS, FAINT, brightness_limits
from planner.constraints.contrast import RESOLVED, too_resolved
from planner.constraints.delay_range import DELAY_RANGE, held_offset
from planner.constraints.tonight import NightLimits
from planner.constraints.verdict import Verdict
from planner.constraints.windows import OVER, RESERVED, intervals
from planner.scenario.targets import Request
from planner.scheduling.candidates import RequestOffer, beams_of, calibrators_for, usable_ticks
from planner.scheduling.light import light_limits, with_tracking
from planner.scheduling.routes import PUPIL, settings_without_segments, why_not_led, with_segments
from planner.scheduling.subarrays import Subarray, assign_lines, led, possible_subarrays
from planner.scheduling.visits import facts_of
from planner.sky.night import NightSky
from planner.units import DAY_S, handy_short

ONLY_INSTEAD = "but only in the place of visits that are planned (raise its priority, or free the time)"
# Not "reserved time is kept": that would give the hours in which nothing is reserved.
HOURS_OF = {RESERVED: "no time is reserved", OVER: "what is left of the night is"}


@dataclass(frozen=True)
class Served:
    """What a request got.

    Attributes
    ----------
    starts : int
        Slots at which a whole visit could start.
    gaining : int
        Those of them at which it would fill a cell that earlier nights have not filled.
    planned : int
        Visits in the plan.
    filled : int
        Cells that they fill.
    rules : str or None
        Which rule among requests leaves it out, if one does.
    """

    starts: int
    gaining: int
    planned: int
    filled: int
    rules: str | None = None


def reason(limits: NightLimits, offer: RequestOffer, served: Served) -> str | None:
    """Return why fewer visits are planned than wanted, or None when all are."""
    request = limits.scenario.requests[offer.request]
    if served.planned >= request.visits:
        return None
    if len(offer.filled_before) and not len(offer.reachable) and _usable(limits, offer):
        return "earlier observations have filled every cell that it can reach tonight"
    if served.planned and served.filled >= len(offer.reachable):
        how = f"{served.planned} of {request.visits} visits planned"
        filling = "with earlier observations they fill" if len(offer.filled_before) else "they fill"
        return f"{how}: {filling} every cell that it can reach tonight"
    if served.planned:
        why = served.rules or "another one could only take the place of visits that are planned"
        return f"{served.planned} of {request.visits} visits planned: {why}"
    if served.starts and not served.gaining:
        return f"{_starts(served)}, but earlier observations have filled every cell of such visits"
    if served.starts and served.rules:
        return served.rules
    if served.starts:
        return f"{_starts(served)}, {ONLY_INSTEAD}"
    return _instrument(limits, request) or _sky(limits, offer) or _bracket(limits, offer)


def _starts(served: Served) -> str:
    if served.starts == 1:
        return "one of the visits considered could be made"
    return f"the visits considered could start at {served.starts} times"


def _usable(limits: NightLimits, offer: RequestOffer) -> bool:
    """Whether some subarray can follow the target at some tick."""
    return any(usable_ticks(limits, subarray, offer.request).any() for subarray in offer.subarrays)


def _instrument(limits: NightLimits, request: Request) -> str | None:
    """What excludes every subarray, whatever the time."""
    combiner = limits.scenario.combiner_of(request)
    subarrays = possible_subarrays(limits.placement, combiner, request)
    if not subarrays:
        if request.extras.second_star is not None:
            return (
                f"{combiner.name} needs {combiner.beams} telescopes on stations whose light inlet lets two "
                "beams through, and the configuration and the request leave fewer"
            )
        return (
            f"{combiner.name} needs {combiner.beams} telescopes that it accepts, and the configuration "
            "and the request leave fewer"
        )
    array, dual = limits.scenario.array, request.extras.second_star is not None
    led_at_all = [
        telescopes
        for telescopes in subarrays
        if settings_without_segments(array, limits.placement, combiner, telescopes, dual)
    ]
    if not led_at_all:
        return f"light path: {why_not_led(array, limits.placement, combiner, subarrays[0], dual)}"
    subarrays = led_at_all
    verdicts = brightness_limits(limits.scenario, request, [request.star], True, limits.placement.classes)
    for verdict in verdicts:
        best = max(float(verdict.margin[0][list(telescopes)].min()) for telescopes in subarrays)
        if best < 0 and verdict.limit == FAINT:
            return (
                f"{FAINT}: {combiner.band} = {request.star.mag[combiner.band]:.2f} is "
                f"{-best:.2f} mag too faint for {combiner.title}"
            )
        if best < 0 and verdict.limit in BRIGHT_LIMITS:
            return f"{verdict.limit}: too bright by {-best:.2f} mag for {combiner.title}"
        if best < 0:
            return f"{verdict.limit}: at best {short_told(-best, verdict.unit)} for {combiner.title}"
    return _no_telescopes_for_all(limits, subarrays, verdicts)


def _no_telescopes_for_all(
    limits: NightLimits, subarrays: Sequence[tuple[int, ...]], verdicts: Sequence[Verdict]
) -> str | None:
    """What the nearest subarray lacks when each limit of brightness is kept by some, all by none."""
    lacking = {t: [v for v in verdicts if float(v.margin[0][list(t)].min()) < 0] for t in subarrays}
    nearest = min(subarrays, key=lambda telescopes: len(lacking[telescopes]))
    if not lacking[nearest]:
        return None
    parts = []
    for verdict in lacking[nearest]:
        short = -float(verdict.margin[0][list(nearest)].min())
        parts.append(f"{verdict.limit}: {short_told(short, verdict.unit)}")
    names = "-".join(limits.placement.telescopes[i] for i in nearest)
    return f"{'; '.join(parts)} with {names}, and no other telescopes keep every limit of brightness"


def _sky(limits: NightLimits, offer: RequestOffer) -> str | None:
    """The limit that the science star never keeps for a whole step, or the limits that never meet."""
    request = limits.scenario.requests[offer.request]
    combiner = limits.scenario.combiner_of(request)
    subarrays = offer.subarrays or _any_subarrays(limits, offer.request)
    best: tuple[Subarray, list[Verdict], np.ndarray] | None = None
    for subarray in subarrays:
        verdicts = _on_subarray(limits, offer.request, subarray)
        kept = np.sum([v.allowed for v in verdicts], axis=0)
        if (
            best is None
            or kept.max() > best[2].max()
            or (kept.max() == best[2].max() and np.sum(kept == kept.max()) > np.sum(best[2] == best[2].max()))
        ):
            best = (subarray, verdicts, kept)
    if best is None:
        chosen = possible_subarrays(limits.placement, combiner, request)[0]
        array, dual = limits.scenario.array, request.extras.second_star is not None
        return f"light path: {why_not_led(array, limits.placement, combiner, chosen, dual)}"
    verdicts = best[1]
    names = "-".join(limits.placement.telescopes[i] for i in best[0].telescopes)
    for number, verdict in enumerate(verdicts):
        if verdict.limit == RESOLVED and not verdict.allowed.any():
            return too_resolved(limits, offer.request, best[0].telescopes)
        if not verdict.allowed.any():
            # At best where all the rest would allow it, if it ever does.
            rest = np.logical_and.reduce([v.allowed for k, v in enumerate(verdicts) if k != number])
            tick = int(np.argmax(np.where(rest, verdict.margin, -np.inf) if rest.any() else verdict.margin))
            short = short_told(-float(verdict.margin[tick]), verdict.unit)
            held = " for a whole science step" if verdict.limit in (DELAY_RANGE, PUPIL) else ""
            return f"{verdict.limit}: at best {short}{held}, at {clock(limits.sky, tick)} UTC ({names})"
    together = np.logical_and.reduce([v.allowed for v in verdicts])
    ticks = facts_of(limits, best[0]).step(request, science=True).total
    longest = max((last - first for first, last in intervals(together)), default=-1)
    if longest < ticks:
        tight = [v for v in verdicts if not v.allowed.all()]
        parts = [hours_told(v.limit, _hours(limits.sky, v.allowed)) for v in tight]
        how = (
            "never all kept at once"
            if longest < 0
            else f"all kept for {longest * limits.sky.tick_s / 60:.0f} min"
        )
        return f"limits {how} with {names}: " + "; ".join(parts)
    return None


def _any_subarrays(limits: NightLimits, request: int) -> list[Subarray]:
    """Subarrays with any delay lines, for a request that none serves."""
    wish = limits.scenario.requests[request]
    combiner = limits.scenario.combiner_of(wish)
    array, dual = limits.scenario.array, wish.extras.second_star is not None
    found = []
    for telescopes in possible_subarrays(limits.placement, combiner, wish):
        served = assign_lines(limits, combiner, telescopes, [request])
        if request in served:
            found.append(served[request])
            continue
        settings = settings_without_segments(array, limits.placement, combiner, telescopes, dual)
        found += [
            led(combiner, telescopes, next(with_segments(array, limits.placement, telescopes, setting)))
            for setting in settings[:1]
        ]
    usable = np.ones(len(limits.sky.times), dtype=bool)
    return [with_tracking(limits, request, subarray, usable) for subarray in found]


def _on_subarray(limits: NightLimits, request: int, subarray: Subarray) -> list[Verdict]:
    """Every limit of the science star on one subarray, each (time,)."""
    wish = limits.scenario.requests[request]
    telescopes = np.array(subarray.telescopes)
    found = [
        Verdict(v.limit, v.unit, v.on_time(request, telescopes), ("time",)) for v in limits.of_telescopes
    ]
    found += list(limits.of_request(wish, request, science=True))
    found.append(limits.window(wish))
    facts = facts_of(limits, subarray)
    path = facts.path_m(limits, request)[None]
    found += light_limits(limits, facts, request, request)
    ticks = facts.step(wish, science=True).total
    if path.shape[1] > 1:
        rate = facts.carriage_rate(path)
        found.append(Verdict(rate.limit, rate.unit, rate.margin[0].min(axis=-1), ("time",)))
    if path.shape[1] > ticks:
        for limit, stroke in ((DELAY_RANGE, facts.whole_stroke_m), (PUPIL, facts.stroke_m)):
            if limit != PUPIL or not np.array_equal(stroke, facts.whole_stroke_m):
                margin = held_offset(path, stroke, ticks).margin_m[0]
                found.append(Verdict(limit, "m", np.pad(margin, (0, ticks), mode="edge"), ("time",)))
    return found


def _bracket(limits: NightLimits, offer: RequestOffer) -> str:
    """The science star is possible, so its calibrators or the room for the whole visit are missing."""
    scenario = limits.scenario
    request = scenario.requests[offer.request]
    if offer.families:
        return "the visit fits at no start"
    if request.extras.windows:
        return "no whole visit fits into its absolute window with a calibrator before and after"
    for subarray in offer.subarrays:
        facts = facts_of(limits, subarray)
        science = beams_of(limits, facts, offer.request, offer.request)
        if science.usable.any() and calibrators_for(limits, offer.request, facts, science):
            return "room for a whole visit: calibrator, science and calibrator with their set-ups fit nowhere"
    return (
        f"no calibrator before and after: none within {scenario.limits.bracket_distance_max_deg:g} deg is "
        "bright enough, small enough and in reach of the same beams when the target is"
    )


def hours_told(limit: str, hours: str) -> str:
    """Say in which hours a limit is kept.

    Examples
    --------
    >>> hours_told("airmass", "20:35-01:00 UTC"), hours_told("reserved time", "20:35-23:00 UTC")
    ('airmass is kept 20:35-01:00 UTC', 'no time is reserved 20:35-23:00 UTC')
    >>> hours_told("time that is past", "02:30-07:39 UTC")
    'what is left of the night is 02:30-07:39 UTC'
    """
    return f"{HOURS_OF.get(limit, f'{limit} is kept')} {hours}"


def short_told(short: float, unit: str) -> str:
    """Return by how much a limit is missed.

    Examples
    --------
    >>> short_told(0.25, "m/s"), short_told(2.0, "deg"), short_told(np.inf, "mag")
    ('250 mm/s short', '2 deg short', 'without a number')
    """
    value, unit = handy_short(short, unit)
    return f"{amount(value)} {unit} short" if np.isfinite(value) else "without a number"


def amount(value: float) -> str:
    """Return a number of three figures without an exponent.

    Examples
    --------
    >>> amount(0.62649), amount(1580000.0), amount(0.00004)
    ('0.626', '1,580,000', '0.00004')
    """
    if value >= 1000.0:
        return f"{value:,.0f}"
    if value >= 0.001:
        return f"{value:.3g}"
    return f"{value:.5f}".rstrip("0").rstrip(".") or "0"


def clock(sky: NightSky, tick: int) -> str:
    """Time of a tick as HH:MM UTC."""
    return clock_after(sky, tick * float(sky.tick_s))


def clock_after(sky: NightSky, seconds: float) -> str:
    """Time so many seconds after the first tick as HH:MM UTC."""
    second = (sky.times[0].utc.mjd % 1.0) * DAY_S + seconds
    minute = round(second / 60.0) % 1440
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _hours(sky: NightSky, allowed: np.ndarray) -> str:
    runs: Sequence[tuple[int, int]] = intervals(allowed)
    if not runs:
        return "never"
    hours = ", ".join(f"{clock(sky, first)}-{clock(sky, last)}" for first, last in runs[:3])
    return f"{hours} UTC" + (f" and {len(runs) - 3} times more" if len(runs) > 3 else "")
