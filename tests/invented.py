"""Invented arrays and nights for the tests; nothing here is a real place."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import ArrayLike

from planner.geometry.placement import Placement
from planner.scenario.array import (
    Array,
    Combiner,
    Configuration,
    DelayLine,
    Mask,
    Site,
    Station,
    Telescope,
    TelescopeClass,
)
from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras
from planner.scenario.targets import Request, Scenario, Star
from planner.sky.directions import SunAndMoon
from planner.sky.earth import Place, earth_frame
from planner.sky.night import DarkHours, NightSky

DATE = datetime.date(2027, 3, 11)


def telescope_class(name: str = "one metre", **changes: object) -> TelescopeClass:
    """An alt-azimuth telescope of one metre."""
    values: dict[str, object] = {
        "name": name,
        "diameter_m": 1.0,
        "pupil_height_m": 2.0,
        "altitude_min_deg": 30.0,
        "altitude_max_deg": 87.0,
        "azimuth_speed_deg_per_s": 2.0,
        "altitude_speed_deg_per_s": 1.5,
        "azimuth_settle_s": 4.0,
        "altitude_settle_s": 3.0,
        "enclosure_radius_m": 2.0,
        "enclosure_height_m": 4.0,
        "acquisition_s": 40.0,
    }
    return TelescopeClass.model_validate(values | changes)


def delay_line(name: str, **changes: object) -> DelayLine:
    """A line of 90 m of light."""
    values: dict[str, object] = {
        "name": name,
        "stroke_m": (0.0, 90.0),
        "speed_m_per_s": 0.5,
        "tracking_speed_mm_per_s": 20.0,
        "settle_s": 3.0,
        "connect_s": 50.0,
    }
    return DelayLine.model_validate(values | changes)


def combiner(beams: int, **changes: object) -> Combiner:
    """A combiner in K with three channels."""
    values: dict[str, object] = {
        "name": f"combiner of {beams}",
        "beams": beams,
        "band": "K",
        "wavelengths_um": (2.05, 2.2, 2.35),
        "limiting_magnitude": {"one metre": 6.0},
        "setup_s": 240.0,
        "fringe_search_s": 50.0,
        "calibrator_recording_s": 240.0,
        "science_recording_s": 480.0,
    }
    return Combiner.model_validate(values | changes)


def random_array(rng: np.random.Generator, telescopes: int, beams: int, spread_m: float = 60.0) -> Array:
    """Telescopes on random pads, as many lines as telescopes, of two strokes."""
    names = [f"T{i}" for i in range(telescopes)]
    stations = tuple(
        Station(
            name=f"P{i}",
            east_m=float(rng.uniform(-spread_m, spread_m)),
            north_m=float(rng.uniform(-spread_m, spread_m)),
            up_m=float(rng.uniform(-2, 2)),
            fixed_path_m=float(rng.uniform(0, 10)),
        )
        for i in range(telescopes)
    )
    return Array(
        site=Site(
            name="nowhere", latitude_deg=-25.0, longitude_deg=-67.0, height_m=2500.0, pressure_hpa=750.0
        ),
        telescope_classes=(telescope_class(),),
        telescopes=tuple(
            Telescope(name=n, telescope_class="one metre", station=f"P{i}") for i, n in enumerate(names)
        ),
        stations=stations,
        delay_lines=tuple(
            delay_line(f"D{i}", stroke_m=(0.0, 95.0 if i % 2 else 75.0)) for i in range(telescopes)
        ),
        combiners=(combiner(beams),),
        configurations=(Configuration(name="as built"),),
    )


def star(name: str, ra_deg: float, dec_deg: float, **changes: object) -> Star:
    """A star of K magnitude 4 and half a milliarcsecond."""
    values: dict[str, object] = {
        "name": name,
        "ra_deg": ra_deg % 360.0,
        "dec_deg": dec_deg,
        "mag": {"K": 4.0},
        "diameter_mas": 0.5,
        "diameter_error_mas": 0.05,
    }
    return Star.model_validate(values | changes)


def request(of: Star, combiner_name: str, **changes: object) -> Request:
    """A request of one visit with a field of 20 mas."""
    values: dict[str, object] = {
        "star": of,
        "combiner": combiner_name,
        "priority": 1,
        "visits": 1,
        "field_mas": 20.0,
        "extras": RequestExtras(target=of.name),
    }
    return Request.model_validate(values | changes)


def random_scenario(
    seed: int, requests: int = 4, telescopes: int = 3, beams: int = 2, **night: object
) -> Scenario:
    """A small night on a random array, with two calibrators beside each target."""
    rng = np.random.default_rng(seed)
    array = random_array(rng, telescopes, beams)
    wishes, calibrators = [], []
    for number in range(requests):
        ra, dec = float(rng.uniform(90, 270)), float(rng.uniform(-60, 10))
        wishes.append(
            request(
                star(f"target {number}", ra, dec),
                array.combiners[0].name,
                priority=int(rng.integers(1, 6)),
                visits=int(rng.integers(1, 3)),
                field_mas=float(rng.uniform(5, 40)),
            )
        )
        for k in range(2):
            calibrators.append(
                star(
                    f"calibrator {number}.{k}",
                    ra + float(rng.uniform(-5, 5)),
                    dec + float(rng.uniform(-5, 5)),
                )
            )
    return Scenario(
        name="random",
        title=f"random night {seed}",
        array=array,
        night=NightSettings.model_validate({"date": DATE, "configuration": "as built"} | night),
        limits=Limits(),
        effort=Effort(deterministic=20.0, subarrays_per_request=2),
        requests=tuple(wishes),
        calibrators=tuple(calibrators),
    )


def placement(
    vectors_m: Sequence[Sequence[float]],
    classes: Sequence[TelescopeClass] = (),
    horizons: Sequence[Mask] = (),
) -> Placement:
    """Telescopes on pads at these places, one metre each unless classes are given."""
    count = len(vectors_m)
    standing = tuple(classes) or (telescope_class(),) * count
    height = np.array([own.pupil_height_m for own in standing])
    return Placement(
        telescopes=tuple(f"T{i}" for i in range(count)),
        stations=tuple(f"P{i}" for i in range(count)),
        classes=standing,
        vectors_m=np.array(vectors_m, dtype=float).reshape(-1, 3) + height[:, None] * [0.0, 0.0, 1.0],
        fixed_path_m=height,
        horizons=tuple(horizons) or ((),) * count,
    )


def enu(azimuth_deg: ArrayLike, altitude_deg: ArrayLike) -> np.ndarray:
    """Unit vectors east, north, up, (..., 3)."""
    azimuth, altitude = np.deg2rad(azimuth_deg), np.deg2rad(altitude_deg)
    flat = np.cos(altitude)
    return np.stack(
        np.broadcast_arrays(flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude)), axis=-1
    )


def airless_sky(direction: np.ndarray, **sun_moon: np.ndarray) -> NightSky:
    """A night without refraction in which the stars stand where they are told, (star, time, 3)."""
    times = Time("2027-03-12T00:00:00", scale="utc") + TimeDelta(
        30.0 * np.arange(direction.shape[1]), format="sec"
    )
    frame = earth_frame(Place(-25.0, -67.0, 2500.0), times)
    still = {
        "sun_altitude_deg": np.full(len(times), -40.0),
        "moon_altitude_deg": np.full(len(times), -40.0),
        "moon_direction": np.tile(enu(0.0, -40.0), (len(times), 1)),
        "moon_illumination": np.zeros(len(times)),
    }
    return NightSky(
        dark=DarkHours(times[0], times[-1]),
        tick_s=30,
        ticks_per_slot=10,
        first_slot=0,
        stars=tuple(star(f"star {n}", 0.0, 0.0) for n in range(len(direction))),
        frame=frame,
        direction=direction,
        icrs_rad=np.zeros((len(direction), 2)),
        sun_moon=SunAndMoon(**(still | sun_moon)),
    )
