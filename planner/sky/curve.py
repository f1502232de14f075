"""The sky of a night at any second, not only on its ticks.

The boost and rotation matrices of :class:`EarthFrame` are smooth in time: a
cubic spline through knots 120 s apart is off by (omega h)^4/384 = 1.5e-11 at
most (the error of a cubic spline), which is nanometres of delay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.interpolate import CubicSpline

from planner.scenario.targets import Star
from planner.sky.bodies import Bodies, bodies
from planner.sky.directions import directions, icrs_at_date, natural_directions
from planner.sky.earth import EarthFrame, Place, earth_frame, offline_earth
from planner.sky.night import DarkHours, NightSky

KNOT_S = 120.0
KNOTS_BEYOND = 3


@dataclass(frozen=True)
class SkyCurve:
    """A night as curves of time, in seconds since dusk.

    Attributes
    ----------
    dark : DarkHours
        Zero is ``dark.start``.
    stars : tuple of Star
    natural : ndarray (star, 3)
        From ``sky.directions.natural_directions``.
    icrs_rad : ndarray (star, 2)
    frame : EarthFrame
        At the knots.
    matrices : CubicSpline
        Seconds to the 16 numbers of the boost and the 9 of the rotation.
    sun_moon : Bodies
    """

    dark: DarkHours
    stars: tuple[Star, ...]
    natural: np.ndarray
    icrs_rad: np.ndarray
    frame: EarthFrame
    matrices: CubicSpline
    sun_moon: Bodies

    @property
    def length_s(self) -> float:
        """From dusk to dawn, seconds."""
        return seconds_after(self.dark.start, self.dark.end)

    def times(self, seconds: np.ndarray) -> Time:
        """Return moments, UTC, from seconds since dusk."""
        with offline_earth():
            return self.dark.start + TimeDelta(np.asarray(seconds, dtype=float), format="sec")

    def at(self, stars: Sequence[int] | np.ndarray, seconds: np.ndarray) -> NightSky:
        """Return these stars at these seconds since dusk, as the constraints take them.

        The ticks of the result are the seconds given: it has no slots.
        """
        flat = self.matrices(seconds)
        boost, rotation = flat[:, :16].reshape(-1, 4, 4), flat[:, 16:].reshape(-1, 3, 3)
        frame = replace(self.frame, times=self.times(seconds), boost=boost, rotation=rotation)
        chosen = np.asarray(stars, dtype=int)
        return NightSky(
            dark=self.dark,
            tick_s=1,
            ticks_per_slot=1,
            first_slot=len(seconds),
            stars=tuple(self.stars[i] for i in chosen),
            frame=frame,
            direction=directions(self.natural[chosen], frame),
            icrs_rad=self.icrs_rad[chosen],
            sun_moon=self.sun_moon.at(seconds, rotation),
        )


def seconds_after(start: Time, end: Time) -> float:
    """Return the seconds from ``start`` to ``end``."""
    with offline_earth():
        return float((end - start).to_value("s"))


def sky_curve(place: Place, dark: DarkHours, stars: Sequence[Star]) -> SkyCurve:
    """Return the curves of some stars through a night.

    Parameters
    ----------
    place : Place
    dark : DarkHours
    stars : sequence of Star
    """
    length_s = seconds_after(dark.start, dark.end)
    count = int(np.ceil(length_s / KNOT_S)) + 1
    seconds = np.arange(-KNOTS_BEYOND, count + KNOTS_BEYOND) * KNOT_S
    with offline_earth():
        times = dark.start + TimeDelta(seconds, format="sec")
    frame = earth_frame(place, times)
    both = np.concatenate([frame.boost.reshape(-1, 16), frame.rotation.reshape(-1, 9)], axis=1)
    middle = times[len(times) // 2]
    return SkyCurve(
        dark=dark,
        stars=tuple(stars),
        natural=natural_directions(stars, frame),
        icrs_rad=icrs_at_date(stars, middle),
        frame=frame,
        matrices=CubicSpline(seconds, both),
        sun_moon=bodies(place, dark.start, dark.end),
    )
