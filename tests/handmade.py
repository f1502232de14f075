"""A plan made by hand: three visits on three telescopes, placed with astropy and written as a document."""

from __future__ import annotations

import datetime
import itertools

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from invented import DATE, combiner, delay_line, request, star, telescope_class
from pydantic import BaseModel

from planner.geometry.uv import uvw_m
from planner.scenario.array import Array, Configuration, Site, Station, Telescope
from planner.scenario.night import Effort, Limits, NightSettings
from planner.scenario.targets import Scenario
from planner.scheduling.plan import (
    Beam,
    EarthOrientation,
    Night,
    NightPlan,
    RequestOutcome,
    SolverReport,
    Step,
    Visit,
)
from planner.science.coverage import cell_codes, cells_of
from planner.sky.earth import Place, earth_frame, offline_earth

SITE = Site(name="nowhere", latitude_deg=-25.0, longitude_deg=-67.0, height_m=2500.0)
PLACEMENT = {"A": "west", "B": "east", "C": "north"}
LINES = {"A": "one", "B": "two", "C": "three"}
# Visit: target, combiner, subarray, start. Minutes after it: calibrator 0-4, science 6-14, calibrator 16-20.
VISITS = (
    ("first", "pair K", ("A", "B"), "00:20"),
    ("second", "pair H", ("A", "C"), "00:50"),
    ("first", "pair K", ("A", "B"), "01:20"),
)
STEPS = (("calibrator", 0, 4), ("science", 6, 14), ("calibrator", 16, 20))
CALIBRATOR = {"first": "beside first", "second": "beside second"}


def scenario() -> Scenario:
    """Two fixed telescopes and a movable one, two combiners of two beams, two requests."""
    pads = {"west": (-40.0, 0.0, 0.0), "east": (35.0, 10.0, 1.0), "north": (0.0, 50.0, -1.0)}
    stations = (
        Station(name=n, east_m=e, north_m=k, up_m=h, fixed_path_m=20.0) for n, (e, k, h) in pads.items()
    )
    array = Array(
        site=SITE,
        telescope_classes=(telescope_class(),),
        telescopes=(
            Telescope(name="A", telescope_class="one metre", station="west"),
            Telescope(name="B", telescope_class="one metre", station="east"),
            Telescope(name="C", telescope_class="one metre", movable=True),
        ),
        stations=tuple(stations),
        delay_lines=tuple(delay_line(name) for name in LINES.values()),
        combiners=(
            combiner(2, name="pair K"),
            combiner(2, name="pair H", wavelengths_um=(1.6, 1.7), beam_path_m=(0.0, 1.5)),
        ),
        configurations=(Configuration(name="as built", placement={"C": "north"}),),
    )
    # Invented stars, near the meridian at the start of the night.
    first, second = star("first", 118.0, -45.0), star("second", 122.0, -8.0)
    return Scenario(
        name="by hand",
        title="three visits made by hand",
        array=array,
        night=NightSettings(date=DATE, configuration="as built", tick_s=60),
        limits=Limits(),
        effort=Effort(),
        requests=(
            request(first, "pair K", visits=2, priority=3, field_mas=200.0),
            request(second, "pair H", field_mas=200.0),
        ),
        calibrators=(star("beside first", 121.0, -44.0), star("beside second", 121.0, -10.0)),
    )


def plan(made: tuple = VISITS, asked: Scenario | None = None) -> NightPlan:
    """The plan: every visit in the middle of its strokes, cells by the planner's own matrices."""
    asked = asked or scenario()
    visits: list[Visit] = []
    for number, wanted in enumerate(made):
        filled = {cell for visit in visits if visit.target == wanted[0] for cell in visit.new_cells}
        visits.append(_visit(asked, number, wanted, filled))
    score = sum(visit.value for visit in visits)
    return NightPlan(
        planner_version="by hand",
        scenario=asked,
        night=Night(
            date=DATE.isoformat(),
            sun_altitude_max_deg=-18.0,
            start_utc="2027-03-12T00:10:00Z",
            end_utc="2027-03-12T09:10:00Z",
            slot_s=300,
            tick_s=60,
            moon_illumination=0.13,
        ),
        configuration="as built",
        placement=PLACEMENT,
        solver=SolverReport(
            made_by="greedy",
            status="feasible",
            score=score,
            bound=2 * score,
            gap=0.5,
            effort=1.0,
            candidates=3,
            solver="hand",
        ),
        visits=tuple(visits),
        requests=tuple(_outcome(wish, visits) for wish in asked.requests),
        earth_orientation=EarthOrientation(
            source="hand",
            state="predicted",
            ut1_minus_utc_s=0.0,
            error_s=0.0,
            delay_error_mm=0.0,
            sentence="",
        ),
    )


def _outcome(wish, visits):
    mine = [visit for visit in visits if visit.target == wish.name]
    cells = sum(len(visit.new_cells) for visit in mine)
    return RequestOutcome(
        target=wish.name, combiner=wish.combiner, priority=wish.priority, visits_wanted=wish.visits,
        visits_planned=len(mine), cells_filled=cells, cells_reachable=cells, feasible_starts=1,
        reason=None if len(mine) == wish.visits else "left out by hand", worth=sum(v.value for v in mine),
    )  # fmt: skip


def utc(clock: str, minutes: float = 0.0) -> str:
    """A time of the night after midnight UTC, as the plan writes it."""
    moment = datetime.datetime.fromisoformat(f"2027-03-12T{clock}:00") + datetime.timedelta(minutes=minutes)
    return moment.isoformat() + "Z"


def _visit(asked: Scenario, number: int, wanted: tuple, filled: set) -> Visit:
    target, combiner_name, subarray, clock = wanted
    wish = next(r for r in asked.requests if r.name == target)
    setups = (-10.0 if number else -1.5, 4.0, 14.0)
    steps = tuple(
        _step(asked, wanted, STEPS[k], utc(clock, setups[k]), f"{target}") for k in range(len(STEPS))
    )
    new = tuple(cell for cell in cells(asked, wish, subarray, clock) if cell not in filled)
    return Visit(
        id=f"V{number + 1:02d}", target=target, combiner=combiner_name, subarray=subarray, steps=steps,
        latest_start_utc=utc(clock), margins=(), new_cells=new, value=wish.priority * len(new),
    )  # fmt: skip


def _step(asked: Scenario, visit: tuple, step: tuple, setup_start: str, target: str) -> Step:
    _, combiner_name, subarray, clock = visit
    role, begin, end = step
    name = target if role == "science" else CALIBRATOR[target]
    catalogued = next(s for s in (*(r.star for r in asked.requests), *asked.calibrators) if s.name == name)
    times = (utc(clock, begin), utc(clock, end))
    azimuth, altitude, direction = seen(catalogued, times)
    inner = asked.array.combiner(combiner_name).beam_path_m or (0.0, 0.0)
    path = [
        # 20 m from the pad on, and 2 m down to it from where the axes meet.
        direction @ pad(asked, PLACEMENT[telescope]) - 20.0 - 2.0 - inner[k]
        for k, telescope in enumerate(subarray)
    ]
    offset = 45.0 - float(np.mean(path))
    return Step(
        role=role,
        object=name,
        setup_start_utc=setup_start,
        start_utc=times[0],
        end_utc=times[1],
        common_offset_m=offset,
        beams=tuple(
            Beam(
                telescope=telescope, station=PLACEMENT[telescope], delay_line=LINES[telescope],
                combiner_input=k + 1,
                delay_start_m=offset + path[k][0], delay_end_m=offset + path[k][1],
                azimuth_start_deg=azimuth[0], azimuth_end_deg=azimuth[1],
                altitude_start_deg=altitude[0], altitude_end_deg=altitude[1],
            )
            for k, telescope in enumerate(subarray)
        ),
    )  # fmt: skip


def pad(asked: Scenario, station: str) -> np.ndarray:
    """East, north, up of a station's pupil from the middle of the array."""
    found = asked.array.station(station)
    # Paths count from the middle of the three stations, (-5, 60, 0) / 3; all pupils are 2 m above their pads.
    return np.array([found.east_m + 5.0 / 3.0, found.north_m - 20.0, found.up_m])


def seen(catalogued, times: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Azimuth and altitude (degrees) and direction of a star without motion, by astropy."""
    with offline_earth():
        location = EarthLocation.from_geodetic(
            SITE.longitude_deg * u.deg, SITE.latitude_deg * u.deg, SITE.height_m * u.m
        )
        obstime = Time([text.removesuffix("Z") for text in times], scale="utc")
        place = SkyCoord(catalogued.ra_deg * u.deg, catalogued.dec_deg * u.deg)
        altaz = place.transform_to(AltAz(obstime=obstime, location=location))
    east_north_up = altaz.cartesian.xyz.value[[1, 0, 2]].T
    return altaz.az.deg, altaz.alt.deg, east_north_up


def cells(asked: Scenario, wish, subarray: tuple, clock: str) -> tuple:
    """Cells of the science step, by the planner's matrices: the audit counts them with astropy's."""
    _, begin, end = STEPS[1]
    with offline_earth():
        # Every five seconds: 0.4 mm on a metre.
        ticks = [
            utc(clock, minute).removesuffix("Z") for minute in np.linspace(begin, end, 12 * (end - begin) + 1)
        ]
        frame = earth_frame(
            Place(SITE.latitude_deg, SITE.longitude_deg, SITE.height_m), Time(ticks, scale="utc")
        )
    pads = [pad(asked, PLACEMENT[telescope]) for telescope in subarray]
    baselines = np.array([b - a for a, b in itertools.combinations(pads, 2)])
    icrs = np.deg2rad([[wish.star.ra_deg, wish.star.dec_deg]])
    uv = uvw_m(icrs, frame.boost, baselines)[0, ..., :2]
    return cells_of(cell_codes(uv, asked.array.combiner(wish.combiner).wavelengths_um, wish.field_mas))


def changed(part, path: str, change):
    """A copy of a document in which one leaf is another; ``change`` may be a function of what stands there.

    ``path`` names keys and positions with dots, such as ``visits.0.steps.1.start_utc``.
    """
    key, _, rest = path.partition(".")
    if not key:
        return change(part) if callable(change) else change
    if isinstance(part, BaseModel):
        return part.model_copy(update={key: changed(getattr(part, key), rest, change)})
    if isinstance(part, dict):
        return part | {key: changed(part.get(key), rest, change)}
    number = int(key) % len(part)
    return (*part[:number], changed(part[number], rest, change), *part[number + 1 :])
