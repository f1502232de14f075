"""How good a night is, and how soon: queues of 20 to 100 requests, against simpler ways to choose.

Run: python tests/speed/night.py [COUNT ...]. Two tables of one run; nothing here is asserted. The second is
of the same queues with every wish at once: shared calibrators, requests of two and three visits with gaps,
all or nothing, floors, goals, cells that count again, orders, company, two programs with a time budget.

All ways choose from the same visits on the array of the demonstration, up to four subarrays a request,
and are scored by the same cells. astroplan's schedulers get one block for each request, as long as its
shortest visit, with an altitude limit; each block then stands for the visit of its request that starts
nearest to it and fits beside those before.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import resource
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
from planner.scenario.programs import Program
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


def with_every_wish(scenario):
    """The same queue when its requests hang together in every way."""
    names = [wish.name for wish in scenario.requests]
    requests = []
    for number, wish in enumerate(scenario.requests):
        extras = {
            "gap_min_h": 1.5 if number % 5 == 0 else 0.0,
            "all_or_nothing": number % 10 == 0,
            "cells_floor": 5 if number % 7 == 3 else 0,
            "cells_goal": 6 if number % 7 == 4 else None,
            "cell_values": (3, 2, 1) if number % 9 == 1 else (1,),
            "after": names[number - 1] if number % 11 == 2 else None,
            "only_with": names[number - 1] if number % 11 == 6 else None,
        }
        visits = 2 if number % 5 == 0 else 3 if number % 10 == 3 else 1
        own = wish.extras.model_copy(update=extras)
        requests.append(wish.model_copy(update={"extras": own, "visits": visits}))
    programs = (
        Program(name="first", targets=tuple(names[::4]), hours_max=2.0),
        Program(name="second", targets=tuple(names[1::4]), hours_max=1.5),
    )
    plan = scenario.plan.model_copy(update={"share_calibrators": True})
    return scenario.model_copy(update={"requests": tuple(requests), "programs": programs, "plan": plan})


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


def solved(scenario):
    """Build and solve a night; return it, its solution, and the seconds of both."""
    start = time.perf_counter()
    night = build(scenario)
    built_s = time.perf_counter() - start
    start = time.perf_counter()
    with stopping(SECONDS) as stop:
        solution = solve_night(night.problem, np.inf, stop=stop)
    return night, solution, (built_s, time.perf_counter() - start)


def row(count, night, solution, seconds):
    """What both tables begin with."""
    return (
        f"{count:8d} {len(night.problem):7d} {seconds[0]:8.1f} | {solution.score:6d} {solution.bound:6d} "
        f"{100 * solution.gap:6.2f} {seconds[1]:8.1f} "
    )


def main(counts):
    """Print both tables."""
    warnings.simplefilter("ignore")
    head = (
        f"{'requests':>8} {'visits':>7} {'build s':>8} | {'score':>6} {'bound':>6} {'gap %':>6} "
        f"{'solve s':>8} "
    )
    print(
        f"{head}| {'priority':>8} {'sequential':>10} {'by astroplan priority':>21}   (share of ours)",
        flush=True,
    )
    for count in counts:
        night, solution, seconds = solved(queue(count))
        priority = [wish.priority for wish in night.limits.scenario.requests]
        others = [
            night.problem.score(by_priority(night.problem, priority)),
            night.problem.score(by_astroplan(night, astroplan.SequentialScheduler)),
            night.problem.score(by_astroplan(night, astroplan.PriorityScheduler)),
        ]
        share = [other / solution.score for other in others]
        print(
            f"{row(count, night, solution, seconds)}| {share[0]:8.2f} {share[1]:10.2f} {share[2]:21.2f}",
            flush=True,
        )
    print(f"\n{head}| {'priority':>8} {'shared pairs':>12}   (every wish at once)", flush=True)
    for count in counts:
        night, solution, seconds = solved(with_every_wish(queue(count)))
        priority = [wish.priority for wish in night.limits.scenario.requests]
        own = by_priority(night.problem, priority)
        share = night.problem.score(night.problem.supported(own)) / solution.score
        pairs = sum(len(givers) for givers in night.problem.rules.givers)
        print(f"{row(count, night, solution, seconds)}| {share:8.2f} {pairs:12d}", flush=True)
    print(f"\nmost memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or COUNTS)
