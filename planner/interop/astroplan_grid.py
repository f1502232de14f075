"""Judging targets and times of any shape: each star and each instant once."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import cast

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.time import Time

from planner.interop.astroplan_objects import MOTION, rows_of
from planner.scenario.array import Site
from planner.scenario.targets import Star
from planner.sky.directions import directions, natural_directions, place_of
from planner.sky.earth import earth_frame, offline_earth, part_of
from planner.sky.night import NightSky

SAMPLES = 20_000  # (star, time) pairs judged at once: shadowing holds 200 strips of each
Judge = Callable[[NightSky], np.ndarray]


def broadcast(site: Site, times: Time, coordinate: SkyCoord, judge: Judge) -> np.ndarray:
    """Return margin and score of targets and times, broadcast, (..., 2); NaN at masked times."""
    shape = np.broadcast_shapes(times.shape, coordinate.shape)
    rows, star = np.unique(rows_of(coordinate), axis=0, return_inverse=True)
    star = np.broadcast_to(star.reshape(coordinate.shape), shape).reshape(-1)
    stars = [Star(name="target", **dict(zip(MOTION, row, strict=True))) for row in rows.tolist()]
    with offline_earth():
        utc = times.utc
    if not len(star):
        return np.empty((*shape, 2))
    # A masked time stands in at J2000 until its answers are struck out.
    jd = np.stack([utc.unmasked.jd1, utc.unmasked.jd2], axis=-1)
    jd = np.where(np.asarray(utc.mask)[..., None], [2451545.0, 0.0], jd).reshape(-1, 2)
    jd, instant = np.unique(jd, axis=0, return_inverse=True)
    instant = np.broadcast_to(instant.reshape(times.shape), shape).reshape(-1)
    frame = earth_frame(place_of(site), Time(jd[:, 0], jd[:, 1], format="jd", scale="utc"))
    # Days from local mean noon to noon; each has its middle, the midnight, for parallax and deflection.
    east_d = site.longitude_deg / 360.0
    days, day = np.unique(np.floor(jd[:, 0] + (jd[:, 1] + east_d)), return_inverse=True)
    nights = earth_frame(place_of(site), Time(days, 0.5 - east_d, format="jd", scale="utc"))
    natural = [natural_directions(stars, part_of(nights, [number])) for number in range(len(days))]
    found = np.empty((len(star), 2))
    # A grid asks every star at every instant; otherwise each star is judged at its own instants.
    gridded = len(rows) * len(jd) <= len(star)
    for own in [range(len(rows))] if gridded else [range(n, n + 1) for n in range(len(rows))]:
        pairs = np.flatnonzero((star >= own.start) & (star < own.stop))
        asked = np.unique(instant[pairs])
        table = np.empty((len(own), len(asked), 2))
        for night in np.unique(day[asked]):
            at = np.flatnonzero(day[asked] == night)
            for part in np.array_split(at, min(len(at), 1 + len(own) * len(at) // SAMPLES)):
                within = part_of(frame, asked[part])
                direction = directions(natural[night][own.start : own.stop], within)
                table[:, part] = judge(cast(NightSky, SimpleNamespace(direction=direction, frame=within)))
        found[pairs] = table[star[pairs] - own.start, np.searchsorted(asked, instant[pairs])]
    found[np.broadcast_to(utc.mask, shape).reshape(-1)] = np.nan
    return found.reshape(*shape, 2)
