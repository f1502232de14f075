"""A night judged moment by moment, without the planner: astropy's full transformation, limits in plain numpy.

Only the data classes of the scenario are the planner's. Directions come from
``SkyCoord`` with space motion through ``AltAz`` at every moment, refraction
from astropy's own pressure; each limit is written again here.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, Distance, EarthLocation, HADec, SkyCoord, get_body
from astropy.time import Time, TimeDelta
from invented import enu

from planner.scenario.array import Array, Site, TelescopeClass
from planner.scenario.programs import PhaseWindow
from planner.scenario.targets import Request, Scenario, Star
from planner.sky.earth import offline_earth

LIGHT_UM = 0.6
STRIPS = 2000  # of a pupil: half a millimetre on one metre
RATE_HALF_S = 0.5


def location_of(site: Site) -> EarthLocation:
    return EarthLocation.from_geodetic(
        site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.height_m * u.m
    )


def place_at(star: Star, times: Time) -> SkyCoord:
    """ICRS place with proper motion, and with parallax where the star has one."""
    depth = {}
    if star.parallax_mas > 0:
        depth = {
            "distance": Distance(parallax=star.parallax_mas * u.mas),
            "radial_velocity": star.radial_velocity_km_per_s * u.km / u.s,
        }
    moved = SkyCoord(
        ra=star.ra_deg * u.deg,
        dec=star.dec_deg * u.deg,
        pm_ra_cosdec=star.pmra_mas_per_yr * u.mas / u.yr,
        pm_dec=star.pmdec_mas_per_yr * u.mas / u.yr,
        obstime=Time(star.epoch_yr, format="jyear", scale="tdb"),
        **depth,
    ).apply_space_motion(new_obstime=times)
    return SkyCoord(ra=moved.ra, dec=moved.dec, **({"distance": moved.distance} if depth else {}))


@dataclass(frozen=True)
class Judged:
    """What every telescope may do at each moment.

    Attributes
    ----------
    common : dict
        {limit: ndarray of bool (time,)} of the request and the Sun.
    of_telescope : dict
        {limit: ndarray of bool (time, telescope)}.
    path_m, rate_m_per_s : ndarray (time, telescope)
        Without the combiner's constant path.
    altitude_deg : ndarray (time,)
    """

    common: dict[str, np.ndarray]
    of_telescope: dict[str, np.ndarray]
    path_m: np.ndarray
    rate_m_per_s: np.ndarray
    altitude_deg: np.ndarray

    def kept(self, array: Array, combiner: str, telescopes, lines) -> dict[str, np.ndarray]:
        """Where a subarray keeps each limit, {limit: (time,)}."""
        light = array.combiner(combiner)
        constant = light.beam_path_m or (0.0,) * light.beams
        low, high = -np.inf, np.inf
        follows = np.ones(len(self.altitude_deg), dtype=bool)
        for k, (telescope, number) in enumerate(zip(telescopes, lines, strict=True)):
            line = array.delay_lines[number]
            # K + path within [shortest, longest] for one K common to all beams.
            path = self.path_m[:, telescope] - constant[k]
            low, high = np.maximum(low, line.stroke_m[0] - path), np.minimum(high, line.stroke_m[1] - path)
            carriage = 1e3 * np.abs(self.rate_m_per_s[:, telescope]) / line.path_per_travel
            follows &= carriage <= line.tracking_speed_mm_per_s
        own = {name: kept[:, list(telescopes)].all(axis=1) for name, kept in self.of_telescope.items()}
        return self.common | own | {"delay range": low <= high, "carriage tracking rate": follows}

    def usable(self, array: Array, combiner: str, telescopes, lines) -> np.ndarray:
        return np.all(list(self.kept(array, combiner, telescopes, lines).values()), axis=0)


def judge(scenario: Scenario, request: Request, start: Time, seconds: np.ndarray) -> Judged:
    """Judge one request's star at these seconds after ``start``."""
    array, site = scenario.array, scenario.array.site
    location = location_of(site)
    with offline_earth():
        times = start + TimeDelta(seconds, format="sec")
        place = place_at(request.star, times)

        def seen(moments, **air):
            found = place.transform_to(AltAz(obstime=moments, location=location, **air))
            return found.az.deg, found.alt.deg

        azimuth, altitude = seen(times)
        refracted = seen(
            times,
            pressure=site.pressure_hpa * u.hPa,
            temperature=site.temperature_c * u.deg_C,
            relative_humidity=site.relative_humidity,
            obswl=LIGHT_UM * u.um,
        )[1]
        before, after = (seen(times + TimeDelta(h, format="sec")) for h in (-RATE_HALF_S, RATE_HALF_S))
        hour_angle = place.transform_to(HADec(obstime=times, location=location)).ha.wrap_at(180 * u.deg)
        common = _of_request(scenario, request, (azimuth, altitude, hour_angle.hourangle), times)
    turn = np.abs(np.mod(after[0] - before[0] + 180.0, 360.0) - 180.0) / (2 * RATE_HALF_S)
    placed = array.placed(scenario.night.configuration)
    stations = [array.station(name) for name in placed.values()]
    classes = [array.class_of(name) for name in placed]
    # Baselines end at the pupils; from there the light comes down to the pads.
    height = np.array([own.pupil_height_m for own in classes])
    vectors = np.array([[s.east_m, s.north_m, s.up_m] for s in stations]) + height[:, None] * [0, 0, 1]
    # The common offset is held for the middle of all stations, at the mean height of all pupils.
    vectors = vectors - np.mean([[s.east_m, s.north_m, s.up_m] for s in array.stations], axis=0)
    vectors[:, 2] -= np.mean([array.class_of(own.name).pupil_height_m for own in array.telescopes])
    fixed = np.array([s.fixed_path_m for s in stations]) + height
    limit = array.combiner(request.combiner)
    magnitude = request.star.mag.get(limit.band, np.inf)
    darkness = [hidden(i, vectors, classes, azimuth, refracted) for i in range(len(classes))]
    own = {
        "altitude, lower limit": [altitude >= c.altitude_min_deg for c in classes],
        "altitude, upper limit": [altitude <= c.altitude_max_deg for c in classes],
        "azimuth tracking rate": [turn <= c.azimuth_tracking_max_deg_per_s for c in classes],
        "limiting magnitude": [
            np.full(len(seconds), magnitude <= limit.limiting_magnitude.get(c.name, -np.inf)) for c in classes
        ],
        "skyline": [
            refracted >= np.maximum(ground(site.horizon_deg, azimuth), ground(s.horizon_deg, azimuth))
            for s in stations
        ],
        "shadowing": [dark <= c.obstruction_max for dark, c in zip(darkness, classes, strict=True)],
    }
    return Judged(
        common=common,
        of_telescope={name: np.stack(kept, axis=1) for name, kept in own.items()},
        path_m=enu(azimuth, altitude) @ vectors.T - fixed,
        rate_m_per_s=(enu(*after) - enu(*before)) @ vectors.T / (2 * RATE_HALF_S),
        altitude_deg=altitude,
    )


def _of_request(scenario, request, seen, times) -> dict[str, np.ndarray]:
    """The Sun, the Moon, airmass, hour angle and windows, each (time,)."""
    azimuth, altitude, hour_angle = seen
    limits, extras = scenario.limits, request.extras
    location = location_of(scenario.array.site)
    frame = AltAz(obstime=times, location=location)
    sun, moon = (get_body(body, times, location) for body in ("sun", "moon"))
    sun_seen, moon_seen = sun.transform_to(frame), moon.transform_to(frame)
    towards, moonward = enu(azimuth, altitude), enu(moon_seen.az.deg, moon_seen.alt.deg)
    apart = np.rad2deg(
        np.arctan2(np.linalg.norm(np.cross(towards, moonward), axis=-1), np.sum(towards * moonward, axis=-1))
    )
    # Lit fraction from the elongation and both distances (Meeus 1998, eq. 48.1 and 48.3).
    elongation = moon.separation(sun).rad
    ratio = (moon.distance / sun.distance).to_value(u.one)
    lit = (1.0 + np.cos(np.arctan2(np.sin(elongation), ratio - np.cos(elongation)))) / 2.0
    common = {"Sun": sun_seen.alt.deg < scenario.night.sun_altitude_max_deg}
    separation = extras.moon_separation_min_deg
    separation = limits.moon_separation_min_deg if separation is None else separation
    common["Moon separation"] = apart >= separation
    lit_max = extras.moon_illumination_max
    lit_max = limits.moon_illumination_max if lit_max is None else lit_max
    common["Moon lit fraction"] = (lit <= lit_max) | (moon_seen.alt.deg <= 0)
    airmass_max = limits.airmass_max if extras.airmass_max is None else extras.airmass_max
    if airmass_max is not None:
        common["airmass"] = np.sin(np.deg2rad(altitude)) * airmass_max >= 1.0
    low, high = extras.hour_angle_range_h or (-12.0, 12.0)
    most = limits.hour_angle_max_h or 12.0
    common["hour angle"] = (hour_angle >= max(low, -most)) & (hour_angle <= min(high, most))
    if extras.windows:
        inside = [
            ((times - Time(w.start_utc)).to_value("s") >= 0) & ((Time(w.end_utc) - times).to_value("s") >= 0)
            for w in extras.windows
        ]
        common["absolute window"] = np.any(inside, axis=0)
    if extras.phase is not None:
        common["orbital phase"] = at_phase(request.star, extras.phase, times, location)
    return common


def at_phase(star: Star, window: PhaseWindow, times: Time, location: EarthLocation) -> np.ndarray:
    """Whether the star is at one of its phases, (time,), by astropy's light travel time to the barycentre."""
    here = Time(times, location=location)
    way = here.light_travel_time(place_at(star, times), "barycentric", ephemeris="builtin")
    since_d = (here.tdb - Time(window.epoch_bjd, format="jd", scale="tdb") + way).to_value("d")
    phase = np.mod(since_d / window.period_d, 1.0)
    inside = [
        (low <= phase) & (phase <= high) if low < high else (phase >= low) | (phase <= high)
        for low, high in window.phases
    ]
    return np.any(inside, axis=0)


def ground(mask, azimuth_deg: np.ndarray) -> np.ndarray:
    """Altitude of a skyline, degrees: straight lines from point to point, around the circle."""
    if not mask:
        return np.zeros_like(azimuth_deg)
    (first, first_height), (last, last_height) = mask[0], mask[-1]
    points = [(last - 360.0, last_height), *mask, (first + 360.0, first_height)]
    height = np.empty_like(azimuth_deg)
    for (a, low), (b, high) in itertools.pairwise(points):
        between = (azimuth_deg >= a) & (azimuth_deg <= b)
        height[between] = low + (high - low) * (azimuth_deg[between] - a) / (b - a)
    return height


def hidden(own: int, vectors_m, classes: list[TelescopeClass], azimuth_deg, seen_deg) -> np.ndarray:
    """Part of a pupil that the neighbours hide, 0 to 1, (time,).

    Along the line of sight a vertical cylinder without end downwards is a band of its width below an
    ellipse, its top: half axes R and R sin h, middle at the projected top of its axis. Exactly 0 only
    when no point of the pupil, rim included, lies in such an outline.
    """
    radius = classes[own].diameter_m / 2.0
    x = np.linspace(-radius, radius, STRIPS + 1)
    rim = np.sqrt(np.maximum(radius**2 - x**2, 0.0))
    found = np.zeros(len(seen_deg))
    azimuth, altitude = np.deg2rad(azimuth_deg), np.deg2rad(seen_deg)
    right = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros_like(azimuth)], axis=-1)
    upward = np.stack(
        [-np.sin(altitude) * np.sin(azimuth), -np.sin(altitude) * np.cos(azimuth), np.cos(altitude)], axis=-1
    )
    edge = np.full((len(seen_deg), len(x)), -np.inf)
    for other, (vector, its) in enumerate(zip(vectors_m, classes, strict=True)):
        top = vector - vectors_m[own]
        if other == own or np.hypot(top[0], top[1]) == 0:
            continue
        ahead = enu(azimuth_deg, 0.0) @ top > 0
        top = top + np.array([0.0, 0.0, its.enclosure_height_m - its.pupil_height_m])
        middle_x, middle_y = right @ top, upward @ top
        size = its.enclosure_radius_m
        near = ahead & (np.abs(middle_x) < size + radius) & (middle_y + size > -radius) & (altitude > 0.01)
        rows = np.flatnonzero(near)
        off = (x - middle_x[rows, None]) / size
        outline = middle_y[rows, None] + size * np.sin(altitude[rows, None]) * np.sqrt(
            np.maximum(1 - off**2, 0.0)
        )
        edge[rows] = np.maximum(edge[rows], np.where(np.abs(off) < 1, outline, -np.inf))
    rows = np.flatnonzero(np.any(edge > -rim, axis=1))
    dark = np.clip(edge[rows], -rim, rim) + rim
    found[rows] = np.maximum(dark.sum(axis=1) / (2.0 * rim.sum()), 1e-12)
    return found
