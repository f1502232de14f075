"""The sky of many nights on a coarse grid: night by hour of night.

Columns are equal steps of local mean time, the same for every night, so that
nights stand above each other; only moments at which the Sun is below its limit
are kept.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.time import TimeDelta

from planner.scenario.targets import Scenario, Star
from planner.sky.bodies import Bodies, bodies
from planner.sky.directions import (
    SunAndMoon,
    icrs_at_date,
    natural_over_time,
)
from planner.sky.earth import EarthFrame, Place, offline_earth, part_of
from planner.sky.earth_curve import EarthCurve, earth_curve
from planner.sky.night import DarkHours, NightSky, dark_hours, noon_utc, sky_on_ticks, ticks_of
from planner.units import DAY_S


@dataclass(frozen=True)
class YearSky:
    """Dark moments of some nights.

    Attributes
    ----------
    nights : tuple of date
        Local dates of the evenings.
    step_s : float
    offset_h : ndarray (column,)
        Middles of the columns, hours from local mean midnight.
    night, column : ndarray (sample,)
        Where each dark moment stands.
    seconds : ndarray (sample,)
        Since ``earth.start``.
    earth : EarthCurve
    frame : EarthFrame
        At the samples.
    sun_moon : SunAndMoon
        At the samples.
    bodies : Bodies
        The Sun and the Moon at any second from the first noon to the last.
    """

    nights: tuple[datetime.date, ...]
    step_s: float
    offset_h: np.ndarray
    night: np.ndarray
    column: np.ndarray
    seconds: np.ndarray
    earth: EarthCurve
    frame: EarthFrame
    sun_moon: SunAndMoon
    bodies: Bodies

    def on_ticks(self, scenario: Scenario, date: datetime.date) -> NightSky:
        """Return one of the nights on its ticks, every star of a scenario in it.

        As :func:`planner.sky.night.night_sky` to a tenth of a micrometre of delay and a fiftieth of a second
        of dusk and dawn, in a tenth of the time.

        Raises
        ------
        NoNight
        """
        settings = scenario.night
        curves = (self.earth, self.bodies)
        dark = dark_hours(self.earth.place, date, settings.sun_altitude_max_deg, curves)
        times, first_slot = ticks_of(dark, settings.tick_s, settings.slot_s)
        with offline_earth():
            seconds = np.asarray((times - self.earth.start).to_value("s"))
        frame = self.earth.frame_at(seconds)
        stars = [*(request.star for request in scenario.requests), *scenario.calibrators]
        sun_moon = self.bodies.at(seconds, frame.rotation)
        return sky_on_ticks(settings, stars, dark, (times, first_slot), frame, sun_moon)

    def direction(self, star: Star) -> np.ndarray:
        """Return the apparent direction of a star at every sample, (sample, 3) ENU.

        Proper motion, parallax and light deflection once a night.
        """
        natural = natural_over_time(star, _each_night(self))
        light = np.concatenate([np.ones((len(natural), 1)), natural], axis=1)
        seen = np.einsum("sij,sj->si", self.frame.boost, light[self.night], optimize=True)
        return seen[:, 1:] / seen[:, :1]

    def sky(self, star: Star, direction: np.ndarray, samples: np.ndarray) -> NightSky:
        """Return some of the samples of one star as the constraints take them: no ticks, no slots."""
        frame = part_of(self.frame, samples)
        middle = frame.times[len(frame.times) // 2]
        bodies_then = self.sun_moon
        return NightSky(
            dark=DarkHours(frame.times[0], frame.times[-1]),
            tick_s=1,
            ticks_per_slot=1,
            first_slot=len(samples),
            stars=(star,),
            frame=frame,
            direction=direction[samples][None],
            icrs_rad=icrs_at_date([star], middle),
            sun_moon=SunAndMoon(
                bodies_then.sun_altitude_deg[samples],
                bodies_then.moon_altitude_deg[samples],
                bodies_then.moon_direction[samples],
                bodies_then.moon_illumination[samples],
            ),
        )


def _each_night(sky: YearSky) -> EarthFrame:
    """The Earth at the knot nearest to each night's midnight."""
    midnight = DAY_S / 2.0 + DAY_S * np.array([(night - sky.nights[0]).days for night in sky.nights])
    knots = np.clip(np.searchsorted(sky.earth.knots_s, midnight), 0, len(sky.earth.knots_s) - 1)
    return part_of(sky.earth.frame, knots)


def year_sky(
    place: Place, nights: Sequence[datetime.date], sun_altitude_max_deg: float, step_s: float
) -> YearSky:
    """Compute the dark moments of some nights.

    Parameters
    ----------
    place : Place
    nights : sequence of date
        In order.
    sun_altitude_max_deg : float
    step_s : float
        Width of a column.
    """
    first = noon_utc(place, nights[0])
    length_s = DAY_S * ((nights[-1] - nights[0]).days + 1)
    with offline_earth():
        end = first + TimeDelta(length_s, format="sec")
    earth = earth_curve(place, first, end)
    columns = np.arange(0.5 * step_s, DAY_S, step_s)
    day = np.array([(night - nights[0]).days for night in nights])
    seconds = (day[:, None] * DAY_S + columns).ravel()
    rotation = earth.frame_at(seconds).rotation
    curve = bodies(place, first, end)
    dark = curve.at(seconds, rotation).sun_altitude_deg <= sun_altitude_max_deg
    night, column = np.divmod(np.flatnonzero(dark), len(columns))
    used = (
        slice(column.min(), column.max() + 1)
        if len(column)
        else slice(len(columns) // 2, len(columns) // 2 + 1)
    )
    frame = earth.frame_at(seconds[dark])
    return YearSky(
        nights=tuple(nights),
        step_s=step_s,
        offset_h=columns[used] / 3600.0 - 12.0,
        night=night,
        column=column - used.start,
        seconds=seconds[dark],
        earth=earth,
        frame=frame,
        sun_moon=curve.at(seconds[dark], frame.rotation),
        bodies=curve,
    )
