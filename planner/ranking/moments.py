"""A night on its slots, for every request and every seat: where each may be used, packed as bits.

Bits stand for slots, eight to a byte, request by request. What concerns one
seat, a pair of seats (shadows, delay range, classes) or the request is met
into pairs, so that a subarray on given strokes is the AND of its pairs
(Helly's theorem in one dimension).

Beside the requests stand rows for the calibrators that their visits need: a
calibrator is judged by the limits of the request that it is for, so requests
with the same limits share its row.

Shadows: fixed telescopes are always there; of the movable ones each is judged
beside the fixed, two together are not. A plan judges all of them together.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.brightness import bright_enough
from planner.constraints.darkness import moon_separation_deg
from planner.constraints.delay_range import difference_range_m, extreme_over_step, path_rate_m_per_s
from planner.constraints.horizon import altitude_lower, altitude_upper, azimuth_drive, skyline
from planner.constraints.instrument import bracket_distance_deg
from planner.constraints.shadowing import hidden_by, rays_of
from planner.constraints.tonight import NightLimits
from planner.constraints.two_stars import second_pair_free
from planner.constraints.verdict import Verdict, all_allowed
from planner.constraints.windows import reserved_time
from planner.geometry.delays import path_m
from planner.geometry.placement import Placement
from planner.ranking.answers import Seat
from planner.scenario.targets import Request, Scenario, Star
from planner.sky.curve import sky_curve
from planner.sky.directions import place_of
from planner.sky.earth_curve import seconds_after
from planner.sky.night import NightSky, dark_hours, ticks_of

Stroke = tuple[float, float]


@dataclass(frozen=True)
class Moments:
    """One night on its slots.

    Attributes
    ----------
    scenario : Scenario
    placement : Placement
        Every seat.
    sky : NightSky
        Star k is the target of the k-th request counted, then come calibrators; times are the slots.
    path_m : ndarray (star, slot, seat)
    seat : ndarray of uint8 (seat, row, byte)
        Where a seat may be used, limits of the request included. Row k is the k-th request counted; then
        come those of calibrators.
    together : ndarray of uint8 (pair, row, byte)
        Where two seats may be used together, delay lines aside; pairs i < j in lexicographic order.
    rate_m_per_s : ndarray (star, slot, seat)
        How fast the path of a seat changes.
    requests : tuple of Request
        The request of each row; those counted come first, in order.
    star_of : ndarray (row,)
        Which star each row is about.
    near : tuple of tuple of int
        For each request counted the rows of the calibrators within the bracket distance, nearest first.
    """

    scenario: Scenario
    placement: Placement
    sky: NightSky
    path_m: np.ndarray
    seat: np.ndarray
    together: np.ndarray
    rate_m_per_s: np.ndarray
    requests: tuple[Request, ...]
    star_of: np.ndarray
    near: tuple[tuple[int, ...], ...]

    @property
    def slots(self) -> int:
        """How many slots the night has."""
        return int(self.path_m.shape[1])


def moments_of(
    scenario: Scenario, date: datetime.date, seats: Sequence[Seat], placement: Placement, asked: Sequence[int]
) -> Moments:
    """Evaluate a night on its slots.

    Parameters
    ----------
    scenario : Scenario
    date : datetime.date
        Local date of the evening.
    seats : sequence of Seat
    placement : Placement
        From ``seats.seating``.
    asked : sequence of int
        Requests counted, index in the scenario.

    Raises
    ------
    NoNight
    """
    site, settings = scenario.array.site, scenario.night
    dark = dark_hours(place_of(site), date, settings.sun_altitude_max_deg)
    times, _ = ticks_of(dark, settings.slot_s, settings.slot_s)
    calibrators = calibrators_near(scenario, asked)
    stars = [scenario.requests[row].star for row in asked] + [scenario.calibrators[k] for k in calibrators]
    curve = sky_curve(place_of(site), dark, stars)
    first = seconds_after(dark.start, times[0])
    sky = curve.at(range(len(stars)), first + settings.slot_s * np.arange(len(times), dtype=float))
    rows, near = _rows(scenario, sky, asked)
    star_of = np.array([star for _, star in rows], dtype=int)
    shadow_free, pair_free = _shadows(sky, placement, seats)
    of_seats = (
        altitude_lower(sky, placement),
        altitude_upper(sky, placement),
        skyline(sky, placement, site.horizon_deg),
        azimuth_drive(sky, placement, site.latitude_deg),
    )
    allowed = (all_allowed(of_seats) & shadow_free)[star_of]
    allowed &= _of_rows(scenario, sky, placement, of_seats, rows)[:, :, None]
    allowed &= _accepted(scenario, seats, rows, sky)[:, None, :]
    pair_free = pair_free[:, star_of]
    for star, row in enumerate(asked):
        free = second_pair_free(scenario, sky, placement.vectors_m, scenario.requests[row], star)
        if free is not None:
            pair_free[:, star] &= free
    reserved = reserved_time(sky.times, [seat.telescope or "" for seat in seats], scenario.reserved)
    if reserved is not None:
        allowed &= reserved.allowed[None]
    seat = np.packbits(np.moveaxis(allowed, -1, 0), axis=-1)
    together = np.packbits(pair_free, axis=-1)
    for number, (i, j) in enumerate(itertools.combinations(range(len(seats)), 2)):
        together[number] &= seat[i] & seat[j]
        if seats[i].telescope_class != seats[j].telescope_class:
            together[number][~_mixed(scenario, rows)] = 0
        if seats[i].station == seats[j].station:
            together[number] = 0
    return Moments(
        scenario=scenario,
        placement=placement,
        sky=sky,
        path_m=path_m(sky.direction, placement.vectors_m, placement.fixed_path_m),
        seat=seat,
        together=together,
        rate_m_per_s=path_rate_m_per_s(sky.direction, placement.vectors_m, site.latitude_deg),
        requests=tuple(scenario.requests[row] for row, _ in rows),
        star_of=star_of,
        near=near,
    )


def calibrators_near(scenario: Scenario, asked: Sequence[int]) -> tuple[int, ...]:
    """Return the calibrators that could be within the bracket distance of some target, index in the scenario.

    By catalogue places; a degree more is taken, for motions and aberration.
    """
    if not scenario.calibrators or not len(asked):
        return ()
    targets = _catalogue([scenario.requests[row].star for row in asked])
    cosine = targets @ _catalogue(scenario.calibrators).T
    widest = np.cos(np.deg2rad(min(scenario.limits.bracket_distance_max_deg + 1.0, 180.0)))
    return tuple(int(k) for k in np.flatnonzero((cosine >= widest).any(axis=0)))


def _catalogue(stars: Sequence[Star]) -> np.ndarray:
    """Unit vectors of catalogue places, (star, 3)."""
    right, up = np.deg2rad([[star.ra_deg, star.dec_deg] for star in stars]).T
    return np.stack([np.cos(up) * np.cos(right), np.cos(up) * np.sin(right), np.sin(up)], axis=-1)


Row = tuple[int, int]  # request, index in the scenario; star, index in the sky


def _rows(
    scenario: Scenario, sky: NightSky, asked: Sequence[int]
) -> tuple[list[Row], tuple[tuple[int, ...], ...]]:
    """Rows of a night: the requests, then their calibrators; and the calibrators of each, nearest first."""
    rows: list[Row] = [(request, star) for star, request in enumerate(asked)]
    stars = np.arange(len(asked), len(sky.stars))
    middle = len(sky.times) // 2
    known: dict[tuple[object, int], int] = {}
    near = []
    for target, request in enumerate(asked):
        distance = bracket_distance_deg(sky.direction[:, middle], target, stars)
        order = np.argsort(distance, kind="stable")
        order = order[distance[order] <= scenario.limits.bracket_distance_max_deg]
        alike = _alike(scenario.requests[request])
        found = []
        for star in stars[order].tolist():
            if (alike, star) not in known:
                known[alike, star] = len(rows)
                rows.append((request, star))
            found.append(known[alike, star])
        near.append(tuple(found))
    return rows, tuple(near)


def _alike(wish: Request) -> tuple[object, ...]:
    """What the limits of a calibrator depend on: requests that agree in it share its row."""
    own = wish.extras
    limits = (own.moon_separation_min_deg, own.moon_illumination_max, own.airmass_max, repr(own.windows))
    return (wish.combiner, own.spectral_setup, own.tracking, own.second_star is not None, *limits)


def _of_rows(
    scenario: Scenario,
    sky: NightSky,
    placement: Placement,
    of_seats: tuple[Verdict, ...],
    rows: Sequence[Row],
) -> np.ndarray:
    """Where the limits of each row are kept, (row, slot)."""
    limits = NightLimits(
        scenario=scenario,
        sky=sky,
        placement=placement,
        sun=Verdict("Sun", "deg", np.zeros(len(sky.times)), ("time",)),
        of_telescopes=of_seats,
        telescope_allowed=np.empty(0),
        moon_separation_deg=moon_separation_deg(sky),
        path_m=np.empty(0),
    )
    found = []
    for request, star in rows:
        wish = scenario.requests[request]
        science = sky.stars[star] is wish.star
        found.append(all_allowed((*limits.of_request(wish, star, science=science), limits.window(wish))))
    return np.array(found)


def _accepted(scenario: Scenario, seats: Sequence[Seat], rows: Sequence[Row], sky: NightSky) -> np.ndarray:
    """Which seats each row accepts: bright enough for the class, and among the telescopes asked for."""
    found = np.zeros((len(rows), len(seats)), dtype=bool)
    movable = {t.name: t.telescope_class for t in scenario.array.telescopes if t.movable}
    known = {own.name: own for own in scenario.array.telescope_classes}
    classes_of = [known[seat.telescope_class] for seat in seats]
    for row, (request, star) in enumerate(rows):
        wish = scenario.requests[request]
        science = sky.stars[star] is wish.star
        found[row] = bright_enough(scenario, wish, [sky.stars[star]], science, classes_of)[0]
        if not science:
            continue
        if wish.extras.second_star is not None:
            found[row] &= [scenario.array.station(seat.station).inlet_beams == 2 for seat in seats]
        if wish.extras.telescopes:
            classes = {movable[name] for name in wish.extras.telescopes if name in movable}
            found[row] &= [
                seat.telescope in wish.extras.telescopes
                if seat.telescope
                else seat.telescope_class in classes
                for seat in seats
            ]
    return found


def _mixed(scenario: Scenario, rows: Sequence[Row]) -> np.ndarray:
    """Whether the combiner of each row takes telescopes of different classes, (row,)."""
    wishes = [scenario.requests[request] for request, _ in rows]
    return np.array([scenario.combiner_of(wish).mixed_classes for wish in wishes], dtype=bool)


def _shadows(sky: NightSky, placement: Placement, seats: Sequence[Seat]) -> tuple[np.ndarray, np.ndarray]:
    """Where fixed telescopes leave each seat free, (star, time, seat), and each pair, (pair, star, time)."""
    shape = sky.direction.shape[:2]
    rays = rays_of(sky)
    fixed = [k for k, seat in enumerate(seats) if seat.telescope is not None]
    limit = [own.obstruction_max for own in placement.classes]

    def free(own: int, others: Sequence[int]) -> np.ndarray:
        apart = [k for k in others if seats[k].station != seats[own].station]
        return (hidden_by(rays, placement, own, apart) <= limit[own]).reshape(shape)

    alone = np.stack([free(k, fixed) for k in range(len(seats))], axis=-1)
    pairs = []
    for i, j in itertools.combinations(range(len(seats)), 2):
        kept = np.ones(shape, dtype=bool)
        for own, other in ((i, j), (j, i)):
            if seats[other].telescope is None and seats[own].station != seats[other].station:
                kept &= free(own, [*fixed, other])
        pairs.append(kept)
    return alone, np.array(pairs, dtype=bool).reshape(-1, *shape)


def pair_bits(
    moments: Moments, rows: np.ndarray, strokes: tuple[Stroke, Stroke], constant_m: float, steps: int = 0
) -> np.ndarray:
    """Return where each pair of seats can be used on lines of these strokes, (pair, row, byte).

    With ``steps`` the lines have to have a common offset that can be held for so many slots from there on.

    Parameters
    ----------
    moments : Moments
    rows : ndarray (row,)
        Positions of the requests wanted.
    strokes : (stroke, stroke)
        Of the first and the second seat of each pair.
    constant_m : float
        Constant path of the second beam's input minus that of the first.
    steps : int
        0: at an instant.
    """
    low, high = difference_range_m(strokes, constant_m)
    together = moments.together[:, rows]
    found = np.empty_like(together)
    path = moments.path_m[moments.star_of[rows]]
    if not steps:
        path = np.ascontiguousarray(np.moveaxis(path, -1, 0))
        for number, (i, j) in enumerate(itertools.combinations(range(len(path)), 2)):
            difference = path[i] - path[j]
            found[number] = np.packbits((difference >= low) & (difference <= high), axis=-1)
        return found & together
    # A common offset K keeps both lines in range while it is held when the shortest path of the one and the
    # longest of the other agree with their strokes; what begins too late for the night has no room.
    least, most = (
        np.ascontiguousarray(np.moveaxis(extreme_over_step(extreme, path, steps), -1, 0))
        for extreme in (np.minimum, np.maximum)
    )
    late = moments.slots - least.shape[2]
    for number, (i, j) in enumerate(itertools.combinations(range(len(least)), 2)):
        kept = (least[i] - most[j] >= low) & (most[i] - least[j] <= high)
        for beam, (shortest, longest) in zip((i, j), strokes, strict=True):
            kept &= most[beam] - least[beam] <= longest - shortest
        found[number] = np.packbits(np.pad(kept, ((0, 0), (0, late))), axis=-1)
    return found


def rate_bits(moments: Moments, rows: np.ndarray, path_m_per_s: float) -> np.ndarray:
    """Return where a carriage that can follow so fast serves each seat, (seat, row, byte)."""
    rate = moments.rate_m_per_s[moments.star_of[rows]]
    return np.packbits(np.moveaxis(rate, -1, 0) <= path_m_per_s, axis=-1)
