"""Is a star bright enough for everything that has to see it, telescope by telescope.

Each of them may have a bright limit too, beyond which its detector saturates.
The combiner sees it in each band that it records; tip-tilt or adaptive optics
follow it, or a guide star beside the target; the beam-position sensor in the
laboratory sees what the telescopes send. The fringe tracker sees baselines,
not telescopes: it is in ``tracker``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.constraints.verdict import Verdict, all_allowed
from planner.scenario.array import TelescopeClass
from planner.scenario.targets import Request, Scenario, Star
from planner.units import RAD_PER_ARCSEC

FAINT, GUIDE, GUIDE_DISTANCE, SENSOR = (
    "limiting magnitude",
    "guide star",
    "guide star distance",
    "beam-position sensor",
)
BRIGHT, GUIDE_BRIGHT, SENSOR_BRIGHT, TRACKER_BRIGHT = (
    "bright limit",
    "bright limit of guiding",
    "bright limit of the beam-position sensor",
    "bright limit of the fringe tracker",
)
BRIGHT_LIMITS = (BRIGHT, GUIDE_BRIGHT, SENSOR_BRIGHT, TRACKER_BRIGHT)
AXES = ("star", "telescope")


def brightness_limits(
    scenario: Scenario,
    request: Request,
    stars: Sequence[Star],
    science: bool,
    classes: Sequence[TelescopeClass],
) -> tuple[Verdict, ...]:
    """Margins of every limiting magnitude, and of the guide star's distance, each (star, telescope).

    Parameters
    ----------
    scenario : Scenario
    request : Request
    stars : sequence of Star
        The request's target, or calibrators for it.
    science : bool
        True for the target: its guide star and its second star count.
    classes : sequence of TelescopeClass
        One for each telescope.

    Notes
    -----
    A star without a magnitude in a band has a margin of minus infinity there;
    so has a class without a limit. The beam-position sensor follows the
    brighter one of two stars (common practice, no source).
    """
    combiner = scenario.combiner_of(request)
    names = [own.name for own in classes]
    found = [_margin(FAINT, stars, combiner.band, [combiner.limiting_magnitude.get(n) for n in names])]
    for band, limits in combiner.further_limits.items():
        limit = f"{FAINT} in {band}"
        found.append(_margin(limit, stars, band, [limits.get(name) for name in names]))
    found += _guiding(request, stars, science, classes)
    sensor = scenario.array.sensor_of(combiner)
    if sensor is not None:
        seen = [_magnitudes(star.mag, request if science else None, sensor.band) for star in stars]
        limits_of = [sensor.limiting_magnitude.get(name) for name in names]
        found.append(Verdict(SENSOR, "mag", _difference(limits_of, seen), AXES))
        found += _not_too_bright(SENSOR_BRIGHT, sensor.brightest_magnitude, names, seen)
    in_band = [star.mag.get(combiner.band, np.inf) for star in stars]
    found += _not_too_bright(BRIGHT, combiner.brightest_magnitude, names, in_band)
    tracker = scenario.array.tracker_of(combiner)
    if tracker is not None:
        second = request.extras.second_star if science else None
        followed = [(star if second is None else second).mag.get(tracker.band, np.inf) for star in stars]
        found += _not_too_bright(TRACKER_BRIGHT, tracker.brightest_magnitude, names, followed)
    return tuple(found)


def _not_too_bright(
    limit: str, brightest: Mapping[str, float], names: Sequence[str], magnitudes: Sequence[float]
) -> list[Verdict]:
    """Margin to the brightest magnitude, where a class has one; a star without a magnitude is no matter."""
    if not brightest:
        return []
    least = np.array([brightest.get(name, -np.inf) for name in names])
    margin: np.ndarray = np.array(magnitudes, dtype=float)[:, None] - least
    return [Verdict(limit, "mag", margin, AXES)]


def bright_enough(
    scenario: Scenario,
    request: Request,
    stars: Sequence[Star],
    science: bool,
    classes: Sequence[TelescopeClass],
) -> np.ndarray:
    """Return where all of these limits are kept, (star, telescope); arguments as above."""
    return all_allowed(brightness_limits(scenario, request, stars, science, classes))


def _margin(limit: str, stars: Sequence[Star], band: str, limits: Sequence[float | None]) -> Verdict:
    return Verdict(limit, "mag", _difference(limits, [star.mag.get(band, np.inf) for star in stars]), AXES)


def _difference(limits: Sequence[float | None], magnitudes: Sequence[float]) -> np.ndarray:
    faintest = np.array([-np.inf if limit is None else limit for limit in limits])
    margin: np.ndarray = faintest - np.array(magnitudes, dtype=float)[:, None]
    return margin


def _magnitudes(own: Mapping[str, float], request: Request | None, band: str) -> float:
    """Magnitude of the brightest star in the beams."""
    second = None if request is None else request.extras.second_star
    other = np.inf if second is None else second.mag.get(band, np.inf)
    return float(min(own.get(band, np.inf), other))


def _guiding(
    request: Request, stars: Sequence[Star], science: bool, classes: Sequence[TelescopeClass]
) -> list[Verdict]:
    """Guide star and its distance; a class without a guide band follows anything."""
    guided = [own.guide_band is not None for own in classes]
    if not any(guided):
        return []
    guide = request.extras.guide_star if science else None
    margin = np.full((len(stars), len(classes)), np.inf)
    distance = np.full((len(stars), len(classes)), np.inf)
    faintness = np.full((len(stars), len(classes)), np.inf)
    for row, star in enumerate(stars):
        magnitudes = star.mag if guide is None else guide.mag
        apart = 0.0 if guide is None else apart_arcsec(star, guide.ra_deg, guide.dec_deg)
        for column, own in enumerate(classes):
            if own.guide_band is not None and own.guide_limiting_magnitude is not None:
                margin[row, column] = own.guide_limiting_magnitude - magnitudes.get(own.guide_band, np.inf)
                if own.guide_brightest_magnitude is not None:
                    seen = magnitudes.get(own.guide_band, np.inf)
                    faintness[row, column] = seen - own.guide_brightest_magnitude
                distance[row, column] = np.inf if guide is None else own.guide_distance_max_arcsec - apart
    found = [Verdict(GUIDE, "mag", margin, AXES)]
    if any(own.guide_brightest_magnitude is not None for own in classes):
        found.append(Verdict(GUIDE_BRIGHT, "mag", faintness, AXES))
    if guide is not None:
        found.append(Verdict(GUIDE_DISTANCE, "arcsec", distance, AXES))
    return found


def apart_arcsec(star: Star, ra_deg: float, dec_deg: float) -> float:
    """Angle between a star's catalogue place and another one, arcseconds; half-angle formula, exact.

    Examples
    --------
    >>> star = Star(name="x", ra_deg=10.0, dec_deg=0.0)
    >>> round(apart_arcsec(star, 10.0, 0.01), 6)
    36.0
    """
    a, d = np.deg2rad(star.ra_deg), np.deg2rad(star.dec_deg)
    b, e = np.deg2rad(ra_deg), np.deg2rad(dec_deg)
    half = np.sin((e - d) / 2.0) ** 2 + np.cos(d) * np.cos(e) * np.sin((b - a) / 2.0) ** 2
    return float(2.0 * np.arcsin(np.sqrt(half)) / RAD_PER_ARCSEC)
