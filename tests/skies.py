"""From published places and times to local directions and back, for the tests."""

from __future__ import annotations

import datetime
from collections.abc import Callable

import erfa
import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from planner.sky.earth import EarthFrame, Orientation, offline_earth
from planner.units import RAD_PER_ARCSEC


def utc(*texts: str) -> Time:
    """Times in UTC, (time,); far dates without a remark."""
    with offline_earth():
        return Time(list(texts), scale="utc")


def told_orientation(
    ut1_minus_utc_s: float, pole_arcsec: tuple[float, float] = (0.0, 0.0)
) -> Callable[[Time], Orientation]:
    """A stand-in for ``planner.sky.earth.orientation`` that says what a published example says."""

    def told(times: Time) -> Orientation:
        pole_rad = np.tile(np.array(pole_arcsec) * RAD_PER_ARCSEC, (len(times), 1))
        ut1 = np.full(len(times), ut1_minus_utc_s)
        return Orientation(ut1, pole_rad, "measured", 0.0, datetime.date(2027, 1, 1))

    return told


def to_date(frame: EarthFrame) -> np.ndarray:
    """GCRS to the true equator and equinox of date, (time, 3, 3), by ERFA (IAU 2006/2000A)."""
    with offline_earth():
        return erfa.pnm06a(frame.times.tt.jd1, frame.times.tt.jd2)


def from_date(frame: EarthFrame, ra_deg: ArrayLike, dec_deg: ArrayLike) -> np.ndarray:
    """ENU directions of an apparent place, equator and equinox of date, (time, 3)."""
    of_date = np.broadcast_to(erfa.s2c(np.deg2rad(ra_deg), np.deg2rad(dec_deg)), (len(frame.times), 3))
    return np.einsum("tij,tkj,tk->ti", frame.rotation, to_date(frame), of_date)


def place_of_date(frame: EarthFrame, direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Right ascension and declination of date of ENU directions (time, 3), degrees."""
    ra, dec = erfa.c2s(np.einsum("tij,tkj,tk->ti", to_date(frame), frame.rotation, direction))
    return np.mod(np.rad2deg(ra), 360.0), np.rad2deg(dec)


def crossings_s(function: Callable[[Time], np.ndarray], start: Time, seconds: float) -> np.ndarray:
    """Seconds after ``start`` at which a function of the time crosses zero, to the millisecond."""
    grid = np.arange(0.0, seconds + 300.0, 300.0)

    def at(second: ArrayLike) -> np.ndarray:
        return function(start + TimeDelta(np.atleast_1d(second), format="sec"))

    steps = np.flatnonzero(np.diff(np.sign(at(grid))))
    return np.array([brentq(lambda s: at(s)[0], grid[k], grid[k + 1], xtol=1e-3) for k in steps])
