"""Is each science step recorded at the phases that its request asks for.

The light's way to the barycentre is astropy's ``Time.light_travel_time`` with
its built-in ephemeris, at every sample of the recomputed sky, and between
samples on a straight line to each second. Phases are clock hands here: how far
past the beginning of a range, and how far before its end. Margins in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from planner.scenario.array import Site
from planner.scenario.programs import PhaseWindow
from planner.scheduling.audit_case import Case, tightest
from planner.scheduling.audit_clock import clock
from planner.scheduling.audit_sky import TrackedStep, location_of
from planner.scheduling.plan import NightPlan
from planner.units import DAY_S

PHASE_TOLERANCE_S = 0.01


def phase_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """The science star is in one of its ranges of phase, second by second."""
    for seen in tracked:
        window = None if seen.request is None else seen.request.extras.phase
        if window is None or seen.step.role != "science":
            continue
        yield _tightest_second(plan.scenario.array.site, seen, window)


def _tightest_second(site: Site, seen: TrackedStep, window: PhaseWindow) -> Case:
    seconds = np.append(np.arange(0.0, seen.seconds[-1], 1.0), seen.seconds[-1])
    turns = turns_of(site, seen, window, seconds)
    inside_s = inside(turns, window) * window.period_d * DAY_S
    ranges = ", ".join(f"{low:g} to {high:g}" for low, high in window.phases)

    def words(second: int) -> str:
        return (
            f"{seen.title}: phase {turns[second] % 1.0:.6f}, {inside_s[second]:.3g} s inside the ranges "
            f"{ranges}, at {clock(seen.start + timedelta(seconds=float(seconds[second])))}"
        )

    return tightest(inside_s + PHASE_TOLERANCE_S, words)


def turns_of(site: Site, seen: TrackedStep, window: PhaseWindow, seconds: np.ndarray) -> np.ndarray:
    """Return the periods since the epoch, (second,), at seconds after the start of a step."""
    here = Time(seen.times, location=location_of(site))
    ra, dec = seen.sky.place_rad.T
    way = here.light_travel_time(SkyCoord(ra * u.rad, dec * u.rad), "barycentric", ephemeris="builtin")
    there = here.tdb + way
    epoch = Time(window.epoch_bjd, format="jd", scale="tdb")
    since = np.interp(seconds, seen.seconds, (there - epoch).to_value("d"))
    return np.asarray(since / window.period_d)


def inside(turns: np.ndarray, window: PhaseWindow) -> np.ndarray:
    """Return how far each moment is inside its best range, in turns, negative outside, (sample,).

    Examples
    --------
    >>> own = PhaseWindow(epoch_bjd=2_450_000.0, period_d=1.0, phases=((0.75, 0.25),))
    >>> inside(np.array([7.0, 7.125, 7.25, 7.375, 7.5]), own).tolist()
    [0.25, 0.125, 0.0, -0.125, -0.25]
    """
    best = np.full(np.shape(turns), -np.inf)
    for begins, ends in window.phases:
        whole = np.mod(ends - begins, 1.0) or 1.0
        past = np.mod(turns - begins, 1.0)
        kept = np.minimum(past, whole - past)
        missed = -np.minimum(past - whole, 1.0 - past)
        best = np.maximum(best, np.where(past <= whole, kept, missed))
    return best
