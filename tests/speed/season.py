"""How fast a season is: twelve months of many targets, against other ways to the same grid and its own floor.

Run: python tests/speed/season.py. Prints ratios of one run; nothing here is asserted.

The other ways ask for less: directions only, or one pair in one configuration. They are run on every PART-th
moment and their time is multiplied (what they do once only, a small part, is multiplied with it).
"""

from __future__ import annotations

import datetime
import sys
import time
import warnings
from pathlib import Path

import astroplan
import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, SkyCoord
from astropy.time import TimeDelta

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from invented import star

from planner.feasibility.season import season_of, season_sky
from planner.interop.astroplan import interferometer_constraints, observer_of
from planner.scenario.reading import read_scenario
from planner.sky.directions import location_of, place_of
from planner.sky.earth import offline_earth

ROOT = Path(__file__).resolve().parent.parent.parent
TARGETS, NIGHTS, PART = 50, 365, 60


def main():
    """Print one table."""
    # astroplan takes the Moon's distance in one frame from a star's in another, with a long remark.
    warnings.simplefilter("ignore")
    scenario = read_scenario(ROOT / "scenarios" / "demo")
    rng = np.random.default_rng(1)
    requests = []
    for number in range(TARGETS):
        like = scenario.requests[number % len(scenario.requests)]
        of = star(f"target {number}", float(rng.uniform(0, 360)), float(rng.uniform(-80, 20)))
        requests.append(like.model_copy(update={"star": of}))
    scenario = scenario.model_copy(update={"requests": tuple(requests)})
    nights = [datetime.date(2027, 1, 1) + datetime.timedelta(days=k) for k in range(NIGHTS)]
    configurations = [own.name for own in scenario.array.configurations]
    with offline_earth():
        begun = time.perf_counter()
        sky = season_sky(scenario, nights)
        for request in requests:
            sky.direction(request.star)
        places = time.perf_counter() - begun
        begun = time.perf_counter()
        sky = season_sky(scenario, nights)
        season = season_of(scenario, sky, range(TARGETS), configurations)
        ours = time.perf_counter() - begun
        moments = len(sky.seconds)
        times = sky.earth.start + TimeDelta(sky.seconds[::PART], format="sec")
        coordinates = SkyCoord(
            [r.star.ra_deg for r in requests] * u.deg, [r.star.dec_deg for r in requests] * u.deg
        )
        begun = time.perf_counter()
        frame = AltAz(obstime=times[None, :], location=location_of(place_of(scenario.array.site)))
        coordinates[:, None].transform_to(frame)
        astropys = (time.perf_counter() - begun) * moments / len(times)
        observer = observer_of(scenario.array.site)
        placed = list(scenario.array.placed("wide"))[:2]
        own = [
            astroplan.AltitudeConstraint(30 * u.deg, 87 * u.deg),
            astroplan.AirmassConstraint(2.0),
            astroplan.MoonSeparationConstraint(15 * u.deg),
            *interferometer_constraints(scenario.array, "wide", placed)[1:],
        ]
        begun = time.perf_counter()
        for constraint in own:
            constraint(observer, coordinates, times, grid_times_targets=True)
        astroplans = (time.perf_counter() - begun) * moments / len(times)
    light, boost = rng.normal(size=(TARGETS, 4)), rng.normal(size=(moments * 4, 4))
    begun = time.perf_counter()
    light @ boost.T
    floor = time.perf_counter() - begun
    asked = np.count_nonzero(season.binding >= 0)
    print(f"{TARGETS} targets, {NIGHTS} nights, {moments} dark moments, {len(configurations)} configurations")
    for what, took, told in (
        ("ours, every limit and every subarray", ours, f"{asked / ours:10.0f} answers a second"),
        ("ours, the directions only", places, ""),
        ("astropy's AltAz, the directions only", astropys, f"{astropys / places:8.1f} times our directions"),
        (
            "astroplan, its limits and ours, one pair",
            astroplans,
            f"{astroplans / ours:8.1f} times ours, one part",
        ),
        ("the bare matrix product", floor, f"{places / floor:8.1f} times faster than our directions"),
    ):
        print(f"{what:42s} {took:9.3f} s   {told}")


if __name__ == "__main__":
    main()
