"""Is every star bright enough for all that sees it: combiner bands, guide sensors, beam-position sensor.

Each telescope class used must have a limit in each band that is recorded and
in the sensor's; one without cannot be used. A guide star stands beside the
target only; calibrators guide on themselves. Distances are angles between
catalogue places by astropy.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from astropy import units as u
from astropy.coordinates import SkyCoord

from planner.scenario.array import Array, Combiner, TelescopeClass
from planner.scenario.targets import Request, Star
from planner.scheduling.audit_case import Case, class_of, combiner_used, holds, named
from planner.scheduling.audit_sky import title
from planner.scheduling.plan import NightPlan, Step, Visit

MAGNITUDE_TOLERANCE = 1e-9
GUIDE_TOLERANCE_ARCSEC = 1e-6

Classes = dict[str, TelescopeClass]


def magnitude_cases(plan: NightPlan) -> Iterator[Case]:
    """No star is too faint for a band that is recorded, with the telescopes used; margins in magnitudes."""
    for visit in plan.visits:
        combiner = combiner_used(plan.scenario.array, visit)
        if combiner is None:
            continue
        bands = [(combiner.band, combiner.limiting_magnitude), *combiner.further_limits.items()]
        for step in visit.steps:
            star = _star(plan, step.object)
            for band, limits in bands if star is not None else ():
                faintest = _faintest(limits, _classes(plan.scenario.array, visit))
                place = f"{title(visit, step)}: {band}"
                yield _bright(place, star.mag.get(band), faintest, combiner.name)  # type: ignore[union-attr]
            if star is not None:
                yield from _combiner_and_tracker(plan, combiner, visit, (step, star))


def _combiner_and_tracker(
    plan: NightPlan, combiner: Combiner, visit: Visit, seen: tuple[Step, Star]
) -> Iterator[Case]:
    """The star of a step is not too bright for the combiner, nor for the tracker where one follows it."""
    step, star = seen
    array, where = plan.scenario.array, title(visit, step)
    yield from _dim(array, visit, (where, combiner.band, star.mag), combiner.brightest_magnitude)
    tracker = named(array.fringe_trackers, combiner.fringe_tracker or "")
    if visit.tracking is None or tracker is None:
        return
    request = named(plan.scenario.requests, visit.target)
    second = None if request is None or step.role != "science" else request.extras.second_star
    magnitudes = star.mag if second is None else second.mag
    yield from _dim(array, visit, (where, tracker.band, magnitudes), tracker.brightest_magnitude)


def _dim(
    array: Array, visit: Visit, star: tuple[str, str, Mapping[str, float]], brightest: Mapping[str, float]
) -> Iterator[Case]:
    """No class that is used sees a star brighter than its limit; ``star`` is (whose, band, magnitudes)."""
    whose, band, magnitudes = star
    for name in sorted(_classes(array, visit)):
        if name in brightest and band in magnitudes:
            yield Case(
                magnitudes[band] - brightest[name] + MAGNITUDE_TOLERANCE,
                f"{whose}: {band} = {magnitudes[band]:.2f}, takes {brightest[name]:.2f} at brightest",
            )


def _star(plan: NightPlan, name: str) -> Star | None:
    stars = [request.star for request in plan.scenario.requests]
    return named([*stars, *plan.scenario.calibrators], name)


def _classes(array: Array, visit: Visit) -> Classes:
    found = [class_of(array, name) for name in visit.subarray]
    return {own.name: own for own in found if own is not None}


def _faintest(limits: Mapping[str, float], classes: Classes) -> tuple[float | None, str]:
    """The limit of the least sensitive class, and its name; None for a class that has no limit."""
    found: tuple[float | None, str] = (None, "no class")
    for name in sorted(classes):
        if name not in limits:
            return None, name
        if found[0] is None or limits[name] < found[0]:
            found = limits[name], name
    return found


def _bright(place: str, magnitude: float | None, faintest: tuple[float | None, str], who: str) -> Case:
    limit, name = faintest
    if magnitude is None:
        return holds(False, f"{place} is not known")
    if limit is None:
        return holds(False, f"{place}: {who} has no limit for {name}")
    return Case(
        limit - magnitude + MAGNITUDE_TOLERANCE, f"{place} = {magnitude:.2f}, {who} reaches {limit:.2f}"
    )


def guide_cases(plan: NightPlan) -> Iterator[Case]:
    """Each telescope that guides has a star that is bright enough; margins in magnitudes."""
    for visit, step, star, guide in _guided(plan):
        magnitudes = star.mag if guide is None else guide.extras.guide_star.mag  # type: ignore[union-attr]
        for own in _classes(plan.scenario.array, visit).values():
            if own.guide_band is not None:
                place = f"{title(visit, step)}: guide star in {own.guide_band}"
                faintest = own.guide_limiting_magnitude, own.name
                who = f"{own.guide_sensor} of {own.name}"
                yield _bright(place, magnitudes.get(own.guide_band), faintest, who)
                if own.guide_brightest_magnitude is not None:
                    limit = {own.name: own.guide_brightest_magnitude}
                    guided = (f"{title(visit, step)}: guide star", own.guide_band, magnitudes)
                    yield from _dim(plan.scenario.array, visit, guided, limit)


def guide_distance_cases(plan: NightPlan) -> Iterator[Case]:
    """Guide stars are near enough to their targets; margins in arcseconds."""
    for visit, step, star, guide in _guided(plan):
        beside = None if guide is None else guide.extras.guide_star
        if beside is None:
            continue
        apart = apart_arcsec(star, beside.ra_deg, beside.dec_deg)
        for own in _classes(plan.scenario.array, visit).values():
            if own.guide_band is not None:
                limit = own.guide_distance_max_arcsec
                yield Case(
                    limit - apart + GUIDE_TOLERANCE_ARCSEC,
                    f"{title(visit, step)}: guide star {apart:.3f} arcsec away, {own.name} reaches {limit:g}",
                )


def _guided(plan: NightPlan) -> Iterator[tuple[Visit, Step, Star, Request | None]]:
    """Every step with its star, and the request where a guide star beside the target is followed."""
    for visit in plan.visits:
        request = named(plan.scenario.requests, visit.target)
        for step in visit.steps:
            star = _star(plan, step.object)
            if star is not None:
                beside = request is not None and request.extras.guide_star is not None
                yield visit, step, star, request if beside and step.role == "science" else None


def apart_arcsec(star: Star, ra_deg: float, dec_deg: float) -> float:
    """Return the angle between a star's catalogue place and another, by astropy."""
    one, other = (
        SkyCoord(ra * u.deg, dec * u.deg) for ra, dec in ((star.ra_deg, star.dec_deg), (ra_deg, dec_deg))
    )
    return float(one.separation(other).to_value(u.arcsec))


def sensor_cases(plan: NightPlan) -> Iterator[Case]:
    """The beam-position sensor has room for all beams and sees the brightest star in them."""
    array = plan.scenario.array
    for visit in plan.visits:
        combiner, request = (
            named(array.combiners, visit.combiner),
            named(plan.scenario.requests, visit.target),
        )
        if combiner is None or combiner.beam_sensor is None:
            continue
        sensor = named(array.beam_sensors, combiner.beam_sensor)
        if sensor is None:
            yield holds(False, f"{visit.id}: there is no beam-position sensor {combiner.beam_sensor!r}")
            continue
        second = None if request is None else request.extras.second_star
        beams = len(visit.subarray) * (1 if second is None else 2)
        yield holds(beams <= sensor.beams, f"{visit.id}: {beams} beams, {sensor.name} serves {sensor.beams}")
        faintest = _faintest(sensor.limiting_magnitude, _classes(array, visit))
        for step in visit.steps:
            star = _star(plan, step.object)
            if star is None:
                continue
            seen = [star.mag.get(sensor.band)]
            if second is not None and step.role == "science":
                seen.append(second.mag.get(sensor.band))
            brightest = min((one for one in seen if one is not None), default=None)
            yield _bright(f"{title(visit, step)}: {sensor.band}", brightest, faintest, sensor.name)
            if brightest is not None:
                light = (f"{title(visit, step)}: {sensor.name}", sensor.band, {sensor.band: brightest})
                yield from _dim(array, visit, light, sensor.brightest_magnitude)
