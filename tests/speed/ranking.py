"""How fast every subarray is ranked: 30 stations, 27,405 quadruplets, 50 requests, one night and three.

Run: python tests/speed/ranking.py. Prints ratios of one run; nothing here is asserted.

The other ways are run on a part of the subarrays, or of the samples, and their time is multiplied: plain
numpy loops over subarrays (one choice of lines), and astropy transforms the sky anew at each slot for each
telescope of each subarray.
"""

from __future__ import annotations

import datetime
import itertools
import resource
import sys
import time
from pathlib import Path

import numpy as np
from astropy.coordinates import AltAz, SkyCoord

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from invented import combiner, delay_line, random_array, request, star

from planner.ranking.cells import uv_of
from planner.ranking.moments import moments_of
from planner.ranking.seats import seating, seats_of, subarrays_of
from planner.ranking.usable import line_choices_of, usable_bits
from planner.ranking.worth import worth_of
from planner.scenario.array import Telescope
from planner.scenario.night import Effort, Limits, NightSettings
from planner.scenario.targets import Scenario
from planner.science.coverage import cell_codes
from planner.sky.directions import location_of, place_of
from planner.sky.earth import offline_earth

STATIONS, REQUESTS, PART = 30, 50, 200
FIRST = datetime.date(2027, 3, 11)


def scenario_of(strokes: int) -> Scenario:
    """Thirty stations, movable telescopes, lines of so many strokes."""
    rng = np.random.default_rng(3)
    array = random_array(rng, STATIONS, 4, spread_m=70.0)
    telescopes = tuple(Telescope(name=f"T{k}", telescope_class="one metre", movable=True) for k in range(4))
    lines = tuple(delay_line(f"D{k}", stroke_m=(0.0, 95.0 - 15.0 * (k % strokes))) for k in range(6))
    array = array.model_copy(
        update={"telescopes": telescopes, "delay_lines": lines, "combiners": (combiner(4),)}
    )
    wishes = tuple(
        request(
            star(f"target {k}", float(rng.uniform(90, 270)), float(rng.uniform(-60, 10))),
            array.combiners[0].name,
            priority=int(rng.integers(1, 6)),
        )
        for k in range(REQUESTS)
    )
    return Scenario(
        name="speed",
        title="speed",
        array=array,
        night=NightSettings(date=FIRST, configuration="as built"),
        limits=Limits(airmass_max=2.0),
        effort=Effort(),
        requests=wishes,
        calibrators=tuple(
            star(
                f"calibrator {k}.{number}",
                wish.star.ra_deg + float(rng.uniform(-6, 6)),
                wish.star.dec_deg + float(rng.uniform(-6, 6)),
            )
            for k, wish in enumerate(wishes)
            for number in range(2)
        ),
    )


def took(work):
    """Seconds of one run, and what it returned."""
    begun = time.perf_counter()
    found = work()
    return time.perf_counter() - begun, found


def by_loop(moments, members, own, lines):
    """Feasibility and cells of some subarrays, one after the other in plain numpy."""
    stroke = np.array([line.stroke_m for line in lines[:4]])
    seat = np.unpackbits(moments.seat[:, :REQUESTS], axis=-1, count=moments.slots).astype(bool)
    codes = [cell_codes(uv_of(moments, row), own.wavelengths_um, 20.0) for row in range(REQUESTS)]
    pairs = list(itertools.combinations(range(STATIONS), 2))
    total = 0
    for chosen in members:
        path = moments.path_m[:REQUESTS][:, :, chosen]
        margin = (stroke[:, 1] - path).min(axis=-1) - (stroke[:, 0] - path).max(axis=-1)
        usable = seat[chosen].all(axis=0) & (margin >= 0)
        columns = [pairs.index(pair) for pair in itertools.combinations(chosen.tolist(), 2)]
        total += sum(len(np.unique(codes[row][usable[row]][:, columns])) for row in range(REQUESTS))
    return total


def measured(strokes: int):
    """Print what one array costs; return what the comparison needs."""
    scenario = scenario_of(strokes)
    seats = seats_of(scenario.array)
    members = subarrays_of(scenario.array, seats, 4, False)
    placement = seating(scenario.array, seats)
    asked = range(REQUESTS)
    first, moments = took(lambda: moments_of(scenario, FIRST, seats, placement, asked))
    own = scenario.array.combiners[0]
    choices = line_choices_of(scenario.array, seats, members, own)
    feasible, _ = took(lambda: usable_bits(moments, own, np.arange(REQUESTS), members, choices))
    one, _ = took(lambda: worth_of(scenario, seats, members, [moments], asked, False))
    later = [FIRST + datetime.timedelta(days=k) for k in (1, 2)]
    nights = [moments, *(moments_of(scenario, date, seats, placement, asked) for date in later)]
    three, _ = took(lambda: worth_of(scenario, seats, members, nights, asked, False))
    print(
        f"{len(members)} quadruplets, {REQUESTS} requests, {moments.slots} slots, lines of {strokes} "
        f"{'stroke' if strokes == 1 else 'strokes'} ({len(choices)} choices)"
    )
    print(f"  limits of seats and pairs        {first:8.2f} s")
    print(f"  feasibility of all               {feasible:8.3f} s")
    print(f"  cells, hours, estimates of all   {one:8.2f} s")
    print(f"  the same for three nights        {three:8.2f} s   {three / one:6.2f} times one night")
    return scenario, members, moments, one


def main():
    """Print one table."""
    with offline_earth():
        scenario, members, moments, one = measured(1)
        measured(3)
        part = members[:: len(members) // PART][:PART]
        own = scenario.array.combiners[0]
        loop, _ = took(lambda: by_loop(moments, part, own, scenario.array.delay_lines))
        loop *= len(members) / len(part)
        times = moments.sky.frame.times[::10]
        places = [(wish.star.ra_deg, wish.star.dec_deg) for wish in scenario.requests]
        coordinates = SkyCoord(places, unit="deg")
        location = location_of(place_of(scenario.array.site))

        def each():
            for moment in times:
                coordinates.transform_to(AltAz(obstime=moment, location=location))

        slow, _ = took(each)
        slow *= moments.slots / len(times) * len(members) * 4
        print(f"numpy, subarray by subarray        {loop:8.0f} s   {loop / one:8.0f} times ours")
        print(f"astropy, sample by sample          {slow:8.0f} s   {slow / one:8.0f} times ours")
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(f"memory at most                     {peak:8.2f} GB")


if __name__ == "__main__":
    main()
