"""Are the margins of a visit what they are told to be: every limit worked out once more, over all its steps.

A visit tells the smallest margin of each limit and the star for which it is
smallest. Here each step answers for itself, from the sky, the rays and the
catalogues of the audit; a value that hangs on an edge (the Moon on the
horizon) is a range. Limits without a bound, such as a guide star that nobody
asks for, are not told.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from astropy import units as u
from astropy.coordinates import GCRS, SkyCoord

from planner.scenario.array import Combiner, TelescopeClass
from planner.scenario.programs import phase_spans
from planner.scenario.targets import Request
from planner.scheduling.audit_air import AIR_TOLERANCE, air_left
from planner.scheduling.audit_beams import longest_baseline_m, uniform_disk
from planner.scheduling.audit_brightness import apart_arcsec
from planner.scheduling.audit_case import Case, class_of, combiner_used, holds, named, number
from planner.scheduling.audit_clock import instant, moment
from planner.scheduling.audit_coverage import chords_of, uv_m
from planner.scheduling.audit_delay import DELAY_TOLERANCE_M, Path
from planner.scheduling.audit_limits import skyline_deg
from planner.scheduling.audit_phase import inside, turns_of
from planner.scheduling.audit_shadow import FRACTION_TOLERANCE, Shadow
from planner.scheduling.audit_sky import TrackedStep
from planner.scheduling.audit_tracking import TOLD_TOLERANCE_MAG, baselines_mag, held_mag, tracker_of
from planner.scheduling.audit_two_stars import (
    DIFFERENTIAL_TOLERANCE_M,
    FIELD_TOLERANCE_DEG,
    PRECESSION_DEG_PER_YR,
    field_deg,
    offset_of,
    second_path,
)
from planner.scheduling.plan import NightPlan, Visit
from planner.units import DAY_S

RESOLVED = "squared visibility"
VIS2 = 2e-3
WRITTEN = 6e-5  # margins are written with four decimals
ANGLE_DEG = 3e-4  # an arcsecond
AIRMASS = 1e-4
HOUR_ANGLE_H = 3e-4
RATE_DEG_PER_S = 1e-3  # of the rate itself
LIT = 1e-3
HORIZON_DEG = 0.01  # so near the horizon the Moon may be up or down
RAIL = 2e-3  # of the speed: the planner takes differences over ticks, and the rail is shorter in air
MINUTES_OF_PHASE = 1e-3


@dataclass(frozen=True)
class Limit:
    """By how much one step keeps one limit.

    Attributes
    ----------
    name, unit : str
        As the plan tells them.
    margin : float
        Infinite where nothing bounds it.
    open : float
        By how much the plan may tell it otherwise, either way.
    least : float or None
        The margin where something on an edge counts against it; None for the margin itself.
    """

    name: str
    unit: str
    margin: float
    open: float = 0.0
    least: float | None = None

    @property
    def lowest(self) -> float:
        """The least that may be told."""
        return (self.margin if self.least is None else self.least) - self.open - WRITTEN

    @property
    def highest(self) -> float:
        """The most that may be told."""
        return self.margin + self.open + WRITTEN


@dataclass(frozen=True)
class Recomputed:
    """What has been worked out of a plan for other checks.

    Attributes
    ----------
    tracked : tuple of TrackedStep
    light : tuple of Path
    shadows : tuple of Shadow
    """

    tracked: tuple[TrackedStep, ...]
    light: tuple[Path, ...]
    shadows: tuple[Shadow, ...]

    def step(self, seen: TrackedStep) -> Recomputed:
        """Return the part that belongs to one step."""
        return Recomputed(
            (seen,),
            tuple(path for path in self.light if path.seen is seen),
            tuple(shadow for shadow in self.shadows if shadow.seen is seen),
        )


def margin_cases(plan: NightPlan, found_already: Recomputed) -> Iterator[Case]:
    """Each visit tells every limit that it has, with its margin, its unit and the star that is tightest."""
    tracked = found_already.tracked
    brackets = _brackets_deg(tracked)
    for number_in_plan, visit in enumerate(plan.visits):
        steps = [seen for seen in tracked if seen.visit_number == number_in_plan]
        if len(steps) < len(visit.steps) or not steps:
            yield holds(False, f"{visit.id}: its margins cannot be worked out, see the other checks")
            continue
        found: dict[str, list[tuple[str, Limit]]] = {}
        for seen in steps:
            for limit in (
                *limits_of_step(plan, found_already.step(seen)),
                *_of_bracket(plan, seen, brackets),
            ):
                if np.isfinite(limit.margin):
                    found.setdefault(limit.name, []).append((seen.step.object, limit))
        window = _window(plan, visit)
        if window is not None:
            found[window.name] = [(visit.target, window)]
        yield from _visit_cases(visit, found)


def _visit_cases(visit: Visit, found: Mapping[str, list[tuple[str, Limit]]]) -> Iterator[Case]:
    names = [margin.limit for margin in visit.margins]
    # Of a target that shows fringes wherever it is seen nothing is told.
    wanted = set(found) - ({RESOLVED} - set(names))
    yield holds(
        sorted(names) == sorted(wanted),
        f"{visit.id} tells the margins of {', '.join(sorted(set(names) - set(found))) or 'no limit too many'}"
        f", and not those of {', '.join(sorted(wanted - set(names))) or 'no limit'}",
    )
    for told in visit.margins:
        answers = found.get(told.limit)
        if answers is None:
            continue
        tightest = min((limit for _, limit in answers), key=lambda limit: limit.margin)
        value = number(told.margin)
        low, high = min(limit.lowest for _, limit in answers), tightest.highest
        yield Case(
            min(value - low, high - value),
            f"{visit.id}: {told.limit} {told.margin} {told.unit} told, {tightest.margin:.4f} found",
        )
        yield holds(
            told.unit == tightest.unit,
            f"{visit.id}: {told.limit} is told in {told.unit}, it is in {tightest.unit}",
        )
        stars = {name for name, limit in answers if limit.lowest <= high}
        yield holds(
            told.object in stars,
            f"{visit.id}: {told.limit} is told to be tightest on {told.object!r}, it is on "
            f"{' and '.join(sorted(stars))}",
        )


def _window(plan: NightPlan, visit: Visit) -> Limit | None:
    """Minutes inside the best window, at the start and at the end of the whole visit."""
    request = named(plan.scenario.requests, visit.target)
    edges = [moment(visit.steps[0].start_utc), moment(visit.steps[-1].end_utc)]
    if request is None or not request.extras.windows or None in edges:
        return None
    windows = [(instant(own.start_utc), instant(own.end_utc)) for own in request.extras.windows]
    best = [
        max(min(_minutes(begin, edge), _minutes(edge, end)) for begin, end in windows)
        for edge in edges
        if edge is not None
    ]
    return Limit("absolute window", "min", min(best), 1e-3)


def _minutes(earlier: datetime, later: datetime) -> float:
    return (later - earlier).total_seconds() / 60.0


def limits_of_step(plan: NightPlan, step: Recomputed) -> Iterator[Limit]:
    """Yield what limits one step: sky, request, light path, brightness, lines and mounts."""
    seen, light = step.tracked[0], step.light
    array = plan.scenario.array
    classes = [own for own in (class_of(array, b.telescope) for b in seen.step.beams) if own is not None]
    combiner = combiner_used(array, seen.visit)
    if len(classes) < len(seen.step.beams) or not classes or combiner is None or seen.request is None:
        return
    yield from _of_telescopes(plan, seen, classes)
    yield from _of_shadows(step.shadows)
    yield from _of_reserved(plan, seen)
    yield from _of_moon(plan, seen, seen.request)
    yield from _of_request(plan, seen, seen.request)
    yield from _of_two_stars(plan, seen, seen.request)
    yield from _of_light(plan, seen, combiner, light)
    yield from _of_brightness(plan, seen, combiner, classes)
    yield from _of_bright_limits(plan, seen, combiner, classes)
    yield from _of_fringes(plan, seen, combiner)
    yield from _of_lines(light)
    yield _of_wrap(seen, classes)


def _of_telescopes(plan: NightPlan, seen: TrackedStep, classes: Sequence[TelescopeClass]) -> Iterator[Limit]:
    array, sky = plan.scenario.array, seen.sky
    lowest = max(own.altitude_min_deg for own in classes)
    highest = min(own.altitude_max_deg for own in classes)
    yield Limit("altitude, lower limit", "deg", float(sky.altitude_deg.min()) - lowest, ANGLE_DEG)
    yield Limit("altitude, upper limit", "deg", highest - float(sky.altitude_deg.max()), ANGLE_DEG)
    stations = [named(array.stations, beam.station) for beam in seen.step.beams]
    masks = {array.site.horizon_deg, *(station.horizon_deg for station in stations if station is not None)}
    edge = np.max([skyline_deg(mask, sky.azimuth_deg) for mask in masks], axis=0)
    # A steep skyline turns an arcsecond of azimuth into more of altitude.
    yield Limit("skyline", "deg", float((sky.seen_deg - edge).min()), 2e-3)
    rate = float(np.abs(sky.azimuth_rate_deg_per_s).max())
    slowest = min(own.azimuth_tracking_max_deg_per_s for own in classes)
    yield Limit("azimuth tracking rate", "deg/s", slowest - rate, RATE_DEG_PER_S * rate)


def _of_shadows(shadows: Sequence[Shadow]) -> Iterator[Limit]:
    left = [own.telescope_class.obstruction_max - float(own.hidden.max()) for own in shadows]
    if left:
        yield Limit("shadowing", "of the pupil", min(left), FRACTION_TOLERANCE)


def _of_reserved(plan: NightPlan, seen: TrackedStep) -> Iterator[Limit]:
    """Minutes from time that is reserved at a given hour for its telescopes; time that is past apart."""
    dusk = moment(plan.night.start_utc)
    after: dict[str, list[np.ndarray]] = {}
    for own in plan.scenario.reserved:
        taken = not own.telescopes or not set(own.telescopes).isdisjoint(seen.visit.subarray)
        if own.start_utc is None or own.end_utc is None or not taken or dusk is None:
            continue
        past = own.is_past(datetime.fromisoformat(plan.night.start_utc.replace(":60Z", ":59Z")))
        begin, end = ((instant(edge) - seen.start).total_seconds() for edge in (own.start_utc, own.end_utc))
        margin = np.maximum(begin - seen.seconds, seen.seconds - end - own.ready_s) / 60.0
        after.setdefault("time that is past" if past else "reserved time", []).append(margin)
    for name, margins in after.items():
        yield Limit(name, "min", float(np.min(margins)), 1e-3)


def _of_moon(plan: NightPlan, seen: TrackedStep, request: Request) -> Iterator[Limit]:
    limits, extras, sky = plan.scenario.limits, request.extras, seen.sky
    wanted = extras.moon_separation_min_deg
    wanted = limits.moon_separation_min_deg if wanted is None else wanted
    yield Limit(
        "Moon separation", "deg", float(sky.moon_separation_deg.min()) - (wanted or 0.0), 2.0 * ANGLE_DEG
    )
    most = extras.moon_illumination_max
    most = limits.moon_illumination_max if most is None else most
    most = 1.0 if most is None else most
    surely, perhaps = (
        float(np.where(sky.moon_deg > edge, sky.moon_lit, 0.0).max()) for edge in (HORIZON_DEG, -HORIZON_DEG)
    )
    yield Limit("Moon lit fraction", "of the disk", most - surely, LIT, most - perhaps)


def _of_request(plan: NightPlan, seen: TrackedStep, request: Request) -> Iterator[Limit]:
    limits, extras, sky = plan.scenario.limits, request.extras, seen.sky
    most = limits.airmass_max if extras.airmass_max is None else extras.airmass_max
    if most is not None:
        airmass = 1.0 / np.sin(np.deg2rad(float(sky.altitude_deg.min())))
        yield Limit("airmass", "airmass", most - float(airmass), AIRMASS)
    if seen.step.role != "science":
        return
    common = limits.hour_angle_max_h
    ranges = [(-common, common)] if common is not None else []
    ranges += [extras.hour_angle_range_h] if extras.hour_angle_range_h is not None else []
    for low, high in ranges:
        left = float(np.minimum(sky.hour_angle_h - low, high - sky.hour_angle_h).min())
        yield Limit("hour angle", "h", left, HOUR_ANGLE_H)
    window = extras.phase
    if window is not None and phase_spans(window) != ((0.0, 1.0),):
        # Ranges that touch are one.
        whole = tuple((low, high if high <= 1.0 else high - 1.0) for low, high in phase_spans(window))
        turns = turns_of(plan.scenario.array.site, seen, window, seen.seconds)
        left = float(inside(turns, window.model_copy(update={"phases": whole})).min())
        yield Limit("orbital phase", "min", left * window.period_d * DAY_S / 60.0, MINUTES_OF_PHASE)


def _of_two_stars(plan: NightPlan, seen: TrackedStep, request: Request) -> Iterator[Limit]:
    feed, second = plan.scenario.array.dual_feed, request.extras.second_star
    if feed is None or second is None or seen.step.role != "science":
        return
    apart, _ = offset_of(seen.star, second)
    near, far = feed.separation_arcsec
    yield Limit("separation of the two stars", "arcsec", min(apart - near, far - apart), 1e-3)
    low, high = feed.field_angle_deg
    if low > -180.0 or high < 180.0:
        turned = field_deg(plan, seen, second)
        years = float(np.abs(seen.times.jyear - 2000.0).max())
        farthest = float(np.cos(seen.sky.place_rad[:, 1]).min())
        left = float(np.minimum(turned - low, high - turned).min())
        open_deg = FIELD_TOLERANCE_DEG + PRECESSION_DEG_PER_YR * years / farthest
        yield Limit("field orientation", "deg", left, open_deg)
    path = second_path(plan.scenario.array, seen, second)
    if path is not None:
        low, high = feed.differential_stroke_m
        left = high - low - float(np.ptp(path.path_m, axis=0).max())
        yield Limit("differential delay", "m", left, 2.0 * DIFFERENTIAL_TOLERANCE_M)


def _of_light(
    plan: NightPlan, seen: TrackedStep, combiner: Combiner, light: Sequence[Path]
) -> Iterator[Limit]:
    """Fringe tracker, and air in the lines."""
    tracker = tracker_of(plan.scenario.array, seen.visit, seen.request)
    if tracker is not None and len(seen.visit.tracked) > 1:
        margin = baselines_mag(plan.scenario.array, seen, tracker)
        if margin is not None:
            yield Limit("fringe tracker", "mag", float(held_mag(margin).min()), TOLD_TOLERANCE_MAG)
    in_air = [path.delay_m for path in light if path.line.medium == "air"]
    if combiner.air_contrast_min > 0 and len(in_air) > 1:
        apart = np.concatenate([one - two for one, two in itertools.combinations(in_air, 2)])
        left = float(air_left(plan, seen, combiner, apart).min())
        yield Limit("air in the lines", "of contrast", left - combiner.air_contrast_min, AIR_TOLERANCE)


def _of_brightness(
    plan: NightPlan, seen: TrackedStep, combiner: Combiner, classes: Sequence[TelescopeClass]
) -> Iterator[Limit]:
    array, star, science = plan.scenario.array, seen.star, seen.step.role == "science"
    extras = seen.request.extras if seen.request is not None and science else None
    bands = [("limiting magnitude", combiner.band, combiner.limiting_magnitude)]
    bands += [(f"limiting magnitude in {b}", b, faintest) for b, faintest in combiner.further_limits.items()]
    for name, band, faintest in bands:
        yield Limit(name, "mag", _least(faintest, classes) - star.mag.get(band, np.inf))
    guide = None if extras is None else extras.guide_star
    magnitudes = star.mag if guide is None else guide.mag
    guiding = [own for own in classes if own.guide_band is not None]
    room = [
        own.guide_limiting_magnitude - magnitudes.get(own.guide_band, np.inf)
        for own in guiding
        if own.guide_band is not None and own.guide_limiting_magnitude is not None
    ]
    if room:
        yield Limit("guide star", "mag", min(room))
    if guide is not None and guiding:
        reach = min(own.guide_distance_max_arcsec for own in guiding)
        apart = apart_arcsec(star, guide.ra_deg, guide.dec_deg)
        yield Limit("guide star distance", "arcsec", reach - apart, 1e-5)
    sensor = named(array.beam_sensors, combiner.beam_sensor)
    if sensor is not None:
        second = None if extras is None else extras.second_star
        brightest = star.mag.get(sensor.band, np.inf)
        if second is not None:
            brightest = min(brightest, second.mag.get(sensor.band, np.inf))
        yield Limit("beam-position sensor", "mag", _least(sensor.limiting_magnitude, classes) - brightest)


def _of_bright_limits(
    plan: NightPlan, seen: TrackedStep, combiner: Combiner, classes: Sequence[TelescopeClass]
) -> Iterator[Limit]:
    """How much fainter the star is than what blinds anything that sees it, where a class has such a limit."""
    array, star = plan.scenario.array, seen.star
    extras = seen.request.extras if seen.request is not None and seen.step.role == "science" else None
    second = None if extras is None else extras.second_star
    guide = None if extras is None else extras.guide_star
    sensor = named(array.beam_sensors, combiner.beam_sensor)
    tracker = tracker_of(array, seen.visit, seen.request)
    asked = [("bright limit", star.mag.get(combiner.band), combiner.brightest_magnitude)]
    if sensor is not None:
        both = [own.mag.get(sensor.band, np.inf) for own in (star, second) if own is not None]
        name = "bright limit of the beam-position sensor"
        asked.append((name, min(both), sensor.brightest_magnitude))
    if tracker is not None:
        followed = star if second is None else second
        name = "bright limit of the fringe tracker"
        asked.append((name, followed.mag.get(tracker.band), tracker.brightest_magnitude))
    for name, magnitude, brightest in asked:
        limits = [brightest[own.name] for own in classes if own.name in brightest]
        if limits and magnitude is not None:
            yield Limit(name, "mag", magnitude - max(limits))
    magnitudes = star.mag if guide is None else guide.mag
    left = [
        magnitudes.get(own.guide_band, np.inf) - own.guide_brightest_magnitude
        for own in classes
        if own.guide_band is not None and own.guide_brightest_magnitude is not None
    ]
    if left:
        yield Limit("bright limit of guiding", "mag", min(left))


def _of_fringes(plan: NightPlan, seen: TrackedStep, combiner: Combiner) -> Iterator[Limit]:
    """Squared visibility of a target that some baseline resolves.

    The planner tells the best within a step's length before and after; that is no less than during the step.
    """
    uv = uv_m(plan, seen)
    if seen.step.role != "science" or seen.request is None or uv is None:
        return
    best = float(chords_of(uv, combiner, seen.request).vis2.max())
    yield Limit(
        RESOLVED, "of V squared", 1.0 - combiner.vis2_min, VIS2, best * (1.0 - VIS2) - combiner.vis2_min
    )


def _least(faintest: Mapping[str, float], classes: Sequence[TelescopeClass]) -> float:
    return min(faintest.get(own.name, -np.inf) for own in classes)


def _of_lines(paths: Sequence[Path]) -> Iterator[Limit]:
    if not paths:
        return
    whole = [path.line.stroke_m for path in paths]
    usable = [
        path.line.pupil_stroke_m if path.pupil_relay and path.line.pupil_stroke_m is not None else stroke
        for path, stroke in zip(paths, whole, strict=True)
    ]
    for name, strokes in (("delay line stroke", whole), ("pupil relay", usable)):
        if name == "delay line stroke" or usable != whole:
            left = [
                float(np.minimum(path.delay_m - low, high - path.delay_m).min())
                for path, (low, high) in zip(paths, strokes, strict=True)
            ]
            yield Limit(name, "m", min(left), DELAY_TOLERANCE_M)
    speeds = [float(np.abs(path.rate_m_per_s).max()) / path.line.path_per_travel for path in paths]
    limits = [path.line.tracking_speed_mm_per_s / 1e3 for path in paths]
    left = [limit - speed for limit, speed in zip(limits, speeds, strict=True)]
    yield Limit("carriage tracking rate", "m/s", min(left), RAIL * max(speeds))


def _of_wrap(seen: TrackedStep, classes: Sequence[TelescopeClass]) -> Limit:
    """Inside the azimuths that all its mounts can reach."""
    low = max(own.azimuth_range_deg[0] for own in classes)
    high = min(own.azimuth_range_deg[1] for own in classes)
    turned = np.rad2deg(np.unwrap(np.deg2rad(seen.sky.azimuth_deg)))
    left = [
        float(np.minimum(mount - low, high - mount).min())
        for mount in (beam.azimuth_start_deg + turned - turned[0] for beam in seen.step.beams)
    ]
    # Near the zenith an arcsecond on the sky is more in azimuth.
    steepest = float(np.cos(np.deg2rad(seen.sky.altitude_deg)).min())
    return Limit("cable wrap", "deg", min(left), ANGLE_DEG / max(steepest, 1e-3))


def _brackets_deg(tracked: Sequence[TrackedStep]) -> dict[tuple[str, str], float]:
    """Angle between each calibrator and its target as the observatory sees them, by aberrated GCRS places."""
    pairs = {(seen.step.object, seen.visit.target) for seen in tracked if seen.step.role == "calibrator"}
    places = {seen.step.object: seen.sky.place_rad[0] for seen in tracked}
    pairs = {(star, target) for star, target in pairs if target in places}
    if not pairs:
        return {}
    names = list(places)
    ra, dec = np.array([places[name] for name in names]).T
    frame = GCRS(obstime=tracked[0].times[0])
    apparent = SkyCoord(ra * u.rad, dec * u.rad).transform_to(frame)
    row = {name: apparent[k] for k, name in enumerate(names)}
    return {
        (star, target): float(row[star].separation(row[target]).to_value(u.deg)) for star, target in pairs
    }


def _of_bracket(
    plan: NightPlan, seen: TrackedStep, brackets: Mapping[tuple[str, str], float]
) -> Iterator[Limit]:
    """How near and how little resolved a calibrator is; beyond the first null a disk counts as dark."""
    apart = brackets.get((seen.step.object, seen.visit.target))
    limits = plan.scenario.limits
    if seen.step.role != "calibrator":
        return
    if apart is not None:
        # What stars do during the night, and their parallax: less than two arcseconds.
        yield Limit("bracket distance", "deg", limits.bracket_distance_max_deg - apart, 2.0 * ANGLE_DEG)
    combiner = combiner_used(plan.scenario.array, seen.visit)
    length = longest_baseline_m(plan.scenario.array, seen.step)
    if combiner is not None and length is not None:
        vis2 = 0.0
        if seen.star.diameter_mas is not None:
            shortest = min(combiner.wavelengths_um)
            visibility = float(uniform_disk(seen.star.diameter_mas, np.array(length), shortest))
            vis2 = max(visibility, 0.0) ** 2
        yield Limit("calibrator visibility", "of V squared", vis2 - limits.calibrator_vis2_min, 1e-6)
