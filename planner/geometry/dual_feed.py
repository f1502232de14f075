"""Two stars at once: their separation, the differential path, the orientation in the field.

Both stars of a pair go through the same telescope and the same delay line. What
is left of the delay equation is the difference of the two, of the order of the
baseline times the separation, for which each beam has a differential line.
"""

from __future__ import annotations

import numpy as np

from planner.geometry.delays import offset_range_m


def _on_first(first_rad: np.ndarray, second_rad: np.ndarray) -> tuple[float, float, float]:
    """Second place minus first as unit vectors, on the axes east, north, outward of the first.

    Written with differences of the coordinates, so that nothing cancels
    however close the two are. Outward it is minus twice the haversine.
    """
    (ra_1, dec_1), (ra_2, dec_2) = np.asarray(first_rad, float), np.asarray(second_rad, float)
    half = np.sin((ra_2 - ra_1) / 2.0) ** 2
    east = np.cos(dec_2) * np.sin(ra_2 - ra_1)
    north = np.sin(dec_2 - dec_1) + 2.0 * np.sin(dec_1) * np.cos(dec_2) * half
    haversine = np.sin((dec_2 - dec_1) / 2.0) ** 2 + np.cos(dec_1) * np.cos(dec_2) * half
    return float(east), float(north), float(-2.0 * haversine)


def separation(first_rad: np.ndarray, second_rad: np.ndarray) -> tuple[float, float]:
    """Return the angle between two stars, and the position angle of the second from the first.

    Parameters
    ----------
    first_rad, second_rad : ndarray (2,)
        Right ascension and declination, ICRS.

    Returns
    -------
    separation_rad : float
        0 to pi.
    position_angle_rad : float
        From north through east, 0 to 2 pi; 0 where the places are one.

    Notes
    -----
    Spherical trigonometry with the arctangent of two arguments, good at any
    angle from microarcseconds to pi.
    """
    east, north, outward = _on_first(first_rad, second_rad)
    apart = np.arctan2(np.hypot(east, north), 1.0 + outward)
    angle = np.arctan2(east, north)
    return float(apart), float(angle + 2.0 * np.pi if angle < 0 else angle)


def difference_vector(first_rad: np.ndarray, second_rad: np.ndarray) -> np.ndarray:
    """Return the unit vector of the second star minus that of the first, (3,), ICRS axes.

    Parameters
    ----------
    first_rad, second_rad : ndarray (2,)
        Right ascension and declination, ICRS.

    Notes
    -----
    Its relative error is that of the coordinates' difference: subtracting two
    computed unit vectors would lose all that is below 1e-16 rad.
    """
    ra, dec = np.asarray(first_rad, dtype=float)
    east = np.array([-np.sin(ra), np.cos(ra), 0.0])
    north = np.array([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])
    outward = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    return np.array(_on_first(first_rad, second_rad)) @ np.array([east, north, outward])


def differential_path_m(rotation: np.ndarray, difference: np.ndarray, stations_m: np.ndarray) -> np.ndarray:
    """Return by how much the second star's path is longer than the first's, (time, beam), metres.

    Parameters
    ----------
    rotation : ndarray (time, 3, 3)
        From GCRS axes to east, north, up.
    difference : ndarray (3,)
        Unit vector of the second star minus that of the first, ICRS.
    stations_m : ndarray (beam, 3)
        East, north, up.

    Notes
    -----
    r_i.(s2 - s1), the g of ``geometry.delays`` of the second star less that of
    the first. Aberration shifts both stars alike but for 1e-4 (v/c) of their
    separation, which is left out: 0.5 um of a differential path of 5 mm.
    """
    return (rotation @ difference) @ stations_m.T


def differential_offset_range_m(stroke_m: np.ndarray, path_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the smallest and largest common offset k that keeps k + path in the differential stroke.

    Parameters
    ----------
    stroke_m : ndarray (2,)
        Shortest and longest differential optical path, the same for every beam.
    path_m : ndarray (..., beam)
        Differential paths.

    Returns
    -------
    low, high : ndarray (...)
        Feasible where ``high - low``, the margin in metres, is zero or more. An
        offset held during a step lies between the largest ``low`` and the
        smallest ``high`` of the step.
    """
    return offset_range_m(np.asarray(stroke_m, dtype=float), path_m, path_m)


def parallactic_deg(direction: np.ndarray, latitude_deg: float) -> np.ndarray:
    """Return the position angle of the zenith at the star, (...), degrees.

    Parameters
    ----------
    direction : ndarray (..., 3)
        Unit vectors, ENU.
    latitude_deg : float

    Returns
    -------
    ndarray (...)
        From north through east, -180 to 180; positive west of the meridian,
        0 at the zenith and at the pole itself.

    Notes
    -----
    The zenith's components on the axes east (pole x star) and north at the
    star. North is that of date: ICRS north differs by up to 20 arcsec a year
    since 2000 over cos(declination), by precession.
    """
    east, north, up = np.moveaxis(np.asarray(direction, dtype=float), -1, 0)
    latitude = np.deg2rad(latitude_deg)
    to_east = -np.cos(latitude) * east
    # sin(lat) - (p.s) up, with 1 - up^2 written as east^2 + north^2: no cancellation at the zenith.
    to_north = np.sin(latitude) * (east**2 + north**2) - np.cos(latitude) * north * up
    return np.rad2deg(np.arctan2(to_east, to_north))


def field_angle_deg(
    position_angle_deg: np.ndarray | float, parallactic_deg: np.ndarray | float
) -> np.ndarray:
    """Return the orientation of a pair from the zenith's direction, above -180 to 180, shapes broadcast.

    It grows with position angle. In a telescope on an alt-azimuth mount without
    a rotator the field keeps the zenith's direction.
    """
    angle = np.asarray(position_angle_deg, dtype=float) - np.asarray(parallactic_deg, dtype=float)
    turned = 180.0 - np.mod(180.0 - angle, 360.0)
    return np.where(turned <= -180.0, 180.0, turned)


def field_margin_deg(angle_deg: np.ndarray | float, allowed_deg: tuple[float, float]) -> np.ndarray:
    """Return by how much an orientation lies inside the range allowed, degrees, as the angle's shape.

    The range does not go through 180, so a negative margin is by how much one
    end of it falls short. Infinite where the range is the full circle.
    """
    low, high = allowed_deg
    angle = np.asarray(angle_deg, dtype=float)
    if low <= -180.0 and high >= 180.0:
        return np.full_like(angle, np.inf)
    return np.minimum(angle - low, high - angle)


def path_error_m(angle_rad: np.ndarray | float, baseline_m: np.ndarray | float) -> np.ndarray:
    """Return the differential path that an angle between two stars is worth, metres, shapes broadcast.

    The angle along the projected baseline times its length: how well the path
    must be known to know the angle.
    """
    return np.asarray(angle_rad, dtype=float) * np.asarray(baseline_m, dtype=float)


def baseline_error_m(path_error_m: np.ndarray | float, separation_rad: np.ndarray | float) -> np.ndarray:
    """Return the error of the baseline that spoils the differential path by no more than its own.

    Path error over separation, metres, shapes broadcast; inf for a separation of 0.
    """
    error, apart = np.broadcast_arrays(
        np.asarray(path_error_m, dtype=float), np.asarray(separation_rad, dtype=float)
    )
    return np.divide(error, apart, out=np.full(error.shape, np.inf), where=apart != 0)
