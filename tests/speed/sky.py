"""How fast directions are: our matrix product against astropy's transformation and its own floor.

Run: python tests/speed/sky.py. Prints ratios of one run; nothing here is asserted.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, SkyCoord
from astropy.time import Time

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from invented import star

from planner.sky.directions import directions, location_of, natural_directions
from planner.sky.earth import Place, earth_frame, offline_earth

STARS, TICKS = 200, 1200


def seconds(work, times=3):
    """Best of a few runs."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main():
    """Print one table."""
    rng = np.random.default_rng(1)
    place = Place(-25.0, -67.0, 2500.0)
    stars = [star(str(i), float(rng.uniform(0, 360)), float(rng.uniform(-80, 40))) for i in range(STARS)]
    with offline_earth():
        times = Time("2027-03-12") + np.arange(TICKS) * 30.0 * u.s
        coordinates = SkyCoord([s.ra_deg for s in stars] * u.deg, [s.dec_deg for s in stars] * u.deg)
        frame = AltAz(obstime=times[None, :], location=location_of(place))
        full = seconds(lambda: coordinates[:, None].transform_to(frame), 1)
    ours = seconds(lambda: directions(natural_directions(stars, f := earth_frame(place, times)), f))
    light, boost = rng.normal(size=(STARS, 4)), rng.normal(size=(TICKS * 4, 4))
    floor = seconds(lambda: light @ boost.T)
    print(f"{STARS} stars, {TICKS} times")
    print(f"ours                       {ours:8.3f} s")
    print(f"astropy's AltAz            {full:8.3f} s   {full / ours:6.1f} times ours")
    print(f"the bare matrix product    {floor:8.4f} s   {ours / floor:6.1f} times faster than ours")


if __name__ == "__main__":
    main()
