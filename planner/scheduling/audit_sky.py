"""Where the stars of a plan really are, by astropy's full transformation and nothing else of ours.

Places move by proper motion (``SkyCoord.apply_space_motion``) and are seen with
parallax, light deflection and aberration through ``AltAz`` and ``HADec``; Sun
and Moon come from ``get_body``. Directions are east, north, up; azimuth counts
from north through east. Each step is sampled at every tick from its start to
its end, both included, so at least once a minute.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, Distance, EarthLocation, HADec, SkyCoord, get_body
from astropy.time import Time, TimeDelta

from planner.scenario.array import Array, Site, Station, TelescopeClass
from planner.scenario.targets import Request, Star
from planner.scheduling.audit_case import class_of, equipment, named
from planner.scheduling.audit_clock import clock, instant, moment, times_of
from planner.scheduling.plan import Beam, NightPlan, Step, Visit

REFRACTION_WAVELENGTH_UM = 0.6
RATE_STEP_S = 0.5  # rates are differences over one second
IMAGE_STEP_RAD = 1e-7  # of one-sided differences: on 300 m their second order is 0.02 mm, rounding 0.003 mm
FARTHEST_DAYS = 2.0  # a step farther than this from its night has a wrong date


@dataclass(frozen=True)
class Sky:
    """What is seen at each sample of a step; angles without refraction unless said.

    Attributes
    ----------
    azimuth_deg, altitude_deg : ndarray (sample,)
    seen_deg : ndarray (sample,)
        Altitude with refraction.
    direction, rate_per_s : ndarray (sample, 3)
        Apparent unit vector on east, north, up and its change in a second.
    image_axes : ndarray (sample, 2, 3)
        From :func:`image_axes`.
    azimuth_rate_deg_per_s, hour_angle_h : ndarray (sample,)
    place_rad : ndarray (sample, 2)
        ICRS right ascension and declination, proper motion applied.
    sun_deg, moon_deg : ndarray (sample,)
        Altitudes of their centres.
    moon_separation_deg, moon_lit : ndarray (sample,)
        Angle from the star; lit fraction of the disk.
    """

    azimuth_deg: np.ndarray
    altitude_deg: np.ndarray
    seen_deg: np.ndarray
    direction: np.ndarray
    rate_per_s: np.ndarray
    image_axes: np.ndarray
    azimuth_rate_deg_per_s: np.ndarray
    hour_angle_h: np.ndarray
    place_rad: np.ndarray
    sun_deg: np.ndarray
    moon_deg: np.ndarray
    moon_separation_deg: np.ndarray
    moon_lit: np.ndarray

    def part(self, samples: slice) -> Sky:
        """Return the sky at these samples only."""
        return Sky(**{field.name: getattr(self, field.name)[samples] for field in fields(self)})


@dataclass(frozen=True)
class TrackedStep:
    """A step of the plan with its star and the sky while it is recorded.

    Attributes
    ----------
    visit_number : int
        Position of the visit in the plan, from 0.
    visit : Visit
    step : Step
    request : Request or None
        None when the scenario has no such request.
    star : Star
    start : datetime
    seconds : ndarray (sample,)
        Since the start; the last one is the end.
    times : Time (sample,)
    sky : Sky
    """

    visit_number: int
    visit: Visit
    step: Step
    request: Request | None
    star: Star
    start: datetime.datetime
    seconds: np.ndarray
    times: Time
    sky: Sky

    @property
    def title(self) -> str:
        """Which step this is, in words."""
        return title(self.visit, self.step)

    def clock(self, sample: int) -> str:
        """Time of a sample as HH:MM:SS UTC."""
        return clock(self.start + datetime.timedelta(seconds=float(self.seconds[sample])))

    def telling(self, what: str, value: np.ndarray, tail: str) -> Callable[[int], str]:
        """Return the words for one sample: step, what, value with unit and limit, time."""
        return lambda sample: f"{self.title}: {what} {value[sample]:.5g}{tail}, at {self.clock(sample)}"


def title(visit: Visit, step: Step) -> str:
    """Return which step this is, in words."""
    return f"{visit.id} {step.role} {step.object!r}"


def tracked_steps(plan: NightPlan) -> tuple[TrackedStep, ...]:
    """Compute the sky of every step that has a known star and a time in its night.

    Steps without are left out: other checks of the audit say why.
    """
    scenario = plan.scenario
    stars = {star.name: star for star in (*(r.star for r in scenario.requests), *scenario.calibrators)}
    found = []
    for number, visit in enumerate(plan.visits):
        for step in visit.steps:
            span = _recording(plan, step)
            if step.object in stars and span is not None:
                found.append((number, visit, step, stars[step.object], *span))
    if not found:
        return ()
    seconds = [samples_s(start, end, scenario.night.tick_s) for *_, start, end in found]
    counts = [len(own) for own in seconds]
    starts = times_of([start for *_, start, _ in found])
    step_of = np.repeat(np.arange(len(found)), counts)
    times = starts[step_of] + TimeDelta(np.concatenate(seconds), format="sec")
    repeated = [star for (*_, star, _, _), count in zip(found, counts, strict=True) for _ in range(count)]
    sky = _sky(scenario.array.site, repeated, times)
    ends = np.cumsum(counts).tolist()
    tracked = []
    for (number, visit, step, star, start, _), own_seconds, end in zip(found, seconds, ends, strict=True):
        own = slice(end - len(own_seconds), end)
        request = named(scenario.requests, visit.target)
        tracked.append(
            TrackedStep(number, visit, step, request, star, start, own_seconds, times[own], sky.part(own))
        )
    return tuple(tracked)


def _recording(plan: NightPlan, step: Step) -> tuple[datetime.datetime, datetime.datetime] | None:
    """Start and end of a step; None when they are not in order or not near the night of the plan."""
    start, end = moment(step.start_utc), moment(step.end_utc)
    if start is None or end is None or end <= start:
        return None
    night = instant(datetime.datetime.combine(plan.scenario.night.date, datetime.time()))
    days = max(abs((start - night).total_seconds()), abs((end - night).total_seconds())) / 86_400.0
    return (start, end) if days <= FARTHEST_DAYS else None


def samples_s(start: datetime.datetime, end: datetime.datetime, tick_s: int) -> np.ndarray:
    """Return the seconds after the start at which a stretch is sampled, the end included, (sample,)."""
    length = (end - start).total_seconds()
    return np.append(np.arange(0.0, length - 1e-3, tick_s), length)


def location_of(site: Site) -> EarthLocation:
    """Return the site as astropy's location (WGS84)."""
    return EarthLocation.from_geodetic(
        site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.height_m * u.m
    )


def sky_at(site: Site, star: Star, times: Time) -> Sky:
    """Return the sky of one star at some times."""
    return _sky(site, [star] * len(times), times)


def _sky(site: Site, stars: Sequence[Star], times: Time) -> Sky:
    """The sky at each sample; ``stars`` names the star of each."""
    near = np.array([star.parallax_mas > 0 for star in stars])
    parts = []
    for samples in (np.flatnonzero(near), np.flatnonzero(~near)):
        if len(samples):
            place = icrs_places([stars[i] for i in samples], times[samples])
            parts.append((samples, _star_columns(site, place, times[samples])))
    order = np.argsort(np.concatenate([samples for samples, _ in parts]))
    columns = {name: np.concatenate([column[name] for _, column in parts])[order] for name in parts[0][1]}
    return Sky(**columns, **sun_and_moon_columns(site, times, columns["direction"]))


def directions(site: Site, stars: Sequence[Star], times: Time) -> np.ndarray:
    """Return unit vectors on east, north, up, (sample, 3), without refraction; one of ``stars`` a sample."""
    frame, near = location_of(site), np.array([star.parallax_mas > 0 for star in stars])
    found = np.empty((len(stars), 3))
    for samples in (np.flatnonzero(near), np.flatnonzero(~near)):
        if len(samples):
            place = icrs_places([stars[i] for i in samples], times[samples])
            seen = place.transform_to(AltAz(obstime=times[samples], location=frame))
            found[samples] = unit_vectors(seen.az.to_value(u.deg), seen.alt.to_value(u.deg))
    return found


def icrs_places(stars: Sequence[Star], times: Time) -> SkyCoord:
    """Return ICRS places with space motion applied; all stars have a parallax, or none has."""

    def column(name: str) -> np.ndarray:
        return np.array([getattr(star, name) for star in stars])

    depth = {}
    if stars[0].parallax_mas > 0:
        depth = {
            "distance": Distance(parallax=column("parallax_mas") * u.mas),
            "radial_velocity": column("radial_velocity_km_per_s") * u.km / u.s,
        }
    catalogued = SkyCoord(
        ra=column("ra_deg") * u.deg,
        dec=column("dec_deg") * u.deg,
        pm_ra_cosdec=column("pmra_mas_per_yr") * u.mas / u.yr,
        pm_dec=column("pmdec_mas_per_yr") * u.mas / u.yr,
        obstime=Time(column("epoch_yr"), format="jyear", scale="tdb"),
        **depth,
    )
    moved = catalogued.apply_space_motion(new_obstime=times)
    distance = {"distance": moved.distance} if depth else {}
    return SkyCoord(ra=moved.ra, dec=moved.dec, **distance)


def _star_columns(site: Site, place: SkyCoord, times: Time) -> dict[str, np.ndarray]:
    """Columns of the sky that belong to the stars, each (sample, ...)."""
    location = location_of(site)

    def seen(moments: Time, **air: object) -> tuple[np.ndarray, np.ndarray]:
        found = place.transform_to(AltAz(obstime=moments, location=location, **air))
        return found.az.to_value(u.deg), found.alt.to_value(u.deg)

    azimuth, altitude = seen(times)
    _, refracted = seen(
        times,
        pressure=site.pressure_hpa * u.hPa,
        temperature=site.temperature_c * u.deg_C,
        relative_humidity=site.relative_humidity,
        obswl=REFRACTION_WAVELENGTH_UM * u.um,
    )
    earlier, later = (seen(times + TimeDelta(step, format="sec")) for step in (-RATE_STEP_S, RATE_STEP_S))
    span = 2.0 * RATE_STEP_S
    turn = np.mod(later[0] - earlier[0] + 180.0, 360.0) - 180.0
    hour_angle = place.transform_to(HADec(obstime=times, location=location)).ha
    return {
        "azimuth_deg": azimuth,
        "altitude_deg": altitude,
        "seen_deg": refracted,
        "direction": unit_vectors(azimuth, altitude),
        "rate_per_s": (unit_vectors(*later) - unit_vectors(*earlier)) / span,
        "image_axes": image_axes(site, place, times),
        "azimuth_rate_deg_per_s": turn / span,
        "hour_angle_h": hour_angle.wrap_at(180 * u.deg).to_value(u.hourangle),
        "place_rad": np.stack([place.ra.to_value(u.rad), place.dec.to_value(u.rad)], axis=-1),
    }


def image_axes(site: Site, place: SkyCoord, times: Time) -> np.ndarray:
    """Return the apparent direction's change for one radian east and north on the sky, (sample, 2, 3).

    Parameters
    ----------
    site : Site
    place : SkyCoord (sample,)
        ICRS, with a distance for a star with parallax.
    times : Time (sample,)

    Notes
    -----
    Differences of the full transformation of places a little apart: along the
    great circle at a right angle to the meridian, and along the meridian.
    """
    places = [place]
    places += [place.directional_offset_by(angle * u.deg, IMAGE_STEP_RAD * u.rad) for angle in (90.0, 0.0)]
    ra, dec = (np.stack([getattr(own, axis).rad for own in places]) for axis in ("ra", "dec"))
    depth = {} if place.data.name == "unitspherical" else {"distance": np.tile(place.distance, (3, 1))}
    # One transformation of all three: most of its price is the Earth's.
    seen = SkyCoord(ra * u.rad, dec * u.rad, **depth).transform_to(
        AltAz(obstime=times, location=location_of(site))
    )
    middle, east, north = unit_vectors(seen.az.to_value(u.deg), seen.alt.to_value(u.deg))
    return np.stack([east - middle, north - middle], axis=-2) / IMAGE_STEP_RAD


def unit_vectors(azimuth_deg: np.ndarray, altitude_deg: np.ndarray) -> np.ndarray:
    """Return unit vectors on east, north, up, (..., 3)."""
    azimuth, altitude = np.deg2rad(azimuth_deg), np.deg2rad(altitude_deg)
    flat = np.cos(altitude)
    return np.stack([flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude)], axis=-1)


def sun_and_moon_columns(site: Site, times: Time, direction: np.ndarray) -> dict[str, np.ndarray]:
    """Return the columns of the sky that belong to Sun and Moon; ``direction`` is that of the stars."""
    location = location_of(site)
    frame = AltAz(obstime=times, location=location)
    sun, moon = (get_body(name, times, location) for name in ("sun", "moon"))
    sun_seen, moon_seen = sun.transform_to(frame), moon.transform_to(frame)
    towards_moon = unit_vectors(moon_seen.az.to_value(u.deg), moon_seen.alt.to_value(u.deg))
    across = np.linalg.norm(np.cross(direction, towards_moon), axis=-1)
    along = np.sum(direction * towards_moon, axis=-1)
    # The lit fraction is (1 + cos i)/2, i the angle at the Moon between Sun and observer (sphere).
    from_moon = -moon.cartesian.xyz.to_value(u.au).T
    to_sun = from_moon + sun.cartesian.xyz.to_value(u.au).T
    cos_phase = np.sum(from_moon * to_sun, axis=-1) / (
        np.linalg.norm(from_moon, axis=-1) * np.linalg.norm(to_sun, axis=-1)
    )
    return {
        "sun_deg": sun_seen.alt.to_value(u.deg),
        "moon_deg": moon_seen.alt.to_value(u.deg),
        "moon_separation_deg": np.rad2deg(np.arctan2(across, along)),
        "moon_lit": (1.0 + cos_phase) / 2.0,
    }


def station_vector_m(station: Station) -> np.ndarray:
    """Return the coordinates of a station's pad, east, north, up, (3,)."""
    return np.array([station.east_m, station.north_m, station.up_m])


def baseline_end_m(station: Station, own: TelescopeClass) -> np.ndarray:
    """Return the crossing of the axes of a telescope of that class on a station, east, north, up, (3,)."""
    above = np.array([0.0, 0.0, own.pupil_height_m])
    return station_vector_m(station) + above


def baseline_ends_m(array: Array, beams: Sequence[Beam]) -> np.ndarray:
    """Return the ends of the beams' baselines, (beam, 3), without beams of unknown telescope or station."""
    parts = [equipment(array, beam) for beam in beams]
    ends = [baseline_end_m(p.station, p.own) for p in parts if p.station is not None and p.own is not None]
    return np.array(ends).reshape(-1, 3)


def zero_m(array: Array) -> np.ndarray:
    """Return the point that paths count from, east, north, up, (3,).

    The mean of all stations' pads, raised by the mean height of the crossings
    of axes of all telescopes of the array.
    """
    pads = np.mean([station_vector_m(station) for station in array.stations], axis=0)
    classes = [class_of(array, telescope.name) for telescope in array.telescopes]
    heights = [own.pupil_height_m for own in classes if own is not None]
    return pads + np.array([0.0, 0.0, np.mean(heights) if heights else 0.0])
