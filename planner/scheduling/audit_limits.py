"""Does the sky allow each step: Sun, altitude, skyline, azimuth drive, Moon, airmass, hour angle, windows.

Everything is compared at every sample of the recomputed sky; angles without
refraction except for the skyline. Tolerances are an arcsecond where nothing
else is said: the budget of the planner's own directions.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from planner.scenario.array import Mask
from planner.scheduling.audit_case import Case, Equipment, equipment, holds, tightest
from planner.scheduling.audit_clock import clock, instant, moment
from planner.scheduling.audit_sky import TrackedStep
from planner.scheduling.plan import NightPlan

ARCSEC_DEG = 1.0 / 3600.0
RECORDED_ALTITUDE_ARCSEC = 10.0
RECORDED_AZIMUTH_ARCSEC = 30.0  # on the sky: cos(altitude) included
AIRMASS_TOLERANCE = 1e-4  # an arcsecond at an altitude of 20 degrees changes sec z by 4e-5
HOUR_ANGLE_TOLERANCE_H = 1.0 / 3600.0
LIT_TOLERANCE = 1e-3
WINDOW_TOLERANCE_S = 1e-3

Tracked = tuple[TrackedStep, ...]


def sun_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The Sun is below the night's limit."""
    limit = plan.scenario.night.sun_altitude_max_deg
    for seen in tracked:
        yield tightest(
            limit - seen.sky.sun_deg + ARCSEC_DEG,
            seen.telling("Sun at", seen.sky.sun_deg, f" deg, limit {limit:g} deg"),
        )


def altitude_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The true altitude is within the limits of each telescope's class."""
    for seen, part in _telescopes(plan, tracked):
        if part.own is not None:
            low, high = part.own.altitude_min_deg, part.own.altitude_max_deg
            altitude = seen.sky.altitude_deg
            yield tightest(
                np.minimum(altitude - low, high - altitude) + ARCSEC_DEG,
                seen.telling(
                    f"{part.beam.telescope} at altitude", altitude, f" deg, limits {low:g} to {high:g} deg"
                ),
            )


def pointing_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The recorded azimuths and altitudes are where the star is; margins in arcseconds on the sky."""
    for seen, part in _telescopes(plan, tracked):
        beam = part.beam
        recorded = (
            (0, beam.azimuth_start_deg, beam.altitude_start_deg),
            (-1, beam.azimuth_end_deg, beam.altitude_end_deg),
        )
        for sample, azimuth, altitude in recorded:
            true_azimuth, true_altitude = seen.sky.azimuth_deg[sample], seen.sky.altitude_deg[sample]
            turned = np.remainder(azimuth - true_azimuth + 180.0, 360.0) - 180.0
            aside = abs(turned) * np.cos(np.deg2rad(true_altitude)) * 3600.0
            above = abs(altitude - true_altitude) * 3600.0
            place = f"{seen.title}, {beam.telescope} at {seen.clock(sample)}"
            yield Case(
                RECORDED_ALTITUDE_ARCSEC - above,
                f"{place}: recorded altitude {altitude:.5f} deg, recomputed {true_altitude:.5f} deg, "
                f"{above:.3g} arcsec apart",
            )
            yield Case(
                RECORDED_AZIMUTH_ARCSEC - aside,
                f"{place}: recorded azimuth {azimuth:.5f} deg, recomputed {true_azimuth:.5f} deg, "
                f"{aside:.3g} arcsec apart on the sky",
            )


def cable_wrap_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The mount stays inside its cable wrap and ends on the turn on which it started; margins in degrees."""
    for seen, part in _telescopes(plan, tracked):
        beam = part.beam
        turned = np.rad2deg(np.unwrap(np.deg2rad(seen.sky.azimuth_deg)))
        mount = beam.azimuth_start_deg + turned - turned[0]
        if part.own is not None:
            low, high = part.own.azimuth_range_deg
            yield tightest(
                np.minimum(mount - low, high - mount) + ARCSEC_DEG,
                seen.telling(
                    f"{beam.telescope} at mount azimuth", mount, f" deg, wrap {low:g} to {high:g} deg"
                ),
            )
        # Half a turn: the places themselves are checked by ``pointing_cases``, here only the turn counts.
        astray = abs(beam.azimuth_end_deg - mount[-1])
        yield holds(
            bool(astray < 180.0),
            f"{seen.title}, {beam.telescope}: mount azimuth goes from {beam.azimuth_start_deg:.2f} to "
            f"{beam.azimuth_end_deg:.2f} deg, but the star takes it to {mount[-1]:.2f} deg",
        )


def skyline_deg(mask: Mask, azimuths_deg: np.ndarray) -> np.ndarray:
    """Return the skyline's altitude at azimuths, linear between its points and across north, degrees.

    Examples
    --------
    >>> skyline_deg(((90.0, 10.0), (270.0, 30.0)), np.array([0.0, 45.0, 135.0])).tolist()
    [20.0, 15.0, 15.0]
    """
    if not mask:
        return np.zeros(len(azimuths_deg))
    three_turns = [(azimuth + turn, height) for turn in (-360.0, 0.0, 360.0) for azimuth, height in mask]
    azimuths, heights = zip(*three_turns, strict=True)
    return np.interp(np.remainder(azimuths_deg, 360.0), azimuths, heights)


def skyline_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The star is seen above the skylines of the site and of the station."""
    site_mask = plan.scenario.array.site.horizon_deg
    for seen, part in _telescopes(plan, tracked):
        if part.station is not None:
            azimuth = seen.sky.azimuth_deg
            edge = np.maximum(skyline_deg(site_mask, azimuth), skyline_deg(part.station.horizon_deg, azimuth))
            above = seen.sky.seen_deg - edge
            yield tightest(
                above + ARCSEC_DEG,
                seen.telling(f"{part.beam.telescope}", above, " deg above the skyline, seen through the air"),
            )


def azimuth_rate_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The mount can follow in azimuth, at each sample and on average between two."""
    for seen, part in _telescopes(plan, tracked):
        if part.own is None:
            continue
        limit = part.own.azimuth_tracking_max_deg_per_s
        turned = np.rad2deg(np.unwrap(np.deg2rad(seen.sky.azimuth_deg)))
        rate = np.abs(seen.sky.azimuth_rate_deg_per_s)
        rate[:-1] = np.maximum(rate[:-1], np.abs(np.diff(turned) / np.diff(seen.seconds)))
        telling = seen.telling(
            f"{part.beam.telescope} turns", rate, f" deg/s in azimuth, limit {limit:g} deg/s"
        )
        yield tightest(limit * (1 + 1e-6) - rate, telling)


def moon_separation_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """Science star and calibrators are far enough from the Moon."""
    for seen in tracked:
        own = None if seen.request is None else seen.request.extras.moon_separation_min_deg
        limit = plan.scenario.limits.moon_separation_min_deg if own is None else own
        apart = seen.sky.moon_separation_deg
        yield tightest(
            apart - limit + ARCSEC_DEG,
            seen.telling("Moon at", apart, f" deg from the star, at least {limit:g} deg wanted"),
        )


def moon_lit_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The Moon is dark enough while it is above the horizon."""
    for seen in tracked:
        own = None if seen.request is None else seen.request.extras.moon_illumination_max
        limit = plan.scenario.limits.moon_illumination_max if own is None else own
        lit = np.where(seen.sky.moon_deg > 0, seen.sky.moon_lit, 0.0)
        yield tightest(
            limit - lit + LIT_TOLERANCE,
            seen.telling("lit fraction of the Moon", lit, f" while it is up, limit {limit:g}"),
        )


def airmass_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The plane-parallel airmass, sec z of the true zenith distance, is small enough."""
    for seen in tracked:
        own = None if seen.request is None else seen.request.extras.airmass_max
        limit = plan.scenario.limits.airmass_max if own is None else own
        if limit is not None:
            up = np.maximum(seen.sky.direction[:, 2], 1e-9)
            yield tightest(
                limit - 1.0 / up + AIRMASS_TOLERANCE,
                seen.telling("airmass", 1.0 / up, f", limit {limit:g}"),
            )


def hour_angle_cases(plan: NightPlan, tracked: Tracked) -> Iterator[Case]:
    """The science star is inside the hour angles allowed to every request and to its own."""
    common = plan.scenario.limits.hour_angle_max_h
    for seen in tracked:
        if seen.step.role != "science":
            continue
        own = None if seen.request is None else seen.request.extras.hour_angle_range_h
        angle = seen.sky.hour_angle_h
        ranges = [] if common is None else [(-common, common)]
        if own is not None:
            ranges.append(own)
        for low, high in ranges:
            yield tightest(
                np.minimum(angle - low, high - angle) + HOUR_ANGLE_TOLERANCE_H,
                seen.telling("hour angle", angle, f" h, limits {low:g} to {high:g} h"),
            )


def window_cases(plan: NightPlan) -> Iterator[Case]:
    """The whole visit lies inside one of its request's windows; margins in seconds."""
    windows = {request.name: request.extras.windows for request in plan.scenario.requests}
    for visit in plan.visits:
        if not windows.get(visit.target) or not visit.steps:
            continue
        start, end = moment(visit.steps[0].start_utc), moment(visit.steps[-1].end_utc)
        if start is None or end is None:
            continue
        margin = max(
            min(
                (start - instant(own.start_utc)).total_seconds(), (instant(own.end_utc) - end).total_seconds()
            )
            for own in windows[visit.target]
        )
        yield Case(
            margin + WINDOW_TOLERANCE_S,
            f"{visit.id} {visit.target!r} from {clock(start)} to {clock(end)}, "
            f"{margin:.0f} s inside its best window",
        )


def _telescopes(plan: NightPlan, tracked: Tracked) -> Iterator[tuple[TrackedStep, Equipment]]:
    """Each beam of each step, with its equipment."""
    for seen in tracked:
        for beam in seen.step.beams:
            yield seen, equipment(plan.scenario.array, beam)
