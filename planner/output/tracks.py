"""The plan's visits as indices into the night's arrays, and the hours that figures share.

Hours count from 0 h UTC of the day of the first tick and go on past 24.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy import units as u
from astropy.coordinates import Longitude
from astropy.time import Time, TimeDelta

from planner.constraints.tonight import NightLimits
from planner.geometry.baselines import baseline_vectors_m, pairs
from planner.geometry.uv import uvw_m
from planner.scenario.local_time import zone_named
from planner.scheduling.candidates import RequestOffer, pair_columns, usable_ticks
from planner.scheduling.plan import NightPlan, Step, Visit, moment
from planner.scheduling.routes import Setting
from planner.sky.bodies import bodies
from planner.sky.directions import SunAndMoon, place_of
from planner.sky.earth import offline_earth
from planner.sky.earth_curve import earth_curve
from planner.units import DAY_S

SIDEREAL_HOURS_PER_HOUR = 1.00273790935  # mean sidereal to UT1, IERS Conventions (2010), ch. 5
SUNSET_DEG = -0.833  # upper limb on the horizon with 34 arcmin of refraction: the almanacs' definition
TWILIGHT_MAX_H = 2.0  # how much of the evening and the morning is drawn at most


@dataclass(frozen=True)
class StepTrack:
    """One step: its star in ``sky.stars``, its first and last tick, its times in hours.

    ``swap`` holds first and last tick of the time in which two stars change
    places and nothing is recorded, None without a swap. ``opens`` is the key
    of the next visit when the exposure opens that as well, "" otherwise.
    """

    step: Step
    star: int
    first: int
    last: int
    setup_h: float
    start_h: float
    end_h: float
    swap: tuple[int, int] | None = None
    opens: str = ""

    @property
    def science(self) -> bool:
        """Whether the science star is recorded."""
        return self.step.role == "science"

    def ticks(self, every: int = 1) -> np.ndarray:
        """Return the ticks of the step, one in ``every``, both ends included."""
        inside = np.arange(self.first, self.last + 1)
        return np.unique(np.append(inside[::every], inside[-1:]))

    def recorded(self, every: int = 1) -> np.ndarray:
        """Return the ticks of the step while something is recorded, both ends included."""
        ticks = self.ticks(every)
        return ticks if self.swap is None else ticks[(ticks <= self.swap[0]) | (ticks >= self.swap[1])]


@dataclass(frozen=True)
class VisitTrack:
    """One visit.

    Attributes
    ----------
    key : str
        V01, V02, ...: the visit's number.
    request : int
        Index in ``scenario.requests``, which is also the index of its star.
    telescopes : ndarray (beam,)
        Index in the placement.
    lines : tuple of int
        Index in ``array.delay_lines``, same order.
    beam_path_m : ndarray (beam,)
        Constant path of each beam: its path segment and its input of the combiner.
    steps : tuple of StepTrack
    """

    key: str
    visit: Visit
    request: int
    telescopes: np.ndarray
    lines: tuple[int, ...]
    beam_path_m: np.ndarray
    steps: tuple[StepTrack, ...]

    @property
    def science(self) -> StepTrack:
        """The step on the science star."""
        return next(step for step in self.steps if step.science)

    @property
    def drawn(self) -> tuple[tuple[StepTrack, tuple[str, ...]], ...]:
        """The steps that figures draw for this visit, and the visits each belongs to.

        An exposure that closes one visit and opens the next is made once: the earlier one draws it, for both.
        """
        return tuple(
            (step, (self.key, step.opens) if step.opens else (self.key,))
            for step in self.steps
            if not step.step.shared
        )

    @property
    def start_h(self) -> float:
        """When the first step starts recording."""
        return self.steps[0].start_h

    @property
    def drawn_from_h(self) -> float:
        """Where its own marks begin: at the end of the exposure that it shares with the visit before."""
        return self.steps[0].end_h if self.steps[0].step.shared else self.start_h

    @property
    def end_h(self) -> float:
        """When the last step ends."""
        return self.steps[-1].end_h


@dataclass(frozen=True)
class Twilight:
    """Sun and Moon from sunset to sunrise, a little more than the dark hours.

    Attributes
    ----------
    hours : ndarray (time,)
    bodies : SunAndMoon
    dark_h : (float, float)
        Start and end of the dark hours.
    sidereal_h : float
        Apparent local sidereal time at ``hours[0]``.
    """

    hours: np.ndarray
    bodies: SunAndMoon
    dark_h: tuple[float, float]
    sidereal_h: float

    @property
    def span_h(self) -> tuple[float, float]:
        """First and last hour."""
        return float(self.hours[0]), float(self.hours[-1])

    def sidereal_at(self, hour: float) -> float:
        """Return the local sidereal time at an hour, 0 to 24."""
        return (self.sidereal_h + (hour - self.hours[0]) * SIDEREAL_HOURS_PER_HOUR) % 24.0


def clock(text: str) -> str:
    """Return a time of the plan as HH:MM, with seconds where there are any.

    Examples
    --------
    >>> clock("2027-03-12T01:45:00Z"), clock("2027-03-12T01:45:30Z")
    ('01:45', '01:45:30')
    """
    when = moment(text)
    return when.strftime("%H:%M:%S" if when.second else "%H:%M")


def local_clock(text: str, time_zone: str | None) -> str:
    """Return what clocks at the site show at a time of the plan, to the minute; "" without a zone.

    Examples
    --------
    >>> local_clock("2027-03-12T01:45:30Z", "Etc/GMT+5"), local_clock("2027-03-12T01:45:30Z", None)
    ('20:45', '')
    """
    return "" if time_zone is None else moment(text).astimezone(zone_named(time_zone)).strftime("%H:%M")


def to_minute(text: str) -> str:
    """Return a time of the plan as HH:MM, rounded to the minute."""
    return (moment(text) + datetime.timedelta(seconds=30)).strftime("%H:%M")


def minutes_between(earlier: str, later: str) -> float:
    """Return minutes from one time of the plan to another."""
    return (moment(later) - moment(earlier)).total_seconds() / 60.0


def _midnight(limits: NightLimits) -> datetime.datetime:
    with offline_earth():
        first = limits.sky.times[0].utc
    return datetime.datetime.fromisoformat(first.strftime("%Y-%m-%dT00:00:00+00:00"))


def tick_hours(limits: NightLimits) -> np.ndarray:
    """Return the hour of each tick, (time,)."""
    sky = limits.sky
    first = round((sky.times[0].utc.mjd % 1.0) * DAY_S)
    return (first + np.arange(len(sky.times)) * sky.tick_s) / 3600.0


def visit_tracks(limits: NightLimits, plan: NightPlan) -> tuple[VisitTrack, ...]:
    """Find every visit of the plan in the night's arrays."""
    tracks = [_visit_track(limits, visit) for visit in plan.visits]
    for place, following in enumerate(tracks[1:]):
        if following.steps[0].step.shared:
            *steps, last = tracks[place].steps
            steps.append(dataclasses.replace(last, opens=following.key))
            tracks[place] = dataclasses.replace(tracks[place], steps=tuple(steps))
    return tuple(tracks)


def _visit_track(limits: NightLimits, visit: Visit) -> VisitTrack:
    scenario = limits.scenario
    names = [request.name for request in scenario.requests]
    beams = sorted(visit.steps[0].beams, key=lambda beam: beam.combiner_input)
    lines = [line.name for line in scenario.array.delay_lines]
    combiner = scenario.array.combiner(visit.combiner, visit.spectral_setup)
    segments = [segment.name for segment in scenario.array.path_segments]
    setting = Setting(
        lines=tuple(lines.index(beam.delay_line) for beam in beams),
        inputs=tuple(beam.combiner_input - 1 for beam in beams),
        segments=tuple(
            -1 if beam.path_segment is None else segments.index(beam.path_segment) for beam in beams
        ),
    )
    midnight = _midnight(limits)
    return VisitTrack(
        key=visit.id,
        visit=visit,
        request=names.index(visit.target),
        telescopes=limits.placement.index(tuple(beam.telescope for beam in beams)),
        lines=setting.lines,
        beam_path_m=np.array(setting.beam_path_m(scenario.array, combiner)),
        steps=tuple(_step_track(limits, step, midnight) for step in visit.steps),
    )


def _step_track(limits: NightLimits, step: Step, midnight: datetime.datetime) -> StepTrack:
    sky, requests = limits.sky, len(limits.scenario.requests)
    names = [star.name for star in sky.stars]
    setup, start, end = (
        (moment(text) - midnight).total_seconds() / 3600.0
        for text in (step.setup_start_utc, step.start_utc, step.end_utc)
    )
    first_tick_h = tick_hours(limits)[0]

    def tick(hour: float) -> int:
        return round((hour - first_tick_h) * 3600.0 / sky.tick_s)

    swap = None
    if step.swap_start_utc is not None and step.swap_end_utc is not None:
        ends = (hour_of(limits, text) for text in (step.swap_start_utc, step.swap_end_utc))
        first_swap, last_swap = (tick(hour) for hour in ends)
        swap = first_swap, last_swap
    star = names.index(step.object, 0 if step.role == "science" else requests)
    return StepTrack(step, star, tick(start), tick(end), setup, start, end, swap)


def hour_of(limits: NightLimits, text: str) -> float:
    """Return the hour of a time of the plan."""
    return (moment(text) - _midnight(limits)).total_seconds() / 3600.0


def delay_m(limits: NightLimits, track: VisitTrack, step: StepTrack, ticks: np.ndarray) -> np.ndarray:
    """Return the optical path in the lines, K + g, at some ticks, (tick, beam), metres of light."""
    path = limits.path_m[step.star][ticks][:, track.telescopes] - track.beam_path_m
    return step.step.common_offset_m + path


def planned_uv_m(limits: NightLimits, track: VisitTrack, ticks: np.ndarray) -> np.ndarray:
    """Return (u, v) of the visit's baselines at some ticks of its science star, (tick, baseline, 2)."""
    vectors = baseline_vectors_m(limits.placement.vectors_m[track.telescopes])
    boost = limits.sky.frame.boost[ticks]
    return uvw_m(limits.sky.icrs_rad[[track.request]], boost, vectors)[0, :, :, :2]


def reachable_uv_m(limits: NightLimits, offer: RequestOffer, every: int) -> np.ndarray:
    """Return (u, v) of every pair of telescopes while some subarray with it could follow the target.

    Parameters
    ----------
    limits : NightLimits
    offer : RequestOffer
    every : int
        One tick in so many is kept.

    Returns
    -------
    ndarray (tick, pair, 2)
        NaN where no subarray with the pair is usable.
    """
    placement = limits.placement
    ticks = np.arange(0, len(limits.sky.times), every)
    usable = np.zeros((len(ticks), len(pairs(len(placement.telescopes)))), dtype=bool)
    for subarray in (*offer.subarrays, *offer.further):
        columns = pair_columns(len(placement.telescopes), subarray.telescopes)
        usable[:, columns] |= usable_ticks(limits, subarray, offer.request)[ticks][:, None]
    vectors = baseline_vectors_m(placement.vectors_m)
    boost = limits.sky.frame.boost[ticks]
    uv = uvw_m(limits.sky.icrs_rad[[offer.request]], boost, vectors)[0, :, :, :2]
    return np.where(usable[..., None], uv, np.nan)


def twilight(limits: NightLimits, plan: NightPlan) -> Twilight:
    """Return Sun and Moon from sunset (or two hours before the dark) to sunrise, every two minutes."""
    place, midnight = place_of(limits.scenario.array.site), _midnight(limits)
    dark = [
        (moment(text) - midnight).total_seconds() / 3600.0
        for text in (plan.night.start_utc, plan.night.end_utc)
    ]
    hours = np.arange(dark[0] - TWILIGHT_MAX_H, dark[1] + TWILIGHT_MAX_H, 1.0 / 30.0)
    times = _times(limits, hours)
    with offline_earth():
        start, seconds = times[0], (hours - hours[0]) * 3600.0
        rotation = earth_curve(place, start, times[-1]).frame_at(seconds).rotation
    seen = bodies(place, start, times[-1]).at(seconds, rotation)
    middle = int(np.searchsorted(hours, np.mean(dark)))
    up = seen.sun_altitude_deg > SUNSET_DEG
    before, after = np.flatnonzero(up[:middle]), np.flatnonzero(up[middle:])
    kept = slice(int(before[-1]) if len(before) else 0, middle + int(after[0]) + 1 if len(after) else None)
    return Twilight(
        hours=hours[kept],
        bodies=SunAndMoon(
            seen.sun_altitude_deg[kept],
            seen.moon_altitude_deg[kept],
            seen.moon_direction[kept],
            seen.moon_illumination[kept],
        ),
        dark_h=(dark[0], dark[1]),
        sidereal_h=sidereal_time_h(times[kept][0], place.longitude_deg),
    )


def _times(limits: NightLimits, hours: np.ndarray) -> Time:
    with offline_earth():
        zero = limits.sky.times[0].utc - TimeDelta(tick_hours(limits)[0] * 3600.0, format="sec")
        return zero + TimeDelta(hours * 3600.0, format="sec")


def sidereal_of(limits: NightLimits, times_utc: Sequence[str]) -> tuple[str, ...]:
    """Return the apparent local sidereal time at times of the plan as HH:MM, rounded to the minute."""
    if not times_utc:
        return ()
    longitude = Longitude(limits.scenario.array.site.longitude_deg * u.deg)
    times = _times(limits, np.array([hour_of(limits, text) for text in times_utc]))
    with offline_earth():
        found = times.sidereal_time("apparent", longitude=longitude).to_value("hourangle")
    minutes = [round(hour * 60.0) % 1440 for hour in found.tolist()]
    return tuple(f"{minute // 60:02d}:{minute % 60:02d}" for minute in minutes)


def sidereal_time_h(time: Time, longitude_deg: float) -> float:
    """Return the apparent sidereal time at a longitude (east positive), hours."""
    with offline_earth():
        found = time.sidereal_time("apparent", longitude=Longitude(longitude_deg * u.deg))
    return float(found.to_value("hourangle"))
