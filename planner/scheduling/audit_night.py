"""Are the dark hours, the Moon and the state of the Earth what the plan tells.

The dark hours begin in the second in which the Sun sinks below the limit and
end in the one in which it comes above it, from mean local noon to the next;
times are written without fractions of a second. Sun and Moon are those of
``audit_sky``. UT1-UTC and what is known of its error are read off the table
that astropy uses, offline.
"""

from __future__ import annotations

import functools
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np
from astropy.time import Time
from astropy.utils import iers

from planner.scenario.array import Site
from planner.scheduling.audit_case import Case, class_of, holds, named, number
from planner.scheduling.audit_clock import clock, instant, moment, times_of
from planner.scheduling.audit_sky import baseline_end_m, sun_and_moon_columns
from planner.scheduling.plan import NightPlan
from planner.units import DAY_S, SIDEREAL_RAD_PER_S

WITHIN_S = 0.01  # of the edge of a second
SUN_DEG = 2e-5
NOON_S = 1.5
COARSE = 8  # samples before the dark hours and after them; inside them three times as many
WRITTEN_S = 6e-7
LIT_TOLERANCE = 1.5e-3
UT1_TOLERANCE_S = 3e-6
DRIFT_S_PER_DAY = (
    0.002  # the most by which UT1 runs away from UTC (as the planner's own account; from memory)
)
LARGEST_ERROR_S = 1.8
NUMBERS = re.compile(r"([-+\d.e]+) s, ([-+\d.e]+) mm of delay on (\d+) m")


@dataclass(frozen=True)
class Dark:
    """The dark hours, worked out again.

    Attributes
    ----------
    start, end : datetime
        Fractions of a second included.
    sun_deg, moon_lit : ndarray (sample,)
        From noon to noon; the second is the Moon's lit fraction.
    inside : ndarray of bool (sample,)
        Which samples lie in the dark hours told.
    """

    start: datetime
    end: datetime
    sun_deg: np.ndarray
    moon_lit: np.ndarray
    inside: np.ndarray


def dark_of(plan: NightPlan) -> Dark | None:
    """Return the dark hours by the Sun at the times told; None when these cannot be read."""
    start, end = moment(plan.night.start_utc), moment(plan.night.end_utc)
    noon = _noon(plan)
    if start is None or end is None or not noon - timedelta(days=1) < start < end < noon + timedelta(days=2):
        return None
    return _dark(plan.scenario.array.site, plan.scenario.night.sun_altitude_max_deg, noon, (start, end))


@functools.lru_cache(maxsize=4)
def _dark(site: Site, limit_deg: float, noon: datetime, told: tuple[datetime, datetime]) -> Dark:
    start, end = told
    edges = [edge + timedelta(seconds=s) for edge in told for s in (-WITHIN_S, 1.0 + WITHIN_S)]
    parts = ((noon, start, COARSE), (start, end, 3 * COARSE), (end, noon + timedelta(days=1), COARSE))
    samples = [
        begin + (stop - begin) * ((k + 0.5) / count) for begin, stop, count in parts for k in range(count)
    ]
    up = np.tile([0.0, 0.0, 1.0], (len(edges) + len(samples), 1))
    columns = sun_and_moon_columns(site, times_of([*edges, *samples]), up)
    above = columns["sun_deg"] - limit_deg
    crossed = []
    for first in (0, 2):
        # Within a second and a bit the Sun moves on a straight line.
        early, late = above[first], above[first + 1]
        share = float(np.clip(early / (early - late), 0.0, 1.0)) if early != late else 0.0
        crossed.append(edges[first] + share * (edges[first + 1] - edges[first]))
    inside = np.repeat([False, True, False], [COARSE, 3 * COARSE, COARSE])
    return Dark(crossed[0], crossed[1], above, columns["moon_lit"][len(edges) :], inside)


def _noon(plan: NightPlan) -> datetime:
    """Mean local noon of the night's date, to the second."""
    longitude = (plan.scenario.array.site.longitude_deg + 180.0) % 360.0 - 180.0
    midday = instant(datetime.combine(plan.scenario.night.date, time(12)))
    return midday - timedelta(seconds=round(longitude / 360.0 * DAY_S))


def night_cases(plan: NightPlan, dark: Dark | None) -> Iterator[Case]:
    """The dark hours are told to the second, and the Moon's lit fraction is its mean over them."""
    if dark is None:
        yield holds(False, "the dark hours told are not those of a night of the scenario's date")
        return
    noon = _noon(plan)
    before, after = dark.sun_deg[:2], dark.sun_deg[2:4]
    told = moment(plan.night.start_utc), moment(plan.night.end_utc)
    # Where the Sun is low all day the dark hours reach to noon, and there is no time outside them.
    at_noon = [
        edge is not None and abs((edge - midday).total_seconds()) <= NOON_S
        for edge, midday in zip(told, (noon, noon + timedelta(days=1)), strict=True)
    ]
    for what, edge, edges, sign, reaches in zip(
        ("start", "end"), told, (before, after), (1.0, -1.0), at_noon, strict=True
    ):
        crosses = sign * edges[0] >= -SUN_DEG and sign * edges[1] <= SUN_DEG
        low = reaches and bool(np.max(edges) < 0)
        yield holds(
            bool(crosses or low),
            f"the Sun is {edges[0]:+.4f} and {edges[1]:+.4f} deg from the limit in the second in which the "
            f"dark hours are told to {what}, {clock(edge) if edge is not None else 'never'}",
        )
    counts = np.repeat([not at_noon[0], False, not at_noon[1]], [COARSE, 3 * COARSE, COARSE])
    if counts.any():
        outside = dark.sun_deg[4:][counts]
        yield Case(
            float(outside.min()) + SUN_DEG,
            f"outside the dark hours the Sun is no lower than {outside.min():+.2f} deg from the limit",
            len(outside),
        )
    lit = float(dark.moon_lit[dark.inside].mean())
    yield Case(
        LIT_TOLERANCE - abs(number(plan.night.moon_illumination) - lit),
        f"lit fraction of the Moon {plan.night.moon_illumination} told, {lit:.4f} found",
    )


def orientation_cases(plan: NightPlan) -> Iterator[Case]:
    """UT1-UTC, its state and its error are those of the table, also in the sentence."""
    told, edges = plan.earth_orientation, [moment(plan.night.start_utc), moment(plan.night.end_utc)]
    instants = [edge for edge in edges if edge is not None]
    if len(instants) < 2:
        yield holds(False, "the dark hours cannot be read, so the Earth's orientation cannot be checked")
        return
    times = times_of(instants)
    table = iers.earth_orientation_table.get()
    ut1_utc, status = table.ut1_utc(times.jd1, times.jd2, return_status=True)
    first = float(ut1_utc[0].to_value("s"))
    yield Case(
        UT1_TOLERANCE_S - abs(number(told.ut1_minus_utc_s) - first),
        f"UT1-UTC = {told.ut1_minus_utc_s} s told, {first:.6f} s found",
    )
    state = "measured"
    if iers.FROM_IERS_A_PREDICTION in status:
        state = "predicted"
    if iers.TIME_BEYOND_IERS_RANGE in status:
        state = "frozen"
    yield holds(
        told.state == state and f"UT1-UTC {state}" in told.sentence,
        f"the Earth's orientation is told to be {told.state} ({told.sentence}), it is {state}",
    )
    low, high = _errors_s(table, times)
    error_s = number(told.error_s)
    yield Case(
        min(error_s - low, high - error_s) + 1e-6, f"an error of {told.error_s} s told, {high:.6f} found"
    )
    longest = longest_m(plan)
    error_mm = 1e3 * SIDEREAL_RAD_PER_S * error_s * longest
    yield Case(
        1e-4 + 1e3 * SIDEREAL_RAD_PER_S * WRITTEN_S * longest - abs(number(told.delay_error_mm) - error_mm),
        f"an error of {told.delay_error_mm} mm told, {error_mm:.4f} mm found on {longest:.1f} m",
    )
    said = NUMBERS.search(told.sentence)
    if said is None:
        yield holds(False, f"the sentence on the Earth's orientation has no numbers: {told.sentence}")
        return
    for what, text, found in zip(("s", "mm", "m"), said.groups(), (error_s, error_mm, longest), strict=True):
        # Two figures, and whole metres; the error itself is written to the microsecond.
        rounded = {"s": WRITTEN_S, "mm": 1e3 * SIDEREAL_RAD_PER_S * WRITTEN_S * longest}
        allowed = 0.51 if what == "m" else 0.051 * found + rounded[what]
        yield Case(
            allowed - abs(float(text) - found),
            f"{text} {what} said of the Earth's orientation, {found:.3g} found",
        )


def longest_m(plan: NightPlan) -> float:
    """Return the longest baseline between two telescopes of the configuration, metres."""
    array, ends = plan.scenario.array, []
    for name, where in plan.placement.items():
        station, own = named(array.stations, where), class_of(array, name)
        if station is not None and own is not None:
            ends.append(baseline_end_m(station, own))
    return max((float(np.linalg.norm(b - a)) for a, b in itertools.combinations(ends, 2)), default=0.0)


def _errors_s(table: iers.IERS, times: Time) -> tuple[float, float]:
    """Least and largest error that the table gives around the night, grown by the drift past its end."""
    mjd = np.asarray(table["MJD"].to_value("d"))
    errors = np.nan_to_num(np.ma.filled(table["e_UT1_UTC_A"].to_value("s"), 0.0))
    last = float(times.mjd.max())
    near = errors[np.abs(mjd - np.clip(last, mjd[0], mjd[-1])) <= 1.0]
    past = DRIFT_S_PER_DAY * max(last - float(mjd[-1]), 0.0)
    # The planner counts to its last tick, not to the end of the dark hours.
    grown = [min(LARGEST_ERROR_S, float(error) + past) for error in (near.min(), near.max())]
    return grown[0] - 1e-6 * (past > 0), grown[1]
