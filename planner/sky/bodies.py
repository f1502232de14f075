"""The Sun and the Moon at any moment of a night or a season, from a few positions of each.

Geocentric positions are taken from astropy (ERFA's built-in ephemerides) at
knots, half a day apart for the Moon and a day for the Sun, and joined by cubic
splines; the observer's own place is subtracted at each moment. Splines and
the diurnal aberration that is left out cost together less than 0.6 arcsec
(``tests/test_sky_curve.py``) and save nine tenths of the time and more.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.coordinates import get_body
from astropy.time import Time, TimeDelta
from scipy.interpolate import CubicSpline

from planner.sky.directions import SunAndMoon, altitude_deg, location_of
from planner.sky.earth import Place, offline_earth
from planner.units import DAY_S

SUN_KNOT_S, MOON_KNOT_S = DAY_S, DAY_S / 2.0
KNOTS_BEYOND = 3  # on either side, where a spline is less sure of itself


@dataclass(frozen=True)
class Bodies:
    """Geocentric places of the Sun and the Moon as curves of time.

    Attributes
    ----------
    start : Time
        Zero of the curves.
    place : Place
    sun_m, moon_m : CubicSpline
        Seconds since ``start`` to GCRS metres, (..., 3).
    """

    start: Time
    place: Place
    sun_m: CubicSpline
    moon_m: CubicSpline

    def at(self, seconds: np.ndarray, rotation: np.ndarray) -> SunAndMoon:
        """Return the Sun and the Moon as the site sees them.

        Parameters
        ----------
        seconds : ndarray (time,)
            Since ``start``.
        rotation : ndarray (time, 3, 3)
            GCRS to ENU at these times.

        Notes
        -----
        The lit fraction is (1 + cos i)/2 with the phase angle i at the Moon
        between the Sun and the observer (Meeus 1998, ch. 48).
        """
        observer = _observer_enu_m(self.place)
        sun = np.einsum("tij,tj->ti", rotation, self.sun_m(seconds)) - observer
        moon = np.einsum("tij,tj->ti", rotation, self.moon_m(seconds)) - observer
        to_sun = sun - moon
        cos_phase = -np.einsum("ti,ti->t", moon, to_sun) / (
            np.linalg.norm(moon, axis=-1) * np.linalg.norm(to_sun, axis=-1)
        )
        return SunAndMoon(
            sun_altitude_deg=altitude_deg(sun),
            moon_altitude_deg=altitude_deg(moon),
            moon_direction=moon / np.linalg.norm(moon, axis=-1, keepdims=True),
            moon_illumination=(1.0 + cos_phase) / 2.0,
        )


def bodies(place: Place, start: Time, end: Time) -> Bodies:
    """Return the curves of the Sun and the Moon that cover ``start`` to ``end``."""
    with offline_earth():
        length_s = (end - start).to_value("s")
        return Bodies(
            start,
            place,
            _curve("sun", start, length_s, SUN_KNOT_S),
            _curve("moon", start, length_s, MOON_KNOT_S),
        )


def _curve(name: str, start: Time, length_s: float, knot_s: float) -> CubicSpline:
    count = int(np.ceil(length_s / knot_s)) + 1
    seconds = np.arange(-KNOTS_BEYOND, count + KNOTS_BEYOND) * knot_s
    seen = get_body(name, start + TimeDelta(seconds, format="sec"))
    return CubicSpline(seconds, seen.cartesian.xyz.to_value(u.m).T)


@functools.lru_cache(maxsize=8)
def _observer_enu_m(place: Place) -> np.ndarray:
    """The site seen from the middle of the Earth, on its own axes east, north, up."""
    location = location_of(place)
    geocentric = np.array([axis.to_value(u.m) for axis in (location.x, location.y, location.z)])
    lon, lat = np.deg2rad(place.longitude_deg), np.deg2rad(place.latitude_deg)
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    return np.array([axis @ geocentric for axis in (east, north, up)])
