"""Nights and seasons of feasibility made by hand: real sky curves, simple margins, no engine behind them.

What the figures show of them is read back from their SVG.

The place is the invented one of ``invented.py``; margins are smooth functions
of the star's real altitude and of time, so that their signs are known.
"""

from __future__ import annotations

import datetime
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
from invented import random_scenario, request, star

from planner.constraints.verdict import Verdict
from planner.feasibility.answers import (
    DAYLIGHT,
    OPEN,
    Blocked,
    Exclusion,
    Opening,
    Season,
    SubarrayNight,
    TargetNight,
    longest_open,
)
from planner.feasibility.spans import gaps, join
from planner.scenario.targets import Scenario
from planner.scheduling.subarrays import Subarray
from planner.sky.curve import sky_curve
from planner.sky.directions import altitude_deg, place_of
from planner.sky.night import dark_hours

SVG = "{http://www.w3.org/2000/svg}"
GRID_S = 60.0
VISIT_S = 1500.0


def scenario_of(name: str = "made-up star", dec_deg: float = -40.0, **night: object) -> Scenario:
    """One request on six telescopes combined by three."""
    base = random_scenario(5, requests=1, telescopes=6, beams=3, **night)
    wanted = request(star(name, 185.0, dec_deg), base.array.combiners[0].name)
    return base.model_copy(update={"requests": (wanted,)})


def short_night() -> Scenario:
    """At latitude -48 the midsummer Sun comes down to -(90 - 48 - 23.4) = -18.6 deg at midnight."""
    scenario = scenario_of()
    site = scenario.array.site.model_copy(update={"latitude_deg": -48.0})
    array = scenario.array.model_copy(update={"site": site})
    date = scenario.night.model_copy(update={"date": datetime.date(2027, 12, 21)})
    return scenario.model_copy(update={"array": array, "night": date})


def margins(altitude: np.ndarray, grid_s: np.ndarray, shift: float = 0.0) -> tuple[Verdict, ...]:
    """Ten limits: most are kept with room, altitude and delay range are not."""
    far = (grid_s - grid_s.mean()) / 3600.0
    values = {
        ("altitude, lower limit", "deg"): altitude - 30.0,
        ("altitude, upper limit", "deg"): 87.0 - altitude,
        ("skyline", "deg"): altitude - 18.0 + 4.0 * np.sin(far),
        ("shadowing", "of the pupil"): 0.03 - 0.05 * np.exp(-(((far + 1.5 + shift) / 0.25) ** 2)),
        ("azimuth tracking rate", "deg/s"): 1.0 - 0.3 * np.exp(-((far / 1.5) ** 2)),
        ("Moon separation", "deg"): 31.0 - 0.5 * far,
        ("airmass", "airmass"): 2.0 - 1.0 / np.sin(np.radians(np.clip(altitude, 1.0, 90.0))),
        ("limiting magnitude", "mag"): np.full(len(grid_s), 2.0),
        ("delay range", "m"): 26.0 - 9.0 * np.abs(far - 0.6 - shift),
        ("absolute window", "min"): np.full(len(grid_s), np.inf),
    }
    return tuple(Verdict(limit, unit, margin, ("time",)) for (limit, unit), margin in values.items())


def spans_where(held: np.ndarray, grid_s: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Intervals from the first to the last sample of each run, one sample long at least."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]]).astype(int))).reshape(-1, 2)
    return tuple((float(grid_s[a]), float(grid_s[min(b, len(grid_s) - 1)])) for a, b in edges)


def subarray_night(
    verdicts: tuple[Verdict, ...],
    grid_s: np.ndarray,
    chosen: tuple[int, ...],
    names: tuple[str, ...],
    altitude: np.ndarray,
) -> SubarrayNight:
    """What these margins leave of the night."""
    stack = np.array([verdict.margin for verdict in verdicts])
    spans = spans_where((stack >= 0).all(axis=0), grid_s)
    blocked = []
    for start, end in gaps(spans, float(grid_s[-1])):
        inside = (grid_s >= start) & (grid_s <= end)
        worst = int(np.argmin(stack[:, inside].min(axis=1)))
        short = -float(stack[worst, inside].min())
        blocked.append(
            Blocked((start, end), verdicts[worst].limit, verdicts[worst].unit, short, start, 0.0, start, ())
        )
    starts = [np.arange(300.0 * np.ceil(a / 300.0), b - VISIT_S, 300.0) for a, b in spans]
    within = np.zeros(len(grid_s), dtype=bool)
    for a, b in spans:
        within |= (grid_s >= a) & (grid_s <= b)
    best = int(np.argmax(np.where(within, altitude, -90.0))) if spans else None
    return SubarrayNight(
        subarray=Subarray("combiner", chosen, chosen),
        telescopes=tuple(names[i] for i in chosen),
        lines=tuple(f"D{i}" for i in chosen),
        openings=tuple(Opening(span, "altitude, lower limit", "delay range") for span in spans),
        blocked=tuple(blocked),
        visit_starts_s=np.concatenate([np.zeros(0), *starts]),
        hour_angle_h=(-1.0, 2.0) if spans else None,
        best_s=None if best is None else float(grid_s[best]),
        best_altitude_deg=None if best is None else float(altitude[best]),
        best_margins=(),
    )


def target_night(scenario: Scenario, subarrays: int = 8) -> TargetNight:
    """One request through the scenario's night; each next subarray has its delay range a little later."""
    place = place_of(scenario.array.site)
    dark = dark_hours(place, scenario.night.date, scenario.night.sun_altitude_max_deg)
    curve = sky_curve(place, dark, [scenario.requests[0].star])
    grid_s = np.append(np.arange(0.0, curve.length_s, GRID_S), curve.length_s)
    altitude = altitude_deg(curve.at([0], grid_s).direction)[0]
    names = tuple(telescope.name for telescope in scenario.array.telescopes)
    made = []
    for number in range(subarrays):
        chosen = ((number) % 4, (number) % 4 + 1, 5)
        verdicts = margins(altitude, grid_s, shift=0.4 * number)
        made.append(subarray_night(verdicts, grid_s, chosen, names, altitude))
    order = sorted(range(subarrays), key=lambda i: (not len(made[i].visit_starts_s), -made[i].usable_h))
    ranked = tuple(made[i] for i in order)
    closed = not any(len(one.visit_starts_s) for one in ranked)
    sentence = "The star stays 3.4 deg below the altitude limit all night, at best at 04:10."
    return TargetNight(
        scenario=scenario,
        request=0,
        curve=curve,
        subarrays=ranked,
        any_spans=join([one.spans for one in ranked]),
        grid_s=grid_s,
        curves=margins(altitude, grid_s, shift=0.4 * order[0]) if ranked else (),
        visit_s=VISIT_S,
        exclusion=Exclusion(("altitude, lower limit",), (), sentence) if closed else None,
        remedies=(),
        remedies_tried=(),
        calibrators=(),
        reach=None,
    )


def renamed(night: TargetNight, name: str) -> TargetNight:
    """The same night with this name in every telescope and limit."""
    return replace(
        night,
        subarrays=tuple(
            replace(one, telescopes=tuple(f"{t} {name}" for t in one.telescopes)) for one in night.subarrays
        ),
        curves=tuple(replace(verdict, limit=f"{verdict.limit} {name}") for verdict in night.curves),
    )


LIMITS = (
    "Sun",
    "altitude, lower limit",
    "altitude, upper limit",
    "skyline",
    "shadowing",
    "Moon separation",
    "delay range",
)
STEP_S = 600.0


def season(
    first: datetime.date = datetime.date(2027, 3, 11),
    nights: int = 365,
    columns: int = 109,
    dec_deg: float = -40.0,
) -> Season:
    """A star at right ascension 12 h from latitude -25: round orbits, round Moon, no refraction."""
    day = np.arange(nights) + (first - datetime.date(2027, 3, 21)).days
    offset_h = (np.arange(columns) - (columns - 1) / 2.0) * STEP_S / 3600.0
    latitude = np.radians(-25.0)
    sun_lon = 2.0 * np.pi * day / 365.25
    sun_dec = np.arcsin(np.sin(np.radians(23.44)) * np.sin(sun_lon))[:, None]
    sun_altitude = _altitude(np.pi * (offset_h + 12.0) / 12.0, sun_dec, latitude)
    sidereal_h = 12.0 + offset_h + 24.0 * day[:, None] / 365.25
    angle_h = (sidereal_h - 12.0 + 12.0) % 24.0 - 12.0
    star_altitude = _altitude(np.pi * angle_h / 12.0, np.radians(dec_deg), latitude)
    moon_lon = 360.0 * day[:, None] / 27.32
    binding = np.full((nights, columns), OPEN, dtype=np.int8)
    refused = (
        (np.abs((moon_lon - 180.0 + 180.0) % 360.0 - 180.0) < 15.0) & (sun_altitude < 0.0),
        np.abs(angle_h + 1.0) < 0.2,
        np.abs(angle_h - 0.6) > 2.6,
        star_altitude < 25.0,
        star_altitude > 74.5,
        star_altitude < 35.0,
    )
    for code, no in zip((6, 5, 7, 4, 3, 2), refused, strict=True):
        binding[no] = code
    binding[sun_altitude > -18.0] = DAYLIGHT
    return Season(
        scenario=scenario_of(dec_deg=dec_deg),
        nights=tuple(first + datetime.timedelta(days=n) for n in range(nights)),
        step_s=STEP_S,
        offset_h=offset_h,
        configurations=("as built",),
        requests=(0,),
        limits=LIMITS,
        binding=binding[None, None],
        visit_s=np.array([VISIT_S]),
        whole_visits=roomy(binding[None, None]),
    )


def roomy(binding):
    """Nights of a season made by hand in which a visit fits: enough open columns in a row."""
    return longest_open(binding) >= np.ceil(VISIT_S / STEP_S)


def _altitude(angle: np.ndarray, dec: np.ndarray | float, latitude: float) -> np.ndarray:
    sine = np.sin(dec) * np.sin(latitude) + np.cos(dec) * np.cos(latitude) * np.cos(angle)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def parsed(svg):
    return ElementTree.fromstring(svg)


def words(svg):
    """Every line of text that the figure shows."""
    return ["".join(text.itertext()) for text in parsed(svg).iter(f"{SVG}text")]


def told(svg):
    root = parsed(svg)
    return root.find(f"{SVG}title").text, root.find(f"{SVG}desc").text


def points(d):
    """Corners of the closed rings of a path of straight lines."""
    rings = []
    for kind, x, y in re.findall(r"([ML]) (-?[\d.]+) (-?[\d.]+)", d):
        if kind == "M":
            rings.append([])
        rings[-1].append((float(x), float(y)))
    return rings


def area(rings):
    """Area inside rings, holes turning the other way: Gauss's formula for polygons."""
    total = 0.0
    for ring in rings:
        x, y = np.array(ring).T
        total += float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0
    return abs(total)


def filled(svg, colour):
    """Paths filled with a colour, plain or under a hatch, that lie in the drawing itself."""
    root = parsed(svg)
    hatched, inside = set(), set()
    for pattern in root.iter(f"{SVG}pattern"):
        inside |= set(pattern.iter())
        if pattern.find(f"{SVG}rect").get("fill") == colour:
            hatched.add(f"url(#{pattern.get('id')})")
    found = []
    for path in root.iter(f"{SVG}path"):
        fill = re.search(r"fill: ([^;]+)", path.get("style") or "")
        if path not in inside and fill and fill[1].strip() in {colour, *hatched}:
            found.append(points(path.get("d")))
    return found


def boxes(svg, colour):
    """Left, right, top and bottom of every rectangle of a colour."""
    found = []
    for rings in filled(svg, colour):
        x, y = np.array([corner for ring in rings for corner in ring]).T
        found.append((x.min(), x.max(), y.min(), y.max()))
    return found
