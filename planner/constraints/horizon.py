"""Can the telescope point there: altitude limits, skylines, azimuth drive.

Altitude limits belong to the mount and use the true altitude; skylines are
seen through the air and use the refracted one. Azimuth from north through east.
"""

from __future__ import annotations

import numpy as np

from planner.constraints.verdict import Verdict
from planner.geometry.placement import Placement
from planner.scenario.array import Mask
from planner.sky.directions import altitude_deg, azimuth_deg, refracted_altitude_deg
from planner.sky.night import NightSky
from planner.units import SIDEREAL_RAD_PER_S

AXES = ("star", "time", "telescope")


def altitude_lower(sky: NightSky, placement: Placement) -> Verdict:
    """Margin above each mount's lowest altitude, degrees, (star, time, telescope)."""
    minimum = np.array([c.altitude_min_deg for c in placement.classes])
    return Verdict("altitude, lower limit", "deg", altitude_deg(sky.direction)[..., None] - minimum, AXES)


def altitude_upper(sky: NightSky, placement: Placement) -> Verdict:
    """Margin below each mount's highest altitude, degrees, (star, time, telescope)."""
    maximum = np.array([c.altitude_max_deg for c in placement.classes])
    return Verdict("altitude, upper limit", "deg", maximum - altitude_deg(sky.direction)[..., None], AXES)


def azimuth_rate_deg_per_s(direction: np.ndarray, latitude_deg: float) -> np.ndarray:
    """Rate at which a star's azimuth changes, degrees per second, (...).

    Derived: dA/dt = omega (sin(lat) - cos(lat) cos A tan h), from the rotation
    of the sky about the pole; it grows without bound at the zenith.
    """
    latitude = np.deg2rad(latitude_deg)
    east, north, up = np.moveaxis(direction, -1, 0)
    horizontal = np.maximum(east**2 + north**2, 1e-18)
    turn = np.sin(latitude) - np.cos(latitude) * north * up / horizontal
    return np.rad2deg(SIDEREAL_RAD_PER_S) * turn


def azimuth_drive(sky: NightSky, placement: Placement, latitude_deg: float) -> Verdict:
    """Margin of each mount's azimuth tracking rate, degrees per second, (star, time, telescope)."""
    maximum = np.array([c.azimuth_tracking_max_deg_per_s for c in placement.classes])
    rate = np.abs(azimuth_rate_deg_per_s(sky.direction, latitude_deg))
    return Verdict("azimuth tracking rate", "deg/s", maximum - rate[..., None], AXES)


def skyline_deg(mask: Mask, azimuths_deg: np.ndarray) -> np.ndarray:
    """Altitude of a skyline at some azimuths, degrees: linear between points, around the circle.

    Examples
    --------
    >>> float(skyline_deg(((10.0, 20.0), (350.0, 10.0)), np.array(0.0)))
    15.0
    """
    if not mask:
        return np.zeros_like(azimuths_deg)
    points = np.array(mask, dtype=float)
    return np.interp(azimuths_deg, points[:, 0], points[:, 1], period=360.0)


def skyline(sky: NightSky, placement: Placement, site_mask: Mask) -> Verdict:
    """Margin above the site's and the station's skyline, degrees, (star, time, telescope)."""
    azimuth = azimuth_deg(sky.direction)
    seen = refracted_altitude_deg(sky.direction, sky.frame)
    site = skyline_deg(site_mask, azimuth)
    skylines = {mask: np.maximum(site, skyline_deg(mask, azimuth)) for mask in set(placement.horizons)}
    margin = np.stack([seen - skylines[mask] for mask in placement.horizons], axis=-1)
    return Verdict("skyline", "deg", margin, AXES)
