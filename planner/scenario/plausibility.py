"""What can be read and is hardly meant: one star under two names, hours for degrees, a window elsewhere.

A star that would calibrate itself is a problem. Everything else is a warning:
it may be meant, and ``planner check`` tells it without refusing the scenario.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from planner.errors import Problem
from planner.scenario.checks import Draft
from planner.scenario.messages import shown
from planner.scenario.night import Window
from planner.scenario.parts import Item
from planner.scenario.targets import Scenario, Star
from planner.units import RAD_PER_ARCSEC, RAD_PER_MAS

# Nearer than this two rows are one star: beyond it a companion could be resolved and meant.
ONE_STAR_ARCSEC = 2.0
# Larger than any star in the sky but the Sun: R Doradus has 57 mas (Bedding et al. 1997, MNRAS 286, 957).
LARGE_DIAMETER_MAS = 100.0
HOURS = 24.0
COMPARED = 4_000_000  # pairs of target and calibrator: more are not compared


@dataclass(frozen=True)
class ListedStar:
    """A star of the scenario with the table it is in, the file, and its row or line there."""

    role: str
    file: str
    row: str
    star: Star


def listed_stars(draft: Draft) -> list[ListedStar]:
    """Return all stars that could be read, in the order of the files."""
    return [
        ListedStar(role, item.place.file, item.place.key, item.part)
        for role in ("targets", "calibrators")
        for item in draft.rows.get(role, ())
        if isinstance(item.part, Star)
    ]


def self_calibration_problems(draft: Draft) -> list[Problem]:
    """Return a problem for each calibrator that is a target."""
    targets, calibrators = (
        [one for one in listed_stars(draft) if one.role == role] for role in ("targets", "calibrators")
    )
    problems = []
    for one, first, apart in _same_place(calibrators, targets, _year(draft)):
        found = f"{shown(one.star.name)} is {apart:.1f} arcsec from target {_named(first)}"
        remedy = "A star cannot calibrate itself: take it out of one of the two tables."
        problems.append(Problem(one.file, one.row, found, remedy))
    return problems


def plausibility_warnings(draft: Draft, scenario: Scenario) -> list[Problem]:
    """Return what is hardly meant in a scenario without a problem.

    Parameters
    ----------
    draft : Draft
        What the scenario was made of: it knows files and rows.
    scenario : Scenario
    """
    stars = listed_stars(draft)
    return [
        *_twice(draft, stars),
        *_hours(draft, stars),
        *_far_calibrators(scenario, stars),
        *_sizes(scenario, stars),
        *_other_nights(draft, scenario),
    ]


def _year(draft: Draft) -> float | None:
    date = next((item.sure("date") for item in draft.items("night") if "date" in item.raw), None)
    return date.year + (date.month - 0.5) / 12.0 if isinstance(date, datetime.date) else None


def _named(one: ListedStar) -> str:
    return f"{shown(one.star.name)} ({one.file}, {one.row})"


def _directions(stars: Sequence[ListedStar], year: float | None) -> np.ndarray:
    """Unit vectors, (star, 3), at a year or, without one, as catalogued; motion as a straight line."""
    rows = [one.star for one in stars]
    ra, dec = (np.deg2rad([getattr(star, key) for star in rows]) for key in ("ra_deg", "dec_deg"))
    along = np.stack([-np.sin(ra), np.cos(ra), np.zeros(len(rows))], axis=-1)
    up = np.stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=-1)
    place = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)
    if year is None:
        return np.asarray(place)
    since = np.array([year - star.epoch_yr for star in rows])[:, None] * RAD_PER_MAS
    motion = np.array([[star.pmra_mas_per_yr, star.pmdec_mas_per_yr] for star in rows]).reshape(-1, 2)
    moved = place + since * (motion[:, :1] * along + motion[:, 1:] * up)
    return np.asarray(moved / np.linalg.norm(moved, axis=-1, keepdims=True))


def _same_place(
    stars: Sequence[ListedStar], others: Sequence[ListedStar], year: float | None
) -> Iterator[tuple[ListedStar, ListedStar, float]]:
    """Stars at the place of another one, as catalogued or in the night, with the first such and the angle.

    Only the first star of each small cube of the sky is kept to be compared with: one
    that is doubled a thousand times costs no more than two.
    """
    side = ONE_STAR_ARCSEC * RAD_PER_ARCSEC
    found: dict[int, tuple[ListedStar, float]] = {}
    for when in (None, year) if year is not None else (None,):
        cubes: dict[tuple[int, ...], tuple[int, np.ndarray]] = {}
        known = _directions(others, when)
        same = stars is others
        if not same:
            for number, place in enumerate(known):
                cubes.setdefault(tuple(np.floor(place / side).astype(int)), (number, place))
        for number, place in enumerate(known if same else _directions(stars, when)):
            cube = np.floor(place / side).astype(int)
            near = [
                entry
                for shift in NEIGHBOURS
                if (entry := cubes.get((cube[0] + shift[0], cube[1] + shift[1], cube[2] + shift[2])))
            ]
            if near:
                apart, first = min((float(np.linalg.norm(place - other)), k) for k, other in near)
                if apart <= side and number not in found:
                    found[number] = (others[first], apart / RAD_PER_ARCSEC)
            if same:
                cubes.setdefault(tuple(cube), (number, place))
    for number in sorted(found):
        yield stars[number], *found[number]


NEIGHBOURS = [(a, b, c) for a in (-1, 0, 1) for b in (-1, 0, 1) for c in (-1, 0, 1)]


def _twice(draft: Draft, stars: Sequence[ListedStar]) -> Iterator[Problem]:
    """One star under two names, and names that differ in capitals or spaces only."""
    for role in ("targets", "calibrators"):
        own = [one for one in stars if one.role == role]
        for one, first, apart in _same_place(own, own, _year(draft)):
            found = f"{shown(one.star.name)} is {apart:.1f} arcsec from {_named(first)}"
            yield Problem(one.file, one.row, found, "Is it one star under two names?")
    known: dict[str, ListedStar] = {}
    for one in stars:
        key = "".join(one.star.name.casefold().split()).replace("_", "")
        first = known.setdefault(key, one)
        if first is one:
            continue
        apart = math.degrees(_angle(first.star, one.star))
        if first.role == one.role:
            found = (
                f"is called {shown(one.star.name)}, which differs from {_named(first)} by capitals or spaces"
            )
            yield Problem(one.file, one.row, f"{found}, {apart:.2g} deg away", "Is it the same star?")
        else:
            found = f"has the name of target {_named(first)}, {apart:.2g} deg away"
            yield Problem(one.file, one.row, found, "One of the two places is wrong, or one of the names.")


def _angle(one: Star, other: Star) -> float:
    """Angle between two stars in radians, as catalogued."""
    pair = [ListedStar("", "", "", star) for star in (one, other)]
    first, second = _directions(pair, None)
    return 2.0 * math.asin(min(1.0, float(np.linalg.norm(first - second)) / 2.0))


def _hours(draft: Draft, stars: Sequence[ListedStar]) -> Iterator[Problem]:
    """Tables in which every right ascension would also be one in decimal hours."""
    for table in draft.tables.values():
        plain = [row.values["ra"] for row in table.rows if "ra" in row.values and "ra" not in row.written]
        if plain and max(plain) < HOURS:
            found = f"is below {HOURS:g} in every row, and read as degrees"
            remedy = "If hours are meant, write them like 05:16:41.36, or give the column the unit hourangle."
            yield Problem(table.file, "ra", found, remedy)


def _far_calibrators(scenario: Scenario, stars: Sequence[ListedStar]) -> Iterator[Problem]:
    """Targets that find a calibrator only if their right ascension is taken for hours."""
    targets, calibrators = ([one for one in stars if one.role == role] for role in ("targets", "calibrators"))
    if not calibrators or len(targets) * len(calibrators) > COMPARED:
        return
    reach = math.cos(math.radians(scenario.limits.bracket_distance_max_deg))
    sky = _directions(calibrators, None)
    near = (_directions(targets, None) @ sky.T).max(axis=1) >= reach
    for one, fine in zip(targets, near, strict=True):
        if fine or one.star.ra_deg >= HOURS:
            continue
        hours = one.star.model_copy(update={"ra_deg": 15.0 * one.star.ra_deg})
        if (_directions([ListedStar("", "", "", hours)], None) @ sky.T).max() >= reach:
            found = (
                f"is {one.star.ra_deg:g}, read as degrees: no calibrator is near, but one at so many hours"
            )
            yield Problem(
                one.file, f"{one.row}, ra", found, "If hours are meant, write them like 05:16:41.36."
            )


def _sizes(scenario: Scenario, stars: Sequence[ListedStar]) -> Iterator[Problem]:
    """Diameters that no star has, and fields that no baseline of the array looks into."""
    for one in stars:
        size = one.star.diameter_mas
        if size is not None and size > LARGE_DIAMETER_MAS:
            found = f"is {size:g} mas, and no star has more than {LARGE_DIAMETER_MAS:g}"
            yield Problem(one.file, f"{one.row}, diameter", found, "Is its unit another one?")
    pads = np.array([[s.east_m, s.north_m, s.up_m] for s in scenario.array.stations])
    longest_m = float(np.linalg.norm(np.ptp(pads, axis=0)))
    targets = [one for one in stars if one.role == "targets"]
    for one, request in zip(targets, scenario.requests, strict=True):
        shortest_um = min(scenario.combiner_of(request).wavelengths_um)
        least_mas = shortest_um * 1e-6 / max(longest_m, 1.0) / 2.0 / RAD_PER_MAS
        if request.field_mas < least_mas:
            found = f"is {request.field_mas:g} mas, and the array resolves {least_mas:.2g} mas at best"
            remedy = "Every visit then fills the same cells: is its unit another one?"
            yield Problem(one.file, f"{one.row}, field", found, remedy)


def _other_nights(draft: Draft, scenario: Scenario) -> Iterator[Problem]:
    """Windows and reserved times of which none lies in the night."""
    noon = datetime.datetime.combine(scenario.night.date, datetime.time(12), datetime.UTC)
    noon -= datetime.timedelta(hours=scenario.array.site.ahead_h)
    end = noon + datetime.timedelta(days=1)

    def told(item: Item, key: str, windows: Sequence[Window]) -> Iterator[Problem]:
        if windows and not any(one.start_utc < end and one.end_utc > noon for one in windows):
            nearest = min((one.start_utc for one in windows), key=lambda start: abs(start - noon))
            found = f"lies outside the night of {scenario.night.date}; the nearest: {nearest:%Y-%m-%d %H:%M}"
            yield item.place.problem(
                (key,), found, "Nothing can be observed in it tonight: is its date right?"
            )

    for item, extras in zip(draft.items("request"), _parts(draft, "request"), strict=True):
        yield from told(item, "windows", extras.windows)
    for item, own in zip(draft.items("reserved"), _parts(draft, "reserved"), strict=True):
        yield from told(item, "windows", own.windows)
        if own.start_utc is not None and not (own.start_utc < end and own.end_utc > noon):
            found = f"lies outside the night of {scenario.night.date}"
            yield item.place.problem(
                ("start_utc",), found, "It takes nothing away tonight: is its date right?"
            )


def _parts(draft: Draft, kind: str) -> list:
    return [item.part for item in draft.items(kind)]
