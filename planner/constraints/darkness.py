"""Is it dark enough: the Sun, and the Moon near the star and in phase."""

from __future__ import annotations

import numpy as np

from planner.constraints.verdict import Verdict
from planner.sky.night import NightSky


def sun_below(sky: NightSky, sun_altitude_max_deg: float) -> Verdict:
    """Margin by which the Sun is below the limit, degrees, (time,).

    The usual limits are -18, -12 and -6 degrees: astronomical, nautical and
    civil twilight (standard definitions).
    """
    margin = sun_altitude_max_deg - sky.sun_moon.sun_altitude_deg
    return Verdict("Sun", "deg", margin, ("time",))


def moon_separation_deg(sky: NightSky) -> np.ndarray:
    """Angle between each star and the Moon's centre, degrees, (star, time).

    From the chord, 2 asin(|a - b|/2), which keeps its digits at small angles.
    """
    chord = np.linalg.norm(sky.direction - sky.sun_moon.moon_direction, axis=-1)
    return np.rad2deg(2.0 * np.arcsin(np.clip(chord / 2.0, 0.0, 1.0)))


def moon_distance(separation_deg: np.ndarray, minimum_deg: float) -> Verdict:
    """Margin by which the Moon is far enough, degrees, (star, time)."""
    return Verdict("Moon separation", "deg", separation_deg - minimum_deg, ("star", "time"))


def moon_light(sky: NightSky, illumination_max: float) -> Verdict:
    """Margin of the Moon's lit fraction, 0 to 1, (time,); a Moon below the horizon counts as dark."""
    lit = np.where(sky.sun_moon.moon_altitude_deg > 0, sky.sun_moon.moon_illumination, 0.0)
    return Verdict("Moon lit fraction", "of the disk", illumination_max - lit, ("time",))
