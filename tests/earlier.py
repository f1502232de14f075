"""Earlier nights for the tests: invented observations, and the cells they fill counted with astropy."""

from __future__ import annotations

import datetime
import itertools
import math

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time, TimeDelta
from dense import disk_vis2
from invented import enu

from planner.scenario.targets import Observation, Scenario
from planner.science.coverage import cells_of
from planner.science.history import filled_before
from planner.sky.earth import offline_earth
from planner.units import RAD_PER_MAS

EVENING = datetime.datetime(2027, 3, 12, tzinfo=datetime.UTC)


SAMPLED_S = 2.0  # two centimetres on 150 m: no cell in these tests is left sooner than it is entered


def observed(target, light, stations, start_h, hours, days=0):
    """An observation that begins so many hours after midnight, some days before or after the night."""
    start = EVENING + datetime.timedelta(days=days, hours=start_h)
    return Observation(
        target=target,
        combiner=light,
        stations=tuple(stations),
        start_utc=start,
        end_utc=start + datetime.timedelta(hours=hours),
    )


def with_history(scenario: Scenario, *rows: Observation) -> Scenario:
    return scenario.model_copy(update={"history": rows})


def cells_before(scenario: Scenario, number: int = 0) -> set[tuple[int, int]]:
    return set(cells_of(filled_before(scenario, scenario.requests[number])))


def astropy_cells(scenario: Scenario, number: int) -> set[tuple[int, int]]:
    """The same, second by second: places by astropy, cells by round half up, conjugates folded by hand."""
    wish, site = scenario.requests[number], scenario.array.site
    light = scenario.array.combiner(wish.combiner)
    found = set()
    for row in scenario.history:
        if (row.target, row.combiner) != (wish.name, wish.combiner):
            continue
        length = (row.end_utc - row.start_utc).total_seconds()
        count = math.ceil(length / SAMPLED_S)
        seconds = [min(k * SAMPLED_S, length) for k in range(count + 1)]
        with offline_earth():
            times = Time(row.start_utc.replace(tzinfo=None), scale="utc") + TimeDelta(seconds, format="sec")
            own = wish.star
            place = SkyCoord(
                own.ra_deg * u.deg,
                own.dec_deg * u.deg,
                pm_ra_cosdec=own.pmra_mas_per_yr * u.mas / u.yr,
                pm_dec=own.pmdec_mas_per_yr * u.mas / u.yr,
                obstime=Time(own.epoch_yr, format="jyear", scale="tdb"),
            ).apply_space_motion(new_obstime=times[len(times) // 2])
            points = [place_m(scenario.array, name) for name in row.stations]
            east, north = (seen_change(site, place, angle, times) for angle in (90.0, 0.0))
        for first, second in itertools.combinations(points, 2):
            u_m, v_m = east @ (second - first), north @ (second - first)
            shown = disk_vis2(wish.star.diameter_mas or 0.0, np.hypot(u_m, v_m)[:, None], light)
            for channel, wavelength in enumerate(light.wavelengths_um):
                scale = wish.field_mas * RAD_PER_MAS / (wavelength * 1e-6)
                counts = shown[:, channel] >= light.vis2_min
                for u_cell, v_cell in zip(u_m[counts] * scale, v_m[counts] * scale, strict=True):
                    edge = min(abs(x - math.floor(x) - 0.5) for x in (u_cell, v_cell))
                    assert edge > 1e-9, "a sample on the edge of two cells: take other numbers"
                    i, j = math.floor(u_cell + 0.5), math.floor(v_cell + 0.5)
                    found.add((-i, -j) if j < 0 or (j == 0 and i < 0) else (i, j))
    return found


def place_m(array, name):
    """The pupil on a station of an array whose pupils are all of one height."""
    (height,), station = {own.pupil_height_m for own in array.telescope_classes}, array.station(name)
    return np.array([station.east_m, station.north_m, station.up_m + height])


def seen_change(site, place, angle_deg, times, small_rad=1e-6):
    """The apparent direction's change for a radian at a position angle, by AltAz, (time, 3)."""
    ground = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.height_m)
    ends = []
    for angle in (angle_deg, angle_deg + 180.0):
        moved = place.directional_offset_by(angle * u.deg, small_rad * u.rad)
        seen = moved.transform_to(AltAz(obstime=times, location=ground))
        ends.append(enu(seen.az.deg, seen.alt.deg))
    return (ends[0] - ends[1]) / (2.0 * small_rad)


def earlier_rows(scenario, seed, count=3):
    """Observations of every request on random stations in other nights."""
    rng = np.random.default_rng(seed)
    rows = []
    for wish in scenario.requests[:-1]:
        light = scenario.array.combiner(wish.combiner)
        for _ in range(count):
            stations = rng.choice([s.name for s in scenario.array.stations], light.beams, replace=False)
            start, hours, days = (
                float(rng.uniform(0, 6)),
                float(rng.uniform(0.1, 2)),
                -int(rng.integers(1, 9)),
            )
            rows.append(observed(wish.name, light.name, map(str, stations), start, hours, days))
    return rows
