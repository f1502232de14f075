"""Some stars, the Sun and the Moon at any second of a night, not only on its ticks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from astropy.time import Time

from planner.scenario.targets import Star
from planner.sky.bodies import Bodies, bodies
from planner.sky.directions import directions, icrs_at_date, natural_directions
from planner.sky.earth import EarthFrame, Place
from planner.sky.earth_curve import EarthCurve, earth_curve, seconds_after
from planner.sky.night import DarkHours, NightSky, utc_text


@dataclass(frozen=True)
class SkyCurve:
    """Some stars through a night as curves of time, in seconds since dusk.

    Attributes
    ----------
    dark : DarkHours
        Zero is ``dark.start``.
    stars : tuple of Star
    natural : ndarray (star, 3)
        From ``sky.directions.natural_directions``.
    icrs_rad : ndarray (star, 2)
    earth : EarthCurve
    sun_moon : Bodies
    """

    dark: DarkHours
    stars: tuple[Star, ...]
    natural: np.ndarray
    icrs_rad: np.ndarray
    earth: EarthCurve
    sun_moon: Bodies

    @property
    def frame(self) -> EarthFrame:
        """The Earth at the knots."""
        return self.earth.frame

    @property
    def length_s(self) -> float:
        """From dusk to dawn, seconds."""
        return seconds_after(self.dark.start, self.dark.end)

    def times(self, seconds: np.ndarray) -> Time:
        """Return moments, UTC, from seconds since dusk."""
        return self.earth.times(seconds)

    def utc_text(self, second: float) -> str:
        """Return a moment as ISO 8601 UTC, to the nearest second, ending in Z."""
        return utc_text(self.times(np.array([second + 0.5]))[0])

    def at(self, stars: Sequence[int] | np.ndarray, seconds: np.ndarray) -> NightSky:
        """Return these stars at these seconds since dusk, as the constraints take them.

        The ticks of the result are the seconds given: it has no slots.
        """
        frame = self.earth.frame_at(seconds)
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
            sun_moon=self.sun_moon.at(seconds, frame.rotation),
        )


def sky_curve(place: Place, dark: DarkHours, stars: Sequence[Star]) -> SkyCurve:
    """Return the curves of some stars through a night.

    Parameters
    ----------
    place : Place
    dark : DarkHours
    stars : sequence of Star
    """
    earth = earth_curve(place, dark.start, dark.end)
    middle = earth.times(np.array([seconds_after(dark.start, dark.end) / 2.0]))[0]
    return SkyCurve(
        dark=dark,
        stars=tuple(stars),
        natural=natural_directions(stars, earth.frame),
        icrs_rad=icrs_at_date(stars, middle),
        earth=earth,
        sun_moon=bodies(place, dark.start, dark.end),
    )


def of_star(curve: SkyCurve, star: int) -> SkyCurve:
    """Return the same night with one star only."""
    return replace(
        curve,
        stars=(curve.stars[star],),
        natural=curve.natural[[star]],
        icrs_rad=curve.icrs_rad[[star]],
    )
