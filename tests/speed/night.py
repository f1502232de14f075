"""How good a night is, and how soon: queues of 20 to 100 requests, against simpler ways to choose.

Run: python tests/speed/night.py [COUNT ...]. One table of one run; nothing here is asserted.

All ways choose from the same visits on the array of the demonstration, up to four subarrays a request,
and are scored by the same cells. astroplan's schedulers get one block for each request, as long as its
shortest visit, with an altitude limit; each block then stands for the visit of its request that starts
nearest to it and fits beside those before.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import sys
import time
import warnings
from pathlib import Path

import astroplan
import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from invented import request, star
from nights import build

from planner.interop.astroplan import observer_of
from planner.scenario.night import Effort
from planner.scenario.reading import read_scenario
from planner.scheduling.cpsat import solve_night
from planner.scheduling.stopping import stopping
from planner.sky.earth import offline_earth

ROOT = Path(__file__).resolve().parent.parent.parent
COUNTS = (20, 40, 80, 100)
SECONDS = 60.0
DATE = datetime.date(2027, 6, 10)
MIDNIGHT_DEG = 250.0  # right ascension on the meridian in the middle of that night


def queue(count, seed=1):
    """Requests of all three combiners over the whole sky of a June night, three calibrators beside each."""
    base = read_scenario(ROOT / "scenarios" / "demo")
    rng = np.random.default_rng(seed)
    light = {"V": 3.0, "H": 3.0, "K": 3.0}
    wishes, calibrators = [], []
    for number in range(count):
        ra, dec = float(MIDNIGHT_DEG + rng.uniform(-95, 95)), float(rng.uniform(-75, 25))
        own = star(f"target {number}", ra, dec, mag=light, diameter_mas=1.0)
        combiner = base.array.combiners[int(rng.integers(0, len(base.array.combiners)))]
        priority, field = int(rng.integers(1, 6)), float(rng.uniform(8, 40))
        wishes.append(request(own, combiner.name, priority=priority, field_mas=field))
        for k in range(3):
            beside = ra + float(rng.uniform(-6, 6)), dec + float(rng.uniform(-5, 5))
            calibrators.append(star(f"calibrator {number}.{k}", *beside, mag=light, diameter_mas=0.3))
    return base.model_copy(
        update={
            "requests": tuple(wishes),
            "calibrators": tuple(calibrators),
            "history": (),
            "reserved": (),
            "night": base.night.model_copy(update={"date": DATE}),
            "effort": Effort(subarrays_per_request=4, calibrators_per_request=2, brackets_per_start=1),
        }
    )


def by_priority(problem, priority):
    """Take the requests by priority, each where it fills most and still fits."""
    chosen: list[int] = []
    for number in sorted(range(len(priority)), key=lambda r: (-priority[r], r)):
        own = np.flatnonzero(problem.request == number)
        for candidate in sorted(own.tolist(), key=lambda c: (-problem.score([c]), c)):
            if problem.possible([*chosen, candidate]):
                chosen.append(candidate)
                break
    return chosen


def by_astroplan(night, kind):
    """Let one of astroplan's schedulers order the requests."""
    limits, problem = night.limits, night.problem
    scenario, sky = limits.scenario, limits.sky
    length = np.full(len(scenario.requests), np.inf)
    ticks = night.table.end_tick - night.table.start_tick
    np.minimum.at(length, problem.request, ticks * sky.tick_s)
    lowest = min(own.altitude_min_deg for own in scenario.array.telescope_classes)
    blocks = [
        astroplan.ObservingBlock(
            astroplan.FixedTarget(
                SkyCoord(wish.star.ra_deg * u.deg, wish.star.dec_deg * u.deg), name=wish.name
            ),
            length[row] * u.s,
            6 - wish.priority,
        )
        for row, wish in enumerate(scenario.requests)
        if np.isfinite(length[row])
    ]
    schedule = astroplan.Schedule(sky.times[0], sky.times[-1])
    scheduler = kind(
        constraints=[astroplan.AltitudeConstraint(min=lowest * u.deg)],
        observer=observer_of(scenario.array.site),
        transitioner=astroplan.Transitioner(1.0 * u.deg / u.s),
        time_resolution=5 * u.min,
        gap_time=5 * u.min,
    )
    # Where it gives up (0.10.1: "longer block than slot"), what it has placed until then counts.
    with contextlib.redirect_stdout(io.StringIO()), offline_earth(), contextlib.suppress(ValueError):
        scheduler(blocks, schedule)
    numbers = {wish.name: row for row, wish in enumerate(scenario.requests)}
    chosen: list[int] = []
    for block in sorted(schedule.observing_blocks, key=lambda own: own.start_time):
        tick = round((block.start_time - sky.times[0]).to_value("s") / sky.tick_s)
        own = np.flatnonzero(problem.request == numbers[block.target.name])
        for candidate in sorted(own.tolist(), key=lambda c: (abs(int(night.table.start_tick[c]) - tick), c)):
            if problem.possible([*chosen, candidate]):
                chosen.append(candidate)
                break
    return chosen


def main(counts):
    """Print one table."""
    warnings.simplefilter("ignore")
    print(
        f"{'requests':>8} {'visits':>7} {'build s':>8} | {'score':>6} {'bound':>6} {'gap %':>6} "
        f"{'solve s':>8} | {'priority':>8} {'sequential':>10} {'by astroplan priority':>21}   (share of ours)"
    )
    for count in counts:
        start = time.perf_counter()
        night = build(queue(count))
        built = time.perf_counter() - start
        start = time.perf_counter()
        with stopping(SECONDS) as stop:
            solution = solve_night(night.problem, np.inf, stop=stop)
        solved = time.perf_counter() - start
        priority = [wish.priority for wish in night.limits.scenario.requests]
        others = [
            night.problem.score(by_priority(night.problem, priority)),
            night.problem.score(by_astroplan(night, astroplan.SequentialScheduler)),
            night.problem.score(by_astroplan(night, astroplan.PriorityScheduler)),
        ]
        share = [other / solution.score for other in others]
        print(
            f"{count:8d} {len(night.problem):7d} {built:8.1f} | {solution.score:6d} {solution.bound:6d} "
            f"{100 * solution.gap:6.2f} {solved:8.1f} | {share[0]:8.2f} {share[1]:10.2f} {share[2]:21.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or COUNTS)
