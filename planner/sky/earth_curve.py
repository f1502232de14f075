"""The Earth's orientation at any second of a night or of a year, not only on ticks.

Seen from axes that turn with the Earth's mean rotation, the boost and rotation
matrices of :class:`EarthFrame` change slowly: what is left is precession,
nutation, the yearly motion, and a diurnal part of 1.5e-6 (polar motion and
diurnal aberration). A cubic spline through knots two hours apart is off by
(omega h)^4/384 = 2e-4 of that diurnal part, 3e-10, which is a tenth of a
micrometre of delay; only within hours of the end of the Earth-orientation
table, where its values jump, is the error that of the jump. The observer's
barycentric place goes along; of its daily circle the same 2e-4 are a kilometre.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.interpolate import CubicSpline

from planner.sky.earth import EarthFrame, Place, earth_frame, offline_earth
from planner.units import SIDEREAL_RAD_PER_S

KNOT_S = 7200.0
KNOTS_BEYOND = 3


def seconds_after(start: Time, end: Time) -> float:
    """Return the seconds from ``start`` to ``end``."""
    with offline_earth():
        return float((end - start).to_value("s"))


@dataclass(frozen=True)
class EarthCurve:
    """The Earth's orientation as a curve of time.

    Attributes
    ----------
    place : Place
    start : Time
        Zero of the seconds.
    knots_s : ndarray (knot,)
    frame : EarthFrame
        At the knots.
    slow : CubicSpline
        Seconds to the 16 numbers of the boost and the 9 of the rotation, on axes that turn with the Earth,
        and to the 3 of the observer's barycentric place (au), on axes that do not.
    """

    place: Place
    start: Time
    knots_s: np.ndarray
    frame: EarthFrame
    slow: CubicSpline

    def times(self, seconds: np.ndarray) -> Time:
        """Return moments, UTC, from seconds since the start."""
        with offline_earth():
            return self.start + TimeDelta(np.asarray(seconds, dtype=float), format="sec")

    def frame_at(self, seconds: np.ndarray) -> EarthFrame:
        """Return the Earth at these seconds, (time,); the Sun's direction is that of the nearest knots."""
        flat = self.slow(seconds)
        turn = _turn(seconds, self.place.latitude_deg)
        boost = flat[:, :16].reshape(-1, 4, 4)
        boost[:, 1:] = turn @ boost[:, 1:]
        near = np.clip(np.searchsorted(self.knots_s, seconds), 0, len(self.knots_s) - 1)
        return replace(
            self.frame,
            times=self.times(seconds),
            boost=boost,
            rotation=turn @ flat[:, 16:25].reshape(-1, 3, 3),
            observer_au=flat[:, 25:],
            sun_to_observer=self.frame.sun_to_observer[near],
        )


def earth_curve(place: Place, start: Time, end: Time) -> EarthCurve:
    """Return the Earth's orientation from ``start`` to ``end``."""
    count = int(np.ceil(seconds_after(start, end) / KNOT_S)) + 1
    seconds = np.arange(-KNOTS_BEYOND, count + KNOTS_BEYOND) * KNOT_S
    with offline_earth():
        frame = earth_frame(place, start + TimeDelta(seconds, format="sec"))
    back = np.swapaxes(_turn(seconds, place.latitude_deg), 1, 2)
    boost = frame.boost.copy()
    boost[:, 1:] = back @ boost[:, 1:]
    rotation = (back @ frame.rotation).reshape(-1, 9)
    every = np.concatenate([boost.reshape(-1, 16), rotation, frame.observer_au], axis=1)
    return EarthCurve(place, start, seconds, frame, CubicSpline(seconds, every))


def _turn(seconds: np.ndarray, latitude_deg: float) -> np.ndarray:
    """From axes that turned with the Earth since second zero to ENU, (time, 3, 3)."""
    angle, latitude = SIDEREAL_RAD_PER_S * np.asarray(seconds), np.deg2rad(latitude_deg)
    turn = np.zeros((len(angle), 3, 3))
    turn[:, 0, 0], turn[:, 0, 1] = np.cos(angle), np.sin(angle)
    turn[:, 1, 0], turn[:, 1, 1] = -np.sin(angle), np.cos(angle)
    turn[:, 2, 2] = 1.0
    up, north = np.sin(latitude), np.cos(latitude)
    vertical = np.array([[0.0, 1.0, 0.0], [-up, 0.0, north], [north, 0.0, up]])
    return vertical @ turn
