"""astroplan's observers and targets, and ours: the ways between them.

Directions, motions and epochs carry over both ways; what a target of astroplan
does not hold (magnitudes, diameters) does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import astroplan
import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from planner.scenario.array import Site
from planner.scenario.targets import Star
from planner.sky.directions import location_of, place_of
from planner.sky.earth import offline_earth

# An observer this near is the array's: published places of one observatory differ by kilometres, geodetic
# and geocentric latitudes by 21 km. Farther off, the Sun of the user's other limits errs by half a degree.
SITE_TOLERANCE_KM = 50.0
FAR_PC, PARALLAX_NONE_MAS = 1e9, 1e-5  # astropy wants a distance to a radial velocity; so far is none
MOTION = (
    "ra_deg",
    "dec_deg",
    "pmra_mas_per_yr",
    "pmdec_mas_per_yr",
    "parallax_mas",
    "radial_velocity_km_per_s",
    "epoch_yr",
)


class ArrayObserver(astroplan.Observer):
    """An observer for whom nothing is remembered, so that each target is judged on its own.

    astroplan 0.10.1 keys what it remembers on times and right ascension alone, so that its altitude and
    airmass limits give a second target at the same right ascension the altitude of the first.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("_altaz_cache", "_moon_cache", "_meridian_transit_cache"):
            setattr(self, name, _Unremembering())


class _Unremembering(dict):
    """Gives back what is read right after it was written, as the library does, but knows of nothing."""

    def __contains__(self, key: object) -> bool:
        return False


def observer_of(site: Site) -> ArrayObserver:
    """Return the observer who stands at a site, in its air, time zone UTC; its skyline does not travel."""
    return ArrayObserver(
        location=location_of(place_of(site)),
        name=site.name,
        pressure=site.pressure_hpa * u.hPa,
        temperature=site.temperature_c * u.deg_C,
        relative_humidity=site.relative_humidity,
    )


def site_of(observer: astroplan.Observer) -> Site:
    """Return the site at which an observer stands; without a pressure there is no refraction."""
    longitude, latitude, height = observer.location.to_geodetic("WGS84")
    told = zip(
        ("latitude_deg", "longitude_deg", "height_m", "pressure_hpa", "temperature_c", "relative_humidity"),
        (latitude, longitude, height, observer.pressure, observer.temperature, observer.relative_humidity),
        (u.deg, u.deg, u.m, u.hPa, u.deg_C, u.one),
        strict=True,
    )
    known = [(key, u.Quantity(value), unit) for key, value, unit in told if value is not None]
    numbers = {key: float(value.to_value(unit, u.temperature())) for key, value, unit in known}
    return Site(name=observer.name or "unnamed", **numbers)


def fixed_target_of(star: Star) -> astroplan.FixedTarget:
    """Return a star as a target with its motions and its epoch as ``obstime``.

    Magnitudes and diameters cannot travel. A star without parallax is put at 1 Gpc.
    astroplan's own limits take the place as it stands, without proper motion.
    """
    row = np.array([[getattr(star, name) for name in MOTION]])
    return astroplan.FixedTarget(_coordinate(row)[0], name=star.name)


def star_of(target: astroplan.FixedTarget, mag: Mapping[str, float] | None = None) -> Star:
    """Return a target as a star; ``mag`` gives the magnitudes by band, which a target does not hold."""
    (row,) = rows_of(target.coord)
    motion: dict[str, Any] = dict(zip(MOTION, row.tolist(), strict=True))
    return Star(name=target.name or "unnamed", mag=dict(mag or {}), **motion)


def rows_of(coordinate: Any) -> np.ndarray:
    """Return the numbers of ``MOTION`` for each place of a coordinate in any frame, (place, 7)."""
    with offline_earth():
        icrs = (coordinate if isinstance(coordinate, SkyCoord) else SkyCoord(coordinate)).icrs.reshape(-1)
    parallax = 1000.0 / np.maximum(_value(icrs.distance, u.pc, np.inf), 1e-9)
    parallax = np.where(parallax > PARALLAX_NONE_MAS, parallax, 0.0)
    motion: list[Any] = [0.0, 0.0, parallax, 0.0, 2000.0]
    if "s" in icrs.data.differentials:
        speed = icrs.sphericalcoslat.differentials["s"]
        pmra, pmdec = (_value(part, u.mas / u.yr) for part in (speed.d_lon_coslat, speed.d_lat))
        with offline_earth():
            epoch = 2000.0 if icrs.obstime is None else icrs.obstime.tdb.jyear
        motion = [pmra, pmdec, parallax, _value(speed.d_distance, u.km / u.s), epoch]
    right_ascension = icrs.ra.deg % 360.0 % 360.0  # twice, because -1e-17 gives 360 first
    return np.stack(np.broadcast_arrays(right_ascension, icrs.dec.deg, *motion), axis=-1)


def _value(quantity: u.Quantity, unit: u.Unit, missing: float = 0.0) -> np.ndarray:
    """Value in a unit; a component that a coordinate was made without comes in a unit of another kind."""
    fits = quantity.unit.is_equivalent(unit, u.dimensionless_angles())
    return np.asarray(quantity.to_value(unit, u.dimensionless_angles()) if fits else missing)


def _coordinate(rows: np.ndarray) -> SkyCoord:
    ra, dec, pmra, pmdec, parallax, velocity, epoch = rows.T
    distance = 1000.0 / np.maximum(parallax, 1000.0 / FAR_PC) * u.pc
    motion = {"pm_ra_cosdec": pmra * u.mas / u.yr, "pm_dec": pmdec * u.mas / u.yr}
    motion |= {"radial_velocity": velocity * u.km / u.s, "obstime": Time(epoch, format="jyear", scale="tdb")}
    return SkyCoord(ra * u.deg, dec * u.deg, distance, **motion)


def joined(targets: Any) -> Any:
    """Return one coordinate for whatever astroplan takes as targets; unlike its own way, motions are kept."""
    if not isinstance(targets, (list, tuple)):
        return getattr(targets, "coord", targets)
    return _coordinate(np.concatenate([rows_of(getattr(target, "coord", target)) for target in targets]))


def check_site(observer: astroplan.Observer, site: Site) -> None:
    """Refuse an observer who does not stand at the site, with ValueError."""
    own, other = location_of(place_of(site)).geocentric, observer.location.geocentric
    apart_km = float(np.linalg.norm([(a - b).to_value(u.km) for a, b in zip(own, other, strict=True)]))
    if apart_km > SITE_TOLERANCE_KM:
        raise ValueError(f"The observer is {apart_km:.0f} km from {site.name!r}. Use observer_of(site).")
