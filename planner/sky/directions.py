"""Apparent directions of stars, the Sun and the Moon in local axes.

Directions are unit vectors (east, north, up), without refraction. A star's
catalogue place is moved by proper motion, parallax and the Sun's light
deflection once, at the middle of the night; aberration, precession-nutation
and Earth rotation are exact at every time through :class:`EarthFrame`.

What once a night costs: parallax turns by at most 13 mas a day per arcsecond of
parallax, and deflection changes by less than a milliarcsecond for a star in a
dark sky (derived from their formulas), which is micrometres of delay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import erfa
import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time

from planner.scenario.array import Site
from planner.scenario.targets import Star
from planner.sky.earth import EarthFrame, Place, offline_earth
from planner.units import LIGHT_KM_PER_S, RAD_PER_MAS


def place_of(site: Site) -> Place:
    """Return the site of a scenario as the plain numbers the sky needs."""
    return Place(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        height_m=site.height_m,
        pressure_hpa=site.pressure_hpa,
        temperature_c=site.temperature_c,
        relative_humidity=site.relative_humidity,
    )


def icrs_at_date(stars: Sequence[Star], time: Time) -> np.ndarray:
    """Return right ascension and declination with proper motion applied, (star, 2) in radians.

    Parallax is left out: this is the place that fixes the u and v axes.
    """
    vectors = _natural_directions(stars, time, np.zeros(3))
    right_ascension, declination = erfa.c2s(vectors)
    return np.stack([np.mod(right_ascension, 2 * np.pi), declination], axis=-1)


def natural_directions(stars: Sequence[Star], frame: EarthFrame) -> np.ndarray:
    """Return directions on BCRS axes as the site sees them before aberration, (star, 3).

    Proper motion, radial velocity and parallax by ERFA ``pmpx``, light
    deflection by the Sun by ERFA ``ldsun``, at the middle of ``frame.times``.
    """
    middle = len(frame.times) // 2
    vectors = _natural_directions(stars, frame.times[middle], frame.observer_au[middle])
    sun = frame.sun_to_observer[middle]
    return erfa.ldsun(vectors, sun[:3], sun[3])


def natural_over_time(star: Star, frame: EarthFrame) -> np.ndarray:
    """Return the same direction of one star at every time of the frame, (time, 3)."""
    vectors = _natural_directions([star], frame.times, frame.observer_au)[0]
    sun = frame.sun_to_observer
    return erfa.ldsun(vectors, sun[:, :3], sun[:, 3])


def _natural_directions(stars: Sequence[Star], time: Time, observer_au: np.ndarray) -> np.ndarray:
    """Several stars at one time, or one star at several times."""
    with offline_earth():
        year = time.tdb.jyear
    dec_rad = np.deg2rad([star.dec_deg for star in stars])
    # A velocity v by the shift of lines makes the distance grow by v (1 - v/2c) in a second seen here: time
    # on the star runs slower by v^2/2c^2 (to this order as ERFA's ``starpv``, Stumpff 1985, A&A 144, 232).
    radial = np.array([star.radial_velocity_km_per_s for star in stars])
    radial = radial * (1.0 - radial / (2.0 * LIGHT_KM_PER_S))
    # In this arithmetic the cosine of 90 deg is 6e-17, not 0: ERFA multiplies by it again.
    cos_dec = np.cos(dec_rad)
    return erfa.pmpx(
        np.deg2rad([star.ra_deg for star in stars]),
        dec_rad,
        np.array([star.pmra_mas_per_yr for star in stars]) * RAD_PER_MAS / cos_dec,
        np.array([star.pmdec_mas_per_yr for star in stars]) * RAD_PER_MAS,
        np.array([max(star.parallax_mas, 0.0) / 1000.0 for star in stars]),
        radial,
        np.array([year - star.epoch_yr for star in stars]),
        observer_au,
    )


def directions(natural: np.ndarray, frame: EarthFrame) -> np.ndarray:
    """Return apparent unit vectors in ENU, (star, time, 3).

    Parameters
    ----------
    natural : ndarray (star, 3)
        From :func:`natural_directions`.
    frame : EarthFrame

    Notes
    -----
    One matrix product: the boost of every time, stacked, times every star.
    """
    stars, times = len(natural), len(frame.boost)
    light = np.concatenate([np.ones((stars, 1)), natural], axis=1)
    seen = (light @ frame.boost.reshape(times * 4, 4).T).reshape(stars, times, 4)
    return seen[:, :, 1:] / seen[:, :, :1]


def altitude_deg(direction: np.ndarray) -> np.ndarray:
    """Altitude above the geodetic horizon of ENU vectors (..., 3), without refraction."""
    return np.rad2deg(np.arctan2(direction[..., 2], np.hypot(direction[..., 0], direction[..., 1])))


def azimuth_deg(direction: np.ndarray) -> np.ndarray:
    """Azimuth from north through east, 0 to 360, of ENU vectors (..., 3)."""
    return np.mod(np.rad2deg(np.arctan2(direction[..., 0], direction[..., 1])), 360.0)


def refracted_altitude_deg(direction: np.ndarray, frame: EarthFrame) -> np.ndarray:
    """Altitude at which the star appears through the air, degrees (...).

    dz = A tan z + B tan^3 z on the observed z, one Newton step, as ERFA ``atioq``
    does it; below 3 degrees the correction is held at its value there, because
    the series is not meant for the horizon itself.
    """
    a, b = frame.refraction
    up = np.maximum(direction[..., 2], 0.05)
    horizontal = np.maximum(np.hypot(direction[..., 0], direction[..., 1]), 1e-6)
    tangent = horizontal / up
    w = b * tangent**2
    lift = (a + w) * tangent / (1.0 + (a + 3.0 * w) / up**2)
    return altitude_deg(direction) + np.rad2deg(lift)


def hour_angle_h(direction: np.ndarray, latitude_deg: float) -> np.ndarray:
    """Apparent hour angle of ENU vectors (..., 3), hours, west positive, -12 to 12."""
    latitude = np.deg2rad(latitude_deg)
    east, north, up = np.moveaxis(direction, -1, 0)
    meridian = up * np.cos(latitude) - north * np.sin(latitude)
    return np.rad2deg(np.arctan2(-east, meridian)) / 15.0


@dataclass(frozen=True)
class SunAndMoon:
    """Where the Sun and the Moon are.

    Attributes
    ----------
    sun_altitude_deg, moon_altitude_deg : ndarray (time,)
        Without refraction, centre of the disk.
    moon_direction : ndarray (time, 3)
        Topocentric, ENU.
    moon_illumination : ndarray (time,)
        Lit fraction of the disk, 0 to 1.
    """

    sun_altitude_deg: np.ndarray
    moon_altitude_deg: np.ndarray
    moon_direction: np.ndarray
    moon_illumination: np.ndarray


def location_of(place: Place) -> EarthLocation:
    """Return astropy's location of a place."""
    return EarthLocation.from_geodetic(
        place.longitude_deg * u.deg, place.latitude_deg * u.deg, place.height_m * u.m
    )


def sun_altitude_deg(place: Place, times: Time) -> np.ndarray:
    """Altitude of the Sun's centre without refraction, (time,), by astropy and ERFA's built-in ephemeris."""
    with offline_earth():
        altaz = get_body("sun", times, location_of(place)).transform_to(
            AltAz(obstime=times, location=location_of(place))
        )
    return altaz.alt.to_value("deg")


def sun_and_moon(place: Place, times: Time) -> SunAndMoon:
    """Return the Sun and the Moon at ``times`` by astropy with ERFA's built-in ephemerides.

    The lit fraction is (1 + cos i)/2 with the phase angle i of Meeus (1998),
    eq. 48.1 to 48.3, from topocentric distances.
    """
    location = location_of(place)
    with offline_earth():
        altaz = AltAz(obstime=times, location=location)
        sun = get_body("sun", times, location)
        moon = get_body("moon", times, location)
        elongation = moon.separation(sun).to_value("rad")
        phase = np.arctan2(
            sun.distance * np.sin(elongation), moon.distance - sun.distance * np.cos(elongation)
        ).to_value("rad")
        moon_seen = moon.transform_to(altaz)
        sun_seen = sun.transform_to(altaz)
    altitude, azimuth = moon_seen.alt.to_value("rad"), moon_seen.az.to_value("rad")
    direction = np.stack(
        [np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth), np.sin(altitude)], axis=-1
    )
    return SunAndMoon(
        sun_altitude_deg=sun_seen.alt.to_value("deg"),
        moon_altitude_deg=np.rad2deg(altitude),
        moon_direction=direction,
        moon_illumination=(1.0 + np.cos(phase)) / 2.0,
    )
