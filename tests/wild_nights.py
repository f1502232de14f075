"""Invented nights in which every limit has its say, for the tests of windows."""

from __future__ import annotations

import datetime

import numpy as np
from invented import combiner, delay_line, random_array, request, star, telescope_class

from planner.scenario.array import Array
from planner.scenario.night import Effort, Limits, NightSettings, RequestExtras
from planner.scenario.targets import Scenario


def sometimes(rng: np.random.Generator, chance: float, low: float, high: float) -> float | None:
    """A number between two others, or none."""
    return float(rng.uniform(low, high)) if rng.random() < chance else None


def wild_array(rng: np.random.Generator, telescopes: int, beams: int) -> Array:
    """Random pads, some close together; skylines, two classes, three kinds of lines of short stroke."""
    close = bool(rng.random() < 0.5)
    base = random_array(rng, telescopes, beams, spread_m=14.0 if close else 60.0)
    for _ in range(100):
        if min(_apart_m(base)) > 8.0:
            break
        base = random_array(rng, telescopes, beams, spread_m=14.0)
    site = base.site.model_copy(
        update={
            "latitude_deg": float(rng.uniform(-55.0, 55.0)),
            "longitude_deg": float(rng.uniform(-180.0, 180.0)),
            "pressure_hpa": float(rng.choice([0.0, 620.0, 1013.0])),
            "horizon_deg": _skyline(rng, 20.0),
        }
    )
    tall = {
        "enclosure_radius_m": float(rng.uniform(1.5, 2.5)),
        "enclosure_height_m": float(rng.uniform(5.0, 14.0)),
    }
    classes = tuple(
        telescope_class(
            name,
            diameter_m=diameter_m,
            pupil_height_m=0.3 + 1.7 * diameter_m,
            altitude_min_deg=float(rng.uniform(8.0, 35.0)),
            altitude_max_deg=float(rng.uniform(60.0, 87.0)),
            azimuth_tracking_max_deg_per_s=float(rng.uniform(0.008, 0.06)),
            obstruction_max=sometimes(rng, 0.5, 0.02, 0.4) or 0.0,
            **(tall if close else {}),
        )
        for name, diameter_m in (("one metre", 1.0), ("two metre", 2.0))
    )
    reach = 8.0 if close else 40.0
    kinds = [
        {
            "stroke_m": (0.0, float(rng.uniform(0.4, 1.6)) * reach),
            "tracking_speed_mm_per_s": float(rng.uniform(0.1, 3.0)),
        }
        for _ in range(3)
    ]
    light = combiner(
        beams,
        limiting_magnitude={"one metre": 6.0, "two metre": 7.0},
        mixed_classes=True,
        beam_path_m=tuple(rng.uniform(0.0, 1.0, beams).tolist()),
    )
    return base.model_copy(
        update={
            "site": site,
            "telescope_classes": classes,
            "telescopes": tuple(
                t.model_copy(update={"telescope_class": str(rng.choice(["one metre", "two metre"]))})
                for t in base.telescopes
            ),
            "stations": tuple(
                s.model_copy(
                    update={
                        "horizon_deg": _skyline(rng, 35.0) if rng.random() < 0.5 else (),
                        "fixed_path_m": s.fixed_path_m / (4.0 if close else 1.0),
                    }
                )
                for s in base.stations
            ),
            "delay_lines": tuple(
                delay_line(f"D{i}", **kinds[int(rng.integers(0, 3))]) for i in range(telescopes)
            ),
            "combiners": (light,),
        }
    )


def _apart_m(array: Array) -> list[float]:
    places = np.array([[s.east_m, s.north_m] for s in array.stations])
    return [float(np.hypot(*(a - b))) for i, a in enumerate(places) for b in places[:i]]


def _skyline(rng: np.random.Generator, highest_deg: float) -> tuple[tuple[float, float], ...]:
    azimuths = np.sort(rng.choice(np.arange(0.0, 360.0, 10.0), 8, replace=False))
    return tuple((float(a), float(h)) for a, h in zip(azimuths, rng.uniform(0, highest_deg, 8), strict=True))


def wild_scenario(seed: int) -> Scenario:
    """One moving star on a wild array in some night between 1995 and 2055."""
    rng = np.random.default_rng(seed)
    beams = int(rng.integers(2, 4))
    array = wild_array(rng, 4, beams)
    date = datetime.date(1995, 1, 1) + datetime.timedelta(days=int(rng.integers(0, 60 * 365)))
    # In opposition, give or take six hours, so that the star is up in the night.
    sun_ra = (date - datetime.date(date.year, 3, 21)).days / 365.25 * 360.0
    dec = float(np.clip(array.site.latitude_deg + rng.uniform(-50, 50), -85.0, 85.0))
    near = bool(rng.random() < 0.4)
    own = star(
        "wanderer",
        sun_ra + 180.0 + float(rng.uniform(-90.0, 90.0)),
        dec,
        epoch_yr=1991.25,
        pmra_mas_per_yr=float(rng.uniform(-4000, 4000)),
        pmdec_mas_per_yr=float(rng.uniform(-4000, 4000)),
        parallax_mas=float(rng.uniform(50, 700)) if near else 0.0,
        radial_velocity_km_per_s=float(rng.uniform(-100, 100)) if near else 0.0,
    )
    extras = RequestExtras.model_validate(
        {
            "target": own.name,
            "hour_angle_range_h": (float(rng.uniform(-7, -1)), float(rng.uniform(0.5, 7)))
            if rng.random() < 0.25
            else None,
            "windows": _windows(rng, date, array.site.longitude_deg) if rng.random() < 0.25 else (),
            "phase": _phases(np.random.default_rng([seed, 6]), date),
        }
    )
    limits = Limits.model_validate(
        {
            "airmass_max": sometimes(rng, 0.4, 1.2, 3.0),
            "hour_angle_max_h": sometimes(rng, 0.2, 1.5, 6.0),
            "moon_separation_min_deg": sometimes(rng, 0.5, 20.0, 80.0) or 0.0,
            "moon_illumination_max": sometimes(rng, 0.3, 0.2, 0.9) or 1.0,
        }
    )
    return Scenario(
        name="wild",
        title=f"wild night {seed}",
        array=array,
        night=NightSettings(date=date, configuration="as built", sun_altitude_max_deg=-12.0, tick_s=60),
        limits=limits,
        effort=Effort(),
        requests=(request(own, array.combiners[0].name, extras=extras),),
        calibrators=(),
    )


def _phases(rng: np.random.Generator, date: datetime.date) -> dict | None:
    """In a third of the nights, one or two ranges of a period between an hour and four days."""
    if rng.random() > 1.0 / 3.0:
        return None
    edges = np.sort(rng.uniform(0.0, 1.0, 4)).tolist()
    ranges = [edges[:2], edges[2:]] if rng.random() < 0.5 else [[edges[1], edges[0]]]
    return {
        "epoch_bjd": 1_721_424.5 + date.toordinal() - float(rng.uniform(0, 3000)),
        "period_d": float(np.exp(rng.uniform(np.log(0.04), np.log(4.0)))),
        "phases": ranges,
    }


def _windows(rng: np.random.Generator, date: datetime.date, longitude_deg: float) -> tuple[dict, ...]:
    midnight = datetime.datetime.combine(date, datetime.time(), datetime.UTC) + datetime.timedelta(
        days=1, hours=-longitude_deg / 15.0
    )
    edges_h = np.sort(rng.uniform(-7.0, 7.0, 4))
    moments = [midnight + datetime.timedelta(seconds=round(3600 * float(hour), 1)) for hour in edges_h]
    return tuple({"start_utc": a, "end_utc": b} for a, b in (moments[:2], moments[2:]))
