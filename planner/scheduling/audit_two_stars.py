"""Two stars at once: separation, orientation in the field, differential lines, errors of the path.

The second star keeps its catalogue offset (separation and position angle by
astropy) from the place of the target that night. Both go through astropy's
full transformation; the zenith's position angle at the target is that of a
point a little above it, taken back to ICRS. An orientation told with the north
of date differs from it by precession since 2000, 20.05 arcsec a year over the
cosine of the declination at most, and by a hundredth of a degree for nutation
and aberration: that much is left open.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, Distance, SkyCoord

from planner.scenario.array import Array, DualFeed
from planner.scenario.night import SecondStar
from planner.scenario.targets import Star
from planner.scheduling.audit_case import Case, holds, named, number, tightest
from planner.scheduling.audit_sky import TrackedStep, baseline_ends_m, location_of, title, zero_m
from planner.scheduling.plan import Beam, DualFeedVisit, NightPlan, Visit

SEPARATION_TOLERANCE_ARCSEC = 1e-3
ANGLE_TOLERANCE_DEG = 1e-3
FIELD_TOLERANCE_DEG = 0.01
PRECESSION_DEG_PER_YR = 20.05 / 3600.0
DIFFERENTIAL_TOLERANCE_M = 1e-5  # aberration changes the pair by 1e-4 of itself: 3 um of 30 mm
TOLD_TOLERANCE = 1e-3  # of path and baseline errors, and half of the last digit written
ABOVE_DEG = 0.01


def second_of(plan: NightPlan, visit: Visit) -> SecondStar | None:
    """Return the second star that a visit's request asks for."""
    request = named(plan.scenario.requests, visit.target)
    return None if request is None else request.extras.second_star


def offset_of(star: Star, second: SecondStar) -> tuple[float, float]:
    """Return separation (arcsec) and position angle (deg) of the second star by catalogue, from astropy."""
    one = SkyCoord(star.ra_deg * u.deg, star.dec_deg * u.deg)
    other = SkyCoord(second.ra_deg * u.deg, second.dec_deg * u.deg)
    angle = one.position_angle(other)
    return float(one.separation(other).to_value(u.arcsec)), float(angle.wrap_at(360 * u.deg).to_value(u.deg))


def pair_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """The pair is told as it is, in reach of the separators; errors follow from the longest baseline."""
    array = plan.scenario.array
    for visit in plan.visits:
        request, told = named(plan.scenario.requests, visit.target), visit.dual_feed
        second = second_of(plan, visit)
        if second is None or request is None:
            yield holds(told is None, f"{visit.id} is told to have a second star, nobody asks for one")
            continue
        if array.dual_feed is None:
            yield holds(False, f"{visit.id}: {visit.target!r} has a second star, the array no dual feed")
            continue
        apart, angle = offset_of(request.star, second)
        near, far = array.dual_feed.separation_arcsec
        yield Case(
            min(apart - near, far - apart) + SEPARATION_TOLERANCE_ARCSEC,
            f"{visit.id}: {second.name!r} is {apart:.3f} arcsec away, within reach are {near:g} to {far:g}",
        )
        if not isinstance(told, DualFeedVisit):
            yield holds(False, f"{visit.id}: the plan does not tell of {second.name!r}")
            continue
        yield holds(
            told.second_star == second.name,
            f"{visit.id}: the second star is told to be {told.second_star!r}, asked for is {second.name!r}",
        )
        yield Case(
            SEPARATION_TOLERANCE_ARCSEC - abs(number(told.separation_arcsec) - apart),
            f"{visit.id}: separation {told.separation_arcsec} arcsec told, {apart:.4f} found",
        )
        turned = abs((number(told.position_angle_deg) - angle + 180.0) % 360.0 - 180.0)
        yield Case(
            ANGLE_TOLERANCE_DEG - turned,
            f"{visit.id}: position angle {told.position_angle_deg} deg told, {angle:.4f} found",
        )
        science = next((own for own in tracked if own.visit is visit and own.step.role == "science"), None)
        yield from _error_cases(array, (visit, science), told, second, apart)


def _error_cases(
    array: Array,
    made: tuple[Visit, TrackedStep | None],
    told: DualFeedVisit,
    second: SecondStar,
    apart_arcsec: float,
) -> Iterator[Case]:
    """Path error = angle times the longest baseline seen; baseline error = path error over separation."""
    visit, science = made
    yield holds(
        told.angle_error_uas == second.angle_error_uas,
        f"{visit.id}: an angle error of {told.angle_error_uas} uas told, asked for {second.angle_error_uas}",
    )
    length = None if science is None else _seen_baseline_m(array, science)
    if second.angle_error_uas is None or length is None:
        none = told.path_error_nm is None and told.baseline_error_um is None
        yield holds(none, f"{visit.id}: errors of path or baseline are told without an angle error asked for")
        return
    path_nm = 1e9 * length * np.deg2rad(second.angle_error_uas / 3.6e9)
    baseline_um = 1e-3 * path_nm / np.deg2rad(apart_arcsec / 3600.0)
    for what, value, found in (
        ("path error (nm)", told.path_error_nm, path_nm),
        ("baseline error (um)", told.baseline_error_um, baseline_um),
    ):
        allowed = TOLD_TOLERANCE * found + 5e-4
        yield Case(
            float(allowed - abs(number(value) - found)), f"{visit.id}: {what} {value} told, {found:.3f} found"
        )


def _seen_baseline_m(array: Array, science: TrackedStep) -> float | None:
    """The longest baseline across the line of sight when it is shortest; None without two stations."""
    pairs = list(itertools.combinations(baseline_ends_m(array, science.step.beams), 2))
    if not pairs:
        return None
    seen = [np.linalg.norm(np.cross(b - a, science.sky.direction), axis=-1) for a, b in pairs]
    return float(np.max(seen, axis=0).min())


def field_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """The pair stands in the field as the telescopes can take it; margins in degrees."""
    feed = plan.scenario.array.dual_feed
    for seen in tracked:
        second = second_of(plan, seen.visit)
        if feed is None or second is None or seen.step.role != "science":
            continue
        low, high = feed.field_angle_deg
        if low <= -180.0 and high >= 180.0:
            continue
        turned = field_deg(plan, seen, second)
        years = np.abs(seen.times.jyear - 2000.0)
        open_deg = FIELD_TOLERANCE_DEG + PRECESSION_DEG_PER_YR * years / np.cos(seen.sky.place_rad[:, 1])
        yield tightest(
            np.minimum(turned - low, high - turned) + open_deg,
            seen.telling("the pair stands at", turned, f" deg in the field, limits {low:g} to {high:g} deg"),
        )


def field_deg(plan: NightPlan, seen: TrackedStep, second: SecondStar) -> np.ndarray:
    """Return the orientation of the pair from the zenith's direction, above -180 to 180, (sample,)."""
    frame = AltAz(obstime=seen.times, location=location_of(plan.scenario.array.site))
    star, above = (
        SkyCoord(
            az=seen.sky.azimuth_deg * u.deg, alt=(seen.sky.altitude_deg + rise) * u.deg, frame=frame
        ).icrs
        for rise in (0.0, ABOVE_DEG)
    )
    zenith = star.position_angle(above).to_value(u.deg)
    turned = offset_of(seen.star, second)[1] - zenith
    return np.asarray(180.0 - np.mod(180.0 - turned, 360.0))


@dataclass(frozen=True)
class SecondPath:
    """What the differential lines have to give while a science step is recorded.

    Attributes
    ----------
    seen : TrackedStep
    beams : tuple of Beam
    path_m : ndarray (beam, sample)
        r_i.(s2 - s1), counted from where the delays are.
    """

    seen: TrackedStep
    beams: tuple[Beam, ...]
    path_m: np.ndarray


def differential_cases(plan: NightPlan, tracked: tuple[TrackedStep, ...]) -> Iterator[Case]:
    """Differential delays follow r_i.(s2 - s1) with one number common to all, inside their stroke."""
    array = plan.scenario.array
    for visit in plan.visits:
        for step in visit.steps:
            if step.role == "science" and second_of(plan, visit) is not None:
                continue
            told = [b for b in step.beams if (b.differential_start_m, b.differential_end_m) != (None, None)]
            yield holds(not told, f"{title(visit, step)}: differential delays are told for a single star")
    for seen in tracked:
        second = second_of(plan, seen.visit)
        if second is not None and seen.step.role == "science" and array.dual_feed is not None:
            found = second_path(array, seen, second)
            if found is not None:
                yield from _differential(found, array.dual_feed)


def second_path(array: Array, seen: TrackedStep, second: SecondStar) -> SecondPath | None:
    """Return what the differential lines of a science step follow; None without known stations."""
    ends = baseline_ends_m(array, seen.step.beams)
    if not len(ends) or len(ends) < len(seen.step.beams):
        return None
    apart, angle = offset_of(seen.star, second)
    own = SkyCoord(*(seen.sky.place_rad.T * u.rad))
    other = own.directional_offset_by(angle * u.deg, apart * u.arcsec)
    depth = {}
    if seen.star.parallax_mas > 0:
        depth = {"distance": Distance(parallax=seen.star.parallax_mas * u.mas)}
    frame = AltAz(obstime=seen.times, location=location_of(array.site))
    first, last = (
        SkyCoord(place.ra, place.dec, **depth)
        .transform_to(frame)
        .represent_as("unitspherical")
        .to_cartesian()
        for place in (own, other)
    )
    # AltAz counts from north through east: its axes are north, east, up.
    step = (last - first).xyz.to_value(u.one)[[1, 0, 2]]
    return SecondPath(seen, seen.step.beams, (ends - zero_m(array)) @ step)


def _differential(found: SecondPath, feed: DualFeed) -> Iterator[Case]:
    """The number common to all is that of the first beam's start."""
    low, high = feed.differential_stroke_m
    seen, place = found.seen, found.seen.title
    common = number(found.beams[0].differential_start_m) - found.path_m[0, 0]
    for beam, path in zip(found.beams, found.path_m, strict=True):
        for sample, told in ((0, beam.differential_start_m), (-1, beam.differential_end_m)):
            expected = common + path[sample]
            off = abs(number(told) - expected)
            yield Case(
                float(DIFFERENTIAL_TOLERANCE_M - off),
                f"{place}: {beam.telescope}, differential delay {told} m told, {expected:.6f} m found, at "
                f"{seen.clock(sample)}",
            )
        delay = common + path
        yield tightest(
            np.minimum(delay - low, high - delay) + DIFFERENTIAL_TOLERANCE_M,
            seen.telling(f"{beam.telescope}, differential delay", delay, f" m, stroke {low:g} to {high:g} m"),
        )
