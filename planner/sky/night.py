"""A night: its dark hours, its grid of ticks, and every star at every tick."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.optimize import brentq

from planner.errors import NoNight
from planner.scenario.night import NightSettings
from planner.scenario.targets import Scenario, Star
from planner.sky.bodies import Bodies, bodies
from planner.sky.directions import (
    SunAndMoon,
    directions,
    icrs_at_date,
    natural_directions,
    place_of,
    sun_altitude_deg,
)
from planner.sky.earth import EarthFrame, Place, earth_frame, offline_earth
from planner.sky.earth_curve import EarthCurve, earth_curve, seconds_after
from planner.units import DAY_S

SEARCH_STEP_S = 300.0  # the Sun's altitude is smooth: its extremes are found to 0.01 degree on this grid


@dataclass(frozen=True)
class DarkHours:
    """When the Sun is below the limit: one interval, start before end."""

    start: Time
    end: Time


@dataclass(frozen=True)
class NightSky:
    """Every star of a scenario at every tick of a night.

    Attributes
    ----------
    dark : DarkHours
    tick_s, ticks_per_slot : int
    first_slot : int
        Index of the first tick that is a whole multiple of the slot in UTC.
    stars : tuple of Star
        Targets in the order of the requests, then the calibrators.
    frame : EarthFrame
    direction : ndarray (star, time, 3)
    icrs_rad : ndarray (star, 2)
    sun_moon : SunAndMoon
    """

    dark: DarkHours
    tick_s: int
    ticks_per_slot: int
    first_slot: int
    stars: tuple[Star, ...]
    frame: EarthFrame
    direction: np.ndarray
    icrs_rad: np.ndarray
    sun_moon: SunAndMoon

    @property
    def times(self) -> Time:
        """The ticks, UTC."""
        return self.frame.times

    @property
    def slots(self) -> np.ndarray:
        """Ticks at which a visit may start, (slot,)."""
        return np.arange(self.first_slot, len(self.times), self.ticks_per_slot)


def noon_utc(place: Place, date: datetime.date) -> Time:
    """Return the mean local noon of ``date`` at the site, to the second."""
    longitude = (place.longitude_deg + 180.0) % 360.0 - 180.0
    with offline_earth():
        midday = Time(f"{date.isoformat()}T12:00:00", scale="utc")
        return midday - TimeDelta(round(longitude / 360.0 * DAY_S), format="sec")


def dark_hours(
    place: Place,
    date: datetime.date,
    sun_altitude_max_deg: float,
    curves: tuple[EarthCurve, Bodies] | None = None,
) -> DarkHours:
    """Return when the Sun is below the limit in the night of ``date``, edges to the second.

    Parameters
    ----------
    place : Place
    date : datetime.date
        Local date of the evening.
    sun_altitude_max_deg : float
    curves : (EarthCurve, Bodies), optional
        Of a longer time that holds the night: then they are all that is asked, and edges are as good as they
        are, which is 0.3 arcsec or a fiftieth of a second.

    Raises
    ------
    NoNight
        When the Sun stays above the limit from noon to noon; the message says
        how low it comes and when.
    """
    noon = noon_utc(place, date)
    seconds = np.arange(0.0, DAY_S + 1.0, SEARCH_STEP_S)

    with offline_earth():
        earth, curve = curves or (
            earth_curve(place, noon, noon + TimeDelta(DAY_S, format="sec")),
            bodies(place, noon, noon + TimeDelta(DAY_S, format="sec")),
        )
    first_s = seconds_after(earth.start, noon)

    def above(second: float | np.ndarray) -> np.ndarray:
        many = first_s + np.atleast_1d(second)
        return curve.at(many, earth.frame_at(many).rotation).sun_altitude_deg - sun_altitude_max_deg

    def edge(early: float, late: float) -> float:
        near = float(brentq(lambda second: above(second)[0], early, late, xtol=0.01))
        if curves is not None:
            return near
        # The curve is 0.3 arcsec off: what astropy says there, over the slope, takes that out.
        with offline_earth():
            exact = sun_altitude_deg(place, noon + TimeDelta([near], format="sec"))[0] - sun_altitude_max_deg
        slope = above(near + 1.0)[0] - above(near - 1.0)[0]
        return near - 2.0 * float(exact / slope) if abs(slope) > 1e-4 else near

    height = above(seconds)
    below = np.flatnonzero(height < 0)
    if len(below) == 0:
        lowest = int(np.argmin(height))
        with offline_earth():
            when = (noon + TimeDelta(seconds[lowest], format="sec")).strftime("%Y-%m-%d %H:%M")
        raise NoNight(
            f"In the night of {date.isoformat()} the Sun never goes below {sun_altitude_max_deg:g} deg: "
            f"it is lowest at {height[lowest] + sun_altitude_max_deg:.1f} deg, {when} UTC. "
            + (
                "Choose another date or a higher night.sun_altitude_max_deg."
                if height[lowest] + sun_altitude_max_deg < 0
                else "Choose another date."
            )
        )
    first, last = int(below[0]), int(below[-1])
    start = seconds[first] if first == 0 else edge(seconds[first - 1], seconds[first])
    end = seconds[last] if last == len(seconds) - 1 else edge(seconds[last], seconds[last + 1])
    with offline_earth():
        return DarkHours(noon + TimeDelta(start, format="sec"), noon + TimeDelta(end, format="sec"))


def night_sky(scenario: Scenario, date: datetime.date, stars: Sequence[Star] | None = None) -> NightSky:
    """Compute where everything is in the night of ``date``.

    Parameters
    ----------
    scenario : Scenario
    date : datetime.date
    stars : sequence of Star, optional
        Default: every target, then every calibrator.

    Raises
    ------
    NoNight
    """
    place = place_of(scenario.array.site)
    settings = scenario.night
    if stars is None:
        stars = [request.star for request in scenario.requests] + list(scenario.calibrators)
    dark = dark_hours(place, date, settings.sun_altitude_max_deg)
    times, first_slot = ticks_of(dark, settings.tick_s, settings.slot_s)
    frame = earth_frame(place, times)
    sun_moon = bodies(place, times[0], times[-1]).at(_seconds(times), frame.rotation)
    return sky_on_ticks(settings, stars, dark, (times, first_slot), frame, sun_moon)


def sky_on_ticks(
    settings: NightSettings,
    stars: Sequence[Star],
    dark: DarkHours,
    ticks: tuple[Time, int],
    frame: EarthFrame,
    sun_moon: SunAndMoon,
) -> NightSky:
    """Return a night whose ticks, from :func:`ticks_of`, have their frame, and the Sun and the Moon."""
    times, first_slot = ticks
    return NightSky(
        dark=dark,
        tick_s=settings.tick_s,
        ticks_per_slot=settings.slot_s // settings.tick_s,
        first_slot=first_slot,
        stars=tuple(stars),
        frame=frame,
        direction=directions(natural_directions(stars, frame), frame),
        icrs_rad=icrs_at_date(stars, times[len(times) // 2]),
        sun_moon=sun_moon,
    )


def ticks_of(dark: DarkHours, tick_s: int, slot_s: int) -> tuple[Time, int]:
    """Return whole multiples of tick_s of UTC in the dark hours, and the first that is one of slot_s.

    Parameters
    ----------
    dark : DarkHours
    tick_s, slot_s : int
    """
    with offline_earth():
        midnight = Time(dark.start.strftime("%Y-%m-%d"), scale="utc")
        first = int(np.ceil((dark.start - midnight).to_value("s") / tick_s))
        last = int(np.floor((dark.end - midnight).to_value("s") / tick_s))
        count = max(last - first + 1, 1)
        times = midnight + TimeDelta(np.arange(first, first + count) * float(tick_s), format="sec")
    per_slot = slot_s // tick_s
    return times, (-first) % per_slot


def _seconds(times: Time) -> np.ndarray:
    """Seconds since the first of some times, (time,)."""
    with offline_earth():
        return np.asarray((times - times[0]).to_value("s"))


def utc_text(time: Time) -> str:
    """Return a time as ISO 8601 UTC to the second, ending in Z."""
    with offline_earth():
        return str(time.utc.strftime("%Y-%m-%dT%H:%M:%SZ"))
